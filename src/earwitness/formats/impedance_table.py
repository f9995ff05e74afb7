"""Impedance as a text table: frequency, magnitude in ohms, phase; three columns without titles are those."""

import math
from pathlib import Path

import numpy as np

from earwitness.errors import FormatError, InputError
from earwitness.formats.response_table import ResponseTable, parse_response_table
from earwitness.formats.table import refused, text_of
from earwitness.quantities import BoolArray, FloatArray, FrequencyAxis, Impedance

MAX_BYTES = 4 * 2**20
MIN_POINTS, MAX_POINTS = 8, 100_000
MAX_FREQUENCY_HZ, MIN_OHM, MAX_OHM, MAX_PHASE_DEG = 200_000.0, 0.001, 100_000.0, 95.0
LAYOUT = "three columns: frequency in Hz, magnitude in ohm, phase in degrees"
_UNTITLED = "Hz, ohm, deg"


def read_impedance_table(path: Path, *, u_percent: float = 2.0, u_deg: float = 2.0) -> Impedance:
    """The impedance in the text file `path`, written in any way that `response_table` reads.

    u_percent, u_deg : standard uncertainties to assume where the table has no columns "u ohm" and "u deg".
    FormatError names file, line and remedy; InputError for an uncertainty that is not positive.
    """
    text = text_of(path, what="impedance table", most=MAX_BYTES)
    return parse_impedance_table(text, name=str(path), u_percent=u_percent, u_deg=u_deg)


def parse_impedance_table(text: str, *, name: str, u_percent: float = 2.0, u_deg: float = 2.0) -> Impedance:
    """As `read_impedance_table`, from `text`; `name` stands for the file in messages."""
    for what, value in (("u_percent", u_percent), ("u_deg", u_deg)):
        if not (math.isfinite(value) and value > 0.0):
            raise InputError(f"{what} is {value}", expected="a number above 0")
    table = parse_response_table(text, name=name, answers={"untitled": _UNTITLED})
    if table.questions:
        raise _wrong(table.questions[0].why, f"{name}, line {table.questions[0].line}", "settle it in the table")
    if table.kind != "impedance" or table.phase is None or len(table.values) != 1:
        line = f"{name}, line {table.lines[0]}"
        raise _wrong("the table names no magnitude in ohm with a phase", line, "export magnitude and phase")
    hz, ohm, phase_deg = table.hz, table.values[0], np.degrees(table.phase[0].phase_rad)
    _check_rows(table, phase_deg)
    if not MIN_POINTS <= hz.size <= MAX_POINTS:
        raise _wrong(f"the table has {hz.size} points", name, "export the complete curve, or fewer points per octave")
    _check_units(float(hz[-1]), float(ohm.max() / ohm.min()), float(np.abs(phase_deg).max()), name)
    return Impedance(
        FrequencyAxis(hz),
        ohm * np.exp(1j * np.radians(phase_deg)),
        _stated(table.u_db, ohm * u_percent / 100.0),
        _stated(table.u_phase_deg, np.full(hz.shape, u_deg)),
        np.abs(phase_deg) <= 90.0,
    )


def _stated(told: FloatArray | None, assumed: FloatArray) -> FloatArray:
    """(F,) what the table states where it states a positive number, else what is assumed."""
    if told is None:
        return assumed
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(told[0] > 0.0, told[0], assumed), dtype=float)


def _check_rows(table: ResponseTable, phase_deg: FloatArray) -> None:
    ohm, lines = table.values[0], table.lines

    def refuse(wrong: BoolArray, what: str, remedy: str, expected: str) -> None:
        if wrong.any():
            row = int(np.flatnonzero(wrong)[0])
            told = what.format(hz=table.hz[row], ohm=ohm[row], deg=phase_deg[row])
            raise _wrong(told, f"{table.name}, line {lines[row]}", remedy, expected=expected)

    units = "check the order and the units of the columns"
    if table.missing_lines:
        raise _wrong("the magnitude is not a number", f"{table.name}, line {table.missing_lines[0]}", "take it out")
    refuse(~np.isfinite(phase_deg), "the phase at {hz:g} Hz is not a number", "mend the line or take it out", LAYOUT)
    within = f"frequencies up to {MAX_FREQUENCY_HZ:g} Hz"
    refuse(table.hz > MAX_FREQUENCY_HZ, "the frequency is {hz:g} Hz", units, within)
    within = f"a magnitude from {MIN_OHM:g} to {MAX_OHM:g} ohm"
    refuse(~((ohm >= MIN_OHM) & (ohm <= MAX_OHM)), "the magnitude is {ohm:g} ohm", units, within)
    within = f"from -{MAX_PHASE_DEG:g} to {MAX_PHASE_DEG:g} degrees: a loudspeaker is a passive load"
    refuse(np.abs(phase_deg) > MAX_PHASE_DEG, "the phase is {deg:g} degrees", units, within)


def _check_units(highest_hz: float, span: float, largest_deg: float, name: str) -> None:
    if highest_hz < 200.0:
        raise _wrong(f"the highest frequency is {highest_hz:g} Hz", name, "give frequencies in Hz, or title them kHz")
    # A passive load whose magnitude doubles turns its phase by far more (relation of gain and phase, Bode).
    if span > 2.0 and largest_deg <= 1.6:
        raise FormatError.of("formats.phase_in_radians", where=name, expected=LAYOUT, largest=largest_deg, span=span)


def _wrong(what: str, where: str, remedy: str, *, expected: str = LAYOUT) -> FormatError:
    return refused(what, where, remedy, expected=expected)
