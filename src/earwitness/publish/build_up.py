"""How a chart builds up, curve by curve and then finding by finding: as an animated SVG and as a video."""

import io
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from html import escape
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import numpy as np

from earwitness.errors import MissingExtraError, OutputError
from earwitness.exhibits.chart import Chart
from earwitness.files.durable import replacing, write_bytes
from earwitness.publish.review import Review
from earwitness.publish.stills import Shape, still_drawing, still_name, stills_of

FRAMES_PER_S: Final = 25
# Each step comes in this time and stands for that; the last one, which says what it means, stands longer.
_COMES_S, _STANDS_S, _LAST_S = 0.32, 1.0, 3.0
# Constant quality, in one thread: the same frames give the same bytes on one machine. What stands still costs little.
_ENCODING: Final = {
    "crf": "18",
    "b": "0",
    "deadline": "realtime",
    "cpu-used": "7",
    "threads": "1",
    "lag-in-frames": "0",
}
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
            stream = container.add_stream("libvpx-vp9", rate=FRAMES_PER_S, options=_ENCODING)
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
