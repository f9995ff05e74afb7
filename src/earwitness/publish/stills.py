"""Stills for a talk or a screen held upright: one exhibit, one message, large type, and the steps that build it up, as
animated SVG and as a video too."""

import io
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from html import escape
from itertools import pairwise
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np

from earwitness.errors import InputError, MissingExtraError, OutputError, choice
from earwitness.exhibits.chart import Chart, Panel
from earwitness.exhibits.line_breaks import SENTENCE_END, short_headline, units_kept
from earwitness.files.data import table_of
from earwitness.files.durable import replacing, write_bytes
from earwitness.publish.review import Review
from earwitness.publish.typeset import png_pages
from earwitness.render.palette import GROUNDS, Theme
from earwitness.render.svg import TYPEFACE, DrawingSpace, still_height, still_svg

Shape = Literal["wide", "tall"]
_TEMPLATE: Final = "sheets/still.typ"
# A page being set takes 8 MB.
_AT_ONCE: Final = 8
# Letters of the footer's title that fit with the date and the tester.
_MOST_TITLE: Final = 60
# Of the type in a drawing: 1 is legible on a phone; smaller ones are for charts of very many curves or remarks.
_TYPE_SIZES: Final = (1.0, 0.85, 0.7, 0.55, 0.4)
INVENTED_WORDS: Final = "Invented, for show"


@dataclass(frozen=True, slots=True)
class _Sheet:
    """Sizes of one shape [px of the picture]. scale : picture px per px of a drawing, whose type is 12 px high."""

    width: int
    height: int
    margin: int
    head: int
    foot: int
    small: int
    message_sizes: tuple[int, ...]
    scale: float

    def room(self, smaller: float = 1.0) -> DrawingSpace:
        """The room of a drawing whose type is `smaller` times the usual size."""
        scale = self.scale * smaller
        width = (self.width - 2 * self.margin) / scale
        height = (self.height - 2 * self.margin - self.head - self.foot) / scale
        return DrawingSpace(width, height, self.height > self.width)


_SIZES: Final = table_of("publish", "stills")
_SHEETS: Final[dict[str, _Sheet]] = {shape: _Sheet(**sizes) for shape, sizes in _SIZES["sheets"].items()}


@dataclass(frozen=True, slots=True)
class Still:
    """One picture. name : file name without suffix, "balance-wide" or "balance-wide-02"; message : what it says;
    png : its bytes."""

    name: str
    message: str
    png: bytes


@dataclass(frozen=True, slots=True, eq=False)
class _View:
    """What one still shows of a chart: the panel, how many of its curves, which of its marks, with which message."""

    name: str
    chart: Chart
    panel: Panel
    message: str
    traces: int | None = None
    marks: tuple[int, ...] | None = None


def stills_of(
    review: Review, *, shape: Shape = "wide", steps: bool = False, theme: Theme = "light", transparent: bool = False
) -> tuple[Still, ...]:
    """A still of every chart of the review, 1920 x 1080 ("wide") or 1080 x 1920 ("tall").

    Each shows the chart's first panel with the finding of its caption. steps : besides, the way there: curve by
    curve, then finding by finding, then the other panels, numbered from 01 on; scales and words keep their places.
    transparent : without paper, to lie over a film.
    Raises InputError for another shape or a chart with more words than any type leaves room for, OutputError when
    the typesetter fails.
    """
    choice("shape", shape, _SHEETS)
    sheet, ground = _SHEETS[shape], GROUNDS[theme]
    views = [view for chart in review.charts for view in _views(chart, shape, steps=steps)]
    if not views:
        return ()
    pages = []
    for view in views:
        svg, head = _drawing(view, sheet, theme, transparent=transparent)
        alt = f"Chart: {view.chart.title}"
        headline = short_headline(view.message)
        is_whole = headline == view.message.removesuffix(".")
        # What a headline leaves out stands small under it, in place of the title over it.
        told = {"title": view.chart.title, "headline": headline or view.chart.title}
        message = "" if is_whole else view.message
        pages.append({**told, "message": message, "head": head, "svg": svg, "alt": alt})
    made_by = "" if review.tester.name == "not stated" else f" by {review.tester.name}"
    title = review.title if len(review.title) <= _MOST_TITLE else f"{review.title[: _MOST_TITLE - 1].rstrip()}…"
    data = {
        **asdict(sheet),
        "typeface": TYPEFACE,
        "paper": "" if transparent else ground.paper,
        "ink": ground.ink,
        "muted": ground.muted,
        "footer": f"{title}, measured {review.date}{made_by if len(made_by) <= _MOST_TITLE else ''}",
        "invented": INVENTED_WORDS if review.invented else "",
    }
    batches = (pages[at : at + _AT_ONCE] for at in range(0, len(pages), _AT_ONCE))
    made = (png for batch in batches for png in png_pages(_TEMPLATE, {**data, "pages": batch}))
    return tuple(Still(view.name, view.message, png) for view, png in zip(views, made, strict=True))


def write_stills(
    review: Review, folder: Path, *, shape: Shape = "wide", steps: bool = False, transparent: bool = False
) -> tuple[Path, ...]:
    """Write the stills into `folder`, each whole or not at all. Raises as `stills_of`, and OutputError by the disk."""
    stills = stills_of(review, shape=shape, steps=steps, transparent=transparent)
    return tuple(write_bytes(Path(folder) / f"{still.name}.png", still.png) for still in stills)


def still_drawing(chart: Chart, shape: Shape) -> str:
    """The drawing of the chart's still, without its words over and under it, as SVG text. Raises as `stills_of`."""
    view = next(_views(chart, shape, steps=False))
    return _drawing(view, _SHEETS[shape], "light", transparent=False)[0]


def still_name(key: str) -> str:
    """File name of the still of the chart of that key, without shape and suffix."""
    return key.replace("_", "-")


def message_of(chart: Chart) -> str:
    """The one message of a chart: the first sentence of its finding."""
    return units_kept(SENTENCE_END.split(chart.caption.finding, maxsplit=1)[0]) or chart.title


def _drawing(view: _View, sheet: _Sheet, theme: Theme, *, transparent: bool) -> tuple[str, float]:
    """The drawing with the largest type at which all its words leave room for the plot, and the height that is left
    for the words over it [px of the picture]."""
    for size in _TYPE_SIZES:
        room = sheet.room(size)
        try:
            svg = still_svg(
                view.chart, view.panel, room, traces=view.traces, marks=view.marks, theme=theme, transparent=transparent
            )
        except InputError:
            if size == _TYPE_SIZES[-1]:
                raise
            continue
        free = (room.height_px - still_height(view.chart, view.panel, room, theme=theme)) * sheet.scale * size
        return svg, sheet.head + max(free, 0.0)
    raise AssertionError("no size of type")


def _views(chart: Chart, shape: Shape, *, steps: bool) -> Iterator[_View]:
    name, panel = f"{still_name(chart.key)}-{shape}", chart.panels[0]
    yield _View(name, chart, panel, message_of(chart))
    for number, view in enumerate(_steps(chart) if steps else (), 1):
        yield replace(view, name=f"{name}-{number:02d}")


def _steps(chart: Chart) -> Iterator[_View]:
    for place, panel in enumerate(chart.panels):
        for count, trace in enumerate(panel.traces, 1):
            yield _View("", chart, panel, trace.label or trace.curve.name, traces=count, marks=())
        if place == 0 and panel.map is not None:
            yield _View("", chart, panel, chart.subtitle or chart.title, marks=())
        for mark in panel.marks:
            yield _View("", chart, panel, units_kept(f"{mark.number}. {mark.text}"), marks=(mark.number,))
        if place == 0:
            yield _View("", chart, panel, message_of(chart))


FRAMES_PER_S: Final = 25
# Each step comes in this time and stands for that; the last one, which says what it means, stands longer.
_COMES_S, _STANDS_S, _LAST_S = 0.32, 1.0, 3.0
_Picture = np.ndarray[tuple[int, ...], np.dtype[np.uint8]]


def animated_svg(chart: Chart, *, shape: Shape = "wide") -> str:
    """The drawing of the chart's still, whose curves and then marks appear one after the other: no script, nothing
    from a network, and whole at once where the reader asks for less motion."""
    keys = [re.escape(escape(trace.curve.key)) for trace in chart.panels[0].traces]
    steps = [re.compile(f'data-(?:curve|of)="{key}"') for key in keys] + [re.compile('class="mark\\b')]

    def coming(element: re.Match[str]) -> str:
        number = next((k for k, step in enumerate(steps) if step.search(element[0])), None)
        return element[0] if number is None else element[0].replace('class="', f'class="come come-{number} ', 1)

    svg = re.sub("<\\w+ class=[^>]*>", coming, still_drawing(chart, shape))
    delays = "".join(f".come-{k}{{animation-delay:{0.4 + 1.2 * k:.1f}s}}" for k in range(len(steps)))
    style = (
        "<style>@media (prefers-reduced-motion:no-preference){@keyframes come{from{opacity:0}to{opacity:1}}"
        f".come{{animation:come .6s ease-out both}}{delays}}}</style>"
    )
    return svg.replace(">", f">{style}", 1)


def frames_of(review: Review, chart: Chart, *, shape: Shape = "wide") -> Iterator[_Picture]:
    """Frames (height, width, 3) of the build-up at FRAMES_PER_S: each step fades into the next, and the last one is the
    chart's still. Raises as `stills_of`."""
    from PIL import Image

    whole, *steps = stills_of(replace(review, exhibits=(chart,)), shape=shape, steps=True)
    # The steps of further panels come after the whole first one, which is the still.
    count = next((k for k, step in enumerate(steps) if step.png == whole.png), len(steps))
    pictures = [np.asarray(Image.open(io.BytesIO(one.png)).convert("RGB")) for one in (*steps[:count], whole)]
    comes, stands, last = (round(FRAMES_PER_S * s) for s in (_COMES_S, _STANDS_S, _LAST_S))
    for before, after in pairwise(pictures):
        yield from [before] * stands
        change = after.astype(np.int16) - before
        yield from ((before + change * k // (comes + 1)).astype(np.uint8) for k in range(1, comes + 1))
    yield from [pictures[-1]] * last


def write_video(frames: Iterator[_Picture], path: Path) -> Path:
    """Write frames (height, width, 3) as VP9 in WebM, whole or not at all.

    Raises MissingExtraError without PyAV, OutputError where the encoder or the disk fails.
    """
    av = _library()
    first = next(frames)
    try:
        with replacing(path) as temporary, av.open(str(temporary), "w", format="webm") as container:
            stream = container.add_stream("libvpx-vp9", rate=FRAMES_PER_S, options=_SIZES["encoding"])
            stream.height, stream.width, stream.pix_fmt = *first.shape[:2], "yuv420p"
            container.flags |= av.container.Flags.bitexact.value
            for picture in (first, *frames):
                container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")))
            container.mux(stream.encode(None))
    except (av.FFmpegError, OSError) as error:
        raise OutputError(f"the video cannot be written: {error}", where=str(path)) from error
    return path


def write_build_ups(
    review: Review,
    charts: Sequence[Chart],
    folder: Path,
    *,
    shapes: Sequence[Shape],
    video: bool,
    progress: Callable[[float], None] = lambda _share: None,
) -> tuple[Path, ...]:
    """Write the build-up of each chart in each shape as SVG, and as WebM with `video`. Raises as `write_video`."""
    if video:
        _library()
    made = []
    for place, (chart, shape) in enumerate([(chart, shape) for chart in charts for shape in shapes]):
        progress(place / (len(charts) * len(shapes)))
        name = f"{still_name(chart.key)}-{shape}-build-up"
        made.append(write_bytes(folder / f"{name}.svg", animated_svg(chart, shape=shape).encode()))
        if video:
            made.append(write_video(frames_of(review, chart, shape=shape), folder / f"{name}.webm"))
    return tuple(made)


def _library() -> Any:
    try:
        import av
    except ImportError:
        raise MissingExtraError.of("publish.no_video") from None
    return av
