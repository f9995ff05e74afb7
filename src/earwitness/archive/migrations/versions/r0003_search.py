"""Search: a summary and the figures of each loudspeaker, and a full-text index where SQLite has FTS5."""

from earwitness.archive.migrations import steps

revision = "0003"
down_revision: str | None = "0002"
upgrade = steps("r0003_search", "r0003_full_text")
