"""Joints of near and far field made from known truths; weights and dips from the processing reference, section 3.4."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.quantities import report_axis
from earwitness.reduce.splice import LevelPrior, SpliceResult, blend_weight, splice

HZ = report_axis().hz
LOW, HIGH = 250.0, 650.0


def truth(directions: int = 5) -> np.ndarray:
    """Second-order high-pass at 55 Hz with a gentle loss toward the rear that starts at 800 Hz."""
    s = 1j * HZ / 55.0
    base = 0.3 * s**2 / (1 + 1.2 * s + s**2)
    rear = np.arange(directions)[:, None]
    return base * (1 - 0.1 * rear * (HZ / 800) ** 2 / (1 + (HZ / 800) ** 2)) * np.exp(-2j * np.pi * HZ * 2e-5 * rear)


# Nothing is known of the near field's level: all of the gain is put on it.
UNKNOWN = LevelPrior(0.0, np.full(HZ.size, 100.0), np.full(HZ.size, 0.1), known=False, may_turn=True)


def told(near_u_db: float, far_u_db: float, *, chain_u_db: float = 0.15, known: bool = True) -> LevelPrior:
    return LevelPrior(chain_u_db, np.full(HZ.size, near_u_db), np.full(HZ.size, far_u_db), known, may_turn=True)


def flat(u: float, shape: tuple[int, ...]) -> np.ndarray:
    return np.full(shape, u)


def joined(
    far: np.ndarray,
    near: np.ndarray,
    low: float = LOW,
    high: float = HIGH,
    u_near: float = 0.3,
    levels: LevelPrior = UNKNOWN,
) -> SpliceResult:
    result = splice(HZ, far, near, low, high, flat(0.1, far.shape), flat(u_near, HZ.shape), 0, levels)
    assert isinstance(result, SpliceResult), result
    return result


def broken_far(whole: np.ndarray) -> np.ndarray:
    """A far field that is wrong below its limit, as a gate leaves it."""
    return whole * np.where(HZ < LOW, 3.0, 1.0)


def broken_near(whole: np.ndarray) -> np.ndarray:
    return whole * np.where(HZ > HIGH, 0.2, 1.0)


def test_weights() -> None:
    # s3.blend_far_weight_x0.25, x0.5, x0.75
    hz = 100 * 4.0 ** np.array([0.0, 0.25, 0.5, 0.75, 1.0])
    expected = [0, 0.1464466094067262, 0.49999999999999994, 0.8535533905932737, 1]
    assert blend_weight(hz, 100.0, 400.0) == pytest.approx(expected, abs=1e-12)


@settings(deadline=None, derandomize=True, max_examples=30)
@given(st.floats(-6, 6), st.booleans(), st.floats(-1.2e-3, 1.2e-3))
def test_level_polarity_and_delay_come_back(offset_db: float, inverted: bool, delay_s: float) -> None:
    whole = truth()
    near = whole * 10 ** (-offset_db / 20) * (-1 if inverted else 1) * np.exp(2j * np.pi * HZ * delay_s)
    result = joined(broken_far(whole), broken_near(near))
    assert result.report.gain_db == pytest.approx(offset_db, abs=1e-6)
    assert result.report.inverted is inverted
    assert result.report.delay_s == pytest.approx(delay_s, abs=1e-7)
    assert result.pressure == pytest.approx(whole, rel=1e-4, abs=1e-12)


def test_blend_lies_inside_the_limits_and_avoids_a_bad_part() -> None:
    whole = truth()
    near = whole * 10 ** (np.where(HZ > 400, 3 * np.log2(HZ / 400), 0.0) / 20)
    report = joined(whole, near).report
    assert LOW * 0.999 <= report.low_hz < report.high_hz <= HIGH * 1.001
    assert report.high_hz < 450
    assert report.high_hz / report.low_hz >= 2 ** (1 / 3) - 1e-9
    assert report.gain_db == pytest.approx(0.0, abs=0.15)


def test_slope_and_spread_are_reported() -> None:
    whole = truth()
    tilted = whole * 10 ** (-2.0 * np.log2(HZ / 400) / 20)
    report = joined(whole, tilted).report
    assert report.slope_db_per_octave == pytest.approx(2.0, abs=1e-6)
    wavy = whole * 10 ** (1.5 * np.sin(2 * np.pi * np.log2(HZ / LOW) * 6) / 20)
    assert joined(whole, wavy).report.spread_db == pytest.approx(1.5 / np.sqrt(2), abs=0.15)


def test_what_drifts_apart_like_another_order_of_filter_is_not_joined() -> None:
    """A subwoofer's gated far field holds leaked bass above its band, not its sound: 9 dB an octave beside."""
    whole = truth()
    for tilt_db, joins in ((2.5, True), (4.4, False), (9.0, False), (-9.0, False)):
        near = whole * 10 ** (tilt_db * np.log2(HZ / 400) / 20)
        found = splice(HZ, whole, near, LOW, HIGH, flat(0.1, whole.shape), flat(0.3, HZ.shape), 0, UNKNOWN)
        assert isinstance(found, str) is not joins
        assert joins or f"drift apart by {abs(tilt_db):.0f} dB per octave" in str(found)


@pytest.mark.parametrize("phase_deg", [10, 30, 60, 90])
def test_a_phase_difference_makes_no_dip(phase_deg: float) -> None:
    """A complex blend would dip by 0.03, 0.30, 1.25 and 3.01 dB here (s3.blend_complex_dip_dB_phase10 ... 90)."""
    whole = truth(1)
    near = whole * np.exp(1j * np.deg2rad(phase_deg) * np.sign(HZ - 400))
    level = 20 * np.log10(np.abs(joined(whole, near).pressure / whole))
    assert np.abs(level).max() < 1e-9


def test_too_little_overlap_is_refused_in_words() -> None:
    whole = truth()
    reason = splice(HZ, whole, whole, 400.0, 400.0 * 1.25, flat(0.1, whole.shape), flat(0.3, HZ.shape), 0, UNKNOWN)
    assert isinstance(reason, str)
    assert "third of an octave" in reason
    assert isinstance(joined(whole, whole, 400.0, 400.0 * 1.27), SpliceResult)


def test_silent_far_field_is_refused() -> None:
    whole = truth()
    reason = splice(HZ, whole * 0, whole, LOW, HIGH, flat(0.1, whole.shape), flat(0.3, HZ.shape), 0, UNKNOWN)
    assert isinstance(reason, str)
    assert "zero or not a number" in reason


def test_each_direction_keeps_its_own_delay_but_not_its_own_level() -> None:
    whole = truth()
    own = np.linspace(0, 4e-4, 5)
    near = whole * np.exp(2j * np.pi * HZ * own[:, None]) * 10 ** (np.linspace(0, 3, 5)[:, None] / 20)
    result = joined(whole, near)
    below = np.argmin(np.abs(HZ - 40))
    left = 20 * np.log10(np.abs(result.pressure / whole)[:, below])
    assert left == pytest.approx(np.linspace(0, 3, 5), abs=1e-6)
    assert np.angle(result.pressure / whole)[:, below] == pytest.approx(0.0, abs=1e-3)
    at_blend = 20 * np.log10(np.abs(result.pressure / whole)[:, np.argmin(np.abs(HZ - result.report.low_hz))])
    assert at_blend[1:] == pytest.approx(np.linspace(0, 3, 5)[1:] - 0.5, abs=0.01)


def test_uncertainty_of_the_parts_and_of_the_joint() -> None:
    whole = truth()
    clean = joined(whole, whole)
    assert clean.u_db[:, HZ < 200] == pytest.approx(0.3)
    assert clean.u_db[:, HZ > 900] == pytest.approx(0.1)
    inside = (clean.report.low_hz < HZ) & (clean.report.high_hz > HZ)
    assert ((clean.u_db[:, inside] > 0.1) & (clean.u_db[:, inside] < 0.3)).all()


def pull(result: SpliceResult, name: str) -> np.ndarray:
    return next(cause.pull_db for cause in result.causes if cause.name == name)


@pytest.mark.parametrize(("near_u", "far_u", "share"), [(0.3, 0.1, 0.9), (0.2, 0.2, 0.5), (1.0, 0.25, 16 / 17)])
def test_the_gain_is_shared_by_what_is_known_of_both(near_u: float, far_u: float, share: float) -> None:
    """s_near^2 / (s_near^2 + s_far^2) of 1.5 dB, without fade; what is left of both levels are causes."""
    whole = truth()
    result = joined(whole, whole * 10 ** (-1.5 / 20), levels=told(near_u, far_u))
    assert result.share == pytest.approx(share, rel=1e-6)
    assert result.report.gain_db == pytest.approx(1.5)
    below = HZ < 100
    left = 20 * np.log10(np.abs(result.pressure[0, below] / whole[0, below]))
    assert left == pytest.approx(-1.5 * (1 - share), abs=1e-6)
    assert pull(result, "level at the splice")[0, below] == pytest.approx(share * far_u, rel=1e-6)
    assert pull(result, "near-field chain")[0, below] == pytest.approx((1 - share) * 0.15, rel=1e-6)
    assert np.abs(pull(result, "level at the splice")[0, HZ > 900]).max() == 0.0


def test_scatter_about_the_match_counts_by_the_number_of_thirds() -> None:
    """Of scatter s over n thirds of an octave s / sqrt(n) is left in the mean."""
    whole = truth()
    wavy = whole * 10 ** (1.0 * np.sin(2 * np.pi * np.log2(HZ / LOW) * 5) / 20)
    result = joined(whole, wavy)
    thirds = 3 * np.log2(result.report.high_hz / result.report.low_hz)
    assert thirds > 1.2
    expected = np.hypot(0.1, result.report.spread_db / np.sqrt(thirds))
    assert pull(result, "level at the splice")[0, 0] == pytest.approx(result.share * expected, rel=1e-6)


def test_the_place_of_the_blend_counts_half_of_what_a_third_of_an_octave_changes() -> None:
    """Near and far 1 dB apart above the blend only: moved up, more of the near field's 1 dB comes in."""
    whole = truth(1)
    near = whole * 10 ** (np.where(HZ > 500.0, 1.0, 0.0) / 20)
    result = joined(whole, near, high=500.0, levels=told(0.0, 1.0))
    low, high = result.report.low_hz, result.report.high_hz
    step = np.where(HZ > 500.0, 1.0, 0.0)
    by_place = [step * (1 - blend_weight(HZ, low * by, high * by)) for by in (2 ** (-1 / 3), 1.0, 2 ** (1 / 3))]
    half = (np.max(by_place, axis=0) - np.min(by_place, axis=0)) / 2
    assert half.max() > 0.1
    assert np.abs(pull(result, "place of the splice")[0]) == pytest.approx(half, abs=1e-6)
    assert pull(result, "place of the splice")[0, np.argmax(half)] > 0


def test_a_gain_that_no_chain_can_have_is_refused() -> None:
    whole = truth()

    def off(gain_db: float, levels: LevelPrior) -> SpliceResult | str:
        near = whole * 10 ** (-gain_db / 20)
        return splice(HZ, whole, near, LOW, HIGH, flat(0.1, whole.shape), flat(0.3, HZ.shape), 0, levels)

    known, by_hand = told(0.3, 0.2), told(1.0, 0.2, known=False)
    assert isinstance(off(2.9, known), SpliceResult)
    refused = off(-3.2, known)
    assert isinstance(refused, str)
    assert "3.2 dB too loud" in refused
    assert refused.startswith("The gain or drive_v")
    assert isinstance(off(5.9, by_hand), SpliceResult)
    assert isinstance(off(6.2, by_hand), str)
    # Where little is known, three standard uncertainties may be more than that.
    assert isinstance(off(8.0, told(3.0, 0.2, known=False)), SpliceResult)


def test_polarity_is_turned_only_where_nothing_else_tells_it() -> None:
    whole = truth()
    turned = flat(0.1, whole.shape), flat(0.3, HZ.shape), 0
    assert "turned over in polarity" in str(splice(HZ, whole, -whole, LOW, HIGH, *turned, told(0.3, 0.2)))
    one_sign = told(1.0, 0.2, known=False)
    found = splice(HZ, whole, -whole, LOW, HIGH, *turned, one_sign)
    assert isinstance(found, SpliceResult)
    assert found.report.inverted
    several = LevelPrior(1.0, one_sign.near_u_db, one_sign.far_u_db, known=False, may_turn=False)
    assert "turned over in polarity" in str(splice(HZ, whole, -whole, LOW, HIGH, *turned, several))


def test_endless_uncertainty_outside_a_part_does_not_leak() -> None:
    whole = truth()
    u_far = np.where(HZ < LOW, np.inf, 0.1) * np.ones(whole.shape)
    result = splice(HZ, whole, whole, LOW, HIGH, u_far, np.where(HZ > HIGH, np.inf, 0.3), 0, UNKNOWN)
    assert isinstance(result, SpliceResult)
    assert np.isfinite(result.u_db).all()


def test_shapes_that_do_not_fit() -> None:
    whole = truth()
    with pytest.raises(ValueError, match="stand on the same"):
        splice(HZ, whole, whole[:2], LOW, HIGH, flat(0.1, whole.shape), flat(0.3, HZ.shape), 0, UNKNOWN)
