"""The impedance behind a ratio of two voltages, with its uncertainty.

The ratio is a bilinear function of the load for any linear network between the terminals and the converter, so three
known loads (open, short, reference) take out resistor, channels, leads and inputs. With fewer, the circuit's formula
holds and what is not known stands in the uncertainty.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from earwitness.quantities import FrequencyAxis, Impedance
from earwitness.quantities.arrays import ComplexArray, FloatArray, IntArray, Locked
from earwitness.quantities.axis import REPORT_POINTS_PER_OCTAVE, log_axis

LOW_HZ, HIGH_HZ = 5.0, 40_000.0
# The known load that tells how the channels' gains match; over load and resistor none does, but a reference takes
# gains and resistor out together.
GAIN_ROLE = {"series resistor": "open", "resistor in ground leg": "short", "over load and resistor": ""}
_RATE_SHARE = 0.45
# Project defaults, where the session does not tell. Standard uncertainty of the ratio of both channels' gains when
# nothing measured it, and after it was measured, for what changes between takes; limits of the reference resistor.
MISMATCH_PERCENT, DRIFT_PERCENT, REFERENCE_TOLERANCE_PERCENT = 0.5, 0.02, 0.1
# Standard uncertainty of the magnitude beyond which a point is not valid; so far below 0 the real part may fall.
WORST_PERCENT, PASSIVE_OHM = 10.0, 0.2
_FEWEST_BINS = 7


@dataclass(frozen=True, slots=True, eq=False)
class Ratio(Locked):
    """Channel B over channel A; of the circuit "over load and resistor" the load's voltage over the resistor's.

    b_over_a : (F,) complex; u : (F,) standard uncertainty of each of its two parts.
    """

    axis: FrequencyAxis
    b_over_a: ComplexArray
    u: FloatArray


@dataclass(frozen=True, slots=True)
class Circuit:
    """Where the resistor is, its stated value [ohm] and tolerance [%, limits]."""

    kind: str
    resistor_ohm: float
    tolerance_percent: float = 1.0

    def ohm(self, ratio: ComplexArray) -> ComplexArray:
        """Load for ratios (F,) of an ideal circuit: R G/(1-G) in series, R (1-G)/G in the ground leg, R G over load
        and resistor (Ohm's law)."""
        if self.kind == "over load and resistor":
            return np.asarray(self.resistor_ohm * ratio, dtype=np.complex128)
        if self.kind == "series resistor":
            return np.asarray(self.resistor_ohm * ratio / (1.0 - ratio), dtype=np.complex128)
        return np.asarray(self.resistor_ohm * (1.0 - ratio) / ratio, dtype=np.complex128)


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """Ratios of known loads; each may be missing. reference_ohm : of the resistor in `reference`."""

    open: Ratio | None = None
    short: Ratio | None = None
    reference: Ratio | None = None
    reference_ohm: float | None = None


def impedance_axis(rate_hz: float) -> FrequencyAxis:
    """1/48 octave from 5 Hz to 40 kHz, or to 0.45 of the sample rate where that is lower."""
    return log_axis(LOW_HZ, min(HIGH_HZ, _RATE_SHARE * rate_hz), REPORT_POINTS_PER_OCTAVE)


def channel_ratio(channel_a: FloatArray, channel_b: FloatArray, rate_hz: float, axis: FrequencyAxis) -> Ratio:
    """B over A on `axis` (F,) from one recording of both, (N,) each, that holds a whole sweep and its decay.

    About each frequency B = A (c0 + c1 x + c2 x^2) is fitted to the bins of 1/48 octave (or the seven nearest),
    least squares; what the fit leaves over (noise, hum, distortion) gives the uncertainty. Own derivation: the
    parabola keeps the average from flattening a resonance.
    """
    from scipy import fft

    length = fft.next_fast_len(channel_a.size, True)
    a = fft.rfft(channel_a - channel_a.mean(), length)
    b = fft.rfft(channel_b - channel_b.mean(), length)
    spacing = rate_hz / length
    half = np.maximum(
        axis.hz * (2.0 ** (0.5 / REPORT_POINTS_PER_OCTAVE) - 1.0) / spacing, (_FEWEST_BINS - 1) / 2 + 0.01
    )
    middle = axis.hz / spacing
    first = np.maximum(np.ceil(middle - half).astype(int), 1)
    last = np.minimum(np.maximum(np.floor(middle + half).astype(int), first + _FEWEST_BINS - 1), a.size - 1)
    count = last - first + 1
    begin = np.concatenate([[0], np.cumsum(count)[:-1]])
    own = np.repeat(np.arange(count.size), count)
    rows = np.arange(own.size) - begin[own] + first[own]
    value, u = _local_fits(a[rows], b[rows], (rows - middle[own]) / half[own], begin, own)
    return Ratio(axis, value, u)


def _local_fits(
    a: ComplexArray, b: ComplexArray, x: FloatArray, begin: IntArray, own: IntArray
) -> tuple[ComplexArray, FloatArray]:
    """c0 of b = a (c0 + c1 x + c2 x^2), and the standard uncertainty of its real (or imaginary) part, each (F,).

    a, b, x (R,) : the bins of all fits one after the other; begin (F,) : first row of each; own (R,) : fit of each row.
    """
    count = np.diff(begin, append=a.size)

    def summed(values: ComplexArray | FloatArray) -> ComplexArray | FloatArray:
        return np.add.reduceat(values, begin, axis=-1)

    power = a.real**2 + a.imag**2
    scale = np.sqrt(summed(power) / count)
    silent = scale == 0.0
    scale = np.where(silent, 1.0, scale)
    moments = summed(_powers(x, 4) * power) / scale**2
    # Bins without any signal would make the systems singular; this much weight moves no result.
    little = np.where(silent, 1.0, 1e-12 * (moments[0] + moments[2] + moments[4]))
    order = np.arange(3)
    normal = np.moveaxis(moments[order[:, None] + order], -1, 0) + little[:, None, None] * np.eye(3)
    inverse = np.linalg.inv(normal)
    projected = summed(_powers(x, 2) * (a.conj() * b)) / scale
    found = np.einsum("fij,jf->if", inverse, projected)
    left = b - a / scale[own] * (found[0, own] + x * (found[1, own] + x * found[2, own]))
    variance = summed(left.real**2 + left.imag**2) / (count - 3)
    value = np.where(silent, 0.0, found[0] / scale)
    u = np.where(silent, np.inf, np.sqrt(0.5 * variance * inverse[:, 0, 0]) / scale)
    return np.asarray(value, dtype=np.complex128), np.asarray(u, dtype=np.float64)


def _powers(x: FloatArray, highest: int) -> FloatArray:
    """(highest + 1, R) powers of x (R,) from 0 on, by products."""
    rows = np.ones((highest + 1, x.size))
    for order in range(highest):
        np.multiply(rows[order], x, out=rows[order + 1])
    return rows


def calibrated_ohm(
    ratio: ComplexArray, opened: ComplexArray, shorted: ComplexArray, reference: ComplexArray, reference_ohm: float
) -> ComplexArray:
    """Load (F,) from its ratio and those of open terminals, a short and a known resistor, all (F,).

    Z = R (M - Ms)(Mo - Mr) / ((Mo - M)(Mr - Ms)): a bilinear function keeps the cross ratio of four points.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        top = (ratio - shorted) * (opened - reference)
        return np.asarray(reference_ohm * top / ((opened - ratio) * (reference - shorted)), dtype=np.complex128)


def impedance_of_ratio(
    ratio: Ratio,
    circuit: Circuit,
    known: Known | None = None,
    *,
    passive_ohm: float = PASSIVE_OHM,
    lineage: tuple[str, ...] = (),
) -> Impedance:
    """Impedance with uncertainty, by the best calibration that `known` allows.

    Open, short and reference: all is taken out but the tolerance of the reference. A reference alone sets the scale.
    Open terminals (series resistor) or a short (ground leg) alone match the channels. passive_ohm : so far below 0 the
    real part may fall.
    """
    known = known or Known()
    parts = [ratio, *(part for part in (known.open, known.short, known.reference) if part is not None)]
    solve = _solver(circuit, known)
    values = [part.b_over_a for part in parts]
    with np.errstate(divide="ignore", invalid="ignore"):
        ohm = solve(values)
        size = np.abs(ohm)
        random = np.zeros(size.shape)
        slopes = []
        for k, part in enumerate(parts):
            step = 1e-6 * np.maximum(np.abs(values[k]), 1e-3)
            moved = [value + step if j == k else value for j, value in enumerate(values)]
            slopes.append((solve(moved) - ohm) / step)
            random = np.hypot(random, np.abs(slopes[k]) * part.u)
        systematic = _mismatch(slopes, values, circuit, known)
        random = np.hypot(random, systematic)
        u_ohm = np.hypot(random, size * _scale_percent(circuit, known) / 100.0)
        u_deg = np.degrees(random / size)
    # A difference from the open ratio that noise could make leaves the load unknown: its slope is infinite there.
    good = np.isfinite(ohm) & np.isfinite(u_ohm) & np.isfinite(u_deg)
    good &= u_ohm < WORST_PERCENT / 100.0 * np.where(good, size, 0.0)
    good &= np.where(good, ohm.real, -np.inf) > -np.maximum(passive_ohm, 2.0 * np.where(good, u_ohm, 0.0))
    safe = np.isfinite(ohm)
    return Impedance(
        ratio.axis,
        np.where(safe, ohm, 0.0),
        np.where(np.isfinite(u_ohm), u_ohm, 0.0),
        np.where(np.isfinite(u_deg), u_deg, 0.0),
        good,
        lineage,
    )


def _solver(circuit: Circuit, known: Known) -> Callable[[Sequence[ComplexArray]], ComplexArray]:
    """The load as a function of the ratios [load, open, short, reference], those that are there."""
    names = [name for name in ("open", "short", "reference") if getattr(known, name) is not None]
    place = {name: k for k, name in enumerate(names, 1)}
    resistor = known.reference_ohm
    if len(names) == 3 and resistor is not None:
        return lambda v: calibrated_ohm(v[0], v[1], v[2], v[3], resistor)
    gain = place.get(GAIN_ROLE[circuit.kind])
    leads = place.get("short") if circuit.kind != "resistor in ground leg" else None

    def solve(v: Sequence[ComplexArray]) -> ComplexArray:
        def load(ratio: ComplexArray) -> ComplexArray:
            base = circuit.ohm(ratio if gain is None else ratio / v[gain])
            if leads is None:
                return base
            return base - circuit.ohm(v[leads] if gain is None else v[leads] / v[gain])

        found = load(v[0])
        if "reference" not in place or resistor is None:
            return found
        return found * (resistor / load(v[place["reference"]]))

    return solve


def _mismatch(slopes: list[ComplexArray], values: list[ComplexArray], circuit: Circuit, known: Known) -> FloatArray:
    """(F,) standard uncertainty [ohm] from the channels' unequal gain: common to all takes, and its drift."""
    single = sum((s * v for s, v in zip(slopes, values, strict=True)), np.zeros_like(values[0]))
    drift = np.abs(slopes[0] * values[0]) * DRIFT_PERCENT / 100.0
    measured = known.open is not None and known.short is not None and known.reference is not None
    if measured or getattr(known, GAIN_ROLE[circuit.kind] or "reference") is not None:
        return drift
    return np.hypot(drift, np.abs(single) * MISMATCH_PERCENT / 100.0)


def _scale_percent(circuit: Circuit, known: Known) -> float:
    """Standard uncertainty [%] of the resistor that sets the scale; limits are taken as a rectangle (GUM 4.3.7)."""
    limits = circuit.tolerance_percent if known.reference is None else REFERENCE_TOLERANCE_PERCENT
    return float(limits / np.sqrt(3.0))
