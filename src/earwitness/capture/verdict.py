"""Keep or repeat a take, and why, right after it was recorded."""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import scipy.fft

from earwitness.capture.levels import CLIPPED_AT, QUIETEST_LOOP_DBFS, LoopbackReading, dbfs, find_delay, read_loopback
from earwitness.capture.sound import Block, Wiring
from earwitness.dsp.filters import analytic
from earwitness.files.data import worded
from earwitness.quantities import ComplexArray, FloatArray

# Whether a channel that should hold what was played holds it without gaps and slips.
#
# A sound card's own flags come on good and bad runs alike, so the content decides: piece by piece the channel is
# compared with the signal, which may be passed on with any gain and a gentle filter, but not with holes.

# Project defaults, set on simulated wires with AC coupling and anti-alias filters.
_LOW_WINDOW_S = 0.25
_WINDOW_S = 0.05
_LOW_HZ = 200.0
_PIECE_S = 0.005
_ODD_SHARE = 0.25
_LOST_SHARE = 0.35
_SLIP_TURN = 60.0 / 360.0
_MOST_SLIP = 4096
_CARRIES_CORRELATION = 0.9
_CLEARLY = 0.05
_DEAD_RUN_S = 0.0006


@dataclass(frozen=True, slots=True)
class ContentReading:
    """spans_s : stretches of the signal (start, end) that were lost or altered; slipped : whether time jumped;
    carries : whether the channel holds the signal at all, piece by piece."""

    spans_s: tuple[tuple[float, float], ...]
    slipped: bool
    carries: bool


def compare_content(
    played: FloatArray, heard: FloatArray, delay: int, rate_hz: float, *, noise_rms: float, shared_clock: bool = True
) -> ContentReading:
    """Compare heard (M,) from `delay` on with played (N,).

    noise_rms : of the channel in silence. shared_clock : player and recorder are one device; otherwise their clocks
    drift and nothing is told of slips.
    """
    slipped, carries = _lags(played, heard, delay, rate_hz)
    around = heard[delay : delay + played.size]
    if around.size < 64 or slipped or not carries:
        return ContentReading((), slipped and shared_clock, carries)
    played = played[: around.size]
    turning = analytic(_shifted(played, _fraction(played, around)), _MOST_SLIP)
    rms_all = math.sqrt(float(np.mean(played**2)))
    scale = float(np.sqrt(np.mean(around**2)) / rms_all)
    odd: list[tuple[float, float]] = []
    for start, length in _windows(turning, rate_hz):
        want, have = turning[start : start + length], around[start : start + length]
        if float(np.mean(want.real**2)) < (0.05 * rms_all) ** 2:
            continue
        odd += _odd_pieces(want=want, have=have, scale=scale, noise_rms=noise_rms, start=start, rate_hz=rate_hz)
    return ContentReading(_joined(odd), False, True)


def _windows(turning: ComplexArray, rate_hz: float) -> list[tuple[int, int]]:
    """(start, length) that overlap by half: a gap at the edge of one lies inside another. Long where periods are."""
    long, short = (min(round(s * rate_hz), turning.size) for s in (_LOW_WINDOW_S, _WINDOW_S))
    out, at = [], 0
    while at < turning.size:
        low = _centroid_hz(turning[at : at + long], rate_hz) < _LOW_HZ
        length = long if low else short
        out.append((max(min(at, turning.size - length), 0), length))
        at += max(length // 2, 1)
    return out


def _lags(played: FloatArray, heard: FloatArray, delay: int, rate_hz: float) -> tuple[bool, bool]:
    """Whether pieces of a quarter second lie at different delays, and whether most of them are there at all."""
    length = min(round(_LOW_WINDOW_S * rate_hz), played.size)
    rms_all = math.sqrt(float(np.mean(played**2)))
    off, fits, known = 0, 0, 0
    for start in range(0, max(played.size - length, 0) + 1, max(length, 1)):
        piece = played[start : start + length]
        if float(np.mean(piece**2)) < (0.3 * rms_all) ** 2:
            continue
        first = max(delay + start - _MOST_SLIP, 0)
        region = heard[first : delay + start + length + _MOST_SLIP]
        if region.size < length:
            continue
        lag, fit, in_place = _best_fit(piece, region, delay + start - first)
        known += 1
        if fit < _CARRIES_CORRELATION:
            continue
        fits += 1
        allowed = max(2.0, _SLIP_TURN * rate_hz / max(_centroid_hz(analytic(piece, _MOST_SLIP), rate_hz), 1.0))
        # Periodic signals fit at many places: only where the right place fits clearly worse has time jumped.
        off += abs(first + lag - delay - start) > allowed and in_place < fit - _CLEARLY
    return off > 0, known > 0 and fits >= 0.5 * known


def _best_fit(piece: FloatArray, region: FloatArray, place: int) -> tuple[int, float, float]:
    """Where piece (n,) lies best in region (m,), the correlation there, 0 to 1, and that at `place`."""
    size = scipy.fft.next_fast_len(region.size + piece.size, True)
    across = scipy.fft.irfft(scipy.fft.rfft(region, size) * np.conj(scipy.fft.rfft(piece, size)), size)
    count = region.size - piece.size + 1
    energy = np.concatenate([[0.0], np.cumsum(region**2)])
    local = energy[piece.size :] - energy[: -piece.size]
    floor = 1e-6 * float(local.max()) + 1e-30
    share = np.abs(across[:count]) / np.sqrt(np.maximum(local, floor) * float(piece @ piece))
    best = int(np.argmax(share))
    return best, float(share[best]), float(share[place]) if 0 <= place < count else 0.0


def dead_spans(samples: FloatArray, rate_hz: float) -> tuple[tuple[float, float], ...]:
    """Stretches (start, end) [s] inside samples (N,) that are exactly constant: a converter's noise never is.

    Nothing is told of a channel that is exact silence most of the time, as a digital wire is.
    """
    same = np.flatnonzero(np.diff(samples) == 0.0)
    if same.size == 0 or same.size > 0.5 * samples.size:
        return ()
    runs = np.split(same, np.flatnonzero(np.diff(same) > 1) + 1)
    least = max(round(_DEAD_RUN_S * rate_hz), 8)
    # A clipped stretch is constant too, and is told as clipping.
    return tuple(
        (float(run[0]) / rate_hz, float(run[-1] + 1) / rate_hz)
        for run in runs
        if run.size >= least and abs(samples[run[0]]) < 0.9
    )


def _odd_pieces(
    want: ComplexArray, have: FloatArray, scale: float, noise_rms: float, start: int, rate_hz: float
) -> list[tuple[float, float]]:
    piece = max(round(_PIECE_S * rate_hz), 8)
    count = have.size // piece
    if count == 0:
        return []
    # A gain and a phase that may change evenly over the window, as a gentle filter makes them.
    slope = np.linspace(-1.0, 1.0, have.size)
    terms = np.stack([want.real, want.imag, slope * want.real, slope * want.imag], axis=1)
    found = terms @ np.linalg.lstsq(terms, have, rcond=1e-6)[0]
    rms = math.sqrt(float(np.mean(found**2)))
    if rms < _LOST_SHARE * scale * math.sqrt(float(np.mean(want.real**2))):
        return [(start / rate_hz, (start + have.size) / rate_hz)]
    rest = (have - found)[: count * piece].reshape(count, piece)
    limit = _ODD_SHARE * rms + 4.0 * noise_rms
    bad = np.flatnonzero(np.sqrt(np.mean(rest**2, axis=1)) > limit)
    return [((start + n * piece) / rate_hz, (start + (n + 1) * piece) / rate_hz) for n in bad.tolist()]


def _joined(spans: list[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    out: list[tuple[float, float]] = []
    for start, end in sorted(spans):
        if out and start <= out[-1][1] + 0.01:
            out[-1] = (out[-1][0], max(end, out[-1][1]))
        else:
            out.append((start, end))
    return tuple(out)


def _fraction(played: FloatArray, around: FloatArray) -> float:
    """Rest of the delay, -1 to 1 sample, where the correlation of the two is highest."""
    size = scipy.fft.next_fast_len(2 * played.size, True)
    across = scipy.fft.rfft(around, size) * np.conj(scipy.fft.rfft(played, size))
    turn = 2.0 * np.pi * np.arange(across.size) / size
    step = max(across.size // 20_000, 1)
    across, turn = across[::step], turn[::step]
    grid = np.linspace(-1.0, 1.0, 81)
    found = [abs(float(np.real(np.sum(across * np.exp(1j * turn * shift))))) for shift in grid]
    return float(grid[int(np.argmax(found))])


def _shifted(samples: FloatArray, by: float) -> FloatArray:
    size = scipy.fft.next_fast_len(samples.size + 64, True)
    turn = 2.0 * np.pi * np.arange(size // 2 + 1) / size
    moved = scipy.fft.irfft(scipy.fft.rfft(samples, size) * np.exp(-1j * turn * by), size)
    return np.asarray(moved[: samples.size], dtype=np.float64)


def _centroid_hz(want: ComplexArray, rate_hz: float) -> float:
    """Mean frequency by the turning of the phase, weighted by power."""
    turning = np.angle(np.sum(want[1:] * np.conj(want[:-1])))
    return abs(float(turning)) * rate_hz / (2.0 * math.pi)


ReasonKey = Literal[
    "silenced", "unplugged", "not finite", "ends early", "clipped", "too quiet", "noise", "dropout", "slip",
    "loop-back", "time not known", "not turned", "moved",
]  # fmt: skip
# What trying again at once can mend; the others need the tester.
TECHNICAL: frozenset[ReasonKey] = frozenset({"not finite", "ends early", "dropout", "slip"})
QUIETEST_PEAK_DBFS = -50.0
LOWEST_SNR_DB = 20.0
NOISIER_DB = 10.0
SPEED_OF_SOUND_M_S = 343.0
_PIECES_CORRELATION = 0.3


@dataclass(frozen=True, slots=True)
class Reason:
    """One thing that is wrong (repeat) or worth knowing (not repeat). sentence : what and what to do."""

    key: ReasonKey
    sentence: str
    repeat: bool = True


@dataclass(frozen=True, slots=True)
class TakeVerdict:
    """keep : good as it is. delay : samples before the played signal begins in the recording; level_dbfs, noise_dbfs :
    rms of the microphone while it played and in the silence before, None where there was none."""

    reasons: tuple[Reason, ...]
    delay: int
    peak_dbfs: float
    level_dbfs: float
    noise_dbfs: float | None
    loopback: LoopbackReading | None

    @property
    def keep(self) -> bool:
        return not any(reason.repeat for reason in self.reasons)

    @property
    def may_retry(self) -> bool:
        """Whether trying again at once, without the tester, may mend it."""
        return not self.keep and all(one.key in TECHNICAL for one in self.reasons if one.repeat)

    @property
    def doubts(self) -> tuple[str, ...]:
        """What makes a whole, clean recording one of another place than it should be, in sentences."""
        return tuple(one.sentence for one in self.reasons if one.key in ("not turned", "moved"))

    @property
    def snr_db(self) -> float | None:
        """Signal above the noise before it; None where there was no silence, or nothing was played."""
        if self.noise_dbfs is None or self.noise_dbfs >= self.level_dbfs:
            return None
        return 10.0 * math.log10(max(10.0 ** ((self.level_dbfs - self.noise_dbfs) / 10.0) - 1.0, 1e-3))

    @property
    def sentence(self) -> str:
        head = "Repeat." if not self.keep else "Check:" if self.doubts else "Keep."
        return " ".join([head, *(reason.sentence for reason in self.reasons)])


@dataclass(frozen=True, slots=True)
class Expected:
    """What a take should hold. flight_s : of sound to the microphone; usual_noise_dbfs : of the takes before; silent :
    nothing was played; may_be_faint : a quiet microphone channel is no fault; stopped : why it is not whole."""

    flight_s: float = 0.0
    usual_noise_dbfs: float | None = None
    silent: bool = False
    may_be_faint: bool = False
    stopped: Reason | None = None


def judge(played: FloatArray, recorded: Block, wiring: Wiring, expected: Expected) -> TakeVerdict:
    """The verdict on recorded (frames, channels) of played (N,), silence around the signal included."""
    reasons: list[Reason] = [] if expected.stopped is None else [expected.stopped]
    whole = recorded.astype(np.float64)
    used = [wiring.microphone - 1, *([] if wiring.reference is None else [wiring.reference - 1])]
    if not np.all(np.isfinite(whole[:, used])):
        reasons.append(Reason("not finite", "The recording holds values that are not numbers: the driver failed."))
        whole = np.nan_to_num(whole, nan=0.0, posinf=0.0, neginf=0.0)
    microphone = whole[:, wiring.microphone - 1]
    peak = float(np.max(np.abs(microphone), initial=0.0))
    if expected.silent:
        reasons += _dead(microphone, wiring) if expected.stopped is None else []
        rms = _rms(microphone)
        return TakeVerdict(tuple(reasons), 0, dbfs(peak), level_dbfs=dbfs(rms), noise_dbfs=dbfs(rms), loopback=None)
    loopback = None if wiring.reference is None else read_loopback(played, whole[:, wiring.reference - 1])
    delay = _delay(played, microphone, loopback, expected.flight_s, wiring.rate_hz)
    first, last = _active(played)
    noise = _noise(microphone, delay, first, wiring.rate_hz)
    level = _rms(microphone[delay + first : delay + last])
    if expected.stopped is None:
        if delay + last > microphone.size:
            reasons.append(Reason("ends early", "The recording ends before the signal does."))
        contents = _contents(played, whole, loopback, wiring)
        # Where samples were lost, what counts as signal and as silence is not where it should be.
        broken = any(one.key in TECHNICAL for one in (*reasons, *contents))
        levels = _levels(whole=whole, used=used, peak=peak, level=level, noise=noise, expected=expected)
        reasons += [one for one in levels if one.key == "clipped" or not broken]
        reasons += contents
    noise_dbfs = None if noise is None else dbfs(noise)
    return TakeVerdict(
        tuple(reasons), delay, dbfs(peak), level_dbfs=dbfs(level), noise_dbfs=noise_dbfs, loopback=loopback
    )


def _levels(
    whole: FloatArray, used: list[int], peak: float, level: float, noise: float | None, expected: Expected
) -> list[Reason]:
    reasons = []
    for channel, what in zip(used, ("microphone", "loop-back"), strict=False):
        clipped = int(np.count_nonzero(np.abs(whole[:, channel]) >= CLIPPED_AT))
        if clipped:
            reasons.append(Reason("clipped", worded("capture.channel_clipped", what=what, clipped=clipped)))
    if expected.may_be_faint:
        return reasons
    if dbfs(peak) < QUIETEST_PEAK_DBFS:
        reasons.append(Reason("too quiet", worded("capture.low_peak", peak=dbfs(peak))))
    if noise is None or noise <= 0.0:
        return reasons
    snr = 10.0 * math.log10(max(level**2 - noise**2, 1e-3 * noise**2) / noise**2)
    if snr < LOWEST_SNR_DB:
        reasons.append(Reason("noise", worded("capture.near_noise", snr=snr)))
    elif expected.usual_noise_dbfs is not None and dbfs(noise) > expected.usual_noise_dbfs + NOISIER_DB:
        more = dbfs(noise) - expected.usual_noise_dbfs
        reasons.append(Reason("noise", worded("capture.noisier", more=more)))
    return reasons


def _contents(played: FloatArray, whole: FloatArray, loopback: LoopbackReading | None, wiring: Wiring) -> list[Reason]:
    reasons: list[Reason] = []
    microphone = whole[:, wiring.microphone - 1]
    if loopback is None:
        reasons.append(Reason("time not known", worded("capture.no_loop_back"), repeat=False))
    elif wiring.reference is not None:
        reasons += _loopback_contents(played, whole[:, wiring.reference - 1], loopback, wiring)
    if not any(reason.key == "dropout" for reason in reasons):
        reasons += _dead(microphone, wiring)
    return reasons


def _loopback_contents(
    played: FloatArray, channel: FloatArray, loopback: LoopbackReading, wiring: Wiring
) -> list[Reason]:
    """A channel that is silent is not wired; one that fits piece by piece but not as a whole has lost time."""
    first, _ = _active(played)
    quiet = _noise(channel, loopback.delay, first, wiring.rate_hz) or 0.0
    shared = wiring.input_device == wiring.output_device
    found = compare_content(played, channel, loopback.delay, wiring.rate_hz, noise_rms=quiet, shared_clock=shared)
    if not loopback.wired and not (found.carries and loopback.level_dbfs > QUIETEST_LOOP_DBFS):
        if loopback.level_dbfs > QUIETEST_LOOP_DBFS and loopback.correlation > _PIECES_CORRELATION:
            return [Reason("dropout", worded("capture.in_pieces", correlation=loopback.correlation))]
        return [Reason("loop-back", loopback.sentence)]
    reasons = _gaps(found)
    if loopback.inverted:
        reasons.append(Reason("loop-back", "The loop-back's polarity is inverted.", repeat=False))
    return reasons


def _gaps(found: ContentReading) -> list[Reason]:
    reasons = []
    if found.spans_s:
        start, end = found.spans_s[0]
        more = f" and {len(found.spans_s) - 1} more" if len(found.spans_s) > 1 else ""
        told = worded("capture.interrupted", start=start, length_ms=1e3 * (end - start), more=more)
        reasons.append(Reason("dropout", told))
    if found.slipped:
        reasons.append(Reason("slip", "Samples were lost or doubled on the way: close other programs."))
    return reasons


def _dead(microphone: FloatArray, wiring: Wiring) -> list[Reason]:
    spans = dead_spans(microphone, wiring.rate_hz)
    if not spans:
        return []
    start, end = spans[0]
    return [Reason("dropout", worded("capture.stands_still", start=start, length_ms=1e3 * (end - start)))]


def _delay(
    played: FloatArray, microphone: FloatArray, loopback: LoopbackReading | None, flight_s: float, rate_hz: int
) -> int:
    if loopback is not None and loopback.wired:
        return loopback.delay
    found, correlation, _ = find_delay(played, microphone)
    return max(found - round(flight_s * rate_hz), 0) if abs(correlation) > 0.05 else 0


def _active(played: FloatArray) -> tuple[int, int]:
    """First and one past the last sample that is not silence."""
    there = np.flatnonzero(played)
    return (int(there[0]), int(there[-1]) + 1) if there.size else (0, played.size)


def _noise(channel: FloatArray, delay: int, first: int, rate_hz: int) -> float | None:
    """rms of the silence before the signal; None where it is shorter than 50 ms."""
    quiet = channel[delay : delay + first]
    return _rms(quiet) if quiet.size >= 0.05 * rate_hz else None


def _rms(values: FloatArray) -> float:
    return math.sqrt(float(np.mean(values**2))) if values.size else 0.0
