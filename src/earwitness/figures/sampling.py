"""Curves on other frequencies: interpolation and fractional-octave smoothing."""

from dataclasses import dataclass, replace

import numpy as np

from earwitness.files.data import worded
from earwitness.quantities import BoolArray, Curve, FloatArray, hz_words, log_axis, runs

POINTS_PER_OCTAVE = 20
_TOLERANCE = 1e-9
_SMOOTHING_POINTS_PER_OCTAVE = 384
WIDEST_BRIDGE_OCTAVES = 1 / 6
MOST_BRIDGED_OCTAVES = 1 / 2


def band_grid(low_hz: float, high_hz: float) -> FloatArray:
    """(N,) frequencies low_hz * 2**(m / 20), not above high_hz (relative tolerance 1e-6)."""
    return log_axis(low_hz, high_hz, POINTS_PER_OCTAVE, through_hz=low_hz).hz


def sampled(curve: Curve, frequency_hz: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray]:
    """(N,) values, u, u_common, valid at `frequency_hz`: linear in the value against log frequency.

    Outside the curve's frequencies, or beside an invalid point, the result is invalid; nothing is extrapolated.
    """
    hz = curve.axis.hz
    known, wanted = np.log2(hz), np.log2(frequency_hz)
    wanted_in = np.clip(wanted, known[0], known[-1])
    inside = np.abs(wanted - wanted_in) <= _TOLERANCE
    doubt = np.interp(wanted_in, known, (~curve.valid).astype(float))
    valid = inside & (doubt <= 1e-6)
    safe = np.where(curve.valid, curve.values, 0.0)
    return (
        np.interp(wanted_in, known, safe),
        np.interp(wanted_in, known, curve.u),
        np.interp(wanted_in, known, curve.u_common),
        valid,
    )


def covers(curve: Curve, frequency_hz: FloatArray) -> bool:
    """Whether a curve is valid at all of some frequencies."""
    return bool(sampled(curve, frequency_hz)[3].all())


def not_covered(curve: Curve, low_hz: float, high_hz: float) -> str:
    """The reason why a figure of low_hz to high_hz cannot be had from a curve that is not valid throughout."""
    reason = f"{curve.name} does not cover {hz_words(low_hz)} to {hz_words(high_hz)}"
    band = curve.valid_band_hz()
    if band is None:
        return f"{reason}, it is not known at any frequency"
    gaps = " with gaps" if band[0] <= low_hz and band[1] >= high_hz else ""
    return f"{reason}, it is known from {hz_words(band[0])} to {hz_words(band[1])}{gaps}"


def smoothed(curve: Curve, fraction: int) -> Curve:
    """1/fraction-octave energy smoothing of a dB curve, constant weight in log frequency.

    At the ends of the valid band the window shrinks on both sides alike, so its mean stays centered. Only the
    first stretch from the lowest to the highest valid frequency is smoothed; invalid points stay invalid.
    The uncertainties are kept, as if neighboring frequencies were in error together.
    """
    band = curve.valid_band_hz()
    if band is None or band[0] == band[1]:
        return curve
    low, high = np.log2(band[0]), np.log2(band[1])
    fine = np.linspace(low, high, 2 + int(np.ceil((high - low) * _SMOOTHING_POINTS_PER_OCTAVE)))
    at = np.log2(curve.axis.hz[curve.valid])
    energy = 10 ** (np.interp(fine, at, curve.values[curve.valid]) / 10)
    steps = (energy[1:] + energy[:-1]) / 2 * np.diff(fine)
    running = np.concatenate([[0.0], np.cumsum(steps)])
    half = np.minimum(0.5 / fraction, np.minimum(at - low, high - at))
    width = np.where(half > 0, 2 * half, 1.0)
    integral = np.interp(at + half, fine, running) - np.interp(at - half, fine, running)
    values = curve.values.copy()
    own = 10 ** (curve.values[curve.valid] / 10)
    values[curve.valid] = 10 * np.log10(np.where(half > 0, np.maximum(integral, 1e-300) / width, own))
    return replace(curve, values=values)


def smoothing_rows(curve: Curve, fraction: int) -> FloatArray:
    """(F, F) first-order effect of errors of a dB curve on its 1/fraction-octave energy smoothing; rows sum to 1.

    Cells about the curve's points instead of the exact integral; invalid points take no part and keep their own error.
    """
    x = np.log2(curve.axis.hz)
    edges = np.concatenate([[x[0]], (x[1:] + x[:-1]) / 2, [x[-1]]])
    use = curve.valid
    low, high = (x[use][0], x[use][-1]) if use.any() else (x[0], x[-1])
    half = np.clip(np.minimum(x - low, high - x), 0.0, 0.5 / fraction)[:, None]
    overlap = np.minimum(edges[1:], x[:, None] + half) - np.maximum(edges[:-1], x[:, None] - half)
    energy = np.where(use, 10 ** (np.where(use, curve.values, 0.0) / 10), 0.0)
    rows = np.maximum(overlap, 0.0) * energy
    total = rows.sum(axis=1, keepdims=True)
    return np.asarray(np.where(total > 0, rows / np.where(total > 0, total, 1.0), np.eye(x.size)), dtype=float)


@dataclass(frozen=True, slots=True)
class Gap:
    """Points of a curve that cannot be trusted, first to last, between two that can; u_db : of a line across them."""

    first: int
    last: int
    low_hz: float
    high_hz: float
    u_db: float

    def sentence(self, name: str) -> str:
        """The caveat."""
        return worded("figures.straight_line", name=name, given=self, expanded_db=2 * self.u_db)


def bridged(curve: Curve) -> tuple[Curve, tuple[Gap, ...]]:
    """The curve with straight lines (over log frequency) across gaps of at most a sixth of an octave between valid
    points, and these gaps; the curve as it is where they are more than half an octave together.

    How far a line may be off is read from the curve itself: root mean square of what it departs from lines of that
    length within an octave (own choice).
    """
    x, gaps = np.log2(curve.axis.hz), []
    for run in runs(~curve.valid):
        inner = run.start > 0 and run.stop < curve.valid.size
        if inner and x[run.stop] - x[run.start - 1] <= WIDEST_BRIDGE_OCTAVES + _TOLERANCE:
            gaps.append((run.start, run.stop - 1))
    if not gaps or sum(x[last + 1] - x[first - 1] for first, last in gaps) > MOST_BRIDGED_OCTAVES:
        return curve, ()
    values, valid = curve.values.copy(), curve.valid.copy()
    for first, last in gaps:
        inside = slice(first, last + 1)
        values[inside] = np.interp(x[inside], x[[first - 1, last + 1]], values[[first - 1, last + 1]])
        valid[inside] = True
    found = tuple(
        Gap(first, last, float(curve.axis.hz[first]), float(curve.axis.hz[last]), _off_line(curve, first, last))
        for first, last in gaps
    )
    return replace(curve, values=values, valid=valid), found


def _off_line(curve: Curve, first: int, last: int) -> float:
    """Root mean square of the middle of a line's length from the line, near a gap [dB]."""
    width = last - first + 2
    half = width // 2
    x = np.log2(curve.axis.hz)
    starts = np.arange(curve.valid.size - width)
    sound = curve.valid[starts] & curve.valid[starts + half] & curve.valid[starts + width]
    near = np.abs(x[starts + half] - x[(first + last) // 2]) <= 1.0 + _TOLERANCE
    rows = starts[sound & near]
    if rows.size == 0:
        return float(np.ptp(curve.values[[first - 1, last + 1]]) + 1.0)
    line = curve.values[rows] + (curve.values[rows + width] - curve.values[rows]) * half / width
    return float(np.sqrt(np.mean((curve.values[rows + half] - line) ** 2)))
