"""Uncertainty of figures by Monte Carlo with errors that are correlated over frequency and between curves.

After JCGM 101 (from memory): many sets of curves are drawn from the stated uncertainties and each figure is worked out
on all of them at once. Three kinds of error, split as stated here (choices of this program): of the common part,
what is the same at all frequencies (calibrator or sensitivity, voltage) is one offset, and the rest (the microphone's
response, air, near field) an error that changes smoothly, its correlation falling to 1/e at one octave; every error of
a single direction is half of that smooth kind and half independent from point to point, in variance.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from earwitness.quantities import BudgetLine, Figure, FrequencyAxis
from earwitness.quantities.arrays import BoolArray, FloatArray

SEED = 20_340
DRAWS = 1000
SMOOTH_SHARE = 0.5
_CORRELATION_OCTAVES = 1.0
_KNOTS_PER_OCTAVE = 4
_AT_ONCE = 25
_SAME_EVERYWHERE = ("calibrator", "sensitivity", "voltage")


@dataclass(frozen=True, slots=True, eq=False)
class Draws:
    """Errors of several curves that belong together. error_db : by curve key, (N, F)."""

    axis: FrequencyAxis
    error_db: Mapping[str, FloatArray]

    def at(self, key: str, frequency_hz: FloatArray) -> FloatArray:
        """(N, G) errors at other frequencies inside the axis, linear against log frequency."""
        return interpolated(self.axis.hz, self.error_db[key], frequency_hz)


def same_everywhere_db(budget: Sequence[BudgetLine]) -> float | None:
    """The part of the common uncertainty [dB] that moves all frequencies alike; None without a budget."""
    if not budget:
        return None
    flat = [float(line.u_db.min()) for line in budget if line.common and line.name in _SAME_EVERYWHERE]
    return float(np.sqrt(np.sum(np.square(flat))))


def interpolated(hz: FloatArray, rows: FloatArray, frequency_hz: FloatArray) -> FloatArray:
    """(N, G) rows (N, F) at other frequencies, linear against log frequency."""
    x, wanted = np.log2(hz), np.log2(frequency_hz)
    left = np.clip(np.searchsorted(x, wanted, side="right") - 1, 0, x.size - 2)
    part = np.clip((wanted - x[left]) / (x[left + 1] - x[left]), 0.0, 1.0)
    return np.asarray(rows[:, left] * (1 - part) + rows[:, left + 1] * part, dtype=float)


def smooth_basis(hz: FloatArray) -> FloatArray:
    """(F, K) rows of unit length; times K independent unit normals they give a smooth unit normal error.

    A Gaussian kernel of half an octave on knots 1/4 octave apart: correlation exp(-(d / 1 octave)^2).
    """
    x = np.log2(hz)
    knots = np.arange(x[0] - 2.0, x[-1] + 2.0, 1 / _KNOTS_PER_OCTAVE)
    kernel = np.exp(-(((x[:, None] - knots) / _CORRELATION_OCTAVES) ** 2) * 2)
    basis: FloatArray = kernel / np.linalg.norm(kernel, axis=1, keepdims=True)
    return basis


def joint_roots(pulls: FloatArray, u_db: FloatArray) -> FloatArray:
    """(F, C, C) symmetric roots of the covariance of C curves. pulls : (C, S, F) [dB/dB]; u_db : (S, F) [dB]."""
    weighted = np.moveaxis(pulls * u_db, 2, 0)
    covariance = weighted @ np.swapaxes(weighted, 1, 2)
    size, axes = np.linalg.eigh(covariance)
    roots: FloatArray = (axes * np.sqrt(np.maximum(size, 0.0))[:, None, :]) @ np.swapaxes(axes, 1, 2)
    return roots


def drawn(
    axis: FrequencyAxis,
    pulls: Mapping[str, FloatArray],
    u_db: FloatArray,
    u_common_db: FloatArray,
    *,
    band: BoolArray | None = None,
    offset_db: float | None = None,
    draws: int = DRAWS,
    seed: int = SEED,
) -> Draws:
    """Errors of all curves in `pulls` [dB], always the same for the same input.

    pulls : (S, F) by curve key; u_db : (S, F); u_common_db : (F,); offset_db : the common part that is the same at
    all frequencies; where that is not known, the smallest common uncertainty of the band (F,), all by default
    """
    random = np.random.default_rng(seed)
    count, curves = len(axis), len(pulls)
    basis = smooth_basis(axis.hz)
    rough = random.standard_normal((curves, draws, count)) * np.sqrt(1 - SMOOTH_SHARE)
    rough += random.standard_normal((curves, draws, basis.shape[1])) @ (basis.T * np.sqrt(SMOOTH_SHARE))
    roots = joint_roots(np.array(list(pulls.values())), u_db)
    inside = u_common_db[band] if band is not None and band.any() else u_common_db
    offset = np.minimum(u_common_db, float(inside.min()) if offset_db is None else offset_db)
    rest = np.sqrt(np.maximum(u_common_db**2 - offset**2, 0.0))
    common = random.standard_normal((draws, 1)) * offset
    common += random.standard_normal((draws, basis.shape[1])) @ (basis.T * rest)
    own = {key: common.copy() for key in pulls}
    # In pieces that stay in the processor's cache.
    for first in range(0, draws, _AT_ONCE):
        rows = slice(first, first + _AT_ONCE)
        for c, errors in enumerate(own.values()):
            for i in range(curves):
                errors[rows] += rough[i, rows] * roots[:, c, i]
    return Draws(axis, own)


def with_spread(figure: Figure, values: FloatArray, *, low: float = -np.inf, high: float = np.inf) -> Figure:
    """A judged figure with standard uncertainty and 95 % interval of its draws (N,).

    The measured curve carries one set of errors already, and drawing errors on top of it moves the median of figures
    that count deviations. The interval is therefore shifted so that the draws' median falls on the figure. low, high :
    limits the quantity cannot leave.
    """
    if figure.value is None:
        return figure
    below, middle, above = np.percentile(values, [2.5, 50.0, 97.5])
    interval = (max(figure.value + float(below - middle), low), min(figure.value + float(above - middle), high))
    return replace(figure, u=float(np.std(values, ddof=1)), interval=interval)
