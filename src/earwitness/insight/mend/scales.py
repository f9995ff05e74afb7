"""Linear operators on the design's grid: trends, local means, and the mean over units that are off in frequency.

The grid is log-spaced through 1 kHz. Every operator is a matrix, so that the ends are treated the same for every curve:
running boxes bend there and give the lowest octave a shelf.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from earwitness.quantities.arrays import FloatArray, Locked

PER_OCTAVE = 24
TREND_OCTAVES = 0.42
SHARED_OCTAVES = 0.05
NEAR_NARROW_OCTAVES, NEAR_BROAD_OCTAVES = 1 / 3, 1.0
_UNITS = 9


@dataclass(frozen=True, slots=True, eq=False)
class Scales(Locked):
    """Operators (F, F) for F points; a row of levels L (F,) becomes `operator @ L`.

    trend : local straight line, Gaussian weights of 0.42 octave; shared : the same of 0.05 octave
    near_narrow, near_broad : moving mean over a third of an octave and an octave
    """

    trend: FloatArray
    shared: FloatArray
    near_narrow: FloatArray
    near_broad: FloatArray


@lru_cache(maxsize=8)
def scales_of(points: int) -> Scales:
    """The operators of a grid of so many points, 24 an octave."""
    x = np.arange(points) / PER_OCTAVE
    return Scales(
        _local_line(x, TREND_OCTAVES),
        _local_line(x, SHARED_OCTAVES),
        moving_mean(points, NEAR_NARROW_OCTAVES),
        moving_mean(points, NEAR_BROAD_OCTAVES),
    )


def _local_line(x: FloatArray, sd_octaves: float) -> FloatArray:
    """(F, F) local straight-line fit with Gaussian weights (handbook: local linear regression); a straight line comes
    out as it is, at the ends too."""
    d = x[None, :] - x[:, None]
    w = np.exp(-0.5 * (d / sd_octaves) ** 2)
    s0, s1, s2 = w.sum(axis=1), (w * d).sum(axis=1), (w * d * d).sum(axis=1)
    return np.asarray(w * (s2[:, None] - s1[:, None] * d) / (s0 * s2 - s1**2)[:, None], dtype=float)


@lru_cache(maxsize=64)
def moving_mean(points: int, octaves: float) -> FloatArray:
    """(F, F) moving mean over a span, cut at the ends. Read-only."""
    x = np.arange(points) / PER_OCTAVE
    m = (np.abs(x[None, :] - x[:, None]) <= octaves / 2 + 1e-9).astype(float)
    m /= m.sum(axis=1, keepdims=True)
    m.setflags(write=False)
    return m


def moved_up(rows: FloatArray, octaves: float) -> FloatArray:
    """(N, F) rows with every feature so many octaves higher; the end's value goes on beyond the end."""
    points = rows.shape[-1]
    at = np.clip(np.arange(points) - octaves * PER_OCTAVE, 0, points - 1)
    low = np.minimum(at.astype(int), points - 2)
    part = at - low
    return np.asarray((1 - part) * rows[..., low] + part * rows[..., low + 1], dtype=float)


def over_units(row: FloatArray, percent: float) -> FloatArray:
    """(F,) mean of a row (F,) over units whose features lie up to so much off in frequency."""
    shifts = np.linspace(-1.0, 1.0, _UNITS) * np.log2(1 + percent / 100)
    return np.asarray(np.mean([moved_up(row, shift) for shift in shifts], axis=0), dtype=float)


@lru_cache(maxsize=64)
def _smooth_rows(points: int, octaves: float) -> FloatArray:
    x = np.arange(points) / PER_OCTAVE
    grid = np.arange(x[0] - 3 * octaves, x[-1] + 3 * octaves, octaves / 8)
    w = np.exp(-0.5 * ((x[:, None] - grid) / (octaves / np.sqrt(2))) ** 2)
    w /= np.sqrt((w**2).sum(axis=1, keepdims=True))
    w.setflags(write=False)
    return np.asarray(w, dtype=float)


def smooth_errors(random: np.random.Generator, points: int, octaves: float, count: int) -> FloatArray:
    """(count, F) normal errors of unit variance that hang together over so many octaves (Gaussian correlation)."""
    rows = _smooth_rows(points, octaves)
    return np.asarray(random.normal(size=(count, rows.shape[1])) @ rows.T, dtype=float)
