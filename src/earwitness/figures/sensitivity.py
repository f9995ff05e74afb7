"""Sensitivity: energy mean of a level curve over a stated band."""

import numpy as np

from earwitness.figures.sampling import band_grid, covers, not_covered
from earwitness.figures.uncertainty import Drawn, drawn, exact, with_spread
from earwitness.quantities import Asked, Curve, Figure, FloatArray, hz_words

SENSITIVITY_BAND_HZ = (300.0, 3000.0)


def band_levels_db(level_db: FloatArray) -> FloatArray:
    """(N,) energy means of levels (N, G) at points of equal weight [dB]."""
    return np.asarray(10 * np.log10((10 ** (level_db / 10)).mean(axis=1)), dtype=float)


def band_means(curve: Curve | Drawn, band_hz: tuple[float, float] = SENSITIVITY_BAND_HZ) -> FloatArray:
    """(1 + N,) energy mean over a band of the measured curve and of the drawn ones [dB]."""
    return band_levels_db(drawn(curve).at(band_grid(*band_hz)))


def mean_level_db(curve: Curve, band_hz: tuple[float, float] = SENSITIVITY_BAND_HZ) -> float | None:
    """Energy mean of a curve over a band [dB], None where it does not cover the band."""
    one = exact(curve)
    return float(band_means(one, band_hz)[0]) if covers(one.curve, band_grid(*band_hz)) else None


def band_level(
    curve: Curve | Drawn, *, band_hz: tuple[float, float] = SENSITIVITY_BAND_HZ, key: str = "sensitivity"
) -> Figure:
    """Energy mean of a dB curve over a 20 per octave grid from the band's lower edge.

    Default band 300 Hz to 3 kHz (used with ANSI/CTA-2034-A, from memory). Not judged if the curve does not cover
    the band.
    """
    curves = drawn(curve)
    one = curves.curve
    method = f"energy mean of {one.name}, {hz_words(band_hz[0])} to {hz_words(band_hz[1])}, 20 points per octave"
    asked = Asked(key, "dB", method, band_hz, one.lineage)
    if not covers(one, band_grid(*band_hz)):
        return asked.refused(not_covered(one, *band_hz))
    levels = band_means(curves, band_hz)
    return with_spread(asked.judged(float(levels[0]), 0.0, *curves.notes(*band_hz)), levels, one.causes)


def one_watt_level_db(level_db: float, *, rated_impedance_ohm: float) -> float:
    """Level [dB] for 1 W in the rated impedance, from the level at 2.83 V: + 10 log10(Z / 8)."""
    return level_db + 10 * float(np.log10(rated_impedance_ohm / 8.0))
