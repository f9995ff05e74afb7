"""Gate checks: bandwidths of named windows (closed forms, processing reference section 2.2) and scipy's windows."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal.windows import hann

from earwitness.dsp.window import effective_length_s, gate_weights
from earwitness.errors import InputError

TIME = (np.arange(20000) + 0.5) / 20000


@pytest.mark.parametrize(
    ("fall_share", "noise", "three_db", "six_db"),
    [
        (0.0, 1.0, 0.885, 1.205),  # s2.window_rect_ENBWT_w3T_w6T
        (1.0, 1.5, 1.275, 1.794),  # s2.window_halfhann_right_ENBWT_w3T_w6T
        (0.25, 1.1020408163265305, 1.001, 1.366),  # s2.window_tukey_right25_ENBWT_w3T_w6T
    ],
)
def test_bandwidths(fall_share: float, noise: float, three_db: float, six_db: float) -> None:
    weights = gate_weights(TIME, 1.0, rise_s=0.0, lead_s=0.0, fall_share=fall_share)
    assert 20000.0 * np.sum(weights**2) / np.sum(weights) ** 2 == pytest.approx(noise, rel=1e-6)
    for width, level in ((three_db, 10**-0.15), (six_db, 10**-0.3)):
        half = np.exp(-2j * np.pi * 0.5 * width * TIME)
        assert abs(np.sum(weights * half)) / np.sum(weights) == pytest.approx(level, abs=1.5e-3)


@pytest.mark.parametrize(
    ("length_s", "fall_share", "error_db"),
    # s2.gate_halfhann50_3ms_err_dB_at_1_1.5_2_3_over_T and so on
    [
        (3e-3, 0.5, (0.801664, -0.1345304, -0.06375694, 0.03143312)),
        (5e-3, 0.5, (0.6282866507682996, -0.03769504076957982, -0.09129533880158289, 0.0369616542409685)),
        (10e-3, 0.5, (-0.3201697899339966, 0.29943075620538695, -0.06980173825961486, 0.04836553008485316)),
        (3e-3, 0.0, (0.15388256589398425, -0.060188873967768786, 0.13181339179330273, 0.12589428582167128)),
        (5e-3, 0.0, (0.19705529023370835, -0.059233789791453835, 0.08528052601156653, 0.06389920222779445)),
        (10e-3, 0.0, (0.30445993195226284, -0.0842719868596698, 0.08347124876319166, 0.04176730137507743)),
    ],
)
def test_gating_error_of_a_closed_box(length_s: float, fall_share: float, error_db: tuple[float, ...]) -> None:
    """Second-order high-pass at 60 Hz with a low-pass at 4 kHz; weights stand between samples, as in the table."""
    rate, length = 48000.0, 2**17
    hz = np.fft.rfftfreq(length, 1 / rate)
    turn = 1j * hz / 60.0
    whole = turn**2 / (turn**2 + turn * np.sqrt(2) + 1) / (1 + 1j * hz / 4000 / 0.7071 - (hz / 4000) ** 2)
    impulse = np.fft.irfft(whole, length)
    kept = np.arange(round(length_s * rate))
    weights = gate_weights((kept + 0.5) / rate, length_s, rise_s=0.0, lead_s=0.0, fall_share=fall_share)
    gated = np.fft.rfft(impulse[: kept.size] * weights, length)
    error = 20 * np.log10(np.abs(gated[1:] / whole[1:]))
    at = [float(np.interp(share / length_s, hz[1:], error)) for share in (1.0, 1.5, 2.0, 3.0)]
    assert at == pytest.approx(error_db, abs=1e-5)


def test_sides_are_hann_halves() -> None:
    rate = 48000.0
    weights = gate_weights(np.arange(-40, 250) / rate, 240 / rate, rise_s=24 / rate, lead_s=10 / rate, fall_share=0.5)
    np.testing.assert_allclose(weights[:6], 0.0, atol=1e-15)
    np.testing.assert_allclose(weights[6:31], hann(49)[:25], atol=1e-12)
    np.testing.assert_allclose(weights[30:160], 1.0, atol=1e-12)
    np.testing.assert_allclose(weights[160:281], hann(241)[120:], atol=1e-12)
    np.testing.assert_allclose(weights[280:], 0.0, atol=1e-15)


def test_effective_length_of_a_hann_half() -> None:
    # integral of cos^4 over a quarter period: 3/8
    weights = gate_weights(TIME, 1.0, rise_s=0.0, lead_s=0.0, fall_share=1.0)
    assert effective_length_s(weights, 20000.0) == pytest.approx(0.375, rel=1e-6)


def test_unusable_gates_are_refused() -> None:
    with pytest.raises(InputError, match="gate"):
        gate_weights(TIME, 0.0)
    with pytest.raises(InputError, match="gate"):
        gate_weights(TIME, 1.0, fall_share=1.1)
