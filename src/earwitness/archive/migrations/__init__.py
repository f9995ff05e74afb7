"""How a catalogue gets from any earlier shape to the present one."""

from collections.abc import Callable, Iterable
from importlib.resources import files
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sqlalchemy import Connection

REVISIONS = ("0001", "0002", "0003", "0004", "0005", "0006")
_FULL_TEXT = "SELECT count(*) FROM pragma_module_list WHERE name = 'fts5'"


def steps(*names: str) -> Callable[[], None]:
    """What runs the statements of the files of those names on the connection of the migration; full text where SQLite
    has it."""

    def upgrade() -> None:
        from alembic import op

        _run(op.get_bind(), names)

    return upgrade


def make(connection: "Connection") -> None:
    """The present schema in an empty file, by the same statements in the same order, without the library that steps
    from one revision to the next, which takes longer to import than they take to run."""
    names = sorted(one.name for one in (files(__name__) / "versions").iterdir() if one.name.endswith(".sql"))
    # Within a revision the tables come before what is built on them.
    names.sort(key=lambda one: (one.partition("_")[0], one.endswith("full_text.sql")))
    _run(connection, [name.removesuffix(".sql") for name in names])
    connection.exec_driver_sql(
        "CREATE TABLE alembic_version (\n\tversion_num VARCHAR(32) NOT NULL, \n"
        "\tCONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)\n)"
    )
    connection.exec_driver_sql("INSERT INTO alembic_version VALUES (?)", (REVISIONS[-1],))


def _run(connection: "Connection", names: Iterable[str]) -> None:
    """Run the statements of files, which blank lines part."""
    for name in names:
        if name.endswith("full_text") and not connection.exec_driver_sql(_FULL_TEXT).scalar_one():
            continue
        text = (files(__name__) / "versions" / f"{name}.sql").read_text(encoding="utf-8")
        for statement in text.strip().split("\n\n"):
            if not statement.startswith("--"):
                connection.exec_driver_sql(statement)
