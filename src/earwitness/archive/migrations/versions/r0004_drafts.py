"""Drafts: what a tester is writing or setting, every state of it kept, so that it can be undone and redone."""

from earwitness.archive.migrations import steps

revision = "0004"
down_revision: str | None = "0003"
upgrade = steps("r0004_drafts")
