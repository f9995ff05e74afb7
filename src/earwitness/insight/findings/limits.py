"""Where the frequency range ends: by the rule of the F6 figure, so that page and findings state one frequency.

Own addition to it: only a fall that lasts to the end of the data is an end, and where the middle is not the loudest
part (a subwoofer), the loudest octave takes its place (IEC 60268-5 averages over an octave where the level is highest,
from memory).
"""

from dataclasses import dataclass

import numpy as np

from earwitness.figures.bandwidth import NARROW_DIP_OCTAVES, START_HZ
from earwitness.figures.sensitivity import mean_level_db
from earwitness.quantities import Curve
from earwitness.quantities.arrays import FloatArray

DROP_DB = 6.0
UPPER_START_HZ = 3000.0
LEAST_SLOPE_DB = 2.0
"""Below that many dB/octave beyond the fall the range goes on, only lower."""
MIDDLE_IS_LOW_DB = 10.0


@dataclass(frozen=True, slots=True)
class Limit:
    """edge_hz : 6 dB under reference_db; slope_db_per_octave : over up to an octave beyond, positive for a fall;
    far_hz : where the data end on that side."""

    edge_hz: float
    slope_db_per_octave: float
    far_hz: float
    is_low: bool


def limits_of(curve: Curve) -> list[Limit]:
    """The ends of the range that lie inside the data, the lower one first."""
    reference = _reference(curve)
    if reference is None:
        return []
    level, *starts = reference
    found = (_limit(curve, level, start, is_low=is_low) for start, is_low in zip(starts, (True, False), strict=True))
    return [one for one in found if one is not None]


def _reference(curve: Curve) -> tuple[float, float, float] | None:
    """Level that the fall counts from [dB], and where the search for it begins, downward and upward [Hz]."""
    middle = mean_level_db(curve)
    x, power = np.log2(curve.axis.hz), np.where(curve.valid, 10 ** (curve.values / 10), 0.0)
    inside = np.abs(x[:, None] - x) <= 0.5
    whole = curve.valid & (x - 0.5 >= x[0]) & (x + 0.5 <= x[-1]) & (inside @ (~curve.valid).astype(float) == 0)
    if whole.any():
        octave = np.where(whole, inside @ power / inside.sum(axis=1), 0.0)
        place = int(np.argmax(octave))
        loudest, at = float(10 * np.log10(octave[place])), float(curve.axis.hz[place])
        if middle is None or loudest > middle + MIDDLE_IS_LOW_DB:
            return loudest, at, at
    return None if middle is None else (middle, START_HZ, UPPER_START_HZ)


def _limit(curve: Curve, reference_db: float, start_hz: float, *, is_low: bool) -> Limit | None:
    """The end on one side: from there on the curve stays below, and goes on falling."""
    hz = curve.axis.hz
    start = int(np.argmin(np.abs(np.log(hz / start_hz))))
    rows = np.arange(start, -1, -1) if is_low else np.arange(start, hz.size)
    gaps = np.flatnonzero(~curve.valid[rows])
    rows = rows[: int(gaps[0])] if gaps.size else rows
    if rows.size < 2:
        return None
    x, above = np.log2(hz[rows]), curve.values[rows] - reference_db + DROP_DB
    last = int(np.flatnonzero(above >= 0)[-1]) if (above >= 0).any() else -1
    if last < 0 or last + 1 >= rows.size:
        return None
    edge = float(x[last] + above[last] / (above[last] - above[last + 1]) * (x[last + 1] - x[last]))
    if abs(x[-1] - edge) < NARROW_DIP_OCTAVES:
        return None
    slope = _slope(x, curve.values[rows], edge, is_low=is_low)
    if slope < LEAST_SLOPE_DB:
        return None
    return Limit(float(2.0**edge), slope, float(hz[rows[-1]]), is_low)


def _slope(x: FloatArray, level: FloatArray, edge: float, *, is_low: bool) -> float:
    """Fall outward [dB/octave] of the straight line through up to an octave beyond the edge."""
    outward = (edge - x) if is_low else (x - edge)
    near = (outward > 0.0) & (outward <= 1.0)
    return -float(np.polynomial.polynomial.polyfit(outward[near], level[near], 1)[1])
