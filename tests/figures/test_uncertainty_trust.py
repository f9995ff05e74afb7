"""Common errors over frequency, and how a spread becomes an interval; closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.figures.uncertainty import alone, draws_of, interpolated, with_spread
from earwitness.figures.windows import DirectionalLevels, session_causes
from earwitness.quantities import Asked, Curve, Figure, FrequencyAxis, from_orbit
from earwitness.quantities.arrays import BoolArray, FloatArray
from earwitness.quantities.response import smooth_basis, smooth_causes, u_of_causes_db

# Octaves from 62.5 Hz to 16 kHz, with points between them.
HZ = 62.5 * 2.0 ** (np.arange(0, 33) / 4)
FIGURE = Figure("f3", 10.0, 0.0, "Hz", None, "m")


def covariance(u_common_db: FloatArray, band: BoolArray | None) -> FloatArray:
    """(F, F) of what is common to all directions, from the causes that it is taken for."""
    shape = (1, HZ.size)
    valid = np.ones(shape, bool) if band is None else band[None, :]
    nothing = np.zeros(shape)
    levels = DirectionalLevels(
        FrequencyAxis(HZ), from_orbit("horizontal", 0.0), nothing, nothing, u_common_db, valid, "dB"
    )
    pulls = np.concatenate([cause.pull_db for cause in session_causes(levels)])
    return np.asarray(pulls.T @ pulls)


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
    assert np.abs(covariance(u, band) - expected).max() < 0.01 * 0.25


def test_a_band_without_any_point_takes_the_smallest_of_all() -> None:
    u = np.where(HZ < 500.0, 0.2, 0.4)
    assert np.array_equal(covariance(u, np.zeros(HZ.size, bool)), covariance(u, None))


def test_another_cause_gives_other_draws() -> None:
    assert np.array_equal(draws_of("gate", 10), draws_of("gate", 10))
    assert not np.array_equal(draws_of("gate", 10), draws_of("gates", 10))


def test_smooth_errors_have_unit_size_and_fall_as_a_bell_of_one_octave() -> None:
    basis = smooth_basis(HZ)
    assert np.sum(basis**2, axis=1) == pytest.approx(np.ones(HZ.size))
    octaves = np.log2(HZ[:, None] / HZ)
    assert np.abs(basis @ basis.T - np.exp(-(octaves**2))).max() < 5e-3


def test_smooth_causes_make_up_the_stated_uncertainty_and_bear_names_of_their_own() -> None:
    u = np.linspace(0.1, 0.7, HZ.size)
    causes = smooth_causes("microphone", "file", u, HZ, device="M 1")
    assert u_of_causes_db(causes, 1, HZ.size)[0] == pytest.approx(u)
    assert len({cause.key for cause in causes}) == len(causes)
    assert all(cause.device == "M 1" and cause.alike for cause in causes)


def test_draws_at_other_frequencies_lie_on_the_line_over_octaves() -> None:
    """Half an octave between two points is half way; points themselves and both ends come back as they are."""
    hz = np.array([100.0, 200.0, 800.0])
    rows = np.array([[0.0, 1.0, 5.0], [2.0, 0.0, -4.0]])
    wanted = np.array([100.0, 100.0 * 2**0.5, 200.0, 400.0, 800.0])
    expected = np.array([[0.0, 0.5, 1.0, 3.0, 5.0], [2.0, 1.0, 0.0, -2.0, -4.0]])
    assert interpolated(hz, rows, wanted) == pytest.approx(expected)


def test_a_common_part_without_causes_moves_a_curve_alone_as_a_whole() -> None:
    ones = np.ones(HZ.size)
    curve = Curve("a", "a", FrequencyAxis(HZ), 0 * ones, 0 * ones, 0.3 * ones, ones > 0, "dB", "x")
    rows = alone(curve, 4000).rows[1:]
    assert np.ptp(rows, axis=1).max() < 1e-12
    assert rows[:, 0].std() == pytest.approx(0.3, rel=0.04)


def test_the_interval_is_the_draws_shifted_onto_the_figure() -> None:
    """0, 1, ... 100: percentiles 2.5, 50 and 97.5; standard deviation sqrt(101 * 102 / 12), n - 1 = 100."""
    values = np.arange(101.0)
    found = with_spread(FIGURE, np.append(10.0, values))
    assert found.interval == pytest.approx((10.0 - 47.5, 10.0 + 47.5))
    assert found.u == pytest.approx(np.sqrt(101 * 102 / 12))
    lopsided = with_spread(FIGURE, np.append(10.0, values**2))
    assert lopsided.interval == pytest.approx((10.0 - (2500.0 - 6.5), 10.0 + 9506.5 - 2500.0))
    assert (found.value, found.key, found.unit, found.method) == (10.0, "f3", "Hz", "m")


def test_the_interval_does_not_leave_what_the_quantity_cannot() -> None:
    found = with_spread(FIGURE, np.append(10.0, np.arange(101.0)), low=0.0, high=20.0)
    assert found.interval == (0.0, 20.0)


def test_a_figure_that_is_not_judged_gets_no_spread() -> None:
    gone = Asked("f3", "Hz", "rule").refused("the gate ends above it")
    assert with_spread(gone, np.arange(101.0)) is gone
