"""What findings and curves say about a region, as signed sizes with their uncertainty."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from earwitness.insight.findings.finding import DIP_WEIGHT, PINK_NOISE_FACTOR, Finding, threshold_db
from earwitness.insight.listening.remark import Region
from earwitness.quantities import Curve, Reading
from earwitness.quantities.arrays import BoolArray, FloatArray

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
class Evidence:
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
class Told:
    """All that is known of a region: evidence, the weightiest first; covered : whether the data reach into it."""

    evidence: tuple[Evidence, ...]
    is_covered: bool

    @property
    def is_known(self) -> bool:
        """Whether a remark on the region can be judged at all."""
        return self.is_covered or bool(self.evidence)


def told_of(region: Region, reading: Reading, findings: Sequence[Finding]) -> Told:
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
    return Told(tuple(sorted(found, key=lambda e: (-e.weight, e.source, e.center_hz))), is_covered)


def _of_finding(region: Region, number: int, finding: Finding) -> Evidence | None:
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


def _of_tilt(region: Region, number: int, finding: Finding) -> Evidence | None:
    """A tilt counts with what it makes of the region's middle against the middle of its own band."""
    band = Region(finding.low_hz, finding.high_hz)
    if region.shares(band) < HALF:
        return None
    share = math.log2(region.center_hz / band.center_hz) / band.octaves
    size_db = finding.size_db * min(max(share, -0.5), 0.5)
    if abs(size_db) < float(threshold_db(1.0)):
        return None
    return _evidence(finding, number, size_db, abs(finding.u_db * share), _weight(size_db, 1.0))


def _evidence(finding: Finding, number: int, size_db: float, u_db: float, weight: float) -> Evidence:
    place = (finding.center_hz, finding.low_hz, finding.high_hz)
    return Evidence("finding", finding.kind, *place, size_db, u_db, weight, number, finding.heard.place)


def _weight(size_db: float, q: float) -> float:
    return abs(size_db) / float(threshold_db(q))


def _of_curve(region: Region, curve: Curve) -> Evidence | None:
    found = deviation(region, curve, is_sloped=curve.key == "in_room")
    if found is None:
        return None
    size_db, u_db = found
    q = region.center_hz / (region.high_hz - region.low_hz)
    if abs(size_db) <= max(BEYOND * u_db, float(threshold_db(q))):
        return None
    return Evidence(curve.key, "", region.center_hz, region.low_hz, region.high_hz, size_db, u_db, _weight(size_db, q))


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
