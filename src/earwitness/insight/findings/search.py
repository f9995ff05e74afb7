"""From a reading and its directions to findings: detect, merge, weigh the evidence, rank.

The frequency range ends by the rule of the F6 figure, so that page and findings state one frequency. Own addition: only
a fall that lasts to the end of the data is an end, and where the middle is not the loudest part (a subwoofer), the
loudest octave takes its place (IEC 60268-5 averages over an octave where the level is highest, from memory).
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from earwitness.figures.bandwidth import NARROW_DIP_OCTAVES, START_HZ
from earwitness.figures.sensitivity import mean_level_db
from earwitness.insight.findings import finding as found_values
from earwitness.insight.findings import origins as causes
from earwitness.insight.findings import sentences
from earwitness.insight.findings.decompose import (
    Q_LIMITS,
    Decomposition,
    Peak,
    decompose,
    half_size_octaves,
    stands_out,
)
from earwitness.insight.findings.narrow import GatedImpulse, fitted, is_smeared
from earwitness.quantities import Curve, DirectionalResponse, FloatArray, Impedance, NearField, Reading
from earwitness.session.record import Driver

DROP_DB = 6.0
UPPER_START_HZ = 3000.0
LEAST_SLOPE_DB = 2.0
"""Below that many dB/octave beyond the fall the range goes on, only lower."""
MIDDLE_IS_LOW_DB = 10.0


@dataclass(frozen=True, slots=True)
class Limit:
    """edge_hz : 6 dB under reference_db; slope_db_per_octave : over up to an octave beyond, positive for a fall;
    far_hz : where the data end on that side."""

    edge_hz: float
    slope_db_per_octave: float
    far_hz: float
    is_low: bool


def limits_of(curve: Curve) -> list[Limit]:
    """The ends of the range that lie inside the data, the lower one first."""
    reference = _reference(curve)
    if reference is None:
        return []
    level, *starts = reference
    found = (_limit(curve, level, start, is_low=is_low) for start, is_low in zip(starts, (True, False), strict=True))
    return [one for one in found if one is not None]


def _reference(curve: Curve) -> tuple[float, float, float] | None:
    """Level that the fall counts from [dB], and where the search for it begins, downward and upward [Hz]."""
    middle = mean_level_db(curve)
    x, power = np.log2(curve.axis.hz), np.where(curve.valid, 10 ** (curve.values / 10), 0.0)
    half = 0.5 + 1e-6  # Steps of an octave's fractions end on half an octave, but for rounding.
    inside = np.abs(x[:, None] - x) <= half
    is_far = np.minimum(x - x[0], x[-1] - x) >= 1.0 - half
    whole = curve.valid & is_far & (inside @ (~curve.valid).astype(float) == 0)
    if whole.any():
        octave = np.where(whole, inside @ power / inside.sum(axis=1), 0.0)
        place = int(np.argmax(octave))
        loudest, at = float(10 * np.log10(octave[place])), float(curve.axis.hz[place])
        if middle is None or loudest > middle + MIDDLE_IS_LOW_DB:
            return loudest, at, at
    return None if middle is None else (middle, START_HZ, UPPER_START_HZ)


def _limit(curve: Curve, reference_db: float, start_hz: float, *, is_low: bool) -> Limit | None:
    """The end on one side: from there on the curve stays below, and goes on falling."""
    hz = curve.axis.hz
    start = int(np.argmin(np.abs(np.log(hz / start_hz))))
    rows = np.arange(start, -1, -1) if is_low else np.arange(start, hz.size)
    gaps = np.flatnonzero(~curve.valid[rows])
    rows = rows[: int(gaps[0])] if gaps.size else rows
    x, above = np.log2(hz[rows]), curve.values[rows] - reference_db + DROP_DB
    last = int(np.flatnonzero(above >= 0)[-1]) if (above >= 0).any() else -1
    if last < 0 or last + 1 >= rows.size:
        return None
    edge = float(x[last] + above[last] / (above[last] - above[last + 1]) * (x[last + 1] - x[last]))
    if abs(x[-1] - edge) < NARROW_DIP_OCTAVES:
        return None
    slope = _slope(x, curve.values[rows], edge, is_low=is_low)
    if slope < LEAST_SLOPE_DB:
        return None
    return Limit(float(2.0**edge), slope, float(hz[rows[-1]]), is_low)


def _slope(x: FloatArray, level: FloatArray, edge: float, *, is_low: bool) -> float:
    """Fall outward [dB/octave] of the straight line through up to an octave beyond the edge."""
    outward = (edge - x) if is_low else (x - edge)
    near = (outward > 0.0) & (outward <= 1.0)
    return -float(np.polynomial.polynomial.polyfit(outward[near], level[near], 1)[1])


TARGETS = ("listening_window", "on_axis", "in_room")
LEAST_TILT = 0.3
"""Slope on axis from which it is a finding [dB/octave]; smaller ones are called small. Project default."""
COSTLY_DIP_DB = 6.0
"""From this depth on a dip says what filling it costs: four times the power and more. Project default."""
COVERAGE = 2.0
LEAST_SIZE_DB = 0.5
_SAME_OCTAVES = 1 / 8
_EDGE_DB = 2.0
_SHOWN_SHARE = 0.4
_LEAST_ECHO = 0.3
_ALIKE = 1.4
_INDEPENDENT_OCTAVES = 1 / 3
_SEEN_WIDTHS = 0.25
_REST_WIDTHS, _REST_SHARE, _SHAPE_SHARE = 1.5, 1.0, 0.05
# What a gate may take of a resonance that could not be fitted behind it: up to a third, by simulation.
_SMEARED_SHARE = 0.3


@dataclass(frozen=True, slots=True)
class _Seen:
    """A peak and the curve it was found in. sizes_db : of the same shape in the direct curves, each taken apart by
    itself; rest_db : rms of what no shape explains about it."""

    peak: Peak
    target: str
    sizes_db: tuple[float, ...] = ()
    rest_db: float = 0.0


def find(
    reading: Reading,
    response: DirectionalResponse,
    *,
    impedance: Impedance | None = None,
    near_fields: Sequence[NearField] = (),
    drivers: Sequence[Driver] = (),
    cabinet: causes.Cabinet | None = None,
    gated: GatedImpulse | None = None,
    sensitive: bool = False,
) -> tuple[found_values.Finding, ...]:
    """All deviations on axis, of the listening window and of the predicted in-room response, the most audible first.

    reading : curves of `response`; without a listening window the on-axis curve and, in place of the window, the
    horizontal window are used. impedance, near_fields, drivers : for resonances of driver, cabinet and port, where
    measured; cabinet : for causes that its lengths speak for; gated : the gated impulse on axis, for resonances
    narrower than its gate can show. sensitive : rank by thresholds for pink noise. Nothing smaller than twice its
    standard uncertainty is reported, and nothing below half a decibel. Tilt and band limits stand last, with their own
    kinds. Empty where no curve spans three octaves.
    """
    curves = {key: reading.curves[key] for key in causes.CURVES if key in reading.curves}
    if "listening_window" not in curves and "horizontal_window" in reading.curves:
        curves["listening_window"] = reading.curves["horizontal_window"]
    parts = {key: part for key in TARGETS if key in curves and (part := decompose(curves[key], bends=key == "in_room"))}
    seen = _merged(parts)
    phase = causes.on_axis_excess_phase(response)
    direct = next((key for key in ("listening_window", "on_axis") if key in parts), None)
    edge = parts[direct].low_edge_db(response.axis.hz) if direct is not None else np.zeros(len(response.axis))

    evidence_of = partial(causes.gather, curves, response, edge_db=edge, excess_phase_rad=phase)
    evidence_of = partial(evidence_of, impedance=impedance, near_fields=near_fields, drivers=drivers)
    made = partial(_finding, curves=curves, drivers=drivers, cabinet=cabinet, sensitive=sensitive)
    found: list[found_values.Finding] = []
    for one in seen:
        others = [other.peak for other in seen if other is not one]
        evidence = evidence_of(one.peak, others)
        behind: Callable[[Peak], found_values.Resonance | None] | None = None
        if gated is not None and is_smeared(gated, one.peak):
            told = partial(fitted, gated, others=others, near_fields=near_fields, wrinkle_hz=evidence.wrinkle_hz)
            behind = partial(told, curves["on_axis"]) if "on_axis" in curves else _unknown
        finding = made(one, evidence, behind=behind)
        found += [finding] if finding is not None else []
    if "in_room" in parts and direct is not None:
        contrast = _contrast_peaks(response, curves["in_room"], parts[direct].hz)
        for peak in contrast:
            if any(_is_same(_peak_of(finding), peak) for finding in found):
                continue
            others = [other.peak for other in seen if not _is_same(other.peak, peak)]
            others += [other for other in contrast if other is not peak]
            evidence = evidence_of(peak, others)
            size = evidence.curve_db.get("in_room", 0.0)
            if size * peak.size_db > 0.0:
                # With the size that it has in the predicted in-room response, if it is a vertical one there.
                vertical = made(_Seen(replace(peak, size_db=size), "in_room"), evidence)
                found += [vertical] if vertical is not None and vertical.kind == "vertical" else []
    extra: list[found_values.Finding] = []
    tilted = next((key for key in (found_values.DIRECT, "listening_window") if key in parts), None)
    if tilted is not None:
        extra = _tilt(parts[tilted], curves[tilted])
    extra += _limits(next((curves[key] for key in ("on_axis", direct) if key in curves), None))
    ranked = sorted(found, key=lambda one: (-_rank(one), one.center_hz))
    return tuple(replace(one, key=number) for number, one in enumerate([*ranked, *extra], 1))


def _contrast_peaks(response: DirectionalResponse, in_room: Curve, band_hz: FloatArray) -> tuple[Peak, ...]:
    """Peaks of the sound above and below over that to the sides, inside the band (B,) of the direct sound."""
    curve = causes.vertical_contrast(response, in_room)
    if curve is None:
        return ()
    inside = (curve.axis.hz >= band_hz[0]) & (curve.axis.hz <= band_hz[-1])
    part = decompose(replace(curve, valid=curve.valid & inside), bends=True, rolls_off=False)
    return () if part is None else tuple(one for one in part.peaks if part.hz[0] < one.center_hz < part.hz[-1])


def _unknown(_peak: Peak) -> None:
    """Behind the gate of a response that has no curve on axis."""


def _peak_of(one: found_values.Finding) -> Peak:
    return Peak(one.center_hz, one.q or Q_LIMITS[0], one.size_db)


def _rank(one: found_values.Finding) -> float:
    bonus = found_values.SOURCE_BONUS_DB if one.kind in found_values.SOURCES and one.is_peak else 0.0
    return one.margin_db + bonus


def _merged(parts: dict[str, Decomposition]) -> list[_Seen]:
    """Peaks of all targets, those that are one made one: of fits alike the surer counts, else the larger."""
    kept: list[_Seen] = []
    for target, part in parts.items():
        for peak in part.peaks:
            inside = part.hz[0] < peak.center_hz < part.hz[-1]
            if not inside or _is_edge(part, peak) or not stands_out(part, peak):
                continue
            direct = (peak.size_db,) if target != "in_room" else ()
            seen = _Seen(peak, target, direct, _rest_db(part, peak))
            same = next((i for i, other in enumerate(kept) if _is_same(other.peak, peak)), None)
            if same is None:
                kept.append(seen)
                continue
            old = kept[same]
            sizes = (*old.sizes_db, *direct)
            ratio = abs(peak.size_db / old.peak.size_db)
            if ratio > _ALIKE and target != "in_room":
                kept[same] = replace(seen, sizes_db=sizes)
            elif 1 / _ALIKE < ratio < _ALIKE and peak.u_ln_q < old.peak.u_ln_q:
                kept[same] = replace(seen, target=old.target, sizes_db=sizes)
            else:
                kept[same] = replace(old, sizes_db=sizes)
    return kept


def _rest_db(part: Decomposition, peak: Peak) -> float:
    near = np.abs(np.log2(part.hz / peak.center_hz)) <= _REST_WIDTHS * half_size_octaves(peak.q)
    return float(np.sqrt(np.mean(part.rest_db[near] ** 2))) if near.any() else 0.0


def _is_edge(part: Decomposition, peak: Peak) -> bool:
    """The peak only bends the trend's edge: it stands where the trend itself has fallen by 2 dB and more."""
    level = part.trend_db - part.slope_db_per_octave * np.log2(part.hz / 1000.0)
    fall = level - np.median(level)
    return bool(np.interp(np.log(peak.center_hz), np.log(part.hz), fall) < -_EDGE_DB)


def _is_same(one: Peak, other: Peak) -> bool:
    width = min(half_size_octaves(one.q), half_size_octaves(other.q))
    wider = max(half_size_octaves(one.q), half_size_octaves(other.q))
    near = abs(np.log2(one.center_hz / other.center_hz)) < max(_SAME_OCTAVES, 0.5 * width)
    return bool(near and one.size_db * other.size_db > 0 and wider < 4.0 * width + 0.25)


def size_uncertainty_db(curve: Curve, peak: Peak, sizes_db: Sequence[float] = (), rest_db: float = 0.0) -> float:
    """Standard uncertainty of a peak's height over what lies one width to either side [dB].

    A common offset cancels; what is smooth over frequency (correlation exp(-(d / octave)^2), as the figures' Monte
    Carlo has it) cancels the better the narrower the peak is; the rest averages over what is independent in the peak,
    by thirds of an octave (own choice). The scatter of the fit is added, and what the method leaves open: sizes_db,
    that of the same shape as other ways of looking tell it, lie apart from this height as a rectangle's ends do, and
    rest_db, the rms that no shape explains about it, and a twentieth of the size, for a flaw is no bell.
    """
    hz, known = curve.axis.hz, curve.valid
    at = np.log(peak.center_hz)
    own = float(np.interp(at, np.log(hz), curve.u))
    offset = float(curve.u_common[known].min())
    common = float(np.sqrt(max(np.interp(at, np.log(hz), curve.u_common) ** 2 - offset**2, 0.0)))
    width = half_size_octaves(peak.q)
    near, far = float(np.exp(-(width**2))), float(np.exp(-4 * width**2))
    remains = float(1.5 + 0.5 * far - 2 * near)
    smooth = (0.5 * own**2 + common**2) * remains
    rough = 0.5 * own**2 * 1.5 / max(1.0, width / _INDEPENDENT_OCTAVES)
    told = (peak.size_db, *sizes_db)
    open_db = (max(told) - min(told)) / np.sqrt(3.0)
    shape_db = _SHAPE_SHARE * peak.size_db if sizes_db else 0.0
    return float(np.sqrt(smooth + rough + peak.u_db**2 + open_db**2 + (_REST_SHARE * rest_db) ** 2 + shape_db**2))


def _ends_at(curve: Curve, peak: Peak) -> bool:
    """The data end so near to the center that nothing tells a dip from the fall at the end of the range."""
    hz = curve.axis.hz[curve.valid]
    octaves = min(abs(float(np.log2(peak.center_hz / end))) for end in (hz[0], hz[-1]))
    return octaves < _SEEN_WIDTHS * half_size_octaves(peak.q)


def _finding(
    one: _Seen,
    evidence: causes.PeakEvidence,
    curves: Mapping[str, Curve],
    drivers: Sequence[Driver],
    cabinet: causes.Cabinet | None,
    *,
    sensitive: bool,
    behind: Callable[[Peak], found_values.Resonance | None] | None = None,
) -> found_values.Finding | None:
    """The finding of a peak, or None where it lies inside its uncertainty. behind : fits it behind the gate."""
    peak, curve = one.peak, curves[one.target]
    here = evidence.curve_db.get(one.target)
    kind = causes.kind_of(evidence, size_db=peak.size_db, in_direct=one.target != "in_room")
    u = size_uncertainty_db(curve, peak, _sizes_db(one, evidence, kind), one.rest_db)
    if abs(peak.size_db) < max(COVERAGE * u, LEAST_SIZE_DB):
        return None
    if here is not None and here / peak.size_db < _LEAST_ECHO:
        # Only in the balance of fitted shapes, not in the curve.
        return None
    if peak.size_db < 0 and _ends_at(curve, peak):
        return None
    resonance = behind(peak) if behind is not None and kind in found_values.SOURCES else None
    sizes = {curves[key].key: _sized(curves[key], peak, size, one) for key, size in evidence.curve_db.items()}
    if resonance is not None:
        bare = size_uncertainty_db(curve, replace(peak, u_db=0.0))
        u = float(np.hypot(resonance.u_db, bare))
        u_ln = resonance.u_ln_hz, resonance.u_ln_q
        peak = Peak(resonance.hz, resonance.q, resonance.size_db, *u_ln, resonance.u_db)
    elif behind is not None and kind in found_values.SOURCES:
        u = float(np.hypot(u, _SMEARED_SHARE * peak.size_db))
    at = sizes.get(found_values.DIRECT, found_values.Sized(peak.size_db, u, u)).size_db
    origins = causes.origins_of(
        kind, peak.center_hz, q=peak.q, size_db=at, sizes=sizes, evidence=evidence, drivers=drivers, cabinet=cabinet
    )
    half = 2.0 ** (0.5 * half_size_octaves(peak.q))
    shown = tuple(key for key, size in evidence.curve_db.items() if size / one.peak.size_db >= _SHOWN_SHARE)
    found = found_values.Finding(
        key=1,
        center_hz=peak.center_hz,
        low_hz=peak.center_hz / half,
        high_hz=peak.center_hz * half,
        size_db=peak.size_db,
        u_db=u,
        q=peak.q,
        kind=kind,
        curves=shown or (one.target,),
        evidence={
            **evidence.numbers(),
            "threshold_db": float(found_values.threshold_db(peak.q, sensitive=sensitive)),
            "u_center_hz": peak.u_ln_f * peak.center_hz,
            "u_q": peak.u_ln_q * peak.q,
            "fit_u_db": peak.u_db,
        },
        margin_db=0.0,
        is_equalizable=causes.is_equalizable(kind, evidence),
        title="",
        sentence="",
        resonance=resonance,
        radiator=evidence.radiator if kind in found_values.SOURCES else "",
        sizes=sizes,
        origins=origins,
    )
    margin_db = found_values.margin_db(found.heard.size_db, peak.q, sensitive=sensitive)
    title = sentences.title_of(kind, peak.center_hz, found.told, peak.q)
    return replace(found, margin_db=margin_db, title=title, sentence=_in_words(found))


def _in_words(one: found_values.Finding) -> str:
    sentence = sentences.sentences_of(one)
    if one.resonance is not None:
        sentence += " " + sentences.gate_sentence(one.resonance)
    if one.is_equalizable and one.size_db < -COSTLY_DIP_DB:
        times = 10 ** (-one.size_db / 10)
        sentence += f" To fill it whole takes {times:.0f} times the amplifier's power there."
    return sentence


def _sized(curve: Curve, peak: Peak, size_db: float, one: _Seen) -> found_values.Sized:
    """The size in one curve with its uncertainty, by the same rules as the finding's own."""
    here = replace(peak, size_db=size_db)
    u = size_uncertainty_db(curve, here, (size_db,), one.rest_db)
    own = size_uncertainty_db(replace(curve, u_common=np.zeros_like(curve.u)), here, (size_db,), one.rest_db)
    return found_values.Sized(size_db, u, own)


def _sizes_db(one: _Seen, evidence: causes.PeakEvidence, kind: found_values.Kind) -> list[float]:
    """Sizes that should be one: fitted alone in the same curve, and of what is in the source in both direct curves."""
    keys = ("on_axis", "listening_window") if kind in found_values.SOURCES else (one.target,)
    told = [evidence.curve_db[key] for key in dict.fromkeys((one.target, *keys)) if key in evidence.curve_db]
    return [*told, *(one.sizes_db if kind in found_values.SOURCES else ())]


def _tilt(part: Decomposition, curve: Curve) -> list[found_values.Finding]:
    """The tilt on axis, where it is large enough and lies outside its uncertainty."""
    low = max(part.hz[0], 100.0 if part.low_corner_hz is None else 2.0 * part.low_corner_hz)
    high = min(part.hz[-1], 10_000.0)
    octaves = float(np.log2(high / low)) if high > low else 0.0
    if octaves < 3.0:
        return []
    inside = curve.valid & (curve.axis.hz >= low) & (curve.axis.hz <= high)
    offset = float(curve.u_common[curve.valid].min())
    rest = curve.u_common[inside] ** 2 - offset**2 + 0.5 * curve.u[inside] ** 2
    u_slope = float(np.hypot(np.sqrt(2 * np.maximum(rest, 0.0).mean()) / octaves, part.u_slope))
    slope = part.slope_db_per_octave
    if abs(slope) < max(LEAST_TILT, COVERAGE * u_slope):
        return []
    way = "Rising" if slope > 0 else "Falling"
    return [
        found_values.Finding(
            key=1,
            center_hz=float(np.sqrt(low * high)),
            low_hz=float(low),
            high_hz=float(high),
            size_db=slope * octaves,
            u_db=u_slope * octaves,
            q=None,
            kind="tilt",
            curves=(curve.key,),
            evidence={"slope_db_per_octave": slope, "u_slope_db_per_octave": u_slope},
            margin_db=0.5 * (abs(slope) - LEAST_TILT) * octaves,
            is_equalizable=True,
            title=f"{way} level {found_values.PLACES[curve.key]}, {slope:+.2f} dB/octave",
            sentence=sentences.tilt_sentence(slope, u_slope, (float(low), float(high)), curve.key),
        )
    ]


def _limits(curve: Curve | None) -> list[found_values.Finding]:
    """The ends of the range that lie inside the data."""
    found: list[found_values.Finding] = []
    if curve is None:
        return found
    for one in limits_of(curve):
        u = float(np.interp(np.log(one.edge_hz), np.log(curve.axis.hz), curve.u_total))
        found.append(
            found_values.Finding(
                key=1,
                center_hz=one.edge_hz,
                low_hz=min(one.edge_hz, one.far_hz),
                high_hz=max(one.edge_hz, one.far_hz),
                size_db=-DROP_DB,
                u_db=u,
                q=None,
                kind="band_limit",
                curves=(curve.key,),
                evidence={"slope_db_per_octave": one.slope_db_per_octave},
                margin_db=0.0,
                is_equalizable=False,
                title=f"{'Lower' if one.is_low else 'Upper'} end of the range at {sentences.hertz(one.edge_hz)}",
                sentence=sentences.limit_sentence(one.edge_hz, one.slope_db_per_octave, curve.key, is_low=one.is_low),
            )
        )
    return found
