"""Lower band limits F3, F6, F10: where a curve falls a stated number of dB below a reference level."""

from __future__ import annotations

import math

import numpy as np

from earwitness.quantities import Curve, Figure, not_judged
from earwitness.quantities.arrays import FloatArray, IntArray

START_HZ = 300.0
NARROW_DIP_OCTAVES = 1 / 9


def lasting_falls(x: FloatArray, above: FloatArray) -> tuple[FloatArray, IntArray]:
    """Where curves first fall below 0 for good, or at least for 1/9 octave.

    x : (R,) log2 frequency, falling; above : (N, R) level over the limit, not below 0 at the first point.
    Returns (N,) log2 frequency of the zero and (N,) the last point before it; the index is -1 where there is none
    (then the frequency is x[-1]).
    """
    if x.size < 2:
        return np.full(above.shape[0], x[-1]), np.full(above.shape[0], -1, dtype=np.int64)
    below = above < 0
    falls = ~below[:, :-1] & below[:, 1:]
    rises = below[:, :-1] & ~below[:, 1:]
    step = above[:, :-1] - above[:, 1:]
    zero = x[:-1] + np.where(falls | rises, above[:, :-1] / np.where(step == 0, 1.0, step), 0.0) * np.diff(x)
    next_rise = np.minimum.accumulate(np.where(rises, np.arange(x.size - 1), x.size)[:, ::-1], axis=1)[:, ::-1]
    back = np.take_along_axis(zero, np.minimum(next_rise, x.size - 2), axis=1)
    lasting = falls & ((next_rise == x.size) | (zero - back >= NARROW_DIP_OCTAVES))
    first = np.where(lasting.any(axis=1), lasting.argmax(axis=1), -1)
    found = np.where(first >= 0, zero[np.arange(first.size), first], x[-1])
    return np.asarray(found, dtype=float), np.asarray(first, dtype=np.int64)


def lower_limit(
    curve: Curve,
    reference_db: float,
    drop_db: float,
    *,
    key: str,
    u_reference_db: float = 0.0,
    start_hz: float = START_HZ,
) -> Figure:
    """Frequency of the first crossing below reference_db - drop_db, scanning downward from `start_hz` [Hz].

    Linear in dB against log frequency. A region below the limit narrower than 1/9 octave is passed over if the
    curve returns (IEC 60268-5 rule for the effective frequency range, as paraphrased by a third party). If the curve
    stays above to the end of its frequencies, the result is that frequency, "at most".
    Not judged: the curve does not cover `start_hz`, is below the limit there, or stops being valid above the crossing.
    """
    limit = reference_db - drop_db
    method = f"first fall of {curve.name} below {drop_db:g} dB under {reference_db:.1f} dB, down from {start_hz:g} Hz"

    def refuse(reason: str) -> Figure:
        return not_judged(key, reason, unit="Hz", method=method, lineage=curve.lineage)

    hz = curve.axis.hz
    start = int(np.searchsorted(hz, start_hz * (1 + 1e-9), side="right")) - 1
    if start < 0 or not curve.valid[start] or hz[-1] < start_hz * (1 - 1e-9):
        return refuse(f"{curve.name} is not valid at {start_hz:g} Hz")
    invalid = np.flatnonzero(~curve.valid[: start + 1])
    bottom = int(invalid[-1]) + 1 if invalid.size else 0
    rows = np.arange(start, bottom - 1, -1)
    x, above = np.log2(hz[rows]), curve.values[rows] - limit
    if above[0] < 0:
        return refuse(f"{curve.name} is already below {limit:.1f} dB at {start_hz:g} Hz")
    found, places = lasting_falls(x, above[None, :])
    fall = int(places[0])
    if fall < 0 and bottom > 0:
        return refuse(f"{curve.name} is valid down to {hz[bottom]:.0f} Hz only and has not fallen that far there")
    if fall < 0:
        return Figure(
            key, float(hz[0]), 0.0, "Hz", (float(hz[0]), start_hz), method, bound="at most", lineage=curve.lineage
        )
    frequency = 2 ** float(found[0])
    slope = abs(float((above[fall + 1] - above[fall]) / (x[fall + 1] - x[fall])))
    u_level = math.hypot(float(curve.u[rows[fall]]), u_reference_db)
    u = frequency * math.log(2) * u_level / slope
    return Figure(key, frequency, u, "Hz", (float(hz[bottom]), start_hz), method, lineage=curve.lineage)
