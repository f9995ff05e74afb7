"""Points of two scales: where they stand, and that kinds differ in shape and filling, not in color alone."""

from __future__ import annotations

import re
from math import log10
from xml.etree import ElementTree

import pytest

from earwitness.exhibits.chart import Caption, Chart, Panel, Point
from earwitness.render.html import figure_html
from earwitness.render.svg import svg_of

POINTS = (
    Point("own", 1000.0, 5.0, 0.2, "Own <One>", ("1,000 EUR", "5.0 ± 0.4")),
    Point("frontier", 200.0, 4.0, 0.2, "Cheap", ("200 EUR", "4.0 ± 0.4")),
    Point("frontier", 2000.0, 7.0, 0.2, "Dear", ("2,000 EUR", "7.0 ± 0.4")),
    Point("near", 900.0, 3.9, 0.2, "Near", ("900 EUR", "3.9 ± 0.4")),
    Point("other", 800.0, 1.0, 0.2, "Behind", ("800 EUR", "1.0 ± 0.4")),
)
CHART = Chart(
    "price",
    "Price against rating",
    "",
    Caption("Found.", "Read."),
    (Panel("Rating", "", 0.0, 8.0, 1.0, db_per_decade=None, points=POINTS),),
    low_hz=100.0,
    high_hz=10_000.0,
    axis="price",
)


def drawn() -> ElementTree.Element:
    return ElementTree.fromstring(svg_of(CHART, 960))


def named(kind: str) -> list[ElementTree.Element]:
    return [one for one in drawn().iter() if kind in (one.get("class") or "").split()]


def test_points_stand_where_their_numbers_put_them() -> None:
    """Log of the price across, rating up: by hand from the corners of the plot."""
    (plot,) = named("plot")
    left, top, width, height = (float(plot.attrib[name]) for name in ("x", "y", "width", "height"))
    for point in POINTS:
        (shape,) = [one for one in named("point") if (one.findtext("{*}title") or "").startswith(point.name)]
        x, y = (float(number) for number in re.findall(r"[-\d.]+", shape.attrib["d"])[:2])
        radius = {"own": 9.0, "frontier": 4.5, "near": 3.5, "other": 3.0}[point.kind]
        # Each path begins at the left end of its shape.
        assert x + radius == pytest.approx(left + width * log10(point.at / 100.0) / 2.0, abs=0.2)
        assert y == pytest.approx(top + height * (8.0 - point.value) / 8.0, abs=0.2)


def test_kinds_differ_in_shape_or_filling() -> None:
    seen = {(one.attrib["fill"], "a" in one.attrib["d"]) for one in named("point")}
    assert len(named("own")) == 2
    assert len(seen) == 3


def test_the_frontier_rises_in_steps_from_the_cheapest_on_it_over_the_own_one() -> None:
    """Cheap, then the own one (nothing cheaper has more), then Dear: three levels, two steps up."""
    (step,) = named("point-step")
    heights = [float(v) for v in re.findall(r"V([\d.]+)", step.attrib["d"])]
    assert len(heights) == 2
    assert heights == sorted(heights, reverse=True)


def test_names_are_escaped_and_told_in_a_table() -> None:
    html = figure_html(CHART, 960)
    assert "Own &lt;One&gt;" in html
    assert "<One>" not in html
    for words in ("on the frontier", "not told from it", "this one"):
        assert words in html
    table = html[html.index("<table") :]
    assert "Behind" not in table
    assert "application/json" not in html
