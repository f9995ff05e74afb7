"""Catalogues as earlier programs made them, for tests of what becomes of them."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from alembic import command
from alembic.config import Config

from earwitness.archive import database, migrations
from earwitness.archive.catalogue import CATALOGUE


def tables_of(path: Path) -> dict[str, set[str]]:
    """Columns of every table."""
    with closing(sqlite3.connect(path)) as plain:
        names = [row[0] for row in plain.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {name: {row[1] for row in plain.execute(f"PRAGMA table_info({name})")} for name in names}


def rows_of(path: Path, table: str, columns: list[str]) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as plain:
        return sorted(plain.execute(f"SELECT {', '.join(columns)} FROM {table}"), key=repr)


def at_revision(folder: Path, revision: str) -> Path:
    """An empty catalogue as the program of that revision made it."""
    folder.mkdir()
    engine = database.create_engine(f"sqlite:///{folder / CATALOGUE}")
    config = Config()
    config.set_main_option("script_location", str(Path(migrations.__file__).parent))
    config.set_main_option("path_separator", "os")
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, revision)
    engine.dispose()
    return folder / CATALOGUE


def copied_rows(newest: Path, path: Path) -> dict[str, list[str]]:
    """Fill the empty catalogue at `path` with the rows of a newer one, as far as it has their columns, which are
    returned by table."""
    had = {name: sorted(columns) for name, columns in tables_of(path).items() if not name.startswith("summary_text")}
    had.pop("alembic_version")
    with closing(sqlite3.connect(path)) as plain:
        plain.execute("ATTACH ? AS later", (str(newest),))
        # Parents first, as the tables stand in the newest schema.
        for name in sorted(had, key=list(tables_of(newest)).index):
            columns = ", ".join(had[name])
            plain.execute(f"INSERT INTO main.{name} ({columns}) SELECT {columns} FROM later.{name}")
        plain.commit()
    return had
