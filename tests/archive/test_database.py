"""The SQLite file: safe settings read back, schema by migration alone, later versions refused, limits told."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from archive_worlds import write_session
from earlier_catalogues import at_revision
from sqlalchemy import inspect, text
from sqlalchemy.exc import IntegrityError

from earwitness.archive import database, migrations
from earwitness.archive.catalogue import CATALOGUE, Archive
from earwitness.archive.schema import FULL_TEXT, Base
from earwitness.errors import ArchiveError, OutputError


def test_every_connection_has_the_safe_settings(tmp_path: Path) -> None:
    """sqlite.org, "Pragma statements": foreign keys are off and journals roll back unless each connection says so."""
    engine = database.open_database(tmp_path / "c.sqlite")
    for _ in range(2):
        with engine.connect() as connection:
            found = {
                name: connection.execute(text(f"PRAGMA {name}")).scalar_one()
                for name in ("journal_mode", "foreign_keys", "busy_timeout", "synchronous")
            }
        assert found == {"journal_mode": "wal", "foreign_keys": 1, "busy_timeout": 30_000, "synchronous": 2}
        engine.dispose()


def is_full_text(table: str | None) -> bool:
    """Whether a table belongs to the full-text index, which no class maps."""
    return table is not None and (table == FULL_TEXT or table.startswith(f"{FULL_TEXT}_"))


def test_migrations_and_tables_say_the_same(tmp_path: Path) -> None:
    engine = database.open_database(tmp_path / "c.sqlite")
    with engine.connect() as connection:
        ours = {"include_name": lambda name, kind, _: kind != "table" or not is_full_text(name)}
        assert compare_metadata(MigrationContext.configure(connection, opts=ours), Base.metadata) == []
        tables = [name for name in inspect(connection).get_table_names() if not is_full_text(name)]
        assert tables == sorted([*Base.metadata.tables, "alembic_version"])
        for table in Base.metadata.tables.values():
            found = {key["name"] for key in inspect(connection).get_foreign_keys(table.name)}
            assert found == {str(c.name) for c in table.foreign_key_constraints}
    engine.dispose()


def test_a_new_catalogue_is_what_all_revisions_one_after_the_other_make(tmp_path: Path) -> None:
    database.open_database(tmp_path / "c.sqlite").dispose()
    stepped = at_revision(tmp_path / "stepped", migrations.REVISIONS[-1])
    made = []
    for path in (tmp_path / "c.sqlite", stepped):
        with closing(sqlite3.connect(path)) as plain:
            tables = plain.execute("SELECT type, name, tbl_name, sql FROM sqlite_master").fetchall()
            made.append((sorted(tables, key=repr), plain.execute("SELECT * FROM alembic_version").fetchall()))
    assert made[0] == made[1]


def test_the_list_of_revisions_is_the_chain_of_the_scripts() -> None:
    scripts = ScriptDirectory(str(Path(migrations.__file__).parent))
    chain = [script.revision for script in scripts.walk_revisions()][::-1]
    assert tuple(chain) == migrations.REVISIONS


def test_foreign_keys_hold(tmp_path: Path) -> None:
    engine = database.open_database(tmp_path / "c.sqlite")
    with pytest.raises(IntegrityError), engine.begin() as connection:
        connection.execute(text("INSERT INTO take VALUES (1, 99, 0, 'a', 'far-field', 'x')"))
    engine.dispose()


def test_an_archive_of_a_later_version_is_refused_untouched(tmp_path: Path) -> None:
    Archive.open(tmp_path).close()
    connection = sqlite3.connect(tmp_path / CATALOGUE)
    connection.execute("UPDATE alembic_version SET version_num = '9999'")
    connection.commit()
    connection.close()
    before = (tmp_path / CATALOGUE).read_bytes()
    with pytest.raises(ArchiveError, match=r"later version of Earwitness \(schema 9999\)") as found:
        Archive.open(tmp_path)
    assert "update the program" in found.value.remedy
    assert (tmp_path / CATALOGUE).read_bytes() == before


def test_a_disk_that_fills_up_keeps_what_was_acknowledged(tmp_path: Path) -> None:
    """SQLite's own limit of pages stands in for the full disk: it answers SQLITE_FULL alike."""
    with Archive.open(tmp_path / "archive") as archive:
        archive.add_session(write_session(tmp_path / "a"), tmp_path / "a")
        big = write_session(tmp_path / "b", name="Other", takes=60)
        with archive._engine.connect() as connection:
            pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
            connection.exec_driver_sql(f"PRAGMA max_page_count = {pages}")
        with pytest.raises(OutputError, match="the disk is full"):
            archive.add_session(big, tmp_path / "b")
        assert [e.name for e in archive.loudspeakers()] == ["Lantern 2"]
    with Archive.open(tmp_path / "archive") as archive:
        assert not archive.add_session(big, tmp_path / "b").reused
        assert len(archive.takes_of(2)) == 60


def test_a_catalogue_that_cannot_be_opened_is_an_output_error(tmp_path: Path) -> None:
    (tmp_path / CATALOGUE).mkdir()
    with pytest.raises(OutputError, match="cannot be opened for writing") as found:
        Archive.open(tmp_path)
    assert "permissions" in found.value.remedy


def test_an_archive_held_for_too_long_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(database, "BUSY_TIMEOUT_MS", 50)
    session = write_session(tmp_path / "in")
    with Archive.open(tmp_path / "archive") as archive:
        other = sqlite3.connect(archive.folder / CATALOGUE, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(ArchiveError, match="another program holds the archive"):
            archive.add_session(session, tmp_path / "in")
        assert archive.loudspeakers() == ()
        other.execute("ROLLBACK")
        other.close()
        assert not archive.add_session(session, tmp_path / "in").reused


def test_a_disk_that_cannot_hold_a_write_ahead_log_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(database, "_set_wal", lambda _: "delete")
    with pytest.raises(ArchiveError, match="refuses a safe setting") as found:
        Archive.open(tmp_path)
    assert "local disk" in found.value.remedy
