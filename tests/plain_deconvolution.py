"""Deconvolution written out plainly: what the program's own, which saves memory and time, is held against.

It is itself held against pyfar in tests/dsp/test_deconvolve.py.
"""

from __future__ import annotations

import math

import numpy as np
import scipy.fft

from earwitness.dsp.sweep import regularization
from earwitness.quantities.arrays import FloatArray


def deconvolve(
    recordings: FloatArray,
    reference: FloatArray,
    sample_rate_hz: float,
    low_hz: float,
    high_hz: float,
    *,
    lead_s: float = 0.0,
    in_band: float = 1e-10,
) -> FloatArray:
    """Impulse responses of recordings (..., samples) to the one reference (samples,); shape (..., fft length).

    Sample 0 is time zero; what comes before it (harmonic responses, up to lead_s seconds) is wrapped to the end. The
    FFT holds the recording, the reference and lead_s, so that nothing overlaps.
    """
    length = scipy.fft.next_fast_len(recordings.shape[-1] + reference.size + math.ceil(lead_s * sample_rate_hz), True)
    spectrum = np.asarray(scipy.fft.rfft(reference, length), dtype=np.complex128)
    frequency = np.asarray(np.fft.rfftfreq(length, 1.0 / sample_rate_hz), dtype=np.float64)
    epsilon = regularization(spectrum, frequency, low_hz, high_hz, in_band=in_band)
    inverse = np.conj(spectrum) / (np.abs(spectrum) ** 2 + epsilon)
    taken = scipy.fft.rfft(recordings, length, axis=-1)
    return np.asarray(scipy.fft.irfft(taken * inverse, length, axis=-1), dtype=np.float64)
