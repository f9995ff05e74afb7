"""Minimum phase and group delay: Butterworth filters of scipy, closed forms, processing reference section 2.4."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, freqz_sos, group_delay, sosfilt

from earwitness.dsp.minimum_phase import group_delay_s, minimum_phase
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


def test_group_delay_of_butterworth() -> None:
    # s2.gd_B2_HP_f3_50Hz_ms_at_25_50_100; (sqrt 2 / w3)(1 + x^2) / (1 + x^4)
    pulse = np.zeros(48000)
    pulse[0] = 1.0
    impulse = sosfilt(butter(2, 50, "hp", fs=RATE, output="sos"), pulse)
    delay_ms = 1e3 * group_delay_s(impulse, RATE)[[25, 50, 100]]
    np.testing.assert_allclose(delay_ms, [5.2959783303621375, 4.501581580739994, 1.3239945827334414], rtol=2e-4)
    # s2.gd_B4_HP_f3_50Hz_ms_at_25_50_100
    steep = sosfilt(butter(4, 50, "hp", fs=RATE, output="sos"), pulse)
    delay_ms = 1e3 * group_delay_s(steep, RATE)[[25, 50, 100]]
    np.testing.assert_allclose(delay_ms, [9.487419593073083, 11.763199552141765, 2.3718548985681704], rtol=2e-4)


def test_group_delay_agrees_with_scipy() -> None:
    taps = np.array([0.1, 0.7, -0.3, 0.2, 0.05, 0.0, 0.0, 0.0])
    _, samples = group_delay((taps, [1.0]), w=np.fft.rfftfreq(8, 1 / RATE), fs=RATE)
    np.testing.assert_allclose(group_delay_s(taps, RATE) * RATE, samples, atol=1e-9)


def test_unusable_input_is_refused() -> None:
    for magnitude in (np.zeros(9), np.ones(2), np.array([1.0, -1.0, 1.0]), np.array([1.0, np.nan, 1.0])):
        with pytest.raises(InputError, match="minimum phase"):
            minimum_phase(magnitude)
    with pytest.raises(InputError, match="group delay"):
        group_delay_s(np.zeros(8), RATE)
