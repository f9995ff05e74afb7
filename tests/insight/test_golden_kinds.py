"""Readings of kinds and windows of balance over a population, frozen: the program's own values, held against change.

Formulas: the absorption of air and Molloy's index are those of the module; the line against its integral by quadrature.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from match_worlds import REPORT, brief, figure, plan_of, read_of, response_of, told, tried, unknown
from scipy import integrate

from earwitness.insight import kinds
from earwitness.insight.kinds import KindReading
from earwitness.insight.match import window
from earwitness.insight.match.in_room import ListeningRoom
from earwitness.insight.match.plan_room import PlanRoom
from earwitness.insight.match.window import balance_window
from earwitness.quantities import DirectionalResponse, Directions, FloatArray, FrequencyAxis, from_orbit, log_axis
from earwitness.quantities.directions import join
from golden_values import stands

NAME = "insight/kinds"
COARSE = log_axis(100.0, 16_000.0, 12)


def short(found: KindReading | str | None) -> Any:
    if not isinstance(found, KindReading):
        return found
    rows = [[where, one.value, one.u, one.caveats, one.key] for where, one in found.rows]
    return [
        found.kind,
        rows,
        found.sentences,
        [[one.key, one.name, one.values, one.u, one.valid.sum(), one.reference] for one in found.curves],
    ]


def fan(step: float, most: float = 60.0, *, both: bool = True) -> Directions:
    angles = np.arange(-most, most + step / 2, step)
    off = angles[angles != 0.0]
    return join([from_orbit("horizontal", angles), *([from_orbit("vertical", off)] if both else [])])


def test_lines_against_their_integral() -> None:
    for length, distance, hz in ((1.2, 2.0, 4000.0), (0.5, 3.0, 700.0), (2.0, 1.0, 9000.0)):
        k = 2.0 * np.pi * hz / 343.0

        def part(z: float, k: float = k, distance: float = distance, way: Any = np.cos) -> float:
            return float(way(k * (math.hypot(distance, z) - distance)) / math.hypot(distance, z))

        real, imaginary = (
            integrate.quad(part, -length / 2, length / 2, args=(k, distance, way), limit=400)[0]
            for way in (np.cos, np.sin)
        )
        expected = 20.0 * math.log10(math.hypot(real, imaginary) / length * distance)
        assert kinds.line_level_db(length, np.array([hz, hz / 3]), distance)[0] == pytest.approx(expected, abs=0.02)


def test_line_levels() -> None:
    rows = [
        kinds.line_level_db(length, REPORT.hz[::9], distance)
        for length in (0.3, 0.9, 2.1)
        for distance in (0.5, 2.0, 4.0)
    ]
    stands(NAME, "line levels", [[float(one) for one in row[-4:]] + [row] for row in rows])


@pytest.mark.parametrize("number", range(4))
def test_line_sources(number: int) -> None:
    random = np.random.default_rng([number, 1])
    drivers = tuple(
        {
            "name": f"d{row}",
            "kind": "cone",
            "diameter_m": 0.05,
            "position_m": (0.0, 0.0, 0.1 * row * (1 + number)),
            "count": 1,
        }
        for row in range(4 + number)
    )
    one = told(("line source", "soundbar")[number % 2], driver=drivers, height_m=1.2, width_m=0.9)
    axis = (COARSE, FrequencyAxis(np.geomspace(100.0, 3800.0, 80)))[number // 3]
    stands(
        NAME,
        f"line {number}",
        short(kinds.line(one, axis, measured_m=2.0 + number, distance_m=random.uniform(1.5, 4.0))),
    )


def test_coverage_and_references() -> None:
    rows: list[Any] = [kinds.molloy_index_db(a, b) for a in (10.0, 90.0, 180.0) for b in (20.0, 60.0, 180.0)]
    keys = ("nominal_coverage_horizontal", "nominal_coverage_vertical")
    for a in (None, 0.0, 0.5, 90.0, 180.0, 181.0):
        for b in (None, 0.0, 40.0, 179.9, 180.0, 190.0):
            known = {key: figure(key, at, 1.5, "deg") for key, at in zip(keys, (a, b), strict=True) if at is not None}
            rows.append(brief(kinds._coverage(known)))
    rows.append(brief(kinds._coverage({keys[0]: unknown(keys[0]), keys[1]: figure(keys[1], 40.0, 1.0, "deg")})))
    stands(NAME, "coverage", rows)
    assert kinds.molloy_index_db(180.0, 180.0) == pytest.approx(10.0 * math.log10(2.0))
    from earwitness.files.data import table_of

    assert kinds.reference_db("cinema") == kinds.reference_db("cinema", 1)
    named = [
        name
        for name, row in table_of("insight", "reference_levels").items()
        if isinstance(row, dict) and "level_db" in row
    ]
    stands(
        NAME,
        "reference levels",
        [
            [
                name,
                kinds.reference_db(name),
                kinds.reference_db(name, 1),
                kinds.reference_db(name, 2),
                kinds.reference_db(name, 5),
            ]
            for name in named
        ],
    )


@pytest.mark.parametrize("number", range(8))
def test_horns(number: int) -> None:
    random = np.random.default_rng([number, 2])
    plan = plan_of(random, loudspeakers=1 + number % 2, rows=3, across=1)
    levels: dict[str, Any] = {}
    for seat in plan.seats:
        away = 20.0 * math.log10(seat.position_m[0])
        all_ = figure("all", 92.0 - 0.6 * away, 0.5, shared=(("level", 0.3), ("reverberation", 0.2)))
        one = figure("one", (88.0 - away) if number != 3 else 95.0, 0.3, shared=(("level", 0.3),))
        levels[seat.name] = {"all": all_, "one": one}
        if number % 3 != 2:
            levels[seat.name]["clean"] = figure("clean", 101.0 - away, 0.6, bound=("", "at least")[number % 2])
        if number == 4:
            levels[seat.name]["clean"] = unknown("clean")
    if number == 5:
        levels[plan.seats[0].name] = {"all": unknown("all")}
    coverage = {
        f"nominal_coverage_{key}": figure("n", at, 2.0, "deg") for key, at in (("horizontal", 90.0), ("vertical", 40.0))
    }
    room = PlanRoom(ListeningRoom(40.0, 3.0, 0.5), levels, {}, (), ())
    found = [
        kinds.horn(coverage if number % 2 else {}, plan, room),
        kinds.horn(coverage, None, room),
        kinds.horn(coverage, plan, None),
    ]
    stands(NAME, f"horn {number}", [short(one) for one in found])


def test_differences_of_seats() -> None:
    one = figure("x", 90.0, 0.5, shared=(("level", 0.3),))
    assert kinds._less(one, unknown("x")) == (0.0, 0.0)
    assert kinds._less(one, figure("x", 88.0, 0.5, shared=(("level", 0.3),))) == pytest.approx(
        (2.0, math.sqrt(0.5 - 0.18))
    )


def test_walls_of_in_wall_ones() -> None:
    rows = []
    for number in range(4):
        drivers = [
            {
                "name": "w",
                "kind": ("cone", "port")[number % 2],
                "diameter_m": (0.13, 0.3, 0.5, 0.9)[number],
                "position_m": (0.0, 0.0, -0.1),
            },
            {"name": "t", "kind": "dome", "diameter_m": 0.025, "position_m": (0.0, 0.0, 0.1)},
        ]
        one = told(
            "in-wall", driver=tuple(drivers[: 1 + number // 2]) if number != 1 else (), width_m=0.2 + 0.05 * number
        )
        rows.append(kinds.in_wall_gain_db(one, np.geomspace(100.0, 4000.0, 8)))
        rows.append(short(kinds.in_wall(one, response_of(np.random.default_rng(number), axis=COARSE), {})))
    stands(NAME, "in wall, measured free", rows)


def test_what_hangs_in_or_on_a_wall() -> None:
    half = response_of(np.random.default_rng(1), axis=COARSE, half_space=True)
    index = replace(read_of(half).curves["on_axis"], values=np.linspace(3.0, 9.0, len(COARSE)), key="sound_power_di")
    partly = replace(index, valid=COARSE.hz > 500.0)
    rows = [
        tried(lambda curves=curves: short(kinds.in_wall(told("in-wall"), half, curves)))
        for curves in ({"sound_power_di": index}, {"sound_power_di": partly}, {})
    ]
    rows.append(short(kinds.on_wall(told("on-wall"), half)))
    exact = replace(half, u_db=np.zeros(half.u_db.shape), u_common_db=np.zeros(len(COARSE)))
    sure = replace(index, u=np.zeros(len(COARSE)), u_common=np.zeros(len(COARSE)))
    rows.append(short(kinds.in_wall(told("in-wall"), exact, {"sound_power_di": sure})))
    stands(NAME, "in wall, measured there", rows)


@pytest.mark.parametrize("number", range(2))
def test_boxes_on_a_wall(number: int) -> None:
    free = response_of(np.random.default_rng([number, 3]), axis=log_axis(30.0, 8000.0, 12))
    stands(
        NAME,
        f"on wall {number}",
        short(kinds.on_wall(told("on-wall", depth_m=0.08 + 0.1 * number), free)),
        relative=1e-4,
    )


def test_dipole_power() -> None:
    """Across the wall and along it; its formula is held by quadrature in test_kind_readings."""
    rows = [kinds.dipole_power_db(np.geomspace(0.1, 9.0, 8), along=along) for along in (False, True)]
    stands(NAME, "dipole power", [*rows, kinds.dipole_power_db(np.array([0.73]))])


@pytest.mark.parametrize("number", range(3))
def test_dipoles(number: int) -> None:
    random = np.random.default_rng([number, 4])
    one = response_of(random, axis=log_axis(30.0, 4000.0, 12))
    unit = one.directions.unit_vectors()
    size = (
        np.abs(unit[:, :1]) * (1.0 - 0.2 * (unit[:, :1] < 0))
        + (0.02 + 0.02 * (unit[:, 1:2] > 0), 0.0, 0.03 + 0.03 * (unit[:, 1:2] < 0))[number]
    )
    shown = replace(one, pressure=one.pressure[:1] * size * np.where(unit[:, :1] < 0, -1.0, 1.0))
    stands(NAME, f"dipole {number}", tried(lambda: short(kinds.dipole(shown))), relative=1e-4)
    behind = (unit[:, 0] < -0.99)[:, None] & (one.axis.hz[None] > 500.0)
    stands(
        NAME, f"dipole, not known behind {number}", tried(lambda: short(kinds.dipole(replace(shown, valid=~behind))))
    )


@pytest.mark.parametrize("step", [5.0, 10.0])
def test_centers(step: float) -> None:
    rows = []
    for number in range(3):
        random = np.random.default_rng([number, 5])
        one = response_of(random, axis=log_axis(150.0, 9000.0, 12), directions=fan(step), side_by_side=True)
        rows.append(tried(lambda one=one, number=number: short(kinds.center(one, distance_m=2.0 + number))))
    stands(NAME, f"centers of {step:g} degrees", rows, relative=1e-4)


def test_seats_beside_the_middle() -> None:
    one = response_of(
        np.random.default_rng(6), axis=log_axis(150.0, 9000.0, 12), directions=fan(5.0), side_by_side=True
    )
    rows, curves = kinds.seat_lobing(one, 2.5, (500.0, 2000.0))
    none = replace(one, valid=one.valid & (one.axis.hz > 6000.0))
    stands(
        NAME,
        "seats",
        [brief(rows), [brief(row) for row in curves], tried(lambda: kinds.seat_lobing(none, 2.5))],
        relative=1e-4,
    )
    level, fine = np.arange(12.0).reshape(4, 3) ** 2, np.array([-1.0, 0.0, 1.0, 2.0])
    stands(
        NAME,
        "between fine angles",
        [kinds._at(level, fine, at) for at in (-1.5, -1.0, -0.4, 0.0, 0.3, 1.0, 1.9, 2.0, 2.4)],
    )


def test_centers_that_are_even() -> None:
    """Turned where a seat may lie 3 dB lower: the level falls in steps."""
    rows = []
    for deep in np.arange(0.0, 6.0, 0.4):
        angle = np.arange(-60.0, 61.0, 5.0)
        size = 10.0 ** (-deep * np.minimum(np.abs(angle) / 25.0, 1.0) / 20.0)
        axis = log_axis(200.0, 8000.0, 6)
        pressure = np.repeat(size[:, None], len(axis), axis=1) + 0j
        flat = np.ones(pressure.shape)
        one = DirectionalResponse(axis, from_orbit("horizontal", angle), pressure, 0.05 * flat, 0.1 * flat[0], flat > 0)
        found = kinds.center(one, distance_m=2.5)
        rows.append([found.sentences[2][:60], found.sentences[3][:40], [row.value for _, row in found.rows]])
    stands(NAME, "even centers", rows, relative=1e-4)


def test_coaxial_ones() -> None:
    rows = []
    for number in range(4):
        random = np.random.default_rng([number, 7])
        one = response_of(
            random, axis=log_axis(400.0, 12_000.0, 12), directions=fan((10.0, 20.0, 5.0, 15.0)[number], 60.0)
        )
        rows.append(tried(lambda one=one: short(kinds.coaxial(one))))
        cut = replace(one, valid=one.valid & ((np.arange(len(one.directions)) != 3)[:, None] | (one.axis.hz < 2000.0)))
        rows.append(tried(lambda cut=cut: short(kinds.coaxial(cut))))
    few = response_of(np.random.default_rng(8), axis=log_axis(400.0, 12_000.0, 12), directions=fan(10.0, 30.0))
    fewer = response_of(np.random.default_rng(8), axis=log_axis(400.0, 12_000.0, 12), directions=fan(10.0, 20.0))
    rows += [tried(lambda one=one: short(kinds.coaxial(one))) for one in (few, fewer)]
    stands(NAME, "coaxial", rows)


def test_drivers_in_one_place() -> None:
    rows = []
    for y, z, kind in (
        (0.0, 0.0, "dome"),
        (0.0049, 0.0, "dome"),
        (0.003, 0.004, "horn"),
        (0.0, 0.0051, "dome"),
        (0.0, 0.0, "port"),
        (0.0, 0.0, "ribbon"),
        (0.1, 0.0, "dome"),
    ):
        made = (
            {"name": "a", "kind": "cone", "diameter_m": 0.2, "position_m": (0.03, 0.0, 0.0)},
            {"name": "b", "kind": kind, "diameter_m": 0.03, "position_m": (0.0, y, z)},
        )
        rows.append(kinds.is_coaxial(told("stand-mount", driver=made)))
    assert rows == [True, True, False, False, False, True, False]
    assert not kinds.is_coaxial(told("stand-mount"))


def test_each_kind_finds_its_reading() -> None:
    one = response_of(np.random.default_rng(9), axis=log_axis(30.0, 9000.0, 8))
    reading, rows = read_of(one), list[Any]()
    for kind in (
        "center",
        "in-wall",
        "on-wall",
        "dipole",
        "horn",
        "line source",
        "soundbar",
        "stand-mount",
        "floor-stander",
    ):
        drivers = (
            {"name": "a", "kind": "cone", "diameter_m": 0.2, "position_m": (0.0, 0.0, -0.2)},
            {"name": "b", "kind": "dome", "diameter_m": 0.03, "position_m": (0.0, 0.0, -0.2)},
            {"name": "c", "kind": "cone", "diameter_m": 0.2, "position_m": (0.0, 0.0, 0.3)},
        )
        found = kinds.reading_of_kind(told(kind, driver=drivers), one, reading, distance_m=2.5)
        rows.append([found.kind, found.sentences] if isinstance(found, KindReading) else found)
    rows.append(kinds.reading_of_kind(told("stand-mount"), one, reading, distance_m=2.5))
    far = replace(one, valid=one.valid & (one.axis.hz > 500.0))
    rows.append(kinds.reading_of_kind(told("on-wall"), far, reading, distance_m=2.5))
    stands(NAME, "by kind", rows, relative=1e-4)


def test_values_in_words() -> None:
    assert kinds.plus_minus(figure("x", 3.456, 0.12)) == "3.5 ± 0.2 dB"
    assert kinds.plus_minus(figure("x", 3.456, 0.12), 2) == "3.46 ± 0.24 dB"
    with pytest.raises(ValueError, match="not judged"):
        kinds.plus_minus(unknown("x"))


# The window of balance.


def two_way(
    angles: FloatArray, *, apart_m: float, hz: FloatArray, slope: float = 4.0, u_db: float = 0.1, tilt: float = 0.0
) -> DirectionalResponse:
    """Two points above each other, in phase on axis, sharing the band around 2 kHz."""
    k, sine = 2.0 * np.pi * hz / 343.0, np.sin(np.radians(angles))[:, None]
    low = 1.0 / (1.0 + (hz / 2000.0) ** slope)
    pressure = low * np.exp(0.5j * k * apart_m * sine) + (1.0 - low) * np.exp(-0.5j * k * apart_m * (sine + tilt)) * (
        1.0 - 0.2 * np.abs(sine)
    )
    flat = np.ones(pressure.shape)
    return DirectionalResponse(
        FrequencyAxis(hz), from_orbit("vertical", angles), pressure + 0j, u_db * flat, 0.1 * flat[0], flat > 0
    )


WINDOW = "insight/match_window"
HZ = np.geomspace(300.0, 9000.0, 72)


@pytest.mark.parametrize(("apart_m", "step", "more"), [
    (0.1, 5.0, {}), (0.16, 5.0, {}), (0.16, 10.0, {"change_db": 1.0}), (0.25, 5.0, {"change_db": 1.5}), (0.25, 2.5, {}),
    (0.1, 10.0, {"change_db": 6.0, "crossover_hz": 2000.0}), (0.2, 5.0, {"crossover_hz": 1500.0}), (0.3, 10.0, {}),
])  # fmt: skip
def test_windows(apart_m: float, step: float, more: dict[str, Any]) -> None:
    one = two_way(np.arange(-60.0, 61.0, step), apart_m=apart_m, hz=HZ, tilt=0.1)
    found = tried(lambda: balance_window(one, **more))
    stands(WINDOW, f"windows of {apart_m:g} m, {step:g}, {more}", found, relative=1e-4)


def test_refused_windows() -> None:
    angles = np.arange(-60.0, 61.0, 5.0)
    one = two_way(angles, apart_m=0.16, hz=HZ)
    level = replace(one, pressure=np.ones(one.pressure.shape, dtype=np.complex128))
    asked: list[tuple[DirectionalResponse, dict[str, Any]]] = [
        (one, {"change_db": 0.49}), (one, {"change_db": 0.5}), (one, {"change_db": 12.0}), (one, {"change_db": 12.1}),
        (one, {"orbit": "horizontal"}), (level, {}), (level, {"crossover_hz": 2000.0}), (replace(one, phase="own"), {}),
        (two_way(angles, apart_m=0.7, hz=HZ), {}), (two_way(angles, apart_m=0.45, hz=HZ), {"crossover_hz": 2000.0}),
    ]  # fmt: skip
    for crossover_hz in (
        620.0,
        500.0,
        499.0,
        730.0,
        3600.0,
        3700.0,
        3760.0,
        3900.0,
        5000.0,
        600.0,
        719.0,
        721.0,
        3749.0,
        3751.0,
    ):
        asked.append((one, {"crossover_hz": crossover_hz}))
    for step in (15.0, 15.1, 20.0):
        asked.append((two_way(np.arange(-60.0, 60.1, step), apart_m=0.1, hz=HZ), {"crossover_hz": 2000.0}))
    for some in (
        angles[:3],
        angles[[10, 11, 12, 13]],
        angles[10:15],
        angles[angles != 0.0],
        angles + 0.4,
        angles + 0.6,
        np.arange(-75.0, 76.0, 5.0),
        angles[10:20],
    ):
        asked.append((two_way(some, apart_m=0.1, hz=HZ), {"crossover_hz": 2000.0}))
    hole = np.ones(one.pressure.shape, dtype=bool)
    for row, place in ((3, 36), (12, 36), (3, 4)):
        cut = hole.copy()
        cut[row, place] = False
        asked.append((replace(one, valid=cut), {"crossover_hz": 2000.0}))
    none = hole.copy()
    none[0] = False
    asked.append((replace(one, valid=none), {"crossover_hz": 2000.0}))
    rows = [tried(lambda made=made, more=more: balance_window(made, **more)) for made, more in asked]
    stands(WINDOW, "refused", rows, relative=1e-4)


def test_sides_told() -> None:
    rows = []
    for angle, u, bound in ((12.34, 0.04, False), (12.34, 0.3, False), (12.34, 0.05, True), (0.4, 2.0, False)):
        side = window.Side("up", angle, u, bound)
        for inferred in (True, False):
            one = window.BalanceWindow("vertical", 2.0, 2345.0, inferred, (replace(side, name="down"), side))
            rows.append(one.sentence(3.0))
    stands(WINDOW, "sides", rows)


def test_parts_of_the_window() -> None:
    random = np.random.default_rng(10)
    rows: list[Any] = []
    for step, every in ((5.0, 1), (5.0, 2), (10.0, 2), (7.0, 1)):
        angles = np.arange(-9 * step, 9.5 * step, step) + (0.2 if step == 7.0 else 0.0)
        fine, lines = window.fine_lines(angles, every=every)
        rows += [fine, lines, [fine[0], fine[-1], fine.size]]
    weights = window.third_octaves(HZ, HZ[::9])
    rows += [weights, weights.sum(axis=1)]
    energy = np.abs(random.normal(1.0, 0.4, (41, 6))) + 0.1
    fine = np.asarray(np.arange(-20, 21) * 0.5, dtype=np.float64)
    rows.append(window._change_db(energy, fine))
    for change in (0.5, 2.0, 6.0, 30.0):
        rows.append(window._reached(1.0 + 0.05 * fine[:, None] ** 2 * np.array([0.3, 1.0]), fine, change))
        rows.append(window._reached(energy, fine, change))
    for near in (20.0, 30.0, 35.0, 60.0):
        angles = np.arange(-near, near + 1.0, 5.0)
        pressure = np.exp(1j * np.outer(np.sin(np.radians(angles)), np.arange(8.0)))
        rows.append(window._missed(angles, pressure, 2.0))
    stands(WINDOW, "parts", rows)


def test_where_the_sound_falls_most() -> None:
    """Within 20 degrees, from 500 Hz to 5 kHz: fans whose null moves over both limits."""
    rows = []
    fine, hz = np.asarray(np.arange(-80, 81) * 0.5, dtype=np.float64), np.geomspace(300.0, 9000.0, 200)
    valid = np.ones((5, hz.size), dtype=bool)
    for at_hz in (450.0, 520.0, 900.0, 4800.0, 5600.0):
        for at_deg in (10.0, 19.5, 20.0, 20.5, 30.0, -20.0, -20.5):
            dip = np.exp(-((np.log2(hz / at_hz) / 0.3) ** 2)) * np.exp(-(((fine[:, None] - at_deg) / 2.0) ** 2))
            rows.append(tried(lambda dip=dip: window._deepest_hz(hz, 1.0 - 0.9 * dip, fine, 2.0, valid)))
    for deep in np.arange(0.30, 0.45, 0.01):
        energy = 1.0 - deep * (np.abs(fine[:, None] - 10.0) < 3.0) * (1.0 - 0.02 * np.log2(hz / 1500.0) ** 2)
        rows.append(tried(lambda energy=energy: window._deepest_hz(hz, energy, fine, 2.0, valid)))
    part = valid.copy()
    part[2, hz > 700.0] = False
    rows.append(
        tried(
            lambda: window._deepest_hz(
                hz,
                1.0 - 0.9 * np.exp(-((np.log2(hz / 900.0) / 0.3) ** 2)) * (np.abs(fine[:, None]) > 5.0),
                fine,
                2.0,
                part,
            )
        )
    )
    for count in (6, 7, 8, 9):
        some = valid & ((np.arange(hz.size) >= 90) & (np.arange(hz.size) < 90 + count))
        rows.append(tried(lambda some=some: window._deepest_hz(hz, energy, fine, 2.0, some)))
    stands(WINDOW, "deepest", rows)
