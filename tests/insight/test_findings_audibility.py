"""The audibility heuristic against check values C9.1 to C9.7 of the reference of metrics (own computation)."""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.insight.findings.decompose import half_size_octaves, peaking_db, peaking_with_slopes
from earwitness.insight.findings.finding import margin_db, threshold_db


def test_threshold_by_q() -> None:
    # C9.1
    expected = [1.000, 2.908, 5.000, 8.413, 10.000]
    np.testing.assert_allclose(threshold_db(np.array([1.0, 3.0, 10.0, 30.0, 50.0])), expected, atol=5e-4)
    assert float(threshold_db(0.5)) == 1.0
    assert float(threshold_db(10.0, sensitive=True)) == pytest.approx(1.25)


@pytest.mark.parametrize(
    ("size_db", "q", "margin", "ratio"),
    # C9.2, C9.3, C9.4
    [(3.0, 2.0, 0.796, 1.361), (3.0, 10.0, -2.000, 0.600), (6.0, 30.0, -2.413, 0.713)],
)
def test_margins(size_db: float, q: float, margin: float, ratio: float) -> None:
    assert margin_db(size_db, q) == pytest.approx(margin, abs=5e-4)
    assert size_db / float(threshold_db(q)) == pytest.approx(ratio, abs=5e-4)


def test_dips_count_half() -> None:
    # Buecklein 1981, by a literature summary: peaks before dips; the factor is the heuristic's.
    assert margin_db(-6.0, 2.0) == pytest.approx(margin_db(3.0, 2.0))


def test_width_at_half_the_height() -> None:
    # C9.6: centre over width 4.2070 belongs to 0.3421 octaves; C11.23 for Q = 1, 2, 5.
    assert half_size_octaves(4.2070) == pytest.approx(0.3421, abs=1e-4)
    for q, octaves in ((1.0, 1.3885), (2.0, 0.7140), (5.0, 0.2881)):
        assert half_size_octaves(q) == pytest.approx(octaves, abs=1e-4)
        edge = np.array([0.5 * octaves])
        assert peaking_db(edge, 0.0, float(np.log(q)), 5.0)[0] == pytest.approx(2.5, abs=1e-3)


def test_derivatives_are_those_of_the_shape() -> None:
    x = np.linspace(-3.0, 3.0, 61)
    at, step = np.array([0.3, np.log(2.0), -4.0]), 1e-6
    slopes = peaking_with_slopes(x, *at)[1]
    for i in range(3):
        up, down = at.copy(), at.copy()
        up[i] += step
        down[i] -= step
        np.testing.assert_allclose(slopes[:, i], (peaking_db(x, *up) - peaking_db(x, *down)) / (2 * step), atol=1e-6)
