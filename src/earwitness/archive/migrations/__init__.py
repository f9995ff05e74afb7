"""How a catalogue gets from any earlier shape to the present one."""

from importlib.resources import files

REVISIONS = ("0001", "0002", "0003", "0004", "0005", "0006")


def run(name: str) -> None:
    """Run the statements of the file of that name, which blank lines part, on the connection of the migration."""
    from alembic import op

    text = (files(__name__) / "versions" / f"{name}.sql").read_text(encoding="utf-8")
    for statement in text.strip().split("\n\n"):
        if not statement.startswith("--"):
            op.get_bind().exec_driver_sql(statement)
