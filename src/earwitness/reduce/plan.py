"""What is settled before the first take is divided: settings, takes in order, calibration, gate."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Container, Mapping, Sequence
from dataclasses import asdict, dataclass, replace

from earwitness.errors import AudioError, InputError
from earwitness.formats.audio import Recording
from earwitness.formats.correction_file import MicrophoneCorrection
from earwitness.quantities import FrequencyAxis, Gate, QualityFlag, Step, report_axis, step
from earwitness.reduce.calibrate import Calibration, calibrate
from earwitness.reduce.deconvolve import role_of
from earwitness.reduce.flags import wrapped_deg
from earwitness.reduce.gate import gate_of, speed_of_sound
from earwitness.reduce.impulse import Division
from earwitness.reduce.stimulus import stimulus_of
from earwitness.session.session import (
    FarFieldTake,
    LevelTake,
    NearFieldTake,
    Session,
    Turntable,
)

Read = Callable[[str], Recording]
Progress = Callable[[float, str], None]


@dataclass(frozen=True, slots=True)
class ReduceSettings:
    """What may be chosen in a reduction; the defaults are the project's.

    gate_length_s : gate after the direct sound, None: up to the first reflection
    fall_share : closing taper as a share of the gate (0.3 to 0.5 is common practice, no source)
    anechoic_window_s : longest window, where no reflection limits it
    near_window_s : window of near-field takes, whose direct sound outweighs the room
    splice_low_hz, splice_high_hz : limits within which the data choose the splice, None: from gate and drivers
    lowest_snr_db : below it a value is not valid; highest_gate_u_db : above it neither
    band_margin : share by which results stay inside the stimulus's band
    latency_limit_s : a common lateness above it is taken as delay in a powered loudspeaker and removed
    """

    gate_length_s: float | None = None
    fall_share: float = 0.4
    anechoic_window_s: float = 0.2
    near_window_s: float = 0.2
    splice_low_hz: float | None = None
    splice_high_hz: float | None = None
    lowest_snr_db: float = 20.0
    highest_gate_u_db: float = 1.0
    band_margin: float = 1.05
    latency_limit_s: float = 1.5e-3


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """All that is settled before the first take is divided."""

    session: Session
    settings: ReduceSettings
    axis: FrequencyAxis
    far: tuple[FarFieldTake, ...]
    near: tuple[NearFieldTake, ...]
    level: tuple[LevelTake, ...]
    calibration: Calibration
    correction: MicrophoneCorrection | None
    gate: Gate
    divisions: Mapping[str | None, Division]
    speed_m_s: float

    @property
    def rate_hz(self) -> int:
        return self.divisions[None].stimulus.rate_hz

    def division_of(self, take: FarFieldTake | NearFieldTake | LevelTake) -> Division:
        """How a take is divided by what it was recorded with."""
        return self.divisions[take.stimulus]

    @property
    def band_hz(self) -> tuple[float, float]:
        """What the stimuli of all far-field and near-field takes cover [Hz]."""
        takes: tuple[FarFieldTake | NearFieldTake, ...] = (*self.far, *self.near)
        every = [self.division_of(take).stimulus for take in takes]
        return max(one.low_hz for one in every), min(one.high_hz for one in every)

    def without(self, out: Container[str], because: Sequence[QualityFlag]) -> Plan:
        """The plan without some takes. AudioError, with the sentences of `because`, where no far-field take is left."""
        far = tuple(take for take in self.far if take.id not in out)
        if not far:
            why = " ".join(dict.fromkeys(flag.sentence for flag in because))
            raise AudioError.of("reduce.no_far_field_left", where="session.toml, takes of kind far-field", why=why)
        near = tuple(take for take in self.near if take.id not in out)
        return replace(self, far=far, near=near, level=tuple(take for take in self.level if take.id not in out))

    @property
    def time_is_known(self) -> bool:
        return all(role_of(self.session, take).reference_channel is not None for take in self.far)


def plan_of(
    session: Session, read: Read, settings: ReduceSettings, correction: MicrophoneCorrection | None
) -> tuple[Plan, Read]:
    """The plan, and a `read` that does not read the first recording a second time."""
    stated = sorted(session.takes_of(FarFieldTake), key=_place_of)
    far = tuple(_as_it_stood(take, session.turntable) for take in stated)
    if not far:
        raise InputError.of("reduce.no_far_field", where="session.toml")
    ahead = {far[0].file: read(far[0].file)}
    rate_hz = ahead[far[0].file].rate_hz

    def once(name: str) -> Recording:
        kept = ahead.pop(name, None)
        return read(name) if kept is None else kept

    axis = report_axis()
    calibration = calibrate(session, read)
    calibrator = session.microphone.calibrator
    if correction is not None and calibrator is not None and session.microphone.sensitivity_fs_per_pa is None:
        band = correction.frequency_hz
        if band[0] <= calibrator.frequency_hz <= band[-1]:
            correction = correction.renormalized(calibrator.frequency_hz)
    speed = speed_of_sound(session.environment.temperature_c)
    gate = gate_of(
        session,
        speed,
        anechoic_window_s=settings.anechoic_window_s,
        fall_share=settings.fall_share,
        length_s=settings.gate_length_s,
    )
    keep_s = max(gate.end_s, settings.near_window_s if session.takes_of(NearFieldTake) else 0.0)
    every = [(None, session.played), *((one.name, one) for one in session.other_stimulus)]
    stimuli = {name: stimulus_of(told, read, rate_hz) for name, told in every}
    divisions = {
        name: Division(one, session.reference, calibration.fs_per_pa, axis.hz, keep_s) for name, one in stimuli.items()
    }
    near = tuple(sorted(session.takes_of(NearFieldTake), key=lambda take: (take.driver, take.id)))
    # In the order of the file: that is the order of recording, from which heat and drift are told.
    level = session.takes_of(LevelTake)
    return Plan(session, settings, axis, far, near, level, calibration, correction, gate, divisions, speed), once


def _as_it_stood(take: FarFieldTake, turntable: Turntable | None) -> FarFieldTake:
    """The take with angle and distance from the reference point, where the table turned about another place."""
    if turntable is None:
        return take
    angle_deg, distance_m = turntable.place(take.orbit, take.angle_deg, take.distance_m)
    return take.model_copy(update={"angle_deg": angle_deg, "distance_m": distance_m})


def _place_of(take: FarFieldTake) -> tuple[str, float, str]:
    return take.orbit, wrapped_deg(take.angle_deg), take.id


def nearest_to_axis(far: Sequence[FarFieldTake]) -> FarFieldTake:
    return min(far, key=lambda take: (abs(wrapped_deg(take.angle_deg)), take.orbit, take.id))


def speed_at(plan: Plan, take: FarFieldTake | NearFieldTake) -> float:
    return plan.speed_m_s if take.temperature_c is None else speed_of_sound(take.temperature_c)


# Judged frequency by frequency: what lies in the noise is hidden, and the rest of the take holds.
_BY_FREQUENCY = ("snr",)


def unusable(flags: Sequence[QualityFlag], plan: Plan) -> frozenset[str]:
    """Ids of the sweep takes of the plan that a check rejected."""
    every = {take.id for take in (*plan.far, *plan.near, *plan.level)}
    rejected = [flag for flag in flags if flag.severity == "reject" and flag.id not in _BY_FREQUENCY]
    return frozenset(take for flag in rejected for take in flag.takes if take in every)


def lineage_of(session: Session, settings: ReduceSettings, *order: list[str]) -> Step:
    """The step; its inputs are the files by hash and everything that the session states, takes in any order.

    order : ids of takes whose order counts
    """
    takes = sorted(take.model_dump_json() for take in session.takes)
    rest = session.model_dump(mode="json", exclude={"takes", "file_hashes"})
    stated = hashlib.sha256(json.dumps([rest, takes, *order], sort_keys=True).encode()).hexdigest()
    files = {take.sha256 for take in session.takes} | set(session.file_hashes.values())
    return step("reduce", asdict(settings), (*sorted(files), stated))
