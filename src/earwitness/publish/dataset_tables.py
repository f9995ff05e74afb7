"""Tables of a data set that no curve of the page holds: the load and what the drive leaves behind."""

import csv
import io
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from datetime import date as Date
from math import isfinite

import numpy as np

from earwitness.quantities import Harmonics, Impedance
from earwitness.quantities.arrays import FloatArray

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


def shown_texts(values: FloatArray, u: FloatArray | None) -> list[str]:
    """Each value (N,) to a tenth of its standard uncertainty u (N,) or finer, so that rounding adds under 0.1 % to it;
    six significant digits where there is none, and everywhere without u."""
    if u is None:
        return [number_text(value) for value in values.tolist()]
    with np.errstate(divide="ignore", invalid="ignore"):
        places = np.where(u > 0, np.clip(np.ceil(1.0 - np.log10(u)), 0, 6), -1).astype(int).tolist()
    cells = zip(values.tolist(), places, strict=True)
    return [f"{value:.{k}f}" if k >= 0 and isfinite(value) else number_text(value) for value, k in cells]


def short_texts(u: FloatArray) -> list[str]:
    """Uncertainties (N,) to three significant digits; "" where there is none."""
    return [f"{value:.3g}" if isfinite(value) else "" for value in u.tolist()]


def zipped(files: Mapping[str, bytes], *, folder: str, date: str) -> bytes:
    """The files as a zip, in `folder` where one is named: sorted, dated "YYYY-MM-DD", the same bytes each time."""
    day = Date.fromisoformat(date)
    # The zip format knows no year before 1980 and none after 2107.
    stamp = (min(max(day.year, 1980), 2107), day.month, day.day, 0, 0, 0)
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for name in sorted(files):
            entry = zipfile.ZipInfo(f"{folder}/{name}" if folder else name, date_time=stamp)
            entry.create_system, entry.external_attr = 3, 0o100644 << 16
            archive.writestr(entry, files[name], zipfile.ZIP_DEFLATED, 9)
    return made.getvalue()


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
