"""The search behind a design: many beginnings refined side by side by bounded Levenberg-Marquardt (handbook method).

Cost of a set of bands, its level free:
sum w (g - wanted - level)^2 + 10 w_max sum max(0, g - cap)^2 + (0.03 level)^2 + (0.001)^2 sum G^2
+ 0.01 max(0, max g)^2 - 0.5 sum w g_up g_down, where g_up and g_down are the sums of the boosting and cutting bands:
1 dB of headroom is worth 0.1 dB rms, and bands that fight are priced (own choices). Two bands of opposite sign with
centers or corners within half an octave are no candidate at all.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from earwitness.insight.mend.equalizer import band_gains, band_gains_and_slopes
from earwitness.insight.mend.scales import PER_OCTAVE, moving_mean
from earwitness.quantities.arrays import FloatArray, IntArray

CAP_WEIGHT = 10.0
LEVEL_RIDGE = 0.03
GAIN_RIDGE = 1e-3
HEADROOM_WEIGHT = 0.01
OPPOSED_WEIGHT = 0.5
OPPOSED_OCTAVES = 0.5
OPPOSED_FROM_DB = 0.05
_ROUGH_STEPS, _FINE_STEPS, _LAST_STEPS = 6, 20, 60
_KEPT = 2
_WIDTHS = ((1 / 12, 2), (0.5, 3), (1.5, 2))


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


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    """S beginnings side by side: kinds (S, N), x (S, 3, N), cost (S,)."""

    kinds: IntArray
    x: FloatArray
    cost: FloatArray

    def rows(self, picked: list[int]) -> _State:
        return _State(self.kinds[picked], self.x[picked], self.cost[picked])


def gains_of(task: Task, kinds: IntArray, x: FloatArray) -> FloatArray:
    """(F,) summed gain of bands; kinds (N,), x (3, N)."""
    if not kinds.size:
        return np.zeros(task.hz.size)
    return np.asarray(band_gains(kinds, x[0], x[1], x[2], task.warped, task.rate_hz).sum(axis=0), dtype=float)


def cost_of(task: Task, kinds: IntArray, x: FloatArray) -> float:
    """What the search minimizes, with the best level; kinds (N,), x (3, N)."""
    bands = band_gains(kinds, x[0], x[1], x[2], task.warped, task.rate_hz)
    left = bands.sum(axis=0) - task.wanted_db
    level = float(task.weight @ left) / (float(task.weight.sum()) + LEVEL_RIDGE**2)
    return float(_cost(task, bands[None], x[None, 2], np.array([level]))[0])


def _cost(task: Task, bands: FloatArray, gain_db: FloatArray, level: FloatArray) -> FloatArray:
    """(S,) cost of bands (S, N, F) with gains (S, N) and levels (S,)."""
    gain = bands.sum(axis=1)
    residual = gain - task.wanted_db - level[:, None]
    over = np.maximum(gain - task.cap_db, 0.0)
    peak = np.maximum(gain.max(axis=1), 0.0)
    cost = residual**2 @ task.weight + CAP_WEIGHT * task.weight.max() * (over**2).sum(axis=1)
    cost += LEVEL_RIDGE**2 * level**2 + GAIN_RIDGE**2 * (gain_db**2).sum(axis=1) + HEADROOM_WEIGHT * peak**2
    if bands.shape[1] > 1:
        up = np.maximum(bands, 0.0).sum(axis=1)
        cost -= OPPOSED_WEIGHT * (up * (gain - up)) @ task.weight
    return np.asarray(cost, dtype=float)


def _parts(task: Task, kinds: IntArray, x: FloatArray, level: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Cost (S,), half its gradient (S, P), and the Gauss-Newton matrix (S, P, P); P = 3 N + 1."""
    size, count = kinds.shape
    task.counted[0] += size
    bands, slopes = band_gains_and_slopes(kinds, x[:, 0], x[:, 1], x[:, 2], task.warped, task.rate_hz)
    gain = bands.sum(axis=1)
    rows = slopes.reshape(size, 3 * count, -1)
    residual = gain - task.wanted_db - level[:, None]
    over = np.maximum(gain - task.cap_db, 0.0)
    pull = CAP_WEIGHT * task.weight.max()
    top = gain.argmax(axis=1)
    peak = np.maximum(gain[np.arange(size), top], 0.0)
    cost = residual**2 @ task.weight + pull * (over**2).sum(axis=1)
    cost += LEVEL_RIDGE**2 * level**2 + GAIN_RIDGE**2 * (x[:, 2] ** 2).sum(axis=1) + HEADROOM_WEIGHT * peak**2
    push = task.weight * residual + pull * over
    grad, hess = np.empty((size, 3 * count + 1)), np.empty((size, 3 * count + 1, 3 * count + 1))
    grad[:, :-1] = (rows @ push[:, :, None])[:, :, 0]
    at_top = np.take_along_axis(rows, top[:, None, None], axis=2)[:, :, 0]
    grad[:, :-1] += HEADROOM_WEIGHT * peak[:, None] * at_top
    grad[:, 2 * count : -1] += GAIN_RIDGE**2 * x[:, 2]
    if count > 1:
        up = np.maximum(bands, 0.0).sum(axis=1)
        down = gain - up
        cost -= OPPOSED_WEIGHT * (up * down) @ task.weight
        other = np.where(bands > 0, down[:, None], up[:, None]) * task.weight
        fighting = (slopes * other[:, None]).sum(axis=-1).reshape(size, -1)
        grad[:, :-1] -= 0.5 * OPPOSED_WEIGHT * fighting
    grad[:, -1] = -(residual @ task.weight) + LEVEL_RIDGE**2 * level
    weights = task.weight + pull * (over > 0)
    hess[:, :-1, :-1] = (rows * weights[:, None, :]) @ np.swapaxes(rows, 1, 2)
    hess[:, :-1, :-1] += HEADROOM_WEIGHT * (peak > 0)[:, None, None] * at_top[:, :, None] * at_top[:, None, :]
    hess[:, :-1, -1] = hess[:, -1, :-1] = -(rows @ task.weight)
    hess[:, -1, -1] = task.weight.sum() + LEVEL_RIDGE**2
    place = np.arange(2 * count, 3 * count)
    hess[:, place, place] += GAIN_RIDGE**2
    return cost, grad, hess


def _bounds(task: Task, kinds: IntArray) -> tuple[FloatArray, FloatArray]:
    """(S, P) lowest and highest parameters, the level unbounded."""
    size = len(kinds)
    open_end = np.full((size, 1), np.inf)
    low = np.swapaxes(task.low[kinds], 1, 2).reshape(size, -1)
    high = np.swapaxes(task.high[kinds], 1, 2).reshape(size, -1)
    return np.concatenate([low, -open_end], axis=1), np.concatenate([high, open_end], axis=1)


def refine(task: Task, kinds: IntArray, x: FloatArray, steps: int, *, settled: float = 1e-3) -> _State:
    """Levenberg-Marquardt from S beginnings at once; a parameter at its bound that wants out stays there."""
    size, count = kinds.shape
    low, high = _bounds(task, kinds)
    flat = np.concatenate([x.reshape(size, -1), np.zeros((size, 1))], axis=1).clip(low, high)
    damping = np.full(size, 1e-2)
    diagonal = np.arange(3 * count + 1)
    cost, grad, hess = _parts(task, kinds, flat[:, :-1].reshape(size, 3, count), flat[:, -1])
    quiet = np.zeros(size, dtype=int)
    for _ in range(steps):
        free = ~(((flat <= low) & (grad > 0)) | ((flat >= high) & (grad < 0)))
        matrix = hess * (free[:, :, None] & free[:, None, :])
        own = hess[:, diagonal, diagonal]
        matrix[:, diagonal, diagonal] += np.where(free, damping[:, None] * own + 1e-12, 1.0)
        trial = (flat - np.linalg.solve(matrix, (grad * free)[:, :, None])[:, :, 0]).clip(low, high)
        new = _parts(task, kinds, trial[:, :-1].reshape(size, 3, count), trial[:, -1])
        better = new[0] < cost
        quiet = np.where(better & (cost - new[0] > settled * cost), 0, quiet + 1)
        flat = np.where(better[:, None], trial, flat)
        grad = np.where(better[:, None], new[1], grad)
        hess = np.where(better[:, None, None], new[2], hess)
        cost = np.where(better, new[0], cost)
        damping = np.where(better, damping * 0.2, damping * 6.0).clip(1e-9, 1e6)
        if bool((quiet >= 2).all()):
            break
    return _State(kinds, flat[:, :-1].reshape(size, 3, count), cost)


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


def _best(task: Task, state: _State, keep: int) -> _State:
    """The cheapest `keep` that differ and are not barred."""
    picked: list[int] = []
    for row in np.argsort(state.cost, kind="stable").tolist():
        if is_barred(task, state.kinds[row], state.x[row]):
            continue
        if all(state.cost[row] > state.cost[other] * (1 + 1e-4) for other in picked):
            picked.append(row)
        if len(picked) == keep:
            break
    return state.rows(picked)


def _new_bands(task: Task, left: FloatArray, used: IntArray) -> tuple[IntArray, FloatArray]:
    """Bands to try on what is left (F,) = gain - level - wanted: its largest bumps on three scales, and shelves; kinds
    (C,), x (C, 3). No shelf twice."""
    kinds: list[int] = []
    rows: list[tuple[float, float, float]] = []
    x = np.log(task.hz)
    if 0 in task.kinds:
        inside = (x >= task.low[0, 0]) & (x <= task.high[0, 0])
        for width, most in _WIDTHS:
            near = moving_mean(task.hz.size, width)
            weights = near @ task.weight
            smooth = (near @ (task.weight * left)) / weights
            score = smooth**2 * weights * inside
            for _ in range(most):
                place = int(score.argmax())
                if score[place] <= 0:
                    break
                low, high = _span(smooth, place)
                octaves = float(np.clip(2 * min(place - low + 1, high - place + 1) / PER_OCTAVE, 0.1, 3.0))
                kinds.append(0)
                rows.append((x[place], -float(np.log(2 * np.sinh(0.5 * np.log(2) * octaves))), -smooth[place]))
                score[low : high + 1] = 0.0
    for kind in (1, 2):
        if kind in task.kinds and kind not in used:
            kinds.append(kind)
            rows.append(_shelf(task, left, kind))
    return np.array(kinds, dtype=np.int64), np.array(rows, dtype=float).reshape(-1, 3)


def _span(smooth: FloatArray, place: int) -> tuple[int, int]:
    """First and last point about a bump's top at which more than half of it is left."""
    inside = smooth * np.sign(smooth[place]) > abs(smooth[place]) / 2
    inside[place] = True
    off = np.flatnonzero(~inside)
    low = int(off[off < place].max(initial=-1)) + 1
    high = int(off[off > place].min(initial=smooth.size)) - 1
    return low, high


def _shelf(task: Task, left: FloatArray, kind: int) -> tuple[float, float, float]:
    """The shelf corner that splits what is left best."""
    x = np.log(task.hz)
    weight, pushed = np.cumsum(task.weight), np.cumsum(task.weight * left)
    above_weight, above = weight[-1] - weight, pushed[-1] - pushed
    step = pushed / np.maximum(weight, 1e-12) - above / np.maximum(above_weight, 1e-12)
    split = step**2 * weight * above_weight
    split[(x < task.low[kind, 0]) | (x > task.high[kind, 0])] = 0.0
    place = int(split.argmax())
    return float(x[place]), float(np.log(0.7)), float(-step[place] if kind == 1 else step[place])


def _promising(task: Task, left: FloatArray, used: IntArray, keep: int) -> tuple[IntArray, FloatArray]:
    """The new bands that would take the most away with the best gain they may have: kinds (C,), x (C, 3)."""
    kinds, x = _new_bands(task, left, used)
    if not kinds.size:
        return kinds, x
    sign = np.sign(x[:, 2])
    shape = band_gains(kinds, x[:, 0], x[:, 1], sign * 2.0, task.warped, task.rate_hz)
    pushed, power = shape @ (task.weight * left), np.maximum(shape**2 @ task.weight, 1e-12)
    most = np.where(sign > 0, task.high[kinds, 2], -task.low[kinds, 2]) / 2.0
    share = np.clip(-pushed / power, 0.0, most)
    taken = -share * (2 * pushed + share * power)
    order = np.argsort(-taken, kind="stable")[:keep]
    x[:, 2] = sign * np.minimum(np.maximum(2 * share, 0.1), 2 * most)
    return kinds[order], x[order]


def _left(task: Task, kinds: IntArray, x: FloatArray) -> FloatArray:
    """(F,) what a set leaves, its weighted mean taken out."""
    left = gains_of(task, kinds, x) - task.wanted_db
    return np.asarray(left - task.weight @ left, dtype=float)


def _extended(full: Task, state: _State, keep: int) -> tuple[IntArray, FloatArray]:
    """Every beginning with the most promising new bands on what it leaves: kinds (S, N + 1), x (S, 3, N + 1)."""
    kinds, x = [], []
    for row in range(len(state.cost)):
        more, bands = _promising(full, _left(full, state.kinds[row], state.x[row]), state.kinds[row], keep)
        for kind, band in zip(more, bands, strict=True):
            kinds.append(np.append(state.kinds[row], kind))
            x.append(np.concatenate([state.x[row], band[:, None]], axis=1))
    return np.array(kinds), np.array(x)


def _reset_each(full: Task, state: _State) -> tuple[IntArray, FloatArray]:
    """The best with each band in turn taken out and one put where most is left then."""
    kinds, x = [], []
    count = state.kinds.shape[1]
    for out in range(count):
        rest = [i for i in range(count) if i != out]
        one_kinds, one_x = state.kinds[0, rest], state.x[0][:, rest]
        more, bands = _promising(full, _left(full, one_kinds, one_x), one_kinds, 1)
        for kind, band in zip(more, bands, strict=True):
            kinds.append(np.append(one_kinds, kind))
            x.append(np.concatenate([one_x, band[:, None]], axis=1))
    return np.array(kinds), np.array(x)


def _merged(one: _State, other: _State) -> _State:
    return _State(
        np.concatenate([one.kinds, other.kinds]),
        np.concatenate([one.x, other.x]),
        np.concatenate([one.cost, other.cost]),
    )


def _thinned(task: Task, step: int) -> Task:
    """Every so manyth frequency, for the third only of those that carry weight: enough to find where bands belong."""
    every = np.arange(task.hz.size)
    keep = every[task.weight >= 0.1 * task.weight.max()] if step > 2 else every
    keep = np.unique(np.concatenate([[0, task.hz.size // 12, task.hz.size - 1], keep[::step]]))
    weight = task.weight[keep]
    return replace(
        task,
        hz=task.hz[keep],
        warped=task.warped[keep],
        wanted_db=task.wanted_db[keep],
        weight=weight / weight.sum(),
        cap_db=task.cap_db[keep],
    )


def grow(task: Task, count: int) -> list[Path]:
    """The best sets of 1 to `count` bands; fewer where a further band does not lower the cost."""
    rough, fine = _thinned(task, 3), _thinned(task, 2)
    state = _State(np.zeros((1, 0), dtype=np.int64), np.zeros((1, 3, 0)), np.zeros(1))
    last = float(fine.weight @ _left(fine, state.kinds[0], state.x[0]) ** 2)
    found: list[Path] = []
    for number in range(1, count + 1):
        kinds, x = _extended(task, state, 4 if number < 3 else 3)
        if not kinds.size:
            break
        tried = _best(task, refine(rough, kinds, x, _ROUGH_STEPS), _KEPT)
        if number > 1 and tried.cost.size:
            kinds, x = _reset_each(task, tried)
            if kinds.size:
                tried = _best(task, _merged(tried, refine(rough, kinds, x, _ROUGH_STEPS)), _KEPT)
        if tried.cost.size:
            tried = _best(task, refine(fine, tried.kinds, tried.x, _FINE_STEPS, settled=1e-4), _KEPT)
        if not tried.cost.size or tried.cost[0] > last * (1 - 1e-6):
            break
        state, last = tried, float(tried.cost[0])
        found.append(Path(state.kinds[0], state.x[0], last))
    if found:
        end = _best(task, refine(task, state.kinds, state.x, _LAST_STEPS, settled=1e-8), 1)
        if end.cost.size:
            found[-1] = Path(end.kinds[0], end.x[0], float(end.cost[0]))
    found = [replace(path, cost=cost_of(task, path.kinds, path.parameters)) for path in found]
    while len(found) > 1 and found[-1].cost >= found[-2].cost:
        found.pop()
    return found
