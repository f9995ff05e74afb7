"""How even a curve is: deviation from its reference level, slope, and how much of it stays inside a corridor."""

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from earwitness.figures.sampling import band_grid, covers, not_covered, sampled, smoothed, smoothing_rows
from earwitness.figures.uncertainty import Drawn, drawn, with_spread
from earwitness.quantities import Asked, Curve, Figure, FloatArray, hz_words, log_axis

LINEARITY_BAND_HZ = (100.0, 10_000.0)


@lru_cache(maxsize=2)
def smoothed_draws(curves: Drawn, fraction: int) -> Drawn:
    """Measured and drawn curves after 1/fraction octave smoothing, the errors by first order."""
    smooth = smoothed(curves.curve, fraction)
    errors = (curves.rows - curves.rows[:1]) @ smoothing_rows(curves.curve, fraction).T
    return Drawn(smooth, smooth.values + errors, curves.gaps)


def deviations(
    curve: Curve | Drawn,
    reference_db: float | FloatArray,
    *,
    band_hz: tuple[float, float] = LINEARITY_BAND_HZ,
    smoothing: int | None = 12,
) -> dict[str, Figure]:
    """Largest deviations above and below the reference, and half the range, in the band [dB].

    Keys "linearity_above", "linearity_below" (negative when below), "linearity_half_range". reference_db : of the
    measured curve, or (1 + N,) of it and of the drawn ones; smoothing : 1/n octave of energy, or None. Points on a 20
    per octave grid from the band's lower edge. Band and smoothing are choices of this program.
    """
    curves = drawn(curve)
    one, reference = curves.curve, np.asarray(reference_db, dtype=float).reshape(-1)
    words = f"1/{smoothing} octave smoothing" if smoothing else "no smoothing"
    band = f"{hz_words(band_hz[0])} to {hz_words(band_hz[1])}"
    method = f"{one.name}, {band}, {words}, reference {float(reference[0]):.1f} dB"
    keys = ("linearity_above", "linearity_below", "linearity_half_range")
    asked = {key: Asked(key, "dB", method, band_hz, one.lineage) for key in keys}
    if not covers(one, band_grid(*band_hz)):
        return {key: each.refused(not_covered(one, *band_hz)) for key, each in asked.items()}
    source = smoothed_draws(curves, smoothing) if smoothing else curves
    away = source.at(band_grid(*band_hz)) - reference[:, None]
    top, bottom = away.max(axis=1), away.min(axis=1)
    notes = curves.notes(*band_hz)
    return {
        key: with_spread(asked[key].judged(float(values[0]), 0.0, *notes), values, one.causes)
        for key, values in zip(keys, (top, bottom, (top - bottom) / 2), strict=True)
    }


@dataclass(frozen=True, slots=True)
class FittedLine:
    """Least-squares line of a level on log2 frequency; residual_db : rms; r_squared : 0 without variance."""

    slope: Figure
    residual_db: float
    r_squared: float


def lines(level_db: FloatArray, hz: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(N,) slopes [dB/octave] and (N,) r squared of the least-squares lines of levels (N, G) on log2 frequency (G,).

    Ordinary least squares, equal weights (handbook formula); r squared is 0 without variance.
    """
    x = np.log2(hz) - np.log2(hz).mean()
    centered = level_db - level_db.mean(axis=1, keepdims=True)
    slopes = centered @ x / (x @ x)
    variance = (centered**2).sum(axis=1)
    explained = slopes**2 * (x @ x)
    return slopes, np.where(variance > 1e-12 * hz.size, explained / np.where(variance > 0, variance, 1.0), 0.0)


def slope(
    curve: Curve | Drawn, *, band_hz: tuple[float, float] = LINEARITY_BAND_HZ, key: str = "slope"
) -> FittedLine | Figure:
    """Line L = a + b log2 f on a 20 per octave grid, b in dB/octave; a figure not judged if the band is not covered."""
    curves = drawn(curve)
    one = curves.curve
    method = f"least-squares line of {one.name} on log frequency, {hz_words(band_hz[0])} to {hz_words(band_hz[1])}"
    asked = Asked(key, "dB/octave", method, band_hz, one.lineage)
    if not covers(one, band_grid(*band_hz)):
        return asked.refused(not_covered(one, *band_hz))
    hz = band_grid(*band_hz)
    levels = curves.at(hz)
    steep, straight = lines(levels, hz)
    left = levels[0] - levels[0].mean() - steep[0] * (np.log2(hz) - np.log2(hz).mean())
    figure = with_spread(asked.judged(float(steep[0]), 0.0, *curves.notes(*band_hz)), steep, one.causes)
    return FittedLine(figure, math.sqrt(float((left**2).mean())), float(straight[0]))


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
    part = np.maximum(np.minimum(leave, 1.0) - np.maximum(enter, 0.0), 0.0)
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


def width_of_band(x: FloatArray, deviation_db: FloatArray, half_width_db: float) -> tuple[FloatArray, FloatArray]:
    """(N,) lower and upper x of the band about x = 0 inside +- half_width_db; x : (G,) rising, holds 0.

    Both are 0 for a curve that is outside at x = 0 itself.
    """
    center = int(np.argmin(np.abs(x)))
    inside = np.abs(deviation_db[:, center]) <= half_width_db
    up = reach(x[center:], deviation_db[:, center:], half_width_db)
    down = reach(x[center::-1], deviation_db[:, center::-1], half_width_db)
    return np.where(inside, down, 0.0), np.where(inside, up, 0.0)


def share_figure(
    curve: Curve | Drawn, reference_db: float | FloatArray, half_width_db: float, *, key: str, smoothing: int = 12
) -> Figure:
    """Share of the octaves of 100 Hz to 10 kHz inside +- half_width_db about `reference_db` [%].

    reference_db : of the measured curve, or (1 + N,) of it and of the drawn ones
    """
    curves = drawn(curve)
    one, (low, high) = curves.curve, LINEARITY_BAND_HZ
    band = f"{hz_words(low)} to {hz_words(high)}"
    method = f"{one.name} inside ±{half_width_db:g} dB, {band}, 1/{smoothing} octave smoothing"
    asked = Asked(key, "%", method, LINEARITY_BAND_HZ, one.lineage)
    if not covers(one, share_points_hz()):
        return asked.refused(not_covered(one, low, high))
    reference = np.asarray(reference_db, dtype=float).reshape(-1, 1)
    away = smoothed_draws(curves, smoothing).at(share_points_hz()) - reference
    shares = 100 * share_inside(away, half_width_db)
    figure = asked.judged(float(shares[0]), 0.0, *curves.notes(low, high))
    return with_spread(figure, shares, one.causes, low=0.0, high=100.0)


def band_figure(
    curve: Curve | Drawn, reference_db: float | FloatArray, half_width_db: float, *, key: str, smoothing: int = 12
) -> Figure:
    """Widest unbroken band about 1 kHz inside +- half_width_db [octaves], its edges in `band_hz`.

    No dip is forgiven. Where the curve is still inside at the end of its valid band, the width is "at least".
    reference_db : of the measured curve, or (1 + N,) of it and of the drawn ones
    """
    curves = drawn(curve)
    name = curves.curve.name
    method = f"unbroken band about 1 kHz with {name} inside ±{half_width_db:g} dB, 1/{smoothing} octave smoothing"
    asked = Asked(key, "octaves", method, lineage=curves.curve.lineage)
    hz = _about_center(curves.curve)
    if hz is None:
        return asked.refused(f"{name} is not valid at 1 kHz")
    x = np.log2(hz / CENTER_HZ)
    reference = np.asarray(reference_db, dtype=float).reshape(-1, 1)
    away = smoothed_draws(curves, smoothing).at(hz) - reference
    at_center = float(away[0, np.argmin(np.abs(x))])
    if abs(at_center) > half_width_db:
        return asked.refused(f"{name} is {at_center:+.1f} dB off at 1 kHz itself")
    lows, highs = width_of_band(x, away, half_width_db)
    low, high = float(lows[0]), float(highs[0])
    band = (CENTER_HZ * 2**low, CENTER_HZ * 2**high)
    figure = replace(asked, band_hz=band).judged(high - low, 0.0, *curves.notes(*band))
    figure = with_spread(figure, highs - lows, curves.curve.causes, low=0.0)
    open_ends = [words for words, edge, end in (("lower", low, x[0]), ("upper", high, x[-1])) if abs(edge - end) < 1e-9]
    if not open_ends:
        return figure
    note = f"still inside at the {' and '.join(open_ends)} end of the valid band"
    return replace(figure, bound="at least", caveats=(*figure.caveats, note))


def _about_center(curve: Curve) -> FloatArray | None:
    """Frequencies of the unbroken valid band about 1 kHz, through 1 kHz; None where it is not valid there."""
    hz = log_axis(float(curve.axis.hz[0]), float(curve.axis.hz[-1]), _POINTS_PER_OCTAVE, through_hz=CENTER_HZ).hz
    valid = sampled(curve, hz)[3]
    center = int(np.argmin(np.abs(hz - CENTER_HZ)))
    if abs(hz[center] - CENTER_HZ) > 1e-6 or not valid[center]:
        return None
    gaps = np.flatnonzero(~valid)
    low = int(gaps[gaps < center].max(initial=-1)) + 1
    high = int(gaps[gaps > center].min(initial=hz.size))
    return np.asarray(hz[low:high], dtype=float)
