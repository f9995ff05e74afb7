"""Shapes: the curves by which loudspeakers are compared, beside the search index, so that many are at hand at once."""

from earwitness.archive.migrations import run

revision = "0005"
down_revision: str | None = "0004"


def upgrade() -> None:
    """What the file of the same name says."""
    run("r0005_shapes")
