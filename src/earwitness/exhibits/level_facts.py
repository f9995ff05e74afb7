"""What captions say about a curve: its mean, its largest deviations and where they are, its lowest frequency."""

from dataclasses import dataclass, replace
from math import ceil, floor

import numpy as np

from earwitness.exhibits.chart import ChartRegion, Mark, Panel, Role, Trace
from earwitness.exhibits.words import band_words, frequency_words, is_beyond, value_words
from earwitness.figures.linearity import LINEARITY_BAND_HZ, smoothed_draws
from earwitness.figures.sampling import band_grid, sampled
from earwitness.figures.sensitivity import band_levels_db
from earwitness.figures.uncertainty import drawn
from earwitness.quantities import Curve, FloatArray, Measurement, Reading, runs

Wanted = tuple[str, Role, str, bool]
SMOOTHING = 12
KEY_WORDS = (
    "Ribbon around a curve: 95 % uncertainty. Pale and dashed: outside the band that can be trusted. Hatched: nothing "
    "could be trusted. Numbers in circles: findings, the same everywhere."
)
"""What holds for every chart: said once, where charts are."""


@dataclass(frozen=True, slots=True)
class Extreme:
    """A largest deviation from the mean: where [Hz], how much, and its standard uncertainty [dB]."""

    at_hz: float
    value_db: float
    u_db: float


@dataclass(frozen=True, slots=True)
class LevelSpread:
    """Energy mean of a curve over a band [dB] and the largest rise and dip against it."""

    band_hz: tuple[float, float]
    mean_db: float
    rise: Extreme
    dip: Extreme


def spread_of(curve: Curve, band_hz: tuple[float, float] = LINEARITY_BAND_HZ) -> LevelSpread | None:
    """Mean and largest deviations in the widest part of `band_hz` where the curve is valid, 1/12 octave smoothing.

    None if less than an octave of the band is valid without a gap. Uncertainties by the curve's draws, as those of
    figures are: what is common to all frequencies cancels in a deviation.
    """
    band = valid_part(curve, band_hz)
    if band is None or band[1] < 2 * band[0]:
        return None
    hz = band_grid(*band)
    hz = hz[sampled(curve, hz)[3]]
    curves = drawn(curve)
    means = band_levels_db(curves.at(hz))
    away = smoothed_draws(curves, SMOOTHING).at(hz) - means[:, None]
    rise, dip = (
        Extreme(float(hz[k]), float(away[0, k]), float(np.std(away[1:, k], ddof=1)))
        for k in (int(away[0].argmax()), int(away[0].argmin()))
    )
    return LevelSpread(band, float(means[0]), rise, dip)


def direct_spread(reading: Reading) -> LevelSpread | None:
    """Spread of the on-axis response against the reading's own reference level and figures where it has them."""
    curve = reading.curves.get("on_axis")
    spread = spread_of(curve) if curve is not None else None
    if spread is None:
        return None
    figures = [reading.figures.get(key) for key in ("sensitivity", "linearity_above", "linearity_below")]
    level, above, below = (figure.value if figure is not None else None for figure in figures)
    if level is not None:
        shift = spread.mean_db - level
        spread = replace(
            spread,
            mean_db=level,
            rise=replace(spread.rise, value_db=spread.rise.value_db + shift),
            dip=replace(spread.dip, value_db=spread.dip.value_db + shift),
        )
    u_above, u_below = (figure.u if figure is not None else None for figure in figures[1:])
    rise = spread.rise if above is None or u_above is None else replace(spread.rise, value_db=above, u_db=u_above)
    dip = spread.dip if below is None or u_below is None else replace(spread.dip, value_db=below, u_db=u_below)
    return replace(spread, rise=rise, dip=dip)


def valid_part(curve: Curve, band_hz: tuple[float, float]) -> tuple[float, float] | None:
    """The widest part of `band_hz`, on a logarithmic scale, in which the curve is valid without a gap; or None."""
    hz = curve.axis.hz
    parts = [(max(float(hz[run][0]), band_hz[0]), min(float(hz[run][-1]), band_hz[1])) for run in runs(curve.valid)]
    return max((part for part in parts if part[0] < part[1]), key=lambda part: part[1] / part[0], default=None)


def deviation_words(spread: LevelSpread, level: str = "its mean level") -> str:
    """How far a curve strays from `level`, never beyond the uncertainty."""
    parts: list[str] = []
    for extreme, sign in ((spread.rise, 1), (spread.dip, -1)):
        if sign * extreme.value_db > 0 and is_beyond(extreme.value_db, extreme.u_db):
            amount = value_words(extreme.value_db, extreme.u_db, "dB", sign=True)
            parts.append(f"{amount} (at {frequency_words(extreme.at_hz)})")
    band = band_words(spread.band_hz)
    if not parts:
        u = max(spread.rise.u_db, spread.dip.u_db)
        return f"shows no deviation beyond the uncertainty, {value_words(0.0, u, 'dB')}, from {level}, {band}"
    return f"strays by up to {' and '.join(parts)} from {level}, {band}"


def level_span(curves: tuple[Curve, ...], *, span_db: float = 30.0, low_hz: float = 100.0) -> tuple[float, float]:
    """Lowest and highest level of a panel in steps of 5 dB: `span_db` in all, the loudest curve near the top."""
    tops = [
        float(curve.values[mask].max()) for curve in curves if (mask := curve.valid & (curve.axis.hz >= low_hz)).any()
    ]
    high = 5.0 * ceil((max(tops, default=0.0) + 2.0) / 5.0)
    return high - span_db, high


def level_panel(
    traces: tuple[Trace, ...],
    *,
    label: str = "Level",
    span: tuple[float, float] | None = None,
    regions: tuple[ChartRegion, ...] = (),
    marks: tuple[Mark, ...] = (),
) -> Panel:
    """Levels over frequency in steps of 5 dB. span : lowest and highest; left out, as the curves ask for."""
    low, high = span or level_span(tuple(trace.curve for trace in traces))
    return Panel(label, traces[0].curve.reference or "dB", low, high, 5.0, traces=traces, regions=regions, marks=marks)


def step_span(values: FloatArray, step: float, *, low: float, high: float) -> tuple[float, float]:
    """`low` and `high`, widened in steps until all `values` lie between."""
    if not values.size:
        return low, high
    return (min(low, step * floor(float(values.min()) / step)), max(high, step * ceil(float(values.max()) / step)))


def valid_values(curves: tuple[Curve, ...], low_hz: float = 20.0, high_hz: float = 20_000.0) -> FloatArray:
    """All values of the curves where they are valid, between two frequencies."""
    parts = [c.values[c.valid & (c.axis.hz >= low_hz) & (c.axis.hz <= high_hz)] for c in curves]
    return np.concatenate(parts) if parts else np.zeros(0)


def traces_of(reading: Reading, wanted: tuple[Wanted, ...]) -> tuple[Trace, ...]:
    """Traces of the wanted (curve key, role, label, ribbon) that the reading has, in that order."""
    return tuple(
        Trace(reading.curves[key], role, label, ribbon) for key, role, label, ribbon in wanted if key in reading.curves
    )


def splice_region(measurement: Measurement) -> tuple[ChartRegion, ...]:
    """The bracket where near field and far field were joined."""
    splice = measurement.splice
    return () if splice is None else (ChartRegion("splice", splice.low_hz, splice.high_hz, label="splice"),)


def trust_words(measurement: Measurement, *, has_bracket: bool = True) -> str:
    """One sentence on where a spliced response comes from; empty without a splice."""
    splice = measurement.splice
    if splice is None:
        return ""
    low, high = frequency_words(splice.low_hz), frequency_words(splice.high_hz)
    where = "; the bracket is where they join" if has_bracket else ""
    return f"Below {low} the response comes from the near field, above {high} from a distance{where}."


def joined(*parts: str) -> str:
    """Sentences in a row, the empty ones left out."""
    return " ".join(part for part in parts if part)
