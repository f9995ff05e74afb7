"""Sessions that are set aside, and hashes over the search index, by which damage in it is found."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision: str | None = "0005"


def upgrade() -> None:
    """Make the table of sessions set aside, and give the index its hashes."""
    op.create_table(
        "session_aside",
        sa.Column("session_id", sa.Integer, nullable=False),
        sa.Column("because", sa.String, nullable=False),
        sa.Column("created_at", sa.String, nullable=False),
        sa.PrimaryKeyConstraint("session_id", name="pk_session_aside"),
        sa.ForeignKeyConstraint(["session_id"], ["session.id"], name="fk_session_aside_session_id_session"),
    )
    for table in ("summary", "summary_shape"):
        op.add_column(table, sa.Column("digest", sa.String, nullable=False, server_default=""))
