"""Points that bend the waves toward themselves: each is held against what all others say of its place.

Where a ring is short or points are few, a wrong point is fitted rather than left over, and several of them hide each
other. What a fit without the point would leave there follows from its leverage h, the share that the point has in its
own fitted value: the residual over 1 - h, with variance sigma^2 / (1 - h) (Cook and Weisberg, Residuals and Influence
in Regression, chapter 2, from memory). The worst are left out first, then the others are asked again.
"""

import numpy as np

from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray, IntArray
from earwitness.reduce.separate.expansion import Expansion, orders_of, places_of
from earwitness.reduce.separate.fit import Evidence
from earwitness.reduce.separate.radial import Shell

_TIMES_MEDIAN = 25.0
_WORST_SHARE = 0.25
_SMALLEST_ERROR = 0.01
_ROUNDS = 8
_MOST_SHARE = 1 / 7
_FREQUENCIES = 6
_MOST_UNKNOWNS = 500
_NEIGHBORS = 12
_LARGEST_LEVERAGE = 0.99


def contradicted(
    points_m: FloatArray,
    pressure: ComplexArray,
    k: FloatArray,
    shell: Shell,
    orders: tuple[IntArray, IntArray],
    state: Evidence,
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
    near = cKDTree(points_m).query(points_m, k=_NEIGHBORS + 1)[1]
    level = np.median(np.abs(pressure[near][:, :, rows]) ** 2, axis=1)
    places = places_of(points_m, orders_of(orders[0][rows], orders[1][rows]), beside=False)
    penalty = state.penalty.copy()
    for _round in range(_ROUNDS):
        score = np.zeros(len(points_m))
        for n, f in enumerate(rows):
            fit = Expansion(
                places, float(k[f]), shell, int(orders[0][f]), int(orders[1][f]), penalty[f], used=~left_out
            )  # fmt: skip
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
