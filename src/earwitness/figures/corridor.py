"""How much of a curve stays inside a corridor about its reference: the share of a band, and the band about 1 kHz."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from earwitness.figures.linearity import LINEARITY_BAND_HZ
from earwitness.figures.sampling import not_covered, sampled, smoothed
from earwitness.quantities import Curve, Figure, log_axis, not_judged
from earwitness.quantities.arrays import BoolArray, FloatArray
from earwitness.quantities.axis import hz_words

CORRIDORS_DB = {"1p5db": 1.5, "3db": 3.0}
CENTER_HZ = 1000.0
_POINTS_PER_OCTAVE = 48


def share_points_hz() -> FloatArray:
    """(321,) evenly spaced on log frequency from 100 Hz to 10 kHz, both ends included."""
    return np.asarray(np.geomspace(*LINEARITY_BAND_HZ, 321), dtype=float)


def share_inside(deviation_db: FloatArray, half_width_db: float) -> FloatArray:
    """(N,) share of the length of evenly spaced curves (N, G), straight between points, inside +- half_width_db."""
    start, rise = deviation_db[:, :-1], np.diff(deviation_db, axis=1)
    flat = np.abs(rise) < 1e-12
    slope = np.where(flat, 1.0, rise)
    low, high = (-half_width_db - start) / slope, (half_width_db - start) / slope
    enter, leave = np.minimum(low, high), np.maximum(low, high)
    part = np.clip(np.minimum(leave, 1.0) - np.maximum(enter, 0.0), 0.0, 1.0)
    part = np.where(flat, np.abs(start) <= half_width_db, part)
    return np.asarray(part.mean(axis=1), dtype=float)


def reach(x: FloatArray, deviation_db: FloatArray, half_width_db: float) -> FloatArray:
    """(N,) x at which curves (N, G) leave +- half_width_db for the first time, straight between points.

    x : (G,) rising or falling; the last x where a curve never leaves. Curves are inside at the first point.
    """
    outside = np.abs(deviation_db) > half_width_db
    first = np.where(outside.any(axis=1), outside.argmax(axis=1), 0)
    rows = np.arange(first.size)
    after, before = deviation_db[rows, first], deviation_db[rows, np.maximum(first - 1, 0)]
    step = np.where(first > 0, after - before, 1.0)
    part = (np.sign(after) * half_width_db - before) / step
    left = x[np.maximum(first - 1, 0)] + part * (x[first] - x[np.maximum(first - 1, 0)])
    return np.asarray(np.where(first > 0, left, x[-1]), dtype=float)


def _about_center(curve: Curve) -> tuple[FloatArray, FloatArray] | None:
    """Frequencies of the unbroken valid band about 1 kHz, through 1 kHz, and the levels there."""
    hz = log_axis(float(curve.axis.hz[0]), float(curve.axis.hz[-1]), _POINTS_PER_OCTAVE, through_hz=CENTER_HZ).hz
    values, _, _, valid = sampled(curve, hz)
    center = np.flatnonzero(np.abs(hz - CENTER_HZ) < 1e-6)
    if center.size == 0 or not valid[center[0]]:
        return None
    return _unbroken(hz, values, valid, int(center[0]))


def _unbroken(hz: FloatArray, values: FloatArray, valid: BoolArray, center: int) -> tuple[FloatArray, FloatArray]:
    gaps = np.flatnonzero(~valid)
    low = int(gaps[gaps < center].max()) + 1 if (gaps < center).any() else 0
    high = int(gaps[gaps > center].min()) if (gaps > center).any() else hz.size
    return hz[low:high], values[low:high]


def width_of_band(x: FloatArray, deviation_db: FloatArray, half_width_db: float) -> tuple[FloatArray, FloatArray]:
    """(N,) lower and upper x of the band about x = 0 inside +- half_width_db; x : (G,) rising, holds 0.

    Both are 0 for a curve that is outside at x = 0 itself.
    """
    center = int(np.argmin(np.abs(x)))
    inside = np.abs(deviation_db[:, center]) <= half_width_db
    up = reach(x[center:], deviation_db[:, center:], half_width_db)
    down = reach(x[center::-1], deviation_db[:, center::-1], half_width_db)
    return np.where(inside, down, 0.0), np.where(inside, up, 0.0)


def share_figure(curve: Curve, reference_db: float, half_width_db: float, *, key: str, smoothing: int = 12) -> Figure:
    """Share of the octaves of 100 Hz to 10 kHz inside +- half_width_db about `reference_db` [%], no uncertainty yet."""
    low, high = LINEARITY_BAND_HZ
    band = f"{hz_words(low)} to {hz_words(high)}"
    method = f"{curve.name} inside ±{half_width_db:g} dB, {band}, 1/{smoothing} octave smoothing"
    values, _, _, valid = sampled(smoothed(curve, smoothing), share_points_hz())
    if not valid.all():
        reason = not_covered(curve, low, high)
        return not_judged(key, reason, unit="%", method=method, band_hz=LINEARITY_BAND_HZ, lineage=curve.lineage)
    share = 100 * float(share_inside(values[None, :] - reference_db, half_width_db)[0])
    return Figure(key, share, 0.0, "%", LINEARITY_BAND_HZ, method, lineage=curve.lineage)


def band_figure(curve: Curve, reference_db: float, half_width_db: float, *, key: str, smoothing: int = 12) -> Figure:
    """Widest unbroken band about 1 kHz inside +- half_width_db [octaves], its edges in `band_hz`, no uncertainty yet.

    No dip is forgiven. Where the curve is still inside at the end of its valid band, the width is "at least".
    """
    method = f"unbroken band about 1 kHz with {curve.name} inside ±{half_width_db:g} dB, 1/{smoothing} octave smoothing"
    found = _about_center(smoothed(curve, smoothing))
    if found is None:
        reason = f"{curve.name} is not valid at 1 kHz"
        return not_judged(key, reason, unit="octaves", method=method, lineage=curve.lineage)
    hz, values = found
    x = np.log2(hz / CENTER_HZ)
    deviation = values - reference_db
    at_center = float(deviation[np.argmin(np.abs(x))])
    if abs(at_center) > half_width_db:
        reason = f"{curve.name} is {at_center:+.1f} dB off at 1 kHz itself"
        return not_judged(key, reason, unit="octaves", method=method, lineage=curve.lineage)
    low, high = (float(edge[0]) for edge in width_of_band(x, deviation[None, :], half_width_db))
    band = (CENTER_HZ * 2**low, CENTER_HZ * 2**high)
    figure = Figure(key, high - low, 0.0, "octaves", band, method, lineage=curve.lineage)
    open_ends = [words for words, edge, end in (("lower", low, x[0]), ("upper", high, x[-1])) if abs(edge - end) < 1e-9]
    if not open_ends:
        return figure
    note = f"still inside at the {' and '.join(open_ends)} end of the valid band"
    return replace(figure, bound="at least", caveats=(note,))


def smoothing_rows(curve: Curve, fraction: int) -> FloatArray:
    """(F, F) first-order effect of errors of a dB curve on its 1/fraction-octave energy smoothing; rows sum to 1.

    Cells about the curve's points instead of the exact integral; invalid points take no part and keep their own error.
    """
    x = np.log2(curve.axis.hz)
    edges = np.concatenate([[x[0]], (x[1:] + x[:-1]) / 2, [x[-1]]])
    use = curve.valid
    low, high = (x[use][0], x[use][-1]) if use.any() else (x[0], x[-1])
    half = np.clip(np.minimum(x - low, high - x), 0.0, 0.5 / fraction)[:, None]
    overlap = np.minimum(edges[1:], x[:, None] + half) - np.maximum(edges[:-1], x[:, None] - half)
    energy = np.where(use, 10 ** (np.where(use, curve.values, 0.0) / 10), 0.0)
    rows = np.maximum(overlap, 0.0) * energy
    total = rows.sum(axis=1, keepdims=True)
    return np.asarray(np.where(total > 0, rows / np.where(total > 0, total, 1.0), np.eye(x.size)), dtype=float)
