"""Operating curve of the findings: random simulated loudspeakers with planted flaws, hits by size, false alarms.

Run: python benchmarks/detection.py [loudspeakers] [first seed]; writes Markdown tables. Each loudspeaker of both
populations of `detection_worlds` is looked at with its flaws and without. Settings of the findings are chosen by the
training draw alone. The size of a flaw off the axis is the largest change it makes to the predicted in-room response;
of one in the source or near the axis, to the level on the axis.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from detection_worlds import DRAWS, HZ, KINDS, Flaw, World, exact

from earwitness.figures.read import levels_of
from earwitness.figures.windows import windows
from earwitness.insight.findings import Finding, find
from earwitness.insight.findings.decompose import half_size_octaves
from earwitness.quantities import DirectionalResponse, Reading

BINS = ((0.5, 1.0), (1.0, 2.0), (2.0, 4.0), (4.0, 8.0))
QS = ((0.0, 1.5), (1.5, 4.0), (4.0, 50.0))
PLACES_HZ = ((100.0, 500.0), (500.0, 3000.0), (3000.0, 20_000.0))
FIRST_SEED = 1000
"""Loudspeakers before it were looked at while settings were chosen."""
LIMITS_DB = (0.5, 0.7, 1.0, 1.5, 2.0)
IN_DIRECT = ("source", "near_axis", "partial", "load", "port")


@dataclass(frozen=True, slots=True)
class Planted:
    """A flaw as the curves show it, and the findings there."""

    flaw: Flaw
    size_db: float
    center_hz: float
    met: tuple[Finding, ...]


def reading_of(response: DirectionalResponse) -> Reading:
    return Reading(windows(levels_of(response)).curves, {}, {}, {}, {})


def found_in(response: DirectionalResponse) -> list[Finding]:
    return [one for one in find(reading_of(response), response) if one.q is not None]


def meets(finding: Finding, center_hz: float, q: float, size_db: float) -> bool:
    near = abs(np.log2(finding.center_hz / center_hz)) < max(0.15, 0.5 * half_size_octaves(q))
    return bool(near and finding.size_db * size_db > 0)


def planted(world: World, found: Sequence[Finding]) -> Iterator[Planted]:
    bare = reading_of(exact(world.bare)).curves
    for flaw in world.flaws:
        alone = reading_of(exact(world.bare * 10 ** (flaw.change_db / 20))).curves
        key = "in_room" if flaw.kind in ("off_axis", "vertical") else "on_axis"
        change = alone[key].values - bare[key].values
        row = int(np.argmax(np.abs(change)))
        size, center = float(change[row]), float(HZ[row])
        yield Planted(flaw, size, center, tuple(one for one in found if meets(one, center, flaw.q, size)))


def share(rows: Sequence[Planted], met: Callable[[Planted], bool]) -> str:
    return f"{100 * np.mean([met(one) for one in rows]):.0f} %" if rows else "none"


def print_sizes(every: Sequence[Planted]) -> None:
    print("| planted flaw | " + " | ".join(f"{low:g} to {high:g} dB" for low, high in BINS) + " |")
    print("| --- |" + " --- |" * len(BINS))
    for kind in KINDS:
        cells = []
        for low, high in BINS:
            rows = [one for one in every if one.flaw.kind == kind and low <= abs(one.size_db) < high]
            right = share(rows, lambda one: any(met.kind == one.flaw.kind for met in one.met))
            cells.append(f"{share(rows, lambda one: bool(one.met))} / {right} ({len(rows)})" if rows else "none")
        print(f"| {kind.replace('_', ' ')} | " + " | ".join(cells) + " |")
    print("\nFound / found with the right kind (number planted).\n")


def print_places(every: Sequence[Planted]) -> None:
    heads = [f"Q {low:g} to {high:g}" for low, high in QS] + [f"{low:g} to {high:g} Hz" for low, high in PLACES_HZ]
    print("| flaws of 1 dB and more | " + " | ".join(heads) + " |")
    print("| --- |" + " --- |" * len(heads))
    large = [one for one in every if abs(one.size_db) >= 1.0]
    for kind in KINDS:
        own = [one for one in large if one.flaw.kind == kind]
        parts = [[one for one in own if low <= one.flaw.q < high] for low, high in QS]
        parts += [[one for one in own if low <= one.center_hz < high] for low, high in PLACES_HZ]
        cells = [f"{share(rows, lambda one: bool(one.met))} ({len(rows)})" for rows in parts]
        print(f"| {kind.replace('_', ' ')} | " + " | ".join(cells) + " |")
    print("\nFound (number planted).\n")


def print_operating_curve(every: Sequence[Planted], bare: Sequence[Sequence[Finding]]) -> None:
    print("| reported from | " + " | ".join(kind.replace("_", " ") for kind in KINDS) + " | false alarms, audible |")
    print("| --- |" + " --- |" * (len(KINDS) + 1))
    for limit in LIMITS_DB:
        cells = []
        for kind in KINDS:
            own = [one for one in every if one.flaw.kind == kind and abs(one.size_db) >= 0.5]
            largest = [max((abs(met.size_db) for met in one.met), default=0.0) for one in own]
            cells.append(f"{100 * np.mean(np.array(largest) >= limit):.0f} %" if own else "none")
        false = [one for found in bare for one in found if one.kind in IN_DIRECT and abs(one.size_db) >= limit]
        audible = sum(one.is_audible for one in false)
        cells.append(f"{len(false) / len(bare):.2f}, {audible / len(bare):.3f}")
        print(f"| {limit:g} dB | " + " | ".join(cells) + " |")
    print("\nFlaws of 0.5 dB and more found; false alarms in the direct sound of a loudspeaker without flaws.\n")


def print_errors(every: Sequence[Planted]) -> None:
    rows = []
    for one in every:
        if one.flaw.kind == "source" and one.met and abs(one.size_db) >= 0.5:
            best = min(one.met, key=lambda met: abs(met.size_db - one.size_db))
            off = best.size_db - one.size_db
            rows.append((off, np.log2(best.center_hz / one.center_hz), abs(off) <= 2 * best.u_db, 2 * best.u_db))
    if rows:
        size, center, _, expanded = np.median(np.abs(np.array(rows, dtype=float)), axis=0)
        inside = np.mean([row[2] for row in rows])
        print(
            f"Sources: median error of size {size:.2f} dB, of center {center:.3f} octaves; {100 * inside:.0f} % of "
            f"{len(rows)} sizes inside their 95 % uncertainty, its median {expanded:.2f} dB.\n"
        )


def main(count: int, draws: Sequence[str] = ("training",), *, first: int = 0, flawless: bool = False) -> None:
    """Score loudspeakers of draws, their seeds from first on; flawless : look at each without its flaws too."""
    for draw in draws:
        started = time.perf_counter()
        every: list[Planted] = []
        bare: list[list[Finding]] = []
        for seed in range(first, first + count):
            world = DRAWS[draw](seed)
            every += planted(world, found_in(world.measured(world.flawed)))
            if flawless:
                bare.append(found_in(world.measured(world.bare)))
        print(f"### The {draw} draw\n")
        print_sizes(every)
        if flawless:
            print_places(every)
            print_operating_curve(every, bare)
        print_errors(every)
        print(f"{count} loudspeakers, {time.perf_counter() - started:.0f} s.\n")


if __name__ == "__main__":
    told = [int(word) for word in sys.argv[1:]]
    main(told[0] if told else 150, tuple(DRAWS), first=told[1] if len(told) > 1 else FIRST_SEED, flawless=True)
