"""Random loudspeakers with known truth in every direction, for benchmarks/equalizer_truth.py.

Three laws: the two of benchmarks/detection_worlds.py, and one of this file: two-way loudspeakers of pistons and
waveguides with edges of the baffle, an uncorrected baffle step now and then, and up to three flaws. Each comes in three
kinds: "drawn" (flaws of all kinds), "none" (nothing planted) and "source" (flaws of the source alone, 2 to 6 dB).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from detection_worlds import (
    ANGLE,
    AXIS,
    DEG,
    DIRECTIONS,
    DRAWS,
    HZ,
    UP,
    VECTORS,
    ComplexArray,
    FloatArray,
    Random,
    X,
    exact,
    log_uniform,
    with_errors,
)
from scipy.special import j1

from earwitness.insight.findings.decompose import peaking_db
from earwitness.quantities import DirectionalResponse

LAWS = ("training", "held out", "own")
KINDS = ("drawn", "none", "source")
K = 2 * np.pi * HZ / 343.0


@dataclass(frozen=True, slots=True)
class Planted:
    """A flaw as it was planted; kind "source" is the same in every direction."""

    kind: str
    center_hz: float
    q: float
    gain_db: float


@dataclass(frozen=True, slots=True)
class Case:
    """One loudspeaker: its truth without errors, and as it was measured."""

    law: str
    kind: str
    seed: int
    flaws: tuple[Planted, ...]
    truth: DirectionalResponse
    measured: DirectionalResponse


def cases(first: int, count: int) -> Iterator[Case]:
    """`count` seeds from `first` on, each of all laws and kinds."""
    for seed in range(first, first + count):
        for law in LAWS:
            for kind in KINDS:
                yield case(law, kind, seed)


def case(law: str, kind: str, seed: int) -> Case:
    """The same every time."""
    if law == "own":
        random = np.random.default_rng([seed, 31])
        bare, corner_hz = _bare(random, stepped=kind == "drawn")
        flaws, change = _flaws(random, kind, corner_hz)
        see = with_errors(random, 0.2)
    else:
        world = DRAWS[law](seed)
        bare, see = world.bare, world.measured
        flaws, change = _planted(world.flaws, kind, np.random.default_rng([seed, 77]))
    pressure = np.asarray(bare * 10 ** (change / 20), dtype=np.complex128)
    return Case(law, kind, seed, flaws, exact(pressure), see(pressure))


def _planted(drawn: tuple, kind: str, random: Random) -> tuple[tuple[Planted, ...], FloatArray]:  # type: ignore[type-arg]
    """Flaws and their change (D, F) for a world of detection_worlds."""
    nothing = np.zeros((1, HZ.size))
    if kind == "none":
        return (), nothing
    if kind == "source":
        gain = float(random.choice([-1, 1])) * log_uniform(random, 2.0, 6.0)
        one = Planted("source", log_uniform(random, 300.0, 8000.0), log_uniform(random, 1.0, 8.0), gain)
        return (one,), _bell(one)
    found = tuple(Planted(flaw.kind, flaw.center_hz, flaw.q, flaw.gain_db) for flaw in drawn)
    return found, sum((flaw.change_db for flaw in drawn), nothing)


def _bell(one: Planted) -> FloatArray:
    shape = peaking_db(X, float(np.log2(one.center_hz / 1000.0)), float(np.log(one.q)), one.gain_db)
    return np.asarray(shape, dtype=float)[None, :]


def _piston(radius_m: float, floor: float) -> FloatArray:
    """(D, F) 2 J1(z) / z of a flat piston, its nulls filled a little as those of real cones are."""
    z = np.maximum(K * radius_m * np.sin(np.minimum(ANGLE, np.pi / 2)), 1e-6)
    return np.asarray(np.hypot(2 * j1(z) / z, floor * np.minimum(z / 4, 1)), dtype=float)


def _bare(random: Random, *, stepped: bool) -> tuple[ComplexArray, float]:
    """(D, F) pressure and the bass corner. stepped : now and then a baffle step that was not corrected."""
    crossover = log_uniform(random, 1400.0, 3500.0)
    s = 1j * HZ / crossover
    low = 1 / (s**2 + np.sqrt(2) * s + 1) ** 2
    tweeter = _piston(random.uniform(0.011, 0.016), 0.05)
    cosine = np.cos(ANGLE)
    if random.random() < 0.4:
        size = (K * 0.07) ** 2
        tweeter = tweeter * np.maximum((1 + cosine) / 2, 0.03) ** (random.uniform(1.0, 2.2) * size / (1 + size))
    gap = random.uniform(0.0, 0.17)
    woofer = low * _piston(random.uniform(0.05, 0.1), 0.05) * np.exp(-1j * K * gap * UP)
    total = woofer + low * s**4 * tweeter
    total = total / np.sqrt(1 + (1 - cosine) / 2 * (HZ * random.uniform(0.16, 0.32) / 120.0) ** 2)
    left = np.sign(VECTORS[:, 1] + 1e-9)[:, None]
    for _ in range(int(random.integers(0, 3))):
        path = random.uniform(0.08, 0.25) * (1 - 0.5 * np.sin(ANGLE) * left)
        total = total * (1 + random.uniform(0.005, 0.02) * np.exp(-1j * K * path) * np.cos(ANGLE / 2))
    corner, order = log_uniform(random, 30.0, 90.0), float(random.choice([2, 4]))
    level = random.uniform(-0.15, 0.15) * X - 10 * np.log10(1 + (corner / HZ) ** (2 * order))
    step = random.uniform(0.0, 2.0) * (random.random() < 0.3) * stepped
    level = level + step / (1 + (400.0 / HZ) ** 2)
    return np.asarray(total * 10 ** (level / 20) * 0.2, dtype=np.complex128), corner


def _flaws(random: Random, kind: str, corner_hz: float) -> tuple[tuple[Planted, ...], FloatArray]:
    change, found = np.zeros((len(DIRECTIONS), HZ.size)), []
    for _ in range(0 if kind == "none" else int(random.integers(1, 4))):
        is_source = kind == "source" or random.random() < 0.6
        name = "source" if is_source else str(random.choice(["near_axis", "off_axis", "vertical"]))
        center = log_uniform(random, max(150.0, 3 * corner_hz), 10_000.0)
        q = log_uniform(random, 1.0, 8.0)
        gain = float(random.choice([-1, 1])) * log_uniform(random, 2.0 if kind == "source" else 0.6, 6.0)
        one = Planted(name, center, q, gain)
        place = {
            "source": np.ones_like(ANGLE),
            "near_axis": np.exp(-((DEG / 12.0) ** 2)),
            "off_axis": 1 / (1 + np.exp(-(DEG - 60.0) / 8.0)),
            "vertical": (1 - np.exp(-((DEG / 40.0) ** 4))) * (np.abs(UP) > 1e-6),
        }[name]
        change = change + place * (_bell(one) if is_source else -np.abs(_bell(one)) * 1.3)
        found.append(one)
    return tuple(found), change


__all__ = ["AXIS", "Case", "Planted", "case", "cases"]
