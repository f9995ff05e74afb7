"""Sessions that are set aside, and hashes over the search index, by which damage in it is found."""

from earwitness.archive.migrations import run

revision = "0006"
down_revision: str | None = "0005"


def upgrade() -> None:
    """What the file of the same name says."""
    run("r0006_set_aside")
