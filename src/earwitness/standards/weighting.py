"""Frequency weighting A of IEC 61672-1, from the conditions that define its poles (from memory)."""

import numpy as np

from earwitness.quantities.arrays import FloatArray

# f_L = 10^1.5 and f_H = 10^3.9 are the -3 dB edges of C, f_A = 10^2.45 that of A; 0 dB at 1 kHz.
_POLES_HZ = (20.598997, 107.652649, 737.862231, 12194.217148)


def a_weight_db(hz: FloatArray) -> FloatArray:
    """(F,) weighting A [dB] at frequencies above 0; defined over frequency, so that no filter's warping is in it."""

    def size(at: FloatArray) -> FloatArray:
        low, second, third, high = (pole**2 for pole in _POLES_HZ)
        square = at**2
        return np.asarray(
            square**2 / ((square + low) * np.sqrt((square + second) * (square + third)) * (square + high))
        )

    return np.asarray(20.0 * np.log10(size(hz) / size(np.array([1000.0]))[0]), dtype=np.float64)
