"""Stills, looked at by Pillow; their drawings, by an XML parser."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from math import log10
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image

from earwitness.errors import InputError, OutputError
from earwitness.exhibits.chart import Chart, ChartRegion
from earwitness.exhibits.line_breaks import units_kept
from earwitness.publish import stills
from earwitness.publish.review import Review, review_of
from earwitness.publish.stills import Shape, message_of, stills_of, write_stills
from earwitness.quantities import Measurement, Reading
from earwitness.render.svg import DrawingSpace, still_svg
from earwitness.session.session import Session

SIZES: dict[Shape, tuple[int, int]] = {"wide": (1920, 1080), "tall": (1080, 1920)}
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def review(reading: Reading, measurement: Measurement, session: Session) -> Review:
    return review_of(reading, measurement, session)


@pytest.fixture
def balance(review: Review) -> Chart:
    return next(chart for chart in review.charts if chart.key == "balance")


@pytest.fixture
def evenness(review: Review) -> Chart:
    return next(chart for chart in review.charts if chart.key == "evenness")


@pytest.fixture
def sheets(monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
    """What is handed to the typesetter, caught."""
    caught: list[dict[str, Any]] = []

    def catch(_template: str, data: dict[str, Any]) -> tuple[bytes, ...]:
        caught.append(data)
        return tuple(b"" for _ in data["pages"])

    monkeypatch.setattr(stills, "png_pages", catch)
    return caught


def words_of(svg: str) -> str:
    return " | ".join("".join(node.itertext()) for node in ElementTree.fromstring(svg).iter(f"{SVG}text"))


def plot_box(svg: str) -> tuple[float, float, float, float]:
    clip = ElementTree.fromstring(svg).find(f".//{SVG}clipPath/{SVG}rect")
    assert clip is not None
    x, y, width, height = (float(clip.attrib[name]) for name in ("x", "y", "width", "height"))
    return x, y, width, height


@pytest.mark.parametrize("shape", ["wide", "tall"])
def test_every_chart_has_one_still_of_the_size_of_the_screen(review: Review, shape: Shape) -> None:
    made = stills_of(review, shape=shape)
    assert [still.name for still in made] == [f"{chart.key.replace('_', '-')}-{shape}" for chart in review.charts]
    for still in made:
        picture = Image.open(io.BytesIO(still.png))
        assert (picture.format, picture.size) == ("PNG", SIZES[shape])
        # Not an empty sheet: more than the paper and its ink, on both halves.
        pixels = np.asarray(picture.convert("L"))
        for half in (pixels[: pixels.shape[0] // 2], pixels[pixels.shape[0] // 2 :]):
            assert 0.005 < (half < 128).mean() < 0.9


@pytest.mark.parametrize("shape", ["wide", "tall"])
def test_type_is_legible_on_a_phone(review: Review, sheets: list[dict[str, Any]], shape: Shape) -> None:
    # Common practice, no source: 12 CSS pixels at least. A phone shows a still 390 CSS pixels wide when upright,
    # 844 wide when turned; the drawing's type is 12 px high, its captions never less.
    stills_of(review, shape=shape)
    sheet = sheets[0]
    css = (844 if shape == "wide" else 390) / SIZES[shape][0]
    assert sheet["small"] * 0.9 * css >= 11
    for page in (page for sheet in sheets for page in sheet["pages"]):
        root = ElementTree.fromstring(page["svg"])
        scale = (sheet["width"] - 2 * sheet["margin"]) / float(root.attrib["width"])
        sizes = [float(node.attrib.get("font-size", "12")) for node in root.iter(f"{SVG}text")]
        assert root.attrib["font-size"] == "12"
        assert min(sizes) * scale * css >= 11.5


@pytest.mark.parametrize("shape", ["wide", "tall"])
def test_drawing_leaves_room_for_the_words_around_it(
    review: Review, sheets: list[dict[str, Any]], shape: Shape
) -> None:
    stills_of(review, shape=shape, steps=True)
    sheet = sheets[0]
    for page in (page for sheet in sheets for page in sheet["pages"]):
        root = ElementTree.fromstring(page["svg"])
        scale = (sheet["width"] - 2 * sheet["margin"]) / float(root.attrib["width"])
        used = page["head"] + scale * float(root.attrib["height"]) + sheet["foot"] + 2 * sheet["margin"]
        # Words and drawing share all of the height between them: nothing is left empty below.
        assert used == pytest.approx(sheet["height"], abs=1.0)
        places = [float(node.attrib["y"]) for node in root.iter(f"{SVG}text") if "y" in node.attrib]
        assert max(places) <= float(root.attrib["height"])


@pytest.mark.parametrize("upright", [True, False])
def test_decade_is_as_long_as_25_db_are_high(balance: Chart, upright: bool) -> None:
    # IEC 60263 (from memory): the length of one decade equals 10, 25 or 50 dB.
    panel = balance.panels[0]
    room = DrawingSpace(330, 430, True) if upright else DrawingSpace(650, 250, False)
    _, _, width, height = plot_box(still_svg(balance, panel, room))
    decade = width / log10(balance.high_hz / balance.low_hz)
    assert decade == pytest.approx(height / (panel.high - panel.low) * 25.0, rel=0.005)


def test_steps_add_a_curve_each_and_nothing_moves(balance: Chart) -> None:
    panel, room = balance.panels[0], DrawingSpace(650, 250, False)
    drawn = [still_svg(balance, panel, room, traces=count) for count in range(len(panel.traces) + 1)]
    assert len({plot_box(svg) for svg in drawn}) == 1
    for count, svg in enumerate(drawn):
        keys = {node.attrib["data-curve"] for node in ElementTree.fromstring(svg).iter() if "data-curve" in node.attrib}
        assert keys == {trace.curve.key for trace in panel.traces[:count]}
        words = words_of(svg)
        for place, trace in enumerate(panel.traces):
            assert (trace.label in words) == (place < count)
    # A line of the drawing that is there at one step is there, unchanged, at the next.
    for before, after in pairwise(drawn):
        assert set(before.splitlines()) <= set(after.splitlines())


@pytest.mark.parametrize("upright", [True, False])
def test_steps_mark_one_finding_each(evenness: Chart, upright: bool) -> None:
    panel = evenness.panels[0]
    assert panel.marks
    room = DrawingSpace(330, 430, True) if upright else DrawingSpace(650, 250, False)
    for mark in panel.marks:
        root = ElementTree.fromstring(still_svg(evenness, panel, room, marks=(mark.number,)))
        numbers = ["".join(node.itertext()) for node in root.iter(f"{SVG}text") if node.get("class") == "mark-number"]
        assert numbers == [str(mark.number)]


def test_steps_lead_through_curves_and_findings_to_the_message(review: Review, sheets: list[dict[str, Any]]) -> None:
    made = stills_of(replace(review, exhibits=tuple(c for c in review.charts if c.key == "evenness")), steps=True)
    chart = next(chart for chart in review.charts if chart.key == "evenness")
    panel = chart.panels[0]
    marks = [f"{mark.number}. {mark.text}" for mark in panel.marks]
    labels = [trace.label for trace in panel.traces]
    assert [still.message for still in made] == [message_of(chart), *labels, *marks, message_of(chart)]
    assert [still.name for still in made[:3]] == ["evenness-wide", "evenness-wide-01", "evenness-wide-02"]
    assert len({page["svg"] for sheet in sheets for page in sheet["pages"]}) == len(made) - 1


def test_message_is_one_sentence(review: Review) -> None:
    for chart in review.charts:
        message = message_of(chart)
        assert units_kept(chart.caption.finding).startswith(message)
        # A number is not torn from its unit at the end of a line.
        assert re.search(r"\d (?:dB|Hz|kHz|%|V|m)\b", message) is None
        assert not re.search(r"[.?]\s+[A-Z]", message)


@pytest.mark.parametrize("shape", ["wide", "tall"])
def test_no_line_of_a_message_is_cut_at_its_foot(review: Review, balance: Chart, shape: Shape) -> None:
    # Lines of one word alone look alike, so the ink of each line is as high as that of the first.
    told = [
        replace(balance, key=f"m{count}", caption=replace(balance.caption, finding=" ".join(["Hygge"] * count)))
        for count in range(3, 34, 2)
    ]
    width, foot = SIZES[shape][0], {"wide": 262, "tall": 860}[shape]
    for still in stills_of(replace(review, exhibits=tuple(told)), shape=shape):
        picture = np.asarray(Image.open(io.BytesIO(still.png)).convert("L"))
        # Title and axis are set in gray; above the plot the message alone is as dark as this.
        inked = (picture[:, : width // 5] < 60).any(axis=1)
        edges = np.flatnonzero(np.diff(np.r_[0, inked.astype(int), 0]))
        rows = [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > 8 and a < foot]
        assert rows, still.name
        lines = [int(b - a) for a, b in rows]
        assert max(lines) - min(lines) <= 1, f"{still.name}: {lines}"


def test_invented_loudspeaker_is_marked_on_every_still(
    reading: Reading,
    measurement: Measurement,
    describe: Callable[..., Session],
    review: Review,
    sheets: list[dict[str, Any]],
) -> None:
    stills_of(replace(review, exhibits=review.charts[:1]))
    stills_of(replace(review_of(reading, measurement, describe(invented=False)), exhibits=review.charts[:1]))
    invented, real = sheets
    assert "invented" in invented["invented"].lower()
    assert "(invented)" in invented["footer"]
    assert real["invented"] == ""
    assert "invented" not in real["footer"].lower()


def test_mark_of_the_invented_is_seen_in_the_picture(review: Review) -> None:
    one = replace(review, exhibits=review.charts[:1])
    corners = []
    for each in (one, replace(one, invented="")):
        picture = Image.open(io.BytesIO(stills_of(each)[0].png)).convert("L")
        corners.append((np.asarray(picture)[950:, 1500:] < 128).sum())
    assert corners[0] > 1000
    assert corners[1] == 0


def test_dark_theme_has_a_dark_ground(review: Review) -> None:
    one = replace(review, exhibits=review.charts[:1])
    light, dark = (
        Image.open(io.BytesIO(stills_of(one, theme=theme)[0].png)).convert("L") for theme in ("light", "dark")
    )
    assert np.median(np.asarray(light)) > 250
    assert np.median(np.asarray(dark)) < 40


@pytest.mark.parametrize("shape", ["wide", "tall"])
def test_transparent_stills_have_no_paper_and_the_same_ink(review: Review, shape: Shape) -> None:
    one = replace(review, exhibits=review.charts[:1])
    plain, clear = (stills_of(one, shape=shape, transparent=is_clear)[0] for is_clear in (False, True))
    alpha = np.asarray(Image.open(io.BytesIO(clear.png)).convert("RGBA"))[..., 3]
    assert (alpha == 0).mean() > 0.5
    assert (alpha == 255).mean() > 0.01
    assert np.asarray(Image.open(io.BytesIO(plain.png)).convert("RGBA"))[..., 3].min() == 255
    # Laid over white it is the still with its paper, but for the edges of letters and lines.
    over = Image.new("RGBA", SIZES[shape], "white")
    over.alpha_composite(Image.open(io.BytesIO(clear.png)).convert("RGBA"))
    gap = np.abs(np.asarray(over.convert("L"), int) - np.asarray(Image.open(io.BytesIO(plain.png)).convert("L"), int))
    assert (gap > 60).mean() < 0.02


def test_a_wide_still_has_a_headline_of_ten_words_and_a_plot_as_wide_as_its_words_allow(
    review: Review, sheets: list[dict[str, Any]]
) -> None:
    stills_of(review, shape="wide")
    for sheet in sheets:
        for page in sheet["pages"]:
            assert 2 <= len(page["headline"].split(" ")) <= 10, page
            # What a headline leaves out stands under it.
            told = page["message"] or f"{page['headline']}."
            words = [word.strip(".,:°") for word in page["headline"].split()]
            assert page["headline"] == page["title"] or all(word in told for word in words)
            drawing = ElementTree.fromstring(page["svg"])
            _, _, width, _ = plot_box(page["svg"])
            labels = [node for node in drawing.iter(f"{SVG}text") if node.get("class", "").startswith("label")]
            if "balance" in page["svg"][:2000]:
                assert labels
                assert width / float(drawing.attrib["width"]) > 0.7


def test_same_review_gives_the_same_bytes(review: Review) -> None:
    one = replace(review, exhibits=review.charts[:2])
    assert stills_of(one) == stills_of(one)


def test_stills_are_written_under_their_names(review: Review, tmp_path: Path) -> None:
    one = replace(review, exhibits=review.charts[:1])
    paths = write_stills(one, tmp_path / "stills", shape="tall")
    assert [path.name for path in paths] == ["balance-tall.png"]
    assert [path.name for path in (tmp_path / "stills").iterdir()] == ["balance-tall.png"]


def test_what_cannot_be_made_is_refused(review: Review, balance: Chart, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="one of wide, tall"):
        stills_of(review, shape="square")  # type: ignore[arg-type]
    with pytest.raises(InputError, match="no room for its chart"):
        still_svg(balance, balance.panels[0], DrawingSpace(120, 90, False))
    (tmp_path / "file").write_text("mine")
    with pytest.raises(OutputError, match="cannot be written"):
        write_stills(replace(review, exhibits=review.charts[:1]), tmp_path / "file")


def test_chart_of_very_many_curves_gets_smaller_type_and_a_plot(
    review: Review, balance: Chart, sheets: list[dict[str, Any]]
) -> None:
    panel = balance.panels[0]
    heard = tuple(
        ChartRegion("heard", 100.0 * k, 200.0 * k, label=f"chesty on track {k}, and rather full") for k in (1, 2, 4)
    )
    crowded = replace(panel, traces=panel.traces * 4, regions=(*panel.regions, *heard))
    stills_of(replace(review, exhibits=(replace(balance, panels=(crowded,)),)), shape="tall")
    svg = sheets[0]["pages"][0]["svg"]
    assert plot_box(svg)[3] >= 80
    places = [float(node.attrib["y"]) for node in ElementTree.fromstring(svg).iter(f"{SVG}text") if "y" in node.attrib]
    assert max(places) <= float(ElementTree.fromstring(svg).attrib["height"])


def test_review_without_charts_has_no_stills(review: Review) -> None:
    assert stills_of(replace(review, exhibits=())) == ()
