"""Atomic writes: a file is there whole, or not at all, whatever stops the program.

A new file is written under a temporary name in its own folder, synced, renamed, and the folder synced. A
process that was killed leaves a temporary file behind; `clean` takes those of dead processes away.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import secrets
from collections.abc import Iterator, Sequence
from pathlib import Path

from earwitness.errors import OutputError

_THIS_PROCESS = secrets.token_hex(4)
_TEMPORARY = re.compile(
    r"\.(?P<pid>\d+)-(?P<process>[0-9a-f]{8})-[0-9a-f]{8}\.part(?:\.[a-z0-9]+)?(?:-wal|-shm|-journal)?"
)
_FULL = {errno.ENOSPC, errno.EDQUOT}
_FORBIDDEN = {errno.EACCES, errno.EPERM, errno.EROFS}


def write_bytes(path: Path, data: bytes, *, read_only: bool = False) -> None:
    """Put `data` at `path` atomically, over what is there. Raises OutputError; then the old file is untouched."""
    with replacing(path, read_only=read_only) as temporary:
        temporary.write_bytes(data)


@contextlib.contextmanager
def replacing(path: Path, *, read_only: bool = False) -> Iterator[Path]:
    """Name of a temporary file beside `path` to be filled; when the block ends well, it becomes `path`.

    The temporary name keeps the suffix of `path`. When the block fails, the temporary file is removed. Any OSError
    becomes an OutputError that names `path` and what to do.
    """
    with replacing_all((path,), read_only=read_only) as (temporary,):
        yield temporary


@contextlib.contextmanager
def replacing_all(paths: Sequence[Path], *, read_only: bool = False) -> Iterator[tuple[Path, ...]]:
    """As `replacing`, for several files: the disk is waited for once where `replacing` waits for each of them.

    A killed process leaves each file as it was or whole. Needs one path at least.
    """
    folders = tuple(dict.fromkeys(path.parent for path in paths))
    for folder in folders:
        make_folder(folder)
    made = tuple(path.with_name(temporary_name(path.suffix.lower())) for path in paths)
    try:
        yield made
        for temporary in made:
            _sync(temporary)
        for temporary, path in zip(made, paths, strict=True):
            if read_only:
                temporary.chmod(0o444)
            temporary.replace(path)
        for folder in folders:
            sync_folder(folder)
    except OSError as error:
        raise output_error(error, Path(os.path.commonpath(paths))) from error
    finally:
        for temporary in made:
            with contextlib.suppress(OSError):
                temporary.unlink(missing_ok=True)


def make_folder(folder: Path) -> None:
    """Make `folder` and its parents durably. Raises OutputError."""
    if folder.is_dir():
        return
    try:
        missing = [folder, *(p for p in folder.parents if not p.exists())]
        folder.mkdir(parents=True, exist_ok=True)
        for made in missing:
            sync_folder(made.parent)
    except OSError as error:
        raise output_error(error, folder) from error


def clean(folder: Path) -> int:
    """Remove the temporary files that dead processes left in `folder` and below; returns how many.

    Files of processes that still run stay. A file that cannot be removed stays and is not an error.
    """
    removed = 0
    for place, folders, names in os.walk(folder):
        folders.sort()
        for name in sorted(name for name in names if name[0] == "."):
            if state_of(path := Path(place, name)) == "dead":
                with contextlib.suppress(OSError):
                    path.unlink()
                    removed += 1
    return removed


def state_of(path: Path) -> str:
    """Whether the process that gave `path` its temporary name is "alive" or "dead"; "" for any other name."""
    found = _TEMPORARY.fullmatch(path.name)
    if not found:
        return ""
    return "alive" if _is_alive(int(found["pid"]), found["process"]) else "dead"


def temporary_name(suffix: str = "") -> str:
    """A temporary name of this process, for a file or folder that `replacing` cannot make."""
    return f".{os.getpid()}-{_THIS_PROCESS}-{secrets.token_hex(4)}.part{suffix}"


def output_error(error: OSError, path: Path) -> OutputError:
    """`error` as an OutputError: the reason in plain words, the path, the remedy."""
    if error.errno in _FULL:
        what, remedy = "the disk is full", "free some space, or choose a folder on another disk, and run it again"
    elif error.errno in _FORBIDDEN:
        what, remedy = "there is no permission to write here", "change the permissions, or choose another folder"
    elif error.errno in {errno.ENOTDIR, errno.EEXIST, errno.EISDIR}:
        what = "a file stands where a folder should be, or a folder where a file should be"
        remedy = "move it away, or choose another folder"
    else:
        what, remedy = f"writing failed: {error.strerror or error}", "check the disk and run it again"
    return OutputError(what, where=str(path), remedy=remedy)


def _is_alive(pid: int, process: str) -> bool:
    """Whether the process that named a temporary file may still write it.

    A process of this number that is not the one that wrote the name counts as alive, unless it is this one.
    """
    if pid == os.getpid():
        return process == _THIS_PROCESS
    if os.name == "nt":
        return True
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def _sync(path: Path) -> None:
    # For writing: Windows refuses to sync a file that is open for reading only.
    _sync_as(path, os.O_RDWR)


def sync_folder(folder: Path) -> None:
    """Make renames in `folder` durable. Raises OSError."""
    if os.name == "nt":
        return
    try:
        _sync_as(folder, os.O_RDONLY)
    except OSError as error:
        # Some network file systems cannot sync a folder; the rename itself is still atomic there.
        if error.errno not in {errno.EINVAL, errno.ENOTSUP}:
            raise


def _sync_as(path: Path, flags: int) -> None:
    descriptor = os.open(path, flags)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
