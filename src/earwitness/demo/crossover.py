"""Filter stages as complex functions of frequency, in exp(+j omega t).

Analog prototypes: s stands for j f / f0. Linkwitz and Riley's fourth order is a second-order Butterworth twice
(Linkwitz 1976, from memory); shelf and peak are the prototypes of the audio equalizer cookbook.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from earwitness.errors import InputError, choice
from earwitness.quantities.arrays import ComplexArray, FloatArray

Kind = Literal[
    "low-pass LR4", "high-pass LR4", "low-pass 1", "high-pass 2", "low shelf", "high shelf", "peak", "resonance"
]
KINDS: tuple[Kind, ...] = (
    "low-pass LR4",
    "high-pass LR4",
    "low-pass 1",
    "high-pass 2",
    "low shelf",
    "high shelf",
    "peak",
    "resonance",
)


@dataclass(frozen=True, slots=True)
class Stage:
    """One filter. q counts for high-pass 2, shelves, peak and resonance; gain_db for the last three kinds.

    A resonance is a band-pass in parallel to the straight path: 1 + g (s/q) / (s^2 + s/q + 1), gain_db at its peak.
    A peak has the same magnitude at its center and mirrors to its inverse when the gain changes sign.
    InputError for an unknown kind, or a frequency or q that is not positive.
    """

    kind: Kind
    frequency_hz: float
    q: float = 0.7071067811865476
    gain_db: float = 0.0

    def __post_init__(self) -> None:
        choice("kind of filter stage", self.kind, KINDS)
        if not (self.frequency_hz > 0 and self.q > 0):
            raise InputError.of("demo.no_filter", frequency_hz=self.frequency_hz, q=self.q)


def stage_response(stage: Stage, frequency_hz: FloatArray) -> ComplexArray:
    """Transfer of one stage at `frequency_hz`, same shape."""
    s = 1j * np.asarray(frequency_hz, dtype=np.float64) / stage.frequency_hz
    q = stage.q
    if stage.kind in ("low-pass LR4", "high-pass LR4"):
        numerator = 1.0 + 0 * s if stage.kind == "low-pass LR4" else s**2
        return np.asarray((numerator / (s**2 + np.sqrt(2) * s + 1)) ** 2, dtype=np.complex128)
    if stage.kind == "low-pass 1":
        return np.asarray(1 / (1 + s), dtype=np.complex128)
    if stage.kind == "high-pass 2":
        return np.asarray(s**2 / (s**2 + s / q + 1), dtype=np.complex128)
    if stage.kind == "resonance":
        height = 10 ** (stage.gain_db / 20) - 1
        return np.asarray(1 + height * (s / q) / (s**2 + s / q + 1), dtype=np.complex128)
    a = 10 ** (stage.gain_db / 40)
    if stage.kind == "peak":
        return np.asarray((s**2 + s * a / q + 1) / (s**2 + s / (a * q) + 1), dtype=np.complex128)
    middle = np.sqrt(a) * s / q
    low, high = s**2 + middle + a, a * s**2 + middle + 1
    return np.asarray(a * (low / high if stage.kind == "low shelf" else high / low), dtype=np.complex128)


def chain_response(stages: Iterable[Stage], frequency_hz: FloatArray) -> ComplexArray:
    """Product of all stages; ones where there are none."""
    total = np.ones_like(np.asarray(frequency_hz, dtype=np.float64), dtype=np.complex128)
    for stage in stages:
        total = total * stage_response(stage, frequency_hz)
    return total
