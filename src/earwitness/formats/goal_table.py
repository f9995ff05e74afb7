"""A target curve as plain text: frequency in Hz and level in dB, one point a line."""

from pathlib import Path

from earwitness.errors import FormatError
from earwitness.formats.table import plain_rows, refused, text_of

MAX_BYTES = 2**20
MAX_POINTS = 2000
_LAYOUT = "frequency in Hz, rising from above 0, and level in dB"


def read_goal_table(path: Path) -> tuple[tuple[float, float], ...]:
    """The points of a table of two columns, written in any way that `table.plain_rows` reads; rising from above 0 Hz.

    Raises FormatError with the line that cannot be used.
    """
    return goal_points(text_of(path, what="target table", most=MAX_BYTES), where=str(path))


def goal_points(text: str, *, where: str) -> tuple[tuple[float, float], ...]:
    """The points of a table's text; where : what it is called in an error. Raises as `read_goal_table` does."""
    points: list[tuple[float, float]] = []
    for row in plain_rows(text, name=where, counts=(2,), layout=_LAYOUT):
        if row.error is not None:
            raise row.error
        hz, level = row.values
        if not 0.0 < hz <= 1e6 or abs(level) > 100.0:
            raise _refused(where, row.line, f"{hz:g} Hz, {level:g} dB is no point of a target")
        if points and hz <= points[-1][0]:
            raise _refused(where, row.line, f"{hz:g} Hz does not rise above {points[-1][0]:g} Hz")
        points.append((hz, level))
    if not 2 <= len(points) <= MAX_POINTS:
        raise FormatError.of(
            "formats.target_points", where=where, count=len(points), max_points=MAX_POINTS, layout=_LAYOUT
        )
    return tuple(points)


def _refused(where: str, line: int, what: str) -> FormatError:
    return refused(what, f"{where}, line {line}", "correct the line", expected=_LAYOUT)
