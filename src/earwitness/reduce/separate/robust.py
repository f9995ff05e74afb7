"""What is wrong with a scan: refused with a clear message where it can't be used, left out and told where it can."""

from dataclasses import dataclass

import numpy as np

from earwitness.errors import InputError
from earwitness.quantities import BoolArray, ComplexArray, FloatArray, IntArray
from earwitness.reduce.separate.expansion import Expansion, orders_of, places_of
from earwitness.reduce.separate.field import Shell
from earwitness.reduce.separate.normal_equations import Regularization
from earwitness.reduce.separate.sampling import find_rings, radial_depth

# Points that bend the waves toward themselves: each is held against what all others say of its place.
#
# Where a ring is short or points are few, a wrong point is fitted rather than left over, and several of them hide each
# other. What a fit without the point would leave there follows from its leverage h, the share that the point has in its
# own fitted value: the residual over 1 - h, with variance sigma^2 / (1 - h) (Cook and Weisberg, Residuals and Influence
# in Regression, chapter 2, from memory). The worst are left out first, then the others are asked again.

_TIMES_MEDIAN = 25.0
_WORST_SHARE = 0.25
_SMALLEST_ERROR = 0.01
_ROUNDS = 8
_MOST_SHARE = 1 / 7
_FREQUENCIES = 6
_MOST_UNKNOWNS = 500
_BENT_NEIGHBORS = 12
_LARGEST_LEVERAGE = 0.99


def contradicted(
    points_m: FloatArray,
    pressure: ComplexArray,
    k: FloatArray,
    shell: Shell,
    orders: tuple[IntArray, IntArray],
    state: Regularization,
    trusted: BoolArray,
) -> BoolArray:
    """(P,) points (P, 3) that all others contradict; pressure (P, F), state, trusted (F,) as of the fit to all points.

    Asked at a few trusted frequencies of at most 500 unknowns: a wrong gain, a wrong file or a wrong place shows there.
    None where more than a seventh would be wrong: what is the matter then is not single points.
    """
    from scipy.spatial import cKDTree

    unknowns = (orders[0] + 1) ** 2 + (orders[1] + 1) ** 2
    left_out = np.zeros(len(points_m), dtype=bool)
    rows = np.flatnonzero(trusted & (unknowns <= min(_MOST_UNKNOWNS, len(points_m) // 2)))
    if not rows.size:
        return left_out
    rows = rows[np.unique(np.linspace(0, rows.size - 1, min(_FREQUENCIES, rows.size)).round().astype(np.int64))]
    near = cKDTree(points_m).query(points_m, k=_BENT_NEIGHBORS + 1)[1]
    level = np.median(np.abs(pressure[near][:, :, rows]) ** 2, axis=1)
    places = places_of(points_m, orders_of(orders[0][rows], orders[1][rows]), beside=False)
    penalty = state.penalty.copy()
    for _round in range(_ROUNDS):
        score = np.zeros(len(points_m))
        for n, f in enumerate(rows):
            fit = Expansion(
                places=places,
                k=float(k[f]),
                shell=shell,
                order_out=int(orders[0][f]),
                order_in=int(orders[1][f]),
                penalty=penalty[f],
                used=~left_out,
            )
            rest = pressure[:, f] - fit.field(fit.fitted(pressure[:, f : f + 1]))[:, 0]
            lean = np.minimum(fit.leverage, _LARGEST_LEVERAGE)
            apart = np.abs(rest) ** 2 / np.where(left_out, 1 + fit.leverage, 1 - lean)
            score += apart / level[:, n] / rows.size
            # The noise that the wrong points made asked for larger penalties.
            noise = float(apart[~left_out].mean()) / float(state.noise_variance[f])
            penalty[f] = state.penalty[f] * min(noise, 1.0)
        limit = max(_TIMES_MEDIAN * float(np.median(score[~left_out])), _SMALLEST_ERROR**2)
        wrong: BoolArray = score > limit
        new = wrong & ~left_out
        if not new.any():
            break
        # A wrong point's neighbors are bent with it: once it is gone they may be sound.
        left_out = left_out | (new & (score >= _WORST_SHARE * score[new].max()))
    return wrong if wrong.mean() <= _MOST_SHARE else np.zeros_like(wrong)


FEWEST_POINTS = 75
SMALLEST_DEPTH = 0.012
_FARTHEST_M = 20.0
_NEAREST_M = 0.01
_SAME_POINT_M = 1e-4
_MOST_UNUSABLE = 0.2
_BAD_TIMES_MEDIAN = 25.0
_BANDS = 6
_NEIGHBORS = 40


@dataclass(frozen=True, slots=True, eq=False)
class BadPoint:
    """row : in the list as given; reason : plain words."""

    row: int
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Usable points (P, 3), pressure (P, F), the rows they came from (P,), and what was left out on the way."""

    points_m: FloatArray
    pressure: ComplexArray
    rows: IntArray
    bad: tuple[BadPoint, ...]


def usable_points(
    points_m: FloatArray,
    pressure: ComplexArray,
    hz: FloatArray,
    *,
    cabinet_m: tuple[float, float, float] | None,
    cabinet_center_m: FloatArray,
    one_surface_is_enough: bool,
) -> Points:
    """Points that can be used: finite, apart, outside the cabinet, on two surfaces.

    InputError for wrong shapes, wrong units, too few points, one surface only, points inside the cabinet, or where
    more than a fifth has no numbers.
    """
    _check_shapes(points_m, pressure, hz)
    finite = np.isfinite(points_m).all(axis=1) & np.isfinite(pressure).all(axis=1)
    silent = finite & ~np.any(pressure != 0, axis=1)
    bad = [BadPoint(int(row), "position or pressure is not a number") for row in np.flatnonzero(~finite)]
    bad += [BadPoint(int(row), "no sound at all") for row in np.flatnonzero(silent)]
    rows = np.flatnonzero(finite & ~silent)
    if rows.size < (1 - _MOST_UNUSABLE) * len(points_m):
        raise InputError.of("reduce.points_without_numbers", bad=len(points_m) - rows.size, count=len(points_m))
    _check_units(points_m[rows], cabinet_m, cabinet_center_m)
    rows, doubled = _without_doubles(points_m, rows, cabinet_center_m)
    bad += doubled
    kept = points_m[rows]
    if rows.size < FEWEST_POINTS:
        raise InputError.of("reduce.too_few_points", rows=rows, fewest_points=FEWEST_POINTS)
    depth = radial_depth(kept - cabinet_center_m)
    if depth < SMALLEST_DEPTH and not one_surface_is_enough:
        raise InputError.of("reduce.one_surface")
    return Points(kept, pressure[rows], rows, tuple(sorted(bad, key=lambda one: one.row)))


def usable_rows(points_m: FloatArray, pressure: ComplexArray) -> IntArray:
    """Rows of points (P, 3) whose place and pressures (P, F) are numbers and not silence."""
    finite = np.isfinite(points_m).all(axis=1) & np.isfinite(pressure).all(axis=1)
    return np.flatnonzero(finite & np.any(pressure != 0, axis=1))


def stands_out(
    points_m: FloatArray, pressure: ComplexArray, residual: ComplexArray, left_out: BoolArray, trusted: BoolArray
) -> BoolArray:
    """(P,) points, left out ones too, whose residual is far beyond that of their neighbors in some part of the band.

    points_m (P, 3), pressure and residual (P, F); trusted (F,) frequencies that the orders resolve. A point's residual
    energy is held against the median of its 40 nearest points at each frequency (position errors tell more where
    sound is loud), then averaged over each sixth of the band; 25 times the median of that average is too much.
    Errors below one per cent of the neighbors' pressure are nobody's concern.
    """
    from scipy.spatial import cKDTree

    found = np.zeros(residual.shape[0], dtype=bool)
    usable = np.flatnonzero(trusted)
    good = np.flatnonzero(~left_out)
    if usable.size == 0:
        return found
    energy = np.abs(residual[:, usable]) ** 2
    near = good[cKDTree(points_m[good]).query(points_m, k=min(_NEIGHBORS, good.size))[1]]
    level = np.abs(pressure[:, usable]) ** 2
    around = np.empty_like(energy)
    for f in range(usable.size):
        floor = _SMALLEST_ERROR**2 / _BAD_TIMES_MEDIAN * np.median(level[near, f], axis=1)
        around[:, f] = np.maximum(np.median(energy[near, f], axis=1), floor)
    ratio = energy / np.maximum(around, 1e-300)
    for part in np.array_split(np.arange(usable.size), min(_BANDS, max(1, usable.size // 4))):
        score = ratio[:, part].mean(axis=1)
        found |= score > _BAD_TIMES_MEDIAN * max(1.0, float(np.median(score[~left_out])))
    return found


def _check_shapes(points_m: FloatArray, pressure: ComplexArray, hz: FloatArray) -> None:
    if points_m.ndim != 2 or points_m.shape[1] != 3 or pressure.shape != (len(points_m), hz.size) or hz.size == 0:
        raise InputError.of("reduce.shapes_differ", points_m=points_m, pressure=pressure, hz=hz)
    if not (np.isfinite(hz) & (hz > 0)).all() or (np.diff(hz) <= 0).any():
        raise InputError("the scan's frequencies must rise from above 0 Hz")


def _check_units(points_m: FloatArray, cabinet_m: tuple[float, float, float] | None, center_m: FloatArray) -> None:
    radius = np.linalg.norm(points_m - center_m, axis=1)
    if np.median(radius) > _FARTHEST_M:
        raise InputError.of("reduce.not_meters", radius_m=np.median(radius))
    if np.median(radius) < _NEAREST_M:
        raise InputError.of("reduce.millimeters", radius_mm=1000 * np.median(radius))
    if cabinet_m is None:
        return
    width, height, depth = cabinet_m
    if not all(np.isfinite(side) and 0 < side < _FARTHEST_M for side in cabinet_m):
        raise InputError.of("reduce.cabinet_not_meters", width=width, height=height, depth=depth)
    inside = (np.abs(points_m - center_m) < np.array([depth, width, height]) / 2).all(axis=1)
    if inside.any():
        first = points_m[inside][0].round(4).tolist()
        raise InputError.of("reduce.points_in_cabinet", count=int(inside.sum()), first=first)


def first_visits(points_m: FloatArray, within_m: float) -> IntArray:
    """(P,) row of the first visit of every point's place; points (P, 3), finite."""
    from scipy.spatial import cKDTree

    first = np.arange(len(points_m))
    pairs: set[tuple[int, int]] = cKDTree(points_m).query_pairs(within_m)
    for one, other in sorted(pairs):
        low, high = sorted((int(first[one]), int(first[other])))
        first[first == high] = low
    return first


def scan_of_visits(points_m: FloatArray, first: IntArray, center_m: FloatArray) -> BoolArray:
    """(P,) which visits make the scan: the first of each place, but none of a place that is visited again and stands
    beside the rings that all others make about center_m (3,)."""
    kept: BoolArray = first == np.arange(first.size)
    again: BoolArray = np.isin(first, first[~kept])
    alone: BoolArray = kept & ~again
    if again.any() and alone.any():
        away = points_m - center_m
        if find_rings(away[kept]) is None and find_rings(away[alone]) is not None:
            return alone
    return kept


def _without_doubles(points_m: FloatArray, rows: IntArray, center_m: FloatArray) -> tuple[IntArray, list[BadPoint]]:
    first = first_visits(points_m[rows], _SAME_POINT_M)
    kept = scan_of_visits(points_m[rows], first, center_m)
    later = first != np.arange(rows.size)
    bad = [BadPoint(int(row), "same place as an earlier point") for row in rows[later]]
    return rows[kept], bad + [BadPoint(int(row), "a place beside the rings") for row in rows[~kept & ~later]]
