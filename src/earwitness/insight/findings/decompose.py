"""One curve as a smooth trend plus peaking filters: coarse search over all scales, then one joint fit.

Both shapes stand in dB against x = log2(f / 1 kHz), with derivatives, so that a fit converges in few steps. A
resonance in parallel to a flat response has exactly the shape of a peaking filter, so one shape serves for both (own
derivation). The search takes, again and again, the shape that explains most of what is left, with Q from broad to
narrow, after whatever the trend could explain of that shape has been taken out; all parameters are then refined
together.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from earwitness.quantities import ComplexArray, Curve, FloatArray, runs

_DB = 10.0 / np.log(10.0)
_LN2 = float(np.log(2.0))


def peaking_db(x: FloatArray, center: float | FloatArray, ln_q: float, gain_db: float) -> FloatArray:
    """(F,) level of an analog peaking filter [dB] at x octaves; center in octaves. Audio EQ Cookbook, W3C, 2021.

    A column of centers (N, 1) gives a row each (N, F).
    """
    ratio = np.exp2(x - center)
    u = (ratio - 1 / ratio) ** 2
    lift = 10 ** (gain_db / 20)
    wide = np.exp(-2 * ln_q)
    return np.asarray(_DB * np.log((u + lift * wide) / (u + wide / lift)))


def peaking_with_slopes(x: FloatArray, center: float, ln_q: float, gain_db: float) -> tuple[FloatArray, FloatArray]:
    """(F,) level [dB] and (F, 3) derivatives to center [1/octave], ln_q and gain_db.

    |H|^2 = (u + A^2 / Q^2) / (u + 1 / (A^2 Q^2)), u = (f / f0 - f0 / f)^2, A = 10^(gain / 40).
    """
    ratio = np.exp2(x - center)
    detuning = ratio - 1 / ratio
    u = detuning**2
    lift = 10 ** (gain_db / 20)
    wide = np.exp(-2 * ln_q)
    above, below = u + lift * wide, u + wide / lift
    level = _DB * np.log(above / below)
    du = -2 * _LN2 * detuning * (ratio + 1 / ratio)
    to_center = _DB * du * (1 / above - 1 / below)
    to_ln_q = -2 * _DB * wide * (lift / above - 1 / (lift * below))
    to_gain = 0.5 * wide * (lift / above + 1 / (lift * below))
    return level, np.stack([to_center, to_ln_q, to_gain], axis=-1)


def edge_with_slopes(x: FloatArray, corner: float, ln_order: float, *, is_low: bool) -> tuple[FloatArray, FloatArray]:
    """(F,) level of a Butterworth edge of any real order [dB] and (F, 2) derivatives to corner and ln_order.

    -10 lg (1 + r^(2 n)), r = corner / f for the low edge and f / corner for the high one; corner in octaves.
    """
    order = np.exp(ln_order)
    octaves = (corner - x) if is_low else (x - corner)
    power = np.clip(2 * order * octaves * _LN2, -60.0, 60.0)
    grown = np.exp(power)
    slope = -_DB * grown / (1 + grown)
    to_corner = slope * 2 * order * _LN2 * (1.0 if is_low else -1.0)
    return -_DB * np.log1p(grown), np.stack([to_corner, slope * power], axis=-1)


def half_size_octaves(q: float) -> float:
    """Width in octaves between the points of half the gain in dB, analog: (2 / ln 2) asinh(1 / (2 Q))."""
    return float(2.0 / _LN2 * np.arcsinh(0.5 / q))


POINTS_PER_OCTAVE = 48
SEARCH_Q = tuple(float(q) for q in np.geomspace(0.5, 32.0, 13))
Q_LIMITS = (0.55, 45.0)
LEAST_DB = 0.5
MOST_PEAKS = 14
LOWEST_LEVEL_DB = -7.0
"""The trend is followed down to this level below the middle of the band; beyond lies the roll-off."""
_NOISE_FACTOR = 5.0
_RIDGE = 0.12
_SLOPE_RIDGE = 2.5
_WIDE_Q = 1.2
_SEEN_SHARE = 0.4
_BROADER = 1.7
_VISIBLE_SHARE = 0.3
_TOP_WIDTHS, _BESIDE_WIDTHS, _LEAST_SIDE = 0.15, (0.8, 1.6), 0.1
_EDGE_OCTAVES = 1.5
_NARROWEST_BAND_OCTAVES = 3.0


@dataclass(frozen=True, slots=True)
class Peak:
    """A peaking filter found in a curve. u_ln_f, u_ln_q, u_db : standard uncertainties of the fit alone."""

    center_hz: float
    q: float
    size_db: float
    u_ln_f: float = 0.0
    u_ln_q: float = 0.0
    u_db: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Decomposition:
    """A curve as trend plus peaks.

    hz : (F,) even grid in log frequency over the band; level_db, trend_db, rest_db : (F,), level = trend + peaks + rest
    slope_db_per_octave : of the trend's straight part; u_slope : of the fit alone
    low_corner_hz, high_corner_hz : -3 dB points of the trend's edges, or None where the band shows no edge
    low_order, high_order : order of these edges (6 dB/octave each)
    """

    hz: FloatArray
    level_db: FloatArray
    trend_db: FloatArray
    rest_db: FloatArray
    slope_db_per_octave: float
    u_slope: float
    low_corner_hz: float | None
    high_corner_hz: float | None
    low_order: float | None
    high_order: float | None
    peaks: tuple[Peak, ...]

    def low_edge_db(self, hz: FloatArray) -> FloatArray:
        """(F,) what the low edge alone takes away [dB]; 0 without one."""
        if self.low_corner_hz is None or self.low_order is None:
            return np.zeros_like(hz)
        corner = float(np.log2(self.low_corner_hz / 1000.0))
        return edge_with_slopes(np.log2(hz / 1000.0), corner, float(np.log(self.low_order)), is_low=True)[0]


@dataclass(frozen=True, slots=True)
class _Trend:
    """Which parts the trend has: columns 0, 1 are level and slope; then bend, low edge and high edge, where on."""

    bend: bool
    low: bool
    high: bool

    @property
    def size(self) -> int:
        return 2 + self.bend + 2 * self.low + 2 * self.high


def decompose(curve: Curve, *, bends: bool = False, rolls_off: bool = True) -> Decomposition | None:
    """The curve taken apart, or None where fewer than three octaves of it are valid.

    bends : the trend may curve slowly, as the predicted in-room response of a loudspeaker does that narrows upward.
    rolls_off : the band ends where the level stays 7 dB under the middle of the band, and the trend may have edges
    there; a difference of levels has neither.
    """
    band = _band(curve, rolls_off=rolls_off)
    if band is None:
        return None
    x, level = band
    known = curve.valid
    low = rolls_off and level[0] < np.median(level) - 2.0
    high = rolls_off and level[-6:].mean() < np.median(level[-3 * POINTS_PER_OCTAVE : -POINTS_PER_OCTAVE // 2]) - 1.0
    trend = _Trend(bends, bool(low), bool(high))
    noise = _noise(curve.values[known])
    start, filters = _search(x, level, trend, noise)
    return _assembled(x, level, trend, start, filters)


def _band(curve: Curve, *, rolls_off: bool) -> tuple[FloatArray, FloatArray] | None:
    """x in octaves about 1 kHz and level on an even grid over the longest valid stretch inside the pass band."""
    hz = curve.axis.hz
    rows = max(runs(curve.valid), key=lambda run: float(hz[run.stop - 1] / hz[run.start]), default=slice(0))
    if not hz[rows].size:
        return None
    octaves = np.log2(hz[rows] / 1000.0)
    first = np.ceil(octaves[0] * POINTS_PER_OCTAVE - 1e-6)
    last = np.floor(octaves[-1] * POINTS_PER_OCTAVE + 1e-6)
    x = np.arange(first, last + 1) / POINTS_PER_OCTAVE
    if x.size < _NARROWEST_BAND_OCTAVES * POINTS_PER_OCTAVE:
        return None
    level = np.interp(x, octaves, curve.values[rows])
    if not rolls_off:
        return x, level
    wide = np.convolve(np.pad(level, 8, mode="edge"), np.full(17, 1 / 17), mode="valid")
    line = np.polynomial.Polynomial.fit(x, level, 1)(x)
    middle = np.median(level - line) + line
    # A tilt is no roll-off: the limit follows the line, unless the roll-off itself has tilted it.
    reference = np.minimum(middle, np.median(level))
    inside = np.flatnonzero(wide > reference + LOWEST_LEVEL_DB)
    if inside.size == 0:
        return None
    kept = slice(int(inside[0]), int(inside[-1]) + 1)
    if x[kept].size < _NARROWEST_BAND_OCTAVES * POINTS_PER_OCTAVE:
        return None
    return x[kept], level[kept]


def _noise(values: FloatArray) -> float:
    """Standard deviation of what differs from point to point, from third differences (smooth shapes leave none)."""
    if values.size < 8:
        return 0.0
    rough = np.diff(values, 3)
    return float(1.4826 * np.median(np.abs(rough)) / np.sqrt(20.0))


def _trend_with_slopes(x: FloatArray, trend: _Trend, p: FloatArray) -> tuple[FloatArray, FloatArray]:
    level = p[0] + p[1] * x
    columns = [np.ones_like(x), x]
    at = 2
    if trend.bend:
        level = level + p[at] * (x / 3.0) ** 2
        columns.append((x / 3.0) ** 2)
        at += 1
    for on, is_low in ((trend.low, True), (trend.high, False)):
        if on:
            edge, slopes = edge_with_slopes(x, p[at], p[at + 1], is_low=is_low)
            level = level + edge
            columns.extend(slopes.T)
            at += 2
    return level, np.stack(columns, axis=-1)


def _model(x: FloatArray, trend: _Trend, p: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(F,) level and (F, P) derivatives of trend plus peaks."""
    level, slopes = _trend_with_slopes(x, trend, p)
    parts = [slopes]
    for center, ln_q, gain in p[trend.size :].reshape(-1, 3):
        peak, to_peak = peaking_with_slopes(x, center, ln_q, gain)
        level = level + peak
        parts.append(to_peak)
    return level, np.concatenate(parts, axis=1)


def _limits(x: FloatArray, trend: _Trend, peaks: int) -> tuple[FloatArray, FloatArray]:
    low, high = [-500.0, -6.0], [500.0, 6.0]
    if trend.bend:
        low.append(-12.0)
        high.append(12.0)
    if trend.low:
        low += [x[0] - 2.0, np.log(0.7)]
        high += [x[0] + 1.5, np.log(6.0)]
    if trend.high:
        low += [x[-1] - 1.2, np.log(0.7)]
        high += [x[-1] + 1.5, np.log(6.0)]
    low += [x[0] - 0.3, np.log(Q_LIMITS[0]), -25.0] * peaks
    high += [x[-1] + 0.3, np.log(Q_LIMITS[1]), 25.0] * peaks
    return np.array(low), np.array(high)


def _fit(
    x: FloatArray, level: FloatArray, trend: _Trend, start: FloatArray, *, slope: float | None = None
) -> FloatArray:
    """Parameters of least squares.

    slope : about which the slope is held, so that a broad peak and a tilt don't grow against each other; None for a
    first fit of the trend alone, in which large deviations pull less.
    """
    from scipy.optimize import least_squares

    peaks = (start.size - trend.size) // 3
    low, high = _limits(x, trend, peaks)
    gains = np.arange(trend.size + 2, start.size, 3)
    ridge = np.zeros((peaks, start.size))
    ridge[np.arange(peaks), gains] = _RIDGE
    pull = np.zeros(peaks)
    if slope is not None:
        held = np.zeros((1, start.size))
        held[0, 1] = _SLOPE_RIDGE
        ridge, pull = np.concatenate([ridge, held]), np.append(pull, _SLOPE_RIDGE * slope)

    at, there = b"", (level, ridge)

    def model(p: FloatArray) -> tuple[FloatArray, FloatArray]:
        # Level and slopes are asked for one after the other.
        nonlocal at, there
        if p.tobytes() != at:
            at, there = p.tobytes(), _model(x, trend, p)
        return there

    def off(p: FloatArray) -> FloatArray:
        return np.concatenate([model(p)[0] - level, ridge @ p - pull])

    def slopes(p: FloatArray) -> FloatArray:
        return np.concatenate([model(p)[1], ridge])

    found = least_squares(
        off,
        np.clip(start, low + 1e-6, high - 1e-6),
        jac=slopes,
        bounds=(low, high),
        loss="soft_l1" if slope is None else "linear",
        f_scale=0.5,
        max_nfev=40,
        ftol=1e-7,
        xtol=1e-7,
        gtol=1e-9,
    )
    return np.asarray(found.x, dtype=float)


@lru_cache(maxsize=16)
def _templates(count: int) -> tuple[ComplexArray, FloatArray, FloatArray, FloatArray]:
    """(Q, S) spectra of shapes of 1 dB, one of each width; (T,) for each place and width: power, center in grid steps,
    ln Q."""
    away = np.arange(1 - count, count) / POINTS_PER_OCTAVE
    centers = np.arange(0, count, 2) / POINTS_PER_OCTAVE
    widths = np.log(SEARCH_Q)
    lines = np.stack([peaking_db(away, 0.0, float(ln_q), 3.0) / 3.0 for ln_q in widths])
    power = sliding_window_view(lines**2, count, axis=-1)[:, ::-2].sum(axis=-1)
    spectra = np.fft.rfft(lines, 2 * count)
    return spectra, power.ravel(), np.tile(centers, widths.size), np.repeat(widths, centers.size)


def _candidate(x: FloatArray, rest: FloatArray, slopes: FloatArray, noise: float) -> FloatArray | None:
    """(center, ln_q, gain) of the shape that explains most of what is left, or None."""
    spectra, whole, where, ln_q = _templates(x.size)
    basis, _ = np.linalg.qr(slopes)
    rows = np.vstack([basis.T, rest - basis @ (basis.T @ rest)])
    # (K, T) sums over the grid of each row times each shape, which are one shape of each width, moved.
    along = np.fft.irfft(spectra * np.fft.rfft(rows, 2 * x.size)[:, None].conj(), 2 * x.size)
    along = along[..., x.size - 1 :: -2].reshape(len(rows), -1)
    power = whole - np.sum(along[:-1] ** 2, axis=0)
    # What the trend explains for the most part can't be told from it.
    usable = power > 0.15 * whole
    gain = np.where(usable, along[-1] / np.where(usable, power, 1.0), 0.0)
    gained = gain**2 * power
    heard = usable & (np.abs(gain) > LEAST_DB) & (gained > (_NOISE_FACTOR * noise) ** 2)
    if not heard.any():
        return None
    best = int(np.argmax(np.where(heard, gained, 0.0)))
    return np.array([x[0] + where[best], ln_q[best], np.clip(gain[best], -15.0, 15.0)])


def _first_trend(x: FloatArray, level: FloatArray, trend: _Trend) -> FloatArray:
    start = [float(np.median(level)), 0.0]
    if trend.bend:
        start.append(0.0)
    if trend.low:
        start += [x[0] + 0.4, np.log(2.0)]
    if trend.high:
        start += [x[-1], np.log(1.5)]
    return _fit(x, level, trend, np.array(start))


def _overall_slope(x: FloatArray, level: FloatArray) -> float:
    """Slope [dB/octave] of the line through the band without its ends, in which large deviations pull less."""
    inside = (x > x[0] + _EDGE_OCTAVES) & (x < x[-1] - 0.5 * _EDGE_OCTAVES)
    at, height = x[inside], level[inside]
    weights = np.ones_like(at)
    line = np.zeros(2)
    for _ in range(6):
        line = np.polynomial.polynomial.polyfit(at, height, 1, w=np.sqrt(weights))
        weights = 1 / np.sqrt(1 + ((height - line[0] - line[1] * at) / 0.5) ** 2)
    return float(line[1])


def _search(x: FloatArray, level: FloatArray, trend: _Trend, noise: float) -> tuple[FloatArray, FloatArray]:
    """Parameters of the trend and (N, 3) of the peaks."""
    p = _first_trend(x, level, trend)
    slope = _overall_slope(x, level)
    for _ in range(MOST_PEAKS):
        now, slopes = _model(x, trend, p)
        found = _candidate(x, level - now, slopes[:, : trend.size], noise)
        if found is None:
            break
        before = float(np.sum((level - now) ** 2))
        grown = _fit(x, level, trend, np.concatenate([p, found]), slope=slope)
        if float(np.sum((level - _model(x, trend, grown)[0]) ** 2)) > 0.97 * before:
            break
        p = grown
    p = _pruned(x, level, trend, p, slope)
    return p[: trend.size], p[trend.size :].reshape(-1, 3)


def _pruned(x: FloatArray, level: FloatArray, trend: _Trend, p: FloatArray, slope: float) -> FloatArray:
    """Without the peaks that turned out too small, or that the fit can't tell from their neighbors."""
    while p.size > trend.size:
        peaks = p[trend.size :].reshape(-1, 3)
        joined = _twins_joined(peaks)
        if joined is not None:
            p = _fit(x, level, trend, np.concatenate([p[: trend.size], joined.ravel()]), slope=slope)
            continue
        now, slopes = _model(x, trend, p)
        u = _spreads(x, level - now, slopes)[trend.size + 2 :: 3]
        size = np.abs(peaks[:, 2])
        weak = np.where(size < LEAST_DB, 0.0, size / np.maximum(u, 1e-9))
        worst = int(np.argmin(weak))
        if weak[worst] >= 2.0:
            break
        kept = np.delete(peaks, worst, axis=0).ravel()
        p = _fit(x, level, trend, np.concatenate([p[: trend.size], kept]), slope=slope)
    return _without_spare(x, level, trend, p, slope)


def _without_spare(x: FloatArray, level: FloatArray, trend: _Trend, p: FloatArray, slope: float) -> FloatArray:
    """Without the wide peaks that hardly show over a level line, nor over one of the overall slope.

    A wide peak and a tilt can grow against each other in the fit and leave a curve that has neither.
    """
    wide = [i for i, peak in enumerate(p[trend.size :].reshape(-1, 3)) if peak[1] < np.log(_WIDE_Q)]
    for i in reversed(wide):
        peaks = p[trend.size :].reshape(-1, 3)
        kept = np.delete(peaks, i, axis=0).ravel()
        bare = level - _model(x, trend, np.concatenate([p[: trend.size], kept]))[0]
        over = [bare + (p[1] - straight) * x for straight in (slope, 0.0)]
        seen = [float(np.interp(peaks[i, 0], x, rest - np.median(rest))) / peaks[i, 2] for rest in over]
        if max(seen) < _SEEN_SHARE:
            p = _fit(x, level, trend, np.concatenate([p[: trend.size], kept]), slope=slope)
    return p


def _twins_joined(peaks: FloatArray) -> FloatArray | None:
    """The peaks with the first two made one that stand at one place with one sign and nearly one Q; None without."""
    for i, (center, ln_q, gain) in enumerate(peaks):
        for j in range(i + 1, len(peaks)):
            near = abs(peaks[j, 0] - center) < 0.25 * half_size_octaves(float(np.exp(max(ln_q, peaks[j, 1]))))
            if near and abs(peaks[j, 1] - ln_q) < 0.7 and gain * peaks[j, 2] > 0:
                one = np.array([[center, 0.5 * (ln_q + peaks[j, 1]), gain + peaks[j, 2]]])
                return np.concatenate([np.delete(peaks, [i, j], axis=0), one])
    return None


def _spreads(x: FloatArray, rest: FloatArray, slopes: FloatArray) -> FloatArray:
    """(P,) standard uncertainties from the scatter of the rest, which is correlated from point to point."""
    near = float(np.sum(rest[1:] * rest[:-1]) / max(np.sum(rest**2), 1e-30))
    near = min(max(near, 0.0), 0.97)
    scatter = float(np.mean(rest**2)) * (1 + near) / (1 - near) * x.size / max(x.size - slopes.shape[1], 1)
    covariance = np.linalg.pinv(slopes.T @ slopes, rcond=1e-10) * scatter
    return np.asarray(np.sqrt(np.maximum(np.diag(covariance), 0.0)), dtype=float)


def _is_visible(x: FloatArray, off_db: FloatArray, filters: FloatArray, row: int) -> bool:
    """Across its half-size band the curve itself, less the broader peaks, leaves the trend to the peak's side.

    A shape that only balances the skirts of others is no deviation that anyone could see or hear.
    """
    center, ln_q, gain = filters[row]
    near = np.abs(x - center) <= max(0.5 * half_size_octaves(float(np.exp(ln_q))), 1.0 / POINTS_PER_OCTAVE)
    if not near.any():
        return False
    broader = [one for i, one in enumerate(filters) if i != row and one[1] < ln_q - np.log(_BROADER)]
    seen = off_db[near] - sum((peaking_db(x[near], *one) for one in broader), np.zeros(np.count_nonzero(near)))
    return bool(np.median(seen) / gain >= _VISIBLE_SHARE)


def stands_out(part: Decomposition, peak: Peak) -> bool:
    """The curve itself is higher at the peak (lower at the dip) than on both sides of it.

    Over the straight slope and the low edge, other shapes of the same sign taken out: the shoulder of a dip, and a bend
    of the trend that a broad shape fills, are higher on one side only. Of planted flaws that were found 1 % stand out
    by less than 0.14 of their size on their lower side, of false alarms off the axis a third do.
    """
    x, center = np.log2(part.hz / 1000.0), float(np.log2(peak.center_hz / 1000.0))
    level = part.level_db - part.low_edge_db(part.hz) - part.slope_db_per_octave * x
    for other in part.peaks:
        if other is not peak and other.size_db * peak.size_db > 0:
            level = level - peaking_db(
                x, float(np.log2(other.center_hz / 1000.0)), float(np.log(other.q)), other.size_db
            )
    width = half_size_octaves(peak.q)
    top = float(np.median(level[np.abs(x - center) <= max(_TOP_WIDTHS * width, 1.0 / POINTS_PER_OCTAVE)]))
    for sign in (-1.0, 1.0):
        away = sign * (x - center)
        beside = (away > _BESIDE_WIDTHS[0] * width) & (away < _BESIDE_WIDTHS[1] * width)
        if np.count_nonzero(beside) > 2 and (top - float(np.median(level[beside]))) / peak.size_db < _LEAST_SIDE:
            return False
    return True


def _assembled(
    x: FloatArray, level: FloatArray, trend: _Trend, params: FloatArray, filters: FloatArray
) -> Decomposition:
    p = np.concatenate([params, filters.ravel()])
    whole, slopes = _model(x, trend, p)
    smooth = _trend_with_slopes(x, trend, params)[0]
    u = _spreads(x, level - whole, slopes)
    peaks = tuple(
        Peak(
            center_hz=1000.0 * 2.0 ** float(center),
            q=float(np.exp(ln_q)),
            size_db=float(gain),
            u_ln_f=float(u[trend.size + 3 * i] * np.log(2.0)),
            u_ln_q=float(u[trend.size + 3 * i + 1]),
            u_db=float(u[trend.size + 3 * i + 2]),
        )
        for i, (center, ln_q, gain) in enumerate(filters)
        if _is_visible(x, level - smooth, filters, i)
    )
    at = 2 + trend.bend
    low = (1000.0 * 2.0 ** float(params[at]), float(np.exp(params[at + 1]))) if trend.low else (None, None)
    at += 2 * trend.low
    high = (1000.0 * 2.0 ** float(params[at]), float(np.exp(params[at + 1]))) if trend.high else (None, None)
    return Decomposition(
        1000.0 * np.exp2(x),
        level,
        trend_db=smooth,
        rest_db=level - whole,
        slope_db_per_octave=float(params[1]),
        u_slope=float(u[1]),
        low_corner_hz=low[0],
        high_corner_hz=high[0],
        low_order=low[1],
        high_order=high[1],
        peaks=peaks,
    )
