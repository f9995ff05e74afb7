"""First catalogue: loudspeakers, sessions, recordings, takes, results, publications."""

from earwitness.archive.migrations import steps

revision = "0001"
down_revision: str | None = None
upgrade = steps("r0001_first_catalogue")
