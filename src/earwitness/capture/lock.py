"""One program at a time records into a folder: a lock of the operating system, which goes with its process.

The lock is SQLite's, as that of a backup is: the system lets it go whenever the process ends, killed or not, on every
system that Earwitness runs on. `live.lock` stays in the folder; that it is there means nothing.
"""

from __future__ import annotations

import contextlib
import os
import platform
import sqlite3
import threading
import weakref
from pathlib import Path

from earwitness.capture.disk import unwritable
from earwitness.errors import InputError
from earwitness.files.durable import make_folder

LOCK = "live.lock"
# Another program that only begins or ends holds it for less.
_WAIT_S = 1.0
# Reentrant: a forgotten series may be collected while another is opened.
_registry = threading.RLock()
# By process too: what a fork inherits is not its own.
_held: dict[tuple[int, Path], _Held] = {}


class _Held:
    """The lock of this process on a folder, and how many of its series share it."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self.connection = connection
        self.shares = 0


class FolderLock:
    """A share in this process's lock on a folder; the lock goes with the last share, or with the process.

    Series of one process share a lock, so that a folder can be opened again in it. Raises InputError where another
    program records into the folder, OutputError where the folder cannot be written to.
    """

    def __init__(self, folder: Path) -> None:
        key = (os.getpid(), folder.resolve())
        with _registry:
            held = _held.get(key) or _Held(_taken(folder))
            held.shares += 1
            _held[key] = held
        self._let_go = weakref.finalize(self, _release, key)

    def release(self) -> None:
        """Let this share go; a second time does nothing."""
        self._let_go()


def _release(key: tuple[int, Path]) -> None:
    if key[0] != os.getpid():
        return
    with _registry:
        held = _held[key]
        held.shares -= 1
        if not held.shares:
            del _held[key]
            held.connection.close()


def _taken(folder: Path) -> sqlite3.Connection:
    path = folder / LOCK
    try:
        make_folder(folder)
        # The bench opens a folder in one thread and leaves it in another.
        lock = sqlite3.connect(path, timeout=_WAIT_S, isolation_level=None, check_same_thread=False)
    except OSError as error:
        raise unwritable(path, error) from None
    except sqlite3.Error as error:
        raise _failed(path, error) from None
    try:
        lock.execute("BEGIN IMMEDIATE")
        mine = (os.getpid(), platform.node())
        # A reserved lock lets others read, so they can tell who has it; what they read must be committed. Whoever
        # comes between the two transactions writes his own name, which is then written over.
        while _holder(lock) != mine:
            lock.execute("CREATE TABLE IF NOT EXISTS holder (pid INTEGER, computer TEXT)")
            lock.execute("DELETE FROM holder")
            lock.execute("INSERT INTO holder VALUES (?, ?)", mine)
            lock.execute("COMMIT")
            lock.execute("BEGIN IMMEDIATE")
    except sqlite3.Error as error:
        if _code(error) not in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            lock.close()
            raise _failed(path, error) from None
        with contextlib.closing(lock):
            raise _refused(folder, _holder(lock)) from None
    return lock


def _holder(lock: sqlite3.Connection) -> tuple[int, str] | None:
    """Process and computer that wrote their name last; None for none that can be read."""
    try:
        row = lock.execute("SELECT pid, computer FROM holder").fetchone()
    except sqlite3.Error:
        return None
    return None if row is None else (int(row[0]), str(row[1]))


def _refused(folder: Path, holder: tuple[int, str] | None) -> InputError:
    who = ""
    if holder is not None:
        who = f", process {holder[0]} on {'this computer' if holder[1] == platform.node() else holder[1]},"
    return InputError.of("capture.folder_taken", where=str(folder), who=who)


def _code(error: sqlite3.Error) -> int:
    """SQLite's primary result code."""
    return int(getattr(error, "sqlite_errorcode", 0)) & 0xFF


def _failed(path: Path, error: sqlite3.Error) -> Exception:
    if _code(error) in (sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT):
        return InputError.of("capture.lock_damaged", where=str(path), lock=LOCK)
    return unwritable(path, OSError(0, str(error)))
