"""First catalogue: loudspeakers, sessions, recordings, takes, results, publications."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision: str | None = None


def upgrade() -> None:
    """Make all tables."""
    op.create_table(
        "loudspeaker",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("name", sa.String, nullable=False),
        sa.Column("maker", sa.String, nullable=False),
        sa.Column("folded_name", sa.String, nullable=False),
        sa.Column("folded_maker", sa.String, nullable=False),
        sa.Column("created_at", sa.String, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_loudspeaker"),
        sa.UniqueConstraint("folded_name", "folded_maker", name="uq_loudspeaker_folded_name"),
    )
    op.create_index("ix_loudspeaker_folded_name", "loudspeaker", ["folded_name"])
    op.create_table(
        "recording",
        sa.Column("sha256", sa.String, nullable=False),
        sa.Column("size_bytes", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint("sha256", name="pk_recording"),
    )
    _sessions()
    _outcomes()


def _sessions() -> None:
    op.create_table(
        "session",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("loudspeaker_id", sa.Integer, nullable=False),
        sa.Column("key", sa.String, nullable=False),
        sa.Column("date", sa.String, nullable=False),
        sa.Column("folder", sa.String, nullable=False),
        sa.Column("facts", sa.JSON, nullable=False),
        sa.Column("created_at", sa.String, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_session"),
        sa.UniqueConstraint("key", name="uq_session_key"),
        sa.ForeignKeyConstraint(["loudspeaker_id"], ["loudspeaker.id"], name="fk_session_loudspeaker_id_loudspeaker"),
    )
    op.create_index("ix_session_loudspeaker_id", "session", ["loudspeaker_id"])
    op.create_table(
        "session_file",
        sa.Column("session_id", sa.Integer, nullable=False),
        sa.Column("name", sa.String, nullable=False),
        sa.Column("sha256", sa.String, nullable=False),
        sa.PrimaryKeyConstraint("session_id", "name", name="pk_session_file"),
        sa.ForeignKeyConstraint(["session_id"], ["session.id"], name="fk_session_file_session_id_session"),
        sa.ForeignKeyConstraint(["sha256"], ["recording.sha256"], name="fk_session_file_sha256_recording"),
    )
    op.create_index("ix_session_file_sha256", "session_file", ["sha256"])
    op.create_table(
        "take",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("session_id", sa.Integer, nullable=False),
        sa.Column("position", sa.Integer, nullable=False),
        sa.Column("name", sa.String, nullable=False),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("sha256", sa.String, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_take"),
        sa.UniqueConstraint("session_id", "position", name="uq_take_session_id"),
        sa.ForeignKeyConstraint(["session_id"], ["session.id"], name="fk_take_session_id_session"),
        sa.ForeignKeyConstraint(["sha256"], ["recording.sha256"], name="fk_take_sha256_recording"),
    )
    op.create_index("ix_take_sha256", "take", ["sha256"])


def _outcomes() -> None:
    op.create_table(
        "result",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("session_id", sa.Integer, nullable=False),
        sa.Column("step_key", sa.String, nullable=False),
        sa.Column("step_name", sa.String, nullable=False),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("inputs", sa.JSON, nullable=False),
        sa.Column("settings", sa.JSON, nullable=False),
        sa.Column("program", sa.String, nullable=False),
        sa.Column("array_file", sa.String),
        sa.Column("array_sha256", sa.String),
        sa.Column("document", sa.String),
        sa.Column("created_at", sa.String, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_result"),
        sa.UniqueConstraint("step_key", "kind", name="uq_result_step_key"),
        sa.ForeignKeyConstraint(["session_id"], ["session.id"], name="fk_result_session_id_session"),
    )
    op.create_index("ix_result_session_id", "result", ["session_id"])
    op.create_table(
        "publication",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("loudspeaker_id", sa.Integer, nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("digest", sa.String, nullable=False),
        sa.Column("target", sa.String, nullable=False),
        sa.Column("document", sa.String, nullable=False),
        sa.Column("created_at", sa.String, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_publication"),
        sa.UniqueConstraint("loudspeaker_id", "number", name="uq_publication_loudspeaker_id"),
        sa.ForeignKeyConstraint(
            ["loudspeaker_id"], ["loudspeaker.id"], name="fk_publication_loudspeaker_id_loudspeaker"
        ),
    )
