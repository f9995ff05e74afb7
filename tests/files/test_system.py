"""What differs between systems: each is stood in for, and what it would refuse is not asked of it."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from earwitness.files import system
from earwitness.files.durable import replace_folder, write_bytes

SYSTEMS = ("linux", "darwin", "win32")


@pytest.fixture
def windows(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Windows as far as files go: no folder can be opened, and to ask for a process ends it; what it was asked."""
    asked: list[str] = []
    opened = os.open

    def refuse_folder(path: Path, flags: int, *more: int) -> int:
        if Path(path).is_dir():
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        if not flags & os.O_RDWR:
            raise PermissionError(errno.EACCES, "FlushFileBuffers needs write access", str(path))
        return opened(path, flags, *more)

    monkeypatch.setattr(system, "platform", "win32")
    monkeypatch.setattr(os, "open", refuse_folder)
    monkeypatch.setattr(os, "kill", lambda pid, _: asked.append(f"ended {pid}"))
    return asked


def test_files_and_folders_are_kept_where_no_folder_can_be_synced(tmp_path: Path, windows: list[str]) -> None:
    assert write_bytes(tmp_path / "one.txt", b"1").read_bytes() == b"1"
    system.sync_folder(tmp_path)
    assert windows == []


def test_no_process_is_ended_by_asking_whether_it_lives(windows: list[str]) -> None:
    assert system.may_be_alive(4_000_000)
    assert windows == []


def test_a_process_that_ended_is_told_from_one_that_lives() -> None:
    child = subprocess.Popen([sys.executable, "-c", "pass"])
    child.wait()
    assert not system.may_be_alive(child.pid)
    assert system.may_be_alive(os.getpid())


def test_a_process_of_another_user_counts_as_alive(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(_pid: int, _signal: int) -> None:
        raise PermissionError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "kill", refused)
    assert system.may_be_alive(1)


@pytest.mark.parametrize(("number", "raises"), [(errno.EINVAL, False), (errno.ENOTSUP, False), (errno.EIO, True)])
def test_a_network_disk_may_be_unable_to_sync_a_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, raises: bool
) -> None:
    def refused(_descriptor: int) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "fsync", refused)
    if raises:
        with pytest.raises(OSError, match=os.strerror(number)):
            system.sync_folder(tmp_path)
    else:
        system.sync_folder(tmp_path)


@pytest.mark.parametrize("name", SYSTEMS)
def test_a_folder_takes_anothers_place_on_every_system(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    monkeypatch.setattr(system, "platform", name)
    target = tmp_path / "page"
    for words in ("old", "new"):
        fresh = tmp_path / f"fresh-{words}"
        fresh.mkdir()
        (fresh / "index.html").write_text(words, encoding="utf-8")
        replace_folder(fresh, target)
    assert (target / "index.html").read_text(encoding="utf-8") == "new"
    assert [one.name for one in tmp_path.iterdir()] == ["page"]


@pytest.mark.parametrize("name", ["darwin", "win32"])
def test_only_linux_is_asked_to_exchange(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    monkeypatch.setattr(system, "platform", name)
    monkeypatch.setattr(system.ctypes, "CDLL", lambda _: pytest.fail("asked"))
    assert not system.exchanged(tmp_path / "a", tmp_path / "b")


@pytest.mark.usefixtures("windows")
def test_a_serial_port_is_no_file_on_windows() -> None:
    assert system.open_serial("COM3", "9600") is None


@pytest.mark.parametrize(
    ("name", "is_fine"),
    [
        ("h_-10.wav", True),
        ("takes/v 20.wav", True),
        ("console.wav", True),
        ("com10.wav", True),
        ("aux.wav", False),
        ("takes/NUL", False),
        ("Com1.session.toml", False),
        ("h:10.wav", False),
        ("what?.wav", False),
        ("ends.", False),
        ("blank ", False),
        ("a\tb", False),
        ("", False),
    ],
)
def test_names_that_every_system_takes(name: str, is_fine: bool) -> None:
    """Reserved names and signs after Microsoft's page on naming files, from memory."""
    assert system.is_name_everywhere(name) is is_fine


def test_the_archive_lies_where_it_is_said_to(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(system.ARCHIVE_VARIABLE, raising=False)
    assert system.archive_folder(tmp_path) == tmp_path
    assert system.archive_folder(None) == system.data_folder() / "archive"
    monkeypatch.setenv(system.ARCHIVE_VARIABLE, str(tmp_path / "other"))
    assert system.archive_folder(None) == tmp_path / "other"
