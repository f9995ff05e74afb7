"""Drawings for a page that is sent over a network: the same picture in fewer bytes."""

import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any, Final

import numpy as np

from earwitness.exhibits.chart import Chart, Table
from earwitness.exhibits.line_breaks import headline_of, units_kept
from earwitness.quantities import BoolArray, Curve, FloatArray
from earwitness.render.frame import identifier, text
from earwitness.render.svg import NARROW_BELOW_PX, svg_of
from earwitness.render.theme import WIDE_FROM_PX
from earwitness.render.traces import MOST_POINTS, role_class

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


def lean(svg: str) -> str:
    """`svg` with its long paths as steps from point to point, without points that lie on the line of their neighbors
    to 0.3 px (what stays, stays to 0.1 px), with the lines of a grid joined by their kind, and without colors and
    anchors that `theme_css` gives."""
    svg = _GRID.sub(lambda found: f"{found[1]}\n{_joined_lines(found[2])}\n{found[3]}", svg)
    for pattern, kept in _SAID:
        svg = pattern.sub(kept, svg)
    return _PATH.sub(_lean_path, svg)


def _joined_lines(grid: str) -> str:
    kinds: dict[tuple[str, str], list[str]] = {}
    for kind, d, stroke in _LINE.findall(grid):
        kinds.setdefault((kind, stroke), []).append(d)
    return "\n".join(f'<path class="{kind}" d="{"".join(each)}" {stroke}/>' for (kind, stroke), each in kinds.items())


def _lean_path(found: re.Match[str]) -> str:
    tolerance_px = (1 + (found[2] in _AREAS)) * _TOLERANCE_PX
    return f'{found[1]}{"".join(_lean_stretch(part, tolerance_px) for part in found[3].split("M") if part)}"'


def _lean_stretch(part: str, tolerance_px: float) -> str:
    end = "z" if part.endswith("Z") else ""
    # In tenths of a pixel: whole numbers, whose steps add up without rounding.
    tenths = np.rint(10.0 * np.array(part.rstrip("Z").replace("L", " ").split(), dtype=np.float64))
    (x, y), *steps = _needed(tenths.reshape(-1, 2), 10 * tolerance_px).astype(int).tolist()
    made = [f"M{_tenths(x)} {_tenths(y)}"]
    for to_x, to_y in steps:
        dx, dy = _tenths(to_x - x), _tenths(to_y - y)
        made.append(f"l{dx}{dy}" if dy.startswith("-") else f"l{dx} {dy}")
        x, y = to_x, to_y
    return "".join(made) + end


def _needed(points: FloatArray, tolerance: float) -> FloatArray:
    """The points (P, 2) of a line but for those that the straight line past them misses by no more than the tolerance.

    All spans that are still open are halved together. Source: Ramer (1972), Douglas and Peucker (1973), from memory."""
    keep = np.zeros(len(points), dtype=bool)
    first, last = np.array([0]), np.array([len(points) - 1])
    keep[[0, -1]] = True
    while (inside := last - first > 1).any():
        first, last = first[inside], last[inside]
        count = last - first - 1
        start = np.cumsum(count) - count
        row = np.arange(count.sum()) + np.repeat(first + 1 - start, count)
        way, off = (
            np.repeat(points[last] - points[first], count, axis=0),
            points[row] - np.repeat(points[first], count, 0),
        )
        length = np.hypot(way[:, 0], way[:, 1])
        from_line = np.abs(way[:, 0] * off[:, 1] - way[:, 1] * off[:, 0]) / np.where(length > 0.0, length, 1.0)
        away = np.where(length > 0.0, from_line, np.hypot(off[:, 0], off[:, 1]))
        worst = np.maximum.reduceat(away, start)
        at_worst = np.flatnonzero(away == np.repeat(worst, count))
        at = row[at_worst[np.searchsorted(at_worst, start)]]
        bent = worst > tolerance
        keep[at[bent]] = True
        first, last = np.r_[first[bent], at[bent]], np.r_[at[bent], last[bent]]
    return points[keep]


def _tenths(value: int) -> str:
    whole, tenth = divmod(abs(value), 10)
    sign = "-" if value < 0 else ""
    return f"{sign}{whole or ''}.{tenth}" if tenth else f"{sign}{whole}"


# Nominal midband frequencies of one-third-octave bands, IEC 61260-1 (from memory).
TABLE_HZ: Final = tuple(
    digits * 10.0**power
    for power in (1, 2, 3, 4)
    for digits in (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
    if 20.0 <= digits * 10.0**power <= 20_000.0
)
_DECIMALS: Final = {"dB": 1, "deg": 0, "degrees": 0, "ohm": 1, "%": 2, "s": 3, "ms": 2}
_RIGHT: Final = "right"
_MAP_COLUMNS: Final = 240
_TOLD: Final = re.compile("<title .*?</desc>\n", re.DOTALL)
NUMBERS_START: Final = "globalThis.earwitnessNumbers="
_HINT: Final = "Point, or use arrow keys, to read at one frequency."


@dataclass(frozen=True, slots=True, eq=False)
class _Read:
    """One curve of a chart as it is read in numbers. panel : which panel of the chart it stands in."""

    curve: Curve
    label: str
    role: str
    unit: str
    panel: int

    @property
    def decimals(self) -> int:
        return _DECIMALS.get(self.unit, 1)


def figure_html(chart: Chart, width_px: int, *, narrow_px: int | None = 360, numbers_at: str = "") -> str:
    """The chart as a `<figure class="chart">`: drawings, readout line, caption, table of numbers, JSON of its curves.

    Two drawings are made, `width_px` and `narrow_px` wide, and the style sheet shows the one that fits, so that words
    on a phone are as large as on a desk; narrow_px=None leaves the narrow one out. The figure needs `theme_css` on the
    page, and comes alive with `chart_script`; without the script it is complete but still.
    numbers_at : page of `numbers_html`, which the figure links in place of holding table and JSON itself; the JSON is
    then looked for in what `numbers_script` sets.
    Raises InputError as `svg_of` does.
    """
    key = identifier(chart.key)
    drawings = [f'<div class="drawing wide">\n{svg_of(chart, width_px)}</div>']
    if narrow_px is not None and width_px >= NARROW_BELOW_PX:
        drawings.append(f'<div class="drawing narrow">\n{svg_of(chart, narrow_px, variant="narrow")}</div>')
        # Shrunk by more than a fifth, 12 px words are no longer words on a phone.
        from_px = min((px for px in WIDE_FROM_PX if px >= 0.8 * width_px), default=WIDE_FROM_PX[-1])
        kind = f"chart wide-from-{from_px}"
    else:
        kind = "chart"
        drawings[0] = drawings[0].replace("drawing wide", "drawing", 1)
    if numbers_at:
        drawings = [lean(drawing) for drawing in drawings]
        if len(drawings) > 1:
            # The narrow drawing is told by the words of the wide one.
            own, wide = (f"{key}{kind}-title {key}{kind}-desc" for kind in ("-narrow", ""))
            drawings[1] = _TOLD.sub("", drawings[1]).replace(own, wide)
    reads, has_map = list(_reads(chart)), any(panel.map is not None for panel in chart.panels)
    bold, rest = headline_of(chart.caption.finding)
    reading = f"<span>{text(units_kept(rest))}</span> " if rest else ""
    reading += f'<span class="reading">{text(units_kept(chart.caption.reading))}</span>'
    if numbers_at:
        reading = f"<details><summary>More on this chart</summary>{reading}</details>"
    caption = f'<figcaption><span class="finding">{text(units_kept(bold))}</span> {reading}</figcaption>'
    hint, what = (_HINT.replace("frequency", "time"), "Time") if chart.axis == "time" else (_HINT, "Frequency")
    readout = f'<div class="readout" data-hint="{hint}" aria-label="{what} read in: {text(chart.title)}"></div>'
    if chart.axis == "price":
        details = f"<details><summary>Names in this chart</summary>{table_html(_named_points(chart))}</details>"
        return (
            "\n".join([f'<figure class="{kind}" id="figure-{key}">', *drawings, caption, details, "</figure>"]) + "\n"
        )
    if not reads and (numbers_at or not has_map):
        return "\n".join([f'<figure class="{kind}" id="figure-{key}">', *drawings, caption, "</figure>"]) + "\n"
    if numbers_at:
        named = f'<span class="hidden"> of {text(chart.title)}</span>'
        details = f'<p class="numbers"><a href="{numbers_at}#table-{key}-numbers">Numbers{named}</a></p>'
        data = ""
    else:
        summary = "<summary>Numbers of this chart</summary>"
        details = f"<details>{summary}{table_html(_numbers(chart, reads))}</details>" if reads else ""
        data = f'<script type="application/json">{_dumped(figure_data(chart))}</script>'
    parts = [f'<figure class="{kind}" id="figure-{key}">', *drawings, readout, caption, details, data, "</figure>"]
    return "\n".join(parts) + "\n"


def numbers_html(charts: Sequence[Chart]) -> str:
    """The tables of numbers of all charts that have curves, each with the id that `figure_html` links."""
    found = [(chart, list(_reads(chart))) for chart in charts]
    return "\n".join(table_html(_numbers(chart, reads)) for chart, reads in found if reads)


def numbers_script(charts: Sequence[Chart]) -> str:
    """The JSON of all charts' curves by the id of their figure, as a script of one assignment, packed.

    Frequencies stand once, under "axes"; values and u, in units of the last decimal and one more, as steps from one
    number to the next; valid as lengths of what is not and what is, in turn.
    """
    axes: dict[str, int] = {}
    rows = []
    for chart in charts:
        reads = list(_reads(chart))
        if not reads or chart.axis == "price":
            continue
        data = figure_data(chart)
        axis = axes.setdefault(json.dumps(data["hz"], separators=(",", ":")), len(axes))
        curves = [{**c, **_packed(c["values"], c["u"], c["valid"], c["decimals"] + 1)} for c in data["curves"]]
        rows.append(f'"figure-{identifier(chart.key)}":{_dumped({"axis": axis, "curves": curves})}')
    each = ",\n".join(rows)
    return f'{NUMBERS_START}{{"axes":[{",".join(axes)}],"figures":{{\n{each}\n}}}}\n'


def _packed(values: list[float | None], u: list[float | None], valid: str, decimals: int) -> dict[str, Any]:
    lengths = [len(found) for found in re.findall("0+|1+", valid)]
    if valid.startswith("1"):
        lengths.insert(0, 0)
    return {"values": _steps(values, decimals), "u": _steps(u, decimals), "valid": lengths}


def _steps(values: list[float | None], decimals: int) -> list[int | None]:
    last, found = 0, list[int | None]()
    for value in values:
        now = None if value is None else round(value * 10**decimals)
        found.append(None if now is None else now - last)
        last = last if now is None else now
    return found


def is_numbers_script(content: bytes) -> bool:
    """True if a script is nothing but the assignment of JSON, which runs nothing."""
    start = NUMBERS_START.encode()
    try:
        return content.startswith(start) and isinstance(json.loads(content[len(start) :]), dict)
    except ValueError:
        return False


def table_html(table: Table) -> str:
    """A table with its title as caption, the first column as row headings; it scrolls where it is too wide."""
    is_right = all(side == "right" for side in table.align)
    sides = [f' class="{side}"' if side == "right" and not is_right else "" for side in table.align]
    kind = "figures all-right" if is_right else "figures"
    named = zip(table.columns, sides, strict=True)
    head = "".join(f'<th scope="col"{side}>{text(name)}</th>' if name else "<td></td>" for name, side in named)
    body = []
    for row in table.rows:
        cells = [f"<td{side}>{text(cell)}</td>" for cell, side in zip(row, sides, strict=True)]
        if row:
            cells[0] = f'<th scope="row"{sides[0]}>{text(row[0])}</th>'
        body.append(f"<tr>{''.join(cells)}</tr>")
    rows = "\n".join(body)
    note = f'<p class="table-note">{text(table.note)}</p>' if table.note else ""
    return (
        f'<div class="table-scroll" tabindex="0" role="region" aria-label="{text(table.title)}">'
        f'<table class="{kind}" id="table-{identifier(table.key)}"><caption>{text(table.title)}</caption>'
        f"<thead><tr>{head}</tr></thead><tbody>\n{rows}\n</tbody></table></div>{note}"
    )


def chart_script() -> str:
    """The script that makes figures readable by pointer and keyboard: classic, to link or to paste into the page.

    It sets `earwitnessCharts.update(figure, curveKey, values, u)`, which redraws a curve on the figure's frequencies
    and renews its numbers; u, the uncertainty with k = 2, only where it changed too.
    """
    return files("earwitness.render").joinpath("static/chart.js").read_text(encoding="utf-8")


def _reads(chart: Chart) -> Iterator[_Read]:
    for place, panel in enumerate(chart.panels):
        # Below the first panel the same words may name another quantity.
        prefix = f"{panel.label}: " if place else ""
        for trace in panel.traces:
            label = trace.label or trace.curve.name
            name = label if label.casefold() == panel.label.casefold() else prefix + label
            yield _Read(trace.curve, name, role_class(trace.role), trace.curve.unit, place)
        for curve in panel.map_edges:
            yield _Read(curve, prefix + curve.name, "edge", curve.unit, place)


def _reading_hz(chart: Chart, reads: list[_Read]) -> FloatArray:
    """The frequencies the chart is read at: those of its finest curve, at most MOST_POINTS of them."""
    best = np.empty(0)
    for read in reads:
        hz = read.curve.axis.hz
        seen = hz[(hz >= chart.low_hz) & (hz <= chart.high_hz)]
        if seen.size > best.size:
            best = seen
    stride = max(1, -(-best.size // MOST_POINTS))
    return np.asarray(best[::stride])


def _sampled(curve: Curve, hz: FloatArray) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Values and standard uncertainty at hz (linear over the logarithm of frequency), NaN where there is no curve;
    valid only where both neighbors are."""
    own, at = np.log2(curve.axis.hz), np.log2(hz)
    values = np.interp(at, own, curve.values, left=np.nan, right=np.nan)
    u = np.interp(at, own, curve.u_total)
    valid = np.interp(at, own, curve.valid.astype(float), left=0.0, right=0.0) > 1 - 1e-9
    return values, u, valid & np.isfinite(values)


def _dumped(data: dict[str, Any]) -> str:
    dumped = json.dumps(data, separators=(",", ":"), allow_nan=False)
    # A curve's name must not be able to end the script element.
    return dumped.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")


def figure_data(chart: Chart) -> dict[str, Any]:
    """What the page's script reads of a chart, as plain values: "hz", "curves" on it, u with k = 2, and "map" where a
    panel has one: its "angle" [deg], "hz", and "level" [dB], a row an angle, null where it is not valid."""
    reads = list(_reads(chart))
    field = next((panel.map for panel in chart.panels if panel.map is not None), None)
    hz = _reading_hz(chart, reads) if reads or field is None else field.axis.hz
    curves = []
    for read in reads:
        values, u, valid = _sampled(read.curve, hz)
        has_ribbon = any(t.ribbon and t.curve is read.curve for t in chart.panels[read.panel].traces)
        curves.append(
            {
                "key": read.curve.key,
                "label": read.label,
                "role": read.role,
                "unit": read.unit,
                "decimals": read.decimals,
                "panel": read.panel,
                "values": [round(float(v), 3) if np.isfinite(v) else None for v in values],
                "u": [round(2 * float(v), 3) if np.isfinite(v) else None for v in u] if has_ribbon else [],
                "valid": "".join("1" if v else "0" for v in valid),
            }
        )
    data: dict[str, Any] = {"hz": [float(f"{f:.6g}") for f in hz], "curves": curves}
    if field is not None:
        every = max(1, -(-len(field.axis) // _MAP_COLUMNS))
        levels = np.where(field.valid, field.level_db, np.nan)[:, ::every]
        data["map"] = {
            "angle": field.angle_deg.tolist(),
            "hz": [float(f"{f:.6g}") for f in field.axis.hz[::every]],
            "level": [[round(float(v), 1) if np.isfinite(v) else None for v in row] for row in levels],
        }
    return data


def _numbers(chart: Chart, reads: list[_Read]) -> Table:
    in_time = chart.axis == "time"
    hz = np.array([f for f in TABLE_HZ if chart.low_hz <= f <= chart.high_hz])
    if in_time:
        hz = np.arange(np.ceil(4 * chart.low_hz), np.floor(4 * chart.high_hz) + 1) / 4
    if not hz.size:
        hz = _reading_hz(chart, reads)
    columns = []
    for read in reads:
        values, u, valid = _sampled(read.curve, hz)
        cells = []
        for v, s, good in zip(values, u, valid, strict=True):
            cells.append(_cell(float(v), float(s), read.decimals) if good else "not valid")
        columns.append(cells)
    words = "{:g} ms".format if in_time else _hz_words
    rows = tuple((words(float(f)), *cells) for f, *cells in zip(hz, *columns, strict=True))
    return Table(
        key=f"{chart.key}-numbers",
        title=f"{chart.title}: numbers",
        columns=(
            "time" if in_time else "frequency",
            *(f"{read.label}, {read.unit}" if read.unit else read.label for read in reads),
        ),
        align=tuple(_RIGHT for _ in range(len(reads) + 1)),
        rows=rows,
        note="Values every quarter of a millisecond."
        if in_time
        else "Values at one-third-octave frequencies, not averaged over bands. After ±: expanded uncertainty, k = 2.",
    )


_POINT_WORDS: Final = {"own": "this one", "frontier": "on the frontier", "near": "not told from it"}


def _named_points(chart: Chart) -> Table:
    """Points of a chart by name, but for those that only show what else there is."""
    points = [point for panel in chart.panels for point in panel.points if point.kind != "other"]
    return Table(
        key=f"{chart.key}-names",
        title=f"{chart.title}: names",
        columns=("Loudspeaker", "Price of a pair", chart.panels[0].label, "Place"),
        align=("left", _RIGHT, _RIGHT, "left"),
        rows=tuple((p.name, *p.words, _POINT_WORDS[p.kind]) for p in sorted(points, key=lambda p: (p.at, p.name))),
        note="Points without a name are those behind the frontier.",
    )


def _cell(value: float, u: float, decimals: int) -> str:
    words = f"{round(value, decimals) + 0.0:.{decimals}f}".replace("-", "\u2212")
    # What would round to ± 0 is rounded up, as everywhere.
    return f"{words} ± {max(2 * u, 10.0**-decimals):.{decimals}f}" if np.isfinite(u) and u > 0 else words


def _hz_words(hz: float) -> str:
    return f"{hz / 1000:g} kHz" if hz >= 1000 else f"{hz:g} Hz"
