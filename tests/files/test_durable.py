"""Atomic writes: whole or not at all, with the reason in plain words."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from earwitness.errors import OutputError
from earwitness.files import durable


def names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def test_a_file_is_written_and_replaced(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "er" / "a.bin"
    durable.write_bytes(path, b"one")
    durable.write_bytes(path, b"two", read_only=True)
    assert path.read_bytes() == b"two"
    assert path.stat().st_mode & 0o222 == 0
    assert names(path.parent) == ["a.bin"]


def test_a_failure_half_way_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "a.bin"
    durable.write_bytes(path, b"old")

    def write_half() -> None:
        with durable.replacing(path) as temporary:
            temporary.write_bytes(b"ne")
            assert temporary.suffix == ".bin"
            raise RuntimeError("stop")

    with pytest.raises(RuntimeError):
        write_half()
    assert path.read_bytes() == b"old"
    assert names(tmp_path) == ["a.bin"]


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "the disk is full"),
        (errno.EACCES, "no permission"),
        (errno.EIO, "cannot be written: Input/output error"),
    ],
)
@pytest.mark.parametrize("where", ["fsync", "replace"])
def test_faults_of_the_disk_name_path_and_remedy(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, words: str, where: str
) -> None:
    path = tmp_path / "a.bin"
    path.write_bytes(b"old")

    def fail(*_: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(*(("os.fsync", fail) if where == "fsync" else (Path, "replace", fail)))
    with pytest.raises(OutputError, match=words) as found:
        durable.write_bytes(path, b"new")
    assert str(path) in str(found.value)
    assert found.value.remedy
    assert path.read_bytes() == b"old"
    assert names(tmp_path) == ["a.bin"]


def test_a_really_full_disk_is_an_output_error(tmp_path: Path) -> None:
    """A file size limit of the system stands in for the full disk: the write itself fails half way."""
    script = (
        "import resource, signal, sys, pathlib\n"
        "from earwitness.files import durable\n"
        "from earwitness.errors import OutputError\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))\n"
        "try:\n    durable.write_bytes(pathlib.Path(sys.argv[1]), bytes(100_000))\n"
        "except OutputError as error:\n    print(error)\n"
    )
    ran = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path / "a.bin")], capture_output=True, text=True, check=True
    )
    assert "File too large" in ran.stdout
    assert names(tmp_path) == []


def test_a_file_in_the_way_of_a_folder_is_an_output_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(OutputError, match="a file stands where a folder should be"):
        durable.write_bytes(tmp_path / "file" / "a.bin", b"x")


def test_only_temporary_files_of_dead_processes_are_cleaned(tmp_path: Path) -> None:
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    dead = tmp_path / "sub" / f".{gone.pid}-0123abcd-0123abcd.part.nc"
    reborn = tmp_path / f".{os.getpid()}-0123abcd-0123abcd.part"
    alive = tmp_path / f".{os.getppid()}-0123abcd-0123abcd.part"
    foreign = tmp_path / ".something.part"
    dead.parent.mkdir()
    for path in (dead, reborn, alive, foreign):
        path.write_bytes(b"half")
    with durable.replacing(tmp_path / "mine.bin") as mine:
        mine.write_bytes(b"whole")
        assert durable.clean(tmp_path) == 2
    assert names(tmp_path) == sorted([alive.name, foreign.name, "mine.bin", "sub"])
    assert names(dead.parent) == []
    assert durable.clean(tmp_path / "not there") == 0
