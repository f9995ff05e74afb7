"""Drafts of all places: saved as they are made, undone, redone, never saved over what another tab wrote."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, Path
from pydantic import BaseModel, ConfigDict, JsonValue

from earwitness.app import drafts
from earwitness.bench.state import BenchState

router = APIRouter(prefix="/api/drafts", tags=["drafts"])
Key = Annotated[str, Path(pattern=r"^[a-z]{1,20}(:[a-z0-9-]{1,60}){0,2}$")]


class Saved(BaseModel):
    """A state to save. revision : the one it was made from, 0 for the first; before : what was shown before that."""

    model_config = ConfigDict(extra="forbid")
    revision: int
    value: JsonValue
    before: JsonValue = None


class At(BaseModel):
    """The revision that the page shows."""

    model_config = ConfigDict(extra="forbid")
    revision: int


@router.get("/{key}")
def draft_now(key: Key, bench: BenchState) -> dict[str, Any]:
    """The draft as it stands."""
    return asdict(drafts.read_draft(key, bench.archive_folder))


@router.put("/{key}")
def draft_save(key: Key, body: Saved, bench: BenchState) -> dict[str, Any]:
    """Save the next state; 409 where the draft was changed elsewhere since `revision`."""
    return asdict(drafts.save(key, body.value, bench.archive_folder, revision=body.revision, before=body.before))


@router.post("/{key}/undo")
def draft_undo(key: Key, body: At, bench: BenchState) -> dict[str, Any]:
    """Back to the state before."""
    return asdict(drafts.undo(key, bench.archive_folder, revision=body.revision))


@router.post("/{key}/redo")
def draft_redo(key: Key, body: At, bench: BenchState) -> dict[str, Any]:
    """Forward to the state that was undone."""
    return asdict(drafts.redo(key, bench.archive_folder, revision=body.revision))
