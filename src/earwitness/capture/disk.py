"""Recordings that grow on disk block by block, and survive whatever stops the program.

A growing recording is a WAV file of 32-bit floats under the name `<file>.part`. Its header promises nothing until it
is finished; what was handed over before a crash is found again by the file's own length.
"""

import contextlib
import json
import os
import struct
import threading
import time
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
