"""Moving a loudspeaker while the disk fills up or the process is killed: whole, or not there, and then once more."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import bagit
import pytest
from archive_worlds import measurement, write_session

from earwitness.archive.catalogue import Archive
from earwitness.archive.integrity import check
from earwitness.archive.package import export_package, import_package
from earwitness.errors import OutputError


def packed(tmp_path: Path) -> Path:
    """A package of one loudspeaker, three recordings and a result."""
    with Archive.open(tmp_path / "a") as archive:
        archive.add_session(write_session(tmp_path / "in", name="Moved"), tmp_path / "in")
        archive.keep_measurement(1, measurement(5))
        archive.keep_publication(1, "site", {"f3": 41.5})
        return export_package(archive, 1, tmp_path / "bag").folder


def with_one(folder: Path, tmp_path: Path) -> None:
    with Archive.open(folder) as archive:
        archive.add_session(write_session(tmp_path / "first", name="First"), tmp_path / "first")


def assert_all_or_nothing(folder: Path) -> int:
    """The archive is sound; how many loudspeakers it holds: one, or two with all that belongs to the second."""
    with Archive.open(folder) as archive:
        assert check(archive).is_sound
        names = [e.name for e in archive.loudspeakers()]
        assert names in (["First"], ["First", "Moved"])
        if len(names) == 2:
            number = archive.find("Moved").id
            (session,) = archive.sessions_of(number)
            assert len(archive.results_of(session.id)) == len(archive.publications_of(number)) == 1
        return len(names)


def assert_completes(bag: Path, folder: Path) -> None:
    with Archive.open(folder) as archive:
        import_package(bag, archive)
        assert [f for f in check(archive).findings if f.severity == "damage"] == []
    assert assert_all_or_nothing(folder) == 2
    assert list(folder.rglob(".*.part*")) == []


def test_a_disk_that_fills_at_any_file_of_an_import_takes_in_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every sync of a file or folder fails in its turn (SQLite syncs by itself and is not reached by this)."""
    bag = packed(tmp_path)
    turns = 0
    for turn in range(1, 60):
        folder = tmp_path / f"b{turn}"
        with_one(folder, tmp_path)
        left = iter([*(False for _ in range(turn - 1)), True])

        def fsync(_: int, left: Iterator[bool] = left) -> None:
            if next(left, False):
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

        with monkeypatch.context() as patch, Archive.open(folder) as archive:
            patch.setattr(os, "fsync", fsync)
            fault = None
            try:
                import_package(bag, archive)
            except OutputError as error:
                fault = error
        if fault is None:
            break
        assert fault.what == "the file cannot be written: the disk is full"
        turns += 1
        assert assert_all_or_nothing(folder) == 1
        assert_completes(bag, folder)
    assert turns >= 6


# A child dies at its n-th sync, rename, mode change, new folder, removal, statement or commit.
KILL = """
import pathlib, sys
sys.path.insert(0, {here!r})
from sqlalchemy import Engine, event
from kill_at_instants import copied, kill_one_after_another, killed_at
from earwitness.archive import arrays
from earwitness.archive.catalogue import Archive
from earwitness.archive.package import export_package, import_package

work, act, step = pathlib.Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])

def prepared(instant):
    if act == "import":
        return copied(work, f"import-{{instant}}")
    folder = work / f"export-{{instant}}"
    folder.mkdir()
    return folder

def run(folder, instant):
    tick = killed_at(instant, "replace", "rename", "chmod", "mkdir", "unlink")
    for name in ("begin", "commit", "after_cursor_execute"):
        event.listen(Engine, name, tick)
    with Archive.open(folder if act == "import" else work / "a") as archive:
        if act == "import":
            import_package(work / "bag", archive)
        else:
            export_package(archive, 1, folder / "bag")
        print(folder.name, flush=True)

kill_one_after_another(step, prepared, run)
"""


def killed(tmp_path: Path, act: str, step: int) -> tuple[list[Path], set[str]]:
    """All folders of the act, and the names of those whose end was acknowledged."""
    script = KILL.format(here=str(Path(__file__).parent))
    ran = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path), act, str(step)],
        capture_output=True,
        text=True,
        check=True,
        timeout=600,
    )
    *told, last = ran.stdout.splitlines()
    assert (last.split()[0], last.split()[-1]) == ("whole", "0"), ran.stderr
    return sorted(tmp_path.glob(f"{act}-*")), set(told)


def test_kill_9_at_every_fourth_instant_of_an_import_takes_in_all_or_nothing(tmp_path: Path) -> None:
    bag = packed(tmp_path)
    with_one(tmp_path / "base", tmp_path)
    folders, told = killed(tmp_path, "import", 4)
    assert len(folders) > 12
    seen = {folder.name: assert_all_or_nothing(folder) for folder in folders}
    assert set(seen.values()) == {1, 2}
    assert all(seen[name] == 2 for name in told)
    for folder in folders:
        assert_completes(bag, folder)


def test_kill_9_at_every_second_instant_of_an_export_leaves_a_valid_bag_or_none(tmp_path: Path) -> None:
    """Validity by the Library of Congress's bagit."""
    packed(tmp_path)
    folders, told = killed(tmp_path, "export", 2)
    assert len(folders) > 12
    for folder in folders:
        if (folder / "bag").exists():
            bagit.Bag(str(folder / "bag")).validate()
        else:
            assert folder.name not in told
            with Archive.open(tmp_path / "a") as archive:
                export_package(archive, 1, folder / "bag")
            bagit.Bag(str(folder / "bag")).validate()
        assert [p.name for p in folder.iterdir()] == ["bag"]
