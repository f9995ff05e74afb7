"""Keep or repeat a take, and why, right after it was recorded."""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from earwitness.capture.content import ContentReading, compare_content, dead_spans
from earwitness.capture.levels import CLIPPED_AT, QUIETEST_LOOP_DBFS, LoopbackReading, dbfs, find_delay, read_loopback
from earwitness.capture.sound import Block, Wiring
from earwitness.files.data import worded
from earwitness.quantities.arrays import FloatArray

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
class Verdict:
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


def judge(played: FloatArray, recorded: Block, wiring: Wiring, expected: Expected) -> Verdict:
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
        return Verdict(tuple(reasons), 0, dbfs(peak), dbfs(rms), dbfs(rms), None)
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
        levels = _levels(whole, used, peak, level, noise, expected)
        reasons += [one for one in levels if one.key == "clipped" or not broken]
        reasons += contents
    noise_dbfs = None if noise is None else dbfs(noise)
    return Verdict(tuple(reasons), delay, dbfs(peak), dbfs(level), noise_dbfs, loopback)


def _levels(
    whole: FloatArray, used: list[int], peak: float, level: float, noise: float | None, expected: Expected
) -> list[Reason]:
    reasons = []
    for channel, what in zip(used, ("microphone", "loop-back"), strict=False):
        clipped = int(np.count_nonzero(np.abs(whole[:, channel]) >= CLIPPED_AT))
        if clipped:
            reasons.append(
                Reason("clipped", f"The {what} is clipped in {clipped} samples: lower its gain and calibrate again.")
            )
    if expected.may_be_faint:
        return reasons
    if dbfs(peak) < QUIETEST_PEAK_DBFS:
        reasons.append(Reason("too quiet", worded("capture.low_peak", peak=dbfs(peak))))
    if noise is None or noise <= 0.0:
        return reasons
    snr = 10.0 * math.log10(max(level**2 - noise**2, 1e-3 * noise**2) / noise**2)
    if snr < LOWEST_SNR_DB:
        reasons.append(
            Reason("noise", f"The signal is only {snr:.0f} dB above the noise: find the noise, or go louder.")
        )
    elif expected.usual_noise_dbfs is not None and dbfs(noise) > expected.usual_noise_dbfs + NOISIER_DB:
        more = dbfs(noise) - expected.usual_noise_dbfs
        reasons.append(
            Reason("noise", f"It was {more:.0f} dB noisier than in the takes before: wait until it is quiet.")
        )
    return reasons


def _contents(played: FloatArray, whole: FloatArray, loopback: LoopbackReading | None, wiring: Wiring) -> list[Reason]:
    reasons: list[Reason] = []
    microphone = whole[:, wiring.microphone - 1]
    if loopback is None:
        reasons.append(
            Reason("time not known", "Without a loop-back time is not known, and short gaps can hide.", repeat=False)
        )
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
            words = (
                f"The loop-back holds the signal only in pieces (correlation {loopback.correlation:.2f}): close other "
            )
            return [Reason("dropout", words + "programs; if it stays so, check its channel number.")]
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
        reasons.append(
            Reason(
                "dropout",
                f"The sound was interrupted {start:.2f} s after the start for {1e3 * (end - start):.0f} ms{more}: "
                "close other programs, or ask for more latency.",
            )
        )
    if found.slipped:
        reasons.append(Reason("slip", "Samples were lost or doubled on the way: close other programs."))
    return reasons


def _dead(microphone: FloatArray, wiring: Wiring) -> list[Reason]:
    spans = dead_spans(microphone, wiring.rate_hz)
    if not spans:
        return []
    start, end = spans[0]
    return [
        Reason("dropout", f"The microphone's channel stands still {start:.2f} s in for {1e3 * (end - start):.1f} ms.")
    ]


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
