"""Impedance as a plain text table: frequency in hertz, magnitude in ohms, phase in degrees."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np

from earwitness.errors import FormatError, InputError
from earwitness.quantities.axis import FrequencyAxis
from earwitness.quantities.response import Impedance

MAX_BYTES = 4 * 2**20
MIN_POINTS, MAX_POINTS = 8, 100_000
MAX_FREQUENCY_HZ, MIN_OHM, MAX_OHM, MAX_PHASE_DEG = 200_000.0, 0.001, 100_000.0, 95.0
LAYOUT = "three columns: frequency in Hz, magnitude in ohm, phase in degrees"

_COMMENT_MARKS = ("#", ";", "*", "//", '"', "'", "%", "!")
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_NOT_FINITE = re.compile(r"[+-]?(nan|inf|infinity)\b", re.IGNORECASE)
_REMEDY = "mend the line, or begin it with # if it is a comment"


def read_impedance_table(path: Path, *, u_percent: float = 2.0, u_deg: float = 2.0) -> Impedance:
    """The impedance in the text file `path`.

    Columns are parted by tab, semicolon, comma or space; decimals by point or (unless it parts columns) comma; lines
    that begin with a comment mark or a word are passed over. u_percent, u_deg : standard uncertainties to assume, for
    a table tells none. FormatError names file, line and remedy; InputError for an uncertainty that is not positive.
    """
    return parse_impedance_table(_text_of(path), name=str(path), u_percent=u_percent, u_deg=u_deg)


def parse_impedance_table(text: str, *, name: str, u_percent: float = 2.0, u_deg: float = 2.0) -> Impedance:
    """As `read_impedance_table`, from `text`; `name` stands for the file in messages."""
    for what, value in (("u_percent", u_percent), ("u_deg", u_deg)):
        if not (math.isfinite(value) and value > 0.0):
            raise InputError(f"{what} is {value}", expected="a number above 0")
    lines = _data_lines(text)
    separator, decimal_comma = _layout(lines, name)
    rows: list[tuple[float, float, float]] = []
    for number, line in lines:
        row = _row(line, separator, decimal_comma, _place(name, number))
        _check_row(row, rows[-1][0] if rows else 0.0, _place(name, number))
        rows.append(row)
        if len(rows) > MAX_POINTS:
            raise _wrong(f"the table has more than {MAX_POINTS} points", name, "export fewer points per octave")
    if len(rows) < MIN_POINTS:
        what = f"the table has {len(rows)} point{'s' if len(rows) != 1 else ''}"
        raise _wrong(what, name, "export the complete curve", expected=f"{MIN_POINTS} points or more; {LAYOUT}")
    hz, ohm, phase_deg = np.array(rows, dtype=np.float64).T
    _check_units(float(hz[-1]), float(ohm.max() / ohm.min()), float(np.abs(phase_deg).max()), name)
    return Impedance(
        FrequencyAxis(hz),
        ohm * np.exp(1j * np.radians(phase_deg)),
        ohm * u_percent / 100.0,
        np.full(hz.shape, u_deg),
        np.abs(phase_deg) <= 90.0,
    )


def _check_units(highest_hz: float, span: float, largest_deg: float, name: str) -> None:
    if highest_hz < 200.0:
        raise _wrong(
            f"the highest frequency is {highest_hz:g} Hz", name, "give frequencies in Hz, not in kHz", expected=LAYOUT
        )
    # A passive load whose magnitude doubles turns its phase by far more (relation of gain and phase, Bode).
    if span > 2.0 and largest_deg <= 1.6:
        raise _wrong(
            f"the phase stays within {largest_deg:g} while the magnitude changes {span:.1f} times: that is radians",
            name,
            "export the phase in degrees",
            expected=LAYOUT,
        )


def _wrong(what: str, where: str, remedy: str, *, expected: str = "") -> FormatError:
    return FormatError(what, where=where, expected=expected, remedy=remedy)


def _place(name: str, line: int) -> str:
    return f"{name}, line {line}"


def _text_of(path: Path) -> str:
    try:
        with path.open("rb") as file:
            raw = file.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise _wrong(
            "the impedance table cannot be opened",
            str(path),
            f"check path and permission ({reason})",
            expected="a text file that exists and may be read",
        ) from None
    if len(raw) > MAX_BYTES:
        limit = f"at most {MAX_BYTES // 2**20} MiB of text"
        raise _wrong(
            "the impedance table is too large", str(path), "check that this is the table meant", expected=limit
        )
    try:
        wide = raw.startswith((b"\xff\xfe", b"\xfe\xff"))
        text = raw.decode("utf-16" if wide else "utf-8-sig")
    except UnicodeDecodeError:
        # Unit signs in Latin-1 stand in comment lines; numbers are ASCII in any case.
        text = raw.decode("latin-1")
    if "\0" in text:
        raise _wrong("the impedance table is not text", str(path), "export it as plain text", expected=LAYOUT)
    return text


def _data_lines(text: str) -> list[tuple[int, str]]:
    kept = []
    for number, line in enumerate(re.split(r"\r\n|\r|\n", text), 1):
        # Runs of blanks become one: to part columns at a mark with blanks around it takes their square in time.
        line = re.sub(r"\s+", lambda run: "\t" if "\t" in run[0] else " ", line)
        bare = line.strip().lstrip("\ufeff")
        if not bare or bare.startswith(_COMMENT_MARKS) or (bare[0].isalpha() and not _NOT_FINITE.match(bare)):
            continue
        kept.append((number, bare.split("#")[0].strip()))
    return kept


def _layout(lines: list[tuple[int, str]], name: str) -> tuple[str, bool]:
    """Separator pattern and whether the comma is the decimal mark, one answer for the whole file."""
    bodies = [line for _, line in lines]
    has_comma, has_point = any("," in body for body in bodies), any("." in body for body in bodies)
    for mark in (";", "\t"):
        if any(mark in body for body in bodies):
            return rf"\s*{mark}\s*", has_comma and not has_point
    if not has_comma:
        return r"\s+", False
    spaced = any(re.search(r"[^,\s]\s+[^,\s]", body) for body in bodies)
    if spaced and not has_point and not any(re.search(r",\s", body) for body in bodies):
        return r"\s+", True
    for number, line in lines:
        if not has_point and line.count(",") > 2:
            raise _wrong(
                "the commas may part columns or decimals",
                _place(name, number),
                "part the columns by semicolons, or write decimals with a point",
                expected="columns that can be told from decimals",
            )
    return r"\s*,\s*", False


def _row(line: str, separator: str, decimal_comma: bool, where: str) -> tuple[float, float, float]:
    fields = re.split(separator, line)
    while len(fields) > 3 and not fields[-1]:
        fields.pop()
    if len(fields) == 2:
        raise _wrong(
            "the line has no phase",
            where,
            "export magnitude and phase; without phase the load is not known",
            expected=LAYOUT,
        )
    if len(fields) != 3:
        raise _wrong(
            f"the line has {len(fields)} column{'s' if len(fields) != 1 else ''}", where, _REMEDY, expected=LAYOUT
        )
    first, second, third = (_value(field, decimal_comma, where) for field in fields)
    return first, second, third


def _value(field: str, decimal_comma: bool, where: str) -> float:
    plain = field.replace(",", ".") if decimal_comma else field
    value = float(plain) if _NUMBER.fullmatch(plain) else math.nan
    if math.isfinite(value):
        return value
    shown = field if len(field) <= 40 else field[:40] + "..."
    raise _wrong(
        f"{shown!r} is not a number",
        where,
        _REMEDY,
        expected="finite numbers, with the same decimal mark in the whole file and no thousands mark",
    )


def _check_row(row: tuple[float, float, float], before_hz: float, where: str) -> None:
    frequency_hz, ohm, phase_deg = row
    if not before_hz < frequency_hz <= MAX_FREQUENCY_HZ:
        raise _wrong(
            f"the frequency is {frequency_hz:g} Hz, after {before_hz:g} Hz",
            where,
            "sort the lines by frequency and take out repeated ones",
            expected=f"frequencies above 0 Hz, each higher than the one before, up to {MAX_FREQUENCY_HZ:g} Hz",
        )
    if not MIN_OHM <= ohm <= MAX_OHM:
        raise _wrong(
            f"the magnitude is {ohm:g} ohm",
            where,
            "check the order and the units of the columns",
            expected=f"a magnitude from {MIN_OHM:g} to {MAX_OHM:g} ohm",
        )
    if abs(phase_deg) > MAX_PHASE_DEG:
        raise _wrong(
            f"the phase is {phase_deg:g} degrees",
            where,
            "check the order and the units of the columns, and that the phase is that of the impedance",
            expected=f"from -{MAX_PHASE_DEG:g} to {MAX_PHASE_DEG:g} degrees: a loudspeaker is a passive load",
        )
