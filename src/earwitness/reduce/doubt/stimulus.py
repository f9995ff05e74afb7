"""Was the stated sweep played? A channel is divided by the stated sweep, and what is left says what differs.

An exponential sweep of another rate, L' for L, or recorded by another clock, leaves a delay that grows with the
logarithm of the frequency, t = a + (L' - L) ln f; the classic and the synchronized form differ by the constant phase
2 pi f1 L and by nothing else (own derivations from the sweep's law). Where it begins and ends is read from the
recording's own envelope.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy.fft

from earwitness.dsp.filters import analytic, minimum_phase
from earwitness.dsp.sweep import SweepLaw
from earwitness.quantities import ComplexArray, FloatArray, IntArray, NearField, QualityFlag, hz_words
from earwitness.reduce.doubt.damage import Spectrum
from earwitness.reduce.flags import flag, limits
from earwitness.reduce.stimulus import Stimulus

# Own choices, tried on simulated wires and loudspeakers in rooms: tests/reduce/doubt/test_stimulus_doubt.py.
LIMITS = limits("stimulus")
BANDS, BAND_OCTAVES = 16, 1.0 / 3.0
GAIN_BAND_HZ = (150.0, 1500.0)
PHASE_BAND_HZ, PHASE_STRIDE = (500.0, 5000.0), 8
RATES = (44_100 / 48_000, 48_000 / 44_100, 2.0, 0.5, 44_100 / 96_000, 96_000 / 44_100, 48_000 / 88_200, 88_200 / 48_000)


@dataclass(frozen=True, slots=True)
class Track:
    """rate_s : L as the recording's own frequency grows; start_hz, stop_hz : where its envelope begins and ends;
    duration_s : between them; linear : True for a frequency that grows evenly."""

    rate_s: float
    start_hz: float
    stop_hz: float
    duration_s: float
    linear: bool


@dataclass(frozen=True, slots=True)
class SweepReading:
    """What is left of a channel divided by the stated sweep.

    rate_error : 1 - L'/L; residual_s : rms of delays about t = a + b ln f; slip_s : a jump of the delay, and at which
    frequency (0 without one); phase_deg : constant phase left over, None where it cannot be told; loop : False for a
    microphone; gain : amplitude of the sweep in the loop-back, full scale 1; slip_is_told : the jump's size is known
    """

    rate_error: float
    residual_s: float
    slip_s: float
    slip_hz: float
    phase_deg: float | None
    loop: bool
    gain: float = 0.0
    slip_is_told: bool = False


def loop_reading(spectrum: Spectrum, length: int, stimulus: Stimulus, played: Spectrum) -> SweepReading | None:
    """The reading of a loop-back. spectrum, played (length // 2 + 1,) : of the channel and of the stated stimulus.

    None where the stimulus covers less than three octaves above 300 Hz.
    """
    centers = _centers(stimulus)
    if centers is None:
        return None
    step_hz = stimulus.rate_hz / length
    left = _divided(spectrum, played)
    middle = np.abs(left[int(GAIN_BAND_HZ[0] / step_hz) : int(GAIN_BAND_HZ[1] / step_hz) : PHASE_STRIDE])
    gain = float(np.median(middle))
    centers = _passed(left, step_hz, centers, stimulus)
    if centers.size < LIMITS["loop_least_bands"]:
        # Hardly anything of the stated sweep is there: its delays are off by any length.
        return SweepReading(
            0.0, length / stimulus.rate_hz, slip_s=0.0, slip_hz=0.0, phase_deg=None, loop=True, gain=gain
        )
    turned = left[1:] * left[:-1].conj()
    edges = _edges(spectrum.size - 1, step_hz, centers)
    sums = np.array([np.sum(turned[a:b]) for a, b in edges])
    common = np.sum(sums / np.maximum(np.abs(sums), 1e-300))
    delay = -np.angle(sums * np.conj(common)) / (2.0 * math.pi * step_hz)
    rate_s = _rate_s(stimulus)
    slope, residual, slip, slip_hz, is_told = _fitted(centers, delay, rate_s)
    phase = None
    if abs(slope) < LIMITS["loop_rate_error"] * rate_s and slip == 0.0:
        phase = _phase_deg(left, step_hz, -float(np.angle(common)) / (2.0 * math.pi * step_hz))
    return SweepReading(-slope / rate_s, residual, slip, slip_hz, phase, loop=True, gain=gain, slip_is_told=is_told)


def _edges(size: int, step_hz: float, centers: FloatArray) -> IntArray:
    """(B, 2) first row of each band and that behind its last, of rows 1 to `size` of a spectrum."""
    reach = np.array([2**-BAND_OCTAVES, 2**BAND_OCTAVES])
    return np.asarray(np.searchsorted(np.arange(1, size + 1) * step_hz, np.outer(centers, reach)), dtype=np.intp)


def _passed(left: ComplexArray, step_hz: float, centers: FloatArray, stimulus: Stimulus) -> FloatArray:
    """The centers that the sweep passed, and not just begun or ended by. A wire is flat: where one band is far fainter
    than the loudest, the sweep that was played did not come by, and what is left there is noise."""
    step = float(np.log(centers[1] / centers[0]))
    below = int(np.log(centers[0] / (1.3 * stimulus.low_hz)) / step)
    above = int(np.log(stimulus.high_hz / (1.3 * centers[-1])) / step)
    every = centers[0] * np.exp(step * np.arange(-below, centers.size + above))
    power = np.array([np.mean(np.square(np.abs(left[a:b]))) for a, b in _edges(left.size - 1, step_hz, every)])
    silent = every[power < 10.0 ** (LIMITS["loop_heard_db"] / 10.0) * float(power.max())]
    if not silent.size:
        return centers
    apart = np.min(np.abs(np.log2(centers[:, None] / silent)), axis=1)
    return np.asarray(centers[apart > LIMITS["loop_edge_octaves"]], dtype=np.float64)


def microphone_reading(spectrum: Spectrum, length: int, stimulus: Stimulus, played: Spectrum) -> SweepReading | None:
    """The reading of a microphone, where there is no loop-back: arrival of the energy in bands, less the delay that
    a minimum-phase loudspeaker of that magnitude has. None as `loop_reading`."""
    centers = _centers(stimulus)
    if centers is None:
        return None
    left = _divided(spectrum, played)
    size = _third_octave_rms(np.abs(left))
    frequency = np.arange(spectrum.size) * stimulus.rate_hz / length
    middle = size[(frequency > 200.0) & (frequency < 5000.0)]
    least = minimum_phase(np.maximum(size, 1e-3 * float(np.median(middle))))
    loud = np.interp(centers, frequency, size)
    centers = centers[loud > 10.0 ** (LIMITS["heard_db"] / 20.0) * float(loud.max())]
    if centers.size < LIMITS["least_bands"]:
        return None
    delay = _arrivals_s(left, stimulus.rate_hz, centers) - _arrivals_s(least, stimulus.rate_hz, centers)
    total = length / stimulus.rate_hz
    delay = (delay - np.median(delay) + 0.5 * total) % total - 0.5 * total
    rate_s = _rate_s(stimulus)
    slope, residual = _line(np.log(centers / 1000.0), delay)
    return SweepReading(-slope / rate_s, residual_s=residual, slip_s=0.0, slip_hz=0.0, phase_deg=None, loop=False)


def track_of(samples: FloatArray, rate_hz: float) -> Track | None:
    """The frequency of a sweep over time, from the phase of its analytic signal. None where there is no such signal."""
    from scipy.ndimage import uniform_filter1d

    size = np.sqrt(np.maximum(uniform_filter1d(np.square(samples), round(0.01 * rate_hz)), 0.0))
    loud = size > 0.3 * size.max(initial=0.0)
    if not loud.any():
        return None
    there = np.flatnonzero(size > 0.25 * float(np.median(size[loud])))
    first, last = int(there[0]), int(there[-1])
    step = round(0.005 * rate_hz)
    at = np.arange(first + round(0.15 * (last - first)), last - round(0.08 * (last - first)), step)
    if at.size < 16 or at[0] < step or at[-1] + step >= samples.size:
        return None
    phase = _unwrapped(np.angle(analytic(samples)))
    hz = (phase[at + step] - phase[at - step]) * rate_hz / (4.0 * math.pi * step)
    sound = hz > 5.0
    if np.count_nonzero(sound) < 16:
        return None
    time, hz = at[sound] / rate_hz, hz[sound]
    growth, start = np.polyfit(time, np.log(hz), 1)
    off = np.abs(np.log(hz) - start - growth * time)
    near = off < 3.0 * np.median(off) + 1e-4
    growth, start = np.polyfit(time[near], np.log(hz[near]), 1)
    straight = np.polyfit(time, hz, 1)
    bent = float(np.std(np.log(hz) - start - growth * time))
    linear = float(np.std(np.polyval(straight, time) / hz - 1.0)) < 0.3 * bent
    if growth <= 0.0:
        return None
    ends = np.exp(np.array([first, last]) / rate_hz * growth + start)
    return Track(1.0 / float(growth), float(ends[0]), float(ends[1]), (last - first) / rate_hz, linear)


@lru_cache(maxsize=4)
def _stated_track(stimulus: Stimulus) -> Track | None:
    """Of what was to be played, once for all takes that were recorded with it."""
    return track_of(stimulus.samples, stimulus.rate_hz)


def _rate_s(stimulus: Stimulus) -> float:
    """L of a sweep; of a played file such that a tenth of a millisecond an e-fold is the limit."""
    return stimulus.law.rate_s if stimulus.law is not None else LIMITS["loop_residual_s"] / LIMITS["loop_rate_error"]


def _centers(stimulus: Stimulus) -> FloatArray | None:
    low, high = max(4.0 * stimulus.low_hz, 300.0), min(stimulus.high_hz / 1.6, 0.4 * stimulus.rate_hz)
    return np.geomspace(low, high, BANDS) if high > 8.0 * low else None


def _divided(spectrum: Spectrum, played: Spectrum) -> ComplexArray:
    power = played.real**2 + played.imag**2
    return np.asarray(spectrum * played.conj() / (power + 1e-4 * float(power.max())), dtype=np.complex128)


def _third_octave_rms(size: FloatArray) -> FloatArray:
    rows = np.arange(size.size)
    first = (rows * 2.0 ** (-1.0 / 6.0)).astype(int)
    last = np.minimum((rows * 2.0 ** (1.0 / 6.0)).astype(int) + 1, size.size)
    sums = np.concatenate([[0.0], np.cumsum(np.square(size))])
    return np.asarray(np.sqrt((sums[last] - sums[first]) / np.maximum(last - first, 1)), dtype=np.float64)


def _arrivals_s(response: ComplexArray, rate_hz: float, centers: FloatArray) -> FloatArray:
    """When the energy of each band comes (B,) [s], about the largest value of its envelope."""
    step = 0.5 * rate_hz / (response.size - 1)
    found = []
    for center in centers:
        first, last = int(center * 2**-BAND_OCTAVES / step) + 1, int(center * 2**BAND_OCTAVES / step)
        octaves = np.log2(np.arange(first, last) * step / center) / BAND_OCTAVES
        band = response[first:last] * np.cos(0.5 * np.pi * octaves) ** 2
        count = scipy.fft.next_fast_len(4 * band.size)
        power = np.abs(scipy.fft.ifft(band, count)) ** 2
        seconds = 1.0 / (count * step)
        top = int(np.argmax(power))
        reach = round(2.0 / center / seconds) + 1
        rows = np.arange(top - reach, top + reach + 1)
        found.append(float(np.sum(power[rows % count] * rows) / np.sum(power[rows % count])) * seconds)
    return np.array(found)


def _line(x: FloatArray, delay_s: FloatArray) -> tuple[float, float]:
    """Robust slope of delay over x, and the rms about it."""
    terms = np.stack([np.ones(x.size), x], axis=1)
    weight: FloatArray = np.ones(x.size)
    for _ in range(8):
        answer = np.linalg.lstsq(terms * weight[:, None], delay_s * weight, rcond=None)[0]
        size: FloatArray = np.abs(delay_s - terms @ answer)
        spread = 1.48 * float(np.median(size)) + 1e-7
        weight = np.reciprocal(np.maximum(1.0, size / (2.0 * spread)))
    return float(answer[1]), float(np.sqrt(np.mean((size * weight) ** 2)))


def _fitted(centers: FloatArray, delay_s: FloatArray, rate_s: float) -> tuple[float, float, float, float, bool]:
    """Slope over ln f, rms about it, a jump with its frequency where that explains what a line does not, and whether
    its size can be told."""
    x = np.log(centers / 1000.0)
    slope, residual = _line(x, delay_s)
    plain = float(np.std(delay_s - np.polyval(np.polyfit(x, delay_s, 1), x)))
    if plain < LIMITS["slip_residual_s"]:
        return slope, residual, 0.0, 0.0, False
    best: tuple[float, float, float, float] | None = None
    for row in range(2, x.size - 1):
        # Bands in which the jump itself lies say nothing.
        clear = np.abs(np.arange(x.size) - row + 0.5) > 1.6
        terms = np.stack([np.ones(x.size), x, (np.arange(x.size) >= row).astype(float)], axis=1)[clear]
        answer = np.linalg.lstsq(terms, delay_s[clear], rcond=None)[0]
        rest = float(np.sqrt(np.mean((delay_s[clear] - terms @ answer) ** 2)))
        if best is None or rest < best[1]:
            best = (float(answer[1]), rest, float(answer[2]), float(np.sqrt(centers[row - 1] * centers[row])))
    if best is None:
        return slope, residual, 0.0, 0.0, False
    # Level on both sides of the jump, or it is a bend.
    level = abs(best[0]) * float(np.ptp(x)) < 0.25 * abs(best[2])
    is_jump = level and abs(best[2]) > max(LIMITS["slip_s"], 12.0 * best[1]) and best[1] < 0.3 * plain
    if is_jump and abs(best[0]) < LIMITS["slip_rate_error"] * rate_s:
        # The size is told by both sides alone: a slope through few bands below the jump would carry it off.
        row = int(np.searchsorted(centers, best[3]))
        clear = np.abs(np.arange(x.size) - row + 0.5) > 1.6
        after = float(np.median(delay_s[row:][clear[row:]]))
        is_told = min(np.count_nonzero(clear[:row]), np.count_nonzero(clear[row:])) >= LIMITS["slip_least_bands"]
        return best[0], best[1], after - float(np.median(delay_s[:row][clear[:row]])), best[3], bool(is_told)
    return slope, residual, 0.0, 0.0, False


def _phase_deg(left: ComplexArray, step_hz: float, delay_s: float) -> float:
    """Phase (-180 to 180) that is the same at all frequencies once the delay is out."""
    rows = np.arange(int(PHASE_BAND_HZ[0] / step_hz) + 1, int(PHASE_BAND_HZ[1] / step_hz), PHASE_STRIDE)
    hz = rows * step_hz
    unit = left[rows] * np.exp(2j * np.pi * hz * delay_s)
    unit /= np.maximum(np.abs(unit), 1e-300)
    turn = np.angle(np.sum(unit[1:] * unit[:-1].conj())) / PHASE_STRIDE
    # A delay has no phase at zero frequency: its slope is taken out about there.
    unit = unit * np.exp(-1j * turn * rows)
    for _ in range(3):
        rest = np.angle(unit * np.conj(np.mean(unit)))
        unit = unit * np.exp(-1j * np.polyfit(hz, rest, 1)[0] * hz)
    return float(np.degrees(np.angle(np.mean(unit))))


def _unwrapped(phase: FloatArray) -> FloatArray:
    """`phase` without its jumps, in its own place: as numpy's, in a quarter of the memory."""
    turns = np.diff(phase)
    turns /= 2.0 * np.pi
    np.cumsum(np.rint(turns, out=turns), out=turns)
    turns *= 2.0 * np.pi
    phase[1:] -= turns
    return phase


@dataclass(frozen=True, slots=True)
class Cause:
    """What explains a reading: key, words, and what would fit in session.toml ("" where nothing would)."""

    key: str
    words: str
    fit: str


def cause_of(reading: SweepReading, stimulus: Stimulus, track: Track | None = None) -> Cause | None:
    """The probable cause of what is left, None where nothing speaks against the stated stimulus.

    track : of the same loop-back; without it length, end and start of a sweep cannot be told apart, and all are named.
    A range that its track shows to be another comes first: about ends that the stated sweep does not have, delays jump.
    """
    law = stimulus.law
    # Samples lost within a sweep move one of its ends by as much as they last, which is not known well.
    moved = (
        1.0 if reading.slip_s == 0.0 else LIMITS["slip_ends_ratio"] * math.exp(abs(reading.slip_s) / _rate_s(stimulus))
    )
    if (ends := _other_ends(stimulus, track, moved)) is not None:
        return ends
    if reading.slip_s != 0.0:
        about = f"about {abs(reading.slip_s) * stimulus.rate_hz:.0f} " if reading.slip_is_told else ""
        words = f"{about}samples are lost or doubled while the sweep passes about {hz_words(reading.slip_hz)}"
        return Cause("slip", words, "")
    if law is None:
        if abs(reading.rate_error) <= LIMITS["loop_rate_error"] and reading.residual_s <= LIMITS["loop_residual_s"]:
            return None
        return Cause("file", "another signal than the stimulus file was played", "")
    if track is not None and track.linear:
        return Cause("linear", "the sweep that was played is linear, not exponential", "")
    if reading.loop and (fade := _other_fade(reading, stimulus, track)) is not None:
        return fade
    side = "loop" if reading.loop else "microphone"
    of_room = LIMITS["microphone_slope_s"] / law.rate_s
    least = LIMITS["clock_told"] if reading.loop else max(LIMITS["microphone_rate_error"], of_room)
    if abs(reading.rate_error) > least:
        return _other_rate(1.0 - reading.rate_error, law, stimulus, track)
    if reading.residual_s > LIMITS[f"{side}_residual_s"]:
        return Cause("other", "the channel does not hold the stated sweep as a whole", "")
    if reading.phase_deg is not None and abs(reading.rate_error) < 0.15 * LIMITS["loop_rate_error"]:
        turn = math.degrees(2.0 * math.pi * law.start_hz * law.rate_s) * (-1.0 if law.synchronized else 1.0)
        # A loop-back of turned polarity is half a turn off.
        if (
            _apart_deg(turn) > 2.0 * LIMITS["loop_phase_deg"]
            and _apart_deg(reading.phase_deg - turn) < LIMITS["loop_phase_deg"]
        ):
            other = "classic" if law.synchronized else "synchronized"
            return Cause("form", f"the sweep that was played has the {other} form", f'form = "{other}"')
    return None


def _apart_deg(angle_deg: float) -> float:
    """Distance from 0 or 180 degrees."""
    return abs((angle_deg + 90.0) % 180.0 - 90.0)


def _other_fade(reading: SweepReading, stimulus: Stimulus, track: Track | None) -> Cause | None:
    """A start that was played otherwise, where the recording's own frequency grows exactly as stated.

    An abrupt start sounds at all frequencies, which bends the delays that are left.
    """
    odd = abs(reading.rate_error) > LIMITS["clock_told"] or reading.residual_s > LIMITS["loop_residual_s"]
    stated = _stated_track(stimulus) if odd and track is not None else None
    if track is None or stated is None or abs(track.rate_s / stated.rate_s - 1.0) > LIMITS["loop_rate_error"]:
        return None
    start = track.start_hz / stated.start_hz
    if not LIMITS["fade_start_ratio"] < max(start, 1.0 / start) < LIMITS["fade_most_ratio"]:
        return None
    way = "slower" if start > 1.0 else "faster"
    return Cause(
        "fade", f"the sweep that was played rises {way} at its start than fade_in_s says", "its true fade_in_s"
    )


def _other_rate(ratio: float, law: SweepLaw, stimulus: Stimulus, track: Track | None) -> Cause:
    """ratio : L' over the stated L."""
    rate_s, length_s = ratio * law.rate_s, law.duration_s
    fits = {
        "length": f"duration_s = {_rounded(ratio * length_s)}",
        "stop": f"stop_hz = {_rounded(law.start_hz * math.exp(length_s / rate_s))}",
        "start": f"start_hz = {_rounded(law.stop_hz * math.exp(-length_s / rate_s))}",
    }
    top = 0.47 * stimulus.rate_hz
    rate = next((r for r in RATES if abs(ratio / r - 1.0) < LIMITS["rate_match"]), None)
    if track is None:
        if abs(ratio - 1.0) < LIMITS["clock"]:
            return _clocks(ratio)
        if law.start_hz * math.exp(length_s / rate_s) > top:
            del fits["stop"]
        also = f", or recordings at {stimulus.rate_hz / rate:.0f} Hz labeled {stimulus.rate_hz} Hz" if rate else ""
        words = f"the sweep that was played gains a factor e in frequency in {rate_s:.4g} s, not in {law.rate_s:.4g} s"
        return Cause("sweep", words, " or ".join(fits.values()) + also)
    stated = _stated_track(stimulus)
    if stated is None:
        return Cause("other", "the channel does not hold the stated sweep", "")
    guesses = {
        "length": (ratio * stated.duration_s, stated.start_hz, stated.stop_hz),
        "stop": (stated.duration_s, stated.start_hz, law.start_hz * math.exp(length_s / rate_s)),
        "start": (stated.duration_s, law.stop_hz * math.exp(-length_s / rate_s), stated.stop_hz),
    }
    if rate is not None:
        guesses["rate"] = (ratio * stated.duration_s, stated.start_hz / ratio, min(stated.stop_hz / ratio, top))
    found = (track.duration_s, track.start_hz, track.stop_hz)

    def misses(key: str) -> float:
        parts = zip(found, guesses[key], (0.01, 0.05, 0.02), strict=True)
        return sum(abs(math.log(max(a, 1e-9) / max(b, 1e-9))) / scale for a, b, scale in parts)

    best = min(guesses, key=misses)
    if abs(ratio - 1.0) < LIMITS["clock"] and (best == "length" or misses(best) > 1.0):
        return _clocks(ratio)
    if best == "rate":
        true_hz = stimulus.rate_hz / ratio
        words = f"the recording was made at {true_hz:.0f} Hz and is labeled {stimulus.rate_hz} Hz"
        return Cause("rate", words, "the recording with its true sample rate")
    every = {
        "length": f"the sweep that was played lasts {_rounded(ratio * length_s)} s, not {length_s:g} s",
        "stop": f"the sweep that was played ends at {hz_words(track.stop_hz)}, not at {hz_words(law.stop_hz)}",
        "start": f"the sweep that was played starts at {hz_words(track.start_hz)}, not at {hz_words(law.start_hz)}",
    }
    return Cause(best, every[best], fits[best])


def _clocks(ratio: float) -> Cause:
    part = 1e6 * abs(ratio - 1.0)
    return Cause("clock", f"player and recorder run on clocks that differ by {part:.0f} parts in a million", "")


def _other_ends(stimulus: Stimulus, track: Track | None, moved: float) -> Cause | None:
    """Another range at the same rate: start and length, or stop and length, are both wrong. moved : ratio by which
    something else may have moved an end."""
    law = stimulus.law
    stated = _stated_track(stimulus) if law is not None and track is not None else None
    if law is None or track is None or stated is None or track.linear:
        return None
    if abs(track.rate_s / stated.rate_s - 1.0) > LIMITS["ends_rate_error"]:
        return None
    start, stop = track.start_hz / stated.start_hz, track.stop_hz / stated.stop_hz
    if max(start, 1 / start) <= LIMITS["start_ratio"] * moved and max(stop, 1 / stop) <= LIMITS["stop_ratio"] * moved:
        return None
    low, high = law.start_hz * start, law.stop_hz * stop
    words = f"the sweep that was played runs from {hz_words(low)} to {hz_words(high)}"
    length = _rounded(law.rate_s * math.log(high / low))
    return Cause("ends", words, f"start_hz = {_rounded(low)}, stop_hz = {_rounded(high)} and duration_s = {length}")


def _rounded(value: float) -> str:
    """Three digits: what people type."""
    return f"{float(f'{value:.3g}'):g}"


# Without a loop-back: does the near field of a cone have the phase that its level asks for?
#
# A cone read close up is of minimum phase, its crossover's low-pass included. What its phase holds beyond that and a
# delay is the stimulus: the classic and the synchronized form differ by one phase at all frequencies, and clocks that
# differ leave a delay that grows with the logarithm of the frequency (own derivations from the sweep's law, as in
# stimulus.py).

# Own choices. Of 42 simulated loudspeakers without a mistake 2 lie above phase or drift; what leaves more is no cone
# alone.
CONE = limits("cone_phase")
LOWEST_HZ, HIGHEST_HZ, LEAST_OCTAVES, LEAST_POINTS = 35.0, 1500.0, 2.5, 24
GRID_TOP_HZ, LARGEST_SLOPE_DB = 24_000, 24.0


@dataclass(frozen=True, slots=True)
class ConePhase:
    """phase_deg : what is the same at all frequencies, -90 to 90 (polarity is left open); drift_s : delay an e-fold
    that explains it in place of a phase; phase_left_deg, drift_left_deg : rms that each of them leaves."""

    driver: str
    phase_deg: float
    drift_s: float
    phase_left_deg: float
    drift_left_deg: float

    @property
    def left_deg(self) -> float:
        return min(self.phase_left_deg, self.drift_left_deg)


def cone_phase(near: NearField) -> ConePhase | None:
    """The reading of a cone. None where the band in which it can be read is too narrow."""
    hz = near.axis.hz
    low, high = max(near.lowest_valid_hz, LOWEST_HZ), min(near.highest_valid_hz, HIGHEST_HZ)
    rows = (hz >= low) & (hz <= high)
    if high < low * 2.0**LEAST_OCTAVES or np.count_nonzero(rows) < LEAST_POINTS:
        return None
    x = hz[rows]
    excess = np.unwrap(near.phase_rad[rows] - np.interp(x, np.arange(GRID_TOP_HZ + 1.0), _least_rad(near, high)))
    # A delay, and what an unknown level below the band does to the phase.
    nuisance = [x / high, low / x]
    phase, left = _fit([np.ones(x.size), *nuisance], excess)
    half = math.pi * round(float(phase[0]) / math.pi)
    drift, also_left = _fit([-2.0 * math.pi * x * (np.log(x / high) - 1.0), *nuisance], excess - half)
    turn_deg = math.degrees(float(phase[0]) - half)
    return ConePhase(near.driver, turn_deg, float(drift[0]), math.degrees(left), math.degrees(also_left))


def cone_phase_flags(near: Sequence[NearField], law: SweepLaw | None) -> list[QualityFlag]:
    """Asked where not even the cone that is read best has the phase of the stated sweep. near : of cones."""
    every = [one for one in map(cone_phase, near) if one is not None]
    if law is None or not every:
        return []
    # Where several sound together each hears the others, and the one that is heard best counts.
    best = min(every, key=lambda one: one.left_deg)
    is_right = abs(best.phase_deg) <= CONE["phase_deg"] and abs(best.drift_s) <= CONE["drift_s"]
    if is_right or best.left_deg > CONE["left_deg"]:
        return []
    parts = 1e6 * abs(best.drift_s) / law.rate_s
    form = f'the other form was played (form = "{"classic" if law.synchronized else "synchronized"}")'
    clock = f"player and recorder run on clocks that differ by about {parts:.1g} parts in a million"
    is_phase = best.phase_left_deg < best.drift_left_deg
    surely = is_phase and abs(best.phase_deg) > CONE["form_surely_deg"]
    likely = (form,) if surely else (form, clock) if is_phase else (clock, form)
    return [flag("near_field_turned", best.phase_deg, CONE["phase_deg"], best=best, listed=", or ".join(likely))]


def _fit(columns: Sequence[FloatArray], phase_rad: FloatArray) -> tuple[FloatArray, float]:
    terms = np.stack(columns, axis=1)
    answer = np.linalg.lstsq(terms, phase_rad, rcond=None)[0]
    left = float(np.sqrt(np.mean((phase_rad - terms @ answer) ** 2)))
    return np.asarray(answer, dtype=np.float64), left


def _least_rad(near: NearField, high_hz: float) -> FloatArray:
    """Minimum phase [rad] at every whole frequency of the level; flat above the octave over its band."""
    hz, level = near.axis.hz, near.level_db
    start = hz < 1.3 * hz[0]
    slope = float(np.clip(np.polyfit(np.log2(hz[start]), level[start], 1)[0], 0.0, LARGEST_SLOPE_DB))
    grid = np.arange(GRID_TOP_HZ + 1.0)
    at = np.log(np.clip(grid, hz[0], 2.0 * high_hz))
    below = slope * np.log2(np.clip(grid, 1.0, hz[0]) / hz[0])
    size = 10.0 ** ((np.interp(at, np.log(hz), level) + below) / 20.0)
    return np.asarray(np.unwrap(np.angle(minimum_phase(size))), dtype=np.float64)
