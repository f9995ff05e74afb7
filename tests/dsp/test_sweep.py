"""Sweep checks: closed forms of the exponential sweep (stationary phase) and the processing reference, section 1."""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.dsp.sweep import (
    SweepLaw,
    fade_envelope,
    harmonic_lead_s,
    highest_fundamental_hz,
    sweep_law,
    sweep_phase,
    sweep_samples,
    sweep_spectrum,
)
from earwitness.errors import InputError


def test_rate_and_rounding() -> None:
    # s1.L_farina_20_20k_5s, s1.L_rounded, s1.T_rounded
    assert sweep_law(20.0, 20000.0, 5.0).rate_s == pytest.approx(0.7238241365054198, rel=1e-14)
    rounded = sweep_law(20.0, 20000.0, 5.0, rounded=True)
    assert rounded.rate_s == pytest.approx(0.7, rel=1e-14)
    assert rounded.duration_s == pytest.approx(4.835428695287495, rel=1e-14)


def test_harmonic_leads() -> None:
    # s1.dt_n_2to5, s1.dt_n_rounded_2to5
    law, rounded = sweep_law(20.0, 20000.0, 5.0), sweep_law(20.0, 20000.0, 5.0, rounded=True)
    expected = [0.5017166594399687, 0.7952020911994375, 1.0034333188799374, 1.164950007226698]
    assert [harmonic_lead_s(law, n) for n in (2, 3, 4, 5)] == pytest.approx(expected, rel=1e-14)
    expected = [0.48520302639196167, 0.7690286020676768, 0.9704060527839233, 1.1266065387038702]
    assert [harmonic_lead_s(rounded, n) for n in (2, 3, 4, 5)] == pytest.approx(expected, rel=1e-14)


def test_synchronized_phase_multiplies_by_the_order() -> None:
    # Novak, Simon and Lotton 2015 (from memory): phi(t + L ln n) = n phi(t); s1.sync_identity_max_rel_err is 5e-15
    law = sweep_law(20.0, 20000.0, 5.0)
    time = np.linspace(0.0, 4.0, 1001)
    for order in (2, 3, 4, 5):
        shifted = sweep_phase(law, time + harmonic_lead_s(law, order))
        np.testing.assert_allclose(shifted, order * sweep_phase(law, time), rtol=3e-14)


def test_classic_phase_offset() -> None:
    # s1.farina_phase_offset_rad_n2_mod2pi ... n5
    law = sweep_law(20.0, 20000.0, 5.0, synchronized=False)
    offsets = (2.993829288941882, 5.987658577883792, 2.6983025596460877, 5.692131848587884)
    for order, expected in enumerate(offsets, start=2):
        offset = sweep_phase(law, np.array([harmonic_lead_s(law, order)]))[0]
        assert np.mod(offset, 2 * np.pi) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("synchronized", [True, False])
def test_spectrum_matches_the_transform(synchronized: bool) -> None:
    # s1.spectrum_closedform_ratio_mean_mag_1000 = 1.0000003, phase 0.0010 degrees
    law = sweep_law(20.0, 20000.0, 5.0, synchronized=synchronized, rounded=synchronized)
    rate = 96000.0
    spectrum = np.fft.rfft(sweep_samples(law, rate), 2**20) / rate
    frequency = np.fft.rfftfreq(2**20, 1 / rate)
    band = (frequency > 1000 / 1.02) & (frequency < 1000 * 1.02)
    ratio = np.mean(spectrum[band] / sweep_spectrum(law, frequency[band]))
    assert abs(ratio) == pytest.approx(1.0, abs=2e-4)
    assert abs(np.degrees(np.angle(ratio))) < 0.02


def test_spectrum_level_at_1_khz() -> None:
    # s1.sweep_mag_at_1k_db_re_1V_per_Hz
    law = sweep_law(20.0, 20000.0, 5.0, rounded=True)
    level = 20 * np.log10(np.abs(sweep_spectrum(law, np.array([1000.0]))[0]))
    assert level == pytest.approx(-37.569619513137056, abs=1e-9)


def test_harmonic_limits() -> None:
    # s1.max_harm_fundamental_fs48k_2to5 (f2 = 24 kHz, the sample rate no limit here)
    law = sweep_law(10.0, 24000.0, 5.0)
    assert [highest_fundamental_hz(law, n, 96000.0) for n in (2, 3, 4, 5)] == [12000.0, 8000.0, 6000.0, 4800.0]
    assert highest_fundamental_hz(law, 2, 48000.0) == pytest.approx(10800.0)


def test_fades_start_and_end_at_zero() -> None:
    envelope = fade_envelope(100, 20, 10)
    assert envelope[0] == 0.0
    assert envelope[-1] == 0.0
    assert envelope[10] == pytest.approx(0.5)
    assert np.all(envelope[20:90] == 1.0)


def test_impossible_sweeps_are_refused() -> None:
    with pytest.raises(InputError, match="impossible"):
        sweep_law(100.0, 50.0, 1.0)
    with pytest.raises(InputError, match="impossible"):
        SweepLaw(20.0, 200.0, 0.0)
    with pytest.raises(InputError, match="half the sample rate"):
        sweep_samples(sweep_law(20.0, 30000.0, 1.0), 48000.0)
    with pytest.raises(InputError, match="fades"):
        fade_envelope(10, 6, 6)
    with pytest.raises(InputError, match="order"):
        harmonic_lead_s(sweep_law(20.0, 200.0, 1.0), 0)
    with pytest.raises(InputError, match="impossible"):
        sweep_law(20.0, 200.0, float("nan"))


FAST = 1.0 + 50e-6


def test_clock_drift_delays_by_the_known_amount() -> None:
    # s1.drift50ppm_delay_err_us_at_20_1k_20k: -36.19, -177.77, -286.19 microseconds (first order in the drift)
    law = sweep_law(20.0, 20000.0, 5.0)
    # A recorder whose time runs so that y(t) = x((1 + drift) t).
    seen = SweepLaw(law.start_hz * FAST, law.stop_hz * FAST, law.rate_s / FAST)
    assert seen.start_hz * seen.rate_s == pytest.approx(law.start_hz * law.rate_s, rel=1e-15)
    for frequency, expected in ((20.0, -36.191206825), (1000.0, -177.772040520), (20000.0, -286.191206825)):
        near = np.array([frequency * (1 - 1e-6), frequency * (1 + 1e-6)])
        turn = sweep_spectrum(seen, near) / sweep_spectrum(law, near)
        delay = -np.angle(turn[1] / turn[0]) / (2 * np.pi * (near[1] - near[0]))
        assert 1e6 * delay == pytest.approx(expected, abs=0.05)
