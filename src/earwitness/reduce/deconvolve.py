"""Every recording of a session is read once, by a few threads, and leaves only its impulse response behind.

All bad recordings are told at once: nobody wants to mend a hundred files one error at a time.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Container, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import chain, count
from typing import Any, TypeVar

import numpy as np

from earwitness.errors import AudioError
from earwitness.formats.audio import Recording
from earwitness.formats.correction_file import MicrophoneCorrection
from earwitness.quantities import FloatArray, FrequencyAxis, Harmonics
from earwitness.reduce.doubt.recordings import Witness, is_another_sweep
from earwitness.reduce.doubt.stimulus import cause_of
from earwitness.reduce.harmonics import HighOrderDistortion, high_orders, split_harmonics
from earwitness.reduce.impulse import (
    Division,
    Role,
    TakeImpulse,
    loud_witness,
    noise_density,
    nominal_impulse,
    quiet_noise,
    stuck_runs,
    take_impulse,
    take_impulses,
)
from earwitness.session.responses import ScanTake
from earwitness.session.session import (
    FarFieldTake,
    ImpedanceTableTake,
    LevelTake,
    NearFieldTake,
    NoiseFloorTake,
    SeatTake,
    Session,
)

_MOST = 40
Read = Callable[[str], Recording]


class BadRecordingsError(AudioError):
    """Several recordings cannot be used: each with its place, its fault and its remedy."""

    def __init__(self, errors: Iterable[AudioError]) -> None:
        self.errors = tuple({str(error): error for error in errors}.values())
        lines = [f"{number}. {_line(error)}" for number, error in enumerate(self.errors[:_MOST], 1)]
        if len(self.errors) > _MOST:
            lines.append(f"and {len(self.errors) - _MOST} more")
        count = len(self.errors)
        super().__init__(
            "\n".join((f"{count} recording{'s' if count > 1 else ''} cannot be used", *lines)),
            remedy="mend what is listed and run the same command again",
        )


def _line(error: AudioError) -> str:
    told = (("expected", error.expected), ("to do", error.remedy))
    tail = "".join(f"; {words}: {text}" for words, text in told if text)
    return f"{error.where}: {error.what}{tail}" if error.where else f"{error.what}{tail}"


def merged_error(errors: Iterable[AudioError]) -> AudioError:
    """One error for all of them; a single one stays as it is."""
    bad = BadRecordingsError(errors)
    return bad.errors[0] if len(bad.errors) == 1 else bad


def with_file_name(read: Read) -> Read:
    """`read`, whose errors name the file as the session does: an archive may hold it under another name."""

    def named(name: str) -> Recording:
        try:
            return read(name)
        except AudioError as error:
            if name in error.where:
                raise
            where = f"file {name} ({error.where})" if error.where else f"file {name}"
            raise AudioError(error.what, where=where, expected=error.expected, remedy=error.remedy) from None

    return named


def others_unreadable(session: Session, read: Read, known: Container[str] = ()) -> list[AudioError]:
    """An error for every take whose file cannot be read or holds values that are no numbers; known : files left out.

    For the way to an error only: every recording is read once more.
    """
    found = []
    names = dict.fromkeys(take.file for take in session.takes if not isinstance(take, ImpedanceTableTake))
    for name in names:
        if name in known:
            continue
        try:
            recording = read(name)
        except AudioError as error:
            found.append(error)
            continue
        if not np.all(np.isfinite(recording.samples)):
            found.append(AudioError("the recording holds values that are not numbers", where=f"file {name}"))
    return found


MOST_THREADS = 4
TAKES_TOGETHER = 4
Given = TypeVar("Given")
Result = TypeVar("Result")
# Samples of a channel that are transformed together, and that all threads hold at once: 40 bytes each, at any rate and
# length of sweep. How takes are grouped must not depend on the machine, as the last bit of a transform may on that.
_SAMPLES_TOGETHER, _SAMPLES_AT_ONCE = 2**21, 2**22
SweepTake = FarFieldTake | NearFieldTake | LevelTake


@dataclass(frozen=True, slots=True)
class _Made:
    """What came of a take; None for what was not asked for or cannot be."""

    witness: Witness | None
    impulse: TakeImpulse | None = None
    harmonics: Harmonics | None = None
    high_orders: HighOrderDistortion | None = None


@dataclass(frozen=True, slots=True, eq=False)
class DeconvolvedTakes:
    """Impulses of far-field and near-field takes in the order asked for, harmonics, high orders and what all takes say
    of themselves in that order."""

    impulses: dict[str, TakeImpulse]
    harmonics: tuple[Harmonics, ...]
    high_orders: tuple[HighOrderDistortion, ...] = ()
    witnesses: tuple[Witness, ...] = ()

    def without(self, out: Container[str]) -> DeconvolvedTakes:
        """The same without some takes."""
        return replace(
            self,
            impulses={name: one for name, one in self.impulses.items() if name not in out},
            harmonics=tuple(one for one in self.harmonics if one.take not in out),
            high_orders=tuple(one for one in self.high_orders if one.take not in out),
            witnesses=tuple(one for one in self.witnesses if one.take not in out),
        )


def role_of(session: Session, take: SweepTake | SeatTake | ScanTake) -> Role:
    """Channels and drive voltage of a take, with what the session says for all."""
    reference = take.reference_channel
    if reference is None and session.reference is not None:
        reference = session.reference.channel
    return Role(take.id, take.file, take.microphone_channel, reference, take.drive_v or session.drive.voltage_v)


def deconvolve_takes(
    session: Session,
    takes: Sequence[SweepTake],
    with_harmonics: frozenset[str],
    division_of: Callable[[SweepTake], Division],
    read: Callable[[str], Recording],
    axis: FrequencyAxis,
    *,
    correction: MicrophoneCorrection | None,
    progress: Callable[[float, str], None],
) -> DeconvolvedTakes:
    """Read and divide all takes. A recording a thread is in memory at a time, and up to four takes in single precision.

    BadRecordingsError names every take that cannot be used.
    """
    microphone_db = None if correction is None else correction.at(axis.hz).response_db
    work = _Work(session, with_harmonics, division_of=division_of, read=read, axis=axis, microphone_db=microphone_db)
    longest = max((_samples(division_of(take)) for take in takes), default=1)
    by = min(max(_SAMPLES_TOGETHER // longest, 1), TAKES_TOGETHER)
    groups = _together(takes, with_harmonics, by)
    number = count(1)

    def said(row: int) -> None:
        for take in groups[row]:
            progress(next(number) / len(takes), f"read take {take.id}")

    # A take alone is looked at closely, which takes as much as two.
    most = max(_SAMPLES_AT_ONCE // (max(by, 2) * longest), 1)
    some = in_threads(work.tried_together, groups, said, most=most)
    made = list(zip(chain(*groups), chain(*some), strict=True))
    bad = [one for _, one in made if isinstance(one, AudioError)]
    if bad:
        raise BadRecordingsError(bad)
    good = [(take, one) for take, one in made if isinstance(one, _Made)]
    return DeconvolvedTakes(
        {take.id: one.impulse for take, one in good if one.impulse is not None},
        tuple(one.harmonics for _, one in good if one.harmonics is not None),
        tuple(one.high_orders for _, one in good if one.high_orders is not None),
        tuple(one.witness for _, one in good if one.witness is not None),
    )


def in_threads(
    work: Callable[[Given], Result], every: Sequence[Given], said: Callable[[int], None], *, most: int = MOST_THREADS
) -> list[Result]:
    """What `work` makes of each, in their order, by a few threads; none begins anew once one has failed.

    said : called with the row of each when it is done; most : threads, as memory allows
    """
    made: list[Result] = []
    with ThreadPoolExecutor(max_workers=min(MOST_THREADS, os.cpu_count() or 1, most)) as pool:
        try:
            for row, one in enumerate(pool.map(work, every)):
                made.append(one)
                said(row)
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise
    return made


@dataclass(frozen=True, slots=True, eq=False)
class _Work:
    """What is done with a take; see gather. microphone_db (F,) : the microphone's response on the axis."""

    session: Session
    with_harmonics: frozenset[str]
    division_of: Callable[[SweepTake], Division]
    read: Callable[[str], Recording]
    axis: FrequencyAxis
    microphone_db: FloatArray | None

    def tried_together(self, some: Sequence[SweepTake]) -> Sequence[_Made | AudioError]:
        """Of several takes, whose impulse alone is wanted, or of a single one."""
        if len(some) == 1:
            return [self._tried(some[0])]
        try:
            pairs = ((role_of(self.session, take), self.read(take.file)) for take in some)
            impulses = take_impulses(pairs, self.division_of(some[0]), "plainly")
            return [_Made(impulse.witness, impulse) for impulse in impulses]
        except AudioError:
            # One by one, so that each bad recording is told.
            return [self._tried(take) for take in some]

    def _tried(self, take: SweepTake) -> _Made | AudioError:
        role, division = role_of(self.session, take), self.division_of(take)
        try:
            recording = self.read(take.file)
            loud = isinstance(take, LevelTake)
            impulse = None if loud else take_impulse(role, recording, division, "closely")
            witness = loud_witness(role, recording, division) if impulse is None else impulse.witness
            if take.id not in self.with_harmonics or _is_another(witness, division):
                # Divided by another sweep than was played, the orders say nothing.
                return _Made(witness, impulse)
            return _Made(witness, impulse, *self._orders(take, role, recording))
        except AudioError as error:
            return error

    def _orders(
        self, take: SweepTake, role: Role, recording: Recording
    ) -> tuple[Harmonics | None, HighOrderDistortion | None]:
        """Harmonics and high orders of a take."""
        division = self.division_of(take)
        loud = take if isinstance(take, LevelTake) else None
        close = isinstance(take, NearFieldTake) or (loud is not None and loud.driver is not None)
        response = nominal_impulse(role, recording, division)
        samples = recording.samples[role.microphone_channel - 1]
        noise = quiet_noise(samples, division, ends_s=int(np.argmax(np.abs(response))) / recording.rate_hz)
        peak = max(float(samples.max(initial=0.0)), -float(samples.min(initial=0.0)))
        clipped = stuck_runs(samples, peak) > 0
        named: dict[str, Any] = {"take": take.id, "drive_v": role.drive_v}
        played = division.nominal(response.size)
        # What a recorder at full scale adds says nothing of the loudspeaker.
        sharp = None if clipped else high_orders(response, division.stimulus, played=played, **named)
        found = split_harmonics(
            response,
            division.stimulus,
            self.axis,
            noise,
            distance_m=take.distance_m,
            place="near-field" if close else "far-field",
            in_series=loud is not None,
            driver=(take.driver or "") if isinstance(take, LevelTake | NearFieldTake) else "",
            clipped=clipped,
            temperature_c=take.temperature_c,
            microphone_db=self.microphone_db,
            **named,
        )
        if found is not None and loud is not None:
            crossover = loud.crossover or ""
            found = replace(found, pause_s=loud.pause_s, crossover=crossover, in_series=not crossover)
        return found, sharp


def _is_another(witness: Witness | None, division: Division) -> bool:
    if witness is None or witness.sweep is None:
        return False
    return is_another_sweep(cause_of(witness.sweep, division.stimulus, witness.track))


def _samples(division: Division) -> int:
    """What a recording of the stimulus has at least."""
    return division.stimulus.samples.size + round(division.stimulus.lead_in_s * division.stimulus.rate_hz)


def _together(takes: Sequence[SweepTake], with_harmonics: frozenset[str], most: int) -> list[list[SweepTake]]:
    """Takes in their order, neighbors of which only the impulse is wanted by `most`."""
    found: list[list[SweepTake]] = []
    plain = False
    for take in takes:
        was_plain, plain = plain, not isinstance(take, LevelTake) and take.id not in with_harmonics
        if plain and was_plain and found[-1][0].stimulus == take.stimulus and len(found[-1]) < most:
            found[-1].append(take)
        else:
            found.append([take])
    return found


def noise_of_takes(
    takes: Sequence[NoiseFloorTake], read: Callable[[str], Recording], rate_hz: int, hz: FloatArray, fs_per_pa: float
) -> FloatArray | None:
    """Mean density (F,) [Pa^2/Hz] of the noise-floor takes, None without any."""
    densities = []
    for take in takes:
        recording = read(take.file)
        if recording.rate_hz != rate_hz or take.microphone_channel > recording.samples.shape[0]:
            raise AudioError.of(
                "reduce.noise_take_differs", where=f"take {take.id}, file {take.file}", rate_hz=rate_hz, take=take
            )
        samples = recording.samples[take.microphone_channel - 1]
        if samples.size < 64:
            raise AudioError.of("reduce.noise_take_empty", where=f"take {take.id}, file {take.file}")
        densities.append(noise_density(samples, rate_hz, hz) / fs_per_pa**2)
    return np.mean(densities, axis=0) if densities else None
