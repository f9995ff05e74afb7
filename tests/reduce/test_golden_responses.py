"""Sessions of responses, drawn to the axis, with tables of levels and multitones: frozen values over drawn files.

The values are the program's own ("frozen"). Closed cases: straight lines by numpy, levels by definition.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from earwitness.errors import EarwitnessError, InputError
from earwitness.formats.audio import Recording
from earwitness.formats.directivity_sofa import SofaDirectivity
from earwitness.formats.level_table import LevelColumn, LevelTable
from earwitness.formats.response_table import ResponseTable, parse_response_table, phase_reading
from earwitness.quantities import Directions, cta_orbits, from_orbit, report_axis
from earwitness.quantities.response import u_of_causes_db
from earwitness.reduce import response_parts, responses
from earwitness.reduce.plan import ReduceSettings
from earwitness.reduce.response_parts import Drawing, Part, Trust, common_delay_s, drawn, parted, rows_of, trust_at
from earwitness.reduce.responses import level_tables, reduce_responses
from earwitness.session.responses import ResponseFacts, ResponseTake
from earwitness.session.session import Session
from golden_values import stands

AXIS = report_axis().hz
HASH = "0" * 64
PLAIN = parse_response_table("Hz\tdB SPL\tdeg\n100\t80\t0\n200\t80\t0\n400\t80\t0\n", name="plain")
GRID = np.geomspace(30.0, 15_000.0, 60)


def session(takes: list[dict[str, Any]], *, volts: float = 2.83, **facts: Any) -> Session:
    return Session.model_validate(
        {
            "format": 1,
            "date": "2026-11-01",
            "loudspeaker": {
                "name": "One",
                "maker": "Nobody",
                "type": "stand-mount",
                "enclosure": "closed",
                "invented": True,
                "width_m": 0.2,
                "height_m": 0.3,
                "depth_m": 0.25,
                "reference_axis": "x",
            },
            "microphone": {"sensitivity_fs_per_pa": 0.1},
            "drive": {"voltage_v": volts},
            "stimulus": {"kind": "none"},
            "responses": facts,
            "takes": takes,
        }
    )


def take(kind: str, name: str, **more: Any) -> dict[str, Any]:
    return {"kind": kind, "id": name, "file": f"{name}.txt", "sha256": HASH, **more}


def heard(angle_deg: float, hz: NDArray[Any], *, late_s: float = 1e-4) -> NDArray[Any]:
    s = 1j * hz / 60
    beam = 1 / (1 + 1j * hz / 4000 * np.sin(np.radians(angle_deg) / 2) ** 2)
    return np.asarray(
        (s / (s + 1)) ** 2 * beam * (1 + 0.2 * np.sin(3 * np.log(hz))) * np.exp(-2j * np.pi * hz * late_s)
    )


def table(
    angles: list[float], *, hz: NDArray[Any] = GRID, phase: bool = True, unit: str = "dB SPL", **more: Any
) -> ResponseTable:
    rows = np.array([heard(angle, hz) for angle in angles])
    level = 86.0 + 20 * np.log10(np.abs(rows))
    turns = tuple(phase_reading(hz, np.angle(row)) for row in rows) if phase else None
    told = {
        "hz": hz,
        "values": level,
        "phase": turns,
        "lines": np.arange(hz.size),
        "unit": unit,
        "angles_deg": np.array(angles),
    }
    return replace(PLAIN, **{**told, **more})


ANGLES = [-170.0, -90.0, -30.0, 0.0, 15.0, 60.0, 120.0, 180.0]


def single(*, phase: bool = True, orbit: str = "horizontal", **facts: Any) -> tuple[Session, dict[str, Any]]:
    takes = [take("response", f"r{n}", orbit=orbit, angle_deg=angle) for n, angle in enumerate(ANGLES)]
    sources = {f"r{n}": table([angle], phase=phase) for n, angle in enumerate(ANGLES)}
    return session(takes, **facts), sources


def outcome(told: Session, sources: Mapping[str, Any], **more: Any) -> Any:
    try:
        one = reduce_responses(told, sources, ReduceSettings(), **more)
    except EarwitnessError as error:
        return str(error)
    answer = one.response
    causes = [[f"{c.name}, {c.part}, {c.source}, {c.each}" for c in answer.causes[:3]], len(answer.causes)]
    causes.append(u_of_causes_db(answer.causes, len(answer.pressure), AXIS.size) if answer.causes else None)
    return [
        [
            answer.pressure,
            answer.u_db,
            answer.u_common_db,
            answer.valid,
            answer.absolute,
            answer.distance_m,
            answer.phase,
            answer.half_space,
            answer.directions,
        ],
        causes,
        one.snr_db,
        one.gate,
        one.impulse,
        one.flags,
        one.kept_takes,
        one.harmonics,
        one.multitones,
        one.averages,
        [[b.name, b.source, b.shared, b.u_db] if hasattr(b, "shared") else b for b in one.budget],
    ]


FACTS: dict[str, dict[str, Any]] = {
    "plain": {},
    "gated": {"gate_ms": 5.0, "space": "gated", "smoothing": "none"},
    "anechoic": {"space": "anechoic", "phase": "one time reference"},
    "relative": {"level": "relative", "phase": "none"},
    "ground": {"space": "ground plane", "reference_distance_m": 2.0, "measured_distance_m": 3.0},
    "room": {"space": "room", "lowest_hz": 200.0, "highest_hz": 8000.0},
    "half": {"space": "half space", "u_db": 0.7, "phase": "each direction its own"},
    "short": {"gate_ms": 40.0, "lowest_hz": 100.0},
    "scan": {"space": "scan", "highest_hz": 500.0},
}


@pytest.mark.parametrize("name", list(FACTS))
def test_facts(name: str) -> None:
    stands("reduce/responses", f"facts {name}", outcome(*single(**FACTS[name])))


def test_without_phase_and_on_other_orbits() -> None:
    found: list[Any] = [outcome(*single(phase=False)), outcome(*single(orbit="vertical"))]
    told, sources = single()
    sources["r2"] = replace(sources["r2"], phase=None)
    found.append(outcome(told, sources))
    del sources["r1"]
    found.append(outcome(told, sources))
    found.append(
        outcome(
            session([take("response", "r0", orbit="horizontal", angle_deg=0.0)], volts=8.0),
            {"r0": table([0.0], unit="dB re 1 Pa/V")},
        )
    )
    found.append(
        outcome(session([take("response", "r0", orbit="horizontal", angle_deg=0.0)]), {"r0": table([0.0, 10.0])})
    )
    found.append(
        outcome(session([take("response", "r0", orbit="horizontal", angle_deg=0.0)]), {"r0": table([0.0], unit="")})
    )
    stands("reduce/responses", "others", found)


def test_tables_of_several_directions() -> None:
    rng = np.random.default_rng(1)
    valid = rng.uniform(size=(8, 60)) > 0.1
    full = table(
        ANGLES, valid=valid, u_db=np.full((8, 60), 0.3), u_common_db=np.linspace(0.1, 0.4, 60), told=("a thing",)
    )
    lost = full.values.copy()
    lost[3, 20], lost[5, 40:44] = np.nan, np.nan
    up = table([-90.0, 0.0, 40.0], plane="vertical", u_db=np.full((3, 60), np.nan), u_common_db=np.full(60, 0.2))
    found: list[Any] = []
    for sources in ({"d": full, "v": up}, {"d": replace(full, values=lost), "v": replace(up, plane=None)}):
        told = session([take("directions", "d"), take("directions", "v", plane="vertical")], space="anechoic")
        found.append(outcome(told, sources))
    stands("reduce/responses", "directions", found)


def test_uncertainty_in_files_of_its_own() -> None:
    told, sources = single()
    plus = [one.model_dump() for one in told.takes] + [take("uncertainty", "u")]
    both = session(plus, space="anechoic")
    found: list[Any] = []
    for angles in ([0.0, 60.4], [0.0, 60.6], [0.49, -170.0], list(ANGLES)):
        stated = table(
            angles,
            kind="uncertainty",
            values=np.full((len(angles), 60), 0.15),
            valid=np.ones((len(angles), 60), bool),
            u_common_db=np.full(60, 0.1),
            phase=False,
        )
        found.append(outcome(both, {**sources, "u": stated}))
    found.append(outcome(both, sources))
    stands("reduce/responses", "uncertainty", found)


def sofa(directions: Directions, *, kind: str = "pressure", data: str = "Pa/V", **more: Any) -> SofaDirectivity:
    hz = np.geomspace(40.0, 12_000.0, 40)
    unit = directions.unit_vectors()
    angle = np.degrees(np.arccos(np.clip(unit[:, 0], -1, 1)))
    pressure = np.array([heard(one, hz) for one in angle]) * (1 + 0.1 * unit[:, 2:] + 0.05j * unit[:, 1:2])
    impulse = np.zeros((len(directions), 0))
    if kind == "impulse":
        rng = np.random.default_rng(2)
        impulse = np.exp(-np.arange(256) / 9.0) * rng.normal(size=(len(directions), 256)) * 0.2
        impulse[:, 12] += 1.0 / (1 + angle / 90)
        pressure, hz = np.zeros((len(directions), 0), complex), np.zeros(0)
    told = {
        "name": "s",
        "directions": directions,
        "distance_m": np.full(len(directions), np.nan),
        "hz": hz,
        "pressure": pressure,
        "impulse": impulse,
        "rate_hz": 24_000.0,
        "delay_s": np.linspace(0.0, 1e-4, len(directions)),
        "data": data,
        "told": ("told",),
        "questions": (),
    }
    return SofaDirectivity(**{**told, **more})


def spiral(count: int) -> Directions:
    number = np.arange(count) + 0.5
    z = 1 - 2 * number / count
    azimuth = np.pi * (1 + np.sqrt(5)) * number
    return Directions(np.pi - np.mod(np.pi - azimuth, 2 * np.pi), np.arcsin(z))


def joined(*parts: Directions) -> Directions:
    return Directions(
        np.concatenate([one.azimuth_rad for one in parts]), np.concatenate([one.elevation_rad for one in parts])
    )


@pytest.mark.parametrize("name", ["orbits", "impulses", "balloon", "sparse", "half", "relative", "broken"])
def test_directivities(name: str) -> None:
    orbits, balloon = from_orbit("horizontal", np.arange(-170.0, 181.0, 30.0)), joined(cta_orbits(30.0), spiral(80))
    half = spiral(160)
    half = half.take(np.flatnonzero(half.unit_vectors()[:, 0] > -0.2))
    one = {
        "orbits": sofa(
            orbits, data="Pa", valid=np.ones((12, 40), bool), u_db=np.full((12, 40), 0.2), u_common_db=np.full(40, 0.1)
        ),
        "impulses": sofa(orbits, kind="impulse"),
        "balloon": sofa(balloon),
        "sparse": sofa(joined(from_orbit("horizontal", [0.0]), spiral(9))),
        "half": sofa(joined(from_orbit("horizontal", [0.0]), half)),
        "relative": sofa(orbits),
        "broken": sofa(balloon),
    }[name]
    if name == "broken":
        pressure = one.pressure.copy()
        pressure[:, 3], pressure[2, 10], pressure[5, 20] = 0.0, np.nan, 0.0
        one = replace(one, pressure=pressure)
    facts = {"level": "relative"} if name == "relative" else {"space": "anechoic", "reference_distance_m": 2.0}
    stands(
        "reduce/responses",
        f"directivity {name}",
        outcome(session([take("directions", "s")], **facts), {"s": one}),
        relative=1e-4,
    )


@pytest.mark.parametrize("samples", ["Pa/V", "Pa/V per second", "relative"])
def test_impulse_responses(samples: str) -> None:
    rng = np.random.default_rng(3)
    found: list[Any] = []
    for late in (30, 900):
        both = rng.normal(size=(2, 2048)) * np.exp(-np.arange(2048) / 40.0) * 0.1
        both[1, late] += 2.0
        # No sum of samples, then more and more of it.
        both -= both.mean(axis=1, keepdims=True)
        for offset in (0.0, 3e-5, 1e-3) if late == 30 else (0.0,):
            sound = Recording(both + offset, 48_000, "DOUBLE")
            takes = [
                take("impulse response", n, orbit="horizontal", angle_deg=a, samples=samples, channel=2)
                for n, a in (("i", 0.0), ("j", 30.0))
            ]
            facts: dict[str, Any] = {"level": "relative"} if samples == "relative" else {"space": "ground plane"}
            found.append(outcome(session(takes, **facts), {"i": sound, "j": sound}))
    lone = outcome(session([take("response", "i", orbit="horizontal", angle_deg=0.0)]), {"i": sound})
    tabled = outcome(
        session([take("impulse response", "i", orbit="horizontal", angle_deg=0.0, samples="Pa/V")]), {"i": table([0.0])}
    )
    stands(
        "reduce/responses",
        f"impulses {samples}",
        [[one if isinstance(one, str) else [one[0], one[3], one[4]] for one in found], lone, tabled],
    )


def test_sums_of_samples() -> None:
    rng = np.random.default_rng(4)
    samples, start, hz = (
        rng.normal(size=(2, 300)) * np.exp(-np.arange(300) / 20),
        np.array([0.0, 0.002]),
        np.array([20.0, 333.3, 5000.0, 23_000.0]),
    )
    samples[:, 7] = 9.0
    found = response_parts._spectra(samples, start, 48_000.0, hz)
    time = start[:, None] + np.arange(300) / 48_000
    truth = np.array([np.exp(-2j * np.pi * np.outer(hz, t)) @ row for t, row in zip(time, samples, strict=True)])
    assert np.allclose(found, truth, rtol=0, atol=0.02 * np.abs(truth).max())
    stands("reduce/response_parts", "sums", found)


def test_averages() -> None:
    keys = ("on_axis", "listening_window", "sound_power")
    curves = table(
        [0.0, 0.0, 0.0],
        phase=False,
        angles_deg=np.zeros(0),
        curves=keys,
        kind="curves",
        u_db=np.array([[0.1], [np.nan], [0.4]]) * np.ones(60),
    )
    cases = {
        "all": ([take("curves", "c")], {"c": curves}),
        "parts": (
            [take("curves", "c", curve="on axis"), take("curves", "d", curve="sound power")],
            {"c": table([0.0], phase=False, curves=()), "d": table([0.0], phase=False, curves=())},
        ),
        "no axis": ([take("curves", "c")], {"c": replace(curves, curves=("early_reflections", *keys[1:]))}),
        "twice": ([take("curves", "c")], {"c": replace(curves, curves=("on_axis", "sound_power", "sound_power"))}),
        "beside": (
            [take("curves", "c"), take("response", "r", orbit="horizontal", angle_deg=30.0)],
            {"c": curves, "r": table([30.0])},
        ),
        "turned": (
            [take("curves", "c"), take("response", "r", orbit="horizontal", angle_deg=30.0)],
            {"c": replace(curves, curves=("early_reflections", *keys[1:])), "r": table([30.0])},
        ),
        "axis": (
            [take("curves", "c"), take("response", "r", orbit="horizontal", angle_deg=0.0)],
            {"c": replace(curves, curves=("early_reflections", *keys[1:])), "r": table([0.0])},
        ),
    }
    stands(
        "reduce/responses",
        "averages",
        {name: outcome(session(takes, gate_ms=4.0), sources) for name, (takes, sources) in cases.items()},
    )


def part(count: int, seed: int = 5, *, phase: bool = True) -> Part:
    rng = np.random.default_rng(seed)
    shape = (count, AXIS.size)
    trust = Trust(
        rng.uniform(size=shape) > 0.2, np.where(rng.uniform(size=shape) > 0.5, 0.3, np.nan), np.full(AXIS.size, 0.1)
    )
    return Part(
        from_orbit("horizontal", np.arange(count) * 20.0),
        rng.normal(size=shape),
        rng.normal(size=shape) if phase else None,
        rng.uniform(size=shape),
        rng.uniform(size=shape) > 0.1,
        trust,
        "a",
    )


def test_rows_and_averages_of_a_part() -> None:
    one = part(4)
    rows, averages = parted(one, ("on_axis", "sound_power", "on_axis", "di"))
    stands("reduce/response_parts", "parted", [rows, averages, rows_of(part(3, phase=False), np.array([2, 0]))])
    assert averages[0].u_db == pytest.approx(np.sqrt(one.u_db[1] ** 2 + np.nan_to_num(one.trust.u_db[1]) ** 2 + 0.3**2))


def test_drawing_to_other_frequencies() -> None:
    rng = np.random.default_rng(6)
    hz = np.geomspace(50.0, 5000.0, 30)
    level = rng.normal(size=(3, 30))
    level[1, 7], level[2, :4] = np.nan, np.nan
    wanted = np.concatenate(
        [
            [40.0, 50.0 * (1 - 2e-6), 50.0 * (1 - 5e-7)],
            hz[3:6] * 1.0002,
            hz[6:9] * 1.00004,
            np.geomspace(60.0, 4900.0, 40),
            [5000.0 * (1 + 5e-7), 5000.0 * (1 + 2e-6), 6000.0],
        ]
    )
    phase = np.unwrap(rng.normal(size=(3, 30)), axis=1)
    found: list[Any] = [
        response_parts._to_axis(hz, level, phase, [1e-3, None, 0.0], wanted),
        response_parts._to_axis(hz, level, None, [], wanted),
    ]
    found += [response_parts._to_axis(hz[:n], level[:, :n], None, [], wanted) for n in (2, 3, 4)]
    found += [response_parts._places(hz, wanted)]
    for valid, u, common in (
        (None, None, None),
        (rng.uniform(size=(3, 30)) > 0.3, None, None),
        (None, np.abs(level), None),
        (None, None, np.linspace(0, 1, 30)),
    ):
        found.append(trust_at(hz, 3, valid, u, common, wanted))
    stands("reduce/response_parts", "drawing", found)
    # Straight lines over the logarithm of frequency (numpy).
    inner = wanted[(wanted > 50) & (wanted < 5000)]
    assert np.allclose(
        response_parts._to_axis(hz, level[:1], None, [], inner)[0][0],
        np.interp(np.log(inner), np.log(hz), level[0]),
        atol=2e-3,
    )
    assert common_delay_s(hz, 0.3 - 2 * np.pi * hz * 7e-4) == pytest.approx(7e-4)


def test_directions_from_a_balloon() -> None:
    found: list[Any] = []
    for off in (0.45, 0.55, 3.0):
        some = cta_orbits(30.0)
        turned = Directions(
            some.azimuth_rad * (1 - 1e-9), np.clip(some.elevation_rad + np.radians(off), -np.pi / 2, np.pi / 2)
        )
        directions = joined(turned, spiral(40))
        unit = directions.unit_vectors()
        level = np.repeat(3.0 * unit[:, :1] + unit[:, 2:], 6, axis=1)
        known = np.ones((len(directions), 6), dtype=bool)
        known[4, 5] = False
        trust = Trust(known, np.full(level.shape, 0.2), np.full(6, 0.1))
        for phase in (None, 0.1 * level):
            flags: list[Any] = []
            words: list[str] = []
            one = response_parts._on_orbits(
                Part(directions, level, phase, np.full(level.shape, 0.05), known, trust, "a"), words, flags
            )
            found.append([one, words, flags])
    stands("reduce/directivities", "balloons", found, relative=1e-4)


@pytest.mark.parametrize("late_s", [0.0, 0.015, 0.0198, 0.0202, 0.1, -0.004])
def test_time_counts_from_the_first_sound(late_s: float) -> None:
    one = part(2)
    front = replace(
        one, phase_rad=np.tile(-2 * np.pi * AXIS * late_s, (2, 1)), known=np.ones((2, AXIS.size), dtype=bool)
    )
    few = replace(front, known=(AXIS > 499.0) & (AXIS < 520.0) & np.ones((2, 1), dtype=bool))
    found: list[Any] = [
        responses._from_first_sound(replace(case, phase_rad=None) if n == 2 else case, AXIS).phase_rad
        for n, case in enumerate((front, few, front))
    ]
    stands("reduce/response_parts", f"first sound {late_s}", found)


def test_balloons_without_a_common_frequency() -> None:
    directions = joined(cta_orbits(30.0), spiral(40))
    level = np.ones((len(directions), 4))
    known = np.ones(level.shape, dtype=bool)
    known[[1, 2, 3, 30], [0, 1, 2, 3]] = False
    whole = Part(directions, level, None, 0 * level, known, response_parts.nothing_stated((len(directions), 4)), "a")
    flags: list[Any] = []
    one = response_parts._on_orbits(whole, [], flags)
    stands("reduce/directivities", "no common frequency", [len(one.directions), one.known, flags])


def test_two_orbits_alone_stay_as_they_are() -> None:
    level = np.arange(3.0 * 70).reshape(70, 3)
    whole = Part(cta_orbits(), level, level / 9, 0 * level, level >= 0, response_parts.nothing_stated((70, 3)), "a")
    words: list[str] = []
    assert response_parts._on_orbits(whole, words, []) is whole
    tilted = Directions(
        whole.directions.azimuth_rad, np.clip(whole.directions.elevation_rad + np.radians(0.45), -1.57, 1.57)
    )
    near = replace(whole, directions=tilted)
    assert response_parts._on_orbits(near, words, []) is near
    full = joined(cta_orbits(), spiral(30))
    level = np.arange(3.0 * 100).reshape(100, 3)
    ball = Part(full, level, None, 0 * level, level >= 0, response_parts.nothing_stated((100, 3)), "a")
    assert np.array_equal(response_parts._on_orbits(ball, words, []).level_db, level[:70])
    assert not words


def test_impulse_for_looking_at() -> None:
    hz = AXIS
    pressure = heard(0.0, hz, late_s=2e-3)
    found: list[Any] = [
        responses._impulse(pressure, known, hz)
        for known in (hz > 0, hz > 3000, (hz > 100) & (hz < 480), hz < hz[3], hz < hz[4], (hz > 490) & (hz < 520))
    ]
    stands("reduce/response_parts", "impulse", found)


def column(
    role: str,
    values: float | NDArray[Any],
    order: int = 0,
    unit: str = "%",
    *,
    volts: float | None = 2.83,
    at_db: float | None = None,
    hz: NDArray[Any] = GRID,
) -> LevelColumn:
    return LevelColumn(role, order, volts, at_db, unit, hz, np.broadcast_to(values, hz.size).astype(float).copy())


def test_tables_of_levels() -> None:
    told, sources = single(space="anechoic")
    slope = 0.2 + GRID / 9000
    cases: dict[str, tuple[tuple[LevelColumn, ...], dict[str, Any]]] = {
        "percent": (tuple(column("distortion", slope / n, n) for n in (2, 3, 4, 5)), {}),
        "ratio": (tuple(column("distortion", slope / 100 / n, n, "ratio") for n in (2, 3)), {}),
        "db": (
            (
                column("distortion", -40.0, 2, "dB relative"),
                column("distortion", 40.0, 3, "dB SPL"),
                column("noise", 20.0, 2, "dB SPL"),
                column("noise", 10.0, 0, "dB SPL"),
            ),
            {},
        ),
        "total": ((column("distortion", slope), column("distortion", 2 * slope, volts=8.0)), {}),
        "both": ((column("distortion", slope), column("distortion", slope, 2)), {"distance_m": 2.0}),
        "level": (
            (column("level", 85.0, unit="dB SPL"), column("level", 90.0, unit="dB SPL"), column("distortion", 0.0, 2)),
            {"temperature_c": 30.0},
        ),
        "holes": (
            (
                column("level", np.where(GRID > 500, 85.0, np.nan), unit="dB SPL"),
                column("distortion", np.where(GRID < 2000, 1.0, np.nan), 2),
            ),
            {},
        ),
        "loss": (
            (
                column("compression", 0.5, volts=8.0, unit="dB relative"),
                column("compression", 0.1, volts=4.0, unit="dB relative"),
            ),
            {"distance_m": 2.0},
        ),
        "at": (
            (
                column("distortion", slope, 2, volts=None, at_db=90.0),
                column("distortion", slope, 3, volts=None, at_db=96.0),
            ),
            {},
        ),
        "stated": ((column("distortion", slope, 2, volts=None),), {"drive_v": 5.0}),
        "unstated": ((column("distortion", slope, 2, volts=None),), {}),
        "sixth": ((column("distortion", slope, 6), column("distortion", slope, 2)), {}),
    }
    found = {}
    for name, (columns, more) in cases.items():
        both = session([*(one.model_dump() for one in told.takes), take("level table", "l", **more)], space="anechoic")
        result = outcome(both, {**sources, "l": LevelTable("l", columns, (), ())})
        found[name] = result if isinstance(result, str) else [result[6], result[4], result[5]]
    relative = session([*(one.model_dump() for one in told.takes), take("level table", "l")], level="relative")
    found["relative"] = outcome(relative, {**sources, "l": LevelTable("l", cases["at"][0], (), ())})
    found["not read"] = outcome(both, sources)
    stands("reduce/level_tables", "levels", found)


def multitone(columns: tuple[LevelColumn, ...], **more: Any) -> Any:
    told, sources = single(space="anechoic")
    both = session(
        [*(one.model_dump() for one in told.takes), take("multitone table", "m", drive_v=2.83, crest_db=12.0, **more)],
        space="anechoic",
    )
    response = reduce_responses(told, sources, ReduceSettings()).response
    try:
        return level_tables(both, {"m": LevelTable("m", columns, (), ())}, response, [])[1]
    except InputError as error:
        return str(error)


def test_tables_of_multitones() -> None:
    hz = np.array([50.0, 110.0, 230.0, 500.0, 1100.0])
    tone = column("level", np.array([70.0, 75.0, 80.0, np.nan, 82.0]), unit="dB SPL", hz=hz)
    found: list[Any] = [
        multitone((tone, column("distortion", 1.0, unit="%", hz=hz))),
        multitone(
            (tone, column("distortion", -40.0, unit="dB relative", hz=hz), column("noise", 20.0, unit="dB SPL", hz=hz))
        ),
        multitone((tone, column("distortion", 0.02, unit="ratio", hz=hz), column("noise", 0.001, unit="ratio", hz=hz))),
        multitone((column("distortion", 1.0, hz=hz),)),
        multitone((tone,)),
    ]
    stands("reduce/level_tables", "multitones", found)


@pytest.mark.parametrize("window", ["none", "Hann", "Blackman-Harris"])
def test_tones_in_a_spectrum(window: str) -> None:
    hz = 2.0 + 2.0 * np.arange(900)
    found: list[Any] = []
    for clear_db in (40.0, 12.5, 11.5, 3.0):
        level = np.full(900, 20.0) + np.random.default_rng(7).normal(0, 1, 900)
        for n, at in enumerate((49, 110, 249, 520, 800)):
            for off in range(-2, 3):
                level[at + off] = 80.0 - 3 * n - 8.0 * off**2
        level[300] = 80.0 - clear_db
        level[860] = 45.0
        spectrum = column("level", level, unit="dB SPL", hz=hz)
        for tones in (5, 6, 4):
            found.append(multitone((spectrum,), window=window, tones=tones))
    low = level.copy()
    low[700:] = 20.0
    # Two tones two lines apart, and sound above the last.
    low[522], low[600:640:3] = 79.0, 30.0
    found += [multitone((column("level", low, unit="dB SPL", hz=hz),), window=window, tones=tones) for tones in (4, 5)]
    found += [multitone((spectrum,), window=window), multitone((spectrum,), tones=5)]
    uneven = hz * (1 + 1e-4 * np.arange(900))
    found.append(multitone((column("level", level, unit="dB SPL", hz=uneven),), window=window, tones=5))
    edge = np.full(900, 10.0)
    edge[[0, 899]] = 70.0
    found.append(multitone((column("level", edge, unit="dB SPL", hz=hz),), window=window, tones=2))
    found.append(
        multitone((column("level", np.full(900, -np.inf), unit="dB SPL", hz=hz),), window=window, tones=2)
        if window == "x"
        else None
    )
    stands("reduce/level_tables", f"tones {window}", found)


def test_small_parts() -> None:
    facts = [
        ResponseFacts(),
        ResponseFacts(gate_ms=5.0),
        ResponseFacts(lowest_hz=100.0, highest_hz=900.0),
        ResponseFacts(space="anechoic", gate_ms=50.0),
    ]
    one = part(2)
    gates = [
        responses._gate(fact, whole, AXIS)
        for fact in facts
        for whole in (one, replace(one, known=np.zeros((2, AXIS.size), bool)))
    ]
    inside = [responses._within(fact, gate, AXIS) for fact in facts for gate in gates[:3]]
    causes = [
        responses._causes(fact, AXIS, np.array(stated))
        for fact in (ResponseFacts(), ResponseFacts(u_db=0.4))
        for stated in ([False, False], [True, False], [True, True])
    ]
    coarse = [
        responses._facts_flags(ResponseFacts(space="anechoic"), replace(one, u_db=np.full((2, AXIS.size), u)), AXIS)
        for u in (0.1, 0.29, 0.31, 0.5)
    ]
    kinds = []
    for phase in ("none", "one time reference", "each direction its own", "unknown"):
        for whole in (one, part(2, phase=False)):
            flags: list[Any] = []
            kinds.append([responses._phase_kind(ResponseFacts(phase=phase), whole, flags), flags])
    lines = [responses._budget_lines(one, 0, stated=stated) for stated in (True, False)]
    stands(
        "reduce/response_parts",
        "small parts",
        [
            gates,
            inside,
            causes,
            coarse,
            kinds,
            lines,
            responses._pressure(one, one.known),
            responses._pressure(part(2, phase=False), one.known),
        ],
    )
    with pytest.raises(InputError, match="holds no responses"):
        reduce_responses(session([take("level table", "l")]), {}, ReduceSettings())


def test_a_file_that_is_not_there() -> None:
    told = session([take("response", "r", orbit="horizontal", angle_deg=0.0)])
    (asked,) = told.takes_of(ResponseTake)
    with pytest.raises(InputError, match="was not read"):
        drawn(Drawing(told, ResponseFacts(), AXIS, []), asked, None)
