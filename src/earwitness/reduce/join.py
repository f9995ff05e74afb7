"""Near field and gated far field become one response over the whole band, with what is uncertain about it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from earwitness.dsp.smoothing import smooth_power
from earwitness.quantities import BoolArray, Cause, ComplexArray, Directions, FloatArray, QualityFlag, Splice
from earwitness.reduce.budget import gating_u_db, noise_u_db
from earwitness.reduce.doubt.port import UNCHECKED_U_DB, PortReading, PortVerdict, judge_port, port_reading
from earwitness.reduce.flags import flag
from earwitness.reduce.gate import SHORTER_GATES, Spectra, cut_tail, signed_gate_u_db
from earwitness.reduce.nearfield.body import Body, NearPart, body_of, highest_hz, highest_model_hz, missing_near_field
from earwitness.reduce.nearfield.total import CABINET, Bass, bass_of, near_causes, scaled_part, seated, solved
from earwitness.reduce.plan import Plan
from earwitness.reduce.splice import (
    CHAIN_BY_HAND_U_DB,
    CHAIN_U_DB,
    FAR_LEVEL_U_DB,
    LevelPrior,
    SpliceResult,
    align,
    splice,
)

# The near fields tell what the port does only where the box is as simple as its circuit.
_PORT_HIGHEST_HZ = 400.0
# How well the tail that a gate cuts off is known by the near fields: level and phase within a tenth (own choice).
TAIL_U = 0.1
# Where the near fields lie in time says how far off the far field was taken. Clean sessions of simulated loudspeakers,
# boxes among them, lie within 3 cm (own choices; a twentieth of the distance is 0.4 dB).
_APART_LEAST_M, _APART_SHARE = 0.08, 0.045
GATE_SOURCE = "change with a gate of 0.8 and 0.65 of its length"


@dataclass(frozen=True, slots=True, eq=False)
class FarField:
    """The gated far field: pressure (D, F) referred to 1 m by distance; distance_m : of its microphones."""

    directions: Directions
    pressure: ComplexArray
    spectra: Spectra
    on_axis_row: int
    distance_m: float


@dataclass(frozen=True, slots=True, eq=False)
class Joined:
    """The response over the whole band. u_db : (D, F) of each direction alone; snr_db (D, F); tuning_hz : of a port by
    the near fields, None where they do not show it."""

    pressure: ComplexArray
    u_db: FloatArray
    causes: tuple[Cause, ...]
    snr_db: FloatArray
    valid: BoolArray
    splice: Splice | None
    flags: tuple[QualityFlag, ...]
    tuning_hz: float | None


def join(plan: Plan, far: FarField, parts: tuple[NearPart, ...], near_snr_db: FloatArray, *, shared: bool) -> Joined:
    """Refer the far field from its distance and splice the near field to it, where that can be done honestly.

    shared : all recordings start together
    """
    hz, settings, told = plan.axis.hz, plan.settings, plan.session.loudspeaker
    snr_db, u_db = far.spectra.snr_db, noise_u_db(far.spectra.snr_db)
    gates = _gate_causes(plan, far.spectra)
    causes = gates
    pressure, report = far.pressure, None
    flags: tuple[QualityFlag, ...] = ()
    gate_fine = (far.spectra.u_gate_wide_db <= settings.highest_gate_u_db) & (hz >= plan.gate.lowest_valid_hz)
    found: Bass | str | None = None
    verdict: PortVerdict | None = None
    if parts:
        found = missing_near_field(parts, told, shared=shared) or _bass(plan, far, parts)
        if isinstance(found, Bass):
            found, verdict = _port_checked(plan, found, near_snr_db)
            flags = verdict.flags if verdict is not None else ()
    low, high = _limits(plan, parts)
    if isinstance(found, Bass):
        whole, whole_gates, drowned = _with_its_tail(plan, far, found)
        factor = found.to_far_field(whole)
        effect_db = 20.0 * np.log10(np.maximum(np.abs(factor), 1e-300))
        referred = whole * factor
        told_apart = _apart_flags(plan, far, referred, found, (low, high)) if shared else ()
        if plan.gate.source == "anechoic":
            pressure, flags = referred, (*flags, _distance_flag(effect_db[far.on_axis_row], plan))
        else:
            moved = near_causes(
                found,
                far.directions,
                speed_of_sound=plan.speed_m_s,
                other_shape=told.shape == "other",
                settle=_settler(found, near_snr_db) if verdict is not None else None,
                port_u_db=None if not any(part.is_port for part in parts)
                else UNCHECKED_U_DB if verdict is None else verdict.u_db,
            )  # fmt: skip
            levels = _levels(plan=plan, far=far, moved=moved, gates=whole_gates, verdict=verdict, parts=parts)
            noise = noise_u_db(near_snr_db)
            result = splice(hz, referred, found.far(), low, high, u_db, noise, far.on_axis_row, levels)
            if isinstance(result, str):
                # Without the near field's shape in one piece with it, the far field stays as it was taken.
                flags = (*flags, _no_splice(result, low, high, plan))
            else:
                flags = (_distance_flag(effect_db[far.on_axis_row], plan), *flags)
                pressure, u_db, report = result.pressure, result.u_db, result.report
                share = near_share(hz, report)
                causes = _blended(whole_gates, moved=moved, result=result, share=share, hz=hz, row=far.on_axis_row)
                snr_db = np.where(share > 0.5, near_snr_db, snr_db)
                gate_fine = (gate_fine & ~drowned) | (hz < report.high_hz)
        flags = (*flags, *told_apart)
    elif isinstance(found, str):
        flags = (_no_splice(found, low, high, plan),)
    valid = _in_band(plan) & gate_fine & (snr_db >= settings.lowest_snr_db)
    tuning_hz = None if verdict is None else verdict.tuning_hz
    return Joined(pressure, u_db, causes, snr_db=snr_db, valid=valid, splice=report, flags=flags, tuning_hz=tuning_hz)


def near_share(hz: FloatArray, report: Splice) -> FloatArray:
    """Weight (F,) of the near field: raised cosine in log frequency over the blend."""
    x = np.clip(np.log(hz / report.low_hz) / np.log(report.high_hz / report.low_hz), 0.0, 1.0)
    return np.asarray(0.5 + 0.5 * np.cos(np.pi * x), dtype=np.float64)


def _in_band(plan: Plan) -> BoolArray:
    (low_hz, high_hz), margin = plan.band_hz, plan.settings.band_margin
    top = min(high_hz / margin, 0.45 * plan.rate_hz)
    return np.asarray((plan.axis.hz >= low_hz * margin) & (plan.axis.hz <= top), dtype=bool)


def _gate_causes(plan: Plan, spectra: Spectra) -> tuple[Cause, ...]:
    """What the gate cut away; all directions were cut alike."""
    gate, hz = plan.gate, plan.axis.hz
    if gate.source == "anechoic":
        return ()
    nothing = np.zeros(hz.size)
    tail = gating_u_db(nothing, nothing, nothing, hz=hz, gate_s=gate.end_s, fall_share=gate.taper_s / gate.end_s)
    return (
        Cause(name="gate", source=GATE_SOURCE, pull_db=spectra.u_gate_db),
        Cause(name="gate and bass", source="bass alignments through a gate of this length", pull_db=tail[None, :]),
    )


def _with_its_tail(plan: Plan, far: FarField, bass: Bass) -> tuple[ComplexArray, tuple[Cause, ...], BoolArray]:
    """The far field (D, F) with what the gate cut off of the bass, what the gate leaves open then, and (D, F) where
    most of what was heard was the leak of that cut."""
    hz, gate = plan.axis.hz, plan.gate
    if not far.spectra.shorter:
        return far.pressure, _gate_causes(plan, far.spectra), np.zeros(far.pressure.shape, dtype=bool)
    there = bass.there()
    shares = (1.0, *SHORTER_GATES)
    tails = [cut_tail(hz, there, bass.highest_hz, gate, share=share) for share in shares]
    whole = [one + tail for one, tail in zip((far.pressure, *far.spectra.shorter), tails, strict=True)]
    tiny = np.finfo(float).tiny
    levels = [20.0 * np.log10(np.maximum(np.abs(one), tiny)) for one in whole]
    size, left = (smooth_power(np.abs(one) ** 2, hz, hz, 3.0) for one in (tails[0], whole[0]))
    ratio = np.sqrt(size / np.maximum(left, tiny))
    source = f"{TAIL_U:.0%} of the bass tail that the gate cut off, put back as the near fields have it"
    causes = (
        Cause(name="gate", source=GATE_SOURCE, pull_db=signed_gate_u_db(*levels)),
        Cause(name="gate and bass", source=source, pull_db=TAIL_U * 20.0 / np.log(10.0) * np.minimum(ratio, 1.0)),
    )
    return whole[0], causes, np.asarray(ratio > 1.0, dtype=bool)


def _limits(plan: Plan, parts: Sequence[NearPart]) -> tuple[float, float]:
    low = plan.settings.splice_low_hz or plan.gate.lowest_valid_hz
    if not parts:
        return low, low
    model = highest_model_hz(_body(plan), plan.speed_m_s)
    return low, plan.settings.splice_high_hz or min(highest_hz(parts, plan.speed_m_s), model)


def _body(plan: Plan) -> Body:
    return body_of(plan.session.loudspeaker, half_space=plan.session.environment.half_space)


def _bass(plan: Plan, far: FarField, parts: tuple[NearPart, ...]) -> Bass | str:
    body = _body(plan)
    seats = seated(parts, body)
    if isinstance(seats, str):
        return seats
    return bass_of(
        parts, plan.axis.hz, body, seats, far.directions, speed_of_sound=plan.speed_m_s, distance_m=far.distance_m
    )


def _port_checked(plan: Plan, bass: Bass, near_snr_db: FloatArray) -> tuple[Bass | str, PortVerdict | None]:
    """The bass with its port set by the cone, where the box is a simple vented one, or why both contradict."""
    ports = [part for part in bass.parts if part.is_port]
    cones = [part for part in bass.parts if not part.is_port]
    simple = plan.session.loudspeaker.enclosure == "vented" and len(ports) == 1 and ports[0].driver.kind == "port"
    if not simple or not cones:
        return bass, None
    reading = _port_reading(bass.hz, bass.fields.reading, bass.parts, near_snr_db)
    names = ports[0].driver.name, " and ".join(part.driver.name for part in cones)
    verdict = judge_port(reading, names)
    if verdict.reason:
        return verdict.reason, verdict
    parts = tuple(scaled_part(part, 1 / verdict.take_out) if part.is_port else part for part in bass.parts)
    changed = replace(bass, parts=parts, strengths=solved(bass.fields.reading, parts))
    return changed, verdict if reading is not None else None


def _port_reading(
    hz: FloatArray, reading: ComplexArray, parts: Sequence[NearPart], near_snr_db: FloatArray
) -> PortReading | None:
    below = hz <= _PORT_HIGHEST_HZ
    heard = np.stack([part.pressure for part in parts], axis=-1)
    is_port = np.array([part.is_port for part in parts])
    return port_reading(hz[below], reading[below], heard[below], is_port, near_snr_db[below])


def _settler(bass: Bass, near_snr_db: FloatArray) -> Callable[[ComplexArray], tuple[NearPart, ...]]:
    """With another leak the port is set by the cone anew."""

    def settle(reading: ComplexArray) -> tuple[NearPart, ...]:
        found = _port_reading(bass.hz, reading, bass.parts, near_snr_db)
        by = 1.0 if found is None or found.turned_over else 10 ** (-found.scale_db / 20)
        return tuple(scaled_part(part, by) if part.is_port else part for part in bass.parts)

    return settle


def _levels(
    plan: Plan,
    far: FarField,
    moved: Sequence[Cause],
    gates: Sequence[Cause],
    verdict: PortVerdict | None,
    parts: Sequence[NearPart],
) -> LevelPrior:
    """What is known of both levels before they meet, on the axis."""
    row = far.on_axis_row
    known = plan.time_is_known
    chain = CHAIN_U_DB if known else CHAIN_BY_HAND_U_DB
    near = np.full(plan.axis.hz.size, chain**2)
    beyond = FAR_LEVEL_U_DB**2 + sum((gate.pull_db[0 if gate.alike else row] ** 2 for gate in gates), 0.0 * near)
    for cause in moved:
        # Another shape reads the near field's own level differently, and that at all frequencies alike.
        if cause.name == CABINET and plan.session.loudspeaker.shape != "other":
            beyond = beyond + cause.pull_db[row] ** 2
        else:
            near = near + cause.pull_db[row] ** 2
    # Signs of several parts agree where the port was held against the cone; a single one has none to disagree with.
    may_turn = len(parts) == 1 or verdict is not None
    return LevelPrior(chain, np.sqrt(near), np.sqrt(beyond), known, may_turn)


def _blended(
    gates: Sequence[Cause], moved: Sequence[Cause], result: SpliceResult, share: FloatArray, hz: FloatArray, row: int
) -> tuple[Cause, ...]:
    """All causes with the part of the band where they act. What moves the near field where both meet is taken back by
    the share of the gain that was put on it."""
    inside = (hz >= result.report.low_hz) & (hz <= result.report.high_hz)
    near = [
        replace(cause, pull_db=(cause.pull_db - result.share * np.mean(cause.pull_db[row, inside])) * share)
        for cause in moved
    ]
    far = [replace(gate, pull_db=gate.pull_db * (1 - share)) for gate in gates]
    return (*far, *near, *result.causes)


def _distance_flag(effect_db: FloatArray, plan: Plan) -> QualityFlag:
    hz = plan.axis.hz
    counted = np.where(hz >= plan.gate.lowest_valid_hz, np.abs(effect_db), 0.0)
    top = int(np.argmax(counted))
    band = (float(plan.gate.lowest_valid_hz), float(hz[-1]))
    return flag("far_field_reference", counted[top], band_hz=band, effect_db=effect_db[top], hz=hz[top])


def _apart_flags(
    plan: Plan, far: FarField, referred: ComplexArray, bass: Bass, band_hz: tuple[float, float]
) -> tuple[QualityFlag, ...]:
    """Cones radiate to both microphones: their bass arrives at the far one later by the distance between them."""
    shared = (plan.axis.hz >= band_hz[0]) & (plan.axis.hz <= band_hz[1])
    axis = slice(far.on_axis_row, far.on_axis_row + 1)
    if band_hz[1] < 1.2 * band_hz[0]:
        return ()
    delay_s, turned_over = align(plan.axis.hz[shared], referred[axis, shared], bass.far()[axis, shared])
    apart_m = plan.speed_m_s * float(delay_s[0])
    limit_m = max(_APART_LEAST_M, _APART_SHARE * far.distance_m)
    if abs(apart_m) <= limit_m or turned_over[0]:
        return ()
    heard_m = far.distance_m + apart_m
    apart_db = abs(20 * np.log10(heard_m / far.distance_m))
    told: dict[str, Any] = {"heard_m": heard_m, "stated_m": far.distance_m, "apart_db": apart_db}
    return (flag("distance_by_bass", abs(apart_m), limit_m, **told),)


def _no_splice(reason: str, low_hz: float, high_hz: float, plan: Plan) -> QualityFlag:
    what = "The near field was not joined"
    if plan.gate.source == "anechoic":
        what = "The near fields were not used, and levels are those of the measuring distance down to the bass"
    return flag("no_splice", high_hz / low_hz, 1.26, what=what, reason=reason)
