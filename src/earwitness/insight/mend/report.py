"""Before and after: what an equalizer does to every curve and figure, and what it costs.

What an equalizer changes in each figure, with the uncertainty of the change, and whether that is better. An equalizer's
own gain is exact; what is uncertain is the curve it meets, and that error is the same before and after. So both are
worked out on the same drawn curves, and the spread of their difference counts. Errors of one curve hang together over a
third of an octave, those that all curves share over an octave (own choices). Source of the rule that a change counts
beyond twice its standard uncertainty: JCGM 100:2008, coverage factor 2, from memory.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from earwitness.figures import rating as preference
from earwitness.figures.linearity import LINEARITY_BAND_HZ, FittedLine, deviations, slope
from earwitness.figures.read import BALANCE
from earwitness.figures.read import balance_figures as drawn_balance
from earwitness.figures.sampling import band_grid, covers, sampled
from earwitness.figures.sensitivity import SENSITIVITY_BAND_HZ, band_means
from earwitness.figures.uncertainty import exact
from earwitness.figures.windows import DirectionalLevels, windows
from earwitness.files.data import worded
from earwitness.insight.findings.sentences import hertz
from earwitness.insight.mend.equalizer import DEFAULT_RATE_HZ, Equalizer, apply, gain_db
from earwitness.insight.mend.objective import Problem
from earwitness.insight.mend.views import PER_OCTAVE, smooth_errors
from earwitness.insight.mend.yardsticks import narrow_band_deviation, rms_about_line, roughness
from earwitness.quantities import Asked, Curve, Figure, FloatArray, Locked

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
_GRID_HZ = band_grid(*preference.STRAIGHTNESS_BAND_HZ)
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
        at = np.log2(band_grid(*preference.NARROW_BAND_HZ) / 1000.0)
        variance = room.var(axis=1)
        straight = 1 - rms_about_line(_X, room) ** 2 / np.maximum(variance, 1e-12)
        narrow_on, narrow_room = narrow_band_deviation(_X, on, at), narrow_band_deviation(_X, room, at)
        rating = preference.rating_value(narrow_on, narrow_room, preference.IDEAL_SUBWOOFER_HZ, straight)
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
        ends = ("linearity_above", "linearity_below")
        found = [replace(one, sense="changed") if one.key in ends and one.sense == "better" else one for one in found]
    for key, (before, after) in roughness_db.items():
        found.append(_change(ROUGHNESS + key, before, after, u.get(ROUGHNESS + key, 0.0), "dB"))
    return tuple(found)


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
    return FigureChange(key=key, before=before, after=after, change=change, u=u, unit=unit, sense=sense)


CHECKED = ("on_axis", "listening_window", "early_reflections", "sound_power", "in_room")
WORSE_DB = 0.3
_WIDEST_SHIFT_PERCENT = 30
_RATED = ("on_axis", "in_room", "sound_power", "listening_window")
_HEARD_HZ = (20.0, 20_000.0)


@dataclass(frozen=True, slots=True)
class Headroom:
    """What an equalizer costs.

    preamp_db : gain in front, so that no frequency gets more than before; boost_db at boost_hz : its largest gain
    power_factor : amplifier power at boost_hz for the same level elsewhere, 10^(g / 10); pink_power_factor : for pink
    noise, by the input power into a load that is alike at all frequencies
    """

    preamp_db: float
    boost_db: float
    boost_hz: float | None
    power_factor: float
    pink_power_factor: float
    sentence: str


@dataclass(frozen=True, slots=True)
class UnitSpread:
    """How far the mend holds for another unit whose features lie up or down in frequency.

    left_db : rms of the mendable deviation left for this unit; worst_db : for a shift of spread_percent either way
    untouched_db : without equalizer; tolerated_percent : largest shift that still leaves less than without, None when
    even 30 % does
    """

    spread_percent: float
    untouched_db: float
    left_db: float
    worst_db: float
    tolerated_percent: float | None
    sentence: str


@dataclass(frozen=True, slots=True, eq=False)
class Mended(Locked):
    """Curves and figures by key before and after; roughness : rms about its own line by curve, (before, after) [dB];
    changes : of every figure."""

    equalizer: Equalizer
    sample_rate_hz: float
    before: Mapping[str, Curve]
    after: Mapping[str, Curve]
    figures_before: Mapping[str, Figure]
    figures_after: Mapping[str, Figure]
    roughness_db: Mapping[str, tuple[float, float]]
    changes: tuple[FigureChange, ...]
    headroom: Headroom
    spread: UnitSpread | None
    warnings: tuple[str, ...]


def mended(
    levels: DirectionalLevels,
    equalizer: Equalizer,
    *,
    sample_rate_hz: float = DEFAULT_RATE_HZ,
    before: Mapping[str, Curve] | None = None,
    figures: Mapping[str, Figure] | None = None,
    problem: Problem | None = None,
) -> Mended:
    """All curves anew from the levels behind the equalizer, with figures, cost and warnings.

    before, figures : of `levels` if they are at hand; problem : what the equalizer was designed for, for the spread
    between units. The curves' levels hold without the preamp.
    """
    found = windows(levels) if before is None or figures is None else None
    old = found.curves if before is None and found is not None else dict(before or {})
    told = drawn_balance(levels, found) if found is not None and figures is None else dict(figures or {})
    told = {key: told[key] for key in BALANCE if key in told}
    new = windows(apply(levels, equalizer, sample_rate_hz)).curves
    checked = [key for key in CHECKED if key in old and key in new]
    rough = {key: (roughness(old[key]), roughness(new[key])) for key in checked}
    known = {key: (a[0], b[0]) for key, (a, b) in rough.items() if a is not None and b is not None}
    worse = [
        f"rougher by {b - a:.1f} dB rms than without it: {old[key].name}"
        for key, (a, b) in known.items()
        if b - a > WORSE_DB
    ]
    spread = None if problem is None else unit_spread(problem, equalizer)
    cost = headroom(equalizer, sample_rate_hz)
    pair = told, balance_figures(new, told)
    drawn = drawn_curves({key: old[key] for key in checked}, sample_rate_hz)
    return Mended(
        equalizer,
        sample_rate_hz,
        old,
        new,
        *pair,
        known,
        changes(drawn, equalizer, pair, known),
        cost,
        spread,
        tuple(worse),
    )


def balance_figures(curves: Mapping[str, Curve], before: Mapping[str, Figure]) -> dict[str, Figure]:
    """Linearity, in-room slope and ratings of curves behind an equalizer, by the registry's keys.

    before : the same figures without it. An equalizer moves a curve and all that it could have been by the same
    gain, so a figure keeps the uncertainty that it had.
    """
    rows = {key: exact(curve) for key, curve in curves.items() if key in _RATED}
    found: dict[str, Figure] = {}
    if "on_axis" in rows and covers(rows["on_axis"].curve, band_grid(*SENSITIVITY_BAND_HZ)):
        found.update(deviations(rows["on_axis"], band_means(rows["on_axis"])))
    if "in_room" in rows:
        line = slope(rows["in_room"], key="in_room_slope")
        found["in_room_slope"] = line.slope if isinstance(line, FittedLine) else line
    if len(rows) == len(_RATED):
        four = [rows[key] for key in _RATED]
        for ideal in (False, True):
            rated = preference.preference_rating(*four, ideal_subwoofer=ideal)
            found[rated.key] = rated
    return {key: _with_its_spread(figure, before.get(key)) for key, figure in found.items()}


def _with_its_spread(figure: Figure, before: Figure | None) -> Figure:
    if figure.value is None or before is None:
        return figure
    if before.value is None:
        return Asked(figure.key, figure.unit, figure.method, figure.band_hz).refused(before.reason)
    shift = figure.value - before.value
    interval = None if before.interval is None else (before.interval[0] + shift, before.interval[1] + shift)
    return replace(figure, u=before.u, interval=interval, shared=before.shared)


def headroom(equalizer: Equalizer, sample_rate_hz: float = DEFAULT_RATE_HZ) -> Headroom:
    """Preamp gain and power from the dense digital response, for filters overlap."""
    top = min(_HEARD_HZ[1], 0.4999 * sample_rate_hz)
    hz = np.geomspace(_HEARD_HZ[0], top, 2400)
    gain = gain_db(equalizer, hz, sample_rate_hz)
    place = int(np.argmax(gain))
    boost = max(0.0, float(gain[place]))
    at = float(hz[place]) if boost > 0 else None
    pink = float((10 ** (gain / 10)).mean())
    factor = 10 ** (boost / 10)
    if at is None:
        words = "no frequency is boosted: no headroom is lost"
    else:
        words = f"{boost:.1f} dB of headroom are lost: at {hertz(at)} the amplifier gives {factor:.2f} times the power"
    return Headroom(-boost + 0.0, boost, boost_hz=at, power_factor=factor, pink_power_factor=pink, sentence=words)


def unit_spread(problem: Problem, equalizer: Equalizer) -> UnitSpread:
    """The same equalizer on units whose features lie higher or lower in frequency, as far as the problem has it."""
    spread_percent = problem.units.percent
    gain = gain_db(equalizer, problem.hz, problem.sample_rate_hz)
    x, weight = np.log(problem.hz), problem.weight / problem.weight.sum()

    def left(percent: float, *, mend: bool = True) -> float:
        wanted = np.interp(x - math.log1p(percent / 100), x, problem.wanted_db)
        rest = (gain if mend else 0.0) - wanted
        return math.sqrt(float(weight @ (rest - weight @ rest) ** 2))

    untouched = left(0.0, mend=False)
    tolerated: float | None = None
    for percent in range(1, _WIDEST_SHIFT_PERCENT + 1):
        if max(left(percent), left(-percent)) >= untouched:
            tolerated = float(percent - 1)
            break
    here, worst = left(0.0), max(left(0.0), left(spread_percent), left(-spread_percent))
    until = f"even at {_WIDEST_SHIFT_PERCENT}" if tolerated is None else f"up to {tolerated:.0f}"
    count = problem.units.count
    words = (f"the design is for the mean of {count} units; " if count > 1 else "") + worded(
        "insight.unit_off", spread_percent=spread_percent, worst=worst, here=here, until=until
    )
    return UnitSpread(spread_percent, untouched, here, worst_db=worst, tolerated_percent=tolerated, sentence=words)


def shifted(curve: Curve, equalizer: Equalizer, sample_rate_hz: float = DEFAULT_RATE_HZ) -> Curve:
    """A single curve behind the equalizer."""
    return replace(curve, values=curve.values + gain_db(equalizer, curve.axis.hz, sample_rate_hz))
