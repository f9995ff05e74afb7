"""What an equalizer can mend: only what all directions have in common.

E = m^2 / (m^2 + s^2), m mean and s standard deviation over directions of the deviation from each direction's own
trend. From 0.8 on a deviation is mended, from 0.5 at half strength, below it is left alone (thresholds of this
program, common practice, no source). Judged on two scales: narrow, what stands out from a one-octave trend; broad,
what that trend departs from its own straight line. An equalizer is of minimum phase: where the excess phase on the
axis bends, a narrow deviation is left alone (physics; the limit of 20 degrees is this program's).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from earwitness.dsp.smoothing import smooth_power
from earwitness.errors import InputError
from earwitness.figures.bandwidth import lower_limit
from earwitness.figures.sensitivity import mean_level_db
from earwitness.figures.windows import Levels, window_weights
from earwitness.quantities import Curve, from_orbit
from earwitness.quantities.arrays import BoolArray, FloatArray, lock_fields
from earwitness.standards import cta2034

FULL_FROM, HALF_FROM = 0.8, 0.5
TREND_FRACTION = 1.0
DETAIL_FRACTION = 24.0
BASS_DROP_DB = 6.0
MINIMUM_PHASE_DEG = 20.0
_LOCAL_OCTAVES = 1 / 3
_DIP_DB = 0.7
_REFLECTIONS = ("floor", "ceiling", "front_wall", "side_wall", "rear_wall")


@dataclass(frozen=True, slots=True, eq=False)
class Equalizability:
    """(F,) on hz: how far a deviation may be mended, by scale, and where no boost is allowed.

    narrow, broad : E from 0 to 1, narrow 0 where the phase is not minimum; narrow_mean_db : common narrow deviation
    no_boost : an interference dip, or below the useful bass; useful_bass_hz : where the window has fallen 6 dB, or the
    lowest frequency of the data when it does not fall so far there (rolls_off False)
    sentence : what it rests on
    """

    hz: FloatArray
    narrow: FloatArray
    broad: FloatArray
    narrow_mean_db: FloatArray
    no_boost: BoolArray
    useful_bass_hz: float
    rolls_off: bool
    sentence: str

    def __post_init__(self) -> None:
        lock_fields(self, hz=float, narrow=float, broad=float, narrow_mean_db=float, no_boost=bool)


def index(mean_db: npt.ArrayLike, spread_db: npt.ArrayLike) -> FloatArray:
    """m^2 / (m^2 + s^2); 1 where both are 0, for then nothing speaks against."""
    m2, s2 = np.asarray(mean_db, dtype=float) ** 2, np.asarray(spread_db, dtype=float) ** 2
    total = m2 + s2
    return np.asarray(np.where(total > 0, m2 / np.where(total > 0, total, 1.0), 1.0), dtype=float)


def strength(equalizability: npt.ArrayLike) -> FloatArray:
    """Share of a deviation that is mended: 1 from E = 0.8, a half from 0.5, else 0."""
    e = np.asarray(equalizability, dtype=float)
    return np.where(e >= FULL_FROM, 1.0, np.where(e >= HALF_FROM, 0.5, 0.0))


def phase_bend_deg(hz: FloatArray, excess_phase_rad: FloatArray) -> FloatArray:
    """(F,) largest departure of the excess phase (F,) [rad, unwrapped] from a constant and a delay [degrees].

    Least squares over every third of an octave; each frequency gets the largest of all that hold it. Zeros where hz,
    log-spaced, spans less than that.
    """
    step = float(np.log2(hz[1] / hz[0]))
    reach = max(2, round(_LOCAL_OCTAVES / 2 / step))
    if hz.size < 2 * reach + 1:
        return np.zeros(hz.size)
    # A delay's phase goes with frequency, so on a log grid one projection serves every window.
    columns = np.stack([np.ones(2 * reach + 1), 2.0 ** (step * np.arange(-reach, reach + 1))], axis=-1)
    rest = np.eye(2 * reach + 1) - columns @ np.linalg.pinv(columns)
    windows = np.lib.stride_tricks.sliding_window_view(excess_phase_rad, 2 * reach + 1)
    worst = np.pad(np.rad2deg(np.abs(windows @ rest).max(axis=1)), 2 * reach)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(worst, 2 * reach + 1).max(axis=1), dtype=float)


def judged(
    levels: Levels,
    hz: FloatArray,
    window: Curve,
    *,
    window_weights_of: FloatArray | None = None,
    excess_phase_rad: FloatArray | None = None,
) -> Equalizability:
    """Equalizability on log-spaced frequencies hz (F,) inside the valid part of `window`.

    levels : both orbits of ANSI/CTA-2034-A or as much of them as there is; window : the curve whose bass limit
    counts; window_weights_of : (D,) weights of the directions that make the window, by default those of the standard's
    listening window, or of the measured part of it. Half the weight is on the window's directions, half on those
    of the early reflections by their energy; without the latter all is on the window. excess_phase_rad : on axis, on
    the levels' frequencies, where the phase is known. InputError when fewer than three directions lie in the window.
    """
    groups = _groups(levels, window_weights_of)
    if np.count_nonzero(groups[0]) < 3:
        raise InputError(
            "fewer than three directions near the axis were measured",
            expected="the directions of the listening window",
            remedy="without them nothing tells the source from interference; measure at least ±10° and ±20°",
        )
    used = np.flatnonzero(sum(groups) > 0)
    power = 10 ** (levels.level_db[used] / 10)
    # What lies that deep is no sound any more, and the smoothing's running sums would lose it.
    power = np.maximum(power, 1e-12 * power.max())
    fine = smooth_power(power, levels.axis.hz, hz, DETAIL_FRACTION)
    trend = 10 * np.log10(smooth_power(power, levels.axis.hz, hz, TREND_FRACTION))
    detail = 10 * np.log10(fine) - trend
    shape = trend - _lines(trend, hz)
    nearest = np.abs(levels.axis.hz[:, None] - hz).argmin(axis=0)
    # A trace of weight stays where nothing is trusted, so that the shares can be formed.
    trusted = np.where(levels.valid[used][:, nearest], 1.0, 1e-6)
    shares = [group[used, None] * trusted * (fine if i else np.ones_like(fine)) for i, group in enumerate(groups)]
    shares = [share / share.sum(axis=0) for share in shares]
    narrow, mean = _both(detail, shares, hz, 1.0)
    broad, _ = _both(shape, shares, hz, 3.0)
    bass, rolls_off = _useful_bass_hz(window)
    if excess_phase_rad is not None:
        phase = np.interp(np.log2(hz), np.log2(levels.axis.hz), excess_phase_rad)
        narrow = np.where(phase_bend_deg(hz, phase) > MINIMUM_PHASE_DEG, 0.0, narrow)
    local = _widened((mean < -_DIP_DB) & (narrow < HALF_FROM), hz)
    wide = " and the early reflections" if len(groups) > 1 else " alone"
    words = f"judged over {np.count_nonzero(groups[0])} directions of the listening window{wide}"
    return Equalizability(hz, narrow, broad, mean, local | (hz < bass), bass, rolls_off, words)


def _groups(levels: Levels, window_weights_of: FloatArray | None) -> list[FloatArray]:
    """(D,) weights of the window, and of the early reflections if any of them can be had."""
    parts = window_weights(levels.directions)
    if window_weights_of is None:
        whole = parts["listening_window"]
        window_weights_of = _measured_window(levels) if isinstance(whole, str) else whole
    reflections = [part for part in (parts[key] for key in _REFLECTIONS) if not isinstance(part, str)]
    return [window_weights_of] + ([sum(reflections, np.zeros(len(levels.directions)))] if reflections else [])


def _measured_window(levels: Levels) -> FloatArray:
    """(D,) 1 where a direction is one of the listening window's."""
    vectors = levels.directions.unit_vectors()
    weights = np.zeros(len(levels.directions))
    for orbit, angle in cta2034.positions("listening_window"):
        toward = from_orbit("horizontal" if orbit == "horizontal" else "vertical", angle).unit_vectors()[0]
        weights[vectors @ toward > np.cos(np.deg2rad(0.01))] = 1.0
    return weights


def _lines(trend: FloatArray, hz: FloatArray) -> FloatArray:
    """Each row's least-squares line on log frequency."""
    x = np.log2(hz) - np.log2(hz).mean()
    mean = trend.mean(axis=1, keepdims=True)
    return np.asarray(mean + ((trend - mean) @ x / (x @ x))[:, None] * x, dtype=float)


def _both(rows: FloatArray, shares: list[FloatArray], hz: FloatArray, widening: float) -> tuple[FloatArray, FloatArray]:
    """The smaller E of the window and of window and reflections together, and the window's mean. rows : (K, F)."""
    spans = _LOCAL_OCTAVES * widening
    window = shares[0]
    mean = (window * rows).sum(axis=0)
    found = _local_index(rows, window, mean, hz, spans)
    if len(shares) > 1:
        pooled = np.mean(shares, axis=0)
        found = np.minimum(found, _local_index(rows, pooled, (pooled * rows).sum(axis=0), hz, spans))
    return found, mean


def _local_index(rows: FloatArray, share: FloatArray, mean: FloatArray, hz: FloatArray, octaves: float) -> FloatArray:
    """E of mean squares about each frequency, so that a zero of the mean between two deviations is no gap."""
    squares = np.stack([mean**2, (share * (rows - mean) ** 2).sum(axis=0)])
    near = _moving_mean(squares, hz, octaves)
    return index(np.sqrt(near[0]), np.sqrt(near[1]))


def _moving_mean(rows: FloatArray, hz: FloatArray, octaves: float) -> FloatArray:
    """Mean of each row over a span of log frequency, cut at the ends. hz : log-spaced."""
    half = max(1, round(octaves / 2 / float(np.log2(hz[1] / hz[0]))))
    total = np.concatenate([np.zeros((len(rows), 1)), np.cumsum(rows, axis=1)], axis=1)
    place = np.arange(hz.size)
    low, high = np.maximum(place - half, 0), np.minimum(place + half + 1, hz.size)
    # Differences of a running sum may fall a hair below 0.
    return np.asarray(np.maximum((total[:, high] - total[:, low]) / (high - low), 0.0), dtype=float)


def _widened(mask: BoolArray, hz: FloatArray) -> BoolArray:
    """The mask and 1/12 octave on both sides of it."""
    reach = max(1, round(1 / 12 / float(np.log2(hz[1] / hz[0]))))
    return np.asarray(np.convolve(mask.astype(float), np.ones(2 * reach + 1), mode="same") > 0.5, dtype=bool)


def _useful_bass_hz(window: Curve) -> tuple[float, bool]:
    """Where the window has fallen 6 dB below its mean from 300 Hz to 3 kHz, else the lowest valid frequency."""
    band = window.valid_band_hz()
    lowest = band[0] if band else float(window.axis.hz[0])
    mean = mean_level_db(window)
    if mean is None:
        return lowest, False
    found = lower_limit(window, mean, BASS_DROP_DB, key="useful_bass")
    return (lowest, False) if found.value is None else (found.value, not found.bound)
