"""Coarse and missing angles; check ids C1.x are those of the metrics reference."""

from __future__ import annotations

import numpy as np
import pytest
from closed_form_fields import levels
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import j1

from earwitness.figures.angles import filled, horizontal_weights
from earwitness.figures.windows import averaged, windows
from earwitness.quantities import Directions, cta_orbits, from_orbit, on_orbit
from earwitness.quantities.arrays import FloatArray
from earwitness.quantities.directions import join


def _piston_db(angle_deg: FloatArray) -> FloatArray:
    """25 mm rigid piston in a baffle at 10 kHz, 2 J1(x)/x (handbook formula)."""
    x = 2 * np.pi * 10_000 / 343.0 * 0.0125 * np.sin(np.radians(angle_deg))
    small = np.abs(x) < 1e-9
    safe = np.where(small, 1.0, x)
    return np.asarray(20 * np.log10(np.where(small, 1.0, np.abs(2 * j1(safe) / safe))))


def _step(step_deg: float) -> FloatArray:
    """Multiples of a step up to 90 degrees, and 90 degrees itself, on both sides."""
    half = np.append(np.arange(0, 90, step_deg), 90.0)
    return np.unique(np.concatenate([-half, half]))


@pytest.mark.parametrize(("step_deg", "worst_db"), [(15, 0.107), (20, 0.165), (30, 0.376)])
def test_error_of_interpolating_a_piston(step_deg: float, worst_db: float) -> None:
    """C1.41 to C1.43: largest error at the 10 degree positions of the front half."""
    angles = _step(step_deg)
    found = filled(levels(_piston_db(angles), from_orbit("horizontal", angles)), symmetric=False)
    rows, known = on_orbit(found.levels.directions, "horizontal")
    tens = np.abs(known / 10 - np.round(known / 10)) < 1e-6
    error = np.abs(found.levels.level_db[rows[tens], 0] - _piston_db(known[tens]))
    assert tens.sum() == 19
    assert error.max() == pytest.approx(worst_db, abs=6e-4)
    assert error.max() <= 0.4 * (step_deg / 30) ** 2 + 0.01
    assert found.notes[0].endswith(f"widest step {step_deg}°")


def test_positions_that_were_measured_stay_as_they_are() -> None:
    directions = cta_orbits()
    found = filled(levels(np.arange(70.0), directions), symmetric=True)
    assert found.interpolated == {}
    assert found.mirrored == ()
    assert np.array_equal(found.levels.level_db[:, 0], np.arange(70.0))


def test_a_gap_wider_than_30_degrees_is_not_filled() -> None:
    angles = np.array([a for a in range(-170, 190, 10) if a not in (40, 50, 60)], dtype=float)
    found = filled(levels(np.zeros(angles.size), from_orbit("horizontal", angles)), symmetric=False)
    assert found.interpolated == {}
    curves = windows(found.levels)
    assert "horizontal +40°" in curves.missing["side_wall"]
    assert "front_wall" in curves.curves


def test_the_axis_is_never_filled_in() -> None:
    angles = np.array([a for a in range(-170, 190, 10) if a != 0], dtype=float)
    found = filled(levels(np.zeros(angles.size), from_orbit("horizontal", angles)), symmetric=True)
    assert "on_axis" in windows(found.levels).missing


def test_half_an_orbit_is_mirrored_only_for_a_symmetric_loudspeaker() -> None:
    angles = np.arange(0.0, 190, 10)
    half = levels(-angles / 10, from_orbit("horizontal", angles))
    assert filled(half, symmetric=False).mirrored == ()
    found = filled(half, symmetric=True)
    assert len(found.mirrored) == 17
    rows, known = on_orbit(found.levels.directions, "horizontal")
    assert found.levels.level_db[rows, 0] == pytest.approx(-np.abs(known) / 10)
    assert "17 horizontal positions are mirrored" in found.notes[0]


def test_the_vertical_orbit_is_never_mirrored() -> None:
    up = join([from_orbit("horizontal", np.arange(-170.0, 190, 10)), from_orbit("vertical", np.arange(10.0, 180, 10))])
    found = windows(filled(levels(np.zeros(len(up)), up), symmetric=True).levels)
    assert "vertical -20°" in found.missing["floor"]
    assert "ceiling" in found.curves
    assert "sound_power" in found.missing


def test_without_a_vertical_orbit_the_axis_and_its_opposite_fill_nothing_there() -> None:
    angles = np.arange(-170.0, 190, 10)
    found = filled(levels(np.zeros(angles.size), from_orbit("horizontal", angles)), symmetric=False)
    assert len(found.levels.directions) == 36


def test_an_invalid_neighbor_makes_the_filled_position_invalid() -> None:
    angles = np.arange(-160.0, 200, 20)
    start = levels(np.zeros(angles.size), from_orbit("horizontal", angles))
    valid = start.valid.copy()
    valid[np.flatnonzero(angles == 20)[0], 0] = False
    holed = type(start)(start.axis, start.directions, start.level_db, start.u_db, start.u_common_db, valid, "dB")
    found = filled(holed, symmetric=False).levels
    rows, known = on_orbit(found.directions, "horizontal")
    at = {round(float(angle)): row for angle, row in zip(known, rows, strict=True)}
    assert found.valid[at[10]].tolist() == [False, True]
    assert found.valid[at[30]].tolist() == [False, True]
    assert found.valid[at[50]].all()


def test_uncertainty_of_a_mirrored_position_moves_with_its_source() -> None:
    """Two fully correlated levels of 0.3 dB average to 0.3 dB, not to 0.3 / sqrt 2 (JCGM 100, 5.2)."""
    angles = np.arange(0.0, 190, 10)
    found = filled(levels(np.zeros(angles.size), from_orbit("horizontal", angles)), symmetric=True).levels
    side = windows(found).curves["side_wall"]
    assert side.u[0] == pytest.approx(0.3 / np.sqrt(5))


def test_uncertainty_of_an_interpolated_position() -> None:
    """Half way: neighbors add as 0.3 / sqrt 2, and the bound of 0.4 dB times (20/30) squared is rectangular."""
    angles = np.arange(-160.0, 200, 20)
    found = filled(levels(np.zeros(angles.size), from_orbit("horizontal", angles)), symmetric=False).levels
    own = 0.4 * (2 / 3) ** 2 / np.sqrt(3)
    assert found.u_of_levels_db()[-1, 0] == pytest.approx(np.hypot(0.3 / np.sqrt(2), own))
    weights = np.zeros(len(found.directions))
    weights[-18:] = 1 / 18
    curve, _ = averaged(found, weights, key="x", name="x")
    assert curve.u[0] == pytest.approx(np.hypot(0.3 / np.sqrt(18), own))


def test_an_axis_measured_twice_with_different_results_is_told() -> None:
    directions = join([cta_orbits(), from_orbit("vertical", 0.0)])
    level = np.zeros(71)
    level[-1] = 0.8
    assert "0.8 dB" in filled(levels(level, directions), symmetric=False).notes[0]
    level[-1] = 0.3
    assert filled(levels(level, directions), symmetric=False).notes == ()


def test_horizontal_only_power_of_a_cardioid() -> None:
    """Mean square of (1 + cos)/2 over the sphere is 1/3, -4.771 dB (textbook); ten-degree rings are 0.01 dB off."""
    directions = from_orbit("horizontal", np.arange(-170.0, 190, 10))
    energy = ((1 + directions.unit_vectors()[:, 0]) / 2) ** 2
    weights = horizontal_weights(levels(np.zeros(36), directions), power=True)
    assert not isinstance(weights, str)
    assert 10 * np.log10(weights @ energy) == pytest.approx(-4.7712, abs=0.02)


def test_fallbacks_say_what_is_missing() -> None:
    found = horizontal_weights(levels(np.zeros(2), from_orbit("horizontal", [0.0, 10.0])), power=False)
    assert isinstance(found, str)
    assert "5 of 7 horizontal positions" in found


@settings(deadline=None, derandomize=True, max_examples=25)
@given(st.permutations(range(22)))
def test_the_order_of_directions_changes_nothing(order: list[int]) -> None:
    angles = np.concatenate([np.arange(0.0, 190, 20), np.arange(-165.0, 0, 15)])[:22]
    pool = np.resize(angles, 22)
    level = np.cos(np.radians(pool))
    rows = np.array(order)
    here = _by_angle(levels(level, from_orbit("horizontal", pool)).directions, level)
    there = _by_angle(levels(level[rows], from_orbit("horizontal", pool[rows])).directions, level[rows])
    assert here == pytest.approx(there)


def _by_angle(directions: Directions, level: FloatArray) -> FloatArray:
    found = filled(levels(level, directions), symmetric=True).levels
    rows, known = on_orbit(found.directions, "horizontal")
    order = np.lexsort((found.level_db[rows, 0], np.round(known, 6)))
    return found.level_db[rows[order], 0]
