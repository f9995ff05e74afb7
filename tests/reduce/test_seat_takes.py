"""Takes at seats: a loudspeaker with a known response and reflections, against what scipy.signal says stands there."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from made_session import FS_PER_PA, HASH, RATE, Made, facts, recording
from scipy import signal

from earwitness.errors import AudioError
from earwitness.formats.audio import Recording
from earwitness.reduce.flow import reduce_session

SEAT: dict[str, Any] = {"kind": "seat", "id": "s", "file": "s.wav", "sha256": HASH, "seat": "middle"}


def expected_db(made: Made, hz: np.ndarray, distance_m: float) -> np.ndarray:
    """Level [dB SPL at 2.83 V] of the loudspeaker at that distance with its one reflection, energies in 1/24 octave."""
    fine = np.geomspace(15.0, 21_000.0, 200_000)
    pressure = (
        made.truth(0.0, fine)
        / distance_m
        * (1 + made.reflection_gain * np.exp(-2j * np.pi * fine * (made.reflection_s or 0)))
    )
    near = np.searchsorted(fine, [hz * 2 ** (-1 / 48), hz * 2 ** (1 / 48)])
    energy = np.array([np.mean(np.abs(pressure[a:b]) ** 2) for a, b in near.T])
    return 10 * np.log10(energy * (2.83 / 20e-6) ** 2)


def test_a_sweep_at_a_seat_gives_the_level_that_stood_there() -> None:
    """3 m away at 5.66 V with a reflection of 0.6 after 4 ms, told for 2.83 V."""
    near = Made()
    there = Made(distance_m=3.0, drive_v=5.66, reflection_s=0.004, noise_fs=1e-5)
    session = facts(near, [{**SEAT, "drive_v": 5.66}])
    made = reduce_session(session, lambda file: recording(there if file == "s.wav" else near, 0.0))
    found = made.seats
    assert [(one.take, one.seat, one.path_m, one.loudspeaker) for one in found] == [("s", "middle", 0.0, "")]
    hz = found[0].axis.hz
    rows = found[0].valid & (hz > 40.0) & (hz < 15_000.0)
    assert rows.sum() > 150
    off = found[0].level_db[rows] - expected_db(there, hz[rows], 3.0)
    thirds = np.convolve(off, np.ones(8) / 8, "valid")
    assert np.abs(thirds).max() < 0.15
    assert (
        "s" not in reduce_session(session, lambda file: recording(there if file == "s.wav" else near, 0.0)).kept_takes
    )


def test_noise_while_the_microphone_moves_gives_the_mean_over_its_path() -> None:
    """The microphone goes from 2 m to 3 m while noise plays: the mean of the energies on its way."""
    near, random = Made(), np.random.default_rng(3)
    noise = signal.sosfilt(
        signal.butter(1, [30, 15_000], "bandpass", fs=RATE, output="sos"), random.standard_normal(4 * RATE)
    )
    noise *= 0.9 / np.abs(noise).max()
    played = np.concatenate([np.zeros(RATE // 4), noise])
    gains = np.interp(np.arange(played.size), [0, played.size], [1 / 2.0, 1 / 3.0])
    heard = FS_PER_PA * near.pa_per_v * np.sqrt(2) * 2.83 * gains * played
    session = facts(
        near,
        [{**SEAT, "path_m": 1.0, "stimulus": "noise"}],
        other_stimulus=[{"name": "noise", "kind": "file", "file": "noise.wav", "lead_in_s": 0.25}],
    )
    files = {
        "s.wav": Recording(heard[None, :], RATE, "DOUBLE"),
        "noise.wav": Recording(noise[None, :] / 0.9, RATE, "DOUBLE"),
    }
    found = reduce_session(session, lambda file: files.get(file) or recording(near, 0.0)).seats[0]
    assert found.path_m == 1.0
    # The file is played with its peak at the sine's: 0.9 of it was heard.
    level = 20 * np.log10(0.9 * near.pa_per_v * 2.83 / 20e-6) + 10 * np.log10(np.mean(gains[RATE // 4 :] ** 2))
    rows = (found.axis.hz > 200.0) & (found.axis.hz < 8000.0)
    assert np.mean(found.level_db[rows]) == pytest.approx(level, abs=0.1)


def test_where_the_noise_is_as_loud_it_is_not_valid() -> None:
    near, there = Made(), Made(distance_m=3.0, noise_fs=0.001)
    session = facts(near, [SEAT])
    found = reduce_session(session, lambda file: recording(there if file == "s.wav" else near, 0.0)).seats[0]
    assert 0.5 < found.valid.mean() < 0.99
    # White noise is loudest against a sweep in the treble.
    assert found.valid[(found.axis.hz > 200.0) & (found.axis.hz < 1000.0)].mean() > 0.9
    assert found.valid[found.axis.hz > 15_000.0].mean() < 0.7


def test_another_sample_rate_is_told_with_take_and_file() -> None:
    near = Made()
    other = Recording(np.ones((1, 1000)), 44_100, "DOUBLE")
    with pytest.raises(AudioError, match=r"44100 Hz") as caught:
        reduce_session(facts(near, [SEAT]), lambda file: other if file == "s.wav" else recording(near, 0.0))
    assert "take s, file s.wav" in str(caught.value)
