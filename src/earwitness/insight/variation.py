"""What several units of one model say about the next one: spread over units apart from repeats of one unit.

One way, units with sessions as repeats (ISO 5725-2, one-way analysis of variance; Searle, Casella, McCulloch 1992 for
restricted maximum likelihood; from memory). Limits of the spread over units are modified large-sample ones (Burdick and
Graybill 1992, after Ting et al. 1990; from memory), on the unit means where numbers of sessions differ (Thomas and
Hultquist 1978, from memory). The next unit is foretold by Student's interval (ISO 16269-8, from memory).

Two sessions of one loudspeaker: what changed beyond doubt, and how far the two are the same. Levels are compared as
they are, not matched: a new firmware may change the level itself. What one device moves in both sessions cancels (JCGM
100:2008, 5.2.2 and F.1.2, correlated inputs, from memory). "Differs somewhere" needs a band that holds for the whole
curve at once, by the expected number of upcrossings of a smooth error (Rice 1944/45; Davies 1977, Biometrika 64, 247;
from memory): P(max > c) <= 2 Phi(-c) + (L / pi) exp(-c^2 / 2), L the integral of the standard deviation of the error's
slope. "Same within x dB" is an intersection-union test of two one-sided tests (Schuirmann 1987, Berger 1982; from
memory): the smallest x is the largest |d| + 1.645 u over the band.

The difference of a pair is parted into an offset, which a balance control mends, and the shape that is left (own
choice, after common practice). The mean over log frequency is the offset, or the median where one local fault pulls
the mean by more than twice its uncertainty. "Well matched" and "no pair" are conventions, not thresholds of hearing
(common practice, no source): rms below 0.25 dB with nothing of a third of an octave beyond 0.5 dB; beyond 1 dB over a
third of an octave.

The check loudspeaker's control chart: did the rig stay what it was? Each session gives a few figures. The first
sessions make the baseline; later ones are held against it one by one and by their exponentially weighted mean (EWMA;
Lucas and Saccucci, Technometrics 32 (1990) 1, from memory). How few sessions the baseline has widens the limits by
Student's t (ISO 16269-8, from memory), and a prior of other rigs keeps it from being guessed from three values (scaled
inverse chi-square, standard conjugate of the normal, from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from statistics import NormalDist
from typing import Literal

import numpy as np
from scipy import special

from earwitness.files.data import worded
from earwitness.insight.compare import Candidate, FigurePair, Part, compare_figures, difference, parts_beyond, resampled
from earwitness.quantities import BoolArray, Curve, Figure, FloatArray, IntArray, Locked, hz_words, runs
from earwitness.quantities.response import of_devices, pulled_apart

CONFIDENCE = 0.95
_MANY = 1e9
_LARGEST_RATIO = 1e6


@dataclass(frozen=True, slots=True)
class Variation:
    """Units of a model in one quantity, in its unit.

    units, sessions : how many; mean, u_mean : of the model, by what differs between units and sessions alone
    repeat_sd : of sessions of one unit; None where no unit was measured twice: then unit_sd holds set-up too
    unit_sd : between units, low_sd and high_sd its 95 % limits; next_low, next_high : 95 % of next units lie there
    """

    units: int
    sessions: int
    mean: float
    u_mean: float
    repeat_sd: float | None
    unit_sd: float
    low_sd: float
    high_sd: float
    next_low: float
    next_high: float

    @property
    def is_told(self) -> bool:
        """Whether units differ beyond what repeats of one unit do."""
        return self.low_sd > 0.0


def variation(groups: Sequence[Sequence[float]]) -> Variation | None:
    """Spread of a quantity. groups : one for each unit, with a value for each of its sessions; None for one unit."""
    rows = [np.asarray(group, dtype=float) for group in groups if len(group)]
    if len(rows) < 2:
        return None
    sizes = np.array([row.size for row in rows])
    count, total = len(rows), int(sizes.sum())
    means = np.array([row.mean() for row in rows])
    if total == count:
        return _single(means)
    within = float(sum(((row - row.mean()) ** 2).sum() for row in rows)) / (total - count)
    ratio, repeat, mean, u_mean = _restricted(rows)
    unit = float(np.sqrt(ratio * repeat))
    of_means = float(means.var(ddof=1))
    harmonic = count / float((1.0 / sizes).sum())
    low, high = _limits(of_means, within / harmonic, count - 1, total - count)
    # Of the next unit's own value; where the spread is not told from repeats, its upper limit stands for it.
    spread = unit if unit > 0.0 else high
    freedom = _freedom(of_means, within / harmonic, count - 1, total - count)
    reach = float(special.stdtrit(freedom, 0.5 + CONFIDENCE / 2)) * float(np.hypot(spread, u_mean))
    return Variation(count, total, mean, u_mean, float(np.sqrt(repeat)), unit, low, high, mean - reach, mean + reach)


def u_of_mean(found: Variation, told: Sequence[Figure]) -> float:
    """Of a mean of sessions; u of what all share from the first and the last of them (JCGM 100:2008, 5.2.2)."""
    other = dict(told[-1].shared)
    shared = max(0.0, sum(size * other.get(key, 0.0) for key, size in told[0].shared))
    own = sum(max(0.0, one.judged_u**2 - shared) for one in told) / len(told) ** 2
    return float(np.sqrt(max(found.u_mean**2, own) + shared))


def _single(values: FloatArray) -> Variation:
    """One session of each unit: units and set-up together, limits of chi-square, Student's interval."""
    count = values.size
    sd, freedom = float(values.std(ddof=1)), count - 1
    low, high = np.sqrt(
        freedom / (2.0 * special.gammaincinv(freedom / 2.0, [0.5 + CONFIDENCE / 2, 0.5 - CONFIDENCE / 2]))
    )
    mean = float(values.mean())
    reach = float(special.stdtrit(freedom, 0.5 + CONFIDENCE / 2)) * sd * float(np.sqrt(1.0 + 1.0 / count))
    u_mean = sd / float(np.sqrt(count))
    return Variation(
        count, count, mean, u_mean, None, sd, sd * float(low), sd * float(high), mean - reach, mean + reach
    )


def _restricted(rows: Sequence[FloatArray]) -> tuple[float, float, float, float]:
    """Ratio of the variance of units to that of repeats, variance of repeats, mean and its u, by restricted maximum
    likelihood: for a ratio the rest is closed form."""
    from scipy.optimize import minimize_scalar

    sizes = np.array([row.size for row in rows], dtype=float)
    means = np.array([row.mean() for row in rows])
    inside = float(sum(((row - row.mean()) ** 2).sum() for row in rows))
    total = sizes.sum()

    def parts(ratio: float) -> tuple[float, float, float, float]:
        weight = sizes / (1.0 + sizes * ratio)
        mean = float((weight * means).sum() / weight.sum())
        square = inside + float((weight * (means - mean) ** 2).sum())
        repeat = square / (total - 1.0)
        log = (total - 1.0) * np.log(repeat) + float(np.log1p(sizes * ratio).sum()) + np.log(weight.sum())
        return float(log), repeat, mean, float(np.sqrt(repeat / weight.sum()))

    if inside == 0.0:
        return _LARGEST_RATIO, float(means.var(ddof=1)) / _LARGEST_RATIO, *parts(_LARGEST_RATIO)[2:]
    found = minimize_scalar(
        lambda log: parts(float(np.exp(log)))[0], bounds=(-14.0, 14.0), method="bounded", options={"xatol": 1e-10}
    )
    ratio = float(np.exp(found.x))
    if parts(0.0)[0] <= parts(ratio)[0]:
        ratio = 0.0
    return ratio, *parts(ratio)[1:]


def _limits(of_means: float, of_repeats: float, between: int, within: int) -> tuple[float, float]:
    """Modified large-sample limits of a difference of two variances, as standard deviations."""
    tail = (1.0 - CONFIDENCE) / 2
    upper, lower = special.fdtri(between, within, 1 - tail), special.fdtri(between, within, tail)
    g1, h1 = 1 - 1 / special.fdtri(between, _MANY, 1 - tail), 1 / special.fdtri(between, _MANY, tail) - 1
    g2, h2 = 1 - 1 / special.fdtri(within, _MANY, 1 - tail), 1 / special.fdtri(within, _MANY, tail) - 1
    g12 = ((upper - 1) ** 2 - g1**2 * upper**2 - h2**2) / upper
    h12 = ((1 - lower) ** 2 - h1**2 * lower**2 - g2**2) / lower
    down = g1**2 * of_means**2 + h2**2 * of_repeats**2 + g12 * of_means * of_repeats
    up = h1**2 * of_means**2 + g2**2 * of_repeats**2 + h12 * of_means * of_repeats
    gap = of_means - of_repeats
    return float(np.sqrt(max(0.0, gap - np.sqrt(max(down, 0.0))))), float(
        np.sqrt(max(0.0, gap + np.sqrt(max(up, 0.0))))
    )


def _freedom(of_means: float, of_repeats: float, between: int, within: int) -> float:
    """Effective degrees of freedom of the spread over units, Welch and Satterthwaite, at least one."""
    gap = max(of_means - of_repeats, 0.0)
    if gap == 0.0:
        return float(between)
    return max(1.0, gap**2 / (of_means**2 / between + of_repeats**2 / within))


BAND_HZ = (100.0, 10_000.0)
ONE_SIDED = 1.6448536269514722
FALSE_ALARM = 0.05
# Of it, what the test of the mean over the whole band may take: a change of level shows there first (own choice).
FALSE_ALARM_MEAN = 0.01
# What no cause explains, noise and repeats, hangs together over this much of the axis (own choice).
REST_OCTAVES = 1.0 / 6.0
# Verdicts about levels: what a person is told as the same (common practice, no source).
SAME_DB = 0.3
SHORTEST_OCTAVES = 1.0 / 6.0

ChangeVerdict = Literal["same", "same though seen", "differs", "beyond", "cannot be told"]


@dataclass(frozen=True, slots=True, eq=False)
class Change:
    """What became of a curve from the second session to the first.

    key : of the curve in both; curve : first less second
    critical : times u beyond which it differs somewhere, at once over the band
    parts : where it does; within_db : smallest limit inside which both are the same everywhere in the band
    figures : that changed beyond their uncertainty, all of them together by chance once in twenty times
    told, sentence : the verdict
    """

    key: str
    curve: Curve
    band_hz: tuple[float, float]
    critical: float
    parts: tuple[Part, ...]
    within_db: float
    figures: tuple[FigurePair, ...]
    told: ChangeVerdict
    sentence: str


def change(
    first: Candidate, second: Candidate, *, key: str = "on_axis", band_hz: tuple[float, float] = BAND_HZ
) -> Change | None:
    """How `first` differs from `second`, an earlier or other session; None where one lacks the curve in the band."""
    if key not in first.curves or key not in second.curves:
        return None
    one, other = first.curves[key], second.curves[key]
    if one.unit != other.unit or one.reference != other.reference:
        return None
    curve = difference(one, other, match_hz=None)
    rows = curve.valid & (curve.axis.hz >= band_hz[0] * (1 - 1e-9)) & (curve.axis.hz <= band_hz[1] * (1 + 1e-9))
    if rows.sum() < 3:
        return None
    hz, d, u = curve.axis.hz[rows], curve.values[rows], np.maximum(curve.u_total[rows], 1e-9)
    # What moves the difference: of devices that both sessions used what is left, and all that one has alone.
    causes = one.causes, resampled(other, one.axis).causes
    alone = [cause for of_one in causes for cause in of_one if not cause.device]
    moved = (*pulled_apart(*map(of_devices, causes)), *alone)
    slope = _slope_sd([cause.pull_db[0, rows] for cause in moved], u, np.log2(hz))
    length = float(np.sum(0.5 * (slope[1:] + slope[:-1]) * np.diff(np.log2(hz))))
    critical = critical_value(length, alarm=FALSE_ALARM - FALSE_ALARM_MEAN)
    parts = parts_beyond(hz, d, u, times=critical, shortest_octaves=SHORTEST_OCTAVES)
    parts = tuple(sorted(parts, key=lambda part: -abs(part.level_db))) or _overall(
        hz, d, u, [cause.pull_db[0, rows] for cause in moved]
    )
    within = float(np.max(np.abs(d) + ONE_SIDED * u))
    pairs = compare_figures(first, second)
    factor = NormalDist().inv_cdf(1 - FALSE_ALARM / 2 / len(pairs)) if pairs else 2.0
    changed = tuple(pair for pair in pairs if pair.is_beyond and abs(pair.difference) > factor * pair.u)
    told = _told(within, parts)
    edges = (float(hz[0]), float(hz[-1]))
    words = _sentence(first, second=second, name=curve.name, band_hz=edges, told=told, within_db=within, parts=parts)
    return Change(key, curve, edges, critical, parts, within_db=within, figures=changed, told=told, sentence=words)


def critical_value(length: float, *, alarm: float = FALSE_ALARM) -> float:
    """Times the standard uncertainty that a smooth normal error crosses somewhere with probability `alarm`.

    length : integral of the standard deviation of its slope over the band. Rice's bound, see the module.
    """
    from scipy.optimize import brentq

    def beyond(c: float) -> float:
        return 2 * NormalDist().cdf(-c) + length / np.pi * float(np.exp(-0.5 * c * c)) - alarm

    return float(brentq(beyond, 0.5, 12.0))


def _slope_sd(pulls: Sequence[FloatArray], u: FloatArray, octaves: FloatArray) -> FloatArray:
    """Standard deviation of the slope of the error over u, an octave: of every cause apart, and of the rest."""
    total, known = np.zeros(u.size), np.zeros(u.size)
    for pull in pulls:
        total += np.gradient(pull / u, octaves) ** 2
        known += (pull / u) ** 2
    rest = np.clip(1.0 - known, 0.0, 1.0)
    return np.asarray(np.sqrt(total + rest / REST_OCTAVES**2), dtype=float)


def _overall(hz: FloatArray, d: FloatArray, u: FloatArray, pulls: Sequence[FloatArray]) -> tuple[Part, ...]:
    """The mean over the whole band, where it lies beyond its own uncertainty."""
    octaves = np.log2(hz)
    span = float(octaves[-1] - octaves[0])

    def mean(values: FloatArray) -> float:
        return float(np.sum(0.5 * (values[1:] + values[:-1]) * np.diff(octaves))) / span

    rest = np.sqrt(np.clip(u**2 - np.sum([pull**2 for pull in pulls], axis=0), 0.0, None)) if pulls else u
    own = mean(np.asarray(rest, dtype=float)) * np.sqrt(min(1.0, np.sqrt(np.pi) * REST_OCTAVES / span))
    total = float(np.sqrt(own**2 + sum(mean(pull) ** 2 for pull in pulls)))
    level = mean(d)
    if abs(level) <= NormalDist().inv_cdf(1 - FALSE_ALARM_MEAN / 2) * total:
        return ()
    return (Part(float(hz[0]), float(hz[-1]), level, total),)


def _told(within_db: float, parts: Sequence[Part]) -> ChangeVerdict:
    if within_db <= SAME_DB:
        return "same though seen" if parts else "same"
    if any(abs(part.level_db) - ONE_SIDED * part.u_db > SAME_DB for part in parts):
        return "beyond"
    return "differs" if parts else "cannot be told"


def _sentence(
    first: Candidate,
    second: Candidate,
    name: str,
    band_hz: tuple[float, float],
    told: ChangeVerdict,
    within_db: float,
    parts: Sequence[Part],
) -> str:
    over = f"{edge_words(band_hz[0])} to {edge_words(band_hz[1])}"
    what = name.removeprefix("difference of ").removeprefix("the ")
    what = what if what.startswith("on ") else f"in the {what}"
    # Rounded up: a limit that is claimed must hold.
    limit = f"{np.ceil(within_db * 10 - 1e-9) / 10:.1f} dB"
    if told == "same":
        return _begun(f"{first.title} and {second.title} are the same within {limit}, {what}, {over}.")
    if told == "cannot be told":
        return worded("insight.no_difference", what=what, first=first, second=second, over=over, limit=limit)
    listed = "; ".join(
        f"{edge_words(p.low_hz)} to {edge_words(p.high_hz)} {'higher' if p.level_db > 0 else 'lower'} by "
        f"{abs(p.level_db):.1f} ± {2 * p.u_db:.1f} dB"
        for p in parts[:3]
    )
    same = f" Both are the same within {limit}." if told == "same though seen" else ""
    return _begun(f"{first.title} against {second.title}, {what}: {listed}.{same}")


def edge_words(frequency_hz: float) -> str:
    """The next row of the axis stands for an edge of the usual band."""
    return hz_words(next((edge for edge in BAND_HZ if abs(np.log2(frequency_hz / edge)) < 1 / 24), frequency_hz))


def _begun(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]


WELL_RMS_DB, WELL_DB, NO_PAIR_DB = 0.25, 0.5, 1.0
SHORTEST_APART_OCTAVES = 1.0 / 3.0


@dataclass(frozen=True, slots=True)
class Matching:
    """offset_db : first less second over the band; shape_rms_db, shape_db : of the rest, rms and where it is largest,
    shape_at_hz; most_db, most_at_hz : largest difference as it is; apart_hz : parts where the rest is beyond 0.5 dB."""

    offset_db: float
    shape_rms_db: float
    shape_db: float
    shape_at_hz: float
    most_db: float
    most_u_db: float
    most_at_hz: float
    apart_hz: tuple[tuple[float, float], ...]
    is_well_matched: bool
    no_pair_hz: tuple[tuple[float, float], ...]


def matching(hz: FloatArray, d: FloatArray, u: FloatArray, *, critical: float = 2.0) -> Matching:
    """How two of a pair match. hz : even on a log scale, (F,); d, u : difference and its standard uncertainty, (F,) dB;
    critical : times u beyond which the difference is seen, at once over the band."""
    mean, median = float(d.mean()), float(np.median(d))
    offset = median if abs(mean - median) > 2 * float(u.mean()) else mean
    shape = d - offset
    worst, most = int(np.argmax(np.abs(shape))), int(np.argmax(np.abs(d)))
    rms = float(np.sqrt(np.mean(shape**2)))
    may_be_apart = _wide(hz, np.abs(shape) + ONE_SIDED * u > WELL_DB)
    return Matching(
        offset_db=offset,
        shape_rms_db=rms,
        shape_db=float(shape[worst]),
        shape_at_hz=float(hz[worst]),
        most_db=float(d[most]),
        most_u_db=float(u[most]),
        most_at_hz=float(hz[most]),
        apart_hz=_wide(hz, np.abs(shape) > WELL_DB),
        is_well_matched=rms < WELL_RMS_DB and not may_be_apart,
        no_pair_hz=_wide(hz, (np.abs(shape) > NO_PAIR_DB) & (np.abs(shape) > critical * u)),
    )


def paired(found: Change) -> Change:
    """A change of left against right, or the other way, told as the matching of a pair first."""
    curve, (low, high) = found.curve, found.band_hz
    rows = curve.valid & (curve.axis.hz >= low * (1 - 1e-9)) & (curve.axis.hz <= high * (1 + 1e-9))
    told = matching(curve.axis.hz[rows], curve.values[rows], curve.u_total[rows], critical=found.critical)
    limit = np.ceil(found.within_db * 10 - 1e-9) / 10
    words = (
        f"Left and right match within {limit:.1f} dB from {edge_words(low)} to {edge_words(high)}, most apart at "
        f"{hz_words(told.most_at_hz)}, by {abs(told.most_db):.1f} ± {2 * told.most_u_db:.1f} dB."
    )
    if told.no_pair_hz:
        parts = ", ".join(f"{hz_words(a)} to {hz_words(b)}" for a, b in told.no_pair_hz)
        words += f" They are no pair at {parts}: more than {NO_PAIR_DB:g} dB apart in shape."
    elif told.is_well_matched:
        words += " In shape they are well matched."
    return replace(found, sentence=f"{words} {found.sentence}")


def _wide(hz: FloatArray, where: BoolArray) -> tuple[tuple[float, float], ...]:
    """Parts of the axis, a third of an octave or more, that hold throughout."""
    parts = [(float(hz[run][0]), float(hz[run][-1])) for run in runs(where)]
    return tuple(part for part in parts if np.log2(part[1] / part[0]) >= SHORTEST_APART_OCTAVES - 1e-9)


WEIGHT = 0.2
# Of a normal law: as rare a false alarm as beyond three standard deviations, one in 370 sessions; gross faults apart.
EWMA_SIZE, SINGLE_SIZE = 2.86, 3.5
# A baseline that grew on would take a drift in.
BASELINE = 8
# Own choices: what sessions of a marked place scatter, worth as much as five sessions.
PRIOR_SD_DB, PRIOR_WEIGHT = 0.1, 4
_DRAWS, _FARTHEST = 1000, 40


@dataclass(frozen=True, slots=True, eq=False)
class Control(Locked):
    """One figure over S sessions, in dB.

    level (S,); baseline : how many of the first sessions it is held against; mean, sd : of these, sd with the prior;
    ewma (S,) : weighted mean of what stands off the baseline, NaN within it; ewma_limit, single_limit (S,) : what it,
    and a single session, may stand off; alarm (S,) : beyond one of them
    """

    level: FloatArray
    baseline: int
    mean: float
    sd: float
    ewma: FloatArray
    ewma_limit: FloatArray
    single_limit: FloatArray
    alarm: BoolArray

    @property
    def drifted(self) -> bool:
        """Whether the last two sessions raised an alarm: one may be a slip, and calls for another session at once."""
        return bool(self.alarm.size > 1 and self.alarm[-2:].all())


def control(values: Sequence[float], *, figures: int = 1) -> Control | None:
    """Hold sessions, oldest first, against the first of them. None with too few to make a baseline.

    figures : how many figures are charted at once; limits of each widen (Sidak 1967, from memory).
    """
    value = np.asarray(values, dtype=float)
    baseline = BASELINE
    if value.size < baseline or not np.isfinite(value).all():
        return None
    first = value[:baseline]
    degrees = PRIOR_WEIGHT + baseline - 1
    mean = float(first.mean())
    sd = float(np.sqrt((PRIOR_WEIGHT * PRIOR_SD_DB**2 + np.sum((first - mean) ** 2)) / degrees))
    after = np.maximum(np.arange(value.size) - baseline + 1, 0)
    ewma = np.full(value.size, np.nan)
    held = 0.0
    for place in range(baseline, value.size):
        held = WEIGHT * (value[place] - mean) + (1.0 - WEIGHT) * held
        ewma[place] = held
    ewma_limit, single = _chart_limits(sd, baseline, after, figures)
    with np.errstate(invalid="ignore"):
        alarm = (after > 0) & ((np.abs(ewma) > ewma_limit) | (np.abs(value - mean) > single))
    return Control(value, baseline, mean, sd, ewma, ewma_limit, np.full(value.size, single), alarm)


def sessions_until_told(step_db: float, found: Control, *, figures: int = 1) -> int:
    """Sessions after which a step is told in 95 of 100 cases, where this rig scatters as its baseline says.

    By draws with a fixed seed, of a step that comes with the first session after the baseline.
    """
    draws = np.random.default_rng(20).normal(step_db, found.sd, (_DRAWS, _FARTHEST))
    draws += np.random.default_rng(21).normal(0.0, found.sd / np.sqrt(found.baseline), (_DRAWS, 1))
    limit, single = _chart_limits(found.sd, found.baseline, np.arange(1, _FARTHEST + 1), figures)
    held = np.zeros(_DRAWS)
    told = np.full(_DRAWS, _FARTHEST + 1)
    for place in range(_FARTHEST):
        held = WEIGHT * draws[:, place] + (1.0 - WEIGHT) * held
        beyond = (np.abs(held) > limit[place]) | (np.abs(draws[:, place]) > single)
        told[beyond & (told > _FARTHEST)] = place + 1
    return int(np.quantile(told, 0.95, method="higher"))


def _chart_limits(sd: float, baseline: int, after: IntArray, figures: int) -> tuple[FloatArray, float]:
    """Of the weighted mean `after` (S,) sessions beyond the baseline, and of a single session [dB]."""
    degrees = PRIOR_WEIGHT + baseline - 1
    own = WEIGHT / (2.0 - WEIGHT) * (1.0 - (1.0 - WEIGHT) ** (2 * after))
    # It is held against a mean that is uncertain itself, as far as it has taken it in.
    against = (1.0 - (1.0 - WEIGHT) ** after) ** 2 / baseline
    weighted = np.asarray(_size(EWMA_SIZE, degrees, figures) * sd * np.sqrt(own + against), dtype=np.float64)
    return weighted, _size(SINGLE_SIZE, degrees, figures) * sd * float(np.sqrt(1.0 + 1.0 / baseline))


@cache
def _size(normal: float, degrees: int, figures: int) -> float:
    """Standard deviations beyond which a value of Student's law lies as rarely as one of the normal law beyond
    `normal`, once among so many figures."""
    rare = 1.0 - (1.0 - 2.0 * special.ndtr(-normal)) ** (1.0 / figures)
    return -float(special.stdtrit(degrees, rare / 2.0))
