"""How a catalogue gets from any earlier shape to the present one."""

from collections.abc import Iterator
from importlib.resources import files
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sqlalchemy import Connection

REVISIONS = ("0001", "0002", "0003", "0004", "0005", "0006")
_FULL_TEXT = "SELECT count(*) FROM pragma_module_list WHERE name = 'fts5'"


def run(name: str) -> None:
    """Run the statements of the file of that name on the connection of the migration."""
    from alembic import op

    for statement in _statements(name):
        op.get_bind().exec_driver_sql(statement)


def has_full_text(connection: "Connection") -> bool:
    """Whether SQLite has FTS5 here."""
    return bool(connection.exec_driver_sql(_FULL_TEXT).scalar_one())


def make(connection: "Connection") -> None:
    """The present schema in an empty file, by the same statements in the same order, without the library that steps
    from one revision to the next, which takes longer to import than they take to run."""
    names = sorted(one.name for one in (files(__name__) / "versions").iterdir() if one.name.endswith(".sql"))
    # Within a revision the tables come before what is built on them.
    for name in sorted(names, key=lambda one: (one.partition("_")[0], one.endswith("full_text.sql"))):
        if not name.endswith("full_text.sql") or has_full_text(connection):
            for statement in _statements(name.removesuffix(".sql")):
                connection.exec_driver_sql(statement)
    connection.exec_driver_sql(
        "CREATE TABLE alembic_version (\n\tversion_num VARCHAR(32) NOT NULL, \n"
        "\tCONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)\n)"
    )
    connection.exec_driver_sql("INSERT INTO alembic_version VALUES (?)", (REVISIONS[-1],))


def _statements(name: str) -> Iterator[str]:
    """The statements of the file of that name, which blank lines part."""
    text = (files(__name__) / "versions" / f"{name}.sql").read_text(encoding="utf-8")
    yield from (statement for statement in text.strip().split("\n\n") if not statement.startswith("--"))
