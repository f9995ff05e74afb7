"""Two-tone, burst and noise-run takes: from recordings to lines and levels in pascal."""

from functools import lru_cache

import numpy as np

from earwitness.dsp.band_levels import third_octave_db
from earwitness.dsp.burst import CYCLES, burst, read_burst
from earwitness.dsp.signals import line_rms
from earwitness.errors import AudioError, InputError
from earwitness.formats.audio import Recording
from earwitness.quantities import BurstTakeReading, FrequencyAxis, NoiseRun, TwoToneReading
from earwitness.quantities.arrays import ComplexArray, FloatArray
from earwitness.session.session import BurstTake, NoiseRunTake, TwoToneTake
from earwitness.standards.cta2010 import MASK_A

_SNR_DB = 20.0
OWN_RATIO = 1.25
# Half an octave to each side: what a loss by heat cannot do there is taken for chance (project default).
_WANDER_OCTAVES = 0.5
_U_LEAST_DB = 0.05
_PATH_S, _BEFORE_S, _FLOOR = 0.5, 0.01, 1e-6


def reduce_two_tones(
    take: TwoToneTake,
    recording: Recording,
    *,
    fs_per_pa: float,
    response_db: FloatArray | None = None,
    response_hz: FloatArray | None = None,
) -> TwoToneReading:
    """Carrier and side lines of a two-tone take.

    response_db (F,) at response_hz (F,) : the microphone's response, taken out. The noise in one line is the mean
    square of the lines beside the side lines. AudioError where channel or length do not fit, or nothing is at f2.
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
    gain = _gain(lines_hz, response_db, response_hz)
    noise = float(np.sqrt(np.mean((around * _gain(beside, response_db, response_hz)) ** 2)))
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
    response_db: FloatArray | None = None,
    response_hz: FloatArray | None = None,
) -> BurstTakeReading:
    """Harmonics and peak of one recorded burst; it is found by its shape, so that latency need not be known.

    AudioError where the channel is not there or no burst is found.
    """
    where = f"take {take.id}, file {take.file}"
    rate = float(recording.rate_hz)
    samples = samples_of(recording, take.microphone_channel, where) / fs_per_pa
    samples = flattened(samples - float(np.mean(samples)), rate, response_db, response_hz)
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
        take.id,
        take.drive_v,
        take.distance_m,
        take.frequency_hz,
        found.peak,
        found.orders,
        found.relative_db,
        found.missing,
        noise,
        in_room,
        clipped,
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
        take.id,
        take.drive_v,
        take.distance_m,
        axis,
        heard[0],
        heard[1],
        np.hypot(u, _U_LEAST_DB),
        valid,
        after_s,
        reference_channel is not None,
    )


def samples_of(recording: Recording, channel: int, where: str) -> FloatArray:
    """(N,) samples of a channel, counted from 1. AudioError where it is not there or holds no numbers."""
    if channel > recording.samples.shape[0]:
        raise AudioError.of("reduce.channel_not_there", where=where, channel=channel, count=recording.samples.shape[0])
    samples = np.asarray(recording.samples[channel - 1], dtype=np.float64)
    if not np.all(np.isfinite(samples)):
        raise AudioError("the recording holds values that are not numbers", where=where)
    return samples


def _gain(hz: FloatArray, response_db: FloatArray | None, response_hz: FloatArray | None) -> FloatArray:
    """What takes the microphone out at hz (F,)."""
    if response_db is None or response_hz is None:
        return np.ones(hz.size)
    return np.asarray(10.0 ** (-np.interp(hz, response_hz, response_db) / 20.0), dtype=np.float64)


def flattened(
    samples: FloatArray, rate_hz: float, response_db: FloatArray | None, response_hz: FloatArray | None
) -> FloatArray:
    """Samples (N,) with the microphone's response (F,) at response_hz taken out, where it is known."""
    import scipy.fft

    if response_db is None or response_hz is None:
        return samples
    whole = scipy.fft.rfft(samples)
    whole *= _gain_of_bins(samples.size, rate_hz, response_db.tobytes(), response_hz.tobytes())
    return np.asarray(scipy.fft.irfft(whole, samples.size, overwrite_x=True), dtype=np.float64)


@lru_cache(maxsize=4)
def _gain_of_bins(size: int, rate_hz: float, response_db: bytes, response_hz: bytes) -> FloatArray:
    """`_gain` at the bins of a transform of `size` samples; all bursts of a session share it."""
    known_hz = np.frombuffer(response_hz, dtype=np.float64)
    frequency = np.maximum(np.arange(size // 2 + 1) * rate_hz / size, known_hz[0])
    gain = _gain(frequency, np.frombuffer(response_db, dtype=np.float64), known_hz)
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
