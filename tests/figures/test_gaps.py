"""Small gaps of a curve are bridged for figures, with a doubt read from the curve itself, and named."""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.figures.bandwidth import lower_limit
from earwitness.figures.rating import preference_rating
from earwitness.figures.sampling import bridged
from earwitness.figures.sensitivity import band_level
from earwitness.figures.uncertainty import alone
from earwitness.quantities import Curve, FrequencyAxis, log_axis
from earwitness.quantities.arrays import BoolArray, FloatArray

HZ = log_axis(20.0, 20_000.0, 48).hz
OCTAVES = np.log2(HZ / 1000.0)


def curve(values: FloatArray, gone: BoolArray, *, u: float = 0.0) -> Curve:
    zeros = np.zeros(HZ.size)
    return Curve("c", "the curve", FrequencyAxis(HZ), np.where(gone, -99.0, values), zeros + u, zeros, ~gone, "dB", "x")


def gap(at_hz: float, points: int) -> BoolArray:
    first = int(np.argmin(np.abs(HZ - at_hz)))
    return (np.arange(HZ.size) >= first) & (np.arange(HZ.size) < first + points)


def test_a_straight_line_comes_back_and_is_not_doubted() -> None:
    whole, (found,) = bridged(curve(3.0 * OCTAVES, gap(700.0, 5)))
    assert whole.values == pytest.approx(3.0 * OCTAVES)
    assert whole.valid.all()
    assert found.u_db == pytest.approx(0.0, abs=1e-9)
    assert found.low_hz == pytest.approx(700.0, rel=0.01)


def test_a_ripple_is_doubted_by_what_lines_of_that_length_miss_of_it() -> None:
    """cos(w x) less the mean of its values half a gap away on both sides: (1 - cos(w d)) cos(w x), rms / sqrt 2."""
    w, d = 2 * np.pi * 3.0, 3 / 48
    _, (found,) = bridged(curve(np.cos(w * OCTAVES), gap(700.0, 5)))
    assert found.u_db == pytest.approx((1 - np.cos(w * d)) / np.sqrt(2), rel=0.05)
    assert f"±{2 * found.u_db:.1f} dB" in found.sentence("it")


@pytest.mark.parametrize(("points", "is_bridged"), [(7, True), (8, False)])
def test_a_sixth_of_an_octave_between_what_is_known_is_the_widest(points: int, is_bridged: bool) -> None:
    """Seven points lost at 48 an octave lie between two that are 8/48 apart."""
    whole, found = bridged(curve(OCTAVES, gap(700.0, points)))
    assert bool(found) is is_bridged
    assert whole.valid.all() == is_bridged


def test_many_gaps_are_not_bridged_and_ends_never() -> None:
    many = np.any([gap(hz, 5) for hz in (300.0, 500.0, 800.0, 1300.0, 2000.0)], axis=0)
    assert bridged(curve(OCTAVES, many))[1] == ()
    ends = (HZ < 25.0) | (HZ > 18_000.0)
    whole, found = bridged(curve(OCTAVES, ends))
    assert found == ()
    assert np.array_equal(whole.valid, ~ends)


def test_draws_across_a_gap_are_lines_off_by_its_doubt() -> None:
    w = 2 * np.pi * 3.0
    one = curve(np.cos(w * OCTAVES), gap(700.0, 5))
    drawn = alone(one, 4000)
    (found,) = drawn.gaps
    middle = (found.first + found.last) // 2
    assert drawn.rows[1:, middle].std() == pytest.approx(found.u_db, rel=0.05)
    assert np.ptp(drawn.rows[1:, found.first - 1]) < 1e-12


def test_a_few_lost_points_do_not_cost_a_figure_and_are_named() -> None:
    level = -10 * np.log10(1 + (50.0 / HZ) ** 4) - 0.3 * OCTAVES
    sound, lame = curve(level, HZ < 0.0, u=0.1), curve(level, gap(1500.0, 4), u=0.1)
    whole = preference_rating(sound, sound, sound, sound)
    patched = preference_rating(lame, lame, lame, lame)
    assert patched.value == pytest.approx(whole.value, abs=0.01)
    assert any("the curve cannot be trusted from " in note for note in patched.caveats)
    assert band_level(lame).caveats
    assert not band_level(curve(level, gap(6000.0, 4))).caveats
    lost = preference_rating(*[curve(level, gap(1500.0, 40))] * 4)
    assert "does not cover" in lost.reason
    low = lower_limit(curve(level, gap(90.0, 4)), 0.0, 6.0, key="f6")
    assert low.value == pytest.approx(lower_limit(sound, 0.0, 6.0, key="f6").value or 0.0, rel=1e-3)
    assert any("cannot be trusted" in note for note in low.caveats)
