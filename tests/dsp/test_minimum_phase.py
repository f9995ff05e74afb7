"""Minimum phase and group delay: Butterworth filters of scipy, closed forms, processing reference section 2.4."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, freqz_sos

from earwitness.dsp.filters import minimum_phase
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
