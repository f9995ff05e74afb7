"""Loud takes that are no sweeps, and a powered loudspeaker's own takes, from recordings to pascals."""

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np

from earwitness.dsp.limiter import read_limiter
from earwitness.dsp.multitone import find_rows, read_multitone
from earwitness.dsp.signals import CYCLES, burst, crest_db, line_rms, read_burst
from earwitness.dsp.smoothing import HALF_BAND, third_octave_db
from earwitness.errors import AudioError, InputError
from earwitness.formats.audio import Recording
from earwitness.quantities import BurstTakeReading, FrequencyAxis, NoiseRun, TwoToneReading
from earwitness.quantities.arrays import ComplexArray, FloatArray, IntArray
from earwitness.quantities.measurement import LimiterReading, MultitoneReading, SelfNoise
from earwitness.session.responses import LimiterTake, SelfNoiseTake
from earwitness.session.session import BurstTake, MultitoneTake, NoiseRunTake, Session, TwoToneTake
from earwitness.standards.cta2010 import MASK_A
from earwitness.standards.exposure import a_weight_db

_SNR_DB = 20.0
OWN_RATIO = 1.25
# Half an octave to each side: what a loss by heat cannot do there is taken for chance (project default).
_WANDER_OCTAVES = 0.5
_U_LEAST_DB = 0.05
_PATH_S, _BEFORE_S, _FLOOR = 0.5, 0.01, 1e-6
Response = tuple[FloatArray, FloatArray]
"""Of a microphone: frequencies (F,) and levels there (F,) [dB]."""


def reduce_two_tones(
    take: TwoToneTake, recording: Recording, *, fs_per_pa: float, response: Response | None = None
) -> TwoToneReading:
    """Carrier and side lines of a two-tone take.

    response : of the microphone, taken out. The noise in one line is the mean square of the lines beside the side
    lines. AudioError where channel or length do not fit, or nothing is at f2.
    """
    where = f"take {take.id}, file {take.file}"
    samples = samples_of(recording, take.microphone_channel, where) / fs_per_pa
    start, size = round(take.run_in_s * recording.rate_hz), round(take.length_s * recording.rate_hz)
    cut = samples[start : start + size]
    if cut.size < size:
        raise AudioError.of("reduce.recording_ends_early", where=where, least_s=take.run_in_s + take.length_s)
    lines_hz = take.high_hz + take.low_hz * np.array([0.0, -1.0, 1.0, -2.0, 2.0])
    beside = (lines_hz[1:, None] + np.array([-5, -4, -3, 3, 4, 5]) / take.length_s).ravel()
    try:
        lines, around = (line_rms(cut, float(recording.rate_hz), hz) for hz in (lines_hz, beside))
    except InputError as error:
        raise AudioError(error.what, where=where, expected=error.expected, remedy="correct length_s") from None
    gain = _gain(lines_hz, response)
    noise = float(np.sqrt(np.mean((around * _gain(beside, response)) ** 2)))
    if not lines[0] * gain[0] > 3.0 * noise:
        raise AudioError.of("reduce.high_tone_missing", where=where, take=take)
    _require_low_tone(cut, float(recording.rate_hz), take, where)
    _require_high_tone(cut, float(recording.rate_hz), take, where)
    return TwoToneReading(take.id, take.drive_v, take.distance_m, take.low_hz, take.high_hz, lines * gain, noise)


def reduce_burst(
    take: BurstTake,
    recording: Recording,
    *,
    fs_per_pa: float,
    in_room: bool,
    clipped: bool,
    response: Response | None = None,
) -> BurstTakeReading:
    """Harmonics and peak of one recorded burst; it is found by its shape, so that latency need not be known.

    AudioError where the channel is not there or no burst is found.
    """
    where = f"take {take.id}, file {take.file}"
    rate = float(recording.rate_hz)
    samples = samples_of(recording, take.microphone_channel, where) / fs_per_pa
    samples = flattened(samples - float(np.mean(samples)), rate, response)
    shape = burst(take.frequency_hz, rate)
    around = max(round(rate / take.frequency_hz), round(0.02 * rate))
    first = _place_of(samples, shape.size, take.frequency_hz, rate) - around
    size = shape.size + 5 * around
    begin = max(first, 0)
    try:
        found = read_burst(samples[begin : begin + size], take.frequency_hz, rate, MASK_A.orders)
    except InputError as error:
        raise AudioError(error.what, where=where, expected=error.expected, remedy=error.remedy) from None
    _require_burst(samples[begin : begin + size], rate, take, where)
    silence, noise = samples[: min(round(take.before_s * rate), begin)], 0.0
    if silence.size >= CYCLES * rate / take.frequency_hz and np.any(silence):
        noise = read_burst(silence[-size:], take.frequency_hz, rate, ()).peak
    return BurstTakeReading(
        take=take.id,
        drive_v=take.drive_v,
        distance_m=take.distance_m,
        frequency_hz=take.frequency_hz,
        peak_pa=found.peak,
        orders=found.orders,
        relative_db=found.relative_db,
        missing=found.missing,
        noise_pa=noise,
        in_room=in_room,
        clipped=clipped,
    )


def _require_high_tone(cut: FloatArray, rate_hz: float, take: TwoToneTake, where: str) -> None:
    """AudioError where another high tone is twice as large: what stands at high_hz is then a harmonic of that one."""
    power = np.abs(np.fft.rfft(cut * np.hanning(cut.size))) ** 2
    hz = np.arange(power.size) * rate_hz / cut.size
    own = np.abs(hz - take.high_hz) <= 3.0 / take.length_s
    others = (hz > 5.0 * take.low_hz) & (np.abs(hz - take.high_hz) > 3.5 * take.low_hz)
    if not others.any() or not own.any():
        return
    loudest = int(np.argmax(np.where(others, power, 0.0)))
    if power[loudest] > 4.0 * float(power[own].max()):
        raise AudioError.of("reduce.unstated_tone", where=where, take=take, hz=hz[loudest])


def _require_low_tone(cut: FloatArray, rate_hz: float, take: TwoToneTake, where: str) -> None:
    """AudioError where the low tone is not there: without it intermodulation would be flattered."""
    beside = take.low_hz + np.array([-5, -4, -3, 3, 4, 5]) / take.length_s
    own, around = (line_rms(cut, rate_hz, hz) for hz in (np.array([take.low_hz]), beside[beside > 0.0]))
    if own[0] > 5.0 * float(np.sqrt(np.mean(around**2))):
        return
    power = np.abs(np.fft.rfft(cut * np.hanning(cut.size))) ** 2
    hz = np.arange(power.size) * rate_hz / cut.size
    loudest = float(hz[np.argmax(np.where((hz > 10.0) & (hz < 0.5 * take.high_hz), power, 0.0))])
    raise AudioError.of("reduce.low_tone_missing", where=where, take=take, loudest=loudest)


def _require_burst(heard: FloatArray, rate_hz: float, take: BurstTake, where: str) -> None:
    """AudioError where the recording's burst has another frequency; distortion of orders up to 5 may be louder."""
    count = 8 * heard.size
    power = np.abs(np.fft.rfft(heard * np.hanning(heard.size), count)) ** 2
    hz = np.arange(power.size) * rate_hz / count
    ratio = hz / take.frequency_hz
    own = float(np.max(power[(ratio > 1 / OWN_RATIO) & (ratio < OWN_RATIO)], initial=0.0))
    row = int(np.argmax(np.where(hz > 10.0, power, 0.0)))
    order = round(float(ratio[row]))
    harmonic = 2 <= order <= 5 and abs(ratio[row] - order) < 0.1 * order
    if power[row] < 10.0 * own or harmonic:
        return
    raise AudioError.of("reduce.burst_elsewhere", where=where, hz=hz[row], take=take)


def reduce_noise_run(
    take: NoiseRunTake,
    recording: Recording,
    axis: FrequencyAxis,
    *,
    fs_per_pa: float,
    reference_channel: int | None,
    silence: FloatArray | None = None,
) -> NoiseRun:
    """Third octaves at the start and at the end of a noise run, for the same voltage where that was recorded.

    Where the voltage was recorded, each level is held against what one unchanging path from voltage to microphone,
    fitted to the whole take, would have given there: the noise's ups and downs and the room's modes then cancel.

    silence (N,) : a recording of silence at the take's rate, full scale. A band is valid where both levels stand 20 dB
    above it. The microphone's response cancels in the difference and is left in. The uncertainty is what the
    difference wanders within half an octave, which heat cannot make it do, and without a reference the chance of noise
    in such a stretch: 4.34 dB over the root of bandwidth times time. AudioError where channels or length do not fit.
    """
    where = f"take {take.id}, file {take.file}"
    rate, hz = float(recording.rate_hz), axis.hz
    after_s = take.duration_s - take.length_s
    moments = (take.run_in_s, take.run_in_s + after_s)

    def levels(samples: FloatArray) -> FloatArray:
        try:
            return third_octave_db(samples, rate, hz, moments, length_s=take.length_s)
        except InputError as error:
            raise AudioError(error.what, where=where, expected=error.expected, remedy=error.remedy) from None

    samples = samples_of(recording, take.microphone_channel, where) / fs_per_pa
    heard = levels(samples)
    if reference_channel is not None:
        steady = levels(_as_if_steady(samples, samples_of(recording, reference_channel, where), rate))
        # A path of so many numbers follows as large a share of the change as it has of the take's samples (own
        # derivation: the share is the trace of the projection), whatever the frequency.
        kept = 1.0 - min((_PATH_S + _BEFORE_S) / take.duration_s, 0.5)
        change = heard - steady
        middle = np.mean(change, axis=0)
        heard = middle + (change - middle) / kept + np.mean(steady, axis=0)
    quiet = np.full(hz.size, np.max(heard) - 60.0)
    if silence is not None and silence.size >= take.length_s * rate:
        quiet = third_octave_db(silence / fs_per_pa, rate, hz, (0.0,), length_s=take.length_s)[0]
    inside = (hz * 0.23 * take.length_s >= 8.0) & (hz <= 0.4 * rate)
    valid = np.asarray(inside & (heard.min(axis=0) >= quiet + _SNR_DB), dtype=bool)
    u = _wander_db(heard[0] - heard[1], hz)
    if reference_channel is None:
        # A Hann window counts for about half its length (own derivation: (3/8)^2 over 35/128).
        u = np.hypot(u, 4.34 * np.sqrt(2.0 / np.maximum(0.23 * hz * 0.51 * take.length_s, 1.0)))
    return NoiseRun(
        take=take.id,
        drive_v=take.drive_v,
        distance_m=take.distance_m,
        axis=axis,
        start_db=heard[0],
        hot_db=heard[1],
        u_db=np.hypot(u, _U_LEAST_DB),
        valid=valid,
        after_s=after_s,
        against_reference=reference_channel is not None,
    )


def samples_of(recording: Recording, channel: int, where: str) -> FloatArray:
    """(N,) samples of a channel, counted from 1. AudioError where it is not there or holds no numbers."""
    if channel > recording.samples.shape[0]:
        raise AudioError.of("reduce.channel_not_there", where=where, channel=channel, count=recording.samples.shape[0])
    samples = np.asarray(recording.samples[channel - 1], dtype=np.float64)
    if not np.all(np.isfinite(samples)):
        raise AudioError("the recording holds values that are not numbers", where=where)
    return samples


def _gain(hz: FloatArray, response: Response | None) -> FloatArray:
    """What takes the microphone out at hz (F,)."""
    return np.ones(hz.size) if response is None else 10.0 ** (-np.interp(hz, *response) / 20.0)


def flattened(samples: FloatArray, rate_hz: float, response: Response | None) -> FloatArray:
    """Samples (N,) with the microphone's response taken out, where it is known."""
    import scipy.fft

    if response is None:
        return samples
    whole = scipy.fft.rfft(samples)
    whole *= _gain_of_bins(samples.size, rate_hz, *(one.tobytes() for one in response))
    return np.asarray(scipy.fft.irfft(whole, samples.size, overwrite_x=True), dtype=np.float64)


@lru_cache(maxsize=4)
def _gain_of_bins(size: int, rate_hz: float, response_hz: bytes, response_db: bytes) -> FloatArray:
    """`_gain` at the bins of a transform of `size` samples; all bursts of a session share it."""
    known_hz = np.frombuffer(response_hz, dtype=np.float64)
    frequency = np.maximum(np.arange(size // 2 + 1) * rate_hz / size, known_hz[0])
    gain = _gain(frequency, (known_hz, np.frombuffer(response_db, dtype=np.float64)))
    gain.setflags(write=False)
    return gain


def _as_if_steady(heard: FloatArray, played: FloatArray, rate_hz: float) -> FloatArray:
    """The recording (N,) that a path which does not change would give: least squares over the take, half a second long.

    Cut to that length, the path has far fewer numbers than the take, so that it cannot follow the change.
    """
    import scipy.fft

    length = scipy.fft.next_fast_len(heard.size + round(rate_hz * _PATH_S), True)
    out, back = scipy.fft.rfft(played, length), scipy.fft.rfft(heard, length)
    power = np.abs(out) ** 2
    path = scipy.fft.irfft(back * out.conj() / (power + _FLOOR * float(power.max(initial=0.0)) + 1e-300), length)
    before, after = round(rate_hz * _BEFORE_S), round(rate_hz * _PATH_S)
    path[after : length - before] = 0.0
    return np.asarray(scipy.fft.irfft(scipy.fft.rfft(path) * out, length)[: heard.size], dtype=np.float64)


def _place_of(samples: FloatArray, size: int, frequency_hz: float, rate_hz: float) -> int:
    """First sample of the stretch that is most like the burst of `size` samples."""
    import scipy.fft

    length = scipy.fft.next_fast_len(samples.size + size, True)
    match = scipy.fft.rfft(samples, length)
    match *= _shape_sought(frequency_hz, rate_hz, length)
    return int(np.argmax(np.abs(scipy.fft.irfft(match, length, overwrite_x=True)[: samples.size])))


@lru_cache(maxsize=2)
def _shape_sought(frequency_hz: float, rate_hz: float, length: int) -> ComplexArray:
    """Conjugate spectrum (length // 2 + 1,) of a burst; several are recorded at one frequency."""
    import scipy.fft

    sought = scipy.fft.rfft(burst(frequency_hz, rate_hz), length).conj()
    sought.setflags(write=False)
    return np.asarray(sought, dtype=np.complex128)


def _wander_db(loss_db: FloatArray, hz: FloatArray) -> FloatArray:
    """Rms (F,) by which a curve (F,) leaves its own mean over an octave, again over an octave."""

    def mean(values: FloatArray) -> FloatArray:
        running = np.concatenate([[0.0], np.cumsum(values)])
        low = np.searchsorted(hz, hz * 2.0**-_WANDER_OCTAVES)
        high = np.searchsorted(hz, hz * 2.0**_WANDER_OCTAVES, side="right")
        return np.asarray((running[high] - running[low]) / (high - low), dtype=np.float64)

    return np.sqrt(mean((loss_db - mean(loss_db)) ** 2))


_SILENCE = 1e-4
# How far a clock that is a little off moves the highest tones, and the least that is heard at the tones (own choices).
_BESIDE_ROWS, _LEAST_SHARE = 5, 0.5


def reduce_multitone(
    take: MultitoneTake,
    recording: Recording,
    played: Recording,
    *,
    fs_per_pa: float,
    response: Response | None = None,
    silence: FloatArray | None = None,
) -> MultitoneReading:
    """Lines of a multitone take.

    response : of the microphone, taken out; silence (N,) : a recording of silence, used as noise where there is only
    one period. The player's file says which tones there are; periods are cut from the recording from run_in_s on, as
    many as the signal is there for: a cut need not begin where a period begins. AudioError where channel, rate or
    length do not fit.
    """
    where = f"take {take.id}, file {take.file}"
    samples = samples_of(recording, take.microphone_channel, where) / fs_per_pa
    size = take.period_s * recording.rate_hz
    if played.rate_hz != recording.rate_hz or abs(size - round(size)) > 1e-3:
        raise AudioError.of("reduce.period_does_not_fit", where=where, take=take, played=played, recording=recording)
    period = round(size)
    heard = np.flatnonzero(np.abs(played.samples[0]) > _SILENCE * np.max(np.abs(played.samples[0]), initial=0.0))
    first, last = (int(heard[0]), int(heard[-1]) + 1) if heard.size else (0, 0)
    if last - first < period:
        held_s, place = (last - first) / played.rate_hz, f"{where}, stimulus {take.stimulus_file}"
        raise AudioError.of("reduce.less_than_a_period", where=place, held_s=held_s)
    # From the middle, where no fade is.
    middle = (first + last - period) // 2
    try:
        rows = find_rows(played.samples[0, middle : middle + period])
    except InputError as error:
        stimulus = f"{where}, stimulus {take.stimulus_file}"
        raise AudioError(error.what, where=stimulus, expected=error.expected, remedy=error.remedy) from None
    start = round(take.run_in_s * recording.rate_hz)
    # The signal's last samples may be small: a hundredth of a period is forgiven.
    count = min(last - start + period // 100, samples.size - start) // period
    if count < 1:
        raise AudioError.of("reduce.no_whole_period", where=where, take=take, run_in_s=take.run_in_s + take.period_s)
    cut = samples[start : start + count * period].reshape(count, period)
    _refuse_other_tones(cut, rows, take)
    # The periods in one row, so that nothing wraps between them.
    cut = flattened(cut.reshape(-1), float(recording.rate_hz), response).reshape(cut.shape)
    quiet = None
    if silence is not None and count == 1 and silence.size >= period:
        quiet = (silence[:period] / fs_per_pa)[None, :]
    lines = read_multitone(cut, float(recording.rate_hz), rows, silent=quiet)
    return MultitoneReading(take.id, take.drive_v, take.distance_m, crest_db(played.samples[0, first:last]), lines)


def _refuse_other_tones(cut: FloatArray, rows: IntArray, take: MultitoneTake) -> None:
    """AudioError where most of what was recorded (P, N) from the lowest to the highest tone lies at no tone (K,)."""
    import scipy.fft

    power = np.mean(np.abs(scipy.fft.rfft(cut * np.hanning(cut.shape[1]), axis=1)) ** 2, axis=0)
    reach = np.arange(-_BESIDE_ROWS, _BESIDE_ROWS + 1)
    near = np.unique(np.clip(rows[:, None] + reach, 1, power.size - 1))
    band = power[max(int(rows[0]) - _BESIDE_ROWS, 1) : int(rows[-1]) + _BESIDE_ROWS + 1]
    share = float(np.sum(power[near])) / max(float(np.sum(band)), 1e-300)
    if share >= _LEAST_SHARE:
        return
    raise AudioError.of("reduce.other_tones", where=f"take {take.id}, file {take.file}", take=take, percent=100 * share)


# Exact middles of base ten (IEC 61260-1), 20 Hz to 20 kHz.
THIRDS_HZ = 10.0 ** (np.arange(-17, 14) / 10.0) * 1000.0
DBU_V = 0.6**0.5
"""0 dBu: the voltage that gives 1 mW in 600 ohm."""
_BLOCKS, _LEAST_S = 8, 4.0
_POWER_0 = (20e-6) ** 2


def reduce_self_noise(
    takes: Sequence[tuple[SelfNoiseTake, Recording]], *, fs_per_pa: float, response: Response | None = None
) -> SelfNoise | None:
    """Noise with the loudspeaker switched on and off, the first take of each at one distance; None where one lacks.

    A-weighted over frequency. The uncertainty is what eighths of a take differ by. AudioError for less than 4 s.
    """
    on = next((one for one in takes if one[0].switched_on), None)
    if on is None:
        return None
    off = next((one for one in takes if not one[0].switched_on and one[0].distance_m == on[0].distance_m), None)
    if off is None:
        return None
    found = [_noise(take, recording, fs_per_pa, response) for take, recording in (on, off)]
    (on_db, on_dba, u_on), (off_db, off_dba, u_off) = found
    names = (on[0].id, off[0].id)
    return SelfNoise(names, on[0].distance_m, THIRDS_HZ, on_db, off_db, on_dba, off_dba, u_on, u_off)


def _noise(
    take: SelfNoiseTake, recording: Recording, fs_per_pa: float, response: Response | None
) -> tuple[FloatArray, float, float]:
    """Third octaves, A-weighted level and its standard uncertainty [dB SPL]."""
    from scipy.signal import spectrogram

    where, rate = f"take {take.id}, file {take.file}", float(recording.rate_hz)
    samples = samples_of(recording, take.microphone_channel, where) / fs_per_pa
    if samples.size < _LEAST_S * rate:
        raise AudioError.of("reduce.self_noise_short", where=where, least_s=_LEAST_S, length_s=samples.size / rate)
    size = samples.size // (2 * _BLOCKS)
    hz, _, density = spectrogram(samples, rate, "hann", nperseg=size, noverlap=size // 2, detrend="constant")
    power = density[1:] * hz[1]
    if response is not None:
        power *= 10.0 ** (-np.interp(hz[1:], *response) / 10.0)[:, None]
    inside = (hz[1:] >= THIRDS_HZ[0] / HALF_BAND) & (hz[1:] <= THIRDS_HZ[-1] * HALF_BAND)
    weighted = (power * (inside * 10.0 ** (a_weight_db(hz[1:]) / 10.0))[:, None]).sum(axis=0)
    running = np.concatenate([[0.0], np.cumsum(power.mean(axis=1))])
    low, high = (np.searchsorted(hz[1:], THIRDS_HZ * edge) for edge in (1.0 / HALF_BAND, HALF_BAND))
    bands = 10.0 * np.log10(np.maximum(running[high] - running[low], 1e-30) / _POWER_0)
    mean = float(weighted.mean())
    # Neighbors overlap by half: about _BLOCKS * 2 of them are independent.
    u = 4.343 * float(weighted.std(ddof=1)) / mean / np.sqrt(2.0 * _BLOCKS)
    return bands, 10.0 * float(np.log10(mean / _POWER_0)), float(u)


def reduce_limiter(
    take: LimiterTake, recording: Recording, *, fs_per_pa: float, reference_channel: int | None, clipped: bool
) -> LimiterReading:
    """Curve and times of a limiter. AudioError without a loop-back, or where the tone is not there."""
    where = f"take {take.id}, file {take.file}"
    if reference_channel is None:
        raise AudioError.of("reduce.limiter_without_loop", where=where)
    heard, played = (samples_of(recording, channel, where) for channel in (take.microphone_channel, reference_channel))
    try:
        found = read_limiter(heard / fs_per_pa, played, take.frequency_hz, float(recording.rate_hz))
    except InputError as error:
        raise AudioError(error.what, where=where, expected=error.expected, remedy=error.remedy) from None
    # The loudest step has the stated voltage; the loop-back tells the others against it.
    to_volts = 20.0 * float(np.log10(take.drive_v)) - float(found.in_db[-1])
    spl = -10.0 * float(np.log10(_POWER_0))
    curve = replace(
        found,
        in_db=found.in_db + to_volts,
        out_db=found.out_db + spl,
        gain_db=found.gain_db + spl - to_volts,
        threshold_db=found.threshold_db + to_volts,
    )
    return LimiterReading(take.id, take.distance_m, take.frequency_hz, curve, clipped)


def input_reference(session: Session) -> dict[str, Any]:
    """What a powered loudspeaker's levels are stated for: the level at its input with which it was measured."""
    if not session.loudspeaker.powered:
        return {}
    drive = session.drive
    dbu = 20.0 * np.log10(drive.voltage_v / DBU_V)
    told = f"{dbu:.1f} dBu" if drive.level_dbfs is None else f"{drive.level_dbfs:.1f} dBFS"
    return {"reference_v": drive.voltage_v, "reference": f"input {told}".replace("-", "\N{MINUS SIGN}")}
