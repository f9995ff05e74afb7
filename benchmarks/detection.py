"""Operating curve of the findings: random simulated loudspeakers with planted flaws, hits by size, false alarms.

Run: python benchmarks/detection.py [loudspeakers]; writes a Markdown table. Two-way loudspeakers by formula: pistons
(2 J1(x) / x) on a body that shades the rear, fourth-order Linkwitz-Riley crossover (sums flat on axis), drivers 10 to
18 cm apart or at one place, Butterworth bass of order 2 or 4, a tilt up to 0.2 dB/octave, noise from point to point
and from direction to direction. Each carries two flaws of random kind, frequency, size and Q. The size of a flaw off
the axis is the largest change it makes to the predicted in-room response.
"""

from __future__ import annotations

import sys
import time
from collections import defaultdict

import numpy as np
from numpy.typing import NDArray
from scipy.special import j1

from earwitness.figures.read import levels_of
from earwitness.figures.windows import windows
from earwitness.insight.findings import Finding, find
from earwitness.insight.findings.shapes import half_size_octaves, peaking_db
from earwitness.quantities import DirectionalResponse, Reading, cta_orbits, report_axis

FloatArray = NDArray[np.float64]

AXIS, DIRECTIONS = report_axis(), cta_orbits()
HZ, VECTORS = AXIS.hz, DIRECTIONS.unit_vectors()
K = 2 * np.pi * HZ / 343.0
ANGLE = np.arccos(np.clip(VECTORS[:, 0], -1.0, 1.0))[:, None]
UP = np.abs(VECTORS[:, 2])[:, None]
KINDS = ("source", "near_axis", "off_axis", "vertical")
EXPECTED = {"source": {"source"}, "near_axis": {"near_axis"}, "off_axis": {"off_axis"}, "vertical": {"vertical"}}
BINS = ((0.5, 1.0), (1.0, 2.0), (2.0, 4.0), (4.0, 8.0))


def piston(radius_m: float) -> FloatArray:
    """(D, F) far field of a flat piston over its value on the axis; the rear half repeats the edge."""
    x = K * radius_m * np.sin(np.minimum(ANGLE, np.pi / 2))
    safe = np.where(x < 1e-6, 1.0, x)
    return np.where(x < 1e-6, 1.0, 2 * j1(safe) / safe)


def sound_of(random: np.random.Generator) -> tuple[NDArray[np.complex128], float]:
    """(D, F) pressure of a loudspeaker without a flaw, and its lower corner."""
    crossover, corner = random.uniform(1500.0, 3000.0), random.uniform(35.0, 75.0)
    s = 1j * HZ / crossover
    low = 1 / (s**2 + np.sqrt(2) * s + 1) ** 2
    width = K * random.uniform(0.08, 0.15)
    share = 0.8 * width**2 / (1 + width**2)
    shade = (1 + share * np.cos(ANGLE)) / (1 + share)
    apart = random.choice([0.0, 1.0]) * random.uniform(0.1, 0.18)
    delay = np.exp(1j * K * apart * VECTORS[:, 2][:, None])
    total = low * piston(random.uniform(0.05, 0.085)) / delay + low * s**4 * piston(random.uniform(0.009, 0.013))
    order = random.choice([2, 4])
    level = random.uniform(-0.2, 0.2) * np.log2(HZ / 1000.0) - 10 * np.log10(1 + (corner / HZ) ** (2 * order))
    return total * shade * 10 ** (level / 20) * 0.2, corner


def flaw_db(kind: str, center_hz: float, q: float, gain_db: float) -> FloatArray:
    """(D, F) change of level by one flaw."""
    shape = peaking_db(np.log2(HZ / 1000.0), float(np.log2(center_hz / 1000.0)), float(np.log(q)), gain_db)
    near = np.exp(-((np.rad2deg(ANGLE) / 9.0) ** 2))
    wide = 1 - np.exp(-((np.rad2deg(ANGLE) / 55.0) ** 4))
    place = {"source": np.ones_like(ANGLE), "near_axis": near, "off_axis": wide, "vertical": wide * (UP > 1e-6)}
    return place[kind] * shape


def reading_of(response: DirectionalResponse) -> Reading:
    return Reading(windows(levels_of(response)).curves, {}, {}, {}, {})


def measured(pressure: NDArray[np.complex128], noise_db: float, random: np.random.Generator) -> DirectionalResponse:
    off = noise_db * (random.normal(size=pressure.shape) + random.normal(size=(len(pressure), 1))) / np.sqrt(2)
    u = np.full(pressure.shape, noise_db)
    return DirectionalResponse(
        AXIS, DIRECTIONS, pressure * 10 ** (off / 20), u, np.full(HZ.size, 0.2), np.ones(pressure.shape, dtype=bool)
    )


def planted(random: np.random.Generator, corner_hz: float) -> list[tuple[str, float, float, float]]:
    """Two flaws at least an octave and a half apart: kind, center, Q, gain."""
    while True:
        centers = np.exp(random.uniform(np.log(max(150.0, 3 * corner_hz)), np.log(10_000.0), 2))
        if abs(np.log2(centers[1] / centers[0])) > 1.5:
            break
    found = []
    for center in centers:
        kind = str(random.choice(KINDS))
        gain = float(random.choice([-1.0, 1.0]) * np.exp(random.uniform(np.log(0.5), np.log(8.0))))
        wide = kind in ("off_axis", "vertical")
        if wide or kind == "near_axis":
            gain = -abs(gain) * {"vertical": 2.5, "off_axis": 1.5}.get(kind, 1.0)
            center = max(center, 600.0) if kind == "near_axis" else center
        q = float(np.exp(random.uniform(np.log(1.0), np.log(3.0 if wide else 10.0))))
        found.append((kind, float(center), q, gain))
    return found


def meets(finding: Finding, center_hz: float, q: float, gain_db: float) -> bool:
    near = abs(np.log2(finding.center_hz / center_hz)) < max(0.15, 0.5 * half_size_octaves(q))
    return bool(near and finding.size_db * gain_db > 0)


def main(count: int) -> None:
    hits: dict[tuple[str, int], list[tuple[bool, bool]]] = defaultdict(list)
    false, loud_false, started = 0, 0, time.perf_counter()
    errors: list[tuple[float, float, float]] = []
    for seed in range(count):
        random = np.random.default_rng(seed)
        pressure, corner = sound_of(random)
        flaws = planted(random, corner)
        whole = pressure * 10 ** (sum(flaw_db(*flaw) for flaw in flaws) / 20)
        response = measured(whole, float(random.uniform(0.05, 0.2)), random)
        found = find(reading_of(response), response)
        bare = reading_of(measured(pressure, 0.0, random)).curves["in_room"].values
        for kind, center, q, gain in flaws:
            size = abs(gain)
            if kind in ("off_axis", "vertical"):
                alone = measured(pressure * 10 ** (flaw_db(kind, center, q, gain) / 20), 0.0, random)
                size = float(np.abs(reading_of(alone).curves["in_room"].values - bare).max())
            match = [one for one in found if meets(one, center, q, gain)]
            box = next((i for i, (low, high) in enumerate(BINS) if low <= size < high), None)
            if box is not None:
                hits[kind, box].append((bool(match), any(one.kind in EXPECTED[kind] for one in match)))
            if kind == "source" and match:
                best = min(match, key=lambda one: abs(one.size_db - gain))
                errors.append((best.size_db - gain, np.log2(best.center_hz / center), np.log((best.q or q) / q)))
        for one in found:
            direct = one.kind in ("source", "near_axis", "partial", "load", "port")
            if direct and not any(meets(one, *flaw[1:]) for flaw in flaws):
                false += 1
                loud_false += one.is_audible
    print("| planted flaw | " + " | ".join(f"{low:g} to {high:g} dB" for low, high in BINS) + " |")
    print("| --- |" + " --- |" * len(BINS))
    for kind in KINDS:
        cells = []
        for i in range(len(BINS)):
            rows = np.array(hits[kind, i], dtype=float).reshape(-1, 2)
            cells.append(
                f"{100 * rows[:, 0].mean():.0f} % / {100 * rows[:, 1].mean():.0f} % ({len(rows)})"
                if len(rows)
                else "none"
            )
        print(f"| {kind.replace('_', ' ')} | " + " | ".join(cells) + " |")
    print(f"\nFound / found with the right kind (number planted); {count} loudspeakers, two flaws each.")
    print(f"False alarms in the direct sound: {false / count:.2f} a loudspeaker, audible: {loud_false / count:.3f}.")
    if errors:
        size, center_off, q_off = np.median(np.abs(np.array(errors)), axis=0)
        print(
            f"Median error in the source: size {size:.2f} dB, center {center_off:.3f} octaves, Q {100 * q_off:.0f} %."
        )
    print(f"Run time {time.perf_counter() - started:.0f} s.")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300)
