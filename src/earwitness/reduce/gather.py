"""Every recording of a session is read once, by a few threads, and leaves only its impulse response behind."""

from __future__ import annotations

import os
from collections.abc import Callable, Container, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from earwitness.errors import AudioError
from earwitness.formats.audio import Recording
from earwitness.formats.correction_file import MicrophoneCorrection
from earwitness.quantities import FrequencyAxis, Harmonics
from earwitness.quantities.arrays import FloatArray
from earwitness.reduce.bad_audio import BadRecordingsError
from earwitness.reduce.doubt.recordings import Witness, is_another_sweep
from earwitness.reduce.doubt.stimulus import cause_of
from earwitness.reduce.harmonics import HighOrders, high_orders, split_harmonics
from earwitness.reduce.impulse import (
    Division,
    Role,
    TakeImpulse,
    loud_witness,
    nominal_impulse,
    quiet_noise,
    stuck_runs,
    take_impulse,
    take_impulses,
)
from earwitness.reduce.spectrum import noise_density
from earwitness.session.scan import ScanTake
from earwitness.session.session import FarFieldTake, LevelTake, NearFieldTake, NoiseFloorTake, SeatTake, Session

MOST_THREADS = 4
TAKES_TOGETHER = 4
SweepTake = FarFieldTake | NearFieldTake | LevelTake


@dataclass(frozen=True, slots=True)
class _Made:
    """What came of a take; None for what was not asked for or cannot be."""

    witness: Witness | None
    impulse: TakeImpulse | None = None
    harmonics: Harmonics | None = None
    high_orders: HighOrders | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Gathered:
    """Impulses of far-field and near-field takes in the order asked for, harmonics, high orders and what all takes say
    of themselves in that order."""

    impulses: dict[str, TakeImpulse]
    harmonics: tuple[Harmonics, ...]
    high_orders: tuple[HighOrders, ...] = ()
    witnesses: tuple[Witness, ...] = ()

    def without(self, out: Container[str]) -> Gathered:
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


def gather(
    session: Session,
    takes: Sequence[SweepTake],
    with_harmonics: frozenset[str],
    division_of: Callable[[SweepTake], Division],
    read: Callable[[str], Recording],
    axis: FrequencyAxis,
    *,
    correction: MicrophoneCorrection | None,
    progress: Callable[[float, str], None],
) -> Gathered:
    """Read and divide all takes. One recording a thread is in memory at a time, and four takes in single precision.

    BadRecordingsError names every take that cannot be used.
    """
    microphone_db = None if correction is None else correction.at(axis.hz).response_db

    def work(take: SweepTake) -> _Made:
        role, division = role_of(session, take), division_of(take)
        recording = read(take.file)
        loud = isinstance(take, LevelTake)
        impulse = None if loud else take_impulse(role, recording, division, "closely")
        witness = loud_witness(role, recording, division) if impulse is None else impulse.witness
        if take.id not in with_harmonics or _is_another(witness, division):
            # Divided by another sweep than was played, the orders say nothing.
            return _Made(witness, impulse)
        close = isinstance(take, NearFieldTake) or (isinstance(take, LevelTake) and take.driver is not None)
        response = nominal_impulse(role, recording, division)
        samples = recording.samples[role.microphone_channel - 1]
        noise = quiet_noise(samples, division, ends_s=int(np.argmax(np.abs(response))) / recording.rate_hz)
        peak = max(float(samples.max(initial=0.0)), -float(samples.min(initial=0.0)))
        clipped = stuck_runs(samples, peak) > 0
        # What a recorder at full scale adds says nothing of the loudspeaker.
        played = division.nominal(response.size)
        sharp = (
            None
            if clipped
            else high_orders(response, division.stimulus, take=take.id, drive_v=role.drive_v, played=played)
        )
        found = split_harmonics(
            response,
            division.stimulus,
            axis,
            noise,
            take=take.id,
            drive_v=role.drive_v,
            distance_m=take.distance_m,
            place="near-field" if close else "far-field",
            in_series=isinstance(take, LevelTake),
            driver=(take.driver or "") if isinstance(take, LevelTake | NearFieldTake) else "",
            clipped=clipped,
            temperature_c=take.temperature_c,
            microphone_db=microphone_db,
        )
        if found is not None and isinstance(take, LevelTake):
            crossover = take.crossover or ""
            found = replace(found, pause_s=take.pause_s, crossover=crossover, in_series=not crossover)
        return _Made(witness, impulse, found, sharp)

    def tried(take: SweepTake) -> _Made | AudioError:
        try:
            return work(take)
        except AudioError as error:
            return error

    def tried_together(some: Sequence[SweepTake]) -> list[_Made | AudioError]:
        if len(some) == 1:
            return [tried(some[0])]
        try:
            pairs = ((role_of(session, take), read(take.file)) for take in some)
            impulses = take_impulses(pairs, division_of(some[0]), "plainly")
            return [_Made(impulse.witness, impulse) for impulse in impulses]
        except AudioError:
            # One by one, so that each bad recording is told.
            return [tried(take) for take in some]

    impulses: dict[str, TakeImpulse] = {}
    harmonics: list[Harmonics] = []
    sharp_ones: list[HighOrders] = []
    witnesses: list[Witness] = []
    bad: list[AudioError] = []
    with ThreadPoolExecutor(max_workers=min(MOST_THREADS, os.cpu_count() or 1)) as pool:
        try:
            together = _together(takes, with_harmonics)
            every = (made for some in pool.map(tried_together, together) for made in some)
            in_turn = (take for some in together for take in some)
            for count, (take, made) in enumerate(zip(in_turn, every, strict=True), 1):
                progress(count / len(takes), f"read take {take.id}")
                if isinstance(made, AudioError):
                    bad.append(made)
                    continue
                if made.witness is not None:
                    witnesses.append(made.witness)
                if made.impulse is not None:
                    impulses[take.id] = made.impulse
                if made.harmonics is not None:
                    harmonics.append(made.harmonics)
                if made.high_orders is not None:
                    sharp_ones.append(made.high_orders)
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise
    if bad:
        raise BadRecordingsError(bad)
    return Gathered(impulses, tuple(harmonics), tuple(sharp_ones), tuple(witnesses))


def _is_another(witness: Witness | None, division: Division) -> bool:
    if witness is None or witness.sweep is None:
        return False
    return is_another_sweep(cause_of(witness.sweep, division.stimulus, witness.track))


def _together(takes: Sequence[SweepTake], with_harmonics: frozenset[str]) -> list[list[SweepTake]]:
    """Takes in their order, neighbors of which only the impulse is wanted by fours."""
    found: list[list[SweepTake]] = []
    plain = False
    for take in takes:
        was_plain, plain = plain, not isinstance(take, LevelTake) and take.id not in with_harmonics
        if plain and was_plain and found[-1][0].stimulus == take.stimulus and len(found[-1]) < TAKES_TOGETHER:
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
