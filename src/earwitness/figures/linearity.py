"""Deviation from the reference level, and slope."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from earwitness.figures.sampling import band_grid, not_covered, sampled, smoothed
from earwitness.quantities import Curve, Figure, not_judged
from earwitness.quantities.axis import hz_words

LINEARITY_BAND_HZ = (100.0, 10_000.0)
# Neighboring points err together; errors are taken as independent a third of an octave apart (a stated choice).
_POINTS_IN_ERROR_TOGETHER = 20 / 3


def deviations(
    curve: Curve,
    reference_db: float,
    *,
    u_reference_db: float = 0.0,
    band_hz: tuple[float, float] = LINEARITY_BAND_HZ,
    smoothing: int | None = 12,
) -> dict[str, Figure]:
    """Largest deviations above and below `reference_db`, and half the range, in the band [dB].

    Keys "linearity_above", "linearity_below" (negative when below), "linearity_half_range". smoothing : 1/n octave
    of energy, or None. Points on a 20 per octave grid from the band's lower edge. Band and smoothing are choices of
    this program. The common uncertainty cancels: the reference is a mean of the same session.
    """
    words = f"1/{smoothing} octave smoothing" if smoothing else "no smoothing"
    method = f"{curve.name}, {hz_words(band_hz[0])} to {hz_words(band_hz[1])}, {words}, reference {reference_db:.1f} dB"
    keys = ("linearity_above", "linearity_below", "linearity_half_range")
    source = smoothed(curve, smoothing) if smoothing else curve
    values, u, _, valid = sampled(source, band_grid(*band_hz))
    if not valid.all():
        reason = not_covered(curve, *band_hz)
        return {
            key: not_judged(key, reason, unit="dB", method=method, band_hz=band_hz, lineage=curve.lineage)
            for key in keys
        }
    top, bottom = int(np.argmax(values)), int(np.argmin(values))
    results = (
        (float(values[top]) - reference_db, math.hypot(float(u[top]), u_reference_db)),
        (float(values[bottom]) - reference_db, math.hypot(float(u[bottom]), u_reference_db)),
        (float(values[top] - values[bottom]) / 2, math.hypot(float(u[top]), float(u[bottom])) / 2),
    )
    return {
        key: Figure(key, value, spread, "dB", band_hz, method, lineage=curve.lineage)
        for key, (value, spread) in zip(keys, results, strict=True)
    }


@dataclass(frozen=True, slots=True)
class Line:
    """Least-squares line of a level on log2 frequency; residual_db : rms; r_squared : 0 without variance."""

    slope: Figure
    residual_db: float
    r_squared: float


def slope(curve: Curve, *, band_hz: tuple[float, float] = LINEARITY_BAND_HZ, key: str = "slope") -> Line | Figure:
    """Line L = a + b log2 f on a 20 per octave grid, b in dB/octave; a figure not judged if the band is not covered.

    Ordinary least squares, equal weights (handbook formula).
    """
    method = f"least-squares line of {curve.name} on log frequency, {hz_words(band_hz[0])} to {hz_words(band_hz[1])}"
    hz = band_grid(*band_hz)
    values, u, _, valid = sampled(curve, hz)
    if not valid.all():
        reason = not_covered(curve, *band_hz)
        return not_judged(key, reason, unit="dB/octave", method=method, band_hz=band_hz, lineage=curve.lineage)
    x = np.log2(hz) - np.log2(hz).mean()
    pull = x / (x @ x)
    steepness = float(pull @ values)
    residual = values - values.mean() - steepness * x
    variance = float(((values - values.mean()) ** 2).sum())
    r_squared = 1 - float(residual @ residual) / variance if variance > 1e-12 * len(values) else 0.0
    spread = math.sqrt(float(((pull * u) ** 2).sum()) * _POINTS_IN_ERROR_TOGETHER)
    figure = Figure(key, steepness, spread, "dB/octave", band_hz, method, lineage=curve.lineage)
    return Line(figure, math.sqrt(float((residual**2).mean())), r_squared)
