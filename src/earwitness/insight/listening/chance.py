"""How likely as many remarks would agree by chance: a permutation test.

The chance hypothesis: the tester spoke of as many regions, in the same senses, but where each was said has nothing to
do with the loudspeaker. Every way of placing what was said on distinct regions of the pool is then equally likely.
All ways are counted exactly; only sheets too rich for that are sampled, with a fixed seed.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from earwitness.quantities.arrays import BoolArray, FloatArray

LARGEST_TABLE = 2_000_000
DRAWS = 20_000
SEED = 20_261

Senses = frozenset[str]


@dataclass(frozen=True, slots=True)
class Chance:
    """Outcome of the test.

    agreed : points where what was said agrees; said : points in all; pool : regions they could have fallen on
    p_value : probability of at least `agreed` by chance; p_above : of more than `agreed`; expected : mean by chance
    is_exact : whether all ways were counted
    """

    agreed: int
    said: int
    pool: int
    p_value: float
    p_above: float
    expected: float
    is_exact: bool


def chance(
    agreed: int, said: Sequence[Senses], agreeing: Mapping[str, BoolArray], *, largest_table: int = LARGEST_TABLE
) -> Chance:
    """Test of `agreed` points out of those in `said`.

    said : what was said in each distinct region: one or more senses
    agreeing : (R,) bool for every sense: whether it would agree in each region of the pool
    largest_table : numbers up to which all ways are counted; beyond it DRAWS random ones stand for all

    Raises ValueError when more regions were spoken of than the pool has, or more agreed than was said.

    Source: exact permutation distribution, own derivation by dynamic programming; for one sense it is the
    hypergeometric distribution. The sampled p-value (1 + hits)/(1 + draws) is Davison and Hinkley's (from memory).
    """
    pool = len(next(iter(agreeing.values()))) if agreeing else 0
    points = sum(len(senses) for senses in said)
    if len(said) > pool or agreed > points:
        raise ValueError(f"{agreed} of {points} points in {len(said)} regions, out of a pool of {pool}")
    kinds = Counter(said)
    order = sorted(kinds, key=sorted)
    counts = [kinds[senses] for senses in order]
    scores = np.array([[sum(int(agreeing[s][r]) for s in senses) for senses in order] for r in range(pool)], int)
    size = float(np.prod([float(c + 1) for c in counts])) * (points + 1)
    if size <= largest_table:
        law = _counted(scores, counts, points)
        at_least, above = float(law[agreed:].sum()), float(law[agreed + 1 :].sum())
        mean = float(law @ np.arange(points + 1))
    else:
        totals = _drawn(scores, counts)
        at_least = (1 + int((totals >= agreed).sum())) / (1 + DRAWS)
        above = int((totals > agreed).sum()) / (1 + DRAWS)
        mean = float(totals.mean())
    return Chance(agreed, points, pool, min(at_least, 1.0), min(above, 1.0), mean, size <= largest_table)


def _counted(scores: np.ndarray[tuple[int, int], np.dtype[np.int_]], counts: list[int], points: int) -> FloatArray:
    """(points + 1,) probability of every total: regions are visited one by one, each takes nothing or one kind."""
    shape = (*(c + 1 for c in counts), points + 1)
    ways = np.zeros(shape)
    ways[(0,) * len(shape)] = 1.0
    for row in scores:
        nxt = ways.copy()
        for kind, score in enumerate(row):
            source = [slice(None)] * len(shape)
            target = [slice(None)] * len(shape)
            source[kind], target[kind] = slice(0, -1), slice(1, None)
            source[-1], target[-1] = slice(0, points + 1 - score), slice(score, None)
            nxt[tuple(target)] += ways[tuple(source)]
        ways = nxt
    law: FloatArray = ways[tuple(counts)] / ways[tuple(counts)].sum()
    return law


def _drawn(
    scores: np.ndarray[tuple[int, int], np.dtype[np.int_]], counts: list[int]
) -> np.ndarray[tuple[int], np.dtype[np.int_]]:
    rng = np.random.default_rng(SEED)
    kind = np.repeat(np.arange(len(counts)), counts)
    places = rng.permuted(np.tile(np.arange(len(scores)), (DRAWS, 1)), axis=1)[:, : kind.size]
    totals: np.ndarray[tuple[int], np.dtype[np.int_]] = scores[places, kind].sum(axis=1)
    return totals
