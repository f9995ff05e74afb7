"""The two shapes a response is taken apart into: a smooth trend with its band limits, and peaking filters.

All in dB against x = log2(f / 1 kHz), with derivatives, so that a fit converges in few steps. A resonance in parallel
to a flat response has exactly the shape of a peaking filter, so one shape serves for both (own derivation).
"""

import numpy as np

from earwitness.quantities.arrays import FloatArray

_DB = 10.0 / np.log(10.0)
_LN2 = float(np.log(2.0))


def peaking_db(x: FloatArray, center: float | FloatArray, ln_q: float, gain_db: float) -> FloatArray:
    """(F,) level of an analog peaking filter [dB] at x octaves; center in octaves. Audio EQ Cookbook, W3C, 2021.

    A column of centers (N, 1) gives a row each (N, F).
    """
    ratio = np.exp2(x - center)
    u = (ratio - 1 / ratio) ** 2
    lift = 10 ** (gain_db / 20)
    wide = np.exp(-2 * ln_q)
    return np.asarray(_DB * np.log((u + lift * wide) / (u + wide / lift)))


def peaking_with_slopes(x: FloatArray, center: float, ln_q: float, gain_db: float) -> tuple[FloatArray, FloatArray]:
    """(F,) level [dB] and (F, 3) derivatives to center [1/octave], ln_q and gain_db.

    |H|^2 = (u + A^2 / Q^2) / (u + 1 / (A^2 Q^2)), u = (f / f0 - f0 / f)^2, A = 10^(gain / 40).
    """
    ratio = np.exp2(x - center)
    detuning = ratio - 1 / ratio
    u = detuning**2
    lift = 10 ** (gain_db / 20)
    wide = np.exp(-2 * ln_q)
    above, below = u + lift * wide, u + wide / lift
    level = _DB * np.log(above / below)
    du = -2 * _LN2 * detuning * (ratio + 1 / ratio)
    to_center = _DB * du * (1 / above - 1 / below)
    to_ln_q = -2 * _DB * wide * (lift / above - 1 / (lift * below))
    to_gain = 0.5 * wide * (lift / above + 1 / (lift * below))
    return level, np.stack([to_center, to_ln_q, to_gain], axis=-1)


def edge_with_slopes(x: FloatArray, corner: float, ln_order: float, *, is_low: bool) -> tuple[FloatArray, FloatArray]:
    """(F,) level of a Butterworth edge of any real order [dB] and (F, 2) derivatives to corner and ln_order.

    -10 lg (1 + r^(2 n)), r = corner / f for the low edge and f / corner for the high one; corner in octaves.
    """
    order = np.exp(ln_order)
    octaves = (corner - x) if is_low else (x - corner)
    power = np.clip(2 * order * octaves * _LN2, -60.0, 60.0)
    grown = np.exp(power)
    slope = -_DB * grown / (1 + grown)
    to_corner = slope * 2 * order * _LN2 * (1.0 if is_low else -1.0)
    return -_DB * np.log1p(grown), np.stack([to_corner, slope * power], axis=-1)


def half_size_octaves(q: float) -> float:
    """Width in octaves between the points of half the gain in dB, analog: (2 / ln 2) asinh(1 / (2 Q))."""
    return float(2.0 / _LN2 * np.arcsinh(0.5 / q))
