"""Time of the whole answer on an equalizer, of a moved slider, and of the aim study.

    python benchmarks/mend.py [--loudspeaker KEY] [--runs N]

On the invented loudspeaker's truth, 70 positions of 1/48 octave. The answer is timed from levels at hand to the
verdict: what is wanted, the search up to 5 bands, the draws, pruning, guard and words. Goals: 100 ms of processor time,
5 ms for a slider. benchmarks/equalizer_truth.py holds the search against scipy's differential evolution.
"""

from __future__ import annotations

import argparse
import statistics
import time
from collections.abc import Callable

import numpy as np

from earwitness.demo.world import true_pressure
from earwitness.figures.read import levels_of
from earwitness.figures.windows import windows
from earwitness.insight.mend.aim import aim_study
from earwitness.insight.mend.design import design, paths_of
from earwitness.insight.mend.live import prepared, weighed
from earwitness.insight.mend.objective import problem_of
from earwitness.insight.mend.report import mended
from earwitness.insight.mend.stop import choose, verdict_of
from earwitness.insight.mend.views import views_of
from earwitness.quantities import DirectionalResponse, cta_orbits, report_axis


def times_ms(run: Callable[[], object], runs: int) -> str:
    """Smallest and middle wall time, smallest processor time."""
    walls, processors = [], []
    for _ in range(runs):
        wall, processor = time.perf_counter(), time.process_time()
        run()
        walls.append(1e3 * (time.perf_counter() - wall))
        processors.append(1e3 * (time.process_time() - processor))
    return f"{min(walls):10.2f}{statistics.median(walls):10.2f}{min(processors):10.2f}"


class Bench:
    """Levels, curves and problem of an invented loudspeaker at hand."""

    def __init__(self, loudspeaker: str) -> None:
        axis, directions = report_axis(), cta_orbits()
        pressure = true_pressure(loudspeaker, directions, axis.hz)
        u, common = np.full(pressure.shape, 0.15), np.full(len(axis), 0.3)
        valid = np.ones(pressure.shape, dtype=bool)
        self.levels = levels_of(DirectionalResponse(axis, directions, pressure, u, common, valid))
        self.before = windows(self.levels).curves
        self.problem = problem_of(views_of(self.levels))
        self.five = design(self.problem, 5).equalizer
        self.desk = prepared(self.before, {}, self.problem)

    def whole(self) -> object:
        """The verdict from the levels."""
        problem = problem_of(views_of(self.levels))
        return verdict_of(problem, choose(problem))

    def slider(self) -> object:
        """All curves for an equalizer that was moved."""
        return weighed(self.desk, self.five)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--loudspeaker", default="causeway")
    parser.add_argument("--runs", type=int, default=15)
    given = parser.parse_args()
    bench, runs = Bench(given.loudspeaker), given.runs
    levels, before, five = bench.levels, bench.before, bench.five
    print(f"{'':34}{'best ms':>10}{'median ms':>10}{'cpu ms':>10}")
    print(f"{'the whole answer, up to 5 bands':34}{times_ms(bench.whole, runs)}")
    print(f"{'  of it what is wanted':34}{times_ms(lambda: problem_of(views_of(levels)), runs)}")
    print(f"{'  of it the search':34}{times_ms(lambda: paths_of(bench.problem, 5), runs)}")
    print(f"{'curves and figures anew':34}{times_ms(lambda: mended(levels, five, before=before), runs)}")
    print(f"{'slider: curves, figures, warnings':34}{times_ms(bench.slider, runs)}")
    study = times_ms(lambda: aim_study(levels, bands=5, symmetric=True), max(1, runs // 5))
    print(f"{'9 aims, 5 bands for each':34}{study}")


if __name__ == "__main__":
    main()
