"""Two populations of simulated loudspeakers with planted flaws, for benchmarks/detection.py, by different laws.

"training": two-way loudspeakers by formula: pistons (2 J1(x) / x) on a body that shades the rear, fourth-order
Linkwitz-Riley crossover (sums flat on axis), drivers 10 to 18 cm apart or at one place, Butterworth bass of order 2 or
4, a tilt up to 0.2 dB/octave; two flaws, each an equalizer's bell, an octave and a half or more apart. Errors of 0.05
to 0.3 dB that hang together over 0.06 to 0.6 octaves and from direction to direction.

"held out": two- and three-way, coaxial and symmetric arrangements with crossovers of second to eighth order, tweeters
off center, horns, rolled-off ends, faint reflections from edges; one to four flaws 0.8 octaves or more apart: bells,
Gaussian bumps, resonances added out of phase, rings that cancel on the axis, steps of directivity with peaks as well as
dips, lobes above or below only. Errors over a quarter of an octave, and a microphone that is off smoothly.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import j0, j1

from earwitness.insight.findings.decompose import half_size_octaves, peaking_db
from earwitness.quantities import DirectionalResponse, cta_orbits, report_axis

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Random = np.random.Generator

AXIS, DIRECTIONS = report_axis(), cta_orbits()
HZ, VECTORS = AXIS.hz, DIRECTIONS.unit_vectors()
X, K = np.log2(HZ / 1000.0), 2 * np.pi * HZ / 343.0
ANGLE = np.arccos(np.clip(VECTORS[:, 0], -1.0, 1.0))[:, None]
UP = VECTORS[:, 2][:, None]
DEG = np.rad2deg(ANGLE)
KINDS = ("source", "near_axis", "off_axis", "vertical")


@dataclass(frozen=True, slots=True)
class Flaw:
    """kind, center, Q and gain as drawn; change_db : (D, F)."""

    kind: str
    center_hz: float
    q: float
    gain_db: float
    change_db: FloatArray


@dataclass(frozen=True, slots=True)
class World:
    """One loudspeaker: bare (D, F) pressure, its flaws, and how it is measured."""

    bare: ComplexArray
    flaws: tuple[Flaw, ...]
    measured: Callable[[ComplexArray], DirectionalResponse]

    @property
    def flawed(self) -> ComplexArray:
        change = sum((one.change_db for one in self.flaws), np.zeros((1, 1)))
        return np.asarray(self.bare * 10 ** (change / 20), dtype=np.complex128)


def exact(pressure: ComplexArray) -> DirectionalResponse:
    """Measured without any error."""
    nothing = np.zeros(pressure.shape)
    return DirectionalResponse(AXIS, DIRECTIONS, pressure, nothing, np.zeros(HZ.size), nothing == 0)


def log_uniform(random: Random, low: float, high: float) -> float:
    return float(np.exp(random.uniform(np.log(low), np.log(high))))


def smooth(random: Random, rows: int, octaves: float) -> FloatArray:
    """(rows, F) errors of unit variance that hang together over some octaves."""
    grid = np.arange(X[0] - 3 * octaves, X[-1] + 3 * octaves, octaves / 8)
    weights = np.exp(-0.5 * ((X[:, None] - grid) / (octaves / np.sqrt(2))) ** 2)
    weights /= np.sqrt((weights**2).sum(axis=1, keepdims=True))
    return np.asarray(random.normal(size=(rows, grid.size)) @ weights.T)


def with_errors(random: Random, octaves: float) -> Callable[[ComplexArray], DirectionalResponse]:
    """Each direction's own error has a part from point to point, one over `octaves`, and one of level; the microphone
    adds one over an octave that all directions share."""
    u, shared = log_uniform(random, 0.05, 0.3), float(random.uniform(0.0, 0.25))

    def measured(pressure: ComplexArray) -> DirectionalResponse:
        rows = len(pressure)
        own = 0.6 * random.normal(size=pressure.shape) + 0.6 * smooth(random, rows, octaves)
        own = (own + 0.5 * random.normal(size=(rows, 1))) / np.sqrt(0.97)
        off = u * own + shared * smooth(random, 1, 1.0)
        common = np.full(HZ.size, np.hypot(shared, 0.2))
        every = np.ones(pressure.shape, dtype=bool)
        return DirectionalResponse(
            AXIS, DIRECTIONS, pressure * 10 ** (off / 20), np.full(pressure.shape, u), common, every
        )

    return measured


def training(seed: int) -> World:
    random = np.random.default_rng([seed, 5])
    bare, corner_hz = _formula(random)
    flaws = tuple(Flaw(*row, _bell(*row)) for row in _two_flaws(random, corner_hz))
    octaves_of = log_uniform(random, 0.06, 0.6)
    return World(bare, flaws, with_errors(random, octaves_of))


def _piston(radius_m: float) -> FloatArray:
    """(D, F) far field of a flat piston over its value on the axis; the rear half repeats the edge."""
    x = K * radius_m * np.sin(np.minimum(ANGLE, np.pi / 2))
    safe = np.where(x < 1e-6, 1.0, x)
    return np.where(x < 1e-6, 1.0, 2 * j1(safe) / safe)


def _formula(random: Random) -> tuple[ComplexArray, float]:
    crossover, corner = random.uniform(1500.0, 3000.0), float(random.uniform(35.0, 75.0))
    s = 1j * HZ / crossover
    low = 1 / (s**2 + np.sqrt(2) * s + 1) ** 2
    width = K * random.uniform(0.08, 0.15)
    share = 0.8 * width**2 / (1 + width**2)
    shade = (1 + share * np.cos(ANGLE)) / (1 + share)
    apart = random.choice([0.0, 1.0]) * random.uniform(0.1, 0.18)
    delay = np.exp(1j * K * apart * UP)
    total = low * _piston(random.uniform(0.05, 0.085)) / delay + low * s**4 * _piston(random.uniform(0.009, 0.013))
    order = random.choice([2, 4])
    level = random.uniform(-0.2, 0.2) * X - 10 * np.log10(1 + (corner / HZ) ** (2 * order))
    return np.asarray(total * shade * 10 ** (level / 20) * 0.2, dtype=np.complex128), corner


def _two_flaws(random: Random, corner_hz: float) -> list[tuple[str, float, float, float]]:
    while True:
        centers = np.exp(random.uniform(np.log(max(150.0, 3 * corner_hz)), np.log(10_000.0), 2))
        if abs(np.log2(centers[1] / centers[0])) > 1.5:
            break
    found = []
    for center in centers:
        kind = str(random.choice(KINDS))
        gain = float(random.choice([-1.0, 1.0])) * log_uniform(random, 0.5, 8.0)
        wide = kind in ("off_axis", "vertical")
        if wide or kind == "near_axis":
            gain = -abs(gain) * {"vertical": 2.5, "off_axis": 1.5}.get(kind, 1.0)
            center = max(center, 600.0) if kind == "near_axis" else center
        found.append((kind, float(center), log_uniform(random, 1.0, 3.0 if wide else 10.0), gain))
    return found


def _bell(kind: str, center_hz: float, q: float, gain_db: float) -> FloatArray:
    shape = peaking_db(X, float(np.log2(center_hz / 1000.0)), float(np.log(q)), gain_db)
    wide = 1 - np.exp(-((DEG / 55.0) ** 4))
    place = {
        "source": np.ones_like(ANGLE),
        "near_axis": np.exp(-((DEG / 9.0) ** 2)),
        "off_axis": wide,
        "vertical": wide * (np.abs(UP) > 1e-6),
    }
    return np.asarray(place[kind] * shape)


def held_out(seed: int) -> World:
    random = np.random.default_rng([seed, 12])
    bare, corner_hz = _arranged(random)
    flaws = tuple(Flaw(*row, _shaped(random, *row)) for row in _some_flaws(random, corner_hz))
    return World(bare, flaws, with_errors(random, 0.25))


def _butterworth(order: int, s: ComplexArray) -> ComplexArray:
    value = np.ones_like(s)
    for k in range(order // 2):
        value = value * (s * s + 2 * np.sin((2 * k + 1) * np.pi / (2 * order)) * s + 1)
    return value * (s + 1) if order % 2 else value


def _split(corner_hz: float, kind: str) -> tuple[ComplexArray, ComplexArray]:
    """Low- and high-pass; the polarity that sums flat or nearly so."""
    s = np.asarray(1j * HZ / corner_hz, dtype=np.complex128)
    order = int(kind[2:])
    if kind.startswith("BW"):
        low = 1 / _butterworth(order, s)
    else:
        low = 1 / _butterworth(order // 2, s) ** 2
    return low, low * s**order * (-1 if kind == "LR2" else 1)


def _beam(radius_m: float, most: float) -> FloatArray:
    power = np.minimum(0.35 * (K * radius_m) ** 2, most)
    return np.asarray(np.maximum((1 + np.cos(ANGLE)) / 2, 0.02) ** power)


def _at(up_m: float, left_m: float = 0.0) -> ComplexArray:
    return np.asarray(np.exp(1j * K * (up_m * UP + left_m * VECTORS[:, 1][:, None])), dtype=np.complex128)


def _drivers(random: Random) -> ComplexArray:
    layout = str(random.choice(["two-way", "three-way", "coaxial", "symmetric"]))
    low, high = _split(log_uniform(random, 1200.0, 3800.0), str(random.choice(["LR2", "BW3", "LR4", "LR8"])))
    aside = random.uniform(-0.04, 0.04) * (random.random() < 0.3)
    dome = random.random() < 0.7
    tweeter = _beam(random.uniform(0.011, 0.02), 8.0) if dome else _beam(random.uniform(0.05, 0.08), 4.0)
    radius, apart = random.uniform(0.045, 0.09), random.uniform(0.09, 0.16)
    woofer, treble = low * _beam(radius, 6.0), high * tweeter
    if layout == "coaxial":
        total = woofer + treble
    elif layout == "symmetric":
        total = woofer * 0.5 * (_at(apart) + _at(-apart)) + treble * _at(0.0, aside)
    elif layout == "three-way":
        bass, rest = _split(random.uniform(200.0, 500.0), "LR4")
        middle = rest * low * _beam(0.7 * radius, 6.0) * _at(-apart)
        # The lower crossover's all-pass keeps the sum flat on the axis.
        total = bass * low * _beam(random.uniform(0.09, 0.13), 6.0) * _at(-0.35) + middle
        total = total + (bass + rest) * treble * _at(0.0, aside)
    else:
        total = woofer * _at(-apart) + treble * _at(0.0, aside)
    return np.asarray(total / np.abs(low + high), dtype=np.complex128)


def _arranged(random: Random) -> tuple[ComplexArray, float]:
    total, corner = _drivers(random), log_uniform(random, 28.0, 110.0)
    behind, size = (1 - np.cos(ANGLE)) / 2, HZ * random.uniform(0.15, 0.4) / 120.0
    shade = -(3.0 + 7.0 * behind) * behind * size**2 / (1 + size**2)
    level = random.uniform(-0.25, 0.25) * X - 10 * np.log10(1 + (corner / HZ) ** (2 * random.uniform(1.5, 5.0)))
    level = level - 10 * np.log10(1 + (HZ / log_uniform(random, 15_000.0, 40_000.0)) ** 4)
    left = np.sign(VECTORS[:, 1] + 1e-9)[:, None]
    edges = np.ones_like(total)
    for _ in range(int(random.integers(1, 4))):
        path = random.uniform(0.06, 0.3) * (1 - 0.5 * np.sin(ANGLE) * left)
        edges = edges + random.uniform(0.005, 0.02) * np.exp(-1j * K * path) * np.cos(ANGLE / 2)
    return np.asarray(total * edges * 10 ** ((level + shade) / 20) * 0.2, dtype=np.complex128), corner


def _some_flaws(random: Random, corner_hz: float) -> list[tuple[str, float, float, float]]:
    count, found = int(random.integers(1, 5)), list[tuple[str, float, float, float]]()
    for _ in range(200):
        if len(found) == count:
            break
        kind = str(random.choice(KINDS))
        center = log_uniform(random, 1500.0 if kind == "near_axis" else max(120.0, 3 * corner_hz), 12_000.0)
        if any(abs(np.log2(center / other[1])) < 0.8 for other in found):
            continue
        q = log_uniform(random, 0.8, 14.0 if kind in ("source", "near_axis") else 5.0)
        gain = log_uniform(random, 0.6, 7.0)
        signs: dict[str, Any] = {
            "source": lambda: random.choice([-1.0, 1.0]),
            "near_axis": lambda: -1.0,
            "off_axis": lambda: 2.0 * random.choice([-1.0, 1.0]),
            "vertical": lambda: -3.0 if random.random() < 0.8 else 1.5,
        }
        found.append((kind, center, q, float(gain * signs[kind]())))
    return found


def _shaped(random: Random, kind: str, center_hz: float, q: float, gain_db: float) -> FloatArray:
    """(D, F) change of level."""
    spread = half_size_octaves(q) / 2.355
    bump = gain_db * np.exp(-0.5 * ((X - np.log2(center_hz / 1000.0)) / spread) ** 2)
    band = 1 / (1 + 1j * q * (HZ / center_hz - center_hz / HZ))
    if kind == "source":
        form = str(random.choice(["bell", "turned", "bump"]))
        if form == "bell":
            bump = peaking_db(X, float(np.log2(center_hz / 1000.0)), float(np.log(q)), gain_db)
        elif form == "turned":
            added = (10 ** (gain_db / 20) - 1) * np.exp(1j * random.uniform(-0.6, 0.6))
            bump = 20 * np.log10(np.abs(1 + added * band))
        return np.asarray(bump * np.ones_like(ANGLE))
    if kind == "near_axis":
        ring = j0(K * random.uniform(0.05, 0.12) * np.sin(np.minimum(ANGLE, np.pi / 2))) * np.exp(-((DEG / 60) ** 4))
        return np.asarray(20 * np.log10(np.abs(1 - (1 - 10 ** (gain_db / 20)) * band * ring)))
    if kind == "off_axis":
        return np.asarray(bump / (1 + np.exp(-(DEG - random.uniform(45.0, 80.0)) / random.uniform(5.0, 10.0))))
    side = {"both": np.abs(UP), "above": UP, "below": -UP}[str(random.choice(["both", "above", "below"]))] > 1e-6
    return np.asarray(side * bump / (1 + np.exp(-(DEG * side - random.uniform(20.0, 50.0)) / random.uniform(4.0, 9.0))))


DRAWS: dict[str, Callable[[int], World]] = {"training": training, "held out": held_out}
