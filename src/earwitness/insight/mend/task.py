"""What bands are searched for: the task, what a set of bands costs, and which sets are no candidates.

Cost of a set of bands, sum w = 1, level = sum w (g - wanted), lost = min(0, level):
sum w (g - wanted - level)^2 + 10 w_max sum max(0, g - lost - cap)^2 + (0.001)^2 sum G^2
+ 0.01 (max(0, max g - lost)^2 + lost^2) - 0.5 sum w g_up g_down, where g_up and g_down are the sums of the boosting
and cutting bands: 1 dB of headroom is worth 0.1 dB rms, and bands that fight are priced (own choices). What is lost of
the level has to be made up for by the amplifier, so cutting all the rest is a boost like any other, and of two that are
alike the one that keeps the level is taken. Where no boost is allowed at all the limit is on g alone. Two bands of
opposite sign with centers or corners within half an octave are no candidate.
"""

from dataclasses import dataclass, field, replace

import numpy as np

from earwitness.insight.mend.equalizer import band_gains
from earwitness.quantities.arrays import FloatArray, IntArray

CAP_WEIGHT = 10.0
GAIN_RIDGE = 1e-3
HEADROOM_WEIGHT = 0.01
OPPOSED_WEIGHT = 0.5
OPPOSED_OCTAVES = 0.5
OPPOSED_FROM_DB = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """kinds : allowed indices into KINDS; low, high : (3 kinds, 3) bounds of ln f, ln Q, gain [dB].

    hz, warped, wanted_db, weight (sum 1), cap_db : (F,)
    barred : (B, 3) lowest and highest ln f and the sign that no bell may have there; counted : evaluations
    """

    kinds: tuple[int, ...]
    low: FloatArray
    high: FloatArray
    hz: FloatArray
    warped: FloatArray
    rate_hz: float
    wanted_db: FloatArray
    weight: FloatArray
    cap_db: FloatArray
    barred: FloatArray = field(default_factory=lambda: np.zeros((0, 3)))
    counted: list[int] = field(default_factory=lambda: [0])


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """One set of bands: kinds (N,), parameters (3, N) ln f, ln Q, gain [dB], and its cost [dB^2]."""

    kinds: IntArray
    parameters: FloatArray
    cost: float


def gains_of(task: Task, kinds: IntArray, x: FloatArray) -> FloatArray:
    """(F,) summed gain of bands; kinds (N,), x (3, N)."""
    if not kinds.size:
        return np.zeros(task.hz.size)
    return np.asarray(band_gains(kinds, x[0], x[1], x[2], task.warped, task.rate_hz).sum(axis=0), dtype=float)


def cost_of(task: Task, kinds: IntArray, x: FloatArray) -> float:
    """What the search minimizes, with the best level; kinds (N,), x (3, N)."""
    bands = band_gains(kinds, x[0], x[1], x[2], task.warped, task.rate_hz)
    return float(price(task, bands[None], x[None, 2])[0])


def price(task: Task, bands: FloatArray, gain_db: FloatArray) -> FloatArray:
    """(S,) cost of bands (S, N, F) with gains (S, N)."""
    gain = bands.sum(axis=1)
    residual = gain - task.wanted_db
    level = residual @ task.weight
    residual = residual - level[:, None]
    moves = task.cap_db > 0
    lost = np.minimum(level, 0.0)[:, None] * moves.any()
    over = np.maximum(gain - lost * moves - task.cap_db, 0.0)
    peak = np.maximum(gain.max(axis=1) - lost[:, 0], 0.0)
    cost = residual**2 @ task.weight + CAP_WEIGHT * task.weight.max() * (over**2).sum(axis=1)
    cost += GAIN_RIDGE**2 * (gain_db**2).sum(axis=1) + HEADROOM_WEIGHT * (peak**2 + lost[:, 0] ** 2)
    if bands.shape[1] > 1:
        up = np.maximum(bands, 0.0).sum(axis=1)
        cost -= OPPOSED_WEIGHT * (up * (gain - up)) @ task.weight
    return np.asarray(cost, dtype=float)


def opposing(x: FloatArray) -> bool:
    """Whether two bands of opposite sign have centers or corners within half an octave. x (3, N)."""
    octaves, gain = x[0] / np.log(2), x[2]
    near = np.abs(octaves[:, None] - octaves) < OPPOSED_OCTAVES
    fight = gain[:, None] * gain < 0
    both = np.minimum(np.abs(gain)[:, None], np.abs(gain)) > OPPOSED_FROM_DB
    return bool((near & fight & both).any())


def is_barred(task: Task, kinds: IntArray, x: FloatArray) -> bool:
    """Whether a bell works where none may, or two bands oppose. kinds (N,), x (3, N)."""
    if opposing(x):
        return True
    if not len(task.barred):
        return False
    low, high, sign = task.barred.T[:, :, None]
    return bool(((kinds == 0) & (x[0] >= low) & (x[0] <= high) & (x[2] * sign > 0)).any())


def thinned(task: Task, step: int) -> Task:
    """Every so manyth frequency, and half as many of those that carry hardly any weight: enough to find where bands
    belong."""
    every = np.arange(task.hz.size)
    heavy = task.weight >= 0.1 * task.weight.max()
    keep = np.flatnonzero((heavy & (every % step == 0)) | (every % (2 * step) == 0))
    weight = task.weight[keep]
    return replace(
        task,
        hz=task.hz[keep],
        warped=task.warped[keep],
        wanted_db=task.wanted_db[keep],
        weight=weight / weight.sum(),
        cap_db=task.cap_db[keep],
    )
