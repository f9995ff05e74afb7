"""The exhibit of a separation says what its numbers say."""

from __future__ import annotations

import numpy as np

from earwitness.exhibits.chart import Chart
from earwitness.exhibits.trust import centers_of, place_words, separation_chart
from earwitness.quantities import report_axis
from earwitness.quantities.arrays import BoolArray
from earwitness.quantities.measurement import ScanReading, WavePart


def chart(valid_to_hz: float, parts: tuple[WavePart, ...] = ()) -> Chart:
    return separation_chart(report_axis(), scan(report_axis().hz < valid_to_hz, parts))


def scan(valid: BoolArray, parts: tuple[WavePart, ...] = ()) -> ScanReading:
    flat = np.ones(valid.size)
    return ScanReading(
        residual_db=-40 * flat, leave_out_db=-38 * flat, scattered_db=-20 * flat, condition=3 * flat,
        u_db=0.12 * flat, order_out=9 * flat, order_in=7 * flat, valid=valid, joint_hz=600.0, points=2704,
        points_left_out=1, body="box", speed_of_sound_m_s=343.0, reference_m=(0.0, 0.0, 0.0), sentence="s.",
        parts=parts,
    )  # fmt: skip


def test_the_caption_speaks_the_numbers() -> None:
    found = chart(2000.0).caption.finding
    assert "2,704 points" in found
    assert "0.12 dB at 200" in found
    assert "1 point was left out" in found
    assert "5" not in found.split("standard error of")[1].split("Above")[0].replace("50", "").replace("0.12", "")


def test_without_a_valid_frequency() -> None:
    assert "do not suffice" in chart(1.0).caption.finding


def test_panels_hold_their_curves() -> None:
    panels = chart(2000.0).panels
    assert [panel.label for panel in panels] == ["Not explained", "Expected error", "Condition"]
    assert all(trace.curve.valid.any() for panel in panels for trace in panel.traces)


def part(first: int, radius_m: float, center_m: tuple[float, float, float]) -> WavePart:
    rows = np.arange(first, first + 3)
    return WavePart(
        rows=rows, weight=np.ones(3), order=np.ones(3, dtype=int), outgoing=np.ones((3, 4), dtype=complex),
        center_m=center_m, axes=(0, 1, 2), source_radius_m=radius_m, outer_radius_m=0.5, room_distance_m=1.0,
        inner_radius_m=0.1,
    )  # fmt: skip


def test_the_caption_says_where_the_sound_comes_from() -> None:
    axis = report_axis()
    valid = np.ones(len(axis), dtype=bool)
    low, middle = int(np.argmin(abs(axis.hz - 1000.0))), (-0.15, 0.0, 0.0)
    first, second, third = (int(np.argmin(abs(axis.hz - hz))) for hz in (4000.0, 8000.0, 12_000.0))
    # One origin below; above the middle's waves and a small source's, at nearly the same place in two of three bands.
    parts = (
        part(low, 0.2, middle), part(first, 0.2, middle), part(first, 0.02, (-0.02, 0.0, 0.01)),
        part(second, 0.2, middle), part(second, 0.02, (-0.025, 0.0, 0.015)),
        part(third, 0.02, (0.0, 0.05, -0.04)), part(third, 0.2, middle),
    )  # fmt: skip
    found = centers_of(axis, scan(valid, parts))
    assert [round(hz / 1000) for hz, _place in found] == [4, 12]
    assert found[0][1] == (-0.02, 0.0, 0.01)
    text = chart(30_000.0, parts).caption.reading.replace("\N{NO-BREAK SPACE}", " ")
    assert "from 4 kHz up 2 cm behind and 1 cm above the reference point" in text
    assert "from 12 kHz up 5 cm left of and 4 cm below the reference point" in text
    valid[third:] = False
    assert len(centers_of(axis, scan(valid, parts))) == 1
    assert "reference point" not in chart(2000.0).caption.reading


def test_places_in_words() -> None:
    assert place_words((0.0, 0.0, 0.004)) == "at the reference point"
    said = place_words((0.03, -0.02, -0.01)).replace("\N{NO-BREAK SPACE}", " ")
    assert said == "3 cm before, 2 cm right of and 1 cm below the reference point"
