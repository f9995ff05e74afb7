"""Sensitivity, smoothing and band limits against closed forms; check ids C2.x are those of the metrics reference."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from earwitness.figures.bandwidth import lower_limit, upper_limit
from earwitness.figures.sampling import band_grid, smoothed
from earwitness.figures.sensitivity import band_level, one_watt_level_db
from earwitness.figures.uncertainty import alone
from earwitness.quantities import Curve, FrequencyAxis, log_axis
from earwitness.quantities.arrays import FloatArray


def _curve(hz: FloatArray, values: FloatArray, *, u_db: float = 0.2) -> Curve:
    zeros = np.zeros_like(hz)
    return Curve("x", "x", FrequencyAxis(hz), values, zeros + u_db, zeros, np.ones(hz.size, bool), "dB", "dB")


def _butterworth_db(hz: FloatArray, order: int) -> FloatArray:
    return np.asarray(-10 * np.log10(1 + (50 / hz) ** (2 * order)), dtype=float)


@pytest.mark.parametrize(
    ("drop_db", "order", "expected_hz"),
    [
        (3, 2, 50.0594),
        (3, 4, 50.0297),  # C2.9
        (6, 2, 38.0519),
        (6, 4, 43.6188),  # C2.10
        (10, 2, 28.8675),
        (10, 4, 37.9918),  # C2.11
    ],
)
def test_limits_of_butterworth_high_passes(drop_db: float, order: int, expected_hz: float) -> None:
    hz = log_axis(10, 400, 480).hz
    found = lower_limit(_curve(hz, _butterworth_db(hz, order)), 0.0, drop_db, key="f")
    assert found.value == pytest.approx(expected_hz, abs=2e-4 * expected_hz / 10)


def test_crossing_is_linear_in_db_against_log_frequency() -> None:
    """C2.12."""
    curve = _curve(np.array([30.0, 40.0, 300.0]), np.array([-8.0, -4.0, 0.0]))
    assert lower_limit(curve, 0.0, 6.0, key="f6").value == pytest.approx(34.6410, abs=5e-5)


@pytest.mark.parametrize(("octaves", "is_told"), [(0.09, False), (0.108, False), (0.114, True), (0.2, True)])
def test_a_narrow_dip_is_passed_over_and_a_wide_one_is_told(octaves: float, is_told: bool) -> None:
    """IEC 60268-5 (as a third party has it): narrower than 1/9 octave, 0.111, counts for nothing. The range ends at
    43.62 Hz (C2.10) either way, for the curve is up again below the dip."""
    hz = log_axis(20, 400, 960).hz
    dipped = np.where(np.abs(np.log2(hz / 100)) < octaves / 2, -20.0, _butterworth_db(hz, 4))
    found = lower_limit(_curve(hz, dipped, u_db=0.0), 0.0, 6.0, key="f6")
    assert found.value == pytest.approx(43.62, rel=1e-3)
    edges = (100 * 2 ** (-octaves / 2), 100 * 2 ** (octaves / 2))
    said = f"below -6.0 dB from {edges[0]:.0f} to {edges[1]:.0f} Hz too"
    assert [note for note in found.caveats if note.endswith(said)] == list(found.caveats)
    assert bool(found.caveats) is is_told


@pytest.mark.parametrize(("octaves", "expected_hz"), [(0.1, 100.0), (0.13, 50.0 * 2**-0.065)])
def test_what_stands_out_below_the_range_for_a_moment_does_not_carry_it_on(octaves: float, expected_hz: float) -> None:
    """The same 1/9 octave the other way: a peak of noise at 50 Hz does not make the range end there."""
    hz = log_axis(20, 400, 960).hz
    level = np.where(hz < 100.0, -20.0, 0.0)
    level = np.where(np.abs(np.log2(hz / 50)) < octaves / 2, 0.0, level)
    assert lower_limit(_curve(hz, level), 0.0, 6.0, key="f6").value == pytest.approx(expected_hz, rel=2e-3)


def test_a_broad_dip_far_above_the_roll_off_is_not_the_end_of_the_range() -> None:
    """4 dB down over an octave at 130 Hz, F3 of a Butterworth fourth order at 50 Hz stays (C2.9)."""
    hz = log_axis(20, 400, 480).hz
    dip = -4.0 * np.exp(-(((np.log2(hz / 130)) / 0.5) ** 2))
    found = lower_limit(_curve(hz, _butterworth_db(hz, 4) + dip, u_db=0.0), 0.0, 3.0, key="f3")
    half = 0.5 * np.sqrt(np.log(4 / 3))
    # At 50 Hz the dip still takes 4 exp(-(log2(2.6) / 0.5)^2) = 0.005 dB.
    assert found.value == pytest.approx(50.03, rel=1e-3)
    assert found.caveats == (
        f"a dip is not counted: x is below -3.0 dB from {130 * 2**-half:.0f} to {130 * 2**half:.0f} Hz too",
    )


def test_the_upper_end_is_found_by_the_same_rule() -> None:
    """First order low-pass: 6 dB down at sqrt(10^0.6 - 1) times its corner; a dip at 6 kHz does not end the range."""
    hz = log_axis(1000, 40_000, 480).hz
    level = -10 * np.log10(1 + (hz / 12_000.0) ** 2)
    dipped = np.where(np.abs(np.log2(hz / 6000)) < 0.1, -9.0, level)
    found = upper_limit(_curve(hz, dipped, u_db=0.0), 0.0, 6.0, key="f")
    assert found.value == pytest.approx(12_000.0 * np.sqrt(10**0.6 - 1), rel=1e-3)
    # 6000 Hz times 2 to the power of -0.1 and 0.1, to a point of the grid.
    assert "from 5597 to 6427 Hz" in found.caveats[0]
    assert upper_limit(_curve(hz, 0.0 * hz), 0.0, 6.0, key="f").bound == "at least"
    assert "not valid at 3 kHz" in upper_limit(_curve(hz[:100], level[:100]), 0.0, 6.0, key="f").reason


def test_a_curve_that_never_falls_gives_a_bound_and_a_gated_one_a_reason() -> None:
    hz = log_axis(60, 400, 48).hz
    curve = _curve(hz, np.zeros_like(hz))
    found = lower_limit(curve, 0.0, 6.0, key="f6")
    assert found.value == pytest.approx(hz[0])
    assert found.bound == "at most"
    gated = Curve("x", "x", curve.axis, curve.values, curve.u, curve.u_common, hz > 100, "dB", "dB")
    assert "101 Hz only" in lower_limit(gated, 0.0, 6.0, key="f6").reason
    assert "already below" in lower_limit(curve, 10.0, 6.0, key="f6").reason
    high = log_axis(310, 900, 48).hz
    assert "not valid at 300 Hz" in lower_limit(_curve(high, np.zeros_like(high)), 0.0, 6.0, key="f6").reason


def test_a_level_error_moves_the_limit_by_error_over_slope() -> None:
    """12 dB/octave: 0.6 dB is 0.05 octave (arithmetic)."""
    hz = log_axis(20, 400, 48).hz
    curve = replace(_curve(hz, 12 * np.minimum(np.log2(hz / 100), 0.0), u_db=0.0), u_common=np.full(hz.size, 0.6))
    found = lower_limit(alone(curve, 20_000), 0.0, 6.0, key="f6")
    assert found.u == pytest.approx(found.value * np.log(2) * 0.05, rel=0.02)


def test_sensitivity_of_a_tilted_line() -> None:
    """C2.6 and C2.7."""
    assert band_grid(300, 3000).size == 67
    hz = log_axis(20, 20000, 48).hz
    curve = _curve(hz, 88 - np.log2(hz / 1000))
    found = band_level(curve)
    assert found.value == pytest.approx(88.1941, abs=5e-5)
    assert "does not cover" in band_level(curve, band_hz=(300, 30000)).reason


def test_a_reason_says_what_is_known() -> None:
    """A gate of 3.5 ms leaves 343 Hz and up: why the sensitivity is missing stands in its reason."""
    hz = log_axis(20, 20000, 48).hz
    for valid, said in (
        (hz > 342.0, "from 343 Hz to 19.9 kHz"),
        ((hz < 900.0) | (hz > 1000.0), "from 20.3 Hz to 19.9 kHz with gaps"),
        (hz < 0.0, "not known at any frequency"),
    ):
        curve = replace(_curve(hz, np.full(hz.size, 88.0)), valid=valid)
        assert band_level(curve).reason.endswith(said)


def test_reference_conversions() -> None:
    """C2.5."""
    # C2.5 holds the exact 1 W voltage; 2.83 V differs from it by 0.0048 dB (C2.3).
    assert one_watt_level_db(90.0, rated_impedance_ohm=4.0) == pytest.approx(86.9849, abs=0.0049)


@pytest.mark.parametrize(("fraction", "expected_db"), [(3, 1.4624), (6, 2.5041), (12, 2.8664), (24, 2.9660)])
def test_energy_smoothing_of_a_ripple(fraction: int, expected_db: float) -> None:
    """C2.19: 3 dB, two cycles per octave, at its crest."""
    hz = log_axis(100, 10000, 480).hz  # chords between points cost 3e-4 dB here
    ripple = _curve(hz, 3 * np.cos(4 * np.pi * np.log2(hz / 1000)))
    at_crest = smoothed(ripple, fraction).values[int(np.argmin(np.abs(hz - 1000)))]
    assert at_crest == pytest.approx(expected_db, abs=1.5e-3)
