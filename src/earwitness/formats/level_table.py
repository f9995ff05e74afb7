"""Distortion, compression and multitones from text tables: columns by frequency for one drive level or several.

Each column says by its title what it holds (fundamental, a harmonic, their total, noise, loss of level), its unit, and
the voltage or the sound pressure level it was taken at ("HD2 2.83 V %", "THD at 96 dB [%]"); a column of volts gives
them row by row. What titles leave open is asked. The forms are those met in the field; no source.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from earwitness.errors import FormatError
from earwitness.formats.response_table import Question, level_offset_db, sorted_rows
from earwitness.formats.table import Block, TextTable
from earwitness.formats.table_columns import LEVEL_UNITS, Column, Title, columns_of
from earwitness.quantities import FloatArray, Locked

HARMONIC_UNITS = ("%", "dB relative", "dB SPL", "ratio")
_HELD = ("level", "distortion", "noise", "compression")


@dataclass(frozen=True, slots=True, eq=False)
class LevelColumn(Locked):
    """role : "level" (of the fundamental, or of a tone), "distortion", "noise" or "compression"; order : of a harmonic,
    0 for the total; drive_v, at_db : as the title has it; unit : of HARMONIC_UNITS or LEVEL_UNITS, dB SPL where it can
    be; hz (F,) rising, values (F,), NaN where a field is missing."""

    role: str
    order: int
    drive_v: float | None
    at_db: float | None
    unit: str
    hz: FloatArray
    values: FloatArray


@dataclass(frozen=True, slots=True)
class LevelTable:
    """What one file holds; told : what the reader owes the person; questions : open ones."""

    name: str
    columns: tuple[LevelColumn, ...]
    told: tuple[str, ...]
    questions: tuple[Question, ...]

    @property
    def has_drives(self) -> bool:
        """Whether every column says what level it belongs to."""
        return all(one.drive_v is not None or one.at_db is not None for one in self.columns)


def holds_levels(table: TextTable, *, named: bool) -> bool:
    """Whether a table is one of levels and not of a response. named : the file's name tells a direction, so that its
    first level is a response even where distortion stands beside it."""
    titles = [column.title for column in columns_of(table, table.blocks[0], "").columns]
    distorted = any(title.role in ("distortion", "compression") for title in titles)
    levels = [title for title in titles if title.role in ("level", "magnitude")]
    driven = {(title.drive_v, title.at_db) for title in titles if title.role in _HELD}
    several = len(driven) > 1 or any(title.role == "drive" for title in titles)
    return several or (distorted and not (levels and named))


def levels_of(table: TextTable, *, answers: Mapping[str, str] | None = None) -> LevelTable:
    """The columns of a table. answers : to questions of an earlier reading: "columns", "unit" of the harmonics,
    "level_unit". FormatError names file, line and remedy."""
    settled = dict(answers or {})
    if len(table.blocks) > 1:
        line = int(table.blocks[1].lines[0])
        raise FormatError.of("formats.several_level_tables", where=f"{table.name}, line {line}")
    layout = columns_of(table, table.blocks[0], settled.get("columns", ""))
    asked = [Question("columns", layout.line, layout.question, layout.options)] if layout.question else []
    told = list(layout.told)
    kept = [(i, column) for i, column in enumerate(layout.columns) if column.title.role in _HELD]
    if not kept:
        raise FormatError.of("formats.no_level_column", where=f"{table.name}, line {layout.line}")
    units = {i: _unit(column.title, layout.block.values[:, i], layout.line, settled, asked) for i, column in kept}
    found: list[LevelColumn] = []
    for volts, block in _by_drive(layout.columns, layout.block):
        at = next(i for i, column in enumerate(layout.columns) if column.title.role == "frequency")
        hz = block.values[:, at] * layout.columns[at].title.scale
        order = sorted_rows(table.name, hz, block, [i for i, _ in kept], told)
        for i, column in kept:
            title, values = column.title, block.values[order, i] + level_offset_db(units[i])
            unit = "dB SPL" if units[i] in LEVEL_UNITS[:2] else units[i]
            drive = volts if volts is not None else title.drive_v
            found.append(LevelColumn(title.role, title.order, drive, title.at_db, unit, hz[order], values))
    return LevelTable(table.name, tuple(found), tuple(dict.fromkeys(told)), tuple(asked))


def _by_drive(columns: Sequence[Column], block: Block) -> list[tuple[float | None, Block]]:
    """The rows of each voltage where a column gives it row by row; all rows without one."""
    at = next((i for i, column in enumerate(columns) if column.title.role == "drive"), None)
    if at is None:
        return [(None, block)]
    drives = block.values[:, at]
    return [
        (
            float(one),
            Block(titles=block.titles, lines=block.lines[drives == one], values=block.values[drives == one], texts={}),
        )
        for one in np.unique(drives[np.isfinite(drives)])
    ]


def _unit(title: Title, values: FloatArray, line: int, settled: Mapping[str, str], asked: list[Question]) -> str:
    """The unit of a column: as its title says, as a person settled, or the likeliest with a question."""
    if title.unit:
        return title.unit
    is_harmonic = title.role == "distortion"
    key = "unit" if is_harmonic else "level_unit"
    known = HARMONIC_UNITS if is_harmonic else LEVEL_UNITS
    if settled.get(key) in known:
        return settled[key]
    middle = float(np.nanmedian(values)) if np.isfinite(values).any() else 0.0
    likely = ("dB relative" if middle < 0.0 else "%") if is_harmonic else "dB SPL"
    options = (likely, *(one for one in known if one != likely))
    why = f"column {title.text!r} does not say its unit"
    if not any(one.key == key for one in asked):
        asked.append(Question(key, line, why, options))
    return likely
