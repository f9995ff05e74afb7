"""Tables of a data set that no curve of the page holds: the load and what the drive leaves behind."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from math import isfinite

import numpy as np

from earwitness.quantities import Harmonics, Impedance

_DANGEROUS_STARTS = ("=", "+", "-", "@", "\t", "\r")


def impedance_csv(load: Impedance) -> str:
    """One row a frequency: magnitude and phase of the input impedance, their standard uncertainties, valid."""
    columns = (load.axis.hz, np.abs(load.ohm), np.rad2deg(np.angle(load.ohm)), load.u_ohm, load.u_deg)
    rows = zip(*(column.tolist() for column in columns), load.valid.astype(int).tolist(), strict=True)
    head = ("frequency_hz", "magnitude_ohm", "phase_deg", "u_magnitude_ohm", "u_phase_deg", "valid")
    return table_csv(head, rows)


def distortion_csv(harmonics: Sequence[Harmonics]) -> str:
    """One row a take, order and frequency of the fundamental: levels of the harmonic, the fundamental and the noise.

    Levels are rms at the microphone [dB SPL]; valid is 0 where the harmonic lies outside the sweep or the recording.
    """
    head = (
        *("take", "place", "distance_m", "drive_v", "order", "fundamental_hz"),
        *("fundamental_db_spl", "harmonic_db_spl", "noise_db_spl", "valid"),
    )
    return table_csv(head, (row for taken in harmonics for row in _harmonic_rows(taken)))


def table_csv(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """CSV text (RFC 4180, lines ended by LF): numbers to six significant digits, empty where there is none."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([_cell(cell) for cell in head])
    writer.writerows([_cell(cell) for cell in row] for row in rows)
    return text.getvalue()


def _harmonic_rows(taken: Harmonics) -> Iterable[Sequence[object]]:
    about = (taken.take, taken.place, taken.distance_m, taken.drive_v)
    for k, order in enumerate(taken.orders):
        columns = (taken.axis.hz, taken.fundamental_db, taken.harmonic_db[k], taken.noise_db[k])
        valid = taken.valid[k].astype(int)
        for row in zip(*(column.tolist() for column in (*columns, valid)), strict=True):
            yield (*about, order, *row)


def number_text(value: float) -> str:
    """Six significant digits; "" for what is no number."""
    return f"{value:.6g}" if isfinite(value) else ""


def _cell(cell: object) -> str:
    """Words that a spreadsheet would run as a formula get an apostrophe in front; numbers stay."""
    if isinstance(cell, float):
        return number_text(cell)
    words = "" if cell is None else str(cell)
    if words.startswith(_DANGEROUS_STARTS) and isinstance(cell, str):
        try:
            float(words)
        except ValueError:
            return "'" + words
    return words
