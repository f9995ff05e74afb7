"""Build-ups: the SVG by an XML parser, the video decoded again by PyAV."""

from __future__ import annotations

import builtins
import io
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import av
import numpy as np
import pytest
from PIL import Image

from earwitness.errors import MissingExtraError
from earwitness.exhibits.chart import Chart
from earwitness.publish.review import Review, review_of
from earwitness.publish.stills import (
    FRAMES_PER_S,
    Shape,
    animated_svg,
    frames_of,
    stills_of,
    write_build_ups,
    write_video,
)
from earwitness.quantities import Measurement, Reading
from earwitness.session.session import Session

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def review(reading: Reading, measurement: Measurement, session: Session) -> Review:
    return review_of(reading, measurement, session)


@pytest.fixture(scope="module")
def chart(review: Review) -> Chart:
    return next(chart for chart in review.charts if chart.key == "evenness")


def smaller(frames: Iterator[np.ndarray[Any, Any]]) -> Iterator[np.ndarray[Any, Any]]:
    """A quarter of the size: what is tested is the order of frames, not the patience of the machine."""
    for frame in frames:
        yield np.ascontiguousarray(frame[2::4, 2::4])


@pytest.mark.parametrize("shape", ["wide", "tall"])
def test_the_video_ends_on_the_still_and_has_every_frame(
    review: Review, chart: Chart, shape: Shape, tmp_path: Path
) -> None:
    path = write_video(smaller(frames_of(review, chart, shape=shape)), tmp_path / "one.webm")
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        assert stream.codec_context.name == "vp9"
        assert stream.average_rate == FRAMES_PER_S
        decoded = [frame.to_ndarray(format="rgb24").astype(int) for frame in container.decode(video=0)]
    # A step a curve and a mark, then the whole: a second each, a third of a second to the next, three at the end.
    steps = len(chart.panels[0].traces) + len(chart.panels[0].marks)
    assert len(decoded) == FRAMES_PER_S * steps + 8 * steps + 3 * FRAMES_PER_S
    still = Image.open(io.BytesIO(stills_of(replace(review, exhibits=(chart,)), shape=shape)[0].png)).convert("RGB")
    whole = np.asarray(still).astype(int)[2::4, 2::4]
    # Color of half resolution and limited range (ITU-R BT.601) at high quality: a few steps of 255 on the mean.
    assert np.abs(decoded[-1] - whole).mean() < 3
    assert np.abs(decoded[0] - whole).mean() > np.abs(decoded[-1] - whole).mean() + 0.5


def test_the_same_frames_give_the_same_bytes(tmp_path: Path) -> None:
    made = []
    for name in ("a", "b"):
        frames = (np.full((90, 160, 3), k, dtype=np.uint8) for k in range(0, 250, 10))
        made.append(write_video(frames, tmp_path / f"{name}.webm").read_bytes())
    assert made[0] == made[1]


def test_the_svg_brings_every_curve_with_its_name_and_then_the_marks(review: Review) -> None:
    chart = next(chart for chart in review.charts if chart.key == "balance")
    root = ElementTree.fromstring(animated_svg(chart))
    style = root.find(f"{SVG}style")
    assert style is not None
    assert style.text is not None
    assert "prefers-reduced-motion:no-preference" in style.text
    come = {}
    for element in root.iter():
        found = re.search(r"\bcome-(\d+)", element.get("class", ""))
        if found and (key := element.get("data-curve") or element.get("data-of")):
            come.setdefault(key, set()).add(int(found[1]))
    keys = [trace.curve.key for trace in chart.panels[0].traces]
    assert come == {key: {k} for k, key in enumerate(keys)}
    assert f".come-{len(keys)}{{" in style.text
    assert not list(root.iter(f"{SVG}script"))


def test_without_the_library_the_command_says_what_to_install(
    review: Review, chart: Chart, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = builtins.__import__

    def without(name: str, *rest: Any) -> Any:
        if name == "av":
            raise ImportError(name)
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(MissingExtraError) as caught:
        write_build_ups(review, [chart], tmp_path, shapes=["wide"], video=True)
    assert "earwitness[video]" in str(caught.value)
    assert not list(tmp_path.iterdir())
    assert len(write_build_ups(review, [chart], tmp_path, shapes=["wide", "tall"], video=False)) == 2
