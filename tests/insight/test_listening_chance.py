"""The permutation test against closed forms, against counting by hand, and against scipy."""

from __future__ import annotations

import itertools
import math
from collections import Counter

import numpy as np
import pytest
from scipy import stats

from earwitness.insight.listening.matching import Senses, chance

ONE = frozenset({"excess"})
OTHER = frozenset({"lack"})
BOTH = frozenset({"excess", "uneven"})


def by_hand(said: list[Senses], agreeing: dict[str, np.ndarray]) -> Counter[int]:
    """Every way of placing what was said on distinct regions, one by one."""
    pool = len(next(iter(agreeing.values())))
    return Counter(
        sum(int(agreeing[s][r]) for senses, r in zip(said, places, strict=True) for s in senses)
        for places in itertools.permutations(range(pool), len(said))
    )


@pytest.mark.parametrize(("pool", "good", "said"), [(10, 3, 4), (28, 9, 6), (5, 5, 2), (7, 0, 3), (50, 20, 20)])
def test_one_sense_is_the_hypergeometric_distribution(pool: int, good: int, said: int) -> None:
    """Drawing without replacement: scipy.stats.hypergeom."""
    agreeing = {"excess": np.arange(pool) < good}
    law = stats.hypergeom(pool, good, said)
    for agreed in range(said + 1):
        test = chance(agreed, [ONE] * said, agreeing)
        assert test.p_value == pytest.approx(law.sf(agreed - 1), abs=1e-12)
        assert test.p_above == pytest.approx(law.sf(agreed), abs=1e-12)
        assert test.expected == pytest.approx(said * good / pool)
        assert test.is_exact


def test_small_cases_in_closed_form() -> None:
    """Two regions, a peak and a dip; one "too much" and one "too little": right both or wrong both, 1/2 each."""
    agreeing = {"excess": np.array([True, False]), "lack": np.array([False, True])}
    assert chance(2, [ONE, OTHER], agreeing).p_value == pytest.approx(1 / 2)
    assert chance(1, [ONE, OTHER], agreeing).p_value == pytest.approx(1 / 2)
    assert chance(0, [ONE, OTHER], agreeing).p_value == pytest.approx(1.0)
    # n remarks, each with its only right region among n: all right in one of n! ways when all are told apart.
    four = {name: np.arange(4) == k for k, name in enumerate(("excess", "lack", "uneven", "even"))}
    assert chance(4, [frozenset({s}) for s in four], four).p_value == pytest.approx(1 / math.factorial(4))
    # Fixed points of permutations of 4 (rencontres numbers 9, 8, 6, 0, 1): at least one in 15 of 24.
    assert chance(1, [frozenset({s}) for s in four], four).p_value == pytest.approx(15 / 24)


def test_all_ways_counted_by_hand_agree() -> None:
    rng = np.random.default_rng(3)
    for said in ([ONE, OTHER, BOTH], [ONE, ONE, OTHER, OTHER], [BOTH, BOTH, frozenset({"even"})], [ONE] * 4 + [OTHER]):
        agreeing = {s: rng.uniform(size=7) < 0.4 for s in ("excess", "lack", "uneven", "even")}
        ways = by_hand(said, agreeing)
        total = sum(ways.values())
        for agreed in range(sum(map(len, said)) + 1):
            test = chance(agreed, said, agreeing)
            assert test.p_value == pytest.approx(sum(n for t, n in ways.items() if t >= agreed) / total, abs=1e-12)
            assert test.p_above == pytest.approx(sum(n for t, n in ways.items() if t > agreed) / total, abs=1e-12)
        assert test.expected == pytest.approx(sum(t * n for t, n in ways.items()) / total)


def test_sampling_comes_near_to_counting_and_repeats_itself() -> None:
    rng = np.random.default_rng(5)
    agreeing = {s: rng.uniform(size=30) < 0.35 for s in ("excess", "lack", "uneven")}
    said = [ONE] * 5 + [OTHER] * 4 + [BOTH] * 2
    exact, drawn = (chance(7, said, agreeing, largest_table=n) for n in (10**7, 0))
    assert exact.is_exact
    assert not drawn.is_exact
    # Four standard errors of a share from 20 000 draws.
    assert drawn.p_value == pytest.approx(
        exact.p_value, abs=4 * math.sqrt(exact.p_value * (1 - exact.p_value) / 20_000)
    )
    assert chance(7, said, agreeing, largest_table=0) == drawn


def test_p_values_are_uniform_by_kolmogorov_smirnov() -> None:
    """Notes placed at random on the pool: p, randomized between p_above and p_value, is uniform on 0 to 1."""
    rng = np.random.default_rng(1)
    agreeing = {s: rng.uniform(size=24) < share for s, share in (("excess", 0.3), ("lack", 0.2), ("uneven", 0.5))}
    said = [ONE] * 4 + [OTHER] * 3 + [frozenset({"uneven"})] * 2
    table = {t: chance(t, said, agreeing) for t in range(len(said) + 1)}
    assert set(table) == set(range(10))
    p = []
    for _ in range(4000):
        places = rng.permutation(24)
        agreed = sum(int(agreeing[s][r]) for senses, r in zip(said, places, strict=False) for s in senses)
        p.append(table[agreed].p_above + rng.uniform() * (table[agreed].p_value - table[agreed].p_above))
    assert stats.kstest(p, "uniform").pvalue > 0.01
    # The same tester, twice as often right as chance, must not look uniform: the check can fail.
    assert stats.kstest([v / 2 for v in p], "uniform").pvalue < 1e-6


def test_what_cannot_be_placed_is_refused() -> None:
    agreeing = {"excess": np.array([True, False])}
    with pytest.raises(ValueError, match="pool of 2"):
        chance(1, [ONE] * 3, agreeing)
    with pytest.raises(ValueError, match="2 of 1"):
        chance(2, [ONE], agreeing)
