"""Bags after RFC 8493, "The BagIt File Packaging Format (V1.0)": written plainly, read with distrust.

Read with distrust: only plain files, no links; no more and no larger files than a loudspeaker can need; nothing fetched
from elsewhere; every file in every manifest, every hash computed, before anything of it is used.
"""

import hashlib
import os
import re
import stat
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from earwitness.errors import ArchiveError, FormatError
from earwitness.formats.netcdf_probe import probe

MOST_FILES = 50_000
MOST_BYTES = 500 * 2**30
MOST_TAG_BYTES = 64 * 2**20
MOST_ARRAY_BYTES = 2**30
MOST_UNPACKED_BYTES = 4 * 2**30
ARRAY_LIMIT_S = 120.0
DEEPEST = 8
ALGORITHMS = ("md5", "sha1", "sha256", "sha512")
_CHUNK_BYTES = 2**20
_DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
_VERSION = re.compile(r"BagIt-Version: (0\.9[3-7]|1\.0)\r?\nTag-File-Character-Encoding: UTF-8(?:\r?\n)?\Z", re.ASCII)
_LINE = re.compile(r"([0-9a-fA-F]+)[ \t]+\*?(.+)\Z")
_MANIFEST = re.compile(r"(tag)?manifest-([a-z0-9]+)\.txt\Z")


@dataclass(frozen=True, slots=True)
class Payload:
    """A file of the payload that was written. name : its path in the bag, from "data/"."""

    name: str
    sha256: str
    size_bytes: int


def put(folder: Path, name: str, source: Path | bytes, *, sha256: str | None = None) -> Payload:
    """Write a payload file into the bag being made. Raises ArchiveError when `source` has not the hash `sha256`,
    OSError when it cannot be written."""
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    digest = hashlib.sha256()
    size = 0
    with path.open("xb") as writing:
        for chunk in [source] if isinstance(source, bytes) else _chunks(source):
            digest.update(chunk)
            size += len(chunk)
            writing.write(chunk)
        writing.flush()
        os.fsync(writing.fileno())
    if sha256 is not None and digest.hexdigest() != sha256:
        raise _damaged_source(source, "its hash is another")
    return Payload(name, digest.hexdigest(), size)


def write_tags(folder: Path, payload: list[Payload], information: Mapping[str, str]) -> None:
    """Write bagit.txt, bag-info.txt and both manifests. Names must need no escape. Raises OSError."""
    tags = {
        "bagit.txt": _DECLARATION,
        "bag-info.txt": "".join(f"{label}: {value}\n" for label, value in information.items()),
        "manifest-sha256.txt": "".join(f"{one.sha256}  {one.name}\n" for one in sorted(payload, key=lambda p: p.name)),
    }
    lines = [f"{hashlib.sha256(text.encode()).hexdigest()}  {name}\n" for name, text in sorted(tags.items())]
    tags["tagmanifest-sha256.txt"] = "".join(lines)
    for name, text in tags.items():
        with (folder / name).open("xb") as stream:
            stream.write(text.encode())
            stream.flush()
            os.fsync(stream.fileno())


def verified(folder: Path) -> dict[str, str]:
    """SHA-256 of every payload file of the bag at `folder`, by its path from "data/"; all of them were computed.

    Raises FormatError for anything that is not a complete and valid bag of plain files.
    """
    sizes = _plain_files(folder)
    declared = _text(folder, "bagit.txt", sizes)
    if not _VERSION.match(declared):
        raise refusal(folder, "its bagit.txt is none", expected="BagIt-Version 0.93 to 1.0, UTF-8")
    if "fetch.txt" in sizes:
        raise refusal(folder, "it wants files fetched from elsewhere (fetch.txt)", expected="all files in the folder")
    payload = {name for name in sizes if name.startswith("data/")}
    manifests = [(name, found) for name in sorted(sizes) if (found := _MANIFEST.match(name))]
    _need_oxum(folder, sizes, payload)
    computed: dict[str, dict[str, str]] = {}
    for name, found in manifests:
        algorithm, is_tags = found[2], bool(found[1])
        if algorithm not in ALGORITHMS:
            raise refusal(folder, f"{name} uses a hash this program does not know", expected=", ".join(ALGORITHMS))
        listed = _manifest(folder, name, sizes)
        expected = set(listed) if is_tags else payload
        if is_tags and any(n.startswith("data/") or n not in sizes for n in listed):
            raise refusal(folder, f"{name} lists a tag file that is not there")
        if set(listed) != expected:
            odd = sorted(set(listed) ^ expected)[0]
            raise refusal(folder, f"{name} and the files do not agree: {odd!r}")
        for listed_name, digest in sorted(listed.items()):
            if _digest(folder, listed_name, algorithm, computed) != digest:
                raise refusal(folder, f"{listed_name} is not what {name} says: its hash is another")
    if "manifest-sha256.txt" not in sizes:
        raise refusal(folder, "it has no manifest of SHA-256", expected="manifest-sha256.txt")
    return {name: _digest(folder, name, "sha256", computed) for name in sorted(payload)}


def need_modest_arrays(path: Path) -> None:
    """FormatError unless the netCDF-4 file can be read to its end, and its arrays, unpacked, can be held."""
    if path.stat().st_size > MOST_ARRAY_BYTES:
        raise refusal(path, f"it is larger than {MOST_ARRAY_BYTES // 2**20} MiB")
    try:
        size = probe(path, most_unpacked_bytes=MOST_UNPACKED_BYTES, limit_s=ARRAY_LIMIT_S).unpacked_bytes
    except ValueError as error:
        raise refusal(path, f"it is no netCDF-4 file as this program writes it: {error}") from None
    if size > MOST_UNPACKED_BYTES:
        expected = f"at most {MOST_UNPACKED_BYTES // 2**30} GiB"
        raise refusal(path, f"its arrays unpack to {size // 2**30} GiB", expected=expected)


def refusal(where: Path, what: str, *, expected: str = "") -> FormatError:
    """The error for a package that is not taken in."""
    return FormatError(
        f"this package cannot be used: {what}",
        where=str(where),
        expected=expected or "a complete BagIt folder as Earwitness writes it",
        remedy="have it exported and copied again; nothing of it was taken in",
    )


def _plain_files(folder: Path) -> dict[str, int]:
    """Sizes of all files by their path in the bag. Only plain files and folders pass."""
    if folder.is_symlink() or not folder.is_dir():
        raise refusal(folder, "it is not a folder")
    sizes: dict[str, int] = {}
    waiting = [(folder, "", 0)]
    while waiting:
        place, prefix, depth = waiting.pop()
        if depth > DEEPEST:
            raise refusal(folder, f"its folders lie deeper than {DEEPEST}")
        for entry in _entries(place):
            name = prefix + entry.name
            state = entry.stat(follow_symlinks=False)
            if stat.S_ISDIR(state.st_mode):
                waiting.append((Path(entry.path), f"{name}/", depth + 1))
            elif stat.S_ISREG(state.st_mode):
                sizes[name] = state.st_size
            else:
                raise refusal(folder, f"{name!r} is a link or a device, not a file")
            if len(sizes) + len(waiting) > MOST_FILES or sum(sizes.values()) > MOST_BYTES:
                raise refusal(folder, f"it holds more than {MOST_FILES} files or {MOST_BYTES // 2**30} GiB")
    return sizes


def _entries(place: Path) -> list[os.DirEntry[str]]:
    try:
        with os.scandir(place) as found:
            return sorted(found, key=lambda entry: entry.name)
    except OSError as error:
        raise refusal(place, f"it cannot be read: {error.strerror}") from None


def _need_oxum(folder: Path, sizes: dict[str, int], payload: set[str]) -> None:
    """RFC 8493, 2.2.2: Payload-Oxum is size and number of the payload files."""
    if "bag-info.txt" not in sizes:
        return
    found = re.findall(r"(?im)^Payload-Oxum[ \t]*:[ \t]*(.*?)[ \t]*$", _text(folder, "bag-info.txt", sizes))
    actual = f"{sum(sizes[name] for name in payload)}.{len(payload)}"
    if any(oxum != actual for oxum in found):
        raise refusal(folder, f"its payload has not the size it says: {found[0]} is {actual}")


def _manifest(folder: Path, name: str, sizes: dict[str, int]) -> dict[str, str]:
    listed: dict[str, str] = {}
    for number, line in enumerate(re.split(r"\r\n|\n|\r", _text(folder, name, sizes)), 1):
        if not line.strip():
            continue
        found = _LINE.match(line)
        if not found:
            raise refusal(folder, f"{name}, line {number} is none of a manifest")
        # RFC 8493, 2.1.3: line feed, carriage return and percent sign are percent-encoded in a manifest.
        path = re.sub("%(0A|0D|25)", lambda code: chr(int(code[1], 16)), found[2], flags=re.IGNORECASE)
        parts = path.split("/")
        if path.startswith(("/", "~")) or "\\" in path or ":" in path or {"", ".", ".."} & set(parts):
            raise refusal(folder, f"{name}, line {number} names a file outside the package: {path!r}")
        if path in listed:
            raise refusal(folder, f"{name} lists {path!r} twice")
        listed[path] = found[1].lower()
    same = {unicodedata.normalize("NFC", path).casefold() for path in listed}
    if len(same) != len(listed):
        raise refusal(folder, f"{name} lists names that some disks cannot tell apart")
    return listed


def _digest(folder: Path, name: str, algorithm: str, computed: dict[str, dict[str, str]]) -> str:
    known = computed.setdefault(name, {})
    if algorithm not in known:
        try:
            with (folder / name).open("rb") as stream:
                known[algorithm] = hashlib.file_digest(stream, algorithm).hexdigest()
        except OSError as error:
            raise refusal(folder, f"{name} cannot be read: {error.strerror}") from None
    return known[algorithm]


def _text(folder: Path, name: str, sizes: dict[str, int]) -> str:
    if name not in sizes:
        raise refusal(folder, f"it has no {name}")
    try:
        return limited(folder / name, MOST_TAG_BYTES).decode("utf-8")
    except UnicodeDecodeError:
        raise refusal(folder, f"{name} is not UTF-8") from None


def limited(path: Path, most: int) -> bytes:
    """Content of a file of the bag, `most` bytes. Raises FormatError when it is larger or cannot be read."""
    try:
        with path.open("rb") as stream:
            data = stream.read(most + 1)
    except OSError as error:
        raise refusal(path, f"it cannot be read: {error.strerror}") from None
    if len(data) > most:
        raise refusal(path, f"it is larger than {most // 2**20} MiB")
    return data


def _chunks(source: Path) -> Any:
    try:
        with source.open("rb") as stream:
            while chunk := stream.read(_CHUNK_BYTES):
                yield chunk
    except FileNotFoundError:
        raise _damaged_source(source, "it is missing") from None


def _damaged_source(source: Path | bytes, why: str) -> ArchiveError:
    return ArchiveError.of("archive.file_damaged", where=str(source) if isinstance(source, Path) else "", why=why)
