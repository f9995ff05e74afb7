"""Levels at seats and takes there over a population of rooms, frozen: the program's own values, held against change.

Formulas: Schroeder's frequency, sums of sinc^2 over pairs, and the integral over a path by quadrature.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from match_worlds import brief, curve, figure, read_of, response_of, tried, unknown
from scipy import integrate

from earwitness.insight.match import in_room
from earwitness.insight.match.in_room import (
    AtSeats,
    ListeningRoom,
    at_seats,
    causes_of_set,
    level_in_room,
    level_of_set,
    match_room,
    more_in_room,
    pair_bass_db,
    perturbed,
    schroeder_hz,
    thirds_db,
    u_of_mean_db,
    values_at_places,
    values_in_band,
    values_on_path,
    whose_part,
)
from earwitness.quantities import Curve, FloatArray, Reading, SeatReading, log_axis
from earwitness.session.room_plan import RoomPlan
from golden_values import stands

NAME = "insight/match_in_room"
AXIS = log_axis(20.0, 20_000.0, 24)


def test_values_of_diffuse_fields() -> None:
    hz = np.geomspace(50.0, 8000.0, 12)
    random = np.random.default_rng(1)
    rows = [values_in_band(hz * 0.23, 0.4), values_in_band(hz, 1.3 + 0.0 * hz)]
    rows += [
        values_at_places(hz, random.uniform(0.0, apart, (count, 3))) for apart in (0.3, 2.0) for count in (1, 2, 5)
    ]
    rows += [values_on_path(hz, length) for length in (0.3, 1.0, 4.0)]
    rows += [u_of_mean_db(np.geomspace(0.3, 300.0, 12), ratio + 0.0 * hz) for ratio in (0.0, 0.5, 1.0, 6.0)]
    stands(NAME, "values", [[*map(float, row[:2]), row] for row in rows])
    assert schroeder_hz(80.0, 0.5) == pytest.approx(2000.0 * math.sqrt(0.5 / 80.0))


def test_a_path_against_its_integral() -> None:
    for hz, length in ((200.0, 1.0), (1500.0, 2.0)):
        k = 2.0 * math.pi * hz / 343.0
        found = integrate.quad(
            lambda x, k=k, length=length: (length - x) * np.sinc(k * x / math.pi) ** 2, 0.0, length, limit=300
        )[0]
        assert values_on_path(np.array([hz]), length)[0] == pytest.approx(length**2 / (2.0 * found), rel=1e-6)


def test_perturbed() -> None:
    reach = {"a": np.array([0.1, 0.3]), "b": np.array(0.2)}
    rows = [
        perturbed(lambda off: np.array([off["a"].sum(), off["b"] + 1.0, 5.0]), reach),
        perturbed(lambda off: off["a"] * 2.0, reach, draws=5),
    ]
    stands(NAME, "perturbed", rows)


def room(number: int) -> ListeningRoom:
    random = np.random.default_rng([number, 2])
    by_time = number % 2 == 0
    given = {"reverberation_s": random.uniform(0.2, 0.8)} if by_time else {"absorption": random.uniform(0.08, 0.5)}
    more = {"sides": random.uniform(0.6, 2.0)} if number % 3 else {}
    return ListeningRoom(random.uniform(12.0, 60.0), random.uniform(2.2, 4.0), **given, **more)


def test_rooms() -> None:
    rows: list[Any] = []
    for number in range(12):
        one, random = room(number), np.random.default_rng([number, 3])
        at = random.uniform(1.0, 6.0)
        on_axis, power = (88.0, random.uniform(0.0, 0.5)), (random.uniform(78.0, 86.0), random.uniform(0.0, 0.6))
        rows.append([one.volume_m3, one.surface_m2, one.decay_s, one.reverberant_db(0.5), one.reverberant_db(9.0)])
        rows.append(
            [
                level_in_room(on_axis, power, one, distance_m=at),
                level_in_room(on_axis, power, one, distance_m=at, count=3),
                more_in_room(on_axis, power, one, distance_m=at),
            ]
        )
        several = [(88.0, 0.3), (85.5, 0.1), (86.0, 0.5)]
        rows.append(
            [
                level_of_set(several, power, one, [at, 2.0, 3.5]),
                causes_of_set(several, power, one, [at, 2.0, 3.5]),
                in_room._of_set(several, power, one, [at, 2.0, 3.5]),
            ]
        )
    stands(NAME, "rooms", rows)
    rows = []
    for facts in (
        (30.0, 2.5, None, None),
        (30.0, 2.5, 0.4, 0.3),
        (0.0, 2.5, 0.4, None),
        (1000.0, 2.5, 0.4, None),
        (1000.1, 2.5, 0.4, None),
        (30.0, 20.0, 0.4, None),
        (30.0, 20.1, 0.4, None),
        (30.0, 0.0, 0.4, None),
        (30.0, 2.5, 10.0, None),
        (30.0, 2.5, 10.1, None),
        (30.0, 2.5, 0.0, None),
        (30.0, 2.5, None, 0.99),
        (30.0, 2.5, None, 0.991),
        (30.0, 2.5, None, 0.0),
        (30.0, 2.5, -1.0, None),
        (0.5, 0.5, 0.5, None),
        (0.5, 0.5, None, 0.005),
    ):
        rows.append(tried(lambda facts=facts: ListeningRoom(*facts).surface_m2))
    stands(NAME, "no rooms", rows)
    assert pair_bass_db(50.0, 2.5) == pytest.approx(
        10.0 * math.log10(2.0 + 2.0 * math.sin(2 * math.pi * 50 / 343 * 2.5) / (2 * math.pi * 50 / 343 * 2.5))
    )


@pytest.mark.parametrize("number", range(6))
def test_matches(number: int) -> None:
    axis = log_axis(200.0, 8000.0, 12)
    shown = read_of(response_of(np.random.default_rng([number, 4]), axis=axis))
    more = {
        "highest_clean_level": figure(
            "highest_clean_level", 102.0, 0.5, bound=("", "at least")[number % 2], caveats=("c",)
        )
    }
    shown = Reading(shown.curves, {**shown.figures, **(more if number % 3 else {})}, {}, {}, {})
    amplifier = figure("a", 106.0, 0.3) if number % 2 else None
    found = match_room(shown, room(number), distance_m=2.0 + 0.3 * number, amplifier=amplifier)
    exact = match_room(shown, room(number), distance_m=3.0, amplifier=figure("a", 106.0, 0.0))
    stands(NAME, f"match {number}", [brief(found), brief(exact[0].get("room_amplifier_level")), exact[1][-1]])


def test_what_is_not_known() -> None:
    shown = read_of(response_of(np.random.default_rng(5), axis=log_axis(200.0, 8000.0, 12)))
    cut = read_of(response_of(np.random.default_rng(5), axis=log_axis(400.0, 8000.0, 12)))
    rows = [
        match_room(one, room(0), distance_m=2.0, amplifier=unknown("a"))
        for one in (
            Reading({}, shown.figures, {}, {}, {}),
            Reading(shown.curves, {}, {}, {}, {}),
            Reading(shown.curves, {"sensitivity": unknown("s")}, {}, {}, {}),
            Reading(cut.curves, shown.figures, {}, {}, {}),
            Reading(shown.curves, {**shown.figures, "highest_clean_level": unknown("h")}, {}, {}, {}),
        )
    ]
    stands(NAME, "not known", [[list(found), said] for found, said in rows])


def plan_of_six(**aim: Any) -> RoomPlan:
    return RoomPlan.model_validate(
        {
            "room": {"length_m": 6.0, "width_m": 4.5, "height_m": 2.6},
            "loudspeaker": [
                {"name": "left", "position_m": (0.8, 2.2, 1.0), **aim},
                {"name": "right", "position_m": (0.8, 1.0, 1.0), "azimuth_deg": 10.0},
            ],
            "seat": [
                {"name": f"s{i}", "position_m": at}
                for i, at in enumerate(
                    [
                        (3.6, 1.4, 1.0),
                        (3.6, 2.2, 1.1),
                        (3.6, 3.0, 1.0),
                        (4.4, 1.4, 1.1),
                        (4.4, 2.2, 1.0),
                        (4.4, 3.0, 1.1),
                    ]
                )
            ],
        }
    )


PLAN = plan_of_six(aim_at_m=(4.0, 2.2, 1.0))
SPEAKER = response_of(np.random.default_rng(6), axis=AXIS)
SHOWN = read_of(SPEAKER)


def takes(
    number: int,
    one: ListeningRoom,
    *,
    count: int = 6,
    extra_db: FloatArray | float = 0.0,
    path_m: float = 0.0,
    bass_db: float = 2.0,
    **more: Any,
) -> list[SeatReading]:
    """What a diffuse field may give, with a hump of the bass that the seats share."""
    random, found = np.random.default_rng([number, 7]), []
    hump = np.random.default_rng([number, 8])
    shared = sum(
        hump.normal(0.0, bass_db) * np.exp(-((np.log2(AXIS.hz / at) / 0.25) ** 2)) for at in (35.0, 60.0, 90.0, 140.0)
    )
    for seat in PLAN.seats[:count]:
        away = float(np.linalg.norm(np.subtract(seat.position_m, PLAN.loudspeakers[0].position_m)))
        direct = SHOWN.curves["on_axis"].values - 20.0 * np.log10(away)
        kept = SHOWN.curves["sound_power"].values + one.reverberant_db(away)
        scatter = random.normal(0.0, 1.0, len(AXIS)) * np.sqrt(np.minimum(200.0 / AXIS.hz, 2.0))
        own = random.normal(0.0, 0.7) * np.exp(-((np.log2(AXIS.hz / 75.0) / 0.2) ** 2))
        level = 10.0 * np.log10(10.0 ** (direct / 10.0) + 10.0 ** (kept / 10.0)) + scatter + shared + own + extra_db
        valid = np.asarray(more.get("valid", np.ones(len(AXIS), dtype=bool)))
        found.append(SeatReading(seat.name, seat.name, path_m, str(more.get("loudspeaker", "")), AXIS, level, valid))
    return found


def kept(found: AtSeats) -> Any:
    bass = (
        found.bass
        if isinstance(found.bass, str)
        else [
            found.bass.high_hz,
            found.bass.before_db,
            found.bass.after_db,
            found.bass.u_db,
            found.bass.lost_db,
            [[one.kind, one.frequency_hz, one.gain_db, one.q] for one in found.bass.equalizer.bands],
        ]
    )
    return [
        brief(found.measured),
        brief(found.predicted),
        found.level_db,
        found.slope_db,
        found.outside_hz,
        found.does_hold,
        bass,
        found.sentences,
    ]


SEAT_NAME = "insight/match_at_seats"
ROOMS = (
    ListeningRoom(27.0, 2.6, 0.4),
    ListeningRoom(27.0, 2.6, absorption=0.2, sides=1.2),
    ListeningRoom(27.0, 2.6, 0.9),
)


@pytest.mark.parametrize("number", range(9))
def test_takes_at_seats(number: int) -> None:
    one = ROOMS[number % 3]
    extra: FloatArray | float = (0.0, 4.0, -1.2 * np.log2(AXIS.hz / 1000.0))[number // 3]
    made = takes(
        number,
        one,
        count=(6, 4, 3, 6, 5, 1, 6, 6, 2)[number],
        extra_db=extra,
        path_m=0.0 if number % 2 else 1.5,
        bass_db=(2.0, 5.0)[number % 2],
    )
    stands(SEAT_NAME, f"takes {number}", kept(at_seats(SHOWN, SPEAKER, made, PLAN, one)), relative=1e-4)


@pytest.mark.parametrize("number", range(3))
def test_third_octaves_that_are_known(number: int) -> None:
    """What is not valid in the takes, the response or the power at one frequency; a take's band that ends."""
    place = (60, 120, 200)[number]
    hole = np.arange(len(AXIS)) != place
    shown, speaker, made = SHOWN, SPEAKER, takes(number, ROOMS[0])
    if number == 0:
        made = takes(number, ROOMS[0], valid=hole)
    elif number == 1:
        speaker = replace(SPEAKER, valid=SPEAKER.valid & hole)
    else:
        shown = Reading(
            {**SHOWN.curves, "sound_power": replace(SHOWN.curves["sound_power"], valid=hole)}, SHOWN.figures, {}, {}, {}
        )
    stands(SEAT_NAME, f"holes {number}", kept(at_seats(shown, speaker, made, PLAN, ROOMS[0]))[0], relative=1e-4)
    rows = [
        in_room._known(AXIS.hz[first:last], np.ones(last - first, dtype=bool))
        for first in range(40 * number, 40 * number + 12)
        for last in (170, 200 + number)
    ]
    fine = np.asarray(100.0 * 2.0 ** (np.arange(120) / 48.0), dtype=np.float64)
    rows += [
        in_room._known(fine[first:last], fine[first:last] > 0.0)
        for first in range(0, 12, 2)
        for last in range(100 + number, 120, 3)
    ]
    rows += [
        in_room._known(AXIS.hz, np.arange(len(AXIS)) != row) for row in range(60 + 30 * number, 90 + 30 * number, 4)
    ]
    stands(SEAT_NAME, f"known {number}", ["".join("x" if one else "." for one in row) for row in rows])


def test_takes_that_do_not_fit() -> None:
    made = takes(1, ROOMS[0])
    low = np.asarray(AXIS.hz < 500.0)
    asked: list[tuple[Any, ...]] = [
        (SHOWN, SPEAKER, [], PLAN, ROOMS[0]),
        (Reading({}, {}, {}, {}, {}), SPEAKER, made, PLAN, ROOMS[0]),
        (Reading({"on_axis": SHOWN.curves["on_axis"]}, {}, {}, {}, {}), SPEAKER, made, PLAN, ROOMS[0]),
        (SHOWN, SPEAKER, [dataclasses.replace(made[0], seat="s9")], PLAN, ROOMS[0]),
        (SHOWN, SPEAKER, [dataclasses.replace(made[0], loudspeaker="none")], PLAN, ROOMS[0]),
        (SHOWN, SPEAKER, takes(1, ROOMS[0], valid=low), PLAN, ROOMS[0]),
        (SHOWN, SPEAKER, takes(1, ROOMS[2], valid=low), PLAN, ROOMS[2]),
    ]
    rows = [tried(lambda some=some: kept(at_seats(*some))[3:5]) for some in asked]
    for high_hz in (300.0, 360.0, 450.0, 570.0, 700.0, 900.0):
        some = takes(1, ROOMS[0], valid=np.asarray(AXIS.hz < high_hz))
        rows.append(tried(lambda some=some: at_seats(SHOWN, SPEAKER, some, PLAN, ROOMS[0]).level_db))
    rows.append(at_seats(SHOWN, SPEAKER, takes(1, ROOMS[0], loudspeaker="right"), PLAN, ROOMS[0]).level_db)
    stands(SEAT_NAME, "not fitting", rows, relative=1e-4)


def test_holding_or_not() -> None:
    """A planted level and slope in fine steps, and single third octaves, until the prediction does not hold."""
    rows = []
    flat = takes(2, ROOMS[0], count=3, bass_db=0.0)
    for step in range(14):
        for way in (0, 1, 2):
            extra = (
                0.25 * step,
                0.06 * step * np.log2(AXIS.hz / 1500.0),
                np.where(AXIS.hz > 1.2e4 / 2.0 ** (step / 3.0), 4.0, 0.0),
            )[way]
            found = at_seats(
                SHOWN,
                SPEAKER,
                [dataclasses.replace(one, level_db=one.level_db + extra) for one in flat],
                PLAN,
                ROOMS[0],
            )
            rows.append([found.does_hold, len(found.outside_hz)])
    stands(SEAT_NAME, "holding", rows)


def bass_kept(found: Any) -> Any:
    return (
        found
        if isinstance(found, str)
        else [
            found.before_db,
            found.after_db,
            found.u_db,
            found.lost_db,
            [[one.frequency_hz, one.gain_db, one.q] for one in found.equalizer.bands],
        ]
    )


@pytest.mark.parametrize("number", range(8))
def test_equalizers_of_the_bass(number: int) -> None:
    rows = []
    for bass_db in (0.3, 1.0, 3.0, 8.0):
        made = takes(10 + number, ROOMS[0], bass_db=bass_db, count=4 + number % 3)
        for high_hz in (120.0, 300.0):
            rows.append(bass_kept(in_room._bass(made, SHOWN.curves["on_axis"], high_hz)))
    stands(SEAT_NAME, f"bass {number}", rows, relative=1e-4)


def test_bass_that_is_not_known() -> None:
    rows = []
    on_axis = SHOWN.curves["on_axis"]
    made = takes(3, ROOMS[0], bass_db=4.0)
    for count in (3, 4):
        rows.append(bass_kept(in_room._bass(made[:count], on_axis, 300.0)))
    rows.append(bass_kept(in_room._bass([*made[:3], made[0]], on_axis, 300.0)))
    for number in range(8, 16):
        valid = (np.arange(len(AXIS)) >= 60) & (np.arange(len(AXIS)) < 60 + number)
        some = [dataclasses.replace(one, valid=valid) for one in made]
        rows.append(bass_kept(in_room._bass(some, on_axis, 300.0)))
        rows.append(bass_kept(in_room._bass(made, replace(on_axis, valid=valid), 300.0)))
    rows.append(
        bass_kept(
            in_room._bass(
                [dataclasses.replace(one, valid=np.zeros(len(AXIS), dtype=bool)) for one in made], on_axis, 300.0
            )
        )
    )
    falling = replace(on_axis, values=86.0 - 6.0 * np.maximum(np.log2(70.0 / AXIS.hz), 0.0))
    rows += [bass_kept(in_room._bass(takes(4, ROOMS[0], bass_db=size), falling, 250.0)) for size in (2.0, 5.0)]
    stands(SEAT_NAME, "bass not known", rows, relative=1e-4)


def test_single_humps_and_holes_of_the_bass() -> None:
    """Cuts up to 12 dB, boosts up to 3 dB where the seats agree within 3 dB, nothing under 1 dB."""
    rows = []
    on_axis = curve(86.0, axis=AXIS)
    for size in (-6.0, -3.2, -2.0, -1.05, -0.9, 0.9, 1.05, 2.0, 6.0, 12.5, 20.0):
        for apart in (0.0, 2.9, 3.1):
            hump = size * np.exp(-((np.log2(AXIS.hz / 80.0) / 0.3) ** 2))
            signs = np.array([-1.0, 1.0, -1.0, 1.0]) * apart * math.sqrt(0.75)
            made = [
                SeatReading(
                    f"s{row}",
                    f"s{row}",
                    0.0,
                    "",
                    AXIS,
                    80.0 + hump + sign * np.exp(-((np.log2(AXIS.hz / 80.0) / 1.0) ** 2)),
                    np.ones(len(AXIS), dtype=bool),
                )
                for row, sign in enumerate(signs)
            ]
            rows.append(bass_kept(in_room._bass(made, on_axis, 300.0)))
    stands(SEAT_NAME, "single humps", rows, relative=1e-4)


def test_thirds() -> None:
    random = np.random.default_rng(9)
    level = random.normal(80.0, 5.0, (2, len(AXIS)))
    level[0, 50] = -np.inf
    stands(SEAT_NAME, "thirds", [thirds_db(AXIS.hz, level, in_room._HZ), thirds_db(AXIS.hz, level[1], AXIS.hz[40:60])])


def seen(shape: FloatArray, u: float, hz: FloatArray) -> AtSeats:
    axis = type(AXIS)(hz)
    measured, predicted = (
        Curve.of(key, key, axis, values, u=u) for key, values in (("m", 80.0 + shape), ("p", 80.0 + 0.0 * shape))
    )
    outside = tuple(float(one) for one, off in zip(hz, shape, strict=True) if abs(off) > 1.96 * u)
    return AtSeats(measured, predicted, (0.0, 0.1), (0.0, 0.1), outside, False, "none", ())


def test_whose_part_it_is() -> None:
    hz, rows = 100.0 * 10.0 ** (np.arange(8) / 10.0), []
    one = seen(np.array([3.0, -3.0, 0.1, 4.0, -4.0, 2.5, 0.0, 3.0]), 1.0, hz)
    for size in (0.0, 0.9, 0.97, 0.99, 1.2, 3.0, -3.0):
        other = seen(np.array([size, -size, size, size, size, 0.0, 0.0, size]), 1.0, hz)
        rows.append(whose_part(one, other, "the other"))
    rows.append(whose_part(one, seen(np.full(4, 3.0), 1.0, hz[4:]), "the other"))
    rows.append(whose_part(seen(np.zeros(8), 1.0, hz), one, "the other"))
    stands(SEAT_NAME, "whose part", rows)


def test_words() -> None:
    rows = []
    for holds in (True, False):
        for outside in ((), (100.0, 1250.0)):
            rows.append(in_room._words(3, ((1.23, 0.4), (-0.12, 0.06)), outside, in_room._HZ[5:9], holds, "no bass"))
    stands(SEAT_NAME, "words", rows)
