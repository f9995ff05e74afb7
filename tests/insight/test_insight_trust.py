"""Uncertainties and weights of what insight says, against closed forms and the law of propagation."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from earwitness.insight.claims import half_range, upper_limit
from earwitness.insight.listening.matching import DRAWS, chance
from earwitness.insight.match.seats import SeatAim, best_aims, orbits_of, sound_toward
from earwitness.quantities import Cause, Curve, DirectionalResponse, Directions, cta_orbits, log_axis
from earwitness.session.room_plan import RoomPlan

AXIS = log_axis(100.0, 20_000.0, 48)


def on_axis(level_db: np.ndarray, *, u: float | np.ndarray = 0.1, common: float | np.ndarray = 0.0) -> Curve:
    flat = np.ones(len(AXIS))
    return Curve("on_axis", "on axis", AXIS, level_db, u * flat, common * flat, flat > 0, "dB", "dB SPL at 1 m, 2.83 V")


def test_half_a_range_is_half_as_sure_as_its_ends_together() -> None:
    """(H - L) / 2 moves by half of what one cause does to H against L; what moves both alike cancels (JCGM 100)."""
    level = np.where(AXIS.hz < 1000.0, 2.0, -2.0)
    for pull, moved in ((np.where(AXIS.hz < 1000.0, 0.1, 0.7), 0.3), (np.full(len(AXIS), 0.5), 0.0)):
        cause = Cause(name="microphone", source="test", pull_db=pull[None, :])
        curve = replace(on_axis(level, u=0.0, common=np.abs(pull)), causes=(cause,))
        figure, _, _ = half_range(curve, 200.0, 8000.0)
        assert figure.u == pytest.approx(moved, rel=2e-3, abs=1e-6)


def test_an_error_of_level_moves_the_upper_limit_by_error_over_slope() -> None:
    """12 dB an octave above 8 kHz: 6 dB down at 11.3 kHz; 0.4 dB are a thirtieth of an octave (f ln 2 / 30)."""
    level = 90.0 - np.maximum(12.0 * np.log2(AXIS.hz / 8000.0), 0.0)
    cause = Cause(name="level", source="test", pull_db=np.full((1, len(AXIS)), 0.4))
    curve = replace(on_axis(level, u=0.0, common=0.4), causes=(cause,))
    found = upper_limit(curve, 90.0, 6.0, key="upper")
    lower, higher = (upper_limit(on_axis(level + way, u=0.0), 90.0, 6.0, key="upper").value for way in (-0.4, 0.4))
    assert found.value is not None
    assert lower is not None
    assert higher is not None
    assert found.value == pytest.approx(8000.0 * math.sqrt(2.0), rel=2e-3)
    assert found.u == pytest.approx((higher - lower) / 2, rel=2e-3)
    assert found.u == pytest.approx(found.value * math.log(2.0) / 30.0, rel=2e-3)


def source(level_db: Any) -> DirectionalResponse:
    """A source whose level depends on direction only, without an uncertainty of its own."""
    directions: Directions = cta_orbits()
    level = np.broadcast_to(level_db(directions.unit_vectors())[:, None], (len(directions), len(AXIS)))
    nothing = np.zeros(level.shape)
    pressure = 10 ** (level / 20) * 20e-6 / 2.83 + 0j
    return DirectionalResponse(AXIS, directions, pressure, nothing, nothing[0], nothing == 0)


def test_off_both_orbits_each_counts_by_the_square_of_its_part_and_the_doubt_is_a_rectangle() -> None:
    """Toward (cos a, sin a cos r, sin a sin r) at a measured angle a: cos^2 r of the horizontal orbit, sin^2 r of the
    vertical; halfway between orbits D apart the level lies within D / 2 of the middle: D / 2 / sqrt(3) (JCGM 100)."""
    apart = 6.0
    orbits = orbits_of(source(lambda v: 90.0 - apart * (np.abs(v[:, 2]) > 1e-6)))
    for roll in (45.0, 30.0):
        a, r = np.radians(40.0), np.radians(roll)
        y, z = np.sin(a) * np.cos(r), np.sin(a) * np.sin(r)
        found = sound_toward(orbits, float(np.degrees(np.arctan2(y, np.cos(a)))), float(np.degrees(np.arcsin(z))))
        assert found is not None
        assert found.level_db[0] == pytest.approx(90.0 - apart * np.sin(r) ** 2)
        share = np.sin(2 * r) ** 2
        assert found.u_db[0] == pytest.approx(share * apart / 2 / math.sqrt(3.0))


def test_the_cost_of_an_aim_is_the_root_of_the_sum_of_squares() -> None:
    """Unlike seats and an uneven mean are deviations at right angles: Pythagoras, not their sum."""
    place = {"position_m": (0.0, 2.0, 1.0), "azimuth_deg": 0.0}
    seats = [{"name": n, "position_m": (3.0, y, 1.0)} for n, y in (("a", 1.2), ("b", 2.8))]
    plan = RoomPlan.model_validate({"loudspeaker": [{"name": "left", **place}], "seat": seats})
    ripple = 2.0 * np.sin(np.log2(AXIS.hz) * 3.0)
    measured = source(lambda v: 90.0 + 4.0 * v[:, 1])
    shaped = DirectionalResponse(
        AXIS,
        measured.directions,
        measured.pressure * 10 ** (ripple / 20),
        measured.u_db,
        measured.u_common_db,
        measured.valid,
    )
    advice = best_aims(shaped, plan)["left"]
    assert not isinstance(advice, str)
    for aim in advice.aims:
        assert isinstance(aim, SeatAim)
        assert aim.spread_db > 0.1
        assert aim.tone_db > 0.5
        assert aim.cost_db == pytest.approx(math.sqrt(aim.spread_db**2 + aim.tone_db**2))


def test_a_sampled_p_value_is_never_zero() -> None:
    """(1 + hits) / (1 + draws), Davison and Hinkley 1997, from memory: no draw reaches what cannot come by chance."""
    pool = 400
    agreeing = {sense: np.arange(pool) < 20 for sense in ("full", "thin")}
    said = [frozenset({"full"})] * 20 + [frozenset({"thin"})] * 0
    found = chance(20, said, agreeing, largest_table=1)
    assert not found.is_exact
    assert found.p_value == pytest.approx(1.0 / (1.0 + DRAWS))


def test_what_is_rarer_is_never_more_likely() -> None:
    agreeing = {"full": np.arange(60) < 20}
    said = [frozenset({"full"})] * 9
    p = [chance(agreed, said, agreeing, largest_table=1).p_value for agreed in range(10)]
    assert all(later <= before for before, later in pairwise(p))
    assert p[0] == pytest.approx(1.0)
