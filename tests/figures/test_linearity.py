"""Deviations and slope; check ids C2.x are those of the metrics reference."""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.figures.linearity import FittedLine, deviations, slope
from earwitness.figures.sensitivity import band_level
from earwitness.quantities import Curve, Figure, FrequencyAxis, log_axis
from earwitness.quantities.arrays import FloatArray


def _curve(hz: FloatArray, values: FloatArray) -> Curve:
    zeros = np.zeros_like(hz)
    return Curve("x", "x", FrequencyAxis(hz), values, zeros + 0.1, zeros, np.ones(hz.size, bool), "dB", "dB")


def _wavy() -> Curve:
    hz = log_axis(50, 20000, 960).hz
    octaves = np.log2(hz / 1000)
    return _curve(hz, 85 + 2 * np.sin(np.pi * octaves) + 0.3 * octaves)


def test_deviations_of_a_wavy_curve() -> None:
    """C2.15, about the reference of C2.14, whose points start at 100 Hz; from 300 Hz they give 0.009 dB more."""
    reference = 85.2739
    assert band_level(_wavy()).value == pytest.approx(reference, abs=0.01)
    found = deviations(_wavy(), reference, smoothing=None)
    assert found["linearity_above"].value == pytest.approx(2.4767, abs=1e-4)
    assert found["linearity_below"].value == pytest.approx(-3.0258, abs=1e-4)
    assert found["linearity_half_range"].value == pytest.approx(2.7512, abs=1e-4)


def test_slope_of_a_wavy_curve() -> None:
    """C2.16; scipy.stats.linregress on the same points for r squared."""
    from scipy.stats import linregress

    line = slope(_wavy())
    assert isinstance(line, FittedLine)
    assert line.slope.value == pytest.approx(0.3761, abs=6e-5)
    octaves = np.log2(100 * 2 ** (np.arange(133) / 20) / 1000)
    fit = linregress(octaves, 2 * np.sin(np.pi * octaves) + 0.3 * octaves)
    assert line.r_squared == pytest.approx(fit.rvalue**2, abs=1e-4)


def test_a_band_that_is_not_covered_is_not_judged() -> None:
    hz = log_axis(200, 20000, 48).hz
    line = slope(_curve(hz, np.zeros_like(hz)))
    assert isinstance(line, Figure)
    assert "does not cover 100 Hz" in line.reason
    assert not deviations(_curve(hz, np.zeros_like(hz)), 0.0)["linearity_half_range"].is_judged


def test_a_curve_without_variance_has_no_r_squared() -> None:
    hz = log_axis(50, 20000, 48).hz
    line = slope(_curve(hz, np.full_like(hz, 85.0)))
    assert isinstance(line, FittedLine)
    assert line.r_squared == 0.0
