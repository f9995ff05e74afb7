"""A second archive folder that holds what the first one held at one moment, verified, made while it is in use.

Order: a snapshot of the catalogue, then every file it names, then the catalogue of the target in one SQLite
transaction. A run that is stopped leaves the former backup whole, with at most files that nothing names yet.
"""

import contextlib
import hashlib
import sqlite3
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy.exc import DatabaseError

from earwitness.archive import database
from earwitness.archive.catalogue import CATALOGUE, Archive, _inside
from earwitness.archive.integrity import IntegrityFault, Progress
from earwitness.archive.recordings import RecordingStore, has_hash
from earwitness.errors import ArchiveError, cannot_write
from earwitness.files import durable
from earwitness.files.system import sync_folder

_KEPT_AGAIN_ATTEMPTS = 3
# The counts of BackupReport, while they grow.
_Tally = Counter[str]
_LOCK = "backup.lock"
# What a backup would write over: whatever the target holds of these and the archive does not.
_ENTRIES = {
    "session": "SELECT key FROM session",
    "result": "SELECT step_key FROM result",
    "publication": "SELECT digest FROM publication",
    "listening sheet": "SELECT sha256 FROM listening_sheet",
    "first showing of data": "SELECT folded_name || char(10) || folded_maker FROM data_opening",
    "entry": "SELECT key || char(10) || saved_at || char(10) || value FROM draft_state",
}


@dataclass(frozen=True, slots=True)
class BackupReport:
    """What a backup did.

    copied : files written; reused : files that were there with their hash; bytes_written : size of those copied;
    damage : files of the archive that are lost or damaged and that the target does not hold either
    """

    target: Path
    sessions: int
    copied: int
    reused: int
    bytes_written: int
    damage: tuple[IntegrityFault, ...]

    @property
    def is_whole(self) -> bool:
        """True when the backup holds every file its catalogue names."""
        return not self.damage


def backup(archive: Archive, target: Path, *, progress: Progress | None = None) -> BackupReport:
    """Bring `target` to what `archive` holds now; `archive` may be in use, also by other processes.

    The target is an archive folder like any other. Only what it lacks is written; every file in it is read back and
    its hash compared. A file that is damaged in `archive` but whole in the target stays whole there; one damaged
    in both is in the report, and all else is backed up. Raises ArchiveError when `target` holds another archive or
    is part of this one, OutputError when it cannot be written.
    """
    target = target.resolve()
    if target.is_relative_to(archive.folder) or archive.folder.is_relative_to(target):
        raise ArchiveError.of("archive.backup_inside", where=str(target))
    durable.make_folder(target)
    for part in ("objects", "arrays"):
        durable.make_folder(target / part)
    tally = _Tally(copied=0, reused=0, bytes_written=0)
    with _alone(target), _snapshot_in(target) as path:
        durable.clean(target)
        _take_snapshot(archive, path, target)
        damage = _copy_recordings(archive, path, target, tally, progress)
        damage += _copy_arrays(archive, path, target, tally)
        sessions = _publish(path, target)
        _drop_former_arrays(target)
    return BackupReport(target, sessions, **tally, damage=tuple(damage))


@contextlib.contextmanager
def _alone(target: Path) -> Iterator[None]:
    """Keep a second backup to the same target waiting. The lock is SQLite's: it goes with the process."""
    with closing(sqlite3.connect(target / _LOCK, timeout=database.BUSY_TIMEOUT_MS / 1000)) as lock:
        try:
            lock.execute("BEGIN EXCLUSIVE")
        except sqlite3.Error as error:
            raise database.database_error(DatabaseError("backup", None, error), target / _LOCK) from error
        yield


@contextlib.contextmanager
def _snapshot_in(target: Path) -> Iterator[Path]:
    path = target / durable.temporary_name(".sqlite")
    try:
        yield path
    except sqlite3.Error as error:
        raise database.database_error(DatabaseError("backup", None, error), target / CATALOGUE) from error
    finally:
        for left in (path, *(path.with_name(path.name + end) for end in ("-wal", "-shm", "-journal"))):
            with contextlib.suppress(OSError):
                left.unlink(missing_ok=True)


def _take_snapshot(archive: Archive, path: Path, target: Path) -> None:
    """Copy the catalogue as it is at one moment. Raises ArchiveError when the target has what it lacks."""
    with closing(_connect(archive.folder / CATALOGUE)) as source, closing(_connect(path)) as snapshot:
        source.backup(snapshot)
        # Without a write-ahead log, the snapshot is one file, and stays so.
        snapshot.execute("PRAGMA journal_mode = DELETE")
        if snapshot.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok":
            raise ArchiveError.of("archive.damaged_before_backup", where=str(archive.folder / CATALOGUE))
        held = _entries_of(snapshot)
    if not (target / CATALOGUE).is_file():
        return
    Archive.open(target, create=False).close()
    with closing(_connect(target / CATALOGUE)) as catalogue:
        strangers = {kind: len(found - held[kind]) for kind, found in _entries_of(catalogue).items()}
    if any(strangers.values()):
        raise ArchiveError.of("archive.target_holds_more", where=str(target), counted=_counted(strangers))


def _entries_of(catalogue: sqlite3.Connection) -> dict[str, set[str]]:
    return {kind: {str(row[0]) for row in catalogue.execute(query)} for kind, query in _ENTRIES.items()}


def _counted(counts: Mapping[str, int]) -> str:
    plural = {"entry": "entries", "first showing of data": "first showings of data"}
    return ", ".join(
        f"{count} {kind if count == 1 else plural.get(kind, f'{kind}s')}" for kind, count in counts.items() if count
    )


def _copy_recordings(
    archive: Archive, snapshot: Path, target: Path, tally: _Tally, progress: Progress | None
) -> list[IntegrityFault]:
    with closing(_connect(snapshot)) as connection:
        wanted = connection.execute("SELECT sha256, size_bytes FROM recording ORDER BY sha256").fetchall()
    store = RecordingStore(target / "objects")
    total, done = sum(size for _, size in wanted), 0
    damage = []
    for sha256, size in wanted:
        source = archive.recordings.path(sha256)
        try:
            is_new = store.put(source, expected_sha256=sha256)
            tally["copied" if is_new else "reused"] += 1
            tally["bytes_written"] += size if is_new else 0
        except ArchiveError:
            where = source.relative_to(archive.folder).as_posix()
            what = "a recording is lost or damaged, here and in the backup"
            damage.append(IntegrityFault("damage", what, where, "add its session folder again"))
        done += size
        if progress is not None:
            progress(done, total)
    return damage


def _copy_arrays(archive: Archive, snapshot: Path, target: Path, tally: _Tally) -> list[IntegrityFault]:
    damage = []
    with closing(_connect(snapshot)) as connection:
        query = "SELECT id, step_key, array_file, array_sha256 FROM result WHERE array_file IS NOT NULL ORDER BY id"
        for number, key, file, sha256 in connection.execute(query).fetchall():
            try:
                _inside(file)
            except ArchiveError as error:
                damage.append(IntegrityFault("damage", error.what, str(file), error.remedy))
                continue
            kept, digest = _copy_array(archive, target, number, (key, file, sha256), tally)
            if not digest:
                what = "a stored result is lost or damaged, here and in the backup"
                damage.append(
                    IntegrityFault("damage", what, file, "earwitness archive rebuild: the recordings are kept")
                )
            elif (kept, digest) != (file, sha256):
                change = "UPDATE result SET array_file = ?, array_sha256 = ? WHERE id = ?"
                connection.execute(change, (kept, digest, number))
                connection.commit()
    return damage


def _copy_array(
    archive: Archive, target: Path, number: int, named: tuple[str, str, str], tally: _Tally
) -> tuple[str, str]:
    """Name and hash under which the target now holds a result; no hash when it is damaged.

    A result may be kept again meanwhile (its bytes differ from run to run), so its hash is asked for anew. A file that
    the former catalogue of the target still names is not written over: the new one lies beside it.
    """
    key, file, sha256 = named
    for _ in range(_KEPT_AGAIN_ATTEMPTS):
        beside = f"arrays/{key[:2]}/{key}-{sha256[:16]}.nc"
        for name in (file, beside):
            if has_hash(target / name, sha256):
                tally["reused"] += 1
                return name, sha256
        data = _read(archive.folder / file)
        if hashlib.sha256(data).hexdigest() == sha256:
            name = beside if (target / file).exists() else file
            durable.write_bytes(target / name, data)
            if has_hash(target / name, sha256):
                tally["copied"] += 1
                tally["bytes_written"] += len(data)
                return name, sha256
            break
        with closing(_connect(archive.folder / CATALOGUE)) as source:
            row = source.execute("SELECT array_file, array_sha256 FROM result WHERE id = ?", (number,)).fetchone()
        if row is None or tuple(row) == (file, sha256):
            break
        file, sha256 = row
    return file, ""


def _publish(snapshot: Path, target: Path) -> int:
    """Make the snapshot the catalogue of the target, in one transaction; returns its count of sessions."""
    with closing(_connect(snapshot)) as source, closing(_connect(target / CATALOGUE)) as catalogue:
        catalogue.execute("PRAGMA synchronous = FULL")
        source.backup(catalogue)
        faults = catalogue.execute("PRAGMA integrity_check(1)").fetchone()[0]
        if faults != "ok" or catalogue.execute("PRAGMA foreign_key_check").fetchone():
            raise ArchiveError.of("archive.backup_differs", where=str(target / CATALOGUE), faults=faults)
        sessions = int(catalogue.execute("SELECT count(*) FROM session").fetchone()[0])
    try:
        sync_folder(target)
    except OSError as error:
        raise cannot_write("the file", target, error) from error
    # Opened once as an archive: the write-ahead log is back, and the schema is one this program knows.
    Archive.open(target, create=False).close()
    return sessions


def _drop_former_arrays(target: Path) -> None:
    # Under the write lock: a program that uses the target as its archive must not lose a result it is keeping.
    with closing(_connect(target / CATALOGUE)) as catalogue:
        catalogue.execute("BEGIN IMMEDIATE")
        named = {row[0] for row in catalogue.execute("SELECT array_file FROM result")}
        for path in (target / "arrays").glob("*/*.nc"):
            if path.relative_to(target).as_posix() not in named:
                with contextlib.suppress(OSError):
                    path.unlink()


def _connect(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, timeout=database.BUSY_TIMEOUT_MS / 1000)
    connection.execute("PRAGMA foreign_keys = ON")
    return connection


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError:
        return b""
