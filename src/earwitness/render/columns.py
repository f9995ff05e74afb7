"""Plain text in columns and lines in which nothing is cut and no number torn from its unit."""

import re
import textwrap
from collections.abc import Sequence
from itertools import zip_longest

_GAP = 2
# Of a line for the names: what is said of them, reasons above all, is longer.
_NAMES_SHARE = 0.5
_NARROWEST = 40
_HANG = "  "
_NUMBER_AND_UNIT = re.compile(r"(?<=\d) (?=(?:[A-Za-zΩ]{1,3}|%)(?:\W|$))")


def two_columns(rows: Sequence[tuple[str, str]], width: int | None) -> list[str]:
    """Names and what is said of each as lines. width : of the terminal; None for one line a row, however long.

    Words are not torn apart, so a word longer than its column sticks out.
    """
    longest = max((len(name) for name, _ in rows), default=0)
    if width is None:
        return [f"{name:<{longest}}{' ' * _GAP}{said}".rstrip() for name, said in rows]
    across = max(width, _NARROWEST)
    names = min(longest, round(_NAMES_SHARE * across))
    lines = []
    for name, said in rows:
        left, right = hanging(name, names), hanging(said, across - names - _GAP)
        for one, other in zip_longest(left, right, fillvalue=""):
            lines.append(f"{one:<{names}}{' ' * _GAP}{other}".rstrip())
    return lines


def hung(rows: Sequence[Sequence[str]], widths: Sequence[int]) -> list[tuple[str, ...]]:
    """Rows of a table whose cells are wrapped to `widths`: a row becomes as many as its highest cell asks for."""
    found: list[tuple[str, ...]] = []
    for row in rows:
        cells = [hanging(cell, width) for cell, width in zip(row, widths, strict=True)]
        found += zip_longest(*cells, fillvalue="")
    return found


def hanging(text: str, width: int | None) -> list[str]:
    """Text in lines of `width`, those after the first indented; one line for None."""
    if width is None:
        return [text]
    return wrapped(text, max(width, 2 * len(_HANG) + 1), rest=_HANG) or [""]


def wrapped(text: str, width: int, *, first: str = "", rest: str = "") -> list[str]:
    """Text in lines of `width`, none for no text, no number torn from its unit; first, rest : what lines begin with."""
    glued = _NUMBER_AND_UNIT.sub("\N{NO-BREAK SPACE}", text)
    lines = textwrap.wrap(
        glued, width, initial_indent=first, subsequent_indent=rest, break_long_words=False, break_on_hyphens=False
    )
    return [line.replace("\N{NO-BREAK SPACE}", " ") for line in lines]
