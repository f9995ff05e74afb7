"""Words at curve ends, findings with their leader lines, the score of what was heard, and bands behind the curves."""

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from string import ascii_lowercase
from typing import Final

import numpy as np

from earwitness.exhibits.chart import ChartRegion, Lane, Mark, Panel, Span
from earwitness.quantities import Curve
from earwitness.render.frame import CHARACTER_PX, LINE_PX, Frame, number, text
from earwitness.render.palette import INKS, Ground, Theme
from earwitness.render.traces import role_class

Box = tuple[float, float, float, float]
OUTSIDE_WORDS = "outside the valid band"


def hatch_pattern(key: str, ground: Ground) -> str:
    """The pattern that says "not valid": it survives photocopies and both themes."""
    return (
        f'<defs><pattern id="{key}-hatch" width="7" height="7" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)"><path class="hatch-line" d="M0 0V7" stroke="{ground.grid}" stroke-width="2"/>'
        "</pattern></defs>"
    )


def invalid_bands(panel: Panel, frame: Frame) -> list[tuple[float, float]]:
    """Frequencies [Hz] at both ends of the panel where no trace of it is valid."""
    if not panel.traces:
        return []
    bands = [band for trace in panel.traces if (band := trace.curve.valid_band_hz()) is not None]
    if not bands:
        return [(frame.low_hz, frame.high_hz)]
    low, high = min(band[0] for band in bands), max(band[1] for band in bands)
    # A twelfth of an octave: an axis that ends a point inside the panel is not worth a hatch.
    slack = 2 ** (1 / 12)
    ends = []
    if low > frame.low_hz * slack:
        ends.append((frame.low_hz, min(low, frame.high_hz)))
    if high < frame.high_hz / slack:
        ends.append((max(high, frame.low_hz), frame.high_hz))
    return ends


def hatched(bands: list[tuple[float, float]], frame: Frame, key: str, ground: Ground) -> Iterator[str]:
    """Hatch over bands of frequency, named in words where they are wide enough to hold them."""
    for low_hz, high_hz in bands:
        left, right = frame.x_of(low_hz), frame.x_of(high_hz)
        place = f'x="{number(left)}" y="{number(frame.top)}"'
        size = f'width="{number(right - left)}" height="{number(frame.height)}"'
        yield f'<rect class="invalid" {place} {size} fill="url(#{key}-hatch)"/>'
        if right - left > (len(OUTSIDE_WORDS) + 2) * CHARACTER_PX:
            place = f'x="{number((left + right) / 2)}" y="{number(frame.bottom - 8)}" text-anchor="middle"'
            yield f'<text class="invalid-label" {place} fill="{ground.muted}" {halo(ground)}>{OUTSIDE_WORDS}</text>'


def seen_regions(panel: Panel, frame: Frame) -> list[ChartRegion]:
    """Regions of the panel that touch its frequency axis."""
    return [r for r in panel.regions if r.high_hz > frame.low_hz and r.low_hz < frame.high_hz]


def edges(region: ChartRegion, frame: Frame) -> tuple[float, float, float, float]:
    """Left, right, top and bottom of a region within the plot rectangle [px]."""
    top = frame.top if region.high is None else max(frame.y_of(region.high), frame.top)
    bottom = frame.bottom if region.low is None else min(frame.y_of(region.low), frame.bottom)
    return frame.x_of(region.low_hz), frame.x_of(region.high_hz), top, bottom


def region_shape(region: ChartRegion, frame: Frame, ground: Ground) -> str:
    """A window or target as a gray band, a heard remark as a bar, a splice as a bracket."""
    left, right, top, bottom = edges(region, frame)
    kind = f'class="region {region.kind}"'
    if region.kind == "splice":
        ends = f"M{number(left)} {number(bottom - 10)}v6H{number(right)}v-6"
        return f'<path {kind} d="{ends}" fill="none" stroke="{ground.muted}" stroke-width="1.5"/>'
    fill, height = ground.band, max(bottom - top, 0.0)
    if region.kind == "heard":
        fill, height = ground.heard, 6.0
    place = f'x="{number(left)}" y="{number(top)}" width="{number(right - left)}" height="{number(height)}"'
    edge = "" if region.kind == "heard" else f' stroke="{ground.grid}" stroke-width="0.8"'
    return f'<rect {kind} {place} fill="{fill}"{edge}/>'


def region_labels(regions: list[ChartRegion], panel: Panel, frame: Frame, ground: Ground) -> Iterator[str]:
    """Names of regions, moved a line at a time until no two overlap; that of a band where no curve of the panel is."""
    taken: list[Box] = []
    for region in regions:
        if not region.label:
            continue
        left, right, top, bottom = edges(region, frame)
        wide = len(region.label) * CHARACTER_PX
        if region.kind == "splice":
            x, y, step = (left + right - wide) / 2, bottom - 14, -LINE_PX
        elif region.kind == "heard":
            x, y, step = left + 2, top + 19, LINE_PX
        else:
            heights = [max(top - 4 - LINE_PX * k, frame.top + 14) for k in range(8)]
            heights.insert(1, bottom - 4)
            places = [(at, y) for y in heights for at in (left + 4, (left + right - wide) / 2, right - wide - 4)]
            boxes = [(at, y - 11, at + wide, y) for at, y in places]
            x, _, _, y = min(boxes, key=lambda box: (_is_taken(box, taken), _crossed(panel, frame, box)))
            step = LINE_PX
        x = max(min(x, frame.right - wide - 4), frame.left + 4)
        box = _free(x=x, y=y, wide=wide, step=step, frame=frame, taken=taken)
        taken.append(box)
        kind = "region-label heard-label" if region.kind == "heard" else "region-label"
        color = ground.heard if region.kind == "heard" else ground.muted
        place = f'x="{number(x)}" y="{number(box[3])}"'
        yield f'<text class="{kind}" {place} fill="{color}" {halo(ground)}>{text(region.label)}</text>'


def _crossed(panel: Panel, frame: Frame, box: Box) -> int:
    """In how many of forty columns of a box a curve of the panel passes through it or close by."""
    across, count = np.linspace(box[0], box[2], 41), 0
    for trace in panel.traces:
        y = np.interp(across, frame.x(trace.curve.axis.hz), frame.y(trace.curve.values))
        upper, lower = np.minimum(y[1:], y[:-1]), np.maximum(y[1:], y[:-1])
        count += int(((lower > box[1] - 4) & (upper < box[3] + 4)).sum())
    return count


def heard_rows(regions: list[ChartRegion], top: float, columns: int, ground: Ground) -> tuple[list[str], float]:
    """Heard remarks as rows under a narrow panel from `top` down; the markup and the new bottom [px]."""
    markup, y = [], top
    for region in regions:
        if region.kind != "heard" or not region.label:
            continue
        y += LINE_PX + 2
        bar = f'x="24" y="{number(y - 7)}" width="26" height="6"'
        markup.append(f'<rect class="region heard" {bar} fill="{ground.heard}"/>')
        for row, words in enumerate(textwrap.wrap(region.label, columns - 8)):
            y += LINE_PX if row else 0
            place = f'class="label heard-label" x="58" y="{number(y)}"'
            markup.append(f'<text {place} fill="{ground.heard}">{text(words)}</text>')
    return markup, y


def _free(x: float, y: float, wide: float, step: float, frame: Frame, taken: list[Box]) -> Box:
    """The first free place for a line of words, from y on by `step`; (left, top, right, base line) [px]."""
    for k in range(int(frame.height // LINE_PX)):
        base = y + k * step
        if not frame.top + 10 <= base <= frame.bottom - 2:
            break
        box = (x, base - 11, x + wide, base)
        if not _is_taken(box, taken):
            return box
    return (x, y - 11, x + wide, y)


def _is_taken(box: Box, taken: list[Box]) -> bool:
    return any(box[0] < other[2] and other[0] < box[2] and box[1] < other[3] and other[1] < box[3] for other in taken)


def halo(ground: Ground) -> str:
    """Attributes that keep words legible where curves and grid pass behind them."""
    return f'stroke="{ground.paper}" stroke-width="3" stroke-linejoin="round" paint-order="stroke"'


LABEL_COLUMNS = 24
_BADGE_PX = 20


@dataclass(frozen=True, slots=True, eq=False)
class Named:
    """A line with words at its end. kind : class of its color in the style sheet."""

    curve: Curve
    words: str
    color: str
    kind: str
    width_px: float
    dash: str


def named_lines(panel: Panel, ground: Ground, theme: Theme) -> list[Named]:
    """The lines of a panel that carry words, in their order: traces, then coverage edges."""
    lines = []
    for trace in panel.traces:
        if trace.label:
            ink = INKS[trace.role]
            kind = role_class(trace.role)
            lines.append(Named(trace.curve, trace.label, ink.color(theme), kind, width_px=ink.width_px, dash=ink.dash))
    for curve in panel.map_edges:
        lines.append(Named(curve=curve, words=curve.name, color=ground.ink, kind="edge", width_px=2.0, dash="7 4"))
    return lines


def label_width(panel: Panel, ground: Ground, theme: Theme) -> float:
    """Space right of the plot that its labels need [px]."""
    rows = [row for line in named_lines(panel, ground, theme) for row in wrapped(line.words)]
    return 26 + max(len(row) for row in rows) * CHARACTER_PX if rows else 0.0


def wrapped(words: str) -> list[str]:
    """Words of a label in lines of a narrow column; a term in parentheses starts its own line."""
    if len(words) <= LABEL_COLUMNS:
        return [words]
    plain, opened, term = words.partition(" (")
    parts = [plain, "(" + term] if opened else [words]
    return [row for part in parts for row in textwrap.wrap(part, LABEL_COLUMNS)] or [words]


def end_labels(lines: list[Named], frame: Frame) -> Iterator[str]:
    """Direct labels in the margin right of the plot, a leader line from each curve's end."""
    ends = [(line, end) for line in lines if (end := line_end(line.curve, frame)) is not None]
    rows = [wrapped(line.words) for line, _ in ends]
    sizes = [LINE_PX * len(words) - 2.0 * (len(words) - 1) for words in rows]
    places = dodged([y for _, (_, y) in ends], frame.top + 4, frame.bottom, sizes)
    for (line, end), words, place in zip(ends, rows, places, strict=True):
        yield _leader(line, end, frame, place)
        x, first = number(frame.right + 18), place + 4 - 7 * (len(words) - 1)
        spans = "".join(
            f'<tspan x="{x}" y="{number(first + 14 * k)}">{text(row)}</tspan>' for k, row in enumerate(words)
        )
        body = text(words[0]) if len(words) == 1 else spans
        key = f'class="label {line.kind}" data-of="{text(line.curve.key)}"'
        yield f'<text {key} x="{x}" y="{number(first)}" fill="{line.color}">{body}</text>'


def end_tags(lines: list[Named], frame: Frame) -> Iterator[str]:
    """Letters at the curve ends, for a picture too narrow for words; `key_rows` says what they mean."""
    ends = [(k, line, end) for k, line in enumerate(lines) if (end := line_end(line.curve, frame)) is not None]
    places = dodged([y for _, _, (_, y) in ends], frame.top + 4, frame.bottom, 13.0)
    for (k, line, end), place in zip(ends, places, strict=True):
        yield _leader(line, end, frame, place)
        at = f'x="{number(frame.right + 17)}" y="{number(place + 4)}"'
        yield f'<text class="tag {line.kind}" {at} fill="{line.color}">{tag(k)}</text>'


def key_rows(lines: list[Named], top: float, columns: int) -> tuple[list[str], float]:
    """Letter, piece of line and words of each curve from `top` down; the markup and the new bottom [px]."""
    markup, y = [], top
    for k, line in enumerate(lines):
        y += LINE_PX + 2
        dash = f' stroke-dasharray="{line.dash}"' if line.dash else ""
        stroke = f'stroke="{line.color}" stroke-width="{line.width_px}"{dash}'
        markup.append(f'<path class="sample {line.kind}" d="M24 {number(y - 4)}h26" {stroke}/>')
        color = f'fill="{line.color}"'
        markup.append(f'<text class="tag {line.kind}" x="10" y="{number(y)}" {color}>{tag(k)}</text>')
        for row, words in enumerate(textwrap.wrap(line.words, columns - 8) or [line.words]):
            y += LINE_PX if row else 0
            key = f'class="label {line.kind}" data-of="{text(line.curve.key)}"'
            markup.append(f'<text {key} x="58" y="{number(y)}" {color}>{text(words)}</text>')
    return markup, y


def tag(k: int) -> str:
    """Letter of line k: a to z, then a1 on."""
    return ascii_lowercase[k % 26] + (str(k // 26) if k >= 26 else "")


def _leader(line: Named, end: tuple[float, float], frame: Frame, place: float) -> str:
    x, y = end
    d = f"M{number(x)} {number(y)}L{number(frame.right + 4)} {number(y)}L{number(frame.right + 14)} {number(place)}"
    kind = f'class="leader {line.kind}" data-curve="{text(line.curve.key)}"'
    return f'<path {kind} d="{d}" fill="none" stroke="{line.color}" stroke-opacity="0.6"/>'


def line_end(curve: Curve, frame: Frame) -> tuple[float, float] | None:
    """Where a curve ends inside the panel [px]: its last valid point, else its last point; None if it has none."""
    hz, values = curve.axis.hz, curve.values
    seen = np.isfinite(values) & (hz >= frame.low_hz) & (hz <= frame.high_hz)
    rows = np.flatnonzero(seen & curve.valid)
    if not rows.size:
        rows = np.flatnonzero(seen)
    if not rows.size:
        return None
    y = frame.y_of(float(values[rows[-1]]))
    return frame.x_of(float(hz[rows[-1]])), min(max(y, frame.top), frame.bottom)


def mark_leaders(panel: Panel, frame: Frame, ground: Ground) -> Iterator[str]:
    """A dot at each finding and a thin line up to its number over the plot."""
    marks = panel.marks
    wished = [frame.x_of(mark.at_hz) for mark in marks]
    places = dodged(wished, frame.left + 8, frame.right - 8, float(_BADGE_PX))
    for mark, x, place in zip(marks, wished, places, strict=True):
        y = min(max(frame.y_of(mark.at), frame.top), frame.bottom)
        d = f"M{number(x)} {number(y)}L{number(x)} {number(frame.top)}L{number(place)} {number(frame.top - 6)}"
        yield f'<path class="mark-leader" d="{d}" fill="none" stroke="{ground.ink}" stroke-opacity="0.55"/>'
        dot = f'cx="{number(x)}" cy="{number(y)}" r="4"'
        yield f'<circle class="mark-dot" {dot} fill="{ground.ink}" stroke="{ground.paper}" stroke-width="1.5"/>'
        yield badge(mark, place, frame.top - 14, ground)


def badge(mark: Mark, x: float, y: float, ground: Ground) -> str:
    """The number of a finding in its circle, centered at (x, y) [px]."""
    at = f'cx="{number(x)}" cy="{number(y)}" r="8"'
    circle = f'<circle class="mark" {at} fill="{ground.paper}" stroke="{ground.ink}"/>'
    place = f'x="{number(x)}" y="{number(y + 4)}" text-anchor="middle" font-size="12"'
    return circle + f'<text class="mark-number" {place} fill="{ground.ink}">{mark.number}</text>'


def dodged(wished: Sequence[float], low: float, high: float, gap: float | Sequence[float]) -> list[float]:
    """Places near the wished ones, in their order, within low to high.

    gap : least distance of neighbors, or the size of each item (neighbors then keep half the sum of their sizes).
    Where they are too many for the room, all distances shrink by one factor.
    """
    sizes = [float(gap)] * len(wished) if isinstance(gap, int | float) else [float(size) for size in gap]
    order = sorted(range(len(wished)), key=lambda k: (wished[k], k))
    gaps = [(sizes[a] + sizes[b]) / 2 for a, b in pairwise(order)]
    if gaps and sum(gaps) > high - low:
        gaps = [size * (high - low) / sum(gaps) for size in gaps]
    places = [min(max(wished[k], low), high) for k in order]
    for k in range(1, len(places)):
        places[k] = max(places[k], places[k - 1] + gaps[k - 1])
    limit = high
    for k in range(len(places) - 1, -1, -1):
        places[k] = min(places[k], limit)
        limit = places[k] - (gaps[k - 1] if k else 0.0)
    return [places[order.index(k)] for k in range(len(wished))]


LANE_PX: Final = 32.0
_GAP_PX: Final = 10.0


def score_lanes(lanes: Sequence[Lane], frame: Frame, ground: Ground) -> Iterator[str]:
    """The lanes from frame.top down, each LANE_PX high: a bar for each span, filled where it holds, dashed where it
    is a refusal, its words over it, and the name of the lane right of the plot."""
    colors = {"heard": ground.heard, "measured": INKS["window"].light, "mended": INKS["mended"].light}
    for row, lane in enumerate(lanes):
        color, base = colors[lane.kind], frame.top + LANE_PX * (row + 1)
        line = f"M{number(frame.left)} {number(base)}H{number(frame.right)}"
        yield f'<path class="lane-line" d="{line}" stroke="{ground.grid}"/>'
        place = f'x="{number(frame.right + 18)}" y="{number(base - 2)}" font-weight="600"'
        yield f'<text class="lane-name {lane.kind}" {place} fill="{color}">{lane.kind.capitalize()}</text>'
        yield from _spans(lane, frame, base, color, ground)


def _spans(lane: Lane, frame: Frame, base: float, color: str, ground: Ground) -> Iterator[str]:
    ends = [(frame.x_of(span.low_hz), frame.x_of(span.high_hz)) for span in lane.spans]
    words = _fitting(lane.spans, frame.width)
    sizes = [len(word) * CHARACTER_PX + _GAP_PX for word in words]
    middles = [(left + right) / 2 for left, right in ends]
    # Words end where the plot ends, so their middles have less room by half a word on each side.
    edges = [size / 2 for _, size in sorted(zip(middles, sizes, strict=True))] or [0.0]
    places = dodged(middles, frame.left + edges[0], frame.right - edges[-1], sizes)
    for span, (left, right), word, x in zip(lane.spans, ends, words, places, strict=True):
        kind = "holds" if span.holds else "refusal"
        box = f'x="{number(left)}" y="{number(base - 6)}" width="{number(max(right - left - 1.0, 4.0))}" height="6"'
        drawn = f'fill="{color}"' if span.holds else f'fill="none" stroke="{color}" stroke-dasharray="3 2"'
        yield f'<rect class="span {lane.kind} {kind}" {box} {drawn}/>'
        shade = ground.ink if span.holds else ground.muted
        at = f'x="{number(x)}" y="{number(base - 11)}" text-anchor="middle"'
        yield f'<text class="span-words {kind}" {at} fill="{shade}">{text(word)}</text>'


def _fitting(spans: Sequence[Span], width_px: float) -> list[str]:
    """The words of all spans, cut to their first where all together are wider than the plot."""
    words = [span.words for span in spans]
    if sum(len(word) * CHARACTER_PX + _GAP_PX for word in words) <= width_px:
        return words
    return [word.split("\N{NO-BREAK SPACE}")[0].split(":")[0].split(" ")[0] for word in words]
