"""Monte Carlo draws where uncertainty changes over frequency, and how a spread becomes an interval; closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.figures.uncertainty import Draws, drawn, interpolated, smooth_basis, with_spread
from earwitness.quantities import Figure, FrequencyAxis, not_judged
from earwitness.quantities.arrays import BoolArray, FloatArray

# Octaves from 62.5 Hz to 16 kHz, with points between them.
HZ = 62.5 * 2.0 ** (np.arange(0, 33) / 4)
FIGURE = Figure("f3", 10.0, 0.0, "Hz", None, "m")


def common_draws(u_common_db: FloatArray, band: BoolArray | None) -> FloatArray:
    """(N, F) draws of one curve without errors of its own."""
    ones = np.ones((1, HZ.size))
    found = drawn(FrequencyAxis(HZ), {"a": ones}, 0.0 * ones, u_common_db, band=band, draws=20_000)
    return found.error_db["a"]


@pytest.mark.parametrize("whole_band", [True, False])
def test_what_exceeds_the_common_offset_is_smooth_over_frequency(whole_band: bool) -> None:
    """Covariance by the docstring's rule: offset squared, and what exceeds it times exp(-(octaves apart)^2)."""
    u = np.where(HZ < 500.0, 0.2, np.where(HZ < 4000.0, 0.3, 0.5))
    band = None if whole_band else HZ >= 500.0
    smallest = 0.2 if whole_band else 0.3
    # Where less than the band's smallest is shared, all of it moves as one.
    offset = np.minimum(u, smallest)
    rest = np.sqrt(u**2 - offset**2)
    octaves = np.log2(HZ[:, None] / HZ)
    expected = np.outer(offset, offset) + np.outer(rest, rest) * np.exp(-(octaves**2))
    found = np.cov(common_draws(u, band), rowvar=False)
    # 20,000 draws know a covariance to sqrt(2 / 20,000) of the variance.
    assert np.abs(found - expected).max() < 4 * np.sqrt(2 / 20_000) * 0.25


def test_a_band_without_any_point_takes_the_smallest_of_all() -> None:
    u = np.where(HZ < 500.0, 0.2, 0.4)
    nowhere, everywhere = common_draws(u, np.zeros(HZ.size, bool)), common_draws(u, None)
    assert np.array_equal(nowhere, everywhere)


def test_another_seed_gives_other_draws() -> None:
    ones = np.ones((1, HZ.size))
    first, same, other = (
        drawn(FrequencyAxis(HZ), {"a": ones}, ones, np.zeros(HZ.size), draws=10, **more).error_db["a"]
        for more in ({}, {"seed": 20_340}, {"seed": 1})
    )
    assert np.array_equal(first, same)
    assert not np.array_equal(first, other)


def test_smooth_errors_have_unit_size_and_fall_as_a_bell_of_one_octave() -> None:
    basis = smooth_basis(HZ)
    assert np.sum(basis**2, axis=1) == pytest.approx(np.ones(HZ.size))
    octaves = np.log2(HZ[:, None] / HZ)
    assert np.abs(basis @ basis.T - np.exp(-(octaves**2))).max() < 2e-3


def test_draws_at_other_frequencies_lie_on_the_line_over_octaves() -> None:
    """Half an octave between two points is half way; points themselves and both ends come back as they are."""
    hz = np.array([100.0, 200.0, 800.0])
    rows = np.array([[0.0, 1.0, 5.0], [2.0, 0.0, -4.0]])
    wanted = np.array([100.0, 100.0 * 2**0.5, 200.0, 400.0, 800.0])
    expected = np.array([[0.0, 0.5, 1.0, 3.0, 5.0], [2.0, 1.0, 0.0, -2.0, -4.0]])
    assert interpolated(hz, rows, wanted) == pytest.approx(expected)
    assert Draws(FrequencyAxis(hz), {"a": rows}).at("a", wanted) == pytest.approx(expected)


def test_the_interval_is_the_draws_shifted_onto_the_figure() -> None:
    """0, 1, ... 100: percentiles 2.5, 50 and 97.5; standard deviation sqrt(101 * 102 / 12), n - 1 = 100."""
    values = np.arange(101.0)
    found = with_spread(FIGURE, values)
    assert found.interval == pytest.approx((10.0 - 47.5, 10.0 + 47.5))
    assert found.u == pytest.approx(np.sqrt(101 * 102 / 12))
    lopsided = with_spread(FIGURE, values**2)
    assert lopsided.interval == pytest.approx((10.0 - (2500.0 - 6.5), 10.0 + 9506.5 - 2500.0))
    assert (found.value, found.key, found.unit, found.method) == (10.0, "f3", "Hz", "m")


def test_the_interval_does_not_leave_what_the_quantity_cannot() -> None:
    found = with_spread(FIGURE, np.arange(101.0), low=0.0, high=20.0)
    assert found.interval == (0.0, 20.0)


def test_a_figure_that_is_not_judged_gets_no_spread() -> None:
    gone = not_judged("f3", "the gate ends above it", unit="Hz", method="rule")
    assert with_spread(gone, np.arange(101.0)) is gone
