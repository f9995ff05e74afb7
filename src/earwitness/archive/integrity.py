"""Does the archive still hold what it says? Every hash and every relation, and what nothing names."""

import hashlib
import json
import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from sqlalchemy import select
from sqlalchemy.orm import Session as Work

from earwitness.archive import catalogue, schema
from earwitness.archive.catalogue import Archive
from earwitness.archive.choose import folded
from earwitness.archive.recordings import hash_of
from earwitness.archive.search import index_faults
from earwitness.errors import ArchiveError, choice
from earwitness.files import durable
from earwitness.session.session import Session

MOST_THREADS = 4
SEVERITIES = ("damage", "leftover")
_COUNTED: dict[str, Any] = {
    "loudspeakers": schema.LoudspeakerRow,
    "sessions": schema.SessionRow,
    "recordings": schema.RecordingRow,
    "results": schema.ResultRow,
    "publications": schema.PublicationRow,
}
Progress = Callable[[int, int], None]
Seal = Callable[[str, str], str]
_ADD_AGAIN = "add the session folder again, or restore a backup"
_REBUILD = "earwitness archive rebuild: the recordings are kept"
_INDEX = "earwitness archive rebuild: the index is made from results that are kept"
_RESTORE = "restore a backup"
_UNUSED = "it takes space and nothing else; it may be removed while no other program uses the archive"


@dataclass(frozen=True, slots=True)
class IntegrityFault:
    """One thing that is not as it should be.

    severity : "damage" (something acknowledged is lost or wrong) or "leftover" (a file that nothing names)
    where : path inside the archive, or table and row
    """

    severity: str
    what: str
    where: str
    remedy: str

    def __post_init__(self) -> None:
        choice("severity", self.severity, SEVERITIES)

    def __str__(self) -> str:
        return f"{self.severity}: {self.what}\n    where: {self.where}\n    to do: {self.remedy}"


@dataclass(frozen=True, slots=True)
class CheckReport:
    """What `check` looked at and found. bytes_read : size of all files whose hash was taken."""

    loudspeakers: int
    sessions: int
    recordings: int
    results: int
    publications: int
    bytes_read: int
    findings: tuple[IntegrityFault, ...]

    @property
    def is_sound(self) -> bool:
        """True when nothing acknowledged is lost or wrong; leftovers do not count."""
        return not self.damage

    @property
    def damage(self) -> tuple[IntegrityFault, ...]:
        """The findings that matter."""
        return tuple(f for f in self.findings if f.severity == "damage")

    @property
    def leftovers(self) -> tuple[IntegrityFault, ...]:
        """Files that nothing names."""
        return tuple(f for f in self.findings if f.severity == "leftover")


@dataclass(frozen=True, slots=True)
class _Named:
    """A file that the catalogue names. size_bytes : None where the catalogue does not say."""

    path: Path
    sha256: str
    size_bytes: int | None
    what: str
    remedy: str


def check(archive: Archive, *, progress: Progress | None = None, seal: Seal | None = None) -> CheckReport:
    """Verify every hash and relation of `archive`; it may be in use meanwhile.

    progress : told (bytes done, bytes in all) as files are read; seal : hash of a listening sheet from its facts and
    time, None to leave sheets unverified. A catalogue too damaged to be read is a finding, not
    an error. Raises ArchiveError when another program holds the archive for too long.
    """
    # Listed before the catalogue is read: what is added in between is then named, not a leftover.
    present = _files_below(archive.folder)
    findings = _database_findings(archive)
    counts = dict.fromkeys(_COUNTED, 0)
    named: list[_Named] = []
    try:
        with archive.reading() as work:
            findings += _row_findings(work)
            for owner in work.scalars(select(schema.LoudspeakerRow).order_by(schema.LoudspeakerRow.id)):
                told = (f"{owner.maker} {owner.name}: {what}" for what in index_faults(work, owner.id))
                findings += [IntegrityFault("damage", what, f"loudspeaker {owner.id}", _INDEX) for what in told]
            for row in work.scalars(select(schema.ListeningSheetRow).order_by(schema.ListeningSheetRow.id)):
                if seal is not None and seal(row.facts, row.sealed_at) != row.sha256:
                    what = "a listening sheet does not fit its seal"
                    findings.append(IntegrityFault("damage", what, f"listening sheet {row.id}", _RESTORE))
            named += _named(archive, work)
            counts = {name: work.query(row).count() for name, row in _COUNTED.items()}
    except ArchiveError as error:
        findings.append(IntegrityFault("damage", error.what, catalogue.CATALOGUE, error.remedy))
    else:
        findings += _leftovers(archive, present, {file.path for file in named})
    read, found = _file_findings(archive, named, progress)
    return CheckReport(**counts, bytes_read=read, findings=tuple(findings + found))


def _database_findings(archive: Archive) -> list[IntegrityFault]:
    """What SQLite itself finds (sqlite.org, "Pragma statements": integrity_check, foreign_key_check)."""
    try:
        with archive.reading() as work:
            connection = work.connection()
            said = [str(row[0]) for row in connection.exec_driver_sql("PRAGMA integrity_check(100)")]
            broken = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
    except ArchiveError as error:
        return [IntegrityFault("damage", error.what, catalogue.CATALOGUE, error.remedy)]
    found = [
        IntegrityFault("damage", f"SQLite: {text}", catalogue.CATALOGUE, _RESTORE) for text in said if text != "ok"
    ]
    for table, row, parent, _ in broken:
        what = f"a row names a {parent} that is not there"
        found.append(IntegrityFault("damage", what, f"table {table}, row {row}", _RESTORE))
    return found


def _row_findings(work: Work) -> list[IntegrityFault]:
    found: list[IntegrityFault] = []
    for session in work.scalars(select(schema.SessionRow).order_by(schema.SessionRow.id)).yield_per(50):
        found += (
            IntegrityFault("damage", w, f"session {session.id}", _ADD_AGAIN) for w in _session_faults(work, session)
        )
    for result in work.scalars(select(schema.ResultRow).order_by(schema.ResultRow.id)).yield_per(200):
        found += (IntegrityFault("damage", w, f"result {result.id}", _REBUILD) for w in _result_faults(result))
    numbers: dict[int, int] = {}
    order = (schema.PublicationRow.loudspeaker_id, schema.PublicationRow.number)
    for row in work.scalars(select(schema.PublicationRow).order_by(*order)).yield_per(50):
        where = f"publication {row.id}"
        if hashlib.sha256(row.document.encode()).hexdigest() != row.digest:
            found.append(IntegrityFault("damage", "a published document is not what was published", where, _RESTORE))
        numbers[row.loudspeaker_id] = numbers.get(row.loudspeaker_id, 0) + 1
        if row.number != numbers[row.loudspeaker_id]:
            found.append(IntegrityFault("damage", "a publication before this one is missing", where, _RESTORE))
            numbers[row.loudspeaker_id] = row.number
    return found


def _session_faults(work: Work, row: schema.SessionRow) -> Iterator[str]:
    try:
        session = Session.model_validate_json(json.dumps(row.facts))
    except ValidationError as error:
        yield f"its facts cannot be read: {error.errors()[0]['msg']}"
        return
    if not catalogue.is_key_of(row.key, row.facts, session) or session.date != row.date:
        yield "its facts are not those that were taken in"
    spoken = session.loudspeaker
    owner = work.get(schema.LoudspeakerRow, row.loudspeaker_id)
    own = (folded(spoken.name), folded(spoken.maker))
    if owner is not None and (owner.folded_name, owner.folded_maker) != own:
        yield "it hangs on another loudspeaker than its facts name"
    files = select(schema.SessionFileRow).where(schema.SessionFileRow.session_id == row.id)
    if {file.name: file.sha256 for file in work.scalars(files)} != catalogue._files_of(session):
        yield "its list of files is not that of its facts"
    takes = select(schema.TakeRow).where(schema.TakeRow.session_id == row.id).order_by(schema.TakeRow.position)
    had = [(t.position, t.name, t.kind, t.sha256) for t in work.scalars(takes)]
    if had != [(position, t.id, t.kind, t.sha256) for position, t in enumerate(session.takes)]:
        yield "its list of takes is not that of its facts"


def _result_faults(row: schema.ResultRow) -> Iterator[str]:
    if catalogue._result(row).step.key != row.step_key:
        yield "its step is not the one it was kept under"
    if (row.array_file is None) == (row.document is None) or (row.array_file is None) != (row.array_sha256 is None):
        yield "it holds neither arrays nor a document, or both"
    if row.document is not None:
        try:
            json.loads(row.document)
        except ValueError:
            yield "its document cannot be read"


def _named(archive: Archive, work: Work) -> Iterator[_Named]:
    """Every file that the catalogue names: recordings, then results."""
    for row in work.scalars(select(schema.RecordingRow).order_by(schema.RecordingRow.sha256)):
        yield _Named(archive.recordings.path(row.sha256), row.sha256, row.size_bytes, "a recording", _ADD_AGAIN)
    query = select(schema.ResultRow.array_file, schema.ResultRow.array_sha256).where(
        schema.ResultRow.array_file.is_not(None)
    )
    for file, sha256 in work.execute(query.order_by(schema.ResultRow.id)):
        yield _Named(archive.folder / catalogue._inside(file), str(sha256), None, "a stored result", _REBUILD)


def _file_findings(
    archive: Archive, named: list[_Named], progress: Progress | None
) -> tuple[int, list[IntegrityFault]]:
    """Bytes read and findings, hashing several files at once (hashlib lets go of the interpreter meanwhile)."""
    total = sum(_size(file.path) for file in named)
    done = 0
    found = []
    with ThreadPoolExecutor(min(MOST_THREADS, os.cpu_count() or 1)) as pool:
        for file, (fault, size) in zip(named, pool.map(_file_fault, named), strict=True):
            done += size
            if progress is not None:
                progress(done, total)
            if fault and not _was_written_anew(archive, file):
                where = file.path.relative_to(archive.folder).as_posix()
                found.append(IntegrityFault("damage", f"{file.what} {fault}", where, file.remedy))
    return done, found


def _file_fault(file: _Named) -> tuple[str, int]:
    try:
        size = file.path.stat().st_size
        if file.size_bytes is not None and size != file.size_bytes:
            return f"has {size} bytes instead of {file.size_bytes}", size
        return ("" if hash_of(file.path) == file.sha256 else "is damaged: its hash is another"), size
    except FileNotFoundError:
        return "is missing", 0
    except (OSError, ValueError) as error:
        return f"cannot be read: {getattr(error, 'strerror', error)}", 0


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except (OSError, ValueError):
        return 0


def _was_written_anew(archive: Archive, file: _Named) -> bool:
    """Whether a result was only kept again since its hash was read from the catalogue."""
    if file.size_bytes is not None:
        return False
    relative = file.path.relative_to(archive.folder).as_posix()
    with archive.writing() as work:
        now = work.scalar(select(schema.ResultRow.array_sha256).where(schema.ResultRow.array_file == relative))
        return now not in (None, file.sha256) and not _file_fault(_Named(file.path, str(now), None, "", ""))[0]


def _files_below(folder: Path) -> list[Path]:
    found: list[Path] = []
    for part in ("objects", "arrays"):
        found += sorted(p for p in (folder / part).rglob("*") if p.is_symlink() or not p.is_dir())
    return found


def _leftovers(archive: Archive, present: Iterable[Path], named: set[Path]) -> Iterator[IntegrityFault]:
    for path in present:
        where = path.relative_to(archive.folder).as_posix()
        state = durable.state_of(path)
        if state == "dead":
            what, remedy = "a file that a stopped program left half written", "adding a session clears it away"
            yield IntegrityFault("leftover", what, where, remedy)
        elif state == "" and path not in named and path.exists():
            yield IntegrityFault("leftover", "a file that the catalogue does not name", where, _UNUSED)
