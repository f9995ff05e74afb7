"""What is wrong with a scan: refused with a clear message where it can't be used, left out and told where it can."""

from dataclasses import dataclass

import numpy as np

from earwitness.errors import InputError
from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray, IntArray
from earwitness.reduce.separate.sampling import find_rings, radial_depth

FEWEST_POINTS = 75
SMALLEST_DEPTH = 0.012
_FARTHEST_M = 20.0
_NEAREST_M = 0.01
_SAME_POINT_M = 1e-4
_MOST_UNUSABLE = 0.2
_BAD_TIMES_MEDIAN = 25.0
_BANDS = 6
_NEIGHBORS = 40
_SMALLEST_ERROR = 0.01


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
