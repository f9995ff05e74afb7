"""What a planned take plays: the session's signal at the voltage that the take asks for."""

import math

import numpy as np

from earwitness.capture.plan import PlannedSession
from earwitness.capture.take import Signal
from earwitness.capture.verdict import SPEED_OF_SOUND_M_S
from earwitness.dsp.burst import burst
from earwitness.dsp.limiter import limiter_tone
from earwitness.dsp.signals import pink_noise, two_tone
from earwitness.dsp.sweep import sweep_law, sweep_samples
from earwitness.errors import InputError
from earwitness.formats.audio import read_audio
from earwitness.quantities.arrays import FloatArray
from earwitness.session.session import (
    BurstTake,
    FarFieldTake,
    ImpedanceTake,
    LevelTake,
    MultitoneTake,
    NoiseFloorTake,
    NoiseRunTake,
    SweepStimulus,
    Take,
    TwoToneTake,
)
from earwitness.session.take import LimiterTake, SelfNoiseTake

TAIL_S = 1.0
QUIET_S = 5.0
_FADE_S = 0.05


def signal_for(planned: PlannedSession, take: Take, rate_hz: int, peak_dbfs: float) -> Signal:
    """The samples that a take plays.

    peak_dbfs : peak of the sweep's sine at [drive].voltage_v; every other voltage follows from it. InputError or
    AudioError for a signal that cannot be made.
    """
    if isinstance(take, NoiseFloorTake | SelfNoiseTake):
        return Signal(np.zeros(round(QUIET_S * rate_hz)), QUIET_S, silent=True)
    samples, before_s = _shape(planned, take, rate_hz)
    drive = planned.session.drive.voltage_v
    volts = take.drive_v if take.drive_v is not None else drive
    # Digital peak for each volt of peak at the terminals.
    per_volt = 10.0 ** (peak_dbfs / 20.0) / (drive * math.sqrt(2.0))
    if isinstance(take, MultitoneTake | TwoToneTake | NoiseRunTake):
        heard = np.trim_zeros(samples)
        scale = volts * per_volt / math.sqrt(float(np.mean(heard**2))) if heard.size else 0.0
    elif isinstance(take, BurstTake):
        scale = volts * per_volt
    else:
        scale = volts * math.sqrt(2.0) * per_volt
    flight_s = float(getattr(take, "distance_m", 0.0)) / SPEED_OF_SOUND_M_S
    return Signal(_framed(samples * scale, before_s, rate_hz), before_s, flight_s, may_be_faint=_may_be_faint(take))


def _may_be_faint(take: Take) -> bool:
    return isinstance(take, ImpedanceTake) and take.role != "load"


def _shape(planned: PlannedSession, take: Take, rate_hz: int) -> tuple[FloatArray, float]:
    """Samples without silence around, and how much silence comes before [s]."""
    if isinstance(take, MultitoneTake):
        return _file(planned, take.stimulus_file, 1, rate_hz), 0.0
    if isinstance(take, BurstTake):
        return burst(take.frequency_hz, rate_hz), take.before_s
    if isinstance(take, LimiterTake):
        return limiter_tone(take.frequency_hz, rate_hz), _FADE_S
    if isinstance(take, TwoToneTake):
        before = max(take.run_in_s - 2.0 * _FADE_S, 0.0)
        length = take.run_in_s - before + take.length_s + 2.0 * _FADE_S
        return two_tone(take.low_hz, take.high_hz, length, rate_hz, fade_s=_FADE_S), before
    if isinstance(take, NoiseRunTake):
        before = max(take.run_in_s - 2.0 * _FADE_S, 0.0)
        length = take.run_in_s - before + take.duration_s + 2.0 * _FADE_S
        high = min(20_000.0, 0.45 * rate_hz)
        return pink_noise(length, rate_hz, high_hz=high, seed=1, fade_s=_FADE_S), before
    told = planned.session.stimulus_of(take)
    if isinstance(told, SweepStimulus):
        law = sweep_law(told.start_hz, told.stop_hz, told.duration_s, synchronized=told.form == "synchronized")
        return sweep_samples(law, rate_hz, fade_in_s=told.fade_in_s, fade_out_s=told.fade_out_s), told.lead_in_s
    samples = _file(planned, told.file, told.channel, rate_hz)
    return samples / np.max(np.abs(samples)), told.lead_in_s


def _file(planned: PlannedSession, name: str, channel: int, rate_hz: int) -> FloatArray:
    found = read_audio(planned.folder / name)
    if found.rate_hz != rate_hz or channel > found.samples.shape[0] or not np.any(found.samples[channel - 1]):
        raise InputError.of("capture.file_does_not_fit", where=name, rate_hz=rate_hz, channel=channel)
    return np.array(found.samples[channel - 1])


def _framed(samples: FloatArray, before_s: float, rate_hz: int) -> FloatArray:
    silence, tail = np.zeros(round(before_s * rate_hz)), np.zeros(round(TAIL_S * rate_hz))
    return np.concatenate([silence, samples, tail])


def distance_of(take: Take) -> float | None:
    """Distance [m] at which the take's level can be turned into that at 1 m; None near a cone or without sound."""
    if isinstance(take, FarFieldTake):
        return take.distance_m
    if isinstance(take, LevelTake):
        return take.distance_m if take.driver is None else None
    if isinstance(take, MultitoneTake | TwoToneTake | NoiseRunTake | BurstTake | LimiterTake):
        return take.distance_m
    return None
