"""One recording becomes one impulse response in Pa/V: checks, division by what was played, a cut about the arrival.

And from windowed impulse responses to spectra at chosen frequencies.
"""

import math
import threading
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache, partial
from itertools import starmap

import numpy as np
import numpy.typing as npt
import scipy.fft

from earwitness.dsp.smoothing import smooth_power
from earwitness.dsp.sweep import regularization
from earwitness.errors import AudioError
from earwitness.formats.audio import Recording
from earwitness.quantities.arrays import REPORT_POINTS_PER_OCTAVE, ComplexArray, FloatArray
from earwitness.reduce.doubt.recordings import Look, Witness, witness_of
from earwitness.reduce.stimulus import Stimulus, stimulus_power, stimulus_spectrum
from earwitness.session.session import ReferenceChannel

BINS_IN_BAND = 3.0
LONGEST_DENSE = 1500


def spectrum_at(segments: FloatArray, start_s: FloatArray, rate_hz: float, hz: FloatArray) -> ComplexArray:
    """Spectra (T, F) of segments (T, N) whose first samples lie at start_s (T,), exp(+j omega t).

    Short segments by the sum at each frequency as one matrix product. Long ones by a padded FFT: the magnitude is
    the power mean over 1/48 octave where three or more bins fall in, the phase that at the frequency itself.
    """
    if segments.shape[-1] <= LONGEST_DENSE:
        time = np.arange(segments.shape[-1]) / rate_hz
        angle = 2.0 * math.pi * np.outer(time, hz)
        spectra = (segments @ np.cos(angle)) - 1j * (segments @ np.sin(angle))
        return np.asarray(spectra * np.exp(-2j * math.pi * np.outer(start_s, hz)), dtype=np.complex128)
    return _long_spectrum(segments, start_s, rate_hz, hz)


def _long_spectrum(segments: FloatArray, start_s: FloatArray, rate_hz: float, hz: FloatArray) -> ComplexArray:
    length = scipy.fft.next_fast_len(4 * segments.shape[-1], True)
    spacing = rate_hz / length
    spectra = scipy.fft.rfft(segments, length, axis=-1, workers=-1)
    place = hz / spacing
    left = np.clip(np.floor(place).astype(int), 0, spectra.shape[-1] - 2)
    part = place - left
    bins = np.stack([left, left + 1]) * spacing
    # Between bins the delay of the loudest moment is taken out first, or interpolation would notch the magnitude.
    peak_s = np.argmax(np.abs(segments), axis=-1) / rate_hz
    turn = np.exp(2j * math.pi * peak_s[:, None] * (bins - hz)[:, None, :])
    points = (1.0 - part) * spectra[:, left] * turn[0] + part * spectra[:, left + 1] * turn[1]
    points = points * np.exp(-2j * math.pi * np.outer(start_s, hz))
    width = hz * (2.0 ** (0.5 / REPORT_POINTS_PER_OCTAVE) - 2.0 ** (-0.5 / REPORT_POINTS_PER_OCTAVE))
    wide = (width >= BINS_IN_BAND * spacing) & (hz < rate_hz / 2.0 - width)
    if not wide.any():
        return np.asarray(points, dtype=np.complex128)
    power = spectra.real**2 + spectra.imag**2
    frequency = np.asarray(np.arange(1, spectra.shape[-1]) * spacing, dtype=np.float64)
    mean = smooth_power(power[:, 1:], frequency, hz[wide], REPORT_POINTS_PER_OCTAVE)
    size = np.abs(points[:, wide])
    points[:, wide] *= np.sqrt(np.maximum(mean, 0.0)) / np.where(size > 0.0, size, 1.0)
    return np.asarray(points, dtype=np.complex128)


def noise_density(samples: FloatArray, rate_hz: float, hz: FloatArray) -> FloatArray:
    """Two-sided power spectral density (F,) [unit^2/Hz] of a noise sample (N,) at hz (F,): Welch's method.

    Hann windows, half overlapping, about ten of them.
    """
    size = max(64, 2 ** int(math.log2(max(samples.size / 5.0, 64.0))))
    size = min(size, samples.size)
    window, energy = hann(size)
    rows = np.lib.stride_tricks.sliding_window_view(samples, size)[:: max(size // 2, 1)]
    rows = rows - rows.mean(axis=-1, keepdims=True)
    rows *= window
    spectra = scipy.fft.rfft(rows, axis=-1)
    density = (spectra.real**2 + spectra.imag**2).mean(axis=0) / (rate_hz * energy)
    frequency = np.arange(density.size) * rate_hz / size
    return np.asarray(np.interp(hz, frequency[1:], density[1:]), dtype=np.float64)


@lru_cache(maxsize=8)
def hann(size: int) -> tuple[FloatArray, float]:
    """The window (size,) and its sum of squares: all takes of a session share them, and the seconds of one."""
    window = np.hanning(size)
    window.setflags(write=False)
    return window, float(np.sum(window**2))


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
PLAYED_SHARE = 0.03
SCALE_STRIDE = 16


@dataclass(frozen=True, slots=True)
class Role:
    """What the reduction needs to know of one take. Channels are 1-based; drive_v : rms of the sweep's sine."""

    take: str
    file: str
    microphone_channel: int
    reference_channel: int | None
    drive_v: float

    @property
    def where(self) -> str:
        """How an error names it."""
        return f"take {self.take}, file {self.file}"


@dataclass(frozen=True, slots=True, eq=False)
class TakeImpulse:
    """An impulse response about its arrival.

    samples : (N,) [Pa/V per tap]; start_s : time of the first one, zero when the signal leaves the loudspeaker's
    terminals (with a reference channel) or where the lead-in ends; peak_s : time of the largest sample
    noise : (F,) two-sided density of the silence before the sweep [Pa^2/Hz], or None
    peak_fs : largest magnitude in the microphone channel; witness : what the recording says of itself, where asked for;
    clipped_runs : runs of samples stuck at their largest value
    """

    take: str
    samples: FloatArray
    start_s: float
    peak_s: float
    noise: FloatArray | None
    peak_fs: float
    clipped_runs: int
    reference_clipped_runs: int
    witness: Witness | None = None


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
    _inverse: dict[int, ComplexArray] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _kept: threading.local = field(default_factory=threading.local)

    def stacked(self, rows: Sequence[SingleArray]) -> SingleArray:
        """Rows of one length as one array (R, N) that the thread's next call writes over.

        Fresh memory of that size costs more than the copy.
        """
        kept: SingleArray | None = getattr(self._kept, "rows", None)
        if kept is None or kept.shape[0] < len(rows) or kept.shape[1] != rows[0].size:
            kept = np.empty((len(rows), rows[0].size), dtype=np.float32)
            self._kept.rows = kept
        return np.stack(rows, out=kept[: len(rows)])

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

    def inverse(self, length: int) -> ComplexArray:
        """What divides by the stimulus, (length // 2 + 1,): X* / (|X|^2 + epsilon)."""
        nominal = self.nominal(length)
        outside = self.outside(length)
        with self._lock:
            if length not in self._inverse:
                power = nominal.real**2 + nominal.imag**2
                self._inverse[length] = nominal.conj() / (power + outside * power.max())
            return self._inverse[length]


def take_impulse(role: Role, recording: Recording, division: Division, look: Look | None = None) -> TakeImpulse:
    """The impulse response of one take [Pa/V].

    Circular division over the length of the recording: it is exact as long as the recording holds the decay, and
    harmonic responses land before the linear one (Farina 2000, from memory). AudioError names file and take for
    another sample rate, a missing channel, samples that are not numbers, silence, or a recording that is too short.
    """
    return take_impulses([(role, recording)], division, look)[0]


def take_impulses(
    takes: Iterable[tuple[Role, Recording]], division: Division, look: Look | None = None
) -> list[TakeImpulse]:
    """The impulse responses of some takes, in their order, each as `take_impulse` gives it.

    Takes of one length are transformed together: the FFT library works on four rows of single precision at once,
    in less than half the time. Given an iterator, one recording is in memory at a time. look : how to look for damage
    and for another sweep, None for not at all. AudioError for the first take that cannot be used.
    """
    ready = [*starmap(partial(_prepared, division), takes)]
    sizes = {(one.microphone.size, one.loop is None) for one in ready}
    if len(sizes) != 1:
        return [made for one in ready for made in _divided([one], division, look)]
    return _divided(ready, division, look)


@dataclass(frozen=True, slots=True, eq=False)
class _Prepared:
    """A take's channels (N,) in single precision, and what was seen of them; loop : None without a reference."""

    role: Role
    microphone: SingleArray
    loop: SingleArray | None
    peak_fs: float
    reference_runs: int


def _prepared(division: Division, role: Role, recording: Recording) -> _Prepared:
    microphone = _single(_channel(role, recording, role.microphone_channel, "microphone", division))
    peak_fs = _peak(role, microphone, "microphone", SILENT_FS)
    _check_length(role, microphone.size, division)
    if role.reference_channel is None:
        return _Prepared(role, microphone, None, peak_fs, 0)
    loop = _single(_channel(role, recording, role.reference_channel, "reference", division))
    runs = stuck_runs(loop, _peak(role, loop, "reference", REFERENCE_SILENT_FS))
    return _Prepared(role, microphone, loop, peak_fs, runs)


def _divided(ready: Sequence[_Prepared], division: Division, look: Look | None) -> list[TakeImpulse]:
    """Impulses of takes of one length that all have a reference, or all have none."""
    length = scipy.fft.next_fast_len(ready[0].microphone.size, True)
    loops = [one.loop for one in ready if one.loop is not None]
    spectra = scipy.fft.rfft(division.stacked([*(one.microphone for one in ready), *loops]), length, axis=1)
    volts = []
    witnesses: list[Witness | None] = []
    for row, one in enumerate(ready):
        loop = None if one.loop is None else (spectra[len(ready) + row], one.loop)
        witnesses.append(None if look is None else _looked_at(one, spectra[row], loop, length, division, look=look))
        if one.loop is None:
            played: ComplexArray | SingleComplex = division.nominal(length)
            volts.append(math.sqrt(2.0) * one.role.drive_v)
        else:
            played = spectra[len(ready) + row]
            volts.append(_volts(one.role, played, length, division))
        _divide(spectra[row], played, length, division)
    impulses = scipy.fft.irfft(spectra[: len(ready)], length, axis=1, overwrite_x=True)
    return [
        replace(_cut(one, impulse, one_volts, division), witness=witness)
        for one, impulse, one_volts, witness in zip(ready, impulses, volts, witnesses, strict=True)
    ]


def _looked_at(
    one: _Prepared,
    microphone: SingleComplex,
    loop: tuple[SingleComplex, SingleArray] | None,
    length: int,
    division: Division,
    look: Look,
) -> Witness:
    played = division.nominal(length).astype(np.complex64)
    return witness_of(
        one.role.take, division.stimulus, played, (microphone, one.microphone), loop, length=length, look=look
    )


def loud_witness(role: Role, recording: Recording, division: Division) -> Witness:
    """The witness of a take of which no impulse response is wanted. AudioError as `take_impulse`."""
    one = _prepared(division, role, recording)
    length = scipy.fft.next_fast_len(one.microphone.size, True)
    microphone = scipy.fft.rfft(one.microphone, length)
    loop = None if one.loop is None else (scipy.fft.rfft(one.loop, length), one.loop)
    return _looked_at(one=one, microphone=microphone, loop=loop, length=length, division=division, look="closely")


def _cut(one: _Prepared, impulse: FloatArray, volts: float, division: Division) -> TakeImpulse:
    """The part about the arrival of a circular impulse response (length,)."""
    length, has_loop = impulse.size, one.loop is not None
    lead_s = 0.0 if has_loop else division.stimulus.lead_in_s
    impulse_peak = _loudest(impulse)
    rate = division.stimulus.rate_hz
    late = impulse_peak - length if impulse_peak > length // 2 and has_loop else impulse_peak
    first = late - round(BEFORE_PEAK_S * rate)
    rows = (first + np.arange(round((BEFORE_PEAK_S + GUARD_S + division.keep_s) * rate))) % length
    return TakeImpulse(
        take=one.role.take,
        samples=impulse[rows].astype(np.float64) / (volts * division.fs_per_pa),
        start_s=first / rate - lead_s,
        peak_s=late / rate - lead_s,
        noise=quiet_noise(one.microphone, division, ends_s=_begin_s(one, late / rate, division)),
        peak_fs=one.peak_fs,
        clipped_runs=stuck_runs(one.microphone, one.peak_fs),
        reference_clipped_runs=one.reference_runs,
    )


def _loudest(samples: FloatArray | SingleArray) -> int:
    """Place of the largest magnitude, the first of equal ones."""
    places = sorted((int(samples.argmax()), int(samples.argmin())))
    return max(places, key=lambda place: abs(float(samples[place])))


def _single(samples: FloatArray) -> SingleArray:
    """A contiguous copy in single precision: its 24 bits are those of the recorder, and FFTs take half the time."""
    return np.ascontiguousarray(samples, dtype=np.float32)


def _divide(
    spectrum: ComplexArray | SingleComplex, played: ComplexArray | SingleComplex, length: int, division: Division
) -> None:
    """Y X* / (|X|^2 + epsilon) in place of Y, in the precision of Y; epsilon as in dsp.deconvolve."""
    sent = np.asarray(played, dtype=spectrum.dtype)
    power = sent.real**2
    power += sent.imag**2
    power += division.outside(length) * power.max()
    spectrum *= np.conj(sent)
    # As numpy divides by a complex number without imaginary part, in half the time.
    spectrum *= np.reciprocal(power, out=power)


def nominal_impulse(role: Role, recording: Recording, division: Division) -> FloatArray:
    """Circular response (length,) [Pa per unit amplitude of the stimulus], divided by the ideal stimulus.

    Harmonics are taken from it: a recorded reference has harmonics of its own, which would mix the orders.
    """
    microphone = np.ascontiguousarray(_channel(role, recording, role.microphone_channel, "microphone", division))
    _peak(role, microphone, "microphone", SILENT_FS)
    _check_length(role, microphone.size, division)
    length = scipy.fft.next_fast_len(microphone.size, True)
    spectrum = scipy.fft.rfft(microphone, length)
    spectrum *= division.inverse(length)
    return np.asarray(scipy.fft.irfft(spectrum, length, overwrite_x=True)) / division.fs_per_pa


def _begin_s(one: _Prepared, heard_s: float, division: Division) -> float:
    """When the stimulus begins in a recording [s]: recordings cut by hand may hold less silence than is told."""
    if one.loop is None:
        return heard_s
    first = int(np.argmax(np.abs(one.loop) >= PLAYED_SHARE * abs(float(one.loop[_loudest(one.loop)]))))
    return first / division.stimulus.rate_hz


def quiet_noise(
    samples: FloatArray | SingleArray, division: Division, *, ends_s: float = math.inf
) -> FloatArray | None:
    """Density (F,) [Pa^2/Hz] of the silence before the sweep, or None where there is too little of it.

    ends_s : when the sweep begins in the recording, where that is known to be before the end of the lead-in
    """
    count = round(QUIET_SHARE * min(division.stimulus.lead_in_s, max(ends_s, 0.0)) * division.stimulus.rate_hz)
    if count < SHORTEST_QUIET_S * division.stimulus.rate_hz:
        return None
    return (
        noise_density(samples[:count].astype(np.float64), division.stimulus.rate_hz, division.hz)
        / division.fs_per_pa**2
    )


def stuck_runs(samples: FloatArray | SingleArray, peak: float) -> int:
    """How many runs of three or more samples stand at full scale, or stuck at the largest value below it.

    Below full scale a few such runs happen by chance, so that they count from ten on (project default), and only
    those that are reached by more than one step of the recorder: the crests of slow tones in coarse steps are not.
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
    begins = np.flatnonzero(triple & ~np.concatenate([[False], triple[:-1]]))
    if full or begins.size < RUNS_AHEAD_OF_GAIN:
        return begins.size if full else 0
    fine = samples * 2.0**15
    step = 2.0**-15 if np.array_equal(fine, np.rint(fine)) else 2.0**-23
    first = rows[begins]
    first = first[first > 0]
    sudden = int(np.count_nonzero(np.abs(samples[first] - samples[first - 1]) > 1.5 * step))
    return sudden if sudden >= RUNS_AHEAD_OF_GAIN else 0


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
        raise AudioError.of("reduce.reference_without_stimulus", where=role.where)
    return math.sqrt(2.0) * role.drive_v / amplitude_fs


def _channel(role: Role, recording: Recording, channel: int, what: str, division: Division) -> FloatArray:
    if recording.rate_hz != division.stimulus.rate_hz:
        rates_hz = (recording.rate_hz, division.stimulus.rate_hz)
        raise AudioError.of("reduce.take_rates", where=role.where, rates_hz=rates_hz)
    there = recording.samples.shape[0]
    if channel > there:
        has = f"{there} channel{'s' if there != 1 else ''}"
        raise AudioError.of("reduce.channel_not_recorded", where=role.where, side=what, channel=channel, has=has)
    row: FloatArray = recording.samples[channel - 1]
    return row


def _peak(role: Role, samples: FloatArray | SingleArray, what: str, silent: float) -> float:
    peak = max(float(samples.max(initial=0.0)), -float(samples.min(initial=0.0)))
    if samples.size == 0:
        raise AudioError(f"the {what} channel is empty", where=role.where, remedy="record the take again")
    if not math.isfinite(peak):
        raise AudioError.of("reduce.channel_without_numbers", where=role.where, side=what)
    if peak < silent:
        level = f"{20 * math.log10(peak):.0f} dB re full scale" if peak > 0.0 else "zero throughout"
        least_db = 20 * math.log10(silent)
        raise AudioError.of("reduce.take_silent", where=role.where, side=what, level=level, least_db=least_db)
    return peak


def _check_length(role: Role, count: int, division: Division) -> None:
    need, rate = division.stimulus.samples.size, division.stimulus.rate_hz
    if count < need:
        raise AudioError.of("reduce.take_too_short", where=role.where, lasts_s=count / rate, needs_s=need / rate)
