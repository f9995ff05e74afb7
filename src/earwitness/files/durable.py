"""Atomic writes: a file is there whole, or not at all, whatever stops the program.

A new file is written under a temporary name in its own folder, synced, renamed, and the folder synced. A
process that was killed leaves a temporary file behind; `clean` takes those of dead processes away.
"""

import contextlib
import os
import re
import secrets
import shutil
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from earwitness.errors import OutputError, cannot_write
from earwitness.files.system import exchanged, may_be_alive, sync_file, sync_folder

_THIS_PROCESS = secrets.token_hex(4)
_TEMPORARY = re.compile(
    r"\.(?P<pid>\d+)-(?P<process>[0-9a-f]{8})-[0-9a-f]{8}\.part(?:\.[a-z0-9]+)?(?:-wal|-shm|-journal)?"
)
Failed = Callable[[Path, OSError], OutputError]


def _failed(path: Path, error: OSError) -> OutputError:
    return cannot_write("the file", path, error, remedy="what was there before is untouched")


def write_bytes(path: Path, data: bytes, *, read_only: bool = False, failed: Failed = _failed) -> Path:
    """Put `data` at `path` atomically, over what is there; the path.

    failed : makes the error of a disk that refuses, as in `replacing_all`; then the old file is untouched.
    """
    path = Path(path)
    with replacing(path, read_only=read_only, failed=failed) as temporary:
        temporary.write_bytes(data)
    return path


@contextlib.contextmanager
def replacing(path: Path, *, read_only: bool = False, failed: Failed = _failed) -> Iterator[Path]:
    """Name of a temporary file beside `path` to be filled; when the block ends well, it becomes `path`.

    The temporary name keeps the suffix of `path`. When the block fails, the temporary file is removed. Any OSError
    becomes an OutputError that names `path` and what to do, made by `failed`.
    """
    with replacing_all((path,), read_only=read_only, failed=failed) as (temporary,):
        yield temporary


@contextlib.contextmanager
def replacing_all(
    paths: Sequence[Path], *, read_only: bool = False, failed: Failed = _failed
) -> Iterator[tuple[Path, ...]]:
    """As `replacing`, for several files: the disk is waited for once where `replacing` waits for each of them.

    A killed process leaves each file as it was or whole. Needs one path at least.
    """
    folders = tuple(dict.fromkeys(path.parent for path in paths))
    for folder in folders:
        make_folder(folder, failed=failed)
    made = tuple(path.with_name(temporary_name(path.suffix.lower())) for path in paths)
    try:
        yield made
        for temporary in made:
            sync_file(temporary)
        for temporary, path in zip(made, paths, strict=True):
            if read_only:
                temporary.chmod(0o444)
            temporary.replace(path)
        for folder in folders:
            sync_folder(folder)
    except OSError as error:
        raise failed(Path(os.path.commonpath(paths)), error) from error
    finally:
        for temporary in made:
            with contextlib.suppress(OSError):
                temporary.unlink(missing_ok=True)


def make_folder(folder: Path, *, failed: Failed = _failed) -> None:
    """Make `folder` and its parents durably. failed : as in `replacing_all`."""
    if folder.is_dir():
        return
    try:
        missing = [folder, *(p for p in folder.parents if not p.exists())]
        folder.mkdir(parents=True, exist_ok=True)
        for made in missing:
            sync_folder(made.parent)
    except OSError as error:
        raise failed(folder, error) from error


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


def replace_folder(fresh: Path, folder: Path) -> None:
    """Put the folder `fresh` in the place of `folder`, whose former content goes. Raises OSError; then it stays.

    On Linux the two change places in one step, so that there is a whole folder at every moment; elsewhere, for the
    moment between two renames, there is none, and a process killed then leaves the former one under a temporary name.
    """
    if not folder.exists():
        fresh.rename(folder)
        return
    if not exchanged(fresh, folder):
        old = folder.with_name(temporary_name())
        folder.rename(old)
        try:
            fresh.rename(folder)
        except OSError:
            old.rename(folder)
            raise
        fresh = old
    shutil.rmtree(fresh, ignore_errors=True)


def clear_dead(folder: Path) -> None:
    """Take away what killed processes left half written in `folder`, not below it."""
    for path in folder.glob(".*.part*") if folder.is_dir() else ():
        if state_of(path) == "dead":
            if path.is_dir():
                shutil.rmtree(path, ignore_errors=True)
            else:
                with contextlib.suppress(OSError):
                    path.unlink()


def state_of(path: Path) -> str:
    """Whether the process that gave `path` its temporary name is "alive" or "dead"; "" for any other name."""
    found = _TEMPORARY.fullmatch(path.name)
    if not found:
        return ""
    return "alive" if _is_alive(int(found["pid"]), found["process"]) else "dead"


def temporary_name(suffix: str = "") -> str:
    """A temporary name of this process, for a file or folder that `replacing` cannot make."""
    return f".{os.getpid()}-{_THIS_PROCESS}-{secrets.token_hex(4)}.part{suffix}"


def _is_alive(pid: int, process: str) -> bool:
    """Whether the process that named a temporary file may still write it.

    A process of this number that is not the one that wrote the name counts as alive, unless it is this one.
    """
    if pid == os.getpid():
        return process == _THIS_PROCESS
    return may_be_alive(pid)
