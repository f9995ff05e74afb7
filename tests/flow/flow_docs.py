"""Commands and forms that the pages print, read from their indented blocks."""

from __future__ import annotations

import re
from pathlib import Path

PROGRAMS = ("earwitness ", "cp ")


def commands_of(page: Path) -> list[str]:
    """Lines of indented blocks that are commands of the program or the shell, in order."""
    lines = re.findall(r"^ {4}(\S.*)$", page.read_text(encoding="utf-8"), flags=re.MULTILINE)
    return [line for line in lines if line.startswith(PROGRAMS)]


def forms_of(page: Path) -> dict[str, str]:
    """Indented blocks below a second heading, by the heading's word for a file: "amplifier" and "room"."""
    text = page.read_text(encoding="utf-8")
    names = {"Amplifier": "amplifier", "Seats": "room"}
    found = {}
    for part in re.split(r"^## ", text, flags=re.MULTILINE)[1:]:
        heading, _, body = part.partition("\n")
        if heading.strip() in names:
            lines = re.findall(r"^ {4}(.*)$", body, flags=re.MULTILINE)
            found[names[heading.strip()]] = "\n".join(lines) + "\n"
    return found
