"""A session that holds responses instead of recordings: tables, impulse responses, directivities become a Measurement.

What was done to them stands in the session's facts; what the data cannot bear is said and left out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy.fft

from earwitness.dsp.balloon import balloon_at
from earwitness.errors import InputError
from earwitness.formats.audio import Recording
from earwitness.formats.directivity_sofa import SofaDirectivity
from earwitness.formats.response_table import ResponseTable
from earwitness.quantities import (
    REFERENCE_PRESSURE_PA,
    REFERENCE_VOLTAGE_V,
    BudgetLine,
    Cause,
    DirectionalResponse,
    Directions,
    Gate,
    Impedance,
    Measurement,
    QualityFlag,
    cta_orbits,
    from_orbit,
    report_axis,
)
from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray
from earwitness.quantities.causes import smooth_causes
from earwitness.quantities.directions import join
from earwitness.quantities.response import PhaseKind
from earwitness.reduce.budget import budget_of
from earwitness.reduce.gate import LOWEST_TIMES_LENGTH
from earwitness.reduce.plan import ReduceSettings
from earwitness.reduce.scan_measurement import lineage_of
from earwitness.session.response_files import Source
from earwitness.session.responses import RESPONSE_TAKES, DirectionsTake, ImpulseTake, ResponseFacts, ResponseTake
from earwitness.session.session import ImpedanceTableTake, Session

SAME_DIRECTION_DEG = 0.5
ASSUMED_LEVEL_U_DB, ASSUMED_SHAPE_U_DB, ASSUMED_OWN_U_DB = 0.5, 0.5, 0.2
NOT_KNOWN_SNR_DB = 60.0
GROUND_PLANE_DB = 20 * np.log10(2.0)
_IMPULSE_RATE_HZ, _IMPULSE_SAMPLES, _ONSET_S = 48_000, 4096, 0.01
_CONTEXT_HZ = np.arange(_IMPULSE_SAMPLES // 2 + 1) * (_IMPULSE_RATE_HZ / _IMPULSE_SAMPLES)
NOT_STATED = "not stated"
_LATE_FROM_HZ, _SHORT_S = 500.0, 0.02


@dataclass(frozen=True, slots=True, eq=False)
class _One:
    """Responses on the report axis: directions (D,), level_db (D, F) [dB re 1 Pa/V at 1 m, or relative], phase_rad
    (D, F) or None, u_db (D, F) of drawing them to the axis, known (D, F)."""

    directions: Directions
    level_db: FloatArray
    phase_rad: FloatArray | None
    u_db: FloatArray
    known: BoolArray
    take: str


def holds_responses(session: Session) -> bool:
    """Whether the session gives responses and not recordings."""
    return any(isinstance(take, RESPONSE_TAKES) for take in session.takes)


def reduce_responses(
    session: Session,
    sources: Mapping[str, Source],
    settings: ReduceSettings,
    *,
    impedance: Impedance | None = None,
) -> Measurement:
    """The measurement of a session of responses. sources : what each take's file holds, by the take's id.

    Levels are referred to 1 m by 20 lg of the stated distance and to 1 V by the stated voltage (definitions). A table
    is drawn to the report axis by straight lines over log frequency; the error of a straight line through a curve, an
    eighth of the second difference at its worst, goes into u (handbook of numerical analysis, from memory).
    InputError where a take's file was not read, or no direction is left.
    """
    facts = session.responses or ResponseFacts()
    hz = report_axis().hz
    flags: list[QualityFlag] = []
    parts = [
        _drawn(session, facts, take, sources, hz, flags) for take in session.takes if isinstance(take, RESPONSE_TAKES)
    ]
    whole = _together(parts, flags)
    if any(
        isinstance(one, Recording) or (isinstance(one, SofaDirectivity) and one.impulse.size)
        for one in sources.values()
    ):
        whole = _from_first_sound(whole, hz)
    gate = _gate(facts, whole, hz)
    phase = _phase_kind(facts, whole, flags)
    known = whole.known & _within(facts, gate, hz)
    flags += _facts_flags(facts, whole, hz)
    causes = _causes(facts, hz)
    level = np.where(known, whole.level_db, 0.0)
    turn = np.zeros_like(level) if whole.phase_rad is None else np.nan_to_num(whole.phase_rad)
    pressure = np.where(known, 10 ** (level / 20) * np.exp(1j * turn), 0.0)
    lineage = lineage_of(session, settings)
    response = DirectionalResponse(
        axis=report_axis(),
        directions=whole.directions,
        pressure=pressure,
        u_db=whole.u_db,
        u_common_db=np.zeros(hz.size),
        valid=known,
        absolute=facts.level == "absolute",
        distance_m=facts.measured_distance_m or facts.reference_distance_m,
        lineage=(lineage.key,),
        causes=causes,
        phase=phase,
    )
    front = int(np.argmax(whole.directions.unit_vectors()[:, 0]))
    used = {take.id for take in session.takes if isinstance(take, RESPONSE_TAKES)}
    used |= {take.id for take in session.takes_of(ImpedanceTableTake)} if impedance is not None else set()
    drawn = BudgetLine("grid of the data", "straight lines between points", whole.u_db[front], False)
    return Measurement(
        response=response,
        snr_db=np.full(pressure.shape, NOT_KNOWN_SNR_DB),
        gate=gate,
        splice=None,
        near_field=(),
        harmonics=(),
        impedance=impedance,
        impulse_rate_hz=float(_IMPULSE_RATE_HZ),
        impulse=_impulse(pressure[front], known[front], hz) if phase != "none" else np.zeros(0),
        impulse_onset_s=_ONSET_S,
        budget=(*budget_of(causes, front), drawn),
        flags=tuple(flags),
        kept_takes=tuple(sorted(take.id for take in session.takes if take.id not in used)),
        steps=(lineage,),
    )


def _drawn(
    session: Session,
    facts: ResponseFacts,
    take: ResponseTake | ImpulseTake | DirectionsTake,
    sources: Mapping[str, Source],
    hz: FloatArray,
    flags: list[QualityFlag],
) -> _One:
    source = sources.get(take.id)
    if source is None:
        raise InputError(f"the file of take {take.id} was not read", where="session.toml")
    if isinstance(source, ResponseTable):
        return _of_table(session, facts, take, source, hz, flags)
    if isinstance(source, SofaDirectivity):
        return _of_sofa(session, facts, take, source, hz, flags)
    if not isinstance(take, ImpulseTake):
        raise InputError(
            f"take {take.id} names a sound file", where="session.toml", remedy='write kind = "impulse response"'
        )
    samples = source.samples[take.channel - 1]
    spectrum = _spectra(samples[None, :], np.zeros(1), float(source.rate_hz), hz)
    scale = 1.0 / source.rate_hz if take.samples == "Pa/V per second" else 1.0
    known = np.broadcast_to(hz < 0.45 * source.rate_hz, spectrum.shape)
    _told_offset(take.id, samples, spectrum[0], flags)
    level = _db(np.abs(spectrum) * scale) + _to_1_m_db(facts)
    directions = from_orbit(take.orbit, take.angle_deg)
    return _One(directions, level, np.angle(spectrum), np.zeros(level.shape), np.array(known), take.id)


def _spectra(samples: FloatArray, start_s: FloatArray, rate_hz: float, hz: FloatArray) -> ComplexArray:
    """(D, F) sums of samples (D, N) times exp(-j omega t), the first at start_s (D,), at the frequencies themselves.

    By a transform padded to four times the length, its bins drawn to hz after the delay of the loudest sample is off:
    what is left is short, so that a straight line between bins serves.
    """
    length = scipy.fft.next_fast_len(4 * samples.shape[1], True)
    late = np.argmax(np.abs(samples), axis=1) / rate_hz
    bins = np.arange(length // 2 + 1) * (rate_hz / length)
    place = np.minimum(hz / (rate_hz / length), length // 2 - 1e-6)
    left = place.astype(int)
    part = place - left
    out = np.empty((len(samples), hz.size), complex)
    for row, (one, delay) in enumerate(zip(samples, late, strict=True)):
        steady = scipy.fft.rfft(one, length)[[left, left + 1]] * np.exp(2j * np.pi * bins[[left, left + 1]] * delay)
        out[row] = (1 - part) * steady[0] + part * steady[1]
    return np.asarray(out * np.exp(-2j * np.pi * hz * (late + start_s)[:, None]), dtype=np.complex128)


def _told_offset(take: str, samples: FloatArray, spectrum: np.ndarray, flags: list[QualityFlag]) -> None:
    """A sum of samples that is no part of the response: a loudspeaker and a microphone pass no constant."""
    constant, loudest = abs(float(samples.sum())), float(np.abs(spectrum).max())
    if constant > 0.1 * loudest:
        sentence = (
            f"The samples of {take} sum to {_db(np.array(constant / loudest)):.0f} dB of the loudest frequency: an "
            "offset or a cut-off tail; the lowest frequencies may be wrong."
        )
        flags.append(
            QualityFlag("offset in an impulse response", "warn", constant / loudest, 0.1, "", (take,), None, sentence)
        )


def _of_table(
    session: Session,
    facts: ResponseFacts,
    take: ResponseTake | ImpulseTake | DirectionsTake,
    table: ResponseTable,
    hz: FloatArray,
    flags: list[QualityFlag],
) -> _One:
    if isinstance(take, DirectionsTake):
        directions = from_orbit(table.plane or take.plane or "horizontal", table.angles_deg)
    elif isinstance(take, ResponseTake):
        directions = from_orbit(take.orbit, take.angle_deg)
        if table.values.shape[0] > 1:
            raise InputError(
                f"take {take.id} names one direction, its file holds {table.values.shape[0]}",
                where=f"session.toml and {table.name}",
                remedy='write kind = "directions"',
            )
    else:
        raise InputError(f"take {take.id} names a table", where="session.toml", remedy='write kind = "response"')
    shift = _to_1_m_db(facts) + 20 * np.log10(REFERENCE_PRESSURE_PA)
    shift -= 20 * np.log10(REFERENCE_VOLTAGE_V if table.unit in ("Pa/V", "dB re 1 Pa/V") else session.drive.voltage_v)
    if facts.level == "relative":
        shift = 0.0
    elif not table.absolute:
        raise InputError(
            f"the unit of {table.name} is {table.unit or 'not known'}, and the session's levels are absolute",
            where="session.toml, [responses]",
            remedy='write level = "relative", or say what the decibels refer to: unit = "dB SPL"',
        )
    phase = None
    if table.phase is not None and all(one.delay_s is not None for one in table.phase):
        phase = np.stack([one.phase_rad for one in table.phase])
    level, u, known, turn = _to_axis(table.hz, table.values, phase, [p.delay_s for p in table.phase or ()], hz)
    for sentence in table.told:
        flags.append(
            QualityFlag("how a table was read", "info", 0.0, 0.0, "", (take.id,), None, f"{take.file}: {sentence}.")
        )
    return _One(directions, level + shift, turn, u, known, take.id)


def _of_sofa(
    session: Session,
    facts: ResponseFacts,
    take: ResponseTake | ImpulseTake | DirectionsTake,
    source: SofaDirectivity,
    hz: FloatArray,
    flags: list[QualityFlag],
) -> _One:
    if source.impulse.size:
        spectrum = _spectra(source.impulse, source.delay_s, source.rate_hz, hz)
        level, phase = _db(np.abs(spectrum)), np.angle(spectrum)
        u = np.zeros(level.shape)
        known = np.array(np.broadcast_to(hz < 0.45 * source.rate_hz, level.shape))
    else:
        # A pressure of exactly 0 stands for none.
        heard = np.isfinite(source.pressure) & (np.abs(source.pressure) > 0.0)
        turned = np.where(heard, np.angle(np.where(heard, source.pressure, 1.0)), 0.0)
        late = [_common_delay_s(source.hz, row) for row in np.unwrap(turned, axis=1)]
        level = np.where(heard, _db(np.abs(np.where(heard, source.pressure, 1.0))), np.nan)
        level, u, known, found = _to_axis(source.hz, level, turned, late, hz)
        phase = turned if found is None else found
    shift = _to_1_m_db(facts) if facts.level == "absolute" else 0.0
    if source.data == "Pa" and facts.level == "absolute":
        shift -= 20 * np.log10(session.drive.voltage_v)
    told = [f"{take.file}: {sentence}." for sentence in source.told]
    directions, level, phase, u, known = _on_orbits(
        take.id, source.directions, level + shift, phase, u, known, told, flags
    )
    for sentence in told:
        flags.append(QualityFlag("how a directivity was read", "info", 0.0, 0.0, "", (take.id,), None, sentence))
    return _One(directions, level, phase, u, known, take.id)


def _on_orbits(
    take: str,
    directions: Directions,
    level: FloatArray,
    phase: FloatArray,
    u: FloatArray,
    known: BoolArray,
    told: list[str],
    flags: list[QualityFlag],
) -> tuple[Directions, FloatArray, FloatArray, FloatArray, BoolArray]:
    """A balloon at the 70 directions of ANSI/CTA-2034-A: those that it holds are taken, the others drawn from it."""
    wanted = cta_orbits()
    at, to = directions.unit_vectors(), wanted.unit_vectors()
    nearness = to @ at.T
    there = np.argmax(nearness, axis=1)
    taken = np.degrees(np.arccos(np.clip(nearness[np.arange(len(to)), there], -1.0, 1.0))) <= SAME_DIRECTION_DEG
    out_level, out_phase, out_u, out_known = level[there], phase[there], u[there], known[there]
    kept = taken.copy()
    if not taken.all():
        both = known.all(axis=0)
        try:
            drawn = balloon_at(at, level[:, both], phase[:, both], to[~taken])
        except ValueError:
            drawn = None
        if drawn is not None:
            rows = np.flatnonzero(~taken)
            out_level, out_phase, out_u, out_known = (x.copy() for x in (out_level, out_phase, out_u, out_known))
            out_known[rows] = False
            for row, source in zip(rows, range(rows.size), strict=True):
                if not drawn.known[source]:
                    continue
                kept[row] = True
                out_level[row, both], out_u[row, both] = drawn.level_db[source], drawn.u_db[source]
                out_phase[row, both] = np.nan_to_num(drawn.phase_rad[source])
                out_known[row] = both
            count = int((~taken & kept).sum())
            if count:
                told.append(
                    f"{int(taken.sum())} of the 70 directions stand in the file, {count} were drawn from its others, "
                    f"by {'harmonics' if drawn.harmonic.any() else 'neighbors'} where they serve"
                )
    if not kept.all():
        sentence = f"{int((~kept).sum())} of the 70 directions lie outside what {take} holds and are missing."
        flags.append(QualityFlag("directions missing", "warn", float((~kept).sum()), 0.0, "", (take,), None, sentence))
    rows = np.flatnonzero(kept)
    return wanted.take(rows), out_level[rows], out_phase[rows], out_u[rows], out_known[rows]


def _to_1_m_db(facts: ResponseFacts) -> float:
    return float(20 * np.log10(facts.reference_distance_m)) - (
        GROUND_PLANE_DB if facts.space == "ground plane" else 0.0
    )


def _db(size: FloatArray) -> FloatArray:
    return np.asarray(20 * np.log10(np.maximum(size, 1e-30)), dtype=float)


def _common_delay_s(hz: FloatArray, unwrapped_rad: FloatArray) -> float:
    x = 2 * np.pi * (hz - hz.mean())
    return -float(np.dot(x, unwrapped_rad)) / float(np.dot(x, x))


def _to_axis(
    hz: FloatArray, level: FloatArray, phase: FloatArray | None, delay_s: Sequence[float | None], wanted: FloatArray
) -> tuple[FloatArray, FloatArray, BoolArray, FloatArray | None]:
    """Level, its u, where it is known, and phase (D, G) at other frequencies; level (D, F) with NaN where missing."""
    x, to = np.log(hz), np.log(wanted)
    left = np.clip(np.searchsorted(x, to, side="right") - 1, 0, x.size - 2)
    part = np.clip((to - x[left]) / (x[left + 1] - x[left]), 0.0, 1.0)
    drawn = level[:, left] * (1 - part) + level[:, left + 1] * part
    # A missing neighbor that has no weight does not matter.
    drawn = np.where(part == 0.0, level[:, left], np.where(part == 1.0, level[:, left + 1], drawn))
    inside = (wanted >= hz[0] * (1 - 1e-6)) & (wanted <= hz[-1] * (1 + 1e-6))
    known = np.isfinite(drawn) & inside
    bend = np.zeros_like(level)
    if x.size > 2:
        bend[:, 1:-1] = np.abs(level[:, 2:] - 2 * level[:, 1:-1] + level[:, :-2])
    bend = np.nan_to_num(bend)
    u = np.maximum(bend[:, left], bend[:, left + 1]) / 8.0 * 4.0 * part * (1 - part)
    turn = None
    if phase is not None:
        late = np.array([one or 0.0 for one in delay_s])[:, None]
        steady = np.unwrap(np.nan_to_num(phase) + 2 * np.pi * hz * late, axis=1)
        turn = steady[:, left] * (1 - part) + steady[:, left + 1] * part - 2 * np.pi * wanted * late
    return np.where(known, drawn, 0.0), np.where(known, u, 0.0), known, turn


def _together(parts: Sequence[_One], flags: list[QualityFlag]) -> _One:
    """All directions, each once; a direction that both orbits give keeps the first."""
    if not parts:
        raise InputError("the session holds no responses", where="session.toml")
    every = join([part.directions for part in parts])
    rows: dict[tuple[float, ...], int] = {}
    for row, vector in enumerate(every.unit_vectors()):
        rows.setdefault(tuple(float(v) + 0.0 for v in np.round(vector, 4)), row)
    kept = np.array(list(rows.values()))
    phases = [part.phase_rad for part in parts]
    silent = [part.take for part in parts if part.phase_rad is None]
    if silent and len(silent) < len(parts):
        sentence = f"{len(silent)} of {len(parts)} responses have no phase; none is used."
        flags.append(
            QualityFlag("phase of some only", "info", float(len(silent)), 0.0, "", tuple(silent), None, sentence)
        )
    together = None if silent else np.concatenate([phase for phase in phases if phase is not None])[kept]
    return _One(
        every.take(kept),
        np.concatenate([part.level_db for part in parts])[kept],
        together,
        np.concatenate([part.u_db for part in parts])[kept],
        np.concatenate([part.known for part in parts])[kept],
        "",
    )


def _from_first_sound(whole: _One, hz: FloatArray) -> _One:
    """Time counted from the on-axis sound, alike for all directions: where a recording began tells nothing."""
    if whole.phase_rad is None:
        return whole
    front = int(np.argmax(whole.directions.unit_vectors()[:, 0]))
    band = whole.known[front] & (hz > _LATE_FROM_HZ)
    if band.sum() < 3:
        return whole
    # A delay of t turns neighbors apart by up to 2 pi t times their step; the coarse search keeps within half a turn.
    tried = np.arange(-0.005, 0.25, 2e-5)
    steady = np.exp(1j * whole.phase_rad[front, band])
    weight = 10 ** (whole.level_db[front, band] / 20)
    fit = np.abs((weight * steady) @ np.exp(2j * np.pi * np.outer(hz[band], tried)))
    late = float(tried[int(np.argmax(fit))])
    if abs(late) < _SHORT_S:
        return whole
    return replace(whole, phase_rad=np.asarray(whole.phase_rad + 2 * np.pi * hz * late, dtype=float))


def _phase_kind(facts: ResponseFacts, whole: _One, flags: list[QualityFlag]) -> PhaseKind:
    if whole.phase_rad is None or facts.phase == "none":
        sentence = "The data have no phase: nothing in time, no sum with another source, no crossover can be read."
        flags.append(QualityFlag("no phase", "info", 0.0, 0.0, "", (), None, sentence))
        return "none"
    if facts.phase == "one time reference":
        return "common"
    if facts.phase == "unknown":
        sentence = (
            "Whether the directions share one time is not stated: each one's phase is used by itself. If they do, "
            'write phase = "one time reference" under [responses].'
        )
        flags.append(QualityFlag("time reference not stated", "info", 0.0, 0.0, "", (), None, sentence))
    return "own"


def _gate(facts: ResponseFacts, whole: _One, hz: FloatArray) -> Gate:
    known = hz[whole.known.any(axis=0)]
    lowest = float(known[0]) if known.size else float(hz[0])
    if facts.gate_ms is None:
        return Gate(0.0, 0.1, 0.0, None, facts.space if facts.space != "unknown" else NOT_STATED, lowest)
    end = facts.gate_ms / 1e3
    return Gate(0.0, end, 0.0, end, "stated by the tester", max(lowest, LOWEST_TIMES_LENGTH / end))


def _within(facts: ResponseFacts, gate: Gate, hz: FloatArray) -> BoolArray:
    low = max(facts.lowest_hz or 0.0, gate.lowest_valid_hz if facts.gate_ms is not None else 0.0)
    return np.asarray((hz >= low * (1 - 1e-9)) & (hz <= (facts.highest_hz or np.inf) * (1 + 1e-9)), dtype=np.bool_)


def _facts_flags(facts: ResponseFacts, whole: _One, hz: FloatArray) -> list[QualityFlag]:
    found = []
    if facts.gate_ms is None and facts.space in ("unknown", "gated", "room"):
        where = "in a room" if facts.space == "room" else "at a place that is not stated"
        sentence = (
            f"The responses were taken {where}, without a stated gate: below some hundred hertz they may hold the "
            "room. State gate_ms, or lowest_hz from which they are good."
        )
        flags_known = facts.lowest_hz is not None
        found.append(
            QualityFlag("gate not stated", "info" if flags_known else "warn", 0.0, 0.0, "", (), None, sentence)
        )
    if facts.space == "ground plane":
        sentence = "Levels on a ground plane are 6.02 dB above those in free field; that was taken off."
        found.append(QualityFlag("ground plane", "info", GROUND_PLANE_DB, 0.0, "dB", (), None, sentence))
    coarse = (whole.u_db > 0.3) & whole.known
    if coarse.any():
        low, high = hz[coarse.any(axis=0)][[0, -1]]
        sentence = (
            f"Between {low:.0f} and {high:.0f} Hz the data's points lie too far apart for what happens between "
            f"them; up to {float(2 * whole.u_db[whole.known].max()):.1f} dB of the uncertainty there comes from that."
        )
        size = float(whole.u_db[whole.known].max())
        found.append(QualityFlag("coarse points", "warn", size, 0.3, "dB", (), (float(low), float(high)), sentence))
    return found


def _causes(facts: ResponseFacts, hz: FloatArray) -> tuple[Cause, ...]:
    """As stated; otherwise what a careful measurement leaves (common practice, no source)."""
    flat = np.ones((1, hz.size))
    source = "assumed: 0.2 dB a direction (common practice, no source)"
    own = Cause(name="places and repeats", source=source, pull_db=flat * ASSUMED_OWN_U_DB, each=True)
    if facts.u_db is not None:
        stated = "as the owner of the data states it"
        return (own, Cause(name="stated", source=stated, pull_db=flat * facts.u_db))
    source = "not stated: 0.5 dB assumed (common practice, no source)"
    level = Cause(name="level", source=source, pull_db=flat * ASSUMED_LEVEL_U_DB)
    source = "not stated: 0.5 dB to 10 kHz, 1 dB above assumed (common practice, no source)"
    rising = np.where(hz > 10_000.0, 2.0, 1.0) * ASSUMED_SHAPE_U_DB
    return (own, level, *smooth_causes("microphone", source, rising, hz))


def _impulse(pressure: np.ndarray, known: BoolArray, hz: FloatArray) -> FloatArray:
    """On-axis impulse response for looking at, from what is known of the band."""
    if known.sum() < 4:
        return np.zeros(_IMPULSE_SAMPLES)
    at = hz[known]
    size, turn = np.abs(pressure[known]), np.unwrap(np.angle(pressure[known]))
    level = np.interp(_CONTEXT_HZ, at, size, left=0.0, right=0.0)
    phase = np.interp(_CONTEXT_HZ, at, turn)
    late = _common_delay_s(at[at > 500.0], turn[at > 500.0]) if (at > 500.0).sum() > 2 else 0.0
    spectrum = level * np.exp(1j * (phase + 2 * np.pi * _CONTEXT_HZ * (late - _ONSET_S)))
    return np.asarray(np.fft.irfft(spectrum, _IMPULSE_SAMPLES), dtype=float)
