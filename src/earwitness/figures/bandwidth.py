"""Band limits F3, F6, F10: where a curve has fallen a stated number of dB below a reference level for good."""

from dataclasses import dataclass, replace

import numpy as np

from earwitness.figures.uncertainty import Drawn, drawn, with_spread
from earwitness.quantities import Asked, BoolArray, Curve, Figure, FloatArray, IntArray, hz_words

START_HZ = 300.0
UPPER_START_HZ = 3000.0
NARROW_DIP_OCTAVES = 1 / 9


@dataclass(frozen=True, slots=True, eq=False)
class Crossings:
    """Where N curves cross 0, over the steps between R points.

    zero : (N, R - 1) x of the crossing; lasting : (N, R - 1) a fall that lasts for 1/9 octave or to the end of the
    data; back : (N, R - 1) x of the next rise after a fall, or the end of the data
    """

    zero: FloatArray
    lasting: BoolArray
    back: FloatArray


def crossings(x: FloatArray, above: FloatArray) -> Crossings:
    """x : (R,) octaves, falling or rising away from the middle; above : (N, R) level over the limit.

    A stay below 0 narrower than 1/9 octave is passed over if the curve returns (IEC 60268-5 rule for the effective
    frequency range, as paraphrased by a third party).
    """
    below = above < 0
    falls, rises = ~below[:, :-1] & below[:, 1:], below[:, :-1] & ~below[:, 1:]
    step = above[:, :-1] - above[:, 1:]
    zero = x[:-1] + np.where(falls | rises, above[:, :-1] / np.where(step == 0, 1.0, step), 0.0) * np.diff(x)
    places = np.arange(x.size - 1)
    next_rise = np.minimum.accumulate(np.where(rises, places, x.size)[:, ::-1], axis=1)[:, ::-1]
    back = np.where(next_rise < x.size, np.take_along_axis(zero, np.minimum(next_rise, x.size - 2), axis=1), x[-1])
    lasting = falls & ((next_rise == x.size) | (np.abs(zero - back) >= NARROW_DIP_OCTAVES))
    return Crossings(zero, np.asarray(lasting, dtype=bool), back)


def range_ends(x: FloatArray, above: FloatArray) -> tuple[FloatArray, IntArray]:
    """Where curves have fallen below 0 for good: the last lasting fall after a stay above of 1/9 octave or more.

    x : (R,) octaves away from the middle; above : (N, R), not below 0 at the first point. What stands above for less
    than 1/9 octave beyond a lasting fall is passed over as is a dip that narrow. Returns (N,) x of the fall and (N,)
    the last point before it; the index is -1 where there is none (then x is that of the last point).
    """
    nowhere = np.full(above.shape[0], -1, dtype=np.int64)
    if x.size < 2:
        return np.full(above.shape[0], x[-1]), nowhere
    found = crossings(x, above)
    places = np.arange(x.size - 1)
    # Each stay above begins where the lasting fall before it came back, the first one at the start.
    before = np.maximum.accumulate(np.where(found.lasting, places, -1), axis=1)
    earlier = np.concatenate([nowhere[:, None], before[:, :-1]], axis=1)
    begin = np.where(earlier < 0, x[0], np.take_along_axis(found.back, np.maximum(earlier, 0), axis=1))
    wide = (earlier < 0) | (np.abs(found.zero - begin) >= NARROW_DIP_OCTAVES)
    last = np.where(found.lasting & wide, places, -1).max(axis=1)
    # A curve that is above again at the end of the data has not ended, unless only for a moment.
    rows = np.arange(above.shape[0])
    final = before[:, -1]
    tail = np.abs(x[-1] - found.back[rows, np.maximum(final, 0)])
    open_end = (above[:, -1] >= 0) & ((final < 0) | (tail >= NARROW_DIP_OCTAVES))
    last = np.where(open_end, -1, last)
    ends = np.where(last >= 0, found.zero[rows, np.maximum(last, 0)], x[-1])
    return np.asarray(ends, dtype=float), np.asarray(last, dtype=np.int64)


def dips_before(x: FloatArray, above: FloatArray, end: float) -> list[tuple[float, float]]:
    """Lasting stays of one curve (R,) below 0 nearer to the middle than `end`: x where each begins and is over."""
    if x.size < 2:
        return []
    found = crossings(x, above[None, :])
    edges = [(float(found.zero[0, i]), float(found.back[0, i])) for i in np.flatnonzero(found.lasting[0])]
    return [(first, last) for first, last in edges if abs(last - x[0]) < abs(end - x[0]) - 1e-9]


@dataclass(frozen=True, slots=True)
class _Way:
    """Which end of the range is looked for: from where on, and in which words."""

    start_hz: float
    is_low: bool

    @property
    def words(self) -> str:
        return "down" if self.is_low else "up"

    def rows(self, curve: Curve) -> IntArray | None:
        """Points from the start outward as far as the curve can be trusted; None where not even at the start."""
        hz = curve.axis.hz
        if not hz[0] * (1 - 1e-9) <= self.start_hz <= hz[-1] * (1 + 1e-9):
            return None
        if self.is_low:
            start = int(np.searchsorted(hz, self.start_hz * (1 + 1e-9), side="right")) - 1
            rows = np.arange(start, -1, -1)
        else:
            rows = np.arange(int(np.searchsorted(hz, self.start_hz * (1 - 1e-9))), hz.size)
        gaps = np.flatnonzero(~curve.valid[rows])
        rows = rows[: int(gaps[0])] if gaps.size else rows
        return rows if rows.size else None


def lower_limit(
    curve: Curve | Drawn, reference_db: float | FloatArray, drop_db: float, *, key: str, start_hz: float = START_HZ
) -> Figure:
    """Frequency below which the curve stays under reference_db - drop_db, looked for from start_hz downward [Hz].

    Linear in dB against log frequency; a dip is not the end of the range: where the curve returns above the limit for
    1/9 octave or more, the range goes on and the dip is a caveat (own choice; the standard's rule passes over narrow
    dips only). If the curve stays above to the end of its frequencies, the result is that frequency, "at most".
    reference_db : of the measured curve, or (1 + N,) of it and of the drawn ones
    Not judged: the curve does not cover start_hz, is below the limit there, or stops being valid above the crossing.
    """
    return _limit(drawn(curve), reference_db, drop_db, _Way(start_hz, True), key)


def upper_limit(
    curve: Curve | Drawn,
    reference_db: float | FloatArray,
    drop_db: float,
    *,
    key: str,
    start_hz: float = UPPER_START_HZ,
) -> Figure:
    """Frequency above which the curve stays under reference_db - drop_db, looked for from start_hz upward [Hz].

    The rule of the lower limit; "at least" where the curve never falls.
    """
    return _limit(drawn(curve), reference_db, drop_db, _Way(start_hz, False), key)


def lower_limits(curves: Drawn, limit_db: FloatArray) -> tuple[FloatArray, IntArray] | str:
    """(1 + N,) lower ends of the range under limit_db (1 + N,) [Hz] and their places, -1 for none; or why not."""
    found = _ends(curves, limit_db, _Way(START_HZ, True))
    return found if isinstance(found, str) else (found.hz, found.places)


@dataclass(frozen=True, slots=True, eq=False)
class _Ends:
    """hz, places : (1 + N,) ends of the range; band_hz : looked through; dips : of the measured curve, in words."""

    hz: FloatArray
    places: IntArray
    band_hz: tuple[float, float]
    dips: tuple[str, ...]


def _ends(curves: Drawn, limit_db: FloatArray, way: _Way) -> _Ends | str:
    curve, start = curves.curve, hz_words(way.start_hz)
    rows = way.rows(curve)
    if rows is None:
        return f"{curve.name} is not valid at {start}"
    hz = curve.axis.hz[rows]
    x, above = np.log2(hz), curves.rows[:, rows] - limit_db[:, None]
    limit = float(limit_db[0])
    if above[0, 0] < 0:
        return f"{curve.name} is already below {limit:.1f} dB at {start}"
    above[:, 0] = np.maximum(above[:, 0], 0.0)
    ends, places = range_ends(x, above)
    if places[0] < 0 and way.is_low and rows[-1] > 0:
        return f"{curve.name} is valid down to {hz[-1]:.0f} Hz only and has not fallen that far there"
    dips = tuple(_dip_words(curve.name, limit, dip) for dip in dips_before(x, above[0], float(ends[0])))
    low, high = sorted((float(hz[-1]), way.start_hz))
    return _Ends(2.0**ends, places, (low, high), dips)


def _limit(curves: Drawn, reference_db: float | FloatArray, drop_db: float, way: _Way, key: str) -> Figure:
    curve = curves.curve
    reference = np.broadcast_to(np.asarray(reference_db, dtype=float).reshape(-1), (len(curves.rows),))
    method = (
        f"end of the range of {curve.name}, {drop_db:g} dB under {float(reference[0]):.1f} dB, "
        f"looked for from {hz_words(way.start_hz)} {way.words}"
    )
    found = _ends(curves, reference - drop_db, way)
    asked = Asked(key, "Hz", method, lineage=curve.lineage)
    if isinstance(found, str):
        return asked.refused(found)
    figure = replace(asked, band_hz=found.band_hz).judged(float(found.hz[0]))
    if found.places[0] < 0:
        return replace(figure, bound="at most" if way.is_low else "at least", caveats=found.dips)
    figure = with_spread(figure, found.hz, curve.causes, low=0.0)
    caveats = found.dips
    without = float((found.places[1:] < 0).sum()) / max(found.places.size - 1, 1)
    if without > 0.025:
        caveats += (f"within its uncertainty the level may not fall that far in the data ({100 * without:.0f} %)",)
    return replace(figure, caveats=(*caveats, *curves.notes(*found.band_hz)))


def _dip_words(name: str, limit_db: float, dip: tuple[float, float]) -> str:
    low, high = sorted(2.0**edge for edge in dip)
    return f"a dip is not counted: {name} is below {limit_db:.1f} dB from {low:.0f} to {high:.0f} Hz too"
