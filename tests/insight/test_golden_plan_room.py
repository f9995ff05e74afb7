"""Walls, modes and levels on plans over a population of rooms, frozen: the program's own values, held against change.

Formulas: modes of a rigid box, c / 2 times the root of summed squares; a single wall by its mirror image.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from match_worlds import brief, curve, figure, plan_of, read_of, response_of, tried, unknown

from earwitness.insight.match import plan_room as module
from earwitness.insight.match.in_room import ListeningRoom
from earwitness.insight.match.plan_room import (
    Boundary,
    Layout,
    Plane,
    boundary,
    boundary_words,
    enclosed_by,
    layouts,
    level_toward,
    mode_hz,
    modes_below,
    near_planes,
    on_desk,
    plan_room,
    pressure_gain,
    radiates_as,
    third_octaves_db,
    transfer,
    usual_layouts,
    wall_behind,
    walls_tried,
)
from earwitness.insight.match.seats import orbits_of
from earwitness.quantities import Reading, cta_orbits, from_orbit, log_axis
from earwitness.quantities.arrays import ComplexArray, FloatArray
from earwitness.session.room_plan import RoomPlan, RoomSize
from golden_values import stands

NAME = "insight/match_plan_room"
LOW = log_axis(20.0, 700.0, 8)
WHOLE = log_axis(20.0, 6000.0, 8)


def alike(azimuth_deg: float, elevation_deg: float) -> ComplexArray:
    """Falls to the sides and upward, with a phase of its own."""
    return np.full(5, (1.5 + math.cos(math.radians(azimuth_deg))) * np.exp(0.01j * elevation_deg), dtype=complex)


def test_one_wall_by_its_image() -> None:
    hz = np.array([40.0, 90.0, 150.0, 333.0, 800.0])
    source, seat = np.array([0.5, 1.0, 1.1]), np.array([3.0, 1.4, 1.3])
    one = pressure_gain(lambda _a, _e: np.ones(5, dtype=complex), hz, source, seat, (0.0, 0.0), [Plane(0, 0.0)])
    way, far = np.linalg.norm(seat - source), np.linalg.norm(seat * [-1, 1, 1] - source)
    assert one == pytest.approx(1.0 + 0.9 * way / far * np.exp(-2j * np.pi * hz / 343.0 * (far - way)))


def test_gains_of_planes() -> None:
    hz, rows = np.array([40.0, 90.0, 150.0, 333.0, 800.0]), []
    planes = [Plane(0, 0.0), Plane(1, 4.0), Plane(2, 0.0), Plane(0, 6.0)]
    for aim in ((0.0, 0.0), (30.0, -10.0)):
        for some in ([], planes[:1], planes[:2], planes[:3], planes, planes[::3]):
            for factor in ({}, {"factor": 0.7}):
                rows.append(
                    pressure_gain(alike, hz, np.array([0.5, 1.0, 1.1]), np.array([3.0, 1.4, 1.3]), aim, some, **factor)
                )
    stands(NAME, "gains", rows)


@pytest.mark.parametrize("number", range(3))
def test_radiations(number: int) -> None:
    one = response_of(np.random.default_rng([number, 1]), axis=WHOLE)
    one = replace(one, phase=("common", "own", "common")[number])
    hole = (np.arange(len(WHOLE)) > 20) & (np.arange(len(WHOLE)) < 24)
    if number == 2:
        one = replace(one, valid=one.valid & ~hole)
    hz = np.geomspace(25.0, 5000.0, 40)
    toward, rows = radiates_as(one, hz), []
    for azimuth, elevation in (
        (0.0, 0.0),
        (10.0, 0.0),
        (13.0, 0.0),
        (0.0, 17.0),
        (40.0, 20.0),
        (-123.0, -31.0),
        (180.0, 0.0),
        (5.0, 88.0),
    ):
        found = toward(azimuth, elevation)
        rows.append([np.nan_to_num(found), int(np.isfinite(found).sum())])
    stands(NAME, f"radiations {number}", rows)


def test_directions_that_are_known_enough() -> None:
    """Nine tenths of the frequencies: of 40 points 36."""
    one, hz, rows = response_of(np.random.default_rng(2), axis=WHOLE), np.asarray(WHOLE.hz[:40]), []
    for count in (34, 35, 36, 37, 40):
        valid = one.valid & (np.arange(len(WHOLE)) < count)
        rows.append(tried(lambda valid=valid: np.isfinite(radiates_as(replace(one, valid=valid), hz)(20.0, 0.0)).sum()))
    half = response_of(
        np.random.default_rng(2), axis=WHOLE, directions=from_orbit("horizontal", np.arange(-90.0, 91.0, 10.0))
    )
    rows.append(tried(lambda: radiates_as(half, hz)(20.0, 30.0)))
    stands(NAME, "known enough", rows)


def test_third_octaves() -> None:
    random = np.random.default_rng(3)
    pressure = random.normal(0.0, 1.0, 40) + 1j * random.normal(0.0, 1.0, 40)
    pressure[[4, 20, 21, 22, 23, 24, 25, 26, 27, 28]] = np.nan
    with np.errstate(divide="ignore"):
        found = third_octaves_db(100.0 * 2.0 ** (np.arange(40) / 12.0), pressure)
    stands(NAME, "third octaves", [found, third_octaves_db(100.0 * 2.0 ** (np.arange(12) / 6.0), pressure[5:17])])


@pytest.mark.parametrize("number", range(4))
def test_boundaries(number: int) -> None:
    random = np.random.default_rng([number, 4])
    one = response_of(random, axis=LOW)
    if number == 2:
        one = replace(one, valid=one.valid & (LOW.hz > 38.0))
    source, seat = random.uniform(0.3, 1.5, 3), random.uniform(1.0, 2.0, 3) + np.array([2.0, 0.0, 0.0])
    planes = [Plane(0, 0.0), Plane(2, 0.0), Plane(1, 4.2)][: 1 + number % 3]
    more: dict[str, Any] = {"aim_deg": (20.0, -5.0), "high_hz": 400.0} if number % 2 else {}
    stands(NAME, f"boundary {number}", brief(boundary(one, tuple(source), tuple(seat), planes, **more)), relative=1e-4)


def test_bass_that_is_not_known() -> None:
    one, rows = response_of(np.random.default_rng(5), axis=LOW), []
    for low in (25.0, 31.0, 58.0, 59.4, 59.6, 62.0, 70.0):
        rows.append(
            tried(lambda low=low: module._axis_of(replace(one, valid=one.valid & (LOW.hz > low)), 500.0).hz[:3])
        )
    cut = one.valid.copy()
    cut[7] = LOW.hz > 100.0
    rows.append(tried(lambda: module._axis_of(replace(one, valid=cut), 500.0).hz[:3]))
    stands(NAME, "bass not known", rows)


@pytest.mark.parametrize("number", range(2))
def test_walls_behind(number: int) -> None:
    one = response_of(np.random.default_rng([number, 6]), axis=log_axis(20.0, 700.0, 4))
    made, said = wall_behind(one, 0.3 + 0.5 * number, 2.5, **({"least_m": 0.5} if number else {}))
    stands(NAME, f"wall {number}", [brief(made), said], relative=1e-4)
    tried_ = walls_tried(one, 3.0, 1.5 if number else 2.0)
    stands(
        NAME,
        f"walls tried {number}",
        {key: [row.dip_db, row.dip_hz, row.lift_db] for key, row in tried_.items()},
        relative=1e-4,
    )


def test_on_a_desk() -> None:
    made, said = on_desk(response_of(np.random.default_rng(7), axis=log_axis(20.0, 6000.0, 6)), 0.25, 0.45, 0.8)
    stands(NAME, "desk", [brief(made), said], relative=1e-4)


def test_near_planes() -> None:
    assert near_planes((6.0, 4.0, 2.5), (1.0, 3.0, 1.25)) == (Plane(0, 0.0), Plane(1, 4.0), Plane(2, 0.0))
    assert near_planes((6.0, 4.0, 2.5), (3.01, 1.99, 2.0)) == (Plane(0, 6.0), Plane(1, 0.0), Plane(2, 2.5))


def test_modes() -> None:
    assert mode_hz((5.0, 4.0, 2.5), (1, 2, 0)) == pytest.approx(343.0 / 2.0 * math.hypot(1 / 5.0, 2 / 4.0))
    rows = [
        modes_below(size, high)
        for size in ((5.0, 4.0, 2.5), (3.43, 3.43, 3.43), (8.1, 5.2, 2.9))
        for high in (20.0, 50.0, 80.0)
    ]
    stands(NAME, "modes", [[[round(hz, 6), list(n)] for hz, n in row] for row in rows])
    stands(
        NAME, "usual places", [usual_layouts(size) for size in ((6.0, 4.5, 2.6), (1.0, 4.5, 2.6), (5.0, 1.19, 1.21))]
    )


def test_transfers() -> None:
    size, hz = np.array([5.1, 4.2, 2.6]), np.geomspace(15.0, 120.0, 14)
    sources, seats = (
        np.array([[0.3, 0.3, 0.3], [4.8, 2.1, 0.4]]),
        np.array([[3.3, 2.0, 1.1], [0.1, 4.0, 2.5], [4.8, 2.1, 0.4]]),
    )
    stands(
        NAME,
        "transfers",
        [transfer(size, sources, seats, hz, decay) for decay in (0.2, 0.6)]
        + [transfer(size, sources, seats, hz, 0.4, orders=5)],
    )


@pytest.mark.parametrize("number", range(3))
def test_layouts(number: int) -> None:
    random = np.random.default_rng([number, 8])
    size = (random.uniform(4.0, 7.0), random.uniform(3.5, 5.0), random.uniform(2.3, 3.0))
    seats = [tuple(random.uniform(0.4, 0.8) * side for side in size) for _ in range((1, 2, 3)[number])]
    tried_ = dict(list(usual_layouts(size).items())[(number + 1) % 3 : (number + 1) % 3 + 1 + number // 2])
    found = layouts(size, random.uniform(0.2, 0.7), seats, tried_)  # type: ignore[arg-type]
    stands(NAME, f"layouts {number}", found, relative=1e-4)
    pressure = random.normal(0.0, 1.0, (1 + number, 9)) + 1j * random.normal(0.0, 1.0, (1 + number, 9))
    stands(NAME, f"told {number}", module._told(pressure))


def test_rooms_of_plans() -> None:
    rows = []
    for own in ({}, {"reverberation_s": 0.6}, {"absorption": 0.3}):
        size = RoomSize(length_m=6.0, width_m=4.0, height_m=2.5, **own)
        for given in ({}, {"decay_s": 0.5}, {"absorption": 0.2}):
            rows.append(enclosed_by(size, **given))
    stands(NAME, "rooms", rows)


def facts(number: int) -> tuple[Reading, Any, RoomPlan, ListeningRoom]:
    random = np.random.default_rng([number, 9])
    more = {"step_deg": 30.0}
    one = response_of(random, axis=log_axis(20.0, 5000.0, 6), directions=cta_orbits(**more))
    plan = plan_of(random, loudspeakers=1 + number % 2, rows=1, across=1 + number % 3, aimed=number % 2 == 0)
    if number % 2:
        document = plan.model_dump(by_alias=True)
        document["subwoofer"] = [{"name": "a", "position_m": (0.4, 0.5, 0.3)}]
        plan = RoomPlan.model_validate(document)
    assert plan.room is not None
    return read_of(one), one, plan, enclosed_by(plan.room, absorption=0.25 if number % 2 else None)


@pytest.mark.parametrize("number", range(4))
def test_levels_at_seats(number: int) -> None:
    reading, one, plan, room = facts(number)
    sensitivity = reading.figures["sensitivity"]
    if number == 2:
        sensitivity = replace(sensitivity, u=0.0, band_hz=None)
    if number == 3:
        one = replace(one, valid=one.valid & ((one.directions.unit_vectors()[:, :1] < 0.95) | (one.axis.hz < 1000.0)))
    reaches = {
        "clean": figure("h", 101.0, 0.5, bound="at least", band_hz=(50.0, 900.0)),
        "amplifier": unknown("a") if number % 2 else figure("a", 104.0, 0.2),
    }
    levels = module._levels(sensitivity, (84.0, 0.1 + 0.2 * number), one, plan=plan, room=room, reaches=reaches)
    words = [module._level_words(levels, room, count) for count in (1, len(plan.loudspeakers))]
    toward = [brief(level_toward(orbits_of(one), at, (300.0, 3000.0))) for at in ((0.0, 0.0), (31.0, 12.0), (5.0, 0.0))]
    stands(NAME, f"levels {number}", [{seat: brief(row) for seat, row in levels.items()}, words, toward], relative=1e-4)


def test_seats_outside_of_what_was_measured() -> None:
    half = response_of(
        np.random.default_rng(1),
        axis=log_axis(200.0, 5000.0, 6),
        directions=from_orbit("horizontal", np.arange(-20.0, 21.0, 10.0)),
    )
    stands(NAME, "outside", brief(level_toward(orbits_of(half), (40.0, 0.0), (300.0, 3000.0))))
    _, _, plan, room = facts(0)
    found = module._levels(figure("s", 87.0, 0.2), (84.0, 0.2), half, plan=plan, room=room, reaches={})
    stands(NAME, "none inside", [brief(found), module._level_words(found, room, 2)])


@pytest.mark.parametrize("number", range(2))
def test_plans(number: int, monkeypatch: pytest.MonkeyPatch) -> None:
    reading, one, plan, room = facts(number)
    # The layouts themselves, which cost most, are held above: here one, and what is asked of them.
    one_corner = dict(list(usual_layouts(plan.room.sides_m).items())[:1]) if plan.room else {}
    if not number:
        monkeypatch.setattr(module, "usual_layouts", lambda _size: one_corner)
    else:

        def asked(size: Any, decay_s: float, seats: Any, tried_: Any) -> tuple[Layout, ...]:
            told = sum(map(sum, seats))
            return tuple(
                Layout(name, places, decay_s, told + sum(size), sum(map(sum, places)), (0.1, 0.2, 0.3))
                for name, places in tried_.items()
            )

        monkeypatch.setattr(module, "layouts", asked)
    reaches = {"clean": figure("h", 101.0, 0.5)} if number else {}
    if number:
        reading = Reading(reading.curves, {"sensitivity": replace(reading.figures["sensitivity"], u=0.0)}, {}, {}, {})
    found = plan_room(reading, one, plan, room, reaches)
    near = {
        name: row if isinstance(row, str) else [row.lift_db, row.dip_db, row.dip_hz, row.u, row.gain.values]
        for name, row in found.boundaries.items()
    }
    stands(NAME, f"plan {number}", [near, found.layouts, found.sentences], relative=1e-4)


def test_plans_without_what_they_need() -> None:
    reading, one, plan, room = facts(0)
    bare = plan.model_copy(update={"room": None})
    cut = Reading(
        {"sound_power": replace(reading.curves["sound_power"], valid=one.axis.hz > 500.0)}, reading.figures, {}, {}, {}
    )
    rows = [
        tried(lambda shown, made, where: plan_room(shown, made, where, room, {}), *some)
        for some in (
            (reading, one, bare),
            (Reading(reading.curves, {}, {}, {}, {}), one, plan),
            (Reading(reading.curves, {"sensitivity": unknown("s")}, {}, {}, {}), one, plan),
            (Reading({}, reading.figures, {}, {}, {}), one, plan),
            (cut, one, plan),
        )
    ]
    assert all(row.startswith("InputError: the room needs its size") for row in rows)


def near_wall(lift: float, dip: float, hz: FloatArray) -> Boundary:
    return Boundary(curve(0.0, axis=log_axis(30.0, 500.0, 6)), lift, float(hz[0]), dip, (0.3, 0.02))


def test_words() -> None:
    rows: list[Any] = [
        boundary_words("Here", near_wall(lift, dip, np.array([hz])))
        for lift, dip, hz in ((3.2, -8.0, 85.0), (-0.4, 0.2, 1234.0))
    ]
    rows += module._near_words({"a": near_wall(1.0, -2.0, np.array([50.0])), "b": "no bass"}, "sofa")
    _, _, plan, room = facts(0)
    made = [
        Layout(name, ((1.0, 1.0, 1.0),), spread, uneven, level, (0.1, 0.2, 0.3))
        for name, spread, uneven, level in (
            ("one", 1.0, 3.0, 10.0),
            ("as planned", 2.0, 4.0, 8.0),
            ("four", 3.0, 3.5, 12.0),
        )
    ]
    small = plan.model_copy(update={"room": RoomSize(length_m=2.0, width_m=1.9, height_m=1.8)})
    for some in (made, made[::-1], made[:1], made[1:2]):
        rows += [module._mode_words(some, plan, room), module._mode_words(some, small, room)]
    rows.append(module._mode_words(made, plan.model_copy(update={"room": None}), room))
    levels = {
        seat: {"all": figure("l", at, 0.5), "one": figure("l", at - 4.0, 0.3)}
        for seat, at in (("a", 90.0), ("b", 88.0), ("c", 91.0), ("d", 88.5))
    }
    levels["b"] |= {"clean": figure("h", 101.0, 0.5, bound="at least"), "amplifier": figure("h", 104.0, 0.1)}
    levels["e"] = {"all": unknown("l")}
    rows += [module._level_words(levels, room, count) for count in (1, 2, 5)]
    rows += [
        module._level_words({"a": levels["a"]}, ListeningRoom(20.0, 2.5, absorption=0.3), 1),
        module._level_words({"e": levels["e"]}, room, 1),
    ]
    stands(NAME, "words", rows)
