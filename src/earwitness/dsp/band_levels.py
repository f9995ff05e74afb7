"""Levels of noise in third octaves, over stretches of a recording."""

from collections.abc import Sequence

import numpy as np
import scipy.fft

from earwitness.errors import InputError
from earwitness.quantities.arrays import FloatArray

HALF_BAND = 2.0 ** (1.0 / 6.0)


def third_octave_db(
    samples: FloatArray, rate_hz: float, axis_hz: FloatArray, moments_s: Sequence[float], *, length_s: float = 2.0
) -> FloatArray:
    """Levels (M, F) [dB re 20 micro of the samples' unit, SPL for pascals] in third octaves around axis_hz (F,).

    One row for the stretch of length_s from each moment (M,) on, under a Hann window. InputError where a stretch is
    not in the recording.
    """
    size = round(length_s * rate_hz)
    rows = []
    frequency = np.arange(size // 2 + 1) * rate_hz / size
    window = np.hanning(size)
    for moment in moments_s:
        first = round(moment * rate_hz)
        if first < 0 or first + size > samples.size:
            raise InputError.of("dsp.noise_run_too_short", length_s=length_s, moment=moment, least_s=moment + length_s)
        power = 2.0 * np.abs(scipy.fft.rfft(samples[first : first + size] * window)) ** 2
        running = np.concatenate([[0.0], np.cumsum(power / (size * float(np.sum(window**2))))])
        low, high = (np.searchsorted(frequency, axis_hz * edge) for edge in (1.0 / HALF_BAND, HALF_BAND))
        rows.append(10.0 * np.log10(np.maximum(running[high] - running[low], 1e-300) / 4e-10))
    return np.array(rows, dtype=np.float64)
