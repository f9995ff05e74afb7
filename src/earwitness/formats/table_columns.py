"""Which column of a table holds what: by titles, by unit lines, by a title in a remark; asked where nothing tells."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Literal

import numpy as np

from earwitness.errors import FormatError
from earwitness.files.data import table_of
from earwitness.formats.table import Block, TextTable, cells_of
from earwitness.quantities import FloatArray

# What the title of a column says: quantity, unit, direction. Words of several languages and ways to write a unit.
#
# Nothing here guesses: a bare "dB" is level of unknown reference, a word that is not known is no quantity.

Role = Literal[
    "frequency",
    "level",
    "magnitude",
    "real",
    "imaginary",
    "phase",
    "impedance",
    "distortion",
    "noise",
    "compression",
    "drive",
    "angle",
    "plane",
    "validity",
    "uncertainty",
    "common uncertainty",
    "other",
]
Plane = Literal["horizontal", "vertical"]

LEVEL_UNITS = ("dB SPL", "dB re 1 Pa", "dB re 1 Pa/V", "dB re 1 V", "dBFS", "dB relative")

LONGEST_TITLE = 160
_LEVELS, _LINEAR, _CURVES = (
    tuple((re.compile(pattern), meaning) for pattern, meaning in table_of("formats", "titles")[name])
    for name in ("levels", "linear", "curves")
)
_SAYS = {name: re.compile(pattern) for name, pattern in table_of("formats", "titles")["words"].items()}
_PREFIX = {"": 1.0, "m": 1e-3, "u": 1e-6, "k": 1e3}
_COVERAGE_FACTOR = 2.0
_SIDES = {"left": 1.0, "right": -1.0, "up": 1.0, "down": -1.0}


@dataclass(frozen=True, slots=True)
class Title:
    """What a column holds.

    unit : one of LEVEL_UNITS, "Pa", "Pa/V", "V", "FS", "Hz", "deg", "rad", "ohm", "%", or "" where it is not told
    scale : factor to that unit; angle_deg, plane : of a column that belongs to one direction
    unwrapped : the title says that the phase runs on beyond a turn
    order : of a harmonic, 0 for their total; drive_v, at_db : voltage or sound pressure level that the column belongs
    to; curve : key of an averaged curve, or ""
    """

    text: str
    role: Role
    unit: str = ""
    scale: float = 1.0
    angle_deg: float | None = None
    plane: Plane | None = None
    unwrapped: bool = False
    order: int = 0
    drive_v: float | None = None
    at_db: float | None = None
    curve: str = ""


def plane_of(word: str) -> Plane | None:
    """The plane that a word or letter names, or None."""
    plain = word.strip().lower()
    if plain in ("h", "hor", "horiz", "horizontal"):
        return "horizontal"
    return "vertical" if plain in ("v", "ver", "vert", "vertical") else None


@lru_cache(maxsize=4096)
def title_of(text: str) -> Title:
    """What a title says; role "other" where it names no quantity known here."""
    if len(text) > LONGEST_TITLE:
        return Title(text[:LONGEST_TITLE], "other")
    plain, drive_v, at_db = _condition(_folded(text))
    if _SAYS["index"].search(plain):
        return Title(text, "other")
    curve, name = next(((key, said[0]) for one, key in _CURVES if (said := one.search(plain))), ("", ""))
    rest, found = _quantity(plain.replace(name, " ") if curve else plain, text)
    if curve and found.role in ("other", "level", "magnitude"):
        return replace(found, role="level" if found.role == "other" else found.role, curve=curve)
    direction = _direction(rest)
    found = replace(found, drive_v=drive_v, at_db=at_db)
    if drive_v is not None and found.role == "other":
        found = replace(found, role="level")
    if direction is None or found.role in ("frequency", "angle", "plane", "distortion"):
        return found
    return replace(found, angle_deg=direction[0], plane=direction[1])


def _condition(plain: str) -> tuple[str, float | None, float | None]:
    """The title without the voltage or the sound pressure level at which its values were taken, and these."""
    if _SAYS["drive"].match(plain) or any(pattern.search(plain) for pattern, unit in _LEVELS if unit == "dB re 1 V"):
        return plain, None, None
    level, volts = _SAYS["at_level"].search(plain), _SAYS["at_volts"].search(plain)
    for found in filter(None, (level, volts)):
        plain = plain.replace(found[0], " ")
    plain = re.sub(r"\s+", " ", _SAYS["at_meters"].sub(" ", plain)).strip()
    return plain, _number(volts and volts["volts"]), _number(level and level["level"])


def _number(text: str | None) -> float | None:
    return None if text is None else float(text.replace(",", "."))


def _folded(text: str) -> str:
    plain = text.strip().strip("\"'").lower()
    for old, new in (("µ", "u"), ("μ", "u"), ("°", " deg"), ("º", " deg"), ("\u2212", "-"), ("_", " "), ("ω", "ohm")):
        plain = plain.replace(old, new)
    return re.sub(r"\s+", " ", plain).strip()


def _quantity(plain: str, text: str) -> tuple[str, Title]:
    """The title without its quantity (where a direction may stand), and the quantity."""
    if _SAYS["plane_title"].match(plain):
        return "", Title(text, "plane")
    frequency = _SAYS["frequency"].search(plain)
    if frequency and not _SAYS["bare_db"].search(plain):
        factor = 1e3 if "khz" in plain else 0.5 / math.pi if "rad/s" in plain else 1.0
        unit = "Hz" if re.search(r"hz|rad/s", plain) else ""
        return plain[: frequency.start()] + plain[frequency.end() :], Title(text, "frequency", unit, factor)
    if trust := _trust(plain, text):
        return trust
    spl = next(((pattern, unit) for pattern, unit in _LEVELS if pattern.search(plain)), None)
    harmonic = _SAYS["distortion"].search(plain)
    order = 0 if harmonic is None else int(next(filter(None, harmonic.group("order", "nth", "last")), 0))
    if _SAYS["noise"].search(plain) and not (harmonic and not order):
        return "", Title(text, "noise", spl[1] if spl else "", order=order)
    if harmonic:
        unit = "%" if "%" in plain else spl[1] if spl else "ratio" if _SAYS["ratio"].search(plain) else ""
        return _SAYS["distortion"].sub(" ", plain), Title(text, "distortion", unit, order=order)
    if _SAYS["compression"].search(plain):
        return "", Title(text, "compression", "dB")
    if spl is not None:
        return spl[0].sub(" ", plain, count=1), Title(text, "level", spl[1])
    if _SAYS["drive"].match(plain):
        return "", Title(text, "drive", "V")
    if _SAYS["ohm"].search(plain):
        return _SAYS["ohm"].sub(" ", plain), Title(text, "impedance", "ohm")
    part: Role | None = (
        "real" if _SAYS["real"].match(plain) else "imaginary" if _SAYS["imaginary"].match(plain) else None
    )
    for pattern, unit in _LINEAR:
        if found := pattern.search(plain):
            scale = _PREFIX[found["p"]]
            return pattern.sub(" ", plain), Title(text, part or "magnitude", unit, scale)
    if part:
        return re.sub(r"^\W*\w+", " ", plain), Title(text, part)
    if _SAYS["bare_db"].search(plain):
        return _SAYS["bare_db"].sub(" ", plain), Title(text, "level")
    if _SAYS["angle"].search(plain):
        return "", Title(text, "angle", "rad" if _SAYS["radians"].search(plain) else "deg")
    if (
        _SAYS["phase"].search(plain)
        or _SAYS["degrees"].fullmatch(plain)
        or _SAYS["radians"].search(plain)
        or re.match(_SAYS["degrees"], plain)
    ):
        unit = "rad" if _SAYS["radians"].search(plain) else "deg" if _SAYS["degrees"].search(plain) else ""
        rest = _SAYS["degrees"].sub(" ", plain)
        return rest, Title(text, "phase", unit, unwrapped="unwrap" in plain)
    if _SAYS["other"].search(plain):
        return "", Title(text, "other")
    return plain, Title(text, "other")


def _trust(plain: str, text: str) -> tuple[str, Title] | None:
    """Whether a value may be used (1 or 0), or its uncertainty; U95 is twice the standard uncertainty."""
    if _SAYS["validity"].search(plain):
        return _SAYS["validity"].sub(" ", plain), Title(text, "validity")
    found = _SAYS["uncertainty"].search(plain)
    if found is None:
        return None
    role: Role = "common uncertainty" if _SAYS["common"].search(plain) else "uncertainty"
    scale = 1 / _COVERAGE_FACTOR if "95" in found[0] else 1.0
    unit = {"ohm": "ohm", "deg": "deg"}.get(found["unit"] or found["named"] or "", "dB")
    return _SAYS["uncertainty"].sub(" ", plain, count=1), Title(text, role, unit, scale)


def _direction(rest: str) -> tuple[float, Plane | None] | None:
    found = _SAYS["direction"].search(rest)
    if found is None:
        return None
    angle = float(found["angle"])
    side = next((sign for word, sign in _SIDES.items() if re.search(rf"\b{word}\b", rest)), 1.0)
    plane = plane_of(found["plane"] or "")
    if plane is None and re.search(r"\bvert\w*\b", rest):
        plane = "vertical"
    elif plane is None and re.search(r"\bhor\w*\b", rest):
        plane = "horizontal"
    return angle * side, plane


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
    glued = _SAYS["units_of_two_words"].sub(lambda found: re.sub(r"\s+", "_", found[0]), text)
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
