"""Files that are there whole or not at all."""

from __future__ import annotations

import os
import secrets
from contextlib import suppress
from pathlib import Path

from earwitness.errors import OutputError


def write_whole(path: Path, content: bytes) -> Path:
    """Write `content` beside `path` and rename it into place; the path. OutputError where the disk refuses."""
    path = Path(path)
    part = path.with_name(f".{path.name}-{os.getpid()}-{secrets.token_hex(4)}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with part.open("wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        part.replace(path)
    except OSError as error:
        raise OutputError(
            f"the file could not be written: {error.strerror or error}",
            where=str(path),
            expected="a place that may be written, on a disk with room",
            remedy="free some space or give another place; what was there before is untouched",
        ) from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
    return path
