"""The check finds every kind of damage, names it, and is silent on a sound archive."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from archive_worlds import measurement, step_of, write_session

from earwitness.archive import integrity
from earwitness.archive.catalogue import CATALOGUE, Archive
from earwitness.archive.integrity import CheckReport, check
from earwitness.archive.neighbors import put_shape
from earwitness.archive.notes import keep_sheet
from earwitness.archive.search import SummaryFacts, put_summary, summary_source
from earwitness.insight.listening.remark import seal_hash
from earwitness.quantities import Figure


def filled(folder: Path) -> Archive:
    """An archive with a session, a measurement, a document and two publications."""
    archive = Archive.open(folder / "archive")
    archive.add_session(write_session(folder / "in"), folder / "in")
    key = archive.keep_measurement(1, measurement())
    archive.keep_document(1, step_of("figures", (key,), reading="A"), "figures", {"f3": 41.5})
    archive.keep_publication(1, "site", {"f3": 41.5})
    archive.keep_publication(1, "site", {"f3": 42.5})
    return archive


def altered(archive: Archive, *statements: str) -> CheckReport:
    """The report after statements that no program of ours would run."""
    with closing(sqlite3.connect(archive.folder / CATALOGUE)) as connection:
        for statement in statements:
            connection.execute(statement)
        connection.commit()
    return check(archive)


def test_a_sound_archive_has_no_findings_and_every_byte_is_read(tmp_path: Path) -> None:
    told: list[tuple[int, int]] = []
    with filled(tmp_path) as archive:
        report = check(archive, progress=lambda done, total: told.append((done, total)))
        files = [p for part in ("objects", "arrays") for p in (archive.folder / part).rglob("*") if p.is_file()]
        size = sum(p.stat().st_size for p in files)
    assert report.findings == ()
    assert report.is_sound
    assert (report.loudspeakers, report.sessions, report.recordings) == (1, 1, 4)
    assert (report.results, report.publications) == (2, 2)
    assert report.bytes_read == size
    assert told[-1] == (size, size)
    assert len(told) == 5


def one_file(archive: Archive, part: str) -> Path:
    return sorted(p for p in (archive.folder / part).rglob("*") if p.is_file())[0]


def flip(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.chmod(0o644)
    path.write_bytes(bytes(data))


def cut(path: Path) -> None:
    path.chmod(0o644)
    path.write_bytes(path.read_bytes()[:-1])


@pytest.mark.parametrize("part", ["objects", "arrays"])
@pytest.mark.parametrize(("harm", "words"), [(flip, "damaged"), (cut, ""), (Path.unlink, "missing")])
def test_one_flipped_bit_one_lost_byte_and_a_lost_file_are_found(
    tmp_path: Path, part: str, harm: Callable[[Path], None], words: str
) -> None:
    with filled(tmp_path) as archive:
        path = one_file(archive, part)
        harm(path)
        report = check(archive)
        assert not report.is_sound
        (finding,) = report.findings
        assert finding.where == path.relative_to(archive.folder).as_posix()
        assert words in finding.what
        assert ("rebuild" if part == "arrays" else "add the session folder again") in finding.remedy
        archive.add_session(write_session(tmp_path / "in"), tmp_path / "in")
        archive.keep_measurement(1, measurement())
        assert check(archive).findings == ()


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("UPDATE session SET facts = replace(facts, '2.83', '2.84')", "not those that were taken in"),
        ("UPDATE session SET date = '2026-01-16'", "not those that were taken in"),
        ("UPDATE session SET facts = '{}'", "cannot be read"),
        ("UPDATE loudspeaker SET folded_name = 'other'", "another loudspeaker"),
        ("DELETE FROM take WHERE position = 1", "list of takes"),
        ("UPDATE take SET kind = 'level' WHERE position = 2", "list of takes"),
        ("DELETE FROM session_file WHERE name = 'mic.txt'", "list of files"),
        ("UPDATE result SET program = 'earwitness 9' WHERE kind = 'figures'", "step is not the one"),
        ("UPDATE result SET document = '{' WHERE kind = 'figures'", "document cannot be read"),
        ("UPDATE result SET document = NULL WHERE kind = 'figures'", "neither arrays nor a document"),
        ("UPDATE publication SET document = '{}' WHERE number = 1", "not what was published"),
        ("DELETE FROM publication WHERE number = 1", "before this one is missing"),
        ("UPDATE result SET array_sha256 = 'x' WHERE kind = 'measurement'", "its hash is another"),
        ("UPDATE recording SET size_bytes = 1 WHERE size_bytes > 1000", "bytes instead of 1"),
    ],
)
def test_every_altered_relation_is_damage(tmp_path: Path, statement: str, words: str) -> None:
    with filled(tmp_path) as archive:
        report = altered(archive, statement)
        assert report.damage
        assert any(words in finding.what for finding in report.damage), report.findings


@pytest.mark.parametrize("table", ["loudspeaker", "recording", "session"])
def test_rows_that_name_a_lost_row_are_found(tmp_path: Path, table: str) -> None:
    """The check does not lean on SQLite having refused: foreign keys are off in this connection."""
    with filled(tmp_path) as archive:
        report = altered(archive, "PRAGMA foreign_keys = OFF", f"DELETE FROM {table}")
        assert any(f"names a {table} that is not there" in finding.what for finding in report.damage)


def page_of(folder: Path, name: str) -> slice:
    """Where the first page of a table or index lies in the file of the closed catalogue."""
    with closing(sqlite3.connect(folder / CATALOGUE)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (size,) = connection.execute("PRAGMA page_size").fetchone()
        (page,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (name,)).fetchone()
    return slice((page - 1) * size, page * size)


def test_a_damaged_index_is_found(tmp_path: Path) -> None:
    """sqlite.org, "PRAGMA integrity_check": a row that its index lacks is told."""
    filled(tmp_path).close()
    place = page_of(tmp_path / "archive", "ix_take_sha256")
    data = bytearray((tmp_path / "archive" / CATALOGUE).read_bytes())
    sha256 = write_session(tmp_path / "in").takes[0].sha256.encode()
    assert sha256 in data[place]
    data[place] = bytes(data[place]).replace(sha256, b"f" * 64)
    (tmp_path / "archive" / CATALOGUE).write_bytes(bytes(data))
    with Archive.open(tmp_path / "archive") as archive:
        report = check(archive)
    assert any("SQLite" in finding.what and "ix_take_sha256" in finding.what for finding in report.damage)


def test_a_catalogue_with_a_torn_page_is_damage_not_a_traceback(tmp_path: Path) -> None:
    filled(tmp_path).close()
    place = page_of(tmp_path / "archive", "take")
    data = bytearray((tmp_path / "archive" / CATALOGUE).read_bytes())
    data[place] = b"\xff" * (place.stop - place.start)
    (tmp_path / "archive" / CATALOGUE).write_bytes(bytes(data))
    with Archive.open(tmp_path / "archive") as archive:
        report = check(archive)
    assert not report.is_sound
    assert {finding.where for finding in report.damage} == {CATALOGUE}


def test_files_that_nothing_names_are_leftovers_and_no_damage(tmp_path: Path) -> None:
    with filled(tmp_path) as archive:
        (archive.folder / "objects" / "zz").mkdir()
        (archive.folder / "objects" / "zz" / "stray").write_bytes(b"x")
        (archive.folder / "arrays" / ".999999999-0123abcd-0123abcd.part.nc").write_bytes(b"half")
        report = check(archive)
        assert report.is_sound
        assert [(f.severity, f.where) for f in report.findings] == [
            ("leftover", "objects/zz/stray"),
            ("leftover", "arrays/.999999999-0123abcd-0123abcd.part.nc"),
        ]
        assert "stopped program" in report.leftovers[1].what
        assert "leftover: " in str(report.findings[0])


def test_a_result_kept_again_while_it_is_checked_is_no_damage(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The bytes of a result may differ from run to run; here they change between catalogue and file."""
    with filled(tmp_path) as archive:
        path, before = one_file(archive, "arrays"), archive.results_of(1)[0].array_sha256
        file_findings = integrity._file_findings

        def keep_again_first(*given: Any) -> Any:
            path.unlink()
            with Archive.open(archive.folder) as other:
                other.keep_measurement(1, measurement(2))
            return file_findings(*given)

        monkeypatch.setattr(integrity, "_file_findings", keep_again_first)
        assert check(archive).findings == ()
        assert archive.results_of(1)[0].array_sha256 != before


def test_a_figure_of_the_search_index_that_was_altered_is_found_and_made_anew(tmp_path: Path) -> None:
    """Figures, words, curves, each altered in the file itself; a check names the loudspeaker and the remedy."""
    with Archive.open(tmp_path / "a") as archive:
        archive.add_session(write_session(tmp_path / "in"), tmp_path / "in")
        facts = SummaryFacts("monitor", 100.0, "EUR", "2026-01-01", "bass", "made")
        put_summary(archive, 1, [Figure("f3", 41.5, 1.0, "Hz", None, "m")], facts)
        put_shape(archive, 1, {}, made_from="made")
        assert check(archive).findings == ()
        assert summary_source(archive, 1) == "made"
    for change in (
        "UPDATE summary_figure SET value = value + 10",
        "UPDATE summary_figure SET u = 0.001",
        "DELETE FROM summary_figure",
        "UPDATE summary SET price = 90.0",
        "UPDATE summary SET made_from = 'mode'",
        "UPDATE summary_shape SET curves = zeroblob(10)",
    ):
        shutil.copytree(tmp_path / "a", tmp_path / "b", dirs_exist_ok=True)
        with closing(sqlite3.connect(tmp_path / "b" / CATALOGUE)) as plain:
            plain.execute(change)
            plain.commit()
        with Archive.open(tmp_path / "b") as archive:
            (found,) = check(archive).damage
            assert "Invented Works Lantern 2" in found.what
            assert "search index" in found.what
            assert found.remedy.startswith("earwitness archive rebuild")
            assert summary_source(archive, 1) is None
        shutil.rmtree(tmp_path / "b")


def test_a_listening_sheet_that_does_not_fit_its_seal_is_found(tmp_path: Path) -> None:
    with Archive.open(tmp_path) as archive:
        stamp = "2026-01-01T00:00:00+00:00"
        keep_sheet(archive, name="A", maker="M", facts="{}", sha256=seal_hash("{}", stamp), sealed_at=stamp)
        assert check(archive, seal=seal_hash).findings == ()
        keep_sheet(archive, name="A", maker="M", facts='{"a":1}', sha256="a" * 64, sealed_at=stamp)
        (found,) = check(archive, seal=seal_hash).damage
        assert "does not fit its seal" in found.what
