"""From windowed impulse responses to spectra at chosen frequencies."""

import math
from functools import lru_cache

import numpy as np
import scipy.fft

from earwitness.dsp.smoothing import smooth_power
from earwitness.quantities.arrays import ComplexArray, FloatArray
from earwitness.quantities.axis import REPORT_POINTS_PER_OCTAVE

BINS_IN_BAND = 3.0
LONGEST_DENSE = 1500


def spectrum_at(segments: FloatArray, start_s: FloatArray, rate_hz: float, hz: FloatArray) -> ComplexArray:
    """Spectra (T, F) of segments (T, N) whose first samples lie at start_s (T,), exp(+j omega t).

    Short segments by the sum at each frequency as one matrix product. Long ones by a padded FFT: the magnitude is
    the power mean over 1/48 octave where three or more bins fall in, the phase that at the frequency itself.
    """
    if segments.shape[-1] <= LONGEST_DENSE:
        time = np.arange(segments.shape[-1]) / rate_hz
        angle = 2.0 * math.pi * np.outer(time, hz)
        spectra = (segments @ np.cos(angle)) - 1j * (segments @ np.sin(angle))
        return np.asarray(spectra * np.exp(-2j * math.pi * np.outer(start_s, hz)), dtype=np.complex128)
    return _long_spectrum(segments, start_s, rate_hz, hz)


def _long_spectrum(segments: FloatArray, start_s: FloatArray, rate_hz: float, hz: FloatArray) -> ComplexArray:
    length = scipy.fft.next_fast_len(4 * segments.shape[-1], True)
    spacing = rate_hz / length
    spectra = scipy.fft.rfft(segments, length, axis=-1, workers=-1)
    place = hz / spacing
    left = np.clip(np.floor(place).astype(int), 0, spectra.shape[-1] - 2)
    part = place - left
    bins = np.stack([left, left + 1]) * spacing
    # Between bins the delay of the loudest moment is taken out first, or interpolation would notch the magnitude.
    peak_s = np.argmax(np.abs(segments), axis=-1) / rate_hz
    turn = np.exp(2j * math.pi * peak_s[:, None] * (bins - hz)[:, None, :])
    points = (1.0 - part) * spectra[:, left] * turn[0] + part * spectra[:, left + 1] * turn[1]
    points = points * np.exp(-2j * math.pi * np.outer(start_s, hz))
    width = hz * (2.0 ** (0.5 / REPORT_POINTS_PER_OCTAVE) - 2.0 ** (-0.5 / REPORT_POINTS_PER_OCTAVE))
    wide = (width >= BINS_IN_BAND * spacing) & (hz < rate_hz / 2.0 - width)
    if not wide.any():
        return np.asarray(points, dtype=np.complex128)
    power = spectra.real**2 + spectra.imag**2
    frequency = np.asarray(np.arange(1, spectra.shape[-1]) * spacing, dtype=np.float64)
    mean = smooth_power(power[:, 1:], frequency, hz[wide], REPORT_POINTS_PER_OCTAVE)
    size = np.abs(points[:, wide])
    points[:, wide] *= np.sqrt(np.maximum(mean, 0.0)) / np.where(size > 0.0, size, 1.0)
    return np.asarray(points, dtype=np.complex128)


def noise_density(samples: FloatArray, rate_hz: float, hz: FloatArray) -> FloatArray:
    """Two-sided power spectral density (F,) [unit^2/Hz] of a noise sample (N,) at hz (F,): Welch's method.

    Hann windows, half overlapping, about ten of them.
    """
    size = max(64, 2 ** int(math.log2(max(samples.size / 5.0, 64.0))))
    size = min(size, samples.size)
    window, energy = hann(size)
    rows = np.lib.stride_tricks.sliding_window_view(samples, size)[:: max(size // 2, 1)]
    rows = rows - rows.mean(axis=-1, keepdims=True)
    rows *= window
    spectra = scipy.fft.rfft(rows, axis=-1)
    density = (spectra.real**2 + spectra.imag**2).mean(axis=0) / (rate_hz * energy)
    frequency = np.arange(density.size) * rate_hz / size
    return np.asarray(np.interp(hz, frequency[1:], density[1:]), dtype=np.float64)


@lru_cache(maxsize=8)
def hann(size: int) -> tuple[FloatArray, float]:
    """The window (size,) and its sum of squares: all takes of a session share them, and the seconds of one."""
    window = np.hanning(size)
    window.setflags(write=False)
    return window, float(np.sum(window**2))
