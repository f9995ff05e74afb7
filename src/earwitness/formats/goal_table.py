"""A target curve as plain text: frequency in Hz and level in dB, one point a line."""

from __future__ import annotations

import math
import re
from pathlib import Path

from earwitness.errors import FormatError

MAX_BYTES = 2**20
MAX_POINTS = 2000
_COMMENT_MARKS = ("#", ";", "*", "//", "%", "!")
_SPLIT = re.compile(r"[\s,;]+")


def read_goal_table(path: Path) -> tuple[tuple[float, float], ...]:
    """The points of a table, two columns separated by blanks, tabs, commas or semicolons; rising from above 0 Hz.

    Lines that begin with a comment mark and one line of headings are passed over; a decimal comma is refused, as it
    cannot be told from a separator. Raises FormatError with the line that cannot be used.
    """
    return goal_points(_text(path), where=str(path))


def goal_points(text: str, *, where: str) -> tuple[tuple[float, float], ...]:
    """The points of a table's text; where : what it is called in an error. Raises as `read_goal_table` does."""
    points: list[tuple[float, float]] = []
    is_first = True
    for number, line in enumerate(text.splitlines(), 1):
        words = line.strip()
        if not words or words.startswith(_COMMENT_MARKS):
            continue
        cells = [cell for cell in _SPLIT.split(words) if cell]
        values = [_number(cell) for cell in cells]
        if is_first and all(value is None for value in values):
            is_first = False
            continue
        is_first = False
        point = values[:2]
        if len(values) != 2 or point[0] is None or point[1] is None:
            raise _refused(where, number, f"{words[:60]!r} is no pair of numbers")
        if not 0.0 < point[0] <= 1e6 or abs(point[1]) > 100.0:
            raise _refused(where, number, f"{point[0]:g} Hz, {point[1]:g} dB is no point of a target")
        if points and point[0] <= points[-1][0]:
            raise _refused(where, number, f"{point[0]:g} Hz does not rise above {points[-1][0]:g} Hz")
        points.append((point[0], point[1]))
    if not 2 <= len(points) <= MAX_POINTS:
        raise FormatError(
            f"a target table of {len(points)} points",
            where=where,
            expected=f"2 to {MAX_POINTS} lines of frequency in Hz and level in dB",
        )
    return tuple(points)


def _text(path: Path) -> str:
    try:
        if path.stat().st_size > MAX_BYTES:
            raise FormatError("the target table is over 1 MiB", where=str(path), remedy="give the right file")
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise FormatError("the target table is not UTF-8 text", where=str(path), remedy="save it as UTF-8") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise FormatError(
            f"the target table cannot be read: {reason}", where=str(path), remedy="check path and permissions"
        ) from None


def _number(cell: str) -> float | None:
    try:
        value = float(cell)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _refused(where: str, line: int, what: str) -> FormatError:
    return FormatError(
        what,
        where=f"{where}, line {line}",
        expected="frequency in Hz, rising from above 0, and level in dB, with decimal points",
        remedy="correct the line",
    )
