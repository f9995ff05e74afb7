"""Third octaves of noise of a known density, and of a tone."""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.dsp.smoothing import third_octave_db
from earwitness.errors import InputError

RATE = 48_000.0


def test_noise_of_known_density() -> None:
    """White noise of a known density, 2 dB down after 10 s: a third octave holds S (2^(1/6) - 2^(-1/6)) f."""
    rms = 0.1
    samples = rms * np.random.default_rng(2).standard_normal(20 * 48_000)
    samples[10 * 48_000 :] *= 10 ** (-2 / 20)
    hz = np.array([500.0, 1000.0, 4000.0])
    levels = third_octave_db(samples, RATE, hz, (0.0, 15.0), length_s=4.0)
    band = hz * (2 ** (1 / 6) - 2 ** (-1 / 6))
    assert levels[0] == pytest.approx(10 * np.log10(rms**2 / 24_000 * band / 4e-10), abs=0.6)
    assert levels[0] - levels[1] == pytest.approx(np.full(3, 2.0), abs=0.6)


def test_a_tone_of_one_pascal_has_94_db() -> None:
    """20 lg (1 Pa / 20 micropascals) = 93.98 dB in its own band, nothing in others."""
    tone = np.sqrt(2) * np.sin(2 * np.pi * 1000 * np.arange(96_000) / RATE)
    levels = third_octave_db(tone, RATE, np.array([500.0, 1000.0, 2000.0]), (0.0,))
    assert levels[0, 1] == pytest.approx(93.979, abs=0.01)
    assert levels[0, [0, 2]].max() < 0.0


def test_a_stretch_beyond_the_recording() -> None:
    with pytest.raises(InputError, match="noise run"):
        third_octave_db(np.ones(96_000), RATE, np.array([1000.0]), (1.0,))
