"""Values in a catalogue that no program wrote, each of which once ended in a traceback or led out of the archive."""

from __future__ import annotations

import hashlib
import json
import re
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from fuzz_archive import filled

from earwitness.archive.backup import backup
from earwitness.archive.catalogue import CATALOGUE, Archive
from earwitness.archive.integrity import check
from earwitness.archive.package import export_package
from earwitness.errors import ArchiveError, EarwitnessError

ODD: list[tuple[str, str, Any]] = [
    ("session", "facts", "{"),
    ("session", "facts", "{}"),
    ("result", "document", "nan"),
    ("result", "array_file", "/x"),
    ("result", "array_file", "arrays/../../x"),
    ("result", "array_file", "arrays/a\0b"),
    ("result", "settings", json.dumps([["gate_ms", 4.5], "null"])),
    ("result", "inputs", "[" * 400),
    ("result", "inputs", '[["x"]]'),
    ("result", "array_file", None),
    ("result", "program", b"\xff"),
    ("recording", "sha256", b"\xff"),
    ("recording", "sha256", "a\0b"),
    ("loudspeaker", "name", b"\xff"),
    ("publication", "document", b"\xff"),
    ("publication", "created_at", "2026-13-40"),
]


@pytest.mark.parametrize(("table", "column", "value"), ODD)
def test_a_strange_value_is_damage_that_is_told(tmp_path: Path, table: str, column: str, value: Any) -> None:
    filled(tmp_path).close()
    place = tmp_path / "archive"
    with closing(sqlite3.connect(place / CATALOGUE)) as plain:
        row = plain.execute(f"SELECT min(rowid) FROM {table} WHERE {column} IS NOT NULL").fetchone()
        plain.execute(f"UPDATE {table} SET {column} = ? WHERE rowid = ?", (value, *row))
        plain.commit()
    told: list[str] = []
    with Archive.open(place, create=False) as archive:
        found = check(archive)
        told += [finding.what for finding in found.damage]
        for act in (
            lambda: archive.find("Lantern 2"),
            lambda: archive.session(1),
            lambda: [archive.measurement(r.step_key) for r in archive.results_of(1)],
            lambda: [archive.document(r.step_key, r.kind) for r in archive.results_of(1)],
            lambda: archive.publications_of(1),
            lambda: export_package(archive, 1, tmp_path / "bag"),
        ):
            try:
                act()
            except EarwitnessError as error:
                told.append(error.what)
    assert told


def test_a_result_is_never_written_outside_the_archive(tmp_path: Path) -> None:
    from archive_worlds import measurement

    filled(tmp_path).close()
    with closing(sqlite3.connect(tmp_path / "archive" / CATALOGUE)) as plain:
        plain.execute("UPDATE result SET array_file = '../stolen.nc' WHERE array_file IS NOT NULL")
        plain.commit()
    with (
        Archive.open(tmp_path / "archive", create=False) as archive,
        pytest.raises(ArchiveError, match="outside the archive"),
    ):
        archive.keep_measurement(1, measurement(1, directions=3, bins=8))
    assert not (tmp_path / "stolen.nc").exists()


def test_a_catalogue_whose_schema_is_no_text_is_damaged(tmp_path: Path) -> None:
    filled(tmp_path).close()
    path = tmp_path / "archive" / CATALOGUE
    path.write_bytes(path.read_bytes().replace(b"CREATE TABLE loudspeaker", b"\xff\xfeEATE TABLE loudspeaker", 1))
    with pytest.raises(ArchiveError, match="damaged"):
        Archive.open(path.parent, create=False)


def test_a_backup_copies_nothing_from_outside_the_archive(tmp_path: Path) -> None:
    filled(tmp_path).close()
    (tmp_path / "secret").write_bytes(b"not of the archive")
    digest = hashlib.sha256(b"not of the archive").hexdigest()
    with closing(sqlite3.connect(tmp_path / "archive" / CATALOGUE)) as plain:
        plain.execute(
            "UPDATE result SET array_file = '../secret', array_sha256 = ? WHERE array_file NOT NULL", (digest,)
        )
        plain.commit()
    with Archive.open(tmp_path / "archive", create=False) as archive:
        report = backup(archive, tmp_path / "deep" / "copy")
    assert any("outside the archive" in finding.what for finding in report.damage)
    assert not (tmp_path / "deep" / "secret").exists()


def test_a_schema_that_is_no_text_is_damage_that_is_told(tmp_path: Path) -> None:
    """SQLite answers some of this with an error about text, some with one about memory."""
    filled(tmp_path).close()
    path = tmp_path / "archive" / CATALOGUE
    sound = path.read_bytes()
    places = [found.start() + 1 for found in re.finditer(rb"CONSTRAINT pk_re", sound)]
    assert places
    for at in places:
        path.write_bytes(sound[:at] + b"\xff" * 64 + sound[at + 64 :])
        with pytest.raises(ArchiveError, match="damaged or not a catalogue"):
            Archive.open(path.parent, create=False)
