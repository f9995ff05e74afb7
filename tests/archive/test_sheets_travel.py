"""Sealed sheets on both sides of a package: none is left that does not know when the data were first shown."""

from __future__ import annotations

import hashlib
from datetime import datetime
from pathlib import Path

import pytest
from archive_worlds import write_session

from earwitness.archive.catalogue import Archive
from earwitness.archive.notes import SheetEntry, keep_sheet, opening, record_opening, sheets_of
from earwitness.archive.package import export_package, import_package

NAMES = {"name": "Lantern 2", "maker": "Invented Works"}
SHOWN, CARRIED = "2026-02-01T00:00:00+00:00", "2026-04-01T00:00:00+00:00"
EARLY, LATE = "2026-01-15T00:00:00+00:00", "2026-03-15T00:00:00+00:00"


def at(folder: Path, time: str) -> Archive:
    return Archive.open(folder, clock=lambda: datetime.fromisoformat(time))


def sealed(archive: Archive, time: str) -> SheetEntry:
    facts = f'{{"heard_at":"{time}"}}'
    return keep_sheet(archive, **NAMES, facts=facts, sha256=hashlib.sha256(facts.encode()).hexdigest(), sealed_at=time)


def stamps(archive: Archive) -> dict[str, tuple[str | None, bool]]:
    return {sheet.sealed_at: (sheet.opened_at, sheet.is_after_data) for sheet in sheets_of(archive, **NAMES)}


def test_sheets_here_learn_that_the_data_were_shown_there(tmp_path: Path) -> None:
    with at(tmp_path / "there", SHOWN) as there:
        there.add_session(write_session(tmp_path / "s"), tmp_path / "s")
        record_opening(there, **NAMES)
        export_package(there, 1, tmp_path / "package")
    with at(tmp_path / "here", CARRIED) as here:
        sealed(here, EARLY)
        sealed(here, LATE)
        import_package(tmp_path / "package", here)
        assert opening(here, **NAMES) == SHOWN
        # The later one was sealed without these data: they came with the package.
        assert stamps(here) == {EARLY: (SHOWN, False), LATE: (CARRIED, False)}
        assert sealed(here, "2026-04-02T00:00:00+00:00").is_after_data


def test_sheets_that_come_learn_that_the_data_were_shown_here(tmp_path: Path) -> None:
    with at(tmp_path / "there", CARRIED) as there:
        there.add_session(write_session(tmp_path / "s"), tmp_path / "s")
        sealed(there, EARLY)
        export_package(there, 1, tmp_path / "package")
    with at(tmp_path / "here", SHOWN) as here:
        here.add_session(write_session(tmp_path / "s"), tmp_path / "s")
        record_opening(here, **NAMES)
        import_package(tmp_path / "package", here)
        assert stamps(here) == {EARLY: (SHOWN, False)}


@pytest.mark.parametrize("time", [EARLY, LATE])
def test_where_nothing_was_shown_nothing_is_stamped(tmp_path: Path, time: str) -> None:
    with at(tmp_path / "there", CARRIED) as there:
        there.add_session(write_session(tmp_path / "s"), tmp_path / "s")
        sealed(there, time)
        export_package(there, 1, tmp_path / "package")
    with at(tmp_path / "here", CARRIED) as here:
        import_package(tmp_path / "package", here)
        assert stamps(here) == {time: (None, False)}
        record_opening(here, **NAMES)
        assert stamps(here) == {time: (CARRIED, False)}
