"""The SQLite file of an archive: opened the safe way, and brought to the present schema."""

import os
import sqlite3
import time
from functools import lru_cache
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import DatabaseError, OperationalError

from earwitness.archive.migrations import REVISIONS, make
from earwitness.errors import ArchiveError, EarwitnessError, OutputError
from earwitness.files.system import sync_folder

BUSY_TIMEOUT_MS = 30_000
_WAL_ATTEMPTS = 50
_SQLITE_BUSY, _SQLITE_READONLY, _SQLITE_IOERR, _SQLITE_FULL, _SQLITE_CANTOPEN = 5, 8, 10, 13, 14


def open_database(path: Path) -> Engine:
    """Engine on the catalogue at `path`, made or migrated where needed; two processes may do so at once.

    Every connection has WAL, foreign keys, a busy timeout and full synchronization set and read back. Writes go
    through `writing(engine)`. Raises ArchiveError for a damaged file, one of a later program, or a disk that
    cannot hold such a file; OutputError when it cannot be written.
    """
    engine = _engine_of(path)
    try:
        with engine.connect() as connection:
            found = _revision(connection, path)
        if found != REVISIONS[-1]:
            with writing(engine).begin() as connection:
                _migrate(connection, path)
    except DatabaseError as error:
        engine.dispose()
        raise database_error(error, path) from error
    except UnicodeDecodeError as error:
        # SQLite tells of a damaged schema in bytes that are no text.
        engine.dispose()
        raise _damaged(path, "its schema is not text") from error
    except MemoryError as error:
        engine.dispose()
        raise too_large(path) from error
    except EarwitnessError:
        engine.dispose()
        raise
    return engine


def _engine_of(path: Path) -> Engine:
    """The engine of this very file in this process, so that its questions are compiled once and not at every opening.

    A file that was put in the place of another is another file; a child process has connections of its own.
    """
    try:
        found = path.stat()
    except OSError:
        return _new_engine(str(path))
    return _kept_engine(str(path.absolute()), found.st_dev, found.st_ino, os.getpid())


@lru_cache(maxsize=8)
def _kept_engine(path: str, _device: int, _inode: int, _process: int) -> Engine:
    return _new_engine(path)


def _new_engine(path: str) -> Engine:
    engine = create_engine(f"sqlite:///{path}", connect_args={"timeout": BUSY_TIMEOUT_MS / 1000})
    event.listen(engine, "connect", _prepare)
    event.listen(engine, "begin", _begin)
    return engine


def writing(engine: Engine) -> Engine:
    """The same engine, with transactions that take the write lock at their start."""
    return engine.execution_options(earwitness_begin="BEGIN IMMEDIATE")


def database_error(error: DatabaseError, path: Path) -> EarwitnessError:
    """`error` in plain words."""
    code = getattr(error.orig, "sqlite_errorcode", 0) & 0xFF
    if code == _SQLITE_FULL:
        return OutputError.of("archive.disk_full", where=str(path))
    if code in {_SQLITE_READONLY, _SQLITE_CANTOPEN}:
        return OutputError.of("archive.catalogue_read_only", where=str(path))
    if code == _SQLITE_IOERR:
        return OutputError.of("archive.disk_fault", where=str(path), error=error)
    if code == _SQLITE_BUSY:
        return ArchiveError.of("archive.busy", where=str(path), timeout_s=BUSY_TIMEOUT_MS // 1000)
    return _damaged(path, str(error.orig))


def too_large(path: Path) -> ArchiveError:
    """For a catalogue of which SQLite asks more memory than it gets, as some damage makes it do."""
    return _damaged(path, "reading it takes more memory than there is")


def _damaged(path: Path, reason: str) -> ArchiveError:
    return ArchiveError.of("archive.catalogue_damaged", where=str(path), reason=reason)


def _prepare(connection: sqlite3.Connection, _record: object) -> None:
    """Set what SQLite leaves off, and check the answer: a pragma that fails is silent."""
    connection.isolation_level = None
    # A cache of 64 MiB holds the index of 10,000 loudspeakers; SQLite's own of 2 MB reads it anew for each question.
    wanted = {"busy_timeout": BUSY_TIMEOUT_MS, "foreign_keys": 1, "synchronous": 2, "cache_size": -65_536}
    for name, value in wanted.items():
        connection.execute(f"PRAGMA {name} = {value}")
    mode = _set_wal(connection)
    found = {name: connection.execute(f"PRAGMA {name}").fetchone()[0] for name in wanted}
    if mode != "wal" or found != wanted:
        raise ArchiveError.of("archive.unsafe_disk", mode=mode, found=found, wanted=wanted)


def _set_wal(connection: sqlite3.Connection) -> str:
    """Switch to WAL. The switch itself does not wait for another process that is switching too."""
    for attempt in range(_WAL_ATTEMPTS):
        try:
            return str(connection.execute("PRAGMA journal_mode = WAL").fetchone()[0])
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF != _SQLITE_BUSY or attempt == _WAL_ATTEMPTS - 1:
                raise
            time.sleep(0.05)
    return "unknown"


def _begin(connection: Connection) -> None:
    connection.exec_driver_sql(connection.get_execution_options().get("earwitness_begin", "BEGIN"))


def _revision(connection: Connection, path: Path) -> str | None:
    """The schema the file has, None for an empty file. Raises ArchiveError for one this program does not know."""
    try:
        rows = connection.exec_driver_sql("SELECT version_num FROM alembic_version").fetchall()
    except OperationalError as error:
        if "no such table" not in str(error.orig):
            raise
        tables = connection.exec_driver_sql("SELECT count(*) FROM sqlite_master WHERE type = 'table'").scalar_one()
        if not tables:
            return None
        raise ArchiveError.of("archive.no_catalogue", where=str(path)) from None
    found = str(rows[0][0]) if rows else None
    if found is not None and found not in REVISIONS:
        raise ArchiveError.of("archive.later_schema", where=str(path), found=found, latest=REVISIONS[-1])
    return found


def _migrate(connection: Connection, path: Path) -> None:
    # Another process may have migrated while this one waited for the lock.
    found = _revision(connection, path)
    if found == REVISIONS[-1]:
        return
    if found is None and not connection.exec_driver_sql("SELECT count(*) FROM sqlite_master").scalar_one():
        make(connection)
        sync_folder(path.parent)
        return
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).with_name("migrations")).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
    sync_folder(path.parent)
