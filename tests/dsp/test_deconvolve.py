"""Deconvolution checks: exact polynomial harmonics, the closed-form bias of regularization, and pyfar."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from earwitness.dsp.sweep import HarmonicResponse, harmonic_response, regularization, sweep_law, sweep_samples
from earwitness.errors import InputError
from earwitness.quantities.arrays import ComplexArray, FloatArray
from plain_deconvolution import deconvolve


def harmonic_spectrum(response: HarmonicResponse, fundamental_hz: FloatArray) -> ComplexArray:
    """H_n(n f) at the fundamentals (F,) about the exact time origin; shape (..., F).

    Harmonic distortion of order n is |H_n(n f)| / |H_1(f)|, f the fundamental, without any further factor.
    """
    time = response.start_s + np.arange(response.samples.shape[-1]) / response.sample_rate_hz
    angle = 2.0 * np.pi * response.order * time[:, None] * fundamental_hz[None, :]
    return np.asarray(response.samples @ np.exp(-1j * angle), dtype=np.complex128)


def test_static_polynomial_harmonics() -> None:
    # s1.harm_A1.0_* and s1.harm_A0.5_*: y = x + 0.1 x^2 + 0.03 x^3; exact values from the trigonometric identities
    rate = 96000.0
    law = sweep_law(10.0, 22000.0, 8.0, rounded=True)
    played = sweep_samples(law, rate, fade_in_s=0.1, fade_out_s=0.01)
    amplitude = np.array([1.0, 0.5])
    taken = amplitude[:, None] * np.pad(played, (0, 48000))
    taken = (taken + 0.1 * taken**2 + 0.03 * taken**3) / amplitude[:, None]
    impulse = deconvolve(taken, played, rate, 10.0, 22000.0, lead_s=2.0)
    tone = np.array([1000.0])
    parts = {n: harmonic_spectrum(harmonic_response(impulse, law, n, rate), tone)[:, 0] for n in (1, 2, 3)}
    second, third = np.abs(parts[2] / parts[1]), np.abs(parts[3] / parts[1])
    np.testing.assert_allclose(100 * second, [4.88997555012225, 2.4860161591050343], rtol=2e-4)
    np.testing.assert_allclose(100 * third, [0.7334963325183375, 0.18645121193287756], rtol=2e-4)
    level = 20 * np.log10(np.abs(parts[1]))
    np.testing.assert_allclose(level, [0.19326633358758796, 0.0487212288620953], atol=2e-3)
    # sin^2 = 1/2 - 1/2 cos 2p: -90 degrees; sin^3 = 3/4 sin p - 1/4 sin 3p: 180 degrees
    assert np.degrees(np.angle(parts[2][0])) == pytest.approx(-90.0, abs=0.05)
    assert np.degrees(np.angle(-parts[3][0])) == pytest.approx(0.0, abs=0.05)


def test_filter_is_found_again_and_agrees_with_pyfar() -> None:
    import pyfar

    rate = 48000.0
    law = sweep_law(20.0, 22000.0, 1.0)
    played = np.pad(sweep_samples(law, rate, fade_in_s=0.05, fade_out_s=0.005), (0, 24000))
    taken = sosfilt(butter(2, [100.0, 5000.0], "bandpass", fs=rate, output="sos"), played)
    found = deconvolve(taken, played, rate, 20.0, 22000.0)
    padded = pyfar.Signal(np.pad(played, (0, found.size - played.size)), rate)
    inverse = pyfar.dsp.RegularizedSpectrumInversion.from_frequency_range(padded, (20, 22000)).invert
    theirs = np.fft.rfft(taken, found.size) * np.fft.rfft(inverse.time[0])
    frequency = np.fft.rfftfreq(found.size, 1 / rate)
    band = (frequency > 60) & (frequency < 12000)
    ratio = np.fft.rfft(found)[band] / theirs[band]
    np.testing.assert_allclose(ratio, 1.0, atol=1e-6)


@pytest.mark.parametrize(
    ("beta_db", "bias_db"),
    [(-20, -0.08642747565285157), (-30, -0.008681549586371554), (-40, -0.000868545537253537)],
)
def test_in_band_bias_is_the_same_at_every_frequency(beta_db: float, bias_db: float) -> None:
    # s1.regularisation_bias_db_beta-20dB ... -40dB: 20 lg(1 / (1 + beta)), beta the ratio of epsilon to |X|^2
    rate = 48000.0
    played = sweep_samples(sweep_law(20.0, 20000.0, 1.0), rate)
    impulse = deconvolve(played, played, rate, 20.0, 20000.0, in_band=10 ** (beta_db / 10))
    frequency = np.fft.rfftfreq(impulse.size, 1 / rate)
    band = (frequency > 22) & (frequency < 19000)
    np.testing.assert_allclose(20 * np.log10(np.abs(np.fft.rfft(impulse))[band]), bias_db, rtol=1e-5)


def test_epsilon_outside_the_band_is_the_peak_power() -> None:
    frequency = np.array([0.0, 14.8, 20.0, 21.0, 1000.0, 19047.0, 20000.0, 26938.0])
    spectrum = np.full(8, 2.0 + 0.0j)
    epsilon = regularization(spectrum, frequency, 20.0, 20000.0, in_band=0.01)
    np.testing.assert_allclose(epsilon[[0, 1, 7]], 4.0)
    np.testing.assert_allclose(epsilon[[3, 4, 5]], 0.04)
    assert np.all((epsilon[[2, 6]] > 0.04) & (epsilon[[2, 6]] < 4.0))


def test_pure_delay_lands_at_its_sample_in_every_take() -> None:
    rate = 48000.0
    played = sweep_samples(sweep_law(20.0, 23000.0, 0.5), rate)
    taken = np.stack([np.pad(played, (shift, 1000 - shift)) for shift in (0, 137, 640)])
    impulse = deconvolve(taken.reshape(3, 1, -1), played, rate, 20.0, 23000.0)
    assert np.argmax(impulse, axis=-1).ravel().tolist() == [0, 137, 640]


def test_unusable_input_is_refused() -> None:
    played = sweep_samples(sweep_law(20.0, 2000.0, 0.5), 8000.0)
    with pytest.raises(InputError, match="silent"):
        deconvolve(played, 0.0 * played, 8000.0, 20.0, 2000.0)
    with pytest.raises(InputError, match="band"):
        deconvolve(played, played, 8000.0, 2000.0, 20.0)
    with pytest.raises(InputError, match="does not fit"):
        harmonic_response(played, sweep_law(20.0, 2000.0, 0.5), 2, 8000.0, post_s=9.0)
