"""What is reduced beside the response: impedance, loud takes that are no sweeps, and checks of the level series."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from earwitness.errors import AudioError
from earwitness.formats.audio import Recording
from earwitness.quantities import (
    BurstTakeReading,
    Harmonics,
    Impedance,
    MultitoneReading,
    NoiseRun,
    QualityFlag,
    SeatReading,
    TwoToneReading,
)
from earwitness.quantities.arrays import FloatArray
from earwitness.quantities.powered import LimiterReading, SelfNoise
from earwitness.reduce.bad_audio import together
from earwitness.reduce.doubt.voltage import loud_volts_flags
from earwitness.reduce.flags import flag
from earwitness.reduce.impedance import measured_impedance
from earwitness.reduce.impulse import stuck_runs
from earwitness.reduce.loud_takes import reduce_burst, reduce_noise_run, reduce_two_tones
from earwitness.reduce.multitone import reduce_multitone
from earwitness.reduce.plan import Plan, Read
from earwitness.reduce.powered import reduce_limiter, reduce_self_noise
from earwitness.reduce.seats import reduce_seat
from earwitness.session.powered import LimiterTake, SelfNoiseTake
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

LoudTake = MultitoneTake | TwoToneTake | BurstTake | NoiseRunTake | LimiterTake


@dataclass(frozen=True, slots=True, eq=False)
class OtherTakes:
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
class _Gear:
    """What every take is read with: full scale per pascal, and the microphone's response on the report axis.

    read_silence : `read` that keeps the last recording, for the noise take that several others are held against.
    """

    plan: Plan
    read: Read
    read_silence: Read
    fs_per_pa: float
    response_db: FloatArray | None
    response_hz: FloatArray | None


def other_takes(plan: Plan, read: Read, table: Impedance | None = None) -> OtherTakes:
    """Impedance, multitones, two tones, bursts and noise runs of a session; table : read from its impedance table.

    InputError as the impedance raises it; AudioError for all recordings at once that cannot be used.
    """
    correction, session = plan.correction, plan.session
    response = None if correction is None else correction.at(plan.axis.hz).response_db
    response_hz = None if response is None else plan.axis.hz
    gear = _Gear(plan, read, lru_cache(maxsize=1)(read), plan.calibration.fs_per_pa, response, response_hz)
    flags: list[QualityFlag] = []
    bad: list[AudioError] = []
    used = {take.id for take in session.takes_of(ImpedanceTake)}
    impedance = None
    try:
        impedance = _impedance(plan, read, table, flags)
    except AudioError as error:
        bad.append(error)
    tones, pairs, bursts, runs, limiters, seats = [], [], [], [], [], []
    quiet: list[SelfNoiseTake] = []
    for take in session.takes:
        try:
            if isinstance(take, MultitoneTake):
                tones.append(_multitone(gear, take, flags))
            elif isinstance(take, TwoToneTake):
                pairs.append(_two_tones(gear, take, flags))
            elif isinstance(take, BurstTake):
                bursts.append(_burst(gear, take, flags))
            elif isinstance(take, NoiseRunTake):
                runs.append(_noise_run(gear, take, flags))
            elif isinstance(take, LimiterTake):
                limiters.append(_limiter(gear, take, flags))
            elif isinstance(take, SelfNoiseTake):
                quiet.append(take)
            elif isinstance(take, SeatTake):
                seats.append(reduce_seat(plan, take, read(take.file)))
            elif not (isinstance(take, ImpedanceTableTake) and table is not None):
                continue
            used.add(take.id)
        except AudioError as error:
            bad.append(error)
    noise = None
    try:
        noise = reduce_self_noise(
            [(take, read(take.file)) for take in quiet],
            fs_per_pa=gear.fs_per_pa,
            response_db=response,
            response_hz=response_hz,
        )
    except AudioError as error:
        bad.append(error)
    if bad:
        raise together(bad)
    if impedance is None:
        used -= {take.id for take in session.takes_of(ImpedanceTake)}
    return OtherTakes(
        impedance,
        tuple(tones),
        tuple(pairs),
        tuple(bursts),
        tuple(runs),
        tuple(limiters),
        noise,
        tuple(seats),
        tuple(flags),
        frozenset(used),
    )


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


def _multitone(gear: _Gear, take: MultitoneTake, flags: list[QualityFlag]) -> MultitoneReading:
    """One multitone; silence of a noise take stands in where there is only one period."""
    recording = gear.read(take.file)
    found = reduce_multitone(
        take,
        recording,
        gear.read(take.stimulus_file),
        fs_per_pa=gear.fs_per_pa,
        response_db=gear.response_db,
        response_hz=gear.response_hz,
        silence=_silence(gear, recording),
    )
    flags += _volts(gear, take, recording, (take.run_in_s, take.run_in_s + take.period_s))
    flags += _clipped(take, recording, "multitone", "what lies between its tones is partly the recorder's")
    return found


def _two_tones(gear: _Gear, take: TwoToneTake, flags: list[QualityFlag]) -> TwoToneReading:
    recording = gear.read(take.file)
    flags += _volts(gear, take, recording, (take.run_in_s, take.run_in_s + take.length_s))
    found = reduce_two_tones(
        take, recording, fs_per_pa=gear.fs_per_pa, response_db=gear.response_db, response_hz=gear.response_hz
    )
    flags += _clipped(take, recording, "two-tone", "its intermodulation is partly the recorder's")
    return found


def _burst(gear: _Gear, take: BurstTake, flags: list[QualityFlag]) -> BurstTakeReading:
    recording = gear.read(take.file)
    flags += _volts(gear, take, recording, None)
    return reduce_burst(
        take,
        recording,
        fs_per_pa=gear.fs_per_pa,
        in_room=not gear.plan.session.environment.anechoic,
        clipped=_stuck(take, recording) > 0,
        response_db=gear.response_db,
        response_hz=gear.response_hz,
    )


def _noise_run(gear: _Gear, take: NoiseRunTake, flags: list[QualityFlag]) -> NoiseRun:
    recording, common = gear.read(take.file), gear.plan.session.reference
    reference = take.reference_channel or (None if common is None else common.channel)
    found = reduce_noise_run(
        take,
        recording,
        gear.plan.axis,
        fs_per_pa=gear.fs_per_pa,
        reference_channel=reference,
        silence=_silence(gear, recording),
    )
    flags += _volts(gear, take, recording, (take.run_in_s, take.run_in_s + take.duration_s))
    flags += _clipped(take, recording, "noise run", "its loss of level is partly the recorder's")
    return found


def _limiter(gear: _Gear, take: LimiterTake, flags: list[QualityFlag]) -> LimiterReading:
    common = gear.plan.session.reference
    recording = gear.read(take.file)
    flags += _clipped(take, recording, "limiter", "its curve may be the recorder's")
    return reduce_limiter(
        take,
        recording,
        fs_per_pa=gear.fs_per_pa,
        reference_channel=take.reference_channel or (None if common is None else common.channel),
        clipped=_stuck(take, recording) > 0,
    )


def _volts(
    gear: _Gear, take: LoudTake, recording: Recording, stretch_s: tuple[float, float] | None
) -> list[QualityFlag]:
    """The stated voltage against the loop-back, where that tells volts. stretch_s : of an rms; None for a peak."""
    common = gear.plan.session.reference
    channel = take.reference_channel or (None if common is None else common.channel)
    if common is None or common.volts_per_fs is None or channel is None or channel > recording.samples.shape[0]:
        return []
    loop = recording.samples[channel - 1] * common.volts_per_fs
    return loud_volts_flags(loop, float(recording.rate_hz), take.drive_v, take.id, stretch_s)


def _silence(gear: _Gear, beside: Recording) -> FloatArray | None:
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
