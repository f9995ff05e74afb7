"""Predicted preference rating; check ids C3.x are those of the metrics reference."""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.figures.rating import band_points_hz, narrow_band_deviation, preference_rating, rating_value
from earwitness.figures.sampling import band_grid
from earwitness.quantities import Curve, FrequencyAxis
from earwitness.quantities.arrays import FloatArray

HZ = 100 * 2.0 ** (np.arange(-80, 154) / 20)


def _curve(values: FloatArray, hz: FloatArray = HZ) -> Curve:
    zeros = np.zeros_like(hz)
    return Curve("x", "x", FrequencyAxis(hz), values, zeros + 0.1, zeros, np.ones(hz.size, bool), "dB", "dB")


ON_AXIS = _curve(0.8 * np.sin(4 * np.pi * np.log2(HZ / 100)))
IN_ROOM = _curve(-0.9 * np.log2(HZ / 1000) + 0.5 * np.sin(2 * np.pi * np.log2(HZ / 100)))
POWER = _curve(-10 * np.log10(1 + (50 / HZ) ** 4))
FLAT = _curve(np.zeros_like(HZ))


def test_number_of_points() -> None:
    """C3.1."""
    assert (band_grid(100, 12000).size, band_grid(100, 16000).size) == (139, 147)


def test_narrow_band_deviations() -> None:
    """C3.5 to C3.8."""
    ripple = _curve(np.sin(4 * np.pi * np.log2(HZ / 100)))
    assert narrow_band_deviation(ripple).value == pytest.approx(0.61628, abs=6e-6)
    assert narrow_band_deviation(_curve(-np.log2(HZ / 1000))).value == pytest.approx(0.12401, abs=6e-6)
    assert narrow_band_deviation(ON_AXIS).value == pytest.approx(0.49302, abs=6e-6)
    assert narrow_band_deviation(IN_ROOM).value == pytest.approx(0.16679, abs=6e-6)


def test_the_other_layout_of_the_half_octave_bands() -> None:
    """C3.12; the tabled curves are taken on the points of the bands themselves, so that nothing is interpolated."""
    hz = np.unique(np.concatenate([HZ, band_points_hz("centered")]))
    on_axis = _curve(0.8 * np.sin(4 * np.pi * np.log2(hz / 100)), hz)
    in_room = _curve(-0.9 * np.log2(hz / 1000) + 0.5 * np.sin(2 * np.pi * np.log2(hz / 100)), hz)
    narrow_on = narrow_band_deviation(on_axis, layout="centered").value
    narrow_in = narrow_band_deviation(in_room, layout="centered").value
    assert narrow_on == pytest.approx(0.49824, abs=6e-6)
    assert narrow_in == pytest.approx(0.19729, abs=6e-6)
    assert narrow_on is not None
    assert narrow_in is not None
    assert float(rating_value(narrow_on, narrow_in, 10**1.58038, 0.96707)) == pytest.approx(6.2917, abs=1e-4)


def test_rating_of_the_test_case() -> None:
    """C3.11; on a 20 per octave grid the crossing of C3.10 is interpolated, which moves the rating by under 1e-3."""
    found = preference_rating(ON_AXIS, IN_ROOM, POWER, FLAT)
    assert found.value == pytest.approx(6.3959, abs=1e-3)
    assert found.bound == ""


@pytest.mark.parametrize(("limit_hz", "expected"), [(14.5, 10.0045), (20, 9.4026), (40, 8.1051)])
def test_rating_of_a_perfect_loudspeaker(limit_hz: float, expected: float) -> None:
    """C3.13."""
    assert rating_value(0.0, 0.0, limit_hz, 1.0) == pytest.approx(expected, abs=6e-5)


def test_limits_of_the_rating() -> None:
    assert preference_rating(ON_AXIS, IN_ROOM, FLAT, FLAT).bound == "at least"
    with_subwoofer = preference_rating(ON_AXIS, IN_ROOM, FLAT, FLAT, ideal_subwoofer=True)
    assert with_subwoofer.bound == ""
    assert "14.5 Hz" in with_subwoofer.method
    late = HZ > 150
    gated = _curve(IN_ROOM.values[late], HZ[late])
    assert "does not cover 100 Hz" in preference_rating(ON_AXIS, gated, POWER, FLAT).reason
    assert any("no variance" in caveat for caveat in preference_rating(ON_AXIS, FLAT, POWER, FLAT).caveats)
