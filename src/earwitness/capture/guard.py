"""What keeps ears and drivers whole: limits, fades, the switch that silences, and a watchdog.

Every sample on its way to the sound card passes an Outlet. It plays zeros from the block on in which it was silenced,
in which nobody gave a sign of life for too long, or in which a sample would be above the limit, and then ends.
"""

from __future__ import annotations

import json
import math
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

import numpy as np

from earwitness.capture.disk import write_json
from earwitness.capture.sound import Block, Wiring
from earwitness.dsp.sweep import fade_envelope
from earwitness.errors import InputError
from earwitness.quantities import FloatArray
from earwitness.standards.exposure import (
    NIOSH,
    PEAK_LIMIT_DB,
    STOP_DBA,
    allowed_s,
    clock_words,
    dose_percent,
    level_at_ear_db,
)

WATCHDOG_S = 1.5
START_S = 10.0
# One step of 24 bits: a signal set exactly to the limit may not be refused for its rounding.
_ROUNDING = 2.0**-23
SAFETY = (
    "Wear hearing protection, keep other people and animals out of the room: a wrong gain makes test signals sudden.",
    "Loud tones and sweeps can destroy a driver in seconds, a tweeter first. Stop at the first rattle or smell.",
    "Amplifier terminals can carry dangerous voltage. Switch off before you touch them, and never join the outputs of "
    "a bridged or class-D amplifier to the ground of a sound card.",
    "Turn the amplifier down before the first signal. The abort key silences at once; the volume knob is the last "
    "resort. The rules of your place go before these words.",
)


class LimitError(InputError):
    """Something would be louder than the set limit; nothing was played."""


@dataclass(frozen=True, slots=True)
class OutputLimits:
    """What may be played at most.

    highest_dbfs : highest sample re full scale; highest_1m_db, highest_ear_db : rms levels at 1 m and at the tester,
    in force once the level is calibrated; tester_distance_m; room_gain_db : what the room adds at the tester's place
    (project default). InputError for impossible numbers.
    """

    highest_dbfs: float = -6.0
    highest_1m_db: float = 100.0
    highest_ear_db: float = 95.0
    tester_distance_m: float = 2.0
    room_gain_db: float = 3.0

    def __post_init__(self) -> None:
        numbers = (self.highest_dbfs, self.highest_1m_db, self.highest_ear_db, self.tester_distance_m)
        if not all(map(math.isfinite, numbers)) or self.highest_dbfs > 0.0 or self.tester_distance_m <= 0.0:
            raise InputError.of("capture.limits_impossible")
        if self.highest_ear_db > STOP_DBA:
            raise InputError.of("capture.limit_too_loud", given=self, stop_dba=STOP_DBA)


@dataclass(frozen=True, slots=True)
class OutputCalibration:
    """unit_rms_1m_db : sound pressure level at 1 m [dB re 20 uPa] of a signal whose digital rms would be 1."""

    unit_rms_1m_db: float

    def level_1m_db(self, rms: float) -> float:
        """Level at 1 m [dB] of a signal with this digital rms."""
        return self.unit_rms_1m_db + 20.0 * math.log10(max(rms, 1e-12))


@dataclass(frozen=True, slots=True)
class Loudness:
    """What a signal will be. level_1m_db, level_ear_db, peak_ear_db : None while nothing is calibrated."""

    peak_dbfs: float
    rms_dbfs: float
    level_1m_db: float | None
    level_ear_db: float | None
    peak_ear_db: float | None
    duration_s: float


def loudness_of(
    samples: FloatArray, rate_hz: float, limits: OutputLimits, calibration: OutputCalibration | None
) -> Loudness:
    """How loud samples (N,) will be; rms from the first to the last that is not silence."""
    peak = float(np.max(np.abs(samples), initial=0.0))
    there = np.flatnonzero(np.abs(samples) > 1e-4 * peak) if peak > 0.0 else np.zeros(0, dtype=np.int64)
    heard = samples[there[0] : there[-1] + 1] if there.size else samples[:0]
    rms = float(np.sqrt(np.mean(heard**2))) if heard.size else 0.0
    level = ear = peak_ear = None
    if calibration is not None and rms > 0.0:
        level = calibration.level_1m_db(rms)
        ear = at_tester_db(level, limits)
        peak_ear = ear + 20.0 * math.log10(peak / rms)
    return Loudness(_db(peak), _db(rms), level, ear, peak_ear_db=peak_ear, duration_s=samples.size / rate_hz)


def at_tester_db(level_1m_db: float, limits: OutputLimits) -> float:
    """Level where the tester stands: distance law and the room's gain, and never below the level at 1 m less 20 dB."""
    free = level_at_ear_db(level_1m_db, limits.tester_distance_m) + limits.room_gain_db
    return max(free, level_1m_db - 20.0)


def require_within(
    samples: FloatArray, rate_hz: float, limits: OutputLimits, calibration: OutputCalibration | None
) -> Loudness:
    """How loud it will be. LimitError where that is above the limits or samples are not finite; nothing is played."""
    if not np.all(np.isfinite(samples)):
        raise LimitError("the signal holds values that are not numbers", remedy="make the signal again")
    loud = loudness_of(samples, rate_hz, limits, calibration)
    if loud.peak_dbfs > limits.highest_dbfs + 1e-5:
        raise _too_loud(f"{loud.peak_dbfs:.1f} dB re full scale", f"{limits.highest_dbfs:g} dB re full scale")
    if loud.level_1m_db is not None and loud.level_1m_db > limits.highest_1m_db:
        raise _too_loud(f"about {loud.level_1m_db:.0f} dB at 1 m", f"{limits.highest_1m_db:g} dB at 1 m")
    if loud.level_ear_db is not None and loud.level_ear_db > limits.highest_ear_db:
        raise _too_loud(f"about {loud.level_ear_db:.0f} dB at your place", f"{limits.highest_ear_db:g} dB there")
    if loud.peak_ear_db is not None and loud.peak_ear_db > PEAK_LIMIT_DB:
        raise _too_loud(f"peaks of {loud.peak_ear_db:.0f} dB at your place", f"{PEAK_LIMIT_DB:g} dB")
    return loud


def _too_loud(would_be: str, limit: str) -> LimitError:
    return LimitError.of("capture.above_limit", would_be=would_be, limit=limit)


def faded(samples: FloatArray, rate_hz: float, *, fade_s: float = 0.01) -> FloatArray:
    """Samples (N,) with raised-cosine ends, unless they begin and end in silence already."""
    fade = min(round(fade_s * rate_hz), samples.size // 2)
    if samples.size == 0 or (samples[0] == 0.0 and samples[-1] == 0.0):
        return samples
    return np.asarray(samples * fade_envelope(samples.size, fade, fade), dtype=np.float64)


class Silencer:
    """The switch that silences. Any thread may press it, at any time, more than once; the first `reason` counts."""

    def __init__(self) -> None:
        self._pressed = threading.Event()
        self.reason = ""

    def silence(self, reason: str = "the abort key was pressed") -> None:
        """Silence everything that plays through this switch, from the next block on."""
        if not self._pressed.is_set():
            self.reason = reason
            self._pressed.set()

    @property
    def pressed(self) -> bool:
        return self._pressed.is_set()


class SampleSource(Protocol):
    """Where an Outlet gets one channel of samples."""

    def next(self, frames: int) -> FloatArray:
        """Up to `frames` samples; fewer only at the end."""


class FixedSignal:
    """Samples (N,) from the first to the last."""

    def __init__(self, samples: FloatArray) -> None:
        self._samples = np.asarray(samples, dtype=np.float64)
        self._at = 0

    def next(self, frames: int) -> FloatArray:
        block = self._samples[self._at : self._at + frames]
        self._at += block.size
        return block


class Outlet:
    """Feeds a stream with one source on the wired outputs, and guards every sample.

    It is silent until the first `beat`. watchdog_s : a block without a `beat` after it for so long silences; clock :
    seconds that only rise.
    """

    def __init__(
        self,
        source: SampleSource,
        wiring: Wiring,
        limits: OutputLimits,
        silencer: Silencer,
        *,
        watchdog_s: float = WATCHDOG_S,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._source, self._silencer, self._clock = source, silencer, clock
        self._columns = [channel - 1 for channel in wiring.outputs]
        self._width = wiring.output_channels
        self._ceiling = 10.0 ** (limits.highest_dbfs / 20.0) + _ROUNDING
        self._watchdog_s, self._ended = watchdog_s, False
        self._alive = False
        self._unanswered_since: float | None = None

    def beat(self) -> None:
        """Sign of life: the loop that records runs and writes."""
        self._alive, self._unanswered_since = True, None

    def silence(self, reason: str) -> None:
        """Silence what plays, from the next block on."""
        self._silencer.silence(reason)

    def pull(self, frames: int) -> Block:
        """The next samples (frames, channels) for the sound thread; zeros once silenced or over."""
        out: Block = np.zeros((frames, self._width), dtype=np.float32)
        self._watch()
        if self._silencer.pressed or self._ended or not self._alive:
            return out
        try:
            samples = self._source.next(frames)
        except Exception as error:
            self._silencer.silence(f"the signal could not be made: {error}")
            return out
        if not np.all(np.isfinite(samples)) or np.max(np.abs(samples), initial=0.0) > self._ceiling:
            self._silencer.silence("a sample was above the set limit")
            return out
        self._ended = samples.size < frames
        out[: samples.size, self._columns] = samples[:, np.newaxis]
        return out

    def _watch(self) -> None:
        """Every block must be answered in time. Before the first answer a device may be slow, and nothing sounds."""
        now = self._clock()
        self._unanswered_since = now if self._unanswered_since is None else self._unanswered_since
        allowed_s = self._watchdog_s if self._alive else START_S
        if now - self._unanswered_since > allowed_s:
            self._silencer.silence(f"the program gave no sign of life for {allowed_s:g} s")

    @property
    def over(self) -> bool:
        return self._ended or self._silencer.pressed


def _db(value: float) -> float:
    return 20.0 * math.log10(max(value, 1e-12))


_FORMAT = 1
_DAY_S = 24 * 3600.0
# What no exposure of a day is above: air knows no louder sound, and several programs may count one day at once.
_LOUDEST_DB, _LONGEST_S = 200.0, 100 * _DAY_S


@dataclass(frozen=True, slots=True)
class DayBudget:
    """Exposures (level [dBA], time [s]) of one day at the tester's ear. Levels count as A-weighted: the safe side."""

    day: str
    exposures: tuple[tuple[float, float], ...] = ()

    @property
    def dose_percent(self) -> float:
        """Dose by NIOSH 98-126; 100 is the recommended limit of a day."""
        return dose_percent(self.exposures)

    def remaining_s(self, level_db: float) -> float:
        """How long this level may still be heard today, at most the day."""
        left = max(0.0, 1.0 - self.dose_percent / 100.0) * allowed_s(level_db)
        return min(left, _DAY_S)

    def with_exposure(self, level_db: float, time_s: float) -> DayBudget:
        """This budget after one more exposure."""
        return replace(self, exposures=(*self.exposures, (level_db, time_s)))

    def words(self, level_db: float) -> str:
        """One sentence on what is used and what is left at this level."""
        return (
            f"{self.dose_percent:.0f} % of today's {NIOSH.name} is used; {level_db:.0f} dB at your place may go on for "
            f"{clock_words(self.remaining_s(level_db))} (h:mm:ss)."
        )


def require_budget(budget: DayBudget, level_db: float, time_s: float, *, away: bool = False) -> None:
    """InputError where this exposure would end above the day's limit and the tester is not away from the room."""
    after = budget.with_exposure(level_db, time_s).dose_percent
    if not away and after > 100.0:
        raise InputError.of("capture.exposure_of_day", after=after, niosh=NIOSH)


def read_budget(path: Path, day: str) -> DayBudget:
    """The budget of `day` ("2026-11-01"); an empty one where the file is of another day or there is none.

    InputError for a file that is damaged: exposure is never silently forgotten.
    """
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        rows = tuple((float(level), float(time_s)) for level, time_s in document["exposures"])
        if not all(abs(level) <= _LOUDEST_DB and 0.0 <= time_s <= _LONGEST_S for level, time_s in rows):
            raise ValueError
        found = DayBudget(str(document["day"]), rows)
    except FileNotFoundError:
        return DayBudget(day)
    except (OSError, ValueError, KeyError, TypeError, OverflowError, RecursionError) as error:
        raise InputError.of("capture.exposure_unreadable", where=str(path), kind=type(error).__name__) from None
    return found if found.day == day else DayBudget(day)


def keep_budget(path: Path, budget: DayBudget) -> None:
    """Write it atomically. OutputError."""
    rows = [[round(level, 2), round(time_s, 2)] for level, time_s in budget.exposures]
    write_json(path, {"format": _FORMAT, "day": budget.day, "exposures": rows})
