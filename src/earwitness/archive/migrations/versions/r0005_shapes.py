"""Shapes: the curves by which loudspeakers are compared, beside the search index, so that many are at hand at once."""

from earwitness.archive.migrations import steps

revision = "0005"
down_revision: str | None = "0004"
upgrade = steps("r0005_shapes")
