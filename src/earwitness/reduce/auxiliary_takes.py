"""What is reduced beside the response: impedance, loud takes that are no sweeps, and checks of the level series."""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Final

import numpy as np
import scipy.fft

from earwitness.errors import AudioError
from earwitness.formats.audio import Recording
from earwitness.quantities import (
    REFERENCE_PRESSURE_PA,
    REFERENCE_VOLTAGE_V,
    BurstTakeReading,
    FloatArray,
    FrequencyAxis,
    Harmonics,
    Impedance,
    MultitoneReading,
    NoiseRun,
    QualityFlag,
    SeatReading,
    TwoToneReading,
    log_axis,
)
from earwitness.quantities.measurement import LimiterReading, SelfNoise
from earwitness.reduce.deconvolve import merged_error, role_of
from earwitness.reduce.doubt.level import loud_volts_flags
from earwitness.reduce.flags import flag
from earwitness.reduce.impedance import measured_impedance
from earwitness.reduce.impulse import Division, quiet_noise, stuck_runs
from earwitness.reduce.loud_takes import (
    reduce_burst,
    reduce_limiter,
    reduce_multitone,
    reduce_noise_run,
    reduce_self_noise,
    reduce_two_tones,
)
from earwitness.reduce.plan import Plan, Read
from earwitness.session.responses import LimiterTake, SelfNoiseTake
from earwitness.session.session import (
    BurstTake,
    ImpedanceTableTake,
    ImpedanceTake,
    MultitoneTake,
    NoiseFloorTake,
    NoiseRunTake,
    SeatTake,
    TwoToneTake,
)

PER_OCTAVE: Final = 24
LOWEST_SNR: Final = 4.0


def reduce_seat(plan: Plan, take: SeatTake, recording: Recording) -> SeatReading:
    """Energy of the recording over that of the stimulus, in steps of 1/24 octave, less the noise before it.

    No phase is needed, so a microphone that moves while noise plays is read alike. Not valid where less than four
    times the noise's energy stands, and outside the stimulus. AudioError for another rate or a missing channel.
    """
    division, role, rate = plan.divisions[take.stimulus], role_of(plan.session, take), recording.rate_hz
    if rate != plan.rate_hz or role.microphone_channel > recording.samples.shape[0]:
        has = f"{recording.samples.shape[0]} channels at {rate} Hz"
        wanted = f"channel {role.microphone_channel} at {plan.rate_hz} Hz, as the other takes"
        raise AudioError(f"it has {has}", where=role.where, expected=wanted)
    samples = np.asarray(recording.samples[role.microphone_channel - 1], dtype=np.float64)
    length = scipy.fft.next_fast_len(max(samples.size, division.stimulus.samples.size), True)
    axis = log_axis(20.0, min(20_000.0, 0.45 * rate), PER_OCTAVE)
    heard = _stepped(np.abs(scipy.fft.rfft(samples, length)) ** 2, axis, rate / length) / division.fs_per_pa**2
    played = _stepped(np.abs(division.nominal(length)) ** 2, axis, rate / length)
    noise = _noise(samples, division, axis)
    clean = np.maximum(heard - noise, 1e-30)
    volts = math.sqrt(2.0) * role.drive_v
    level = 10.0 * np.log10(
        clean / np.maximum(played, 1e-30) * (REFERENCE_VOLTAGE_V / volts / REFERENCE_PRESSURE_PA) ** 2
    )
    if plan.correction is not None:
        level = level - plan.correction.at(axis.hz).response_db
    inside = (axis.hz >= division.stimulus.low_hz * 1.05) & (axis.hz <= division.stimulus.high_hz / 1.05)
    return SeatReading(
        take=take.id,
        seat=take.seat,
        path_m=take.path_m or 0.0,
        loudspeaker=take.loudspeaker or "",
        axis=axis,
        level_db=level,
        valid=inside & (clean > LOWEST_SNR * noise),
    )


def _stepped(energy: FloatArray, axis: FrequencyAxis, step_hz: float) -> FloatArray:
    """(F,) mean of energy (N,) over each step of the axis; of the nearest line where a step holds none."""
    whole = np.concatenate([[0.0], np.cumsum(energy)])
    half = 2.0 ** (0.5 / PER_OCTAVE)
    low = np.ceil(axis.hz / half / step_hz).astype(int)
    high = np.maximum(np.ceil(axis.hz * half / step_hz).astype(int), low + 1)
    return np.asarray((whole[np.minimum(high, energy.size)] - whole[low]) / (high - low))


def _noise(samples: FloatArray, division: Division, axis: FrequencyAxis) -> FloatArray:
    """(F,) what the silence before the stimulus would give over the whole recording; 0 where there is none."""
    density = quiet_noise(samples, division)
    if density is None:
        return np.zeros(len(axis))
    return np.asarray(np.interp(axis.hz, division.hz, density) * samples.size * division.stimulus.rate_hz)


LoudTake = MultitoneTake | TwoToneTake | BurstTake | NoiseRunTake | LimiterTake


@dataclass(frozen=True, slots=True, eq=False)
class AuxiliaryTakes:
    """used : ids of the takes that went into them."""

    impedance: Impedance | None
    multitones: tuple[MultitoneReading, ...]
    two_tones: tuple[TwoToneReading, ...]
    bursts: tuple[BurstTakeReading, ...]
    noise_runs: tuple[NoiseRun, ...]
    limiters: tuple[LimiterReading, ...]
    self_noise: SelfNoise | None
    seats: tuple[SeatReading, ...]
    flags: tuple[QualityFlag, ...]
    used: frozenset[str]


@dataclass(frozen=True, slots=True, eq=False)
class _Context:
    """What every take is read with. scale : full scale per pascal; flattened : with the microphone's response too.

    read_silence : `read` that keeps the last recording, for the noise take that several others are held against.
    """

    plan: Plan
    read: Read
    read_silence: Read
    scale: dict[str, Any]
    flattened: dict[str, Any]


def auxiliary_takes(plan: Plan, read: Read, table: Impedance | None = None) -> AuxiliaryTakes:
    """Impedance, multitones, two tones, bursts and noise runs of a session; table : read from its impedance table.

    InputError as the impedance raises it; AudioError for all recordings at once that cannot be used.
    """
    session, scale = plan.session, {"fs_per_pa": plan.calibration.fs_per_pa}
    correction: dict[str, Any] = {}
    if plan.correction is not None:
        correction = {"response": (plan.axis.hz, plan.correction.at(plan.axis.hz).response_db)}
    gear = _Context(plan, read, lru_cache(maxsize=1)(read), scale, scale | correction)
    flags: list[QualityFlag] = []
    bad: list[AudioError] = []
    found: dict[str, list[Any]] = {name: [] for name, _ in _READERS.values()}
    quiet = session.takes_of(SelfNoiseTake)
    used = {take.id for take in (*quiet, *(session.takes_of(ImpedanceTableTake) if table is not None else ()))}
    impedance = noise = None
    with _kept(bad):
        impedance = _impedance(plan, read, table, flags)
    for take in session.takes:
        if type(take) in _READERS:
            name, reader = _READERS[type(take)]
            with _kept(bad):
                found[name].append(reader(gear, take, flags))
                used.add(take.id)
    with _kept(bad):
        noise = reduce_self_noise([(take, read(take.file)) for take in quiet], **gear.flattened)
    if bad:
        raise merged_error(bad)
    if impedance is not None:
        used |= {take.id for take in session.takes_of(ImpedanceTake)}
    readings = {name: tuple(some) for name, some in found.items()}
    return AuxiliaryTakes(impedance=impedance, self_noise=noise, flags=tuple(flags), used=frozenset(used), **readings)


@contextmanager
def _kept(bad: list[AudioError]) -> Iterator[None]:
    """Errors of recordings put with those that were found before, so that all are told at once."""
    try:
        yield
    except AudioError as error:
        bad.append(error)


def _impedance(plan: Plan, read: Read, table: Impedance | None, flags: list[QualityFlag]) -> Impedance | None:
    electric = measured_impedance(plan.session, read)
    if electric is not None:
        flags += [*electric.flags, flag("impedance_circuit", words=electric.sentence)]
        return electric.impedance
    takes = plan.session.takes_of(ImpedanceTableTake)
    if table is None or not takes:
        return None
    flags.append(flag("impedance_table", takes=(takes[0].id,), take=takes[0]))
    return replace(table, lineage=(takes[0].sha256,))


def _multitone(gear: _Context, take: MultitoneTake, flags: list[QualityFlag]) -> MultitoneReading:
    """One multitone; silence of a noise take stands in where there is only one period."""
    recording = gear.read(take.file)
    silence = _silence(gear, recording)
    found = reduce_multitone(take, recording, gear.read(take.stimulus_file), silence=silence, **gear.flattened)
    flags += _volts(gear, take, recording, take.period_s)
    flags += _clipped(take, recording, "multitone", "what lies between its tones is partly the recorder's")
    return found


def _two_tones(gear: _Context, take: TwoToneTake, flags: list[QualityFlag]) -> TwoToneReading:
    recording = gear.read(take.file)
    flags += _volts(gear, take, recording, take.length_s)
    found = reduce_two_tones(take, recording, **gear.flattened)
    flags += _clipped(take, recording, "two-tone", "its intermodulation is partly the recorder's")
    return found


def _burst(gear: _Context, take: BurstTake, flags: list[QualityFlag]) -> BurstTakeReading:
    recording, in_room = gear.read(take.file), not gear.plan.session.environment.anechoic
    flags += _volts(gear, take, recording, None)
    return reduce_burst(take, recording, in_room=in_room, clipped=_stuck(take, recording) > 0, **gear.flattened)


def _noise_run(gear: _Context, take: NoiseRunTake, flags: list[QualityFlag]) -> NoiseRun:
    recording, channel = gear.read(take.file), _loop_channel(gear, take)
    silence = _silence(gear, recording)
    found = reduce_noise_run(take, recording, gear.plan.axis, reference_channel=channel, silence=silence, **gear.scale)
    flags += _volts(gear, take, recording, take.duration_s)
    flags += _clipped(take, recording, "noise run", "its loss of level is partly the recorder's")
    return found


def _limiter(gear: _Context, take: LimiterTake, flags: list[QualityFlag]) -> LimiterReading:
    recording, channel = gear.read(take.file), _loop_channel(gear, take)
    flags += _clipped(take, recording, "limiter", "its curve may be the recorder's")
    clipped = _stuck(take, recording) > 0
    return reduce_limiter(take, recording, reference_channel=channel, clipped=clipped, **gear.scale)


def _seat(gear: _Context, take: SeatTake, _flags: list[QualityFlag]) -> SeatReading:
    return reduce_seat(gear.plan, take, gear.read(take.file))


# By kind of take: the readings of AuxiliaryTakes that it goes into, and what reads it.
_READERS: Mapping[type, tuple[str, Callable[[_Context, Any, list[QualityFlag]], Any]]] = {
    MultitoneTake: ("multitones", _multitone),
    TwoToneTake: ("two_tones", _two_tones),
    BurstTake: ("bursts", _burst),
    NoiseRunTake: ("noise_runs", _noise_run),
    LimiterTake: ("limiters", _limiter),
    SeatTake: ("seats", _seat),
}


def _loop_channel(gear: _Context, take: LoudTake) -> int | None:
    common = gear.plan.session.reference
    return take.reference_channel or (None if common is None else common.channel)


def _volts(gear: _Context, take: LoudTake, recording: Recording, lasts_s: float | None) -> list[QualityFlag]:
    """The stated voltage against the loop-back, where that tells volts. lasts_s : of an rms; None for a peak."""
    common, channel = gear.plan.session.reference, _loop_channel(gear, take)
    if common is None or common.volts_per_fs is None or channel is None or channel > recording.samples.shape[0]:
        return []
    loop = recording.samples[channel - 1] * common.volts_per_fs
    stretch_s = None
    if lasts_s is not None and not isinstance(take, BurstTake | LimiterTake):
        stretch_s = (take.run_in_s, take.run_in_s + lasts_s)
    return loud_volts_flags(loop, float(recording.rate_hz), take.drive_v, take.id, stretch_s)


def _silence(gear: _Context, beside: Recording) -> FloatArray | None:
    """The microphone in the first noise take, where that fits the recording."""
    quiet = gear.plan.session.takes_of(NoiseFloorTake)
    if not quiet:
        return None
    still = gear.read_silence(quiet[0].file)
    if still.rate_hz != beside.rate_hz or quiet[0].microphone_channel > still.samples.shape[0]:
        return None
    return np.asarray(still.samples[quiet[0].microphone_channel - 1], dtype=np.float64)


def _stuck(take: LoudTake, recording: Recording) -> int:
    """Runs at full scale. AudioError for values that are no numbers."""
    samples = recording.samples[take.microphone_channel - 1]
    peak = float(np.abs(samples).max(initial=0.0))
    if not np.isfinite(peak):
        raise AudioError("the recording holds values that are not numbers", where=f"take {take.id}, file {take.file}")
    return stuck_runs(samples, peak)


def _clipped(
    take: MultitoneTake | TwoToneTake | NoiseRunTake | LimiterTake, recording: Recording, kind: str, what: str
) -> list[QualityFlag]:
    runs = _stuck(take, recording)
    return [flag("take_clipped", runs, takes=(take.id,), kind=kind, what=what)] if runs else []


def level_flags(harmonics: Sequence[Harmonics]) -> list[QualityFlag]:
    """Clipped takes of a level series, which its figures leave out."""
    names = tuple(one.take for one in harmonics if one.in_series and one.clipped)
    if not names:
        return []
    which = "take " + names[0] if len(names) == 1 else "takes " + ", ".join(names)
    are = "is" if len(names) == 1 else "are"
    return [flag("level_take_clipped", len(names), takes=names, which=which, are=are)]
