"""Where to put the expansion center in the high bands: where the sound comes from, as the data tell.

With few orders only waves from near the center fit. So the center at which a fit of limited order leaves the smallest
residual is the acoustic center of the band.
"""

from dataclasses import dataclass

import numpy as np
from scipy.linalg import blas, lapack

from earwitness.dsp.spherical import acn, complex_harmonics
from earwitness.quantities.arrays import ComplexArray, FloatArray, IntArray
from earwitness.reduce.separate.radial import Shell, outgoing_columns

_FIRST_STEP_M = 0.08
_LAST_STEP_M = 0.01
_PILOTS = 3
_MOST_POINTS = 700
_SEARCH_ORDER = 9
_MOVES = np.concatenate([np.eye(3), -np.eye(3)])


@dataclass(frozen=True, slots=True, eq=False)
class Center:
    """center_m (3,); residual_db there and at the start, of the search's limited order; moved_m how far it went."""

    center_m: FloatArray
    residual_db: float
    start_residual_db: float
    moved_m: float


def search_center(
    points_m: FloatArray, pressure: ComplexArray, k: FloatArray, start_m: FloatArray, half_size_m: FloatArray
) -> Center:
    """The center, within half_size_m (3,) of start_m, that a limited order fits best; pressure (P, F), k (F,).

    With a half size of 0 nothing is searched: start_m and what it leaves.
    """
    chosen = np.unique(np.linspace(0, k.size - 1, _PILOTS).round().astype(np.int64))
    step = max(1, len(points_m) // _MOST_POINTS)
    rows: IntArray = np.arange(0, len(points_m), step)
    points, data, wave = points_m[rows], pressure[np.ix_(rows, chosen)], k[chosen]
    center = start_m.copy()
    best = start = _residual(points - center, data, wave)
    size = _FIRST_STEP_M if half_size_m.any() else 0.0
    while size >= _LAST_STEP_M:
        tries = np.clip(center + size * _MOVES, start_m - half_size_m, start_m + half_size_m)
        found = [_residual(points - one, data, wave) for one in tries]
        lowest = int(np.argmin(found))
        if found[lowest] < best * (1 - 1e-3):
            center, best = tries[lowest], found[lowest]
        else:
            size /= 2
    return Center(center, 10 * np.log10(best), 10 * np.log10(start), float(np.linalg.norm(center - start_m)))


def _residual(points: FloatArray, data: ComplexArray, k: FloatArray) -> float:
    """Mean share of the energy that outgoing waves of limited order don't explain."""
    radius = np.linalg.norm(points, axis=1)
    shell = Shell(0.5 * float(radius.min()), float(radius.max()), 2 * float(radius.max()))
    order = min(_SEARCH_ORDER, int(np.sqrt(len(points) / 2)) - 1)
    harmonics = complex_harmonics(order, points[:, 2] / radius, np.arctan2(points[:, 1], points[:, 0]))
    degree, shares = acn(order)[0], []
    for f, waves in enumerate(outgoing_columns(k, radius, order, shell)):
        matrix = harmonics * waves[:, degree]
        gram = blas.zherk(1.0, matrix, trans=2, lower=1)
        gram[np.diag_indices_from(gram)] += 1e-8 * gram.diagonal().real.max()
        answer = lapack.zposv(gram, matrix.conj().T @ data[:, f], lower=1)[1]
        rest = data[:, f] - matrix @ answer
        shares.append(np.sum(np.abs(rest) ** 2) / np.sum(np.abs(data[:, f]) ** 2))
    return float(np.mean(shares))
