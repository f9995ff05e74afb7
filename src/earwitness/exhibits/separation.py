"""Exhibit: how clean the separation of a scan is: what the fit leaves, and the error to expect of it."""

import numpy as np

from earwitness.exhibits.chart import Chart, Panel, Region, Role, Trace
from earwitness.exhibits.texts import chart
from earwitness.exhibits.words import frequency_words, number_words
from earwitness.files.data import worded
from earwitness.quantities import Curve, FrequencyAxis, Measurement, Reading
from earwitness.quantities.arrays import BoolArray, FloatArray
from earwitness.quantities.separation import ScanReading, WavePart

SPOKEN_HZ = (50.0, 200.0, 1000.0, 5000.0)
# What a direction may be uncertain by and still be shown: beyond it nothing is read off.
_HIGHEST_SHOWN_U_DB = 3.0
# Centers of two bands nearer than this are called one: no finer than they are found.
_SAME_PLACE_M = 0.02


def separation(_reading: Reading, measurement: Measurement) -> Chart | None:
    """The chart of a measurement's scan; None where it is none."""
    scan = measurement.scan
    if scan is None:
        return None
    return separation_chart(measurement.response.axis, scan)


def centers_of(axis: FrequencyAxis, scan: ScanReading) -> tuple[tuple[float, tuple[float, float, float]], ...]:
    """(from which frequency, place from the reference point) where waves of several origins were needed.

    Origins share their frequencies; the one of the smallest source is where the data say that the sound comes from.
    Bands whose places lie within 2 cm of the one before are not named again, nor those without a valid frequency.
    """
    bands: dict[tuple[int, ...], list[WavePart]] = {}
    for part in scan.parts:
        bands.setdefault(tuple(int(row) for row in part.rows), []).append(part)
    found: list[tuple[float, tuple[float, float, float]]] = []
    for rows in sorted(rows for rows, origins in bands.items() if len(origins) > 1 and scan.valid[list(rows)].any()):
        smallest = min(bands[rows], key=lambda part: part.source_radius_m)
        x, y, z = (float(a - b) for a, b in zip(smallest.center_m, scan.reference_m, strict=True))
        if not found or np.linalg.norm(np.subtract(found[-1][1], (x, y, z))) > _SAME_PLACE_M:
            found.append((float(axis.hz[rows[0]]), (x, y, z)))
    return tuple(found)


def separation_chart(axis: FrequencyAxis, scan: ScanReading) -> Chart:
    """What the fit leaves, the error to expect and how far the equations magnify errors, over frequency."""
    valid = scan.valid
    error = np.minimum(scan.u_db, _HIGHEST_SHOWN_U_DB)
    top = float(np.clip(np.ceil(2.0 * np.percentile(error[valid], 98) if valid.any() else 1.0), 1.0, 3.0))
    inside = valid & (scan.scattered_db > -100.0)
    size = np.minimum(20 * np.log10(np.maximum(scan.condition, 1.0)), 60.0)

    def line(key: str, name: str, values: FloatArray, role: Role, known: BoolArray = valid) -> tuple[Trace, ...]:
        return (Trace(Curve.bare(key, name, axis, values, known), role, name),)

    fit = line("residual", "left by the fit", scan.residual_db, "direct")
    fit += line("leave_out", "at points not used", scan.leave_out_db, "plain")
    if inside.any():
        fit += line("scattered", "scattered, taken off", scan.scattered_db, "before", inside)
    expected = line("u", "expected error", error, "direct")
    condition = line("condition", "condition", size, "plain")
    return chart(
        "separation",
        (
            Panel("Not explained", "dB", -80.0, 0.0, 20.0, fit, _regions(axis, scan), db_per_decade=None),
            Panel("Expected error", "dB", 0.0, top, 0.5, expected, db_per_decade=None),
            Panel("Condition", "dB", 0.0, 60.0, 20.0, condition, db_per_decade=None),
        ),
        finding=_finding(axis, scan),
        note=scan.sentence,
        order_out=int(scan.order_out.max(initial=0)),
        order_in=int(max(scan.order_in.max(initial=0), 0)),
        origins=_origin_words(centers_of(axis, scan)),
    )


def _origin_words(centers: tuple[tuple[float, tuple[float, float, float]], ...]) -> str:
    """Where the sound's center was found, in words; empty where no band asked for one."""
    if not centers:
        return ""
    told = [f"from {frequency_words(hz)} up {place_words(place)}" for hz, place in centers]
    return worded("exhibits.where_points_too_few", listed=", ".join(told))


def place_words(place_m: tuple[float, float, float]) -> str:
    """ "2 cm behind and 1 cm above the reference point", from x forward, y to the loudspeaker's left, z up."""
    names = (("before", "behind"), ("left of", "right of"), ("above", "below"))
    told = []
    for value, (plus, minus) in zip(place_m, names, strict=True):
        size = round(100 * abs(value))
        if size:
            told.append(f"{size}\N{NO-BREAK SPACE}cm {plus if value > 0 else minus}")
    if not told:
        return "at the reference point"
    last = f"{', '.join(told[:-1])} and {told[-1]}" if len(told) > 1 else told[0]
    return f"{last} the reference point"


def _regions(axis: FrequencyAxis, scan: ScanReading) -> tuple[Region, ...]:
    rows = np.flatnonzero(scan.valid & (scan.order_in >= 0))
    if rows.size == 0:
        return ()
    return (Region("splice", float(axis.hz[rows[0]]), float(axis.hz[rows[-1]]), label="room's sound separated"),)


def _finding(axis: FrequencyAxis, scan: ScanReading) -> str:
    points, valid, left_out = scan.points, scan.valid, scan.points_left_out
    if not valid.any():
        return f"{points:,} points do not suffice to separate the loudspeaker's sound at any frequency."
    known = []
    for hz in SPOKEN_HZ:
        row = int(np.argmin(np.abs(np.log(axis.hz / hz))))
        if valid[row]:
            known.append(f"{number_words(max(float(scan.u_db[row]), 0.01), 2)} dB at {frequency_words(hz)}")
    text = f"From {points:,} points the field of the loudspeaker alone is known with a standard error of "
    text += ", ".join(known)
    text += "." if known else "more than can be told from 50 Hz to 5 kHz."
    if scan.joint_hz is not None:
        text += f" Above {frequency_words(scan.joint_hz)} gated sound serves."
    if left_out:
        text += f" {left_out} point{'s were' if left_out != 1 else ' was'} left out."
    rows = np.flatnonzero(valid)
    return text + f" Shown: {frequency_words(float(axis.hz[rows[0]]))} to {frequency_words(float(axis.hz[rows[-1]]))}."
