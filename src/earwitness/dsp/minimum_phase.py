"""Minimum-phase responses from magnitudes, and group delay without unwrapping."""

import numpy as np
import scipy.fft

from earwitness.errors import InputError
from earwitness.quantities.arrays import ComplexArray, FloatArray


def minimum_phase(magnitude: FloatArray, *, floor_ratio: float = 1e-7) -> ComplexArray:
    """Minimum-phase spectrum of magnitudes (..., bins) from 0 Hz to half the sample rate; same shape.

    Real cepstrum, folded onto positive times. bins = n / 2 + 1 for an even FFT length n, which should be eight
    times the impulse response or more; the low end must be given down to 0 Hz. Magnitudes below floor_ratio of
    the largest are raised to it. Raises InputError for fewer than 3 bins, magnitudes that are not finite, negative
    or all 0, or a floor_ratio that is not between 0 and 1.
    """
    usable = magnitude.shape[-1:] > (2,) and bool(np.all(np.isfinite(magnitude)) and np.all(magnitude >= 0.0))
    peak = np.max(magnitude, axis=-1, keepdims=True) if usable else np.zeros(1)
    if not np.all(peak > 0.0) or not 0.0 < floor_ratio < 1.0:
        raise InputError.of("dsp.no_minimum_phase", magnitude=magnitude, floor_ratio=floor_ratio)
    length = 2 * (magnitude.shape[-1] - 1)
    cepstrum = scipy.fft.irfft(np.log(np.maximum(magnitude, floor_ratio * peak)), length, axis=-1)
    cepstrum[..., 1 : length // 2] *= 2.0
    cepstrum[..., length // 2 + 1 :] = 0.0
    return np.asarray(np.exp(scipy.fft.rfft(cepstrum, axis=-1)), dtype=np.complex128)
