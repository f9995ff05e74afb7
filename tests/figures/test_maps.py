"""Maps and coverage angles; check ids C4.x are those of the metrics reference."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from closed_form_fields import levels
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.special import j1

from earwitness.figures.maps import (
    OrbitLevels,
    coverage_curve,
    coverage_sides,
    nominal_coverage,
    orbit_levels,
    third_octaves_hz,
)
from earwitness.quantities import Cause, FrequencyAxis, cta_orbits, from_orbit
from earwitness.quantities.arrays import FloatArray

TENS = np.arange(-170.0, 190, 10)


def _horizontal(level_db: FloatArray, angles: FloatArray = TENS) -> OrbitLevels:
    found = orbit_levels(levels(level_db, from_orbit("horizontal", angles)), "horizontal")
    assert not isinstance(found, str)
    return found


def _two_sides() -> OrbitLevels:
    """Right is negative: -(angle/40)^2 there, -(angle/50)^2 on the left; 180 degrees from the left formula."""
    return _horizontal(-((TENS / np.where(TENS < 0, 40.0, 50.0)) ** 2))


def test_coverage_of_a_lopsided_pattern() -> None:
    """C4.22: the crossings of parabolas, 97.9796 and 122.4745 degrees; straight lines would give 97.8947 and 122.4."""
    sides = coverage_sides(_two_sides(), 6)
    assert sides["right"].angle_deg[0] == pytest.approx(97.9796, abs=0.003)
    assert sides["left"].angle_deg[0] == pytest.approx(122.4745, abs=0.003)
    total = sides["left"].plus(sides["right"])
    assert total.angle_deg[0] == pytest.approx(97.9796 + 122.4745, abs=0.006)


@pytest.mark.parametrize("hz", [3500.0, 5000.0, 8000.0, 12_000.0])
def test_reading_between_steps_of_ten_degrees_is_known_to_its_doubt(hz: float) -> None:
    """A piston of 40 mm radius in a baffle: 2 J1(x) / x at ka sin (Beranek, from memory), crossings by root finding."""
    ka = 2 * np.pi * hz / 343.0 * 0.04
    x = np.maximum(np.abs(ka * np.sin(np.radians(TENS))), 1e-9)
    found = _horizontal(20 * np.log10(np.abs(2 * j1(x) / x) + 1e-4), TENS)
    exact = np.degrees(np.arcsin(brentq(lambda v: 20 * np.log10(2 * j1(v) / v) + 6, 0.5, 3.5) / ka))
    quiet = replace(found, u_db=np.zeros_like(found.u_db))
    for side in coverage_sides(quiet, 6).values():
        assert abs(side.angle_deg[0] - exact) < min(1.2, 2 * side.u_deg[0])


def test_coverage_of_a_piston() -> None:
    """C4.1 and C4.9: -3 dB at ka sin = 1.61374, -6 dB at 2.21179; 25 mm at 16 kHz: 26.13 and 37.14 degrees."""
    ka = 2 * np.pi * 16_000 / 343.0 * 0.0125
    angles = np.arange(-90.0, 91, 0.5)

    def drop(x: float) -> float:
        return 20 * float(np.log10(2 * j1(x) / x))

    x = ka * np.sin(np.radians(angles))
    safe = np.where(np.abs(x) < 1e-9, 1e-9, x)
    found = _horizontal(20 * np.log10(np.abs(2 * j1(safe) / safe)), angles)
    for drop_db, ka_sine, angle in ((3, 1.61374, 26.13), (6, 2.21179, 37.14)):
        assert brentq(lambda v, d=drop_db: drop(v) + d, 0.5, 3.5) == pytest.approx(ka_sine, abs=6e-6)
        for side in coverage_sides(found, drop_db).values():
            assert side.angle_deg[0] == pytest.approx(angle, abs=0.01)


def test_an_omnidirectional_source_never_falls() -> None:
    orbit = _horizontal(np.zeros(36))
    sides = coverage_sides(orbit, 3)
    for side in sides.values():
        assert (side.angle_deg[0], bool(side.reached[0]), bool(side.known[0])) == (180.0, False, True)
    axis = orbit.map.axis
    curve = coverage_curve(sides["left"], axis, key="coverage_left_3db", drop_db=3, lineage=())
    assert not curve.valid.any()
    assert curve.unit == "deg"


def test_a_lobe_beyond_the_first_fall_does_not_count() -> None:
    """A null alone at 40 degrees: its bend counts for at most 1 dB of the 20 dB step to it."""
    level = np.where(np.abs(TENS) == 40, -20.0, 0.0)
    side = coverage_sides(_horizontal(level), 6)["left"]
    assert side.angle_deg[0] == pytest.approx(30 + 10 * 6 / 20, abs=10 * 1 / 20 + 1e-9)
    assert side.u_deg[0] > 0.5


def test_data_that_end_before_the_fall_do_not_give_the_angle() -> None:
    angles = np.arange(-60.0, 70, 10)
    side = coverage_sides(_horizontal(-np.abs(angles) / 20, angles), 6)["left"]
    assert not side.known[0]
    assert side.angle_deg[0] == 60.0


def test_a_wide_gap_is_not_read_across() -> None:
    angles = np.array([0.0, 10, 50, 60, 180])
    found = _horizontal(np.array([0.0, -1, -20, -20, -20]), angles)
    assert found.map.angle_deg.tolist()[:6] == [0, 10, 20, 30, 40, 50]
    assert not found.map.valid[2:5].any()
    assert not coverage_sides(found, 6)["left"].known[0]


def test_half_an_orbit_gives_no_angle_on_the_other_side() -> None:
    angles = np.arange(0.0, 170, 10)
    sides = coverage_sides(_horizontal(-angles / 5, angles), 6)
    assert sides["left"].reached[0]
    assert not sides["right"].known[0]


def test_uncertainty_of_an_angle() -> None:
    """Half way between two angles a parabola takes 9/16 of each and -1/16 of their neighbors (Lagrange, from memory);
    with the axis's 0.3 dB over 0.2 dB per degree, and 0.05 degrees of reading (law of propagation, JCGM 100)."""
    side = coverage_sides(_horizontal(-np.abs(TENS) / 5), 5)["right"]
    assert side.angle_deg[0] == pytest.approx(25.0)
    level = 0.3 * np.sqrt(2 * (9 / 16) ** 2 + 2 / 16**2 + 1)
    assert side.u_deg[0] == pytest.approx(np.hypot(level / 0.2, 0.05))


def test_a_turntable_off_its_zero_moves_both_sides_and_not_their_sum() -> None:
    """1 degree of a pattern that falls 0.2 dB per degree: 0.2 dB up on one side and down on the other."""
    start = levels(-np.abs(TENS) / 5, from_orbit("horizontal", TENS), u_db=0.0)
    pull = -0.2 * np.sign(TENS)[:, None] * np.ones((1, 2))
    pull[np.abs(TENS) == 180] = 0.0
    orbit = orbit_levels(replace(start, causes=(Cause(name="zero", source="", pull_db=pull),)), "horizontal")
    assert not isinstance(orbit, str)
    sides = coverage_sides(orbit, 5)
    for name, sign in (("left", -1.0), ("right", 1.0)):
        assert sides[name].moves_deg[0, 0] == pytest.approx(sign * 1.0)
        assert sides[name].u_deg[0] == pytest.approx(np.hypot(1.0, 0.05))
    assert sides["left"].plus(sides["right"]).u_deg[0] == pytest.approx(0.05 * np.sqrt(2))


def test_no_angle_is_known_worse_than_somewhere_up_to_180_degrees() -> None:
    """A rectangle of 180 degrees: 180 / sqrt(12) = 51.96."""
    start = levels(-np.abs(TENS) / 20, from_orbit("horizontal", TENS), u_db=60.0)
    orbit = orbit_levels(start, "horizontal")
    assert not isinstance(orbit, str)
    assert coverage_sides(orbit, 5)["left"].u_deg[0] == pytest.approx(51.9615)


def test_the_level_of_all_directions_moves_no_angle() -> None:
    start = levels(-np.abs(TENS) / 5, from_orbit("horizontal", TENS), u_db=0.0)
    orbit = orbit_levels(replace(start, u_common_db=np.full(2, 3.0)), "horizontal")
    assert not isinstance(orbit, str)
    assert coverage_sides(orbit, 5)["left"].u_deg[0] == pytest.approx(0.05)


def test_a_dip_on_the_axis_does_not_widen_the_coverage() -> None:
    """The pattern of the lopsided case with 5 dB less on the axis alone: the fall counts from the mean of 10 and 20
    degrees on both sides, -0.16 dB of what the axis had, not from -5 dB."""
    level = -((TENS / np.where(TENS < 0, 40.0, 50.0)) ** 2)
    near = level[(np.abs(TENS) <= 20) & (TENS != 0)]
    mean = float(10 * np.log10(np.mean(10 ** (near / 10))))
    sides = coverage_sides(_horizontal(np.where(TENS == 0, -5.0, level)), 6)
    assert sides["right"].angle_deg[0] == pytest.approx(40.0 * np.sqrt(6 - mean), abs=0.02)
    assert sides["left"].angle_deg[0] == pytest.approx(50.0 * np.sqrt(6 - mean), abs=0.02)


def test_a_peak_on_the_axis_stays_the_reference() -> None:
    level = np.where(TENS == 0, 2.0, -np.abs(TENS) / 10)
    assert coverage_sides(_horizontal(level), 6)["left"].angle_deg[0] == pytest.approx(40.0)


def test_nominal_coverage_is_the_median_over_third_octaves() -> None:
    """Midbands 10^(n/10) kHz (IEC 61260-1, C10.9 and C10.10); the median of linear data is their middle."""
    assert third_octaves_hz()[[0, 3]] == pytest.approx([1000.0, 1995.2623])
    axis = FrequencyAxis(third_octaves_hz())
    angles = np.arange(-170.0, 190, 10)
    start = levels(np.zeros(36), from_orbit("horizontal", angles), points=11)
    wide = np.linspace(160.0, 60.0, 11)
    level = -6 * np.abs(angles)[:, None] / (wide / 2)
    shaped = type(start)(axis, start.directions, level, start.u_db, start.u_common_db, start.valid, "dB")
    orbit = orbit_levels(shaped, "horizontal")
    assert not isinstance(orbit, str)
    sides = coverage_sides(orbit, 6)
    total = sides["left"].plus(sides["right"])
    assert total.angle_deg == pytest.approx(wide, abs=1e-6)
    figure = nominal_coverage(orbit, total, key="nominal_coverage_horizontal")
    assert figure.value == pytest.approx(110.0)
    assert figure.interval is not None
    assert figure.interval[0] < 110.0 < figure.interval[1]
    assert figure.caveats == ("from 70° to 150° over the band (10th to 90th percentile)",)


def test_reasons_for_no_map() -> None:
    for angles, word in ((TENS[TENS != 0], "axis was not measured"), (np.array([0.0, 180.0]), "off the axis")):
        found = orbit_levels(levels(np.zeros(angles.size), from_orbit("horizontal", angles)), "horizontal")
        assert isinstance(found, str)
        assert word in found
    assert isinstance(orbit_levels(levels(np.zeros(36), from_orbit("horizontal", TENS)), "vertical"), str)


def test_the_map_of_both_orbits_holds_the_axis_and_its_opposite() -> None:
    start = levels(np.arange(70.0), cta_orbits())
    found = orbit_levels(start, "vertical")
    assert not isinstance(found, str)
    assert np.array_equal(found.map.angle_deg, TENS)
    assert found.map.level_db[17, 0] == 0.0
    assert found.map.level_db[-1, 0] == pytest.approx(start.level_db[35, 0] - start.level_db[17, 0])


@settings(deadline=None, derandomize=True, max_examples=25)
@given(st.lists(st.floats(-20, 0), min_size=36, max_size=36), st.sampled_from([3.0, 6.0]))
def test_a_mirrored_pattern_swaps_the_sides(level: list[float], drop_db: float) -> None:
    values = np.array(level)
    values[17] = 0.0
    mirrored = np.concatenate([values[34::-1], values[35:]])
    one, other = coverage_sides(_horizontal(values), drop_db), coverage_sides(_horizontal(mirrored), drop_db)
    assert one["left"].angle_deg == pytest.approx(other["right"].angle_deg)
    assert one["right"].u_deg == pytest.approx(other["left"].u_deg)
