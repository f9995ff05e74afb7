"""Rings of microphones evenly spaced in azimuth, found in a list of points."""

from dataclasses import dataclass

import numpy as np

from earwitness.quantities.arrays import FloatArray, IntArray

_SAME_M = 1e-4
_MISSING_SHARE = 0.25
_AXES = ((0, 1, 2), (1, 2, 0), (2, 0, 1))


@dataclass(frozen=True, slots=True, eq=False)
class Rings:
    """Points as rings about the local z axis.

    axes : which of x, y, z are the local x, y, z (cyclic); radius_m, cos_polar (R,) from the expansion center;
    count (R,) slots of each ring; start_rad (R,) azimuth of its first slot;
    slot : (R, max count) row of the point in each slot, -1 where there is none.
    """

    axes: tuple[int, int, int]
    radius_m: FloatArray
    cos_polar: FloatArray
    count: IntArray
    start_rad: FloatArray
    slot: IntArray


def find_rings(points_m: FloatArray) -> Rings | None:
    """Rings about one of the three axes through the origin; None where the points aren't such rings.

    points_m : (P, 3) relative to the expansion center. A quarter of a ring's slots may be empty.
    """
    for axes in _AXES:
        found = _rings_about(points_m[:, axes], axes)
        if found is not None:
            return found
    return None


def _rings_about(points: FloatArray, axes: tuple[int, int, int]) -> Rings | None:
    rho, z = np.hypot(points[:, 0], points[:, 1]), points[:, 2]
    azimuth = np.mod(np.arctan2(points[:, 1], points[:, 0]), 2 * np.pi)
    most = max(12, points.shape[0] // 8)
    if np.count_nonzero(np.diff(np.sort(z)) > _SAME_M) >= most:
        return None
    members = [part for level in _runs(z, np.arange(z.size)) for part in _runs(rho, level)]
    if len(members) > most:
        return None
    slots, starts = [], []
    for rows in members:
        laid = _slots(azimuth[rows], rows, rho[rows].mean())
        if laid is None:
            return None
        slots.append(laid[0])
        starts.append(laid[1])
    count = np.array([len(one) for one in slots])
    slot = np.full((count.size, count.max()), -1)
    for ring, one in enumerate(slots):
        slot[ring, : len(one)] = one
    mean_rho = np.array([rho[rows].mean() for rows in members])
    mean_z = np.array([z[rows].mean() for rows in members])
    radius = np.hypot(mean_rho, mean_z)
    return Rings(axes, radius, mean_z / radius, count, np.array(starts), slot)


def _runs(value: FloatArray, rows: IntArray) -> list[IntArray]:
    """`rows` split where their sorted values step by more than a tenth of a millimetre."""
    order = rows[np.argsort(value[rows], kind="stable")]
    return np.split(order, np.flatnonzero(np.diff(value[order]) > _SAME_M) + 1)


def _slots(azimuth: FloatArray, rows: IntArray, rho: float) -> tuple[IntArray, float] | None:
    """Row in every slot, and the azimuth of slot 0."""
    if rows.size == 1:
        return (rows, float(azimuth[0])) if rho < _SAME_M else None
    order = np.argsort(azimuth, kind="stable")
    angle = azimuth[order]
    step = np.diff(np.append(angle, angle[0] + 2 * np.pi))
    usual = float(np.median(step))
    if usual <= 0:
        return None
    count = round(2 * np.pi / usual)
    if count < rows.size or rows.size < (1 - _MISSING_SHARE) * count:
        return None
    place = (angle - angle[0]) * count / (2 * np.pi)
    index = np.round(place).astype(np.int64)
    if (np.abs(place - index) * 2 * np.pi / count * rho > _SAME_M).any() or np.unique(index % count).size != index.size:
        return None
    slot = np.full(count, -1)
    slot[index % count] = rows[order]
    return slot, float(angle[0])
