"""Gate windows about the direct sound."""

import math

import numpy as np

from earwitness.errors import InputError
from earwitness.quantities import FloatArray


def gate_weights(
    time_s: FloatArray, length_s: float, *, rise_s: float = 0.5e-3, lead_s: float = 0.2e-3, fall_share: float = 0.4
) -> FloatArray:
    """Weights of a gate at times relative to the onset of the direct sound; any shape, 0 to 1.

    Half a Hann window of rise_s up to lead_s before the onset, flat, then half a Hann window down to 0 over the
    last fall_share of length_s, ending length_s after the onset. Being a function of time it takes onsets between
    samples. The defaults are common practice, no source.
    Raises InputError for a length that is not positive, negative times, or a fall_share outside 0 to 1.
    """
    if not 0.0 < length_s < math.inf or rise_s < 0.0 or lead_s < 0.0 or not 0.0 <= fall_share <= 1.0:
        raise InputError.of(
            "dsp.gate_impossible", length_s=length_s, rise_s=rise_s, lead_s=lead_s, fall_share=fall_share
        )
    before = -lead_s - time_s
    after = time_s - length_s * (1.0 - fall_share)
    weights = np.where((before > rise_s) | (time_s >= length_s), 0.0, 1.0)
    if rise_s > 0.0:
        weights = weights * (0.5 + 0.5 * np.cos(math.pi * np.clip(before / rise_s, 0.0, 1.0)))
    if fall_share > 0.0:
        weights = weights * (0.5 + 0.5 * np.cos(math.pi * np.clip(after / (length_s * fall_share), 0.0, 1.0)))
    return np.asarray(weights, dtype=np.float64)


def effective_length_s(weights: FloatArray, sample_rate_hz: float) -> float:
    """Integral of w^2 over time in seconds: the length that sets how much noise a gate lets through."""
    return float(np.sum(weights**2)) / sample_rate_hz
