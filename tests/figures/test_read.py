"""A whole reading of fields with closed-form answers, and the properties every reading has."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from closed_form_fields import bare_measurement, response
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from earwitness.figures.read import ABSOLUTE, RELATIVE, read_measurement, read_response
from earwitness.figures.registry import FIGURES, OWN_KIND, RESPONSE_FIGURES, decimals
from earwitness.figures.sampling import band_grid
from earwitness.quantities import (
    DirectionalResponse,
    Figure,
    Reading,
    cta_orbits,
    from_orbit,
    log_axis,
    on_orbit,
)
from earwitness.quantities.arrays import FloatArray
from earwitness.quantities.directions import join

DIRECTIONS = cta_orbits()
FORWARD = DIRECTIONS.unit_vectors()[:, 0]
CURVES = {
    "on_axis",
    "listening_window",
    "floor",
    "ceiling",
    "front_wall",
    "side_wall",
    "rear_wall",
    "early_reflections",
    "total_horizontal",
    "total_vertical",
    "sound_power",
    "in_room",
    "early_reflections_di",
    "sound_power_di",
}
COVERAGE = {
    f"coverage_{place}_{drop}db"
    for place in ("left", "right", "up", "down", "horizontal", "vertical")
    for drop in (3, 6)
}


def _high_pass(hz: FloatArray) -> FloatArray:
    """Fourth-order Butterworth magnitude, 50 Hz."""
    return np.asarray(1 / np.sqrt(1 + (50 / hz) ** 8))


def _wavy(hz: FloatArray) -> FloatArray:
    return np.asarray(_high_pass(hz) * 10 ** (np.sin(3 * np.log2(hz / 100)) / 20))


def _cardioid() -> DirectionalResponse:
    return response((1 + FORWARD) / 2 + 1e-6, on_axis=_high_pass)


def test_an_omnidirectional_source() -> None:
    """Every curve is the on-axis curve and both directivity indices are 0 dB (C1.33, C4.13); nothing ever falls."""
    reading = read_response(response(np.ones(70), on_axis=_high_pass), rated_impedance_ohm=4.0)
    assert set(reading.curves) == CURVES
    for key in CURVES - {"early_reflections_di", "sound_power_di"}:
        assert np.abs(reading.curves[key].values - reading.curves["on_axis"].values).max() < 1e-9
    assert np.abs(reading.curves["sound_power_di"].values).max() < 1e-9
    assert np.abs(reading.curves["early_reflections_di"].values).max() < 1e-9
    assert set(reading.missing) == COVERAGE
    assert reading.missing["coverage_left_6db"] == "the level does not fall by 6 dB at any frequency"
    assert reading.figures["nominal_coverage_horizontal"].value == 360.0
    assert reading.figures["directivity_slope"].value == pytest.approx(0.0, abs=1e-9)


def test_figures_of_a_butterworth_high_pass() -> None:
    """C2.9 to C2.11, order 4: 50.0297, 43.6188 and 37.9918 Hz; C2.5: 3.01 dB from 8 to 4 ohm."""
    figures = read_response(response(np.ones(70), on_axis=_high_pass), rated_impedance_ohm=4.0).figures
    for key, expected in (("f3", 50.0297), ("f6", 43.6188), ("f10", 37.9918)):
        assert figures[key].value == pytest.approx(expected, rel=1e-3)
        assert figures[key].interval is not None
        assert figures[key].interval[0] < expected < figures[key].interval[1]
    assert figures["sensitivity"].value == pytest.approx(86.0, abs=1e-3)
    # 0.2 dB for all points alike; of 0.3 dB half of the variance falls as exp(-octaves^2), half is of single points.
    octaves = np.log2(band_grid(300.0, 3000.0))
    smooth = np.exp(-((octaves[:, None] - octaves) ** 2)).mean()
    own = 0.09 * (0.5 * smooth + 0.5 / octaves.size)
    assert figures["sensitivity"].u == pytest.approx(np.sqrt(own + 0.04), rel=0.06)
    assert figures["sensitivity_1w"].value == pytest.approx(86.0 - 3.0103, abs=1e-3)
    ends = figures["sensitivity"].interval
    assert ends is not None
    assert figures["sensitivity_1w"].interval == pytest.approx([end - 3.0103 for end in ends], abs=1e-3)
    assert figures["linearity_share_1p5db"].value == pytest.approx(100.0)


def test_a_cardioid() -> None:
    """Coverage: (1 + cos)/2 is -3 dB at 65.42 and -6 dB at 89.86 degrees (arithmetic); straight lines between 10 degree
    steps fall short of it by at most step^2 / 8 times the curvature, 0.24 degrees at -3 dB. Sound power 4.6723 dB under
    the axis on two orbits with exact cells (C4.19)."""
    reading = read_response(_cardioid())
    assert set(reading.curves) == CURVES | COVERAGE
    assert reading.missing == {}
    for drop in (3, 6):
        exact = float(np.degrees(brentq(lambda a, d=drop: 20 * np.log10((1 + np.cos(a)) / 2) + d, 0.1, 2.5)))
        for place in ("left", "right", "up", "down"):
            curve = reading.curves[f"coverage_{place}_{drop}db"]
            assert curve.valid.all()
            assert curve.values == pytest.approx(np.full(len(curve.axis), exact), abs=0.25)
        both = reading.curves[f"coverage_vertical_{drop}db"].values
        assert both == pytest.approx(np.full(both.size, 2 * exact), abs=0.5)
    gap = reading.curves["on_axis"].values - reading.curves["sound_power"].values
    assert gap == pytest.approx(np.full(gap.size, 4.6723), abs=2e-4)
    assert reading.figures["nominal_coverage_horizontal"].value == pytest.approx(179.7, abs=0.5)
    assert set(reading.maps) == {"horizontal", "vertical"}
    found = reading.maps["vertical"]
    expected = 20 * np.log10((1 + np.cos(np.radians(found.angle_deg))) / 2 + 1e-6)
    assert found.level_db[:, 100] == pytest.approx(expected - 20 * np.log10(1 + 1e-6), abs=1e-9)


def test_without_calibration_no_sound_pressure_level_is_stated() -> None:
    reading = read_response(response(np.ones(70), on_axis=_high_pass, absolute=False), rated_impedance_ohm=8.0)
    assert reading.curves["on_axis"].reference == RELATIVE
    for key in ("sensitivity", "sensitivity_1w"):
        assert "not calibrated" in reading.figures[key].reason
    assert reading.figures["f6"].value == pytest.approx(43.6188, rel=1e-3)
    assert read_response(_cardioid()).curves["on_axis"].reference == ABSOLUTE


def test_without_a_rated_impedance_there_is_no_sensitivity_at_one_watt() -> None:
    figure = read_response(_cardioid()).figures["sensitivity_1w"]
    assert figure.value is None
    assert figure.reason == "no rated impedance is stated"


def test_without_a_vertical_orbit_the_fallbacks_have_names_of_their_own() -> None:
    rows, _ = on_orbit(DIRECTIONS, "horizontal")
    part = response((1 + FORWARD[rows]) / 2 + 1e-6, directions=DIRECTIONS.take(rows), on_axis=_high_pass)
    reading = read_response(part)
    assert "horizontal window" in reading.missing["listening_window"]
    assert reading.curves["horizontal_window"].name == "horizontal window"
    assert "horizontal_power" in reading.curves
    for key in ("in_room_slope", "preference_rating", "directivity_slope", "nominal_coverage_vertical"):
        assert reading.figures[key].value is None
        assert reading.figures[key].reason
    assert reading.figures["f3"].is_judged
    assert "no direction of the vertical orbit" in reading.missing["map_vertical"]


def test_front_half_only() -> None:
    """Listening window, floor, ceiling, front and side exist; rear wall, sound power and rating do not."""
    front = join([from_orbit("horizontal", np.arange(-90.0, 91, 10)), from_orbit("vertical", np.arange(-90.0, 91, 10))])
    reading = read_response(response((1 + front.unit_vectors()[:, 0]) / 2, directions=front))
    assert {"listening_window", "floor", "ceiling", "front_wall", "side_wall"} <= set(reading.curves)
    assert {"rear_wall", "sound_power", "in_room"} <= set(reading.missing)
    assert reading.figures["preference_rating"].value is None


def test_filled_angles_are_told_with_curves_and_figures() -> None:
    coarse = cta_orbits(20.0)
    reading = read_response(response((1 + coarse.unit_vectors()[:, 0]) / 2 + 1e-3, directions=coarse))
    assert "interpolated over angle (step 20°)" in reading.choices["filled_listening_window"]
    assert any("interpolated" in caveat for caveat in reading.figures["in_room_slope"].caveats)
    assert not any("interpolated" in caveat for caveat in reading.figures["f3"].caveats)
    assert "filled_on_axis" not in reading.choices


def test_gated_data_keep_their_figures_and_lose_those_that_need_bass() -> None:
    base = _cardioid()
    valid = np.repeat((base.axis.hz > 150)[None, :], 70, axis=0)
    reading = read_response(response((1 + FORWARD) / 2 + 1e-6, valid=valid))
    assert reading.figures["sensitivity"].is_judged
    for key in ("f3", "linearity_above", "preference_rating", "in_room_slope"):
        assert reading.figures[key].reason
    assert reading.figures["directivity_slope"].is_judged


def test_nothing_on_the_axis() -> None:
    rows = np.flatnonzero(FORWARD < 0.999)
    reading = read_response(response((1 + FORWARD[rows]) / 2 + 1e-6, directions=DIRECTIONS.take(rows)))
    assert "on axis" in reading.figures["sensitivity"].reason
    assert reading.maps == {}
    assert all(figure.value is None for figure in reading.figures.values())


def test_no_valid_point_at_all() -> None:
    axis = log_axis(20, 20_000, 24)
    reading = read_response(response(np.ones(70), axis=axis, valid=np.zeros((70, len(axis)), bool)))
    assert all(figure.value is None and figure.reason for figure in reading.figures.values())


def test_every_figure_of_the_registry_is_answered_with_its_unit() -> None:
    reading = read_response(_cardioid(), rated_impedance_ohm=6.0)
    assert list(reading.figures) == list(RESPONSE_FIGURES)
    for key, figure in reading.figures.items():
        assert figure.key == key
        assert figure.unit == FIGURES[key].unit
        assert figure.method
        assert figure.lineage == ("step",)
        assert set(FIGURES[key].curves) <= CURVES | COVERAGE
    assert "differences under 0.5 should not be ranked" in reading.figures["preference_rating"].caveats


def test_decimals_follow_the_uncertainty() -> None:
    def figure(key: str, u: float) -> Figure:
        return Figure(key, 1.0, u, FIGURES[key].unit, None, "m")

    assert decimals(figure("sensitivity", 0.4)) == 1
    assert decimals(figure("in_room_slope", 0.03)) == 2
    assert decimals(figure("in_room_slope", 0.3)) == 1
    assert decimals(figure("sensitivity", 2.0)) == 0
    assert decimals(figure("f3", 0.01)) == 0
    assert decimals(figure("preference_rating", 0.0)) == 1


def test_a_measurement_is_read_through_its_response() -> None:
    measurement = bare_measurement(_cardioid())
    reading = read_measurement(measurement, rated_impedance_ohm=8.0, rear_wall="3")
    assert reading.choices["rear_wall"] == "3"
    default = read_measurement(measurement, rated_impedance_ohm=8.0)
    assert list(default.figures) == [key for key in FIGURES if key not in OWN_KIND]
    assert default.figures["impedance_minimum"].reason == "no impedance was measured"
    assert default.figures["distortion_largest"].reason == "the session has no level series"
    assert default.missing["multitone_residue"] == "the session has no multitone take"
    assert default.choices["rear_wall"] == "all 19"
    assert (reading.curves["rear_wall"].values > default.curves["rear_wall"].values + 1.0).all()


def _values(reading: Reading) -> dict[str, float]:
    return {key: figure.value for key, figure in reading.figures.items() if figure.value is not None}


@cache
def _uneven_reading() -> Reading:
    return read_response(response(_uneven(), on_axis=_wavy), rated_impedance_ohm=4.0)


@settings(deadline=None, derandomize=True, max_examples=5)
@given(st.floats(-40.0, 40.0))
def test_gain_moves_levels_and_sensitivity_only(gain_db: float) -> None:
    """A factor on all pressures adds its dB to every level and changes no difference."""
    pattern = _uneven()
    one = _uneven_reading()
    other = read_response(response(10 ** (gain_db / 20) * pattern, on_axis=_wavy), rated_impedance_ohm=4.0)
    for key, curve in one.curves.items():
        moved = gain_db if curve.reference == ABSOLUTE else 0.0
        assert np.abs(other.curves[key].values - curve.values - moved).max() < 1e-6
    before, after = _values(one), _values(other)
    assert before.keys() == after.keys()
    for key, value in before.items():
        moved = gain_db if key.startswith("sensitivity") else 0.0
        assert after[key] - value == pytest.approx(moved, abs=1e-6), key
        assert other.figures[key].u == pytest.approx(one.figures[key].u, rel=1e-3, abs=1e-6), key


def _uneven() -> FloatArray:
    """(70,) pattern without any symmetry."""
    y, z = DIRECTIONS.unit_vectors()[:, 1:].T
    return np.asarray(0.55 + 0.4 * FORWARD + 0.03 * y + 0.02 * z)


@settings(deadline=None, derandomize=True, max_examples=5)
@given(st.permutations(range(70)))
def test_the_order_of_directions_changes_nothing(order: list[int]) -> None:
    rows = np.array(order)
    one = _uneven_reading()
    moved = response(_uneven()[rows], directions=DIRECTIONS.take(rows), on_axis=_wavy)
    other = read_response(moved, rated_impedance_ohm=4.0)
    assert one.curves.keys() == other.curves.keys()
    for key, curve in one.curves.items():
        assert np.abs(other.curves[key].values - curve.values).max() < 1e-9
    assert _values(other) == pytest.approx(_values(one), rel=1e-9, abs=1e-9)
    for key in _values(one):
        assert other.figures[key].u == pytest.approx(one.figures[key].u, rel=1e-4, abs=1e-6), key


@settings(deadline=None, derandomize=True, max_examples=20)
@given(st.sets(st.integers(0, 69), min_size=1, max_size=69), st.integers(0, 2**16), st.booleans(), st.booleans())
def test_any_part_of_the_directions_is_read_without_a_silent_guess(
    rows: set[int], seed: int, symmetric: bool, absolute: bool
) -> None:
    """Every curve is there or missing with a reason, every figure has a finite value and uncertainty or a reason."""
    picked = np.array(sorted(rows))
    axis = log_axis(20, 20_000, 12)
    random = np.random.default_rng(seed)
    valid = random.uniform(size=(picked.size, len(axis))) > random.choice([0.0, 0.001, 0.2])
    part = response(
        _uneven()[picked], directions=DIRECTIONS.take(picked), axis=axis, on_axis=_wavy, valid=valid, absolute=absolute
    )
    reading = read_response(part, symmetric=symmetric, rated_impedance_ohm=8.0)
    assert set(reading.curves) | set(reading.missing) >= CURVES | COVERAGE
    assert not set(reading.curves) & set(reading.missing)
    assert all(reading.missing.values())
    assert list(reading.figures) == list(RESPONSE_FIGURES)
    for curve in reading.curves.values():
        assert all(np.isfinite(part).all() for part in (curve.values, curve.u, curve.u_common))
        assert (curve.u >= 0).all()
    for figure in reading.figures.values():
        assert figure.is_judged or figure.reason
        if figure.interval is not None and figure.value is not None:
            assert figure.interval[0] <= figure.value <= figure.interval[1]


def test_a_mirrored_field_swaps_left_and_right_and_nothing_else() -> None:
    mirrored = type(DIRECTIONS)(-DIRECTIONS.azimuth_rad, DIRECTIONS.elevation_rad)
    one = _uneven_reading()
    other = read_response(response(_uneven(), directions=mirrored, on_axis=_wavy), rated_impedance_ohm=4.0)
    swap = {"left": "right", "right": "left"}
    for key, curve in one.curves.items():
        parts = [swap.get(part, part) for part in key.split("_")]
        assert other.curves["_".join(parts)].values == pytest.approx(curve.values, abs=1e-9), key
    difference = one.curves["coverage_left_6db"].values - one.curves["coverage_right_6db"].values
    assert np.abs(difference).min() > 1.0
    assert _values(other) == pytest.approx(_values(one), rel=1e-9, abs=1e-9)
