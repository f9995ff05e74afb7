"""What the on-axis response does over time: impulse, step, energy, decay in periods, and excess group delay.

Curves over time have milliseconds from the start of the shown impulse on in the place of frequencies, since an axis
starts above 0; they are not among the curves of a reading.
"""

import math

import numpy as np
import scipy.fft

from earwitness.dsp.filters import minimum_phase
from earwitness.quantities import BoolArray, Curve, FloatArray, FrequencyAxis, Measurement, log_axis

DECAY_PERIODS = (2, 4, 8)
BURST_CYCLES = 4.0
LOWEST_DB = -60.0
TREBLE_HZ = (5000.0, 15_000.0)
_BURST_REACH = 1.6
_OVERSAMPLING = 4
_BINS = 2**16
_RATE_HZ = 96_000.0
# Group delay is the slope of a line through the phase over this much to either side.
_HALF_OCTAVES, _TOLERANCE = 1.0 / 6.0, 1e-9


def time_curves(measurement: Measurement) -> dict[str, Curve]:
    """Curves "impulse" and "step" [% of their largest value] and "energy_time" [dB re its peak], in milliseconds.

    The impulse is the gated one on axis; the step is its running sum, so it sags where the gate or the bass ends.
    Empty without an impulse.
    """
    impulse, rate = measurement.impulse, measurement.impulse_rate_hz
    if impulse.size < 8 or not np.abs(impulse).max() > 0.0:
        return {}
    axis = FrequencyAxis(np.arange(1.0, impulse.size + 1.0, dtype=np.float64) * 1000.0 / rate)
    running = np.cumsum(impulse)
    length = scipy.fft.next_fast_len(4 * impulse.size)
    spectrum = np.zeros(length, dtype=np.complex128)
    half = length // 2 + 1
    spectrum[:half] = scipy.fft.rfft(impulse, length)
    spectrum[1 : (length + 1) // 2] *= 2.0
    envelope = np.abs(scipy.fft.ifft(spectrum))[: impulse.size]
    energy = 20.0 * np.log10(np.maximum(envelope / envelope.max(), 10.0 ** (LOWEST_DB / 20.0)))
    lineage = measurement.response.lineage

    def curve(key: str, name: str, values: FloatArray, unit: str, reference: str) -> Curve:
        return Curve.of(key, name, axis, values, unit=unit, reference=reference, lineage=lineage)

    return {
        "impulse": curve("impulse", "impulse", 100.0 * impulse / np.abs(impulse).max(), "%", "% of its largest value"),
        "step": curve("step", "step", 100.0 * running / np.abs(running).max(), "%", "% of its largest value"),
        "energy_time": curve("energy_time", "energy over time", energy, "dB", "dB relative to its peak"),
    }


def decay_curves(measurement: Measurement, *, periods: tuple[int, ...] = DECAY_PERIODS) -> dict[str, Curve]:
    """Curves "decay_2" and so on: level of a burst so many periods after its top, against the top [dB].

    The burst is a tone of four periods under a Hann window, so that from two periods on only what is stored is heard.
    A curve is valid where the gate still holds so many periods. Own choice of burst; decay in periods is common
    practice, no source.
    """
    impulse, rate, gate = measurement.impulse, measurement.impulse_rate_hz, measurement.gate
    if impulse.size < 8 or not np.abs(impulse).max() > 0.0:
        return {}
    response = measurement.response
    on_axis = response.valid[response.directions.on_axis_row()]
    if not on_axis.any():
        return {}
    # The burst's own spectrum reaches half its frequency further than the tone.
    highest_hz = float(response.axis.hz[np.flatnonzero(on_axis)[-1]]) / _BURST_REACH
    lowest_hz = max(2.0 / max(gate.end_s, 1e-3), 20.0)
    if highest_hz < 1.1 * lowest_hz:
        return {}
    axis = log_axis(lowest_hz, highest_hz, 24)
    # Tops and periods fall between samples.
    impulse, rate = (
        _OVERSAMPLING * scipy.fft.irfft(scipy.fft.rfft(impulse), _OVERSAMPLING * impulse.size),
        _OVERSAMPLING * rate,
    )
    level = np.empty((len(periods), len(axis)))
    for column, hz in enumerate(axis.hz):
        time = np.arange(math.ceil(BURST_CYCLES * rate / hz)) / rate
        window = 0.5 - 0.5 * np.cos(2.0 * np.pi * time * hz / BURST_CYCLES)
        burst = window * np.exp(2j * np.pi * hz * time)
        length = scipy.fft.next_fast_len(impulse.size + burst.size)
        heard = np.abs(scipy.fft.ifft(scipy.fft.fft(burst, length) * scipy.fft.fft(impulse, length)))
        top = int(np.argmax(heard))
        at = [min(top + round(count * rate / hz), length - 1) for count in periods]
        level[:, column] = 20.0 * np.log10(np.maximum(heard[at] / heard[top], 10.0 ** (LOWEST_DB / 20.0)))
    known = np.interp(np.log(axis.hz), np.log(response.axis.hz), on_axis.astype(float)) > 1.0 - 1e-9
    straight_s = gate.end_s - gate.taper_s
    reference = "dB relative to the top of the burst"
    found = {}
    for count, row in zip(periods, level, strict=True):
        key, valid = f"decay_{count}", known & (axis.hz >= (count + BURST_CYCLES / 2.0) / straight_s)
        found[key] = Curve.of(
            key, f"after {count} periods", axis, row, valid, reference=reference, lineage=response.lineage
        )
    return found


def excess_group_delay(measurement: Measurement) -> Curve | None:
    """Group delay on axis beyond that of the minimum-phase response with the same magnitude [ms].

    The delay of the treble (median from 5 to 15 kHz) is taken out, as it is only distance. 0 where the response is
    minimum phase; the magnitude is carried on beyond its band by its last slopes, so half an octave at either end is
    not valid. The uncertainty is that of the slope, from what the line leaves over, with the level's own one
    taken as that of a bend of phase from one end of the line to the other. None without an octave of response, or
    without a phase.
    """
    response = measurement.response
    if response.phase == "none":
        return None
    row = response.directions.on_axis_row()
    hz, valid = response.axis.hz, response.valid[row]
    band = np.flatnonzero(valid & (np.abs(response.pressure[row]) > 0.0))
    if not band.size or hz[band[-1]] < 4.0 * hz[band[0]]:
        return None
    rows = slice(int(band[0]), int(band[-1]) + 1)
    safe = np.where(np.abs(response.pressure[row, rows]) > 0.0, response.pressure[row, rows], 1e-12)
    inside = hz[rows]
    phase = np.unwrap(np.angle(safe))
    least = minimum_phase_rad(inside, np.abs(safe))
    slope, u_slope = _slope_s(inside, phase - least)
    delay = 1000.0 * slope
    treble = (inside >= TREBLE_HZ[0]) & (inside <= TREBLE_HZ[1])
    values = np.zeros(hz.size)
    values[rows] = delay - (float(np.median(delay[treble])) if treble.any() else float(delay[-1]))
    u_rad = math.log(10.0) / 20.0 * response.u_apart_db()[row]
    width = 2.0**_HALF_OCTAVES - 2.0**-_HALF_OCTAVES
    u = 1000.0 * u_rad / (2.0 * np.pi * hz * width)
    u[rows] = np.hypot(u[rows], 1000.0 * u_slope)
    octaves_in = np.minimum(np.log2(hz / inside[0]), np.log2(inside[-1] / hz))
    trusted: BoolArray = (
        valid & (octaves_in >= 0.5 - _TOLERANCE) & np.isfinite(u) & (np.abs(response.pressure[row]) > 0.0)
    )
    key, name, reference = "excess_group_delay", "excess group delay", "ms beyond minimum phase"
    u, lineage = np.where(np.isfinite(u), u, 0.0), response.lineage
    return Curve.of(key, name, response.axis, values, trusted, u=u, unit="ms", reference=reference, lineage=lineage)


def minimum_phase_rad(hz: FloatArray, magnitude: FloatArray) -> FloatArray:
    """Minimum phase (F,) [rad] of a magnitude (F,), carried on by its slope below and level above."""
    grid = np.arange(_BINS // 2 + 1) * _RATE_HZ / _BINS
    place, level = np.log2(hz), np.log(magnitude)
    octave = place <= place[0] + 0.5 + _TOLERANCE
    slope = float(np.polyfit(place[octave], level[octave], 1)[0]) if np.count_nonzero(octave) > 2 else 0.0
    at = np.log2(np.maximum(grid, grid[1] / 4.0))
    whole = np.interp(at, place, level) + np.minimum(at - place[0], 0.0) * max(slope, 0.0)
    spectrum = minimum_phase(np.exp(whole - whole.max()), floor_ratio=1e-9)
    return np.asarray(np.interp(hz, grid, np.unwrap(np.angle(spectrum))), dtype=np.float64)


def group_delay_s(hz: FloatArray, magnitude: FloatArray, valid: BoolArray) -> FloatArray:
    """Group delay (F,) of the minimum phase of a magnitude (F,) over the valid stretch [s]; 0 beyond it."""
    rows = np.flatnonzero(valid & (magnitude > 0.0))
    found = np.zeros(hz.size)
    if rows.size > 2:
        part = slice(int(rows[0]), int(rows[-1]) + 1)
        found[part] = _slope_s(hz[part], minimum_phase_rad(hz[part], np.maximum(magnitude[part], 1e-12)))[0]
    return found


def _slope_s(hz: FloatArray, phase: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Group delay (F,) [s], minus the slope of a least-squares line through the phase, and its standard uncertainty."""
    place = np.log2(hz)
    first = np.searchsorted(place, place - _HALF_OCTAVES - _TOLERANCE)
    count = np.searchsorted(place, place + _HALF_OCTAVES + _TOLERANCE) - first
    # (F, W) points about each frequency; where there are fewer than W, the rest weigh nothing.
    inside = np.arange(count.max()) < count[:, None]
    near = np.minimum(first[:, None] + np.arange(count.max()), hz.size - 1)

    def centered(values: FloatArray) -> FloatArray:
        there = np.where(inside, values[near], 0.0)
        return np.where(inside, there - (there.sum(axis=1) / count)[:, None], 0.0)

    turn, off = 2.0 * np.pi * centered(hz), centered(phase)
    spread = np.sum(turn**2, axis=1)
    slope = -np.sum(turn * off, axis=1) / spread
    left = off + slope[:, None] * turn
    u = np.sqrt(np.sum(left**2, axis=1) / np.maximum(count - 2, 1) / spread)
    return np.asarray(slope, dtype=np.float64), np.asarray(u, dtype=np.float64)


def decay_and_delay(measurement: Measurement) -> dict[str, Curve]:
    """What of it stands over frequency, by key: decay and excess group delay."""
    excess = excess_group_delay(measurement)
    found = decay_curves(measurement)
    return found if excess is None else {**found, excess.key: excess}
