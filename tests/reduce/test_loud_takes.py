"""Two tones, bursts and lasting noise from recordings to pascal, against closed forms; C6.x: the metrics reference."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import signal

from earwitness.dsp.signals import burst
from earwitness.errors import AudioError
from earwitness.figures.tones import intermodulation
from earwitness.formats.audio import Recording
from earwitness.quantities import log_axis
from earwitness.quantities.arrays import FloatArray
from earwitness.reduce.loud_takes import reduce_burst, reduce_noise_run, reduce_two_tones
from earwitness.session.session import BurstTake, NoiseRunTake, TwoToneTake

RATE = 48_000
FS_PER_PA = 0.032
FACTS: dict[str, Any] = {"id": "t", "file": "t.wav", "sha256": "0" * 64, "distance_m": 1.0}
PAIR = {"kind": "two-tone", "drive_v": 2.0, "low_hz": 60.0, "high_hz": 7000.0, "run_in_s": 0.5}
BURST = {"kind": "burst", "drive_v": 8.0, "frequency_hz": 50.0, "before_s": 0.4}
RUN = {"kind": "noise run", "drive_v": 8.0, "duration_s": 9.0, "run_in_s": 0.5, "length_s": 1.0}


def recorded(*channels: FloatArray) -> Recording:
    return Recording(np.stack(channels), RATE, "PCM_24")


def pair(**facts: object) -> TwoToneTake:
    return TwoToneTake.model_validate(FACTS | PAIR | facts)


def two_tones(*, delay: int = 0, noise: float = 0.0) -> FloatArray:
    """Amplitudes 0.8 and 0.2 Pa through y = x + .05 x^2 + .02 x^3, half a second of silence before."""
    time = np.arange(2 * RATE) / RATE
    x = 0.8 * np.sin(2 * np.pi * 60 * time) + 0.2 * np.sin(2 * np.pi * 7000 * time)
    heard = np.concatenate([np.zeros(RATE // 4 + delay), x + 0.05 * x**2 + 0.02 * x**3])
    return FS_PER_PA * (heard + noise * np.random.default_rng(3).standard_normal(heard.size))


@pytest.mark.parametrize("delay", [0, 777])
def test_two_tones_through_a_polynomial(delay: int) -> None:
    """C6.7: 7.84468 % and 1.88272 %, wherever in the recording the tones begin."""
    found = reduce_two_tones(pair(), recorded(two_tones(delay=delay)), fs_per_pa=FS_PER_PA)
    figures = intermodulation(found)
    assert figures["intermodulation_2@2v"].value == pytest.approx(7.84468, abs=5e-5)
    assert figures["intermodulation_3@2v"].value == pytest.approx(1.88272, abs=5e-5)
    # Carrier with what the cube adds to it: A2 (1 + 3 k3 (A1^2 / 2 + A2^2 / 4)), by trigonometry.
    assert found.lines_pa[0] == pytest.approx(0.2 * (1 + 0.06 * (0.32 + 0.01)) / math.sqrt(2), rel=1e-6)
    assert found.noise_pa < 1e-9


def test_noise_in_one_line_is_that_of_a_second() -> None:
    """White noise of rms s holds s sqrt(2 / N) in one line of N samples, rms."""
    found = reduce_two_tones(pair(), recorded(two_tones(noise=0.01)), fs_per_pa=FS_PER_PA)
    assert found.noise_pa == pytest.approx(0.01 * math.sqrt(2 / RATE), rel=0.4)


def test_microphone_is_taken_out_of_two_tones() -> None:
    """6 dB less at the side lines than the microphone was said to have: twice the distortion."""
    hz = np.array([20.0, 6990.0, 6999.0, 7001.0, 7010.0, 20_000.0])
    response = np.array([-6.0206, -6.0206, 0.0, 0.0, -6.0206, -6.0206])
    found = reduce_two_tones(pair(), recorded(two_tones()), fs_per_pa=FS_PER_PA, response=(hz, response))
    assert intermodulation(found)["intermodulation_2@2v"].value == pytest.approx(2 * 7.84468, rel=1e-4)


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"run_in_s": 2.0}, "ends before 3 s"),
        ({"microphone_channel": 2}, "channel 2 is not there"),
        ({"high_hz": 9000.0}, "nothing was recorded at 9000 Hz"),
        ({"low_hz": 60.5}, "whole periods"),
    ],
)
def test_two_tones_that_cannot_be_read(facts: dict[str, object], words: str) -> None:
    quiet = two_tones(noise=1e-4)
    with pytest.raises(AudioError, match=words) as told:
        reduce_two_tones(pair(**facts), recorded(quiet), fs_per_pa=FS_PER_PA)
    assert told.value.where == "take t, file t.wav"


def bass_burst(*, cube: float, late: int = 0, noise: float = 0.0) -> FloatArray:
    """A burst of 2 Pa, 0.5 s after the start and `late` samples more, through 1 + cube (p / 2 Pa)^2."""
    samples = np.zeros(2 * RATE)
    shape = burst(50.0, RATE)
    samples[RATE // 2 + late :][: shape.size] = 2.0 * (shape + cube * shape**3)
    return FS_PER_PA * (samples + noise * np.random.default_rng(4).standard_normal(samples.size))


@pytest.mark.parametrize("late", [0, 1234, 20_000])
def test_burst_through_a_cube(late: int) -> None:
    """sin^3 = (3 sin - sin 3) / 4; the means of the Hann window and of its cube are 1/2 and 5/16."""
    take = BurstTake.model_validate(FACTS | BURST)
    heard = recorded(bass_burst(cube=0.05, late=late))
    found = reduce_burst(take, heard, fs_per_pa=FS_PER_PA, in_room=False, clipped=False)
    first, third = 0.5 + 0.75 * 0.05 * 5 / 16, 0.25 * 0.05 * 5 / 16
    assert found.peak_pa == pytest.approx(2.0 * first / 0.5, rel=1e-3)
    assert found.relative_db[found.orders.index(3)] == pytest.approx(20 * math.log10(third / first), abs=0.1)
    assert found.relative_db[found.orders.index(2)] < -55.0
    assert found.orders[-1] == 15
    assert found.missing == ()


def test_noise_before_a_burst_is_told_as_a_peak() -> None:
    take = BurstTake.model_validate(FACTS | BURST)
    found = reduce_burst(
        take, recorded(bass_burst(cube=0.0, noise=0.01)), fs_per_pa=FS_PER_PA, in_room=True, clipped=False
    )
    # Spectrum of noise of rms s over T seconds at rate r: about s sqrt(T / r); times 4 f / 6.5.
    about = 0.01 * math.sqrt(0.4 / RATE) * 4 * 50 / 6.5
    assert about / 3 < found.noise_pa < 3 * about
    assert found.in_room


def test_a_silent_burst_take_is_told() -> None:
    take = BurstTake.model_validate(FACTS | BURST)
    with pytest.raises(AudioError, match="nothing was recorded at 50 Hz"):
        reduce_burst(take, recorded(np.zeros(RATE)), fs_per_pa=FS_PER_PA, in_room=False, clipped=False)


def noise_that_fades(loss_db: float) -> tuple[FloatArray, FloatArray]:
    """Microphone and voltage: noise through a resonance, from 5 s on less loud by loss_db."""
    played = np.random.default_rng(5).standard_normal(11 * RATE)
    played[: RATE // 2] = played[10 * RATE :] = 0.0
    heard = signal.lfilter(*signal.iirpeak(300.0, 8.0, fs=RATE), played) + 0.5 * np.roll(played, 100)
    heard[5 * RATE :] *= 10 ** (-loss_db / 20)
    return 0.01 * heard, 0.05 * played


def test_lasting_noise_loses_what_it_loses() -> None:
    """With the voltage beside it the noise's own ups and downs cancel; without, they stand in the uncertainty."""
    axis = log_axis(100.0, 8000.0, 24)
    heard, played = noise_that_fades(2.0)
    take = NoiseRunTake.model_validate(FACTS | RUN)
    with_loop = reduce_noise_run(take, recorded(heard, played), axis, fs_per_pa=FS_PER_PA, reference_channel=2)
    alone = reduce_noise_run(take, recorded(heard), axis, fs_per_pa=FS_PER_PA, reference_channel=None)
    error = with_loop.start_db - with_loop.hot_db - 2.0
    assert with_loop.valid.all()
    assert np.abs(error).max() < 0.4
    assert abs(np.mean(error)) < 0.03
    assert (with_loop.after_s, with_loop.against_reference) == (8.0, True)
    rough = alone.start_db - alone.hot_db - 2.0
    assert np.sqrt(np.mean(rough**2)) > 3 * np.sqrt(np.mean(error**2))
    for run, off in ((with_loop, error), (alone, rough)):
        assert np.mean(np.abs(off) <= 2 * run.u_db) >= 0.95
    assert not alone.against_reference


def test_a_noise_run_in_noise_is_invalid_there() -> None:
    axis = log_axis(100.0, 8000.0, 24)
    heard, played = noise_that_fades(0.0)
    still = 0.3 * heard[RATE : 4 * RATE]
    take = NoiseRunTake.model_validate(FACTS | RUN)
    found = reduce_noise_run(
        take, recorded(heard, played), axis, fs_per_pa=FS_PER_PA, reference_channel=2, silence=still
    )
    assert not found.valid.any()


def test_a_noise_run_that_ends_early_is_told() -> None:
    take = NoiseRunTake.model_validate(FACTS | RUN | {"duration_s": 30.0})
    heard, played = noise_that_fades(0.0)
    with pytest.raises(AudioError, match=r"noise run has no 1 s from 29\.5 s on"):
        reduce_noise_run(
            take, recorded(heard, played), log_axis(100.0, 8000.0, 24), fs_per_pa=FS_PER_PA, reference_channel=2
        )
