"""What is judged of an equalizer: how even the curves are, and the predicted rating, for many gains at once.

On axis about its mean, for an rms about its own line hides a tilt; the others about their own straight lines. A guard
and a yardstick, never the objective.

How far units of a model lie from each other, for an equalizer that is to suit all of them. Features up to 3 % off in
frequency and 0.5 dB of level over two octaves are own choices, no source. Where the archive holds other units, their
spread (`variation`) counts beside these, which stand for four more units (scaled inverse chi-square prior, handbook):
two units say little, many nearly all.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from earwitness.figures.linearity import LINEARITY_BAND_HZ
from earwitness.figures.rating import IDEAL_SUBWOOFER_HZ, NARROW_BAND_HZ, narrow_band_deviations, rating_value
from earwitness.figures.sampling import band_grid, sampled, smoothed
from earwitness.insight.mend.views import ON, PER_OCTAVE, ROOM, WINDOW, Seen, scales_of
from earwitness.insight.variation import variation
from earwitness.quantities import Curve, FloatArray, Locked, log_axis

ON_AXIS_BAND_HZ = (100.0, 16_000.0)
MIDDLE_HZ = (200.0, 10_000.0)
EVEN_DB = 0.35
RATING_KEY = "rating"
ROWS = {"on_axis": ON, "listening_window": WINDOW, "in_room": ROOM}


def rms_about_line(x: FloatArray, rows: FloatArray) -> FloatArray:
    """(N,) rms of rows (N, F) about each one's least-squares line on x (F,) [dB]."""
    x = x - x.mean()
    away = rows - rows.mean(axis=-1, keepdims=True)
    away = away - (away @ x / (x @ x))[..., None] * x
    return np.asarray(np.sqrt((away**2).mean(axis=-1)), dtype=float)


def evenness_db(seen: Seen) -> float:
    """Rms on axis about its mean, 200 Hz to 10 kHz, smoothed over about a tenth of an octave [dB]."""
    smooth = scales_of(seen.hz.size).shared @ seen.curve_db[ON]
    rows: FloatArray = smooth[(seen.hz >= MIDDLE_HZ[0]) & (seen.hz <= MIDDLE_HZ[1])]
    return float(rows.std()) if rows.size else float("inf")


def roughness(curve: Curve) -> tuple[float, float] | None:
    """Rms about the own straight line, 100 Hz to 10 kHz after 1/12 octave smoothing, and its uncertainty [dB]."""
    hz = band_grid(*LINEARITY_BAND_HZ)
    values, u, _, valid = sampled(smoothed(curve, 12), hz)
    if not valid.all():
        return None
    x = np.log2(hz) - np.log2(hz).mean()
    away = values - values.mean()
    away = away - x * (x @ away) / (x @ x)
    rms = math.sqrt(float((away**2).mean()))
    # Errors taken as independent a third of an octave apart, as for slopes.
    spread = math.sqrt(float((away**2 * u**2).sum()) * 20 / 3) / (hz.size * max(rms, 1e-9))
    return rms, spread


def yardsticks(seen: Seen, gain_db: FloatArray) -> dict[str, FloatArray]:
    """(N,) by key for gains (N, F): rms of on_axis, listening_window, in_room [dB], and rating with an ideal subwoofer.

    What the data do not cover is left out.
    """
    gain = np.atleast_2d(gain_db)
    x, found = seen.octaves, dict[str, FloatArray]()
    for key, row in ROWS.items():
        low, high = ON_AXIS_BAND_HZ if row == ON else LINEARITY_BAND_HZ
        use = (seen.hz >= low) & (seen.hz <= high)
        if not _covers(seen, row, low, high):
            continue
        rows = seen.curve_db[row, use] + gain[:, use]
        found[key] = rows.std(axis=1) if row == ON else rms_about_line(x[use], rows)
    if _covers(seen, ON, 100.0, 12_000.0) and _covers(seen, ROOM, *ON_AXIS_BAND_HZ):
        found[RATING_KEY] = _rating(seen, gain)
    return found


def _covers(seen: Seen, row: int, low_hz: float, high_hz: float) -> bool:
    use = (seen.hz >= low_hz) & (seen.hz <= high_hz)
    step = 2.0 ** (1 / 24)
    return bool(
        use.any() and seen.known[row, use].all() and seen.hz[0] <= low_hz * step and seen.hz[-1] * step >= high_hz
    )


def _rating(seen: Seen, gain: FloatArray) -> FloatArray:
    at = np.log2(band_grid(*NARROW_BAND_HZ) / 1000.0)
    use = (seen.hz >= ON_AXIS_BAND_HZ[0]) & (seen.hz <= ON_AXIS_BAND_HZ[1])
    room = seen.curve_db[ROOM, use] + gain[:, use]
    variance = ((room - room.mean(axis=1, keepdims=True)) ** 2).mean(axis=1)
    straight = 1 - rms_about_line(seen.octaves[use], room) ** 2 / np.maximum(variance, 1e-9)
    on, in_room = (narrow_band_deviation(seen.octaves, seen.curve_db[row] + gain, at) for row in (ON, ROOM))
    return rating_value(on, in_room, IDEAL_SUBWOOFER_HZ, straight)


def narrow_band_deviation(x: FloatArray, rows: FloatArray, at: FloatArray) -> FloatArray:
    """(N,) mean over half-octave bands of the mean absolute deviation from the band's mean."""
    right = np.clip(np.searchsorted(x, at), 1, x.size - 1)
    part = (at - x[right - 1]) / (x[right] - x[right - 1])
    values = rows[:, right - 1] * (1 - part) + rows[:, right] * part
    return narrow_band_deviations(values)


def worse(before: Mapping[str, FloatArray], after: Mapping[str, FloatArray]) -> FloatArray:
    """(N,) bool: on axis over 0.005 dB, in the room over 0.02 dB rougher, or the rating lower: over 0.005 as measured,
    which is the first row, and over 0.02 else."""
    found = np.zeros(next(iter(after.values())).shape, dtype=bool) if after else np.zeros(1, dtype=bool)
    for key, most in (("on_axis", 0.005), ("in_room", 0.02)):
        if key in after:
            found |= after[key] - before[key] > most
    if RATING_KEY in after:
        lost = before[RATING_KEY] - after[RATING_KEY]
        found |= lost > np.where(np.arange(lost.size) == 0, 0.005, 0.02)
    return found


def taken_share(before: Mapping[str, FloatArray], after: Mapping[str, FloatArray]) -> float:
    """Share of the unevenness, in squares over axis, window and room, that is gone; 0 at least, 0 where nothing is."""
    keys = [key for key in ROWS if key in after]
    whole = sum(float(before[key][0]) ** 2 for key in keys)
    left = sum(float(after[key][0]) ** 2 for key in keys)
    return max(0.0, 1 - left / whole) if whole > 0 else 0.0


PRIOR_UNITS = 4.0
_BAND_HZ = (100.0, 10_000.0)


@dataclass(frozen=True, slots=True, eq=False)
class Units(Locked):
    """percent, level_db : half widths of what features differ in frequency, and levels over two octaves

    count : of units measured, 1 where none but the one at hand; hz, mean_db : (G,) mean over them less the one at hand
    """

    count: int = 1
    percent: float = 3.0
    level_db: float = 0.5
    hz: FloatArray = field(default_factory=lambda: np.ones(1))
    mean_db: FloatArray = field(default_factory=lambda: np.zeros(1))

    def beyond_this_db(self, hz: FloatArray) -> FloatArray:
        """(F,) what the mean of the units is above the one at hand."""
        return np.asarray(np.interp(np.log(hz), np.log(self.hz), self.mean_db), dtype=float)


UNKNOWN: Final = Units()


def units_of(shown: Curve | None, groups: Sequence[Sequence[Curve | None]]) -> Units:
    """Spread over units. shown : on axis, of the unit at hand; groups : the same of every unit, one for each session.

    Without two units, or where they are not valid from 100 Hz to 10 kHz, the own choices alone.
    """
    hz = log_axis(*_BAND_HZ, PER_OCTAVE).hz
    every = [[sampled(one, hz) for one in group if one is not None] for group in groups]
    if shown is None or len(every) < 2 or not all(group and all(row[3].all() for row in group) for group in every):
        return UNKNOWN
    rows = [np.array([values - values.mean() for values, *_ in group]) for group in every]
    trend, mean = scales_of(hz.size).trend, np.mean([group.mean(axis=0) for group in rows], axis=0)
    slope = np.gradient(mean - trend @ mean) * PER_OCTAVE
    broad = [(group - mean) @ trend.T for group in rows]
    fine = [group - mean - part for group, part in zip(rows, broad, strict=True)]
    moved = [-part @ slope / (slope @ slope) for part in fine]
    # What is left of the detail after the best move says how well a move is told, neighbors a tenth of an octave apart.
    rest = np.concatenate([part + np.outer(by, slope) for part, by in zip(fine, moved, strict=True)])
    noise = float(np.mean(rest**2)) * 0.1 * PER_OCTAVE / float(slope @ slope)
    levels = [_variance([group[:, at] for group in broad]) for at in range(0, hz.size, PER_OCTAVE)]
    # The level is free, so what hangs together over two octaves has lost its mean (`smooth_errors`: exp(-d^2 / 8)).
    kept = 1.0 - float(np.exp(-(np.subtract.outer(np.log2(hz), np.log2(hz)) ** 2) / 8).mean())
    to_percent = (100.0 * np.log(2)) ** 2
    percent = _half_width(UNKNOWN.percent, to_percent * _variance(moved), len(rows), to_percent * noise)
    level_db = _half_width(UNKNOWN.level_db, float(np.mean(levels)) / kept, len(rows), 0.0)
    # Another unit lies about a mean that is itself known to the spread over the root of their number.
    level_db *= float(np.sqrt(1 + 1 / len(rows)))
    own = sampled(shown, hz)[0]
    return Units(len(rows), percent, level_db, hz, trend @ (mean - own + own.mean()))


def _variance(groups: Sequence[FloatArray]) -> float:
    """Of units, apart from repeats where there are any."""
    found = variation([group.tolist() for group in groups])
    return 0.0 if found is None else found.unit_sd**2


def _half_width(usual: float, variance: float, count: int, noise: float) -> float:
    """Of a rectangle of the variance that both give together; what may be noise of what was found does not count."""
    units = (count - 1) * max(0.0, 1.0 - noise / max(variance, 1e-12))
    return float(np.sqrt((PRIOR_UNITS * usual**2 + units * 3.0 * variance) / (PRIOR_UNITS + units)))
