"""The lower end of a long zero-padded transform, from a short one."""

import math

import numpy as np
import scipy.fft

from earwitness.quantities.arrays import ComplexArray, FloatArray

# 16 neighbors at twice the samples: the kernel's alias lies below double precision.
_WIDTH = 16
_SHAPE = math.pi * math.sqrt((_WIDTH * 0.75) ** 2 - 0.8)


def fine_spectrum(samples: FloatArray, length: int, last: int) -> ComplexArray:
    """Bins 0 to `last` of the transform of samples (N,) followed by silence up to `length`, (last + 1,).

    The samples' middle, N // 2, is time zero, so that the phase is not that of `scipy.fft.rfft`, the magnitude is.
    A transform of at least twice N that divides `length` is interpolated with the Kaiser-Bessel kernel, whose weight
    over time is taken out of the samples first (Jackson, Meyer, Nishimura and Macovski 1991; the kernel's shape after
    Beatty, Nishimura and Pauly 2005, both from memory). The error is below 1e-12 of the largest bin.
    """
    middle = samples.size // 2
    short = _divisor(length, 2 * samples.size)
    half, finer = _WIDTH // 2, length // short
    if finer == 1 or last // finer + half + 2 > short // 2:
        turn = np.exp(2j * math.pi * middle / length * np.arange(last + 1))
        return np.asarray(scipy.fft.rfft(samples, length)[: last + 1] * turn, dtype=np.complex128)
    time = (np.arange(samples.size) - middle) / short
    root = np.sqrt(_SHAPE**2 - (math.pi * _WIDTH * time) ** 2)
    weighed = samples * (root / (_WIDTH * np.sinh(root)))
    turned = np.zeros(short)
    turned[: samples.size - middle] = weighed[middle:]
    turned[short - middle :] = weighed[:middle]
    coarse = scipy.fft.rfft(turned)[: last // finer + 1 + half]
    around = np.concatenate([coarse[half - 1 : 0 : -1].conj(), coarse])
    away = np.arange(finer)[:, None] / finer - np.arange(1 - half, half + 1)
    kernel = np.i0(_SHAPE * np.sqrt(np.maximum(1.0 - (2.0 * away / _WIDTH) ** 2, 0.0)))
    found = np.lib.stride_tricks.sliding_window_view(around, _WIDTH) @ kernel.T
    return np.asarray(found.reshape(-1)[: last + 1], dtype=np.complex128)


def _divisor(length: int, least: int) -> int:
    """Smallest divisor of `length` that is at least `least`, or `length`."""
    for parts in range(length // least, 1, -1):
        if length % parts == 0:
            return length // parts
    return length
