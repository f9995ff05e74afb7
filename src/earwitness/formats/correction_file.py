"""Microphone correction files: frequency, response in dB and perhaps phase, as plain text."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from earwitness.errors import FormatError
from earwitness.files.data import worded
from earwitness.formats.table import plain_rows, text_of
from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray, locked

MAX_BYTES = 4 * 2**20
MAX_ABS_RESPONSE_DB = 20.0
MIN_POINTS = 3
MOST_TOLD = 8
SUSPECT_TREBLE_DB = 6.0
TREBLE_BAND_HZ = (10_000.0, 20_000.0)

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
            raise FormatError.of("formats.frequency_negative", where=self.name)
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
            where, ends_hz = self.name, (self.frequency_hz[0], self.frequency_hz[-1])
            raise FormatError.of("formats.correction_says_nothing", where=where, hz=frequency_hz, ends_hz=ends_hz)
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
        return (worded("formats.confirm_sign", mean_db=mean_db),)


def read_correction(path: Path) -> MicrophoneCorrection:
    """The microphone correction in the text file `path`, written in any way that `table.plain_rows` reads.

    FormatError names file, line and remedy for everything that cannot be read in one way only, all lines at once.
    """
    return parse_correction(text_of(path, what="correction file", most=MAX_BYTES), name=str(path))


def parse_correction(text: str, *, name: str) -> MicrophoneCorrection:
    """As `read_correction`, from `text`; `name` stands for the file in messages."""
    rows: list[tuple[float, ...]] = []
    faults: list[tuple[int, FormatError]] = []
    read = plain_rows(text, name=name, counts=(2, 3), layout=_LAYOUT)
    for row in read:
        wrong = row.error or _row_error(row.values, rows, f"{name}, line {row.line}")
        if wrong is None:
            rows.append(row.values)
            continue
        faults.append((row.line, wrong))
        if len(faults) >= MOST_READ_ON:
            break
    if faults:
        raise _all_of(faults)
    if len(rows) < MIN_POINTS:
        where = f"{name}, line {read[-1].line if read else 1}"
        count = f"{len(rows)} point{'s' if len(rows) != 1 else ''}"
        raise FormatError.of("formats.correction_short", where=where, count=count, least=MIN_POINTS, layout=_LAYOUT)
    table = np.array(rows, dtype=np.float64)
    phase = locked(table[:, 2], np.float64) if table.shape[1] == 3 else None
    return MicrophoneCorrection(name, locked(table[:, 0], np.float64), locked(table[:, 1], np.float64), phase)


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


def _row_error(row: tuple[float, ...], rows: list[tuple[float, ...]], where: str) -> FormatError | None:
    """Why a row of numbers does not go on with `rows`."""
    frequency_hz, response_db = row[:2]
    before_hz = rows[-1][0] if rows else 0.0
    if rows and len(row) != len(rows[0]):
        return FormatError.of("formats.columns_change", where=where, count=len(row), before=len(rows[0]))
    if frequency_hz <= before_hz:
        return FormatError.of("formats.frequency_falls", where=where, frequency_hz=frequency_hz, before_hz=before_hz)
    if abs(response_db) > MAX_ABS_RESPONSE_DB:
        return FormatError.of(
            "formats.response_beyond", where=where, response_db=response_db, max_abs_response_db=MAX_ABS_RESPONSE_DB
        )
    return None
