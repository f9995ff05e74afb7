"""When the direct sound arrives, and what the first milliseconds around it tell."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.fft

from earwitness.dsp.smoothing import smooth_power
from earwitness.errors import AudioError
from earwitness.quantities import FloatArray, Locked
from earwitness.reduce.flags import IMPULSE_LEAD_S, TakeFacts, wrapped_deg
from earwitness.reduce.gate import lead_for
from earwitness.reduce.impulse import TakeImpulse
from earwitness.reduce.plan import Plan, nearest_to_axis, speed_at
from earwitness.session.session import FarFieldTake, NearFieldTake

ONSET_DB = -20.0
ONSET_BAND_HZ = (2_000.0, 15_000.0)
EARLY_S = (5e-3, 0.3e-3)
SPREAD_LOW_HZ, SPREAD_HIGH_HZ = (500.0, 1_000.0), (8_000.0, 15_000.0)
# The largest of so many values of noise is 12 dB above their median or so.
SPREAD_HEARD = 10.0


def onset_s(
    impulses: FloatArray, start_s: FloatArray, rate_hz: float, high_hz: float, latest_s: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Onsets (T,) [s] of impulses (T, N) that begin at start_s (T,).

    The onset is where the 2 to 15 kHz response, by a causal filter, first comes within 20 dB of its largest value
    before latest_s (T,), linear between samples. Sound that ends lower than 19 kHz moves the band down.
    Returns the onsets and the filtered magnitudes (T, N).
    """
    # Near a cone the bass rings before the sound; begun from silence, the filter would take it for an onset. What it
    # is begun with instead, the first sample for ever, passes no bandpass.
    size = np.abs(bandpassed(impulses - impulses[:, :1], onset_band_hz(rate_hz, high_hz), rate_hz))
    time = start_s[:, None] + np.arange(size.shape[1]) / rate_hz
    early = np.where(time <= latest_s[:, None], size, 0.0)
    limit = early.max(axis=-1, keepdims=True) * 10.0 ** (ONSET_DB / 20.0)
    first = np.argmax(early >= limit, axis=-1)
    rows = np.arange(size.shape[0])
    before = np.maximum(first - 1, 0)
    low, high = size[rows, before], size[rows, first]
    part = np.where(high > low, (limit[:, 0] - low) / np.where(high > low, high - low, 1.0), 1.0)
    onset = start_s + np.where(first > 0, before + part, 0.0) / rate_hz
    return np.asarray(onset, dtype=np.float64), np.asarray(size, dtype=np.float64)


def onset_band_hz(rate_hz: float, high_hz: float) -> tuple[float, float]:
    """Band in which the onset of sound that reaches up to high_hz is sought [Hz]."""
    top = min(ONSET_BAND_HZ[1], 0.8 * high_hz, 0.45 * rate_hz)
    return min(ONSET_BAND_HZ[0], top / 4.0), top


def bandpassed(samples: FloatArray, band_hz: tuple[float, float], rate_hz: float) -> FloatArray:
    """Samples (..., N) after silence, through a causal Butterworth bandpass of order 2 at each edge of band_hz.

    The analog filter, with s = j tan(omega / 2) as the bilinear transform has it (Oppenheim and Schafer,
    Discrete-Time Signal Processing, chapter 7, from memory), times the spectrum; zeros behind the samples take in what
    rings on: 64 periods of the band's width leave nothing in double precision.
    """
    count = samples.shape[-1]
    low, high = np.tan(np.pi * np.array(band_hz) / rate_hz)
    length = scipy.fft.next_fast_len(count + int(64.0 * rate_hz / (band_hz[1] - band_hz[0])), real=True)
    s = 1j * np.tan(np.pi * np.arange(length // 2 + 1) / length)
    wide, round_middle = (high - low) * s, s**2 + low * high
    passed = wide**2 / (round_middle**2 + np.sqrt(2.0) * round_middle * wide + wide**2)
    filtered: FloatArray = scipy.fft.irfft(scipy.fft.rfft(samples, length) * passed, length)[..., :count]
    return filtered


def spread_s(impulse: FloatArray, rate_hz: float) -> float | None:
    """How much later [s] an impulse (N,) begins from 500 Hz to 1 kHz than above 8 kHz; None where one is not heard.

    A loudspeaker sends both within milliseconds. Divided by another sweep than was played, they part by
    ln(f2 / f1) times the error of L (own derivation from the sweep's law).
    """
    begins = []
    for band in (SPREAD_LOW_HZ, (SPREAD_HIGH_HZ[0], min(SPREAD_HIGH_HZ[1], 0.45 * rate_hz))):
        size = np.abs(bandpassed(impulse, band, rate_hz))
        if size.max() < SPREAD_HEARD * float(np.median(size)):
            return None
        begins.append(int(np.argmax(size >= size.max() * 10.0 ** (ONSET_DB / 20.0))) / rate_hz)
    return begins[0] - begins[1]


def non_causal_db(size: FloatArray, start_s: FloatArray, rate_hz: float, earliest_s: FloatArray) -> FloatArray:
    """Largest magnitude from 5 to 0.3 ms before earliest_s (T,), re the largest of all (T,) [dB]."""
    time = start_s[:, None] + np.arange(size.shape[1]) / rate_hz - earliest_s[:, None]
    early = np.where((time > -EARLY_S[0]) & (time < -EARLY_S[1]), size, 0.0).max(axis=-1)
    ratio = early / np.maximum(size.max(axis=-1), 1e-300)
    return np.asarray(20.0 * np.log10(np.maximum(ratio, 1e-12)), dtype=np.float64)


def band_level_db(pressure: FloatArray, hz: FloatArray, lowest_hz: float) -> FloatArray:
    """Mean power (T,) [dB] over the octave above `lowest_hz` of magnitudes (T, F) on log-spaced hz.

    As low as the gate allows: there the sound changes little from angle to angle, so that a touched gain stands out.
    """
    inside = (hz >= lowest_hz) & (hz <= 2.0 * lowest_hz)
    power = np.mean(pressure[:, inside] ** 2, axis=-1)
    return np.asarray(10.0 * np.log10(np.maximum(power, 1e-300)), dtype=np.float64)


FRONT_DEG = 60.0
BEFORE_S = 0.015
AROUND_S = 0.06
# Behind a cabinet a wall may be heard first, and at a port the cone: later than that is another start.
LATE_ELSEWHERE_S = 30e-3
LATE_CLOSE_S = 5e-3
_HEARD_DB = -20.0
_LOWEST_TREBLE_HZ = 100.0


@dataclass(frozen=True, slots=True, eq=False)
class ArrivalTimes(Locked):
    """by_take_s : (T,) of far-field, then near-field takes [s]; common_s : their usual one.

    shared : False where the recordings do not start together, and each take stands by its own sound; blur_s : how
    finely a moment can be told, about a period of the highest sound
    """

    by_take_s: FloatArray
    common_s: float
    shared: bool
    high_hz: float
    blur_s: float


def arrival_times(plan: Plan, impulses: Sequence[TakeImpulse]) -> ArrivalTimes:
    """Lateness of all takes, far field first. impulses : in that order.

    With a loop-back, or where the sound of all takes comes about when one common lateness says, that one holds for
    all: the median of the loudest moments of far-field takes in front; 0 where a loop-back shows it small. A recorder
    that was started by hand for each take shows otherwise. AudioError for sound that comes before it was played.
    """
    flight = times_of_flight_s(plan)
    high = heard_up_to_hz(impulses[plan.far.index(nearest_to_axis(plan.far))], plan)
    bottom, top = onset_band_hz(plan.rate_hz, high)
    blur = 1.0 / top
    # A filter that lets only bass through is slow, and its answer comes after the sound.
    slow = max(1.0 / bottom - 0.5e-3, 0.0)
    front = [row for row, take in enumerate(plan.far) if abs(wrapped_deg(take.angle_deg)) <= FRONT_DEG]
    front = front or list(range(len(plan.far)))
    own = np.full(flight.size, np.nan)
    for row in front if plan.time_is_known else range(flight.size):
        before = LATE_ELSEWHERE_S if row < len(plan.far) else LATE_CLOSE_S
        own[row] = _onset(impulses[row], plan.rate_hz, high, slow, before) - flight[row]
    common = float(np.median(own[front]))
    if plan.time_is_known:
        limit = max(plan.settings.latency_limit_s, blur)
        if common <= -limit:
            raise _too_early(plan, common)
        common = common if common >= limit else 0.0
        return ArrivalTimes(np.full(flight.size, common), common, True, high, blur)
    lead = lead_for(plan.session, plan.speed_m_s) + slow
    late = np.full(flight.size, LATE_ELSEWHERE_S)
    late[front], late[len(plan.far) :] = lead, LATE_CLOSE_S + slow
    shared = bool(np.all((own - common >= -lead) & (own - common <= late)))
    # Half a period of slow sound, so that the gate does not open after its start.
    early = 0.5 * slow
    by_take = np.full(flight.size, common) if shared else own
    return ArrivalTimes(by_take - early, common - early, shared, high, blur)


def _too_early(plan: Plan, common_s: float) -> AudioError:
    nearest = nearest_to_axis(plan.far)
    return AudioError.of(
        "reduce.before_its_way",
        where=f"take {nearest.id}, file {nearest.file}",
        nearest=nearest,
        early_ms=-1e3 * common_s,
        nearer_m=-common_s * plan.speed_m_s,
    )


def times_of_flight_s(plan: Plan) -> FloatArray:
    """Way through the air (T,) [s] of far-field, then near-field takes."""
    takes: tuple[FarFieldTake | NearFieldTake, ...] = (*plan.far, *plan.near)
    return np.array([take.distance_m / speed_at(plan, take) for take in takes])


def heard_up_to_hz(impulse: TakeImpulse, plan: Plan) -> float:
    """Highest frequency within 20 dB of the loudest third octave, at most the stimulus's: a subwoofer has no treble."""
    from scipy import fft

    rate = plan.rate_hz
    first = max(round((impulse.peak_s - impulse.start_s - BEFORE_S) * rate), 0)
    piece = impulse.samples[first : first + round(AROUND_S * rate)]
    power = np.abs(fft.rfft(piece)[1:]) ** 2
    frequency = np.arange(1, power.size + 1) * (rate / piece.size)
    top = min(plan.band_hz[1], 0.45 * rate)
    low = min(_LOWEST_TREBLE_HZ, top / 4.0)
    hz = low * 2.0 ** np.arange(0.0, np.log2(top / low) + 1e-9, 1.0 / 6.0)
    level = 10.0 * np.log10(np.maximum(smooth_power(power, np.asarray(frequency), hz, 3.0), 1e-300))
    heard = float(hz[np.flatnonzero(level >= level.max() + _HEARD_DB)[-1]])
    return plan.band_hz[1] if heard >= hz[-1] * 0.999 else heard * 2.0 ** (1.0 / 6.0)


def _onset(impulse: TakeImpulse, rate_hz: int, high_hz: float, slow_s: float, before_s: float) -> float:
    # What lies long before the loudest moment is noise: a port has next to no treble to stand out from it.
    first = max(round((impulse.peak_s - impulse.start_s - before_s - slow_s) * rate_hz), 0)
    samples, start = impulse.samples[None, first:], np.array([impulse.start_s + first / rate_hz])
    return float(onset_s(samples, start, rate_hz, high_hz, np.array([impulse.peak_s + 1e-3 + slow_s]))[0][0])


def facts_of(plan: Plan, found: Sequence[TakeImpulse], late: ArrivalTimes) -> list[TakeFacts]:
    """What the checks need to know of every take, far field first; levels are still to come."""
    rate = plan.rate_hz
    takes: tuple[FarFieldTake | NearFieldTake, ...] = (*plan.far, *plan.near)
    # Behind the cabinet a wall may sound louder than the loudspeaker: only what comes before it is looked at.
    expected = late.by_take_s + times_of_flight_s(plan)
    begin = [round((t - BEFORE_S - one.start_s) * rate) for one, t in zip(found, expected, strict=True)]
    begin = [min(max(b, 0), one.samples.size - round(AROUND_S * rate)) for one, b in zip(found, begin, strict=True)]
    around = np.array([one.samples[b : b + round(AROUND_S * rate)] for one, b in zip(found, begin, strict=True)])
    start = np.array([one.start_s + b / rate for one, b in zip(found, begin, strict=True)])
    onset, size = onset_s(around, start, rate, late.high_hz, expected + max(min(plan.gate.end_s, 0.02), 2e-3))
    early_db = non_causal_db(size, start, rate, np.minimum(onset, expected + plan.gate.start_s))
    # Checks of an orbit go by the angles that were meant, wherever the table's axis stood.
    stated = {take.id: take.angle_deg for take in plan.session.takes_of(FarFieldTake)}
    facts = []
    for row, (take, one) in enumerate(zip(takes, found, strict=True)):
        first = max(round((onset[row] - start[row] - IMPULSE_LEAD_S) * rate), 0)
        facts.append(
            TakeFacts(
                id=take.id,
                orbit=take.orbit if isinstance(take, FarFieldTake) else None,
                angle_deg=wrapped_deg(stated[take.id]) if isinstance(take, FarFieldTake) else None,
                distance_m=take.distance_m,
                rate_hz=rate,
                peak_fs=one.peak_fs,
                clipped_runs=one.clipped_runs,
                arrival_s=float(onset[row] - late.by_take_s[row]),
                arrival_known=plan.time_is_known,
                impulse=around[row, first : first + round(0.02 * rate)],
                impulse_rate_hz=float(rate),
                band_level_db=0.0,
                non_causal_db=float(early_db[row]),
            )
        )
    return facts
