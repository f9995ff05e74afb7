"""What a list of scan points can carry: directions spread evenly, depth, rings, and what neighbors hold alike."""

from dataclasses import dataclass

import numpy as np

from earwitness.quantities import ComplexArray, FloatArray, IntArray

_NEIGHBORS = 12


def even_directions(count: int) -> FloatArray:
    """(count, 3) unit vectors on a golden-angle spiral, of nearly equal density."""
    number = np.arange(count) + 0.5
    z = 1 - 2 * number / count
    azimuth = np.pi * (1 + np.sqrt(5.0)) * number
    rho = np.sqrt(1 - z * z)
    return np.stack([rho * np.cos(azimuth), rho * np.sin(azimuth), z], axis=1)


def radial_depth(points_m: FloatArray) -> float:
    """How much the radius of neighboring directions differs, relative to the radius: near 0 for one smooth surface.

    points_m : (P, 3). For every point a plane is laid through the radius of its 12 nearest directions; the median rms
    distance from these planes over the median radius. Two nested surfaces give half their spacing.
    """
    from scipy.spatial import cKDTree

    if len(points_m) < 2:
        return 0.0
    radius = np.linalg.norm(points_m, axis=1)
    unit = points_m / radius[:, None]
    near = cKDTree(unit).query(unit, k=min(_NEIGHBORS + 1, len(points_m)))[1]
    design = np.concatenate([np.ones((*near.shape, 1)), unit[near]], axis=2)
    # The mean and the two tangential slopes; the slope along the radius itself is nearly constant and damped away.
    value = radius[near]
    gram = design.transpose(0, 2, 1) @ design + 1e-9 * np.eye(4)
    plane = np.linalg.solve(gram, design.transpose(0, 2, 1) @ value[:, :, None])
    rest = value - (design @ plane)[:, :, 0]
    return float(np.median(np.sqrt(np.mean(rest**2, axis=1))) / np.median(radius))


def distinct_directions(points_m: FloatArray) -> int:
    """Number of directions of points (P, 3) that differ by more than a tenth of their mean spacing."""
    from scipy.spatial import cKDTree

    unit = points_m / np.linalg.norm(points_m, axis=1)[:, None]
    pairs = cKDTree(unit).query_pairs(0.1 * np.sqrt(4 * np.pi / len(unit)), output_type="ndarray")
    return len(unit) - int(np.unique(pairs.max(axis=1)).size if pairs.size else 0)


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
    return Rings(axes, radius_m=radius, cos_polar=mean_z / radius, count=count, start_rad=np.array(starts), slot=slot)


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


# Whether what waves leave unexplained is alike at neighboring points: then something else than noise made it.
#
# Points off their places and noise leave something else at every point. To a loudspeaker that turns with the points the
# room stands still: what no wave explains then changes slowly along the surface. So it does where the room changed
# during the scan. The measure is Moran's I of spatial statistics (Biometrika 37, 1950, from memory), neighbors being
# the nearest points of the same surface.

_NEAR_POINTS = 4
_LEAST_LEFT_DB = -58.0


def alike_nearby(points_m: FloatArray, left: ComplexArray, surface: IntArray) -> float:
    """From -1 to 1, over frequencies by how much is left; points (P, 3), left (P, F) over the sound's rms, surface (P,)
    of each point."""
    from scipy.spatial import cKDTree

    together, every = 0.0, np.sum(np.abs(left) ** 2, axis=0)
    # Where next to nothing is left, orders that the fit does without are all of it.
    if every.max() <= 10 ** (_LEAST_LEFT_DB / 10) * len(points_m):
        return 0.0
    for one in np.unique(surface):
        rows = np.flatnonzero(surface == one)
        if rows.size > _NEAR_POINTS:
            found = np.asarray(cKDTree(points_m[rows]).query(points_m[rows], k=_NEAR_POINTS + 1)[1])
            near = rows[found[:, 1:]]
            together += float(np.sum((left[rows][:, None].conj() * left[near]).real)) / _NEAR_POINTS
    return together / float(np.sum(every))
