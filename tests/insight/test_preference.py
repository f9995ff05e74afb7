"""Preference by pairs: a worked example computed outside of the program, and listeners whose taste is known."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.optimize import minimize

from earwitness.insight.listening.trials import circular_triads, pairs_dealt, preference, wins_of

EXAMPLE = np.array([[0, 14, 17, 15], [6, 0, 12, 11], [3, 8, 0, 9], [5, 9, 11, 0]], dtype=float)


def test_a_worked_example() -> None:
    """Twenty comparisons a pair; values computed by a script of its own, kept beside the formulas (own computation)."""
    found = preference(EXAMPLE)
    assert found.worth == pytest.approx([0.9003, -0.0645, -0.5560, -0.2798], abs=1e-4)
    assert found.u == pytest.approx([0.2300, 0.2033, 0.2117, 0.2052], abs=1e-4)
    assert found.chance(0, 2) == pytest.approx((0.8110, 0.6750, 0.8986), abs=1e-4)
    assert found.p_alike == pytest.approx(0.000155, abs=1e-6)
    assert found.p_fit == pytest.approx(0.9490, abs=1e-4)
    assert found.is_shown
    assert not found.is_helped


def test_the_likelihood_is_at_its_highest() -> None:
    """General-purpose minimizer (scipy) over 20 random tables."""
    rng = np.random.default_rng(8)
    for _ in range(20):
        wins = rng.integers(1, 12, (5, 5)).astype(float)
        np.fill_diagonal(wins, 0.0)

        def cost(worth: np.ndarray, wins: np.ndarray = wins) -> float:
            apart = worth[:, None] - worth[None, :]
            return float(np.sum(wins * np.log1p(np.exp(-apart))))

        best = minimize(cost, np.zeros(5), method="BFGS", options={"gtol": 1e-9}).x
        assert preference(wins).worth == pytest.approx(best - best.mean(), abs=1e-4)


def test_circular_triads_of_a_worked_table() -> None:
    """Kendall and Babington Smith's count: t (t - 1)(2 t - 1) / 12 - sum of squared scores / 2 (handbook)."""
    table = np.array([[0, 1, 1, 0, 1], [0, 0, 1, 1, 1], [0, 0, 0, 1, 0], [1, 0, 0, 0, 1], [0, 0, 1, 0, 0]], dtype=float)
    assert circular_triads(table) == 3
    rng = np.random.default_rng(9)
    for _ in range(50):
        t = int(rng.integers(3, 8))
        upper = np.triu(rng.integers(0, 2, (t, t)), 1)
        wins = (upper + np.tril(1 - upper.T, -1)).astype(float)
        scores = wins.sum(axis=1)
        assert circular_triads(wins) == round(t * (t - 1) * (2 * t - 1) / 12 - np.sum(scores**2) / 2)


def test_a_version_that_always_wins_has_a_worth_all_the_same() -> None:
    wins = EXAMPLE.copy()
    wins[0, 1:], wins[1:, 0] = 20.0, 0.0
    found = preference(wins)
    assert found.is_helped
    assert np.isfinite(found.worth).all()
    assert found.worth[0] > 2.0
    wins[1, 2] = wins[2, 1] = 0.0
    with pytest.raises(ValueError, match="every pair"):
        preference(wins)


def test_pairs_come_in_both_orders_equally_often() -> None:
    for versions, blocks in itertools.product((3, 4, 6), (1, 3)):
        dealt = pairs_dealt("ab" * 32, versions, blocks * versions * (versions - 1))
        for one in itertools.permutations(range(versions), 2):
            assert dealt.count(one) == blocks
    first = [pairs_dealt(f"{n:064x}", 3, 6)[0] for n in range(600)]
    assert all(60 <= first.count(one) <= 145 for one in itertools.permutations(range(3), 2))


def test_listeners_without_a_taste_and_with_one() -> None:
    """400 listeners each: alike is refused in 5 %; the best is found, its interval holds the truth in some 95 %."""
    rng = np.random.default_rng(10)
    truth = np.array([0.8, 0.1, -0.3, -0.6])
    shown = inside = first = 0
    for number in range(400):
        pairs = pairs_dealt(f"{number:064x}", 4, 48)
        guesses = [pair[int(rng.integers(2))] for pair in pairs]
        shown += preference(wins_of(pairs, guesses, 4)).is_shown
        chosen = [a if rng.random() < 1 / (1 + np.exp(truth[b] - truth[a])) else b for a, b in pairs]
        found = preference(wins_of(pairs, chosen, 4))
        _, low, high = found.chance(0, 3)
        inside += low <= 1 / (1 + np.exp(truth[3] - truth[0])) <= high
        first += int(np.argmax(found.worth)) == 0
    assert 8 <= shown <= 36
    assert 368 <= inside <= 396
    assert first > 320
