"""Sensitivity from a calibrator against the arithmetic of levels."""

from __future__ import annotations

import numpy as np
import pytest
from made_session import Made, facts

from earwitness.errors import AudioError
from earwitness.formats.audio import Recording
from earwitness.reduce.calibrate import calibrate, pressure_of_level, tone_rms

RATE = 48_000
MICROPHONE = {"calibrator": {"file": "cal.wav", "level_db": 94.0, "frequency_hz": 1000.0, "tolerance_db": 0.25}}


def tone(frequency_hz: float, rms: float, seconds: float = 6.0, noise: float = 0.0) -> Recording:
    time = np.arange(round(seconds * RATE)) / RATE
    samples = np.sqrt(2) * rms * np.sin(2 * np.pi * frequency_hz * time)
    samples += noise * np.random.default_rng(5).standard_normal(samples.size)
    return Recording(samples[None, :], RATE, "DOUBLE")


def test_pascals_of_levels() -> None:
    """20 uPa times 10^(L/20): 94 dB is 1.002374 Pa, 114 dB is 10.023745 Pa."""
    assert pressure_of_level(94.0) == pytest.approx(1.002374, abs=1e-6)
    assert pressure_of_level(114.0) == pytest.approx(10.023745, abs=1e-6)


def test_sensitivity_of_the_worked_example() -> None:
    """94 dB that reads -30 dB re a full-scale sine gives 0.0223077 full scale per pascal (reference, 1.5)."""
    rms = 10 ** (-30 / 20) / np.sqrt(2)
    found = calibrate(facts(Made(), microphone=MICROPHONE), lambda _name: tone(1000.0, rms))
    assert found.fs_per_pa == pytest.approx(0.0223077, rel=1e-4)
    assert found.absolute
    assert found.u_db == pytest.approx(0.25 / np.sqrt(3), abs=1e-3)
    assert found.flags == ()


def test_a_tone_under_noise_of_other_bands_is_read_right() -> None:
    """Hum at 50 Hz 6 dB down does not move the third octave about 1 kHz."""
    both = tone(1000.0, 0.1).samples + tone(50.0, 0.05).samples
    rms, share_db = tone_rms(both[0], RATE, 1000.0)
    assert rms == pytest.approx(0.1, rel=1e-4)
    assert share_db == pytest.approx(10 * np.log10(0.8), abs=0.01)


def test_a_wandering_calibrator_is_flagged() -> None:
    found = tone(1000.0, 0.1)
    samples = found.samples * np.linspace(1.0, 1.05, found.samples.size)
    told = facts(Made(), microphone=MICROPHONE)
    assert [f.id for f in calibrate(told, lambda _name: Recording(samples, RATE, "DOUBLE")).flags] == ["calibrator"]


def test_a_calibrator_that_changes_its_level_is_refused_by_how_much() -> None:
    """Half the amplitude is 6.02 dB; between the two levels nobody can tell which is the calibrator's."""
    found = tone(1000.0, 0.1)
    samples = found.samples * np.where(np.arange(found.samples.size) < found.samples.size // 2, 1.0, 0.5)
    [flag] = calibrate(facts(Made(), microphone=MICROPHONE), lambda _name: Recording(samples, RATE, "DOUBLE")).flags
    assert (flag.id, flag.severity) == ("level", "reject")
    assert flag.number == pytest.approx(20 * np.log10(2.0), abs=0.01)


@pytest.mark.parametrize(
    ("recording", "said"),
    [(tone(250.0, 0.1), "no clear tone"), (tone(1000.0, 0.1, 0.6), "lasts 0.10 s")],
)
def test_what_is_no_calibrator_is_refused(recording: Recording, said: str) -> None:
    with pytest.raises(AudioError, match=said):
        calibrate(facts(Made(), microphone=MICROPHONE), lambda _name: recording)


def test_without_any_calibration_nothing_is_absolute() -> None:
    found = calibrate(facts(Made(), microphone={}), lambda _name: tone(1000.0, 0.1))
    assert not found.absolute
    assert [f.id for f in found.flags] == ["calibration"]


@pytest.mark.parametrize("beside_hz", [1160.0, 1240.0, 860.0, 800.0])
def test_a_tone_beyond_the_third_octave_is_not_counted(beside_hz: float) -> None:
    """Edges of a third octave: 2^(1/6) to either side of its middle (IEC 61260-1), 891 and 1122 Hz about 1 kHz."""
    alone, beside = tone(1000.0, 0.1), tone(beside_hz, 0.05)
    found = tone_rms(alone.samples[0] + beside.samples[0], alone.rate_hz, 1000.0)[0]
    assert found == pytest.approx(0.1, rel=2e-3)


@pytest.mark.parametrize("beside_hz", [1090.0, 920.0])
def test_a_tone_inside_the_third_octave_is_counted(beside_hz: float) -> None:
    alone, beside = tone(1000.0, 0.1), tone(beside_hz, 0.05)
    found = tone_rms(alone.samples[0] + beside.samples[0], alone.rate_hz, 1000.0)[0]
    assert found == pytest.approx(np.hypot(0.1, 0.05), rel=2e-3)
