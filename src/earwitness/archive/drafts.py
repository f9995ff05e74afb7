"""Drafts in the archive: what a tester is writing or setting, saved as it is made, undone and redone.

Every state stays: a change after an undo begins a branch beside the undone one, and nothing entered is lost.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session as Work

from earwitness.archive.catalogue import Archive
from earwitness.archive.schema import DraftRow, DraftStateRow
from earwitness.errors import ArchiveError, InputError

MOST_BYTES = 1_000_000
MOST_KEY = 200


class StaleDraftError(ArchiveError):
    """The draft was changed elsewhere, in another tab or program, since it was read. now : what it holds."""

    def __init__(self, now: SavedDraft) -> None:
        self.now = now
        super().__init__(
            "this was changed elsewhere since you opened it, so it was not saved over",
            where=now.key,
            expected=f"revision {now.revision}, changed at {now.saved_at}",
            remedy="take over the newer state, or save yours as the next one; both stay in the history",
        )


@dataclass(frozen=True, slots=True)
class SavedDraft:
    """A draft as it stands. revision : 0 while nothing was saved; value : plain JSON value, None then."""

    key: str
    revision: int
    value: Any
    saved_at: str
    can_undo: bool
    can_redo: bool


def draft(archive: Archive, key: str) -> SavedDraft:
    """The draft under `key`, of revision 0 when nothing was saved."""
    with archive.reading() as work:
        return _draft(work, key)


def drafts_named(archive: Archive, beginning: str) -> tuple[SavedDraft, ...]:
    """All drafts whose key begins so, by key."""
    query = select(DraftRow.key).where(DraftRow.key.startswith(beginning, autoescape=True)).order_by(DraftRow.key)
    with archive.reading() as work:
        return tuple(_draft(work, key) for key in work.scalars(query))


def save_draft(archive: Archive, key: str, value: Any, *, revision: int, before: Any = None) -> SavedDraft:
    """Save `value` as the next state of the draft that was read at `revision`; an equal value changes nothing.

    before : what was shown before anything was saved; kept as the state before the first, so that the first change can
    be undone too.
    Raises StaleDraftError where it was changed since, InputError for a value that is no JSON or larger than 1 MB,
    OutputError where the archive cannot be written.
    """
    text = _json(key, value)
    first = text if before is None else _json(key, before)
    with archive.writing() as work:
        row = _row_at(work, key, revision)
        if row is not None and _state(work, row.state_id).value == text:
            return _draft(work, key)
        parent = None if row is None else row.state_id
        if row is None and first != text:
            parent = add_state(archive, work, key, None, first)
        state_id = add_state(archive, work, key, parent, text)
        if row is None:
            work.add(DraftRow(key=key, state_id=state_id, revision=1))
        else:
            row.state_id, row.revision = state_id, row.revision + 1
        work.flush()
        return _draft(work, key)


def add_state(archive: Archive, work: Work, key: str, parent_id: int | None, value: str) -> int:
    """Number of a new state of a draft; value : JSON text."""
    state = DraftStateRow(key=key, parent_id=parent_id, value=value, saved_at=archive.now())
    work.add(state)
    work.flush()
    return state.id


def undo_draft(archive: Archive, key: str, *, revision: int) -> SavedDraft:
    """Back to the state before. Raises StaleDraftError as saving does, InputError where there is none before."""
    return _stepped(archive, key, revision, "undo", lambda work, state_id: _state(work, state_id).parent_id)


def redo_draft(archive: Archive, key: str, *, revision: int) -> SavedDraft:
    """Forward to the latest state made from this one. Raises as `undo_draft` does."""
    return _stepped(archive, key, revision, "redo", _child)


def _stepped(
    archive: Archive, key: str, revision: int, act: str, following: Callable[[Work, int], int | None]
) -> SavedDraft:
    with archive.writing() as work:
        row = _row_at(work, key, revision)
        state_id = None if row is None else following(work, row.state_id)
        if row is None or state_id is None:
            raise InputError(f"there is nothing to {act}", where=key)
        row.state_id, row.revision = state_id, row.revision + 1
        work.flush()
        return _draft(work, key)


def _row_at(work: Work, key: str, revision: int) -> DraftRow | None:
    row = work.get(DraftRow, key)
    if (0 if row is None else row.revision) != revision:
        raise StaleDraftError(_draft(work, key))
    return row


def _draft(work: Work, key: str) -> SavedDraft:
    row = work.get(DraftRow, key)
    if row is None:
        return SavedDraft(key, 0, None, "", can_undo=False, can_redo=False)
    state = _state(work, row.state_id)
    return SavedDraft(
        key,
        row.revision,
        json.loads(state.value),
        state.saved_at,
        can_undo=state.parent_id is not None,
        can_redo=_child(work, state.id) is not None,
    )


def _state(work: Work, state_id: int) -> DraftStateRow:
    return work.get_one(DraftStateRow, state_id)


def _child(work: Work, state_id: int) -> int | None:
    return work.scalar(select(func.max(DraftStateRow.id)).where(DraftStateRow.parent_id == state_id))


def _json(key: str, value: Any) -> str:
    if not 0 < len(key) <= MOST_KEY or not key.isprintable():
        raise InputError(f"a draft cannot be kept under the name {key[:60]!r}", expected=f"1 to {MOST_KEY} characters")
    try:
        text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        size = len(text.encode("utf-8"))
    except (TypeError, ValueError) as error:
        raise InputError(f"this cannot be kept as JSON: {error}", where=key) from None
    if size > MOST_BYTES:
        raise InputError.of("archive.draft_too_large", where=key, size_mb=size / 1e6, most_mb=MOST_BYTES / 1e6)
    return text
