"""A session folder that arrives file by file: kept beside the archive until it is taken in, and checked as a whole."""

import re
import secrets
import shutil
from collections.abc import AsyncIterable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from earwitness.errors import InputError, OutputError
from earwitness.files.durable import make_folder, replacing
from earwitness.files.system import is_name_everywhere

INCOMING = "incoming"
MOST_FILES = 5000
MOST_DEPTH = 4
_PART = re.compile(r"[^\x00-\x1f\x7f/\\:*?\"<>|]{1,120}")
_KEY = re.compile(r"[A-Za-z0-9_-]{12,40}")


@dataclass(frozen=True, slots=True)
class Arrived:
    """A file of a folder that is arriving. name : path inside the folder, with forward slashes."""

    name: str
    size_bytes: int


def begin_upload(archive_folder: Path) -> str:
    """A new place for a folder to arrive in; its key. Raises OutputError where it cannot be made."""
    key = secrets.token_urlsafe(12)
    make_folder(archive_folder / INCOMING / key, failed=_unwritable)
    return key


def upload_folder(archive_folder: Path, key: str) -> Path:
    """Where an arriving folder lies. Raises InputError for a key that was never given out."""
    folder = archive_folder / INCOMING / key
    if not _KEY.fullmatch(key) or not folder.is_dir():
        raise InputError("this upload is not known", remedy="drop the folder again")
    return folder


async def receive_file(archive_folder: Path, key: str, name: str, body: AsyncIterable[bytes]) -> Arrived:
    """Take one file in as it comes; a name that is there already is replaced once the new one is whole.

    Raises InputError for a name that leads elsewhere or too many files, OutputError where it cannot be written.
    """
    folder = upload_folder(archive_folder, key)
    path = folder.joinpath(*_parts(name))
    if sum(1 for one in folder.rglob("*") if one.is_file()) >= MOST_FILES:
        raise InputError("the folder holds too many files", expected=f"at most {MOST_FILES}", where=name[:200])
    size = 0
    with replacing(path, failed=_unwritable) as beside, beside.open("xb") as stream:
        async for piece in body:
            stream.write(piece)
            size += len(piece)
    return Arrived("/".join(_parts(name)), size)


def arrived_files(archive_folder: Path, key: str) -> tuple[Arrived, ...]:
    """What has arrived so far, by name."""
    folder = upload_folder(archive_folder, key)
    files = sorted(p for p in folder.rglob("*") if p.is_file() and not p.name.startswith("."))
    return tuple(Arrived(p.relative_to(folder).as_posix(), p.stat().st_size) for p in files)


def session_root(folder: Path) -> Path:
    """The folder with session.toml: the one given, or the only one inside it that has it."""
    if (folder / "session.toml").is_file():
        return folder
    inside = sorted(p.parent for p in folder.glob("*/session.toml"))
    return inside[0] if len(inside) == 1 else folder


def discard_upload(archive_folder: Path, key: str) -> None:
    """Take an arriving folder away."""
    shutil.rmtree(upload_folder(archive_folder, key), ignore_errors=True)


def _parts(name: str) -> tuple[str, ...]:
    parts = PurePosixPath(name).parts
    bad = not is_name_everywhere(name) or len(parts) > MOST_DEPTH
    if bad or any(part in {".", "..", "/"} or not _PART.fullmatch(part) or part.startswith(".") for part in parts):
        raise InputError.of("bench.file_name_unusable", where=name[:200], most_depth=MOST_DEPTH)
    return parts


def _unwritable(path: Path, error: OSError) -> OutputError:
    return OutputError.of("bench.arrived_not_kept", where=str(path), reason=error.strerror or error)
