"""A session that holds responses instead of recordings: tables, impulse responses, directivities become a Measurement.

What was done to them stands in the session's facts; what the data cannot bear is said and left out.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from earwitness.errors import InputError
from earwitness.formats.audio import Recording
from earwitness.formats.directivity_sofa import SofaDirectivity
from earwitness.formats.level_table import LevelColumn, LevelTable
from earwitness.formats.response_table import ResponseTable
from earwitness.formats.table_columns import title_of
from earwitness.quantities import (
    REFERENCE_PRESSURE_PA,
    REFERENCE_VOLTAGE_V,
    Average,
    BudgetLine,
    Cause,
    DirectionalResponse,
    Gate,
    Harmonics,
    Impedance,
    Measurement,
    MultitoneReading,
    QualityFlag,
    from_orbit,
    report_axis,
)
from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray, IntArray
from earwitness.quantities.directions import join
from earwitness.quantities.measurement import MultitoneLines
from earwitness.quantities.response import PhaseKind, smooth_causes
from earwitness.reduce.budget import budget_of
from earwitness.reduce.flags import flag
from earwitness.reduce.gate import LOWEST_TIMES_LENGTH
from earwitness.reduce.plan import ReduceSettings, lineage_of
from earwitness.reduce.response_doubts import response_doubts
from earwitness.reduce.response_parts import (
    AVERAGED_U_DB,
    GROUND_PLANE_DB,
    SAME_DIRECTION_DEG,
    Drawing,
    Part,
    Trust,
    common_delay_s,
    drawn,
    parted,
    rows_of,
    trust_at,
)
from earwitness.session.response_files import ResponseSource
from earwitness.session.responses import (
    RESPONSE_FILES,
    RESPONSE_TAKES,
    CurvesTake,
    LevelTableTake,
    MultitoneTableTake,
    ResponseFacts,
    UncertaintyTake,
)
from earwitness.session.session import ImpedanceTableTake, Session

ASSUMED_LEVEL_U_DB, ASSUMED_SHAPE_U_DB, ASSUMED_OWN_U_DB = 0.5, 0.5, 0.2
NOT_KNOWN_SNR_DB = 60.0
_IMPULSE_RATE_HZ, _IMPULSE_SAMPLES, _ONSET_S = 48_000, 4096, 0.01
_CONTEXT_HZ = np.arange(_IMPULSE_SAMPLES // 2 + 1) * (_IMPULSE_RATE_HZ / _IMPULSE_SAMPLES)
NOT_STATED = "not stated"
_LATE_FROM_HZ, _SHORT_S = 500.0, 0.02


def reduce_responses(
    session: Session,
    sources: Mapping[str, ResponseSource],
    settings: ReduceSettings,
    *,
    impedance: Impedance | None = None,
) -> Measurement:
    """The measurement of a session of responses. sources : what each take's file holds, by the take's id.

    Levels are referred to 1 m by 20 lg of the stated distance and to 1 V by the stated voltage (definitions).
    Validity and uncertainty that files state are kept; levels that are not valid stay, so that averages can count
    them with their doubt. Where nothing is stated, what a careful measurement leaves is assumed.
    InputError where a take's file was not read, or no direction is left.
    """
    facts = session.responses or ResponseFacts()
    hz = report_axis().hz
    flags: list[QualityFlag] = []
    parts, averages = _parts(session, facts, sources, hz, flags)
    if not parts:
        raise InputError("the session holds no responses", where="session.toml")
    flags += response_doubts(session, facts, sources, parts, hz)
    whole = _with_trust(session, sources, _together(parts, flags), hz)
    # Given as sound over time, whose beginning is nobody's choice.
    if any(isinstance(s, Recording) or (isinstance(s, SofaDirectivity) and s.impulse.size) for s in sources.values()):
        whole = _from_first_sound(whole, hz)
    gate = _gate(facts, whole, hz)
    phase = _phase_kind(facts, whole, flags)
    known = whole.known & _within(facts, gate, hz)
    stated = np.array(np.isfinite(whole.trust.u_db).any(axis=1), dtype=np.bool_)
    flags += _facts_flags(facts, whole, hz)
    causes = _causes(facts, hz, stated)
    pressure = _pressure(whole, known)
    lineage = lineage_of(session, settings)
    response = DirectionalResponse(
        axis=report_axis(),
        directions=whole.directions,
        pressure=pressure,
        u_db=np.hypot(whole.u_db, np.nan_to_num(whole.trust.u_db)),
        u_common_db=np.nan_to_num(whole.trust.common_db) if stated.any() else np.zeros(hz.size),
        valid=known & whole.trust.valid,
        absolute=facts.level == "absolute",
        distance_m=facts.measured_distance_m or facts.reference_distance_m,
        lineage=(lineage.key,),
        causes=causes,
        phase=phase,
        half_space=facts.space == "half space",
    )
    front = whole.directions.on_axis_row()
    harmonics, multitones = level_tables(session, sources, response, flags)
    used = {take.id for take in session.takes if isinstance(take, RESPONSE_FILES)}
    used |= {take.id for take in session.takes_of(ImpedanceTableTake)} if impedance is not None else set()
    return Measurement(
        response=response,
        snr_db=np.full(pressure.shape, NOT_KNOWN_SNR_DB),
        gate=gate,
        splice=None,
        near_field=(),
        harmonics=harmonics,
        multitones=multitones,
        averages=tuple(replace(one, valid=one.valid & _within(facts, gate, hz)) for one in averages),
        impedance=impedance,
        impulse_rate_hz=float(_IMPULSE_RATE_HZ),
        impulse=_impulse(pressure[front], known[front], hz) if phase != "none" else np.zeros(0),
        impulse_onset_s=_ONSET_S,
        budget=(*budget_of(causes, front), *_budget_lines(whole, front, stated=bool(stated[front]))),
        flags=tuple(flags),
        kept_takes=tuple(sorted(take.id for take in session.takes if take.id not in used)),
        steps=(lineage,),
    )


def _pressure(whole: Part, known: BoolArray) -> ComplexArray:
    """(D, F) [Pa/V at 1 m, or relative], 0 where nothing is known."""
    level = np.where(known, whole.level_db, 0.0)
    turn = np.zeros_like(level) if whole.phase_rad is None else np.nan_to_num(whole.phase_rad)
    return np.asarray(np.where(known, 10 ** (level / 20) * np.exp(1j * turn), 0.0), dtype=np.complex128)


def _budget_lines(whole: Part, front: int, *, stated: bool) -> list[BudgetLine]:
    """What the data themselves leave open on the axis: their grid, and what their files state."""
    lines = [BudgetLine("grid of the data", "straight lines between points", whole.u_db[front], False)]
    if stated:
        source = "as the files state it"
        lines.append(BudgetLine("stated, this direction", source, np.nan_to_num(whole.trust.u_db[front]), False))
        lines.append(BudgetLine("stated, all directions", source, np.nan_to_num(whole.trust.common_db), True))
    return lines


def _parts(
    session: Session,
    facts: ResponseFacts,
    sources: Mapping[str, ResponseSource],
    hz: FloatArray,
    flags: list[QualityFlag],
) -> tuple[list[Part], list[Average]]:
    """All directions of a session, and the averages of curves alone. InputError for averages beside directions."""
    parts: list[Part] = []
    averages: list[Average] = []
    curves = session.takes_of(CurvesTake)
    on = Drawing(session, facts, hz, flags)
    for take in session.takes:
        if not isinstance(take, RESPONSE_TAKES):
            continue
        part = drawn(on, take, sources.get(take.id))
        if not isinstance(take, CurvesTake):
            parts.append(part)
            continue
        source = sources[take.id]
        told = source.curves if isinstance(source, ResponseTable) else ()
        on_axis, others = parted(part, told or (key_of(take.curve or ""),) * len(part.level_db))
        parts += on_axis
        averages += others
    if not curves:
        return parts, []
    names = [average.key for average in averages]
    if len(parts) != 1 or len(set(names)) < len(names) or parts[0].directions.unit_vectors()[0, 0] < 1.0 - 1e-9:
        raise InputError.of("reduce.curves_beside_directions", where="session.toml", count=len(parts))
    flags.append(flag("curves_alone", takes=tuple(take.id for take in curves), averaged_u_db=AVERAGED_U_DB))
    return parts, averages


def key_of(curve: str) -> str:
    """The key of a curve by its name in a session."""
    return title_of(curve).curve


def _together(parts: Sequence[Part], flags: list[QualityFlag]) -> Part:
    """All directions, each once; a direction that both orbits give keeps the first."""
    every = join([part.directions for part in parts])
    rows: dict[tuple[float, ...], int] = {}
    for row, vector in enumerate(every.unit_vectors()):
        rows.setdefault(tuple(float(v) + 0.0 for v in np.round(vector, 4)), row)
    kept = np.array(list(rows.values()))
    phases = [part.phase_rad for part in parts]
    silent = [part.take for part in parts if part.phase_rad is None]
    if silent and len(silent) < len(parts):
        flags.append(flag("phase_of_some_only", len(silent), takes=silent, count=len(parts)))
    together = None if silent else np.concatenate([phase for phase in phases if phase is not None])[kept]
    common = np.stack([part.trust.common_db for part in parts])
    trust = Trust(
        np.concatenate([part.trust.valid for part in parts])[kept],
        np.concatenate([part.trust.u_db for part in parts])[kept],
        np.where(np.isfinite(common).all(axis=0), np.max(common, axis=0), np.nan),
    )
    return Part(
        directions=every.take(kept),
        level_db=np.concatenate([part.level_db for part in parts])[kept],
        phase_rad=together,
        u_db=np.concatenate([part.u_db for part in parts])[kept],
        known=np.concatenate([part.known for part in parts])[kept],
        trust=trust,
        take="",
    )


def _with_trust(session: Session, sources: Mapping[str, ResponseSource], whole: Part, hz: FloatArray) -> Part:
    """Validity and uncertainty from files of their own, put to the directions that they name.

    A series of harmonics has a value everywhere; beside such files only the directions that they name were measured.
    InputError where such a file names a direction that no response has.
    """
    valid, u, common = whole.trust.valid.copy(), whole.trust.u_db.copy(), whole.trust.common_db.copy()
    at = whole.directions.unit_vectors()
    told = np.zeros(len(at), dtype=np.bool_)
    for take in session.takes_of(UncertaintyTake):
        table = sources.get(take.id)
        if not isinstance(table, ResponseTable):
            raise InputError(f"the file of take {take.id} was not read", where="session.toml")
        stated = trust_at(table.hz, len(table.values), table.valid, table.values, table.u_common_db, wanted=hz)
        named = from_orbit(table.plane or take.plane or "horizontal", table.angles_deg).unit_vectors()
        nearness = named @ at.T
        rows = np.argmax(nearness, axis=1)
        away = np.degrees(np.arccos(np.clip(nearness[np.arange(len(named)), rows], -1.0, 1.0)))
        if (away > SAME_DIRECTION_DEG).any():
            lost = int(np.argmax(away))
            raise InputError.of(
                "reduce.uncertainty_alone", where="session.toml", take=take, angle_deg=table.angles_deg[lost]
            )
        valid[rows], u[rows] = stated.valid, stated.u_db
        common = np.fmax(common, stated.common_db)
        told[rows] = True
    trust = Trust(valid, u, common)
    if told.any() and any(isinstance(source, SofaDirectivity) for source in sources.values()):
        return rows_of(replace(whole, trust=trust), np.flatnonzero(told))
    return replace(whole, trust=trust)


def _from_first_sound(whole: Part, hz: FloatArray) -> Part:
    """Time counted from the on-axis sound, alike for all directions: where a recording began tells nothing."""
    if whole.phase_rad is None:
        return whole
    front = whole.directions.on_axis_row()
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


def _phase_kind(facts: ResponseFacts, whole: Part, flags: list[QualityFlag]) -> PhaseKind:
    if whole.phase_rad is None or facts.phase == "none":
        flags.append(flag("no_phase"))
        return "none"
    if facts.phase == "one time reference":
        return "common"
    if facts.phase == "unknown":
        flags.append(flag("time_reference_not_stated"))
    return "own"


def _gate(facts: ResponseFacts, whole: Part, hz: FloatArray) -> Gate:
    known = hz[whole.known.any(axis=0)]
    lowest = float(known[0]) if known.size else float(hz[0])
    if facts.gate_ms is None:
        return Gate(0.0, 0.1, 0.0, None, facts.space if facts.space != "unknown" else NOT_STATED, lowest)
    end = facts.gate_ms / 1e3
    return Gate(0.0, end, 0.0, end, "stated by the tester", lowest_valid_hz=max(lowest, LOWEST_TIMES_LENGTH / end))


def _within(facts: ResponseFacts, gate: Gate, hz: FloatArray) -> BoolArray:
    low = max(facts.lowest_hz or 0.0, gate.lowest_valid_hz if facts.gate_ms is not None else 0.0)
    return np.asarray((hz >= low * (1 - 1e-9)) & (hz <= (facts.highest_hz or np.inf) * (1 + 1e-9)), dtype=np.bool_)


def _facts_flags(facts: ResponseFacts, whole: Part, hz: FloatArray) -> list[QualityFlag]:
    found = []
    if facts.gate_ms is None and facts.space in ("unknown", "gated", "room"):
        where = "in a room" if facts.space == "room" else "at a place that is not stated"
        found.append(flag("gate_not_stated", severity="warn" if facts.lowest_hz is None else "info", where=where))
    if facts.space == "ground plane":
        found.append(flag("ground_plane_taken_off", GROUND_PLANE_DB))
    coarse = (whole.u_db > 0.3) & whole.known
    if coarse.any():
        low, high = hz[coarse.any(axis=0)][[0, -1]]
        size = float(whole.u_db[whole.known].max())
        found.append(flag("coarse_points", size, 0.3, band_hz=(float(low), float(high)), expanded_db=2 * size))
    return found


def _causes(facts: ResponseFacts, hz: FloatArray, stated: BoolArray) -> tuple[Cause, ...]:
    """As stated; otherwise what a careful measurement leaves (common practice, no source).

    stated : (D,) directions whose file states its own uncertainty, which nothing is added to.
    """
    if stated.all():
        return ()
    flat = np.ones((1, hz.size)) if not stated.any() else np.where(stated, 0.0, 1.0)[:, None] * np.ones(hz.size)
    source = "assumed: 0.2 dB a direction (common practice, no source)"
    own = Cause(name="places and repeats", source=source, pull_db=flat * ASSUMED_OWN_U_DB, each=True)
    if facts.u_db is not None:
        said = "as the owner of the data states it"
        return (own, Cause(name="stated", source=said, pull_db=flat * facts.u_db))
    source = "not stated: 0.5 dB assumed (common practice, no source)"
    level = Cause(name="level", source=source, pull_db=flat * ASSUMED_LEVEL_U_DB)
    source = "not stated: 0.5 dB to 10 kHz, 1 dB above assumed (common practice, no source)"
    rising = np.where(hz > 10_000.0, 2.0, 1.0) * ASSUMED_SHAPE_U_DB
    shape = smooth_causes("microphone", source, rising, hz)
    return (own, level, *(replace(cause, pull_db=flat * cause.pull_db) for cause in shape))


def _impulse(pressure: np.ndarray, known: BoolArray, hz: FloatArray) -> FloatArray:
    """On-axis impulse response for looking at, from what is known of the band."""
    if known.sum() < 4:
        return np.zeros(_IMPULSE_SAMPLES)
    at = hz[known]
    size, turn = np.abs(pressure[known]), np.unwrap(np.angle(pressure[known]))
    level = np.interp(_CONTEXT_HZ, at, size, left=0.0, right=0.0)
    phase = np.interp(_CONTEXT_HZ, at, turn)
    late = common_delay_s(at[at > 500.0], turn[at > 500.0]) if (at > 500.0).sum() > 2 else 0.0
    spectrum = level * np.exp(1j * (phase + 2 * np.pi * _CONTEXT_HZ * (late - _ONSET_S)))
    return np.asarray(np.fft.irfft(spectrum, _IMPULSE_SAMPLES), dtype=float)


# Tables of distortion, levels and multitones by drive level become what recordings of a level series become.
#
# A harmonic in percent, as a ratio or in dB is put beside the fundamental by definition (20 lg of the share). Where the
# data hold no level of the fundamental, it is the on-axis response raised by the voltage: then distortion is known and
# compression is not.

ORDERS = (2, 3, 4, 5)
_LOWEST_DB, _NO_NOISE_DB = -250.0, -300.0
_BAND_HZ = (300.0, 3000.0)
# Half width of a tone in lines, and noise bandwidth in lines (Harris 1978, from memory).
_WINDOWS = {"none": (0, 1.0), "Hann": (2, 1.5), "Blackman-Harris": (4, 2.004)}
# What stands near a tone, how far a tone stands clear, and how weak it may be, as powers (own choice).
_NEAR, _CLEAR, _WEAKEST = 2.0**0.5, 4.0, 1e-4


@dataclass(slots=True, eq=False)
class _Level:
    """What the tables hold at one voltage, (F,) each with NaN where nothing is told; order 0 is the total, or all."""

    take: str
    temperature_c: float | None
    fundamental_db: FloatArray | None = None
    noise_db: dict[int, FloatArray] = field(default_factory=dict)
    relative: dict[int, tuple[str, FloatArray]] = field(default_factory=dict)


def level_tables(
    session: Session, sources: Mapping[str, ResponseSource], response: DirectionalResponse, flags: list[QualityFlag]
) -> tuple[tuple[Harmonics, ...], tuple[MultitoneReading, ...]]:
    """Harmonics by voltage and multitones of a session's tables; response : whose on-axis level stands in.

    InputError for a table that was not read, for a sound pressure level where the response has none, and a spectrum
    whose tones are not those stated.
    """
    takes = session.takes_of(LevelTableTake)
    front = response.directions.on_axis_row()
    on_axis = np.where(response.valid[front], response.level_db()[front], np.nan)
    levels: dict[tuple[float, float], _Level] = {}
    for take in takes:
        for column in _table(sources, take.id).columns:
            volts = _volts(take, column, response, on_axis)
            one = levels.setdefault((take.distance_m, round(volts, 4)), _Level(take.id, take.temperature_c))
            _put(one=one, take=take, column=column, volts=volts, on_axis=on_axis, hz=response.axis.hz)
    told = {order for one in levels.values() for order in one.relative}
    orders = tuple(sorted(told & set(ORDERS))) or ((0,) if told == {0} else ORDERS)
    if told - {0} and orders != ORDERS:
        names = " and ".join(map(str, orders))
        _tell(flags, takes, f"The tables hold harmonics {names} alone: every total is that of these.")
    if 0 in told and orders != (0,):
        _tell(flags, takes, "The total distortion of the tables is computed anew from the harmonics that they hold.")
    if takes and not any(one.noise_db for one in levels.values()):
        _tell(flags, takes, "The tables tell no noise: what they call distortion may hold some.")
    made = [
        _harmonics(one=one, volts=volts, distance_m=distance_m, orders=orders, on_axis=on_axis, response=response)
        for (distance_m, volts), one in sorted(levels.items())
    ]
    tones = [_multitone(take, _table(sources, take.id)) for take in session.takes_of(MultitoneTableTake)]
    return tuple(made), tuple(tones)


def _tell(flags: list[QualityFlag], takes: Sequence[LevelTableTake], sentence: str) -> None:
    names = tuple(take.id for take in takes)
    flags.append(flag("how_a_table_was_read", takes=names, words=sentence))


def _table(sources: Mapping[str, ResponseSource], take: str) -> LevelTable:
    found = sources.get(take)
    if not isinstance(found, LevelTable):
        raise InputError(f"the file of take {take} was not read", where="session.toml")
    return found


def _volts(take: LevelTableTake, column: LevelColumn, response: DirectionalResponse, on_axis: FloatArray) -> float:
    if column.drive_v is not None:
        return column.drive_v
    if column.at_db is None:
        if take.drive_v is None:
            raise InputError(f"take {take.id} states no voltage", where="session.toml", remedy="write drive_v")
        return take.drive_v
    hz = response.axis.hz
    band = (hz >= _BAND_HZ[0]) & (hz <= _BAND_HZ[1]) & np.isfinite(on_axis)
    if not response.absolute or not band.any():
        raise InputError.of("reduce.level_without_response", where="session.toml", take=take, column=column)
    mean = 10 * np.log10(np.mean(10 ** (on_axis[band] / 10)))
    return float(REFERENCE_VOLTAGE_V * 10 ** ((column.at_db - mean) / 20))


def _put(
    one: _Level, take: LevelTableTake, column: LevelColumn, volts: float, on_axis: FloatArray, hz: FloatArray
) -> None:
    values = column.values
    with np.errstate(divide="ignore", invalid="ignore"):
        if column.unit in ("%", "ratio"):
            values = np.maximum(20 * np.log10(values / (100.0 if column.unit == "%" else 1.0)), _LOWEST_DB)
    drawn = np.interp(np.log(hz), np.log(column.hz), values, left=np.nan, right=np.nan)
    if column.role == "level":
        one.fundamental_db = drawn if one.fundamental_db is None else one.fundamental_db
    elif column.role == "noise":
        one.noise_db[column.order] = drawn
    elif column.role == "compression":
        # The level that the losses count from is the response's own at that voltage.
        at_1_m = on_axis + 20 * math.log10(volts / REFERENCE_VOLTAGE_V) - drawn
        one.fundamental_db = at_1_m - 20 * math.log10(take.distance_m)
    else:
        one.relative[column.order] = (column.unit, drawn)


def _harmonics(
    one: _Level,
    volts: float,
    distance_m: float,
    orders: tuple[int, ...],
    on_axis: FloatArray,
    response: DirectionalResponse,
) -> Harmonics:
    raised = on_axis + 20 * math.log10(volts / REFERENCE_VOLTAGE_V / distance_m)
    told = one.fundamental_db if one.fundamental_db is not None else np.full(raised.size, np.nan)
    measured: BoolArray = np.asarray(np.isfinite(told), dtype=np.bool_)
    fundamental = np.where(measured, told, raised)
    level = np.full((len(orders), raised.size), _NO_NOISE_DB)
    for row, order in enumerate(orders):
        unit, values = one.relative.get(order, ("dB SPL", level[row] * np.nan))
        level[row] = values if unit == "dB SPL" else fundamental + values
    valid = np.isfinite(level) & np.isfinite(fundamental)
    quiet = np.full(raised.size, _NO_NOISE_DB)
    noise = np.array([one.noise_db.get(order, one.noise_db.get(0, quiet)) for order in orders])
    return Harmonics(
        take=one.take,
        drive_v=volts,
        distance_m=distance_m,
        place="far-field",
        orders=orders,
        axis=response.axis,
        fundamental_db=np.nan_to_num(fundamental, nan=_NO_NOISE_DB),
        harmonic_db=np.where(valid, level, _NO_NOISE_DB),
        noise_db=np.nan_to_num(noise, nan=_NO_NOISE_DB),
        valid=valid,
        temperature_c=one.temperature_c,
        level_known=measured,
    )


def _multitone(take: MultitoneTableTake, table: LevelTable) -> MultitoneReading:
    """Tones and residue as a table lists them, or found in a spectrum."""
    parts = {column.role: column for column in table.columns}
    if "level" not in parts:
        raise InputError(f"take {take.id} names no level of tones", where=take.file, remedy='title it "tone dB SPL"')
    hz, tone = parts["level"].hz, _power(parts["level"].values)
    if "distortion" not in parts:
        return _of_spectrum(take, hz, tone)
    residue = _share(parts["distortion"], tone)
    noise = _share(parts["noise"], tone) if "noise" in parts else None
    lines = MultitoneLines(
        frequency_hz=hz,
        tone=tone,
        residue=residue,
        noise=noise,
        total_tone=float(tone.sum()),
        total_residue=float(residue.sum()),
        total_noise=None if noise is None else float(noise.sum()),
        periods=1,
        drift=0.0,
    )
    return MultitoneReading(take.id, take.drive_v, take.distance_m, take.crest_db, lines)


def _power(level_db: FloatArray) -> FloatArray:
    """Mean squares [Pa^2]; a missing line holds nothing."""
    return np.nan_to_num(REFERENCE_PRESSURE_PA**2 * 10 ** (level_db / 10), nan=0.0)


def _share(column: LevelColumn, tone: FloatArray) -> FloatArray:
    if column.unit == "dB SPL":
        return _power(column.values)
    size = {"%": column.values / 100.0, "ratio": column.values}.get(column.unit, 10 ** (column.values / 20))
    return np.nan_to_num(tone * size**2)


def _of_spectrum(take: MultitoneTableTake, hz: FloatArray, power: FloatArray) -> MultitoneReading:
    """The tones are the lines that stand highest against the strongest within half an octave; the rest is residue.

    Powers of lines are divided by the noise bandwidth of the window, so that a sum over lines is a power.
    """
    steps = np.diff(hz)
    if take.window is None or take.tones is None or not np.allclose(steps, steps[0], rtol=1e-2):
        raise InputError.of("reduce.spectrum_unstated", where=f"session.toml and {take.file}", take=take)
    half, bandwidth = _WINDOWS[take.window]
    rows = _tone_rows(hz, power, half, take)
    near = np.clip(rows[:, None] + np.arange(-half, half + 1), 0, hz.size - 1)
    tone = power[near].sum(axis=1) / bandwidth
    rest = power / bandwidth
    rest[near.reshape(-1)] = 0.0
    middle = np.sqrt(hz[rows][:-1] * hz[rows][1:])
    edges = np.concatenate([[hz[rows[0]] ** 2 / middle[0]], middle, [hz[rows[-1]] ** 2 / middle[-1]]])
    band = np.digitize(hz, edges) - 1
    inside = (band >= 0) & (band < rows.size)
    residue = np.bincount(band[inside], weights=rest[inside], minlength=rows.size).astype(float)
    total = float(rest[hz >= hz[rows[0]] / 2].sum())
    lines = MultitoneLines(hz[rows], tone, residue, None, float(tone.sum()), total, None, 1, 0.0)
    return MultitoneReading(take.id, take.drive_v, take.distance_m, take.crest_db, lines)


def _tone_rows(hz: FloatArray, power: FloatArray, half: int, take: MultitoneTableTake) -> IntArray:
    """(K,) lines that are tones. InputError where the K strongest do not stand clear of the next one."""
    count, reach = take.tones or 0, max(half, 1)
    top = np.concatenate([np.zeros(reach), power, np.zeros(reach)])
    near = np.lib.stride_tricks.sliding_window_view(top, 2 * reach + 1).max(axis=1)
    peaks = np.flatnonzero((power >= near) & (power > 0.0))
    low, high = np.searchsorted(hz[peaks], hz[peaks] / _NEAR), np.searchsorted(hz[peaks], hz[peaks] * _NEAR, "right")
    # Beyond the tones nothing strong is near: there the strongest of all, lowered, is the measure.
    least = _WEAKEST * power.max()
    score = np.array(
        [power[at] / max(power[peaks[a:b]].max(), least) for at, a, b in zip(peaks, low, high, strict=True)]
    )
    order = np.argsort(-score, kind="stable")
    if peaks.size < count or (peaks.size > count and score[order[count]] * _CLEAR > score[order[count - 1]]):
        raise InputError.of("reduce.spectrum_without_tones", where=take.file, take=take, count=count)
    return np.sort(peaks[order[:count]])
