"""On which line of a TOML file a key stands.

tomllib keeps no positions, and a fault without a line sends a tester searching. This scan follows table headers
and keys of the plain layout that session.toml uses; it never decides what a value is, so a line it can't tell
is only missing from a message.
"""

from __future__ import annotations

import re

_HEADER = re.compile(r"^\s*(\[\[?)\s*([A-Za-z0-9_.\- ]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"^\s*([A-Za-z0-9_\-]+)\s*=")

Path = tuple[str | int, ...]


def key_lines(text: str) -> dict[Path, int]:
    """1-based line of every table and key, by path such as ("take", 3, "file")."""
    lines: dict[Path, int] = {}
    counts: dict[Path, int] = {}
    table: Path = ()
    for number, line in enumerate(text.splitlines(), 1):
        if header := _HEADER.match(line):
            names: Path = tuple(part.strip() for part in header[2].split("."))
            if header[1] == "[[":
                index = counts.get(names, 0)
                counts[names] = index + 1
                names = (*names, index)
            table = names
            lines[table] = number
        elif key := _KEY.match(line):
            lines[(*table, key[1])] = number
    return lines


def line_of(lines: dict[Path, int], path: Path) -> int | None:
    """Line of the deepest known part of `path`, or None."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None
