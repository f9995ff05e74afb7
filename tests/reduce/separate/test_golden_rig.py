"""What may be off in a scan and what its sound tells of it: frozen values of rig and nuisance over small scans.

The values are the program's own ("frozen"). Closed cases: Karhunen-Loeve functions of a random walk, the shares of a
doubt that add up, least squares by numpy.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import golden_scan_worlds as worlds
import made_scan as made
import numpy as np
import pytest

from earwitness.reduce.separate import nuisance, rig
from earwitness.reduce.separate.expansion import places_of
from earwitness.reduce.separate.field import Shell
from earwitness.reduce.separate.nuisance import Pulls, Revisits, SoundField, found_nuisance, pulls_of
from earwitness.reduce.separate.rig import (
    Rig,
    Tolerances,
    Unknown,
    corrections,
    drift_mode,
    effects,
    rig_of,
    unknowns_of,
)
from earwitness.reduce.separate.sampling import even_directions
from golden_values import stands

SHELL = Shell(0.2, 0.43, 0.86)
MIDDLE = np.zeros(3)
SMALL = worlds.two_rings(4, 7)
NAMES = ("inner",) * 28 + ("outer",) * 28


def small_rig(names: tuple[str, ...] = NAMES, points: worlds.Real = SMALL) -> Rig:
    return rig_of(points, names, np.linspace(0, 1, len(points)), MIDDLE)


def test_tolerances_in_turns_and_monitored() -> None:
    wide, narrow = Tolerances(), Tolerances(gain_db=0.05, gain_drift_db=0.02, clock_drift_s=1e-7)
    stands(
        "reduce/rig",
        "tolerances",
        [one for told in (wide, narrow) for one in (told, told.in_turns(), told.monitored())],
    )


def test_surfaces_as_named_or_parted() -> None:
    rng = np.random.default_rng(1)
    one, spiral = made.ring_sphere(0.4, 4, 7), worlds.two_spirals(40)
    time = np.linspace(0, 1, 56)
    turns = np.array([1.0, *np.tile([0.0, 1.0], 27), 0.0])
    cases = {
        "named": (SMALL, NAMES, time),
        "unnamed": (SMALL, ("",) * 56, time),
        "one": (one, ("a",) * 28, time[:28]),
        "passes": (SMALL, ("outer 1",) * 14 + ("outer 2",) * 14 + ("inner",) * 28, time),
        "numbers": (SMALL, ("1",) * 28 + ("2",) * 28, time),
        "in turns": (SMALL, NAMES, rng.uniform(size=56)),
        "twice": (SMALL, NAMES, np.where(time < 0.3, 1 - time, time)),
        "spiral": (spiral, ("",) * 87, np.linspace(0, 1, 87)),
        "shuffled": (SMALL, NAMES, turns * 0.5 + time),
    }
    for name, (points, names, times) in cases.items():
        found = rig_of(points + np.array([0.1, 0.0, 0.0]), names, times, np.array([0.1, 0.0, 0.0]))
        stands("reduce/rig", f"surfaces {name}", [found, found.taken(np.arange(5))])


@pytest.mark.parametrize("passes", [2, 3, 4])
def test_from_how_many_changes_on_passes_count_as_in_turns(passes: int) -> None:
    names = tuple("abcd"[n % passes] for n in range(40))
    told: list[Any] = []
    for changes in range(2, 11):
        # Visits that change their pass so often: whole runs first, then alternating pairs.
        order = sorted(range(40), key=lambda n: n % passes)
        runs = passes - 1
        for swap in range(changes - runs):
            at, other = order[2 * swap + 1], order[-2 - 2 * swap]
            order[2 * swap + 1], order[-2 - 2 * swap] = other, at
        time = np.empty(40)
        time[order] = np.arange(40)
        found = rig_of(made.spiral_sphere(0.4, 40), names, time, MIDDLE)
        told.append((int(np.sum(np.diff(found.passed[np.argsort(time)]) != 0)), found.in_turns))
    stands("reduce/rig", f"in turns {passes}", told)


def test_radii_that_fall_into_two() -> None:
    rng = np.random.default_rng(2)
    one = made.spiral_sphere(1.0, 120)
    found = {}
    for step in (0.015, 0.0195, 0.0205, 0.022, 0.06):
        found[f"step {step}"] = rig._parted(one * np.where(np.arange(120) % 2, 1.0, 1.0 - step)[:, None])
    for share in (0.0, 0.05, 0.08, 0.095, 0.11, 0.15, 0.3):
        radius = np.where(np.arange(120) % 2, 1.0, 0.9)
        radius[: round(share * 120)] = 0.95
        found[f"between {share}"] = rig._parted(one * radius[:, None])
    for part in (0.2, 0.24, 0.26, 0.3):
        radius = np.where(np.arange(120) % 2, 1.0, 0.9)
        radius[rng.permutation(120)[:30]] = 0.9 + part * 0.1
        found[f"share {part}"] = rig._parted(one * radius[:, None])
    for count in (1, 12, 13, 14):
        found[f"count {count}"] = rig._parted(one[:count] * np.where(np.arange(count) % 2, 1.0, 0.8)[:, None])
    stands("reduce/rig", "parted", found)


def cylinder(radius: float, height: float, *, rough: float = 0.0, off: int = 0) -> worlds.Real:
    angle = 2 * np.pi * np.arange(40) / 40
    rows = [np.stack([radius * np.cos(angle), radius * np.sin(angle), 0 * angle + z], axis=1) for z in (-0.2, 0.0, 0.2)]
    for share in (0.3, 0.7):
        for side in (height, -height):
            rows.append(
                np.stack([share * radius * np.cos(angle), share * radius * np.sin(angle), 0 * angle + side], axis=1)
            )
    points = np.concatenate(rows)
    points[:off] *= 0.8
    return points + rough * np.random.default_rng(3).normal(size=points.shape)


def test_normals() -> None:
    found = {
        "cylinder": rig._normals(cylinder(0.3, 0.45)),
        "rough": rig._normals(cylinder(0.3, 0.45, rough=5e-4)),
        "rougher": rig._normals(cylinder(0.3, 0.45, rough=0.004)),
        "axis": rig._normals(np.concatenate([cylinder(0.3, 0.45), [[0.0, 0.0, 0.45], [0.0, 0.0, -0.45]]])),
    }
    for off in (20, 27, 29, 34):
        found[f"off {off}"] = rig._normals(cylinder(0.3, 0.45, off=off))
    sphere = made.spiral_sphere(0.4, 60)
    for swing in (0.001, 0.00195, 0.00205, 0.01):
        found[f"swing {swing}"] = rig._normals(sphere * (1 + swing * np.cos(np.arange(60) * np.pi))[:, None])
        found[f"short {swing}"] = rig._normals(cylinder(0.3, 0.3)[:120] * (1 + swing))
    for far_m in (0.0017, 0.00195, 0.00205, 0.0023):
        points = cylinder(0.3, 0.45)
        points[:120:4, :2] *= 1 - far_m / 0.3
        points[120::4, 2] *= 1 - far_m / 0.45
        found[f"wall {far_m}"] = rig._normals(points)
    stands("reduce/rig", "normals", found)


def test_all_that_may_be_off() -> None:
    for name, names in {
        "two": NAMES,
        "one": ("",) * 56,
        "stops": ("outer 1",) * 14 + ("outer 2",) * 14 + ("inner 1",) * 14 + ("inner 2",) * 14,
    }.items():
        own = small_rig(names) if name != "one" else rig_of(SMALL[:28], ("a",) * 28, np.linspace(0, 1, 28), MIDDLE)
        stands(
            "reduce/rig",
            f"unknowns {name}",
            [unknowns_of(own, Tolerances()), unknowns_of(own, Tolerances(radius_m=0.01, shift_m=0.3))],
        )


def test_a_drift_is_a_random_walk() -> None:
    # Sum of squares of the Karhunen-Loeve functions of a random walk at t is t (handbook).
    time = np.array([0.0, 0.3, 0.8, 1.0])
    total = sum(drift_mode(time, mode) ** 2 for mode in range(1, 400))
    assert np.allclose(total, time, atol=2e-3)
    stands("reduce/rig", "drift", [drift_mode(time, mode) for mode in (1, 2, 8)])


def test_effects_and_corrections() -> None:
    own = small_rig(("outer 1",) * 14 + ("outer 2",) * 14 + ("inner",) * 28)
    told = unknowns_of(own, Tolerances())
    field, slope = worlds.noise((56,), 1.0, 4), worlds.noise((56, 3), 5.0, 5)
    found = effects(own, told, SMALL, field, slope, omega=2000.0)
    stands("reduce/rig", "effects", list(found.T[:26]))
    rng = np.random.default_rng(6)
    theta = rng.normal(size=len(told))
    fixed = corrections(own, told, theta, SMALL)
    each = [corrections(own, told, np.eye(len(told))[n], SMALL) for n in range(len(told))]
    stands("reduce/rig", "corrections", [fixed, fixed.moved, [one.moved.any() for one in each]])
    # A correction is linear in what is told.
    assert np.allclose(fixed.gain, sum(value * one.gain for value, one in zip(theta, each, strict=True)))
    assert np.allclose(fixed.delay_s, sum(value * one.delay_s for value, one in zip(theta, each, strict=True)))
    kinds = {one.kind for one in told}
    assert {
        "gain",
        "clock",
        "radius",
        "arm",
        "speed",
        "shift",
        "tilt",
        "stop gain",
        "gain drift",
        "clock drift",
    } == kinds
    for one in told:
        if one.kind in ("radius", "arm", "speed", "shift", "tilt"):
            stands("reduce/rig", f"moves {one.kind} {one.surface} {one.axis}", rig.moves(own, one, SMALL)[::7])


def sound(scan: worlds.SmallScan, *, incoming: bool, **changes: Any) -> SoundField:
    count = scan.hz.size
    one = SoundField(
        pressure=scan.pressure,
        k=scan.k,
        order_out=np.full(count, 3),
        order_in=np.full(count, 2 if incoming else -1),
        penalty=np.full((count, 2), 1e-5),
        noise_rms=np.full(count, 1e-4),
        residual=np.zeros_like(scan.pressure),
        left=np.full(count, 1e-3),
        shell=SHELL,
    )
    return replace(one, **changes)


POINTS = np.concatenate([made.ring_sphere(0.36, 6, 11), made.ring_sphere(0.42, 6, 11)])
OWN = rig_of(POINTS, ("inner",) * 66 + ("outer",) * 66, np.linspace(0, 1, 132), MIDDLE)


def spoiled(fault: str, *, room: float = 1.0, size: float = 1.0) -> worlds.SmallScan:
    hz = np.array([150.0, 300.0, 500.0])
    points = POINTS.copy()
    outer = np.arange(132) >= 66
    if fault == "radius":
        points[outer] *= 1 + 0.01 * size
    if fault == "shift":
        points[outer] += [0.0, 0.0, 0.004 * size]
    scan = worlds.in_a_room(points, hz, seed=7, loud=0.001, room=room)
    pressure = scan.pressure.copy()
    if fault == "gain":
        pressure[outer] *= 10 ** (1.5 * size / 20)
    if fault == "clock":
        pressure[outer] *= np.exp(-2j * np.pi * hz * 60e-6 * size)
    if fault == "drift":
        pressure *= 10 ** (2.0 * size * np.linspace(0, 1, 132)[:, None] / 20)
    return worlds.SmallScan(POINTS, pressure, hz)


@pytest.mark.parametrize("fault", ["none", "radius", "shift", "gain", "clock", "drift"])
def test_what_the_sound_tells(fault: str) -> None:
    room, free = spoiled(fault), spoiled(fault, room=0.0)
    both = [sound(room, incoming=True), sound(free, incoming=False)]
    found = found_nuisance(OWN, Tolerances(), POINTS, both, made.SPEED_M_S)
    size = [found.theta, found.covariance, found.covariance.diagonal(), found.ratio, found.wide, found.told]
    alone = found_nuisance(OWN, Tolerances(gain_db=0.5), POINTS, both[1:], made.SPEED_M_S)
    stands(
        "reduce/rig",
        f"told {fault}",
        [size, alone.theta, alone.wide, alone.told, alone.ratio],
        relative=1e-3,
        near_zero=1e-6,
    )


def test_what_the_sound_tells_with_readings() -> None:
    time = np.linspace(0.05, 0.95, 7)
    seen = Revisits(time, 1.2 * time, 3e-5 * time, 0.02, 1e-6)
    scan = spoiled("drift", size=0.5)
    found = found_nuisance(OWN, Tolerances(), POINTS, [sound(scan, incoming=True)], made.SPEED_M_S, revisits=[seen])
    silent = found_nuisance(OWN, Tolerances(), POINTS, [], made.SPEED_M_S, revisits=[seen])
    stands(
        "reduce/rig",
        "readings",
        [found.theta, found.told, silent.theta, silent.covariance.diagonal(), silent.told, silent.ratio],
        relative=1e-3,
        near_zero=1e-6,
    )


def test_information_of_one_kind_of_sound() -> None:
    scan = spoiled("gain", size=0.3)
    told = unknowns_of(OWN, Tolerances())
    rng = np.random.default_rng(8)
    places = places_of(POINTS, 6)
    many = [
        worlds.SmallScan(POINTS, np.tile(scan.pressure, 3)[:, :count], np.geomspace(150.0, 500.0, count))
        for count in (5, 9)
    ]
    for one in (sound(case, incoming=way) for case in many for way in (True, False)):
        none = np.zeros(len(told))
        fixed = corrections(OWN, told, none, POINTS)
        found = nuisance._told_by(OWN, told, places, one.order_out, one, fixed, Tolerances(), made.SPEED_M_S, none)
        stands("reduce/rig", f"information of {one.k.size} {one.is_direct}", found, relative=1e-4)
    for n, theta in enumerate((np.zeros(len(told)), rng.normal(size=len(told)))):
        fixed = corrections(OWN, told, theta, POINTS)
        for incoming in (True, False):
            for noise in (0.0, 0.05):
                one = sound(scan, incoming=incoming, noise_rms=np.full(3, noise))
                found = nuisance._told_by(
                    OWN, told, places, np.array([3, 5, 6]), one, fixed, Tolerances(), made.SPEED_M_S, theta
                )
                stands("reduce/rig", f"information {n} {incoming} {noise}", found, relative=1e-4)


def test_no_recording_is_quieter_than_a_hundred_decibels() -> None:
    # A source in the middle is one wave: nothing is left, and the information ends where recordings do.
    told, k = unknowns_of(OWN, Tolerances()), np.array([3.0, 5.0, 8.0])
    clean = made.monopoles(POINTS, np.zeros((1, 3)), made.NEAR_STRENGTH[:1], k)
    places, none = places_of(POINTS, 6), np.zeros(len(told))
    one = sound(
        worlds.SmallScan(POINTS, clean, k * made.SPEED_M_S / (2 * np.pi)),
        incoming=False,
        noise_rms=np.zeros(3),
        penalty=np.full((3, 2), 1e-14),
    )
    fixed = corrections(OWN, told, none, POINTS)
    found = nuisance._told_by(OWN, told, places, np.full(3, 5), one, fixed, Tolerances(), made.SPEED_M_S, none)
    stands("reduce/rig", "information of silence", found[0], relative=1e-3)


def test_few_points_leave_a_tenth_of_their_dimensions() -> None:
    points = made.spiral_sphere(0.4, 60)
    own = rig_of(points, ("a",) * 60, np.linspace(0, 1, 60), MIDDLE)
    told = unknowns_of(own, Tolerances())
    none = np.zeros(len(told))
    scan = worlds.in_a_room(points, np.array([200.0, 400.0]), seed=9, loud=0.01)
    found: list[Any] = []
    for order in (4, 5, 6, 7):
        one = sound(scan, incoming=False, order_out=np.full(2, order), penalty=np.full((2, 2), 1e-9))
        found.append(
            nuisance._told_by(
                own,
                told,
                places_of(points, 7),
                one.order_out,
                one,
                corrections(own, told, none, points),
                Tolerances(),
                made.SPEED_M_S,
                none,
            )[0]
        )
    stands("reduce/rig", "few points", found, relative=1e-3)


def plain_unknowns() -> tuple[Unknown, ...]:
    kinds = (
        "gain",
        "clock",
        "radius",
        "arm",
        "shift",
        "tilt",
        "speed",
        "stop gain",
        "gain drift",
        "clock drift",
        "gain drift",
        "clock drift",
    )
    sizes = (0.2, 5e-6, 2e-3, 1e-3, 1e-3, np.pi / 900, 3e-3, 0.02, 0.3, 2e-5, 0.3, 2e-5)
    axes = (-1, -1, -1, -1, 0, 1, -1, -1, 1, 1, 2, 2)
    return tuple(
        Unknown(kind, 0, axis, size, f"the {kind}") for kind, axis, size in zip(kinds, axes, sizes, strict=True)
    )


def test_tolerances_that_the_scan_contradicts_grow() -> None:
    told, found = plain_unknowns(), []
    for theta in (0.5, 1.0, 3.0, 19.0, 40.0):
        for left in (1.0, 0.55, 0.52, 0.48, 0.3, 0.01):
            found.append(nuisance._widened(told, np.full(12, theta), left * np.eye(12), np.ones(12)))
    wide = nuisance._widened(told, np.arange(12.0), 0.5 * np.eye(12), np.linspace(1, 9, 12))
    stands("reduce/rig", "widened", [found, wide])


def test_what_stands_out_is_corrected_and_the_rest_doubted() -> None:
    found: list[Any] = []
    for size in (0.0, 0.01, 0.095, 0.105, 0.5):
        for theta in (0.0, 0.3, 0.59, 0.61, 1.0, 1.9, 2.0, 5.0):
            found.append(
                nuisance._settled(np.array([theta, -theta, 0.1]), np.diag([size, size, 0.9]), np.array([1.0, 4.0, 2.0]))
            )
    stands("reduce/rig", "settled", found)


def test_sentences_about_what_was_found() -> None:
    told, found = plain_unknowns(), []
    for value in (2.9, 3.0, 3.1, -3.2, 20.0):
        found.append(nuisance._told(told, np.full(12, value), np.ones(12)))
    for wide in (8.9, 9.0, 9.2, 400.0):
        found.append(nuisance._told(told, np.zeros(12), np.full(12, wide)))
    for drift in (2.6, 3.0, 3.1, 3.3, 3.4, 3.6, 5.0):
        theta = np.zeros(12)
        theta[8:] = [drift, -drift, 0.3, 0.1]
        found.append(nuisance._told(told, theta, np.ones(12)))
    amounts = [nuisance._amount(one, value) for one in told for value in (1.0, -7.3)]
    stands("reduce/rig", "sentences", [found, amounts])


def test_readings_of_the_drift() -> None:
    rng = np.random.default_rng(9)
    told = plain_unknowns()
    found: list[Any] = []
    for count in (1, 2, 3, 4, 5, 9):
        time = np.sort(rng.uniform(size=count))
        values = time + 0.01 * rng.normal(size=count)
        seen = Revisits(time, values, 1e-5 * values, 0.02, 1e-7)
        found.append(nuisance._readings(told, [seen]))
        found.append([nuisance._scatter(time, values), nuisance._without_one(time, values, 0.002)])
    for spoil in (0.0, 0.05, 0.09, 0.11, 0.3):
        time = np.linspace(0, 1, 8)
        values = time + 0.001 * (-1.0) ** np.arange(8)
        values[3] += spoil
        found.append([nuisance._without_one(time, values, u) for u in (0.0001, 0.004, 0.02, 0.05)])
    stands("reduce/rig", "drift readings", found)
    # A straight line scatters by nothing.
    assert nuisance._scatter(np.linspace(0, 1, 6), 3 * np.linspace(0, 1, 6)) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("incoming", [True, False])
def test_pulls(incoming: bool) -> None:
    scan = spoiled("gain", size=0.3, room=float(incoming))
    told = unknowns_of(OWN, Tolerances())
    rng = np.random.default_rng(10)
    axes = np.linalg.qr(rng.normal(size=(len(told), len(told))))[0]
    covariance = (axes * np.linspace(0.05, 1.0, len(told))) @ axes.T
    found = nuisance.Nuisance(OWN, told, np.zeros(len(told)), covariance, np.zeros(0), np.ones(len(told)), ())
    look = even_directions(12)

    def scattered(inward: worlds.Complex, k: float, order: int) -> worlds.Complex:
        return 0.1 * k * np.ones((len(inward), (order + 1) ** 2)) * inward[:, :1]

    for n, scatterer in enumerate((None, scattered)):
        pulls = pulls_of(found, POINTS, sound(scan, incoming=incoming), made.SPEED_M_S, look, scatterer)
        # Axes have no sign of their own.
        stands(
            "reduce/rig",
            f"pulls {incoming} {n}",
            [
                pulls.k,
                np.sqrt(np.sum(pulls.rig_db[:-1] ** 2, axis=0)),
                pulls.rig_db[-1],
                np.sum(pulls.pattern**2, axis=0),
                np.einsum("rdf,ref->def", pulls.pattern, pulls.pattern),
                np.abs(pulls.unexplained),
            ],
            relative=1e-3,
            near_zero=1e-6,
        )
    few = pulls_of(found, POINTS, sound(scan, incoming=incoming), made.SPEED_M_S, look[:5], None)
    stands("reduce/rig", f"pulls of few {incoming}", np.sum(few.pattern**2, axis=0), relative=1e-3)


def drawn(seed: int, k: worlds.Real) -> Pulls:
    rng = np.random.default_rng(seed)
    return Pulls(
        k, rng.normal(size=(4, 3, k.size)), 0.4 * rng.normal(size=(2, 3, k.size)), np.zeros((1, k.size), complex)
    )


def test_pulls_between_frequencies() -> None:
    to = np.geomspace(0.5, 30.0, 17)
    one, other, single = (
        drawn(1, np.array([1.0, 3.0, 4.0, 20.0])),
        drawn(2, np.array([2.0, 9.0])),
        drawn(3, np.array([5.0])),
    )
    share = np.linspace(0.0, 1.0, 17)
    found: list[Any] = [
        nuisance.on_frequencies(parts, to)
        for parts in ([(one, np.ones(17))], [(one, 1 - share), (other, share)], [(single, np.ones(17))])
    ]
    stands(
        "reduce/rig",
        "between",
        [found, nuisance._kept_size(one.k, one.rig_db, to), nuisance._kept_size(one.k, 0 * one.rig_db, to)],
    )


def test_leading_axes() -> None:
    rng = np.random.default_rng(11)
    found: list[Any] = []
    for fall in (0.05, 0.3, 0.7, 1.0):
        pulls = rng.normal(size=(16, 5, 6)) * fall ** np.arange(16)[:, None, None]
        axes, rest = nuisance.leading(pulls)
        found.append([len(axes), np.abs(axes), axes.sum(axis=(1, 2)) >= 0, rest])
        assert np.allclose(np.sum(axes**2, axis=0) + rest**2, np.sum(pulls**2, axis=0))
    axes, rest = nuisance.leading(np.zeros((3, 2, 2)))
    found.append([len(axes), np.abs(axes), rest])
    two = nuisance.leading(np.array([[[10.0]], [[1.0]]]))
    for share in (0.0098, 0.0102):
        pulls = np.array([[[1.0, 0.0]], [[0.0, np.sqrt(share / (1 - share))]]])
        found.append(len(nuisance.leading(pulls)[0]))
    stands("reduce/rig", "leading", [found, two])


def test_what_real_multiples_leave() -> None:
    columns, values = worlds.noise((3, 8, 2), 1.0, 12), worlds.noise((3, 8), 1.0, 13)
    # numpy's least squares of real and imaginary parts together.
    flat = columns.transpose(0, 1, 2).reshape(24, 2)
    matrix = np.concatenate([flat.real, flat.imag])
    target = np.concatenate([values.reshape(24).real, values.reshape(24).imag])
    found = np.linalg.lstsq(matrix, target, rcond=None)[0]
    assert np.allclose(nuisance._beside(columns, values), (values - columns @ found).T)
