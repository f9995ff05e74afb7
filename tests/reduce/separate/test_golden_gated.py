"""Gated pressures to outgoing waves: frozen values of bands, places and centers over small scans.

The values are the program's own ("frozen"). Closed cases: noise over the sound by its definition, offsets of points
that are known.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import golden_scan_worlds as worlds
import made_scan as made
import numpy as np
import pytest

from earwitness.quantities import FrequencyAxis
from earwitness.reduce.separate import gated, solve
from earwitness.reduce.separate.field import SeparatedField, far_pressure, far_u_db, waves_at
from earwitness.reduce.separate.gated import found_places, moved_back, separate_gated
from earwitness.reduce.separate.robust import Points
from earwitness.reduce.separate.sampling import even_directions
from earwitness.reduce.separate.separation import Separation
from golden_values import stands

SPIRAL = made.spiral_sphere(0.4, 110)
RINGS = worlds.two_rings(6, 12)
TURNED = np.concatenate([worlds.turned_sphere(0.38, 5, 10), worlds.turned_sphere(0.42, 5, 10)])
CABINET = (0.16, 0.26, 0.18)
LOOK = even_directions(30)
SOURCES = np.array([[0.05, 0.0, 0.07], [0.04, 0.02, -0.06]])


@pytest.fixture(autouse=True)
def _on_the_processor(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(solve, "accelerator", lambda: None)
    monkeypatch.setattr("os.cpu_count", lambda: 64)


def heard(
    points: worlds.Real, hz: worlds.Real, *, off_m: float = 0.0, loud: float = 1e-3, seed: int = 1
) -> worlds.SmallScan:
    true = points + off_m * np.random.default_rng(seed).normal(size=points.shape)
    clean = made.monopoles(true, SOURCES, np.array([1.0, 0.6j]), 2 * np.pi * hz / made.SPEED_M_S)
    return worlds.SmallScan(points, clean + worlds.noise(clean.shape, loud * np.abs(clean).mean(), seed + 1), hz)


def scan_of(one: worlds.SmallScan, **changes: Any) -> gated._Scan:
    count = len(one.points_m)
    told = gated._Scan(
        clean=Points(one.points_m, one.pressure, np.arange(count), ()),
        left_out=np.zeros(count, dtype=bool),
        moved_m=one.points_m,
        k=one.k,
        middle=np.zeros(3),
        half=np.array([0.09, 0.08, 0.13]),
        usable=count,
        speed_m_s=made.SPEED_M_S,
        places=None,
    )
    return replace(told, **changes)


def of_separation(one: Separation) -> list[Any]:
    """The sound and not its coefficients: weak families are solved in single precision, which another processor
    rounds otherwise."""
    parts = [
        [part.rows, part.center_m, part.axes, part.shell, part.inner_radius_m, part.order] for part in one.field.parts
    ]
    parts.append([one.field.reference_m, np.abs(far_pressure(one.field, LOOK)), far_u_db(one.field, LOOK)])
    quality = one.quality
    numbers = [
        quality.residual_db,
        quality.leave_out_db,
        quality.condition,
        quality.order_out,
        quality.order_in,
        quality.tail_db,
        quality.settled,
        quality.gcv_db,
        quality.u_db,
        quality.scattered_db,
        quality.resolved,
        quality.valid,
    ]
    return [parts, numbers, one.route, one.body, one.bad_points, one.centers, one.valid_band_hz]


CASES = {
    "spiral": (SPIRAL, CABINET, np.geomspace(250.0, 2600.0, 14), 0.0003),
    "rings": (RINGS, CABINET, np.geomspace(300.0, 1000.0, 6), 0.0),
    "turned": (TURNED, CABINET, np.geomspace(300.0, 2500.0, 10), 0.0003),
    "unknown": (SPIRAL, None, np.geomspace(300.0, 900.0, 5), 0.0),
    "few": (SPIRAL[:90], CABINET, np.geomspace(1800.0, 4000.0, 4), 0.0),
}


@pytest.mark.parametrize("name", list(CASES))
def test_gated_scans(name: str) -> None:
    points, cabinet, hz, off_m = CASES[name]
    one = heard(points, hz, off_m=off_m)
    found = separate_gated(points, one.pressure, hz, cabinet_m=cabinet, speed_of_sound=made.SPEED_M_S)
    stands("reduce/gated", f"scan {name}", of_separation(found), relative=2e-2)


def test_a_gated_scan_beside_its_middle() -> None:
    aside, hz = np.array([0.05, -0.1, 0.02]), np.geomspace(300.0, 900.0, 5)
    one = heard(RINGS, hz)
    data = one.pressure.copy()
    data[17] *= 3.0
    found = separate_gated(
        RINGS + aside,
        data,
        hz,
        cabinet_m=CABINET,
        speed_of_sound=made.SPEED_M_S,
        cabinet_center_m=tuple(aside),
        reference_m=(0.1, 0.0, 0.0),
        band_octaves=1.0,
    )
    stands("reduce/gated", "aside", [of_separation(found), found.field.reference_m], relative=1e-3)


def test_pilots() -> None:
    found: list[Any] = []
    for top in (4.0, 12.0, 20.0, 40.0):
        scan = scan_of(worlds.SmallScan(SPIRAL, np.ones((110, 90), complex), np.linspace(10.0, top * 54.6, 90)))
        for told in (np.arange(90), np.arange(0, 90, 7), np.arange(3), np.zeros(0, dtype=int)):
            found.append(gated._pilots(scan, told))
    stands("reduce/gated", "pilots", found)


@pytest.mark.parametrize("gain", [1.0, 0.02])
def test_places_that_the_sound_tells(gain: float) -> None:
    hz = np.geomspace(400.0, 1100.0, 10)
    found: list[Any] = []
    for off_m in (0.0, 0.0004, 0.002, 0.02):
        one = heard(SPIRAL, hz, off_m=off_m, loud=2e-4)
        scan = scan_of(replace(one, pressure=gain * one.pressure))
        part, fit, _fine = gated._fitted(scan, np.arange(10), [np.zeros(3)])
        field = SeparatedField(FrequencyAxis(hz), made.SPEED_M_S, np.zeros(3), (part,), np.ones(10, dtype=bool))
        free = 1 - fit.evidence.settled / 110
        places = found_places(field, SPIRAL, scan.clean.pressure, free)
        few = found_places(field, SPIRAL, scan.clean.pressure, 0.01 * free)
        found.append(
            [places, few, np.abs(moved_back(field, SPIRAL, scan.clean.pressure, places.offset_m) - scan.clean.pressure)]
        )
    stands("reduce/gated", f"places {gain}", found, relative=1e-3, near_zero=1e-8)
    rows = [np.arange(count) for count in (3, 4, 5)]
    some = [
        replace(
            field,
            axis=FrequencyAxis(hz[own]),
            parts=(
                replace(part, rows=own, weight=part.weight[own], outgoing=part.outgoing[own], order=part.order[own]),
            ),
        )
        for own in rows
    ]
    heard_there: Any = heard(SPIRAL, hz, off_m=0.0004, loud=2e-4).pressure * gain
    told = [
        found_places(few, SPIRAL, heard_there[:, own], free[own]).explained > 0
        for few, own in zip(some, rows, strict=True)
    ]
    # Fewer than four frequencies tell nothing of places.
    assert told == [False, True, True]
    silent = found_places(field, SPIRAL, waves_at(field, SPIRAL), free)
    assert (silent.rms_m, silent.explained, np.abs(silent.offset_m).max()) == (0.0, 0.0, 0.0)


def test_offsets_by_their_normal_equations() -> None:
    # Least squares with a prior of the offsets' own size, real and imaginary parts alike (docstring).
    slope, rest, noise = worlds.noise((4, 6, 3), 5.0, 2), worlds.noise((4, 6), 0.01, 3), np.linspace(1e-4, 3e-4, 6)
    offset, unsure = gated._solved(slope, rest, noise, 0.002)
    for p in range(4):
        gram = (
            np.sum(slope[p].conj()[:, :, None] * slope[p][:, None, :] / noise[:, None, None], axis=0).real
            + np.eye(3) / 0.002**2
        )
        right = np.sum(slope[p].conj() * rest[p][:, None] / noise[:, None], axis=0).real
        assert np.allclose(offset[p], np.linalg.solve(gram, right))
    stands("reduce/gated", "offsets", [offset, unsure])


def test_noise_of_the_quietest_points() -> None:
    rng = np.random.default_rng(4)
    pressure = np.exp(rng.normal(size=(80, 5))) * np.exp(1j * rng.uniform(size=(80, 5)))
    left = 0.01 * (1 + np.abs(pressure)) * np.exp(1j * rng.uniform(size=(80, 5)))
    stands(
        "reduce/gated",
        "noise",
        [gated._noise_db(left, np.linspace(0.3, 1.0, 5), pressure), gated._noise_db(0 * left, np.ones(5), pressure)],
    )


def test_few_good_frequencies_tell_no_places() -> None:
    hz = np.geomspace(300.0, 900.0, 12)
    one = heard(SPIRAL, hz, off_m=0.0005)
    scan = scan_of(one)
    found: list[Any] = []
    for count in (6, 7, 8, 9, 12):
        told = gated._with_places(scan, np.arange(count))
        found.append(None if told.places is None else [told.places, told.moved_m])
    lost = gated._with_places(replace(scan, left_out=np.isin(np.arange(110), [3, 50])), np.arange(12))
    stands("reduce/gated", "with places", [found, lost.moved_m], relative=1e-3, near_zero=1e-8)


@pytest.mark.parametrize("times", [1.02, 1.09, 1.12, 1.5, -1.0])
def test_points_that_nothing_explains(times: float) -> None:
    hz = np.geomspace(400.0, 1000.0, 8)
    one = heard(SPIRAL, hz)
    one.pressure[[5, 60]] *= times
    found = gated._without_bad(scan_of(one), np.arange(8))
    none = gated._without_bad(scan_of(one), np.zeros(0, dtype=int))
    stands("reduce/gated", f"bad {times}", [np.flatnonzero(found.left_out), none.left_out.any()])


def test_bands_that_are_told() -> None:
    hz = np.geomspace(500.0, 700.0, 4)
    one = heard(SPIRAL, hz, off_m=0.0005)
    scan = scan_of(one)
    placed = gated._with_places(scan_of(heard(SPIRAL, np.geomspace(300.0, 900.0, 12), off_m=0.0005)), np.arange(12))
    assert placed.places is not None
    found: list[Any] = [
        gated._told_band(scan, np.arange(4)),
        gated._told_band(replace(scan, moved_m=placed.moved_m, places=placed.places), np.arange(4)),
    ]
    rings = scan_of(heard(TURNED, hz))
    found.append(gated._told_band(rings, np.arange(4)))
    # Places that the waves took for themselves in part: what stays in doubt is their share over the orders.
    half = replace(placed.places, absorbed=0.02)
    found.append(gated._told_band(replace(scan, moved_m=placed.moved_m, places=half), np.arange(4)))
    high = scan_of(heard(TURNED, 4 * hz))
    found.append(gated._told_band(high, np.arange(4)))
    told = [[band.parts, band.fit.residual, band.fit.evidence, band.resolved, band.center] for band in found]
    stands("reduce/gated", "told bands", told, relative=1e-3)


@pytest.mark.parametrize("placed", [False, True])
def test_bands_of_many_origins(placed: bool) -> None:
    hz = np.geomspace(2600.0, 3400.0, 3)
    points = SPIRAL[::2]
    scan = scan_of(heard(points, hz))
    if placed:
        places = gated.Places(np.zeros_like(points), 0.001, 0.0004, 0.5, noise_db=-52.0, absorbed=0.2)
        scan = replace(scan, places=places, left_out=np.isin(np.arange(55), [4, 9]))
    start = np.array([0.04, 0.0, 0.05]) if placed else None
    found = gated._mixed_band(scan, np.arange(3), start)
    quality = gated._quality(scan, FrequencyAxis(hz), np.array([0.1, 0.0, 0.0]), found)
    field = SeparatedField(FrequencyAxis(hz), made.SPEED_M_S, np.zeros(3), found.parts, found.resolved)
    told = [
        [one.rows, one.weight, one.center_m, one.axes, one.shell, one.inner_radius_m, one.order, one.variance]
        for one in found.parts
    ]
    stands(
        "reduce/gated",
        f"mixed {placed}",
        [told, np.abs(far_pressure(field, LOOK)), found.resolved, found.center, quality],
        relative=1e-2,
    )


def test_fits_about_one_of_several_centers() -> None:
    hz = np.array([500.0, 800.0, 1200.0])
    scan = replace(scan_of(heard(SPIRAL, hz)), left_out=np.isin(np.arange(110), [7]))
    found: list[Any] = []
    for centers in (
        [np.zeros(3)],
        [np.array([0.05, 0.0, 0.05]), np.zeros(3)],
        [np.array([0.0, 0.2, 0.0]), np.array([0.05, 0.0, 0.02])],
    ):
        part, fit, fine = gated._fitted(scan, np.arange(3), centers)
        found.append([part, fit.residual, fine])
    error = [
        gated._unseen_error(scan, np.array([1]), np.zeros(3), radius, np.array([1e-6, 1e-6])) for radius in (0.05, 0.15)
    ]
    loud = replace(scan, clean=replace(scan.clean, pressure=scan.clean.pressure + worlds.noise((110, 3), 20.0, 9)))
    error += [gated._unseen_error(loud, np.array([1]), np.zeros(3), 0.1, np.array([1e-6, 1e-6]))]
    stands("reduce/gated", "centers", [found, error], relative=1e-3)


def test_reach_and_what_points_tell() -> None:
    found: list[Any] = []
    for points in (SPIRAL, RINGS, TURNED, 0.4 * SPIRAL):
        scan = scan_of(worlds.SmallScan(points, np.ones((len(points), 3), complex), np.array([100.0, 200.0, 300.0])))
        for center in (np.zeros(3), np.array([0.05, -0.1, 0.02])):
            found.append(
                [
                    gated._reach(scan, center),
                    gated._highest_told(scan),
                    gated._on_turned_rings(scan),
                    gated._half_size(points, None),
                    gated._half_size(points, CABINET),
                ]
            )
            about, shell, orders = gated._waves_about(scan, np.array([0, 2]), center, 0.1)
            found.append([about.axes, shell, orders])
    stands("reduce/gated", "reach", found)


def test_waves_that_do_not_fade_toward_high_orders_are_not_resolved() -> None:
    # Sources near the points send much into high orders; how much of it is allowed is told at each frequency.
    found: list[Any] = []
    for far in (0.1, 0.15, 0.2, 0.25, 0.3, 0.35):
        hz = np.array([200.0, 400.0, 600.0])
        k = 2 * np.pi * hz / made.SPEED_M_S
        data = made.monopoles(SPIRAL, np.array([[far, 0.0, 0.0]]), made.NEAR_STRENGTH[:1], k)
        scan = scan_of(worlds.SmallScan(SPIRAL, data + worlds.noise(data.shape, 1e-3, 5), hz))
        _part, fit, fine = gated._fitted(scan, np.arange(3), [np.zeros(3)])
        found.append([fine, fit.order_out])
    stands("reduce/gated", "tails", found)
