"""Loudspeakers side by side: differences with their uncertainty, figures told apart or not, rank, likeness, price.

A difference counts when it is larger than both uncertainties combined, sqrt(U_a^2 + U_b^2) with expanded
uncertainties (k = 2; JCGM 100, GUM, clause 5.1.2, from memory) less what both sides share: the scale and the response
of one and the same microphone, told by its serial number, move both alike (clause 5.2.2). All else of two sessions is
taken to be independent.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import hypot, log2, sqrt
from statistics import NormalDist

import numpy as np

from earwitness.errors import InputError
from earwitness.figures.registry import base_key, info_of, place_of
from earwitness.quantities import BoolArray, Curve, Figure, FloatArray, FrequencyAxis, Locked, hz_words
from earwitness.quantities.response import of_devices, pulled_apart, u_of_causes_db

MATCH_BAND_HZ = (300.0, 3000.0)
SHAPE_BAND_HZ = (100.0, 16_000.0)
COVERAGE_FACTOR = 2.0
# What chance alone puts beyond the 95 % uncertainty, with as much again for errors that hang together.
CHANCE_SHARE = 0.10
# A difference is named where it holds over this much of the axis.
SHORTEST_OCTAVES = 1.0 / 3.0
# Least overlap of two curves that are called alike or not.
LEAST_OCTAVES = 3.0
_MOST_NAMED = 4
BALANCE, DIRECTIVITY = "listening_window", "sound_power_di"


@dataclass(frozen=True, slots=True, eq=False)
class Candidate(Locked):
    """A loudspeaker to be compared.

    key : what tells it from others; type : of loudspeaker; price : of a pair in `currency` (ISO 4217), or None;
    date : of the measurement, ISO 8601; figures, curves : by key; next_unit : by key of a figure, the mean of the units
    that were measured and how far 95 % of further units lie from it at most, empty for one unit
    """

    key: str
    title: str
    type: str
    date: str
    figures: Mapping[str, Figure]
    curves: Mapping[str, Curve] = field(default_factory=dict)
    price: float | None = None
    currency: str | None = None
    next_unit: Mapping[str, tuple[float, float]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class FigurePair:
    """One figure of two loudspeakers. difference : first less second in `unit`; u : its standard uncertainty
    (from the arms of the coverage intervals that face each other); is_beyond : told apart by it."""

    key: str
    unit: str
    difference: float
    u: float
    is_beyond: bool


@dataclass(frozen=True, slots=True)
class Part:
    """Where two curves differ beyond their uncertainty. level_db : mean there, first less second; u_db : its standard
    uncertainty, taken as wholly dependent inside."""

    low_hz: float
    high_hz: float
    level_db: float
    u_db: float


@dataclass(frozen=True, slots=True)
class Standing:
    """Place of a figure among a group. rank : 1 for the highest value, equal values share the better rank;
    percentile : share of the group below, half of the equals counted (percentile rank, from memory), 0 to 100;
    not_told_apart : others of the group within the combined uncertainty; group : how many had the figure."""

    key: str
    rank: int
    percentile: float
    not_told_apart: int
    group: int


@dataclass(frozen=True, slots=True)
class Likeness:
    """How far two loudspeakers are apart in shape [dB rms]. balance_db : of the level-matched listening window;
    directivity_db : of the directivity index, None where one lacks it; distance_db : both in quadrature;
    u_db : standard uncertainties in the same way, what
    they alone would show on average."""

    key: str
    title: str
    balance_db: float
    directivity_db: float | None
    distance_db: float
    u_db: float


@dataclass(frozen=True, slots=True)
class Offer:
    """A price beside a figure. on_frontier : nobody costs less or the same and has more; near_frontier : nobody who
    costs less or the same has more beyond the uncertainty."""

    key: str
    title: str
    price: float
    value: float
    u: float
    on_frontier: bool
    near_frontier: bool


@dataclass(frozen=True, slots=True)
class Distinction:
    """Whether the measurements tell two loudspeakers apart. reasons : what does; share : of the matched listening
    window that lies beyond the uncertainty; sentence : all of it in words."""

    first: str
    second: str
    told_apart: bool
    share: float | None
    reasons: tuple[str, ...]
    sentence: str


def mean_level(curve: Curve, band_hz: tuple[float, float] = MATCH_BAND_HZ) -> tuple[float, float]:
    """Mean of `curve` over the logarithm of frequency in a band [its unit], and the standard uncertainty of it.

    Errors are taken to hang together over an octave and to be independent beyond (common practice, no source).
    Raises InputError where the curve is not valid over the whole band.
    """
    inside = (curve.axis.hz >= band_hz[0]) & (curve.axis.hz <= band_hz[1])
    edges = curve.valid_band_hz()
    if not inside.any() or edges is None or not curve.valid[inside].all():
        raise InputError.of(
            "insight.band_not_valid",
            where=f"{hz_words(band_hz[0])} to {hz_words(band_hz[1])}",
            expected="a band inside "
            + (f"{hz_words(edges[0])} to {hz_words(edges[1])}" if edges else "its valid band"),
            curve=curve,
        )
    weight = _log_weights(curve.axis.hz[inside])
    octaves = max(1.0, log2(band_hz[1] / band_hz[0]))
    own = float(np.sqrt(np.sum(weight * curve.u_rest()[inside] ** 2) / octaves))
    level = float(np.sum(weight * curve.values[inside]))
    if not curve.causes:
        return level, hypot(own, float(np.sum(weight * curve.u_common[inside])))
    return level, hypot(own, *(float(np.sum(weight * cause.pull_db[0, inside])) for cause in curve.causes))


def matched(curve: Curve, band_hz: tuple[float, float] = MATCH_BAND_HZ) -> Curve:
    """`curve` less its mean level in the band, with the uncertainty of shape left: own, and the uneven part of the
    common one (what is even is taken out by matching). Raises as `mean_level`."""
    level, _ = mean_level(curve, band_hz)
    inside = (curve.axis.hz >= band_hz[0]) & (curve.axis.hz <= band_hz[1])
    weight = _log_weights(curve.axis.hz[inside])
    octaves = max(1.0, log2(band_hz[1] / band_hz[0]))
    rest = curve.u_rest()
    own = np.hypot(rest, np.sqrt(np.sum(weight * rest[inside] ** 2) / octaves))
    common = np.abs(curve.u_common - np.sum(weight * curve.u_common[inside]))
    causes = tuple(
        replace(cause, pull_db=cause.pull_db - np.sum(weight * cause.pull_db[0, inside])) for cause in curve.causes
    )
    if causes:
        own, common = np.hypot(own, u_of_causes_db(causes, 1, own.size)[0]), np.zeros(own.size)
    return replace(
        curve,
        values=curve.values - level,
        u=own,
        u_common=common,
        causes=causes,
        reference=f"dB re the mean from {hz_words(band_hz[0])} to {hz_words(band_hz[1])}",
    )


def difference(first: Curve, second: Curve, *, match_hz: tuple[float, float] | None = MATCH_BAND_HZ) -> Curve:
    """First less second, on the first one's frequencies; what one device moves in both cancels, the rest of both
    uncertainties is combined in quadrature.

    match_hz : levels are matched in that band before; None compares them as they are. Raises InputError for curves of
    different units, or as `mean_level`.
    """
    if first.unit != second.unit:
        raise InputError(f"{first.name} is in {first.unit or 'no unit'}, {second.name} in {second.unit or 'no unit'}")
    if match_hz is not None:
        first, second = matched(first, match_hz), matched(second, match_hz)
    other = resampled(second, first.axis)
    return Curve(
        key=f"{first.key}_difference",
        name=f"difference of {first.name}",
        axis=first.axis,
        values=np.where(first.valid & other.valid, first.values - other.values, 0.0),
        u=_u_apart(first, other),
        u_common=np.zeros(len(first.axis)),
        valid=first.valid & other.valid,
        unit=first.unit,
        reference="0 dB: both alike",
        lineage=tuple(dict.fromkeys(first.lineage + second.lineage)),
    )


def _u_apart(first: Curve, second: Curve) -> FloatArray:
    """(F,) standard uncertainty of the difference of two curves of two sessions."""
    count = len(first.axis)
    square = first.u_total**2 + second.u_total**2
    both = [of_devices(one.causes) for one in (first, second)]
    square -= sum((u_of_causes_db(one, 1, count)[0] ** 2 for one in both), np.zeros(count))
    square += u_of_causes_db(pulled_apart(*both), 1, count)[0] ** 2
    return np.asarray(np.sqrt(np.maximum(square, 0.0)), dtype=float)


def resampled(curve: Curve, axis: FrequencyAxis) -> Curve:
    """`curve` on other frequencies, straight between points over log frequency; valid where both neighbors are."""
    if curve.axis.same_as(axis):
        return curve
    at, had = np.log(axis.hz), np.log(curve.axis.hz)
    parts = {name: np.interp(at, had, getattr(curve, name)) for name in ("values", "u", "u_common")}
    inside = (axis.hz >= curve.axis.hz[0]) & (axis.hz <= curve.axis.hz[-1])
    valid = inside & (np.interp(at, had, curve.valid.astype(float)) > 1.0 - 1e-9)
    causes = tuple(replace(cause, pull_db=np.interp(at, had, cause.pull_db[0])[None, :]) for cause in curve.causes)
    return replace(curve, axis=axis, valid=valid, causes=causes, **parts)


def compare_figure(first: Figure, second: Figure) -> FigurePair | None:
    """One figure of two loudspeakers; None where one is not judged or the units differ.

    Where one is only a limit ("at most", "at least"), they are told apart only if the limit itself lies beyond.
    """
    if first.value is None or second.value is None or first.unit != second.unit:
        return None
    gap = first.value - second.value
    shared = dict(second.shared)
    alike = sum(size * shared.get(key, 0.0) for key, size in first.shared)
    square = _arm(first, -gap) ** 2 + _arm(second, gap) ** 2 - 2.0 * COVERAGE_FACTOR**2 * alike
    expanded = sqrt(max(square, 0.0))
    # The higher one may not be "at most" its value, the lower one not "at least": it could lie anywhere nearer.
    higher, lower = (first, second) if gap > 0 else (second, first)
    is_open = higher.bound == "at most" or lower.bound == "at least"
    return FigurePair(first.key, first.unit, gap, expanded / COVERAGE_FACTOR, abs(gap) > expanded and not is_open)


_BY_VOLTAGE = (
    "distortion_largest",
    "distortion_1_percent",
    "distortion_3_percent",
    "multitone_distortion",
    "intermodulation_2",
    "intermodulation_3",
    "compression_largest",
    "compression_mean",
    "compression_long_term",
)


def at_equal_level(figures: Mapping[str, Figure]) -> dict[str, Figure]:
    """Figures that may be set side by side: without those at a voltage, at which every loudspeaker plays another
    level; those of `figures.equal_level` stand in their place."""
    return {key: figure for key, figure in figures.items() if base_key(key) not in _BY_VOLTAGE}


def compare_figures(first: Candidate, second: Candidate) -> tuple[FigurePair, ...]:
    """All figures that both have, in the first one's order."""
    pairs = (compare_figure(f, second.figures[key]) for key, f in first.figures.items() if key in second.figures)
    return tuple(pair for pair in pairs if pair is not None)


def band_differences(curve: Curve, *, shortest_octaves: float = SHORTEST_OCTAVES) -> tuple[Part, ...]:
    """Where a difference curve lies beyond its expanded uncertainty on one side, over `shortest_octaves` or more."""
    values = np.where(curve.valid, curve.values, 0.0)
    return parts_beyond(curve.axis.hz, values, curve.u_total, times=COVERAGE_FACTOR, shortest_octaves=shortest_octaves)


def parts_beyond(
    hz: FloatArray, values: FloatArray, u: FloatArray, *, times: float, shortest_octaves: float
) -> tuple[Part, ...]:
    """Where values (F,) at hz lie beyond so many times u (F,) on one side, over `shortest_octaves` or more."""
    side = np.where(np.abs(values) > times * u, np.sign(values), 0.0)
    found = []
    for rows in np.split(np.arange(side.size), np.flatnonzero(np.diff(side)) + 1):
        low, high = float(hz[rows[0]]), float(hz[rows[-1]])
        if side[rows[0]] != 0 and log2(high / low) >= shortest_octaves:
            found.append(Part(low, high, float(values[rows].mean()), float(u[rows].mean())))
    return tuple(found)


def group_of(
    candidates: Sequence[Candidate],
    *,
    type: str | None = None,
    currency: str | None = None,
    price_low: float | None = None,
    price_high: float | None = None,
    date_low: str | None = None,
    date_high: str | None = None,
) -> tuple[Candidate, ...]:
    """Those of a type, a span of prices and a period (ISO dates, both ends inside).

    Raises InputError for a span of prices over several currencies without `currency`.
    """
    kept = [c for c in candidates if (type is None or c.type == type)]
    kept = [c for c in kept if (date_low is None or c.date >= date_low) and (date_high is None or c.date <= date_high)]
    if price_low is None and price_high is None and currency is None:
        return tuple(kept)
    kept = [c for c in kept if c.price is not None and (currency is None or c.currency == currency)]
    _need_one_currency(kept)
    low, high = price_low if price_low is not None else 0.0, price_high if price_high is not None else float("inf")
    return tuple(c for c in kept if c.price is not None and low <= c.price <= high)


def standing(key: str, candidate: Candidate, group: Sequence[Candidate]) -> Standing:
    """Rank and percentile of a figure of `candidate` among `group`; it counts once, whether in the group or not.

    Raises InputError where the candidate has no such figure.
    """
    own = candidate.figures.get(key)
    if own is None or own.value is None:
        reason = own.reason if own is not None else "it was not read"
        raise InputError(f"{candidate.title} has no figure {key!r}: {reason}")
    others = [c.figures[key] for c in group if c.key != candidate.key and key in c.figures]
    values = np.array([own.value, *(f.value for f in others if f.value is not None)])
    pairs = [pair for f in others if (pair := compare_figure(own, f)) is not None]
    below, equal = int((values < own.value).sum()), int((values == own.value).sum())
    percentile = 100.0 * (below + 0.5 * equal) / values.size
    rank = 1 + int((values > own.value).sum())
    return Standing(key, rank, percentile, sum(not pair.is_beyond for pair in pairs), values.size)


def likeness(first: Candidate, second: Candidate, *, match_hz: tuple[float, float] = MATCH_BAND_HZ) -> Likeness | None:
    """Distance in shape from `first` to `second`, 100 Hz to 16 kHz; None where too little of both is valid."""
    balance = _rms(first, second, BALANCE, match_hz)
    if balance is None:
        return None
    directivity = _rms(first, second, DIRECTIVITY, None)
    parts = [balance, *([directivity] if directivity is not None else [])]
    return Likeness(
        second.key,
        second.title,
        balance_db=balance[0],
        directivity_db=None if directivity is None else directivity[0],
        distance_db=hypot(*(part[0] for part in parts)),
        u_db=hypot(*(part[1] for part in parts)),
    )


def nearest(
    candidate: Candidate, group: Sequence[Candidate], *, count: int = 5, match_hz: tuple[float, float] = MATCH_BAND_HZ
) -> tuple[Likeness, ...]:
    """The `count` of the group most alike in shape of listening window and directivity index, nearest first.

    Only those with a directivity index compete with one that has one: two curves are never nearer for lack of data.
    """
    has_directivity = DIRECTIVITY in candidate.curves
    found = [likeness(candidate, c, match_hz=match_hz) for c in group if c.key != candidate.key]
    kept = [f for f in found if f is not None and (f.directivity_db is not None or not has_directivity)]
    return tuple(sorted(kept, key=lambda f: (f.distance_db, f.title))[:count])


def price_frontier(candidates: Sequence[Candidate], *, key: str = "preference_rating") -> tuple[Offer, ...]:
    """Price against a figure of which more is better, cheapest first; those without either are left out.

    Raises InputError for prices in several currencies.
    """
    offered = [c for c in candidates if c.price is not None and key in c.figures and c.figures[key].value is not None]
    _need_one_currency(offered)
    order = sorted(offered, key=lambda c: (c.price or 0.0, -c.figures[key].judged_value, c.title))
    found = []
    for one in order:
        figure = one.figures[key]
        rivals = [c.figures[key] for c in order if c is not one and (c.price or 0.0) <= (one.price or 0.0)]
        cheaper = [c.figures[key] for c in order if (c.price or 0.0) < (one.price or 0.0)]
        value, u = figure.judged_value, figure.judged_u
        better = [r for r in rivals if r.judged_value > value]
        level = [r for r in cheaper if r.judged_value >= value]
        beyond = [p for r in better if (p := compare_figure(r, figure)) is not None and p.is_beyond]
        found.append(Offer(one.key, one.title, one.price or 0.0, value, u, not better and not level, not beyond))
    return tuple(found)


def tell_apart(first: Candidate, second: Candidate, *, match_hz: tuple[float, float] = MATCH_BAND_HZ) -> Distinction:
    """Whether figures or the matched listening window tell two loudspeakers apart, with a sentence.

    With many figures some differ by chance: for this verdict each has to lie so far beyond that all of them together
    do so by chance once in twenty times (Bonferroni, from memory).
    """
    pairs = compare_figures(first, second)
    factor = NormalDist().inv_cdf(1 - 0.025 / len(pairs)) if pairs else COVERAGE_FACTOR
    reasons = [p.key for p in pairs if p.is_beyond and abs(p.difference) > factor * p.u]
    curve, share = _shape_difference(first, second, BALANCE, match_hz), None
    if curve is not None:
        inside = _inside(curve, SHAPE_BAND_HZ)
        beyond = np.abs(curve.values[inside]) > COVERAGE_FACTOR * curve.u_total[inside]
        share = float(np.sum(_log_weights(curve.axis.hz[inside])[beyond]))
        if share > CHANCE_SHARE:
            reasons.append(BALANCE)
    if not pairs and share is None:
        words = f"{first.title} and {second.title} have nothing measured in common"
        return Distinction(
            first.key, second.key, False, None, (), sentence=f"{words}, so nothing can be said of their difference."
        )
    return Distinction(
        first=first.key,
        second=second.key,
        told_apart=bool(reasons),
        share=share,
        reasons=tuple(reasons),
        sentence=_sentence(first, second, len(pairs), share, reasons) + _over_units(first, second, pairs, reasons),
    )


def verdicts(
    candidates: Sequence[Candidate], *, match_hz: tuple[float, float] = MATCH_BAND_HZ
) -> tuple[Distinction, ...]:
    """`tell_apart` of every pair, in the order given."""
    rows = list(candidates)
    return tuple(
        tell_apart(one, other, match_hz=match_hz) for place, one in enumerate(rows) for other in rows[place + 1 :]
    )


def _sentence(first: Candidate, second: Candidate, figures: int, share: float | None, reasons: Sequence[str]) -> str:
    both = f"{first.title} and {second.title}"
    seen = [f"{figures} figure{'s' if figures != 1 else ''}"] if figures else []
    if share is not None:
        seen.append("the shape of the listening window")
    if not reasons:
        rest = f" ({100 * share:.0f} % of it lies beyond)" if share is not None else ""
        return f"{both} cannot be told apart within the uncertainty by {' and '.join(seen)}{rest}."
    return f"{both} are told apart beyond the uncertainty by {_listed(reasons)}."


def _listed(keys: Sequence[str]) -> str:
    named = ["the shape of the listening window" if key == BALANCE else _name(key) for key in keys]
    more = len(named) - _MOST_NAMED
    named = [*named[:_MOST_NAMED], f"{more} more"] if more > 0 else named
    return ", ".join(named[:-1]) + (" and " if len(named) > 1 else "") + named[-1]


def _over_units(first: Candidate, second: Candidate, pairs: Sequence[FigurePair], reasons: Sequence[str]) -> str:
    """Which of the reasons would tell other units of the two apart as well, where units were measured."""
    both = (first, second)
    held = [pair for pair in pairs if pair.key in reasons and any(pair.key in one.next_unit for one in both)]
    if not held:
        return ""
    whose = " and ".join(one.title for one in both if any(pair.key in one.next_unit for pair in held))
    told: dict[bool, list[str]] = {True: [], False: []}
    for pair in held:
        (one, reach), (other, further) = (
            c.next_unit.get(pair.key, (c.figures[pair.key].judged_value, 0.0)) for c in both
        )
        told[abs(one - other) > hypot(reach, further, COVERAGE_FACTOR * pair.u)].append(pair.key)
    stays = f" Other units would be told apart too by {_listed(told[True])}." if told[True] else ""
    if not told[False]:
        return stays
    return f"{stays} Units of {whose} may lie as far apart in {_listed(told[False])}: that may be of these units alone."


def _name(key: str) -> str:
    info, place = info_of(key), place_of(key)
    return (info.name if info is not None else base_key(key).replace("_", " ")) + (f" at {place}" if place else "")


def _shape_difference(
    first: Candidate, second: Candidate, key: str, match_hz: tuple[float, float] | None
) -> Curve | None:
    """A curve of one less that of the other; None where less than three octaves of both can be compared."""
    if key not in first.curves or key not in second.curves:
        return None
    try:
        found = difference(first.curves[key], second.curves[key], match_hz=match_hz)
    except InputError:
        return None
    hz = found.axis.hz[_inside(found, SHAPE_BAND_HZ)]
    return found if hz.size and log2(float(hz[-1] / hz[0])) >= LEAST_OCTAVES else None


def _rms(
    first: Candidate, second: Candidate, key: str, match_hz: tuple[float, float] | None
) -> tuple[float, float] | None:
    """Root mean square of a difference over log frequency, and that of its uncertainty."""
    found = _shape_difference(first, second, key, match_hz)
    if found is None:
        return None
    inside = _inside(found, SHAPE_BAND_HZ)
    weight = _log_weights(found.axis.hz[inside])
    return (
        sqrt(float(np.sum(weight * found.values[inside] ** 2))),
        sqrt(float(np.sum(weight * found.u_total[inside] ** 2))),
    )


def _inside(curve: Curve, band_hz: tuple[float, float]) -> BoolArray:
    return curve.valid & (curve.axis.hz >= band_hz[0]) & (curve.axis.hz <= band_hz[1])


def _log_weights(hz: FloatArray) -> FloatArray:
    """Weights of points over log frequency, in all 1."""
    if hz.size < 2:
        return np.ones(hz.size)
    width = np.gradient(np.log(hz))
    return np.asarray(width / width.sum())


def _arm(figure: Figure, toward: float) -> float:
    """Distance from the value to the end of its 95 % interval on one side."""
    if figure.interval is None:
        return COVERAGE_FACTOR * figure.judged_u
    value = figure.judged_value
    return max(0.0, figure.interval[1] - value if toward > 0 else value - figure.interval[0])


def _need_one_currency(candidates: Sequence[Candidate]) -> None:
    found = sorted({c.currency for c in candidates if c.currency is not None})
    if len(found) > 1:
        raise InputError.of("insight.several_currencies", listed=", ".join(found))
