"""Tables of a data set that no curve of the page holds: the load and what the drive leaves behind."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

import numpy as np

from earwitness.quantities import Harmonics, Impedance


def impedance_csv(load: Impedance) -> str:
    """One row a frequency: magnitude and phase of the input impedance, their standard uncertainties, valid."""
    rows = zip(load.axis.hz, np.abs(load.ohm), np.rad2deg(np.angle(load.ohm)), load.u_ohm, load.u_deg, strict=True)
    head = ("frequency_hz", "magnitude_ohm", "phase_deg", "u_magnitude_ohm", "u_phase_deg", "valid")
    return table_csv(head, ((*row, int(ok)) for row, ok in zip(rows, load.valid, strict=True)))


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
    writer.writerow(head)
    writer.writerows([_cell(cell) for cell in row] for row in rows)
    return text.getvalue()


def _harmonic_rows(taken: Harmonics) -> Iterable[Sequence[object]]:
    about = (taken.take, taken.place, taken.distance_m, taken.drive_v)
    for k, order in enumerate(taken.orders):
        for f, hz in enumerate(taken.axis.hz):
            levels = (taken.fundamental_db[f], taken.harmonic_db[k, f], taken.noise_db[k, f])
            yield (*about, order, hz, *levels, int(taken.valid[k, f]))


def _cell(cell: object) -> str:
    if isinstance(cell, float | np.floating):
        return f"{float(cell):.6g}" if np.isfinite(cell) else ""
    words = str(cell)
    # A spreadsheet would run such words as a formula.
    return "'" + words if isinstance(cell, str) and words.startswith(("=", "+", "-", "@", "\t", "\r")) else words
