"""Listening sheets of the demo world: what invented listeners wrote down before anything was measured.

They were made up with the loudspeakers, not from their data: some remarks hit a planted flaw, some are beside it, as
those of a human listener would be.
"""

from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path

from earwitness.demo.world import loudspeaker
from earwitness.errors import cannot_write

SEALED_AT = datetime(2026, 2, 27, 21, 40, tzinfo=UTC)
"""When the invented listener sealed: the evening before the invented session."""


def sheet_text(key: str) -> str:
    """The sheet of a demo loudspeaker as TOML. InputError for an unknown key."""
    return (files("earwitness.demo") / "data" / "sheets" / f"{loudspeaker(key).key}.toml").read_text(encoding="utf-8")


def words_text(key: str) -> str:
    """What the invented tester says of a demo loudspeaker, as Markdown. InputError for an unknown key."""
    return (files("earwitness.demo") / "data" / "words" / f"{loudspeaker(key).key}.md").read_text(encoding="utf-8")


def write_sheet(key: str, folder: Path) -> Path:
    """Write the sheet of a demo loudspeaker into `folder` as listening.toml; the same key gives the same bytes."""
    path = folder / "listening.toml"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        path.write_text(sheet_text(key), encoding="utf-8", newline="\n")
    except OSError as error:
        raise cannot_write("the listening sheet", path, error) from None
    return path
