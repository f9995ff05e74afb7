"""Trials against exact probabilities of a general-purpose library, and against simulated listeners."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest
from scipy import stats

from earwitness.insight.listening.trials import (
    TRACK_TRIALS,
    at_least,
    counted,
    dealt,
    fewest_right,
    next_size_db,
    power,
    threshold,
)


@pytest.mark.parametrize(("right", "trials"), [(9, 10), (12, 16), (14, 20), (15, 20), (20, 30), (60, 100), (0, 5)])
def test_the_tail_is_scipys(right: int, trials: int) -> None:
    assert at_least(right, trials) == pytest.approx(float(stats.binom.sf(right - 1, trials, 0.5)), rel=1e-12)


def test_the_fewest_right_answers_are_those_of_the_exact_test() -> None:
    """scipy.stats.binom; 9 of 10 and 12 of 16 are the counts in common use for forced choices (common practice)."""
    for trials in range(1, 101):
        needed = fewest_right(trials)
        exact = [k for k in range(trials + 1) if stats.binom.sf(k - 1, trials, 0.5) <= 0.05]
        assert needed == (exact[0] if exact else None)
    assert [fewest_right(n) for n in (10, 16, 20)] == [9, 12, 15]
    assert fewest_right(4) is None
    assert [fewest_right(n, two_sided=True) for n in (6, 10, 16)] == [6, 9, 13]


def test_power_is_the_chance_to_pass() -> None:
    assert power(16, 0.75) == pytest.approx(float(stats.binom.sf(11, 16, 0.75)), rel=1e-12)
    assert power(4, 1.0) == 0.0


def test_limits_of_a_count_are_clopper_and_pearsons() -> None:
    for right, trials in ((8, 16), (25, 50), (12, 16), (0, 10)):
        exact = stats.binomtest(right, trials).proportion_ci(confidence_level=0.90, method="exact")
        assert counted(right, trials).heard_at_most == pytest.approx(max(0.0, 2 * exact.high - 1), abs=1e-6)
    assert counted(16, 16).heard_at_most == 1.0
    assert counted(3, 16, two_sided=True).p_value == pytest.approx(stats.binomtest(3, 16).pvalue)
    assert counted(8, 16, two_sided=True).p_value == 1.0


def test_guessing_is_right_in_half_of_two_thousand_trials() -> None:
    """Equal-tailed 95 % range of 2,000 fair draws, by scipy; answers by a generator that knows no key."""
    low, high = stats.binom.interval(0.95, 2000, 0.5)
    rng = np.random.default_rng(20_261_130)
    inside = 0
    for run in range(200):
        secret = hashlib.sha256(f"run {run}".encode()).hexdigest()
        keys = np.array([dealt(secret, trial) for trial in range(1, 2001)])
        inside += low <= int(np.sum(keys == rng.integers(0, 2, 2000))) <= high
    assert 180 <= inside <= 198


def test_each_key_is_drawn_by_itself() -> None:
    """Sums of 16 keys are binomial, not all 8; neighbors do not depend on each other (chi square, scipy)."""
    rows = np.array([[dealt(f"{run:064x}", trial) for trial in range(1, 17)] for run in range(2000)])
    counts = np.bincount(rows.sum(axis=1), minlength=17)
    expected = 2000 * stats.binom.pmf(np.arange(17), 16, 0.5)
    few = expected < 5
    seen = np.append(counts[~few], counts[few].sum())
    assert stats.chisquare(seen, np.append(expected[~few], expected[few].sum())).pvalue > 0.001
    pairs = rows[:, :-1].ravel() * 2 + rows[:, 1:].ravel()
    assert stats.chisquare(np.bincount(pairs, minlength=4)).pvalue > 0.001


def test_a_track_goes_down_after_two_right_and_up_after_a_wrong_one() -> None:
    sizes: list[float] = []
    right: list[bool] = []
    for correct in (True, True, True, True, False, True, True, False, False):
        sizes.append(next_size_db(sizes, right))
        right.append(correct)
    assert sizes == [8.0, 8.0, 6.0, 6.0, 4.0, 6.0, 6.0, 5.0, 6.0]
    assert next_size_db([1.0] * 60, [True] * 60) == 0.25
    assert next_size_db([1.0] * 60, [False] * 60) == 12.0


@pytest.mark.slow
@pytest.mark.parametrize(
    ("truth_db", "spread_db", "lapse"), [(3.0, 0.6, 0.02), (3.0, 1.2, 0.02), (6.0, 1.5, 0.04), (1.0, 0.4, 0.02)]
)
def test_simulated_listeners_lie_inside_their_interval(truth_db: float, spread_db: float, lapse: float) -> None:
    """300 listeners of a known threshold: the truth inside in 90 to 99 %; none of the settings saw this draw."""
    rng = np.random.default_rng(7_311)
    inside, found = 0, []
    for _ in range(300):
        sizes: list[float] = []
        right: list[bool] = []
        for _ in range(TRACK_TRIALS):
            size = next_size_db(sizes, right)
            share = 0.5 + (0.5 - lapse) / (1.0 + np.exp(-(size - truth_db) / spread_db))
            sizes.append(size)
            right.append(bool(rng.random() < share))
        one = threshold(sizes, right)
        assert one is not None
        found.append(one.size_db)
        inside += one.interval_db[0] <= truth_db <= one.interval_db[1]
    assert 0.90 <= inside / 300 <= 0.99
    assert np.mean(found) == pytest.approx(truth_db, abs=0.35)


def test_one_who_hears_all_or_nothing_gets_no_bounded_threshold() -> None:
    sizes: list[float] = []
    for _ in range(30):
        sizes.append(next_size_db(sizes, [False] * len(sizes)))
    deaf = threshold(sizes, [False] * 30)
    assert deaf is not None
    assert not deaf.is_bounded
    assert threshold([], []) is None
