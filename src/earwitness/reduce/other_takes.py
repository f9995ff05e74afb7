"""What is reduced beside the response: impedance, multitones, and the checks of the level series."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from earwitness.errors import AudioError
from earwitness.formats.audio import Recording
from earwitness.quantities import Harmonics, Impedance, MultitoneReading, QualityFlag
from earwitness.quantities.arrays import FloatArray
from earwitness.reduce.impedance import measured_impedance
from earwitness.reduce.impulse import stuck_runs
from earwitness.reduce.multitone import reduce_multitone
from earwitness.reduce.plan import Plan, Read
from earwitness.session.session import ImpedanceTake, MultitoneTake, NoiseFloorTake


@dataclass(frozen=True, slots=True, eq=False)
class OtherTakes:
    """used : ids of the takes that went into them."""

    impedance: Impedance | None
    multitones: tuple[MultitoneReading, ...]
    flags: tuple[QualityFlag, ...]
    used: frozenset[str]


def other_takes(plan: Plan, read: Read) -> OtherTakes:
    """Impedance and multitones of a session. InputError and AudioError as those two raise them."""
    electric = measured_impedance(plan.session, read)
    flags: list[QualityFlag] = []
    impedance, used = None, set[str]()
    if electric is not None:
        impedance = electric.impedance
        sentence = f"Impedance: {electric.sentence}"
        flags += [*electric.flags, QualityFlag("impedance circuit", "info", 0.0, 0.0, "", (), None, sentence)]
        used |= {take.id for take in plan.session.takes_of(ImpedanceTake)}
    tones = []
    for take in plan.session.takes_of(MultitoneTake):
        recording = read(take.file)
        tones.append(_multitone(plan, read, take, recording))
        flags += _clipped_tones(take, recording)
        used.add(take.id)
    return OtherTakes(impedance, tuple(tones), tuple(flags), frozenset(used))


def _multitone(plan: Plan, read: Read, take: MultitoneTake, recording: Recording) -> MultitoneReading:
    """One multitone; silence of a noise take stands in where there is only one period."""
    correction = plan.correction
    response = None if correction is None else correction.at(plan.axis.hz).response_db
    quiet = plan.session.takes_of(NoiseFloorTake)
    silence: FloatArray | None = None
    if quiet:
        still = read(quiet[0].file)
        if still.rate_hz == recording.rate_hz and quiet[0].microphone_channel <= still.samples.shape[0]:
            silence = still.samples[quiet[0].microphone_channel - 1]
    return reduce_multitone(
        take,
        recording,
        read(take.stimulus_file),
        fs_per_pa=plan.calibration.fs_per_pa,
        response_db=response,
        response_hz=None if response is None else plan.axis.hz,
        silence=silence,
    )


def _clipped_tones(take: MultitoneTake, recording: Recording) -> list[QualityFlag]:
    samples = recording.samples[take.microphone_channel - 1]
    peak = float(np.abs(samples).max(initial=0.0))
    if not np.isfinite(peak):
        raise AudioError("the recording holds values that are not numbers", where=f"take {take.id}, file {take.file}")
    runs = stuck_runs(samples, peak)
    if not runs:
        return []
    sentence = f"The multitone take {take.id} is clipped: what lies between its tones is partly the recorder's."
    return [QualityFlag("multitone clipped", "warn", float(runs), 0.0, "runs", (take.id,), None, sentence)]


def level_flags(harmonics: Sequence[Harmonics]) -> list[QualityFlag]:
    """Clipped takes of a level series, which its figures leave out."""
    names = tuple(one.take for one in harmonics if one.in_series and one.clipped)
    if not names:
        return []
    which = "take " + names[0] if len(names) == 1 else "takes " + ", ".join(names)
    sentence = (
        f"In the level series {which} reached full scale of the recorder and {'is' if len(names) == 1 else 'are'} left "
        "out of distortion, compression and highest level; lower the input gain for loud takes."
    )
    return [QualityFlag("level take clipped", "warn", float(len(names)), 0.0, "takes", names, None, sentence)]
