"""Frequencies that a response stands on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.quantities.arrays import FloatArray, lock_fields

REPORT_POINTS_PER_OCTAVE = 48


@dataclass(frozen=True, slots=True, eq=False)
class FrequencyAxis:
    """Strictly rising frequencies. hz: (F,) float64 [Hz], finite, above 0."""

    hz: FloatArray

    def __post_init__(self) -> None:
        lock_fields(self, hz=float)
        hz = self.hz
        good = hz.ndim == 1 and hz.size > 0 and np.isfinite(hz).all() and hz[0] > 0
        if not good or not (np.diff(hz) > 0).all():
            raise ValueError(f"frequencies must rise strictly from above 0 Hz, got shape {hz.shape}")

    def __len__(self) -> int:
        return int(self.hz.size)

    def same_as(self, other: FrequencyAxis) -> bool:
        """True if both hold exactly the same frequencies."""
        return np.array_equal(self.hz, other.hz)


def log_axis(low_hz: float, high_hz: float, points_per_octave: int, *, through_hz: float = 1000.0) -> FrequencyAxis:
    """Axis f_m = through_hz * 2**(m / points_per_octave), all m with low_hz <= f_m <= high_hz (relative 1e-9)."""
    first = np.ceil(points_per_octave * np.log2(low_hz / through_hz) - 1e-6)
    last = np.floor(points_per_octave * np.log2(high_hz / through_hz) + 1e-6)
    return FrequencyAxis(through_hz * 2.0 ** (np.arange(first, last + 1) / points_per_octave))


def hz_words(frequency_hz: float) -> str:
    """A frequency in the words of methods and reasons: 300 Hz, 1.25 kHz."""
    return f"{frequency_hz:.3g} Hz" if frequency_hz < 1000.0 else f"{frequency_hz / 1000.0:.3g} kHz"


def report_axis() -> FrequencyAxis:
    """The grid every result is stored on: 1/48 octave, 15.6 Hz to 20.2 kHz, through 1 kHz."""
    return log_axis(15.625, 20_200.0, REPORT_POINTS_PER_OCTAVE)
