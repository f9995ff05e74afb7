"""WAV and FLAC. Files are made and read back by soundfile, scipy and the standard library's wave module."""

from __future__ import annotations

import dataclasses
import struct
import wave
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.io import wavfile

from earwitness.errors import AudioError, EarwitnessError, InputError, OutputError
from earwitness.formats.audio import Recording, Subtype, read_audio, write_audio

TWO_CHANNELS = np.random.default_rng(1).uniform(-0.9, 0.9, (2, 1000))


def refused(path: Path, word: str) -> AudioError:
    with pytest.raises(AudioError) as caught:
        read_audio(path)
    error = caught.value
    assert word in error.what
    assert str(path) in error.where
    assert error.expected
    assert error.remedy
    return error


def test_reads_what_the_standard_library_wrote(tmp_path: Path) -> None:
    # 16-bit words count in steps of 2^-15 of full scale.
    path = tmp_path / "a.wav"
    with wave.open(str(path), "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(2)
        file.setframerate(48000)
        file.writeframes(struct.pack("<6h", 0, 1, 16384, -32768, 32767, -1))
    recording = read_audio(path)
    assert recording.samples.dtype == np.float64
    np.testing.assert_array_equal(recording.samples * 2**15, [[0, 16384, 32767], [1, -32768, -1]])
    assert (recording.rate_hz, recording.subtype) == (48000, "PCM_16")


def test_recording_is_frozen(tmp_path: Path) -> None:
    path = tmp_path / "a.flac"
    write_audio(path, TWO_CHANNELS, 48000)
    recording = read_audio(path)
    with pytest.raises(dataclasses.FrozenInstanceError):
        recording.rate_hz = 1  # type: ignore[misc]
    with pytest.raises(ValueError, match="read-only"):
        recording.samples[0, 0] = 1.0


@pytest.mark.parametrize("suffix", [".wav", ".flac"])
def test_24_bit_steps_come_back_exactly(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"a{suffix}"
    steps = np.array([[0, 1, -1, 2**23 - 1, -(2**23), 1234567]])
    write_audio(path, steps / 2**23, 96000)
    words, rate_hz = soundfile.read(path, dtype="int32")
    np.testing.assert_array_equal(words // 256, steps[0])
    assert rate_hz == 96000
    np.testing.assert_array_equal(read_audio(path).samples * 2**23, steps)
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


def test_float_goes_beyond_full_scale_and_keeps_no_clock(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    write_audio(path, 3 * TWO_CHANNELS, 48000, subtype="FLOAT")
    recording = read_audio(path)
    assert recording.subtype == "FLOAT"
    np.testing.assert_array_equal(recording.samples, (3 * TWO_CHANNELS).astype(np.float32))
    assert b"PEAK" not in path.read_bytes()


def test_one_dimension_is_one_channel(tmp_path: Path) -> None:
    write_audio(tmp_path / "a.wav", TWO_CHANNELS[0], 44100)
    assert read_audio(tmp_path / "a.wav").samples.shape == (1, 1000)


@pytest.mark.parametrize("peak", [1.0, 1.5, -1.0000002])
@pytest.mark.parametrize("suffix", [".wav", ".flac"])
def test_over_range_is_refused_not_clipped(tmp_path: Path, peak: float, suffix: str) -> None:
    with pytest.raises(InputError, match="beyond what 24-bit samples hold"):
        write_audio(tmp_path / f"a{suffix}", np.array([0.0, peak]), 48000)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("name", "samples", "rate_hz", "subtype"),
    [
        ("a.wav", [np.nan], 48000, "FLOAT"),
        ("a.wav", [np.inf], 48000, "PCM_24"),
        ("a.wav", [], 48000, "PCM_24"),
        ("a.wav", [[[0.0]]], 48000, "PCM_24"),
        ("a.wav", [0.0], 8000, "PCM_24"),
        ("a.wav", [1e300], 48000, "FLOAT"),
        ("a.flac", [0.0], 48000, "FLOAT"),
        ("a.ogg", [0.0], 48000, "PCM_24"),
    ],
)
def test_unwritable_input(tmp_path: Path, name: str, samples: list[float], rate_hz: int, subtype: Subtype) -> None:
    with pytest.raises(InputError):
        write_audio(tmp_path / name, np.array(samples), rate_hz, subtype=subtype)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("subtype", ["PCM_24", "FLOAT"])
def test_missing_folder_is_an_output_error(tmp_path: Path, subtype: Subtype) -> None:
    with pytest.raises(OutputError):
        write_audio(tmp_path / "none" / "a.wav", TWO_CHANNELS, 48000, subtype=subtype)


def test_missing_empty_and_foreign_files(tmp_path: Path) -> None:
    refused(tmp_path / "none.wav", "cannot be opened")
    refused(tmp_path, "cannot be opened")
    path = tmp_path / "a.wav"
    path.write_bytes(b"")
    refused(path, "empty file")
    path.write_bytes(b"hello, this is no audio at all")
    refused(path, "neither WAV nor FLAC")


def test_the_long_wav_container(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, TWO_CHANNELS.T, 48000, format="RF64", subtype="DOUBLE")
    assert path.read_bytes()[:4] == b"RF64"
    np.testing.assert_array_equal(read_audio(path).samples, TWO_CHANNELS)
    path.write_bytes(path.read_bytes()[:-16])
    refused(path, "truncated")


def test_no_samples(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, np.zeros((0, 1)), 48000, subtype="PCM_24")
    refused(path, "no samples")


@pytest.mark.parametrize("suffix", [".wav", ".flac"])
@pytest.mark.parametrize("kept", [0.3, 0.6, 0.99])
def test_truncated(tmp_path: Path, suffix: str, kept: float) -> None:
    path = tmp_path / f"a{suffix}"
    write_audio(path, np.tile(TWO_CHANNELS, 30), 48000)
    raw = path.read_bytes()
    path.write_bytes(raw[: int(len(raw) * kept)])
    refused(path, "truncated")


@pytest.mark.parametrize("rate_hz", [8000, 44099, 192001, 384000])
def test_rates_outside_the_limits(tmp_path: Path, rate_hz: int) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, TWO_CHANNELS.T, rate_hz, subtype="PCM_24")
    refused(path, f"{rate_hz} Hz")


@pytest.mark.parametrize("subtype", ["PCM_U8", "ULAW", "IMA_ADPCM"])
def test_coarse_and_lossy_samples(tmp_path: Path, subtype: str) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, TWO_CHANNELS.T, 48000, subtype=subtype)
    refused(path, subtype)


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_values_that_are_not_finite_are_located(tmp_path: Path, bad: float) -> None:
    path = tmp_path / "a.wav"
    samples = np.zeros((100, 2), dtype=np.float32)
    samples[48, 1] = bad
    wavfile.write(path, 48000, samples)
    assert "channel 2, sample 48 (0.001000 s)" in refused(path, "not finite").where


def test_size_limit(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    write_audio(path, TWO_CHANNELS, 48000)
    assert isinstance(read_audio(path, max_values=2000), Recording)
    with pytest.raises(AudioError, match="2000 values"):
        read_audio(path, max_values=1999)


@settings(deadline=None, derandomize=True, max_examples=50)
@given(
    st.sampled_from([b"", b"RIFF\x40\0\0\0WAVE", b"RF64\xff\xff\xff\xffWAVEds64", b"fLaC\0\0\0\x22"]),
    st.binary(max_size=200),
)
def test_random_bytes_give_only_our_error(tmp_path_factory: pytest.TempPathFactory, head: bytes, tail: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "random.wav"
    path.write_bytes(head + tail)
    with pytest.raises(EarwitnessError):
        read_audio(path)


@settings(deadline=None, derandomize=True, max_examples=50)
@given(st.sampled_from([".wav", ".flac"]), st.dictionaries(st.integers(0, 120), st.integers(0, 255), max_size=6))
def test_damaged_bytes_give_a_recording_or_our_error(
    tmp_path_factory: pytest.TempPathFactory, suffix: str, changes: dict[int, int]
) -> None:
    path = tmp_path_factory.getbasetemp() / f"damaged{suffix}"
    write_audio(path, TWO_CHANNELS[:, :200], 48000)
    raw = bytearray(path.read_bytes())
    for place, value in changes.items():
        raw[place] = value
    path.write_bytes(raw)
    try:
        recording = read_audio(path)
    except EarwitnessError as error:
        place_named = error.where
    else:
        place_named = str(path)
        assert np.all(np.isfinite(recording.samples))
    assert place_named.startswith(str(path))
