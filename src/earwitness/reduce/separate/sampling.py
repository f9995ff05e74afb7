"""Directions spread evenly, and what a list of scan points can carry."""

import numpy as np

from earwitness.quantities.arrays import FloatArray

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
