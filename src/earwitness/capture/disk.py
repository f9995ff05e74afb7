"""Recordings that grow on disk block by block, and survive whatever stops the program; the lock of their folder.

A growing recording is a WAV file of 32-bit floats under the name `<file>.part`. Its header promises nothing until it
is finished; what was handed over before a crash is found again by the file's own length.
"""

from __future__ import annotations

import contextlib
import json
import os
import platform
import sqlite3
import struct
import threading
import time
import weakref
from pathlib import Path
from typing import Any

import numpy as np

from earwitness.capture.sound import Block
from earwitness.errors import InputError, OutputError, cannot_write
from earwitness.files.durable import make_folder, write_bytes
from earwitness.files.system import sync_folder

PART = ".part"
_HEADER_BYTES = 58
_MOST_BYTES = 2**32 - 1 - _HEADER_BYTES
_SYNC_EVERY_S = 1.0
_FLOAT = 3


class GrowingRecording:
    """A WAV file that every block is appended to. OutputError where the disk refuses; what was written stays.

    Raises InputError where another recording into the same file is under way or was left behind.
    """

    def __init__(self, path: Path, rate_hz: int, channels: int) -> None:
        self.path = path
        self._rate_hz, self._channels, self.frames = rate_hz, channels, 0
        try:
            make_folder(path.parent)
            self._file = path.open("xb", buffering=0)
            self._file.write(_header(rate_hz, channels, 0))
            os.fsync(self._file.fileno())
            sync_folder(path.parent)
        except FileExistsError:
            raise InputError.of("capture.recording_under_way", where=str(path)) from None
        except OSError as error:
            raise unwritable(path, error) from None
        self._synced = time.monotonic()
        self._syncing: threading.Thread | None = None

    def append(self, block: Block) -> None:
        """Hand samples (frames, channels) to the system; once a second also to the disk itself."""
        data = np.ascontiguousarray(block, dtype="<f4").tobytes()
        size = 4 * self._channels
        if (self.frames * size) + len(data) > _MOST_BYTES:
            raise OutputError("the recording is over 4 GiB", where=str(self.path), remedy="record shorter takes")
        try:
            view = memoryview(data)
            while view:
                view = view[self._file.write(view) :]
            self._sync_now_and_then()
        except OSError as error:
            raise unwritable(self.path, error) from None
        self.frames += len(block)

    def _sync_now_and_then(self) -> None:
        """In a thread of its own: a busy disk must not hold up the loop that gives the signs of life."""
        if time.monotonic() - self._synced < _SYNC_EVERY_S or (self._syncing and self._syncing.is_alive()):
            return
        self._synced = time.monotonic()
        self._syncing = threading.Thread(target=_sync, args=(self._file.fileno(),), daemon=True)
        self._syncing.start()

    def close(self) -> None:
        """Write the true length into the header and bring everything to the disk. The name stays `.part`."""
        if self._file.closed:
            return
        if self._syncing is not None:
            self._syncing.join()
        try:
            with self._file:
                self._file.seek(0)
                self._file.write(_header(self._rate_hz, self._channels, self.frames))
                os.fsync(self._file.fileno())
        except OSError as error:
            raise unwritable(self.path, error) from None


def recover(part: Path, target: Path) -> int:
    """Make a whole WAV file of what a stopped recording left in `part`, under the name `target`; returns its frames.

    A last sample that was cut through is dropped. Nothing is overwritten. A part without a single frame is removed and
    0 returned. OutputError where the disk refuses.
    """
    try:
        with part.open("r+b") as file:
            head = file.read(_HEADER_BYTES)
            size = os.fstat(file.fileno()).st_size
            channels, rate_hz = _facts(head)
            frames = max(size - _HEADER_BYTES, 0) // (4 * channels) if channels else 0
            if frames:
                file.truncate(_HEADER_BYTES + 4 * channels * frames)
                file.seek(0)
                file.write(_header(rate_hz, channels, frames))
                os.fsync(file.fileno())
        if not frames:
            part.unlink()
            return 0
        move(part, target)
    except OSError as error:
        raise unwritable(target, error) from None
    return frames


def read_part(part: Path) -> tuple[Block, int]:
    """Samples (frames, channels) and rate of a recording of ours; values that are not finite are kept as they are."""
    data = part.read_bytes()
    channels, rate_hz = _facts(data[:_HEADER_BYTES])
    if not channels:
        raise InputError("this is no recording of this program", where=str(part), remedy="record it again")
    frames = (len(data) - _HEADER_BYTES) // (4 * channels)
    samples = np.frombuffer(data, dtype="<f4", count=frames * channels, offset=_HEADER_BYTES)
    return np.array(samples.reshape(frames, channels), dtype=np.float32), rate_hz


def write_whole(path: Path, samples: Block, rate_hz: int) -> None:
    """Write samples (frames, channels) as 32-bit float WAV: there whole, or not at all. OutputError."""
    frames, channels = samples.shape
    data = _header(rate_hz, channels, frames) + np.ascontiguousarray(samples, dtype="<f4").tobytes()
    write_bytes(path, data, failed=unwritable)


def write_json(path: Path, value: Any) -> None:
    """Replace a JSON file atomically. OutputError."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, indent=1, sort_keys=True) + "\n"
    write_bytes(path, text.encode(), failed=unwritable)


def move(source: Path, target: Path) -> None:
    """Rename without ever replacing a file."""
    make_folder(target.parent)
    if target.exists():
        raise FileExistsError(17, "there is a file already", str(target))
    os.replace(source, target)
    sync_folder(target.parent)


def _sync(handle: int) -> None:
    with contextlib.suppress(OSError):
        os.fsync(handle)


def unwritable(path: Path, error: OSError) -> OutputError:
    """The error of a disk in the program's own words."""
    return cannot_write("the recording", path, error, remedy="what was recorded before is kept")


def _header(rate_hz: int, channels: int, frames: int) -> bytes:
    size = 4 * channels * frames
    form = struct.pack("<HHIIHHH", _FLOAT, channels, rate_hz, 4 * channels * rate_hz, 4 * channels, 32, 0)
    return (
        b"RIFF" + struct.pack("<I", _HEADER_BYTES - 8 + size) + b"WAVE"
        + b"fmt " + struct.pack("<I", len(form)) + form
        + b"fact" + struct.pack("<II", 4, frames)
        + b"data" + struct.pack("<I", size)
    )  # fmt: skip


def _facts(head: bytes) -> tuple[int, int]:
    """Channels and rate of a header of ours; zeros where it is not complete."""
    if len(head) < _HEADER_BYTES or head[:4] != b"RIFF" or head[12:16] != b"fmt ":
        return 0, 0
    form, channels, rate_hz = struct.unpack("<HHI", head[20:28])
    return (channels, rate_hz) if form == _FLOAT and 1 <= channels <= 64 else (0, 0)


# One program at a time records into a folder: a lock of the operating system, which goes with its process.
#
# The lock is SQLite's, as that of a backup is: the system lets it go whenever the process ends, killed or not, on every
# system that Earwitness runs on. `live.lock` stays in the folder; that it is there means nothing.

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
