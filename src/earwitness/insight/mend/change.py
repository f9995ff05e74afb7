"""What an equalizer changes in each figure, with the uncertainty of the change, and whether that is better.

An equalizer's own gain is exact; what is uncertain is the curve it meets, and that error is the same before and after.
So both are worked out on the same drawn curves, and the spread of their difference counts. Errors of one curve hang
together over a third of an octave, those that all curves share over an octave (own choices). Source of the rule that a
change counts beyond twice its standard uncertainty: JCGM 100:2008, coverage factor 2, from memory.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from earwitness.figures.linearity import LINEARITY_BAND_HZ
from earwitness.figures.rating import IDEAL_SUBWOOFER_HZ, NARROW_BAND_HZ, STRAIGHTNESS_BAND_HZ, rating_value
from earwitness.figures.sampling import band_grid, sampled
from earwitness.figures.sensitivity import SENSITIVITY_BAND_HZ
from earwitness.insight.mend.equalizer import DEFAULT_RATE_HZ, Equalizer, gain_db
from earwitness.insight.mend.views import PER_OCTAVE, smooth_errors
from earwitness.insight.mend.yardsticks import narrow_band_deviation, rms_about_line
from earwitness.quantities import Curve, Figure
from earwitness.quantities.arrays import FloatArray

Sense = Literal["better", "worse", "no certain change", "changed"]
SENSES: Mapping[str, int] = {
    "linearity_above": -1,
    "linearity_below": 1,
    "linearity_half_range": -1,
    "preference_rating": 1,
    "preference_rating_with_subwoofer": 1,
    "unevenness": -1,
}
"""Which way a figure gets better; one that is not named has no better or worse."""
DRAWS = 24
ROUGHNESS = "unevenness_"
_GRID_HZ = band_grid(*STRAIGHTNESS_BAND_HZ)
_X = np.log2(_GRID_HZ / 1000.0)


@dataclass(frozen=True, slots=True)
class FigureChange:
    """before, after : in `unit`; change : after less before; u : its standard uncertainty; sense : for better or worse.

    key : of the registry, or "unevenness_" and the curve's
    """

    key: str
    before: float
    after: float
    change: float
    u: float
    unit: str
    sense: Sense


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """Curves on 20 points an octave, 100 Hz to 16 kHz, drawn 24 times.

    level_db : (C, N, F); before : (N,) figures of the draws before any equalizer, by key
    """

    keys: tuple[str, ...]
    level_db: FloatArray
    before: Mapping[str, FloatArray]
    sample_rate_hz: float


def drawn_curves(curves: Mapping[str, Curve], sample_rate_hz: float = DEFAULT_RATE_HZ) -> Drawn:
    """Draws of the curves that cover 100 Hz to 10 kHz, always the same ones."""
    random = np.random.default_rng(41)
    points = round(_X[-1] * PER_OCTAVE - _X[0] * PER_OCTAVE) + 1
    fine = np.linspace(_X[0], _X[-1], points)

    def errors(octaves: float) -> FloatArray:
        rows = smooth_errors(random, points, octaves, DRAWS)
        return np.stack([np.interp(_X, fine, row) for row in rows])

    shared = errors(1.0)
    keys, levels = [], []
    judged = (LINEARITY_BAND_HZ[0] <= _GRID_HZ) & (LINEARITY_BAND_HZ[1] >= _GRID_HZ)
    for key, curve in curves.items():
        values, u, common, valid = sampled(curve, _GRID_HZ)
        own = errors(1 / 3)
        if valid[judged].all():
            keys.append(key)
            levels.append(values + u * own + common * shared)
    level = np.stack(levels) if levels else np.zeros((0, DRAWS, _GRID_HZ.size))
    return Drawn(tuple(keys), level, _figures(tuple(keys), level), sample_rate_hz)


def _figures(keys: tuple[str, ...], level_db: FloatArray) -> dict[str, FloatArray]:
    """(N,) by key."""
    found: dict[str, FloatArray] = {}
    judged = (LINEARITY_BAND_HZ[0] <= _GRID_HZ) & (LINEARITY_BAND_HZ[1] >= _GRID_HZ)
    for key, rows in zip(keys, level_db, strict=True):
        found[ROUGHNESS + key] = rms_about_line(_X[judged], rows[:, judged])
        if key == "on_axis":
            middle = (SENSITIVITY_BAND_HZ[0] <= _GRID_HZ) & (SENSITIVITY_BAND_HZ[1] >= _GRID_HZ)
            away = rows[:, judged] - rows[:, middle].mean(axis=1, keepdims=True)
            top, bottom = away.max(axis=1), away.min(axis=1)
            found |= {"linearity_above": top, "linearity_below": bottom, "linearity_half_range": (top - bottom) / 2}
    if "on_axis" in keys and "in_room" in keys:
        on, room = level_db[keys.index("on_axis")], level_db[keys.index("in_room")]
        at = np.log2(band_grid(*NARROW_BAND_HZ) / 1000.0)
        variance = room.var(axis=1)
        straight = 1 - rms_about_line(_X, room) ** 2 / np.maximum(variance, 1e-12)
        narrow_on, narrow_room = narrow_band_deviation(_X, on, at), narrow_band_deviation(_X, room, at)
        rating = rating_value(narrow_on, narrow_room, IDEAL_SUBWOOFER_HZ, straight)
        # An equalizer of small gains hardly moves the bass limit, whose error both sides share.
        found |= {"preference_rating": rating, "preference_rating_with_subwoofer": rating}
    return found


def uncertainties(drawn: Drawn, equalizer: Equalizer) -> dict[str, float]:
    """Standard uncertainty of the change of each figure, by key; 0 for those that move by the equalizer alone."""
    gain = gain_db(equalizer, _GRID_HZ, drawn.sample_rate_hz)
    after = _figures(drawn.keys, drawn.level_db + gain)
    found = {key: float((rows - drawn.before[key]).std()) for key, rows in after.items()}
    # What moves by the equalizer alone has no uncertainty, but for rounding.
    return {key: u if u > 1e-9 else 0.0 for key, u in found.items()}


def changes(
    drawn: Drawn,
    equalizer: Equalizer,
    figures: tuple[Mapping[str, Figure], Mapping[str, Figure]],
    roughness_db: Mapping[str, tuple[float, float]],
) -> tuple[FigureChange, ...]:
    """Every figure that is judged before and after, then the unevenness of the curves. figures : before and after.

    The highest peak or deepest dip is better only where the whole spread is not worse.
    """
    u = uncertainties(drawn, equalizer)
    found = []
    for key, one in figures[0].items():
        other = figures[1].get(key)
        if one.value is not None and other is not None and other.value is not None:
            found.append(_change(key, one.value, other.value, u.get(key, 0.0), one.unit))
    if any(one.key == "linearity_half_range" and one.sense == "worse" for one in found):
        # One extreme less far out is nothing gained where the whole goes farther apart: a boost beside a dip fills it.
        found = [replace(one, sense="changed") if _is_extreme(one) else one for one in found]
    for key, (before, after) in roughness_db.items():
        found.append(_change(ROUGHNESS + key, before, after, u.get(ROUGHNESS + key, 0.0), "dB"))
    return tuple(found)


def _is_extreme(one: FigureChange) -> bool:
    return one.key in ("linearity_above", "linearity_below") and one.sense == "better"


def _change(key: str, before: float, after: float, u: float, unit: str) -> FigureChange:
    change = after - before
    way = SENSES.get("unevenness" if key.startswith(ROUGHNESS) else key, 0)
    # What does not show in the last printed digit is no change to speak of.
    if abs(change) <= max(2 * u, 0.005):
        sense: Sense = "no certain change"
    elif way == 0:
        sense = "changed"
    else:
        sense = "better" if change * way > 0 else "worse"
    return FigureChange(key, before, after, change, u, unit, sense)
