"""Design of an equalizer: the best N bands for a problem, always the same, in steps a device can be set to."""

import math
from dataclasses import dataclass, replace

import numpy as np

from earwitness.dsp.filters import HIGHEST_SHARE_OF_RATE
from earwitness.errors import InputError
from earwitness.insight.mend.equalizer import KINDS, MOST_BANDS, Band, Equalizer, gain_db, prewarped
from earwitness.insight.mend.objective import HIGHEST_HZ, Problem
from earwitness.insight.mend.search import grow
from earwitness.insight.mend.task import Path, Task, cost_of, is_barred
from earwitness.quantities import FloatArray, IntArray

LOW_SHELF_TO_HZ, HIGH_SHELF_FROM_HZ, HIGH_SHELF_TO_HZ = 1500.0, 500.0, 12_000.0


@dataclass(frozen=True, slots=True)
class Design:
    """An equalizer with what is left.

    rms_before_db, rms_after_db : weighted rms of the wanted correction, without and with it (what the fit minimizes,
    apart from penalties); deviation_before_db, deviation_after_db : rms of the goal's curve from its target, level free
    """

    equalizer: Equalizer
    rms_before_db: float
    rms_after_db: float
    deviation_before_db: float
    deviation_after_db: float


def task_of(problem: Problem) -> Task:
    """The problem as the search needs it. InputError for limits that leave no range inside the data."""
    limits, rate = problem.limits, problem.sample_rate_hz
    low_hz, high_hz = limits.range_hz or (float(problem.hz[problem.judged].min()), HIGHEST_HZ)
    high_hz = min(high_hz, 0.99 * HIGHEST_SHARE_OF_RATE * rate, float(problem.hz[-1]))
    if high_hz <= low_hz:
        raise InputError(f"bands from {low_hz:g} Hz to {high_hz:g} Hz", expected="a range inside the data")
    # A shelf with most of the range on its far side would be a change of level by another name.
    lowest = (low_hz, low_hz, min(max(low_hz, HIGH_SHELF_FROM_HZ), 0.5 * (low_hz + high_hz)))
    highest = (high_hz, max(min(high_hz, LOW_SHELF_TO_HZ), 0.5 * (low_hz + high_hz)), min(high_hz, HIGH_SHELF_TO_HZ))
    if low_hz < HIGH_SHELF_FROM_HZ and high_hz > LOW_SHELF_TO_HZ:
        highest = (high_hz, LOW_SHELF_TO_HZ, highest[2])
    if highest[2] <= lowest[2]:
        highest = (highest[0], highest[1], high_hz)
    low, high = (
        np.array(
            [[math.log(hz), math.log(width), gain_db] for hz, width in zip(at, (q, shelf_q, shelf_q), strict=True)]
        )
        for at, q, shelf_q, gain_db in zip((lowest, highest), limits.q, limits.shelf_q, limits.gain_db, strict=True)
    )
    return Task(
        kinds=tuple(KINDS.index(kind) for kind in limits.kinds),
        low=low,
        high=high,
        hz=problem.hz,
        warped=prewarped(problem.hz, rate),
        rate_hz=rate,
        wanted_db=problem.wanted_db,
        weight=problem.weight / problem.weight.sum(),
        cap_db=problem.cap_db,
        barred=np.column_stack([np.log(problem.barred[:, :2]), problem.barred[:, 2]]),
    )


def paths_of(problem: Problem, count: int) -> list[Path]:
    """Sets of 1 to `count` bands, each the best found; fewer where a further band helps nothing.

    InputError unless 1 <= count <= 20.
    """
    if not 1 <= count <= MOST_BANDS:
        raise InputError(f"a design of {count} bands", expected=f"1 to {MOST_BANDS}")
    return grow(task_of(problem), count)


def design(problem: Problem, count: int) -> Design:
    """The best set of at most `count` bands; none where nothing is wanted. Raises as `paths_of` does."""
    paths = paths_of(problem, count)
    return measured(
        problem, capped(problem, equalizer_of(paths[-1].kinds, paths[-1].parameters) if paths else Equalizer(()))
    )


def equalizer_of(kinds: IntArray, x: FloatArray) -> Equalizer:
    """Bands from kinds (N,) and (3, N) ln f, ln Q, gain."""
    return Equalizer(
        tuple(
            Band(KINDS[kind], math.exp(row[0]), float(row[2]), math.exp(row[1]))
            for kind, row in zip(kinds.tolist(), x.T.tolist(), strict=True)
        )
    )


def parameters_of(equalizer: Equalizer) -> tuple[IntArray, FloatArray]:
    """Kinds (N,) and (3, N) ln f, ln Q, gain of the bands."""
    bands = equalizer.bands
    kinds = np.array([KINDS.index(band.kind) for band in bands], dtype=np.int64)
    rows = [[math.log(b.frequency_hz), math.log(b.q), b.gain_db] for b in bands]
    return kinds, np.array(rows, dtype=float).reshape(-1, 3).T


def capped(problem: Problem, equalizer: Equalizer) -> Equalizer:
    """The equalizer with its boosts scaled back so that no more than the total boost is left (0.01 dB), and preamp."""

    def scaled(share: float) -> Equalizer:
        bands = (b if b.gain_db <= 0 else replace(b, gain_db=b.gain_db * share) for b in equalizer.bands)
        return replace(equalizer, bands=tuple(bands))

    low, high = 0.0, 1.0
    limit = problem.limits.total_boost_db + 0.01
    peak = _peak_db(problem, equalizer)
    if peak > limit:
        for _ in range(20):
            middle = (low + high) / 2
            low, high = (middle, high) if _peak_db(problem, scaled(middle)) <= limit else (low, middle)
        equalizer = scaled(low)
        peak = _peak_db(problem, equalizer)
    return replace(equalizer, preamp_db=-max(0.0, peak) + 0.0)


def settable(problem: Problem, equalizer: Equalizer) -> Design:
    """The equalizer in steps a device can be set to (`Band.rounded`), its gains chosen anew in steps of 0.1 dB.

    The total boost stays within its limit (0.05 dB). A band that comes to 0 dB is left out.
    """
    task = task_of(problem)
    rounded = within_boost(problem, _rounded(task, equalizer))
    kinds, x = parameters_of(rounded)
    low, high = problem.limits.gain_db
    best = cost_of(task, kinds, x) if kinds.size else 0.0
    improved = bool(kinds.size)
    while improved:
        improved = False
        for place in range(kinds.size):
            for step_db in (0.1, -0.1):
                trial = x.copy()
                trial[2, place] = round(x[2, place] + step_db, 1) + 0.0
                if not low <= trial[2, place] <= high or is_barred(task, kinds, trial):
                    continue
                price = cost_of(task, kinds, trial)
                if price < best - 1e-9 and _peak_db(problem, _with_gains(rounded, trial[2])) <= _most_boost_db(problem):
                    x, best, improved = trial, price, True
    return measured(problem, with_preamp(problem, _with_gains(rounded, x[2])))


def _rounded(task: Task, equalizer: Equalizer) -> Equalizer:
    """Every band in steps a device can be set to, a step or two of frequency elsewhere where the nearest is barred: the
    search may leave bands exactly half an octave apart."""
    placed: tuple[Band, ...] = ()
    for band in equalizer.bands:
        nearest = band.rounded()
        step_hz = 1.0 if nearest.frequency_hz >= 100 else 0.1
        tries = [
            replace(nearest, frequency_hz=round(nearest.frequency_hz + n * step_hz, 1)).rounded() for n in (0, 1, -1, 2)
        ]
        free = [one for one in tries if not is_barred(task, *parameters_of(Equalizer((*placed, one))))]
        placed = (*placed, free[0] if free else nearest)
    return Equalizer(placed)


def _with_gains(equalizer: Equalizer, gains: FloatArray) -> Equalizer:
    """The same bands, in their order, with other gains (N,)."""
    bands = (replace(b, gain_db=float(g)) for b, g in zip(equalizer.bands, gains, strict=True))
    return replace(equalizer, bands=tuple(bands))


def with_preamp(problem: Problem, equalizer: Equalizer) -> Equalizer:
    """Without bands of 0 dB, and with as much less before it as its largest gain, in steps of 0.1 dB."""
    equalizer = replace(equalizer, bands=tuple(b for b in equalizer.bands if b.gain_db != 0.0))
    peak_db = max(0.0, _peak_db(problem, equalizer))
    return replace(equalizer, preamp_db=-math.ceil(10 * peak_db - 1e-6) / 10 + 0.0)


def _most_boost_db(problem: Problem) -> float:
    return problem.limits.total_boost_db + 0.05


def _peak_db(problem: Problem, equalizer: Equalizer) -> float:
    """Largest gain at any frequency up to half the sample rate [dB]."""
    # A shelf of more than the flattest Q overshoots on its other side.
    if all(band.gain_db <= 0 and band.kind == "peaking" for band in equalizer.bands):
        return 0.0
    top = 0.4999 * problem.sample_rate_hz
    hz = np.append(np.geomspace(10.0, top, 600), [band.frequency_hz for band in equalizer.bands])
    return float(gain_db(equalizer, hz[hz <= top], problem.sample_rate_hz).max())


def within_boost(problem: Problem, rounded: Equalizer) -> Equalizer:
    """The equalizer with its largest boosts lowered in steps of 0.1 dB until their sum is within the limit."""
    while _peak_db(problem, rounded) > _most_boost_db(problem):
        place = max(range(len(rounded.bands)), key=lambda at: rounded.bands[at].gain_db)
        band = rounded.bands[place]
        if band.gain_db <= 0.0:
            return rounded
        lowered = replace(band, gain_db=round(band.gain_db - 0.1, 1) + 0.0)
        rounded = replace(rounded, bands=(*rounded.bands[:place], lowered, *rounded.bands[place + 1 :]))
    return rounded


def measured(problem: Problem, equalizer: Equalizer) -> Design:
    """What an equalizer leaves of a problem."""
    gain = gain_db(equalizer, problem.hz, problem.sample_rate_hz)

    def spread(rows: FloatArray, weights: FloatArray) -> float:
        mean = float(weights @ rows / weights.sum())
        return math.sqrt(float(weights @ (rows - mean) ** 2 / weights.sum()))

    plain = problem.judged.astype(float)
    return Design(
        equalizer,
        spread(-problem.wanted_db, problem.weight),
        spread(gain - problem.wanted_db, problem.weight),
        spread(problem.deviation_db, plain),
        spread(problem.deviation_db + gain, plain),
    )


def cost(problem: Problem, equalizer: Equalizer) -> float:
    """What the search minimizes [dB^2], level free."""
    return cost_of(task_of(problem), *parameters_of(equalizer))
