"""One panel of a chart for a still: little else in it, type large against the picture, built up curve by curve."""

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import log10

from earwitness.errors import InputError
from earwitness.exhibits.chart import Chart, Panel
from earwitness.render.frame import CHARACTER_PX, LINE_PX, Frame, grid_labels, grid_lines, identifier, number, text
from earwitness.render.labels import (
    Named,
    end_labels,
    end_tags,
    key_rows,
    label_width,
    line_end,
    mark_leaders,
    named_lines,
)
from earwitness.render.maps import color_bar, contour_labels, map_shapes
from earwitness.render.palette import GROUNDS, Theme
from earwitness.render.regions import (
    hatch_pattern,
    hatched,
    heard_rows,
    invalid_bands,
    region_labels,
    region_shape,
    seen_regions,
)
from earwitness.render.scatter import point_shapes
from earwitness.render.svg import TYPEFACE
from earwitness.render.traces import edge_paths, trace_paths

_BELOW_PX = 22.0
_LEAST_PLOT_PX = 80.0


@dataclass(frozen=True, slots=True)
class Room:
    """The space a still has for its drawing [px of the drawing, whose type is 12 px high].

    upright : words go under the plot, not beside it
    """

    width_px: float
    height_px: float
    upright: bool


def still_svg(
    chart: Chart,
    panel: Panel,
    room: Room,
    *,
    traces: int | None = None,
    marks: Sequence[int] | None = None,
    theme: Theme = "light",
    transparent: bool = False,
) -> str:
    """`panel` of `chart` as SVG text as wide as `room`; the decade keeps its length in dB. In an upright room it is no
    higher than `still_height` says, in another one as high as the room.

    traces : how many curves are drawn, from the first on (None: all); marks : numbers of the findings that are marked
    (None: all); transparent : no paper behind it. Scales and places of words are those of the full panel, so that
    nothing moves between two steps.
    Raises InputError where the room is too small.
    """
    ground = GROUNDS[theme]
    key = identifier(chart.key) + "-still"
    frame = _frame(chart, panel, room, theme)
    shown = panel if traces is None else replace(panel, traces=panel.traces[:traces])
    if marks is not None:
        shown = replace(shown, marks=tuple(mark for mark in panel.marks if mark.number in marks))
    height = number(still_height(chart, panel, room, theme=theme))
    size = f"{number(room.width_px)} {height}"
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size}" width="{number(room.width_px)}" '
        f'height="{height}" font-family="{TYPEFACE}" font-size="12">'
    )
    paper = f'<rect width="100%" height="100%" fill="{"none" if transparent else ground.paper}"/>'
    clip = f'<clipPath id="{key}-clip"><rect {frame.box}/></clipPath>'
    words = [
        f'<text x="8" y="{number(LINE_PX * (row + 1) - 2)}" fill="{ground.muted}">{text(line)}</text>'
        for row, line in enumerate(_axis_rows(panel, room))
    ]
    body = [*_plot(panel, shown, frame, key, theme, upright=room.upright), *_names(panel, shown, frame, room, theme)]
    return "\n".join((head, paper, hatch_pattern(key, ground), clip, *words, *body, "</svg>")) + "\n"


def still_height(chart: Chart, panel: Panel, room: Room, *, theme: Theme = "light") -> float:
    """What of the height of an upright room the drawing takes, all words under it counted; all of another room [px]."""
    if not room.upright:
        return room.height_px
    bottom = _frame(chart, panel, room, theme).bottom + _BELOW_PX + _under(panel, room, theme) + 4.0
    return min(bottom, room.height_px)


def _under(panel: Panel, room: Room, theme: Theme) -> float:
    """Height of the words under an upright plot, those of all curves [px]."""
    if not room.upright:
        return 0.0
    columns = int(room.width_px / CHARACTER_PX)
    under = key_rows(named_lines(panel, GROUNDS[theme], theme), 0.0, columns)[1]
    return heard_rows(list(panel.regions), under, columns, GROUNDS[theme])[1]


def _axis_rows(panel: Panel, room: Room) -> list[str]:
    axis = panel.label if panel.unit in ("", panel.label) else f"{panel.label}, {panel.unit}"
    return textwrap.wrap(axis, max(20, int(room.width_px / CHARACTER_PX)))


def _frame(chart: Chart, panel: Panel, room: Room, theme: Theme) -> Frame:
    """The plot rectangle: as large as the room allows with the scales' shape."""
    ground, left = GROUNDS[theme], 38.0 if room.upright else 44.0
    lines = named_lines(panel, ground, theme)
    beside = 28.0 if room.upright and lines else max(label_width(panel, ground, theme), 16.0)
    under = _under(panel, room, theme)
    top = LINE_PX * len(_axis_rows(panel, room)) + (36 if panel.map is not None else 8) + (24 if panel.marks else 0)
    width, height = room.width_px - left - beside, room.height_px - top - _BELOW_PX - under
    if min(width, height) < _LEAST_PLOT_PX:
        raise InputError(
            "the still has no room for its chart",
            where=f"chart {chart.key}",
            expected=f"a plot of {_LEAST_PLOT_PX:g} px each way, not {width:.0f} by {height:.0f} px",
        )
    if panel.map is None and panel.db_per_decade is not None:
        tall_for_wide = (panel.high - panel.low) / panel.db_per_decade / log10(chart.high_hz / chart.low_hz)
        width = min(width, height / tall_for_wide)
        height = width * tall_for_wide
    else:
        share = 0.9 if panel.map is not None or (panel.points and room.upright) else 0.6
        height = min(height, share * width)
    linear = chart.axis == "time"
    return Frame(left, top, width, height, chart.low_hz, chart.high_hz, panel.low, panel.high, linear)


def _plot(panel: Panel, shown: Panel, frame: Frame, key: str, theme: Theme, *, upright: bool) -> Iterator[str]:
    ground, regions = GROUNDS[theme], seen_regions(panel, frame)
    if panel.map is None:
        yield from (region_shape(r, frame, ground) for r in regions if r.kind in ("window", "target"))
        yield from hatched(invalid_bands(panel, frame), frame, key, ground)
    else:
        yield f'<g clip-path="url(#{key}-clip)">'
        yield from map_shapes(panel.map, frame, key, ground, theme)
        yield "</g>"
    yield "<g>" if panel.map is None else '<g opacity="0.3">'
    yield from grid_lines(panel, frame, ground)
    yield "</g>"
    yield from grid_labels(panel, frame, ground)
    yield f'<rect {frame.box} fill="none" stroke="{ground.muted}"/><g clip-path="url(#{key}-clip)">'
    for edge in panel.map_edges:
        yield from edge_paths(edge, frame, ground)
    for trace in shown.traces:
        yield from trace_paths(trace, frame, theme)
    yield "</g>"
    yield from point_shapes(shown.points, frame, ground, theme)
    if panel.map is not None:
        yield from contour_labels(panel.map, frame, ground)
        yield from color_bar(frame, ground, theme, every_db=12)
    yield from (region_shape(r, frame, ground) for r in regions if r.kind in ("heard", "splice"))
    yield from mark_leaders(shown, frame, ground)
    yield from region_labels([r for r in regions if not (upright and r.kind == "heard")], panel, frame, ground)


def _names(panel: Panel, shown: Panel, frame: Frame, room: Room, theme: Theme) -> list[str]:
    """Names of the curves that are drawn, where they stand when all are."""
    ground = GROUNDS[theme]
    every, drawn = named_lines(panel, ground, theme), named_lines(shown, ground, theme)
    keys = {line.curve.key for line in drawn}
    ended = [line for line in every if line_end(line.curve, frame) is not None]
    if not room.upright:
        return _only(list(end_labels(every, frame)), ended, keys)
    columns = int(room.width_px / CHARACTER_PX)
    rows, bottom = key_rows(drawn, frame.bottom + _BELOW_PX, columns)
    heard, _ = heard_rows(seen_regions(panel, frame), bottom, columns, ground)
    return [*_only(list(end_tags(every, frame)), ended, keys), *rows, *heard]


def _only(markup: list[str], ended: list[Named], keys: set[str]) -> list[str]:
    """The pieces that belong to curves of `keys`; every line of `ended` has equally many pieces."""
    each = len(markup) // len(ended) if ended else 1
    return [piece for at, piece in enumerate(markup) if ended[at // each].curve.key in keys]
