"""Seats and aims over a population of rooms and sources, frozen: the program's own values, held against change."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from match_worlds import brief, figure, plan_of, response_of, tried, unknown

from earwitness.insight.match import seats
from earwitness.insight.match.seats import (
    aim_angles_deg,
    best_aims,
    distance_sentences,
    orbits_of,
    seat_angles,
    seat_headroom,
    seat_levels,
    seat_sentences,
    seat_spread,
    seen_from,
    sound_toward,
    vertical_window,
)
from earwitness.quantities import DirectionalResponse, Directions, from_orbit, log_axis
from earwitness.quantities.directions import join
from earwitness.session.room_plan import RoomPlan
from golden_values import stands

NAME = "insight/match_seats"
AXIS = log_axis(200.0, 16_000.0, 6)


def response(number: int, directions: Directions | None = None, **more: Any) -> DirectionalResponse:
    return response_of(np.random.default_rng([number, 1]), axis=AXIS, directions=directions, **more)


def uneven() -> Directions:
    """Both orbits in steps that widen up to 40 degrees; not all around."""
    across = np.array([-170.0, -150.0, -120.0, -90.0, -50.0, -25.0, -10.0, 0.0, 5.0, 15.0, 45.0, 75.0, 110.0])
    upright = np.array([-60.0, -35.0, -10.0, 10.0, 25.0, 55.0, 85.5])
    return join([from_orbit("horizontal", across), from_orbit("vertical", upright)])


def sound_kept(found: seats.DirectLevel | None) -> Any:
    return None if found is None else [found.how, found.level_db, found.u_db, int(found.valid.sum())]


@pytest.mark.parametrize("which", ["whole", "uneven", "half", "upright"])
def test_sounds_toward_directions(which: str) -> None:
    half = from_orbit("horizontal", np.arange(-90.0, 91.0, 15.0))
    upright = from_orbit("vertical", np.arange(-45.0, 46.0, 15.0))
    one = response(1, {"whole": None, "uneven": uneven(), "half": half, "upright": upright}[which])
    one = replace(one, valid=np.arange(one.valid.size).reshape(one.valid.shape) % 97 > 0)
    orbits, rows = orbits_of(one), []
    for azimuth in (
        -180.0,
        -175.0,
        -97.0,
        -50.04,
        -50.06,
        -20.0,
        -0.04,
        -0.06,
        0.0,
        0.03,
        0.08,
        7.5,
        25.0,
        30.0,
        60.0,
        92.0,
        110.04,
        110.06,
        179.0,
        180.0,
    ):
        for elevation in (-40.0, -5.0, 0.0, 0.01, 30.0, 86.0):
            rows.append(sound_kept(sound_toward(orbits, azimuth, elevation)))
    kept = [
        row
        if row is None or number % 3 == 0
        else [row[0], float(row[1].sum()), float((row[1] ** 2).mean()), float(row[2].sum()), row[3]]
        for number, row in enumerate(rows)
    ]
    stands(NAME, f"sounds, {which}", kept)
    stands(
        NAME,
        f"orbits, {which}",
        [
            [angle, orbits.level_db[name], orbits.u_db[name], orbits.valid[name].sum()]
            for name, angle in orbits.angle_deg.items()
        ],
    )


def test_gaps_of_thirty_degrees() -> None:
    """A gap may be 30 degrees wide, and 0.05 more for rounding; a direction counts as measured within 0.05 degrees."""
    rows = []
    for gap in (29.0, 29.9, 30.0, 30.04, 30.06, 30.5, 32.0):
        one = response(2, join([from_orbit("horizontal", [-gap, 0.0, gap]), from_orbit("vertical", [-30.0, 30.0])]))
        for at in (0.5, 15.0, gap - 0.04, gap - 0.06, gap, gap + 0.04, gap + 0.06, -gap - 0.04, -gap - 0.06):
            rows.append(sound_kept(sound_toward(orbits_of(one), at, 0.0)))
        rows.append(sound_kept(sound_toward(orbits_of(one), 20.0, 10.0)))
    stands(NAME, "gaps", [None if row is None else [row[0], float(row[1].sum()), float(row[2].sum())] for row in rows])


def test_orbits_that_close() -> None:
    rows: list[Any] = []
    for most in (179.9, 179.94, 179.96, 180.0):
        one = response(3, join([from_orbit("horizontal", [*np.arange(-150.0, 151.0, 30.0), most])]))
        rows.append(
            [orbits_of(one).angle_deg["horizontal"].size, sound_kept(sound_toward(orbits_of(one), -165.0, 0.0))]
        )
    for off in (0.0, 0.04, 0.06, 1.0):
        rows.append(
            tried(
                lambda off=off: orbits_of(
                    response(3, from_orbit("horizontal", np.arange(-30.0, 31.0, 10.0) + off))
                ).angle_deg["horizontal"]
            )
        )
    silent = response(3)
    pressure = silent.pressure.copy()
    pressure[3] = 0.0
    rows.append(orbits_of(replace(silent, pressure=pressure, valid=np.abs(pressure) > 0.0)).level_db["horizontal"])
    stands(NAME, "closed orbits", rows)


def test_bends() -> None:
    random = np.random.default_rng(4)
    level = random.normal(0.0, 3.0, (6, 4))
    rows = [seats._bend(np.arange(6.0) * 10.0, level, left) for left in range(5)]
    stands(NAME, "bends", rows)
    assert seats._bend(np.arange(2.0), level[:2], 0).tolist() == [0.0] * 4


def test_a_turn_is_that_of_two_rotations() -> None:
    """By scipy's rotations: yaw about z, then pitch about the turned y axis."""
    from scipy.spatial.transform import Rotation

    random = np.random.default_rng(5)
    for _ in range(30):
        vector, azimuth, elevation = random.normal(0.0, 2.0, 3), random.uniform(-180, 180), random.uniform(-80, 80)
        local = Rotation.from_euler("ZY", [azimuth, -elevation], degrees=True).inv().apply(vector)
        found = seen_from(vector, azimuth, elevation)
        assert found[0] == pytest.approx(math.degrees(math.atan2(local[1], local[0])))
        assert found[1] == pytest.approx(math.degrees(math.atan2(local[2], math.hypot(local[0], local[1]))))
        assert found[2] == pytest.approx(math.degrees(math.acos(local[0] / np.linalg.norm(local))))


@pytest.mark.parametrize("number", range(6))
def test_rooms(number: int) -> None:
    random = np.random.default_rng([number, 6])
    plan = plan_of(
        random, loudspeakers=1 + number % 3, rows=1 + number % 2, across=1 + number % 4, aimed=number % 2 == 0
    )
    one = response(number, uneven() if number % 3 == 2 else None)
    angles, windows = seat_angles(plan), vertical_window(seat_angles(plan))
    spreads = seat_spread(one, plan)
    sensitivity, most = (
        figure("sensitivity", 87.0, 0.3, lineage=("a",)),
        figure("h", 101.0, 0.5, bound=("", "at least", "at most")[number % 3], caveats=("note",)),
    )
    levels = [
        seat_levels(sensitivity, plan),
        seat_levels(sensitivity, plan, voltage_v=10.0, decade_db=13.0),
        seat_levels(unknown("s"), plan),
    ]
    room = [
        seat_headroom(most, plan),
        seat_headroom(most, plan, goal_db=79.0, peak_db=12.0, decade_db=13.0),
        seat_headroom(unknown("h"), plan),
    ]
    stands(
        NAME,
        f"room {number}",
        [
            angles,
            [brief(row) for row in windows.values()],
            [[brief(value) for value in row.values()] for row in (*levels, *room)],
            distance_sentences(angles),
            *(seat_sentences(windows, spreads, some) for some in (*room, None)),
            [aim_angles_deg(row) for row in plan.loudspeakers],
        ],
    )
    stands(NAME, f"spread {number}", [brief(row) for row in spreads.values()])


@pytest.mark.parametrize("number", range(6))
def test_aims(number: int) -> None:
    random = np.random.default_rng([number, 7])
    plan = plan_of(random, loudspeakers=2, rows=1 + number % 2, across=2 + number % 3, aimed=number % 2 == 1)
    loud = response(number, uneven() if number == 2 else None)
    if number == 3:
        loud = replace(loud, u_db=loud.u_db * 8.0)
    if number == 4:
        loud = replace(loud, valid=loud.valid & (AXIS.hz < 5000.0))
    more = {"turns_deg": (-30.0, -15.0, 0.0, 15.0)} if number % 2 else {}
    found = best_aims(loud, plan, **more)
    rows = [
        row
        if isinstance(row, str)
        else [
            row.best,
            row.aim_azimuth_deg,
            row.clear,
            row.sentence,
            [[aim.turn_deg, aim.cost_db, aim.u_db] for aim in row.aims],
        ]
        for row in found.values()
    ]
    stands(NAME, f"aims {number}", rows)


def test_aims_that_are_alike() -> None:
    """How far aims may differ by and count as one: a source whose level falls with the angle, more and more."""
    rows = []
    plan = RoomPlan.model_validate({
        "loudspeaker": [{"name": "one", "position_m": (0.5, 1.0, 1.0)}],
        "seat": [{"name": "a", "position_m": (3.5, 1.0, 1.0)}, {"name": "b", "position_m": (3.0, 2.2, 1.0)}],
    })  # fmt: skip
    angles = np.arange(-90.0, 91.0, 10.0)
    for fall in (0.0, 0.1, 0.2, 0.4, 0.8, 2.0):
        for u in (0.01, 0.3):
            level = -fall * (angles[:, None] / 30.0) ** 2 * np.log2(AXIS.hz / 200.0) / 3.0
            one = DirectionalResponse(
                AXIS,
                from_orbit("horizontal", angles),
                (10.0 ** (level / 20.0)).astype(np.complex128),
                u + 0 * level,
                0 * AXIS.hz,
                level < 9.0,
            )
            found = best_aims(one, plan)["one"]
            assert not isinstance(found, str)
            rows.append([found.best, found.clear, found.sentence])
    stands(NAME, "alike aims", rows)


def test_bands_of_the_spread() -> None:
    """500 Hz and 10 kHz belong to the band; a point that is not valid inside refuses, outside it does not matter."""
    axis = log_axis(250.0, 20_000.0, 3)
    plan = plan_of(np.random.default_rng(8), loudspeakers=1, rows=2, across=2)
    rows: list[Any] = []
    for row in range(len(axis)):
        one = response_of(np.random.default_rng(9), axis=axis, valid=(np.arange(len(axis)) != row)[None])
        spread = seat_spread(one, plan)["speaker 0"]
        rows.append(
            [
                bool(spread.figures["seat_spread"].is_judged),
                isinstance(best_aims(one, plan, turns_deg=(0.0,))["speaker 0"], str),
            ]
        )
    narrow = response_of(np.random.default_rng(9), axis=log_axis(100.0, 480.0, 3))
    rows.append([brief(seat_spread(narrow, plan)["speaker 0"].figures), best_aims(narrow, plan, turns_deg=(0.0,))])
    edges = response_of(np.random.default_rng(9), axis=type(axis)(np.array([499.0, 500.0, 3000.0, 10_000.0, 10_001.0])))
    rows.append([brief(seat_spread(edges, plan)["speaker 0"].figures), best_aims(edges, plan, turns_deg=(0.0, 10.0))])
    stands(NAME, "band of the spread", rows)


def test_seats_outside() -> None:
    """All, one, and none inside of what was measured."""
    front = from_orbit("horizontal", np.arange(-20.0, 21.0, 10.0))
    one, rows = response(4, front), []
    for y in (1.0, 1.5, 2.5, 5.0):
        plan = RoomPlan.model_validate(
            {
                "loudspeaker": [{"name": "one", "position_m": (0.5, 1.0, 1.0)}],
                "seat": [
                    {"name": "a", "position_m": (3.5, y, 1.0), "row": 1},
                    {"name": "b", "position_m": (3.0, y + 0.8, 1.0), "row": 2},
                ],
            }
        )
        rows += [brief(seat_spread(one, plan)["one"]), best_aims(one, plan)["one"]]
    stands(
        NAME,
        "outside",
        [{**row, "levels": None} if isinstance(row, dict) and "levels" in row else row for row in map(brief, rows)],
    )


def test_voltages() -> None:
    plan = plan_of(np.random.default_rng(8), loudspeakers=1, rows=1, across=1)
    for voltage_v in (0.0, -1.0, math.inf, math.nan):
        with pytest.raises(Exception, match=" V"):
            seat_levels(figure("s", 87.0, 0.1), plan, voltage_v=voltage_v)
    assert seat_levels(figure("s", 87.0, 0.1), plan, voltage_v=0.1)


def test_least_headroom_in_words() -> None:
    rows: list[Any] = []
    for value in (-9.0, -1.01, -1.0, -0.99, 0.0, 0.4, 0.99, 1.0, 1.01, 5.0):
        for bound in ("", "at least", "at most"):
            known = {
                ("left", "a"): figure("h", value, 0.5, bound=bound, caveats=("note",)),
                ("left", "b"): unknown("h"),
                ("right", "c"): figure("h", value + 1.0, 0.5),
            }
            rows.append(seat_sentences({}, {}, known)[0])
    rows.append(seat_sentences({}, {}, {("left", "a"): unknown("h")}))
    stands(NAME, "headroom", rows)


def test_distances_in_words() -> None:
    """From 0.1 dB on: 1.16 % farther."""
    rows = []
    for far in (2.0, 2.02, 2.0231, 2.0233, 2.1, 5.0):
        rows.append(
            distance_sentences(
                [seats.SeatAngle("one", name, 1, away, 0.0, 0.0, 0.0) for name, away in (("a", far), ("b", 2.0))]
            )
        )
    assert [len(row) for row in rows] == [0, 0, 0, 1, 1, 1]
    stands(NAME, "distances", rows)


def test_windows_in_words() -> None:
    rows = []
    for low, high in ((-0.04, 0.04), (-0.06, 0.0), (0.0, 12.34), (-3.0, -1.0), (5.0, 5.0)):
        found = vertical_window(
            [seats.SeatAngle("one", name, 1, 2.0, 0.0, up, 0.0) for name, up in (("a", high), ("b", low))]
        )
        rows.append(brief(found))
    stands(NAME, "windows", rows)
