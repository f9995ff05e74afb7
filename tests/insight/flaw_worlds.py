"""Invented loudspeakers by formula for the golden tests of findings and mend, each the same for its number.

Two pistons (2 J1(x) / x, textbook), a crossover of fourth order whose sum is flat, a Butterworth bass, a tilt, and up
to four flaws: in the source, about the axis, off it, or above and below alone. Each is measured in one of several
ways: with little or much error, with directions or frequencies missing, without phase, or in a wall.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import j1

from earwitness.figures.read import levels_of
from earwitness.figures.windows import DirectionalLevels, windows
from earwitness.insight.findings import Finding
from earwitness.insight.findings.finding import Sized
from earwitness.quantities import (
    Curve,
    DirectionalResponse,
    Impedance,
    NearField,
    Reading,
    cta_orbits,
    on_orbit,
    report_axis,
)
from earwitness.quantities.arrays import FloatArray
from earwitness.session.record import Driver

AXIS, DIRECTIONS = report_axis(), cta_orbits()
HZ, VECTORS = AXIS.hz, DIRECTIONS.unit_vectors()
X, K = np.log2(HZ / 1000.0), 2.0 * np.pi * HZ / 343.0
ANGLE = np.arccos(np.clip(VECTORS[:, 0], -1.0, 1.0))[:, None]
DEG, UP = np.rad2deg(ANGLE), VECTORS[:, 2][:, None]
PLACES = ("source", "near_axis", "off_axis", "vertical")
DRIVERS = (
    Driver(name="woofer", kind="cone", diameter_m=0.13, position_m=(0.0, 0.0, -0.17)),
    Driver(name="tweeter", kind="dome", diameter_m=0.026),
    Driver(name="port", kind="port", diameter_m=0.05, position_m=(0.0, 0.0, -0.3)),
)


def bell_db(hz: FloatArray, center_hz: float, q: float, gain_db: float) -> FloatArray:
    """Peaking filter of the Audio EQ Cookbook (W3C, 2021), analog [dB]."""
    s, a = 1j * hz / center_hz, 10 ** (gain_db / 40)
    return np.asarray(20 * np.log10(np.abs((s**2 + s * a / q + 1) / (s**2 + s / (a * q) + 1))), dtype=float)


def smooth(random: np.random.Generator, rows: int, octaves: float) -> FloatArray:
    """(rows, F) errors of unit variance that hang together over some octaves."""
    grid = np.arange(X[0] - 3 * octaves, X[-1] + 3 * octaves, octaves / 8)
    weights = np.exp(-0.5 * ((X[:, None] - grid) / (octaves / np.sqrt(2))) ** 2)
    weights /= np.sqrt((weights**2).sum(axis=1, keepdims=True))
    return np.asarray(random.normal(size=(rows, grid.size)) @ weights.T, dtype=float)


def _piston(radius_m: float) -> FloatArray:
    x = np.maximum(K * radius_m * np.sin(np.minimum(ANGLE, np.pi / 2)), 1e-6)
    return np.asarray(2 * j1(x) / x, dtype=float)


def _flaw(random: np.random.Generator, place: str, corner_hz: float) -> FloatArray:
    """(D, F) change of level."""
    center = float(np.exp(random.uniform(np.log(max(150.0, 3 * corner_hz)), np.log(10_000.0))))
    q, gain = float(np.exp(random.uniform(0.0, 2.2))), float(random.choice([-1, 1]) * random.uniform(1.0, 7.0))
    if place != "source":
        gain = -1.6 * abs(gain)
    share = {
        "source": np.ones_like(ANGLE),
        "near_axis": np.exp(-((DEG / 11.0) ** 2)),
        "off_axis": 1 - np.exp(-((DEG / 50.0) ** 4)),
        "vertical": (1 - np.exp(-((DEG / 45.0) ** 4))) * (np.abs(UP) > 1e-6),
    }[place]
    return np.asarray(share * bell_db(HZ, center, q, gain), dtype=float)


@lru_cache(maxsize=64)
def loudspeaker(number: int) -> DirectionalResponse:
    """Whole, on both orbits, with errors."""
    random = np.random.default_rng([number, 404])
    crossover, corner = random.uniform(1500.0, 3200.0), float(np.exp(random.uniform(np.log(30.0), np.log(95.0))))
    s = 1j * HZ / crossover
    low = 1 / (s**2 + np.sqrt(2) * s + 1) ** 2
    shape = np.exp(1j * K * random.uniform(0.0, 0.18) * UP)
    total = low * _piston(random.uniform(0.05, 0.09)) * shape + low * s**4 * _piston(random.uniform(0.01, 0.016))
    total = total / np.sqrt(1 + (1 - np.cos(ANGLE)) / 2 * (HZ * random.uniform(0.16, 0.32) / 120.0) ** 2)
    level = random.uniform(-0.5, 0.5) * X - 10 * np.log10(1 + (corner / HZ) ** (2 * int(random.choice([2, 4]))))
    for place in random.choice(PLACES, int(random.integers(1, 5)), p=(0.4, 0.2, 0.2, 0.2)):
        level = level + _flaw(random, str(place), corner)
    u = float(random.choice([0.03, 0.1, 0.3]))
    own = u * (0.5 * random.normal(size=total.shape) + 0.8 * smooth(random, len(total), 0.2))
    pressure = 0.2 * total * 10 ** ((level + own) / 20)
    common = 0.2 + 0.1 * np.abs(X) / 6
    return DirectionalResponse(
        AXIS, DIRECTIONS, pressure, np.full(total.shape, u), common, np.ones(total.shape, dtype=bool)
    )


def rows_kept(one: DirectionalResponse, keep: NDArray[Any]) -> DirectionalResponse:
    """Some of the directions."""
    rows = np.flatnonzero(keep)
    return replace(
        one,
        directions=one.directions.take(rows),
        pressure=one.pressure[rows],
        u_db=one.u_db[rows],
        valid=one.valid[rows],
    )


WAYS = ("whole", "no phase", "gated", "one orbit", "doubtful", "holes", "in a wall", "few", "uncertain", "short")


def measured(number: int, way: str) -> DirectionalResponse:
    """A loudspeaker as one of WAYS gives it."""
    one = loudspeaker(number)
    across, up = np.abs(VECTORS[:, 2]) < 1e-6, np.abs(VECTORS[:, 1]) < 1e-6
    if way == "no phase":
        return replace(one, pressure=np.abs(one.pressure).astype(complex), phase="none")
    if way == "gated":
        return replace(one, valid=one.valid & (HZ > 210.0))
    if way == "one orbit":
        return rows_kept(one, across)
    if way == "doubtful":
        return replace(one, valid=one.valid & ((DEG < 75.0) | (HZ < 6000.0)) & (HZ < 15_000.0))
    if way == "holes":
        valid, pressure = one.valid.copy(), one.pressure.copy()
        valid[DEG[:, 0] > 120.0, 300:340] = False
        pressure[7, 100:110] = 0.0
        return replace(one, valid=valid, pressure=pressure)
    if way == "in a wall":
        return replace(rows_kept(one, DEG[:, 0] < 90.5), half_space=True)
    if way == "few":
        return rows_kept(one, (across & (DEG[:, 0] < 41.0)) | (up & (DEG[:, 0] < 31.0)))
    if way == "uncertain":
        return replace(one, u_db=one.u_db + 0.7 * np.clip(X / 4, 0, 1), u_common_db=one.u_common_db + 0.3 * np.abs(X))
    if way == "short":
        return replace(one, valid=one.valid & (HZ > 150.0) & (HZ < 9000.0))
    return one


def levels(number: int, way: str = "whole") -> DirectionalLevels:
    return levels_of(measured(number, way))


def reading_of(one: DirectionalResponse) -> Reading:
    """The curves alone, which is all that findings ask for; the figures take most of the time."""
    found = windows(levels_of(one))
    curves = dict(found.curves)
    if "listening_window" not in curves:
        rows, angle = on_orbit(one.directions, "horizontal")
        near = rows[np.abs(angle) < 31.0]
        on = curves["on_axis"]
        energy = np.mean(np.abs(one.pressure[near]) ** 2, axis=0)
        curves["horizontal_window"] = replace(
            on, key="horizontal_window", name="horizontal window", values=10 * np.log10(energy) + 94.0
        )
    return Reading(curves, {}, {}, dict(found.missing), {})


def curve_of(
    values: FloatArray,
    *,
    u: float | FloatArray = 0.1,
    common: float | FloatArray = 0.0,
    key: str = "on_axis",
    **more: Any,
) -> Curve:
    """(F,) on the report axis."""
    valid = np.asarray(more.get("valid", np.ones(HZ.size, dtype=bool)), dtype=bool)
    flat = np.ones(HZ.size)
    return Curve(key, key.replace("_", " "), AXIS, values, u * flat, common * flat, valid, "dB", "dB SPL")


def near_fields(number: int, center_hz: float, q: float, gain_db: float) -> tuple[NearField, ...]:
    """A woofer that makes a resonance, and a port that hears it."""
    random = np.random.default_rng([number, 405])
    x = HZ / random.uniform(45.0, 70.0)
    bell = 10 ** (bell_db(HZ, center_hz, q, gain_db) / 20)
    cone = 12.0 * x**2 / np.abs(1 - x**2 + 1.4j * x) * bell
    port = 12.0 / np.abs(1 - x**2 + 0.7j * x) + random.uniform(0.01, 0.1) * cone
    return tuple(
        NearField(name, AXIS, 20 * np.log10(field), np.zeros(HZ.size), 20.0, 1500.0)
        for name, field in (("woofer", cone), ("port", port))
    )


def impedance(number: int, center_hz: float, percent: float) -> Impedance:
    """Of a coil with a bass resonance and a wrinkle."""
    random = np.random.default_rng([number, 406])
    rise = 6.0 + 30.0 / (1 + (3.0 * np.log2(HZ / random.uniform(35.0, 70.0))) ** 2) + 2.0 * (HZ / 5000.0) ** 0.6
    ohm = rise * (1 + percent / 100 * np.exp(-0.5 * (np.log2(HZ / center_hz) / 0.02) ** 2))
    u = np.full(HZ.size, 1e-4)
    return Impedance(AXIS, ohm.astype(complex), u, u, np.ones(HZ.size, dtype=bool))


def switches(values: Any, outcomes: Any) -> list[list[Any]]:
    """Where a sweep's outcome changes: [first value, outcome] of each stretch."""
    rows = [[float(value), outcome] for value, outcome in zip(values, outcomes, strict=True)]
    return [rows[0], *(after for before, after in pairwise(rows) if before[1] != after[1])]


def finding(kind: str, center: float, size: float, *, half: float = 1.2, **more: Any) -> Finding:
    """A finding by hand, as all curves but one show it."""
    given: dict[str, Any] = {
        "key": 1,
        "center_hz": center,
        "low_hz": center / half,
        "high_hz": center * half,
        "size_db": size,
        "u_db": 0.4,
        "q": 3.0,
        "kind": kind,
        "curves": ("on_axis",),
        "evidence": {},
        "margin_db": 1.0,
        "is_equalizable": kind in ("source", "load", "port"),
        "title": "",
        "sentence": "",
        "sizes": {
            key: Sized(size * share, 0.2, 0.1)
            for key, share in (("on_axis", 1.0), ("listening_window", 0.9), ("sound_power", 0.7), ("in_room", 0.8))
        },
    }
    return Finding(**(given | more))


MADE = (
    finding("source", 700.0, 3.0),
    finding("near_axis", 2000.0, -3.0, half=1.3),
    finding("off_axis", 1100.0, -2.0, half=1.5),
    finding("vertical", 3000.0, 2.0),
    finding("load", 1300.0, -2.5),
    finding("partial", 400.0, 2.0),
    finding("port", 950.0, 1.5, is_equalizable=False),
    finding("tilt", 1000.0, 4.0, half=8.0, q=None, sizes={}, is_equalizable=True),
)
