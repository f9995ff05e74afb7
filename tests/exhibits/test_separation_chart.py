"""The exhibit of a separation says what its numbers say."""

from __future__ import annotations

import numpy as np

from earwitness.exhibits.separation import separation_chart
from earwitness.quantities import report_axis


def chart(valid_to_hz: float):
    axis = report_axis()
    flat = np.ones(len(axis))
    return separation_chart(
        axis, residual_db=-40 * flat, leave_out_db=-38 * flat, scattered_db=-20 * flat, condition=3 * flat,
        expected_error_db=0.12 * flat, order_out=9 * flat, order_in=7 * flat, valid=axis.hz < valid_to_hz,
        joint_hz=600.0, points=2704, points_left_out=1, sentence="s.",
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
