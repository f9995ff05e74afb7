"""What is wanted of an equalizer: one joint objective over axis, window, reflections, power and room.

Levels L_c of curve c are split into trend and narrow part. The axis is to be even; window, reflections and power along
the droop their directivity implies (non-increasing least squares of trend less that of the directions 10 degrees off);
the room along the straight line that its directivity gives; narrow parts of all at 0. For fixed targets
sum_c w_c (d_c + g)^2 = (g + mean d)^2 + const, so five curves are one wanted correction. Only what directions share is
wanted: each scale is shrunk by e = max(0, 1 - (s^2 + u^2) / m^2) (James and Stein 1961, as a spectral gain the Wiener
filter; from memory), m the mean over curves, s how far places differ, u the standard uncertainty; and never more than
1.3 times the least that axis, 10 degrees off, window and reflections have in common.

Curve weights, weights over frequency, 1.3, and all limits are own choices, set on random loudspeakers whose seeds are
apart from those of benchmarks/equalizer_truth.py, which measures what they do.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

import numpy as np

from earwitness.errors import InputError
from earwitness.insight.findings import Finding
from earwitness.insight.findings.decompose import peaking_db
from earwitness.insight.findings.finding import SOURCES
from earwitness.insight.mend.equalizer import DEFAULT_RATE_HZ
from earwitness.insight.mend.task import DEFAULT_LIMITS, EVEN, EqualizerLimits, Goal
from earwitness.insight.mend.views import (
    CURVES,
    EARLY,
    MINIMUM_PHASE_DEG,
    ON,
    PER_OCTAVE,
    POWER,
    ROOM,
    WINDOW,
    Scales,
    Seen,
    Views,
    over_units,
    phase_bend_deg,
    scales_of,
    seen_of,
)
from earwitness.insight.mend.yardsticks import MIDDLE_HZ, UNKNOWN, Units
from earwitness.quantities.arrays import BoolArray, FloatArray, lock_fields

CURVE_WEIGHTS = (0.40, 0.25, 0.10, 0.05, 0.20)
# Of a direction's own error so much is left in the mean over curves: the axis is one of them, averages have less.
OWN_SHARE = CURVE_WEIGHTS[0] + 0.4 * (1 - CURVE_WEIGHTS[0])
HIGHEST_HZ = 16_000.0
LOWEST_HZ = 80.0
TRUSTED_U_DB = 0.75
BEYOND_WEIGHT = 0.004
COMMON_FACTOR = 1.3
# Above, only the axis speaks for the broad part: the other curves measure their own beaming.
FADE_HZ = (6000.0, 10_000.0)
DROOP_FROM_HZ, DROOP_TO_HZ = 100.0, 10_000.0
DIP_DB, NARROW_DIP_DB, LEAST_SHARE = 0.7, 0.3, 0.4
_WEIGHT_HZ, _WEIGHT = (80.0, 150.0, 8000.0, 16_000.0), (0.4, 1.0, 1.0, 0.3)
_MOST_OVER_MIDDLE_DB = 24.0
_UNMENDABLE = ("near_axis", "off_axis", "vertical")


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """What is asked of the bands, on the design's grid.

    hz, wanted_db (correction, level free), weight (sum 1), cap_db (most gain) : (F,)
    sharp_db : (F,) wanted of the unit that was measured, without the mean over units
    target_db, deviation_db : (F,) of the goal's curve, and its deviation about the weighted mean, 0 where not judged
    judged : (F,) bool; no_boost : (F,) bool, dips that directions do not share
    u_broad_db, u_narrow_db : (F,) standard uncertainty of the wanted correction by scale
    barred : (B, 3) from, to [Hz] and the sign of gain that no bell may have there: findings no equalizer mends
    bells : (B, 3) center [Hz], Q and gain [dB] that would mend each finding in the source, as far as it is known
    differs_db, doubt_db : weighted rms of what is not wanted because places differ, and because it is not certain
    units : how far those of the model lie from each other; the correction is for their mean
    """

    goal: Goal
    limits: EqualizerLimits
    sample_rate_hz: float
    seen: Seen
    hz: FloatArray
    wanted_db: FloatArray
    sharp_db: FloatArray
    weight: FloatArray
    cap_db: FloatArray
    target_db: FloatArray
    deviation_db: FloatArray
    judged: BoolArray
    no_boost: BoolArray
    u_broad_db: FloatArray
    u_narrow_db: FloatArray
    barred: FloatArray
    bells: FloatArray
    differs_db: float
    doubt_db: float
    units: Units = UNKNOWN

    def __post_init__(self) -> None:
        corrections = ("hz", "wanted_db", "sharp_db", "weight", "cap_db", "target_db", "deviation_db")
        names = (*corrections, "u_broad_db", "u_narrow_db", "barred", "bells")
        lock_fields(self, **dict.fromkeys(names, float), judged=bool, no_boost=bool)


def problem_of(
    views: Views,
    goal: Goal = EVEN,
    *,
    limits: EqualizerLimits = DEFAULT_LIMITS,
    sample_rate_hz: float = DEFAULT_RATE_HZ,
    excess_phase_rad: FloatArray | None = None,
    findings: Sequence[Finding] = (),
    units: Units = UNKNOWN,
) -> Problem:
    """The wanted correction for a goal.

    excess_phase_rad : (A,) on axis, on the views' frequencies, where the phase is known; findings : those that no
    equalizer mends are not worked against. InputError where nothing is left to equalize.
    """
    seen = seen_of(views, highest_hz=min(20_000.0, 0.45 * sample_rate_hz))
    scales = scales_of(seen.hz.size)
    judged = _judged(seen, goal, limits)
    _need_a_middle(seen, judged)
    weight = _weight(seen, judged)
    kept = () if limits.forced else findings
    sources = _sources(kept)
    bells = sum(
        (peaking_db(seen.octaves, math.log2(hz / 1000.0), math.log(q), -gain) for hz, q, gain in sources),
        np.zeros(seen.hz.size),
    )
    rest = replace(seen, curve_db=seen.curve_db - bells, near_db=seen.near_db - bells, level_db=seen.level_db - bells)
    parts = _deviations(rest, scales, goal, weight)
    shares = _shares(rest, scales, parts)
    if excess_phase_rad is not None:
        phase = np.interp(seen.octaves, np.log2(views.hz / 1000.0), excess_phase_rad)
        shares = shares.kept(phase_bend_deg(seen.hz, phase) <= MINIMUM_PHASE_DEG)
    if limits.forced:
        mended, cap, no_boost = parts.broad + parts.narrow, None, np.zeros(seen.hz.size, dtype=bool)
    else:
        mended, cap, no_boost = _limited(rest, scales, parts, shares, weight)
        mended = mended + bells
    mended = mended + units.beyond_this_db(seen.hz)
    most = np.full(seen.hz.size, limits.total_boost_db) if cap is None else np.minimum(cap, limits.total_boost_db)
    capped = _no_dips_filled(seen, kept, most)
    sharp, wanted = (
        _edges(seen, goal, np.minimum(_spared(seen, kept, one, capped), limits.total_boost_db), judged)
        for one in (-mended, over_units(-mended, units.percent))
    )
    no_boost = no_boost | (capped < most)
    row = WINDOW if goal.curve == "listening_window" else ROOM
    away = seen.curve_db[row] - parts.target_db[row]
    middle = np.average(away, weights=weight)
    return Problem(
        goal=goal,
        limits=limits,
        sample_rate_hz=sample_rate_hz,
        seen=seen,
        hz=seen.hz,
        wanted_db=wanted,
        sharp_db=sharp,
        weight=weight,
        cap_db=capped,
        target_db=parts.target_db[row] + middle,
        deviation_db=np.where(judged, away - middle, 0.0),
        judged=judged,
        no_boost=no_boost,
        u_broad_db=shares.u_broad_db,
        u_narrow_db=shares.u_narrow_db,
        barred=_barred(kept),
        bells=sources,
        differs_db=float(np.sqrt(weight @ shares.differs_db2)),
        doubt_db=float(np.sqrt(weight @ shares.doubt_db2)),
        units=units,
    )


def _sources(findings: Sequence[Finding]) -> FloatArray:
    """(B, 3) center [Hz], Q and gain [dB] of bells against findings in the source, which all curves share, each shrunk
    as the rest is: a bell that is known is not to be split into trend and detail."""
    rows = []
    for one in findings:
        if one.kind not in SOURCES or not one.is_equalizable or one.q is None or not one.sizes:
            continue
        known = [(w, one.sizes[key].size_db) for w, key in zip(CURVE_WEIGHTS, CURVES, strict=True) if key in one.sizes]
        weight, sizes = np.array(known).T
        mean = float(np.average(sizes, weights=weight))
        lost = float(np.average((sizes - mean) ** 2, weights=weight)) + one.u_db**2
        size = (mean if one.resonance is None else one.resonance.size_db) * max(0.0, 1.0 - lost / (mean**2 + 1e-12))
        rows.append((one.center_hz, one.q, -size))
    return np.array(rows, dtype=float).reshape(-1, 3)


def _barred(findings: Sequence[Finding]) -> FloatArray:
    rows = [
        (low_hz, high_hz, -np.sign(one.size_db))
        for one in findings
        if one.kind in _UNMENDABLE
        for low_hz, high_hz in _alone(one, findings)
    ]
    return np.array(rows, dtype=float).reshape(-1, 3)


def _alone(one: Finding, findings: Sequence[Finding], times: float = 1.0) -> list[tuple[float, float]]:
    """Ranges [Hz] so many times a finding's half width to either side, without those of findings in the source that ask
    for the same correction."""
    low_hz, high_hz = (one.center_hz * (end / one.center_hz) ** times for end in (one.low_hz, one.high_hz))
    parts = [(low_hz, high_hz)]
    for other in findings:
        if other.kind in SOURCES and other.size_db * one.size_db > 0:
            ends = [((low, min(high, other.low_hz)), (max(low, other.high_hz), high)) for low, high in parts]
            parts = [part for pair in ends for part in pair if part[1] > part[0]]
    return parts


def _judged(seen: Seen, goal: Goal, limits: EqualizerLimits) -> BoolArray:
    """(F,) where a goal stands and the data are trusted; InputError where that is nowhere."""
    hz = seen.hz
    asked = limits.range_hz or (LOWEST_HZ, HIGHEST_HZ)
    bass_hz = float(hz[0]) if limits.forced else seen.bass_hz
    low_hz = max(asked[0] if limits.range_hz or not limits.forced else float(hz[0]), bass_hz)
    high_hz = min(asked[1], HIGHEST_HZ)
    judged = goal.there(hz) & (hz >= low_hz) & (hz <= high_hz) & (OWN_SHARE * seen.u_own_db <= TRUSTED_U_DB)
    if not judged.any():
        raise InputError(
            "nothing is left to equalize",
            where=f"data from {hz[0]:.0f} Hz to {hz[-1]:.0f} Hz, bands from {asked[0]:.0f} Hz to {asked[1]:.0f} Hz",
            expected=f"a goal and data with at most {TRUSTED_U_DB:g} dB standard uncertainty among the bands, from the "
            f"useful bass ({bass_hz:.0f} Hz) to {HIGHEST_HZ:.0f} Hz",
        )
    return np.asarray(judged, dtype=bool)


def _need_a_middle(seen: Seen, judged: BoolArray) -> None:
    """InputError for a subwoofer, whose middle is no level to go by."""
    middle = judged & (seen.hz >= MIDDLE_HZ[0]) & (seen.hz <= MIDDLE_HZ[1])
    if not middle.any():
        return
    over = float(seen.curve_db[WINDOW].max() - np.median(seen.curve_db[WINDOW][middle]))
    if over > _MOST_OVER_MIDDLE_DB:
        raise InputError.of(
            "insight.middle_too_low", where=f"{MIDDLE_HZ[0]:.0f} Hz to {MIDDLE_HZ[1] / 1000:.0f} kHz", over=over
        )


def _weight(seen: Seen, judged: BoolArray) -> FloatArray:
    """(F,) audibility and trust by frequency, sum 1: the ear is about as sensitive to a changed spectrum from 200 Hz to
    5 kHz (Green, Onsan and Forrest 1987, abstract read), less certain parts count less."""
    weight = np.interp(seen.octaves, np.log2(np.array(_WEIGHT_HZ) / 1000.0), _WEIGHT)
    weight = weight / (1 + (seen.u_own_db**2 + seen.u_common_db**2) / TRUSTED_U_DB**2)
    weight = np.where(judged, weight, BEYOND_WEIGHT)
    return np.asarray(weight / weight.sum(), dtype=float)


@dataclass(frozen=True, slots=True, eq=False)
class _Parts:
    """Deviations from the targets by scale, and what is needed to judge them.

    curve_weight : (5, F), sum 1; broad_db, narrow_db : (5, F) by curve; broad, narrow : (F,) their means
    target_db : (5, F); near_broad_db, near_narrow_db : (F,) of the directions 10 degrees off
    fade : (F,) 1 where all curves speak for the broad part, 0 where the axis alone does
    """

    curve_weight: FloatArray
    broad_db: FloatArray
    narrow_db: FloatArray
    target_db: FloatArray
    near_broad_db: FloatArray
    near_narrow_db: FloatArray
    fade: FloatArray

    @property
    def broad(self) -> FloatArray:
        return np.asarray((self.curve_weight * self.broad_db).sum(axis=0), dtype=float)

    @property
    def narrow(self) -> FloatArray:
        return np.asarray((self.curve_weight * self.narrow_db).sum(axis=0), dtype=float)


def _deviations(seen: Seen, scales: Scales, goal: Goal, weight: FloatArray) -> _Parts:
    x, hz = seen.octaves, seen.hz
    trend = seen.curve_db @ scales.trend.T
    narrow = seen.curve_db - trend
    near = scales.trend @ seen.near_db
    middle = (hz >= MIDDLE_HZ[0]) & (hz <= MIDDLE_HZ[1])
    level = float(np.median(trend[ON][middle if middle.any() else slice(None)]))
    # The axis enters by medians alone: a dip that only the axis has would raise the droop of all others.
    near_droop = _mostly_falling(hz, near - trend[ON])
    droop = np.zeros_like(trend)
    for row in (WINDOW, EARLY, POWER):
        droop[row] = near_droop + _falling(hz, trend[row] - near)
    droop[ROOM] = _line(x, hz, trend[ROOM] - near + near_droop)
    added = _asked(seen, goal, droop, weight)
    target = level + droop + added
    fade = np.interp(x, np.log2(np.array(FADE_HZ) / 1000.0), [1.0, 0.0])
    curve_weight = np.array(CURVE_WEIGHTS)[:, None] * seen.known
    curve_weight[WINDOW] = np.maximum(curve_weight[WINDOW], 1e-9)
    curve_weight[1:] *= fade
    curve_weight[ON] = np.maximum(curve_weight[ON], 1e-9)
    curve_weight /= curve_weight.sum(axis=0)
    near_broad = near - level - near_droop - added
    return _Parts(
        curve_weight, trend - target, narrow, target, near_broad, near_narrow_db=seen.near_db - near, fade=fade
    )


def _falling(hz: FloatArray, over_db: FloatArray) -> FloatArray:
    """(F,) non-increasing least-squares fit from 100 Hz up, level below (handbook: isotonic regression)."""
    from scipy.optimize import isotonic_regression

    use = hz >= DROOP_FROM_HZ
    found = np.zeros(hz.size)
    if use.any():
        fit = isotonic_regression(over_db[use], increasing=False).x
        found[use], found[~use] = fit, fit[0]
    return found


def _mostly_falling(hz: FloatArray, over_db: FloatArray) -> FloatArray:
    """(F,) non-increasing fit of least absolute differences from 100 Hz up, level below: blocks that rise are pooled,
    each at its median (handbook: pool adjacent violators), on six points an octave."""
    use = np.flatnonzero(hz >= DROOP_FROM_HZ)[:: PER_OCTAVE // 6]
    if not use.size:
        return np.zeros(hz.size)
    blocks: list[list[float]] = []
    for value in over_db[use].tolist():
        blocks.append([value])
        while len(blocks) > 1 and median(blocks[-1]) > median(blocks[-2]):
            last = blocks.pop()
            blocks[-1] = sorted(blocks[-1] + last)
    fit = np.concatenate([np.full(len(block), median(block)) for block in blocks])
    return np.asarray(np.interp(np.log2(hz), np.log2(hz[use]), fit), dtype=float)


def _line(x: FloatArray, hz: FloatArray, over_db: FloatArray) -> FloatArray:
    """(F,) least-squares line, 100 Hz to 10 kHz or as much of it as there is."""
    use = (hz >= DROOP_FROM_HZ) & (hz <= DROOP_TO_HZ)
    use = use if np.count_nonzero(use) > 1 else np.ones(hz.size, dtype=bool)
    return np.asarray(np.polyval(np.polyfit(x[use], over_db[use], 1), x), dtype=float)


def _asked(seen: Seen, goal: Goal, droop: FloatArray, weight: FloatArray) -> FloatArray:
    """(F,) what a stated slope or table adds to every curve's target, its weighted mean 0.

    InputError for a slope in the room where there is no predicted in-room response.
    """
    if goal.kind == "even":
        return np.zeros(seen.hz.size)
    row = WINDOW
    if goal.kind == "slope":
        row = ROOM
        if not seen.known[ROOM].any():
            raise InputError.of("insight.no_in_room", expected=seen.missing.get("in_room", ""))
    added = goal.shape(seen.hz) - droop[row]
    return np.asarray(added - weight @ added, dtype=float)


@dataclass(frozen=True, slots=True, eq=False)
class _Shares:
    """(F,) share of each scale that is mended, uncertainties, and the window's narrow mean over single directions.

    differs_db2, doubt_db2 : (F,) mean square over both scales that is lost to disagreement, and to uncertainty
    """

    broad: FloatArray
    narrow: FloatArray
    u_broad_db: FloatArray
    u_narrow_db: FloatArray
    window_narrow_db: FloatArray
    differs_db2: FloatArray
    doubt_db2: FloatArray

    def kept(self, where: BoolArray) -> _Shares:
        """Narrow deviations only where (F,) True."""
        return replace(self, narrow=np.where(where, self.narrow, 0.0))


def _shares(seen: Seen, scales: Scales, parts: _Parts) -> _Shares:
    """See the module: errors of the levels themselves are no disagreement, so a part of them is taken out of s^2."""
    u2 = seen.u_own_db**2
    detail = seen.level_db - seen.level_db @ scales.trend.T
    window = seen.window[:, None] * seen.trusted
    window = window / window.sum(axis=0)
    group = _pooled(seen, window)
    pooled = (group * detail).sum(axis=0)
    spread = np.maximum((group * (detail - pooled) ** 2).sum(axis=0) - 0.7 * u2, 0.0)
    mean = (window * detail).sum(axis=0)
    in_window = np.maximum((window * (detail - mean) ** 2).sum(axis=0) - 0.7 * u2, 0.0)
    between = (parts.curve_weight * (parts.narrow_db - parts.narrow) ** 2).sum(axis=0)
    narrow_s2 = np.maximum.reduce([spread, in_window, np.maximum(between - 0.3 * u2, 0.0)])
    broad_s2 = (parts.curve_weight * (parts.broad_db - parts.broad) ** 2).sum(axis=0)
    u_on = OWN_SHARE * seen.u_own_db
    u_narrow, u_broad = 0.8 * u_on, np.hypot(seen.u_common_db, 0.5 * u_on)

    def share(mean_db: FloatArray, s2: FloatArray, u: FloatArray, near: FloatArray) -> FloatArray:
        return np.maximum(0.0, 1.0 - (near @ s2 + u**2) / np.maximum(near @ mean_db**2, 1e-12))

    return _Shares(
        broad=share(parts.broad, broad_s2, u_broad, scales.near_broad),
        narrow=share(parts.narrow, narrow_s2, u_narrow, scales.near_narrow),
        u_broad_db=u_broad,
        u_narrow_db=u_narrow,
        window_narrow_db=mean,
        differs_db2=np.minimum(broad_s2, parts.broad**2) + np.minimum(narrow_s2, parts.narrow**2),
        doubt_db2=np.minimum(u_broad**2, parts.broad**2) + np.minimum(u_narrow**2, parts.narrow**2),
    )


def _pooled(seen: Seen, window: FloatArray) -> FloatArray:
    """(P, F) weights of single directions: half on the window's, half on those of the early reflections by energy."""
    if seen.early is None:
        return window
    early = seen.early[:, None] * seen.trusted * 10 ** ((seen.level_db - seen.level_db.max()) / 10)
    return np.asarray(0.5 * window + 0.5 * early / early.sum(axis=0), dtype=float)


def least_of(rows: FloatArray) -> FloatArray:
    """(F,) what the C rows (C, F) have in common: the least in size where all signs agree, else 0."""
    up, down = (rows > 0).all(axis=0), (rows < 0).all(axis=0)
    return np.where(up, rows.min(axis=0), np.where(down, rows.max(axis=0), 0.0))


def _held(part: FloatArray, most: FloatArray) -> FloatArray:
    """(F,) part kept between 0 and most."""
    return np.clip(part, np.minimum(most, 0.0), np.maximum(most, 0.0))


def _limited(
    seen: Seen, scales: Scales, parts: _Parts, shares: _Shares, weight: FloatArray
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """(F,) deviation to mend, the most gain, and where a dip is interference.

    Scale by scale, for a step of directivity would otherwise hide a clear resonance on it.
    """
    # The room weighs as much as the reflections: together they are what is not direct.
    has_room = seen.known[EARLY] & seen.known[ROOM]
    around = np.where(has_room, 0.5 * (parts.narrow_db[EARLY] + parts.narrow_db[ROOM]), parts.narrow_db[WINDOW])
    fine = np.stack([parts.narrow_db[ON], parts.near_narrow_db, parts.narrow_db[WINDOW], around]) @ scales.shared.T
    around = np.where(has_room, 0.5 * (parts.broad_db[EARLY] + parts.broad_db[ROOM]), parts.broad_db[WINDOW])
    wide = np.stack([parts.broad_db[ON], parts.near_broad_db, parts.broad_db[WINDOW], around])
    wide = wide - (wide @ weight)[:, None]
    wide[2:, parts.fade == 0] = wide[0, parts.fade == 0]
    broad = shares.broad * parts.broad
    common = least_of(fine)
    mended = _held(broad - weight @ broad, COMMON_FACTOR * least_of(wide))
    mended = mended + _held(shares.narrow * parts.narrow, COMMON_FACTOR * common)
    dip = scales.near_narrow @ parts.narrow < -NARROW_DIP_DB
    dip &= (shares.window_narrow_db < -DIP_DB) & (shares.narrow < LEAST_SHARE)
    # Where the axis alone has most of a dip, nothing is filled.
    dip |= (fine[0] < -DIP_DB) & (np.abs(common) < 0.5 * np.abs(fine[0]))
    cap = np.where(dip | _rolling_off(seen, parts.broad_db[WINDOW] + parts.narrow_db[WINDOW]), 0.0, np.inf)
    return mended, cap, np.asarray(dip, dtype=bool)


def _rolling_off(seen: Seen, deviation_db: FloatArray) -> BoolArray:
    """(F,) True up to where the window first reaches its level above the bass limit, half an octave to an octave."""
    if not seen.rolls_off:
        return np.zeros(seen.hz.size, dtype=bool)
    near = (seen.hz >= seen.bass_hz) & (seen.hz <= 2 * seen.bass_hz)
    reached = np.flatnonzero(near & (deviation_db >= 0.0))
    top = float(seen.hz[reached[0]]) if reached.size else 2 * seen.bass_hz
    return np.asarray(seen.hz < max(top, seen.bass_hz * 2**0.5), dtype=bool)


def _spared(seen: Seen, findings: Sequence[Finding], wanted: FloatArray, cap: FloatArray) -> FloatArray:
    """(F,) wanted without boosts where none is allowed, and without what counters a finding no equalizer mends."""
    wanted = _bridged(wanted, cap <= 0.0, 1.0)
    for one in findings:
        if one.kind in _UNMENDABLE:
            # Half of it is left at its ends, so the line is drawn from farther out: of a broad dip near the axis much
            # is left at twice the distance.
            inside = np.zeros(seen.hz.size, dtype=bool)
            for low_hz, high_hz in _alone(one, findings, 3.0 if one.kind == "near_axis" else 2.0):
                inside |= (seen.hz >= low_hz) & (seen.hz <= high_hz)
            wanted = _bridged(wanted, inside, -float(np.sign(one.size_db)))
    return wanted


def _bridged(wanted: FloatArray, mask: BoolArray, sign: float) -> FloatArray:
    """In each run of the mask what stands out with this sign from the line between the run's neighbors is taken out.

    From a line, for the level is free: a gain of 0 dB is nothing particular.
    """
    kept = np.flatnonzero(~mask)
    if not mask.any() or not kept.size:
        return wanted
    line = np.interp(np.arange(wanted.size), kept, wanted[kept])
    # Beyond the last neighbor its value is no line: nothing more than the level is wanted there.
    beyond = (np.arange(wanted.size) < kept[0]) | (np.arange(wanted.size) > kept[-1])
    line = np.where(beyond & (sign * line < 0.0), 0.0, line)
    return np.where(mask, line + sign * np.minimum(sign * (wanted - line), 0.0), wanted)


def _no_dips_filled(seen: Seen, findings: Sequence[Finding], cap: FloatArray) -> FloatArray:
    """(F,) the most gain, 0 in the dip of a finding that no equalizer mends."""
    for one in findings:
        if one.kind in _UNMENDABLE and one.size_db < 0:
            for low_hz, high_hz in _alone(one, findings):
                cap = np.where((seen.hz >= low_hz) & (seen.hz <= high_hz), 0.0, cap)
    return cap


def _edges(seen: Seen, goal: Goal, wanted: FloatArray, judged: BoolArray) -> FloatArray:
    """No more boost above 10 kHz than at 10 kHz (no treble fall is filled), and the judged ends go on beyond them, with
    hardly any weight, so that nothing runs away there."""
    edge = int(np.argmin(np.abs(seen.hz - FADE_HZ[1])))
    if goal.kind == "even":
        wanted = np.concatenate([wanted[:edge], np.minimum(wanted[edge:], max(float(wanted[edge]), 0.0))])
    places = np.flatnonzero(judged)
    nearest = places[np.abs(np.arange(seen.hz.size)[:, None] - places).argmin(axis=1)]
    return np.asarray(wanted[nearest], dtype=float)
