"""Drafts: what a tester is writing or setting, every state of it kept, so that it can be undone and redone."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision: str | None = "0003"


def upgrade() -> None:
    """Make the tables of drafts."""
    op.create_table(
        "draft_state",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("key", sa.String, nullable=False),
        sa.Column("parent_id", sa.Integer),
        sa.Column("value", sa.String, nullable=False),
        sa.Column("saved_at", sa.String, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_draft_state"),
        sa.ForeignKeyConstraint(["parent_id"], ["draft_state.id"], name="fk_draft_state_parent_id_draft_state"),
    )
    op.create_index("ix_draft_state_key", "draft_state", ["key"])
    op.create_index("ix_draft_state_parent_id", "draft_state", ["parent_id"])
    op.create_table(
        "draft",
        sa.Column("key", sa.String, nullable=False),
        sa.Column("state_id", sa.Integer, nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint("key", name="pk_draft"),
        sa.ForeignKeyConstraint(["state_id"], ["draft_state.id"], name="fk_draft_state_id_draft_state"),
    )
