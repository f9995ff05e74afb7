"""Maxima that stand out, beside scipy.signal.find_peaks, a general-purpose library."""

from __future__ import annotations

import numpy as np
from scipy.signal import find_peaks

from earwitness.figures.load_box import prominent


def test_maxima_are_those_of_scipy() -> None:
    draw = np.random.default_rng(7)
    for _ in range(300):
        values = np.convolve(draw.normal(size=120), np.ones(draw.integers(1, 9)), "same")
        least = draw.uniform(0.1, 6.0)
        assert prominent(values, least) == find_peaks(values, prominence=least)[0].tolist()


def test_one_that_is_the_highest_counts_from_the_higher_foot() -> None:
    """By hand: 5 above feet of 1 and 3 stands out by 2."""
    values = np.array([1.0, 2.0, 5.0, 3.0, 4.0, 3.0])
    assert prominent(values, 2.0) == [2]
    assert prominent(values, 2.1) == []
