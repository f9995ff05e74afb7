"""What was played: against the sweep written out by hand, and scipy's FFT."""

from __future__ import annotations

import numpy as np
import pytest
from made_session import RATE, Made, facts, sweep

from earwitness.errors import AudioError, InputError
from earwitness.formats.audio import Recording
from earwitness.reduce.stimulus import stimulus_of, stimulus_power, stimulus_spectrum

MADE = Made(duration_s=2.0)


def from_file(samples: np.ndarray, rate_hz: int = RATE, channel: int = 1):
    told = facts(MADE, stimulus={"kind": "file", "file": "x.wav", "channel": channel})
    return stimulus_of(told.stimulus, lambda _name: Recording(np.atleast_2d(samples), rate_hz, "DOUBLE"), RATE)


def test_sweep_by_parameters_is_the_sweep() -> None:
    found = stimulus_of(facts(MADE).stimulus, lambda name: pytest.fail(name), RATE)
    assert found.samples == pytest.approx(sweep(MADE), abs=1e-9)


def test_power_is_that_of_the_fft() -> None:
    """|X|^2 = L / 4f against a numeric FFT smoothed over an octave about 1 kHz; a file agrees with the law."""
    law = stimulus_of(facts(MADE).stimulus, lambda name: pytest.fail(name), RATE)
    file = from_file(0.3 * sweep(MADE))
    hz = np.array([100.0, 1000.0, 8000.0])
    ratio_db = 10 * np.log10(stimulus_power(file, hz) / stimulus_power(law, hz))
    assert ratio_db == pytest.approx(np.zeros(3), abs=0.05)
    power = np.abs(np.fft.rfft(sweep(MADE)) / RATE) ** 2
    frequency = np.fft.rfftfreq(sweep(MADE).size, 1 / RATE)
    inside = (frequency > 900.0) & (frequency < 1100.0)
    assert np.mean((power * frequency)[inside]) == pytest.approx(1000.0 * stimulus_power(law, hz)[1], rel=0.01)


def test_band_of_a_file_is_where_it_sweeps() -> None:
    found = from_file(sweep(Made(start_hz=50.0, stop_hz=12_000.0, duration_s=2.0)))
    assert found.low_hz == pytest.approx(50.0, rel=0.15)
    assert found.high_hz == pytest.approx(12_000.0, rel=0.15)


def test_a_file_that_cannot_be_what_was_played() -> None:
    with pytest.raises(AudioError, match="44100 Hz"):
        from_file(sweep(MADE), 44_100)
    with pytest.raises(AudioError, match="channel 2 is not there"):
        from_file(sweep(MADE), channel=2)
    with pytest.raises(AudioError, match="silent"):
        from_file(np.zeros(1000))


def test_a_recording_shorter_than_the_stimulus() -> None:
    found = stimulus_of(facts(MADE).stimulus, lambda name: pytest.fail(name), RATE)
    with pytest.raises(InputError, match="cannot hold"):
        stimulus_spectrum(found, 1000)
