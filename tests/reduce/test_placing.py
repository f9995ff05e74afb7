"""What places leave open, against closed forms: slopes of parabolas, distances, the far field's rule."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from earwitness.quantities import Cause, cta_orbits, from_orbit
from earwitness.quantities.arrays import ComplexArray, FloatArray
from earwitness.quantities.directions import join
from earwitness.reduce.placing import (
    Placed,
    finite_distance_causes,
    near_effect,
    placing_causes,
    turned,
)
from earwitness.session.record import Driver

WHERE = cta_orbits()
HORIZONTAL = np.arange(70) < 36
# Angles of both orbits in the order of `cta_orbits`.
ANGLES = np.concatenate([np.arange(-170.0, 190, 10), [a for a in np.arange(-170.0, 180, 10) if a]])
UP = np.where(HORIZONTAL, 0.0, np.sin(np.radians(ANGLES)))[:, None]
ORBITS = tuple("horizontal" if one else "vertical" for one in HORIZONTAL)


def placed(level_db: FloatArray, **changes: Any) -> Placed:
    """At 8 kHz, where polynomials go through levels."""
    told = {
        "directions": WHERE, "hz": np.full(level_db.shape[1], 8000.0), "pressure": 10 ** (level_db / 20) + 0j,
        "distance_m": np.full(len(level_db), 2.0), "orbit": ORBITS, "order": np.arange(len(level_db), dtype=float),
    }  # fmt: skip
    return Placed(**{**told, **changes})


def lopsided(factor: float = 1.0) -> FloatArray:
    """(70, 1) dB: a parabola about +5 degrees, the same over both orbits."""
    return np.asarray(factor * -0.01 * (ANGLES[:, None] - 5.0) ** 2)


def named(causes: tuple[Cause, ...], name: str, part: str = "") -> Cause:
    (found,) = [cause for cause in causes if cause.name == name and cause.part == part]
    return found


def test_a_turn_on_a_parabola_is_exact_between_its_ends() -> None:
    """-0.01 (angle - 5)^2 at angle +- 0.4: -+0.008 (angle - 5) either way and -0.0016 both ways; on the seam at 180
    degrees the parabola is no circle."""
    turn = turned(placed(lopsided()), "horizontal", 0.4)
    inner = HORIZONTAL & (np.abs(ANGLES) < 160)
    assert turn.pull_db[inner, 0] == pytest.approx(-0.008 * (ANGLES[inner] - 5.0))
    assert turn.bend_db[inner, 0] == pytest.approx(np.full(inner.sum(), -0.0016), abs=1e-12)
    assert not turn.pull_db[~HORIZONTAL].any()


@pytest.mark.parametrize("by_deg", [0.4, 1.0])
def test_a_turn_between_the_lobes_of_two_sources_is_what_their_closed_form_has(by_deg: float) -> None:
    """1 + 0.7 exp(j k d sin angle) with k d = 6 (two sources 0.33 m apart at 1 kHz), 0.1 m in front of the
    axis of turning: within 5 % of a dB a degree, which slopes over 20 degrees miss by 0.4."""
    late = np.exp(-1j * 1.83 * np.cos(np.radians(ANGLES)))[:, None]
    heard = placed(np.zeros((70, 1)), hz=np.array([1000.0]), pressure=two_sources(ANGLES) * late)
    turn = turned(heard, "vertical", by_deg)
    zero, ahead, back = (20 * np.log10(np.abs(two_sources(ANGLES + way * by_deg))) for way in (0, 1, -1))
    upright = np.flatnonzero(~HORIZONTAL & (np.abs(ANGLES) < 60))
    pull = (ahead - back)[upright] / 2
    assert turn.pull_db[upright] == pytest.approx(pull, abs=0.05 * by_deg)
    assert turn.bend_db[upright] == pytest.approx(((ahead + back) / 2 - zero)[upright], abs=0.05 * by_deg)
    straight = 20 * np.log10(np.abs(two_sources(ANGLES + 10) / two_sources(ANGLES - 10)))[upright] / 20 * by_deg
    assert np.abs(straight - pull).max() > 0.4 * by_deg


def two_sources(angle_deg: FloatArray) -> ComplexArray:
    """(D, 1) pressures."""
    return np.asarray(1 + 0.7 * np.exp(6j * np.sin(np.radians(angle_deg))))[:, None]


def test_a_dip_on_axis_is_doubted_both_ways_alike() -> None:
    """0.05 dB per square degree: a degree off the dip makes 0.05 dB, sqrt(3) of it over a normal law's squares."""
    dip = placed(np.asarray(0.05 * ANGLES[:, None] ** 2))
    bend = named(placing_causes(dip), "zero of the turntable, horizontal", "bend").pull_db[:, 0]
    inner = HORIZONTAL & (np.abs(ANGLES) < 150)
    assert bend[inner] == pytest.approx(np.full(inner.sum(), np.sqrt(3) * 0.05))
    assert named(placing_causes(dip), "zero of the turntable, horizontal").pull_db[ANGLES == 0] == pytest.approx(0.0)


def test_a_turntable_off_its_zero_moves_its_orbit_by_the_slope_and_no_more_than_six_db() -> None:
    zero = named(placing_causes(placed(lopsided(2.0))), "zero of the turntable, horizontal").pull_db[:, 0]
    inner = HORIZONTAL & (np.abs(ANGLES) < 90)
    assert zero[inner] == pytest.approx(-0.04 * (ANGLES[inner] - 5.0))
    assert not zero[~HORIZONTAL].any()
    deep = named(placing_causes(placed(lopsided(100.0))), "zero of the turntable, horizontal").pull_db
    assert np.abs(deep).max() == 6.0


def test_a_microphone_too_high_reads_the_other_orbit_in_front_and_behind() -> None:
    """A level of 2 dB times the height on the unit sphere: 0.7 degrees more of it are 0.0244 dB in front and behind,
    and as much by root sum of squares in between."""
    causes = placing_causes(placed(2 * UP))
    parts = ("", "side, 60 degrees", "side, 120 degrees", "behind")
    heights = [named(causes, "height of the microphone, horizontal", part).pull_db[:, 0] for part in parts]
    assert np.sqrt(np.sum(np.square(heights), axis=0))[HORIZONTAL] == pytest.approx(2 * np.radians(0.7), rel=2e-3)
    for part, middle in zip(heights, (0.0, 60.0, 120.0, 180.0), strict=True):
        assert part[HORIZONTAL & (np.abs(ANGLES) == middle)] == pytest.approx(2 * np.radians(0.7), rel=2e-3)
        assert not part[~HORIZONTAL].any()


def test_a_level_that_leans_over_the_top_is_heard_less_by_a_raised_microphone_behind() -> None:
    """0.3 dB per radian over the top: 0.7 degrees are +0.0037 dB in front, -0.0037 dB behind."""
    level = np.where(HORIZONTAL, 0.0, 0.3 * np.radians(ANGLES))[:, None]
    level[ANGLES == 180.0] = 0.3 * np.pi
    level[(~HORIZONTAL) & (ANGLES < -90.0)] += 0.3 * 2 * np.pi
    causes = placing_causes(placed(level))
    for part, angle, sign in (("", 0.0, 1.0), ("behind", 180.0, -1.0)):
        pull = named(causes, "height of the microphone, horizontal", part).pull_db[angle == ANGLES]
        assert pull == pytest.approx(sign * 0.3 * np.radians(0.7), rel=1e-3)


@pytest.mark.parametrize(("part", "off"), [("forward", (-0.01, 0.0)), ("sideways", (0.0, -0.01))])
def test_an_axis_of_turning_off_the_reference_point_moves_distance_and_angle(
    part: str, off: tuple[float, float]
) -> None:
    """By plane geometry: the microphone stands 2 m before the reference point at 0 degrees; turned about an axis that
    is a centimeter off, it stands at another distance and sees another angle of -0.01 (angle - 5)^2 dB."""
    pull = named(placing_causes(placed(lopsided())), "axis of turning, horizontal", part).pull_db[:, 0]
    turn, axis = np.exp(1j * np.radians(ANGLES)), complex(*off)
    place = axis + turn * (2.0 - axis)
    seen = np.degrees(np.angle(place / turn)) + ANGLES
    expected = 20 * np.log10(2.0 / np.abs(place)) - 0.01 * ((seen - 5.0) ** 2 - (ANGLES - 5.0) ** 2)
    inner = HORIZONTAL & (np.abs(ANGLES) < 160)
    assert pull[inner] == pytest.approx(expected[inner], abs=0.01)
    assert np.abs(pull[inner]).max() > 0.5
    assert pull[ANGLES == 0.0] == pytest.approx(0.0)
    assert not pull[~HORIZONTAL].any()


def test_the_tape_measure_moves_all_alike_and_each_place_by_itself() -> None:
    """8.686 dB per neper: 5 mm / sqrt 3 of 2 m are 0.0125 dB, 7 mm 0.030 dB."""
    causes = placing_causes(placed(lopsided()))
    common, own = named(causes, "distance"), named(causes, "place of one take")
    assert common.alike
    assert common.pull_db[0] == pytest.approx(8.685889638 * 0.005 / np.sqrt(3) / 2.0)
    assert own.each
    assert own.pull_db == pytest.approx(np.full((70, 1), 8.685889638 * 0.007 / 2.0))
    near = placing_causes(placed(lopsided(), distance_m=np.full(70, 1.0)))
    assert named(near, "distance").pull_db == pytest.approx(2 * common.pull_db)


def test_drift_runs_in_the_order_of_recording() -> None:
    """0.1 dB from the first take to the last, straight over both orbits."""
    order = np.concatenate([np.arange(36)[::-1], np.arange(34) + 36]).astype(float)
    causes = placing_causes(placed(lopsided(), order=order))
    drift = named(causes, "drift").pull_db[:, 0]
    assert drift == pytest.approx(0.1 * (order / 69 - 0.5))
    gain = named(causes, "gain between the orbits").pull_db[:, 0]
    assert gain[~HORIZONTAL] == pytest.approx(0.1)
    assert not gain[HORIZONTAL].any()


def test_one_orbit_alone_has_no_gain_to_another_and_nothing_is_known_across_it() -> None:
    only = placed(lopsided()[:36], directions=WHERE.take(np.arange(36)), orbit=ORBITS[:36], distance_m=np.full(36, 2.0))
    names = {cause.name for cause in placing_causes(only)}
    assert "gain between the orbits" not in names
    assert not any("vertical" in name or "height" in name for name in names)


def test_every_cause_has_a_key_of_its_own() -> None:
    causes = placing_causes(placed(lopsided()))
    assert len({cause.key for cause in causes}) == len(causes)


def driver(kind: str, diameter_m: float, place_m: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Driver:
    return Driver.model_validate({"name": kind, "kind": kind, "diameter_m": diameter_m, "position_m": place_m})


def test_the_far_field_of_a_horn_begins_where_the_handbook_rule_has_it() -> None:
    """2 D^2 / lambda = r: f = r c / (2 D^2), 3811 Hz for 0.3 m at 2 m; there the rim is heard an eighth of pi late."""
    hz = np.geomspace(200.0, 20_000.0, 2000)
    effect = near_effect([driver("horn", 0.3)], hz, 2.0, 343.0)
    assert effect.from_hz == pytest.approx(2.0 * 343.0 / (2 * 0.09), rel=3e-3)
    assert effect.size_m == pytest.approx(0.3)
    at = int(np.argmin(np.abs(hz - 3811.0)))
    # Mean of exp(-j phase x) over x from 0 to 1, as of a disk's rings: sin(phase / 2) / (phase / 2).
    rings = np.abs(np.mean(np.exp(-1j * np.pi / 8 * (np.arange(20_000) + 0.5) / 20_000)))
    assert effect.error_db[at] == pytest.approx(-20 * np.log10(rings), rel=0.01)
    assert np.all(np.diff(effect.error_db) >= -1e-12)


def test_a_small_dome_is_in_its_far_field_and_a_woofer_counts_up_to_where_it_beams() -> None:
    hz = np.geomspace(200.0, 20_000.0, 500)
    assert near_effect([driver("dome", 0.025)], hz, 1.0, 343.0).from_hz is None
    two_way = near_effect([driver("dome", 0.025), driver("cone", 0.17, (0.0, 0.0, -0.2))], hz, 1.0, 343.0)
    assert two_way.from_hz is not None
    # ka = 4 of a radius of 85 mm.
    silent = 4 * 343.0 / (2 * np.pi * 0.085)
    assert two_way.error_db[hz < silent].max() > 0.1
    assert two_way.error_db[hz > 1.01 * silent].max() < 0.02


def test_the_finite_distance_moves_the_front_alike_and_weak_directions_more() -> None:
    hz = np.array([1000.0, 8000.0])
    level = np.broadcast_to(-10.0 * (1 - np.cos(np.radians(ANGLES)))[:, None], (70, 2))
    causes = finite_distance_causes(placed(level), near_effect([driver("horn", 0.3)], hz, 2.0, 343.0))
    front, each = named(causes, "finite distance"), named(causes, "finite distance, each direction")
    assert not front.each
    assert each.each
    axis, side = 17, int(np.flatnonzero((ANGLES == 60) & HORIZONTAL)[0])
    assert front.pull_db[side] == pytest.approx(0.25 * front.pull_db[axis])
    assert each.pull_db[side] == pytest.approx(each.pull_db[axis] * 10 ** (5.0 / 20))
    assert finite_distance_causes(placed(level), near_effect([driver("dome", 0.02)], hz, 2.0, 343.0)) == ()


def test_a_coarse_half_orbit_has_slopes_of_its_own() -> None:
    """At an end by the one neighbor there is."""
    angles = np.array([0.0, 15.0, 30.0, 60.0])
    where = join([from_orbit("horizontal", angles)])
    level = (-0.1 * angles)[:, None]
    one = placed(level, directions=where, orbit=("horizontal",) * 4, distance_m=np.full(4, 2.0))
    assert turned(one, "horizontal", 1.0).pull_db[:, 0] == pytest.approx(np.full(4, -0.1))
