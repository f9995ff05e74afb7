"""Search: a summary and the figures of each loudspeaker, and a full-text index where SQLite has FTS5."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision: str | None = "0002"

TEXT_COLUMNS = "title, type, notes"
NEW = "new.title, new.type, new.notes"
OLD = "old.title, old.type, old.notes"


def upgrade() -> None:
    """Make the tables of the search."""
    op.create_table(
        "summary",
        sa.Column("loudspeaker_id", sa.Integer, nullable=False),
        sa.Column("title", sa.String, nullable=False),
        sa.Column("folded_title", sa.String, nullable=False),
        sa.Column("type", sa.String, nullable=False),
        sa.Column("price", sa.Double),
        sa.Column("currency", sa.String),
        sa.Column("date", sa.String, nullable=False),
        sa.Column("notes", sa.String, nullable=False),
        sa.Column("made_from", sa.String, nullable=False),
        sa.Column("created_at", sa.String, nullable=False),
        sa.PrimaryKeyConstraint("loudspeaker_id", name="pk_summary"),
        sa.ForeignKeyConstraint(["loudspeaker_id"], ["loudspeaker.id"], name="fk_summary_loudspeaker_id_loudspeaker"),
    )
    op.create_index("ix_summary_folded_title", "summary", ["folded_title"])
    op.create_index("ix_summary_type", "summary", ["type", "folded_title"])
    op.create_index("ix_summary_price", "summary", ["currency", "price", "folded_title"])
    op.create_table(
        "summary_figure",
        sa.Column("loudspeaker_id", sa.Integer, nullable=False),
        sa.Column("key", sa.String, nullable=False),
        sa.Column("value", sa.Double, nullable=False),
        sa.Column("u", sa.Double, nullable=False),
        sa.Column("unit", sa.String, nullable=False),
        sa.Column("bound", sa.String, nullable=False),
        sa.PrimaryKeyConstraint("loudspeaker_id", "key", name="pk_summary_figure"),
        sa.ForeignKeyConstraint(
            ["loudspeaker_id"], ["summary.loudspeaker_id"], name="fk_summary_figure_loudspeaker_id_summary"
        ),
        sqlite_with_rowid=False,
    )
    op.create_index("ix_summary_figure_key", "summary_figure", ["key", "value", "loudspeaker_id"])
    _full_text()


def _full_text() -> None:
    """sqlite.org, "SQLite FTS5 Extension", 4.4.3: external content tables, and the triggers that keep them."""
    modules = op.get_bind().exec_driver_sql("SELECT count(*) FROM pragma_module_list WHERE name = 'fts5'")
    if not modules.scalar_one():
        return
    remove = (
        f"INSERT INTO summary_text (summary_text, rowid, {TEXT_COLUMNS}) VALUES ('delete', old.loudspeaker_id, {OLD});"
    )
    put = f"INSERT INTO summary_text (rowid, {TEXT_COLUMNS}) VALUES (new.loudspeaker_id, {NEW});"
    statements = (
        f"CREATE VIRTUAL TABLE summary_text USING fts5({TEXT_COLUMNS}, content='summary', "
        "content_rowid='loudspeaker_id', tokenize='unicode61 remove_diacritics 2')",
        f"CREATE TRIGGER summary_text_insert AFTER INSERT ON summary BEGIN {put} END",
        f"CREATE TRIGGER summary_text_delete AFTER DELETE ON summary BEGIN {remove} END",
        f"CREATE TRIGGER summary_text_update AFTER UPDATE ON summary BEGIN {remove} {put} END",
    )
    for statement in statements:
        op.get_bind().exec_driver_sql(statement)
