"""Two sessions of one loudspeaker: what changed beyond doubt, and how far the two are the same.

Levels are compared as they are, not matched: a new firmware may change the level itself. What one device moves in both
sessions cancels (JCGM 100:2008, 5.2.2 and F.1.2, correlated inputs, from memory). "Differs somewhere" needs a band that
holds for the whole curve at once, by the expected number of upcrossings of a smooth error (Rice 1944/45; Davies 1977,
Biometrika 64, 247; from memory): P(max > c) <= 2 Phi(-c) + (L / pi) exp(-c^2 / 2), L the integral of the standard
deviation of the error's slope. "Same within x dB" is an intersection-union test of two one-sided tests (Schuirmann
1987, Berger 1982; from memory): the smallest x is the largest |d| + 1.645 u over the band.

The difference of a pair is parted into an offset, which a balance control mends, and the shape that is left (own
choice, after common practice). The mean over log frequency is the offset, or the median where one local fault pulls
the mean by more than twice its uncertainty. "Well matched" and "no pair" are conventions, not thresholds of hearing
(common practice, no source): rms below 0.25 dB with nothing of a third of an octave beyond 0.5 dB; beyond 1 dB over a
third of an octave.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import Literal

import numpy as np

from earwitness.files.data import worded
from earwitness.insight.compare import Candidate, FigurePair, compare_figures, difference, resampled
from earwitness.quantities import Curve
from earwitness.quantities.arrays import BoolArray, FloatArray, runs
from earwitness.quantities.axis import hz_words
from earwitness.quantities.causes import Cause, of_devices, pulled_apart

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

Told = Literal["same", "same though seen", "differs", "beyond", "cannot be told"]


@dataclass(frozen=True, slots=True)
class Part:
    """Where two curves differ beyond the whole curve's band. level_db : mean there, first less second; u_db : its
    standard uncertainty, taken as wholly dependent inside."""

    low_hz: float
    high_hz: float
    level_db: float
    u_db: float


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
    told: Told
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
    moved = _causes_apart(one, resampled(other, one.axis))
    slope = _slope_sd([cause.pull_db[0, rows] for cause in moved], u, np.log2(hz))
    length = float(np.sum(0.5 * (slope[1:] + slope[:-1]) * np.diff(np.log2(hz))))
    critical = critical_value(length, alarm=FALSE_ALARM - FALSE_ALARM_MEAN)
    parts = _parts(hz, d, u, critical) or _overall(hz, d, u, [cause.pull_db[0, rows] for cause in moved])
    within = float(np.max(np.abs(d) + ONE_SIDED * u))
    pairs = compare_figures(first, second)
    factor = NormalDist().inv_cdf(1 - FALSE_ALARM / 2 / len(pairs)) if pairs else 2.0
    changed = tuple(pair for pair in pairs if pair.is_beyond and abs(pair.difference) > factor * pair.u)
    told = _told(within, parts)
    edges = (float(hz[0]), float(hz[-1]))
    words = _sentence(first, second, curve.name, edges, told, within, parts)
    return Change(key, curve, edges, critical, parts, within, changed, told, words)


def critical_value(length: float, *, alarm: float = FALSE_ALARM) -> float:
    """Times the standard uncertainty that a smooth normal error crosses somewhere with probability `alarm`.

    length : integral of the standard deviation of its slope over the band. Rice's bound, see the module.
    """
    from scipy.optimize import brentq

    def beyond(c: float) -> float:
        return 2 * NormalDist().cdf(-c) + length / np.pi * float(np.exp(-0.5 * c * c)) - alarm

    return float(brentq(beyond, 0.5, 12.0))


def _causes_apart(first: Curve, second: Curve) -> tuple[Cause, ...]:
    """What moves the difference: of devices that both sessions used what is left, and all that one has alone."""
    own = [cause for one in (first, second) for cause in one.causes if not cause.device]
    return (*pulled_apart(of_devices(first.causes), of_devices(second.causes)), *own)


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


def _parts(hz: FloatArray, d: FloatArray, u: FloatArray, critical: float) -> tuple[Part, ...]:
    side = np.where(np.abs(d) > critical * u, np.sign(d), 0.0)
    found = []
    for rows in np.split(np.arange(side.size), np.flatnonzero(np.diff(side)) + 1):
        if side[rows[0]] == 0 or np.log2(hz[rows[-1]] / hz[rows[0]]) < SHORTEST_OCTAVES:
            continue
        low, high = float(hz[rows[0]]), float(hz[rows[-1]])
        found.append(Part(low, high, float(d[rows].mean()), float(u[rows].mean())))
    return tuple(sorted(found, key=lambda part: -abs(part.level_db)))


def _told(within_db: float, parts: Sequence[Part]) -> Told:
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
    told: Told,
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
        offset,
        rms,
        float(shape[worst]),
        float(hz[worst]),
        float(d[most]),
        float(u[most]),
        float(hz[most]),
        _wide(hz, np.abs(shape) > WELL_DB),
        rms < WELL_RMS_DB and not may_be_apart,
        _wide(hz, (np.abs(shape) > NO_PAIR_DB) & (np.abs(shape) > critical * u)),
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
