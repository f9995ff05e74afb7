"""Where bands belong: sets of places, widths and kinds on a lattice, weighed by their normal equations.

In dB a band's shape hardly depends on its gain (the cookbook's boost and cut mirror each other), so gains enter
linearly, and the best gains of a set and of every band that may join it follow by one step of elimination (orthogonal
least squares, handbook). Several sets are carried along (beam search, handbook), apart from each other and some of cuts
alone: these cost no headroom and cannot oppose each other, and the level is free. What is linear only nearly is left to
the refinement.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.insight.mend.equalizer import band_gains
from earwitness.insight.mend.task import OPPOSED_OCTAVES, Task, price
from earwitness.quantities.arrays import BoolArray, FloatArray, IntArray

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
        self, task: Task, kinds: IntArray, x: FloatArray, shapes: FloatArray, centered: FloatArray, gram: FloatArray
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


def lattice_of(task: Task) -> Lattice:
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
    empty = Lattice(task, np.zeros(0, dtype=np.int64), np.zeros((3, 0)), nothing, nothing, np.zeros((0, 0)))
    places = np.concatenate(rows, axis=1)
    return with_bands(empty, np.concatenate(kinds), np.vstack([places, np.full(places.shape[1], _SHAPE_DB)]))


def with_bands(lattice: Lattice, kinds: IntArray, x: FloatArray) -> Lattice:
    """The lattice and further bands with the shapes they have at their gains: kinds (K,), x (3, K)."""
    task = lattice.task
    gain = np.where(np.abs(x[2]) > _LEAST_DB, x[2], _LEAST_DB)
    shapes = band_gains(kinds, x[0], x[1], gain, task.warped, task.rate_hz) / gain[:, None]
    centered = shapes - (shapes @ task.weight)[:, None]
    cross = lattice.centered @ (centered * task.weight).T
    size = lattice.kinds.size
    gram = np.empty((size + kinds.size, size + kinds.size))
    gram[:size, :size], gram[:size, size:], gram[size:, :size] = lattice.gram, cross, cross.T
    gram[size:, size:] = (centered * task.weight) @ centered.T
    return Lattice(
        task,
        np.concatenate([lattice.kinds, kinds]),
        np.concatenate([lattice.x, np.vstack([x[:2], gain])], axis=1),
        np.concatenate([lattice.shapes, shapes]),
        np.concatenate([lattice.centered, centered]),
        gram,
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
    near = np.abs(octaves[rows][:, :, None] - octaves) < OPPOSED_OCTAVES
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
    return Sets(all_rows, all_gains, price(lattice.task, curves, all_gains))


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
