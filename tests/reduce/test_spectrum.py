"""Spectra at log frequencies against scipy.signal and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from earwitness.quantities import report_axis
from earwitness.reduce.impulse import noise_density, spectrum_at

RATE = 48_000.0


@pytest.mark.parametrize("count", [900, 9600])
def test_short_and_long_windows_give_the_filter_s_response(count: int) -> None:
    """A filter's impulse response against scipy.signal.sosfreqz, in both ways of computing."""
    sos = signal.butter(2, [300.0, 5000.0], "bandpass", fs=RATE, output="sos")
    impulse = signal.sosfilt(sos, np.eye(1, count, 24)[0])
    hz = report_axis().hz
    hz = hz[(hz > 100.0) & (hz < 20_000.0)]
    found = spectrum_at(impulse[None, :], np.array([-24 / RATE]), RATE, hz)[0]
    expected = signal.sosfreqz(sos, hz, fs=RATE)[1]
    assert 20 * np.log10(np.abs(found / expected)) == pytest.approx(np.zeros(hz.size), abs=0.02)
    assert np.angle(found / expected) == pytest.approx(np.zeros(hz.size), abs=0.003)


def test_a_delay_turns_the_phase_the_right_way() -> None:
    """exp(+j omega t): a delay tau multiplies by exp(-j omega tau)."""
    hz = np.array([100.0, 1000.0])
    found = spectrum_at(np.eye(1, 100, 48), np.array([0.0]), RATE, hz)[0]
    assert found == pytest.approx(np.exp(-2j * np.pi * hz * 1e-3))


def test_comb_finer_than_the_grid_keeps_its_power() -> None:
    """1 + 0.8 at 10 ms above 4 kHz: the mean level is 10 lg(1 + g^2) = 2.148 dB (reference, 8.2)."""
    impulse = np.zeros((1, 9600))
    impulse[0, 0], impulse[0, 480] = 1.0, 0.8
    hz = report_axis().hz
    hz = hz[(hz > 6000.0) & (hz < 19_000.0)]
    level = 10 * np.log10(np.mean(np.abs(spectrum_at(impulse, np.array([0.0]), RATE, hz)[0]) ** 2))
    assert level == pytest.approx(2.148, abs=0.05)


def test_noise_density_of_white_noise() -> None:
    """White noise of variance s^2 has the two-sided density s^2 / fs; scipy.signal.welch agrees."""
    noise = 0.01 * np.random.default_rng(7).standard_normal(48_000)
    hz = np.linspace(500.0, 20_000.0, 400)
    found = noise_density(noise, RATE, hz)
    assert np.mean(found) == pytest.approx(0.01**2 / RATE, rel=0.05)
    frequency, density = signal.welch(noise, RATE, nperseg=4096)
    inside = (frequency > 500.0) & (frequency < 20_000.0)
    assert np.mean(found) == pytest.approx(np.mean(density[inside]) / 2, rel=0.02)
