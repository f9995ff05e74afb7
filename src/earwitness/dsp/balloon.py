"""Levels and pressures of a balloon at directions where nothing was measured, and how far they can be trusted.

Two ways: real spherical harmonics fitted to the complex pressure, of the order that foretells left-out points best;
and weights of the triangle of measured directions in which the wanted one lies, put on levels. The first is used only
where leaving points out shows that the grid carries the pressure. Source: own choice of rules, tried on closed-form
balloons; leave-one-out of a linear fit by its hat matrix, e / (1 - h) (handbook of regression, from memory).
"""

from dataclasses import dataclass

import numpy as np

from earwitness.dsp.spherical import real_harmonics
from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray, IntArray, Locked

CARRIED_DB = -15.0
LEAST_U_DB = 0.1
DEEP_DB, DEEP_U_DB = 15.0, 3.0
HIGHEST_ORDER = 24
_MARGIN = 0.9
_SMALLEST_SINGULAR = 1e-3
_OUTSIDE = -0.02
_REACH = 0.8


@dataclass(frozen=True, slots=True, eq=False)
class BalloonAt(Locked):
    """level_db, u_db : (T, F) at the wanted directions; known : (T,) False outside what was measured

    phase_rad : (T, F) where harmonics carry the pressure, NaN elsewhere; harmonic : (F,) frequencies fitted so
    """

    level_db: FloatArray
    u_db: FloatArray
    phase_rad: FloatArray
    known: BoolArray
    harmonic: BoolArray


def balloon_at(
    measured: FloatArray, level_db: FloatArray, phase_rad: FloatArray | None, wanted: FloatArray
) -> BalloonAt:
    """A balloon at other directions.

    measured : (D, 3) unit vectors; level_db : (D, F); phase_rad : (D, F) on one time, or None where directions share
    none; wanted : (T, 3) unit vectors.
    Raises ValueError for fewer than four directions, or all in one plane.
    """
    if len(measured) < 4:
        raise ValueError("a balloon needs four directions that lie in no plane")
    rows, weights, inside = triangles(measured, wanted)
    level = np.einsum("tk,tkf->tf", weights, level_db[rows])
    u = _left_out_u(measured, level_db, wanted, rows, weights)
    phase = np.full(level.shape, np.nan)
    harmonic = np.zeros(level_db.shape[1], dtype=bool)
    if phase_rad is not None:
        fits = _fits(measured)
        at = _harmonics_at(wanted, fits[-1].order)
        for column in range(level_db.shape[1]):
            pressure = 10 ** (level_db[:, column] / 20) * np.exp(1j * phase_rad[:, column])
            best = _carried(fits, pressure)
            if best is None:
                continue
            fit, coefficients, left = best
            found = at[:, : fit.basis.shape[1]] @ coefficients
            size = np.maximum(np.abs(found), 1e-30)
            level[:, column], phase[:, column] = 20 * np.log10(size), np.angle(found)
            u[:, column] = 20 / np.log(10) * np.minimum(left / size, 1.0) / np.sqrt(2.0)
            harmonic[column] = True
    loudest = level_db.max(axis=0)
    u = np.maximum(u, LEAST_U_DB)
    u = np.where((level < loudest - DEEP_DB) & ~harmonic, np.hypot(u, DEEP_U_DB), u)
    return BalloonAt(level, u, phase, inside, harmonic)


def _harmonics_at(directions: FloatArray, order: int) -> FloatArray:
    x, y, z = directions.T
    return real_harmonics(order, np.clip(z, -1.0, 1.0), np.arctan2(y, x))


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """Harmonics up to an order: basis (D, K), its pseudo-inverse (K, D), and the hat matrix's diagonal (D,)."""

    order: int
    basis: FloatArray
    inverse: FloatArray
    hat: FloatArray


def _fits(measured: FloatArray) -> list[_Fit]:
    """Every order that the directions can carry, from 0."""
    found: list[_Fit] = []
    most = min(HIGHEST_ORDER, int(np.sqrt(_MARGIN * len(measured))))
    every = _harmonics_at(measured, most)
    for order in range(most + 1):
        basis = every[:, : (order + 1) ** 2]
        if basis.shape[1] > _MARGIN * len(measured):
            break
        u, s, v = np.linalg.svd(basis, full_matrices=False)
        if s[-1] < _SMALLEST_SINGULAR * s[0]:
            break
        found.append(_Fit(order, basis, (v.T / s) @ u.T, (u**2).sum(axis=1)))
    return found


def _carried(fits: list[_Fit], pressure: ComplexArray) -> tuple[_Fit, ComplexArray, float] | None:
    """Fit, coefficients and rms of what left-out points miss; None where the grid does not carry the pressure."""
    size = float(np.sqrt(np.mean(np.abs(pressure) ** 2)))
    best: tuple[_Fit, ComplexArray, float] | None = None
    for fit in fits:
        coefficients = fit.inverse @ pressure
        residual = (pressure - fit.basis @ coefficients) / np.maximum(1.0 - fit.hat, 1e-6)
        left = float(np.sqrt(np.mean(np.abs(residual) ** 2)))
        if best is None or left < best[2]:
            best = (fit, coefficients, left)
    return None if best is None or best[2] > 10 ** (CARRIED_DB / 20) * size else best


def triangles(measured: FloatArray, wanted: FloatArray) -> tuple[IntArray, FloatArray, BoolArray]:
    """(T, 3) rows, (T, 3) weights that sum to 1, and (T,) whether the direction lies inside what was measured."""
    from scipy.spatial import ConvexHull, QhullError

    try:
        hull = ConvexHull(measured).simplices
    except QhullError:
        raise ValueError("the directions lie in one plane") from None
    corners = measured[hull]
    inverse = np.linalg.pinv(np.transpose(corners, (0, 2, 1)))
    rows = np.empty((len(wanted), 3), dtype=np.int64)
    weights = np.empty((len(wanted), 3))
    inside = np.empty(len(wanted), dtype=bool)
    usual = float(np.percentile(_widest(corners), 75))
    for place, direction in enumerate(wanted):
        share = inverse @ direction
        best = int(np.argmax(share.min(axis=1)))
        rows[place] = hull[best]
        positive = np.maximum(share[best], 0.0)
        weights[place] = positive / positive.sum()
        # Triangles that close a side on which nothing was measured lie far from all that was.
        near = float(np.sqrt(max(2.0 - 2.0 * float((measured @ direction).max()), 0.0)))
        inside[place] = share[best].min() > _OUTSIDE and near <= _REACH * usual
    return rows, weights, inside


def _widest(corners: FloatArray) -> FloatArray:
    sides = np.stack([corners[:, 0] - corners[:, 1], corners[:, 1] - corners[:, 2], corners[:, 2] - corners[:, 0]])
    return np.asarray(np.linalg.norm(sides, axis=-1).max(axis=0), dtype=float)


def _left_out_u(
    measured: FloatArray, level_db: FloatArray, wanted: FloatArray, rows: IntArray, weights: FloatArray
) -> FloatArray:
    """(T, F) largest error at the three neighbors when each is foretold by others, scaled to the wanted one's reach.

    A straight line through a bend errs by half the bend times the weighted square of the distances to its corners
    (Taylor's formula); so the error where a point is left out tells the bend, and the wanted direction's own distances
    the error there. None of the foretelling points is nearer than the wanted direction's nearest: equal-angle grids
    crowd at the poles, where near-equal neighbors would make the bend look small.
    """
    u = np.empty((len(wanted), level_db.shape[1]))
    gap = np.arccos(np.clip(measured @ measured.T, -1.0, 1.0))
    away = np.arccos(np.clip(wanted @ measured.T, -1.0, 1.0)).min(axis=1)
    errors: dict[tuple[int, float], tuple[FloatArray, float]] = {}
    for place in range(len(wanted)):
        parts = []
        for row in rows[place]:
            key = (int(row), round(float(away[place]), 3))
            if key not in errors:
                kept = np.flatnonzero(gap[row] > max(away[place], 1e-9))
                told, reach = _foretold(measured[kept], level_db[kept], measured[row])
                errors[key] = (told - level_db[row], reach)
            error, reach = errors[key]
            own = float(
                weights[place] @ np.square(np.arccos(np.clip(measured[rows[place]] @ wanted[place], -1.0, 1.0)))
            )
            parts.append(error * min(own / max(reach, 1e-12), 1.0))
        u[place] = np.max(np.abs(parts), axis=0)
    return u


def _foretold(measured: FloatArray, level_db: FloatArray, direction: FloatArray) -> tuple[FloatArray, float]:
    """(F,) level at a direction by the best-lying three of its nearest eight, and their weighted square distance."""
    near = np.argsort(-(measured @ direction), kind="stable")[:8]
    best: tuple[float, FloatArray, IntArray] | None = None
    for a in range(6):
        for b in range(a + 1, 7):
            for c in range(b + 1, min(8, near.size)):
                rows = near[[a, b, c]]
                matrix = measured[rows].T
                if abs(np.linalg.det(matrix)) < 1e-6:
                    continue
                share = np.linalg.solve(matrix, direction)
                if best is None or share.min() > best[0] + 1e-9:
                    best = (float(share.min()), np.asarray(share, dtype=float), rows)
    if best is None or best[0] < -0.5:
        away = float(np.arccos(np.clip(measured[near[0]] @ direction, -1.0, 1.0)))
        return np.asarray(level_db[near[0]], dtype=float), away**2
    positive = np.maximum(best[1], 0.0) / np.maximum(best[1], 0.0).sum()
    away_rad = np.arccos(np.clip(measured[best[2]] @ direction, -1.0, 1.0))
    return np.asarray(positive @ level_db[best[2]], dtype=float), float(positive @ away_rad**2)
