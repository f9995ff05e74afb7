"""Figures worked out on many drawn curves at once, by the same rules as on the measured one.

Every function takes a measured curve and its drawn errors and returns one number per draw, (N,).
"""

from __future__ import annotations

import numpy as np

from earwitness.figures import rating
from earwitness.figures.bandwidth import START_HZ, lasting_falls
from earwitness.figures.corridor import CENTER_HZ, share_inside, share_points_hz, smoothing_rows, width_of_band
from earwitness.figures.linearity import LINEARITY_BAND_HZ
from earwitness.figures.sampling import band_grid, sampled, smoothed
from earwitness.figures.uncertainty import Draws, interpolated
from earwitness.quantities import Curve
from earwitness.quantities.arrays import FloatArray


def _on_grid(curve: Curve, errors: FloatArray, hz: FloatArray) -> FloatArray:
    """(N, G) drawn levels on other frequencies; errors : (N, F)."""
    return np.asarray(sampled(curve, hz)[0] + interpolated(curve.axis.hz, errors, hz), dtype=float)


def band_levels(curve: Curve, errors: FloatArray, band_hz: tuple[float, float]) -> FloatArray:
    """Energy means over a band [dB]."""
    levels = _on_grid(curve, errors, band_grid(*band_hz))
    return np.asarray(10 * np.log10((10 ** (levels / 10)).mean(axis=1)), dtype=float)


def lower_limits(curve: Curve, errors: FloatArray, limit_db: FloatArray) -> tuple[FloatArray, float]:
    """First lasting falls below limit_db (N,) going down from 300 Hz [Hz], and the share of draws without one.

    A draw without a fall counts as the lowest valid frequency.
    """
    hz = curve.axis.hz
    start = int(np.searchsorted(hz, START_HZ * (1 + 1e-9), side="right")) - 1
    invalid = np.flatnonzero(~curve.valid[: start + 1])
    bottom = int(invalid[-1]) + 1 if invalid.size else 0
    rows = np.arange(start, bottom - 1, -1)
    above = curve.values[rows] + errors[:, rows] - limit_db[:, None]
    above[:, 0] = np.maximum(above[:, 0], 0.0)
    found, places = lasting_falls(np.log2(hz[rows]), above)
    return np.asarray(2.0**found, dtype=float), float((places < 0).mean())


def lines(curve: Curve, errors: FloatArray, band_hz: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
    """Slopes [dB/octave] and r squared of the least-squares lines on log frequency."""
    hz = band_grid(*band_hz)
    levels = _on_grid(curve, errors, hz)
    x = np.log2(hz) - np.log2(hz).mean()
    centered = levels - levels.mean(axis=1, keepdims=True)
    slopes = centered @ x / (x @ x)
    variance = (centered**2).sum(axis=1)
    explained = slopes**2 * (x @ x)
    return slopes, np.where(variance > 1e-12 * hz.size, explained / np.where(variance > 0, variance, 1.0), 0.0)


def narrow_band_deviations(curve: Curve, errors: FloatArray) -> FloatArray:
    """Narrow-band deviations [dB]."""
    levels = _on_grid(curve, errors, band_grid(*rating.NARROW_BAND_HZ))
    starts = np.arange(0, levels.shape[1], rating.POINTS_PER_BAND)
    sizes = np.diff(np.append(starts, levels.shape[1]))
    means = np.add.reduceat(levels, starts, axis=1) / sizes
    away = np.abs(levels - np.repeat(means, sizes, axis=1))
    return np.asarray((np.add.reduceat(away, starts, axis=1) / sizes).mean(axis=1), dtype=float)


def ratings(curves: dict[str, Curve], draws: Draws, *, ideal_subwoofer: bool) -> FloatArray:
    """Preference ratings; curves and draws hold on_axis, in_room, sound_power and listening_window."""
    on_axis, in_room = curves["on_axis"], curves["in_room"]
    narrow_on = narrow_band_deviations(on_axis, draws.error_db["on_axis"])
    narrow_in = narrow_band_deviations(in_room, draws.error_db["in_room"])
    _, straight = lines(in_room, draws.error_db["in_room"], rating.STRAIGHTNESS_BAND_HZ)
    bass_hz = np.full(narrow_on.size, rating.IDEAL_SUBWOOFER_HZ)
    if not ideal_subwoofer:
        window = band_levels(curves["listening_window"], draws.error_db["listening_window"], rating.WINDOW_BAND_HZ)
        bass_hz, _ = lower_limits(curves["sound_power"], draws.error_db["sound_power"], window - 6.0)
    return rating.rating_value(narrow_on, narrow_in, bass_hz, straight)


def linearities(
    curve: Curve, errors: FloatArray, reference_db: FloatArray, corridors_db: dict[str, float], *, smoothing: int = 12
) -> dict[str, FloatArray]:
    """Linearity figures by key. reference_db : (N,) reference of each draw."""
    smooth = smoothed(curve, smoothing)
    moved = errors @ smoothing_rows(curve, smoothing).T
    band = _on_grid(smooth, moved, band_grid(*LINEARITY_BAND_HZ)) - reference_db[:, None]
    top, bottom = band.max(axis=1), band.min(axis=1)
    found = {"linearity_above": top, "linearity_below": bottom, "linearity_half_range": (top - bottom) / 2}
    x = np.log2(curve.axis.hz / CENTER_HZ)
    use = np.flatnonzero(curve.valid)
    center = int(np.argmin(np.abs(x)))
    gaps = np.flatnonzero(~curve.valid)
    use = use[(use > gaps[gaps < center].max(initial=-1)) & (use < gaps[gaps > center].min(initial=x.size))]
    whole = smooth.values[use] + moved[:, use] - reference_db[:, None]
    fine = _on_grid(smooth, moved, share_points_hz()) - reference_db[:, None]
    for name, half_width in corridors_db.items():
        found[f"linearity_share_{name}"] = 100 * share_inside(fine, half_width)
        low, high = width_of_band(x[use], whole, half_width)
        found[f"linearity_band_{name}"] = high - low
    return found
