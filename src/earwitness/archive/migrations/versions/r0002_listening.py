"""Listening sheets, sealed; and when the data of a loudspeaker were first shown."""

from earwitness.archive.migrations import steps

revision = "0002"
down_revision: str | None = "0001"
upgrade = steps("r0002_listening")
