"""ANSI/CTA-2034-A curves on invented sources T1, T2, T3; check ids C1.x are those of the metrics reference."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from earwitness.figures.windows import DirectionalLevels, windows
from earwitness.quantities import Directions, FrequencyAxis, cta_orbits, on_orbit
from earwitness.quantities.arrays import FloatArray, IntArray

AXIS = FrequencyAxis(np.array([100.0, 1000.0]))


def _levels(directions: Directions, level: FloatArray, *, u_db: float = 0.5) -> DirectionalLevels:
    both = np.repeat(level[:, None], 2, axis=1)
    return DirectionalLevels(
        AXIS, directions, both, np.full(both.shape, u_db), np.full(2, 0.3), np.ones(both.shape, bool), "dB re on axis"
    )


def _t1() -> DirectionalLevels:
    directions = cta_orbits()
    return _levels(directions, 20 * np.log10(0.55 + 0.45 * directions.unit_vectors()[:, 0]))


def _t2() -> DirectionalLevels:
    directions = cta_orbits()
    level = np.zeros(len(directions))
    for orbit, scale, behind in (("vertical", 25.0, 1.5), ("horizontal", 30.0, 1.2)):
        rows, angle = on_orbit(directions, orbit)  # type: ignore[arg-type]
        level[rows] = -((np.abs(angle) / scale) ** 1.5) * np.where(angle >= 0, 1.0, behind)
    return _levels(directions, level)


CHECKS = [
    ("listening_window", -0.1952, -0.4790),  # C1.18
    ("floor", -0.5716, -1.9537),  # C1.19
    ("ceiling", -1.5377, -2.8020),  # C1.20
    ("front_wall", -0.2347, -0.5268),  # C1.21
    ("side_wall", -2.2249, -3.0312),  # C1.22
    ("rear_wall", -9.9724, -9.2326),  # C1.23
    ("early_reflections", -1.9035, -2.7328),  # C1.25
    ("total_horizontal", -2.6039, -3.0025),  # C1.28
    ("total_vertical", -1.0278, -2.3572),  # C1.29
    ("sound_power", -4.2455, -5.3281),  # C1.30
    ("sound_power_di", 4.0504, 4.8490),  # C1.32
    ("early_reflections_di", 1.7084, 2.2537),  # C1.33
    ("in_room", -2.4863, -3.2698),  # C1.34
]


@pytest.mark.parametrize(("key", "t1", "t2"), CHECKS)
def test_curves_of_the_test_sources(key: str, t1: float, t2: float) -> None:
    assert windows(_t1()).curves[key].values[0] == pytest.approx(t1, abs=6e-5)
    assert windows(_t2()).curves[key].values[1] == pytest.approx(t2, abs=6e-5)


def test_the_other_reading_of_the_rear_wall() -> None:
    """C1.24, C1.26."""
    for levels, rear, early in ((_t1(), -6.8825, -1.7652), (_t2(), -7.1813, -2.6169)):
        curves = windows(levels, rear_wall="3").curves
        assert curves["rear_wall"].values[0] == pytest.approx(rear, abs=6e-5)
        assert curves["early_reflections"].values[0] == pytest.approx(early, abs=6e-5)


def test_the_weight_of_the_axis() -> None:
    """C1.31 and C1.37 (cos^4 in front, 1e-6 behind)."""
    assert windows(_t1(), axis_weight=1).curves["sound_power"].values[0] == pytest.approx(-4.2510, abs=6e-5)
    directions = cta_orbits()
    x = np.clip(directions.unit_vectors()[:, 0], 0, 1)
    narrow = _levels(directions, 20 * np.log10(np.maximum(x**4, 1e-6)))
    for axis_weight, expected in ((1, -11.9106), (2, -11.8751), (4, -11.8053)):
        power = windows(narrow, axis_weight=axis_weight).curves["sound_power"]
        assert power.values[0] == pytest.approx(expected, abs=6e-5)


def test_without_a_vertical_orbit_no_curve_is_filled_in() -> None:
    levels = _t1()
    rows, _ = on_orbit(levels.directions, "horizontal")
    part = _levels(levels.directions.take(rows), levels.level_db[rows, 0])
    found = windows(part)
    assert set(found.curves) == {"on_axis", "front_wall", "side_wall", "rear_wall", "total_horizontal"}
    assert "vertical +10°" in found.missing["listening_window"]
    assert "34 of 70 positions" in found.missing["sound_power"]
    assert "floor" in found.missing["early_reflections_di"]


def test_one_invalid_position_makes_only_that_frequency_of_its_curves_invalid() -> None:
    levels = _t1()
    rows, angle = on_orbit(levels.directions, "vertical")
    valid = levels.valid.copy()
    valid[rows[np.isclose(angle, 50)], 0] = False
    part = DirectionalLevels(AXIS, levels.directions, levels.level_db, levels.u_db, levels.u_common_db, valid, "dB")
    curves = windows(part).curves
    assert curves["ceiling"].valid.tolist() == [False, True]
    assert curves["on_axis"].valid.all()
    assert curves["listening_window"].valid.all()


def test_a_direction_that_carries_little_energy_may_be_untrusted_at_the_price_of_uncertainty() -> None:
    """A share s of unknown energy moves a level by at most 10 lg(1 + s): plain arithmetic of energy averages."""
    levels = replace(_t1(), u_db=np.full((70, 2), 3.1))
    rows, angle = on_orbit(levels.directions, "vertical")
    valid = levels.valid.copy()
    valid[rows[np.isclose(angle, 50)], 0] = False
    part = DirectionalLevels(AXIS, levels.directions, levels.level_db, levels.u_db, levels.u_common_db, valid, "dB")
    trusted, doubted = windows(levels).curves["sound_power"], windows(part).curves["sound_power"]
    assert doubted.valid.all()
    weight = 0.016868154
    share = weight * 10 ** ((levels.level_db[rows[np.isclose(angle, 50)][0], 0] - trusted.values[0]) / 10)
    np.testing.assert_allclose(doubted.u[0] ** 2 - trusted.u[0] ** 2, (10 * np.log10(1 + share)) ** 2, rtol=1e-6)
    assert doubted.u[1] == trusted.u[1]


def test_untrusted_directions_that_carry_more_than_a_twentieth_end_the_curve_there() -> None:
    levels = _t1()
    valid = levels.valid.copy()
    valid[levels.directions.unit_vectors()[:, 0] > 0.5, 0] = False
    part = DirectionalLevels(AXIS, levels.directions, levels.level_db, levels.u_db, levels.u_common_db, valid, "dB")
    assert windows(part).curves["sound_power"].valid.tolist() == [False, True]


def test_a_position_measured_twice_is_an_energy_average() -> None:
    """Energies 1 and 3 average to 2: 3.0103 dB (arithmetic)."""
    directions = cta_orbits()
    axis_row = int(on_orbit(directions, "horizontal")[0][17])
    doubled = directions.take(_rows([*range(len(directions)), axis_row]))
    level = np.zeros(len(doubled))
    level[-1] = 10 * np.log10(3)
    curve = windows(_levels(doubled, level)).curves["on_axis"]
    assert curve.values[0] == pytest.approx(10 * np.log10(2), abs=1e-9)


def _rows(rows: list[int]) -> IntArray:
    return np.array(rows, dtype=np.int64)


def test_uncertainty_of_equal_independent_levels_falls_with_the_square_root_of_their_number() -> None:
    """Law of propagation (JCGM 100, 5.1.2) for nine equal levels."""
    directions = cta_orbits()
    curves = windows(_levels(directions, np.zeros(len(directions)))).curves
    assert curves["listening_window"].u[0] == pytest.approx(0.5 / 3, abs=1e-9)
    assert curves["sound_power_di"].u_common[0] == 0.0
    assert curves["sound_power_di"].u[0] < np.hypot(curves["listening_window"].u[0], curves["sound_power"].u[0])
