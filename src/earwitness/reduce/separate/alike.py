"""Whether what waves leave unexplained is alike at neighboring points: then something else than noise made it.

Points off their places and noise leave something else at every point. To a loudspeaker that turns with the points the
room stands still: what no wave explains then changes slowly along the surface. So it does where the room changed
during the scan. The measure is Moran's I of spatial statistics (Biometrika 37, 1950, from memory), neighbors being the
nearest points of the same surface.
"""

import numpy as np

from earwitness.quantities.arrays import ComplexArray, FloatArray, IntArray

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
