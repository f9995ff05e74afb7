"""Left against right of a pair."""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.insight.variation import matching

HZ = np.geomspace(100.0, 10_000.0, 134)
BEND = 0.35 + 0.25 * np.sin(2 * np.pi * np.log2(HZ / 100.0) / 3.3)
PEAK = np.exp(-0.5 * (np.log2(HZ / 2000.0) / 0.15) ** 2)


def test_offset_shape_and_where_by_arithmetic() -> None:
    """Offset, rms and largest rest, with its frequency, of an invented curve (own arithmetic, numpy)."""
    told = matching(HZ, BEND + 0.9 * PEAK, np.full(HZ.size, 0.1))
    assert told.offset_db == pytest.approx(0.4007, abs=5e-4)
    assert told.shape_rms_db == pytest.approx(0.2881, abs=5e-4)
    assert told.shape_db == pytest.approx(1.0728, abs=5e-4)
    assert told.shape_at_hz == pytest.approx(1964.4, abs=1.0)
    assert told.apart_hz == (pytest.approx((1771.0, 2256.0), abs=2.0),)
    assert not told.is_well_matched


def test_a_local_fault_does_not_pull_the_offset() -> None:
    """The median of the same curve is 0.350 dB; it stands where mean and median are told apart by the uncertainty."""
    told = matching(HZ, BEND + 0.9 * PEAK, np.full(HZ.size, 0.02))
    assert told.offset_db == pytest.approx(0.350, abs=5e-4)


@pytest.mark.parametrize(
    ("size", "u", "well", "no_pair"),
    [(0.1, 0.1, True, 0), (0.1, 0.4, False, 0), (4.0, 0.2, False, 1), (4.0, 2.0, False, 0)],
)
def test_verdicts_need_the_uncertainty_to_allow_them(size: float, u: float, well: bool, no_pair: int) -> None:
    """A peak of 4 dB and 0.15 octaves (sd) is over 1 dB across 0.50 octaves: 2 x 0.15 sqrt(2 ln 4)."""
    told = matching(HZ, size * PEAK, np.full(HZ.size, u), critical=3.0)
    assert told.is_well_matched is well
    assert len(told.no_pair_hz) == no_pair


def test_a_balance_control_mends_an_offset() -> None:
    told = matching(HZ, np.full(HZ.size, 2.0), np.full(HZ.size, 0.1))
    assert told.is_well_matched
    assert told.most_db == pytest.approx(2.0)
