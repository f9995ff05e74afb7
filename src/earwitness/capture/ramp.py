"""Set the level: from silence upward, slowly, until the microphone hears what is wanted or a limit is reached."""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from earwitness.capture.guard import Outlet, OutputCalibration, OutputLimits, Silencer, at_tester_db
from earwitness.capture.levels import CLIPPED_AT, REFERENCE_PA, dbfs
from earwitness.capture.sound import AudioHost, Block, Wiring, require_outputs
from earwitness.capture.take import Alive, Tell, run_stream
from earwitness.dsp.signals import crest_db, pink_noise
from earwitness.errors import InputError
from earwitness.files.data import table_of
from earwitness.quantities import FloatArray

START_DBFS = -70.0
# 3 dB a second: from silence to the level in about 20 s, slow enough to reach for the abort key.
RAMP_DB_S = 3.0
_DEAF_RISE_DB = 40.0
_NOISE_MARGIN_DB = 6.0
_FADE_DB_S = 200.0
_HEARD_LATE_S = 0.4

End = Literal[
    "reached", "limit of the output", "limit at 1 m", "limit at your place", "clipped", "microphone hears nothing",
    "silenced", "unplugged",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Wanted:
    """target_db : rms level at the microphone; fs_per_pa : its sensitivity; distance_m : of it from the loudspeaker;
    hold_s : how long the end level is held and read. InputError for impossible numbers."""

    target_db: float
    fs_per_pa: float
    distance_m: float
    hold_s: float = 2.0

    def __post_init__(self) -> None:
        good = all(map(math.isfinite, (self.target_db, self.fs_per_pa, self.distance_m, self.hold_s)))
        if not good or self.fs_per_pa <= 0.0 or not 0.0 < self.distance_m <= 100.0 or not 0.5 <= self.hold_s <= 30.0:
            raise InputError.of("capture.wanted_level")


@dataclass(frozen=True, slots=True)
class LevelSet:
    """How the ramp ended. output_dbfs : rms that was played last; noise_db, microphone_db, level_1m_db, ear_db : levels
    [dB], None where nothing was read; calibration : of the output, where the target was reached or nearly so."""

    end: End
    output_dbfs: float
    noise_db: float
    microphone_db: float | None
    level_1m_db: float | None
    ear_db: float | None
    calibration: OutputCalibration | None
    played_s: float
    sentence: str


def set_level(
    sound: AudioHost,
    wiring: Wiring,
    wanted: Wanted,
    *,
    limits: OutputLimits,
    silencer: Silencer | None = None,
    tell: Tell | None = None,
    alive: Alive | None = None,
) -> LevelSet:
    """Play noise of equal power an octave, 200 Hz to 5 kHz, rising RAMP_DB_S from START_DBFS.

    It stops rising at the target, at every limit, at a clipped input, and where 40 dB of rise change nothing at the
    microphone; then it holds, reads the level and fades out. InputError where the device does not open.
    """
    require_outputs(wiring)
    switch = Silencer() if silencer is None else silencer
    ramp = _Ramp(wiring, wanted, limits)
    outlet = Outlet(ramp, wiring, limits, switch)
    longest = round((ramp.longest_s + wanted.hold_s) * wiring.rate_hz)
    lost = run_stream(sound, wiring, outlet, None, longest, tell=tell, alive=alive, hear=ramp.hear)
    return ramp.result(switch, unplugged=lost is not None)


class _Ramp:
    """Source and listener in one: what the microphone hears decides how the gain goes on."""

    def __init__(self, wiring: Wiring, wanted: Wanted, limits: OutputLimits) -> None:
        self._rate, self._channel = wiring.rate_hz, wiring.microphone - 1
        self._wanted, self._limits = wanted, limits
        noise = pink_noise(8.0, self._rate, low_hz=200.0, high_hz=5000.0, seed=7, fade_s=0.0)
        self._crest_db = crest_db(noise)
        self._noise = noise / math.sqrt(float(np.mean(noise**2)))
        self._at, self._gain_db, self._held_s = 0, START_DBFS, 0.0
        self._end: End | None = None
        self._held_db = START_DBFS
        self._heard: list[FloatArray] = []
        self._quiet: list[FloatArray] = []
        self._fading = False
        self._highest_rms_dbfs = limits.highest_dbfs - self._crest_db
        self.longest_s = (self._highest_rms_dbfs - START_DBFS) / RAMP_DB_S + 1.0
        self._reading_db: float | None = None

    def next(self, frames: int) -> FloatArray:
        """Noise with a gain that moves without steps; nothing in the first half second, to hear the room."""
        first = self._at
        self._at += frames
        if first < 0.5 * self._rate:
            return np.zeros(frames)
        rate_db = -_FADE_DB_S if self._fading else RAMP_DB_S if self._end is None else 0.0
        steps = self._gain_db + rate_db / self._rate * np.arange(1, frames + 1)
        steps = np.minimum(steps, self._highest_rms_dbfs)
        self._gain_db = float(steps[-1])
        if not self._fading:
            self._held_db = self._gain_db
        if self._fading and self._gain_db < START_DBFS:
            return np.zeros(0)
        if self._end is None and self._gain_db >= self._highest_rms_dbfs:
            self._end = "limit of the output"
        index = np.arange(first, first + frames) % self._noise.size
        return np.asarray(self._noise[index] * 10.0 ** (steps / 20.0), dtype=np.float64)

    def hear(self, block: Block) -> None:
        """Decide on the last third of a second that the microphone heard."""
        samples = np.nan_to_num(block[:, self._channel].astype(np.float64))
        if self._at <= 0.5 * self._rate:
            self._quiet.append(samples)
            return
        self._heard.append(samples)
        span = 0.33 if self._end is None else self._wanted.hold_s
        while sum(map(len, self._heard[1:])) >= span * self._rate:
            self._heard.pop(0)
        level_db = self._level_db(np.concatenate(self._heard))
        if self._end is None:
            self._decide(samples, level_db)
            if self._end is not None:
                self._heard = []
            return
        self._held_s += samples.size / self._rate
        # What was under way when the gain stopped moving is not read.
        if self._held_s < 0.75:
            self._heard = []
        elif self._held_s >= self._wanted.hold_s + 0.75 and not self._fading:
            self._reading_db, self._fading = level_db, True

    def _decide(self, samples: FloatArray, level_db: float) -> None:
        # The level heard is that of a while ago; what is on its way is louder already.
        coming_db = level_db + RAMP_DB_S * _HEARD_LATE_S
        at_1m = coming_db + 20.0 * math.log10(self._wanted.distance_m)
        if float(np.max(np.abs(samples), initial=0.0)) >= CLIPPED_AT:
            self._end = "clipped"
            self._fading = True
        elif self._gain_db - START_DBFS > _DEAF_RISE_DB and level_db < self._noise_db() + _NOISE_MARGIN_DB / 2:
            self._end = "microphone hears nothing"
            self._fading = True
        elif level_db < self._noise_db() + _NOISE_MARGIN_DB:
            return
        elif coming_db >= self._wanted.target_db:
            self._end = "reached"
        elif at_1m >= self._limits.highest_1m_db:
            self._end = "limit at 1 m"
        elif at_tester_db(at_1m, self._limits) >= self._limits.highest_ear_db:
            self._end = "limit at your place"

    def result(self, switch: Silencer, *, unplugged: bool) -> LevelSet:
        """How it ended, in numbers and words."""
        end: End = "unplugged" if unplugged else "silenced" if switch.pressed else self._end or "silenced"
        reading, output = self._reading_db, self._held_db
        at_1m = ear = calibration = None
        if reading is not None:
            at_1m = reading + 20.0 * math.log10(self._wanted.distance_m)
            ear = at_tester_db(at_1m, self._limits)
            if reading > self._noise_db() + _NOISE_MARGIN_DB:
                calibration = OutputCalibration(at_1m - output)
        sentence = (
            table_of("capture", "ends")["ends"][end] if end != "silenced" else f"It was silenced: {switch.reason}."
        )
        played_s = max(0.0, self._at / self._rate - 0.5)
        return LevelSet(end, output, self._noise_db(), reading, at_1m, ear, calibration, played_s, sentence)

    def _noise_db(self) -> float:
        return self._level_db(np.concatenate(self._quiet) if self._quiet else np.zeros(1))

    def _level_db(self, samples: FloatArray) -> float:
        rms = math.sqrt(float(np.mean(samples**2))) if samples.size else 0.0
        return dbfs(rms / self._wanted.fs_per_pa / REFERENCE_PA)
