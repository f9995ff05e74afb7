"""Drafts: what a tester is writing or setting, every state of it kept, so that it can be undone and redone."""

from earwitness.archive.migrations import run

revision = "0004"
down_revision: str | None = "0003"


def upgrade() -> None:
    """What the file of the same name says."""
    run("r0004_drafts")
