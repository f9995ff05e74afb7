"""One recording becomes one impulse response in Pa/V: checks, division by what was played, a cut about the arrival."""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import scipy.fft

from earwitness.dsp.deconvolve import regularization
from earwitness.errors import AudioError
from earwitness.formats.audio import Recording
from earwitness.quantities.arrays import ComplexArray, FloatArray
from earwitness.reduce.spectrum import noise_density
from earwitness.reduce.stimulus import Stimulus, stimulus_power, stimulus_spectrum
from earwitness.session.session import ReferenceChannel

SingleArray = npt.NDArray[np.float32]
SingleComplex = npt.NDArray[np.complex64]

SILENT_FS = 1e-5
REFERENCE_SILENT_FS = 1e-3
FULL_SCALE = 0.999
EQUAL_SHARE = 0.999
RUNS_AHEAD_OF_GAIN = 10
BEFORE_PEAK_S = 0.08
GUARD_S = 0.05
QUIET_SHARE = 0.95
SHORTEST_QUIET_S = 0.05
SCALE_STRIDE = 16


@dataclass(frozen=True, slots=True)
class Role:
    """What the reduction needs to know of one take. Channels are 1-based; drive_v : rms of the sweep's sine."""

    take: str
    file: str
    microphone_channel: int
    reference_channel: int | None
    drive_v: float


@dataclass(frozen=True, slots=True, eq=False)
class TakeImpulse:
    """An impulse response about its arrival.

    samples : (N,) [Pa/V per tap]; start_s : time of the first one, zero when the signal leaves the loudspeaker's
    terminals (with a reference channel) or where the lead-in ends; peak_s : time of the largest sample
    noise : (F,) two-sided density of the silence before the sweep [Pa^2/Hz], or None
    peak_fs : largest magnitude in the microphone channel; clipped_runs : runs of samples stuck at their largest value
    """

    take: str
    samples: FloatArray
    start_s: float
    peak_s: float
    noise: FloatArray | None
    peak_fs: float
    clipped_runs: int
    reference_clipped_runs: int


@dataclass(slots=True, eq=False)
class Division:
    """What all takes of a session share when they are divided by what was played.

    hz : (F,) where noise is wanted; keep_s : length kept after the arrival.
    """

    stimulus: Stimulus
    reference: ReferenceChannel | None
    fs_per_pa: float
    hz: FloatArray
    keep_s: float
    _outside: dict[int, SingleArray] = field(default_factory=dict)
    _spectra: dict[int, ComplexArray] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def outside(self, length: int) -> SingleArray:
        """Share (length // 2 + 1,) in 0 to 1 by which a bin lies outside the band of the stimulus."""
        with self._lock:
            if length not in self._outside:
                frequency = np.asarray(np.arange(length // 2 + 1) * (self.stimulus.rate_hz / length), dtype=np.float64)
                flat = np.ones(frequency.size, dtype=np.complex128)
                low, high = self.stimulus.low_hz, min(self.stimulus.high_hz, 0.5 * self.stimulus.rate_hz)
                self._outside[length] = regularization(flat, frequency, low, high).astype(np.float32)
            return self._outside[length]

    def nominal(self, length: int) -> ComplexArray:
        """Spectrum (length // 2 + 1,) of the stimulus at unit amplitude, from time zero."""
        with self._lock:
            if length not in self._spectra:
                self._spectra[length] = stimulus_spectrum(self.stimulus, length)
            return self._spectra[length]


def take_impulse(role: Role, recording: Recording, division: Division) -> TakeImpulse:
    """The impulse response of one take [Pa/V].

    Circular division over the length of the recording: it is exact as long as the recording holds the decay, and
    harmonic responses land before the linear one (Farina 2000, from memory). AudioError names file and take for
    another sample rate, a missing channel, samples that are not numbers, silence, or a recording that is too short.
    """
    microphone = _single(_channel(role, recording, role.microphone_channel, "microphone", division))
    peak_fs = _peak(role, microphone, "microphone", SILENT_FS)
    length = scipy.fft.next_fast_len(microphone.size, True)
    _check_length(role, microphone.size, division)
    reference_runs = 0
    if role.reference_channel is None:
        played: ComplexArray | SingleComplex = division.nominal(length)
        volts = math.sqrt(2.0) * role.drive_v
        lead_s = division.stimulus.lead_in_s
    else:
        loop = _single(_channel(role, recording, role.reference_channel, "reference", division))
        loop_peak = _peak(role, loop, "reference", REFERENCE_SILENT_FS)
        reference_runs = stuck_runs(loop, loop_peak)
        played, lead_s = scipy.fft.rfft(loop, length), 0.0
        volts = _volts(role, played, length, division)
    impulse = _divide(microphone, played, length, division)
    impulse_peak = int(np.argmax(np.abs(impulse)))
    rate = division.stimulus.rate_hz
    late = impulse_peak - length if impulse_peak > length // 2 and role.reference_channel is not None else impulse_peak
    first = late - round(BEFORE_PEAK_S * rate)
    rows = (first + np.arange(round((BEFORE_PEAK_S + GUARD_S + division.keep_s) * rate))) % length
    return TakeImpulse(
        role.take,
        impulse[rows].astype(np.float64) / (volts * division.fs_per_pa),
        first / rate - lead_s,
        late / rate - lead_s,
        quiet_noise(microphone, division),
        peak_fs,
        stuck_runs(microphone, peak_fs),
        reference_runs,
    )


def _single(samples: FloatArray) -> SingleArray:
    """A contiguous copy in single precision: its 24 bits are those of the recorder, and FFTs take half the time."""
    return np.ascontiguousarray(samples, dtype=np.float32)


def _divide(
    samples: FloatArray | SingleArray, played: ComplexArray | SingleComplex, length: int, division: Division
) -> FloatArray:
    """Y X* / (|X|^2 + epsilon), back in time, in the precision of the samples; epsilon as in dsp.deconvolve."""
    spectrum = scipy.fft.rfft(samples, length)
    played = played.astype(spectrum.dtype, copy=False)
    power = played.real**2
    power += played.imag**2
    power += division.outside(length) * power.max()
    spectrum *= np.conj(played)
    spectrum /= power
    return np.asarray(scipy.fft.irfft(spectrum, length, overwrite_x=True))


def nominal_impulse(role: Role, recording: Recording, division: Division) -> FloatArray:
    """Circular response (length,) [Pa per unit amplitude of the stimulus], divided by the ideal stimulus.

    Harmonics are taken from it: a recorded reference has harmonics of its own, which would mix the orders.
    """
    microphone = np.ascontiguousarray(_channel(role, recording, role.microphone_channel, "microphone", division))
    _peak(role, microphone, "microphone", SILENT_FS)
    _check_length(role, microphone.size, division)
    length = scipy.fft.next_fast_len(microphone.size, True)
    return _divide(microphone, division.nominal(length), length, division) / division.fs_per_pa


def quiet_noise(samples: FloatArray | SingleArray, division: Division) -> FloatArray | None:
    """Density (F,) [Pa^2/Hz] of the silence before the sweep, or None where there is too little of it."""
    count = round(QUIET_SHARE * division.stimulus.lead_in_s * division.stimulus.rate_hz)
    if count < SHORTEST_QUIET_S * division.stimulus.rate_hz:
        return None
    return (
        noise_density(samples[:count].astype(np.float64), division.stimulus.rate_hz, division.hz)
        / division.fs_per_pa**2
    )


def stuck_runs(samples: FloatArray | SingleArray, peak: float) -> int:
    """How many runs of three or more samples stand at full scale, or stuck at the largest value below it.

    Below full scale a few such runs happen at the crests of slow tones in coarse steps, so that they count from
    ten on (project default).
    """
    full = peak >= FULL_SCALE
    limit = FULL_SCALE if full else EQUAL_SHARE * peak
    rows = np.flatnonzero((samples >= limit) | (samples <= -limit))
    if rows.size < 3:
        return 0
    follows = np.diff(rows) == 1
    if not full:
        follows &= np.diff(samples[rows]) == 0.0
    triple = follows[:-1] & follows[1:]
    runs = int(np.count_nonzero(triple & ~np.concatenate([[False], triple[:-1]])))
    return runs if full or runs >= RUNS_AHEAD_OF_GAIN else 0


def _volts(role: Role, played: ComplexArray | SingleComplex, length: int, division: Division) -> float:
    """Volts per full scale of the reference channel: stated, or such that the sweep in it has the drive voltage."""
    if division.reference is not None and division.reference.volts_per_fs is not None:
        return division.reference.volts_per_fs
    rate = division.stimulus.rate_hz
    frequency = np.asarray(np.arange(0, length // 2 + 1, SCALE_STRIDE) * (rate / length), dtype=np.float64)
    low, high = 2.0 * division.stimulus.low_hz, min(division.stimulus.high_hz / 2.0, 0.45 * rate)
    inside = (frequency > low) & (frequency < high)
    ideal = rate * np.sqrt(stimulus_power(division.stimulus, frequency[inside]))
    amplitude_fs = float(np.median(np.abs(played[::SCALE_STRIDE][inside]) / ideal))
    if not amplitude_fs > 0.0:
        raise _unusable(role, "the reference channel does not hold the stimulus", "check channel and stimulus")
    return math.sqrt(2.0) * role.drive_v / amplitude_fs


def _channel(role: Role, recording: Recording, channel: int, what: str, division: Division) -> FloatArray:
    if recording.rate_hz != division.stimulus.rate_hz:
        raise _unusable(
            role,
            f"the sample rate is {recording.rate_hz} Hz, that of the other takes {division.stimulus.rate_hz} Hz",
            "record every take at one rate; do not convert, record again",
            "one sample rate in a session",
        )
    there = recording.samples.shape[0]
    if channel > there:
        raise _unusable(
            role,
            f"the {what} is said to be on channel {channel}, but the recording has {there} "
            f"channel{'s' if there != 1 else ''}",
            "record both channels, or correct the channel in session.toml",
            f"at least {channel} channels",
        )
    row: FloatArray = recording.samples[channel - 1]
    return row


def _peak(role: Role, samples: FloatArray | SingleArray, what: str, silent: float) -> float:
    peak = max(float(samples.max(initial=0.0)), -float(samples.min(initial=0.0)))
    if samples.size == 0:
        raise _unusable(role, f"the {what} channel is empty", "record the take again")
    if not math.isfinite(peak):
        raise _unusable(role, f"the {what} channel holds values that are not numbers", "export the recording again")
    if peak < silent:
        level = f"{20 * math.log10(peak):.0f} dB re full scale" if peak > 0.0 else "zero throughout"
        raise _unusable(
            role,
            f"the {what} channel is silent (its peak is {level})",
            "check cable, phantom power and input gain, and record the take again",
            f"a peak above {20 * math.log10(silent):.0f} dB re full scale",
        )
    return peak


def _check_length(role: Role, count: int, division: Division) -> None:
    need = division.stimulus.samples.size
    if count < need:
        rate = division.stimulus.rate_hz
        raise _unusable(
            role,
            f"the recording lasts {count / rate:.2f} s, the stimulus {need / rate:.2f} s",
            "record until the room has decayed",
            "recordings longer than the stimulus",
        )


def _unusable(role: Role, what: str, remedy: str, expected: str = "") -> AudioError:
    return AudioError(what, where=f"take {role.take}, file {role.file}", expected=expected, remedy=remedy)
