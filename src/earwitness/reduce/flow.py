"""The order of the reduction: a session's recordings become one Measurement. The only file that knows that order."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from earwitness.errors import AudioError, InputError
from earwitness.formats.correction_file import MicrophoneCorrection
from earwitness.formats.scan_pressures import ScanPressures
from earwitness.quantities import (
    BudgetLine,
    DirectionalResponse,
    Directions,
    Harmonics,
    Impedance,
    Measurement,
    NearField,
    QualityFlag,
    from_orbit,
)
from earwitness.quantities.arrays import ComplexArray, FloatArray, hz_words
from earwitness.quantities.directions import join as join_directions
from earwitness.quantities.measurement import Severity
from earwitness.reduce import quality
from earwitness.reduce.arrival import ArrivalTimes, arrival_times, band_level_db, facts_of, spread_s, times_of_flight_s
from earwitness.reduce.auxiliary_takes import AuxiliaryTakes, auxiliary_takes, level_flags
from earwitness.reduce.budget import baffle_causes, budget_of, level_causes
from earwitness.reduce.deconvolve import (
    BadRecordingsError,
    DeconvolvedTakes,
    SweepTake,
    deconvolve_takes,
    merged_error,
    noise_of_takes,
    others_unreadable,
    role_of,
    with_file_name,
)
from earwitness.reduce.doubt.level import refuses_level
from earwitness.reduce.doubt.port import tuning_flags
from earwitness.reduce.doubt.recordings import causes_of, refuse_unknown_sweep, without_damaged
from earwitness.reduce.doubt.stimulus import Cause
from earwitness.reduce.flags import TakeFacts, flag
from earwitness.reduce.gate import RISE_S, Spectra, gated, spectra_of, volts_squared_of, wall_reflections_s, weights_of
from earwitness.reduce.harmonics import high_order_flags
from earwitness.reduce.join import FarField, Joined, join, near_share
from earwitness.reduce.loud_takes import input_reference
from earwitness.reduce.nearfield.body import NearPart, near_part_limits
from earwitness.reduce.orbit_checks import orbit_flags
from earwitness.reduce.placing import NearEffect, Placed, finite_distance_causes, near_effect, placing_causes
from earwitness.reduce.plan import (
    Plan,
    Progress,
    Read,
    ReduceSettings,
    lineage_of,
    nearest_to_axis,
    plan_of,
    unusable,
)
from earwitness.reduce.quality import recording_doubts, session_doubts, with_recorded_volts
from earwitness.session.response_files import ResponseSource
from earwitness.session.responses import RESPONSE_TAKES, ScanPressuresTake, ScanTake
from earwitness.session.session import FarFieldTake, LevelTake, NearFieldTake, NoiseFloorTake, Session

NEAR_LEAD_S = 1e-3
FAR_FIELD_WARN_DB = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class _Far:
    """The far field over directions, one row a direction."""

    takes: tuple[FarFieldTake, ...]
    directions: Directions
    pressure: ComplexArray
    spectra: Spectra
    impulse: FloatArray
    impulse_onset_s: float
    on_axis_row: int

    @property
    def seen(self) -> FarField:
        distance = float(np.median([take.distance_m for take in self.takes]))
        return FarField(self.directions, self.pressure, self.spectra, self.on_axis_row, distance)


@dataclass(frozen=True, slots=True, eq=False)
class _Made:
    """What the takes made together."""

    far: _Far
    parts: tuple[NearPart, ...]
    joined: Joined
    flags: tuple[QualityFlag, ...]
    late_s: float


def reduce_session(
    session: Session,
    read: Read,
    *,
    settings: ReduceSettings | None = None,
    correction: MicrophoneCorrection | None = None,
    impedance: Impedance | None = None,
    pressures: ScanPressures | None = None,
    sources: Mapping[str, ResponseSource] | None = None,
    progress: Progress | None = None,
) -> Measurement:
    """Responses in Pa/V at 1 m over all measured directions, with trust and lineage.

    read : gives the recording of a file named in the session, called from several threads, once a file
    correction : the microphone's response; impedance : of the session's impedance table;
    pressures : of a scan that came as pressures; sources : of a session of responses, by the take's id
    progress : called with a share in 0 to 1 and words

    AudioError for recordings that cannot be used, all of them in one; InputError where the session lacks what the job
    needs.
    """
    say: Progress = progress or (lambda _share, _words: None)
    read = with_file_name(read)
    # What few sessions need is not brought in for all: it is a third of this room.
    if any(isinstance(take, RESPONSE_TAKES) for take in session.takes):
        from earwitness.reduce.responses import reduce_responses

        return reduce_responses(session, sources or {}, settings or ReduceSettings(), impedance=impedance)
    if any(isinstance(take, ScanTake | ScanPressuresTake) for take in session.takes):
        from earwitness.reduce.scan_measurement import reduce_scan_session

        return reduce_scan_session(
            session,
            read,
            settings or ReduceSettings(),
            correction=correction,
            impedance=impedance,
            pressures=pressures,
            progress=progress,
        )
    try:
        plan, first = plan_of(session, read, settings or ReduceSettings(), correction)
    except AudioError as error:
        raise merged_error([error, *others_unreadable(session, read)]) from None
    gathered, causes = _swept(plan, read, first, impedance, lambda share, words: say(0.05 + 0.8 * share, words))
    noise = noise_of_takes(
        session.takes_of(NoiseFloorTake), read, plan.rate_hz, plan.axis.hz, plan.calibration.fs_per_pa
    )
    say(0.87, "impedance and loud takes")
    loud = auxiliary_takes(plan, first, impedance)
    say(0.9, "gate the far field and join the near field")
    made = _made(plan, gathered, noise, causes, loud.impedance)
    out = unusable(made.flags, plan)
    if out:
        # What was judged unusable is not used; what the others say without it is worked out once more.
        say(0.95, f"once more without {len(out)} unusable takes")
        judged = tuple(one for one in made.flags if out.intersection(one.takes) and one.severity == "reject")
        plan, gathered = plan.without(out, judged), gathered.without(out)
        causes = {take: cause for take, cause in causes.items() if take not in out}
        made = _made(plan, gathered, noise, causes, loud.impedance)
        made = replace(made, flags=tuple(dict.fromkeys((*judged, *made.flags))))
    say(1.0, "reduced")
    flags = (*made.flags, *loud.flags, *tuning_flags(made.joined.tuning_hz, loud.impedance))
    return _measurement(plan, made, gathered.harmonics, loud, flags)


def _swept(
    plan: Plan, read: Read, first: Read, impedance: Impedance | None, progress: Progress
) -> tuple[DeconvolvedTakes, dict[str, Cause]]:
    """What the sweeps of the plan hold, and by take why the stated sweep does not fit. first : `read` that has read the
    plan's own files already. AudioError for recordings that cannot be used, with those of all other takes."""
    takes: list[SweepTake] = [*plan.far, *plan.near, *plan.level]
    wanted = frozenset([nearest_to_axis(plan.far).id, *(take.id for take in plan.level)])
    try:
        gathered = deconvolve_takes(
            session=plan.session,
            takes=takes,
            with_harmonics=wanted,
            division_of=plan.division_of,
            read=first,
            axis=plan.axis,
            correction=plan.correction,
            progress=progress,
        )
    except BadRecordingsError as bad:
        divided = {take.file for take in takes}
        others = (*_bad_others(plan, first, impedance), *others_unreadable(plan.session, read, divided))
        raise merged_error([*bad.errors, *others]) from None
    stimuli = {take.id: plan.division_of(take).stimulus for take in takes}
    causes = causes_of(gathered.witnesses, stimuli)
    refuse_unknown_sweep(gathered.witnesses, causes, {take.id: take.file for take in takes})
    return with_recorded_volts(plan, gathered), causes


def _made(
    plan: Plan, gathered: DeconvolvedTakes, noise: FloatArray | None, causes: dict[str, Cause], load: Impedance | None
) -> _Made:
    """What the takes of the plan make, and what is to be said of them. load : the measured impedance."""
    found = [gathered.impulses[take.id] for take in (*plan.far, *plan.near)]
    late = arrival_times(plan, found)
    far, facts = _far_field(plan, gathered, facts_of(plan, found, late), noise, late)
    parts, near_snr_db = _near_field(plan, gathered, noise, late)
    joined = join(plan, far.seen, parts, near_snr_db, shared=late.shared)
    ahead = nearest_to_axis(plan.far)
    axis = (joined.pressure[far.on_axis_row], joined.valid[far.on_axis_row])
    cones = [_near_value(plan, part) for part in parts if part.driver.kind == "cone"]
    doubts = session_doubts(plan, gathered, facts, late, axis, _silence(gathered, ahead, noise), load, cones)
    flags = (*_flags(plan, far, joined, facts=facts, gathered=gathered, late=late, noise=noise, causes=causes), *doubts)
    return _Made(far, parts, joined, flags, late.common_s)


def _bad_others(plan: Plan, read: Read, impedance: Impedance | None) -> tuple[AudioError, ...]:
    """What is wrong with the takes that are no sweeps, where sweeps are known to be wrong already."""
    try:
        auxiliary_takes(plan, read, impedance)
    except BadRecordingsError as bad:
        return bad.errors
    except AudioError as error:
        return (error,)
    except InputError:
        return ()
    return ()


def _silence(gathered: DeconvolvedTakes, take: FarFieldTake, noise: FloatArray | None) -> FloatArray | None:
    own = gathered.impulses[take.id].noise
    return noise if own is None else own


def _noise_rows(gathered: DeconvolvedTakes, takes: Sequence[SweepTake], noise: FloatArray | None) -> FloatArray | None:
    """Noise density (T, F) of every take: its own silence before the sweep, else the noise takes', else None."""
    rows = [gathered.impulses[take.id].noise for take in takes]
    told = [noise if row is None else row for row in rows]
    known = [row for row in told if row is not None]
    return np.array(known) if len(known) == len(takes) and takes else None


def _far_field(
    plan: Plan, gathered: DeconvolvedTakes, facts: list[TakeFacts], noise: FloatArray | None, late: ArrivalTimes
) -> tuple[_Far, list[TakeFacts]]:
    """Gate, transform, refer to 1 m; repeats of a direction give way to the first of them."""
    hz, rate = plan.axis.hz, float(plan.rate_hz)
    impulses = [gathered.impulses[take.id] for take in plan.far]
    roles = [role_of(plan.session, take) for take in plan.far]
    distance = np.array([take.distance_m for take in plan.far])
    arrival = (late.by_take_s + times_of_flight_s(plan))[: len(plan.far)]
    segments, time = gated(impulses, roles, arrival, plan.gate, rate)
    volts = _volts_squared(plan, plan.far)
    told = _noise_rows(gathered, plan.far, noise)
    indoors = plan.gate.source != "anechoic"
    spectra = spectra_of(segments, time, plan.gate, rate, hz=hz, noise=told, volts_squared=volts, gate_matters=indoors)
    # Hard ground doubles the pressure: the image stands where the loudspeaker does.
    factor = 0.5 if plan.session.environment.ground_plane else 1.0
    pressure, *shorter = (one * factor * distance[:, None] for one in (spectra.pressure, *spectra.shorter))
    if plan.correction is not None:
        pressure, *shorter = (plan.correction.at(hz).divide(one) for one in (pressure, *shorter))
    levels = band_level_db(np.abs(pressure), hz, max(plan.gate.lowest_valid_hz, 200.0))
    checked = [replace(fact, band_level_db=float(level)) for fact, level in zip(facts, levels, strict=False)]
    checked += facts[len(plan.far) :]
    kept, directions = _distinct(plan.far)
    on_axis = directions.on_axis_row()
    axis_take = kept[on_axis]
    shown = segments[axis_take] * weights_of(plan.gate, time[axis_take]) * distance[axis_take] * factor
    chosen = Spectra(
        pressure[kept],
        spectra.u_gate_db[kept],
        spectra.u_gate_wide_db[kept],
        spectra.snr_db[kept],
        tuple(one[kept] for one in shorter),
    )
    takes = tuple(plan.far[row] for row in kept)
    far = _Far(takes, directions, pressure[kept], chosen, shown, float(-time[axis_take, 0]), on_axis)
    return far, checked


def _volts_squared(plan: Plan, takes: Sequence[FarFieldTake | NearFieldTake]) -> FloatArray:
    """|V(f)|^2 (T, F) of the takes' own stimuli [V^2 s^2]."""
    drive_v = [np.array([role_of(plan.session, take).drive_v]) for take in takes]
    stimuli = [plan.division_of(take).stimulus for take in takes]
    rows = [volts_squared_of(one, plan.axis.hz, volts) for one, volts in zip(stimuli, drive_v, strict=True)]
    return np.concatenate(rows)


def _distinct(takes: Sequence[FarFieldTake]) -> tuple[list[int], Directions]:
    """Rows of the first take of every direction, and these directions."""
    every = join_directions([from_orbit(take.orbit, take.angle_deg) for take in takes])
    places: dict[tuple[float, ...], int] = {}
    for row, vector in enumerate(every.unit_vectors()):
        places.setdefault(tuple(float(v) + 0.0 for v in np.round(vector, 6)), row)
    rows = list(places.values())
    return rows, every.take(np.array(rows))


def _near_field(
    plan: Plan, gathered: DeconvolvedTakes, noise: FloatArray | None, late: ArrivalTimes
) -> tuple[tuple[NearPart, ...], FloatArray]:
    """Near-field parts, one a driver (the first take of each), and their lowest signal-to-noise ratio (F,)."""
    hz, rate = plan.axis.hz, float(plan.rate_hz)
    drivers = {driver.name: driver for driver in plan.session.loudspeaker.drivers}
    first: dict[str, NearFieldTake] = {}
    for take in plan.near:
        if take.driver not in drivers:
            raise InputError.of(
                "reduce.driver_not_there", where=f"session.toml, take {take.id}", take=take, drivers=", ".join(drivers)
            )
        first.setdefault(take.driver, take)
    if not first:
        return (), np.zeros(hz.size)
    takes = list(first.values())
    window = plan.settings.near_window_s
    gate = replace(plan.gate, end_s=window, taper_s=plan.settings.fall_share * window, reflection_s=None)
    gate = replace(gate, start_s=-NEAR_LEAD_S - RISE_S)
    roles = [role_of(plan.session, take) for take in takes]
    impulses = [gathered.impulses[take.id] for take in takes]
    begin_s = np.array([late.by_take_s[len(plan.far) + plan.near.index(take)] for take in takes])
    segments, time = gated(impulses, roles, begin_s, gate, rate)
    volts = _volts_squared(plan, takes)
    told = _noise_rows(gathered, takes, noise)
    spectra = spectra_of(segments, time, gate, rate_hz=rate, hz=hz, noise=told, volts_squared=volts, gate_matters=False)
    pressure = spectra.pressure
    if plan.correction is not None:
        pressure = plan.correction.at(hz).divide(pressure)
    parts = tuple(
        NearPart(driver=drivers[take.driver], pressure=row, gap_m=take.distance_m)
        for take, row in zip(takes, pressure, strict=True)
    )
    return parts, spectra.snr_db.min(axis=0)


def _flags(
    plan: Plan,
    far: _Far,
    joined: Joined,
    facts: list[TakeFacts],
    gathered: DeconvolvedTakes,
    late: ArrivalTimes,
    noise: FloatArray | None,
    causes: dict[str, Cause],
) -> tuple[QualityFlag, ...]:
    """Every check of quality.py, and what the reduction itself has to say."""
    hz, session = plan.axis.hz, plan.session
    flags = list(plan.calibration.flags)
    # Behind the front a horn's driver may lie by most of the cabinet's depth.
    is_horn = any(one.kind == "horn" for one in session.loudspeaker.drivers)
    blur, recess = plan.speed_m_s * late.blur_s, 0.7 * session.loudspeaker.depth_m if is_horn else 0.0
    flags += quality.take_flags(facts, speed_of_sound=plan.speed_m_s, blur_m=blur, recess_m=recess)
    ahead = nearest_to_axis(plan.far)
    if role_of(session, ahead).reference_channel is None:
        flags += quality.stimulus_flags(spread_s(gathered.impulses[ahead.id].samples, plan.rate_hz), ahead.id)
    chosen = {take.id for take in far.takes}
    orbit_facts = [fact for fact in facts if fact.id in chosen]
    level = 20.0 * np.log10(np.maximum(np.abs(far.pressure), 1e-300))
    # A subwoofer has no directions that would be missed.
    if session.loudspeaker.type != "subwoofer":
        space = session.environment.half_space
        symmetric = session.loudspeaker.symmetric
        flags += orbit_flags(orbit_facts, level, hz, symmetric=symmetric, heard_to_hz=late.high_hz, half_space=space)
    flags += quality.snr_flags(joined.snr_db, hz, joined.valid, [take.id for take in far.takes])
    room = session.environment.room
    if plan.gate.source != "anechoic":
        walls = [] if plan.gate.reflection_s is None else [plan.gate.reflection_s]
        if room is not None:
            walls = wall_reflections_s(room, plan.speed_m_s).tolist()
        flags += quality.gate_flags(facts[: len(plan.far)], plan.gate, walls)
    if joined.splice is not None:
        flags += quality.splice_flags(joined.splice)
    flags += joined.flags
    flags += _far_field_flags(plan)
    flags += _own_flags(plan, gathered, late, noise)
    flags += level_flags(gathered.harmonics)
    doubts = recording_doubts(plan, gathered, causes)
    flags += [*without_damaged(high_order_flags(gathered.high_orders), doubts), *doubts]
    return tuple(flags)


def _own_flags(
    plan: Plan, gathered: DeconvolvedTakes, late: ArrivalTimes, noise: FloatArray | None
) -> list[QualityFlag]:
    flags = []
    stuck = [one for one in gathered.impulses.values() if one.reference_clipped_runs > 0]
    if stuck:
        runs, names = sum(one.reference_clipped_runs for one in stuck), tuple(one.take for one in stuck)
        flags.append(flag("loop_back_clipped", runs, takes=names, count=len(stuck)))
    late_ms = 1e3 * late.common_s
    if not late.shared:
        flags.append(flag("no_common_start", late_ms))
    elif not plan.time_is_known:
        flags.append(flag("no_loop_back", late_ms))
    if plan.session.environment.ground_plane:
        flags.append(flag("ground_plane", 6.02))
    if late.shared and plan.time_is_known and late.common_s != 0.0:
        limit = 1e3 * plan.settings.latency_limit_s
        powered = plan.session.loudspeaker.powered
        farther = f"If it has no such delay, the microphone stood {late.common_s * plan.speed_m_s:.2f} m farther away"
        otherwise = "" if powered else f" {farther} than stated."
        flags.append(flag("latency", late_ms, limit, severity="info" if powered else "warn", otherwise=otherwise))
    if _noise_rows(gathered, plan.far, noise) is None:
        flags.append(flag("noise_not_known", 30.0, 20.0))
    remarks = plan.correction.remarks() if plan.correction is not None else ()
    flags += [flag("microphone_file", 0.0, 6.0, remark=remark) for remark in remarks]
    return flags


def _measurement(
    plan: Plan, made: _Made, harmonics: tuple[Harmonics, ...], others: AuxiliaryTakes, flags: tuple[QualityFlag, ...]
) -> Measurement:
    far, parts, joined = made.far, made.parts, made.joined
    hz, row = plan.axis.hz, far.on_axis_row
    distance = float(np.median([take.distance_m for take in plan.far]))
    told = plan.correction.frequency_hz if plan.correction is not None else None
    band = None if told is None else (float(told[0]), float(told[-1]))
    placed = _placed(plan, far, joined)
    causes = (
        *level_causes(plan.session, hz, distance_m=distance, correction_band_hz=band),
        *joined.causes,
        *placing_causes(placed),
        *finite_distance_causes(placed, _near_effect(plan, distance)),
        *baffle_causes(
            plan.session, hz, plan.speed_m_s, 0.0 if joined.splice is None else near_share(hz, joined.splice)
        ),
    )
    measured = BudgetLine("noise", "from these takes", joined.u_db[row], False)
    lineage = lineage_of(plan.session, plan.settings, [take.id for take in plan.session.takes_of(LevelTake)])
    response = DirectionalResponse(
        axis=plan.axis,
        directions=far.directions,
        pressure=joined.pressure,
        u_db=joined.u_db,
        u_common_db=np.zeros(hz.size),
        valid=joined.valid,
        absolute=plan.calibration.absolute and not refuses_level(flags),
        distance_m=distance,
        lineage=(lineage.key,),
        causes=causes,
        **input_reference(plan.session),
        half_space=plan.session.environment.half_space,
    )
    used = {take.id for take in (*far.takes, *plan.near)} | {one.take for one in harmonics} | others.used
    return Measurement(
        response=response,
        snr_db=joined.snr_db,
        gate=plan.gate,
        splice=joined.splice,
        near_field=tuple(_near_value(plan, part) for part in parts),
        harmonics=harmonics,
        impedance=others.impedance,
        impulse_rate_hz=float(plan.rate_hz),
        impulse=far.impulse,
        impulse_onset_s=far.impulse_onset_s,
        budget=(*budget_of(causes, row), measured),
        flags=flags,
        kept_takes=tuple(sorted(take.id for take in plan.session.takes if take.id not in used)),
        steps=(lineage,),
        multitones=others.multitones,
        two_tones=others.two_tones,
        bursts=others.bursts,
        noise_runs=others.noise_runs,
        self_noise=others.self_noise,
        limiters=others.limiters,
        late_s=made.late_s if plan.time_is_known else None,
        seats=others.seats,
    )


def _near_effect(plan: Plan, distance_m: float) -> NearEffect:
    return near_effect(plan.session.loudspeaker.drivers, plan.axis.hz, distance_m, plan.speed_m_s)


def _far_field_flags(plan: Plan) -> list[QualityFlag]:
    """Where 2 D^2 / lambda reaches further than the microphone stood."""
    distance = float(np.median([take.distance_m for take in plan.far]))
    effect = _near_effect(plan, distance)
    if effect.from_hz is None:
        return []
    hz = plan.axis.hz
    worst = int(np.argmax(effect.error_db))
    size = float(effect.error_db[worst])
    severity: Severity = "warn" if size > FAR_FIELD_WARN_DB else "info"
    band = (effect.from_hz, float(hz[-1]))
    told: dict[str, Any] = {"distance_m": distance, "size_m": effect.size_m, "worst": hz_words(float(hz[worst]))}
    return [flag("far_field", size, FAR_FIELD_WARN_DB, band_hz=band, severity=severity, **told)]


def _placed(plan: Plan, far: _Far, joined: Joined) -> Placed:
    order = {take.id: place for place, take in enumerate(plan.session.takes)}
    return Placed(
        directions=far.directions,
        hz=plan.axis.hz,
        pressure=joined.pressure,
        distance_m=np.array([take.distance_m for take in far.takes]),
        orbit=tuple(take.orbit for take in far.takes),
        order=np.array([order[take.id] for take in far.takes], dtype=float),
    )


def _near_value(plan: Plan, part: NearPart) -> NearField:
    level = 20.0 * np.log10(np.maximum(np.abs(part.pressure), 1e-300))
    lowest = max(plan.band_hz[0] * plan.settings.band_margin, 1.2 / plan.settings.near_window_s)
    highest = near_part_limits(part.driver, plan.speed_m_s)
    return NearField(part.driver.name, plan.axis, level, np.unwrap(np.angle(part.pressure)), lowest, highest)
