"""The search behind a design: the best beginnings of a lattice refined side by side by bounded Levenberg-Marquardt
(handbook method), band by band, each band once taken out and set anew.

A beginning keeps the sign of its bands, and with it where its bells may stand and which of its bands must stay half an
octave apart: so what may not be is a bound and not found out afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.insight.mend.equalizer import band_gains_and_slopes
from earwitness.insight.mend.lattice import (
    Lattice,
    Sets,
    beginnings,
    lattice_of,
    next_sets,
    pooled,
    renewed_sets,
    with_bands,
)
from earwitness.insight.mend.task import (
    CAP_WEIGHT,
    GAIN_RIDGE,
    HEADROOM_WEIGHT,
    OPPOSED_OCTAVES,
    OPPOSED_WEIGHT,
    Path,
    Task,
    cost_of,
    is_barred,
    thinned,
)
from earwitness.quantities.arrays import BoolArray, FloatArray, IntArray

_ROUGH_STEPS, _FINE_STEPS, _LAST_STEPS = 5, 8, 10
_STARTS, _FEW = 64, 4
_SIEVE = ((3, 24), (5, 10), (8, 5))
"""Steps of refinement, and how many of the beginnings go on behind them."""
_BEGUN, _KEPT, _FINISHED = 3, 6, 3
_EDGE = 1e-9
_SPRING = 1e6
_SOLVED = 4
_STUCK = 1e3


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    """S beginnings side by side: kinds (S, N), x (S, 3, N), cost (S,)."""

    kinds: IntArray
    x: FloatArray
    cost: FloatArray

    def rows(self, picked: list[int]) -> _State:
        return _State(self.kinds[picked], self.x[picked], self.cost[picked])


def _parts(task: Task, kinds: IntArray, x: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Cost (S,), half its gradient (S, P), and the Gauss-Newton matrix (S, P, P); P = 3 N."""
    size, count = kinds.shape
    task.counted[0] += size
    bands, slopes = band_gains_and_slopes(kinds, x[:, 0], x[:, 1], x[:, 2], task.warped, task.rate_hz)
    gain = bands.sum(axis=1)
    rows = slopes.reshape(size, 3 * count, -1)
    residual = gain - task.wanted_db
    level = residual @ task.weight
    residual -= level[:, None]
    weighted = rows * task.weight
    by_level = rows @ task.weight
    cost = residual**2 @ task.weight + GAIN_RIDGE**2 * (x[:, 2] ** 2).sum(axis=1)
    grad = (weighted @ residual[:, :, None])[:, :, 0]
    hess = weighted @ np.swapaxes(rows, 1, 2) - by_level[:, :, None] * by_level[:, None, :]
    place = np.arange(2 * count, 3 * count)
    grad[:, place] += GAIN_RIDGE**2 * x[:, 2]
    hess[:, place, place] += GAIN_RIDGE**2
    moves = task.cap_db > 0
    lost = np.minimum(level, 0.0) * moves.any()
    by_lost = by_level * (lost < 0)[:, None]
    over = np.maximum(gain - lost[:, None] * moves - task.cap_db, 0.0)
    there = np.flatnonzero(over.any(axis=0))
    if there.size:
        pull, over = CAP_WEIGHT * task.weight.max(), over[:, there]
        cost += pull * (over**2).sum(axis=1)
        apart = (rows[:, :, there] - by_lost[:, :, None] * moves[there]) * (over > 0)[:, None]
        grad += pull * (apart @ over[:, :, None])[:, :, 0]
        hess += pull * (apart @ np.swapaxes(apart, 1, 2))
    cost += HEADROOM_WEIGHT * lost**2
    grad += HEADROOM_WEIGHT * lost[:, None] * by_lost
    hess += HEADROOM_WEIGHT * by_lost[:, :, None] * by_lost[:, None, :]
    top = gain.argmax(axis=1)
    peak = np.maximum(gain[np.arange(size), top] - lost, 0.0)
    if peak.any():
        at_top = (rows[np.arange(size), :, top] - by_lost) * (peak > 0)[:, None]
        cost += HEADROOM_WEIGHT * peak**2
        grad += HEADROOM_WEIGHT * peak[:, None] * at_top
        hess += HEADROOM_WEIGHT * at_top[:, :, None] * at_top[:, None, :]
    up = np.maximum(bands, 0.0).sum(axis=1)
    down = gain - up
    if up.any() and down.any():
        cost -= OPPOSED_WEIGHT * (up * down) @ task.weight
        other = np.where(bands > 0, down[:, None], up[:, None]) * task.weight
        grad -= 0.5 * OPPOSED_WEIGHT * np.einsum("skbf,sbf->skb", slopes, other).reshape(size, -1)
    return cost, grad, hess


def _cells(task: Task, kinds: IntArray, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(S, P) lowest and highest parameters of each beginning's own signs and sides of what is barred."""
    low, high = np.swapaxes(task.low[kinds], 1, 2).copy(), np.swapaxes(task.high[kinds], 1, 2).copy()
    up = x[:, 2] >= 0
    low[:, 2], high[:, 2] = np.where(up, np.maximum(low[:, 2], 0.0), low[:, 2]), np.where(up, high[:, 2], 0.0)
    for start, stop, sign in task.barred:
        meant = (kinds == 0) & (up if sign > 0 else ~up)
        above = x[:, 0] > stop
        low[:, 0] = np.where(meant & above, np.maximum(low[:, 0], stop + _EDGE), low[:, 0])
        high[:, 0] = np.where(meant & (x[:, 0] < start), np.minimum(high[:, 0], start - _EDGE), high[:, 0])
    return low.reshape(len(kinds), -1), high.reshape(len(kinds), -1)


class _Pairs:
    """Bands next to each other in frequency and opposite in sign, which must stay half an octave apart."""

    def __init__(self, x: FloatArray) -> None:
        order = np.argsort(x[:, 0], axis=1, kind="stable")
        self.low, self.high = order[:, :-1], order[:, 1:]
        up = np.take_along_axis(x[:, 2], order, axis=1) >= 0
        self.apart = np.where(up[:, 1:] != up[:, :-1], OPPOSED_OCTAVES * np.log(2) + _EDGE, -np.inf)
        self.any = bool((self.apart > 0).any())
        self.rows = np.arange(len(x))[:, None]

    def lacking(self, flat: FloatArray) -> FloatArray:
        """(S, N - 1) by how much the pairs are too near, negative where they are not."""
        return np.asarray(self.apart - (flat[self.rows, self.high] - flat[self.rows, self.low]), dtype=float)

    def bind(self, matrix: FloatArray, tight: BoolArray) -> None:
        """Springs between pairs that are to keep their distance."""
        stiff = np.diagonal(matrix, axis1=1, axis2=2).copy()
        for row, at in zip(*np.nonzero(tight), strict=True):
            one, other = self.low[row, at], self.high[row, at]
            pull = _SPRING * (stiff[row, one] + stiff[row, other])
            matrix[row, [one, other], [one, other]] += pull
            matrix[row, [one, other], [other, one]] -= pull

    def spread(self, flat: FloatArray) -> None:
        """Pairs that came too near are moved apart, both as far."""
        lacking = self.lacking(flat)
        for row, at in zip(*np.nonzero(lacking > 0), strict=True):
            flat[row, self.low[row, at]] -= 0.5 * lacking[row, at]
            flat[row, self.high[row, at]] += 0.5 * lacking[row, at]


def refine(task: Task, kinds: IntArray, x: FloatArray, steps: int, *, settled: float = 1e-3) -> _State:
    """Levenberg-Marquardt from S beginnings at once; a parameter at its bound that wants out stays there."""
    size, count = kinds.shape
    low, high = _cells(task, kinds, x)
    pairs = _Pairs(x)
    flat = x.reshape(size, -1).clip(low, high)
    damping = np.full(size, 1e-2)
    diagonal = np.arange(3 * count)
    cost, grad, hess = _parts(task, kinds, flat.reshape(size, 3, count))
    quiet = np.zeros(size, dtype=int)
    for _ in range(steps):
        held = ((flat <= low) & (grad > 0)) | ((flat >= high) & (grad < 0))
        matrix = hess.copy()
        matrix[:, diagonal, diagonal] += damping[:, None] * hess[:, diagonal, diagonal] + 1e-12
        trial = _stepped(matrix, grad, flat, held, low, high)
        if pairs.any:
            tight = (pairs.lacking(flat) > -1e-7) & (pairs.lacking(trial) > 0)
            if tight.any():
                pairs.bind(matrix, tight)
                trial = _stepped(matrix, grad, flat, held, low, high)
            pairs.spread(trial)
            trial = trial.clip(low, high)
        new = _parts(task, kinds, trial.reshape(size, 3, count))
        better = new[0] < cost
        step = trial - flat
        meant = -((2 * grad + (hess @ step[:, :, None])[:, :, 0]) * step).sum(axis=1)
        ratio = ((cost - new[0]) / np.maximum(meant, 1e-15)).clip(0.0, 1.0)
        quiet = np.where(better, np.where(cost - new[0] > settled * cost, 0, quiet + 1), quiet)
        flat = np.where(better[:, None], trial, flat)
        grad = np.where(better[:, None], new[1], grad)
        hess = np.where(better[:, None, None], new[2], hess)
        cost = np.where(better, new[0], cost)
        damping = np.where(better, damping * np.maximum(1 / 5, 1 - (2 * ratio - 1) ** 3), damping * 4.0).clip(1e-9, 1e6)
        if bool(((quiet >= 2) | (damping > _STUCK)).all()):
            break
    return _State(kinds, flat.reshape(size, 3, count), cost)


def _stepped(
    matrix: FloatArray, grad: FloatArray, flat: FloatArray, held: BoolArray, low: FloatArray, high: FloatArray
) -> FloatArray:
    """(S, P) where the quadratic model is least with some parameters held; those that would pass a bound stop at it and
    the others are solved for again."""
    off, unit = np.zeros_like(flat), np.eye(flat.shape[1])
    for _ in range(_SOLVED):
        rows = np.where(held[:, :, None], unit, matrix)
        trial = flat + np.linalg.solve(rows, np.where(held, off, -grad)[:, :, None])[:, :, 0]
        past = ~held & ((trial < low) | (trial > high))
        if not past.any():
            break
        held = held | past
        off = np.where(past, trial.clip(low, high) - flat, off)
    return np.asarray(trial.clip(low, high), dtype=float)


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


def _merged(*states: _State) -> _State:
    return _State(
        np.concatenate([one.kinds for one in states]),
        np.concatenate([one.x for one in states]),
        np.concatenate([one.cost for one in states]),
    )


def _begun(lattice: Lattice, sets: Sets, most: int) -> _State:
    return _State(*beginnings(lattice, sets, most), sets.cost[:most])


def grow(task: Task, count: int) -> list[Path]:
    """The best sets of 1 to `count` bands; fewer where a further band does not lower the cost."""
    rough, fine = thinned(task, 3), thinned(task, 2)
    lattice = lattice_of(rough)
    cuts = both = np.zeros((1, 0), dtype=np.int64)
    found: list[Path] = []
    for number in range(1, count + 1):
        of_cuts, of_both = next_sets(lattice, cuts, most_db=0.0), next_sets(lattice, both, most_db=np.inf)
        most = _STARTS if number == count else _FEW
        start = _begun(lattice, pooled(lattice, of_cuts, of_both, most), most)
        if not start.cost.size:
            break
        if number < count:
            state = _best(fine, refine(fine, start.kinds, start.x, _FINE_STEPS), 1)
        else:
            state = _last(task, rough, fine, lattice, start)
        if not state.cost.size:
            break
        kinds, x = state.kinds[0], state.x[0]
        found.append(Path(kinds, x, cost_of(task, kinds, x)))
        at = lattice.kinds.size + np.arange(number)[None]
        lattice = with_bands(lattice, kinds, x)
        both = np.concatenate([at, of_both.rows])
        cuts = np.concatenate([at, of_cuts.rows]) if x[2].max() <= 0 else of_cuts.rows
    while len(found) > 1 and found[-1].cost >= found[-2].cost:
        found.pop()
    return found


def _last(task: Task, rough: Task, fine: Task, lattice: Lattice, start: _State) -> _State:
    """The best of the beginnings, fewer of them the farther they are refined; bands of the best are once taken out and
    set anew."""
    tried = start
    for steps, kept in _SIEVE:
        tried = _best(rough, refine(rough, tried.kinds, tried.x, steps), kept)
        if not tried.cost.size:
            return tried
    if tried.kinds.shape[1] > 1:
        at = lattice.kinds.size + np.arange(tried.kinds.shape[1])
        lattice = with_bands(lattice, tried.kinds[0], tried.x[0])
        again = _begun(lattice, renewed_sets(lattice, at), _BEGUN)
        if again.cost.size:
            tried = _best(rough, _merged(tried, refine(rough, again.kinds, again.x, _ROUGH_STEPS)), _KEPT)
    tried = _best(fine, refine(fine, tried.kinds, tried.x, _FINE_STEPS), _FINISHED)
    if not tried.cost.size:
        return tried
    return _best(task, refine(task, tried.kinds, tried.x, _LAST_STEPS, settled=1e-5), 1)
