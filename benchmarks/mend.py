"""Time of an equalizer's design with all reports, of a moved slider, and of the aim study.

    python benchmarks/mend.py [--loudspeaker KEY] [--runs N]

On the invented loudspeaker's truth, 70 positions of 1/48 octave. A design is timed from levels and curves at hand to
the mended curves and figures: the problem, the search with the worth of every count of bands, the curves anew, ratings,
linearity, headroom and the spread between units. Goals: 50 ms with 5 bands, 300 ms with 10, 5 ms for a slider. Below,
scipy's differential evolution on the same cost with 100 times the search's time.
"""

from __future__ import annotations

import argparse
import statistics
import time
from collections.abc import Callable

import numpy as np
from earwitness.insight.mend.worth import worth_of
from scipy.optimize import differential_evolution

from earwitness.demo.world import true_pressure
from earwitness.figures.read import levels_of
from earwitness.figures.windows import windows
from earwitness.insight.mend.aim import aim_study
from earwitness.insight.mend.design import Limits, Problem, cost, design, design_path, problem_of, task_of
from earwitness.insight.mend.equalizer import KINDS, Band, Equalizer
from earwitness.insight.mend.goal import flat_window
from earwitness.insight.mend.report import desk_of, mended, moved
from earwitness.quantities import DirectionalResponse, cta_orbits, report_axis
from earwitness.quantities.arrays import FloatArray

EVOLUTION_TIMES = 100


def times_ms(run: Callable[[], object], runs: int) -> str:
    """Smallest and middle wall time, smallest processor time."""
    walls, processors = [], []
    for _ in range(runs):
        wall, processor = time.perf_counter(), time.process_time()
        run()
        walls.append(1e3 * (time.perf_counter() - wall))
        processors.append(1e3 * (time.process_time() - processor))
    return f"{min(walls):10.2f}{statistics.median(walls):10.2f}{min(processors):10.2f}"


def evolution(problem: Problem, count: int) -> tuple[float, float, float]:
    """Seconds of our search, its cost, and differential evolution's cost in 100 times the time (peaking bands)."""
    began = time.perf_counter()
    ours = design(problem, count)
    taken = time.perf_counter() - began

    def price(values: FloatArray) -> float:
        rows = values.reshape(count, 3)
        bands = (Band(KINDS[0], float(np.exp(f)), float(g), float(np.exp(q))) for f, q, g in rows)
        return cost(problem, Equalizer(tuple(bands)))

    task = task_of(problem)
    box = list(zip(np.tile(task.low[0], count), np.tile(task.high[0], count), strict=True))
    until = time.perf_counter() + EVOLUTION_TIMES * taken
    found = differential_evolution(
        price, box, seed=1, maxiter=10**6, tol=0.0, callback=lambda *_: time.perf_counter() > until
    )
    return taken, cost(problem, ours.equalizer), float(found.fun)


class Bench:
    """Levels, curves and goal of an invented loudspeaker at hand."""

    def __init__(self, loudspeaker: str) -> None:
        axis, directions = report_axis(), cta_orbits()
        pressure = true_pressure(loudspeaker, directions, axis.hz)
        u, common = np.full(pressure.shape, 0.15), np.full(len(axis), 0.3)
        valid = np.ones(pressure.shape, dtype=bool)
        self.levels = levels_of(DirectionalResponse(axis, directions, pressure, u, common, valid))
        self.before = windows(self.levels).curves
        self.goal = flat_window()
        self.problem = problem_of(self.levels, self.goal, curves=self.before)
        self.five = design(self.problem, 5).equalizer
        self.desk = desk_of(self.levels)

    def whole(self, count: int) -> object:
        """A design with everything that is told about it."""
        problem = problem_of(self.levels, self.goal, curves=self.before)
        path = design_path(problem, count)
        return worth_of(path), mended(self.levels, path[-1].equalizer, before=self.before, problem=problem)

    def slider(self) -> object:
        """All curves for an equalizer that was moved."""
        return moved(self.desk, self.five)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--loudspeaker", default="causeway")
    parser.add_argument("--runs", type=int, default=15)
    given = parser.parse_args()
    bench, runs = Bench(given.loudspeaker), given.runs
    levels, before, goal, five = bench.levels, bench.before, bench.goal, bench.five
    print(f"{'':34}{'best ms':>10}{'median ms':>10}{'cpu ms':>10}")
    print(f"{'5 bands with all reports':34}{times_ms(lambda: bench.whole(5), runs)}")
    print(f"{'10 bands with all reports':34}{times_ms(lambda: bench.whole(10), runs)}")
    print(f"{'  of it the problem':34}{times_ms(lambda: problem_of(levels, goal, curves=before), runs)}")
    print(f"{'  of it the search, 5 bands':34}{times_ms(lambda: design_path(bench.problem, 5), runs)}")
    print(f"{'  of it the reports':34}{times_ms(lambda: mended(levels, five, before=before), runs)}")
    print(f"{'slider: 70 positions, 14 curves':34}{times_ms(bench.slider, runs)}")
    study = times_ms(lambda: aim_study(levels, bands=5), max(1, runs // 5))
    print(f"{'9 aims, 5 bands for each':34}{study}")
    peaks = Limits(kinds=("peaking",))
    for count in (2, 3):
        taken, ours, theirs = evolution(problem_of(levels, goal, limits=peaks, curves=before), count)
        print(
            f"{count} bands: cost {ours:.6f} dB² in {1e3 * taken:.0f} ms; "
            f"differential evolution in {EVOLUTION_TIMES} times that {theirs:.6f} dB²"
        )


if __name__ == "__main__":
    main()
