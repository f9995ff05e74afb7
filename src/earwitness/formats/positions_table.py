"""Where the microphone stood in a scan: a text table whose columns name coordinates and their units, one point a row.

    # Cartesian            # spherical                            # cylindrical
    x m,y m,z m            radius m,azimuth deg,elevation deg     rho m,azimuth deg,z m
    0.30,0,0.05            0.42,0,-60                             0.35,10,-0.2

AES69 axes: x forward along the reference axis, y to the loudspeaker's left, z up; azimuth from x toward y. A column
`file` names the recording of each point, `surface` the surface it belongs to; rows of the surface "reference" are
visits of one place, which tell drifts. A line "# origin: 0.0, 0.0, -0.11" tells
where the table's origin lies, seen from the reference point in meters; without it the two are the same.
"""

import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, NoReturn

import numpy as np

from earwitness.errors import FormatError
from earwitness.formats.table import cells_of, number_of, refused, shown, text_of
from earwitness.quantities import FloatArray, Locked

MAX_BYTES = 64 * 2**20
MAX_POINTS = 200_000
FEWEST_POINTS = 75
FARTHEST_M = 20.0
SAME_POINT_M = 1e-4
LARGEST_NUMBER = 1e9
# The surface of rows that are visits of one place: they tell drifts, and may repeat.
REFERENCE = "reference"
LAYOUT = 'a first line such as "x m,y m,z m", "radius m,azimuth deg,elevation deg" or "rho m,azimuth deg,z m"'

Kind = Literal["cartesian", "spherical", "cylindrical"]
_KINDS: dict[tuple[str, str, str], Kind] = {
    ("x", "y", "z"): "cartesian",
    ("radius", "azimuth", "elevation"): "spherical",
    ("rho", "azimuth", "z"): "cylindrical",
}
_ANGLES = ("azimuth", "elevation")
_OTHER_NAMES = {"r": "radius", "distance": "radius", "az": "azimuth", "el": "elevation", "azi": "azimuth", "id": "file"}
_LENGTH_UNITS = {"m": 1.0, "cm": 0.01, "mm": 0.001}
_ANGLE_UNITS = {"deg": math.pi / 180.0, "rad": 1.0}
_TEXTS = ("file", "surface")
_COLUMN = re.compile(r"([a-z]+)[\s_]*[\[(]?\s*([a-z]*)\s*[\])]?", re.IGNORECASE)
_POINT = re.compile(r"\d\.\d")
_ORIGIN = re.compile(r"#\s*origin\s*[:=]\s*(.+)", re.IGNORECASE)


@dataclass(frozen=True, slots=True, eq=False)
class PositionsTable(Locked):
    """points_m (P, 3) from the reference point, AES69 axes; files, surfaces (P,) or empty; kind : as written."""

    points_m: FloatArray
    files: tuple[str, ...]
    surfaces: tuple[str, ...]
    kind: Kind


def read_positions(path: Path, *, fewest: int = FEWEST_POINTS) -> PositionsTable:
    """The table in `path`. FormatError names file, line and remedy for what cannot be used; see parse_positions."""
    text = text_of(path, what="table of positions", most=MAX_BYTES)
    return parse_positions(text, name=str(path), fewest=fewest)


def parse_positions(text: str, *, name: str, fewest: int = FEWEST_POINTS) -> PositionsTable:
    """The table in `text`; `name` stands for the file in messages, `fewest` points are asked for.

    FormatError for a header without names and units, rows that are short or hold no numbers, coordinates out of reach
    (millimeters written as meters), points named twice, and too few points.
    """
    lines = text.splitlines()
    origin = _origin(lines, name)
    rows = [(n, line) for n, line in enumerate(lines, 1) if line.strip() and not line.lstrip().startswith("#")]
    if not rows:
        raise refused("the table is empty", name, "write one row for each point", expected=LAYOUT)
    separator = "semicolon" if ";" in rows[0][1] else "tab" if "\t" in rows[0][1] else "comma"
    header = list(cells_of(rows[0][1], separator))
    columns, kind = _columns(header, f"{name}, line {rows[0][0]}")
    if len(rows) > MAX_POINTS + 1:
        raise refused(f"the table has more than {MAX_POINTS} points", name, "leave out points that were not measured")
    values, texts = _values(rows[1:], separator, columns, name)
    if len(values) < fewest:
        count = f"{len(values)} point{'s' if len(values) != 1 else ''}"
        raise FormatError.of("formats.too_few_points", where=name, points=count, fewest=fewest)
    points = _cartesian(np.array(values), kind) + origin
    numbers = [number for number, _ in rows[1:]]
    _check_reach(points, name)
    surfaces = tuple(texts.get("surface", ()))
    once = np.array([one != REFERENCE for one in surfaces] or [True] * len(points))
    _check_doubles(points[once], [number for number, kept in zip(numbers, once, strict=True) if kept], name)
    files = tuple(texts.get("file", ()))
    _check_files(files, numbers, name)
    return PositionsTable(points, files, surfaces, kind)


def positions_text(points_m: FloatArray, surfaces: tuple[str, ...], *, files: tuple[str, ...] = (), note: str) -> str:
    """A Cartesian table as read_positions reads it; points_m (P, 3) from the reference point; note : its first line."""
    lines = [f"# {note}", "# origin: 0, 0, 0"]
    lines.append(",".join(["x m", "y m", "z m", "surface", *(["file"] if files else [])]))
    for row, (point, surface) in enumerate(zip(points_m, surfaces, strict=True)):
        # Plus zero turns a minus zero into a plain one.
        cells = [f"{round(float(c), 5) + 0.0:.5f}" for c in point] + [surface]
        lines.append(",".join([*cells, *([files[row]] if files else [])]))
    return "\n".join(lines) + "\n"


def _origin(lines: list[str], name: str) -> FloatArray:
    for number, line in enumerate(lines, 1):
        if found := _ORIGIN.fullmatch(line.strip()):
            try:
                origin = np.array([float(part) for part in re.split(r"[,;\s]+", found[1].strip())])
            except ValueError:
                origin = np.zeros(0)
            if origin.shape != (3,) or not (np.abs(origin) <= LARGEST_NUMBER).all():
                raise FormatError.of("formats.origin_unreadable", where=f"{name}, line {number}")
            return origin
    return np.zeros(3)


def _columns(header: list[str], where: str) -> tuple[list[tuple[str, float]], Kind]:
    """Name and factor to meters or radians of every column (0 for text), and the kind of coordinates."""
    columns: list[tuple[str, float]] = []
    for cell in header:
        found = _COLUMN.fullmatch(cell)
        name = _OTHER_NAMES.get(found[1].lower(), found[1].lower()) if found else ""
        if name in _TEXTS:
            columns.append((name, 0.0))
            continue
        units = _ANGLE_UNITS if name in _ANGLES else _LENGTH_UNITS
        known = {one for names in _KINDS for one in names}
        if found is None or name not in known:
            raise refused(f"the column {cell!r} is not known", where, "name the columns", expected=LAYOUT)
        if found[2].lower() not in units:
            expected, usual = " or ".join(units), f"{name} {next(iter(units))}"
            raise FormatError.of("formats.no_unit_told", where=where, expected=expected, cell=cell, usual=usual)
        columns.append((name, units[found[2].lower()]))
    names = [name for name, _ in columns]
    for wanted, kind in _KINDS.items():
        if sorted(n for n in names if n not in _TEXTS) == sorted(wanted) and len(set(names)) == len(names):
            return columns, kind
    raise FormatError.of("formats.no_coordinates", where=where, expected=LAYOUT, listed=", ".join(names))


def _values(
    rows: list[tuple[int, str]], separator: str, columns: list[tuple[str, float]], name: str
) -> tuple[list[tuple[float, float, float]], dict[str, list[str]]]:
    order = {n: row for row, (n, factor) in enumerate(columns) if factor}
    wanted = next(names for names in _KINDS if set(names) == set(order))
    decimal = "," if separator != "comma" and not any(_POINT.search(line) for _, line in rows) else "."
    values: list[tuple[float, float, float]] = []
    texts: dict[str, list[str]] = {n: [] for n, factor in columns if not factor}
    for number, line in rows:
        where = f"{name}, line {number}"
        cells = cells_of(line, separator)
        if len(cells) != len(columns):
            has = f"{len(cells)} column{'s' if len(cells) != 1 else ''}"
            raise FormatError.of("formats.row_and_header", where=where, has=has, count=len(columns))
        a, b, c = (_number(cells[order[n]], decimal, where) * columns[order[n]][1] for n in wanted)
        values.append((a, b, c))
        for n, (text, factor) in enumerate(columns):
            if not factor:
                texts[text].append(cells[n])
    return values, texts


def _number(cell: str, decimal: str, where: str) -> float:
    value = number_of(cell, decimal)
    if not abs(value) <= LARGEST_NUMBER:
        raise FormatError.of("formats.no_coordinate", where=where, shown=shown(cell), largest_number=LARGEST_NUMBER)
    return value


def _cartesian(values: FloatArray, kind: Kind) -> FloatArray:
    if kind == "cartesian":
        return values
    first, azimuth, third = values.T
    if kind == "cylindrical":
        return np.stack([first * np.cos(azimuth), first * np.sin(azimuth), third], axis=1)
    flat = first * np.cos(third)
    return np.stack([flat * np.cos(azimuth), flat * np.sin(azimuth), first * np.sin(third)], axis=1)


def _check_reach(points: FloatArray, name: str) -> None:
    radius = np.linalg.norm(points - np.median(points, axis=0), axis=1)
    middle = float(np.median(radius))
    if middle > FARTHEST_M or float(np.abs(points).max()) > 10 * FARTHEST_M:
        raise FormatError.of("formats.points_too_far", where=name, middle=middle, farthest_m=FARTHEST_M)
    if middle < 0.01:
        raise FormatError.of("formats.points_too_near", where=name, middle_mm=1000 * middle)


def _check_doubles(points: FloatArray, numbers: list[int], name: str) -> None:
    from scipy.spatial import cKDTree

    # Thousands of points in one place would give millions of pairs: cells that are smaller than the distance first.
    cells = np.floor(points / (SAME_POINT_M / 2.0))
    _, first_of, cell_of = np.unique(cells, axis=0, return_index=True, return_inverse=True)
    repeated = np.flatnonzero(first_of[cell_of.ravel()] != np.arange(len(points)))
    if repeated.size:
        _refuse_doubles(repeated.size, int(first_of[cell_of.ravel()][repeated[0]]), int(repeated[0]), numbers, name)
    pairs = cKDTree(points).query_pairs(SAME_POINT_M, output_type="ndarray")
    if pairs.size:
        first, second = sorted(map(int, pairs[np.lexsort(pairs.T[::-1])][0]))
        _refuse_doubles(int(np.unique(pairs.max(axis=1)).size), first, second, numbers, name)


def _refuse_doubles(count: int, first: int, second: int, numbers: list[int], name: str) -> NoReturn:
    s, one, other = "s stand" if count != 1 else " stands", numbers[first], numbers[second]
    raise FormatError.of("formats.points_twice", where=name, count=count, s=s, one=one, other=other)


def _check_files(files: tuple[str, ...], numbers: list[int], name: str) -> None:
    seen: dict[str, int] = {}
    for file, number in zip(files, numbers, strict=False):
        if not file:
            raise refused("the row names no file", f"{name}, line {number}", "name the point's recording")
        if file in seen:
            raise refused(
                f"{file!r} is named for the points of lines {seen[file]} and {number}", name, "name each file once"
            )
        seen[file] = number
