"""Damage inside a recorded sweep: dropouts, lost samples, clicks, slams and voices.

A recording is divided by the stated sweep; the linear response and the responses of the harmonics are cut out and
played through the sweep again. What then is left of the recording is what neither loudspeaker nor room can have made,
at the moment it happened (own derivation; places of the harmonics after Farina 2000 and Novak, Simon and Lotton 2015,
from memory).
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import scipy.fft

from earwitness.dsp.sweep import SweepLaw
from earwitness.quantities import BoolArray, FloatArray
from earwitness.reduce.flags import limits
from earwitness.reduce.stimulus import Stimulus

Samples = npt.NDArray[np.float32] | npt.NDArray[np.float64]
Spectrum = npt.NDArray[np.complex64] | npt.NDArray[np.complex128]
# Own choices, tried on simulated loudspeakers, rubbing coils and wires: see tests/reduce/doubt/test_damage.py.
LIMITS = limits("damage")
ORDERS = 8
LEAD_S, DECAY_S = 4e-3, 0.5
EARLIER_S, EARLIER_SHARE = 0.03, 0.2
ORDER_LEAD_S, ORDER_LONGEST_S, ORDER_SHARE = 6e-3, 0.12, 0.85
EDGES = (1.05, 2.0, 0.85, 0.96)
BAND_TOPS_HZ = (60.0, 120.0, 240.0, 480.0, 960.0, 1920.0, 3840.0)
# Lower bands would hold the ringing of the band's own edge.
LOWEST_TIMES_START = 5.2
ABOVE_BAND = 1.6
SILENT_PERIODS = 7.0
SKIP_S, TOP_SHARE = 0.2, 0.85
FRAME_S, MEDIAN_S = 5e-3, 0.25
USUAL_PERCENT = 60.0
# Below it rooms are never quiet.
WHOLE_LOW_HZ = 100.0
SHARE_LOW_HZ, SHARE_S, EVENT_RATIO = 200.0, 0.1, 10.0
_LEAST_FRAMES = 20


@dataclass(frozen=True, slots=True)
class DamageReading:
    """below_track, whole : largest ratios to the usual rest; share_db : of the rest in a tenth of a second;
    at_s, frequency_hz : moment of the largest, in the recording, and of the sweep then; whole_at_s, whole_hz : the same
    of `whole`; begins_s : when the sweep begins in the recording."""

    below_track: float
    whole: float
    share_db: float
    at_s: float
    frequency_hz: float
    whole_at_s: float
    whole_hz: float
    begins_s: float

    def is_damage(self) -> bool:
        """Of a microphone: what no loudspeaker makes."""
        return self.below_track > LIMITS["below_track"]

    def is_odd(self) -> bool:
        """Of a microphone: what a rubbing part may make too."""
        lasting = self.share_db > LIMITS["share_db"] and self.below_track > 0.6 * LIMITS["below_track"]
        return self.whole > LIMITS["whole"] or lasting

    def is_damaged_loop(self) -> bool:
        return self.below_track > LIMITS["loop_below_track"] or self.whole > LIMITS["loop_whole"]


def damage_of(
    spectrum: Spectrum, samples: Samples, length: int, stimulus: Stimulus, played: Spectrum, *, loop: bool = False
) -> DamageReading | None:
    """What a channel holds beside the answer to the sweep. None for a stimulus that is no sweep, or a short one.

    samples (N,) : the channel; spectrum (length // 2 + 1,) : its transform on length >= N samples;
    played : that of the stimulus
    """
    law, rate = stimulus.law, float(stimulus.rate_hz)
    if law is None or law.duration_s < 2.0 * SKIP_S + 0.2:
        return None
    tools = _tools(law, rate, length, 5 if loop else ORDERS)
    heard = spectrum[tools.first : tools.last] * tools.weight
    sent = played[tools.first : tools.last]
    power = sent.real**2 + sent.imag**2
    divided = np.zeros_like(spectrum)
    divided[tools.first : tools.last] = heard * sent.conj() / (power + 1e-3 * float(np.median(power)))
    impulse = scipy.fft.irfft(divided, length, overwrite_x=True)
    delay = _first_sound(impulse, round(EARLIER_S * rate))
    impulse[delay:] *= tools.window[: length - delay]
    impulse[:delay] *= tools.window[length - delay :]
    kept = scipy.fft.rfft(impulse, overwrite_x=True)[tools.first : tools.last]
    rest = np.zeros_like(spectrum)
    rest[tools.first : tools.last] = heard - kept * sent
    late = delay if delay < length // 2 else delay - length
    size = float(np.sqrt(np.mean(np.square(samples[samples.size // 8 :]))))
    least = size * 10.0 ** (LIMITS["loop_floor_db" if loop else "floor_db"] / 20.0)
    place = _Place(law, rate, late / rate, samples.size)
    low, low_at = _below_track(rest, length, place, least)
    rest[: math.ceil(WHOLE_LOW_HZ * length / rate)] = 0.0
    whole, whole_at, share_db = _whole(scipy.fft.irfft(rest, length)[: samples.size], samples, place, least)
    at = low_at if low > whole * LIMITS["below_track"] / LIMITS["whole"] else whole_at
    whole_hz = place.track_hz(whole_at)
    return DamageReading(low, whole, share_db, at, place.track_hz(at), whole_at, whole_hz, place.delay_s)


def _first_sound(impulse: Samples, reach: int) -> int:
    """Place of the first sound of an impulse: behind a cabinet a wall may be heard louder, and later."""
    peak = max(int(impulse.argmax()), int(impulse.argmin()), key=lambda row: abs(float(impulse[row])))
    before = np.abs(impulse[np.arange(peak - reach, peak + 1) % impulse.size])
    first = peak - reach + int(np.argmax(before >= EARLIER_SHARE * before[-1]))
    return first % impulse.size


class _Tools(NamedTuple):
    """window (L,) : what a loudspeaker may have made, about its linear response at 0; weight (R,) of the rows first to
    last, the band: steep edges would ring long before the sound."""

    window: Samples
    weight: Samples
    first: int
    last: int


@lru_cache(maxsize=4)
def _tools(law: SweepLaw, rate_hz: float, length: int, orders: int) -> _Tools:
    window = np.zeros(length, dtype=np.float32)
    window[: round(DECAY_S * rate_hz)] = 1.0
    window[-round(LEAD_S * rate_hz) :] = 1.0
    for order in range(2, orders + 1):
        center = round(law.rate_s * math.log(order) * rate_hz)
        gap_s = law.rate_s * math.log(order / (order - 1))
        before, after = round(ORDER_LEAD_S * rate_hz), round(min(ORDER_SHARE * gap_s, ORDER_LONGEST_S) * rate_hz)
        window[np.arange(length - center - before, length - center + after) % length] = 1.0
    window.setflags(write=False)
    step = rate_hz / length
    top = min(EDGES[3] * law.stop_hz, 0.47 * rate_hz)
    first, last = math.ceil(EDGES[0] * law.start_hz / step), math.floor(top / step)
    frequency = np.arange(first, last) * step
    rise = np.log(frequency / (EDGES[0] * law.start_hz)) / math.log(EDGES[1] / EDGES[0])
    fall = np.log(top / frequency) / math.log(EDGES[3] / EDGES[2])
    weight = 0.5 - 0.5 * np.cos(np.pi * np.clip(np.minimum(rise, fall), 0.0, 1.0))
    weight = weight.astype(np.float32)
    weight.setflags(write=False)
    return _Tools(window, weight, first, last)


@dataclass(frozen=True, slots=True)
class _Place:
    """Where the sweep was at a moment of the recording."""

    law: SweepLaw
    rate_hz: float
    delay_s: float
    count: int

    def track_hz(self, at_s: float) -> float:
        return float(self.tracks_hz(np.array([at_s]))[0])

    def tracks_hz(self, at_s: FloatArray) -> FloatArray:
        since = np.clip(at_s - self.delay_s, 0.0, self.law.duration_s)
        return np.asarray(self.law.start_hz * np.exp(since / self.law.rate_s), dtype=np.float64)

    def passes_s(self, hz: float) -> float:
        """Moment in the recording at which the sweep is at a frequency [s]."""
        return self.delay_s + self.law.rate_s * math.log(hz / self.law.start_hz)

    def looked_at(self, at_s: FloatArray) -> BoolArray:
        since = at_s - self.delay_s
        inside = (since > SKIP_S) & (since < self.law.duration_s) & (at_s < self.count / self.rate_hz)
        return np.asarray(inside & (self.tracks_hz(at_s) < TOP_SHARE * self.law.stop_hz), dtype=bool)


def _below_track(rest: Spectrum, length: int, place: _Place, least: float) -> tuple[float, float]:
    """Largest rms of an octave that the sweep has left behind, over the usual one, and its moment [s]."""
    step = place.rate_hz / length
    largest, where = 0.0, 0.0
    for top in BAND_TOPS_HZ:
        if top < LOWEST_TIMES_START * place.law.start_hz:
            continue
        first, weight = _octave_below(top, step)
        last = first + weight.size
        count = scipy.fft.next_fast_len(2 * weight.size)
        spread = np.zeros(count, dtype=rest.dtype)
        spread[: weight.size] = weight * rest[first:last]
        power = 0.5 * np.abs(scipy.fft.ifft(spread) * (count / length)) ** 2
        together = max(int(FRAME_S * place.rate_hz * count / length), 1)
        frames = power[: power.size // together * together].reshape(-1, together).mean(axis=1)
        at = (np.arange(frames.size) + 0.5) * together * length / count / place.rate_hz
        # A fast sweep is above the band before the band's own filter has fallen silent.
        silent_s = place.passes_s(1.2 * top) + SILENT_PERIODS / top
        past = (place.tracks_hz(at) > ABOVE_BAND * top) & (at > silent_s) & place.looked_at(at)
        if np.count_nonzero(past) < _LEAST_FRAMES:
            continue
        # Noise that falls into what is kept leaves nothing: the usual is looked for in the whole recording too.
        every = frames[at < place.count / place.rate_hz]
        usual = max(math.sqrt(max(float(np.median(frames[past])), float(np.percentile(every, USUAL_PERCENT)))), least)
        row = int(np.argmax(np.where(past, frames, 0.0)))
        if math.sqrt(float(frames[row])) / usual > largest:
            largest, where = math.sqrt(float(frames[row])) / usual, float(at[row])
    return largest, where


@lru_cache(maxsize=4 * len(BAND_TOPS_HZ))
def _octave_below(top_hz: float, step_hz: float) -> tuple[int, FloatArray]:
    """First row of a spectrum and weights (R,), 2 inside, of the octave below a frequency."""
    first, last = math.ceil(top_hz / 2.4 / step_hz), math.floor(1.2 * top_hz / step_hz)
    octaves = np.abs(np.log2(np.arange(first, last) * step_hz / (top_hz / math.sqrt(2.0))))
    weight: FloatArray = 2.0 * np.clip((0.76 - octaves) / 0.26, 0.0, 1.0)
    weight.setflags(write=False)
    return first, weight


def _whole(rest: Samples, samples: Samples, place: _Place, least: float) -> tuple[float, float, float]:
    """Largest rms of the rest over its running median, its moment [s], and the largest share of the recording [dB]."""
    from scipy.ndimage import median_filter, uniform_filter1d

    frame = max(round(FRAME_S * place.rate_hz), 1)
    count = samples.size // frame
    power = np.square(rest[: count * frame]).reshape(count, frame).mean(axis=1)
    heard = np.square(samples[: count * frame]).reshape(count, frame).mean(axis=1)
    at = np.asarray((np.arange(count) + 0.5) * frame / place.rate_hz, dtype=np.float64)
    inside = place.looked_at(at)
    if not inside.any():
        return 0.0, 0.0, -300.0
    rms = np.sqrt(power)
    usual = median_filter(rms, size=2 * round(MEDIAN_S / FRAME_S / 2) + 1, mode="nearest")
    floor = max(0.3 * float(np.median(rms)), least)
    ratio = np.where(inside, rms / np.maximum(usual, floor), 0.0)
    row = int(np.argmax(ratio))
    several = max(round(SHARE_S / FRAME_S), 1)
    lasting = uniform_filter1d(power, several)
    share = lasting / np.maximum(uniform_filter1d(heard, several), 1e-24)
    # Noise that is always there is no event.
    outside = lasting[~inside] if not inside.all() else lasting
    quiet = max(float(np.median(lasting[inside])), float(np.median(outside)))
    above = inside & (place.tracks_hz(at) > SHARE_LOW_HZ) & (lasting > EVENT_RATIO * quiet)
    share_db = 10.0 * math.log10(max(float(np.max(np.where(above, share, 0.0))), 1e-30))
    return float(ratio[row]), float(at[row]), share_db
