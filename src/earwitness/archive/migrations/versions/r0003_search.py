"""Search: a summary and the figures of each loudspeaker, and a full-text index where SQLite has FTS5."""

from alembic import op

from earwitness.archive.migrations import has_full_text, run

revision = "0003"
down_revision: str | None = "0002"


def upgrade() -> None:
    """What the files of the same number say."""
    run("r0003_search")
    if has_full_text(op.get_bind()):
        run("r0003_full_text")
