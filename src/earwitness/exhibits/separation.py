"""Exhibit: how clean the separation of a scan is: what the fit leaves, and the error to expect of it."""

from __future__ import annotations

import numpy as np

from earwitness.exhibits.chart import Caption, Chart, Panel, Region, Trace
from earwitness.exhibits.words import frequency_words, number_words
from earwitness.quantities import Curve, FrequencyAxis, Measurement, Reading
from earwitness.quantities.arrays import BoolArray, FloatArray, IntArray
from earwitness.quantities.separation import WavePart

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
    return separation_chart(
        measurement.response.axis,
        residual_db=scan.residual_db,
        leave_out_db=scan.leave_out_db,
        scattered_db=scan.scattered_db,
        condition=scan.condition,
        expected_error_db=scan.u_db,
        order_out=scan.order_out,
        order_in=scan.order_in,
        valid=scan.valid,
        joint_hz=scan.joint_hz,
        points=scan.points,
        points_left_out=scan.points_left_out,
        sentence=scan.sentence,
        centers=centers_of(measurement.response.axis, scan.parts, scan.reference_m, scan.valid),
    )


def centers_of(
    axis: FrequencyAxis, parts: tuple[WavePart, ...], reference_m: tuple[float, float, float], valid: BoolArray
) -> tuple[tuple[float, tuple[float, float, float]], ...]:
    """(from which frequency, place from the reference point) where waves of several origins were needed.

    Origins share their frequencies; the one of the smallest source is where the data say that the sound comes from.
    Bands whose places lie within 2 cm of the one before are not named again, nor those without a valid frequency.
    """
    bands: dict[tuple[int, ...], list[WavePart]] = {}
    for part in parts:
        bands.setdefault(tuple(int(row) for row in part.rows), []).append(part)
    found: list[tuple[float, tuple[float, float, float]]] = []
    for rows in sorted(rows for rows, origins in bands.items() if len(origins) > 1 and valid[list(rows)].any()):
        smallest = min(bands[rows], key=lambda part: part.source_radius_m)
        x, y, z = (float(a - b) for a, b in zip(smallest.center_m, reference_m, strict=True))
        if not found or np.linalg.norm(np.subtract(found[-1][1], (x, y, z))) > _SAME_PLACE_M:
            found.append((float(axis.hz[rows[0]]), (x, y, z)))
    return tuple(found)


def separation_chart(
    axis: FrequencyAxis,
    *,
    residual_db: FloatArray,
    leave_out_db: FloatArray,
    scattered_db: FloatArray,
    condition: FloatArray,
    expected_error_db: FloatArray,
    order_out: IntArray,
    order_in: IntArray,
    valid: BoolArray,
    joint_hz: float | None,
    points: int,
    points_left_out: int,
    sentence: str,
    centers: tuple[tuple[float, tuple[float, float, float]], ...] = (),
) -> Chart:
    """The chart; every array (F,), see reduce.separate.quality.Quality for what they mean; sentence : for the note;
    centers : of centers_of."""
    error = np.minimum(expected_error_db, _HIGHEST_SHOWN_U_DB)
    top = float(np.clip(np.ceil(2.0 * np.percentile(error[valid], 98) if valid.any() else 1.0), 1.0, 3.0))
    inside = valid & (scattered_db > -100.0)
    fit = [
        Trace(_curve("residual", "left by the fit", axis, residual_db, valid), "direct", "left by the fit"),
        Trace(_curve("leave_out", "at points not used", axis, leave_out_db, valid), "plain", "at points not used"),
    ]
    if inside.any():
        name = "scattered, taken off"
        fit.append(Trace(_curve("scattered", name, axis, scattered_db, inside), "before", name))
    band = _region(axis, order_in, valid)
    size = np.minimum(20 * np.log10(np.maximum(condition, 1.0)), 60.0)
    return Chart(
        key="separation",
        title="How clean is the separation",
        subtitle="What the fit of outgoing and incoming waves leaves, and the error to expect of the result",
        caption=Caption(
            _finding(axis, expected_error_db, valid, points, points_left_out, joint_hz),
            "The upper panel shows how much of the sound at the microphones the waves do not explain, "
            "against all of it, and the same at points the fit has not seen: where the two part, "
            "the waves are too many for the points. "
            "The middle panel is the standard error to expect of the result, over the directions of the two orbits, "
            "drawn up to 3 dB. "
            "The lower panel shows how far the equations magnify errors. "
            f"Waves used: up to order {int(order_out.max(initial=0))} out, {int(max(order_in.max(initial=0), 0))} in."
            + _origin_words(centers),
        ),
        panels=(
            Panel(
                "Not explained", "dB", -80.0, 0.0, 20.0, traces=tuple(fit), regions=(band,) if band else (),
                db_per_decade=None,
            ),
            Panel(
                "Expected error", "dB", 0.0, top, 0.5,
                traces=(Trace(_curve("u", "expected error", axis, error, valid), "direct", "expected error"),),
                db_per_decade=None,
            ),
            Panel(
                "Condition", "dB", 0.0, 60.0, 20.0,
                traces=(Trace(_curve("condition", "condition", axis, size, valid), "plain", "condition"),),
                db_per_decade=None,
            ),
        ),
        note=sentence,
    )  # fmt: skip


def _origin_words(centers: tuple[tuple[float, tuple[float, float, float]], ...]) -> str:
    """Where the sound's center was found, in words; empty where no band asked for one."""
    if not centers:
        return ""
    told = [f"from {frequency_words(hz)} up {place_words(place)}" for hz, place in centers]
    return (
        " Where the points are too few for waves about the cabinet's middle alone, waves about the place that the "
        f"sound comes from are added; the data put it, {', '.join(told)}."
    )


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


def _region(axis: FrequencyAxis, order_in: IntArray, valid: BoolArray) -> Region | None:
    rows = np.flatnonzero(valid & (order_in >= 0))
    if rows.size == 0:
        return None
    return Region("splice", float(axis.hz[rows[0]]), float(axis.hz[rows[-1]]), label="room's sound separated")


def _finding(
    axis: FrequencyAxis, error: FloatArray, valid: BoolArray, points: int, left_out: int, joint_hz: float | None
) -> str:
    if not valid.any():
        return f"{points:,} points do not suffice to separate the loudspeaker's sound at any frequency."
    known = []
    for hz in SPOKEN_HZ:
        row = int(np.argmin(np.abs(np.log(axis.hz / hz))))
        if valid[row]:
            known.append(f"{number_words(max(float(error[row]), 0.01), 2)} dB at {frequency_words(hz)}")
    text = f"From {points:,} points the field of the loudspeaker alone is known with a standard error of "
    text += ", ".join(known)
    text += "." if known else "more than can be told from 50 Hz to 5 kHz."
    if joint_hz is not None:
        text += f" Above {frequency_words(joint_hz)} gated sound serves."
    if left_out:
        text += f" {left_out} point{'s were' if left_out != 1 else ' was'} left out."
    rows = np.flatnonzero(valid)
    return text + f" Shown: {frequency_words(float(axis.hz[rows[0]]))} to {frequency_words(float(axis.hz[rows[-1]]))}."


def _curve(key: str, name: str, axis: FrequencyAxis, values: FloatArray, valid: BoolArray) -> Curve:
    none = np.zeros(values.shape)
    return Curve(key, name, axis, np.asarray(values, dtype=float), none, none, valid, "dB", "dB")
