"""Exhibit: how clean the separation of a scan is: what the fit leaves, and the error to expect of it."""

from __future__ import annotations

import numpy as np

from earwitness.exhibits.chart import Caption, Chart, Panel, Region, Trace
from earwitness.exhibits.words import frequency_words, number_words
from earwitness.quantities import Curve, FrequencyAxis, Measurement, Reading
from earwitness.quantities.arrays import BoolArray, FloatArray, IntArray

SPOKEN_HZ = (50.0, 200.0, 1000.0, 5000.0)
# What a direction may be uncertain by and still be shown: beyond it nothing is read off.
_HIGHEST_SHOWN_U_DB = 3.0


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
    )


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
) -> Chart:
    """The chart; every array (F,), see reduce.separate.quality.Quality for what they mean; sentence : for the note."""
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
            f"Waves used: up to order {int(order_out.max(initial=0))} out, {int(max(order_in.max(initial=0), 0))} in.",
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
