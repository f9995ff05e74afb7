"""Drawings for a page that is sent over a network: the same picture in fewer bytes."""

import re
from typing import Final

# Own choice: a fifth of a line's width, seen by nobody; twice that at the rim of a pale area.
_TOLERANCE_PX: Final = 0.3
_PATH: Final = re.compile(r'(<path class="(trace|ribbon|halo|edge|map-band|contour)\b[^>]*? d=")([^"]+)"')
_AREAS: Final = ("ribbon", "map-band")
# What the style sheet of the page says of these classes anyway.
_SAID: Final = (
    (re.compile(r'(<text class="(?:hz|tick)" [^>]*?) text-anchor="\w+"'), r"\1"),
    (re.compile(r'(<text class="(?:title|finding|mark-number|subtitle|axis|hz|tick|note)"[^>]*?) fill="[^"]+"'), r"\1"),
    (re.compile(r'(<path class="trace [^>]*?") fill="none" stroke="[^"]+"([^>]*?) stroke-linejoin="round"'), r"\1\2"),
    (re.compile(r'(<path class="ribbon [^>]*?) fill="[^"]+"'), r"\1"),
)
_GRID: Final = re.compile(r'(<g class="grid[^>]*>)(.*?)(</g>)', re.DOTALL)
_LINE: Final = re.compile(r'<path class="(\w+)" d="([^"]+)" (stroke="[^"]+")/>')
_Points = list[tuple[int, int]]


def lean(svg: str) -> str:
    """`svg` with its long paths as steps from point to point, without points that lie on the line of their neighbors
    to 0.3 px (what stays, stays to 0.1 px), with the lines of a grid joined by their kind, and without colors and
    anchors that `theme_css` gives."""
    svg = _GRID.sub(lambda found: f"{found[1]}\n{_joined_lines(found[2])}\n{found[3]}", svg)
    for pattern, kept in _SAID:
        svg = pattern.sub(kept, svg)
    return _PATH.sub(
        lambda found: f'{found[1]}{_lean_path(found[3], (1 + (found[2] in _AREAS)) * _TOLERANCE_PX)}"', svg
    )


def _joined_lines(grid: str) -> str:
    kinds: dict[tuple[str, str], list[str]] = {}
    for kind, d, stroke in _LINE.findall(grid):
        kinds.setdefault((kind, stroke), []).append(d)
    return "\n".join(f'<path class="{kind}" d="{"".join(each)}" {stroke}/>' for (kind, stroke), each in kinds.items())


def _lean_path(d: str, tolerance_px: float) -> str:
    return "".join(_lean_stretch(part, tolerance_px) for part in d.split("M") if part)


def _lean_stretch(part: str, tolerance_px: float) -> str:
    end = "z" if part.endswith("Z") else ""
    # In tenths of a pixel: whole numbers, whose steps add up without rounding.
    points = [(round(10 * float(x)), round(10 * float(y))) for x, y in map(str.split, part.rstrip("Z").split("L"))]
    (x, y), *steps = _needed(points, tolerance_px)
    made = [f"M{_tenths(x)} {_tenths(y)}"]
    for to_x, to_y in steps:
        dx, dy = _tenths(to_x - x), _tenths(to_y - y)
        made.append(f"l{dx}{dy}" if dy.startswith("-") else f"l{dx} {dy}")
        x, y = to_x, to_y
    return "".join(made) + end


def _needed(points: _Points, tolerance_px: float) -> _Points:
    """The points of a line but for those that the straight line past them misses by no more than the tolerance.

    Source: Ramer (1972), Douglas and Peucker (1973), from memory."""
    keep, open_spans = {0, len(points) - 1}, [(0, len(points) - 1)]
    while open_spans:
        first, last = open_spans.pop()
        (ax, ay), (bx, by) = points[first], points[last]
        dx, dy = bx - ax, by - ay
        length = (dx * dx + dy * dy) ** 0.5
        worst, at = 0.0, first
        for k in range(first + 1, last):
            px, py = points[k][0] - ax, points[k][1] - ay
            away = abs(dx * py - dy * px) / length if length else (px * px + py * py) ** 0.5
            if away > worst:
                worst, at = away, k
        if worst > 10 * tolerance_px:
            keep.add(at)
            open_spans += [(first, at), (at, last)]
    return [points[k] for k in sorted(keep)]


def _tenths(value: int) -> str:
    whole, tenth = divmod(abs(value), 10)
    sign = "-" if value < 0 else ""
    return f"{sign}{whole or ''}.{tenth}" if tenth else f"{sign}{whole}"
