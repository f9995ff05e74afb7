"""Takes: recorded to the sample, kept on disk as they come, judged by their content."""

from __future__ import annotations

import itertools
import os
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from rehearsal import RATE_HZ, WIRING, sweep
from scipy.signal import butter, sosfilt

from earwitness.capture.disk import GrowingRecording, recover, write_whole
from earwitness.capture.guard import LimitError, OutputLimits, Silencer
from earwitness.capture.simulated import BLOCK, FaultInjection, SimulatedSound
from earwitness.capture.take import SETTLE_S, Recorded, Signal, record_take
from earwitness.capture.verdict import compare_content, dead_spans
from earwitness.errors import InputError
from earwitness.formats.audio import read_audio


def _record(tmp_path: Path, sound: SimulatedSound, **options: object) -> Recorded:
    number = len(list(tmp_path.iterdir()))
    signal = Signal(sweep(), 0.2)
    return record_take(sound, WIRING, signal, tmp_path / f"{number}.wav.part", limits=OutputLimits(), **options)  # type: ignore[arg-type]


@pytest.mark.parametrize("delay", [0, 1, 1029, 8195, 16385, 40_000])
def test_a_take_is_aligned_to_the_sample_whatever_the_delay(tmp_path: Path, delay: int) -> None:
    done = _record(tmp_path, SimulatedSound(delay=delay, noise_rms=0.0, reference_gain=0.5, microphone_gain=0.25))
    assert done.verdict.keep, done.verdict.sentence
    # The block in which the first sign of life was given is silent.
    assert done.verdict.delay == delay + BLOCK
    assert done.aligned is not None
    assert np.array_equal(done.aligned[:, 1], (0.5 * sweep().astype(np.float32)).astype(np.float32))
    assert np.array_equal(done.aligned[:, 0], (0.25 * sweep().astype(np.float32)).astype(np.float32))


def test_the_microphones_own_delay_stays_in_the_take(tmp_path: Path) -> None:
    done = _record(tmp_path, SimulatedSound(delay=3000, microphone_delay=280, noise_rms=0.0))
    assert done.aligned is not None
    first = [int(np.flatnonzero(done.aligned[:, channel])[0]) for channel in (0, 1)]
    assert first[0] - first[1] == 280


def _without_reference(tmp_path: Path, sound: SimulatedSound) -> Recorded:
    from dataclasses import replace

    wiring = replace(WIRING, reference=None)
    signal = Signal(sweep(), 0.2, flight_s=0.005)
    return record_take(sound, wiring, signal, tmp_path / "one.wav.part", limits=OutputLimits())


def test_without_a_loop_back_the_sound_is_put_where_its_flight_says(tmp_path: Path) -> None:
    done = _without_reference(tmp_path, SimulatedSound(delay=3000, microphone_delay=240, noise_rms=1e-5))
    assert done.verdict.keep
    assert done.verdict.delay == 3000 + BLOCK
    assert [reason.key for reason in done.verdict.reasons] == ["time not known"]


REPEATS = [
    (SimulatedSound(microphone_gain=8.0), "clipped"),
    (SimulatedSound(microphone_gain=0.005, noise_rms=1e-7), "too quiet"),
    (SimulatedSound(microphone_gain=0.5, noise_rms=0.03), "noise"),
    (SimulatedSound(reference_gain=0.0), "loop-back"),
    (SimulatedSound(misfortunes=[FaultInjection(dropouts=((SETTLE_S + 0.7, 0.010),))]), "dropout"),
    (SimulatedSound(misfortunes=[FaultInjection(dropouts=((SETTLE_S + 0.9, 0.0014),))]), "dropout"),
    (SimulatedSound(misfortunes=[FaultInjection(slips=((SETTLE_S + 0.7, 64),))]), "slip"),
    (SimulatedSound(misfortunes=[FaultInjection(slips=((SETTLE_S + 0.8, 1024),))]), "slip"),
    (SimulatedSound(misfortunes=[FaultInjection(not_finite_at_s=SETTLE_S + 0.8)]), "not finite"),
    (SimulatedSound(misfortunes=[FaultInjection(unplug_at_s=SETTLE_S + 0.8)]), "unplugged"),
    (SimulatedSound(delay=58_000), "ends early"),
]


@pytest.mark.parametrize(("sound", "key"), REPEATS, ids=[f"{key} {n}" for n, (_, key) in enumerate(REPEATS)])
def test_what_went_wrong_is_told(tmp_path: Path, sound: SimulatedSound, key: str) -> None:
    done = _record(tmp_path, SimulatedSound(**{**_facts(sound), "misfortunes": list(sound.misfortunes or [])}))
    keys = {reason.key for reason in done.verdict.reasons if reason.repeat}
    assert not done.verdict.keep
    assert key in keys or (key == "slip" and "dropout" in keys) or (key == "ends early" and "loop-back" in keys), keys
    assert done.part.exists()


def _facts(sound: SimulatedSound) -> dict[str, object]:
    return {name: getattr(sound, name) for name in SimulatedSound.__slots__}


def test_a_recording_in_pieces_is_tried_again_and_its_levels_are_not_judged(tmp_path: Path) -> None:
    holes = tuple((SETTLE_S + 0.25 + 0.11 * n, 0.05) for n in range(9))
    slips = tuple((SETTLE_S + 0.3 + 0.11 * n, 37) for n in range(9))
    done = _record(tmp_path, SimulatedSound(misfortunes=[FaultInjection(dropouts=holes, slips=slips)]))
    assert {reason.key for reason in done.verdict.reasons} <= {"dropout", "slip"}
    assert done.verdict.may_retry


def test_it_was_much_noisier_than_usual(tmp_path: Path) -> None:
    done = _record(tmp_path, SimulatedSound(noise_rms=1e-3), usual_noise_dbfs=-80.0)
    assert [reason.key for reason in done.verdict.reasons] == ["noise"]


def test_the_switch_ends_a_take_at_once_and_keeps_what_there_is(tmp_path: Path) -> None:
    silencer = Silencer()
    shares: list[float] = []

    def tell(share: float, _meter: object) -> None:
        shares.append(share)
        if len(shares) == 30:
            silencer.silence()

    done = _record(tmp_path, SimulatedSound(), silencer=silencer, tell=tell)
    assert [reason.key for reason in done.verdict.reasons] == ["silenced"]
    assert done.frames == 30 * BLOCK
    assert done.aligned is None


def test_a_window_that_was_closed_lets_the_watchdog_silence(tmp_path: Path) -> None:
    asked = itertools.count()
    done = _record(tmp_path, SimulatedSound(speed=1.0), alive=lambda: next(asked) < 5, watchdog_s=0.3)
    assert [reason.key for reason in done.verdict.reasons] == ["silenced"]
    assert 0.35 * RATE_HZ < done.frames < 0.7 * RATE_HZ


def test_nothing_is_opened_for_a_signal_above_the_limit(tmp_path: Path) -> None:
    with pytest.raises(LimitError):
        record_take(
            SimulatedSound(), WIRING, Signal(sweep(peak=0.9), 0.2), tmp_path / "x.wav.part", limits=OutputLimits()
        )
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("cutoff_hz", [3.0, 10.0])
@pytest.mark.parametrize("fraction", [0.0, 0.37])
def test_a_loop_back_with_ac_coupling_an_anti_alias_filter_and_noise_is_no_fault(
    cutoff_hz: float, fraction: float
) -> None:
    played = sweep(2.0)
    moved = np.fft.irfft(
        np.fft.rfft(played, 2 * played.size) * np.exp(-2j * np.pi * np.fft.rfftfreq(2 * played.size) * fraction)
    )[: played.size]
    heard = sosfilt(butter(1, cutoff_hz, "high", fs=RATE_HZ, output="sos"), moved)
    heard = sosfilt(butter(4, 22_500, fs=RATE_HZ, output="sos"), heard)
    heard = 0.5 * heard + 1e-4 * np.random.default_rng(3).standard_normal(heard.size)
    found = compare_content(played, heard, 0, RATE_HZ, noise_rms=1e-4)
    assert found.spans_s == ()
    assert not found.slipped


@settings(deadline=None, derandomize=True, max_examples=40)
@given(st.floats(0.25, 1.1), st.integers(100, 3000))
def test_gaps_of_two_milliseconds_or_more_are_found_where_they_are(at_s: float, length: int) -> None:
    played = sweep()
    heard = 0.5 * played
    start = round(at_s * RATE_HZ)
    heard[start : start + length] = 0.0
    found = compare_content(played, heard, 0, RATE_HZ, noise_rms=0.0)
    lost = np.abs(played[start : start + length]).max() > 0.02
    assert bool(found.spans_s) or found.slipped or not lost


def test_dead_spans_are_told_of_an_analog_channel_and_not_of_a_digital_wire() -> None:
    noise = 1e-4 * np.random.default_rng(2).standard_normal(RATE_HZ)
    assert dead_spans(noise, RATE_HZ) == ()
    noise[4800:4896] = 0.0
    ((start, end),) = dead_spans(noise, RATE_HZ)
    assert start == pytest.approx(0.1)
    assert end == pytest.approx(0.102, abs=1e-4)
    assert dead_spans(np.concatenate([np.zeros(RATE_HZ), sweep()]), RATE_HZ) == ()


@settings(deadline=None, derandomize=True, max_examples=40)
@given(st.integers(1, 4), st.lists(st.integers(1, 700), max_size=6), st.integers(0, 40))
def test_a_recording_that_was_cut_anywhere_is_found_again_to_the_last_whole_sample(
    tmp_path_factory: pytest.TempPathFactory, channels: int, sizes: list[int], lost: int
) -> None:
    folder = tmp_path_factory.mktemp("cut")
    random = np.random.default_rng(sum(sizes) + channels)
    blocks = [random.standard_normal((size, channels)).astype(np.float32) for size in sizes]
    part = folder / "a.wav.part"
    file = GrowingRecording(part, RATE_HZ, channels)
    for block in blocks:
        file.append(block)
    # As after a crash: not closed, and the last write torn.
    os.close(os.dup(file._file.fileno()))
    size = part.stat().st_size
    with part.open("r+b") as raw:
        raw.truncate(max(size - lost, 58))
    file._file.close()
    whole = np.concatenate(blocks) if blocks else np.zeros((0, channels), dtype=np.float32)
    expected = whole[: max(size - lost - 58, 0) // (4 * channels)]
    frames = recover(part, folder / "spoiled" / "a-1.wav")
    assert frames == len(expected)
    assert not part.exists()
    if frames:
        samples, rate = soundfile.read(folder / "spoiled" / "a-1.wav", dtype="float32", always_2d=True)
        assert rate == RATE_HZ
        assert np.array_equal(samples, expected)
        assert np.array_equal(read_audio(folder / "spoiled" / "a-1.wav").samples.T.astype(np.float32), expected)


def test_two_recordings_into_one_file_are_refused(tmp_path: Path) -> None:
    first = GrowingRecording(tmp_path / "a.wav.part", RATE_HZ, 1)
    with pytest.raises(InputError, match="under way"):
        GrowingRecording(tmp_path / "a.wav.part", RATE_HZ, 1)
    first.close()


def test_a_whole_recording_is_read_by_an_independent_library(tmp_path: Path) -> None:
    samples = np.random.default_rng(4).uniform(-1, 1, (999, 3)).astype(np.float32)
    write_whole(tmp_path / "w.wav", samples, RATE_HZ)
    info = soundfile.info(tmp_path / "w.wav")
    assert (info.samplerate, info.channels, info.frames, info.subtype) == (RATE_HZ, 3, 999, "FLOAT")
    assert np.array_equal(soundfile.read(tmp_path / "w.wav", dtype="float32")[0], samples)
