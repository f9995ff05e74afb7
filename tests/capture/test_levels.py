"""Meter, calibrator, loop-back, and the slow ramp."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rehearsal import RATE_HZ, WIRING, sweep

from earwitness.capture.guard import OutputLimits, Silencer
from earwitness.capture.levels import Meter, read_calibrator, read_loopback
from earwitness.capture.ramp import RAMP_DB_S, Wanted, set_level
from earwitness.capture.simulated import FaultInjection, SimulatedSound
from earwitness.capture.sound import Block, Outgoing, Stream, Wiring

# 94 dB re 20 uPa, IEC 61672-1: 20e-6 * 10**(94/20) Pa.
PASCAL_94_DB = 1.00237


def _tone(hz: float, rms: float, seconds: float = 5.0) -> np.ndarray:
    return rms * math.sqrt(2) * np.sin(2 * np.pi * hz * np.arange(round(seconds * RATE_HZ)) / RATE_HZ + 0.3)


def _noise(rms: float, count: int) -> np.ndarray:
    return rms * np.random.default_rng(5).standard_normal(count)


def test_the_meter_reads_a_sine_and_holds_its_peak() -> None:
    meter = Meter(2)
    block = np.stack([_tone(1000, 0.1, 0.1), np.zeros(4800)], axis=1).astype(np.float32)
    first = meter.feed(block)
    assert first.rms_dbfs[0] == pytest.approx(-20.0, abs=0.01)
    assert first.peak_dbfs[0] == pytest.approx(-20 + 3.01, abs=0.01)
    assert first.rms_dbfs[1] <= -200
    after = meter.feed(np.zeros((100, 2), dtype=np.float32))
    assert after.held_dbfs[0] == first.peak_dbfs[0]
    assert not after.clipped[0]
    assert meter.feed(np.ones((4, 2), dtype=np.float32)).clipped == (True, True)


@settings(deadline=None, derandomize=True, max_examples=30)
@given(st.floats(985, 1015), st.floats(0.005, 0.5), st.sampled_from([94.0, 114.0]))
def test_a_calibrators_tone_gives_the_sensitivity(hz: float, rms: float, level_db: float) -> None:
    samples = _tone(hz, rms) + _noise(rms / 300, 5 * RATE_HZ)
    found = read_calibrator(samples, RATE_HZ, level_db=level_db)
    assert found.faults == ()
    assert found.frequency_hz == pytest.approx(hz, abs=0.05)
    pascal = PASCAL_94_DB * (1 if level_db == 94.0 else 10)
    assert found.fs_per_pa == pytest.approx(rms / pascal, rel=2e-3)


@pytest.mark.parametrize(
    ("samples", "word"),
    [
        (_tone(960, 0.1), "960.0 Hz"),
        (_tone(1000, 0.1) * (1 + 0.05 * np.arange(5 * RATE_HZ) / (5 * RATE_HZ)), "varies"),
        (_tone(1000, 0.1) + _noise(0.05, 5 * RATE_HZ), "below the tone"),
        (_noise(1e-5, 5 * RATE_HZ), "next to nothing"),
        (np.clip(_tone(1000, 0.9), -1, 1), "clipped"),
        (_tone(1000, 0.1, 0.5), "shorter"),
        (np.full(5 * RATE_HZ, np.nan), "no numbers"),
    ],
)
def test_what_is_no_calibrator_is_told_and_gives_no_sensitivity(samples: np.ndarray, word: str) -> None:
    found = read_calibrator(samples, RATE_HZ)
    assert found.fs_per_pa is None
    assert any(word in fault for fault in found.faults)


@settings(deadline=None, derandomize=True, max_examples=25)
@given(st.integers(0, 20_000), st.floats(0.01, 1.0), st.booleans())
def test_the_loop_back_tells_delay_gain_and_polarity(delay: int, gain: float, inverted: bool) -> None:
    played = sweep(0.5)
    heard = np.zeros(played.size + 24_000)
    heard[delay : delay + played.size] = (-gain if inverted else gain) * played
    found = read_loopback(played, heard + _noise(1e-5, heard.size))
    assert found.wired
    assert found.delay == delay
    assert found.gain_db == pytest.approx(20 * math.log10(gain), abs=0.05)
    assert found.inverted is inverted
    assert ("inverted" in found.sentence) is inverted


def test_a_loop_back_that_is_not_wired_is_told() -> None:
    played = sweep(0.5)
    assert "silent" in read_loopback(played, np.zeros(played.size + 9000)).sentence
    hum = read_loopback(played, _tone(50, 0.1, 2.0))
    assert not hum.wired
    assert "something else" in hum.sentence


WANTED = Wanted(target_db=75.0, fs_per_pa=0.1, distance_m=2.0)


class _Tap:
    """Passes on what is played, and notes it."""

    def __init__(self, outgoing: Outgoing, heard: list[np.ndarray]) -> None:
        self._outgoing, self._heard = outgoing, heard

    def pull(self, frames: int) -> Block:
        block = self._outgoing.pull(frames)
        self._heard.append(block[:, 0].astype(np.float64))
        return block

    @property
    def over(self) -> bool:
        return self._outgoing.over


class _Listening:
    """A simulated sound card of which a test hears the output."""

    def __init__(self, sound: SimulatedSound, heard: list[np.ndarray]) -> None:
        self._sound, self._heard = sound, heard
        self.devices, self.rescan, self.check = sound.devices, sound.rescan, sound.check

    def open(self, wiring: Wiring, outgoing: Outgoing) -> Stream:
        return self._sound.open(wiring, _Tap(outgoing, self._heard))


def test_the_ramp_starts_from_silence_rises_slowly_and_reaches_the_target() -> None:
    heard: list[np.ndarray] = []
    sound = _Listening(SimulatedSound(microphone_gain=0.5, noise_rms=1e-6), heard)
    done = set_level(sound, WIRING, WANTED, limits=OutputLimits())
    assert done.end == "reached"
    assert done.microphone_db == pytest.approx(75.0, abs=1.5)
    assert done.level_1m_db == pytest.approx(done.microphone_db + 6.02, abs=0.01)
    # The wire's gain is 0.5: level at the microphone = output - 6.02 - 20 lg(0.1 * 20e-6).
    assert done.calibration is not None
    expected = -20 * math.log10(0.1 * 20e-6) - 6.02 + 6.02
    assert done.calibration.unit_rms_1m_db == pytest.approx(expected, abs=0.3)
    played = np.concatenate(heard)
    assert not np.any(played[: RATE_HZ // 2])
    assert abs(played[-1]) < 1e-4
    tenths = np.sqrt(np.mean(played[: played.size // 9600 * 9600].reshape(-1, 9600) ** 2, axis=1))
    rising = 20 * np.log10(tenths[4:] / tenths[3:-1] + 1e-9)
    assert rising.max() < RAMP_DB_S * 0.2 + 1.5


def test_the_ramp_stops_at_every_limit() -> None:
    sound = SimulatedSound(microphone_gain=0.5, noise_rms=1e-6)
    loud = replace(WANTED, target_db=110.0)
    at_1m = set_level(sound, WIRING, loud, limits=OutputLimits(highest_1m_db=70.0))
    assert at_1m.end == "limit at 1 m"
    assert at_1m.level_1m_db is not None
    assert at_1m.level_1m_db < 71.0
    ear = set_level(sound, WIRING, loud, limits=OutputLimits(highest_ear_db=65.0))
    assert ear.end == "limit at your place"
    assert ear.ear_db is not None
    assert ear.ear_db < 66.0
    assert set_level(sound, WIRING, loud, limits=OutputLimits(highest_dbfs=-40.0)).end == "limit of the output"


def test_the_ramp_gives_up_on_a_deaf_microphone_a_clipped_input_and_the_switch() -> None:
    deaf = set_level(SimulatedSound(microphone_gain=0.0, noise_rms=1e-4), WIRING, WANTED, limits=OutputLimits())
    assert deaf.end == "microphone hears nothing"
    assert deaf.calibration is None
    assert deaf.output_dbfs < -28
    clipped = set_level(SimulatedSound(microphone_gain=1e3, noise_rms=1e-4), WIRING, WANTED, limits=OutputLimits())
    assert clipped.end in ("clipped", "reached")
    gone = SimulatedSound(misfortunes=[FaultInjection(unplug_at_s=2.0)])
    assert set_level(gone, WIRING, WANTED, limits=OutputLimits()).end == "unplugged"
    pressed = Silencer()
    blocks = []

    def tell(share: float, _reading: object) -> None:
        blocks.append(share)
        if len(blocks) == 40:
            pressed.silence()

    done = set_level(SimulatedSound(), WIRING, WANTED, limits=OutputLimits(), silencer=pressed, tell=tell)
    assert done.end == "silenced"
    assert len(blocks) <= 41
