"""Every check of `doubt` over a session that is reduced otherwise."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from earwitness.quantities import REFERENCE_PRESSURE_PA, REFERENCE_VOLTAGE_V, Impedance, NearField, QualityFlag
from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray
from earwitness.reduce.arrival import Lateness
from earwitness.reduce.doubt.facts import (
    correction_flags,
    cutoff_flags,
    echo_flags,
    echo_of,
    fact_flags,
    late_db,
    room_flags,
)
from earwitness.reduce.doubt.level import (
    corrected_steps,
    evidence_of,
    level_flags,
    loop_volts,
    rating_flags,
    voltage_flags,
)
from earwitness.reduce.doubt.recordings import damage_flags, riding_flags, sweep_flags, turned_gain_flags
from earwitness.reduce.doubt.stimulus import Cause, cone_phase_flags
from earwitness.reduce.flags import TakeFacts
from earwitness.reduce.gather import Gathered, SweepTake, role_of
from earwitness.reduce.orbit_checks import gain_flags, late_flags, mirrored_flags
from earwitness.reduce.plan import Plan, nearest_to_axis
from earwitness.session.session import ImpedanceTableTake, ImpedanceTake

# What has no treble, as a subwoofer, is not cut off.
CUT_FROM_HZ = 11_000.0
ECHO_BEFORE_S, ECHO_LONGEST_S = 1e-3, 0.08


def with_recorded_volts(plan: Plan, gathered: Gathered) -> Gathered:
    """Harmonics and high orders of level takes under the voltage that the loop-back tells, where the stated one
    contradicts it."""
    heard, stated = _voltages(plan, gathered)
    known = plan.session.reference is not None and plan.session.reference.volts_per_fs is not None
    volts = corrected_steps(heard, stated, [take.id for take in plan.level], known=known)
    if not volts:
        return gathered
    harmonics = tuple(replace(one, drive_v=volts.get(one.take, one.drive_v)) for one in gathered.harmonics)
    orders = tuple(replace(one, drive_v=volts.get(one.take, one.drive_v)) for one in gathered.high_orders)
    return replace(gathered, harmonics=harmonics, high_orders=orders)


def recording_doubts(plan: Plan, gathered: Gathered, causes: Mapping[str, Cause]) -> list[QualityFlag]:
    """Another sweep, damage, voltages, gains."""
    level, far = (frozenset(take.id for take in takes) for takes in (plan.level, plan.far))
    heard, stated = _voltages(plan, gathered)
    scale = None if plan.session.reference is None else plan.session.reference.volts_per_fs
    volts = voltage_flags(heard, stated, [take.id for take in plan.level], volts_per_fs=scale)
    hisses = [(one.take, one.hiss) for one in gathered.witnesses if one.hiss is not None]
    gains = [*riding_flags(hisses), *turned_gain_flags(plan.calibration.hiss_db, hisses)]
    return [*sweep_flags(causes, level), *damage_flags(gathered.witnesses, causes, far), *volts, *gains]


def session_doubts(
    plan: Plan,
    gathered: Gathered,
    facts: Sequence[TakeFacts],
    late: Lateness,
    on_axis: tuple[ComplexArray, BoolArray],
    noise: FloatArray | None,
    impedance: Impedance | None,
    cones: Sequence[NearField],
) -> list[QualityFlag]:
    """Level, echo, orbits, microphone and facts. on_axis : pressure (F,) [Pa/V at 1 m] and where it is valid; cones :
    read close up."""
    told, hz = plan.session.loudspeaker, plan.axis.hz
    pressure, valid = on_axis
    scale = REFERENCE_VOLTAGE_V / REFERENCE_PRESSURE_PA
    level = 20.0 * np.log10(np.maximum(np.abs(pressure) * scale, 1e-300))
    lowest = None if impedance is None else float(np.min(np.abs(impedance.ohm[_audible(impedance)])))
    flags: list[QualityFlag] = []
    if plan.calibration.absolute:
        fs = plan.calibration.fs_per_pa
        seen = evidence_of(told, level, hz, valid, noise=noise, fs_per_pa=fs, lowest_ohm=lowest)
        flags += level_flags(seen)
    far = [fact for fact in facts if fact.orbit is not None]
    ahead = nearest_to_axis(plan.far)
    flags += correction_flags(plan.correction, level, hz, valid)
    flags += rating_flags(lowest, told.rated_impedance_ohm, _impedance_take(plan))
    flags += [*_echoes(plan, gathered, far), *gain_flags(far)]
    flags += mirrored_flags(far, told.drivers, plan.speed_m_s)
    if late.shared:
        flags += late_flags(far)
    if not plan.time_is_known and not told.powered:
        # What a loudspeaker's own processor does to the phase cannot be told from a wrong stimulus.
        flags += cone_phase_flags(cones, plan.division_of(ahead).stimulus.law)
    if late.high_hz > CUT_FROM_HZ:
        flags += cutoff_flags(level, hz, plan.band_hz[1], ahead.id)
    return [*flags, *fact_flags(plan.session)]


def _audible(impedance: Impedance) -> BoolArray:
    return np.asarray((impedance.axis.hz >= 20.0) & (impedance.axis.hz <= 20_000.0), dtype=bool)


def _impedance_take(plan: Plan) -> str:
    every = (*plan.session.takes_of(ImpedanceTake), *plan.session.takes_of(ImpedanceTableTake))
    return every[0].id if every else ""


def _voltages(plan: Plan, gathered: Gathered) -> tuple[dict[str, float], dict[str, float]]:
    scale = None if plan.session.reference is None else plan.session.reference.volts_per_fs
    heard = loop_volts(gathered.witnesses, scale)
    takes: tuple[SweepTake, ...] = (*plan.far, *plan.near, *plan.level)
    stated = {take.id: role_of(plan.session, take).drive_v for take in takes}
    return heard, stated


def _echoes(plan: Plan, gathered: Gathered, facts: Sequence[TakeFacts]) -> list[QualityFlag]:
    """All far-field takes about their own arrival, as long as the gate lets sound in."""
    told, rate = plan.session.loudspeaker, float(plan.rate_hz)
    length_s = min(plan.gate.end_s, ECHO_LONGEST_S)
    rows = []
    for fact in facts:
        one = gathered.impulses[fact.id]
        first = max(round((one.peak_s - ECHO_BEFORE_S - one.start_s) * rate), 0)
        rows.append(one.samples[first : first + round(length_s * rate)])
    shortest = min(row.size for row in rows)
    impulses = np.array([row[:shortest] for row in rows])
    anechoic = plan.gate.source == "anechoic"
    sounds_on = room_flags(late_db(impulses, rate, ECHO_BEFORE_S), len(rows)) if anechoic else []
    fade = round(0.25 * shortest)
    impulses[:, shortest - fade :] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(fade) / fade)
    size = max(told.width_m, told.height_m, told.depth_m)
    echo = echo_of(impulses, rate, size_m=size, speed_m_s=plan.speed_m_s)
    return echo_flags(echo, len(rows), speed_m_s=plan.speed_m_s, anechoic=anechoic) or sounds_on
