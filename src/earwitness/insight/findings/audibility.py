"""How far a deviation exceeds what can be heard: a heuristic of this project, not a published curve.

What is published (Toole and Olive, J. Audio Eng. Soc. 36(3), 1988, by a literature summary; not read): broad
resonances are heard from far smaller heights than narrow ones, about 1 to 2 dB at Q = 1 and roughly 10 dB at high Q.
Buecklein, J. Audio Eng. Soc. 29(3), 1981 (by the same summary): peaks are far more audible than equal dips. The line
through three points below was laid by hand through these statements.
"""

import numpy as np

from earwitness.quantities.arrays import FloatArray

POINTS_Q = (1.0, 10.0, 50.0)
POINTS_DB = (1.0, 5.0, 10.0)
DIP_WEIGHT = 0.5
SOURCE_BONUS_DB = 1.0
PINK_NOISE_FACTOR = 0.25


def threshold_db(q: FloatArray | float, *, sensitive: bool = False) -> FloatArray:
    """Height in dB from which a peak of that Q counts as audible; shape of q.

    Linear in log Q through (1, 1 dB), (10, 5 dB), (50, 10 dB), constant outside. sensitive : a quarter of it, for
    pink noise. Heuristic, see the head of this module.
    """
    size = np.interp(np.log10(np.asarray(q, dtype=float)), np.log10(POINTS_Q), POINTS_DB)
    return np.asarray(size * (PINK_NOISE_FACTOR if sensitive else 1.0), dtype=float)


def audible_from_db(q: float, *, is_peak: bool, sensitive: bool = False) -> float:
    """The size [dB] from which a peak or a dip of that Q counts as audible."""
    return float(threshold_db(q, sensitive=sensitive)) / (1.0 if is_peak else DIP_WEIGHT)


def height_db(size_db: float) -> float:
    """What a size counts [dB]; a dip half its depth."""
    return size_db if size_db > 0 else -DIP_WEIGHT * size_db


def margin_db(size_db: float, q: float, *, sensitive: bool = False) -> float:
    """Height over the threshold [dB]."""
    return height_db(size_db) - float(threshold_db(q, sensitive=sensitive))
