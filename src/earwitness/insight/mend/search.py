"""The search behind a design: the best beginnings of a lattice refined side by side by bounded Levenberg-Marquardt
(handbook method), band by band, each band once taken out and set anew.

A beginning keeps the sign of its bands, and with it where its bells may stand and which of its bands must stay half an
octave apart: so what may not be is a bound and not found out afterwards.

Where bands belong: sets of places, widths and kinds on a lattice, weighed by their normal equations. In dB a band's
shape hardly depends on its gain (the cookbook's boost and cut mirror each other), so gains enter linearly, and the best
gains of a set and of every band that may join it follow by one step of elimination (orthogonal least squares,
handbook). Several sets are carried along (beam search, handbook), apart from each other and some of cuts alone: these
cost no headroom and cannot oppose each other, and the level is free. What is linear only nearly is left to the
refinement.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.insight.mend import task as search_task
from earwitness.insight.mend.equalizer import band_gains, band_gains_and_slopes
from earwitness.quantities import BoolArray, FloatArray, IntArray

_Q_STEP = np.log(1.8)
_BELLS_PER_OCTAVE = (3.0, 8.0)
_SHELVES_PER_OCTAVE = 3.0
_SHELF_Q = 0.7
_SHAPE_DB = 3.0
_LEAST_DB = 0.02
_WIDTH, _EACH = 64, 3
_APART = 0.25
_RIDGE = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class Sets:
    """B sets of K bands of the lattice: rows (B, K), gains (B, K) [dB], cost (B,) less that of no band."""

    rows: IntArray
    gains: FloatArray
    cost: FloatArray

    def picked(self, which: IntArray) -> Sets:
        return Sets(self.rows[which], self.gains[which], self.cost[which])


class Lattice:
    """M bands and their normal equations.

    kinds (M,); x (3, M) ln f, ln Q, gain [dB] that the shape is of; shapes (M, F) dB per dB; centered (M, F) the same
    about their weighted means; gram (M, M) : their weighted products
    """

    def __init__(
        self,
        task: search_task.Task,
        kinds: IntArray,
        x: FloatArray,
        shapes: FloatArray,
        centered: FloatArray,
        gram: FloatArray,
    ) -> None:
        self.task, self.kinds, self.x, self.shapes, self.centered, self.gram = task, kinds, x, shapes, centered, gram
        self.octaves = x[0] / np.log(2)
        self.low, self.high = task.low[kinds, 2], task.high[kinds, 2]
        for start, stop, sign in task.barred:
            inside = (kinds == 0) & (x[0] >= start) & (x[0] <= stop)
            self.low = np.where(inside & (sign < 0), 0.0, self.low)
            self.high = np.where(inside & (sign > 0), 0.0, self.high)
        self.pushed = centered @ (task.weight * task.wanted_db)

    def beside(self, places: IntArray) -> BoolArray:
        """(B, M) bands of the kind of each of places (B,), within a quarter octave of it."""
        same = self.kinds[places][:, None] == self.kinds
        return np.asarray(same & (np.abs(self.octaves[places][:, None] - self.octaves) <= _APART), dtype=bool)


def lattice_of(task: search_task.Task) -> Lattice:
    """Bells three an octave where they are wide, eight where they are narrow; shelves three an octave."""
    kinds, rows = [], []
    for kind in task.kinds:
        low, high = task.low[kind], task.high[kind]
        widths = np.array([np.log(_SHELF_Q).clip(low[1], high[1])])
        if kind == 0:
            widths = np.linspace(low[1], high[1], 1 + int(np.ceil((high[1] - low[1]) / _Q_STEP)))
        for ln_q in widths.tolist():
            per_octave = _SHELVES_PER_OCTAVE if kind else float(np.clip(1.5 * np.exp(ln_q), *_BELLS_PER_OCTAVE))
            ln_f = np.linspace(low[0], high[0], 1 + int(np.ceil((high[0] - low[0]) / np.log(2) * per_octave)))
            rows.append(np.stack([ln_f, np.full(ln_f.size, ln_q)]))
            kinds.append(np.full(ln_f.size, kind, dtype=np.int64))
    nothing = np.zeros((0, task.hz.size))
    empty = Lattice(task, np.zeros(0, dtype=np.int64), np.zeros((3, 0)), nothing, nothing, gram=np.zeros((0, 0)))
    places = np.concatenate(rows, axis=1)
    return with_bands(empty, np.concatenate(kinds), np.vstack([places, np.full(places.shape[1], _SHAPE_DB)]))


def with_bands(lattice: Lattice, kinds: IntArray, x: FloatArray) -> Lattice:
    """The lattice and further bands with the shapes they have at their gains: kinds (K,), x (3, K)."""
    task = lattice.task
    gain = np.where(np.abs(x[2]) > _LEAST_DB, x[2], _LEAST_DB)
    shapes = band_gains(kinds, x[0], x[1], gain=gain, warped=task.warped, sample_rate_hz=task.rate_hz) / gain[:, None]
    centered = shapes - (shapes @ task.weight)[:, None]
    cross = lattice.centered @ (centered * task.weight).T
    size = lattice.kinds.size
    gram = np.empty((size + kinds.size, size + kinds.size))
    gram[:size, :size], gram[:size, size:], gram[size:, :size] = lattice.gram, cross, cross.T
    gram[size:, size:] = (centered * task.weight) @ centered.T
    return Lattice(
        task=task,
        kinds=np.concatenate([lattice.kinds, kinds]),
        x=np.concatenate([lattice.x, np.vstack([x[:2], gain])], axis=1),
        shapes=np.concatenate([lattice.shapes, shapes]),
        centered=np.concatenate([lattice.centered, centered]),
        gram=gram,
    )


def _joined(lattice: Lattice, rows: IntArray, *, most_db: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Every set (B, K) with every band of the lattice: gains of the set (B, K, M), of the band (B, M), cost (B, M),
    infinite where it may not be. most_db : the most gain of any band."""
    gram, power = lattice.gram, lattice.gram.diagonal()
    count = rows.shape[1]
    own = gram[rows[:, :, None], rows[:, None, :]] + _RIDGE * np.eye(count) * power[rows][:, None]
    inverse = np.linalg.inv(own)
    wanted, cross = lattice.pushed[rows][:, :, None], gram[rows]
    shared = inverse @ cross
    left = power - (shared * cross).sum(axis=1)
    left = np.maximum(left, 1e-3 * power + 1e-12)
    low, high = lattice.low, np.minimum(lattice.high, most_db)
    new = np.clip((lattice.pushed - (shared * wanted).sum(axis=1)) / left, low, high)
    gains = inverse @ wanted - shared * new[:, None]
    gains = np.clip(gains, low[rows][:, :, None], high[rows][:, :, None])
    cost = (gains * (own @ gains + 2 * new[:, None] * cross - 2 * wanted)).sum(axis=1)
    cost += new * (power * new - 2 * lattice.pushed)
    octaves = lattice.octaves
    near = np.abs(octaves[rows][:, :, None] - octaves) < search_task.OPPOSED_OCTAVES
    fights = (near & (gains * new[:, None] < 0)).any(axis=1)
    for one in range(count):
        for other in range(one):
            beside = near[np.arange(len(rows)), one, rows[:, other]]
            fights |= beside[:, None] & (gains[:, one] * gains[:, other] < 0)
    shelf = lattice.kinds > 0
    twice = shelf & (lattice.kinds[rows][:, :, None] == lattice.kinds).any(axis=1)
    cost[fights | twice | (np.abs(new) < _LEAST_DB)] = np.inf
    return gains, new, cost


def _taken(lattice: Lattice, rows: IntArray, *, most_db: float, each: int) -> Sets:
    """Of every set (B, K) the cheapest with one band more, none with the band within a quarter octave of another's."""
    gains, new, cost = _joined(lattice, rows, most_db=most_db)
    every, parts_rows, parts_gains = np.arange(len(rows)), [], []
    for _ in range(each):
        place = cost.argmin(axis=1)
        there = every[np.isfinite(cost[every, place])]
        place = place[there]
        parts_rows.append(np.concatenate([rows[there], place[:, None]], axis=1))
        parts_gains.append(np.concatenate([gains[there, :, place], new[there, place][:, None]], axis=1))
        cost[there] = np.where(lattice.beside(place), np.inf, cost[there])
    all_rows, all_gains = np.concatenate(parts_rows), np.concatenate(parts_gains)
    curves = all_gains[:, :, None] * lattice.shapes[all_rows]
    return Sets(all_rows, all_gains, search_task.price(lattice.task, curves, all_gains))


def _cheapest(lattice: Lattice, sets: Sets, most: int) -> Sets:
    """The cheapest that differ, at most a quarter of them of the same kinds of bands."""
    seen: set[bytes] = set()
    alike: dict[bytes, int] = {}
    picked: list[int] = []
    rows, kinds = np.sort(sets.rows, axis=1), np.sort(lattice.kinds[sets.rows], axis=1)
    for one in np.argsort(sets.cost, kind="stable").tolist():
        key, of_kind = rows[one].tobytes(), kinds[one].tobytes()
        if key in seen or alike.get(of_kind, 0) == max(1, most // 4):
            continue
        seen.add(key)
        alike[of_kind] = alike.get(of_kind, 0) + 1
        picked.append(one)
        if len(picked) == most:
            break
    return sets.picked(np.array(picked, dtype=np.int64))


def _joint(one: Sets, other: Sets) -> Sets:
    return Sets(
        np.concatenate([one.rows, other.rows]),
        np.concatenate([one.gains, other.gains]),
        np.concatenate([one.cost, other.cost]),
    )


def _without_each(rows: IntArray) -> IntArray:
    """(B K, K - 1) every set (B, K) without each of its bands."""
    count = rows.shape[1]
    keep = np.array([[i for i in range(count) if i != out] for out in range(count)], dtype=np.int64)
    return rows[:, keep].reshape(-1, count - 1)


def next_sets(lattice: Lattice, rows: IntArray, *, most_db: float) -> Sets:
    """The cheapest sets of one band more than rows (B, K); of the best each band is once taken out and set anew.

    most_db : the most gain of any band
    """
    found = _cheapest(lattice, _taken(lattice, rows, most_db=most_db, each=_EACH), _WIDTH)
    if rows.shape[1] and len(found.rows):
        anew = _taken(lattice, _without_each(found.rows[:3]), most_db=most_db, each=1)
        found = _cheapest(lattice, _joint(found, anew), _WIDTH)
    return found


def pooled(lattice: Lattice, one: Sets, other: Sets, most: int) -> Sets:
    """The cheapest of both that differ."""
    return _cheapest(lattice, _joint(one, other), most)


def renewed_sets(lattice: Lattice, rows: IntArray) -> Sets:
    """The cheapest sets that have one band of rows (N,) taken out and set anew."""
    return _cheapest(lattice, _taken(lattice, _without_each(rows[None]), most_db=np.inf, each=2), _WIDTH)


def beginnings(lattice: Lattice, sets: Sets, most: int) -> tuple[IntArray, FloatArray]:
    """The cheapest sets as kinds (C, N) and x (C, 3, N)."""
    rows = sets.rows[:most]
    return lattice.kinds[rows], np.stack([lattice.x[0][rows], lattice.x[1][rows], sets.gains[:most]], axis=1)


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


def _parts(task: search_task.Task, kinds: IntArray, x: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Cost (S,), half its gradient (S, P), and the Gauss-Newton matrix (S, P, P); P = 3 N."""
    size, count = kinds.shape
    task.counted[0] += size
    bands, slopes = band_gains_and_slopes(kinds, x[:, 0], x[:, 1], x[:, 2], task.warped, sample_rate_hz=task.rate_hz)
    gain = bands.sum(axis=1)
    rows = slopes.reshape(size, 3 * count, -1)
    residual = gain - task.wanted_db
    level = residual @ task.weight
    residual -= level[:, None]
    weighted = rows * task.weight
    by_level = rows @ task.weight
    cost = residual**2 @ task.weight + search_task.GAIN_RIDGE**2 * (x[:, 2] ** 2).sum(axis=1)
    grad = (weighted @ residual[:, :, None])[:, :, 0]
    hess = weighted @ np.swapaxes(rows, 1, 2) - by_level[:, :, None] * by_level[:, None, :]
    place = np.arange(2 * count, 3 * count)
    grad[:, place] += search_task.GAIN_RIDGE**2 * x[:, 2]
    hess[:, place, place] += search_task.GAIN_RIDGE**2
    moves = task.cap_db > 0
    lost = np.minimum(level, 0.0) * moves.any()
    by_lost = by_level * (lost < 0)[:, None]
    over = np.maximum(gain - lost[:, None] * moves - task.cap_db, 0.0)
    there = np.flatnonzero(over.any(axis=0))
    if there.size:
        pull, over = search_task.CAP_WEIGHT * task.weight.max(), over[:, there]
        cost += pull * (over**2).sum(axis=1)
        apart = (rows[:, :, there] - by_lost[:, :, None] * moves[there]) * (over > 0)[:, None]
        grad += pull * (apart @ over[:, :, None])[:, :, 0]
        hess += pull * (apart @ np.swapaxes(apart, 1, 2))
    cost += search_task.HEADROOM_WEIGHT * lost**2
    grad += search_task.HEADROOM_WEIGHT * lost[:, None] * by_lost
    hess += search_task.HEADROOM_WEIGHT * by_lost[:, :, None] * by_lost[:, None, :]
    top = gain.argmax(axis=1)
    peak = np.maximum(gain[np.arange(size), top] - lost, 0.0)
    if peak.any():
        at_top = (rows[np.arange(size), :, top] - by_lost) * (peak > 0)[:, None]
        cost += search_task.HEADROOM_WEIGHT * peak**2
        grad += search_task.HEADROOM_WEIGHT * peak[:, None] * at_top
        hess += search_task.HEADROOM_WEIGHT * at_top[:, :, None] * at_top[:, None, :]
    up = np.maximum(bands, 0.0).sum(axis=1)
    down = gain - up
    if up.any() and down.any():
        cost -= search_task.OPPOSED_WEIGHT * (up * down) @ task.weight
        other = np.where(bands > 0, down[:, None], up[:, None]) * task.weight
        grad -= 0.5 * search_task.OPPOSED_WEIGHT * np.einsum("skbf,sbf->skb", slopes, other).reshape(size, -1)
    return cost, grad, hess


def _cells(task: search_task.Task, kinds: IntArray, x: FloatArray) -> tuple[FloatArray, FloatArray]:
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
        self.apart = np.where(up[:, 1:] != up[:, :-1], search_task.OPPOSED_OCTAVES * np.log(2) + _EDGE, -np.inf)
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


def refine(task: search_task.Task, kinds: IntArray, x: FloatArray, steps: int, *, settled: float = 1e-3) -> _State:
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
        trial = _stepped(matrix=matrix, grad=grad, flat=flat, held=held, low=low, high=high)
        if pairs.any:
            tight = (pairs.lacking(flat) > -1e-7) & (pairs.lacking(trial) > 0)
            if tight.any():
                pairs.bind(matrix, tight)
                trial = _stepped(matrix=matrix, grad=grad, flat=flat, held=held, low=low, high=high)
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


def _best(task: search_task.Task, state: _State, keep: int) -> _State:
    """The cheapest `keep` that differ and are not barred."""
    picked: list[int] = []
    for row in np.argsort(state.cost, kind="stable").tolist():
        if search_task.is_barred(task, state.kinds[row], state.x[row]):
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


def grow(task: search_task.Task, count: int) -> list[search_task.Path]:
    """The best sets of 1 to `count` bands; fewer where a further band does not lower the cost."""
    rough, fine = search_task.thinned(task, 3), search_task.thinned(task, 2)
    lattice = lattice_of(rough)
    cuts = both = np.zeros((1, 0), dtype=np.int64)
    found: list[search_task.Path] = []
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
        found.append(search_task.Path(kinds, x, search_task.cost_of(task, kinds, x)))
        at = lattice.kinds.size + np.arange(number)[None]
        lattice = with_bands(lattice, kinds, x)
        both = np.concatenate([at, of_both.rows])
        cuts = np.concatenate([at, of_cuts.rows]) if x[2].max() <= 0 else of_cuts.rows
    while len(found) > 1 and found[-1].cost >= found[-2].cost:
        found.pop()
    return found


def _last(
    task: search_task.Task, rough: search_task.Task, fine: search_task.Task, lattice: Lattice, start: _State
) -> _State:
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
