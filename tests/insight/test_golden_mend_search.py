"""The search of bands, step by step on small tasks, and what a set of bands costs; frozen.

The values are the program's own ("frozen"). Beside them: the cost by the sum that the module states, and its gradient
against finite differences.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from flaw_worlds import switches

from earwitness.errors import InputError
from earwitness.insight.mend.equalizer import band_gains, prewarped
from earwitness.insight.mend.search import (
    Sets,
    _best,
    _cells,
    _cheapest,
    _joined,
    _last,
    _merged,
    _Pairs,
    _parts,
    _State,
    _stepped,
    _taken,
    _without_each,
    beginnings,
    grow,
    lattice_of,
    next_sets,
    pooled,
    refine,
    renewed_sets,
    with_bands,
)
from earwitness.insight.mend.task import (
    EVEN,
    EqualizerLimits,
    Goal,
    Task,
    cost_of,
    gains_of,
    is_barred,
    opposing,
    straight_slope,
    table,
    thinned,
)
from golden_values import stands

NAME = "insight/mend_search"
FITTED = 1e-4


def task_for(number: int, **more: Any) -> Task:
    random = np.random.default_rng([number, 71])
    hz = 1000.0 * 2.0 ** (np.arange(-72, 84) / 24)
    warped, rate = prewarped(hz, 48_000.0), 48_000.0
    kinds = np.array([0, 0, int(random.integers(0, 3))])
    x = np.array([np.log([180.0, 900.0, 4500.0]), [0.6, 1.1, -0.4], random.uniform(1.5, 6.0, 3) * [-1, 1, -1]])
    wanted = band_gains(kinds, x[0], x[1], x[2], warped, sample_rate_hz=rate).sum(axis=0) + 0.1 * random.normal(
        size=hz.size
    )
    weight = np.interp(np.log(hz), np.log([80.0, 150.0, 8000.0, 16_000.0]), [0.4, 1.0, 1.0, 0.3])
    given: dict[str, Any] = {
        "kinds": (0, 1, 2),
        "low": np.log([[130.0, 0.4, 1.0], [130.0, 0.4, 1.0], [500.0, 0.4, 1.0]]),
        "high": np.log([[11_000.0, 12.0, 1.0], [1500.0, 1.0, 1.0], [9000.0, 1.0, 1.0]]),
        "hz": hz,
        "warped": warped,
        "rate_hz": rate,
        "wanted_db": wanted,
        "weight": weight / weight.sum(),
        "cap_db": np.where((hz < 160.0) | ((hz > 2000.0) & (hz < 2600.0)), 0.0, 3.0),
        "barred": np.array([[np.log(300.0), np.log(500.0), 1.0], [np.log(3000.0), np.log(5500.0), -1.0]]),
    }
    low, high = given["low"].copy(), given["high"].copy()
    low[:, 2], high[:, 2] = -12.0, 3.0
    return Task(**(given | {"low": low, "high": high} | more))


def sets_of(number: int, count: int, size: int) -> tuple[Any, Any]:
    random = np.random.default_rng([number, 72])
    kinds = random.choice(3, (size, count), p=(0.7, 0.15, 0.15))
    x = np.stack(
        [
            random.uniform(np.log(140.0), np.log(10_000.0), (size, count)),
            random.uniform(np.log(0.45), np.log(6.0), (size, count)),
            random.uniform(-7.0, 4.0, (size, count)),
        ],
        axis=1,
    )
    return kinds, x


TASKS: tuple[dict[str, Any], ...] = (
    {},
    {"barred": np.zeros((0, 3))},
    {"cap_db": np.zeros(156)},
    {"kinds": (0,)},
    {"kinds": (2, 0)},
)


@pytest.mark.parametrize("number", range(5))
def test_costs_and_their_slopes(number: int) -> None:
    task = task_for(number, **TASKS[number])
    rows: list[Any] = []
    for count in (1, 2, 4):
        kinds, x = sets_of(number, count, 6)
        cost, grad, hess = _parts(task, kinds, x)
        rows += [cost, grad, hess]
        for row in range(6):
            assert cost[row] == pytest.approx(cost_of(task, kinds[row], x[row]), rel=1e-9, abs=1e-12)
            assert cost[row] == pytest.approx(stated(task, kinds[row], x[row]), rel=1e-9, abs=1e-12)
        for place in range(3 * count):
            step = np.zeros((1, 3 * count))
            step[0, place] = 1e-6
            up, down = (_parts(task, kinds, x + sign * step.reshape(1, 3, count))[0] for sign in (1, -1))
            assert grad[:, place] == pytest.approx((up - down) / 4e-6, abs=2e-4)
        rows += [gains_of(task, kinds[0], x[0]), [opposing(one) for one in x]]
        rows += [[is_barred(task, *one) for one in zip(kinds, x, strict=True)]]
    rows += [gains_of(task, np.zeros(0, dtype=int), np.zeros((3, 0))), task.counted]
    stands(NAME, f"costs {number}", rows)


def stated(task: Task, kinds: Any, x: Any) -> float:
    """The sum at the head of the module, term by term."""
    bands = band_gains(kinds, x[0], x[1], x[2], task.warped, sample_rate_hz=task.rate_hz)
    gain = bands.sum(axis=0)
    level = float(task.weight @ (gain - task.wanted_db))
    may_boost = bool((task.cap_db > 0).any())
    lost = min(level, 0.0) if may_boost else 0.0
    over = np.maximum(gain - np.where(task.cap_db > 0, lost, 0.0) - task.cap_db, 0.0)
    up, down = np.maximum(bands, 0.0).sum(axis=0), np.minimum(bands, 0.0).sum(axis=0)
    return float(
        task.weight @ (gain - task.wanted_db - level) ** 2
        + 10.0 * task.weight.max() * np.sum(over**2)
        + 1e-6 * np.sum(x[2] ** 2)
        + 0.01 * (max(0.0, gain.max() - lost) ** 2 + lost**2)
        - 0.5 * task.weight @ (up * down)
    )


def test_bands_that_oppose_or_are_barred() -> None:
    octaves = np.round(np.arange(-0.7, 0.7, 0.01), 3)
    gains = np.round(np.arange(-0.1, 0.1, 0.002), 4)
    at = np.array([[7.0, 7.0], [0.0, 0.0], [2.0, -2.0]])
    rows: list[Any] = [
        switches(octaves, [opposing(at + np.array([[0.0, one * np.log(2)], [0, 0], [0, 0]])) for one in octaves])
    ]
    rows.append(switches(gains, [opposing(np.array([[7.0, 7.0], [0, 0], [2.0, one]])) for one in gains]))
    rows.append(switches(gains, [opposing(np.array([[7.0, 7.0], [0, 0], [-2.0, one]])) for one in gains]))
    task, hz = task_for(0), np.geomspace(250.0, 6000.0, 200)
    for kind in (0, 1):
        for gain in (-1.0, 0.0, 1.0):
            found = [is_barred(task, np.array([kind]), np.array([[np.log(one)], [0.0], [gain]])) for one in hz]
            rows.append(switches(hz, found))
    ends = task.barred[0, :2]
    rows.append([is_barred(task, np.array([0]), np.array([[one], [0.0], [1.0]])) for one in ends])
    stands(NAME, "opposed", [*rows, thinned(task, 2), thinned(task, 3)])
    light = replace(task, weight=np.where(np.arange(156) % 3 == 0, 0.2, np.linspace(0.9, 1.1, 156)) / 100)
    stands(NAME, "thinned", [thinned(light, 2), thinned(replace(light, weight=np.linspace(0.05, 1.0, 156)), 3)])


def test_goals_and_limits() -> None:
    hz = np.array([90.0, 99.99999, 100.0, 300.0, 5000.0, 5000.00001, 5001.0])
    points = table([(100.0, 1.0), (1000.0, -2.0), (5000.0, 0.5)])
    rows: list[Any] = [
        points,
        points.there(hz),
        points.shape(hz),
        points.curve,
        EVEN.shape(hz),
        EVEN.there(hz),
        EVEN.curve,
    ]
    rows += [straight_slope(one) for one in (-6.0, 0.7, 6.0)]
    rows += [straight_slope(-0.7).shape(hz), straight_slope(-0.7).curve, Goal("slope", "").shape(hz), EqualizerLimits()]
    stands(NAME, "goals", rows)
    for slope in (-6.01, 6.01, np.nan):
        with pytest.raises(InputError):
            straight_slope(slope)
    for bad in ([(100.0, 1.0)], [(0.0, 1.0), (1.0, 1.0)], [(2.0, 1.0), (2.0, 1.0)], [(1.0, np.nan), (2.0, 1.0)]):
        with pytest.raises(InputError):
            table(bad)
    assert table([(0.5, 1.0), (2.0, 1.0)]).sentence.endswith("2 points")
    good: tuple[dict[str, Any], ...] = (
        {"gain_db": (0.0, 1.0)},
        {"gain_db": (-1.0, 0.0)},
        {"total_boost_db": 0.0},
        {"range_hz": (0.1, 1.0)},
    )
    for more in good:
        EqualizerLimits(**more)
    bad_limits: tuple[dict[str, Any], ...] = (
        {"gain_db": (1.0, 2.0)},
        {"gain_db": (-2.0, -1.0)},
        {"gain_db": (1.0, 1.0)},
        {"q": (0.0, 1.0)},
        {"shelf_q": (0.0, 1.0)},
        {"range_hz": (0.0, 10.0)},
        {"range_hz": (20.0, 10.0)},
        {"range_hz": (20.0, np.inf)},
        {"range_hz": (np.nan, 20.0)},
        {"total_boost_db": -0.1},
        {"total_boost_db": np.nan},
        {"kinds": ()},
        {"kinds": ("peaking", "notch")},
    )
    for more in bad_limits:
        with pytest.raises(InputError):
            EqualizerLimits(**more)


@pytest.mark.parametrize("number", range(5))
def test_lattices_and_sets(number: int) -> None:
    """Step by step, on a task of few bands."""
    task = thinned(task_for(number, **TASKS[number]), 3)
    lattice = lattice_of(task)
    more = with_bands(lattice, *(part[0] for part in sets_of(number, 2, 1)))
    rows: list[Any] = [
        lattice.kinds.size,
        lattice.kinds,
        lattice.x,
        lattice.gram,
        lattice.pushed,
        lattice.low,
        lattice.high,
    ]
    rows += [more.shapes[-2:], more.gram[-2:], more.x[:, -2:], lattice.centered, lattice.beside(np.array([0, 30, 60]))]
    for count in (0, 1, 2):
        random = np.random.default_rng([number, 73])
        some = random.integers(0, lattice.kinds.size, (3, count))
        for most_db in (0.0, np.inf):
            gains, new, cost = _joined(lattice, some, most_db=most_db)
            rows += [gains, new, cost]
            taken = _taken(lattice, some, most_db=most_db, each=2)
            rows += [taken, _cheapest(lattice, taken, 4)]
            found = next_sets(lattice, some, most_db=most_db)
            rows += [found, *beginnings(lattice, found, 3)]
    stands(NAME, f"lattice {number}", rows)
    one, other = next_sets(lattice, some[:, :1], most_db=np.inf), next_sets(lattice, some[:, 1:], most_db=0.0)
    rows = [pooled(lattice, one, other, most) for most in (1, 3, 4, 8, 20)]
    rows += [
        renewed_sets(lattice, np.array([3, 40, 60])),
        _without_each(np.arange(8).reshape(2, 4)),
        one.picked(np.array([1, 0])),
    ]
    stands(NAME, f"sets {number}", rows)


@pytest.mark.parametrize("number", range(5))
def test_refinement(number: int) -> None:
    task = task_for(number, **TASKS[number])
    kinds, x = sets_of(number, 3, 8)
    x[3, 0] = [5.0, 5.2, 5.25]
    x[3, 2] = [2.0, -2.0, 2.0]
    rows: list[Any] = [*_cells(task, kinds, x), _cells(task, 0 * kinds, 1.0 * x)]
    # A range of what is barred that lies below all bands, or above them.
    beyond = np.array([[2.0, 3.0, 1.0], [2.0, 3.0, -1.0], [11.0, 12.0, 1.0], [11.0, 12.0, -1.0]])
    rows += [*_cells(replace(task, barred=beyond), kinds, x)]
    pairs = _Pairs(x)
    flat = x.reshape(8, -1).copy()
    rows += [pairs.low, pairs.high, pairs.apart > 0, pairs.any, pairs.lacking(flat)]
    pairs.spread(flat)
    matrix = np.tile(np.eye(9) * np.arange(1.0, 10.0), (8, 1, 1))
    pairs.bind(matrix, pairs.apart > 0)
    rows += [flat, matrix]
    stands(NAME, f"cells {number}", rows)
    random = np.random.default_rng([number, 74])
    square = random.normal(size=(4, 6, 6))
    matrix = square @ np.swapaxes(square, 1, 2) + np.eye(6)
    grad, start = 3 * random.normal(size=(4, 6)), 0.1 * random.normal(size=(4, 6))
    stepped = _stepped(matrix, grad, start, random.random((4, 6)) < 0.2, low=start - 0.5, high=start + 0.6)
    rows = [stepped, *(refine(task, kinds, x, steps) for steps in (0, 1, 3, 7))]
    rows += [refine(task, kinds, x, 12, settled=0.3)]
    wide = random.normal(size=(6, 12, 12))
    wide = wide @ np.swapaxes(wide, 1, 2) + 0.05 * np.eye(12)
    tight = 0.02 * random.random((6, 12))
    rows.append(
        _stepped(wide, random.normal(size=(6, 12)), np.zeros((6, 12)), np.zeros((6, 12), dtype=bool), -tight, tight)
    )
    stands(NAME, f"refined {number}", rows, relative=FITTED, near_zero=1e-6)
    state = refine(task, kinds, x, 3)
    best: list[Any] = [_best(task, state, keep) for keep in (1, 2, 9)] + [_merged(state, state.rows([0, 2]))]
    twice = _merged(state.rows([0]), state.rows([0]))
    for share in (1.00005, 1.0002):
        near = _State(twice.kinds, twice.x, twice.cost * np.array([1.0, share]))
        best.append(_best(task_for(number, barred=np.zeros((0, 3))), near, 2).cost.size)
    stands(NAME, f"best {number}", best, relative=FITTED, near_zero=1e-6)


@pytest.mark.parametrize("number", range(5))
def test_sets_that_grow(number: int) -> None:
    task = task_for(number, **TASKS[number])
    rows: list[Any] = [grow(task, count) for count in (1, 3)]
    rough, fine = thinned(task, 3), thinned(task, 2)
    lattice = lattice_of(rough)
    found = next_sets(lattice, np.zeros((1, 0), dtype=np.int64), most_db=np.inf)
    start = _State(*beginnings(lattice, found, 8), found.cost[:8])
    rows.append(_last(task, rough, fine, lattice, start))
    if number == 0:
        one = gains_of(task, np.array([0]), np.array([[7.0], [0.6], [-4.0]]))
        free = replace(task, barred=np.zeros((0, 3)), cap_db=np.full(156, 6.0))
        for bell in (one, -0.5 * one, one + 0.01 * np.sin(np.arange(156))):
            rows.append([len(each.kinds) for each in grow(replace(free, wanted_db=bell), 2)])
        rows.append(grow(replace(task, wanted_db=np.zeros(156)), 2))
    stands(NAME, f"grown {number}", rows, relative=FITTED, near_zero=1e-6)


def test_of_sets_alike_at_most_a_quarter_goes_on() -> None:
    lattice = lattice_of(thinned(task_for(0), 3))
    bells, shelves = (np.flatnonzero(lattice.kinds == kind)[:9] for kind in (0, 1))
    rows = np.stack([np.concatenate([bells, shelves]), np.concatenate([bells[::-1], shelves])], axis=1)[:16]
    sets = Sets(rows, np.ones(rows.shape), np.linspace(-2.0, -1.0, len(rows)))
    stands(NAME, "a quarter", [_cheapest(lattice, sets, most).rows for most in (1, 2, 4, 8, 12, 40)])
