"""Smoothing checks: closed forms of slopes and of the comb filter (cosine integral, scipy), reference section 8."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import sici

from earwitness.dsp.smoothing import smooth_power
from earwitness.errors import InputError

ONE = np.array([1000.0])


@pytest.mark.parametrize(("exponent", "expected"), [(2, 0.03857257794), (4, 0.1534803171), (8, 0.6015603966)])
def test_slope_bias(exponent: int, expected: float) -> None:
    # s8.slope_numeric_dB_f1000_N3_slope2, 4, 8; closed form sinh(y) / y with y = exponent ln 2 / 6
    frequency = np.arange(1.0, 24001.0)
    level = 10 * np.log10(smooth_power((frequency / 1000) ** exponent, frequency, ONE, 3)[0])
    assert level == pytest.approx(expected, abs=1e-9)
    y = exponent * np.log(2) / 6
    assert level == pytest.approx(10 * np.log10(np.sinh(y) / y), abs=2e-5)


@pytest.mark.parametrize("fraction", [3, 12, 24])
@pytest.mark.parametrize("at_hz", [500.0, 1000.0, 5000.0])
def test_comb_filter(fraction: int, at_hz: float) -> None:
    # s8.comb_g0.5_tau1ms_*: 1 + g^2 + 2 g [Ci(2 pi fu t) - Ci(2 pi fl t)] / ln(fu / fl)
    gain, delay = 0.5, 1e-3
    frequency = np.arange(10, 40001) * 0.5
    power = np.abs(1 + gain * np.exp(-2j * np.pi * frequency * delay)) ** 2
    low, high = at_hz * 2 ** (-0.5 / fraction), at_hz * 2 ** (0.5 / fraction)
    wave = sici(2 * np.pi * high * delay)[1] - sici(2 * np.pi * low * delay)[1]
    exact = 1 + gain**2 + 2 * gain * wave / np.log(high / low)
    smoothed = smooth_power(power, frequency, np.array([at_hz]), fraction)[0]
    assert 10 * np.log10(smoothed / exact) == pytest.approx(0.0, abs=1e-4)


def test_comb_values() -> None:
    # s8.comb_g0.5_tau1ms_f500_N3, f1000_N12, f5000_N24 (numeric)
    frequency = np.arange(10, 40001) * 0.5
    power = np.abs(1 + 0.5 * np.exp(-2j * np.pi * frequency * 1e-3)) ** 2
    for at_hz, fraction, level in ((500.0, 3, -5.655755565), (1000.0, 12, 3.511231567), (5000.0, 24, 3.455788243)):
        smoothed = smooth_power(power, frequency, np.array([at_hz]), fraction)[0]
        assert 10 * np.log10(smoothed) == pytest.approx(level, abs=2e-9)


def test_edges() -> None:
    # s8.edge_truncation_bias_dB_12dBoct_N3 = 1.042 dB and N12 = 0.253 dB: mean of f^4 over the upper half band
    frequency = np.linspace(20.0, 2000.0, 40001)
    power = (frequency / 20.0) ** 4
    for fraction, expected in ((3, 1.04200518), (12, 0.2532730854)):
        cut = smooth_power(power, frequency, np.array([20.0]), fraction, edge="truncate")[0]
        assert 10 * np.log10(cut) == pytest.approx(expected, abs=1e-3)
    assert smooth_power(power, frequency, np.array([20.0]), 3)[0] == 1.0


@pytest.mark.parametrize("at_hz", [20.0 * 1.02, 20.0 * 1.3, 2000.0 / 1.02, 2000.0 / 1.3])
def test_near_an_end_the_band_shrinks_on_both_sides(at_hz: float) -> None:
    """Power that grows with frequency is integrated exactly: its mean over ln f is (high - low) / ln(high / low)."""
    frequency = np.linspace(20.0, 2000.0, 1981)
    ratio = min(at_hz / 20.0, 2000.0 / at_hz, 2 ** (1 / 6))
    low, high = at_hz / ratio, at_hz * ratio
    found = smooth_power(3.0 * frequency, frequency, np.array([at_hz]), 3)[0]
    assert found == pytest.approx(3.0 * (high - low) / np.log(high / low), rel=1e-9)


def test_the_last_and_first_segments_count() -> None:
    """Power 4 f - 11 from 3 to 4 Hz, 9 - 4 f from 1 to 2 Hz, 1 between: closed forms over half a third octave."""
    frequency, power = np.array([1.0, 2.0, 3.0, 4.0]), np.array([5.0, 1.0, 1.0, 5.0])
    for at_hz, slope, offset, low, high in (
        (4.0, 4.0, -11.0, 4.0 / 2 ** (1 / 6), 4.0),
        (1.0, -4.0, 9.0, 1.0, 2 ** (1 / 6)),
    ):
        mean = (slope * (high - low) + offset * np.log(high / low)) / np.log(high / low)
        found = smooth_power(power, frequency, np.array([at_hz]), 3, edge="truncate")[0]
        assert found == pytest.approx(mean, rel=1e-12), at_hz
    ends = smooth_power(power, frequency, np.array([1.0, 4.0]), 3)
    assert ends.tolist() == [5.0, 5.0]


@pytest.mark.parametrize("fraction", [0.5, 1.0])
def test_wide_bands_are_smoothed_over_too(fraction: float) -> None:
    frequency = np.linspace(100.0, 10_000.0, 991)
    low, high = 1000.0 / 2 ** (0.5 / fraction), 1000.0 * 2 ** (0.5 / fraction)
    found = smooth_power(frequency, frequency, np.array([1000.0]), fraction)[0]
    assert found == pytest.approx((high - low) / np.log(high / low), rel=1e-9)


def test_two_frequencies_are_enough() -> None:
    found = smooth_power(np.array([1.0, 3.0]), np.array([10.0, 20.0]), np.array([15.0]), 24)
    low, high = 15.0 / 2 ** (1 / 48), 15.0 * 2 ** (1 / 48)
    assert found[0] == pytest.approx(0.2 * (high - low) / np.log(high / low) - 1.0)


def test_constant_stays_and_takes_stay_apart() -> None:
    frequency = np.arange(1.0, 2001.0)
    power = np.array([[1.0], [4.0]]) * np.ones(2000)
    smoothed = smooth_power(power, frequency, np.array([1.0, 1.5, 30.0, 1999.5, 2000.0]), 6)
    np.testing.assert_allclose(smoothed, np.array([[1.0], [4.0]]) * np.ones(5), rtol=1e-10)


def test_unusable_input_is_refused() -> None:
    grid = np.array([1.0, 2.0, 3.0])
    with pytest.raises(InputError, match="does not fit"):
        smooth_power(grid[:2], grid, grid, 3)
    with pytest.raises(InputError, match="0 Hz"):
        smooth_power(grid, grid - 1.0, grid[:1], 3)
    with pytest.raises(InputError, match="do not rise"):
        smooth_power(grid, np.array([1.0, 2.0, 2.0]), grid[:1], 3)
    for fraction in (0, np.inf, -3):
        with pytest.raises(InputError, match="octave"):
            smooth_power(grid, grid, grid, fraction)
    with pytest.raises(InputError, match="outside the data"):
        smooth_power(grid, grid, grid * 2, 3)
