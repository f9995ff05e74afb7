"""Sealed sheets stay as they are, the first showing of the data is kept, and older archives gain both by migration."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from alembic import command
from alembic.config import Config
from archive_worlds import write_session
from sqlalchemy.exc import IntegrityError

from earwitness.archive import database, migrations
from earwitness.archive.catalogue import CATALOGUE, Archive
from earwitness.archive.notes import SheetEntry, all_sheets, keep_sheet, opening, record_opening, sheets_of
from earwitness.errors import ArchiveError

START = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)


def ticking() -> Callable[[], datetime]:
    """A clock that moves on by a minute with every look."""
    times = (START + timedelta(minutes=n) for n in range(1000))
    return lambda: next(times)


def keep(archive: Archive, text: str, *, name: str = "Lantern 2", sha256: str | None = None) -> SheetEntry:
    facts = json.dumps({"text": text})
    seal = sha256 or text.encode().hex().ljust(64, "0")
    return keep_sheet(
        archive, name=name, maker="Invented Works", facts=facts, sha256=seal, sealed_at="2026-11-25T19:00:00+00:00"
    )


def test_a_sheet_comes_back_as_it_was_sealed_before_there_is_any_session(tmp_path: Path) -> None:
    with Archive.open(tmp_path) as archive:
        first, second = keep(archive, "boomy"), keep(archive, "dull")
        keep(archive, "thin", name="Other")
        assert sheets_of(archive, name=" lantern  2", maker="INVENTED works") == (first, second)
        assert [e.facts for e in all_sheets(archive)] == ['{"text": "boomy"}', '{"text": "dull"}', '{"text": "thin"}']
        assert not first.is_after_data
        assert first.opened_at is None
        assert archive.loudspeakers() == ()


def test_an_equal_sheet_is_kept_once(tmp_path: Path) -> None:
    with Archive.open(tmp_path) as archive:
        first = keep(archive, "boomy")
        assert keep(archive, "boomy", sha256="f" * 64) == first
        assert len(all_sheets(archive)) == 1
        with pytest.raises(ArchiveError, match="belongs to another sheet"):
            keep(archive, "dull", sha256=first.sha256)


def test_the_first_showing_counts_and_later_sheets_are_marked(tmp_path: Path) -> None:
    with Archive.open(tmp_path, clock=ticking()) as archive:
        keep(archive, "before")
        spoken = {"name": "Lantern 2", "maker": "Invented Works"}
        assert opening(archive, **spoken) is None
        shown = record_opening(archive, **spoken)
        assert shown == "2026-11-25T20:00:00+00:00"
        assert record_opening(archive, **spoken) == shown
        keep(archive, "after")
        before, after = sheets_of(archive, **spoken)
        assert (before.is_after_data, before.opened_at) == (False, shown)
        assert (after.is_after_data, after.opened_at) == (True, shown)
        assert not keep(archive, "elsewhere", name="Other").is_after_data
    with Archive.open(tmp_path) as archive:
        assert sheets_of(archive, **spoken) == (before, after)


def test_showing_data_without_any_sheet_marks_the_first_one(tmp_path: Path) -> None:
    with Archive.open(tmp_path, clock=ticking()) as archive:
        record_opening(archive, name="Lantern 2", maker="Invented Works")
        assert keep(archive, "too late").is_after_data


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE listening_sheet SET facts = '{}'",
        "UPDATE listening_sheet SET sha256 = 'x'",
        "UPDATE listening_sheet SET sealed_at = '2020-01-01T00:00:00+00:00'",
        "UPDATE listening_sheet SET is_after_data = 0, opened_at = '2020-01-01T00:00:00+00:00'",
        "UPDATE listening_sheet SET opened_at = NULL",
        "DELETE FROM listening_sheet",
        "UPDATE data_opening SET opened_at = '2020-01-01T00:00:00+00:00'",
        "DELETE FROM data_opening",
    ],
)
def test_the_database_itself_refuses_to_alter_a_sealed_sheet(tmp_path: Path, statement: str) -> None:
    with Archive.open(tmp_path, clock=ticking()) as archive:
        record_opening(archive, name="Lantern 2", maker="Invented Works")
        kept = keep(archive, "boomy")
        engine = database.writing(archive._engine)
        with pytest.raises(IntegrityError, match="cannot be"), engine.begin() as connection:
            connection.exec_driver_sql(statement)
        assert all_sheets(archive) == (kept,)


def test_an_unopened_sheet_can_be_altered_in_nothing_but_its_opening(tmp_path: Path) -> None:
    with Archive.open(tmp_path) as archive:
        kept = keep(archive, "boomy")
        engine = database.writing(archive._engine)
        late = "UPDATE listening_sheet SET facts = '{}', opened_at = '2030-01-01T00:00:00+00:00'"
        with pytest.raises(IntegrityError, match="cannot be changed"), engine.begin() as connection:
            connection.exec_driver_sql(late)
        assert all_sheets(archive) == (kept,)


def test_an_archive_of_the_first_schema_gains_sheets_and_keeps_its_content(tmp_path: Path) -> None:
    with Archive.open(tmp_path / "new") as archive:
        session = write_session(tmp_path / "in")
        archive.add_session(session, tmp_path / "in")
        names, takes = archive.loudspeakers(), archive.takes_of(1)
    old = _first_schema(tmp_path / "old", tmp_path / "new" / CATALOGUE)
    with Archive.open(old) as archive:
        assert (archive.loudspeakers(), archive.takes_of(1)) == (names, takes)
        assert archive.session(1) == session
        assert keep(archive, "boomy") == all_sheets(archive)[0]
        with archive._engine.connect() as connection:
            found = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar_one()
        assert found == migrations.REVISIONS[-1]


def _first_schema(folder: Path, later: Path) -> Path:
    """An archive whose catalogue stands at revision 0001, with the rows of the catalogue `later`."""
    folder.mkdir()
    engine = database.create_engine(f"sqlite:///{folder / CATALOGUE}")
    config = Config()
    config.set_main_option("script_location", str(Path(migrations.__file__).parent))
    config.set_main_option("path_separator", "os")
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
    engine.dispose()
    plain = sqlite3.connect(folder / CATALOGUE)
    tables = [row[0] for row in plain.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    assert "listening_sheet" not in tables
    plain.execute("ATTACH ? AS later", (str(later),))
    for table in tables:
        if table != "alembic_version":
            columns = ", ".join(row[1] for row in plain.execute(f"PRAGMA table_info({table})"))
            plain.execute(f"INSERT INTO {table} ({columns}) SELECT {columns} FROM later.{table}")
    plain.commit()
    plain.close()
    return folder
