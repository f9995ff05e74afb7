"""Resonances narrower than the gate can show: fitted behind it, with what near fields and impedance know of them.

The curve of a gated response shows a resonance that rings longer than the gate with a part of its size and Q. The pole
fit of `dsp.resonance` puts the gate into the model. A near field is a window long enough to hear it out: where one
shows the same resonance, its frequency and Q are the fit's prior, and only the size comes from the far field, for a
near field says nothing of the other radiators' share.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from earwitness.dsp.resonance import Guess, Pole, fit_pole
from earwitness.figures.windows import DirectionalLevels
from earwitness.insight.findings.decompose import Peak, half_size_octaves, peaking_with_slopes
from earwitness.insight.findings.finding import Finding, Resonance
from earwitness.quantities import Curve, FloatArray, Locked, Measurement, NearField
from earwitness.reduce.gate import RISE_S, weights_of

PERIODS_A_Q = 4.0
"""A curve's own Q and size are used where f0 T / Q is larger: the gate then holds all of its ringing."""
LEAST_Q = 1.2
UNSURE_LN_Q = 0.5
"""From this standard uncertainty of ln Q on, Q is told as "at least"."""
_ONE_SIDED = 1.645
_LEAST_TIMES_U = 2.0
_NEIGHBORS, _NEIGHBOR_OCTAVES = 3, (0.3, 2.0)
_NEAR_U_LN_HZ, _NEAR_U_LN_Q, _LOAD_U_LN_HZ = 0.005, 0.1, 0.01
_AGREES = 2.5
_SMOOTH_OCTAVES, _BLEND_OCTAVES = 0.45, 0.7
_HIGHEST_HZ = 9000.0


@dataclass(frozen=True, slots=True, eq=False)
class GatedImpulse(Locked):
    """The gated impulse response on axis. impulse, weights, time_s (N,) : weights of the gate, time about the arrival;
    length_s, fall_share : of the gate and its taper; snr_db (F,) on the report axis; lowest_hz : of the gated response.
    """

    impulse: FloatArray
    weights: FloatArray
    time_s: FloatArray
    length_s: float
    lowest_hz: float
    snr_db: FloatArray
    fall_share: float = 0.4


def gated_impulse(measurement: Measurement) -> GatedImpulse | None:
    """What the fit needs of a measurement; None where there is no take on axis behind a gate of this program's kind."""
    gate, response = measurement.gate, measurement.response
    if measurement.scan is not None or measurement.impulse.size < 16 or gate.start_s > -RISE_S:
        return None
    time = np.arange(measurement.impulse.size) / measurement.impulse_rate_hz - measurement.impulse_onset_s
    row = response.directions.on_axis_row()
    return GatedImpulse(
        measurement.impulse,
        weights_of(gate, time),
        time,
        gate.end_s,
        gate.lowest_valid_hz,
        measurement.snr_db[row],
        gate.taper_s / gate.end_s,
    )


def is_smeared(gated: GatedImpulse, peak: Peak) -> bool:
    """The gate may end before the peak has rung out, and the gated response reaches it."""
    periods = peak.center_hz * gated.length_s
    reached = gated.lowest_hz < peak.center_hz < _HIGHEST_HZ / 1.5
    return bool(reached and peak.q >= LEAST_Q and periods < PERIODS_A_Q * _pole_q(peak))


def fitted(
    gated: GatedImpulse,
    on_axis: Curve,
    peak: Peak,
    others: Sequence[Peak],
    *,
    near_fields: Sequence[NearField] = (),
    wrinkle_hz: float | None = None,
) -> Resonance | None:
    """The resonance behind the gate; None where the fit finds none of its sign that exceeds twice its uncertainty.

    peak, others : as the curve shows them; on_axis : the whole response, near field and all; wrinkle_hz : of the
    impedance at the same place.
    """
    base_hz, base_db = _base(gated, on_axis)
    if base_hz.size < 24:
        return None
    neighbors = sorted(others, key=lambda one: abs(math.log(one.center_hz / peak.center_hz)))
    low, high = _NEIGHBOR_OCTAVES
    near = [one for one in neighbors if low < abs(math.log2(one.center_hz / peak.center_hz)) < high and one.q > 1.5]
    guesses = [_guess(one) for one in near[:_NEIGHBORS]]
    first = _guess(peak)
    top = min(max(3.0 * peak.center_hz, peak.center_hz + 12.0 / gated.length_s), _HIGHEST_HZ)
    band = (max(min(0.5 / gated.length_s, 0.5 * peak.center_hz), 40.0), top)
    inside = (on_axis.axis.hz > peak.center_hz / 1.5) & (on_axis.axis.hz < peak.center_hz * 1.5)
    snr_db = float(np.median(gated.snr_db[inside])) if inside.any() else 40.0

    def fit(guess: Guess) -> Pole:
        return fit_pole(
            gated.impulse,
            gated.weights,
            gated.time_s,
            base_hz=base_hz,
            base_db=base_db,
            guesses=[guess, *guesses],
            band_hz=band,
            snr_db=snr_db,
        )

    found, witness = fit(first), ""
    for name, told in _witnesses(near_fields, peak, found, wrinkle_hz):
        again = fit(told)
        if again.size_db * peak.size_db > 0:
            found, witness = again, name
            break
    if found.size_db * peak.size_db <= 0 or abs(found.size_db) < _LEAST_TIMES_U * found.u_db:
        return None
    sure = found.u_ln_bell_q <= UNSURE_LN_Q
    least = None if sure else found.bell_q * math.exp(-_ONE_SIDED * found.u_ln_bell_q)
    return Resonance(
        hz=found.hz,
        u_ln_hz=found.u_ln_hz,
        q=found.bell_q,
        u_ln_q=found.u_ln_bell_q,
        size_db=found.size_db,
        u_db=found.u_db,
        least_q=least,
        witness=witness,
        seen_hz=peak.center_hz,
        seen_q=peak.q,
        seen_db=peak.size_db,
        gate_s=gated.length_s,
        fall_share=gated.fall_share,
    )


def _pole_q(peak: Peak) -> float:
    return float(peak.q * 10.0 ** (peak.size_db / 40.0))


def _guess(peak: Peak) -> Guess:
    return Guess(peak.center_hz, max(_pole_q(peak), 1.5), peak.size_db)


def _base(gated: GatedImpulse, curve: Curve) -> tuple[FloatArray, FloatArray]:
    """Level (F,) without the gate where it is known: as it is below the gate's limit, smoothed above, so that the
    smeared resonance does not stand in it."""
    hz, level = curve.axis.hz[curve.valid], curve.values[curve.valid]
    x = np.log2(hz)
    weights = np.exp(-0.5 * ((x[:, None] - x) / _SMOOTH_OCTAVES) ** 2)
    smooth = weights @ level / weights.sum(axis=1)
    share = np.clip(np.log2(hz / gated.lowest_hz) / _BLEND_OCTAVES, 0.0, 1.0)
    return hz, (1.0 - share) * level + share * smooth


def _witnesses(
    near_fields: Sequence[NearField], peak: Peak, alone: Pole, wrinkle_hz: float | None
) -> list[tuple[str, Guess]]:
    """Guesses with what others know of the resonance, the surest first; none that contradicts the fit alone."""
    told: list[tuple[float, str, Guess]] = []
    for field in near_fields:
        seen = _in_near_field(field, peak)
        if seen is None:
            continue
        ln_q, u_ln_q = math.log(_pole_q(seen)), math.hypot(_NEAR_U_LN_Q, seen.u_ln_q)
        u_ln_hz = math.hypot(_NEAR_U_LN_HZ, seen.u_ln_f)
        off_hz = abs(math.log(seen.center_hz / alone.hz)) / math.hypot(u_ln_hz, alone.u_ln_hz)
        off_q = abs(ln_q - math.log(alone.q)) / math.hypot(u_ln_q, alone.u_ln_q)
        if max(off_hz, off_q) < _AGREES:
            guess = Guess(seen.center_hz, math.exp(ln_q), peak.size_db, u_ln_hz=u_ln_hz, ln_q=ln_q, u_ln_q=u_ln_q)
            told.append((seen.u_db / abs(seen.size_db), f"near field of {field.driver}", guess))
    rows = [(name, guess) for _, name, guess in sorted(told, key=lambda row: row[0])]
    if not rows and wrinkle_hz is not None:
        off = abs(math.log(wrinkle_hz / alone.hz)) / math.hypot(_LOAD_U_LN_HZ, alone.u_ln_hz)
        if off < _AGREES:
            guess = replace(_guess(peak), hz=wrinkle_hz, q=alone.q, u_ln_hz=_LOAD_U_LN_HZ)
            rows.append(("impedance", guess))
    return rows


def _in_near_field(field: NearField, peak: Peak) -> Peak | None:
    """The resonance in one near field: a bell over a bent trend; None where it is not clearly there."""
    from scipy.optimize import least_squares

    hz = field.axis.hz
    reach = max(1.5 * half_size_octaves(peak.q), 0.5)
    near = np.abs(np.log2(hz / peak.center_hz)) <= reach
    near &= (hz >= field.lowest_valid_hz) & (hz <= field.highest_valid_hz) & np.isfinite(field.level_db)
    x = np.log2(hz[near] / peak.center_hz)
    if x.size < 16 or x[0] > -0.2 or x[-1] < 0.2:
        return None
    level = field.level_db[near]
    trend = np.stack([(x / reach) ** power for power in range(4)], axis=-1)

    def off(p: FloatArray) -> FloatArray:
        return np.asarray(trend @ p[3:] + peaking_with_slopes(x, p[0], p[1], p[2])[0] - level)

    def slopes(p: FloatArray) -> FloatArray:
        return np.concatenate([peaking_with_slopes(x, p[0], p[1], p[2])[1], trend], axis=1)

    best = None
    for q in (peak.q, 2.5 * peak.q, 6.0 * peak.q):
        start = np.concatenate([[0.0, math.log(q), peak.size_db], np.linalg.lstsq(trend, level, rcond=None)[0]])
        low = np.array([-0.2, math.log(0.8), -20.0, *[-np.inf] * 4])
        high = np.array([0.2, math.log(60.0), 20.0, *[np.inf] * 4])
        found = least_squares(off, np.clip(start, low + 1e-9, high - 1e-9), jac=slopes, bounds=(low, high), max_nfev=40)
        best = found if best is None or found.cost < best.cost else best
    assert best is not None
    # Curves are smooth from point to point: a value counts about once a twelfth of an octave.
    scatter = 2.0 * float(best.cost) / max(x.size / 4.0 - 7.0, 2.0)
    at_best = slopes(np.asarray(best.x, dtype=np.float64))
    u = np.sqrt(np.diag(np.linalg.pinv(at_best.T @ at_best)) * scatter * 4.0)
    center, ln_q, size = (float(value) for value in best.x[:3])
    if abs(size) < max(1.0, 4.0 * u[2]) or u[1] > 0.3 or abs(center) > 0.19:
        return None
    u_ln_f, u_ln_q, u_db = float(u[0]) * math.log(2.0), float(u[1]), float(u[2])
    return Peak(peak.center_hz * 2.0**center, q=math.exp(ln_q), size_db=size, u_ln_f=u_ln_f, u_ln_q=u_ln_q, u_db=u_db)


def without_gate(levels: DirectionalLevels, findings: Sequence[Finding]) -> DirectionalLevels:
    """Levels with what the gate hides of resonances in the source put back in every direction: what an equalizer mends.

    Each counts as far as it is known (`Resonance.hidden_db`); a resonance in the source is the same at all angles.
    """
    if all(one.resonance is None for one in findings):
        return levels
    return replace(levels, level_db=levels.level_db + hidden_db(findings, levels.axis.hz))


def hidden_db(findings: Sequence[Finding], hz: FloatArray) -> FloatArray:
    """(F,) at hz: what the gate hides of all resonances together [dB]: added to a gated curve, what is heard."""
    parts = (one.resonance.hidden_db(hz) for one in findings if one.resonance is not None)
    return sum(parts, np.zeros(hz.size))
