"""Tones, pairs of tones and noise against closed forms and scipy."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

from earwitness.dsp.signals import crest_db, line_rms, pink_noise, tone, two_tone
from earwitness.errors import InputError

RATE = 48_000.0


def test_crest_of_a_sine_and_of_harmonic_tones() -> None:
    """A sine: 3.0103 dB. 32 harmonic cosines of phase zero: peak 32 over sqrt(16), 18.06 dB (s9.crest_dB_32tones)."""
    turn = 2 * np.pi * np.arange(8192) / 8192
    assert crest_db(np.cos(turn)) == pytest.approx(3.0103, abs=1e-4)
    assert crest_db(np.sum([np.cos(k * turn) for k in range(1, 33)], axis=0)) == pytest.approx(18.06179974, abs=1e-6)


def test_tone_fades_at_both_ends() -> None:
    made = tone(1000.0, 1.0, RATE)
    assert made[0] == 0.0
    assert abs(made[-1]) < 1e-3
    assert np.max(np.abs(made)) == pytest.approx(1.0, abs=1e-6)
    middle = made[12_000:36_000]
    assert np.sqrt(np.mean(middle**2)) == pytest.approx(1 / np.sqrt(2), abs=1e-4)


def test_pair_is_4_to_1_and_peaks_at_most_at_1() -> None:
    made = two_tone(60.0, 7000.0, 2.0, RATE)
    assert np.max(np.abs(made)) <= 1.0
    low, high = line_rms(made[24_000:72_000], RATE, np.array([60.0, 7000.0]))
    assert low == pytest.approx(0.8 / np.sqrt(2), rel=1e-6)
    assert high == pytest.approx(0.2 / np.sqrt(2), rel=1e-6)


def test_noise_has_equal_power_per_octave() -> None:
    made = pink_noise(60.0, RATE, seed=5)
    hz, density = scipy.signal.welch(made, RATE, nperseg=2**16)
    octaves = [10 * np.log10(np.sum(density[(hz >= low) & (hz < 2 * low)])) for low in (125, 500, 2000, 8000)]
    assert np.ptp(octaves) < 0.7
    assert np.max(np.abs(made)) == pytest.approx(1.0)
    assert (made == pink_noise(60.0, RATE, seed=5)).all()


def test_lines_must_fit() -> None:
    with pytest.raises(InputError, match="whole periods"):
        line_rms(np.ones(48_000), RATE, np.array([10.5]))


@pytest.mark.parametrize(("low", "high"), [(7000.0, 60.0), (60.0, 25_000.0), (0.0, 100.0)])
def test_impossible_pairs(low: float, high: float) -> None:
    with pytest.raises(InputError):
        two_tone(low, high, 1.0, RATE)


def test_silence_has_no_crest() -> None:
    with pytest.raises(InputError):
        crest_db(np.zeros(10))
