"""Files and folders that are there whole or not at all."""

from __future__ import annotations

import ctypes
import os
import shutil
import sys
from contextlib import suppress
from pathlib import Path

from earwitness.archive.journal import state_of, temporary_name
from earwitness.errors import cannot_write


def write_whole(path: Path, content: bytes) -> Path:
    """Write `content` beside `path` and rename it into place; the path. OutputError where the disk refuses."""
    path = Path(path)
    part = path.with_name(temporary_name())
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with part.open("wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        part.replace(path)
    except OSError as error:
        raise cannot_write("the file", path, error, remedy="what was there before is untouched") from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
    return path


def replace_folder(fresh: Path, folder: Path) -> None:
    """Put the folder `fresh` in the place of `folder`, whose former content goes. Raises OSError; then it stays.

    On Linux the two change places in one step, so that there is a whole folder at every moment; elsewhere, for the
    moment between two renames, there is none, and a process killed then leaves the former one under a temporary name.
    """
    if not folder.exists():
        fresh.rename(folder)
        return
    if not _exchanged(fresh, folder):
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
                with suppress(OSError):
                    path.unlink()


def _exchanged(one: Path, other: Path) -> bool:
    """Whether the system let the two change places in one step (renameat2 with RENAME_EXCHANGE, Linux manual)."""
    if sys.platform != "linux":
        return False
    call = getattr(ctypes.CDLL(None), "renameat2", None)
    at_working_folder, exchange = -100, 2
    paths = (os.fsencode(one.absolute()), os.fsencode(other.absolute()))
    return call is not None and call(at_working_folder, paths[0], at_working_folder, paths[1], exchange) == 0
