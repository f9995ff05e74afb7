"""How many bands pay, and whether any does.

Loudspeakers that may be the true one or another unit are drawn around the wanted correction: features off in frequency
and levels over two octaves as far as units differ, and the measurement's own errors by scale. taken_k(n) = rms^2(d_k) -
rms^2(d_k + g_n): in squares, for the noise that both sides share cancels in a difference of squares and not in one of
rms. The wanted curve is shrunk already, so the draws do not count noise as gain.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from earwitness.insight.mend.design import (
    Design,
    equalizer_of,
    measured,
    parameters_of,
    paths_of,
    settable,
    task_of,
    with_preamp,
    within_boost,
)
from earwitness.insight.mend.equalizer import Band, Equalizer, gain_db
from earwitness.insight.mend.objective import Problem
from earwitness.insight.mend.search import refine
from earwitness.insight.mend.task import Task, gains_of, is_barred
from earwitness.insight.mend.views import moved_up, smooth_errors
from earwitness.insight.mend.yardsticks import EVEN_DB, evenness_db, taken_share, worse, yardsticks
from earwitness.quantities.arrays import FloatArray, IntArray

MOST_BANDS = 5
"""More are not weighed unless asked for."""
DRAWS = 48
LEAST_TAKEN_DB = 0.25
"""A 2 dB bell is 0.60, 0.41, 0.24 dB rms at Q 1, 3, 10: this is 2 dB at Q 10 or 0.8 dB at Q 1 (own choice)."""
LEAST_OF_AUDIBLE = 2 / 3
EACH_BAND_DB = 0.1
SURE_QUANTILE = 0.1
SURE_SHARES = (0.95, 0.8)
"""Of the units drawn so many must get better: of an even loudspeaker 95 %, of one twice as uneven 80 % (own choice)."""
PRUNE_BELOW = 0.25
GUARD_SHARES = (1.0, 0.75, 0.5, 0.25)


@dataclass(frozen=True, slots=True)
class Step:
    """bands; left_db : rms of the wanted correction left; taken_db : root of the mean square taken away over the draws,
    low_db the same of the 10 % quantile (0 if negative); for_units : share of the draws that get better."""

    bands: int
    left_db: float
    taken_db: float
    low_db: float
    for_units: float


@dataclass(frozen=True, slots=True)
class Choice:
    """What pays.

    design : None to leave it alone; steps : 0, 1, ... bands as found by the search
    chosen : what the chosen set is expected to do, or the best on offer where none is chosen; its headroom_db
    takes : share of the unevenness that ideal bands would take away, 0 to 1; guarded : share of the gains that the
    guard left, 0 where it took all
    """

    design: Design | None
    steps: tuple[Step, ...]
    chosen: Step
    headroom_db: float
    takes: float
    guarded: float


def audible_ratio(band: Band) -> float:
    """A band's size over half the threshold for a resonance with music: 1 dB at Q 1, 5 dB at Q 10, 10 dB at Q 50, the
    line between them an own choice; a boost, which fills a dip, counts half.

    Source: Toole and Olive, J. Audio Eng. Soc. 36(3), 1988; dips Buecklein, 29(3), 1981; both through a summary, from
    memory, not read.
    """
    q = band.q if band.kind == "peaking" else 0.7
    limit = 0.5 * float(np.interp(np.log10(q), [0.0, 1.0, np.log10(50.0)], [1.0, 5.0, 10.0]))
    return (-band.gain_db if band.gain_db < 0 else 0.5 * band.gain_db) / limit


def drawn(problem: Problem) -> FloatArray:
    """(48, F) deviations as they may truly be, in the unit at hand and in others of its kind; always the same draws."""
    random = np.random.default_rng(99)
    points = problem.hz.size
    broad = smooth_errors(random, points, 1.0, DRAWS) * problem.u_broad_db
    narrow = smooth_errors(random, points, 0.15, DRAWS) * (0.7 * problem.u_narrow_db)
    level = smooth_errors(random, points, 2.0, DRAWS) * (problem.units.level_db / np.sqrt(3))
    half = np.log2(1 + problem.units.percent / 100)
    shifts = random.uniform(-half, half, DRAWS)
    base = np.concatenate([moved_up(-problem.sharp_db[None, :], shift) for shift in shifts])
    return np.asarray(base + broad + narrow + level, dtype=float)


def _squares(weight: FloatArray, rows: FloatArray) -> FloatArray:
    """(N,) weighted mean square about the weighted mean."""
    return np.asarray(rows**2 @ weight - (rows @ weight) ** 2, dtype=float)


class _Draws:
    """The draws of a problem, and what a gain takes away from them."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.rows = drawn(problem)
        self.before = _squares(problem.weight, self.rows)
        self.sure = float(np.interp(evenness_db(problem.seen), [EVEN_DB, 2 * EVEN_DB], SURE_SHARES))
        random = np.random.default_rng(98)
        errors = smooth_errors(random, problem.hz.size, 1.0, DRAWS) * problem.seen.u_common_db
        self.errors = np.vstack([np.zeros(problem.hz.size), errors])
        self.as_is = yardsticks(problem.seen, self.errors)

    def taken(self, gain: FloatArray) -> FloatArray:
        """(48,) [dB^2]"""
        return self.before - _squares(self.problem.weight, self.rows + gain)

    def step(self, bands: int, gain: FloatArray) -> Step:
        """What a gain (F,) of so many bands does."""
        taken = self.taken(gain)
        weight = self.problem.weight
        left = float(_squares(weight, (gain - self.problem.wanted_db)[None, :])[0])
        low = float(np.quantile(taken, SURE_QUANTILE))
        root = float(np.sqrt(max(float(taken.mean()), 0.0)))
        return Step(bands, max(left, 0.0) ** 0.5, root, max(low, 0.0) ** 0.5, float((taken > 0).mean()))

    def pays(self, step: Step, bands: tuple[Band, ...]) -> bool:
        """Better for enough of the units, and audible as a sum or by one band."""
        audible = max((audible_ratio(band) for band in bands), default=0.0) >= 1.0
        least = LEAST_TAKEN_DB * (LEAST_OF_AUDIBLE if audible else 1.0)
        return step.for_units >= self.sure and step.taken_db >= least

    def harms(self, gain: FloatArray) -> bool:
        """Whether a gain makes what was measured worse, or one of ten that may have been in its place."""
        is_worse = worse(self.as_is, yardsticks(self.problem.seen, self.errors + gain))
        return bool(is_worse[0]) or float(is_worse[1:].mean()) > SURE_QUANTILE


def choose(problem: Problem, *, most: int = MOST_BANDS) -> Choice:
    """As many bands as pay, up to `most`, in steps a device can be set to; none where none does.

    Raises InputError as `paths_of` does.
    """
    task = task_of(problem)
    paths = paths_of(problem, most)
    draws = _Draws(problem)
    gains = [gains_of(task, path.kinds, path.parameters) for path in paths]
    none = draws.step(0, np.zeros(problem.hz.size))
    steps = (none, *(draws.step(n, gain) for n, gain in enumerate(gains, 1)))
    takes = taken_share(draws.as_is, yardsticks(problem.seen, problem.wanted_db))
    best = int(np.argmax([_net(step) for step in steps]))
    offered = steps[max(best, 1)] if len(steps) > 1 else none
    headroom = max(float(gains[max(best, 1) - 1].max()), 0.0) if gains else 0.0
    is_guarded, found = False, list[tuple[float, Choice]]()
    for path, step in zip(paths[best - 1 :: -1] if best else [], steps[best:0:-1], strict=True):
        if not draws.pays(step, equalizer_of(path.kinds, path.parameters).bands):
            continue
        kinds, x = _pruned(task, path.kinds, path.parameters)
        whole = settable(problem, equalizer_of(kinds, x)).equalizer
        choice, is_harmful = _weighed(problem, draws, whole, (steps, takes))
        is_guarded |= is_harmful
        if choice is not None:
            found.append((_net(choice.chosen), choice))
        # Where the best set is lowered by the guard, a smaller one may bring more.
        if found and found[0][1].guarded == 1.0:
            break
    if not found and is_guarded:
        found = [(_net(one.chosen), one) for one in _against_sources(problem, draws, task, (steps, takes))]
    if found:
        return max(found, key=lambda one: one[0])[1]
    return Choice(None, steps, offered, headroom, takes, 0.0 if is_guarded else 1.0)


def _net(step: Step) -> float:
    """What a set takes away less what its bands cost [dB^2]."""
    return step.taken_db**2 - step.bands * EACH_BAND_DB**2


def _weighed(
    problem: Problem, draws: _Draws, whole: Equalizer, known: tuple[tuple[Step, ...], float]
) -> tuple[Choice | None, bool]:
    """A set as far as it pays and harms nothing, its gains lowered where they must be; whether it harmed as it was."""
    is_harmful = False
    for share in GUARD_SHARES if whole.bands else ():
        trial = _scaled(problem, whole, share)
        gain = gain_db(trial, problem.hz, problem.sample_rate_hz)
        done = draws.step(len(trial.bands), gain)
        if not draws.pays(done, trial.bands):
            break
        if not draws.harms(gain):
            return Choice(measured(problem, trial), known[0], done, -trial.preamp_db, known[1], share), is_harmful
        is_harmful = True
    return None, is_harmful


def _against_sources(
    problem: Problem, draws: _Draws, task: Task, known: tuple[tuple[Step, ...], float]
) -> Iterator[Choice]:
    """Sets of one bell against each finding in the source, all together and each alone: what is left where the joint
    objective, which weighs all directions, asks for something broad that spoils one of them."""
    low, high = problem.limits.gain_db
    bells = [
        Band("peaking", hz, float(np.clip(gain, low, high)), float(np.clip(q, *problem.limits.q)))
        for hz, q, gain in problem.bells.tolist()
        if task.low[0, 0] <= math.log(hz) <= task.high[0, 0]
    ]
    for some in [bells, *([one] for one in bells)] if len(bells) > 1 else [bells]:
        made = with_preamp(problem, within_boost(problem, Equalizer(tuple(some)).rounded()))
        if made.bands and not is_barred(task, *parameters_of(made)):
            choice, _ = _weighed(problem, draws, made, known)
            if choice is not None:
                yield choice


def _pruned(task: Task, kinds: IntArray, x: FloatArray) -> tuple[IntArray, FloatArray]:
    """Without bands under a quarter of what can be heard; the others refined anew each time."""
    while kinds.size:
        ratio = np.array([audible_ratio(band) for band in _in_order(kinds, x)])
        worst = int(ratio.argmin())
        if ratio[worst] >= PRUNE_BELOW:
            break
        keep = np.arange(kinds.size) != worst
        kinds, x = kinds[keep], x[:, keep]
        if kinds.size:
            again = refine(task, kinds[None], x[None], 30, settled=1e-6).x[0]
            x = x if is_barred(task, kinds, again) else again
    return kinds, x


def _in_order(kinds: IntArray, x: FloatArray) -> list[Band]:
    """Bands in the order of the arrays, which an equalizer does not keep."""
    return [equalizer_of(kinds[i : i + 1], x[:, i : i + 1]).bands[0] for i in range(kinds.size)]


def _scaled(problem: Problem, equalizer: Equalizer, share: float) -> Equalizer:
    """All gains times share, in steps of 0.1 dB toward 0."""
    if share == 1.0:
        return equalizer
    bands = (replace(b, gain_db=math.trunc(10 * share * b.gain_db) / 10) for b in equalizer.bands)
    return with_preamp(problem, replace(equalizer, bands=tuple(bands)))
