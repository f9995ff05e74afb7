"""Minimum phase and group delay: Butterworth filters of scipy, closed forms, processing reference section 2.4."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.fft
import scipy.signal
from scipy.signal import butter, freqz_sos

from earwitness.dsp.filters import analytic, minimum_phase
from earwitness.errors import InputError

RATE = 48000.0


@pytest.mark.parametrize(
    ("power", "errors_deg"),
    [
        (14, [16.13914043839205, 0.6040737410182219, 0.5297699124144962, 0.025606580216043492]),
        (16, [0.2133554823743411, 0.658688655092405, 0.08310096592556895, 0.0034274503957989924]),
    ],
)
def test_cepstrum_error_shrinks_as_known(power: int, errors_deg: list[float]) -> None:
    # s2.minphase_err_deg_nfft2^14..., 2^16...: a 50 Hz Butterworth high-pass times an 8 kHz first-order low-pass
    frequency = np.fft.rfftfreq(2**power, 1 / RATE)
    sections = np.concatenate([butter(2, 50, "hp", fs=RATE, output="sos"), butter(1, 8000, fs=RATE, output="sos")])
    true = freqz_sos(sections, worN=frequency, fs=RATE)[1]
    magnitude = np.maximum(np.abs(true), 1e-7)
    found = minimum_phase(magnitude)
    np.testing.assert_allclose(np.abs(found), magnitude, rtol=1e-6)
    turn = np.degrees(np.angle(found[1:-1] / true[1:-1]))
    at = [np.interp(f, frequency[1:-1], turn) for f in (50.0, 200.0, 1000.0, 10000.0)]
    np.testing.assert_allclose(np.abs(at), errors_deg, rtol=0.02, atol=2e-3)


def test_rows_do_not_mix() -> None:
    magnitude = np.stack([np.full(65, 0.5), np.linspace(1.0, 2.0, 65)])
    np.testing.assert_allclose(minimum_phase(magnitude)[0], 0.5, atol=1e-12)
    np.testing.assert_allclose(minimum_phase(magnitude)[1], minimum_phase(magnitude[1]), atol=1e-12)


def test_unusable_input_is_refused() -> None:
    for magnitude in (np.zeros(9), np.ones(2), np.array([1.0, -1.0, 1.0]), np.array([1.0, np.nan, 1.0])):
        with pytest.raises(InputError, match="minimum phase"):
            minimum_phase(magnitude)


@pytest.mark.parametrize("count", [64, 77, 4096, 5003])
def test_the_analytic_signal_is_scipys(count: int) -> None:
    """scipy.signal.hilbert of a signal without mean; a signal with a mean loses it."""
    samples = np.random.default_rng(count).standard_normal(count)
    samples -= samples.mean()
    length = scipy.fft.next_fast_len(count, True)
    expected = scipy.signal.hilbert(np.r_[samples, np.zeros(length - count)])[:count]
    np.testing.assert_allclose(analytic(samples), expected, atol=1e-12)
    # A whole number of periods is a turning pointer of constant length.
    turning = analytic(3.0 + np.cos(2 * np.pi * 5 * np.arange(64) / 64))
    np.testing.assert_allclose(turning, np.exp(2j * np.pi * 5 * np.arange(64) / 64), atol=1e-12)
