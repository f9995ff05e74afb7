"""Every recording of a session is read once, by a few threads, and leaves only its impulse response behind."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from earwitness.errors import AudioError
from earwitness.formats.audio import Recording
from earwitness.formats.correction_file import MicrophoneCorrection
from earwitness.quantities import FrequencyAxis, Harmonics
from earwitness.quantities.arrays import FloatArray
from earwitness.reduce.bad_audio import BadRecordingsError
from earwitness.reduce.harmonics import split_harmonics
from earwitness.reduce.high_order import HighOrders, high_orders
from earwitness.reduce.impulse import (
    Division,
    Role,
    TakeImpulse,
    nominal_impulse,
    quiet_noise,
    stuck_runs,
    take_impulse,
    take_impulses,
)
from earwitness.reduce.spectrum import noise_density
from earwitness.session.session import FarFieldTake, LevelTake, NearFieldTake, NoiseFloorTake, Session

MOST_THREADS = 4
TAKES_TOGETHER = 4
SweepTake = FarFieldTake | NearFieldTake | LevelTake
Made = tuple[TakeImpulse | None, Harmonics | None, HighOrders | None]


@dataclass(frozen=True, slots=True, eq=False)
class Gathered:
    """Impulses of far-field and near-field takes in the order asked for, harmonics and high orders in that order."""

    impulses: dict[str, TakeImpulse]
    harmonics: tuple[Harmonics, ...]
    high_orders: tuple[HighOrders, ...] = ()


def role_of(session: Session, take: SweepTake) -> Role:
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

    def work(take: SweepTake) -> Made:
        role, division = role_of(session, take), division_of(take)
        recording = read(take.file)
        impulse = None if isinstance(take, LevelTake) else take_impulse(role, recording, division)
        if take.id not in with_harmonics:
            return impulse, None, None
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
            found = replace(found, pause_s=take.pause_s)
        return impulse, found, sharp

    def tried(take: SweepTake) -> Made | AudioError:
        try:
            return work(take)
        except AudioError as error:
            return error

    def tried_together(some: Sequence[SweepTake]) -> list[Made | AudioError]:
        if len(some) == 1:
            return [tried(some[0])]
        try:
            pairs = ((role_of(session, take), read(take.file)) for take in some)
            return [(impulse, None, None) for impulse in take_impulses(pairs, division_of(some[0]))]
        except AudioError:
            # One by one, so that each bad recording is told.
            return [tried(take) for take in some]

    impulses: dict[str, TakeImpulse] = {}
    harmonics: list[Harmonics] = []
    sharp_ones: list[HighOrders] = []
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
                impulse, found, sharp = made
                if impulse is not None:
                    impulses[take.id] = impulse
                if found is not None:
                    harmonics.append(found)
                if sharp is not None:
                    sharp_ones.append(sharp)
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise
    if bad:
        raise BadRecordingsError(bad)
    return Gathered(impulses, tuple(harmonics), tuple(sharp_ones))


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
            raise AudioError(
                "the noise take has another sample rate or fewer channels than the other takes",
                where=f"take {take.id}, file {take.file}",
                expected=f"{rate_hz} Hz with channel {take.microphone_channel}",
                remedy="record it with the settings of the other takes",
            )
        samples = recording.samples[take.microphone_channel - 1]
        if samples.size < 64:
            raise AudioError(
                "the noise take is empty", where=f"take {take.id}, file {take.file}", remedy="record it again"
            )
        densities.append(noise_density(samples, rate_hz, hz) / fs_per_pa**2)
    return np.mean(densities, axis=0) if densities else None
