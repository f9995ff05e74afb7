"""A chart as one SVG picture: same chart, same bytes."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from html import escape
from math import floor, log10

import numpy as np

from earwitness.errors import InputError
from earwitness.exhibits.chart import Chart, Panel, Region, Trace
from earwitness.quantities.arrays import BoolArray, FloatArray
from earwitness.render.palette import GROUNDS, INKS, Ground, Theme

LABELED_HZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)
_TEXT_PX = 12
_LINE_PX = 16
_LEFT_PX = 52
_MINIMUM_PLOT_PX = 120
_CHARACTER_PX = 6.4
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


@dataclass(frozen=True, slots=True)
class _Frame:
    """The plot rectangle of one panel and its two scales."""

    left: float
    top: float
    width: float
    height: float
    low_hz: float
    high_hz: float
    low: float
    high: float

    @property
    def right(self) -> float:
        return self.left + self.width

    @property
    def bottom(self) -> float:
        return self.top + self.height

    def x(self, hz: FloatArray) -> FloatArray:
        return np.asarray(self.left + self.width * np.log10(hz / self.low_hz) / log10(self.high_hz / self.low_hz))

    def y(self, values: FloatArray) -> FloatArray:
        # A value far off the panel is clipped anyway; bounding it keeps the numbers short.
        share = np.clip((self.high - values) / (self.high - self.low), -10.0, 11.0)
        return np.asarray(self.top + self.height * share)

    def x_of(self, hz: float) -> float:
        return float(self.x(np.array([min(max(hz, self.low_hz), self.high_hz)]))[0])

    def y_of(self, value: float) -> float:
        return float(self.y(np.array([value]))[0])


def svg_of(chart: Chart, width_px: int, *, theme: Theme = "light") -> str:
    """The chart as SVG text, `width_px` wide; the height follows from the scales.

    One decade is as long as `db_per_decade` is high (IEC 60263: 25 dB or 50 dB, from memory). Ids carry the key of
    the chart. Raises InputError for a chart that cannot be drawn: no panels, a map panel, an empty axis, no room.
    """
    _check(chart)
    ground = GROUNDS[theme]
    frames, lines, top = [], [], 12.0
    columns = max(20, int((width_px - 16) / _CHARACTER_PX))
    for text, kind, color in (
        (chart.title, "title", ground.ink),
        (chart.subtitle, "subtitle", ground.muted),
    ):
        for row in textwrap.wrap(text, columns if kind == "subtitle" else int(columns / 1.4)):
            top += 20 if kind == "title" else _LINE_PX
            weight = ' font-size="16" font-weight="600"' if kind == "title" else ""
            lines.append(f'<text class="{kind}" x="8" y="{_n(top)}" fill="{color}"{weight}>{_t(row)}</text>')
    width = _plot_width(chart, width_px)
    for panel in chart.panels:
        top += 30
        frames.append(_frame(chart, panel, top, width))
        top = frames[-1].bottom + 22
    for number, (panel, frame) in enumerate(zip(chart.panels, frames, strict=True)):
        lines.extend(_panel(panel, frame, f"{_id(chart.key)}-{number}", ground, theme))
    top += 8
    below = [f"{mark.number}  {mark.text}" for panel in chart.panels for mark in panel.marks]
    for kind, text in [("finding", line) for line in below] + [("note", chart.note)]:
        for row in textwrap.wrap(text, columns):
            top += _LINE_PX
            lines.append(f'<text class="{kind}" x="8" y="{_n(top)}" fill="{ground.muted}">{_t(row)}</text>')
    return _document(chart, width_px, top + 12, ground, lines)


def _document(chart: Chart, width_px: int, height_px: float, ground: Ground, lines: list[str]) -> str:
    key, size = _id(chart.key), f"{width_px} {_n(height_px)}"
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" id="{key}" class="chart" viewBox="0 0 {size}" width="{width_px}" '
        f'height="{_n(height_px)}" role="img" aria-labelledby="{key}-title {key}-desc" '
        f'font-family="system-ui, sans-serif" font-size="{_TEXT_PX}">'
    )
    words = (
        f'<title id="{key}-title">{_t(chart.title)}</title>',
        f'<desc id="{key}-desc">{_t(f"{chart.caption.finding} {chart.caption.reading}".strip())}</desc>',
        f'<rect class="paper" width="{width_px}" height="{_n(height_px)}" fill="{ground.paper}"/>',
    )
    return "\n".join((head, *words, *lines, "</svg>")) + "\n"


def _check(chart: Chart) -> None:
    where = f"chart {chart.key}"
    if not chart.panels:
        raise InputError("a chart without panels cannot be drawn", where=where, expected="at least one panel")
    if not 0 < chart.low_hz < chart.high_hz:
        raise InputError("the frequency axis is empty", where=where, expected="0 < low_hz < high_hz")
    for panel in chart.panels:
        place = f"{where}, panel {panel.label}"
        if not (panel.low < panel.high and panel.step > 0):
            raise InputError("the vertical axis is empty", where=place, expected="low < high and step > 0")
        if panel.map is not None:
            raise InputError("a map is no line chart", where=place, expected="a panel of traces")
        if panel.db_per_decade is not None and panel.db_per_decade <= 0:
            raise InputError("the decade has no length", where=place, expected="db_per_decade > 0")


def _plot_width(chart: Chart, width_px: int) -> float:
    longest = max((len(trace.label) for panel in chart.panels for trace in panel.traces), default=0)
    width = width_px - _LEFT_PX - (26 + longest * _CHARACTER_PX if longest else 16)
    if width < _MINIMUM_PLOT_PX:
        raise InputError(
            "the picture is too narrow for its labels",
            where=f"chart {chart.key}, {width_px} px",
            expected=f"at least {round(width_px + _MINIMUM_PLOT_PX - width)} px",
        )
    return width


def _frame(chart: Chart, panel: Panel, top: float, width: float) -> _Frame:
    if panel.db_per_decade is None:
        height = 0.35 * width
    else:
        height = width / log10(chart.high_hz / chart.low_hz) * (panel.high - panel.low) / panel.db_per_decade
    return _Frame(_LEFT_PX, top, width, height, chart.low_hz, chart.high_hz, panel.low, panel.high)


def _panel(panel: Panel, frame: _Frame, key: str, ground: Ground, theme: Theme) -> Iterator[str]:
    box = f'x="{_n(frame.left)}" y="{_n(frame.top)}" width="{_n(frame.width)}" height="{_n(frame.height)}"'
    yield f'<g id="{key}" class="panel"><clipPath id="{key}-clip"><rect {box}/></clipPath>'
    axis = panel.label if panel.unit in ("", panel.label) else f"{panel.label}, {panel.unit}"
    yield f'<text class="axis" x="8" y="{_n(frame.top - 10)}" fill="{ground.muted}">{_t(axis)}</text>'
    seen = [r for r in panel.regions if r.high_hz > frame.low_hz and r.low_hz < frame.high_hz]
    for region in seen:
        if region.kind in ("window", "target"):
            yield from _region(region, frame, ground)
    yield from _grid(panel, frame, ground)
    yield f'<rect class="plot" {box} fill="none" stroke="{ground.muted}"/>'
    yield f'<g clip-path="url(#{key}-clip)">'
    for trace in panel.traces:
        yield from _trace(trace, frame, theme)
    yield "</g>"
    for region in seen:
        if region.kind in ("heard", "splice"):
            yield from _region(region, frame, ground)
        yield from _region_label(region, frame, ground)
    yield from _labels(panel, frame, theme)
    for mark in panel.marks:
        x, y = frame.x_of(mark.at_hz), min(max(frame.y_of(mark.at), frame.top), frame.bottom)
        yield f'<circle class="mark" cx="{_n(x)}" cy="{_n(y)}" r="8" fill="{ground.paper}" stroke="{ground.ink}"/>'
        yield f'<text x="{_n(x)}" y="{_n(y + 4)}" text-anchor="middle" fill="{ground.ink}">{mark.number}</text>'
    yield "</g>"


def _grid(panel: Panel, frame: _Frame, ground: Ground) -> Iterator[str]:
    powers = range(floor(log10(frame.low_hz)), floor(log10(frame.high_hz)) + 1)
    lines_hz = [d * 10.0**p for p in powers for d in range(1, 10) if frame.low_hz <= d * 10.0**p <= frame.high_hz]
    labeled = [hz for hz in lines_hz if hz in LABELED_HZ]
    if len(labeled) < 2:
        labeled = lines_hz
    for hz in lines_hz:
        x, kind = _n(frame.x_of(hz)), "decade" if hz in labeled else "minor"
        color = ground.grid if hz in labeled else ground.minor
        yield f'<path class="{kind}" d="M{x} {_n(frame.top)}V{_n(frame.bottom)}" stroke="{color}"/>'
        if hz in labeled:
            label = f"{hz / 1000:g}k" if hz >= 1000 else f"{hz:g}"
            y = _n(frame.bottom + 15)
            yield f'<text class="hz" x="{x}" y="{y}" text-anchor="middle" fill="{ground.muted}">{label}</text>'
    count = floor((panel.high - panel.low) / panel.step + 1e-9)
    for value in (panel.low + k * panel.step for k in range(count + 1)):
        at, left = frame.y_of(value), _n(frame.left)
        yield f'<path class="level" d="M{left} {_n(at)}H{_n(frame.right)}" stroke="{ground.grid}"/>'
        place = f'x="{_n(frame.left - 6)}" y="{_n(at + 4)}" text-anchor="end"'
        yield f'<text class="tick" {place} fill="{ground.muted}">{round(value, 6):g}</text>'


def _edges(region: Region, frame: _Frame) -> tuple[float, float, float, float]:
    """Left, right, top and bottom of a region within the plot rectangle."""
    top = frame.top if region.high is None else max(frame.y_of(region.high), frame.top)
    bottom = frame.bottom if region.low is None else min(frame.y_of(region.low), frame.bottom)
    return frame.x_of(region.low_hz), frame.x_of(region.high_hz), top, bottom


def _region(region: Region, frame: _Frame, ground: Ground) -> Iterator[str]:
    left, right, top, bottom = _edges(region, frame)
    kind = f'class="region {region.kind}"'
    if region.kind == "splice":
        ends = f"M{_n(left)} {_n(bottom - 10)}v6H{_n(right)}v-6"
        yield f'<path {kind} d="{ends}" fill="none" stroke="{ground.muted}"/>'
        return
    fill, height = ground.band, max(bottom - top, 0.0)
    if region.kind == "heard":
        fill, height = ground.heard, 6.0
    place = f'x="{_n(left)}" y="{_n(top)}" width="{_n(right - left)}" height="{_n(height)}"'
    yield f'<rect {kind} {place} fill="{fill}"/>'


def _region_label(region: Region, frame: _Frame, ground: Ground) -> Iterator[str]:
    if not region.label:
        return
    left, _, top, bottom = _edges(region, frame)
    y = {"splice": bottom - 14, "heard": top + 18}.get(region.kind, max(top - 4, frame.top + 14))
    color = ground.heard if region.kind == "heard" else ground.muted
    # A halo of the paper keeps the words legible where curves and grid pass behind them.
    halo = f'stroke="{ground.paper}" stroke-width="3" paint-order="stroke"'
    place = f'x="{_n(left + 4)}" y="{_n(y)}"'
    yield f'<text class="region-label" {place} fill="{color}" {halo}>{_t(region.label)}</text>'


def _trace(trace: Trace, frame: _Frame, theme: Theme) -> Iterator[str]:
    curve, ink = trace.curve, INKS[trace.role]
    x, y, color = frame.x(curve.axis.hz), frame.y(curve.values), ink.color(theme)
    finite = np.isfinite(curve.values)
    kind = f"trace {trace.role.replace(' ', '-')}"
    if trace.ribbon:
        upper, lower = frame.y(curve.values + 2 * curve.u_total), frame.y(curve.values - 2 * curve.u_total)
        for run in _runs(curve.valid & np.isfinite(upper) & np.isfinite(lower)):
            edge = _points(np.r_[x[run], x[run][::-1]], np.r_[upper[run], lower[run][::-1]])
            yield f'<path class="ribbon" d="M{edge}Z" fill="{color}" fill-opacity="0.16"/>'
    style = f'fill="none" stroke="{color}" stroke-width="{ink.width_px}" stroke-linejoin="round"'
    dash = f' stroke-dasharray="{ink.dash}"' if ink.dash else ""
    for run in _runs(~curve.valid & finite):
        # One valid neighbor on each side, so that the pale line meets the full one.
        start = run.start - 1 if run.start > 0 and finite[run.start - 1] else run.start
        stop = run.stop + 1 if run.stop < x.size and finite[run.stop] else run.stop
        path = _points(x[start:stop], y[start:stop])
        yield f'<path class="{kind} outside" d="M{path}" {style} stroke-dasharray="3 4" stroke-opacity="0.45"/>'
    for run in _runs(curve.valid & finite):
        yield f'<path class="{kind}" d="M{_points(x[run], y[run])}" {style}{dash}/>'


def _labels(panel: Panel, frame: _Frame, theme: Theme) -> Iterator[str]:
    ends = [(trace, end) for trace in panel.traces if trace.label and (end := _end(trace, frame)) is not None]
    places = dodged([y for _, (_, y) in ends], frame.top + 4, frame.bottom, _LINE_PX)
    for (trace, (x, y)), place in zip(ends, places, strict=True):
        color = INKS[trace.role].color(theme)
        leader = f"M{_n(x)} {_n(y)}L{_n(frame.right + 4)} {_n(y)}L{_n(frame.right + 14)} {_n(place)}"
        yield f'<path class="leader" d="{leader}" fill="none" stroke="{color}" stroke-opacity="0.6"/>'
        place_text = f'x="{_n(frame.right + 18)}" y="{_n(place + 4)}"'
        yield f'<text class="label" {place_text} fill="{color}">{_t(trace.label)}</text>'


def _end(trace: Trace, frame: _Frame) -> tuple[float, float] | None:
    hz, values = trace.curve.axis.hz, trace.curve.values
    seen = np.isfinite(values) & (hz >= frame.low_hz) & (hz <= frame.high_hz)
    rows = np.flatnonzero(seen & trace.curve.valid)
    if not rows.size:
        rows = np.flatnonzero(seen)
    if not rows.size:
        return None
    y = frame.y_of(float(values[rows[-1]]))
    return frame.x_of(float(hz[rows[-1]])), min(max(y, frame.top), frame.bottom)


def dodged(wished: list[float], low: float, high: float, gap: float) -> list[float]:
    """Places near the wished ones, in their order, at least `gap` apart within low to high (less apart if too many)."""
    if len(wished) > 1:
        gap = min(gap, (high - low) / (len(wished) - 1))
    order = sorted(range(len(wished)), key=lambda k: (wished[k], k))
    places = [min(max(wished[k], low), high) for k in order]
    for k in range(1, len(places)):
        places[k] = max(places[k], places[k - 1] + gap)
    limit = high
    for k in range(len(places) - 1, -1, -1):
        places[k] = min(places[k], limit)
        limit = places[k] - gap
    return [places[order.index(k)] for k in range(len(wished))]


def _runs(mask: BoolArray) -> Iterator[slice]:
    edges = np.flatnonzero(np.diff(np.r_[0, mask.astype(np.int8), 0]))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        yield slice(int(start), int(stop))


def _points(x: FloatArray, y: FloatArray) -> str:
    return "L".join(f"{_n(float(a))} {_n(float(b))}" for a, b in zip(x, y, strict=True))


def _n(value: float) -> str:
    return f"{round(value, 1) + 0.0:.1f}".removesuffix(".0")


def _t(text: str) -> str:
    return escape(_NOT_XML.sub("\ufffd", text))


def _id(key: str) -> str:
    return "chart-" + re.sub("[^A-Za-z0-9-]", lambda found: f"_{ord(found.group()):x}_", key)
