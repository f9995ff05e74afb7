"""Drafts: what a tester is writing or setting, saved as it is made, undone and redone."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from earwitness.archive import drafts
from earwitness.archive.catalogue import Archive
from earwitness.archive.drafts import Draft, StaleDraftError

__all__ = ["Draft", "StaleDraftError", "read_draft", "redo", "save", "undo"]


def read_draft(key: str, archive_folder: Path) -> Draft:
    """The draft under `key`; the archive is made where there is none."""
    with Archive.open(archive_folder) as archive:
        return drafts.draft(archive, key)


def save(key: str, value: Any, archive_folder: Path, *, revision: int, before: Any = None) -> Draft:
    """Save the next state of a draft that was read at `revision`; before : shown before the first was saved.

    Raises as `archive.drafts.save_draft` does.
    """
    with Archive.open(archive_folder) as archive:
        return drafts.save_draft(archive, key, value, revision=revision, before=before)


def undo(key: str, archive_folder: Path, *, revision: int) -> Draft:
    """Back to the state before; raises as `archive.drafts.undo_draft` does."""
    with Archive.open(archive_folder) as archive:
        return drafts.undo_draft(archive, key, revision=revision)


def redo(key: str, archive_folder: Path, *, revision: int) -> Draft:
    """Forward to the state that was undone; raises as `archive.drafts.redo_draft` does."""
    with Archive.open(archive_folder) as archive:
        return drafts.redo_draft(archive, key, revision=revision)
