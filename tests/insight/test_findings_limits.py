"""Ends of the range against filters whose fall is known in closed form, and against the figure F6."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq

from earwitness.figures.read import read_response
from earwitness.insight.findings import Finding, find
from earwitness.insight.findings.search import limits_of
from earwitness.quantities import Curve, DirectionalResponse, FrequencyAxis, cta_orbits, report_axis

AXIS, DIRECTIONS = report_axis(), cta_orbits()
HZ = AXIS.hz


def curve(level_db: NDArray[np.float64], axis: FrequencyAxis = AXIS) -> Curve:
    nothing = np.zeros(len(axis))
    valid = np.ones(len(axis), dtype=bool)
    return Curve("on_axis", "on axis", axis, level_db, nothing + 0.1, nothing, valid, "dB", "dB SPL")


def low_cut_db(hz: NDArray[np.float64] | float, corner_hz: float, order: int) -> NDArray[np.float64]:
    """Butterworth: |H|^2 = 1 / (1 + (fc / f)^(2 n))."""
    return np.asarray(-10 * np.log10(1 + (corner_hz / np.asarray(hz)) ** (2 * order)))


def ends(pressure: NDArray[np.complex128]) -> tuple[list[Finding], float | None]:
    """The ends of the range that are found, and the figure F6."""
    u, common = np.full(pressure.shape, 0.02), np.full(HZ.size, 0.1)
    response = DirectionalResponse(AXIS, DIRECTIONS, pressure, u, common, np.ones(pressure.shape, dtype=bool))
    reading = read_response(response)
    found = [one for one in find(reading, response) if one.kind == "band_limit"]
    return found, reading.figures["f6"].value


@pytest.mark.parametrize("order", [2, 4])
def test_lower_end_of_a_butterworth_high_pass(order: int) -> None:
    [one] = limits_of(curve(80 + low_cut_db(HZ, 60.0, order)))
    assert one.is_low
    assert one.edge_hz == pytest.approx(60.0 / (10**0.6 - 1) ** (1 / (2 * order)), rel=0.005)
    far = float(low_cut_db(one.edge_hz / 2, 60.0, order))
    assert one.slope_db_per_octave == pytest.approx(-6.0 - far, rel=0.1)


def test_a_tilt_and_a_peak_move_the_end_as_they_move_f6() -> None:
    """The level counts, not a slanting trend: page and findings say the same frequency."""
    tilt, bell = -0.6 * np.log2(HZ / 1000), 10 * np.exp(-0.5 * ((np.log2(HZ / 1500)) / 0.3) ** 2)
    for level in (low_cut_db(HZ, 60.0, 2) + tilt, low_cut_db(HZ, 60.0, 2) + bell):
        found, f6 = ends(np.tile(0.2 * 10 ** (level / 20), (len(DIRECTIONS), 1)).astype(complex))
        assert [one.center_hz for one in found] == [pytest.approx(f6, rel=1e-6)]
    band = np.geomspace(300, 3000, 400)
    middle = 10 * np.log10(np.mean(10 ** (-0.06 * np.log2(band / 1000))))
    expected = brentq(lambda f: low_cut_db(f, 60.0, 2) - 0.6 * np.log2(f / 1000) - middle + 6, 20.0, 80.0)
    [one] = limits_of(curve(80 + low_cut_db(HZ, 60.0, 2) + tilt))
    assert one.edge_hz == pytest.approx(expected, rel=0.01)


def test_a_window_that_narrows_is_no_upper_end() -> None:
    """Flat on the axis; 30 degrees off it 12 dB are gone at 20 kHz, so that the listening window falls."""
    away = np.rad2deg(np.arccos(np.clip(DIRECTIONS.unit_vectors()[:, 0], -1, 1)))[:, None]
    fall = -12 * (away / 30) * (HZ / 20_000) ** 2
    found, _ = ends(np.asarray(0.2 * 10 ** (fall / 20), dtype=complex))
    assert found == []


def test_a_subwoofer_ends_at_its_own_crossover() -> None:
    """Linkwitz-Riley of fourth order: 6.02 dB down at its corner, 24.6 dB at twice that (Linkwitz, from memory)."""
    low_pass = -20 * np.log10(1 + (HZ / 120.0) ** 4)
    [one] = limits_of(curve(90 + low_pass))
    assert not one.is_low
    assert one.edge_hz == pytest.approx(120.0, rel=0.02)
    assert one.slope_db_per_octave == pytest.approx(24.6 - 6.0, rel=0.1)


def test_a_step_in_the_middle_of_the_range_is_no_end() -> None:
    step = -8 / (1 + (HZ / 200.0) ** 6)
    assert limits_of(curve(80 + step)) == []
    dip = -15 * np.exp(-0.5 * ((np.log2(HZ / 150)) / 0.2) ** 2)
    [one] = limits_of(curve(80 + dip + low_cut_db(HZ, 40.0, 4)))
    assert one.edge_hz == pytest.approx(40.0 / (10**0.6 - 1) ** (1 / 8), rel=0.02)


def test_data_that_end_before_the_fall_tell_no_end() -> None:
    inside = HZ[HZ > 70]
    axis = FrequencyAxis(inside)
    assert limits_of(curve(80 + low_cut_db(inside, 60.0, 4), axis)) == []
    short = curve(80 + low_cut_db(HZ, 60.0, 4))
    gap = Curve(
        "on_axis", "on axis", AXIS, short.values, short.u, short.u_common, (HZ > 60) | (HZ < 30), "dB", "dB SPL"
    )
    assert limits_of(gap) == []
