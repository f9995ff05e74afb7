"""Maps of level over angle and frequency, against fields whose contours are known exactly."""

from __future__ import annotations

import re
from collections.abc import Callable
from xml.etree import ElementTree

import numpy as np
import pytest

from earwitness.exhibits.chart import Caption, Chart, Panel
from earwitness.quantities import Curve, DirectivityMap, log_axis
from earwitness.render.svg import svg_of

AXIS = log_axis(20.0, 20_000.0, 12)
ANGLE_DEG = np.arange(-170.0, 181.0, 10.0)
Field = Callable[[np.ndarray, np.ndarray], np.ndarray]


def map_chart(field: Field, *, valid_from_hz: float = 1.0, angle_deg: np.ndarray = ANGLE_DEG) -> Chart:
    angle, hz = np.meshgrid(angle_deg, AXIS.hz, indexing="ij")
    shown = DirectivityMap("horizontal", AXIS, angle_deg, field(angle, hz), hz >= valid_from_hz, "on axis")
    flat = np.full(AXIS.hz.shape, 45.0)
    none = np.zeros_like(flat)
    edge = Curve("edge", "edge of coverage", AXIS, flat, none, none, none == 0, "deg", "")
    panel = Panel("angle", "degrees", -180.0, 180.0, 30.0, map=shown, map_edges=(edge,), db_per_decade=None)
    return Chart("across", "Across", "invented data", Caption("It narrows.", "Read it so."), (panel,))


def of_class(chart: Chart, kind: str, width_px: int = 900) -> list[ElementTree.Element]:
    root = ElementTree.fromstring(svg_of(chart, width_px))
    return [node for node in root.iter() if kind in node.get("class", "").split()]


def points(node: ElementTree.Element) -> np.ndarray:
    return np.array(re.findall(r"-?\d+(?:\.\d+)?", node.get("d", "")), float).reshape(-1, 2)


def plot(chart: Chart) -> tuple[float, float, float, float]:
    node = of_class(chart, "plot")[0]
    left, top, width, height = (float(node.get(name, "")) for name in ("x", "y", "width", "height"))
    return left, top, width, height


def falling(angle: np.ndarray, hz: np.ndarray) -> np.ndarray:
    # 1 dB for every 10 degrees: the -3, -6 and -10 dB contours are straight lines at 30, 60 and 100 degrees.
    return -np.abs(angle) / 10 + 0 * hz


def test_contours_lie_at_their_angles() -> None:
    _, top, _, height = plot(map_chart(falling))
    drawn = [points(node)[:, 1] for node in of_class(map_chart(falling), "contour")]
    for y, angle_deg in zip(drawn, (30.0, 60.0, 100.0), strict=True):
        wanted = top + height * (180.0 - np.array([angle_deg, -angle_deg])) / 360
        assert np.abs(y[:, None] - wanted).min(axis=1).max() < 0.11
        assert np.ptp(y) == pytest.approx(height * 2 * angle_deg / 360, abs=0.21)


def test_every_contour_carries_its_level() -> None:
    words = [node.text for node in of_class(map_chart(falling), "contour-label")]
    assert words == ["\u22123 dB", "\u22126 dB", "\u221210 dB"]


def test_contour_labels_stand_on_their_contour_and_apart() -> None:
    chart = map_chart(falling)
    _, top, _, height = plot(chart)
    for node, angle_deg in zip(of_class(chart, "contour-label"), (30.0, 60.0, 100.0), strict=True):
        y = float(node.get("y", "")) - 4
        assert abs(abs((top + height / 2 - y) / height * 360) - angle_deg) < 0.2


def test_the_turn_is_closed_behind_the_loudspeaker() -> None:
    # +180 and -180 degrees are one direction, so the map reaches both edges of the panel though -180 is not in it.
    _, top, _, height = plot(map_chart(falling))
    band = next(node for node in of_class(map_chart(falling), "map-band") if node.get("d"))
    assert points(band)[:, 1].min() == pytest.approx(top, abs=0.11)
    assert points(band)[:, 1].max() == pytest.approx(top + height, abs=0.11)


def test_half_a_turn_is_not_closed() -> None:
    front = map_chart(falling, angle_deg=np.arange(-90.0, 91.0, 10.0))
    _, top, _, height = plot(front)
    band = next(node for node in of_class(front, "map-band") if node.get("d"))
    assert points(band)[:, 1].min() == pytest.approx(top + height / 4, abs=0.11)


@pytest.mark.parametrize(("level_db", "bands"), [(-80.0, 1), (-29.0, 2), (0.5, 12), (40.0, 13)])
def test_bands_are_3_db_and_open_at_both_ends(level_db: float, bands: int) -> None:
    # House rule: steps at -30, -27 ... +3; a level below the lowest is still drawn, so is one above the highest.
    chart = map_chart(lambda angle, hz: np.full_like(angle * hz, level_db))
    assert len([node for node in of_class(chart, "map-band") if node.get("d")]) == bands


def test_what_is_not_valid_is_hatched_and_not_drawn() -> None:
    chart = map_chart(falling, valid_from_hz=200.0)
    left, _, width, _ = plot(chart)
    drawn = [node for node in of_class(chart, "map-band") if node.get("d")]
    assert drawn
    for node in drawn:
        assert points(node)[:, 0].min() >= left + width / 3 - 0.11
    assert of_class(chart, "invalid")[0].get("fill", "").startswith("url(#")


def test_a_map_without_any_valid_point_is_only_hatch() -> None:
    chart = map_chart(falling, valid_from_hz=30_000.0)
    assert of_class(chart, "invalid")
    assert not of_class(chart, "contour")


def test_the_coverage_edge_is_drawn_and_named() -> None:
    chart = map_chart(falling)
    _, top, _, height = plot(chart)
    line = next(
        node for node in of_class(chart, "edge") if node.get("data-curve") and "leader" not in node.get("class", "")
    )
    assert points(line)[:, 1] == pytest.approx(top + height * 135 / 360, abs=0.11)
    assert [node.text for node in of_class(chart, "label")] == ["edge of coverage"]


def test_color_bar_names_every_6_db() -> None:
    ticks = [node.text for node in of_class(map_chart(falling), "tick")]
    for words in ("\u221230", "\u221224", "\u221218", "\u221212", "\u22126", "0 dB"):
        assert words in ticks
