"""Microphone correction files: frequency, response in dB and perhaps phase, as plain text."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from earwitness.errors import FormatError
from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray, locked

MAX_BYTES = 4 * 2**20
MAX_ABS_RESPONSE_DB = 20.0
MIN_POINTS = 3
MOST_TOLD = 8
SUSPECT_TREBLE_DB = 6.0
TREBLE_BAND_HZ = (10_000.0, 20_000.0)

_COMMENT_MARKS = ("#", ";", "*", "//", '"', "'", "%", "!")
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_NOT_FINITE = re.compile(r"[+-]?(nan|inf|infinity)$", re.IGNORECASE)
_LAYOUT = "two or three columns: frequency in Hz, response in dB, optionally phase in degrees"

# So many wrong lines are no slips: the file is another one.
MOST_READ_ON = 1000


@dataclass(frozen=True, slots=True, eq=False)
class CorrectionAt:
    """A microphone's response at chosen frequencies.

    response_db (F,) : interpolated response; phase_rad (F,) or None; corrected (F,) : False where the
    frequency lies outside the file and the end value is held.
    """

    response_db: FloatArray
    phase_rad: FloatArray | None
    corrected: BoolArray

    def divide(self, response: ComplexArray) -> ComplexArray:
        """`response` (..., F) with the microphone's own response divided out."""
        phase = np.zeros_like(self.response_db) if self.phase_rad is None else self.phase_rad
        divided: ComplexArray = response / (10 ** (self.response_db / 20) * np.exp(1j * phase))
        return divided


@dataclass(frozen=True, slots=True, eq=False)
class MicrophoneCorrection:
    """The response of a microphone as its file tells it.

    frequency_hz (P,) strictly rising; response_db (P,); phase_deg (P,) or None, as written.
    """

    name: str
    frequency_hz: FloatArray
    response_db: FloatArray
    phase_deg: FloatArray | None = None

    def at(self, frequency_hz: FloatArray) -> CorrectionAt:
        """Response at `frequency_hz` (F,), in dB linear against log frequency, ends held and marked uncorrected.

        Phase is unwrapped before it is interpolated in the same way. Frequencies below zero raise FormatError;
        0 Hz takes the lowest value.
        """
        asked = np.asarray(frequency_hz, dtype=np.float64)
        if not np.all(np.isfinite(asked)) or np.any(asked < 0):
            raise FormatError(
                "a frequency to correct is negative or not a number",
                where=self.name,
                expected="finite frequencies in Hz, 0 or more",
                remedy="ask for frequencies of 0 Hz or more",
            )
        low, high = self.frequency_hz[0], self.frequency_hz[-1]
        log_file, log_asked = np.log(self.frequency_hz), np.log(np.clip(asked, low, high))
        phase = None
        if self.phase_deg is not None:
            phase = np.interp(log_asked, log_file, np.unwrap(np.radians(self.phase_deg)))
        return CorrectionAt(np.interp(log_asked, log_file, self.response_db), phase, (asked >= low) & (asked <= high))

    def renormalized(self, frequency_hz: float) -> MicrophoneCorrection:
        """The same response shifted to 0 dB at `frequency_hz`, the calibrator's frequency; phase untouched.

        Without this the sensitivity and the file count the same deviation twice. FormatError outside the file.
        """
        if not self.frequency_hz[0] <= frequency_hz <= self.frequency_hz[-1]:
            raise FormatError(
                f"the file says nothing about {frequency_hz:g} Hz, the frequency to refer it to",
                where=self.name,
                expected=f"a frequency from {self.frequency_hz[0]:g} to {self.frequency_hz[-1]:g} Hz",
                remedy="use a correction file that covers the calibrator's frequency",
            )
        offset_db = self.at(np.array([frequency_hz])).response_db[0]
        return replace(self, response_db=locked(self.response_db - offset_db, np.float64))

    def remarks(self) -> tuple[str, ...]:
        """What needs confirmation by a person: a treble mean that suggests an inverted sign or the wrong field angle.

        The limit of 6 dB for the mean of 10 to 20 kHz is common practice, no source.
        """
        inside = (self.frequency_hz >= TREBLE_BAND_HZ[0]) & (self.frequency_hz <= TREBLE_BAND_HZ[1])
        if not np.any(inside):
            return ()
        mean_db = float(np.mean(self.response_db[inside]))
        if abs(mean_db) <= SUSPECT_TREBLE_DB:
            return ()
        return (
            f"the mean from 10 to 20 kHz is {mean_db:+.1f} dB: confirm that the file gives the microphone's response "
            "(not its inverse) and belongs to the angle of incidence used",
        )


def read_correction(path: Path) -> MicrophoneCorrection:
    """The microphone correction in the text file `path`.

    Columns are parted by tab, semicolon, comma or space; decimals by point or comma; lines that begin with a
    comment mark or a word are passed over. FormatError names file, line and remedy for everything that cannot
    be read in one way only.
    """
    return parse_correction(_text_of(path), name=str(path))


def parse_correction(text: str, *, name: str) -> MicrophoneCorrection:
    """As `read_correction`, from `text`; `name` stands for the file in messages."""
    lines = _data_lines(text)
    separator, decimal_comma = _layout(lines, name)
    rows: list[tuple[float, ...]] = []
    faults: list[tuple[int, FormatError]] = []
    for number, line in lines:
        try:
            row = _row(line, separator, decimal_comma, _place(name, number))
            _need_columns(row, rows, _place(name, number))
            _check_row(row, rows[-1][0] if rows else 0.0, _place(name, number))
        except FormatError as error:
            faults.append((number, error))
            if len(faults) >= MOST_READ_ON:
                break
            continue
        rows.append(row)
    if faults:
        raise _all_of(faults)
    if len(rows) < MIN_POINTS:
        raise FormatError(
            f"the correction has {len(rows)} point{'s' if len(rows) != 1 else ''}",
            where=_place(name, lines[-1][0] if lines else 1),
            expected=f"{MIN_POINTS} points or more; {_LAYOUT}",
            remedy="use the microphone's complete correction file",
        )
    table = np.array(rows, dtype=np.float64)
    phase = locked(table[:, 2], np.float64) if table.shape[1] == 3 else None
    return MicrophoneCorrection(name, locked(table[:, 0], np.float64), locked(table[:, 1], np.float64), phase)


def _need_columns(row: tuple[float, ...], rows: list[tuple[float, ...]], where: str) -> None:
    if rows and len(row) != len(rows[0]):
        raise FormatError(
            f"the line has {len(row)} columns, the lines before have {len(rows[0])}",
            where=where,
            expected="the same number of columns in every line",
            remedy="complete the line or take it out",
        )


def _all_of(faults: list[tuple[int, FormatError]]) -> FormatError:
    """One error for all lines, at the place of the first."""
    _, first = faults[0]
    others = [f"line {number}: {error.what}" for number, error in faults[1:MOST_TOLD]]
    if len(faults) > MOST_TOLD:
        others.append(f"and {len(faults) - MOST_TOLD} lines more")
    if not others:
        return first
    what = f"{first.what}; besides, {'; '.join(others)}"
    return FormatError(what, where=first.where, expected=first.expected, remedy=first.remedy)


def _place(name: str, line: int) -> str:
    return f"{name}, line {line}"


def _text_of(path: Path) -> str:
    try:
        with path.open("rb") as file:
            raw = file.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        raise FormatError(
            "the correction file cannot be opened",
            where=str(path),
            expected="a text file that exists and may be read",
            remedy=f"check path and permission ({getattr(error, 'strerror', None) or error})",
        ) from None
    if len(raw) > MAX_BYTES:
        raise FormatError(
            "the correction file is too large",
            where=str(path),
            expected=f"at most {MAX_BYTES // 2**20} MiB of text",
            remedy="check that this is the microphone's correction file",
        )
    try:
        if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
            return raw.decode("utf-16")
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        # Old calibration programs write a degree sign in Latin-1, in comment lines; numbers are ASCII in any case.
        text = raw.decode("latin-1")
    if "\0" in text:
        raise FormatError(
            "the correction file is not text",
            where=_place(str(path), text[: text.index("\0")].count("\n") + 1),
            expected=f"plain text with {_LAYOUT}",
            remedy="export the correction as plain text",
        )
    return text


def _data_lines(text: str) -> list[tuple[int, str]]:
    kept = []
    for number, line in enumerate(re.split(r"\r\n|\r|\n", text), 1):
        # Runs of blanks become one: to part columns at a mark with blanks around it takes their square in time.
        line = re.sub(r"\s+", lambda run: "\t" if "\t" in run[0] else " ", line)
        bare = line.strip().lstrip("\ufeff")
        if not bare or bare.startswith(_COMMENT_MARKS):
            continue
        if bare[0].isalpha() and not _NOT_FINITE.match(re.split(r"[\s,;]", bare)[0]):
            continue
        kept.append((number, bare.split("#")[0].strip()))
    return kept


def _layout(lines: list[tuple[int, str]], name: str) -> tuple[str, bool]:
    """Separator pattern and whether the comma is the decimal mark, one answer for the whole file."""
    bodies = [line for _, line in lines]
    has_comma, has_point = any("," in b for b in bodies), any("." in b for b in bodies)
    for mark in (";", "\t"):
        if any(mark in b for b in bodies):
            padded_comma = mark == "\t" and all(re.search(r",\s", b) for b in bodies)
            return (r"\s*,\s*", False) if padded_comma else (rf"\s*{mark}\s*", has_comma and not has_point)
    if not has_comma:
        return r"\s+", False
    if any(re.search(r"\s", b) for b in bodies) and not any(re.search(r",\s|\s,", b) for b in bodies):
        return r"\s+", not has_point
    for number, line in lines:
        if line.count(",") > 1 and not has_point and re.search(r"\S,\S", line):
            raise FormatError(
                "the commas may part columns or decimals",
                where=_place(name, number),
                expected="columns that can be told from decimals",
                remedy="part the columns by semicolons, or write decimals with a point",
            )
    return r"\s*,\s*", False


def _row(line: str, separator: str, decimal_comma: bool, where: str) -> tuple[float, ...]:
    fields = re.split(separator, line)
    while len(fields) > 2 and not fields[-1]:
        fields.pop()
    if len(fields) not in (2, 3):
        raise FormatError(
            f"the line has {len(fields)} column{'s' if len(fields) != 1 else ''}",
            where=where,
            expected=_LAYOUT,
            remedy="mend the line, or begin it with # if it is a comment",
        )
    return tuple(_value(field, decimal_comma, where) for field in fields)


def _value(field: str, decimal_comma: bool, where: str) -> float:
    plain = field.replace(",", ".") if decimal_comma else field
    value = float(plain) if _NUMBER.fullmatch(plain) else math.nan
    if math.isfinite(value):
        return value
    shown = field if len(field) <= 40 else field[:40] + "..."
    raise FormatError(
        f"{shown!r} is not a number",
        where=where,
        expected="finite numbers, with the same decimal mark in the whole file and no thousands mark",
        remedy="mend the number, or begin the line with # if it is a comment",
    )


def _check_row(row: tuple[float, ...], before_hz: float, where: str) -> None:
    frequency_hz, response_db = row[:2]
    if frequency_hz <= before_hz:
        raise FormatError(
            f"the frequency {frequency_hz:g} Hz does not rise above {before_hz:g} Hz",
            where=where,
            expected="frequencies above 0 Hz, each higher than the one before",
            remedy="sort the lines by frequency and take out repeated ones",
        )
    if abs(response_db) > MAX_ABS_RESPONSE_DB:
        raise FormatError(
            f"the response is {response_db:g} dB",
            where=where,
            expected=f"from -{MAX_ABS_RESPONSE_DB:g} to +{MAX_ABS_RESPONSE_DB:g} dB re the reference frequency",
            remedy="check the column order; absolute sensitivities do not belong in this column",
        )
