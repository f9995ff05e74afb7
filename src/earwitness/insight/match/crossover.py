"""Crossover filters and the complex sum of a main loudspeaker and a subwoofer.

Butterworth (BW) of order n is |H|^2 = 1 / (1 + (f / fc)^(2 n)); Linkwitz-Riley (LR) of order 2 n is a Butterworth of
order n twice, -6.02 dB at the corner (Linkwitz 1976, from memory). All with exp(+j omega t).
"""

from dataclasses import dataclass

import numpy as np

from earwitness.errors import choice
from earwitness.quantities.arrays import ComplexArray, FloatArray

SLOPES = ("BW1", "BW2", "BW3", "BW4", "LR2", "LR4", "LR8")


@dataclass(frozen=True, slots=True)
class Scheme:
    """Electrical high-pass of the main and low-pass of the subwoofer, each one of SLOPES; high_pass "" for none."""

    high_pass: str
    low_pass: str

    @property
    def words(self) -> str:
        main = f"{slope_words(self.high_pass)} high-pass" if self.high_pass else "no high-pass"
        return f"{main} on the main, {slope_words(self.low_pass)} low-pass on the subwoofer"


def slope_words(slope: str) -> str:
    """Such as "Linkwitz-Riley 24 dB/octave". InputError for an unknown slope."""
    slope = choice("slope", slope, SLOPES)
    family = "Butterworth" if slope.startswith("BW") else "Linkwitz-Riley"
    return f"{family} {6 * int(slope[2:])} dB/octave"


def _polynomial(order: int, s: ComplexArray) -> ComplexArray:
    """Butterworth denominator of an order at s = j f / fc."""
    value = np.ones_like(s)
    for k in range(order // 2):
        value = value * (s * s + 2.0 * np.sin((2 * k + 1) * np.pi / (2 * order)) * s + 1.0)
    return value * (s + 1.0) if order % 2 else value


def low_pass(frequency_hz: FloatArray, corner_hz: float, slope: str) -> ComplexArray:
    """(F,) complex low-pass. InputError for an unknown slope."""
    slope = choice("slope", slope, SLOPES)
    twice = slope.startswith("LR")
    order = int(slope[2:]) // (2 if twice else 1)
    once = 1.0 / _polynomial(order, np.asarray(1j * frequency_hz / corner_hz, dtype=np.complex128))
    return np.asarray(once * once if twice else once, dtype=np.complex128)


def high_pass(frequency_hz: FloatArray, corner_hz: float, slope: str) -> ComplexArray:
    """(F,) complex high-pass; ones for slope "". InputError for an unknown slope.

    An LR2 pair needs one branch inverted to sum flat; that is left to the search of the polarity.
    """
    if not slope:
        return np.ones(frequency_hz.size, dtype=np.complex128)
    s = np.asarray(1j * frequency_hz / corner_hz, dtype=np.complex128)
    return np.asarray(low_pass(frequency_hz, corner_hz, slope) * s ** int(slope[2:]), dtype=np.complex128)


def summed(
    frequency_hz: FloatArray,
    main: ComplexArray,
    subwoofer: ComplexArray,
    *,
    main_inverted: bool = False,
    subwoofer_delay_s: float = 0.0,
    subwoofer_gain_db: float = 0.0,
) -> ComplexArray:
    """(F,) complex sum of both branches; a negative delay means that the main comes later."""
    turn = np.exp(-2j * np.pi * frequency_hz * subwoofer_delay_s)
    part = (-main if main_inverted else main) + subwoofer * turn * 10.0 ** (subwoofer_gain_db / 20.0)
    return np.asarray(part, dtype=np.complex128)
