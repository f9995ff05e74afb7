"""Bands behind and over the curves: windows, targets, heard remarks, splices, and what lies outside the valid band."""

import textwrap
from collections.abc import Iterator

import numpy as np

from earwitness.exhibits.chart import Panel, Region
from earwitness.render.frame import CHARACTER_PX, LINE_PX, Frame, number, text
from earwitness.render.palette import Ground

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


def seen_regions(panel: Panel, frame: Frame) -> list[Region]:
    """Regions of the panel that touch its frequency axis."""
    return [r for r in panel.regions if r.high_hz > frame.low_hz and r.low_hz < frame.high_hz]


def edges(region: Region, frame: Frame) -> tuple[float, float, float, float]:
    """Left, right, top and bottom of a region within the plot rectangle [px]."""
    top = frame.top if region.high is None else max(frame.y_of(region.high), frame.top)
    bottom = frame.bottom if region.low is None else min(frame.y_of(region.low), frame.bottom)
    return frame.x_of(region.low_hz), frame.x_of(region.high_hz), top, bottom


def region_shape(region: Region, frame: Frame, ground: Ground) -> str:
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


def region_labels(regions: list[Region], panel: Panel, frame: Frame, ground: Ground) -> Iterator[str]:
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
        box = _free(x, y, wide, step, frame, taken)
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


def heard_rows(regions: list[Region], top: float, columns: int, ground: Ground) -> tuple[list[str], float]:
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
