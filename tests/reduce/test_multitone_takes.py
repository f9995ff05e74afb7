"""Multitone takes from files to pascal: what a polynomial leaves between tones of known level."""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.dsp.multitone import make_multitone, read_multitone
from earwitness.errors import AudioError
from earwitness.formats.audio import Recording
from earwitness.quantities.arrays import FloatArray
from earwitness.reduce.loud_takes import reduce_multitone
from earwitness.session.session import MultitoneTake

RATE = 48_000
PERIOD = 24_000
MADE = make_multitone(PERIOD, RATE, count=16, seed=6)
LEAD = 9600


def _played(periods: int = 4) -> FloatArray:
    return np.concatenate([np.zeros(LEAD), np.tile(0.5 * MADE.samples, periods), np.zeros(LEAD)])


def _recording(samples: FloatArray) -> Recording:
    return Recording(samples[None, :], RATE, "PCM_24")


def _take(**facts: object) -> MultitoneTake:
    told = {
        "kind": "multitone",
        "id": "m",
        "file": "m.wav",
        "sha256": "0" * 64,
        "drive_v": 4.0,
        "distance_m": 1.0,
        "stimulus_file": "played.wav",
        "period_s": PERIOD / RATE,
        "run_in_s": (LEAD + PERIOD) / RATE,
    }
    return MultitoneTake.model_validate(told | facts)


def _bent(samples: FloatArray) -> FloatArray:
    return samples + 0.1 * samples**2 + 0.2 * samples**3


def test_levels_in_pascal_and_distortion_of_a_polynomial() -> None:
    """A delay of 300 samples and a sensitivity of 0.032 change nothing: the lines are those of one exact period."""
    heard = 0.032 * np.roll(_bent(_played()), 300)
    found = reduce_multitone(_take(), _recording(heard), _recording(_played()), fs_per_pa=0.032)
    want = read_multitone(_bent(0.5 * MADE.samples)[None, :], RATE, MADE.rows)
    assert found.lines.periods == 3
    assert found.lines.frequency_hz == pytest.approx(MADE.frequency_hz)
    assert found.lines.tone == pytest.approx(want.tone, rel=1e-9)
    assert found.lines.residue == pytest.approx(want.residue, rel=1e-6)
    assert found.crest_db == pytest.approx(MADE.crest_db, abs=0.01)


def test_microphone_is_taken_out() -> None:
    """A microphone 6 dB down from 1 kHz on: tones and residue come back at their level."""
    hz = np.array([10.0, 999.0, 1001.0, 24_000.0])
    response = np.array([0.0, 0.0, -6.0, -6.0])
    plain = _played()
    frequency = np.arange(plain.size // 2 + 1) * RATE / plain.size
    down = np.fft.irfft(np.fft.rfft(plain) * 10 ** (np.interp(frequency, hz, response) / 20), plain.size)
    found = reduce_multitone(_take(), _recording(down), _recording(plain), fs_per_pa=1.0, response=(hz, response))
    power = np.full(16, found.lines.tone.mean())
    assert found.lines.tone == pytest.approx(power, rel=2e-3)


def test_a_single_period_takes_its_noise_from_silence() -> None:
    silence = 1e-3 * np.random.default_rng(4).standard_normal(PERIOD)
    take = _take(run_in_s=(LEAD + 3 * PERIOD) / RATE)
    found = reduce_multitone(take, _recording(_played()), _recording(_played()), fs_per_pa=1.0, silence=silence)
    assert found.lines.periods == 1
    assert found.lines.noise is not None


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"period_s": 0.31}, "not clear tones"),
        ({"period_s": 0.50001}, "do not fit"),
        ({"run_in_s": 60.0}, "no whole period"),
        ({"microphone_channel": 2}, "channel 2"),
        ({"period_s": 5.0}, "less than a period"),
    ],
)
def test_takes_that_cannot_be_read(facts: dict[str, object], words: str) -> None:
    with pytest.raises(AudioError, match=words):
        reduce_multitone(_take(**facts), _recording(_played()), _recording(_played()), fs_per_pa=1.0)


def test_another_sample_rate() -> None:
    other = Recording(_played()[None, :], 96_000, "PCM_24")
    with pytest.raises(AudioError, match="sample rates"):
        reduce_multitone(_take(), _recording(_played()), other, fs_per_pa=1.0)


def test_other_tones_than_the_played_file_s_are_refused() -> None:
    """A file of other tones, music in their place (pink noise), and silence: each would read as distortion."""
    rng = np.random.default_rng(9)
    other = make_multitone(PERIOD, RATE, count=24, seed=8).samples
    pink = np.fft.irfft(rng.standard_normal(PERIOD // 2 + 1) / np.sqrt(np.arange(PERIOD // 2 + 1) + 1.0), PERIOD)
    for period in (other, pink / np.max(np.abs(pink)), 1e-4 * rng.standard_normal(PERIOD)):
        heard = np.concatenate([np.zeros(LEAD), np.tile(0.5 * period, 4), np.zeros(LEAD)])
        with pytest.raises(AudioError, match="are not what was recorded"):
            reduce_multitone(_take(), _recording(heard), _recording(_played()), fs_per_pa=1.0)


def test_tones_under_noise_and_another_clock_are_still_theirs() -> None:
    """50 parts in a million and noise 6 dB under the tones leave most of the sound at the tones."""
    from scipy.signal import resample

    rng, played = np.random.default_rng(10), _played()
    drifted = resample(played, round(played.size * 1.00005))[: played.size]
    drifted = np.concatenate([drifted, np.zeros(played.size - drifted.size)])
    noise = rng.standard_normal(drifted.size) * 0.5 * np.sqrt(np.mean(drifted**2))
    found = reduce_multitone(_take(), _recording(drifted + noise), _recording(played), fs_per_pa=1.0)
    assert found.lines.periods == 3
