"""Search: a summary and the figures of each loudspeaker, and a full-text index where SQLite has FTS5."""

from alembic import op

from earwitness.archive.migrations import run

revision = "0003"
down_revision: str | None = "0002"


def upgrade() -> None:
    """What the files of the same number say."""
    run("r0003_search")
    if op.get_bind().exec_driver_sql("SELECT count(*) FROM pragma_module_list WHERE name = 'fts5'").scalar_one():
        run("r0003_full_text")
