"""The score above a chart: what was heard, measured and mended, each a line on the chart's own frequency axis."""

from collections.abc import Iterator, Sequence
from typing import Final

from earwitness.exhibits.chart import Lane, Span
from earwitness.render.frame import CHARACTER_PX, Frame, number, text
from earwitness.render.labels import dodged
from earwitness.render.palette import INKS, Ground

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
