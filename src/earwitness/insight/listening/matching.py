"""Remarks held against the data: agrees, contradicts, no match in the data; and what nobody heard.

The rule (own choice): of everything the data tell of a remark's region, what stands out most against its audibility
threshold decides by its sign. A remark of too much, or sharp, agrees with a peak; too little, or hollow, with a dip;
uneven with single peaks or dips; even with none that reaches its threshold. Where the data tell nothing, a remark has
no match in the data, unless it said even.

How likely as many remarks would agree by chance is a permutation test. The chance hypothesis: the tester spoke of as
many regions, in the same senses, but where each was said has nothing to do with the loudspeaker. Every way of placing
what was said on distinct regions of the pool is then equally likely. All ways are counted exactly; only sheets too
rich for that are sampled, with a fixed seed.
"""

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from earwitness.files.data import worded
from earwitness.insight.findings.finding import DIP_WEIGHT, KINDS, PINK_NOISE_FACTOR, PLACES, Finding, threshold_db
from earwitness.insight.findings.sentences import hertz
from earwitness.insight.listening.remark import (
    ATTRIBUTES,
    Region,
    Remark,
    Sense,
    heard_words,
    is_attribute,
    judge,
    level_at_1m_db,
    remarks_of,
)
from earwitness.quantities import BoolArray, Curve, FloatArray, Reading
from earwitness.session.notes import ListeningSheet

BEYOND = 2.0
"""An effect counts when it exceeds this many standard uncertainties (95 %)."""
LEAST_WEIGHT = PINK_NOISE_FACTOR
"""Share of its audibility threshold from which a peak or dip counts: the threshold of the most revealing sounds."""
HALF = 0.5
TREND_HZ = (200.0, 10_000.0)
"""Band over which a curve's own trend is taken: above the room's bass, below the last octave. Own choice."""

BAND_MIDDLE_HZ = 1000.0
"""Ends of the frequency range below it are lower ends, above it upper ones."""
_NARROWEST_Q = 1e3


@dataclass(frozen=True, slots=True)
class RegionEvidence:
    """One signed deviation in a region.

    source : "finding" or the key of a curve; kind : of the finding, else ""; size_db, u_db : with its standard
    uncertainty; weight : size over its audibility threshold (heuristic of `findings.audibility`), peaks and dips
    that are findings: dips at half;
    finding : its place in the list, or None; place : key of the curve that the size stands in, "" for all of them
    """

    source: str
    kind: str
    center_hz: float
    low_hz: float
    high_hz: float
    size_db: float
    u_db: float
    weight: float
    finding: int | None = None
    place: str = ""

    @property
    def is_grain(self) -> bool:
        """A single peak or dip, not a shift of the whole region."""
        return self.source == "finding" and self.kind not in ("tilt", "band_limit")


@dataclass(frozen=True, slots=True)
class RegionFacts:
    """All that is known of a region: evidence, the weightiest first; covered : whether the data reach into it."""

    evidence: tuple[RegionEvidence, ...]
    is_covered: bool

    @property
    def is_known(self) -> bool:
        """Whether a remark on the region can be judged at all."""
        return self.is_covered or bool(self.evidence)


def told_of(region: Region, reading: Reading, findings: Sequence[Finding]) -> RegionFacts:
    """Findings that share at least half of the narrower span with `region`, and the curves' mean deviation in it.

    A tilt counts with its share at the region's middle, an end of the frequency range in all regions beyond it. Only
    what exceeds twice its standard uncertainty counts, and of the curves only what reaches the audibility
    threshold of the region's width. A region of which less than half is valid in the listening window (or the curve
    on the axis, where there is none) is not covered.
    """
    found = [e for number, finding in enumerate(findings) if (e := _of_finding(region, number, finding)) is not None]
    for key in ("listening_window", "in_room"):
        curve = reading.curves.get(key)
        if curve is not None and (e := _of_curve(region, curve)) is not None:
            found.append(e)
    direct = reading.curves.get("listening_window") or reading.curves.get("on_axis")
    is_covered = direct is not None and _coverage(region, direct) >= HALF
    return RegionFacts(tuple(sorted(found, key=lambda e: (-e.weight, e.source, e.center_hz))), is_covered)


def _of_finding(region: Region, number: int, finding: Finding) -> RegionEvidence | None:
    if abs(finding.heard.size_db) <= BEYOND * finding.heard.u_db:
        return None
    if finding.kind == "tilt":
        return _of_tilt(region, number, finding)
    if finding.kind == "band_limit":
        # Beyond its end the band holds too little, however far the region lies out.
        is_lower = finding.center_hz < BAND_MIDDLE_HZ
        if is_lower != (region.center_hz < finding.center_hz) or region.center_hz == finding.center_hz:
            return None
        return _evidence(finding, number, finding.size_db, finding.u_db, _weight(finding.size_db, 1.0))
    if finding.low_hz < finding.high_hz:
        if region.shares(Region(finding.low_hz, finding.high_hz)) < HALF:
            return None
        q = finding.center_hz / (finding.high_hz - finding.low_hz)
    else:
        if not region.low_hz <= finding.center_hz <= region.high_hz:
            return None
        q = _NARROWEST_Q
    # Peaks are heard before equal dips; a broad fall of the level is heard like a broad rise.
    size_db = finding.heard.size_db
    weight = _weight(size_db, q) * (1.0 if size_db > 0 else DIP_WEIGHT)
    if weight < LEAST_WEIGHT:
        return None
    return _evidence(finding, number, size_db, finding.heard.u_db, weight)


def _of_tilt(region: Region, number: int, finding: Finding) -> RegionEvidence | None:
    """A tilt counts with what it makes of the region's middle against the middle of its own band."""
    band = Region(finding.low_hz, finding.high_hz)
    if region.shares(band) < HALF:
        return None
    share = math.log2(region.center_hz / band.center_hz) / band.octaves
    size_db = finding.size_db * min(max(share, -0.5), 0.5)
    if abs(size_db) < float(threshold_db(1.0)):
        return None
    return _evidence(finding, number, size_db, abs(finding.u_db * share), _weight(size_db, 1.0))


def _evidence(finding: Finding, number: int, size_db: float, u_db: float, weight: float) -> RegionEvidence:
    place = (finding.center_hz, finding.low_hz, finding.high_hz)
    return RegionEvidence("finding", finding.kind, *place, size_db, u_db, weight, number, finding.heard.place)


def _weight(size_db: float, q: float) -> float:
    return abs(size_db) / float(threshold_db(q))


def _of_curve(region: Region, curve: Curve) -> RegionEvidence | None:
    found = deviation(region, curve, is_sloped=curve.key == "in_room")
    if found is None:
        return None
    size_db, u_db = found
    q = region.center_hz / (region.high_hz - region.low_hz)
    if abs(size_db) <= max(BEYOND * u_db, float(threshold_db(q))):
        return None
    return RegionEvidence(
        curve.key, "", region.center_hz, region.low_hz, region.high_hz, size_db, u_db, _weight(size_db, q)
    )


def deviation(region: Region, curve: Curve, *, is_sloped: bool) -> tuple[float, float] | None:
    """Mean of `curve` in `region` above its own trend, and the standard uncertainty of that, both in dB; or None.

    Means are over logarithmic frequency. The trend is the mean outside the region from 200 Hz to 10 kHz, or with
    `is_sloped` the straight line through all points of that band (a predicted in-room response should fall evenly).
    None where less than half of the region, or less than an octave for the trend, is valid; with `is_sloped` also where
    half of the region lies outside the trend's band, as a line tells nothing beyond its points. Errors of neighboring
    frequencies are taken as fully correlated, so that averaging does not shrink them; what the session's curves
    share (`u_common`) counts with the difference of its means.
    """
    beyond = is_sloped and region.shares(Region(*TREND_HZ)) < HALF
    if beyond or _coverage(region, curve) < HALF:
        return None
    log_f = np.log2(curve.axis.hz)
    width = np.gradient(log_f) * curve.valid
    inside = _within(region, curve)
    trend = (curve.axis.hz >= TREND_HZ[0]) & (curve.axis.hz <= TREND_HZ[1])
    rest = trend if is_sloped else trend & ~inside
    if width[rest].sum() < 1.0:
        return None
    level = _mean(curve.values, width * inside)
    base = _mean(curve.values, width * rest)
    if is_sloped:
        middle = _mean(log_f, width * rest)
        slope = _mean((log_f - middle) * (curve.values - base), width * rest)
        slope /= _mean((log_f - middle) ** 2, width * rest)
        base += slope * (_mean(log_f, width * inside) - middle)
    own = math.hypot(_mean(curve.u, width * inside), _mean(curve.u, width * rest))
    shared = _mean(curve.u_common, width * inside) - _mean(curve.u_common, width * rest)
    return level - base, math.hypot(own, shared)


def _within(region: Region, curve: Curve) -> BoolArray:
    inside: BoolArray = (curve.axis.hz >= region.low_hz) & (curve.axis.hz <= region.high_hz)
    return inside


def _coverage(region: Region, curve: Curve) -> float:
    """Share of the region, in octaves, in which the curve is valid."""
    width = np.gradient(np.log2(curve.axis.hz))
    return float(width[_within(region, curve) & curve.valid].sum() / region.octaves)


def _mean(values: FloatArray, weight: FloatArray) -> float:
    kept = weight > 0
    return float((values[kept] * weight[kept]).sum() / weight[kept].sum())


LARGEST_TABLE = 2_000_000
DRAWS = 20_000
SEED = 20_261

Senses = frozenset[str]


@dataclass(frozen=True, slots=True)
class Chance:
    """Outcome of the test.

    agreed : points where what was said agrees; said : points in all; pool : regions they could have fallen on
    p_value : probability of at least `agreed` by chance; p_above : of more than `agreed`; expected : mean by chance
    is_exact : whether all ways were counted
    """

    agreed: int
    said: int
    pool: int
    p_value: float
    p_above: float
    expected: float
    is_exact: bool


def chance(
    agreed: int, said: Sequence[Senses], agreeing: Mapping[str, BoolArray], *, largest_table: int = LARGEST_TABLE
) -> Chance:
    """Test of `agreed` points out of those in `said`.

    said : what was said in each distinct region: one or more senses
    agreeing : (R,) bool for every sense: whether it would agree in each region of the pool
    largest_table : numbers up to which all ways are counted; beyond it DRAWS random ones stand for all

    Raises ValueError when more regions were spoken of than the pool has, or more agreed than was said.

    Source: exact permutation distribution, own derivation by dynamic programming; for one sense it is the
    hypergeometric distribution. The sampled p-value (1 + hits)/(1 + draws) is Davison and Hinkley's (from memory).
    """
    pool = len(next(iter(agreeing.values()))) if agreeing else 0
    points = sum(len(senses) for senses in said)
    if len(said) > pool or agreed > points:
        raise ValueError(f"{agreed} of {points} points in {len(said)} regions, out of a pool of {pool}")
    kinds = Counter(said)
    order = sorted(kinds, key=sorted)
    counts = [kinds[senses] for senses in order]
    scores = np.array([[sum(int(agreeing[s][r]) for s in senses) for senses in order] for r in range(pool)], int)
    size = float(np.prod([float(c + 1) for c in counts])) * (points + 1)
    if size <= largest_table:
        law = _counted(scores, counts, points)
        at_least, above = float(law[agreed:].sum()), float(law[agreed + 1 :].sum())
        mean = float(law @ np.arange(points + 1))
    else:
        totals = _drawn(scores, counts)
        at_least = (1 + int((totals >= agreed).sum())) / (1 + DRAWS)
        above = int((totals > agreed).sum()) / (1 + DRAWS)
        mean = float(totals.mean())
    return Chance(
        agreed, points, pool, min(at_least, 1.0), p_above=min(above, 1.0), expected=mean, is_exact=size <= largest_table
    )


def _counted(scores: np.ndarray[tuple[int, int], np.dtype[np.int_]], counts: list[int], points: int) -> FloatArray:
    """(points + 1,) probability of every total: regions are visited one by one, each takes nothing or one kind."""
    shape = (*(c + 1 for c in counts), points + 1)
    ways = np.zeros(shape)
    ways[(0,) * len(shape)] = 1.0
    for row in scores:
        nxt = ways.copy()
        for kind, score in enumerate(row):
            source = [slice(None)] * len(shape)
            target = [slice(None)] * len(shape)
            source[kind], target[kind] = slice(0, -1), slice(1, None)
            source[-1], target[-1] = slice(0, points + 1 - score), slice(score, None)
            nxt[tuple(target)] += ways[tuple(source)]
        ways = nxt
    law: FloatArray = ways[tuple(counts)] / ways[tuple(counts)].sum()
    return law


def _drawn(
    scores: np.ndarray[tuple[int, int], np.dtype[np.int_]], counts: list[int]
) -> np.ndarray[tuple[int], np.dtype[np.int_]]:
    rng = np.random.default_rng(SEED)
    kind = np.repeat(np.arange(len(counts)), counts)
    places = rng.permuted(np.tile(np.arange(len(scores)), (DRAWS, 1)), axis=1)[:, : kind.size]
    totals: np.ndarray[tuple[int], np.dtype[np.int_]] = scores[places, kind].sum(axis=1)
    return totals


_CURVES = {
    "listening_window": ("the listening window", "its mean elsewhere"),
    "in_room": ("the predicted in-room response", "its own straight line"),
}
_KINDS: dict[str, str] = {str(kind): words for kind, words in KINDS.items()}


def told_in_words(remark: Remark, verdict: str, evidence: Sequence[RegionEvidence]) -> str:
    """One remark, its verdict and the numbers behind it."""
    region = span_in_words(remark.region.low_hz, remark.region.high_hz)
    head = f"“{remark.word}” ({remark.strength}, {remark.direction}, {region}): {verdict}"
    if verdict == "not judged":
        return f"{head}, as the data are not valid there."
    if remark.sense == "even" and verdict == "agrees":
        most = f"; the most there is {evidence_in_words(evidence[0])}" if evidence else ""
        return f"{head}; no single peak or dip there reaches what may be heard{most}."
    if not evidence:
        return f"{head}; nothing in the region exceeds both its uncertainty and what may be heard."
    text = f"{head}; {evidence_in_words(evidence[0])}"
    opposed = [e for e in evidence[1:] if (e.size_db > 0) != (evidence[0].size_db > 0)]
    if opposed:
        text += f"; smaller against what may be heard, and of the other sign, {evidence_in_words(opposed[0])}"
    return text + "."


def beyond_timbre_in_words(remark: Remark, verdict: str, why: str) -> str:
    """A remark that belongs to no region, its verdict and what that rests on."""
    return f"“{remark.word}” ({remark.strength}): {verdict}; {why}."


def evidence_in_words(evidence: RegionEvidence) -> str:
    """Size with its 95 % uncertainty, place, and kind."""
    u = 2.0 * evidence.u_db
    if evidence.source != "finding":
        curve, base = _CURVES[evidence.source]
        side = "above" if evidence.size_db > 0 else "below"
        return f"{curve} lies {abs(evidence.size_db):.1f} ± {u:.1f} dB {side} {base} there"
    kind = _KINDS.get(evidence.kind, evidence.kind)
    what = "a peak" if evidence.size_db > 0 else "a dip"
    if evidence.kind in ("tilt", "band_limit"):
        if evidence.kind == "band_limit":
            return f"the range ends at {hertz(evidence.center_hz)}, {_signed(evidence.size_db)} ± {u:.1f} dB"
        place = f"{hertz(evidence.low_hz)} to {hertz(evidence.high_hz)}"
        return f"{kind} ({place}) makes {_signed(evidence.size_db)} ± {u:.1f} dB there"
    where = f", {PLACES[evidence.place]}" if evidence.place else ""
    return f"{what} of {_signed(evidence.size_db)} ± {u:.1f} dB at {hertz(evidence.center_hz)}{where} ({kind})"


def chance_in_words(test: Chance) -> str:
    """The permutation test in one sentence."""
    said = f"{test.agreed} of {test.said} remark{'s' if test.said != 1 else ''} agree{'s' if test.agreed == 1 else ''}"
    p = "below 0.001" if test.p_value < 0.001 else f"{test.p_value:.3f}"
    return worded("insight.by_chance", said=said, test=test, p=p)


def span_in_words(low_hz: float, high_hz: float) -> str:
    """A band, in Hz or kHz."""
    if low_hz >= 1000.0:
        return f"{low_hz / 1000:.3g} to {high_hz / 1000:.3g} kHz"
    if high_hz < 1000.0:
        return f"{_three(low_hz)} to {_three(high_hz)} Hz"
    return f"{_three(low_hz)} Hz to {high_hz / 1000:.3g} kHz"


def _three(value: float) -> str:
    return f"{float(f'{value:.3g}'):g}"


def _signed(size_db: float) -> str:
    return f"{size_db:+.1f}".replace("-", "−")


RemarkVerdict = Literal["agrees", "contradicts", "no match in the data", "not judged"]
SENSES: tuple[Sense, ...] = ("excess", "lack", "uneven", "even")
SAME_LIKENESS = 0.5
AUDIBLE = 1.0


@dataclass(frozen=True, slots=True)
class MatchedRemark:
    """A remark and what became of it.

    evidence : all that bears on it in its region, the weightiest first, which decided; chance : share of the pool's
    regions in which the same would have agreed, None where it was not judged; repeats : place of an earlier remark that
    said the same of the same region, so that this one counts for nothing in the test, else None
    """

    remark: Remark
    verdict: RemarkVerdict
    evidence: tuple[RegionEvidence, ...]
    sentence: str
    chance: float | None = None
    repeats: int | None = None


@dataclass(frozen=True, slots=True)
class Matching:
    """A whole sheet held against the data.

    unheard : places of the findings that no agreeing remark rests on; test : the permutation test, or None and `reason`
    """

    remarks: tuple[MatchedRemark, ...]
    unheard: tuple[int, ...]
    test: Chance | None
    reason: str = ""

    def count(self, verdict: RemarkVerdict) -> int:
        """Remarks with that verdict."""
        return sum(m.verdict == verdict for m in self.remarks)


def verdict_of(sense: Sense, told: RegionFacts) -> RemarkVerdict:
    """What becomes of a remark of that sense, by the rule at the head of this module."""
    if not told.is_known:
        return "not judged"
    grain = [e for e in told.evidence if e.is_grain]
    if sense == "even":
        return "contradicts" if any(e.weight >= AUDIBLE for e in grain) else "agrees"
    if not told.evidence or (sense == "uneven" and not grain):
        return "no match in the data"
    if sense == "uneven":
        return "agrees"
    return "agrees" if (told.evidence[0].size_db > 0) == (sense == "excess") else "contradicts"


def matched(sheet: ListeningSheet, reading: Reading, findings: Sequence[Finding]) -> Matching:
    """The remarks of `sheet` held against `reading` and `findings`.

    The regions of the vocabulary, together with the sheet's own, are the pool of the permutation test. Words beyond
    timbre belong to no region: they are judged by figures and take no part in that test.
    """
    pool = [Region(w.low_hz, w.high_hz) for w in heard_words().values() if w.word not in ATTRIBUTES]
    remarks = remarks_of(sheet)
    places = [place for place, one in enumerate(remarks) if not is_attribute(one)]
    found = matched_remarks([remarks[place] for place in places], reading, findings, pool=pool)
    made: list[MatchedRemark] = []
    plain = iter(found.remarks)
    for one in remarks:
        if is_attribute(one):
            verdict, why = judge(one, reading.figures, level_at_1m_db(sheet))
            made.append(MatchedRemark(one, verdict, (), beyond_timbre_in_words(one, verdict, why)))
        else:
            other = next(plain)
            made.append(other if other.repeats is None else replace(other, repeats=places[other.repeats]))
    return replace(found, remarks=tuple(made))


def matched_remarks(
    remarks: Sequence[Remark], reading: Reading, findings: Sequence[Finding], *, pool: Sequence[Region]
) -> Matching:
    """As `matched`, for plain remarks and regions."""
    regions = list(dict.fromkeys([*pool, *(r.region for r in remarks)]))
    told = {region: told_of(region, reading, findings) for region in regions}
    judged = [r for r in regions if told[r].is_known]
    agreeing: dict[str, BoolArray] = {
        s: np.array([verdict_of(s, told[r]) == "agrees" for r in judged], bool) for s in SENSES
    }
    repeats = [_repeated(remarks, place) for place in range(len(remarks))]
    found: list[MatchedRemark] = []
    for remark, repeated in zip(remarks, repeats, strict=True):
        here = told[remark.region]
        verdict = verdict_of(remark.sense, here)
        share = float(agreeing[remark.sense].mean()) if judged and verdict != "not judged" else None
        evidence = here.evidence
        if remark.sense in ("even", "uneven"):
            evidence = tuple(e for e in evidence if e.is_grain)
        sentence = told_in_words(remark, verdict, evidence)
        found.append(MatchedRemark(remark, verdict, evidence, sentence=sentence, chance=share, repeats=repeated))
    heard = {e.finding for m in found if m.verdict == "agrees" for e in _supporting(m)}
    unheard = tuple(n for n in range(len(findings)) if n not in heard)
    votes = [m for m in found if m.repeats is None and m.verdict != "not judged"]
    if not votes:
        return Matching(tuple(found), unheard, None, "there is no remark that the data can judge")
    said = _said(votes)
    if len(said) == len(judged) and len(set(said)) == 1:
        reason = "the same was said of every region that could be drawn, so chance has no other way to place it"
        return Matching(tuple(found), unheard, None, reason)
    agreed = sum(m.verdict == "agrees" for m in votes)
    return Matching(tuple(found), unheard, chance(agreed, said, agreeing))


def _supporting(found: MatchedRemark) -> list[RegionEvidence]:
    """The evidence an agreeing remark rests on: all of its sign; none where it said even."""
    sense = found.remark.sense
    if sense == "even":
        return []
    return [e for e in found.evidence if sense == "uneven" or (e.size_db > 0) == (sense == "excess")]


def _repeated(remarks: Sequence[Remark], place: int) -> int | None:
    """The first earlier remark of the same sense whose region is at least half the same."""
    this = remarks[place]
    for earlier in range(place):
        other = remarks[earlier]
        if other.sense == this.sense and other.region.likeness(this.region) >= SAME_LIKENESS:
            return earlier
    return None


def _said(votes: Sequence[MatchedRemark]) -> list[Senses]:
    said: dict[Region, set[str]] = {}
    for m in votes:
        said.setdefault(m.remark.region, set()).add(m.remark.sense)
    return [frozenset(senses) for senses in said.values()]
