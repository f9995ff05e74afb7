"""What differs between Linux, macOS and Windows, in one place: where things lie, what a disk promises, who is alive.

`platform` is that of `sys.platform`; tests put another in its place. Windows: a folder cannot be opened to be synced, a
file only for writing; asking whether a process lives would end it; names are taken or trimmed (Microsoft's pages on
naming files and on FlushFileBuffers, from memory). A serial port is a file only where termios is.
"""

import ctypes
import errno
import os
import sys
from contextlib import suppress
from pathlib import Path, PurePath

ARCHIVE_VARIABLE = "EARWITNESS_ARCHIVE"
# Not names of files on Windows, whatever stands behind a dot (from memory).
_DEVICES = frozenset({"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10))})
_FORBIDDEN = frozenset('<>:"|?*\\')
platform = sys.platform


def data_folder() -> Path:
    """Where programs of this system keep their data."""
    import platformdirs

    return Path(platformdirs.user_data_dir("earwitness", appauthor=False))


def archive_folder(given: Path | None) -> Path:
    """The archive: what was given, else the environment variable, else the system's data folder."""
    if given is not None:
        return given.expanduser()
    if named := os.environ.get(ARCHIVE_VARIABLE):
        return Path(named).expanduser()
    return data_folder() / "archive"


def may_be_alive(pid: int) -> bool:
    """Whether a process of this number may be at work; yes where the system cannot be asked without harm."""
    if platform == "win32":
        return True
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def keep_freed_memory() -> None:
    """Let the allocator keep what is freed, whatever the environment says: a cluster's workers are told to hand back
    each array at once (MALLOC_TRIM_THRESHOLD_), and getting it anew takes as long as the arithmetic. glibc alone;
    M_TRIM_THRESHOLD is -1, M_MMAP_THRESHOLD -3 (mallopt(3))."""
    if platform == "linux" and os.environ.get("MALLOC_TRIM_THRESHOLD_"):
        with suppress(AttributeError):
            mallopt = ctypes.CDLL(None).mallopt
            # The largest that it takes for arrays that are asked for one by one; the rest is kept twice as long.
            mallopt(-3, 2**25)
            mallopt(-1, 2**26)


def sync_file(path: Path) -> None:
    """Make the content of a file durable. Raises OSError."""
    # For writing: Windows refuses to sync a file that is open for reading only.
    _synced(path, os.O_RDWR)


def sync_folder(folder: Path) -> None:
    """Make renames in `folder` durable, where the system can. Raises OSError."""
    if platform == "win32":
        return
    try:
        _synced(folder, os.O_RDONLY)
    except OSError as error:
        # Some network file systems cannot sync a folder; the rename itself is still atomic there.
        if error.errno not in {errno.EINVAL, errno.ENOTSUP}:
            raise


def _synced(path: Path, flags: int) -> None:
    descriptor = os.open(path, flags)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def exchanged(one: Path, other: Path) -> bool:
    """Whether the system let the two change places in one step (renameat2 with RENAME_EXCHANGE, Linux manual)."""
    if platform != "linux":
        return False
    call = getattr(ctypes.CDLL(None), "renameat2", None)
    at_working_folder, exchange = -100, 2
    paths = (os.fsencode(one.absolute()), os.fsencode(other.absolute()))
    return call is not None and call(at_working_folder, paths[0], at_working_folder, paths[1], exchange) == 0


def is_name_everywhere(name: str) -> bool:
    """Whether a relative path of a session can be a file on every system: no device of Windows, no sign it forbids, no
    part that ends with a dot or a blank."""
    parts = PurePath(name).parts
    return bool(parts) and all(
        part.partition(".")[0].rstrip().casefold() not in _DEVICES
        and not part.endswith((".", " "))
        and not _FORBIDDEN & set(part)
        and min(part) >= " "
        for part in parts
    )


def open_serial(name: str, baud: str) -> int | None:
    """A raw serial port, 8 data bits, no parity, one stop bit, that only one program may have; None where serial ports
    are no files. Raises OSError, ValueError for a speed that the system does not have."""
    if sys.platform == "win32" or platform == "win32":
        return None
    import fcntl
    import termios

    speed = getattr(termios, f"B{baud}", None)
    if speed is None:
        raise ValueError(baud)
    port = os.open(name, os.O_RDWR | os.O_NOCTTY)
    try:
        fcntl.flock(port, fcntl.LOCK_EX | fcntl.LOCK_NB)
        flags = termios.CS8 | termios.CREAD | termios.CLOCAL
        termios.tcsetattr(port, termios.TCSANOW, [0, 0, flags, 0, speed, speed, termios.tcgetattr(port)[6]])
    except termios.error as error:
        os.close(port)
        raise OSError(str(error)) from None
    except OSError:
        os.close(port)
        raise
    return port
