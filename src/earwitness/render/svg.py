"""A chart as one SVG picture: same chart, same bytes. For a still one panel, type large, built up curve by curve."""

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from importlib.resources import files
from math import log10
from pathlib import Path
from typing import Final

from earwitness.errors import InputError
from earwitness.exhibits.chart import Chart, Panel
from earwitness.render import labels
from earwitness.render.frame import CHARACTER_PX, LINE_PX, Frame, grid_labels, grid_lines, identifier, number, text
from earwitness.render.maps import color_bar, contour_labels, map_shapes
from earwitness.render.palette import GROUNDS, Ground, Theme
from earwitness.render.scatter import point_shapes
from earwitness.render.traces import edge_paths, trace_paths

NARROW_BELOW_PX = 560
_MINIMUM_PLOT_PX = 160


@dataclass(frozen=True, slots=True)
class _Sheet:
    """What every part of one picture shares. key : id of the picture."""

    key: str
    width_px: int
    ground: Ground
    theme: Theme

    @property
    def narrow(self) -> bool:
        return self.width_px < NARROW_BELOW_PX

    @property
    def left(self) -> float:
        return 38.0 if self.narrow else 52.0

    @property
    def columns(self) -> int:
        return max(20, int((self.width_px - 16) / CHARACTER_PX))


def svg_of(chart: Chart, width_px: int, *, theme: Theme = "light", variant: str = "") -> str:
    """The chart as SVG text, `width_px` wide; the height follows from the scales.

    One decade is as long as `db_per_decade` is high (IEC 60263: 25 dB or 50 dB, from memory). Below 560 px the words
    at the curve ends become letters, explained right under their panel. Colors stand in presentation attributes for
    print, and in the classes of `theme_css` for the screen. Ids carry the key of the chart and `variant`, which sets
    two pictures of one chart on one page apart. Raises InputError for a chart that cannot be drawn: no panels, an
    empty axis, no room.
    """
    _check(chart)
    ground = GROUNDS[theme]
    sheet = _Sheet(identifier(chart.key) + (f"-{variant}" if variant else ""), width_px, ground, theme)
    lines, top = [labels.hatch_pattern(sheet.key, ground)], 12.0
    for words, kind, color in ((chart.title, "title", ground.ink), (chart.subtitle, "subtitle", ground.muted)):
        for row in textwrap.wrap(words, sheet.columns if kind == "subtitle" else int(sheet.columns / 1.4)):
            top += 20 if kind == "title" else LINE_PX
            weight = ' font-size="16" font-weight="600"' if kind == "title" else ""
            lines.append(f'<text class="{kind}" x="8" y="{number(top)}" fill="{color}"{weight}>{text(row)}</text>')
    width = _plot_width(chart, sheet)
    if chart.lanes and not sheet.narrow:
        across = Frame(sheet.left, top, width, 0.0, low_hz=chart.low_hz, high_hz=chart.high_hz, low=0.0, high=1.0)
        lines.extend(labels.score_lanes(chart.lanes, across, ground))
        top += labels.LANE_PX * len(chart.lanes)
    for place, panel in enumerate(chart.panels):
        markup, top = _panel(chart=chart, panel=panel, key=f"{sheet.key}-{place}", top=top, width=width, sheet=sheet)
        lines.extend(markup)
    markup, top = _below(chart, top + 8, sheet)
    lines.extend(markup)
    return _document(chart, sheet, top + 12, lines)


def _document(chart: Chart, sheet: _Sheet, height_px: float, lines: list[str]) -> str:
    key, size = sheet.key, f"{sheet.width_px} {number(height_px)}"
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" id="{key}" class="chart" viewBox="0 0 {size}" '
        f'width="{sheet.width_px}" height="{number(height_px)}" role="img" aria-labelledby="{key}-title {key}-desc" '
        f'data-low-hz="{chart.low_hz:g}" data-high-hz="{chart.high_hz:g}" '
        + (f'data-axis="{chart.axis}" ' if chart.axis != "frequency" else "")
        + 'font-family="system-ui, sans-serif" font-size="12">'
    )
    words = (
        f'<title id="{key}-title">{text(chart.title)}</title>',
        f'<desc id="{key}-desc">{text(f"{chart.caption.finding} {chart.caption.reading}".strip())}</desc>',
        f'<rect class="paper" width="{sheet.width_px}" height="{number(height_px)}" fill="{sheet.ground.paper}"/>',
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
        if panel.db_per_decade is not None and panel.db_per_decade <= 0:
            raise InputError("the decade has no length", where=place, expected="db_per_decade > 0")


def _plot_width(chart: Chart, sheet: _Sheet) -> float:
    widest = max(labels.label_width(panel, sheet.ground, sheet.theme) for panel in chart.panels)
    if sheet.narrow:
        widest = 28.0 if widest else 0.0
    width = sheet.width_px - sheet.left - (widest or 16.0)
    if width < _MINIMUM_PLOT_PX:
        raise InputError(
            "the picture is too narrow for its labels",
            where=f"chart {chart.key}, {sheet.width_px} px",
            expected=f"at least {round(sheet.width_px + _MINIMUM_PLOT_PX - width)} px",
        )
    return width


def _frame(chart: Chart, panel: Panel, top: float, width: float, sheet: _Sheet) -> Frame:
    if panel.map is not None:
        height = (0.75 if sheet.narrow else 0.46) * width
    elif panel.points:
        height = (0.8 if sheet.narrow else 0.5) * width
    elif panel.db_per_decade is None or chart.axis == "time":
        height = 0.35 * width
    else:
        height = width / log10(chart.high_hz / chart.low_hz) * (panel.high - panel.low) / panel.db_per_decade
    return Frame(
        sheet.left, top, width, height, chart.low_hz, chart.high_hz, panel.low, panel.high, chart.axis == "time"
    )


def _panel(chart: Chart, panel: Panel, key: str, top: float, width: float, sheet: _Sheet) -> tuple[list[str], float]:
    """Markup of a panel from `top` down, and where it ends [px]."""
    ground = sheet.ground
    top += 28
    axis = panel.label if panel.unit in ("", panel.label) else f"{panel.label}, {panel.unit}"
    words = []
    for row in textwrap.wrap(axis, sheet.columns):
        words.append(f'<text class="axis" x="8" y="{number(top)}" fill="{ground.muted}">{text(row)}</text>')
        top += LINE_PX
    top += (32 if panel.map is not None else 0) + (24 if panel.marks else 0) - 6
    frame = _frame(chart, panel, top, width, sheet)
    scale = f'data-low="{panel.low:g}" data-high="{panel.high:g}"'
    markup = [f'<g id="{key}" class="panel" {scale}><clipPath id="{key}-clip"><rect {frame.box}/></clipPath>', *words]
    markup.extend(_plot(panel, panel, frame, key, sheet.key, theme=sheet.theme, narrow=sheet.narrow, live=True))
    lines, top = labels.named_lines(panel, ground, sheet.theme), frame.bottom + 22
    if sheet.narrow:
        markup.extend(labels.end_tags(lines, frame))
        rows, top = labels.key_rows(lines, top, sheet.columns)
        markup.extend(rows)
        rows, top = labels.heard_rows(labels.seen_regions(panel, frame), top, sheet.columns, ground)
        markup.extend(rows)
    else:
        markup.extend(labels.end_labels(lines, frame))
    markup.append("</g>")
    return markup, top


def _plot(
    panel: Panel, shown: Panel, frame: Frame, key: str, sheet_key: str, theme: Theme, *, narrow: bool, live: bool
) -> Iterator[str]:
    """What stands in a plot and at its regions. shown : what of the panel is drawn; sheet_key : begins the ids of
    hatches and maps; live : with the classes that a page's script takes hold of."""
    ground, regions = GROUNDS[theme], labels.seen_regions(panel, frame)
    grid, plot, curves = (' class="grid"', ' class="plot"', ' class="curves"') if live else ("", "", "")
    over_map = ' class="grid over-map"' if live else ""
    if panel.map is None:
        yield from (labels.region_shape(r, frame, ground) for r in regions if r.kind in ("window", "target"))
        yield from labels.hatched(labels.invalid_bands(panel, frame), frame, sheet_key, ground)
    if live or panel.map is not None:
        yield f'<g clip-path="url(#{key}-clip)">'
        yield from () if panel.map is None else map_shapes(panel.map, frame, sheet_key, ground, theme)
        yield "</g>"
    yield f"<g{grid}>" if panel.map is None else f'<g{over_map} opacity="0.3">'
    yield from grid_lines(panel, frame, ground)
    yield "</g>"
    yield from grid_labels(panel, frame, ground)
    yield f'<rect{plot} {frame.box} fill="none" stroke="{ground.muted}"/>'
    yield f'<g{curves} clip-path="url(#{key}-clip)">'
    for edge in panel.map_edges:
        yield from edge_paths(edge, frame, ground)
    for trace in shown.traces:
        yield from trace_paths(trace, frame, theme)
    yield "</g>"
    yield from point_shapes(shown.points, frame, ground, theme)
    if panel.map is not None:
        yield from contour_labels(panel.map, frame, ground)
        yield from color_bar(frame, ground, theme, every_db=12 if narrow or not live else 6)
    yield from (labels.region_shape(r, frame, ground) for r in regions if r.kind in ("heard", "splice"))
    yield from labels.mark_leaders(shown, frame, ground)
    yield from labels.region_labels([r for r in regions if not (narrow and r.kind == "heard")], panel, frame, ground)
    if live:
        yield f'<path class="cursor" fill="none" stroke="{ground.ink}"/>'


def _below(chart: Chart, top: float, sheet: _Sheet) -> tuple[list[str], float]:
    """The list of numbered findings and the note, from `top` down, and where they end [px]."""
    markup, ground = [], sheet.ground
    # A mark without words is explained in the score, or in the list beside the chart.
    for mark in (mark for panel in chart.panels for mark in panel.marks if mark.text):
        top += 4
        markup.append(labels.badge(mark, 16, top + LINE_PX - 4, ground))
        for row in textwrap.wrap(mark.text, sheet.columns - 4):
            top += LINE_PX
            markup.append(f'<text class="finding" x="32" y="{number(top)}" fill="{ground.ink}">{text(row)}</text>')
    for row in textwrap.wrap(chart.note, sheet.columns):
        top += LINE_PX
        markup.append(f'<text class="note" x="8" y="{number(top)}" fill="{ground.muted}">{text(row)}</text>')
    return markup, top


TYPEFACE: Final = "DejaVu Sans"
_SCREEN_FAMILY: Final = 'font-family="system-ui, sans-serif"'


def fonts_folder() -> Path:
    """Where the typeface lies that comes with the program."""
    return Path(str(files("earwitness.render").joinpath("fonts")))


def print_svg(chart: Chart, width_px: int) -> str:
    """The chart without its title, which the page sets itself, `width_px` wide at 96 px an inch (25.4 mm).

    Raises InputError as `svg_of`.
    """
    drawn = svg_of(replace(chart, title="", subtitle=""), width_px, variant="print")
    return drawn.replace(_SCREEN_FAMILY, f'font-family="{TYPEFACE}"', 1)


_BELOW_PX = 22.0
_LEAST_PLOT_PX = 80.0


@dataclass(frozen=True, slots=True)
class DrawingSpace:
    """The space a still has for its drawing [px of the drawing, whose type is 12 px high].

    upright : words go under the plot, not beside it
    """

    width_px: float
    height_px: float
    upright: bool


def still_svg(
    chart: Chart,
    panel: Panel,
    room: DrawingSpace,
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
    frame = _still_frame(chart, panel, room, theme)
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
    drawn = _plot(panel, shown=shown, frame=frame, key=key, sheet_key=key, theme=theme, narrow=room.upright, live=False)
    body = [*drawn, *_names(panel, shown, frame, room, theme)]
    return "\n".join((head, paper, labels.hatch_pattern(key, ground), clip, *words, *body, "</svg>")) + "\n"


def still_height(chart: Chart, panel: Panel, room: DrawingSpace, *, theme: Theme = "light") -> float:
    """What of the height of an upright room the drawing takes, all words under it counted; all of another room [px]."""
    if not room.upright:
        return room.height_px
    bottom = _still_frame(chart, panel, room, theme).bottom + _BELOW_PX + _under(panel, room, theme) + 4.0
    return min(bottom, room.height_px)


def _under(panel: Panel, room: DrawingSpace, theme: Theme) -> float:
    """Height of the words under an upright plot, those of all curves [px]."""
    if not room.upright:
        return 0.0
    columns = int(room.width_px / CHARACTER_PX)
    under = labels.key_rows(labels.named_lines(panel, GROUNDS[theme], theme), 0.0, columns)[1]
    return labels.heard_rows(list(panel.regions), under, columns, GROUNDS[theme])[1]


def _axis_rows(panel: Panel, room: DrawingSpace) -> list[str]:
    axis = panel.label if panel.unit in ("", panel.label) else f"{panel.label}, {panel.unit}"
    return textwrap.wrap(axis, max(20, int(room.width_px / CHARACTER_PX)))


def _still_frame(chart: Chart, panel: Panel, room: DrawingSpace, theme: Theme) -> Frame:
    """The plot rectangle: as large as the room allows with the scales' shape."""
    ground, left = GROUNDS[theme], 38.0 if room.upright else 44.0
    lines = labels.named_lines(panel, ground, theme)
    beside = 28.0 if room.upright and lines else max(labels.label_width(panel, ground, theme), 16.0)
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
    return Frame(
        left, top, width, height, chart.low_hz, high_hz=chart.high_hz, low=panel.low, high=panel.high, linear=linear
    )


def _names(panel: Panel, shown: Panel, frame: Frame, room: DrawingSpace, theme: Theme) -> list[str]:
    """Names of the curves that are drawn, where they stand when all are."""
    ground = GROUNDS[theme]
    every, drawn = labels.named_lines(panel, ground, theme), labels.named_lines(shown, ground, theme)
    keys = {line.curve.key for line in drawn}
    ended = [line for line in every if labels.line_end(line.curve, frame) is not None]
    if not room.upright:
        return _only(list(labels.end_labels(every, frame)), ended, keys)
    columns = int(room.width_px / CHARACTER_PX)
    rows, bottom = labels.key_rows(drawn, frame.bottom + _BELOW_PX, columns)
    heard, _ = labels.heard_rows(labels.seen_regions(panel, frame), bottom, columns, ground)
    return [*_only(list(labels.end_tags(every, frame)), ended, keys), *rows, *heard]


def _only(markup: list[str], ended: list[labels.Named], keys: set[str]) -> list[str]:
    """The pieces that belong to curves of `keys`; every line of `ended` has equally many pieces."""
    each = len(markup) // len(ended) if ended else 1
    return [piece for at, piece in enumerate(markup) if ended[at // each].curve.key in keys]
