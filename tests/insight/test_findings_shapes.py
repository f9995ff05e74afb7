"""The shapes that a response is taken apart into, against filters worked out by scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import freqs

from earwitness.insight.findings.decompose import Decomposition, Peak, peaking_db, peaking_with_slopes, stands_out


@pytest.mark.parametrize(("center_hz", "q", "gain_db"), [(250.0, 0.7, 6.0), (1000.0, 4.0, -9.0), (8000.0, 20.0, 3.0)])
def test_a_peak_is_the_analog_filter_of_the_cookbook(center_hz: float, q: float, gain_db: float) -> None:
    """Audio EQ Cookbook (W3C, 2021), analog prototype: (s^2 + s A / Q + 1) / (s^2 + s / (A Q) + 1)."""
    hz = np.geomspace(20.0, 20_000.0, 300)
    lift = 10.0 ** (gain_db / 40.0)
    _, response = freqs([1.0, lift / q, 1.0], [1.0, 1.0 / (lift * q), 1.0], worN=hz / center_hz)
    found = peaking_db(np.log2(hz / 1000.0), float(np.log2(center_hz / 1000.0)), float(np.log(q)), gain_db)
    np.testing.assert_allclose(found, 20.0 * np.log10(np.abs(response)), atol=1e-9)


def test_many_centers_at_once_are_the_same_as_one_by_one() -> None:
    x = np.arange(-240, 200) / 48.0
    together = peaking_db(x, x[::2, None], 0.4, 3.0)
    assert np.array_equal(together, np.array([peaking_with_slopes(x, float(at), 0.4, 3.0)[0] for at in x[::2]]))


def _part(level_db: np.ndarray, peaks: tuple[Peak, ...]) -> Decomposition:
    flat = np.zeros(PART_HZ.size)
    return Decomposition(PART_HZ, level_db, flat, flat, 0.0, 0.0, None, None, None, None, peaks)


PART_HZ = np.geomspace(30.0, 15_000.0, 430)


def test_a_shoulder_is_no_peak() -> None:
    """A bell stands out on both sides. The ground beside a dip, and the edge of a step, are higher on one side only;
    no shape that a fit puts there is a peak of the curve."""
    x = np.log2(PART_HZ / 1000.0)
    for q, size in ((0.7, 2.0), (4.0, -5.0)):
        own = Peak(200.0, q, size, 0.0, 0.0, 0.0)
        assert stands_out(_part(peaking_db(x, np.log2(0.2), np.log(q), size), (own,)), own)
    shoulder = Peak(200.0, 1.5, 1.5, 0.0, 0.0, 0.0)
    dip = Peak(340.0, 1.5, -8.0, 0.0, 0.0, 0.0)
    assert not stands_out(_part(peaking_db(x, np.log2(0.34), np.log(1.5), -8.0), (shoulder, dip)), shoulder)
    step = Peak(250.0, 0.7, 1.5, 0.0, 0.0, 0.0)
    assert not stands_out(_part(-2.0 * np.tanh((x - np.log2(0.5)) / 0.7), (step,)), step)
    # A peak beside a dip, and one on the skirt of a larger one, are peaks.
    both = peaking_db(x, np.log2(0.2), np.log(3.0), 4.0) + peaking_db(x, np.log2(0.34), np.log(1.5), -8.0)
    real = Peak(200.0, 3.0, 4.0, 0.0, 0.0, 0.0)
    assert stands_out(_part(both, (real, dip)), real)
    large = Peak(320.0, 1.0, 8.0, 0.0, 0.0, 0.0)
    skirt = peaking_db(x, np.log2(0.2), np.log(3.0), 4.0) + peaking_db(x, np.log2(0.32), 0.0, 8.0)
    assert stands_out(_part(skirt, (real, large)), real)
