"""Fourier sums of long responses at any frequencies, by one padded FFT and a short interpolation.

Kaiser and Bessel's window as the interpolation kernel (Jackson et al., IEEE Trans. Med. Imaging 10, 1991; from memory):
with twice the length and 12 bins a sum is exact to about 1e-9 of the largest.
"""

from dataclasses import dataclass

import numpy as np
import scipy.fft

from earwitness.quantities.arrays import ComplexArray, FloatArray, IntArray

_BINS = 12
_BETA = 2.34 * _BINS


@dataclass(frozen=True, slots=True, eq=False)
class FourierSums:
    """What all segments of `count` samples share. bins, weight (F, 12); correction (count,)."""

    count: int
    length: int
    rate_hz: float
    hz: FloatArray
    bins: IntArray
    weight: FloatArray
    correction: FloatArray

    def of(self, samples: FloatArray, start_s: float) -> ComplexArray:
        """(F,) sum of x_n e^(-j 2 pi f t_n) over samples (count,) whose first lies at start_s."""
        spectrum = scipy.fft.rfft(samples * self.correction, self.length)
        half = self.length // 2
        folded = np.where(
            self.bins < 0, np.conj(spectrum[np.abs(self.bins)]), spectrum[np.minimum(np.abs(self.bins), half)]
        )
        # Samples were counted from the middle of the segment, as the kernel wants them.
        middle = np.exp(2j * np.pi * self.bins * (self.count // 2) / self.length)
        sums = np.einsum("fb,fb->f", folded * middle, self.weight)
        late = start_s + (self.count // 2) / self.rate_hz
        return np.asarray(sums * np.exp(-2j * np.pi * self.hz * late), dtype=np.complex128)


def fourier_sums(count: int, rate_hz: float, hz: FloatArray) -> FourierSums:
    """Interpolation for segments of `count` samples at frequencies hz (F,) below 0.49 of the rate."""
    length = scipy.fft.next_fast_len(2 * count, True)
    length += length % 2
    place = np.asarray(hz, dtype=float) * length / rate_hz
    first = np.ceil(place - _BINS / 2).astype(np.int64)
    bins = first[:, None] + np.arange(_BINS)
    offset = (place[:, None] - bins) / (_BINS / 2)
    weight = np.i0(_BETA * np.sqrt(np.maximum(1 - offset**2, 0.0)))
    n = np.arange(count) - count // 2
    root = np.sqrt(_BETA**2 - (np.pi * _BINS * n / length) ** 2)
    return FourierSums(
        count, length, rate_hz, np.asarray(hz, dtype=float), bins, weight, root / (_BINS * np.sinh(root))
    )
