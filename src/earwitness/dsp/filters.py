"""Second-order sections of parametric equalizers, and minimum-phase responses from magnitudes.

Formulas: Audio EQ Cookbook, W3C Working Group Note, June 2021. Q is the cookbook's Q throughout.
"""

import math
from typing import Literal

import numpy as np
import scipy.fft

from earwitness.errors import InputError, choice
from earwitness.quantities import ComplexArray, FloatArray

BiquadKind = Literal["peaking", "low_shelf", "high_shelf", "low_pass", "high_pass"]

KINDS = ("peaking", "low_shelf", "high_shelf", "low_pass", "high_pass")
HIGHEST_SHARE_OF_RATE = 0.49


def biquad(
    kind: BiquadKind, frequency_hz: float, q: float, sample_rate_hz: float, *, gain_db: float = 0.0
) -> FloatArray:
    """Coefficients (6,): b0, b1, b2, 1, a1, a2, a row of scipy's second-order sections.

    gain_db has no effect on low_pass and high_pass. Raises InputError for an unknown kind, q <= 0, or a
    frequency outside 0 to 0.49 of the sample rate.
    """
    choice("the kind of filter", kind, KINDS)
    numbers = (frequency_hz, q, sample_rate_hz, gain_db)
    if not all(map(math.isfinite, numbers)) or q <= 0.0:
        raise InputError(f"a filter with Q {q} and gain {gain_db} dB", expected="finite numbers, Q above zero")
    if not 0.0 < frequency_hz < HIGHEST_SHARE_OF_RATE * sample_rate_hz:
        highest_hz = HIGHEST_SHARE_OF_RATE * sample_rate_hz
        raise InputError.of(
            "dsp.filter_above_rate", frequency_hz=frequency_hz, sample_rate_hz=sample_rate_hz, highest_hz=highest_hz
        )
    omega = 2.0 * math.pi * frequency_hz / sample_rate_hz
    cosine, alpha = math.cos(omega), math.sin(omega) / (2.0 * q)
    amplitude = 10.0 ** (gain_db / 40.0)
    if kind == "peaking":
        b = (1.0 + alpha * amplitude, -2.0 * cosine, 1.0 - alpha * amplitude)
        a = (1.0 + alpha / amplitude, -2.0 * cosine, 1.0 - alpha / amplitude)
    elif kind in ("low_shelf", "high_shelf"):
        b, a = _shelf(amplitude, cosine if kind == "low_shelf" else -cosine, alpha)
        if kind == "high_shelf":
            b, a = (b[0], -b[1], b[2]), (a[0], -a[1], a[2])
    else:
        sign = 1.0 if kind == "low_pass" else -1.0
        edge = 1.0 - sign * cosine
        b = (edge / 2.0, sign * edge, edge / 2.0)
        a = (1.0 + alpha, -2.0 * cosine, 1.0 - alpha)
    return np.asarray(np.array([*b, *a]) / a[0], dtype=np.float64)


def _shelf(
    amplitude: float, cosine: float, alpha: float
) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
    """Low shelf; a high shelf is the same with cos w0 and the odd coefficients negated."""
    up, down, root = amplitude + 1.0, amplitude - 1.0, 2.0 * math.sqrt(amplitude) * alpha
    b = (
        amplitude * (up - down * cosine + root),
        2.0 * amplitude * (down - up * cosine),
        amplitude * (up - down * cosine - root),
    )
    a = (up + down * cosine + root, -2.0 * (down + up * cosine), up + down * cosine - root)
    return b, a


def cascade_response(sections: FloatArray, frequency_hz: FloatArray, sample_rate_hz: float) -> ComplexArray:
    """Product of the digital responses of sections (n, 6) at frequency_hz (F,); shape (F,). exp(+j omega t)."""
    delay = np.exp(-2j * math.pi * np.asarray(frequency_hz, dtype=np.float64) / sample_rate_hz)
    rows = np.atleast_2d(sections)[:, :, None]
    above = rows[:, 0] + delay * (rows[:, 1] + delay * rows[:, 2])
    below = rows[:, 3] + delay * (rows[:, 4] + delay * rows[:, 5])
    return np.asarray(np.prod(above / below, axis=0), dtype=np.complex128)


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


def analytic(samples: FloatArray, silence: int = 0) -> ComplexArray:
    """The signal (N,) with its Hilbert transform as imaginary part, on a circle with so many samples of silence; its
    mean is left out."""
    length = scipy.fft.next_fast_len(samples.size + silence, True)
    spectrum = np.zeros(length, dtype=np.complex128)
    spectrum[1 : length // 2 + 1] = scipy.fft.rfft(samples, length)[1:]
    spectrum[1 : (length + 1) // 2] *= 2.0
    return np.asarray(scipy.fft.ifft(spectrum, overwrite_x=True)[: samples.size], dtype=np.complex128)
