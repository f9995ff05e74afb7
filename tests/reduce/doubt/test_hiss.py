"""The microphone's own noise as a witness of the gain.

The two-sided density of white noise of standard deviation s at a sample rate f is s^2 / f (Parseval's theorem); a gain
of g decibels moves it by g decibels.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy import signal

from earwitness.dsp.sweep import sweep_law, sweep_samples
from earwitness.reduce.doubt.recordings import Hiss, density_db, hiss_of, riding_flags, turned_gain_flags

Array = npt.NDArray[np.float64]
RATE, BEGINS_S, NOISE_FS = 48_000, 0.4, 1e-4
LAW = sweep_law(20.0, 20_000.0, 2.0)


def noisy(seed: int) -> Array:
    """A sweep after some silence, with a second and a third harmonic, under white noise."""
    rng = np.random.default_rng([21, seed])
    x = sweep_samples(LAW, RATE, fade_in_s=0.05, fade_out_s=0.01)
    y = signal.lfilter(*signal.butter(2, rng.uniform(40, 80), "high", fs=RATE), x)
    y = np.concatenate([np.zeros(round(BEGINS_S * RATE)), 0.3 * (y + 0.01 * y**2 + 0.01 * y**3), np.zeros(RATE // 2)])
    return np.asarray(y + NOISE_FS * rng.standard_normal(y.size))


def test_density_of_white_noise_and_a_tone_beside_it() -> None:
    rng = np.random.default_rng(3)
    noise = NOISE_FS * rng.standard_normal(RATE)
    tone = 0.5 * np.sin(2 * np.pi * 1000.0 * np.arange(RATE) / RATE)
    # Two-sided: the power s^2 over the whole band from -f / 2 to f / 2.
    meant = 10 * np.log10(NOISE_FS**2 / RATE)
    assert density_db(noise, RATE) == pytest.approx(meant, abs=0.3)
    assert density_db(noise + tone, RATE) == pytest.approx(meant, abs=0.3)


def test_no_answer_from_silence_few_samples_or_a_low_rate() -> None:
    assert density_db(np.zeros(RATE), RATE) is None
    assert density_db(np.ones(100), RATE) is None
    assert density_db(np.random.default_rng(1).standard_normal(16_000), 16_000) is None
    assert hiss_of(noisy(0), RATE, LAW, 0.05) is None


@pytest.mark.parametrize("fall_db", [3.0, 10.0, 20.0])
def test_a_gain_that_follows_the_sound_is_told_with_its_size(fall_db: float) -> None:
    found = []
    for seed in range(4):
        y = noisy(seed)
        gain = np.ones(y.size)
        gain[round((BEGINS_S + 0.05) * RATE) :] = 10 ** (-fall_db / 20)
        one = hiss_of(y * gain, RATE, LAW, BEGINS_S)
        assert one is not None
        found.append((f"h_{seed}", one))
    (flag,) = riding_flags(found)
    assert flag.number == pytest.approx(-fall_db, abs=0.5)
    assert "rides its gain" in flag.sentence


def test_a_fixed_gain_and_a_loudspeaker_s_own_rattle_are_no_riding() -> None:
    still = [(f"h_{seed}", hiss_of(noisy(seed), RATE, LAW, BEGINS_S)) for seed in range(4)]
    found = [(take, one) for take, one in still if one is not None]
    assert len(found) == 4
    # Medians of 2000 and 2900 powers spread by 0.14 and 0.12 dB: four times both.
    assert max(abs(one.sounding_db - one.silent_db) for _, one in found) < 0.75
    assert riding_flags(found) == []
    # What rattles under the sweep raises the noise; only a gain lowers it.
    assert riding_flags([("h_0", Hiss(-120.0, -110.0))]) == []
    assert riding_flags([]) == []


@pytest.mark.parametrize(("turned_db", "word"), [(6.0, "too high"), (-6.0, "too low")])
def test_a_gain_turned_after_the_calibrator_is_asked_about_with_its_size(turned_db: float, word: str) -> None:
    """Turned up by 6 dB after the calibrator: the scale is taken too small, and levels come out 6 dB too high."""
    rng = np.random.default_rng(8)
    tone = 0.05 * np.sin(2 * np.pi * 1000.0 * np.arange(3 * RATE) / RATE)
    calibrator = density_db(tone + NOISE_FS * rng.standard_normal(tone.size), RATE)
    takes = density_db(10 ** (turned_db / 20) * NOISE_FS * rng.standard_normal(RATE), RATE)
    assert takes is not None
    (flag,) = turned_gain_flags(calibrator, [("h_0", Hiss(takes, takes))])
    assert flag.number == pytest.approx(turned_db, abs=0.5)
    assert f"6 dB {word}" in flag.sentence
    assert turned_gain_flags(calibrator, [("h_0", Hiss(takes - turned_db, takes))]) == []
    assert turned_gain_flags(None, [("h_0", Hiss(takes, takes))]) == []
