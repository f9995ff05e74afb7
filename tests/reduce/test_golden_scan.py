"""Scans from pressures to a response, with what is doubted of them: frozen values over small invented scans.

The values are the program's own ("frozen"). Closed cases: gain and delay of a visit, straight lines over the logarithm
of frequency, cubics through cubics.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from earwitness.errors import InputError
from earwitness.formats.audio import Recording
from earwitness.formats.correction_file import parse_correction
from earwitness.formats.scan_pressures import ScanPressures
from earwitness.quantities import FrequencyAxis, Gate
from earwitness.reduce import scan as scans
from earwitness.reduce import scan_doubt, scan_measurement
from earwitness.reduce.plan import ReduceSettings, lineage_of
from earwitness.reduce.scan import at_point, highest_separable_hz, on_axis, solve_scan
from earwitness.reduce.scan_doubt import causes_of, disagreement, doubted, tolerances_of
from earwitness.reduce.scan_gather import ScanData
from earwitness.reduce.scan_measurement import (
    _Between,
    data_of_pressures,
    on_report_axis,
    reduce_scan_session,
    scan_field,
)
from earwitness.reduce.separate import nuisance, solve
from earwitness.reduce.separate.field import Part, SeparatedField, Shell
from earwitness.reduce.separate.rig import rig_of, unknowns_of
from earwitness.reduce.separate.robust import BadPoint
from earwitness.reduce.separate.separation import Quality, Separation
from earwitness.session.responses import ScanPressuresTake, ScanSetup
from earwitness.session.session import Session
from golden_values import stands

C = 343.0
SPEAKER: Any = SimpleNamespace(width_m=0.1, height_m=0.14, depth_m=0.12)
CABINET = (0.1, 0.14, 0.12)
MIDDLE = np.array([-0.06, 0.0, 0.0])
HZ = np.array([60.0, 100.0, 170.0, 280.0, 400.0, 550.0, 800.0])
AXIS = FrequencyAxis(np.concatenate([[30.0], HZ, [2000.0]]))
ROWS = np.arange(1, 8)
GATE = Gate(-1e-3, 4e-3, 1.6e-3, 4.2e-3, "room dimensions", 300.0)


@pytest.fixture(autouse=True)
def _on_the_processor(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(solve, "accelerator", lambda: None)
    monkeypatch.setattr("os.cpu_count", lambda: 64)


@cache
def rings(rings: int = 6, azimuths: int = 11) -> NDArray[Any]:
    """Two nested surfaces of rings about the middle of the cabinet."""
    z, azimuth = np.polynomial.legendre.leggauss(rings)[0], 2 * np.pi * np.arange(azimuths) / azimuths
    flat = np.sqrt(1 - z**2)
    one = np.stack(
        [np.outer(flat, np.cos(azimuth)), np.outer(flat, np.sin(azimuth)), np.outer(z, np.ones(azimuths))], axis=-1
    )
    return np.asarray(np.concatenate([radius * one.reshape(-1, 3) for radius in (0.3, 0.35)]) + MIDDLE)


def heard(points: NDArray[Any], hz: NDArray[Any], *, room: float = 1.0, seed: int = 1) -> NDArray[Any]:
    k = 2 * np.pi * hz / C
    places = np.array([[-0.02, 0.0, 0.03], [-0.02, 0.01, -0.03], [2.0, 0.3, 0.5], [-2.2, 1.0, 0.1], [0.2, 2.4, -1.0]])
    sizes = np.array([1.0, 0.5j, room, 0.7 * room, -room])
    total = np.zeros((len(points), hz.size), dtype=complex)
    for place, size in zip(places, sizes, strict=True):
        away = np.linalg.norm(points - place, axis=1)[:, None]
        total += size * np.exp(-1j * k * away) / away
    rng = np.random.default_rng(seed)
    return np.asarray(total + 0.003 * (rng.normal(size=total.shape) + 1j * rng.normal(size=total.shape)))


def data(**changes: Any) -> ScanData:
    points = rings()
    count = len(points)
    told = {
        "axis": AXIS,
        "rows": ROWS,
        "points_m": points,
        "surfaces": ("inner",) * (count // 2) + ("outer",) * (count // 2),
        "ids": tuple(f"p{n}" for n in range(count)),
        "whole": heard(points, HZ),
        "gated": None,
        "gate": None,
        "gate_u_db": np.zeros(7),
        "noise_rms": np.full(7, 0.003),
        "speed_m_s": C,
    }
    return ScanData(**{**told, **changes})


def with_gate(**changes: Any) -> ScanData:
    return data(gated=heard(rings(), HZ, room=0.0, seed=2), gate=GATE, gate_u_db=np.linspace(0.5, 0.05, 7), **changes)


SETUP = ScanSetup(body="sphere", sphere_radius_m=0.07, body_center_m=(-0.06, 0.0, 0.0))


def brief(one: scans.ScanResult) -> list[Any]:
    answer, quality = one.response, one.separation.quality
    return [
        np.abs(answer.pressure),
        answer.u_db,
        answer.valid,
        answer.distance_m,
        answer.absolute,
        answer.u_total_db(),
        len(answer.causes),
        [
            quality.u_db,
            quality.valid,
            quality.residual_db,
            quality.order_out,
            quality.order_in,
            quality.scattered_db,
            quality.leave_out_db,
        ],
        one.joint_hz,
        one.snr_db[0],
        one.sentence,
        one.flags,
        one.separation.valid_band_hz,
        one.separation.bad_points,
        one.separation.body,
        one.data.speed_m_s,
        one.data.points_m,
    ]


def late(points: NDArray[Any], hz: NDArray[Any], kind: str) -> NDArray[Any]:
    whole = heard(points, hz)
    outer = np.arange(len(points)) >= len(points) // 2
    if kind == "gain":
        whole[outer] *= 10 ** (1.5 / 20)
    elif kind == "moved":
        whole *= 1 + 0.6 * np.sin(np.linspace(0, 40, len(points)))[:, None]
    elif kind == "alike":
        whole *= 1 + 0.8 * np.sin(points @ [9.0, 7.0, 4.0])[:, None]
    return whole


CASES: dict[str, tuple[dict[str, Any], Any]] = {
    "plain": ({}, SETUP),
    "unplaced": ({}, ScanSetup(body="sphere")),
    "assumed": ({}, ScanSetup()),
    "none": ({}, ScanSetup(body="none")),
    "ball": ({}, ScanSetup(body="sphere", sphere_radius_m=0.06)),
    "gain": ({"whole": late(rings(), HZ, "gain")}, SETUP),
    "moved": ({"whole": late(rings(), HZ, "moved")}, SETUP),
    "alike": ({"whole": late(rings(), HZ, "alike")}, SETUP),
    "no noise": ({"noise_rms": np.where(np.arange(7) == 3, 0.0, 0.01), "absolute": False}, SETUP),
    "clipped": ({"clipped": ("p3", "p7")}, SETUP),
}


@pytest.mark.parametrize("name", list(CASES))
def test_whole_scans(name: str) -> None:
    changes, setup = CASES[name]
    found = solve_scan(data(**changes), SPEAKER, setup, lineage=("a",))
    stands("reduce/scan", f"whole {name}", brief(found), relative=1e-3, near_zero=1e-6)


@pytest.mark.parametrize("name", ["both", "gate alone", "aside", "moved", "disagree"])
def test_gated_scans(name: str) -> None:
    one: Any = with_gate()
    setup = SETUP
    if name == "gate alone":
        points = rings(8, 11)[:88]
        free = heard(points, HZ, room=0.0)
        one = replace(one, points_m=points, whole=heard(points, HZ), gated=free, ids=("a",) * 88, surfaces=("",) * 88)
    elif name == "aside":
        # One surface about a middle half a meter behind: from elsewhere it would seem deep.
        points = rings(8, 11)[:88]
        free = heard(points, HZ, room=0.0)
        one = replace(
            one, points_m=points - np.array([0.44, 0.0, 0.0]), whole=heard(points, HZ), gated=free, ids=("a",) * 88
        )
        one = replace(one, surfaces=("",) * 88)
        setup = ScanSetup(body="sphere", sphere_radius_m=0.07, body_center_m=(-0.5, 0.0, 0.0))
    elif name == "moved":
        one = replace(one, whole=late(rings(), HZ, "moved"))
    elif name == "disagree":
        one = replace(one, gated=1.6 * one.gated)
    found = solve_scan(one, SPEAKER, setup)
    share = scans._gated_share(found.separation, None, found.separation)
    stands("reduce/scan", f"gated {name}", [*brief(found), share], relative=1e-3, near_zero=1e-6)


def test_scans_that_cannot_be_solved() -> None:
    free = replace(with_gate(holds_room=False), gated=None)
    with pytest.raises(InputError):
        solve_scan(free, SPEAKER, SETUP)
    late_gate = replace(with_gate(), gate=replace(GATE, lowest_valid_hz=5000.0), holds_room=False)
    with pytest.raises(InputError):
        solve_scan(late_gate, SPEAKER, SETUP)


def test_tolerances_that_are_stated() -> None:
    stated: dict[str, Any] = {
        "gain_u_db": 0.5,
        "drift_u_db": 0.6,
        "clock_drift_us": 30.0,
        "radius_u_m": 0.003,
        "place_u_m": 0.004,
        "temperature_u_c": 2.0,
    }
    stands(
        "reduce/scan",
        "tolerances",
        [
            tolerances_of(ScanSetup()),
            tolerances_of(ScanSetup(**stated)),
            [tolerances_of(ScanSetup(**{key: value})) for key, value in stated.items()],
        ],
    )


def test_gain_and_delay_of_visits() -> None:
    hz = np.array([100.0, 200.0, 400.0, 800.0])
    gain, delay = np.array([0.0, 0.3, -0.5]), np.array([0.0, 2e-5, -7e-5])
    one = np.array([1.0, 0.5j, -2.0, 1 + 1j])
    pressure = one * 10 ** (gain[:, None] / 20) * np.exp(-2j * np.pi * hz * delay[:, None])
    found = scan_doubt._read(pressure, hz, np.array([0.0, 0.5, 1.0]))
    assert found.gain_db == pytest.approx(gain, abs=1e-9)
    assert found.delay_s == pytest.approx(delay, abs=1e-12)
    assert found.u_gain_db == pytest.approx(0.02)
    assert found.u_delay_s == pytest.approx(1e-6)
    rough = pressure * np.exp(0.05 * np.random.default_rng(3).normal(size=(3, 4)))
    turned = rough * np.exp(0.1j * np.random.default_rng(4).normal(size=(3, 4)))
    stands(
        "reduce/scan",
        "visits",
        [scan_doubt._read(rough, hz, np.arange(3.0)), scan_doubt._read(turned, hz, np.arange(3.0))],
    )


def revisited(times: int = 5, *, name: str = "reference") -> ScanData:
    one = data()
    places = np.concatenate([one.points_m, np.tile([[0.4, 0.1, 0.0]], (times, 1))])
    drift = 1 + 0.02 * np.arange(times)[:, None]
    whole = np.concatenate([one.whole, heard(places[-1:], HZ) * drift])
    return replace(
        one,
        points_m=places,
        whole=whole,
        surfaces=(*one.surfaces, *(name,) * times),
        ids=(*one.ids, *(f"r{n}" for n in range(times))),
    )


def test_places_that_were_visited_again() -> None:
    found: list[Any] = []
    for one in (
        revisited(),
        revisited(2),
        revisited(name="other"),
        replace(revisited(), time=np.linspace(1, 0, 137)),
        data(),
    ):
        readings, rest = scan_doubt._revisits(one, MIDDLE)
        found.append([readings, len(rest.points_m), rest.time, rest.ids[-1]])
    again = data()
    places = again.points_m.copy()
    places[5] = places[3] + [0.0, 0.0, 0.9e-3]
    places[9], places[12, 1] = places[3] + [0.0, 0.0, 1.1e-3], np.nan
    readings, rest = scan_doubt._revisits(replace(again, points_m=places), MIDDLE)
    found.append([readings, len(rest.points_m)])
    few = replace(revisited(), axis=FrequencyAxis(AXIS.hz * 30))
    readings, rest = scan_doubt._revisits(few, MIDDLE)
    found.append([readings, len(rest.points_m)])
    stands("reduce/scan", "revisits", found)


def test_a_microphone_that_stayed() -> None:
    count = len(rings())
    drift = 10 ** (np.linspace(0, 1.0, count)[:, None] / 20) * np.exp(
        -2j * np.pi * HZ * np.linspace(0, 5e-5, count)[:, None]
    )
    one = with_gate(monitor=np.ones((count, 7)) * drift * np.array([1, 2, 1j, 1, 1, -1, 1]))
    found = scan_doubt._steadied(one)
    none = scan_doubt._steadied(replace(one, axis=FrequencyAxis(AXIS.hz * 40)))
    alone = scan_doubt._steadied(replace(one, gated=None, gate=None))
    stands(
        "reduce/scan",
        "monitor",
        [
            found.whole / one.whole,
            found.gated,
            none.monitor,
            none.whole,
            alone.gated,
            scan_doubt._steadied(data()).whole,
        ],
    )
    asked: Any = doubted(one, SETUP, CABINET, MIDDLE)
    stated: Any = doubted(one, ScanSetup(drift_u_db=0.3), CABINET, MIDDLE)
    stands(
        "reduce/scan",
        "monitored",
        [
            [[one.kind, one.size] for one in found.found.unknowns if "drift" in one.kind][:2]
            for found in (asked, stated)
        ],
    )


def test_frequencies_that_are_read() -> None:
    found: list[Any] = []
    for hz in ([79.9, 80.0, 1600.0, 1601.0], [79.9, 90.0, 1700.0], [88.5, 1500.0], [81.0, 1650.0], [1.0, 2.0]):
        one = replace(data(), axis=FrequencyAxis(np.array(hz)), rows=np.arange(len(hz)))
        found.append(scan_doubt._read_rows(one))
    stands("reduce/scan", "read rows", [found, [scan_doubt._spread(HZ, most) for most in (1, 2, 3, 7, 20)]])


def asked_of(one: ScanData) -> Any:
    rows = np.arange(len(one.points_m))
    return scan_doubt._Asked(one, solve.scan_about(one.points_m, MIDDLE), rows, CABINET, MIDDLE)


def test_frequencies_that_tell() -> None:
    found: list[Any] = []
    for factor in (0.4, 0.63, 0.65, 1.0, 3.0, 5.0):
        one = with_gate(axis=FrequencyAxis(AXIS.hz * factor))
        asked = asked_of(one)
        found.append(
            [
                scan_doubt._whole_rows(asked),
                scan_doubt._direct_rows(asked, CABINET),
                scan_doubt._direct_rows(asked, (0.02, 0.02, 0.02)),
                scan_doubt._direct_rows(asked_of(replace(one, gate=None)), CABINET),
            ]
        )
        sounds, good = scan_doubt._sounds(asked, np.array([1, 3]), np.array([5]))
        found.append(
            [[one.k, one.order_out, one.order_in, one.noise_rms, one.pressure.shape] for one in sounds] + [good.sum()]
        )
    low = asked_of(replace(data(), axis=FrequencyAxis(AXIS.hz / 40)))
    found.append(scan_doubt._whole_rows(low))
    stands("reduce/scan", "telling rows", found)


@pytest.mark.parametrize(
    "name", ["plain", "gain", "moved", "alike", "gated", "turns", "one surface", "few", "revisits"]
)
def test_what_a_scan_says_of_itself(name: str) -> None:
    one = with_gate() if name in ("gated", "moved") else data()
    setup = SETUP
    if name in ("gain", "moved", "alike"):
        one = replace(one, whole=late(rings(), HZ, name))
    if name == "turns":
        one = replace(one, time=np.random.default_rng(5).uniform(size=132), impulse=np.ones(4))
    if name == "one surface":
        one = replace(one, points_m=one.points_m[:66], whole=one.whole[:66], surfaces=("",) * 66, ids=one.ids[:66])
    if name == "few":
        one = replace(one, axis=FrequencyAxis(AXIS.hz * 20))
    if name == "revisits":
        one = revisited(7)
    found = doubted(one, setup, CABINET, MIDDLE)
    told = (
        None
        if found.found is None
        else [
            found.found.theta,
            found.found.covariance.diagonal(),
            found.found.ratio,
            found.found.wide,
            found.found.told,
        ]
    )
    pulls = [
        None
        if one is None
        else [one.k, np.sqrt(np.sum(one.rig_db**2, axis=0)), np.sum(one.pattern**2, axis=0), np.abs(one.unexplained)]
        for one in (found.whole, found.direct)
    ]
    stands(
        "reduce/scan",
        f"doubt {name}",
        [told, pulls, found.flags, found.moved, found.data.points_m, found.data.whole, found.data.speed_m_s],
        relative=1e-3,
        near_zero=1e-6,
    )


def test_what_is_taken_off() -> None:
    one = with_gate()
    asked = asked_of(one)
    own = rig_of(one.points_m, one.surfaces, np.linspace(0, 1, 132), MIDDLE)
    told = unknowns_of(own, tolerances_of(SETUP))
    place = scan_doubt._Placed(own, own, asked.scan.points_m, np.arange(132), [0, 1, 2])
    found: list[Any] = []
    for kind in ("gain", "clock", "radius", "speed", "shift", "tilt", "gain drift", None):
        theta = np.array([2.0 * (unknown.kind == kind) for unknown in told])
        one_found = nuisance.Nuisance(own, told, theta, np.eye(len(told)), np.zeros(0), np.ones(len(told)), ())
        fixed, after = scan_doubt._corrected(one, place, one_found, asked)
        found.append([kind, fixed.points_m, fixed.whole, fixed.gated, fixed.speed_m_s, after.scan.points_m])
        bare, _after = scan_doubt._corrected(
            replace(one, gated=None, holds_room=kind != "shift"),
            place,
            one_found,
            replace(asked, data=replace(one, holds_room=kind != "shift")),
        )
        found.append([bare.whole, bare.gated])
    stands("reduce/scan", "taken off", found, relative=1e-4)
    turned = np.roll(np.eye(3), 1, axis=0)
    axes = [1, 2, 0]
    tilted = replace(place, axes=axes, every=replace(own, normal=own.normal[:, axes]))
    theta = np.array([2.0 * (unknown.kind in ("radius", "shift")) for unknown in told])
    fixed, _after = scan_doubt._corrected(one, tilted, replace(one_found, theta=theta), asked)
    stands("reduce/scan", "taken off turned", [fixed.points_m, fixed.whole, turned[0]], relative=1e-4)


def test_flags_of_doubt() -> None:
    found: list[Any] = []
    cases: Any = (SimpleNamespace(told=()), SimpleNamespace(told=("a", "b")))
    for told in cases:
        for ratio in (0.0, 2.9, 3.0, 3.1, 3.4, 11.9, 12.0, 12.1, 14.0):
            for alike in (0.0, 0.249, 0.25, 0.251, 0.28, 0.9):
                found.append(
                    [[one.id, one.number, one.threshold, one.sentence] for one in scan_doubt._flags(told, ratio, alike)]
                    if alike in (0.0, 0.251) or ratio == 12.1
                    else None
                )
    stands("reduce/scan", "doubt flags", found)


def pulls(seed: int, k: NDArray[Any], looks: int = 70) -> nuisance.Pulls:
    rng = np.random.default_rng(seed)
    return nuisance.Pulls(
        k,
        0.1 * rng.normal(size=(5, looks, k.size)),
        0.3 * rng.normal(size=(2, looks, k.size)),
        np.zeros((1, k.size), complex),
    )


def test_causes_that_move_directions_together() -> None:
    k = 2 * np.pi * np.array([60.0, 300.0, 900.0]) / C
    u, share = np.full((70, 9), 0.2), np.linspace(0, 1, 9)
    found: list[Any] = []
    for whole, direct in ((pulls(1, k), None), (None, pulls(2, k[1:])), (pulls(1, k), pulls(2, k[1:])), (None, None)):
        one: Any = SimpleNamespace(whole=whole, direct=direct, data=SimpleNamespace(speed_m_s=C))
        causes, left = causes_of(one, AXIS, u, share)
        found.append([[f"{c.name}, {c.part}, {c.source}" for c in causes], [np.abs(c.pull_db) for c in causes], left])
    stands("reduce/scan", "causes", found, relative=1e-4)


def field_of(seed: int, *, size: float = 1.0, valid: NDArray[Any] | None = None) -> Any:
    rng = np.random.default_rng(seed)
    outgoing = np.asarray(rng.normal(size=(9, 4)) * [3.0, 1.0, 1.0, 1.0], dtype=complex)
    part = Part(
        rows=np.arange(9),
        weight=np.ones(9),
        center_m=np.zeros(3),
        axes=(0, 1, 2),
        shell=Shell(0.1, 0.35, 0.7),
        inner_radius_m=0.1,
        outgoing=np.asarray(size * outgoing, dtype=complex),
        order=np.ones(9, int),
        directions=np.array([1.0, 0.0, -1.0]),
        variance=np.full((3, 9), 1e-4),
        remainder=None,
    )
    there = np.ones(9, bool) if valid is None else valid
    return SimpleNamespace(
        field=SeparatedField(AXIS, C, np.zeros(3), (part,), there), quality=SimpleNamespace(valid=there)
    )


def test_how_far_both_kinds_of_sound_lie_apart() -> None:
    k = 2 * np.pi * np.array([60.0, 300.0, 900.0]) / C
    found: list[Any] = []
    for size in (1.0, 1.02, 1.3, 0.7):
        for direct in (None, pulls(2, k)):
            one: Any = SimpleNamespace(whole=pulls(1, k), direct=direct, data=SimpleNamespace(speed_m_s=C))
            for both in (1, 2, 3, 9):
                low, high = field_of(1), field_of(1, size=size, valid=np.arange(9) >= 9 - both)
                found.append(disagreement(one, low, high, np.linspace(0.0, 0.5, 9)))
    found.append(disagreement(one, field_of(1), field_of(2), np.linspace(0.0, 0.5, 9)))
    stands("reduce/scan", "disagreement", found)


def quality(valid: NDArray[Any], u: float = 0.1) -> Quality:
    count = valid.size
    names = ("residual_db", "leave_out_db", "condition", "tail_db", "settled", "gcv_db", "scattered_db")
    return Quality(
        **{name: np.linspace(-30.0, -10.0, count) for name in names},
        order_out=np.arange(count),
        order_in=np.arange(count) - 1,
        u_db=np.full(count, u),
        resolved=valid,
        valid=valid,
    )


def separation(
    valid: NDArray[Any], *, bad: int = 0, body: Any = "box", weights: tuple[float, ...] = (1.0,), u: float = 0.1
) -> Separation:
    one = field_of(1).field
    rows = np.arange(valid.size)
    parts = tuple(
        replace(
            one.parts[0],
            rows=rows,
            weight=np.full(valid.size, weight),
            outgoing=one.parts[0].outgoing[: valid.size],
            order=one.parts[0].order[: valid.size],
            variance=one.parts[0].variance[:, : valid.size],
        )
        for weight in weights
    )
    field = replace(one, parts=parts, valid=valid, axis=FrequencyAxis(AXIS.hz[: valid.size]))
    return Separation(
        field, quality(valid, u), "rings", body, tuple(BadPoint(n, f"reason {n % 2}") for n in range(bad)), (), None
    )


def test_results_on_a_wider_axis() -> None:
    found: list[Any] = [
        on_axis(separation(np.array([True, False, True])), AXIS, rows)
        for rows in (np.array([1, 4, 8]), np.array([0, 1, 2]))
    ]
    stands("reduce/scan", "on axis", found)


def test_shares_flags_and_sentences() -> None:
    every = np.ones(9, dtype=bool)
    low, high, both = (
        separation(every),
        separation(every, weights=(0.3, 0.4)),
        separation(every, weights=(0.6, 0.4, 0.9)),
    )
    found: list[Any] = [
        scans._gated_share(*them)
        for them in ((both, low, high), (low, low, high), (high, low, high), (high, None, high), (low, low, None))
    ]
    flags: list[Any] = []
    for bad in (0, 1, 4):
        for one, lower in (
            (separation(every, bad=bad), low),
            (separation(np.arange(9) > 3, bad=bad, body="none"), low),
            (separation(every, bad=bad, body="none"), None),
        ):
            for room in (True, False):
                flags.append(scans._flags(data(clipped=("p1",) if bad else (), holds_room=room), one, lower))
    words: list[Any] = []
    for one in (
        separation(every),
        separation(every, bad=2, body="sphere", u=0.004),
        separation(every, body="none"),
        separation(~every),
    ):
        for them in (
            data(),
            with_gate(),
            with_gate(holds_room=False),
            replace(with_gate(holds_room=False), gate=replace(GATE, reflection_s=None)),
        ):
            words += [scans._sentence(them, one, joint) for joint in (None, 437.0)]
    near = [
        scans._sentence(
            replace(data(), axis=FrequencyAxis(np.array([50.0 * 2**step, 400.0]))), separation(np.ones(2, bool)), None
        )
        for step in (0.0, 0.16, 0.17, 0.2, -0.16, -0.17)
    ]
    stands("reduce/scan", "shares", [found, flags, words, near])


def test_signal_and_noise() -> None:
    one = data(noise_rms=np.array([0.0, 1e-9, 1e-3, 0.1, 1.0, 10.0, 1e3]))
    stands("reduce/scan", "noise", [scans._snr_db(one, 3), scans._reach(one)])
    assert scans._snr_db(one, 2)[0, 1] == pytest.approx(30.0)


def test_highest_frequency_by_the_points() -> None:
    found: list[Any] = [
        highest_separable_hz(points, MIDDLE, C)
        for points in (rings(), rings(3, 5), rings() * [1.0, 1.1, 1.0], rings(9, 20), rings(3, 5) * [1.0, 1.1, 1.0])
    ]
    stands("reduce/scan", "highest", found)


def test_bodies_that_are_stated() -> None:
    setups = [
        ScanSetup(),
        ScanSetup(body="box"),
        ScanSetup(body_center_m=(0.0, 0.0, 0.0)),
        ScanSetup(body="sphere", body_center_m=(0.0, 0.0, 0.0)),
    ]
    stands("reduce/scan", "bodies", [scans._body_doubt(setup) for setup in setups])


def test_at_a_point() -> None:
    one = field_of(3).field
    found: list[Any] = [
        at_point(replace(one, reference_m=np.array([0.1, 0.02, -0.1])), *where)
        for where in ((1.0, 0.0, 0.0), (0.7, 40.0, 20.0), (2.0, -120.0, -70.0))
    ]
    stands("reduce/scan", "at a point", found)


# Scans that come as pressures.


def take(**keys: Any) -> ScanPressuresTake:
    return ScanPressuresTake.model_validate(
        {"kind": "scan pressures", "id": "a", "file": "a.csv", "sha256": "0" * 64, **keys}
    )


def test_what_pressures_hold() -> None:
    held = ScanPressures(rings(), HZ, heard(rings(), HZ))
    found: list[Any] = []
    for told in (None, take(), take(sound="gated", lowest_valid_hz=250.0), take(sound="free field")):
        for anechoic in (True, False):
            one = data_of_pressures(held, C, take=told, anechoic=anechoic)
            found.append(
                [
                    one.gate,
                    one.gate_u_db,
                    one.holds_room,
                    one.latency_s,
                    one.absolute,
                    one.impulse_rate_hz,
                    one.impulse_onset_s,
                    one.gated is None,
                    one.ids[-1],
                    one.rows,
                    one.noise_rms,
                ]
            )
    stands("reduce/scan_pressures", "held", found)


@pytest.mark.parametrize("count", [1, 2, 3, 4, 5, 6, 12])
def test_drawing_between(count: int) -> None:
    rng = np.random.default_rng(6)
    hz = 50.0 * 2.0 ** (np.arange(count) / 2)
    to = np.concatenate(
        [
            [20.0, 50.0 * (1 - 2e-9), 50.0 * (1 - 5e-10)],
            np.geomspace(50.0, hz[-1], 13),
            [hz[-1] * (1 + 5e-10), hz[-1] * (1 + 2e-9), hz[-1] * 2],
        ]
    )
    between = _Between(hz, to)
    pressure = np.exp(rng.normal(size=(3, count)) + 1j * np.cumsum(rng.uniform(0.5, 3.1, (3, count)), axis=1))
    valid = rng.uniform(size=(3, count)) > 0.3
    found: list[Any] = [
        between.rows,
        between.next,
        between.share,
        between.inside,
        between.straight(pressure.real),
        between.both(valid),
        between.pressures(pressure),
    ]
    found += [scan_measurement._table_error(np.log(hz), np.log(np.abs(pressure))), between.cubic(pressure.imag)]
    stands("reduce/scan_pressures", f"between {count}", found)


def test_steps_near_half_a_turn_are_doubted() -> None:
    hz = 50.0 * 2.0 ** (np.arange(6) / 2)
    to = np.geomspace(50.0, hz[-1], 21)
    found: list[Any] = []
    for step in (2.2, 2.45, 2.49, 2.51, 2.6, 3.0):
        pressure = np.exp(np.array([[0.0, 0.5, 0.1, 0.7, 0.2, 0.9]]) + 1j * step * np.arange(6))
        found.append(_Between(hz, to).pressures(pressure)[1])
    stands("reduce/scan_pressures", "steps", found)


def test_the_larger_of_two() -> None:
    found = scan_measurement._larger(np.array([1.0, -3.0, 2.0, -2.0]), np.array([-2.0, 1.0, 2.0, 2.0]))
    assert found.tolist() == [-2.0, -3.0, 2.0, -2.0]


def test_fields_on_another_axis() -> None:
    hz = np.array([100.0, 200.0, 400.0, 800.0])
    rng = np.random.default_rng(7)
    parts = []
    for rows, weight in ((np.array([0, 1, 2]), [1.0, 1.0, 0.4]), (np.array([2, 3]), [0.6, 1.0])):
        count = rows.size
        parts.append(
            Part(
                rows=rows,
                weight=np.array(weight),
                center_m=np.zeros(3),
                axes=(0, 1, 2),
                shell=Shell(0.1, 0.3, 0.6),
                inner_radius_m=0.1,
                outgoing=np.asarray(rng.normal(size=(count, 4)) + 1j, dtype=complex),
                order=rows,
                directions=np.eye(3),
                variance=rng.uniform(size=(3, count)),
                remainder=np.asarray(rng.normal(size=(count, 4)), dtype=complex),
            )
        )
    field = SeparatedField(FrequencyAxis(hz), C, np.zeros(3), tuple(parts), np.array([True, True, False, True]))
    to = np.array([50.0, 100.0, 140.0, 200.0, 250.0, 350.0, 400.0, 600.0, 800.0, 900.0])
    between = _Between(hz, to)
    ahead, drawn = np.array([1.0, 0.0, 2j, 1 + 1j]), np.asarray(rng.normal(size=10) + 1j, dtype=complex)
    found = scan_measurement._field_on(field, FrequencyAxis(to), between, ahead, drawn)
    beyond = np.array([900.0, 1000.0])
    none = scan_measurement._field_on(field, FrequencyAxis(beyond), _Between(hz, beyond), ahead, drawn[:2])
    stands("reduce/scan_pressures", "fields", [found, len(none.parts)])


@cache
def solved() -> scans.ScanResult:
    return solve_scan(with_gate(), SPEAKER, SETUP)


def test_results_on_the_report_axis() -> None:
    one = solved()
    drawn = on_report_axis(one)
    stands(
        "reduce/scan_pressures",
        "report axis",
        [*brief(drawn), [[part.rows, part.weight, part.outgoing] for part in drawn.separation.field.parts]],
        relative=1e-3,
        near_zero=1e-6,
    )


def test_impulses_and_readings() -> None:
    one = solved()
    impulse = np.random.default_rng(8).normal(size=300)
    with_impulse = replace(one, data=replace(one.data, impulse=impulse, impulse_rate_hz=48_000.0, impulse_onset_s=2e-3))
    ungated = replace(one, data=replace(one.data, impulse=impulse, gate=None))
    found: list[Any] = [scan_measurement._impulse(case, GATE) for case in (with_impulse, ungated, one)]
    reading = scan_measurement._reading(one)
    again = scan_field(reading, one.response.axis)
    stands(
        "reduce/scan_pressures",
        "readings",
        [found, reading, [[part.shell, part.inner_radius_m, part.rows] for part in again.parts]],
        relative=1e-3,
        near_zero=1e-6,
    )
    shares = [
        replace(part, weight=np.where(part.rows % 2 == 0, part.weight, 0.0)) for part in one.separation.field.parts
    ]
    silent = [replace(part, weight=0 * part.weight) for part in shares]
    thinned = replace(
        one, separation=replace(one.separation, field=replace(one.separation.field, parts=(*shares, *silent)))
    )
    stands(
        "reduce/scan_pressures",
        "thinned",
        [[part.rows, part.weight, part.order] for part in scan_measurement._reading(thinned).parts],
        relative=1e-3,
    )


def session(**changes: Any) -> Session:
    told = {
        "format": 1,
        "date": "2026-11-01",
        "loudspeaker": {
            "name": "One",
            "maker": "Nobody",
            "type": "stand-mount",
            "enclosure": "closed",
            "invented": True,
            "width_m": 0.1,
            "height_m": 0.14,
            "depth_m": 0.12,
            "reference_axis": "x",
        },
        "microphone": {"sensitivity_fs_per_pa": 0.1},
        "drive": {"voltage_v": 2.83},
        "stimulus": {"kind": "sweep", "start_hz": 10.0, "stop_hz": 22_000.0, "duration_s": 1.0},
        "takes": [{"kind": "scan pressures", "id": "a", "file": "a.csv", "sha256": "0" * 64}],
        **changes,
    }
    return Session.model_validate(told)


def of_measurement(one: Any) -> list[Any]:
    return [
        np.abs(one.response.pressure),
        one.response.valid,
        one.response.u_total_db(),
        len(one.response.causes),
        one.snr_db[0],
        one.gate,
        one.impulse,
        one.impulse_rate_hz,
        one.impulse_onset_s,
        one.budget,
        one.flags,
        one.kept_takes,
        one.scan.sentence,
        one.scan.joint_hz,
        one.scan.points,
        one.scan.points_left_out,
        one.harmonics,
        one.splice,
    ]


def unread(_name: str) -> Any:
    raise AssertionError


SPHERE = {"body": "sphere", "sphere_radius_m": 0.07, "body_center_m": (-0.06, 0.0, 0.0)}
SESSIONS: dict[str, dict[str, Any]] = {
    "room": {"scan": SPHERE},
    "unplaced": {"environment": {"temperature_c": 25.0}, "scan": {"body": "none"}},
    "free": {"environment": {"anechoic": True}, "scan": SPHERE},
}


@pytest.mark.parametrize("name", list(SESSIONS))
def test_sessions_of_pressures(name: str) -> None:
    held = ScanPressures(rings(), HZ, heard(rings(), HZ, room=float(name != "free")))
    found = reduce_scan_session(session(**SESSIONS[name]), unread, ReduceSettings(), pressures=held)
    stands("reduce/scan_pressures", f"session {name}", of_measurement(found), relative=1e-3, near_zero=1e-6)


def test_sessions_of_recordings(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[Any] = []

    def reduced(*given: Any, **more: Any) -> scans.ScanResult:
        told.append([len(given[1]), given[2], sorted(more), more["lineage"] != ()])
        # On the axis of the report, as recordings give it.
        return on_report_axis(solved())

    monkeypatch.setattr(scan_measurement, "reduce_scan", reduced)
    points = [
        {"kind": "scan", "id": f"p{n}", "file": f"p{n}.wav", "sha256": "0" * 64, "position_m": (0.3, 0.0, 0.1 * n)}
        for n in range(3)
    ]
    one = session(takes=points, scan=SPHERE)

    def read(_name: str) -> Recording:
        return Recording(np.zeros((1, 9)), 44_100, "DOUBLE")

    correction = parse_correction("30 0\n1000 0\n15000 0\n", name="c")
    found = reduce_scan_session(one, read, ReduceSettings(), correction=correction)
    stands(
        "reduce/scan_pressures", "session of recordings", [told, of_measurement(found)], relative=1e-3, near_zero=1e-6
    )
    with pytest.raises(InputError, match="was not read"):
        reduce_scan_session(session(), unread, ReduceSettings())


def test_gates_that_are_shown() -> None:
    one = on_report_axis(solved())
    lineage = lineage_of(session(), ReduceSettings())
    others = scan_measurement._others(
        session(), unread, ReduceSettings(), correction=None, impedance=None, speed_m_s=C, takes=()
    )
    found: list[Any] = []
    for band in ((123.0, 900.0), None):
        bare = replace(one, data=replace(one.data, gate=None), separation=replace(one.separation, valid_band_hz=band))
        found.append(scan_measurement._measurement(session(), bare, others, None, lineage).gate)
    stands("reduce/scan_pressures", "shown gates", found)
