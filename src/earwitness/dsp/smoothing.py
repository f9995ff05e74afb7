"""Levels over fractional octaves: power smoothed in log frequency, exact between bins, and third octaves of noise."""

from collections.abc import Sequence
from typing import Literal

import numpy as np
import scipy.fft

from earwitness.errors import InputError, choice
from earwitness.quantities import FloatArray

Edge = Literal["shrink", "truncate"]


def smooth_power(
    power: FloatArray, frequency_hz: FloatArray, at_hz: FloatArray, fraction: float, *, edge: Edge = "shrink"
) -> FloatArray:
    """Mean of power over 1/fraction octave about each at_hz, weight d ln f.

    power (..., F) on frequency_hz (F,), rising and above 0 (a bin at 0 Hz is to be left out); at_hz (A,) inside
    the range of frequency_hz; result (..., A). power is taken as piecewise linear in frequency and integrated in
    closed form segment by segment. Near an end the band shrinks equally on both sides in log f ("shrink", no bias
    on slopes, less smoothing; the end itself is not smoothed) or is cut on one side ("truncate").
    Raises InputError for a wrong grid, fraction or edge, or an at_hz outside the grid.
    """
    choice("edge", edge, ("shrink", "truncate"))
    _check(power, frequency_hz, at_hz, fraction)
    half = 2.0 ** (0.5 / fraction)
    if edge == "shrink":
        widest = np.minimum(at_hz / frequency_hz[0], frequency_hz[-1] / at_hz)
        ratio = np.minimum(half, widest)
        low, high = at_hz / ratio, at_hz * ratio
    else:
        low, high = np.maximum(at_hz / half, frequency_hz[0]), np.minimum(at_hz * half, frequency_hz[-1])
    slope = np.diff(power) / np.diff(frequency_hz)
    offset = power[..., :-1] - slope * frequency_hz[:-1]
    step = slope * np.diff(frequency_hz) + offset * np.log(frequency_hz[1:] / frequency_hz[:-1])
    total = np.concatenate([np.zeros_like(step[..., :1]), np.cumsum(step, axis=-1)], axis=-1)

    def integral(upto_hz: FloatArray) -> FloatArray:
        left = np.clip(np.searchsorted(frequency_hz, upto_hz) - 1, 0, frequency_hz.size - 2)
        start = frequency_hz[left]
        partial = slope[..., left] * (upto_hz - start) + offset[..., left] * np.log(upto_hz / start)
        return np.asarray(total[..., left] + partial, dtype=np.float64)

    width = np.log(high / low)
    point = power[..., np.clip(np.searchsorted(frequency_hz, at_hz), 0, frequency_hz.size - 1)]
    empty = width < 1e-9
    mean = (integral(high) - integral(low)) / np.where(empty, 1.0, width)
    return np.asarray(np.where(empty, point, mean), dtype=np.float64)


def _check(power: FloatArray, frequency_hz: FloatArray, at_hz: FloatArray, fraction: float) -> None:
    if frequency_hz.ndim != 1 or frequency_hz.size < 2 or power.shape[-1:] != frequency_hz.shape:
        raise InputError.of("dsp.shapes_differ", power=power, frequency_hz=frequency_hz)
    if not (frequency_hz[0] > 0.0 and np.all(np.diff(frequency_hz) > 0.0)):
        raise InputError("the frequencies to smooth over do not rise from above 0 Hz", remedy="leave out 0 Hz")
    if not 0.0 < fraction < np.inf:
        raise InputError(f"smoothing over 1/{fraction} octave", expected="a fraction above zero, as 3, 6, 12 or 24")
    if np.any(at_hz < frequency_hz[0]) or np.any(at_hz > frequency_hz[-1]):
        low, high, first, last = np.min(at_hz), np.max(at_hz), frequency_hz[0], frequency_hz[-1]
        raise InputError.of("dsp.smoothing_outside", low=low, high=high, first=first, last=last)


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
