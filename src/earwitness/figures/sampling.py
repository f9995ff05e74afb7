"""Curves on other frequencies: interpolation and fractional-octave smoothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from earwitness.quantities import Curve
from earwitness.quantities.arrays import BoolArray, FloatArray
from earwitness.quantities.axis import hz_words, log_axis

POINTS_PER_OCTAVE = 20
_TOLERANCE = 1e-9
_SMOOTHING_POINTS_PER_OCTAVE = 384


def band_grid(low_hz: float, high_hz: float) -> FloatArray:
    """(N,) frequencies low_hz * 2**(m / 20), not above high_hz (relative tolerance 1e-6)."""
    return log_axis(low_hz, high_hz, POINTS_PER_OCTAVE, through_hz=low_hz).hz


def sampled(curve: Curve, frequency_hz: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray]:
    """(N,) values, u, u_common, valid at `frequency_hz`: linear in the value against log frequency.

    Outside the curve's frequencies, or beside an invalid point, the result is invalid; nothing is extrapolated.
    """
    hz = curve.axis.hz
    known, wanted = np.log2(hz), np.log2(frequency_hz)
    wanted_in = np.clip(wanted, known[0], known[-1])
    inside = np.abs(wanted - wanted_in) <= _TOLERANCE
    doubt = np.interp(wanted_in, known, (~curve.valid).astype(float))
    valid = inside & (doubt <= 1e-6)
    safe = np.where(curve.valid, curve.values, 0.0)
    return (
        np.interp(wanted_in, known, safe),
        np.interp(wanted_in, known, curve.u),
        np.interp(wanted_in, known, curve.u_common),
        valid,
    )


def not_covered(curve: Curve, low_hz: float, high_hz: float) -> str:
    """The reason why a figure of low_hz to high_hz cannot be had from a curve that is not valid throughout."""
    reason = f"{curve.name} does not cover {hz_words(low_hz)} to {hz_words(high_hz)}"
    band = curve.valid_band_hz()
    if band is None:
        return f"{reason}, it is not known at any frequency"
    gaps = " with gaps" if band[0] <= low_hz and band[1] >= high_hz else ""
    return f"{reason}, it is known from {hz_words(band[0])} to {hz_words(band[1])}{gaps}"


def smoothed(curve: Curve, fraction: int) -> Curve:
    """1/fraction-octave energy smoothing of a dB curve, constant weight in log frequency.

    At the ends of the valid band the window shrinks on both sides alike, so its mean stays centered. Only the
    first stretch from the lowest to the highest valid frequency is smoothed; invalid points stay invalid.
    The uncertainties are kept, as if neighboring frequencies were in error together.
    """
    band = curve.valid_band_hz()
    if band is None or band[0] == band[1]:
        return curve
    low, high = np.log2(band[0]), np.log2(band[1])
    fine = np.linspace(low, high, 2 + int(np.ceil((high - low) * _SMOOTHING_POINTS_PER_OCTAVE)))
    at = np.log2(curve.axis.hz[curve.valid])
    energy = 10 ** (np.interp(fine, at, curve.values[curve.valid]) / 10)
    steps = (energy[1:] + energy[:-1]) / 2 * np.diff(fine)
    running = np.concatenate([[0.0], np.cumsum(steps)])
    half = np.minimum(0.5 / fraction, np.minimum(at - low, high - at))
    width = np.where(half > 0, 2 * half, 1.0)
    integral = np.interp(at + half, fine, running) - np.interp(at - half, fine, running)
    values = curve.values.copy()
    own = 10 ** (curve.values[curve.valid] / 10)
    values[curve.valid] = 10 * np.log10(np.where(half > 0, np.maximum(integral, 1e-300) / width, own))
    return replace(curve, values=values)
