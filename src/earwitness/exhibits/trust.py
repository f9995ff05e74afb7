"""Exhibit: how far to trust the curves: what their uncertainty is made of, and how far noise lay below."""

import numpy as np

from earwitness.exhibits.chart import Chart, Panel, Role, Trace
from earwitness.exhibits.level_facts import joined
from earwitness.exhibits.texts import chart
from earwitness.exhibits.words import COVERAGE_FACTOR, frequency_words, listed, number_words
from earwitness.quantities import Curve, FrequencyAxis, Measurement, Reading
from earwitness.quantities.arrays import BoolArray, FloatArray
from earwitness.quantities.directions import on_orbit

SPOKEN_HZ = (50.0, 1000.0, 10_000.0)
# All dashed, each in another way: at the ends of the axis several lines may lie on each other.
_LINE_ROLES: tuple[Role, ...] = ("second", "third", "fourth", "reflected part", "before")
_SHOWN_LINES = len(_LINE_ROLES)


def trust(reading: Reading, measurement: Measurement) -> Chart | None:
    """Uncertainty of the on-axis level and its largest parts, and signal-to-noise ratio; None without a budget."""
    if not measurement.budget:
        return None
    axis = measurement.response.axis
    ahead = reading.curves.get("on_axis")
    known = ahead.valid if ahead is not None and ahead.axis.same_as(axis) else np.ones(len(axis), dtype=bool)
    total = _total_db(measurement)
    shown = sorted(measurement.budget, key=lambda line: -float(line.u_db.max()))[:_SHOWN_LINES]
    traces = (
        Trace(Curve.bare("u_total", "all together", axis, COVERAGE_FACTOR * total, known), "plain", "all together"),
        *(
            Trace(Curve.bare(f"u {n}", line.name, axis, COVERAGE_FACTOR * line.u_db, known), role, line.name)
            for n, (line, role) in enumerate(zip(shown, _LINE_ROLES, strict=False))
        ),
    )
    told = total[known] if known.any() else total
    top = max(1.0, float(np.ceil(min(np.percentile(COVERAGE_FACTOR * told, 99) * 1.2, 10.0))))
    step = 0.5 if top <= 3 else 1.0 if top <= 6 else 2.0
    panels = [Panel("Uncertainty, 95 %", "dB", 0.0, top, step, traces, db_per_decade=None)]
    noise = _noise_traces(measurement, axis)
    if noise:
        high = 20.0 * np.ceil((5.0 + max(55.0, *(float(t.curve.values[t.curve.valid].max()) for t in noise))) / 20.0)
        panels.append(Panel("Signal above noise", "dB", 0.0, float(high), 20.0, traces=noise, db_per_decade=None))
    left_out = len(measurement.budget) - len(shown)
    return chart(
        "trust",
        panels,
        finding=_finding(axis, total, known),
        reading=joined(
            "The solid line joins all contributions (root of the sum of squares); the dashed ones are the largest.",
            _left_out_words(left_out),
            "Contributions shared by all directions (calibration, voltage) cancel where curves are compared."
            if any(line.common for line in measurement.budget)
            else "",
            "The lower panel shows how far the sound stood above the noise of room and microphone." if noise else "",
            "Neither panel is drawn to the scale of the level charts."
            if noise
            else "The panel is not drawn to the scale of the level charts.",
        ),
    )


def _total_db(measurement: Measurement) -> FloatArray:
    return np.asarray(np.sqrt(np.sum([line.u_db**2 for line in measurement.budget], axis=0)))


def _left_out_words(count: int) -> str:
    if not count:
        return ""
    return f"{count} smaller contribution{'s are' if count > 1 else ' is'} in the sum but not drawn."


def _finding(axis: FrequencyAxis, total: FloatArray, known: BoolArray) -> str:
    """Where the level cannot be trusted, its uncertainty is no claim to know it."""
    told, silent = [], []
    for hz in SPOKEN_HZ:
        if not axis.hz[0] <= hz <= axis.hz[-1]:
            continue
        if known[int(np.abs(np.log(axis.hz / hz)).argmin())]:
            u = float(np.interp(np.log(hz), np.log(axis.hz), total))
            told.append(f"{_within(COVERAGE_FACTOR * u)} at {frequency_words(hz)}")
        else:
            silent.append(frequency_words(hz))
    first = f"The level on axis is known to {', '.join(told)}." if told else ""
    return joined(first, f"At {listed(tuple(silent))} it cannot be trusted." if silent else "")


def _within(expanded_db: float) -> str:
    return f"±{number_words(max(expanded_db, 0.1), 1)} dB".replace(" ", "\N{NO-BREAK SPACE}")


def _noise_traces(measurement: Measurement, axis: FrequencyAxis) -> tuple[Trace, ...]:
    rows, angles = on_orbit(measurement.response.directions, "horizontal")
    snr = np.where(np.isfinite(measurement.snr_db), measurement.snr_db, np.nan)
    known: BoolArray = np.asarray(np.isfinite(snr).all(axis=0), dtype=bool)
    # The same number everywhere was not measured: responses that others measured say nothing of their noise.
    if not known.any() or not rows.size or np.ptp(snr[:, known]) == 0.0:
        return ()
    safe = np.where(np.isfinite(snr), snr, 0.0)
    front = int(rows[np.abs(angles).argmin()])
    return (
        Trace(Curve.bare("snr_axis", "on axis", axis, safe[front], known), "direct", "on axis"),
        Trace(
            Curve.bare("snr_least", "weakest direction", axis, safe.min(axis=0), known), "plain", "weakest direction"
        ),
    )
