"""Raw recordings, kept by their content: objects/ab/cdef... named by SHA-256, written once, never altered."""

import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from earwitness.errors import ArchiveError
from earwitness.files import durable

_SHA256 = re.compile(r"[0-9a-f]{64}")
_CHUNK_BYTES = 2**20
_AT_ONCE = 100


@dataclass(frozen=True, slots=True)
class RecordingStore:
    """The store under `folder`. One content is kept once, under however many names it came."""

    folder: Path

    def path(self, sha256: str) -> Path:
        """Where the content of that hash lies, or would lie. Raises ArchiveError for what is no hash."""
        if not _SHA256.fullmatch(sha256):
            raise ArchiveError(f"{sha256!r} is not a SHA-256", expected="64 hex digits in lower case")
        return self.folder / sha256[:2] / sha256[2:]

    def is_intact(self, sha256: str) -> bool:
        """True if the content is here and still has its hash."""
        return has_hash(self.path(sha256), sha256)

    def put(self, source: Path, *, expected_sha256: str) -> bool:
        """Keep a copy of `source`; True if it was new, False if the content was here already. Raises as `put_all`."""
        return self.put_all({expected_sha256: source}) == 1

    def put_all(self, sources: Mapping[str, Path]) -> int:
        """Keep copies of files by their SHA-256; how many were new.

        A copy is made by reading and writing, never by a link, and read back before it counts. A damaged copy in the
        store is replaced. Raises ArchiveError when a source cannot be read or no longer has its hash, OutputError when
        a copy cannot be written; what was kept in steps before it stays kept.
        """
        new = [(sha256, source) for sha256, source in sources.items() if not self.is_intact(sha256)]
        for first in range(0, len(new), _AT_ONCE):
            step = new[first : first + _AT_ONCE]
            targets = [self.path(sha256) for sha256, _ in step]
            with durable.replacing_all(targets, read_only=True) as made:
                for (sha256, source), target, temporary in zip(step, targets, made, strict=True):
                    if _copy(source, temporary) != sha256:
                        raise ArchiveError.of("archive.recording_changed", where=str(source), sha256=sha256)
                    if hash_of(temporary) != sha256:
                        raise ArchiveError.of("archive.copy_differs", where=str(target))
        return len(new)


def hash_of(path: Path) -> str:
    """SHA-256 of a file, in hex. Raises OSError."""
    with open(path, "rb", buffering=0) as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def has_hash(path: Path, sha256: str) -> bool:
    """Whether the file is there and is that one."""
    try:
        return hash_of(path) == sha256
    except OSError:
        return False


def _copy(source: Path, target: Path) -> str:
    digest = hashlib.sha256()
    try:
        reading = source.open("rb")
    except OSError as error:
        raise ArchiveError.of("archive.recording_unreadable", where=str(source), error=error) from None
    with reading, target.open("xb") as writing:
        while chunk := reading.read(_CHUNK_BYTES):
            digest.update(chunk)
            writing.write(chunk)
    return digest.hexdigest()
