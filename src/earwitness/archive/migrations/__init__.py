"""How a catalogue gets from any earlier shape to the present one: the files of SQL in `versions`, in their order."""

from importlib.resources import files
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sqlalchemy import Connection

REVISIONS = ("0001", "0002", "0003", "0004", "0005", "0006")
_FULL_TEXT = "full_text"


def bring(connection: "Connection", found: str | None, wanted: str = REVISIONS[-1]) -> None:
    """Run what makes a catalogue of revision `wanted` out of one of revision `found`, None for an empty file.

    The table that holds the revision has the name and shape that the first catalogues gave it. Full text is made where
    SQLite has FTS5.
    """
    run = connection.exec_driver_sql
    if found is None:
        run("CREATE TABLE alembic_version (\n\tversion_num VARCHAR(32) NOT NULL, \n"
            "\tCONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)\n)")  # fmt: skip
        run("INSERT INTO alembic_version VALUES ('')")
    has_full_text = run("SELECT count(*) FROM pragma_module_list WHERE name = 'fts5'").scalar_one()
    texts = {one.name: one.read_text(encoding="utf-8") for one in (files(__name__) / "versions").iterdir()}
    # Within a revision the tables come before the index of their words.
    for name in sorted(texts, key=lambda one: (one[:5], _FULL_TEXT in one)):
        if (found or "") < name[1:5] <= wanted and (has_full_text or _FULL_TEXT not in name):
            # Blank lines part the statements.
            for statement in texts[name].strip().split("\n\n"):
                if not statement.startswith("--"):
                    run(statement)
    run("UPDATE alembic_version SET version_num = ?", (wanted,))
