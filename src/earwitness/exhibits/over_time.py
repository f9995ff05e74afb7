"""Exhibits over time: impulse, step and energy with the gate, excess group delay, decay in periods."""

from math import ceil

import numpy as np

from earwitness.exhibits.chart import Chart, Panel, Region, Role, Trace, chart
from earwitness.exhibits.level_facts import step_span, valid_part, valid_values
from earwitness.exhibits.words import band_words, frequency_words, is_beyond, number_words, value_words
from earwitness.figures.time_domain import DECAY_PERIODS, LOWEST_DB, time_curves
from earwitness.quantities import Curve, Measurement, Reading

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
    fades = Region("window", flat_ms, high, label="the gate closes")
    upper = (Trace(impulse, "direct", "impulse"), Trace(step, "plain", "step"))
    shown = valid_values((impulse, step), low, high)
    bottom, top = step_span(shown, 50.0, low=-50.0, high=100.0)
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
    shown = valid_values((curve,), 100.0)
    low, high = step_span(shown, 1.0, low=-1.0, high=2.0)
    step = max(1.0, float(ceil((high - low) / 8.0)))
    high = low + step * ceil((high - low) / step)
    traces = (Trace(curve, "direct", "on axis", True),)
    panel = Panel("Excess group delay", "ms", low, high, step, traces=traces, db_per_decade=None)
    return chart("group_delay", (panel,), finding=_delay_finding(curve))


def _delay_finding(curve: Curve) -> str:
    hz, part = curve.axis.hz, valid_part(curve, SPOKEN_HZ)
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
