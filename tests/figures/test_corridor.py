"""Shares and bands inside a corridor, on curves whose crossings are known in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.figures.linearity import band_figure, reach, share_figure, share_inside
from earwitness.figures.sampling import smoothed, smoothing_rows
from earwitness.quantities import Curve, FrequencyAxis, log_axis
from earwitness.quantities.arrays import FloatArray

HZ = log_axis(20, 20_000, 48).hz
OCTAVES = np.log2(HZ / 1000)


def _curve(values: FloatArray, hz: FloatArray = HZ) -> Curve:
    zeros = np.zeros_like(hz)
    return Curve("x", "x", FrequencyAxis(hz), values, zeros + 0.1, zeros, np.ones(hz.size, bool), "dB", "dB")


def test_share_of_a_tilted_line() -> None:
    """1 dB per octave about 1 kHz is inside +-1.5 dB for 3 octaves of log2(100) = 6.644 (arithmetic)."""
    figure = share_figure(_curve(OCTAVES), 0.0, 1.5, key="linearity_share_1p5db")
    assert figure.value == pytest.approx(100 * 3 / np.log2(100), abs=0.2)
    assert figure.unit == "%"


def test_share_of_lines_between_two_points() -> None:
    rows = np.array([[-2.0, 2.0], [0.0, 4.0], [0.5, 0.5], [3.0, 3.0], [4.0, 0.0]])
    assert share_inside(rows, 1.0) == pytest.approx([0.5, 0.25, 1.0, 0.0, 0.25])


def test_band_of_a_tilted_line() -> None:
    """+-1.5 dB is left 1.5 octaves below and above 1 kHz: 353.6 Hz and 2828.4 Hz (arithmetic)."""
    figure = band_figure(_curve(OCTAVES), 0.0, 1.5, key="linearity_band_1p5db")
    assert figure.value == pytest.approx(3.0, abs=2e-3)
    assert figure.band_hz == pytest.approx((1000 / 2**1.5, 1000 * 2**1.5), rel=1e-3)
    assert figure.bound == ""


def test_no_dip_is_forgiven_but_one_beyond_does_not_matter() -> None:
    dip = np.where(np.abs(OCTAVES - 1.0) < 0.11, -8.0, 0.0)
    figure = band_figure(_curve(dip), 0.0, 3.0, key="linearity_band_3db")
    assert figure.band_hz is not None
    assert 1700 < figure.band_hz[1] < 2000
    assert figure.bound == "at least"
    assert "lower end" in figure.caveats[0]


def test_a_curve_that_is_outside_at_1_khz_has_no_band() -> None:
    figure = band_figure(_curve(np.full_like(HZ, 2.0)), 0.0, 1.5, key="linearity_band_1p5db")
    assert figure.reason == "x is +2.0 dB off at 1 kHz itself"


def test_what_is_not_covered_is_not_judged() -> None:
    late = HZ > 200
    assert not share_figure(_curve(OCTAVES[late], HZ[late]), 0.0, 3.0, key="linearity_share_3db").is_judged
    high = HZ > 1200
    assert "1 kHz" in band_figure(_curve(OCTAVES[high], HZ[high]), 0.0, 3.0, key="linearity_band_3db").reason


def test_reach_of_several_curves() -> None:
    x = np.arange(4.0)
    rows = np.array([[0.0, 1, 2, 3], [0, 0, 0, 0], [0, -4, 0, 0]])
    assert reach(x, rows, 1.5) == pytest.approx([1.5, 3.0, 0.375])


def test_smoothing_of_a_small_error_against_smoothing_twice() -> None:
    """First order: smoothed(curve + e) - smoothed(curve), the other implementation of the same average."""
    random = np.random.default_rng(3)
    error = 1e-4 * random.standard_normal(HZ.size)
    start = _curve(3 * np.sin(2 * OCTAVES))
    expected = smoothed(_curve(start.values + error), 12).values - smoothed(start, 12).values
    found = smoothing_rows(start, 12) @ error
    assert np.abs(found - expected)[10:-10].max() < 0.2 * np.abs(error).std()
    assert smoothing_rows(start, 12).sum(axis=1) == pytest.approx(np.ones(HZ.size))
