"""First catalogue: loudspeakers, sessions, recordings, takes, results, publications."""

from earwitness.archive.migrations import run

revision = "0001"
down_revision: str | None = None


def upgrade() -> None:
    """What the file of the same name says."""
    run("r0001_first_catalogue")
