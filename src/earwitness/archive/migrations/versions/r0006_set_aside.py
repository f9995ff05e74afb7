"""Sessions that are set aside, and hashes over the search index, by which damage in it is found."""

from earwitness.archive.migrations import steps

revision = "0006"
down_revision: str | None = "0005"
upgrade = steps("r0006_set_aside")
