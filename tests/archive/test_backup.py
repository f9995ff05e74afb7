"""A backup is the archive as it was at one moment, whole, whatever happens to either while it is made."""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from archive_worlds import hashes, measurement, same, step_of, write_session
from test_processes import assert_sound

from earwitness.archive import backup as backup_module
from earwitness.archive import database
from earwitness.archive.backup import backup
from earwitness.archive.catalogue import CATALOGUE, Archive
from earwitness.archive.drafts import draft, save_draft
from earwitness.archive.integrity import check
from earwitness.archive.notes import all_sheets, keep_sheet, opening, record_opening
from earwitness.errors import ArchiveError, EarwitnessError, OutputError


def filled(tmp_path: Path) -> Archive:
    archive = Archive.open(tmp_path / "archive")
    for name in ("A", "B"):
        archive.add_session(write_session(tmp_path / name, name=name), tmp_path / name)
    archive.keep_measurement(1, measurement())
    archive.keep_publication(1, "site", {"f3": 41.5})
    return archive


def is_whole(folder: Path, *names: str) -> bool:
    """An archive that passes every check, leftovers included, and holds these loudspeakers."""
    with Archive.open(folder, create=False) as archive:
        found = check(archive).findings
        assert found == ()
        return [e.name for e in archive.loudspeakers()] == list(names)


def test_a_backup_is_an_archive_with_the_same_content(tmp_path: Path) -> None:
    told: list[tuple[int, int]] = []
    with filled(tmp_path) as archive:
        report = backup(archive, tmp_path / "b", progress=lambda done, total: told.append((done, total)))
        assert (report.sessions, report.reused, report.damage) == (2, 0, ())
        assert report.copied == len(hashes(archive.recordings)) + 1
        assert told[-1][0] == told[-1][1] > 0
        with Archive.open(tmp_path / "b", create=False) as copy:
            assert copy.loudspeakers() == archive.loudspeakers()
            assert copy.publications_of(1) == archive.publications_of(1)
            assert copy.results_of(1) == archive.results_of(1)
            found = copy.measurement(measurement().steps[-1].key)
            assert found is not None
            assert same(found, measurement())
    assert is_whole(tmp_path / "b", "A", "B")
    assert_sound(tmp_path / "b")
    assert list((tmp_path / "b").glob(".*")) == []


def test_the_second_backup_writes_only_what_is_new(tmp_path: Path) -> None:
    with filled(tmp_path) as archive:
        first = backup(archive, tmp_path / "b")
        before = {p: p.stat().st_ino for p in (tmp_path / "b" / "objects").rglob("*") if p.is_file()}
        archive.add_session(write_session(tmp_path / "C", name="C"), tmp_path / "C")
        archive.keep_document(3, step_of("figures", ("a" * 32,)), "figures", {"f3": 1.0})
        second = backup(archive, tmp_path / "b")
    assert second.reused == first.copied
    assert second.copied == 3
    assert all(p.stat().st_ino == number for p, number in before.items())
    assert is_whole(tmp_path / "b", "A", "B", "C")


def test_damage_in_the_backup_is_mended_and_damage_in_the_archive_does_not_reach_it(tmp_path: Path) -> None:
    with filled(tmp_path) as archive:
        backup(archive, tmp_path / "b")
        one, other = hashes(archive.recordings)[:2]
        shutil.rmtree(tmp_path / "b" / "objects" / one[:2])
        archive.recordings.path(other).chmod(0o644)
        archive.recordings.path(other).write_bytes(b"rotten")
        (archive.folder / str(archive.results_of(1)[0].array_file)).write_bytes(b"rotten")
        assert not check(archive).is_sound
        report = backup(archive, tmp_path / "b")
        assert report.is_whole
        assert is_whole(tmp_path / "b", "A", "B")
        fresh = backup(archive, tmp_path / "c")
        assert len(fresh.damage) == 2
        assert "here and in the backup" in str(fresh.damage[0])
        with Archive.open(tmp_path / "c", create=False) as copy:
            assert len(copy.loudspeakers()) == 2
            assert len(check(copy).damage) == 2


def test_a_result_kept_anew_leaves_the_former_backup_whole_until_the_new_one_stands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The new bytes have another hash under the same name; the former catalogue still names the old ones."""
    with filled(tmp_path) as archive:
        backup(archive, tmp_path / "b")
        (archive.folder / str(archive.results_of(1)[0].array_file)).unlink()
        archive.keep_measurement(1, measurement(2))

        def stopped(*_: object) -> int:
            raise KeyboardInterrupt

        with monkeypatch.context() as patch:
            patch.setattr(backup_module, "_publish", stopped)
            with pytest.raises(KeyboardInterrupt):
                backup(archive, tmp_path / "b")
        with Archive.open(tmp_path / "b") as copy:
            assert check(copy).is_sound
            assert same(copy.measurement(measurement().steps[-1].key), measurement(1))
        backup(archive, tmp_path / "b")
        with Archive.open(tmp_path / "b") as copy:
            assert same(copy.measurement(measurement().steps[-1].key), measurement(2))
            copy.keep_measurement(1, measurement(2))
        assert len(list((tmp_path / "b" / "arrays").rglob("*.nc"))) == 1
    assert is_whole(tmp_path / "b", "A", "B")


def test_backing_up_while_others_add_and_read(tmp_path: Path) -> None:
    """One thread adds sessions all the while and another reads the backup; each backup is whole."""
    names = [f"N{i}" for i in range(12)]
    faults: list[BaseException] = []

    def add() -> None:
        try:
            with Archive.open(tmp_path / "archive") as archive:
                for name in names:
                    added = archive.add_session(write_session(tmp_path / name, name=name), tmp_path / name)
                    archive.keep_measurement(added.session_id, measurement(5))
        except BaseException as error:
            faults.append(error)

    with filled(tmp_path) as archive:
        adding = threading.Thread(target=add)
        backup(archive, tmp_path / "b")
        with Archive.open(tmp_path / "b") as reader:
            adding.start()
            seen = []
            while adding.is_alive() or not seen:
                backup(archive, tmp_path / "b")
                seen.append(len(reader.loudspeakers()))
                assert check(reader).is_sound
            adding.join()
            backup(archive, tmp_path / "b")
            assert len(reader.loudspeakers()) == 14
    assert faults == []
    assert seen == sorted(seen)
    assert is_whole(tmp_path / "b", "A", "B", *sorted(names))


def test_another_archive_is_never_written_over(tmp_path: Path) -> None:
    with filled(tmp_path) as archive, Archive.open(tmp_path / "other") as other:
        other.add_session(write_session(tmp_path / "Z", name="Z"), tmp_path / "Z")
        with pytest.raises(ArchiveError, match="what this archive lacks: 1 session;"):
            backup(archive, tmp_path / "other")
        for place in (archive.folder, archive.folder / "inside", tmp_path):
            with pytest.raises(ArchiveError, match="inside its archive or around it"):
                backup(archive, place)
    assert is_whole(tmp_path / "other", "Z")
    assert is_whole(tmp_path / "archive", "A", "B")


def test_what_was_entered_in_a_backup_is_never_written_over(tmp_path: Path) -> None:
    """Whoever worked in the copy has notes and settings there that the archive does not know."""
    with filled(tmp_path) as archive:
        backup(archive, tmp_path / "b")
        with Archive.open(tmp_path / "b") as copy:
            facts = {"facts": "{}", "sha256": "a" * 64, "sealed_at": "2026-01-02T03:04:05+00:00"}
            keep_sheet(copy, name="A", maker="Invented Works", **facts)
            save_draft(copy, "listening distance", 2.5, revision=0)
            save_draft(copy, "listening distance", 2.0, revision=1)
            record_opening(copy, name="B", maker="Invented Works")
        with pytest.raises(ArchiveError, match="1 listening sheet, 1 first showing of data, 2 entries; nothing was"):
            backup(archive, tmp_path / "b")
        with Archive.open(tmp_path / "b") as copy:
            assert [sheet.sha256 for sheet in all_sheets(copy)] == ["a" * 64]
            assert draft(copy, "listening distance").value == 2.0
            assert opening(copy, name="B", maker="Invented Works") is not None


def test_what_the_archive_entered_itself_is_backed_up_again_and_again(tmp_path: Path) -> None:
    with filled(tmp_path) as archive:
        for revision in range(3):
            save_draft(archive, "listening distance", 2.0 + revision, revision=revision)
            record_opening(archive, name="A", maker="Invented Works")
            assert backup(archive, tmp_path / "b").is_whole
    with Archive.open(tmp_path / "b") as copy:
        assert draft(copy, "listening distance").value == 4.0


def test_a_damaged_catalogue_is_not_backed_up(tmp_path: Path) -> None:
    with filled(tmp_path) as archive:
        backup(archive, tmp_path / "b")
        with closing(sqlite3.connect(archive.folder / CATALOGUE)) as connection:
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            (page,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'take'").fetchone()
    path = tmp_path / "archive" / CATALOGUE
    data = bytearray(path.read_bytes())
    data[(page - 1) * 4096 : page * 4096] = b"\xff" * 4096
    path.write_bytes(bytes(data))
    with Archive.open(tmp_path / "archive") as archive, pytest.raises(ArchiveError, match="damaged"):
        backup(archive, tmp_path / "b")
    assert is_whole(tmp_path / "b", "A", "B")


def test_two_backups_to_one_target_wait_for_each_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with filled(tmp_path) as archive, backup_module._alone(tmp_path / "archive"):
        pass
    monkeypatch.setattr(database, "BUSY_TIMEOUT_MS", 50)
    (tmp_path / "b").mkdir()
    with Archive.open(tmp_path / "archive") as archive:
        with backup_module._alone(tmp_path / "b"), pytest.raises(ArchiveError, match="another program"):
            backup(archive, tmp_path / "b")
        assert backup(archive, tmp_path / "b").is_whole


def test_a_disk_that_fills_at_any_file_keeps_the_former_backup(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every sync fails in its turn; only the last one comes after the new catalogue stands."""
    seen = []
    with filled(tmp_path) as archive:
        backup(archive, tmp_path / "b")
        archive.add_session(write_session(tmp_path / "C", name="C"), tmp_path / "C")
        archive.keep_document(3, step_of("figures", ("a" * 32,)), "figures", {"f3": 1.0})
        for turn in range(1, 30):
            shutil.copytree(tmp_path / "b", tmp_path / f"b{turn}")
            left = iter([*(False for _ in range(turn - 1)), True])

            def fsync(_: int, left: Iterator[bool] = left) -> None:
                if next(left, False):
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

            with monkeypatch.context() as patch:
                patch.setattr(os, "fsync", fsync)
                try:
                    backup(archive, tmp_path / f"b{turn}")
                    break
                except OutputError as error:
                    told = error.what
            with Archive.open(tmp_path / f"b{turn}") as copy:
                assert check(copy).is_sound
                seen.append((told, "".join(e.name for e in copy.loudspeakers())))
            assert backup(archive, tmp_path / f"b{turn}").is_whole
            assert is_whole(tmp_path / f"b{turn}", "A", "B", "C")
    assert len(seen) > 6
    full = "the file cannot be written: the disk is full"
    assert seen == [(full, "AB")] * (len(seen) - 1) + [(full, "ABC")]


# A child dies at its n-th sync, rename, mode change, new folder, removal or statement.
KILL = """
import pathlib, sys
sys.path.insert(0, {here!r})
from kill_at_instants import copied, kill_one_after_another, killed_at
from earwitness.archive import backup as module
from earwitness.archive.catalogue import Archive

work, step = pathlib.Path(sys.argv[1]), int(sys.argv[2])

def act(target, instant):
    tick = killed_at(instant, "replace", "chmod", "mkdir", "unlink")
    connect = module._connect
    def watched(path):
        tick()
        connection = connect(path)
        connection.set_progress_handler(tick, 200)
        class Watched:
            def __getattr__(self, name):
                return getattr(connection, name)
            def backup(self, target):
                tick()
                connection.backup(getattr(target, "inner", target), pages=8, progress=tick)
                tick()
        watch = Watched()
        watch.inner = connection
        return watch
    module._connect = watched
    with Archive.open(work / "archive") as archive:
        module.backup(archive, target)
        print(target.name, "backed up", flush=True)

kill_one_after_another(step, lambda instant: copied(work, f"target-{{instant}}"), act)
"""


@pytest.mark.parametrize("has_former", [True, False])
def test_kill_9_at_many_instants_keeps_the_former_backup_or_has_the_new_one(tmp_path: Path, has_former: bool) -> None:
    with filled(tmp_path) as archive:
        if has_former:
            backup(archive, tmp_path / "base")
        archive.add_session(write_session(tmp_path / "C", name="C"), tmp_path / "C")
        (archive.folder / str(archive.results_of(1)[0].array_file)).unlink()
        archive.keep_measurement(1, measurement(2))
    script = KILL.format(here=str(Path(__file__).parent))
    ran = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path), "5" if has_former else "11"],
        capture_output=True,
        text=True,
        check=True,
        timeout=600,
    )
    *acknowledged, last = [line.split() for line in ran.stdout.splitlines()]
    assert last[0] == "whole"
    assert last[2] == "0", ran.stderr
    targets = sorted(tmp_path.glob("target-*"))
    assert len(targets) > 10
    states = set()
    for target in targets:
        names = []
        if (target / CATALOGUE).is_file():
            with Archive.open(target) as copy:
                names = [e.name for e in copy.loudspeakers()]
                assert check(copy).is_sound, target
        states.add("".join(names))
        assert "".join(names) in ({"AB", "ABC"} if has_former else {"", "ABC"})
        assert "".join(names) == "ABC" or target.name not in {words[0] for words in acknowledged}
        with Archive.open(tmp_path / "archive") as archive:
            assert backup(archive, target).is_whole
        assert is_whole(target, "A", "B", "C")
        assert list(target.glob(".*")) == []
    assert len(states) == 2


def test_the_errors_of_backup_are_ours(tmp_path: Path) -> None:
    with filled(tmp_path) as archive:
        (tmp_path / "file").write_text("in the way")
        with pytest.raises(EarwitnessError, match="a file stands where a folder should be"):
            backup(archive, tmp_path / "file")
