"""Drafts of all places: saved as they are made, undone, redone, never saved over what another tab wrote."""

from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, Path
from pydantic import JsonValue

from earwitness.archive import drafts
from earwitness.bench.state import At, Body, OpenArchive

router = APIRouter(prefix="/api/drafts", tags=["drafts"])
Key = Annotated[str, Path(pattern=r"^[a-z]{1,20}(:[a-z0-9-]{1,60}){0,2}$")]


class Saved(Body):
    """A state to save. revision : the one it was made from, 0 for the first; before : what was shown before that."""

    revision: int
    value: JsonValue
    before: JsonValue = None


@router.get("/{key}")
def draft_now(key: Key, archive: OpenArchive) -> dict[str, Any]:
    """The draft as it stands."""
    return asdict(drafts.draft(archive, key))


@router.put("/{key}")
def draft_save(key: Key, body: Saved, archive: OpenArchive) -> dict[str, Any]:
    """Save the next state; 409 where the draft was changed elsewhere since `revision`."""
    return asdict(drafts.save_draft(archive, key, body.value, revision=body.revision, before=body.before))


@router.post("/{key}/undo")
def draft_undo(key: Key, body: At, archive: OpenArchive) -> dict[str, Any]:
    """Back to the state before."""
    return asdict(drafts.undo_draft(archive, key, revision=body.revision))


@router.post("/{key}/redo")
def draft_redo(key: Key, body: At, archive: OpenArchive) -> dict[str, Any]:
    """Forward to the state that was undone."""
    return asdict(drafts.redo_draft(archive, key, revision=body.revision))
