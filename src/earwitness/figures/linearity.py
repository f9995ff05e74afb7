"""Deviation from the reference level, and slope."""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from earwitness.figures.sampling import band_grid, covers, not_covered, smoothed, smoothing_rows
from earwitness.figures.uncertainty import Drawn, drawn, with_spread
from earwitness.quantities import Curve, Figure, not_judged
from earwitness.quantities.arrays import FloatArray
from earwitness.quantities.axis import hz_words

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
    if not covers(one, band_grid(*band_hz)):
        reason = not_covered(one, *band_hz)
        return {
            key: not_judged(key, reason, unit="dB", method=method, band_hz=band_hz, lineage=one.lineage) for key in keys
        }
    source = smoothed_draws(curves, smoothing) if smoothing else curves
    away = source.at(band_grid(*band_hz)) - reference[:, None]
    top, bottom = away.max(axis=1), away.min(axis=1)
    notes = curves.notes(*band_hz)
    return {
        key: with_spread(
            Figure(key, float(values[0]), 0.0, "dB", band_hz, method, caveats=notes, lineage=one.lineage),
            values,
            one.causes,
        )
        for key, values in zip(keys, (top, bottom, (top - bottom) / 2), strict=True)
    }


@dataclass(frozen=True, slots=True)
class Line:
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
) -> Line | Figure:
    """Line L = a + b log2 f on a 20 per octave grid, b in dB/octave; a figure not judged if the band is not covered."""
    curves = drawn(curve)
    one = curves.curve
    method = f"least-squares line of {one.name} on log frequency, {hz_words(band_hz[0])} to {hz_words(band_hz[1])}"
    if not covers(one, band_grid(*band_hz)):
        reason = not_covered(one, *band_hz)
        return not_judged(key, reason, unit="dB/octave", method=method, band_hz=band_hz, lineage=one.lineage)
    hz = band_grid(*band_hz)
    levels = curves.at(hz)
    steep, straight = lines(levels, hz)
    left = levels[0] - levels[0].mean() - steep[0] * (np.log2(hz) - np.log2(hz).mean())
    caveats = curves.notes(*band_hz)
    figure = Figure(key, float(steep[0]), 0.0, "dB/octave", band_hz, method, caveats=caveats, lineage=one.lineage)
    figure = with_spread(figure, steep, one.causes)
    return Line(figure, math.sqrt(float((left**2).mean())), float(straight[0]))
