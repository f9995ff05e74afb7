"""Listening sheets, sealed; and when the data of a loudspeaker were first shown."""

from earwitness.archive.migrations import run

revision = "0002"
down_revision: str | None = "0001"


def upgrade() -> None:
    """What the file of the same name says."""
    run("r0002_listening")
