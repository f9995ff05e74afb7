"""Fractional-octave power smoothing with a rectangular kernel in log frequency, exact between the bins."""

from typing import Literal

import numpy as np

from earwitness.errors import InputError, choice
from earwitness.quantities.arrays import FloatArray

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
        raise InputError(
            f"smoothing asked for at {np.min(at_hz)} Hz to {np.max(at_hz)} Hz, outside the data",
            expected=f"{frequency_hz[0]} Hz to {frequency_hz[-1]} Hz",
            remedy="ask for frequencies inside the data",
        )
