"""Before and after: what an equalizer does to every curve and figure, and what it costs."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from earwitness.figures.linearity import Line, deviations, slope
from earwitness.figures.rating import preference_rating
from earwitness.figures.read import BALANCE
from earwitness.figures.read import balance_figures as drawn_balance
from earwitness.figures.sampling import band_grid, covers
from earwitness.figures.sensitivity import SENSITIVITY_BAND_HZ, band_means
from earwitness.figures.uncertainty import exact
from earwitness.figures.windows import Levels, windows
from earwitness.files.data import worded
from earwitness.insight.findings.sentences import hertz
from earwitness.insight.mend.change import FigureChange, changes, drawn_curves
from earwitness.insight.mend.equalizer import DEFAULT_RATE_HZ, Equalizer, apply, gain_db
from earwitness.insight.mend.objective import Problem
from earwitness.insight.mend.yardsticks import roughness
from earwitness.quantities import Asked, Curve, Figure
from earwitness.quantities.arrays import Locked

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
    levels: Levels,
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
        found["in_room_slope"] = line.slope if isinstance(line, Line) else line
    if len(rows) == len(_RATED):
        four = [rows[key] for key in _RATED]
        for ideal in (False, True):
            rated = preference_rating(*four, ideal_subwoofer=ideal)
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
    return Headroom(-boost + 0.0, boost, at, factor, pink, words)


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
    return UnitSpread(spread_percent, untouched, here, worst, tolerated, words)


def shifted(curve: Curve, equalizer: Equalizer, sample_rate_hz: float = DEFAULT_RATE_HZ) -> Curve:
    """A single curve behind the equalizer."""
    return replace(curve, values=curve.values + gain_db(equalizer, curve.axis.hz, sample_rate_hz))
