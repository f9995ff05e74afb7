"""Responses, impedances and distortions from text tables: what the columns mean, in canonical units, or what to ask.

A table that leaves its meaning open is read under the likeliest meaning and carries questions; whoever reads it must
settle them (`answers`) before a number is used. A range of values may rank the readings, never choose one.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np

from earwitness.errors import FormatError
from earwitness.files.data import worded
from earwitness.formats.table import Block, TextTable, parse_table, refused, text_of
from earwitness.formats.table_columns import LEVEL_UNITS, Column, Plane, Title, columns_of, plane_of, title_of
from earwitness.quantities import REFERENCE_PRESSURE_PA, REFERENCE_VOLTAGE_V, BoolArray, FloatArray, IntArray, Locked

Kind = Literal["curve", "curves", "directions", "impedance", "distortion", "uncertainty"]
SAME_DB = 0.01
MAX_FREQUENCY_HZ = 400_000.0
_VALUES = ("level", "magnitude", "real", "impedance", "distortion")
_OFFSET_DB = {
    "dB SPL": 0.0,
    "dB re 1 Pa": -20 * np.log10(REFERENCE_PRESSURE_PA),
    "dB re 1 Pa/V": 20 * np.log10(REFERENCE_VOLTAGE_V / REFERENCE_PRESSURE_PA),
    "Pa": -20 * np.log10(REFERENCE_PRESSURE_PA),
    "Pa/V": 20 * np.log10(REFERENCE_VOLTAGE_V / REFERENCE_PRESSURE_PA),
}


def level_offset_db(unit: str) -> float:
    """What takes a level of a unit to dB SPL [dB]; 0 for units that have no such level."""
    return float(_OFFSET_DB.get(unit, 0.0))


@dataclass(frozen=True, slots=True)
class Question:
    """What a person must settle. key : "columns", "unit", "plane", "angle" or "thousands"; line : where it shows

    why : what leaves it open; options : readings, the likeliest first
    """

    key: str
    line: int
    why: str
    options: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ResponseTable(Locked):
    """One table in canonical units.

    hz : (F,) rising; values : (A, F), one row a direction or one alone: dB re 20 uPa where the unit allows (of a unit
    per volt at 2.83 V), dB of unknown or relative level, ohm, or % ; NaN where a field is missing
    unit : as told, see `table_titles`; "" where it is not
    angles_deg : (A,) in -180 < a <= 180, empty for one response of no told direction; plane : or None
    phase : of each row, or None; told : what the reader owes the person; questions : open ones
    valid, u_db : (A, F) whether a value may be used and its standard uncertainty [dB], or None where no column says;
    curves : (A,) keys of the averages that the rows are, of a table of kind "curves"
    u_common_db : (F,) what is shared by all directions, or None. A table of uncertainty holds u_db as its values, one
    of impedance has u_db in ohm; u_phase_deg : (A, F) of a phase, or None; lines : (F,) where each frequency stands
    """

    name: str
    kind: Kind
    hz: FloatArray
    values: FloatArray
    unit: str
    angles_deg: FloatArray
    plane: Plane | None
    phase: tuple[PhaseReading, ...] | None
    told: tuple[str, ...]
    questions: tuple[Question, ...]
    lines: IntArray
    missing_lines: tuple[int, ...]
    decimal: str
    valid: BoolArray | None = None
    u_db: FloatArray | None = None
    u_common_db: FloatArray | None = None
    u_phase_deg: FloatArray | None = None
    curves: tuple[str, ...] = ()

    @property
    def absolute(self) -> bool:
        """Whether the values are sound pressure levels."""
        return self.unit in _OFFSET_DB


def read_response_table(path: Path, *, answers: Mapping[str, str] | None = None) -> ResponseTable:
    """The responses in the text file `path`.

    answers : to questions of an earlier reading, by their key; "untitled" names columns that no line names.
    FormatError names file, line and remedy.
    """
    return parse_response_table(text_of(path), name=str(path), answers=answers)


def parse_response_table(text: str, *, name: str, answers: Mapping[str, str] | None = None) -> ResponseTable:
    """As `read_response_table`, from `text`; `name` stands for the file in messages."""
    return responses_of(parse_table(text, name=name), answers=answers)


def responses_of(table: TextTable, *, answers: Mapping[str, str] | None = None) -> ResponseTable:
    """As `read_response_table`, of a table whose cells are known."""
    settled = dict(answers or {})
    asked: list[Question] = []
    if table.thousands_line and "thousands" not in settled:
        mark = "comma" if table.decimal == "." else "point"
        why = (
            f"a {mark} as thousands mark beside a decimal {'point' if mark == 'comma' else 'comma'}, "
            f"first in line {table.thousands_line}"
        )
        asked.append(Question("thousands", 1, why, (f"{mark} marks thousands", "something else")))
    parts = [_part(table, block, settled, asked) for block in table.blocks]
    return _whole(table, parts, settled, asked)


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """One block's responses, on its frequencies hz (F,)."""

    line: int
    hz: FloatArray
    lines: IntArray
    rows: list[_Row]
    told: list[str]
    missing: tuple[int, ...] = ()
    unwrapped: bool = False
    angle_deg: float | None = None
    plane: Plane | None = None
    common: FloatArray | None = None


@dataclass(frozen=True, slots=True, eq=False)
class _Row:
    """One response. title : of its column; (F,) values, phase [rad], 1 where the value may be used, standard
    uncertainties of value and phase; None where no column says."""

    title: Title
    values: FloatArray
    phase: FloatArray | None
    valid: FloatArray | None
    u_db: FloatArray | None
    u_phase_deg: FloatArray | None


def _row(
    name: str, columns: Sequence[Column], at: int, values: FloatArray, angle_deg: float | None, plane: Plane | None
) -> _Row:
    """The response in column `at`, and what the columns for its direction say, or those for all where there is one."""

    def column(role: str, *units: str) -> FloatArray | None:
        own = (role, angle_deg, plane)
        return _first(columns, values, lambda t: (t.role, t.angle_deg, t.plane) == own and t.unit in units)

    trust = column("validity", ""), column("uncertainty", "dB", "ohm"), column("uncertainty", "deg")
    return _Row(columns[at].title, *_canonical(name, columns, at, values), *trust)


def _first(columns: Sequence[Column], values: FloatArray, fits: Callable[[Title], bool]) -> FloatArray | None:
    """(F,) the first column whose title fits, or None."""
    at = next((i for i, one in enumerate(columns) if fits(one.title)), None)
    return None if at is None else np.asarray(values[:, at] * columns[at].title.scale, dtype=float)


def _part(table: TextTable, block: Block, settled: Mapping[str, str], asked: list[Question]) -> _Part:
    layout = columns_of(table, block, settled.get("columns", ""), settled.get("untitled", ""))
    if layout.question:
        asked.append(Question("columns", layout.line, layout.question, layout.options))
    block, told = layout.block, list(layout.told)
    columns = layout.columns
    hz_column = next(i for i, column in enumerate(columns) if column.title.role == "frequency")
    hz = block.values[:, hz_column] * columns[hz_column].title.scale
    long_form = next((i for i, c in enumerate(columns) if c.title.role == "angle"), None)
    if long_form is not None:
        return _long(table, block=block, columns=columns, hz_column=hz_column, angle_column=long_form, line=layout.line)
    values = [i for i, column in enumerate(columns) if column.title.role in _VALUES]
    values = values or [i for i, column in enumerate(columns) if column.title.role == "uncertainty"]
    if not values:
        raise _no_values(table, layout.line)
    order = sorted_rows(table.name, hz, block, values, told)
    lines, cells = block.lines[order], block.values[order]
    titles = [(i, columns[i].title) for i in values]
    rows = [_row(table.name, columns, i, cells, angle_deg=title.angle_deg, plane=title.plane) for i, title in titles]
    missing = np.flatnonzero(~np.isfinite(np.stack([row.values for row in rows])).any(axis=0))
    return _Part(
        line=layout.line,
        hz=hz[order],
        lines=lines,
        rows=rows,
        unwrapped=any(c.title.unwrapped for c in columns),
        told=told,
        missing=tuple(lines[missing].tolist()),
        angle_deg=layout.angle_deg,
        plane=layout.plane,
        common=_first(columns, cells, lambda title: title.role == "common uncertainty"),
    )


def _no_values(table: TextTable, line: int) -> FormatError:
    return FormatError.of("formats.no_response_column", where=f"{table.name}, line {line}")


def _long(
    table: TextTable, block: Block, columns: Sequence[Column], hz_column: int, angle_column: int, line: int
) -> _Part:
    """One row a direction and frequency: as a wide table, on the frequencies of all."""
    angle = block.values[:, angle_column]
    if columns[angle_column].title.unit == "rad":
        angle = np.degrees(angle)
    values = [i for i, column in enumerate(columns) if column.title.role in _VALUES]
    if not values:
        raise _no_values(table, line)
    hz = block.values[:, hz_column] * columns[hz_column].title.scale
    axis = np.unique(hz[np.isfinite(hz) & (hz > 0)])
    planes = next((block.texts[i] for i, c in enumerate(columns) if c.title.role == "plane" and i in block.texts), None)
    keys = list(dict.fromkeys(zip(planes or ("",) * angle.size, angle.tolist(), strict=True)))
    rows: list[_Row] = []
    told: list[str] = []
    for plane, degrees in keys:
        chosen = (angle == degrees) & (np.array(planes) == plane if planes else True)
        one = Block(titles=block.titles, lines=block.lines[chosen], values=block.values[chosen], texts={})
        order = sorted_rows(table.name, hz[chosen], one, values, told)
        row = _row(name=table.name, columns=columns, at=values[0], values=one.values[order], angle_deg=None, plane=None)
        placed: dict[str, Any] = {}
        for name in ("values", "phase", "valid", "u_db", "u_phase_deg"):
            if (given := getattr(row, name)) is not None:
                placed[name] = np.full(axis.size, np.nan)
                placed[name][np.searchsorted(axis, hz[chosen][order])] = given
        rows.append(replace(row, title=replace(row.title, angle_deg=degrees, plane=plane_of(plane)), **placed))
    return _Part(line=line, hz=axis, lines=np.full(axis.size, line), rows=rows, told=told)


def sorted_rows(name: str, hz: FloatArray, block: Block, values: Sequence[int], told: list[str]) -> IntArray:
    """Rows in rising order of frequency, each once; refused where one frequency has two values."""
    known = np.isfinite(hz)
    if not known.all():
        line = int(block.lines[np.flatnonzero(~known)[0]])
        raise refused("the frequency is missing", f"{name}, line {line}", "complete the line or take it out")
    if (hz < 0).any() or (hz > MAX_FREQUENCY_HZ).any():
        row = int(np.flatnonzero((hz < 0) | (hz > MAX_FREQUENCY_HZ))[0])
        where = f"{name}, line {int(block.lines[row])}"
        raise FormatError.of("formats.no_frequency_heard", where=where, hz=hz[row], most_hz=MAX_FREQUENCY_HZ)
    if (hz == 0).any():
        told.append("0 Hz left out")
    rows = np.flatnonzero(hz > 0)
    order = rows[np.argsort(hz[rows], kind="stable")]
    if rows.size and (np.diff(hz[rows]) < 0).any():
        falling = (np.diff(hz[rows]) < 0).all()
        told.append("frequencies fall: sorted" if falling else "frequencies do not rise from line to line: sorted")
    keep = np.ones(order.size, dtype=bool)
    for place in np.flatnonzero(np.diff(hz[order]) == 0):
        first, second = sorted((int(order[place]), int(order[place + 1])))
        one, other = block.values[first][list(values)], block.values[second][list(values)]
        # Infinite values are told of further on.
        with np.errstate(invalid="ignore"):
            away = np.nan_to_num(np.abs(one - other), nan=0.0)
        if (away > SAME_DB).any():
            where, other = f"{name}, line {int(block.lines[second])}", int(block.lines[first])
            raise FormatError.of("formats.twice_unlike", where=where, hz=hz[first], away=float(away.max()), other=other)
        keep[place + 1] = False
        told.append(f"line {int(block.lines[second])} repeats line {int(block.lines[first])}: same values, one kept")
    order = order[keep]
    if order.size < 2:
        raise refused("fewer than two frequencies above 0 Hz are left", name, "export the complete curve")
    return order.astype(np.int64)


def _canonical(
    name: str, columns: Sequence[Column], column: int, values: FloatArray
) -> tuple[FloatArray, FloatArray | None]:
    """(F,) values in the canonical unit and (F,) phase in radians, or None."""
    title = columns[column].title
    phase_at = columns[column].phase_at
    phase = None
    if title.role == "real":
        other = columns[column].imaginary_at
        if other is None:
            raise refused("a real part without its imaginary part", name, "export both, or magnitude and phase instead")
        real, imaginary = values[:, column], values[:, other]
        phase = np.arctan2(imaginary, real)
        amount = np.hypot(real, imaginary) * title.scale
    else:
        amount = values[:, column] * title.scale
    if phase_at is not None:
        unit = columns[phase_at].title.unit
        phase = values[:, phase_at] if unit == "rad" else np.radians(values[:, phase_at])
    if title.role in ("impedance", "distortion", "uncertainty"):
        return amount, phase
    if title.role in ("magnitude", "real"):
        with np.errstate(divide="ignore", invalid="ignore"):
            amount = np.where(amount > 0, 20 * np.log10(np.where(amount > 0, amount, 1.0)), np.nan)
    return amount + _OFFSET_DB.get(title.unit, 0.0), phase


def _whole(
    table: TextTable, parts: Sequence[_Part], settled: Mapping[str, str], asked: list[Question]
) -> ResponseTable:
    first = parts[0]
    if len(parts) > 1:
        _joinable(table.name, parts)
    rows = [row for part in parts for row in part.rows]
    told = [line for part in parts for line in part.told]
    missing = tuple(sorted({line for part in parts for line in part.missing}))
    if missing:
        told.append(f"{len(missing)} point{'s' if len(missing) != 1 else ''} missing")
    role, unit, plane = rows[0].title.role, rows[0].title.unit, None
    kind: Kind = role if role in ("impedance", "distortion", "uncertainty") else "curve"
    angles = [p.angle_deg if r.title.angle_deg is None else r.title.angle_deg for p in parts for r in p.rows]
    if kind == "curve":
        unit = _unit(first.line, rows, settled, asked)
        if settled.get("unit") and not rows[0].title.unit:
            rows = [replace(row, values=row.values + _OFFSET_DB.get(unit, 0.0)) for row in rows]
    curves = tuple(row.title.curve for row in rows if row.title.curve)
    if set(curves) - {"on_axis"}:
        if twice := next((one for one in curves if curves.count(one) > 1), ""):
            told_twice = f"two columns are the {twice.replace('_', ' ')}"
            raise refused(told_twice, f"{table.name}, line {first.line}", "take one out")
        left = ", ".join(repr(row.title.text) for row in rows if not row.title.curve)
        kind, told = "curves", [*told, *([f"left out beside the curves: {left}"] if left else [])]
        rows = [replace(row, phase=None) for row in rows if row.title.curve]
    elif any(angle is not None for angle in angles):
        kind = "directions" if kind == "curve" else kind
        plane = _plane(line=first.line, table=table, parts=parts, angles=angles, settled=settled, asked=asked)
    elif len(rows) > 1:
        extra = ", ".join(repr(row.title.text) for row in rows[1:])
        told.append(f"the first column of values was read; more of them stand beside it: {extra}")
        rows = rows[:1]
    known = np.array([np.nan if angle is None else _wrapped(angle) for angle in angles])
    numbered = known if kind != "curves" and np.isfinite(known).any() else np.zeros(0)
    order = np.argsort(numbered, kind="stable") if numbered.size else np.arange(len(rows))
    rows = [rows[i] for i in order]
    values = np.stack([row.values for row in rows])
    keep: BoolArray = np.asarray(np.isfinite(values).any(axis=0), dtype=np.bool_)
    if not keep.any():
        raise refused("no value is left: every field of the values' columns is empty", table.name, "export it again")
    valid = _stacked([row.valid for row in rows], keep)
    return ResponseTable(
        name=table.name,
        kind=kind,
        hz=first.hz[keep],
        values=values[:, keep],
        unit=unit,
        angles_deg=numbered[order] if numbered.size else numbered,
        plane=plane,
        phase=_phases(first.hz[keep], [row.phase for row in rows], keep, first, told),
        told=tuple(dict.fromkeys(told)),
        questions=tuple(asked),
        lines=first.lines[keep],
        missing_lines=missing,
        decimal=table.decimal,
        valid=None if valid is None else np.asarray(valid == 1.0, dtype=np.bool_),
        u_db=_stacked([row.u_db for row in rows], keep),
        u_common_db=None if first.common is None else first.common[keep],
        u_phase_deg=_stacked([row.u_phase_deg for row in rows], keep),
        curves=curves if kind == "curves" else (),
    )


def _stacked(rows: Sequence[FloatArray | None], keep: BoolArray) -> FloatArray | None:
    """(A, F), where every row says something."""
    told = [row[keep] for row in rows if row is not None]
    return np.stack(told) if told and len(told) == len(rows) else None


def _phases(
    hz: FloatArray, phases: Sequence[FloatArray | None], keep: BoolArray, part: _Part, told: list[str]
) -> tuple[PhaseReading, ...] | None:
    if any(phase is None for phase in phases):
        return None
    found = tuple(phase_reading(hz, phase[keep], unwrapped=part.unwrapped) for phase in phases if phase is not None)
    told.extend(dict.fromkeys(reading.told for reading in found if reading.told))
    return found


def _joinable(name: str, parts: Sequence[_Part]) -> None:
    first = parts[0]
    for part in parts[1:]:
        if part.hz.size != first.hz.size or not np.allclose(part.hz, first.hz, rtol=1e-6):
            raise FormatError.of("formats.frequencies_differ", where=f"{name}, line {part.line}")
        if part.rows[0].title.role != first.rows[0].title.role:
            raise FormatError.of("formats.quantities_differ", where=f"{name}, line {part.line}")
    if len(parts) > 1 and any(part.angle_deg is None for part in parts):
        line = next(part.line for part in parts if part.angle_deg is None)
        raise FormatError.of("formats.several_without_direction", where=f"{name}, line {line}")


def _wrapped(angle: float) -> float:
    return 180.0 - (180.0 - angle) % 360.0


def _unit(line: int, rows: Sequence[_Row], settled: Mapping[str, str], asked: list[Question]) -> str:
    if {row.title.unit for row in rows} != {""}:
        return rows[0].title.unit
    if answer := settled.get("unit"):
        if answer not in LEVEL_UNITS:
            raise FormatError(f"{answer!r} is no unit of a level", expected=", ".join(LEVEL_UNITS))
        return answer
    if not any(question.key == "columns" for question in asked):
        why = "dB without a reference: sound pressure level, re 1 Pa, re 1 Pa/V or relative"
        asked.append(Question("unit", line, why, _ranked_units(rows)))
    return ""


def _ranked_units(rows: Sequence[_Row]) -> tuple[str, ...]:
    """Units by how well the values' middle fits the usual range of each (own choice; ranks, never chooses)."""
    known = np.concatenate([row.values[np.isfinite(row.values)] for row in rows])
    middle = float(np.median(known)) if known.size else 0.0
    likely = {"dB SPL": 85.0, "dB re 1 Pa": -5.0, "dB re 1 Pa/V": -16.0, "dB relative": 0.0}
    return tuple(sorted(likely, key=lambda unit: abs(middle - likely[unit])))


def _plane(
    line: int,
    table: TextTable,
    parts: Sequence[_Part],
    angles: Sequence[float | None],
    settled: Mapping[str, str],
    asked: list[Question],
) -> Plane | None:
    if any(angle is None for angle in angles):
        rows = (row for part in parts for row in part.rows)
        silent = next(row.title.text for row, angle in zip(rows, angles, strict=True) if angle is None)
        raise FormatError.of("formats.column_without_direction", where=f"{table.name}, line {line}", silent=silent)
    planes = {r.title.plane or p.plane for p in parts for r in p.rows}
    if len(planes) > 1:
        raise FormatError.of("formats.planes_mixed", where=f"{table.name}, line {line}")
    told = planes.pop()
    if told is not None:
        return told
    answer = settled.get("plane", "")
    if answer in ("horizontal", "vertical"):
        return title_of(f"{answer} 0 deg").plane
    listed = " ".join(f"{_wrapped(a):g}" for a in angles if a is not None)
    why = f"the plane of the directions is not named; angles read as {listed} degrees"
    asked.append(Question("plane", line, why, ("horizontal", "vertical")))
    return None


# Neighbors may differ by half a turn at most; a margin for what the loudspeaker itself turns (own choice).
_SAFE_TURN_RAD = np.radians(150.0)
_START_TURN_RAD = np.radians(75.0)


@dataclass(frozen=True, slots=True, eq=False)
class PhaseReading(Locked):
    """phase_rad : (F,) as written, in -pi to pi unless it runs on; unwrapped : it runs on beyond a turn

    delay_s : slope over the upper half of the band, None where the points lie too far apart to tell
    told : what the reader owes the person, or ""
    """

    phase_rad: FloatArray
    unwrapped: bool
    delay_s: float | None
    told: str


def phase_reading(hz: FloatArray, phase_rad: FloatArray, *, unwrapped: bool = False) -> PhaseReading:
    """What a column of phase says. hz, phase_rad : (F,), NaN where a field is missing.

    A delay tau turns by 2 pi tau times the step in frequency between neighbors; above half a turn nothing can tell
    how many turns there were (sampling in frequency).
    """
    known = np.isfinite(phase_rad)
    if known.sum() < 3:
        return PhaseReading(phase_rad, unwrapped, None, "")
    f, phase = hz[known], phase_rad[known]
    span = float(phase.max() - phase.min())
    if unwrapped or span > 2 * np.pi * 1.01:
        return PhaseReading(phase_rad, True, _slope_s(f, phase), "")
    wrapped = np.where(known, np.angle(np.exp(1j * np.where(known, phase_rad, 0.0))), np.nan)
    limit_hz = _told_to_hz(f, wrapped[known])
    if limit_hz is not None:
        told = worded("formats.phase_too_coarse", limit_hz=limit_hz)
        return PhaseReading(wrapped, False, None, told)
    return PhaseReading(wrapped, False, _slope_s(f, np.unwrap(wrapped[known])), "")


def _slope_s(hz: FloatArray, phase_rad: FloatArray) -> float:
    """Delay by least squares over the upper half of the points' band."""
    upper = hz >= np.sqrt(hz[0]) * np.sqrt(hz[-1])
    x = 2 * np.pi * (hz[upper] - hz[upper].mean())
    spread = float(x @ x)
    return float(-(x @ phase_rad[upper]) / spread) if spread > 0.0 else 0.0


def _told_to_hz(hz: FloatArray, phase_rad: FloatArray) -> float | None:
    """Frequency above which the delay seen at the low end turns too far from point to point; None if nowhere."""
    turn = np.diff(np.unwrap(phase_rad))
    start = np.flatnonzero(np.abs(turn) > _START_TURN_RAD)
    clear = int(start[0]) if start.size else turn.size
    if clear < 3:
        return float(hz[0])
    step = np.diff(hz)
    delay = np.median(-turn[:clear][-5:] / step[:clear][-5:])
    too_far = np.flatnonzero(np.abs(delay) * step > _SAFE_TURN_RAD)
    return float(hz[too_far[0]]) if too_far.size else None
