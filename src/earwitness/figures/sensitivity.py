"""Sensitivity: energy mean of a level curve over a stated band."""

from __future__ import annotations

import math

import numpy as np

from earwitness.figures.sampling import band_grid, not_covered, sampled
from earwitness.quantities import REFERENCE_VOLTAGE_V, Curve, Figure, not_judged
from earwitness.quantities.axis import hz_words

SENSITIVITY_BAND_HZ = (300.0, 3000.0)


def band_level(curve: Curve, *, band_hz: tuple[float, float] = SENSITIVITY_BAND_HZ, key: str = "sensitivity") -> Figure:
    """Energy mean of a dB curve over a 20 per octave grid from the band's lower edge.

    Default band 300 Hz to 3 kHz (used with ANSI/CTA-2034-A, from memory). Not judged if the curve does not cover
    the band. The uncertainty takes all frequencies to be in error together, the cautious side.
    """
    method = f"energy mean of {curve.name}, {hz_words(band_hz[0])} to {hz_words(band_hz[1])}, 20 points per octave"
    values, u, u_common, valid = sampled(curve, band_grid(*band_hz))
    if not valid.all():
        reason = not_covered(curve, *band_hz)
        return not_judged(key, reason, unit="dB", method=method, band_hz=band_hz, lineage=curve.lineage)
    energy = 10 ** (values / 10)
    share = energy / energy.sum()
    level = 10 * math.log10(float(energy.mean()))
    spread = math.hypot(float(share @ u), float(share @ u_common))
    return Figure(key, level, spread, "dB", band_hz, method, lineage=curve.lineage)


def at_reference_level_db(level_db: float, *, distance_m: float, voltage_v: float) -> float:
    """Far-field level [dB] referred to 1 m and 2.83 V rms: + 20 log10 r + 20 log10(2.83 / V)."""
    return level_db + 20 * math.log10(distance_m) + 20 * math.log10(REFERENCE_VOLTAGE_V / voltage_v)


def one_watt_level_db(level_db: float, *, rated_impedance_ohm: float) -> float:
    """Level [dB] for 1 W in the rated impedance, from the level at 2.83 V: + 10 log10(Z / 8)."""
    return level_db + 10 * float(np.log10(rated_impedance_ohm / 8.0))
