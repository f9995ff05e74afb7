"""Design of an equalizer: the best N bands for a goal, exactly and always the same.

Weighted least squares on a log grid in ln f, ln Q and gain, with exact derivatives of the digital response, bounds kept
by projection (Levenberg-Marquardt on an active set, handbook method). Bands are added one at a time where most is left,
several beginnings are refined side by side, and at the end each band in turn is taken out and set anew.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from earwitness.dsp.biquad import HIGHEST_SHARE_OF_RATE
from earwitness.dsp.smoothing import smooth_power
from earwitness.errors import InputError
from earwitness.figures.windows import Levels, windows
from earwitness.insight.mend import equalizability as able
from earwitness.insight.mend.equalizer import (
    DEFAULT_RATE_HZ,
    KINDS,
    MOST_BANDS,
    Band,
    BandKind,
    Equalizer,
    gain_db,
    prewarped,
)
from earwitness.insight.mend.goal import Goal, curve_name, flat_window
from earwitness.insight.mend.search import Path, Task, cost_of_gain, grow
from earwitness.quantities import Curve
from earwitness.quantities.arrays import BoolArray, FloatArray, lock_fields
from earwitness.quantities.axis import log_axis

GRID_PER_OCTAVE = 24
HIGHEST_HZ = 16_000.0
TRUSTED_U_DB = 0.75
BEYOND_WEIGHT = 0.01
LOW_SHELF_TO_HZ, HIGH_SHELF_FROM_HZ = 1500.0, 500.0
ROLL_OFF_OCTAVES = 1.0
_LEVEL_BAND_HZ = (200.0, 10_000.0)
_MOST_OVER_MIDDLE_DB = 24.0
_FAINTEST = 1e-12


@dataclass(frozen=True, slots=True)
class Limits:
    """What a design may use.

    gain_db : least and most of one band; total_boost_db : most of all bands together; q : least and most;
    shelf_q : of shelves; range_hz : of the bands' frequencies, None for what the data allow; kinds : of bands
    forced : also boost interference dips and below the useful bass, and mend what directions do not share
    InputError for limits that are upside down.
    """

    gain_db: tuple[float, float] = (-12.0, 3.0)
    total_boost_db: float = 3.0
    q: tuple[float, float] = (0.4, 12.0)
    shelf_q: tuple[float, float] = (0.4, 1.0)
    range_hz: tuple[float, float] | None = None
    kinds: tuple[BandKind, ...] = KINDS
    forced: bool = False

    def __post_init__(self) -> None:
        pairs = {"gain": self.gain_db, "Q": self.q, "shelf Q": self.shelf_q, "range": self.range_hz or (1.0, 2.0)}
        for name, (low, high) in pairs.items():
            if not (math.isfinite(low) and math.isfinite(high) and low < high):
                raise InputError(f"limits of the {name} from {low} to {high}", expected="finite, the lower first")
        if self.q[0] <= 0 or self.shelf_q[0] <= 0 or pairs["range"][0] <= 0:
            raise InputError("a limit of Q or frequency that is not above zero", expected="above zero")
        if self.gain_db[0] > 0 or self.gain_db[1] < 0 or not self.total_boost_db >= 0:
            raise InputError("limits of the gain that leave out 0 dB", expected="0 dB inside the limits")
        if not self.kinds or any(kind not in KINDS for kind in self.kinds):
            raise InputError(f"kinds of bands {self.kinds}", expected="one or more of " + ", ".join(KINDS))


DEFAULT_LIMITS = Limits()


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """What is asked of the bands, on a log grid.

    hz : (F,); wanted_db : (F,) correction, its overall level free; weight : (F,) 0 to 1; cap_db : (F,) most gain
    deviation_db : (F,) of the goal's curve from the goal as it is, about its weighted mean, where judged
    judged : (F,) bool, where the goal stands and the data are trusted
    """

    goal: Goal
    limits: Limits
    sample_rate_hz: float
    hz: FloatArray
    wanted_db: FloatArray
    weight: FloatArray
    cap_db: FloatArray
    deviation_db: FloatArray
    judged: BoolArray
    equalizability: able.Equalizability | None

    def __post_init__(self) -> None:
        names = ("hz", "wanted_db", "weight", "cap_db", "deviation_db")
        lock_fields(self, **dict.fromkeys(names, float), judged=bool)


@dataclass(frozen=True, slots=True)
class Design:
    """An equalizer with what is left.

    rms_before_db, rms_after_db : weighted rms of the wanted correction, without and with it (what the fit minimizes,
    apart from penalties); deviation_before_db, deviation_after_db : rms of the curve from the goal, level free
    """

    equalizer: Equalizer
    rms_before_db: float
    rms_after_db: float
    deviation_before_db: float
    deviation_after_db: float


def problem_of(
    levels: Levels,
    goal: Goal,
    *,
    limits: Limits = DEFAULT_LIMITS,
    sample_rate_hz: float = DEFAULT_RATE_HZ,
    curves: Mapping[str, Curve] | None = None,
    window_weights_of: FloatArray | None = None,
    excess_phase_rad: FloatArray | None = None,
) -> Problem:
    """The wanted correction for a goal, masked and weighted by equalizability and uncertainty.

    curves : of `levels` by key, worked out if not given; the goal's curve is followed, and the listening window's bass
    limit counts (without one the goal's curve's); window_weights_of, excess_phase_rad : see `equalizability.judged`.
    InputError where the goal's curve cannot be had or is not valid at 1 kHz.
    """
    missing: Mapping[str, str] = {}
    if curves is None:
        found = windows(levels)
        curves, missing = found.curves, found.missing
    if goal.curve not in curves:
        missing = missing or windows(levels).missing
        raise InputError(f"there is no {curve_name(goal.curve)} to equalize", expected=missing.get(goal.curve, ""))
    curve = curves[goal.curve]
    window = curves.get("listening_window", curve)
    axis_hz = levels.axis.hz
    low_hz, high_hz = _stretch(curve)
    hz = log_axis(low_hz, min(high_hz, 20_000.0, 0.45 * sample_rate_hz), GRID_PER_OCTAVE).hz
    judgement = able.judged(levels, hz, window, window_weights_of=window_weights_of, excess_phase_rad=excess_phase_rad)
    power = np.where(curve.valid, 10 ** (curve.values / 10), 0.0)
    # What lies that deep is no sound any more, and the smoothing's running sums would lose it.
    power = np.maximum(power, _FAINTEST * power.max())
    detail = 10 * np.log10(smooth_power(power, axis_hz, hz, able.DETAIL_FRACTION))
    trend = 10 * np.log10(smooth_power(power, axis_hz, hz, able.TREND_FRACTION))
    shape, there = goal.at(hz)
    u = np.interp(np.log2(hz), np.log2(axis_hz), curve.u)
    lowest_hz = hz[0] if limits.forced else judgement.useful_bass_hz
    judged = there & (hz >= lowest_hz) & (hz <= HIGHEST_HZ) & (u <= TRUSTED_U_DB)
    if limits.range_hz is not None:
        judged &= (hz >= limits.range_hz[0]) & (hz <= limits.range_hz[1])
    if not judged.any():
        low, high = limits.range_hz or (lowest_hz, HIGHEST_HZ)
        raise InputError(
            "nothing is left to equalize",
            where=f"data from {hz[0]:.0f} Hz to {hz[-1]:.0f} Hz, bands from {low:.0f} Hz to {high:.0f} Hz",
            expected=f"a goal and data with at most {TRUSTED_U_DB:g} dB standard uncertainty among the bands, from the "
            f"useful bass ({lowest_hz:.0f} Hz) to {HIGHEST_HZ:.0f} Hz",
        )
    middle = judged & (hz >= _LEVEL_BAND_HZ[0]) & (hz <= _LEVEL_BAND_HZ[1])
    away = detail - shape
    level = float(np.median(away[middle if middle.any() else judged]))
    _need_a_middle(curve, detail, middle)
    broad, narrow = level + shape - trend, trend - detail
    if not limits.forced:
        broad, narrow = broad * able.strength(judgement.broad), narrow * able.strength(judgement.narrow)
    wanted = np.where(judged, broad + narrow, 0.0)
    # Less than half the 95 % uncertainty is not corrected; the rest is, from there on.
    wanted = np.where(np.abs(wanted) < u, 0.0, wanted)
    # Beyond what is judged the edge's correction goes on, with hardly any weight, so that nothing runs away there.
    places = np.flatnonzero(judged)
    nearest = places[np.abs(np.arange(hz.size)[:, None] - places).argmin(axis=1)]
    wanted = wanted[nearest]
    weight = np.where(judged, 1.0 / (1.0 + (u / TRUSTED_U_DB) ** 2), BEYOND_WEIGHT)
    cap = np.full(hz.shape, limits.total_boost_db)
    if not limits.forced:
        falling = _rolling_off(hz, away - level, judgement.useful_bass_hz) & judgement.rolls_off
        cap = np.where(judgement.no_boost | falling, 0.0, cap)
        wanted = np.minimum(wanted, cap)
    return Problem(
        goal, limits, sample_rate_hz, hz, wanted, weight, cap, np.where(judged, away - level, 0.0), judged, judgement
    )


def _need_a_middle(curve: Curve, level_db: FloatArray, middle: BoolArray) -> None:
    """InputError for a subwoofer, whose middle is no level to go by. middle : (F,) where the goal's level is taken."""
    if not middle.any():
        return
    over = float(level_db.max() - np.median(level_db[middle]))
    if over > _MOST_OVER_MIDDLE_DB:
        raise InputError(
            f"the middle of the {curve.name} lies {over:.0f} dB under its loudest part",
            where=f"{_LEVEL_BAND_HZ[0]:.0f} Hz to {_LEVEL_BAND_HZ[1] / 1000:.0f} kHz",
            expected="a loudspeaker that plays there: the goal's level is taken from there",
            remedy="set a subwoofer by ear or in the room, together with the loudspeakers above it",
        )


def _stretch(curve: Curve) -> tuple[float, float]:
    """Ends of the valid stretch about 1 kHz; InputError without one."""
    hz = curve.axis.hz
    middle = int(np.argmin(np.abs(np.log(hz / 1000.0))))
    if not curve.valid[middle]:
        raise InputError(f"{curve.name} is not valid at 1 kHz", expected="a valid stretch about 1 kHz to equalize")
    bad = np.flatnonzero(~curve.valid)
    low = int(bad[bad < middle].max(initial=-1)) + 1
    high = int(bad[bad > middle].min(initial=hz.size)) - 1
    if high - low < 8:
        raise InputError(f"{curve.name} is valid over too narrow a range to equalize", expected="an octave or more")
    return float(hz[low]), float(hz[high])


def _rolling_off(hz: FloatArray, deviation_db: FloatArray, bass_hz: float) -> BoolArray:
    """(F,) True from the bass limit up to where the curve first reaches its level, at most an octave."""
    near = (hz >= bass_hz) & (hz <= bass_hz * 2**ROLL_OFF_OCTAVES)
    reached = np.flatnonzero(near & (deviation_db >= 0.0))
    top = float(hz[reached[0]]) if reached.size else bass_hz * 2**ROLL_OFF_OCTAVES
    return (hz >= bass_hz) & (hz <= top)


def plain_problem(
    hz: FloatArray,
    wanted_db: FloatArray,
    *,
    limits: Limits = DEFAULT_LIMITS,
    sample_rate_hz: float = DEFAULT_RATE_HZ,
) -> Problem:
    """A correction (F,) on frequencies (F,) to be met everywhere alike, without any mask."""
    every = np.ones(hz.shape, dtype=bool)
    cap = np.full(hz.shape, limits.total_boost_db)
    weight = np.ones(hz.shape)
    return Problem(flat_window(), limits, sample_rate_hz, hz, wanted_db, weight, cap, -wanted_db, every, None)


def task_of(problem: Problem) -> Task:
    """The problem as the search needs it."""
    limits, rate = problem.limits, problem.sample_rate_hz
    low_hz, high_hz = limits.range_hz or (float(problem.hz[problem.judged].min()), HIGHEST_HZ)
    high_hz = min(high_hz, 0.99 * HIGHEST_SHARE_OF_RATE * rate, float(problem.hz[-1]))
    if high_hz <= low_hz:
        raise InputError(f"bands from {low_hz:g} Hz to {high_hz:g} Hz", expected="a range inside the data")
    # A shelf with most of the range on its far side would be a change of level by another name.
    lowest = (low_hz, low_hz, min(max(low_hz, HIGH_SHELF_FROM_HZ), 0.5 * (low_hz + high_hz)))
    highest = (high_hz, max(min(high_hz, LOW_SHELF_TO_HZ), 0.5 * (low_hz + high_hz)), high_hz)
    if low_hz < HIGH_SHELF_FROM_HZ and high_hz > LOW_SHELF_TO_HZ:
        highest = (high_hz, LOW_SHELF_TO_HZ, high_hz)
    (low_q, high_q), (low_shelf_q, high_shelf_q) = limits.q, limits.shelf_q
    return Task(
        kinds=tuple(KINDS.index(kind) for kind in limits.kinds),
        low=np.array(
            [
                [math.log(hz), math.log(q), limits.gain_db[0]]
                for hz, q in zip(lowest, (low_q, low_shelf_q, low_shelf_q), strict=True)
            ]
        ),
        high=np.array(
            [
                [math.log(hz), math.log(q), limits.gain_db[1]]
                for hz, q in zip(highest, (high_q, high_shelf_q, high_shelf_q), strict=True)
            ]
        ),
        hz=problem.hz,
        warped=prewarped(problem.hz, rate),
        rate_hz=rate,
        wanted_db=problem.wanted_db,
        weight=problem.weight / problem.weight.sum(),
        cap_db=problem.cap_db,
    )


def design(problem: Problem, count: int) -> Design:
    """The best `count` bands found; see `design_path`."""
    return design_path(problem, count)[-1]


def design_path(problem: Problem, count: int) -> tuple[Design, ...]:
    """Designs with 1 to `count` bands, each the best found. InputError unless 1 <= count <= 20.

    Bands that a smaller design does without come last; a band may end at 0 dB when nothing is left to mend.
    """
    if not 1 <= count <= MOST_BANDS:
        raise InputError(f"a design of {count} bands", expected=f"1 to {MOST_BANDS}")
    return tuple(_design(problem, path) for path in grow(task_of(problem), count))


def _design(problem: Problem, path: Path) -> Design:
    bands = tuple(
        Band(KINDS[kind], math.exp(row[0]), float(row[2]), math.exp(row[1]))
        for kind, row in zip(path.kinds.tolist(), path.parameters.tolist(), strict=True)
    )
    return measured(problem, capped(problem, Equalizer(bands)))


def capped(problem: Problem, equalizer: Equalizer) -> Equalizer:
    """The equalizer with its boosts scaled back so that no more than the total boost is left (0.01 dB), and preamp."""

    def peak(one: Equalizer) -> float:
        return _peak_db(problem, one)

    def scaled(share: float) -> Equalizer:
        bands = (b if b.gain_db <= 0 else replace(b, gain_db=b.gain_db * share) for b in equalizer.bands)
        return replace(equalizer, bands=tuple(bands))

    low, high = 0.0, 1.0
    limit = problem.limits.total_boost_db + 0.01
    if peak(equalizer) > limit:
        for _ in range(20):
            middle = (low + high) / 2
            low, high = (middle, high) if peak(scaled(middle)) <= limit else (low, middle)
        equalizer = scaled(low)
    return replace(equalizer, preamp_db=-max(0.0, peak(equalizer)) + 0.0)


def settable(problem: Problem, equalizer: Equalizer) -> Design:
    """The equalizer in steps a device can be set to (`Band.rounded`), its gains chosen anew in steps of 0.1 dB.

    The total boost stays within its limit (0.05 dB).
    """
    rounded = _within_boost(problem, equalizer.rounded())
    task, most = task_of(problem), _most_boost_db(problem)

    def price(one: Equalizer) -> float:
        gain = gain_db(one, problem.hz, problem.sample_rate_hz)
        return cost_of_gain(task, gain, np.array([band.gain_db for band in one.bands]))

    best = price(rounded)
    low, high = problem.limits.gain_db
    improved = True
    while improved:
        improved = False
        for place, band in enumerate(rounded.bands):
            for step_db in (0.1, -0.1):
                changed = replace(band, gain_db=round(band.gain_db + step_db, 1) + 0.0)
                trial = replace(rounded, bands=(*rounded.bands[:place], changed, *rounded.bands[place + 1 :]))
                better = low <= changed.gain_db <= high and price(trial) < best - 1e-9
                if better and _peak_db(problem, trial) <= most:
                    rounded, best, improved = trial, price(trial), True
                    band = changed
    peak_db = max(0.0, _peak_db(problem, rounded))
    return measured(problem, replace(rounded, preamp_db=-math.ceil(10 * peak_db - 1e-6) / 10 + 0.0))


def _most_boost_db(problem: Problem) -> float:
    return problem.limits.total_boost_db + 0.05


def _peak_db(problem: Problem, equalizer: Equalizer) -> float:
    """Largest gain at any frequency up to half the sample rate [dB]."""
    top = 0.4999 * problem.sample_rate_hz
    hz = np.append(np.geomspace(10.0, top, 1200), [band.frequency_hz for band in equalizer.bands])
    return float(gain_db(equalizer, hz[hz <= top], problem.sample_rate_hz).max())


def _within_boost(problem: Problem, rounded: Equalizer) -> Equalizer:
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
    weight = problem.weight

    def spread(rows: FloatArray, weights: FloatArray) -> float:
        mean = float(weights @ rows / weights.sum())
        return math.sqrt(float(weights @ (rows - mean) ** 2 / weights.sum()))

    plain = problem.judged.astype(float)
    return Design(
        equalizer,
        spread(-problem.wanted_db, weight),
        spread(gain - problem.wanted_db, weight),
        spread(problem.deviation_db, plain),
        spread(problem.deviation_db + gain, plain),
    )


def cost(problem: Problem, equalizer: Equalizer) -> float:
    """Squared weighted residual with all penalties [dB^2], level free: what the search minimizes."""
    gain = gain_db(equalizer, problem.hz, problem.sample_rate_hz)
    gains = np.array([band.gain_db for band in equalizer.bands])
    return cost_of_gain(task_of(problem), gain, gains)
