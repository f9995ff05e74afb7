"""The search behind a design: many beginnings refined side by side by bounded Levenberg-Marquardt."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from earwitness.insight.mend.equalizer import band_gains, band_gains_and_slopes
from earwitness.quantities.arrays import FloatArray, IntArray

CAP_WEIGHT = 10.0
LEVEL_RIDGE = 0.03
GAIN_RIDGE = 1e-3
_ROUGH_STEPS = 4
_FINE_STEPS = 6
_LAST_STEPS = 60
_KEPT = 2
_TRIED = 3
_CLOSE = 1.1
_PEAKS = 3


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """kinds : allowed indices into KINDS; low, high : (3 kinds, 3) bounds of ln f, ln Q, gain [dB].

    hz, warped, wanted_db, weight (sum 1), cap_db : (F,)
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


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """One set of bands: kinds (N,), parameters (N, 3), and its cost [dB^2]."""

    kinds: IntArray
    parameters: FloatArray
    cost: float


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    """S beginnings side by side: kinds (S, N), x (S, 3, N), level (S,), left (S, F) = gain - wanted, cost (S,)."""

    kinds: IntArray
    x: FloatArray
    level: FloatArray
    left: FloatArray
    cost: FloatArray


def _parts(task: Task, kinds: IntArray, x: FloatArray, level: FloatArray) -> tuple[FloatArray, ...]:
    """Cost (S,), gradient (S, P), normal matrix (S, P, P) and gain minus wanted (S, F); P = 3 N + 1."""
    size, count = kinds.shape
    gains, slopes = band_gains_and_slopes(kinds, x[:, 0], x[:, 1], x[:, 2], task.warped, task.rate_hz)
    gain = gains.sum(axis=1)
    rows = slopes.reshape(size, 3 * count, -1)
    left = gain - task.wanted_db
    residual = left - level[:, None]
    over = np.maximum(gain - task.cap_db, 0.0)
    pull = CAP_WEIGHT * task.weight.max()
    cost = (task.weight * residual**2).sum(axis=1) + pull * (over**2).sum(axis=1)
    cost += LEVEL_RIDGE**2 * level**2 + GAIN_RIDGE**2 * (x[:, 2] ** 2).sum(axis=1)
    grad, hess = np.empty((size, 3 * count + 1)), np.empty((size, 3 * count + 1, 3 * count + 1))
    push = task.weight * residual + pull * over
    grad[:, :-1] = (rows @ push[:, :, None])[:, :, 0]
    grad[:, 2 * count : -1] += GAIN_RIDGE**2 * x[:, 2]
    grad[:, -1] = -(task.weight * residual).sum(axis=1) + LEVEL_RIDGE**2 * level
    weights = task.weight + pull * (over > 0)
    hess[:, :-1, :-1] = (rows * weights[:, None, :]) @ np.swapaxes(rows, 1, 2)
    hess[:, :-1, -1] = hess[:, -1, :-1] = -(rows @ task.weight)
    hess[:, -1, -1] = task.weight.sum() + LEVEL_RIDGE**2
    place = np.arange(2 * count, 3 * count)
    hess[:, place, place] += GAIN_RIDGE**2
    return cost, grad, hess, left


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
    cost, grad, hess, left = _parts(task, kinds, flat[:, :-1].reshape(size, 3, count), flat[:, -1])
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
        left = np.where(better[:, None], new[3], left)
        cost = np.where(better, new[0], cost)
        damping = np.where(better, damping * 0.2, damping * 6.0).clip(1e-9, 1e6)
        if bool((quiet >= 2).all()):
            break
    return _State(kinds, flat[:, :-1].reshape(size, 3, count), flat[:, -1], left, cost)


def _best(state: _State, keep: int) -> _State:
    """The cheapest `keep` that differ."""
    order = np.argsort(state.cost, kind="stable")
    picked: list[int] = []
    for row in order.tolist():
        if all(state.cost[row] > state.cost[other] * (1 + 1e-4) for other in picked):
            picked.append(row)
        if len(picked) == keep:
            break
    rows = np.array(picked)
    return _State(state.kinds[rows], state.x[rows], state.level[rows], state.left[rows], state.cost[rows])


def _new_bands(task: Task, residual: FloatArray) -> list[tuple[int, FloatArray]]:
    """Bands to try on what is left (F,) = gain - level - wanted: its largest bumps, on two scales, and shelves."""
    found: list[tuple[int, FloatArray]] = []
    octave = float(np.log2(task.hz[1] / task.hz[0]))
    x = np.log(task.hz)
    if 0 in task.kinds:
        seen: list[tuple[float, float]] = []
        for width in (1 / 12, 0.5, 1.5):
            half = max(1, round(width / octave / 2))
            kernel = np.ones(2 * half + 1)
            weights = np.convolve(task.weight, kernel, mode="same")
            smooth = np.convolve(task.weight * residual, kernel, mode="same") / weights
            # A bump counts by the energy under it: height squared times weight.
            score = smooth**2 * np.minimum(weights, 1.0)
            score[(x < task.low[0, 0]) | (x > task.high[0, 0])] = 0.0
            for _ in range(_PEAKS if width < 1 else 1):
                place = int(np.argmax(score))
                if score[place] <= 0:
                    break
                reach = _half_width(smooth, place, octave)
                low, high = max(0, place - round(reach / octave)), place + round(reach / octave) + 1
                score[low:high] = 0.0
                span = float(np.clip(2 * reach, 0.1, 3.0))
                q = 1.0 / (2.0 * np.sinh(0.5 * np.log(2.0) * span))
                if all(abs(x[place] - f) > 0.05 or abs(np.log(q) - b) > 0.4 for f, b in seen):
                    seen.append((float(x[place]), float(np.log(q))))
                    found.append((0, np.array([x[place], np.log(q), -smooth[place]])))
    for kind in (1, 2):
        if kind in task.kinds:
            found.extend((kind, row) for row in _shelves(task, residual, kind))
    return found


def _half_width(smooth: FloatArray, place: int, octave: float) -> float:
    """Octaves from a bump's top to where it has fallen to a half, the nearer side."""
    inside = smooth * np.sign(smooth[place]) > abs(smooth[place]) / 2
    right = np.flatnonzero(~inside[place:])
    left = np.flatnonzero(~inside[: place + 1][::-1])
    reach = min(int(right[0]) if right.size else smooth.size, int(left[0]) if left.size else smooth.size)
    return max(1, reach) * octave


def _shelves(task: Task, residual: FloatArray, kind: int) -> list[FloatArray]:
    """The shelf corner that splits what is left best."""
    x = np.log(task.hz)
    weight, pushed = np.cumsum(task.weight), np.cumsum(task.weight * residual)
    above_weight, above = weight[-1] - weight, pushed[-1] - pushed
    gain = pushed / np.maximum(weight, 1e-12) - above / np.maximum(above_weight, 1e-12)
    split = gain**2 * weight * above_weight
    split[(x < task.low[kind, 0]) | (x > task.high[kind, 0])] = 0.0
    place = int(np.argmax(split))
    height = -gain[place] if kind == 1 else gain[place]
    return [np.array([x[place], np.log(0.7), height])]


def _promising(task: Task, residual: FloatArray, used: IntArray, keep: int) -> list[tuple[int, FloatArray]]:
    """The new bands that alone would take the most away with the best gain, and with the best they may have; no shelf
    twice."""
    tried = [one for one in _new_bands(task, residual) if one[0] == 0 or one[0] not in used]
    if not tried:
        return [(task.kinds[0], np.array([float(task.low[task.kinds[0], 0]), 0.0, 0.0]))]
    kinds = np.array([kind for kind, _ in tried])
    x = np.array([band for _, band in tried])
    shape = band_gains(kinds, x[:, 0], x[:, 1], np.sign(x[:, 2]) * 2.0, task.warped, task.rate_hz)
    pushed = shape @ (task.weight * residual)
    power = np.maximum(shape**2 @ task.weight, 1e-12)
    most = np.where(x[:, 2] > 0, task.high[kinds, 2], -task.low[kinds, 2]) / 2.0
    share = np.clip(-pushed / power, 0.0, most)
    taken = -share * (2.0 * pushed + share * power)
    freely = np.minimum(pushed, 0.0) ** 2 / power
    orders = [np.argsort(-one, kind="stable")[:keep].tolist() for one in (taken, freely)]
    return [tried[i] for i in dict.fromkeys([*orders[0], *orders[1]])]


def _extended(task: Task, state: _State) -> tuple[IntArray, FloatArray]:
    """Every beginning with the most promising new bands on what it leaves."""
    kinds, x = [], []
    for row in range(len(state.cost)):
        for kind, band in _promising(task, state.left[row] - state.level[row], state.kinds[row], _TRIED):
            kinds.append(np.append(state.kinds[row], kind))
            x.append(np.concatenate([state.x[row], band[:, None]], axis=1))
    return np.array(kinds), np.array(x)


def _reset_each(task: Task, state: _State, keep: int = 2) -> tuple[IntArray, FloatArray]:
    """The best with each band in turn taken out and put where most is left then."""
    kinds, x = [], []
    count = state.kinds.shape[1]
    for out in range(count):
        rest = [i for i in range(count) if i != out]
        one_kinds, one_x = state.kinds[:1, rest], state.x[:1][:, :, rest]
        if rest:
            gains = band_gains(one_kinds, one_x[:, 0], one_x[:, 1], one_x[:, 2], task.warped, task.rate_hz)
            left = gains.sum(axis=1)
        else:
            left = np.zeros((1, task.hz.size))
        left = left - task.wanted_db - state.level[0]
        for kind, band in _promising(task, left[0], one_kinds[0], keep):
            kinds.append(np.append(one_kinds[0], kind))
            x.append(np.concatenate([one_x[0], band[:, None]], axis=1))
    return np.array(kinds), np.array(x)


def _merged(one: _State, other: _State) -> _State:
    return _State(
        np.concatenate([one.kinds, other.kinds]),
        np.concatenate([one.x, other.x]),
        np.concatenate([one.level, other.level]),
        np.concatenate([one.left, other.left]),
        np.concatenate([one.cost, other.cost]),
    )


def _with_idle_band(task: Task, state: _State) -> _State:
    """The same with one more band at 0 dB."""
    kind = task.kinds[0]
    band = np.append((task.low[kind, :2] + task.high[kind, :2]) / 2.0, 0.0)
    kinds = np.concatenate([state.kinds, np.full((len(state.kinds), 1), kind)], axis=1)
    x = np.concatenate([state.x, np.tile(band[:, None], (len(state.x), 1, 1))], axis=2)
    return replace(state, kinds=kinds, x=x)


def _thinned(task: Task) -> Task:
    """Every other frequency: enough to find where bands belong."""
    weight = task.weight[::2]
    return replace(
        task,
        hz=task.hz[::2],
        warped=task.warped[::2],
        wanted_db=task.wanted_db[::2],
        weight=weight / weight.sum(),
        cap_db=task.cap_db[::2],
    )


def grow(task: Task, count: int) -> list[Path]:
    """The best sets of 1 to `count` bands, the cost falling from one to the next."""
    thin = _thinned(task)
    empty = np.zeros((1, 0), dtype=np.int64)
    start = -thin.wanted_db[None, :]
    level = np.array([float(thin.weight @ start[0])])
    state = _State(empty, np.zeros((1, 3, 0)), level, start, (thin.weight * (start - level) ** 2).sum(axis=1))
    found: list[Path] = []
    for number in range(1, count + 1):
        before = state
        rough = _best(refine(thin, *_extended(thin, state), _ROUGH_STEPS), _KEPT)
        state = refine(thin, rough.kinds, rough.x, _FINE_STEPS)
        if state.cost.min() > before.cost.min():
            # Tight limits can leave no place for a further band.
            state = _merged(state, _with_idle_band(thin, before))
        if number == count:
            tried = _best(refine(thin, *_reset_each(thin, _best(state, 1)), _ROUGH_STEPS), _KEPT)
            state = _best(_merged(state, refine(thin, tried.kinds, tried.x, _FINE_STEPS)), _KEPT)
            close = state.cost <= state.cost.min() * _CLOSE
            state = refine(task, state.kinds[close], state.x[close], _LAST_STEPS, settled=1e-8)
        state = _best(state, _KEPT)
        found.append(Path(state.kinds[0], state.x[0].T, float(state.cost[0])))
    return found


def cost_of_gain(task: Task, gain: FloatArray, band_gain_db: FloatArray) -> float:
    """What the search minimizes, for a summed gain (F,), with the best level."""
    left = gain - task.wanted_db
    total = float(task.weight.sum())
    level = float(task.weight @ left) / (total + LEVEL_RIDGE**2)
    over = np.maximum(gain - task.cap_db, 0.0)
    pull = CAP_WEIGHT * float(task.weight.max())
    ridge = LEVEL_RIDGE**2 * level**2 + GAIN_RIDGE**2 * float((band_gain_db**2).sum())
    return float(task.weight @ (left - level) ** 2) + pull * float((over**2).sum()) + ridge
