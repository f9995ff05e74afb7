"""Listening sheets, sealed; and when the data of a loudspeaker were first shown."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision: str | None = "0001"

_REFUSALS = {
    "listening_sheet_stays": """
        BEFORE UPDATE ON listening_sheet
        WHEN OLD.opened_at IS NOT NULL OR NEW.opened_at IS NULL OR NEW.id IS NOT OLD.id
            OR NEW.folded_name IS NOT OLD.folded_name OR NEW.folded_maker IS NOT OLD.folded_maker
            OR NEW.facts IS NOT OLD.facts OR NEW.sha256 IS NOT OLD.sha256 OR NEW.sealed_at IS NOT OLD.sealed_at
            OR NEW.is_after_data IS NOT OLD.is_after_data
        BEGIN SELECT RAISE(ABORT, 'a sealed sheet cannot be changed'); END""",
    "listening_sheet_remains": """
        BEFORE DELETE ON listening_sheet
        BEGIN SELECT RAISE(ABORT, 'a sealed sheet cannot be taken away'); END""",
    "data_opening_stays": """
        BEFORE UPDATE ON data_opening
        BEGIN SELECT RAISE(ABORT, 'the first opening of the data cannot be changed'); END""",
    "data_opening_remains": """
        BEFORE DELETE ON data_opening
        BEGIN SELECT RAISE(ABORT, 'the first opening of the data cannot be taken away'); END""",
}


def upgrade() -> None:
    """Add two tables and the triggers that keep them as they were written."""
    op.create_table(
        "listening_sheet",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("folded_name", sa.String, nullable=False),
        sa.Column("folded_maker", sa.String, nullable=False),
        sa.Column("facts", sa.String, nullable=False),
        sa.Column("sha256", sa.String, nullable=False),
        sa.Column("sealed_at", sa.String, nullable=False),
        sa.Column("opened_at", sa.String),
        sa.Column("is_after_data", sa.Boolean, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_listening_sheet"),
        sa.UniqueConstraint("sha256", name="uq_listening_sheet_sha256"),
    )
    op.create_index("ix_listening_sheet_folded_name", "listening_sheet", ["folded_name"])
    op.create_table(
        "data_opening",
        sa.Column("folded_name", sa.String, nullable=False),
        sa.Column("folded_maker", sa.String, nullable=False),
        sa.Column("opened_at", sa.String, nullable=False),
        sa.PrimaryKeyConstraint("folded_name", "folded_maker", name="pk_data_opening"),
    )
    for name, body in _REFUSALS.items():
        op.execute(sa.text(f"CREATE TRIGGER {name} {body}"))
