"""Two processes at once, and processes killed in the middle."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from pathlib import Path

from archive_worlds import hashes, measurement, write_session

from earwitness.archive.catalogue import CATALOGUE, Archive

ADD = """
import sys, pathlib
sys.path.insert(0, {here!r})
from archive_worlds import measurement, write_session
from earwitness.archive.catalogue import Archive
folder, names = pathlib.Path(sys.argv[1]), sys.argv[2:]
sessions = [(write_session(folder / ("in-" + n), name=n, takes=12), folder / ("in-" + n)) for n in names]
print("ready", flush=True)
sys.stdin.readline()
with Archive.open(folder / "archive") as archive:
    for session, place in sessions:
        added = archive.add_session(session, place)
        archive.keep_measurement(added.session_id, measurement(5))
        print("kept", session.loudspeaker.name, flush=True)
"""


def adder(folder: Path, *names: str) -> subprocess.Popen[str]:
    """A process that has prepared its sessions and waits for a line to add them."""
    script = ADD.format(here=str(Path(__file__).parent))
    process = subprocess.Popen(
        [sys.executable, "-W", "error", "-c", script, str(folder), *names],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    return process


def assert_sound(folder: Path) -> None:
    """Every relation holds, every named file is there with its hash, no half session, no temporary file."""
    with Archive.open(folder) as archive:
        for loudspeaker in archive.loudspeakers():
            for entry in archive.sessions_of(loudspeaker.id):
                session = archive.session(entry.id)
                assert len(archive.takes_of(entry.id)) == len(session.takes)
                assert archive.files_of(entry.id).keys() == session.file_hashes.keys()
                assert all(archive.recordings.is_intact(h) for h in session.file_hashes.values())
                for result in archive.results_of(entry.id):
                    assert archive.measurement(result.step_key) is not None
        assert all(archive.recordings.is_intact(h) for h in hashes(archive.recordings))
    assert list(folder.rglob(".*.part*")) == []
    connection = sqlite3.connect(folder / CATALOGUE)
    assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    connection.close()


def test_two_processes_make_one_archive_and_add_to_it_at_once(tmp_path: Path) -> None:
    """Both make the catalogue, share a session and a result, and add some of their own."""
    both = [adder(tmp_path / "w", *names) for names in (("A", "B", "C", "D"), ("E", "A", "F", "D"))]
    outputs = []
    for process in both:
        assert process.stdin is not None
        process.stdin.write("go\n")
        process.stdin.flush()
    for process in both:
        outputs.append(process.communicate(timeout=600))
    assert [process.returncode for process in both] == [0, 0], outputs
    with Archive.open(tmp_path / "w" / "archive") as archive:
        assert [e.name for e in archive.loudspeakers()] == list("ABCDEF")
        assert all(len(archive.sessions_of(e.id)) == 1 for e in archive.loudspeakers())
    assert_sound(tmp_path / "w" / "archive")


# A child dies at its n-th sync, rename, mode change, new folder, statement or commit. What it was told was kept, it
# prints first.
KILL = """
import pathlib, sys
sys.path.insert(0, {here!r})
from sqlalchemy import Engine, event
from archive_worlds import measurement, write_session
from kill_at_instants import copied, kill_one_after_another, killed_at
from earwitness.archive import arrays
from earwitness.archive.catalogue import Archive

work, step = pathlib.Path(sys.argv[1]), int(sys.argv[2])
session = write_session(work / "in", name="Killed")
value = measurement(5)

def act(folder, instant):
    tick = killed_at(instant, "replace", "chmod", "mkdir")
    for name in ("begin", "commit", "after_cursor_execute"):
        event.listen(Engine, name, tick)
    with Archive.open(folder) as archive:
        added = archive.add_session(session, work / "in")
        print(folder.name, "added", flush=True)
        archive.keep_measurement(added.session_id, value)
        print(folder.name, "kept", flush=True)

kill_one_after_another(step, lambda instant: copied(work, f"archive-{{instant}}"), act)
"""


def killed_at_every_step(work: Path, step: int) -> dict[str, set[str]]:
    """What was acknowledged in each archive whose process was killed; the last one ran to its end."""
    script = KILL.format(here=str(Path(__file__).parent))
    ran = subprocess.run(
        [sys.executable, "-c", script, str(work), str(step)], capture_output=True, text=True, check=True, timeout=600
    )
    told: dict[str, set[str]] = {}
    for line in ran.stdout.splitlines():
        words = line.split()
        if words[0] == "whole":
            assert words[2] == "0", ran.stderr
        else:
            told.setdefault(words[0], set()).add(words[1])
    for folder in work.glob("archive-*"):
        told.setdefault(folder.name, set())
    return told


def assert_kept_and_completed(work: Path, told: dict[str, set[str]]) -> None:
    session = write_session(work / "in", name="Killed")
    value = measurement(5)
    for name, acknowledged in sorted(told.items()):
        with Archive.open(work / name) as archive:
            assert archive.add_session(session, work / "in").reused or "added" not in acknowledged, name
            (entry,) = archive.sessions_of(archive.find("Killed").id)
            assert len(archive.results_of(entry.id)) == 1 or "kept" not in acknowledged, name
            archive.keep_measurement(entry.id, value)
            assert len(archive.results_of(entry.id)) == 1
        assert_sound(work / name)


def test_kill_9_at_every_fourth_instant_of_adding_loses_nothing_acknowledged(tmp_path: Path) -> None:
    with Archive.open(tmp_path / "base") as archive:
        archive.add_session(write_session(tmp_path / "first", name="First"), tmp_path / "first")
    told = killed_at_every_step(tmp_path, step=4)
    assert len(told) > 12
    assert set().union(*told.values()) == {"added", "kept"}
    assert sum(words == {"added"} for words in told.values()) >= 2
    assert_kept_and_completed(tmp_path, told)
    for name in told:
        with Archive.open(tmp_path / name) as archive:
            assert [e.name for e in archive.loudspeakers()] == ["First", "Killed"]


def test_kill_9_while_an_archive_is_made(tmp_path: Path) -> None:
    told = killed_at_every_step(tmp_path, step=19)
    assert len(told) > 3
    assert_kept_and_completed(tmp_path, told)
