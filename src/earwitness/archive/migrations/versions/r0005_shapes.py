"""Shapes: the curves by which loudspeakers are compared, beside the search index, so that many are at hand at once."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision: str | None = "0004"


def upgrade() -> None:
    """Make the table of shapes."""
    op.create_table(
        "summary_shape",
        sa.Column("loudspeaker_id", sa.Integer, nullable=False),
        sa.Column("made_from", sa.String, nullable=False),
        sa.Column("curves", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("loudspeaker_id", name="pk_summary_shape"),
        sa.ForeignKeyConstraint(
            ["loudspeaker_id"], ["summary.loudspeaker_id"], name="fk_summary_shape_loudspeaker_id_summary"
        ),
    )
