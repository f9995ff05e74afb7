"""Exhibits of responses: on axis before and after, the bass from its near fields, and what the sound does over time."""

from dataclasses import replace
from math import ceil

import numpy as np

from earwitness.exhibits import level_facts
from earwitness.exhibits.chart import Chart, ChartRegion, Panel, Role, Trace, chart
from earwitness.exhibits.words import band_words, frequency_words, is_beyond, number_words, sentence, value_words
from earwitness.figures.time_domain import DECAY_PERIODS, LOWEST_DB, time_curves
from earwitness.files.data import worded
from earwitness.quantities import REFERENCE_PRESSURE_PA, Curve, DirectionalResponse, Measurement, NearField, Reading


def seen_chart(curves: tuple[Curve, ...]) -> Chart | None:
    """Levels of a few directions, the one nearest the axis in the ink of the direct sound; None without any."""
    if not curves:
        return None
    low, high = level_facts.level_span(curves, span_db=40.0)
    others = tuple(Trace(curve, "plain", curve.name) for curve in reversed(curves[1:]))
    first = Trace(curves[0], "direct", curves[0].name)
    finding = f"{len(curves)} directions of the data, {curves[0].name} in front." if others else "The data's direction."
    return chart(
        "seen-responses",
        (Panel("Level", "dB, as the files have it", low, high, 10.0, traces=(*others, first)),),
        finding=finding,
    )


BEFORE, AFTER = "before", "after"


def regate_chart(before: Curve) -> Chart:
    """The kept response, pale, and over it one to be redrawn as settings change: both are the kept one at first."""
    # The curve that is redrawn marks what does not hold by having no value there.
    whole = np.ones(len(before.axis), dtype=bool)
    after = replace(before, key=AFTER, name="with the settings tried", values=_held(before), valid=whole)
    kept = before.renamed(BEFORE, "as kept")
    traces = (Trace(kept, "before", "as kept"), Trace(after, "direct", "as tried"))
    return chart("regate", (level_facts.level_panel(traces, span=_span_db(before)),), before=before)


def _span_db(curve: Curve) -> tuple[float, float]:
    """Ends of the level axis: the curve from 50 Hz on with room to move, 35 dB at most."""
    shown = level_facts.valid_values((curve,), 50.0)
    if not shown.size:
        return -20.0, 10.0
    high = 5.0 * float(np.ceil(shown.max() / 5.0)) + 5.0
    return max(high - 35.0, 5.0 * float(np.floor(shown.min() / 5.0)) - 5.0), high


def _held(curve: Curve) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Values with those outside the valid band held at its edges."""
    rows = np.flatnonzero(curve.valid)
    if not rows.size:
        return np.asarray(curve.values, dtype=np.float64)
    every = np.arange(len(curve.axis))
    return np.asarray(np.interp(every, rows, curve.values[rows]), dtype=np.float64)


_SHOWN_TO_HZ = 2000.0
_SHOWN_DB = 50.0
_DB_PER_DECADE = 50.0  # the other proportion of IEC 60263 (from memory)


def near_field(reading: Reading, measurement: Measurement) -> Chart | None:
    """Near-field responses beneath the joined on-axis response; None without a near-field take."""
    if not measurement.near_field:
        return None
    ports = frozenset(part.driver for part in measurement.near_field if "port" in part.driver.lower())
    parts = tuple(
        Trace(_curve_of(part, measurement.response), "before" if part.driver in ports else "plain", part.driver)
        for part in measurement.near_field
    )
    panels = []
    sums = level_facts.traces_of(reading, (("on_axis", "direct", "on axis, joined", True),))
    if sums:
        span = level_facts.level_span((sums[0].curve,), span_db=40.0)
        joined_panel = level_facts.level_panel(
            sums, label="Level at 1 m", span=span, regions=level_facts.splice_region(measurement)
        )
        panels.append(replace(joined_panel, db_per_decade=_DB_PER_DECADE))
    shown = level_facts.valid_values(tuple(trace.curve for trace in parts), high_hz=_SHOWN_TO_HZ)
    high = float(5.0 * np.ceil((float(shown.max(initial=100.0)) + 2.0) / 5.0))
    close = Panel("Level close to each part", parts[0].curve.reference, high - _SHOWN_DB, high, 10.0, traces=parts)
    panels.append(replace(close, db_per_decade=_DB_PER_DECADE))
    return chart("near_field", panels, finding=_finding(measurement), high_hz=_SHOWN_TO_HZ, decade_db=_DB_PER_DECADE)


def _finding(measurement: Measurement) -> str:
    splice = measurement.splice
    if splice is None:
        return "The near field was measured but not joined to the far field; the bass at 1 m is not stated from it."
    band = band_words((splice.low_hz, splice.high_hz))
    given = sentence(splice.sentence)
    off = splice.gain_db - splice.expected_gain_db
    return level_facts.joined(
        worded("exhibits.bass_below_measured_close", from_words=band.split(" to ")[0], band=band),
        worded("exhibits.parts_their_level_fits", parts=_parts_words(measurement), off_db=number_words(abs(off), 1)),
        given,
    )


def _parts_words(measurement: Measurement) -> str:
    names = [part.driver for part in measurement.near_field]
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def _curve_of(part: NearField, response: DirectionalResponse) -> Curve:
    hz = part.axis.hz
    level = part.level_db + 20 * np.log10(response.reference_v / REFERENCE_PRESSURE_PA)
    valid = (hz >= part.lowest_valid_hz) & (hz <= part.highest_valid_hz) & np.isfinite(level)
    key, name = f"near_field {part.driver}", f"near field of {part.driver}"
    return Curve.of(
        key, name, part.axis, level, valid, reference=f"dB SPL at the microphone, {response.reference or '2.83 V'}"
    )


SPOKEN_HZ = (200.0, 10_000.0)
QUIET_DB = -30.0
_DECAY_ROLES: tuple[Role, ...] = ("level 5", "level 4", "level 2")


def impulse_chart(_reading: Reading, measurement: Measurement) -> Chart | None:
    """Impulse and step above, energy over time beneath, from 0.5 ms before the sound on; the gate as a band."""
    found = time_curves(measurement)
    impulse, step, energy = (found.get(key) for key in ("impulse", "step", "energy_time"))
    if impulse is None or step is None or energy is None:
        return None
    onset_ms = 1000.0 * measurement.impulse_onset_s
    gate = measurement.gate
    low, high = max(onset_ms - 0.5, 0.02), float(min(onset_ms + 1000.0 * gate.end_s, energy.axis.hz[-1]))
    if high <= low:
        return None
    flat_ms = onset_ms + 1000.0 * (gate.end_s - gate.taper_s)
    fades = ChartRegion("window", flat_ms, high, label="the gate closes")
    upper = (Trace(impulse, "direct", "impulse"), Trace(step, "plain", "step"))
    shown = level_facts.valid_values((impulse, step), low, high)
    bottom, top = level_facts.step_span(shown, 50.0, low=-50.0, high=100.0)
    down = 20.0 * np.floor(LOWEST_DB / 20.0)
    over = (Trace(energy, "direct", "energy"),)
    return chart(
        "impulse",
        (
            Panel("Impulse and step", "%", bottom, top, 50.0, traces=upper, regions=(fades,), db_per_decade=None),
            Panel("Energy", "dB", down, 0.0, 10.0, traces=over, regions=(fades,), db_per_decade=None),
        ),
        finding=_impulse_finding(energy, onset_ms, flat_ms),
        low_hz=low,
        high_hz=high,
        axis="time",
        arrives_ms=number_words(onset_ms, 1),
    )


def _impulse_finding(energy: Curve, onset_ms: float, flat_ms: float) -> str:
    rows = (energy.axis.hz > onset_ms) & (energy.axis.hz <= flat_ms)
    loud = np.flatnonzero(rows & (energy.values > QUIET_DB))
    if not loud.size:
        return "The energy of the impulse is shown as it was gated."
    after = float(energy.axis.hz[loud[-1]]) - float(energy.axis.hz[int(np.argmax(energy.values))])
    if loud[-1] == np.flatnonzero(rows)[-1]:
        return f"The energy does not fall {-QUIET_DB:.0f} dB for good before the gate begins to close."
    return f"The energy stays {-QUIET_DB:.0f} dB down from {number_words(max(after, 0.0), 1)} ms after its peak."


def group_delay_chart(reading: Reading, _measurement: Measurement) -> Chart | None:
    """Excess group delay on axis; None where it is not known."""
    curve = reading.curves.get("excess_group_delay")
    if curve is None or not curve.valid.any():
        return None
    shown = level_facts.valid_values((curve,), 100.0)
    low, high = level_facts.step_span(shown, 1.0, low=-1.0, high=2.0)
    step = max(1.0, float(ceil((high - low) / 8.0)))
    high = low + step * ceil((high - low) / step)
    traces = (Trace(curve, "direct", "on axis", True),)
    panel = Panel("Excess group delay", "ms", low, high, step, traces=traces, db_per_decade=None)
    return chart("group_delay", (panel,), finding=_delay_finding(curve))


def _delay_finding(curve: Curve) -> str:
    hz, part = curve.axis.hz, level_facts.valid_part(curve, SPOKEN_HZ)
    rows = np.flatnonzero((hz >= part[0]) & (hz <= part[1])) if part is not None else np.zeros(0, dtype=np.intp)
    if part is None or not rows.size:
        return "It is known outside the midrange only."
    row = int(rows[np.argmax(np.abs(curve.values[rows]))])
    value, u = float(curve.values[row]), float(curve.u_total[row])
    if not is_beyond(value, u):
        return f"The response is minimum phase: no excess delay beyond the uncertainty, {band_words(part)}."
    return (
        f"The largest excess delay is {value_words(value, u, 'ms', most=2)} at {frequency_words(float(hz[row]))}, "
        f"{band_words(part)}."
    )


def decay_chart(reading: Reading, _measurement: Measurement) -> Chart | None:
    """Level of short tones some periods after their top; None where the gate is too short for any."""
    curves = [reading.curves.get(f"decay_{count}") for count in DECAY_PERIODS]
    found = [curve for curve in curves if curve is not None and curve.valid.any()]
    if not found:
        return None
    traces = tuple(
        Trace(curve, role, f"{curve.name}") for curve, role in zip(found, _DECAY_ROLES, strict=False)
    )  # fmt: skip
    last = found[-1]
    rows = np.flatnonzero(last.valid)
    slow = int(rows[np.argmax(last.values[rows])])
    return chart(
        "decay",
        (Panel("Level", "dB", LOWEST_DB, 0.0, 10.0, traces=traces),),
        finding=f"{last.name.capitalize()} most is left at {frequency_words(float(last.axis.hz[slow]))}: "
        f"{number_words(float(last.values[slow]), 0)} dB."
        if last.values[slow] > LOWEST_DB + 0.5
        else f"{last.name.capitalize()} nothing above {number_words(LOWEST_DB, 0)} dB is left anywhere.",
    )
