"""Which column of a table holds what: by titles, by unit lines, by a title in a remark; asked where nothing tells."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from earwitness.errors import FormatError
from earwitness.formats.table import Block, TextTable, cells_of
from earwitness.formats.table_titles import Plane, Title, title_of
from earwitness.quantities.arrays import FloatArray

_UNITS_OF_TWO_WORDS = re.compile(
    r"(?i)\bdB\s+(SPL|re\s+1\s*Pa\s*/\s*V|re\s+1\s*Pa|re\s+20\s*[uµ]Pa|rel\w*|FS)|\bdeg\s+unwrapped|\b(re|im|real|imag)"
    r"\s+(Pa/V|Pa)"
)
_LOWEST_SPL, _HIGHEST_SPL = 30.0, 140.0


@dataclass(frozen=True, slots=True)
class Column:
    """A column's title and the columns that belong to it."""

    title: Title
    phase_at: int | None = None
    imaginary_at: int | None = None


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Layout:
    """Columns of a block; block : turned over where rows were directions; line : of the titles

    question, options : what is open about the columns; told : what the person should know
    angle_deg, plane : of the whole block, by a line above it
    """

    columns: tuple[Column, ...]
    block: Block
    line: int
    question: str = ""
    options: tuple[str, ...] = ()
    told: tuple[str, ...] = ()
    angle_deg: float | None = None
    plane: Plane | None = None


def columns_of(table: TextTable, block: Block, answer: str, untitled: str = "") -> Layout:
    """The columns of a block. answer : titles that a person gave for it, parted by commas, or ""; untitled : those
    that are agreed where the table has none, or "".

    FormatError where no column is a frequency.
    """
    count = block.values.shape[1]
    turned = _turned(table, block)
    if turned is not None:
        return turned
    if answer:
        return _layout(table, block, _given(answer, count, table.name), int(block.lines[0]))
    line, found, above = _titled(table, block, count)
    angle, plane = _of_block(above)
    if found is None and untitled:
        return _layout(table, block, _given(untitled, count, f"{table.name}, line {line}"), line)
    if found is None:
        return _untitled(table, block, angle, plane)
    line = above[-1][0] if angle is not None else line
    return _layout(table, block, found, line, angle_deg=angle, plane=plane)


def _given(answer: str, count: int, where: str) -> list[Title]:
    titles = [title_of(part) for part in answer.split(",")]
    if len(titles) != count:
        raise FormatError.of("formats.titles_given", where=where, expected=answer, given=len(titles), count=count)
    return titles


def _titled(table: TextTable, block: Block, count: int) -> tuple[int, list[Title] | None, list[tuple[int, str]]]:
    """Line and titles of the columns, or None; and the lines above that are no titles."""
    merged: list[str] | None = None
    line, rest = int(block.lines[0]), []
    for number, text in reversed(block.titles):
        fitted = _fitted(text, count, table.separator)
        titled = [title_of(cell) for cell in fitted or ()]
        names = any(one.angle_deg is not None or one.role in ("angle", "plane") for one in titled)
        if fitted is not None and (merged is None or names):
            merged = fitted if merged is None else [f"{a} {b}" for a, b in zip(fitted, merged, strict=True)]
            line = number
        else:
            rest.append((number, text))
    if merged is None:
        for number, text in reversed([r for r in table.remarks if r[0] < int(block.lines[0])]):
            fitted = _fitted(text, count, table.separator)
            if fitted is not None and any(title_of(cell).role == "frequency" for cell in fitted):
                merged, line = fitted, number
                break
    if merged is None:
        return line, None, rest
    titles = [title_of(text) for text in merged]
    known = any(t.role == "frequency" for t in titles)
    return line, titles if known or any(t.role != "other" for t in titles) else None, rest


def _fitted(text: str, count: int, separator: str) -> list[str] | None:
    """The line as titles of `count` columns; between blanks, words that make one unit are joined."""
    cells = cells_of(text, separator)
    if len(cells) == count + 1 and not cells[-1]:
        cells = cells[:-1]
    if len(cells) == count:
        return list(cells)
    if separator != "blanks":
        return None
    apart = [part for part in re.split(r"\s{2,}|\t", text.strip()) if part]
    if len(apart) == count:
        return apart
    glued = _UNITS_OF_TWO_WORDS.sub(lambda found: re.sub(r"\s+", "_", found[0]), text)
    words = [word.replace("_", " ") for word in glued.split()]
    return words if len(words) == count else None


def _of_block(above: Sequence[tuple[int, str]]) -> tuple[float | None, Plane | None]:
    """Direction that a line above a block names."""
    for _, text in above:
        title = title_of(text)
        if title.angle_deg is not None and title.role in ("other", "phase", "angle"):
            return title.angle_deg, title.plane
    return None, None


def _layout(table: TextTable, block: Block, titles: Sequence[Title], line: int, **others: Any) -> Layout:
    """others : what of a Layout is not as usual."""
    told: list[str] = []
    wordy = [i for i in block.texts if titles[i].role != "plane"]
    if wordy:
        told.append(f"column {titles[wordy[0]].text!r} holds words and was left out")
    if not any(title.role == "frequency" for title in titles):
        raise FormatError.of("formats.no_frequency_column", where=f"{table.name}, line {line}")
    shared = list(titles)
    if sum(title.angle_deg is not None for title in titles) > 1:
        # A wide table may name the quantity once, or only the directions.
        quantity = next((t for t in titles if t.role in ("level", "magnitude")), None)
        shared = [
            replace(quantity or Title(t.text, "level"), text=t.text, angle_deg=t.angle_deg, plane=t.plane)
            if t.role == "other" and t.angle_deg is not None
            else t
            for t in titles
        ]
    skipped = [t.text for i, t in enumerate(shared) if t.role == "other" and i not in wordy and t.text]
    if skipped:
        told.append(f"left out, for their titles name no quantity known here: {', '.join(map(repr, skipped))}")
    return Layout(columns=_paired(shared), block=block, line=line, told=tuple(told), **others)


def _paired(titles: Sequence[Title]) -> tuple[Column, ...]:
    """Each value with the phase or imaginary part that follows it, or the only one there is."""
    phases = [i for i, t in enumerate(titles) if t.role == "phase"]
    parts = [i for i, t in enumerate(titles) if t.role == "imaginary"]
    values = [i for i, t in enumerate(titles) if t.role in ("level", "magnitude", "real", "impedance")]
    found = []
    for i, title in enumerate(titles):
        phase = next((j for j in phases if j > i), phases[0] if phases and len(values) == 1 else None)
        part = next((j for j in parts if j > i), None)
        belongs = i in values and (phase is None or not any(i < other < phase for other in values))
        found.append(Column(title, phase if belongs else None, part if title.role == "real" else None))
    return tuple(found)


def _untitled(table: TextTable, block: Block, angle: float | None, plane: Plane | None) -> Layout:
    """Nothing names the columns: the likeliest reading, and the question."""
    values = block.values
    if not np.isfinite(values).any(axis=0).all():
        empty = int(np.argmin(np.isfinite(values).any(axis=0)))
        raise FormatError.of("formats.column_empty", where=f"{table.name}, line {int(block.lines[0])}", empty=empty + 1)
    rising = [i for i in range(values.shape[1]) if _is_axis(values[:, i])]
    if not rising:
        raise FormatError.of("formats.no_rising_column", where=f"{table.name}, line {int(block.lines[0])}")
    axis = rising[0]
    texts = ["other"] * values.shape[1]
    texts[axis] = "Hz"
    others = [i for i in range(values.shape[1]) if i != axis]
    level = others[0] if others else axis
    middle = float(np.nanmedian(values[:, level])) if others else 0.0
    likely = "dB SPL" if _LOWEST_SPL <= middle <= _HIGHEST_SPL else "dB"
    texts[level] = likely
    low, high = float(np.nanmin(values[:, level])), float(np.nanmax(values[:, level]))
    why = f"no line names the columns; column {level + 1} runs from {low:g} to {high:g} and may be {likely}"
    for i in others[1:]:
        third = values[:, i]
        if np.nanmax(third) - np.nanmin(third) < 1e-9:
            why += f"; column {i + 1} is {third[0]:g} throughout, which is no phase"
        elif np.nanmax(np.abs(third)) > 3.2:
            texts[i] = "deg"
            why += f"; column {i + 1} may be a phase in degrees"
    # Read under the likeliest meaning, so that it can be shown while it is asked.
    titles = [title_of(text) for text in texts]
    options = (", ".join(texts), ", ".join(t.replace("dB SPL", "dB relative") for t in texts))
    asked = {"question": why, "options": options, "angle_deg": angle, "plane": plane}
    return _layout(table, block, titles, int(block.lines[0]), **asked)


def _is_axis(column: FloatArray) -> bool:
    if not np.isfinite(column).all() or (column < 0).any():
        return False
    step = np.diff(column)
    return bool((step > 0).all() or (step < 0).all())


def _turned(table: TextTable, block: Block) -> Layout | None:
    """A table with a row a direction and the frequencies in its first line, turned over; None for any other."""
    count = block.values.shape[1]
    if not block.titles or count < 4:
        return None
    line, cells = block.titles[-1][0], cells_of(block.titles[-1][1], table.separator)
    if len(cells) != count or not re.search(r"(?i)deg|angle|°", cells[0]) or not re.search(r"(?i)hz", cells[0]):
        return None
    scale = 1e3 if re.search(r"(?i)khz", cells[0]) else 1.0
    mark = "," if table.decimal == "," else "."
    try:
        hz = np.array([float(cell.replace(mark, ".")) for cell in cells[1:]]) * scale
    except ValueError:
        return None
    angles = block.values[:, 0]
    rest = re.sub(r"(?i)k?hz|deg\w*|angle|°|[\\/,;|()\[\]]", " ", cells[0])
    quantity = title_of(rest) if rest.strip() else Title("", "level")
    quantity = quantity if quantity.role in ("level", "magnitude") else Title("", "level")
    titles = [title_of("Hz")]
    titles += [replace(quantity, text=f"{angle:g} deg", angle_deg=float(angle)) for angle in angles]
    over = Block(
        titles=block.titles, lines=np.full(hz.size, line), values=np.column_stack([hz, block.values[:, 1:].T]), texts={}
    )
    return Layout(columns=_paired(titles), block=over, line=line, told=("rows are directions: turned over",))
