"""Multitone takes: from recordings to the tones and what lies between them, in pascal."""

import numpy as np

from earwitness.dsp.multitone import find_rows, read_multitone
from earwitness.dsp.signals import crest_db
from earwitness.errors import AudioError, InputError
from earwitness.formats.audio import Recording
from earwitness.quantities.arrays import FloatArray, IntArray
from earwitness.quantities.multitone import MultitoneReading
from earwitness.reduce.loud_takes import flattened, samples_of
from earwitness.session.session import MultitoneTake

_SILENCE = 1e-4
# How far a clock that is a little off moves the highest tones, and the least that is heard at the tones (own choices).
_BESIDE_ROWS, _LEAST_SHARE = 5, 0.5


def reduce_multitone(
    take: MultitoneTake,
    recording: Recording,
    played: Recording,
    *,
    fs_per_pa: float,
    response_db: FloatArray | None = None,
    response_hz: FloatArray | None = None,
    silence: FloatArray | None = None,
) -> MultitoneReading:
    """Lines of a multitone take.

    response_db (F,) at response_hz (F,) : the microphone's response, taken out; silence (N,) : a recording of
    silence, used as noise where there is only one period. The player's file says which tones there are; periods are
    cut from the recording from run_in_s on, as many as the signal is there for: a cut need not begin where a period
    begins. AudioError where channel, rate or length do not fit.
    """
    where = f"take {take.id}, file {take.file}"
    samples = samples_of(recording, take.microphone_channel, where) / fs_per_pa
    size = take.period_s * recording.rate_hz
    if played.rate_hz != recording.rate_hz or abs(size - round(size)) > 1e-3:
        raise AudioError.of("reduce.period_does_not_fit", where=where, take=take, played=played, recording=recording)
    period = round(size)
    first, last = _span_of(played.samples[0])
    if last - first < period:
        raise AudioError(
            f"the played file holds a signal of {(last - first) / played.rate_hz:.2f} s, less than a period",
            where=f"{where}, stimulus {take.stimulus_file}",
            remedy="correct period_s",
        )
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
    cut = flattened(cut.reshape(-1), float(recording.rate_hz), response_db, response_hz).reshape(cut.shape)
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


def _span_of(samples: FloatArray) -> tuple[int, int]:
    """First and last sample of the signal between the silences."""
    heard = np.flatnonzero(np.abs(samples) > _SILENCE * np.max(np.abs(samples), initial=0.0))
    return (int(heard[0]), int(heard[-1]) + 1) if heard.size else (0, 0)
