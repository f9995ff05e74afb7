"""Recordings as WAV and FLAC files: read with every check, written without a silent change of a sample."""

import os
import struct
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Literal

import numpy as np
import numpy.typing as npt

from earwitness.errors import AudioError, InputError, cannot_write, choice
from earwitness.quantities import FloatArray

MIN_RATE_HZ = 44_100
MAX_RATE_HZ = 192_000
MAX_VALUES = 2**27
_PIECE = 2**18
_FLOATS = ("FLOAT", "DOUBLE")
SUBTYPES = ("PCM_16", "PCM_24", "PCM_32", *_FLOATS)

Subtype = Literal["PCM_24", "FLOAT"]


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """One audio file in memory.

    samples (C, N) : full scale is 1, the channels interleaved in memory; rate_hz : sample rate; subtype : how the
    samples were stored, as in SUBTYPES.
    """

    samples: FloatArray
    rate_hz: int
    subtype: str


def read_audio(path: Path, *, max_values: int = MAX_VALUES) -> Recording:
    """The recording in the WAV or FLAC file `path`.

    `max_values` limits channels times samples. AudioError: no such file, empty, not WAV or FLAC, shorter than its
    header says, sample rate outside 44.1 to 192 kHz, lossy or 8-bit samples, values that are not finite, too large.
    """
    import soundfile

    _check_container(path)
    try:
        with soundfile.SoundFile(str(path)) as file:
            rate_hz, subtype, frames, channels = file.samplerate, file.subtype, file.frames, file.channels
            _check_header(path, rate_hz, subtype, frames * channels, max_values)
            samples = _read_all(path, file, frames, channels)
    except (soundfile.SoundFileError, OSError, ValueError, MemoryError) as error:
        raise _damaged(path, error) from None
    return Recording(samples, int(rate_hz), str(subtype))


@dataclass(frozen=True, slots=True)
class AudioFile:
    """A checked WAV or FLAC file that is read in pieces: of any length, memory stays flat."""

    path: Path
    rate_hz: int
    channels: int
    frames: int

    def pieces(self) -> Iterator[FloatArray]:
        """Its samples (C, n), full scale 1, from the beginning. AudioError where they cannot be decoded."""
        import soundfile

        done = 0
        try:
            with soundfile.SoundFile(str(self.path)) as file:
                while len(piece := file.read(_PIECE, always_2d=True)):
                    if not np.isfinite(piece).all():
                        raise ValueError("values that are not finite numbers")
                    done += len(piece)
                    yield piece.T
        except (soundfile.SoundFileError, OSError, ValueError) as error:
            raise _damaged(self.path, error) from None
        if done != self.frames:
            raise _truncated(self.path, f"{self.frames} samples", f"{done}")


def open_audio(path: Path, *, max_values: int = 2**31) -> AudioFile:
    """The WAV or FLAC file `path`, its container and header checked. AudioError as `read_audio`."""
    import soundfile

    _check_container(path)
    try:
        with soundfile.SoundFile(str(path)) as file:
            _check_header(path, file.samplerate, file.subtype, file.frames * file.channels, max_values)
            return AudioFile(path, int(file.samplerate), int(file.channels), int(file.frames))
    except (soundfile.SoundFileError, OSError, ValueError) as error:
        raise _damaged(path, error) from None


def write_audio_pieces(path: Path, pieces: Iterable[FloatArray], rate_hz: int, channels: int) -> None:
    """Write pieces (C, n), full scale 1, as one 24-bit WAV or FLAC file by the suffix of `path`, in flat memory.

    Raises as `write_audio`; a file that was begun is taken away again. The same samples give the same bytes.
    """
    import soundfile

    suffix = choice("the suffix of an audio file", path.suffix.lower(), (".wav", ".flac"))
    container = "WAV" if suffix == ".wav" else "FLAC"
    with (
        _made_whole(path) as part,
        soundfile.SoundFile(str(part), "w", rate_hz, channels, "PCM_24", format=container) as file,
    ):
        for piece in pieces:
            _check_writable(path, piece, rate_hz)
            file.write(_whole_steps(piece, path))


@contextmanager
def _made_whole(path: Path) -> Iterator[Path]:
    """A part beside `path` that takes its place when the block ends well, and goes when it does not."""
    part = path.with_name(path.name + ".part")
    try:
        yield part
        os.replace(part, path)
    except (OSError, RuntimeError) as error:
        raise cannot_write("the audio file", path, error) from None
    finally:
        part.unlink(missing_ok=True)


def _damaged(path: Path, error: BaseException) -> AudioError:
    return AudioError.of("formats.undecodable", where=str(path), error=error)


def _read_all(path: Path, file: Any, frames: int, channels: int) -> FloatArray:
    """The samples (C, N), decoded where they stay: a long recording is in memory once."""
    interleaved = np.empty((frames, channels))
    bad, first_bad, at = 0, (0, 0), 0
    while at < frames:
        piece = file.read(out=interleaved[at : at + _PIECE])
        if not len(piece):
            raise _truncated(path, f"{frames} samples", f"{at}")
        # Whole numbers are finite.
        if file.subtype in _FLOATS and not np.isfinite(piece).all():
            odd = np.argwhere(~np.isfinite(piece))
            if not bad:
                first_bad = (at + int(odd[0, 0]), int(odd[0, 1]))
            bad += len(odd)
        at += len(piece)
    if bad:
        sample, channel = first_bad
        raise AudioError.of(
            "formats.not_finite",
            where=f"{path}, channel {channel + 1}, sample {sample} ({sample / file.samplerate:.6f} s)",
            bad=bad,
        )
    interleaved.setflags(write=False)
    return interleaved.T


def write_audio(path: Path, samples: FloatArray, rate_hz: int, *, subtype: Subtype = "PCM_24") -> None:
    """Write `samples` (C, N) or (N,), full scale 1, as WAV or FLAC by the suffix of `path`.

    24-bit samples are rounded to the nearest step, without dither. InputError for samples that are not finite or,
    in 24 bits, beyond full scale (nothing is clipped), for float in FLAC and for an unknown suffix; OutputError
    if the file cannot be written. The same samples give the same bytes.
    """
    choice("the sample format", subtype, ("PCM_24", "FLOAT"))
    suffix = choice("the suffix of an audio file", path.suffix.lower(), (".wav", ".flac"))
    values = np.atleast_2d(np.asarray(samples, dtype=np.float64))
    _check_writable(path, values, rate_hz)
    if subtype == "PCM_24":
        write_audio_pieces(path, [values], rate_hz, len(values))
        return
    if suffix == ".flac":
        raise InputError.of("formats.flac_float", where=str(path))
    with _made_whole(path) as part:
        _write_float(part, values, rate_hz)


def _truncated(path: Path, promised: str, present: str) -> AudioError:
    return AudioError.of("formats.truncated", where=str(path), promised=promised, present=present)


def _check_container(path: Path) -> None:
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            head = file.read(12)
            if head[:4] in (b"RIFF", b"RF64") and head[8:12] == b"WAVE":
                _check_riff(path, file, size)
                return
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise AudioError.of("formats.not_opened", where=str(path), reason=reason) from None
    if size == 0:
        raise AudioError.of("formats.empty_file", where=str(path))
    if head[:4] != b"fLaC":
        raise AudioError.of("formats.not_audio", where=str(path))


def _check_riff(path: Path, file: BinaryIO, size: int) -> None:
    """Compare the data chunk's length with the file's: the decoder would shorten the recording without a word."""
    long_data = None
    position = 12
    while position + 8 <= size:
        file.seek(position)
        name, length = struct.unpack("<4sI", file.read(8))
        if name == b"ds64" and size >= position + 24:
            long_data = struct.unpack("<QQ", file.read(16))[1]
        if name == b"data":
            promised = long_data if length == 0xFFFFFFFF and long_data is not None else length
            if promised > size - position - 8:
                raise _truncated(path, f"{promised} bytes of samples", f"{size - position - 8}")
            return
        position += 8 + length + length % 2
    raise _truncated(path, "a data chunk", "none")


def _check_header(path: Path, rate_hz: int, subtype: str, values: int, max_values: int) -> None:
    if not MIN_RATE_HZ <= rate_hz <= MAX_RATE_HZ:
        raise AudioError.of(
            "formats.sample_rate", where=str(path), rate_hz=rate_hz, min_rate_hz=MIN_RATE_HZ, max_rate_hz=MAX_RATE_HZ
        )
    if subtype not in SUBTYPES:
        raise AudioError.of("formats.sample_format", where=str(path), subtype=subtype, listed=", ".join(SUBTYPES))
    if values <= 0:
        raise AudioError.of("formats.no_samples", where=str(path))
    if values > max_values:
        raise AudioError.of("formats.too_many_samples", where=str(path), values=values, max_values=max_values)


def _check_writable(path: Path, values: FloatArray, rate_hz: int) -> None:
    fault = ""
    if values.ndim != 2 or values.size == 0:
        fault = f"samples of shape {values.shape} are no recording"
    elif not np.all(np.isfinite(values)):
        fault = "some samples are not finite numbers"
    elif not MIN_RATE_HZ <= rate_hz <= MAX_RATE_HZ:
        fault = f"the sample rate is {rate_hz} Hz"
    if fault:
        expected = f"finite samples, channels first, at {MIN_RATE_HZ} to {MAX_RATE_HZ} Hz"
        raise InputError(fault, where=str(path), expected=expected, remedy="check what is being written")


def _whole_steps(values: FloatArray, path: Path) -> npt.NDArray[np.int32]:
    """(N, C) 24-bit steps of samples (C, N), in the upper bits of 32. InputError beyond full scale."""
    steps = np.rint(values * 2.0**23)
    if steps.max() > 2**23 - 1 or steps.min() < -(2**23):
        raise InputError.of("formats.peak_too_high", where=str(path), peak=np.abs(values).max())
    # Whole steps, shifted up by hand: the library scales floats by 2^23 - 1, which would change every sample.
    return np.asarray(steps.astype(np.int32).T * np.int32(256), dtype=np.int32)


def _write_float(part: Path, values: FloatArray, rate_hz: int) -> None:
    # Not by soundfile: it stamps float files with the time of writing.
    from scipy.io import wavfile

    if np.abs(values).max() > np.finfo(np.float32).max:
        raise InputError.of("formats.beyond_float", where=str(part.with_suffix("")))
    wavfile.write(str(part), rate_hz, values.T.astype(np.float32))
