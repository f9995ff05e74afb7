"""Where a subwoofer should take over: frequency, slope, polarity, delay and level by search, and what it buys.

The main's phase is the minimum phase of its on-axis level (an assumption: true of one driver with its box, and of a
whole loudspeaker in the bass, where its ways are in step). The subwoofer is one that was measured, with the minimum
phase of its own level, or ideal: flat down to 0 Hz at the same place.
Neither room nor placement is in it; a path that differs needs its own delay on top.

Crossover filters and the complex sum of a main loudspeaker and a subwoofer. Butterworth (BW) of order n is |H|^2 = 1 /
(1 + (f / fc)^(2 n)); Linkwitz-Riley (LR) of order 2 n is a Butterworth of order n twice, -6.02 dB at the corner
(Linkwitz 1976, from memory). All with exp(+j omega t).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from earwitness.dsp.filters import minimum_phase
from earwitness.errors import InputError, choice
from earwitness.figures.highest_level import BAND_HZ, CleanLevel, clean_level_figure
from earwitness.figures.registry import figure_infos, place_of
from earwitness.files.data import worded
from earwitness.insight.words import value_and_spread
from earwitness.quantities import ComplexArray, Curve, Figure, FloatArray, FrequencyAxis, IntArray, Locked, log_axis

SLOPES = ("BW1", "BW2", "BW3", "BW4", "LR2", "LR4", "LR8")


@dataclass(frozen=True, slots=True)
class Scheme:
    """Electrical high-pass of the main and low-pass of the subwoofer, each one of SLOPES; high_pass "" for none."""

    high_pass: str
    low_pass: str

    @property
    def words(self) -> str:
        main = f"{slope_words(self.high_pass)} high-pass" if self.high_pass else "no high-pass"
        return f"{main} on the main, {slope_words(self.low_pass)} low-pass on the subwoofer"


def slope_words(slope: str) -> str:
    """Such as "Linkwitz-Riley 24 dB/octave". InputError for an unknown slope."""
    slope = choice("slope", slope, SLOPES)
    family = "Butterworth" if slope.startswith("BW") else "Linkwitz-Riley"
    return f"{family} {6 * int(slope[2:])} dB/octave"


def _polynomial(order: int, s: ComplexArray) -> ComplexArray:
    """Butterworth denominator of an order at s = j f / fc."""
    value = np.ones_like(s)
    for k in range(order // 2):
        value = value * (s * s + 2.0 * np.sin((2 * k + 1) * np.pi / (2 * order)) * s + 1.0)
    return value * (s + 1.0) if order % 2 else value


def low_pass(frequency_hz: FloatArray, corner_hz: float, slope: str) -> ComplexArray:
    """(F,) complex low-pass. InputError for an unknown slope."""
    slope = choice("slope", slope, SLOPES)
    twice = slope.startswith("LR")
    order = int(slope[2:]) // (2 if twice else 1)
    once = 1.0 / _polynomial(order, np.asarray(1j * frequency_hz / corner_hz, dtype=np.complex128))
    return np.asarray(once * once if twice else once, dtype=np.complex128)


def high_pass(frequency_hz: FloatArray, corner_hz: float, slope: str) -> ComplexArray:
    """(F,) complex high-pass; ones for slope "". InputError for an unknown slope.

    An LR2 pair needs one branch inverted to sum flat; that is left to the search of the polarity.
    """
    if not slope:
        return np.ones(frequency_hz.size, dtype=np.complex128)
    s = np.asarray(1j * frequency_hz / corner_hz, dtype=np.complex128)
    return np.asarray(low_pass(frequency_hz, corner_hz, slope) * s ** int(slope[2:]), dtype=np.complex128)


def summed(
    frequency_hz: FloatArray,
    main: ComplexArray,
    subwoofer: ComplexArray,
    *,
    main_inverted: bool = False,
    subwoofer_delay_s: float = 0.0,
    subwoofer_gain_db: float = 0.0,
) -> ComplexArray:
    """(F,) complex sum of both branches; a negative delay means that the main comes later."""
    turn = np.exp(-2j * np.pi * frequency_hz * subwoofer_delay_s)
    part = (-main if main_inverted else main) + subwoofer * turn * 10.0 ** (subwoofer_gain_db / 20.0)
    return np.asarray(part, dtype=np.complex128)


SCHEMES = (
    Scheme("BW2", "LR4"), Scheme("LR4", "LR4"), Scheme("BW1", "LR4"), Scheme("LR2", "LR2"), Scheme("BW4", "LR4"),
    Scheme("LR8", "LR8"), Scheme("", "LR4"),
)  # fmt: skip
RECEIVER = SCHEMES[0]
"""What usual receivers do: 12 dB/octave before the main, 24 dB/octave before the subwoofer. Common practice, no
source."""
CORNERS_HZ = (40.0, 50.0, 60.0, 70.0, 80.0, 90.0, 100.0, 110.0, 120.0)
JUDGED_BAND_HZ = (20.0, 300.0)
REFERENCE_BAND_HZ = (150.0, 600.0)
AS_FLAT_DB = 0.5
SMALLEST_GAIN_DB = 0.1
WORTH_A_STEP_DB = 3.0
ENOUGH_DB = 10.0
ALIKE_DB = 0.2
MOST_DELAY_S = 0.012
EXCURSION_BAND_HZ = (20.0, 500.0)
DISTORTION_TOP_HZ = 200.0
USED_DOWN_TO_DB = -10.0
AnyFloats = np.ndarray[Any, np.dtype[np.floating[Any]]]
_RATE_HZ, _LENGTH = 48_000, 2**16
_PER_OCTAVE = 24
SUBWOOFER_FIGURES = figure_infos("subwoofer")
INFO = {info.key: info for info in SUBWOOFER_FIGURES}


@dataclass(frozen=True, slots=True, eq=False)
class MainResponse(Locked):
    """A main loudspeaker in the bass. pressure : (F,) complex, 1 at its mean level; u_db, valid : (F,) of the level."""

    axis: FrequencyAxis
    pressure: ComplexArray
    u_db: FloatArray
    reference_db: float
    lowest_hz: float
    lineage: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Setting:
    """One way of crossing over and what it gives. delay_s : of the subwoofer, negative: of the main.

    rms_db, above_db, below_db : of the sum; spared_db : fall of the main's largest displacement
    """

    corner_hz: float
    scheme: Scheme
    main_inverted: bool
    delay_s: float
    gain_db: float
    rms_db: float
    above_db: float
    below_db: float
    spared_db: float


@dataclass(frozen=True, slots=True, eq=False)
class SubwooferMatch:
    """The advice: best setting, all settings tried (flattest of each corner and scheme), curves, figures, sentences.

    subwoofer : name of the measured one, "" for an ideal one; ideal : the best setting of all schemes, where `best` is
    only that of usual receivers
    """

    best: Setting
    tried: tuple[Setting, ...]
    curves: dict[str, Curve]
    figures: dict[str, Figure]
    sentences: tuple[str, ...]
    subwoofer: str = ""
    ideal: Setting | None = None


def subwoofer_response(on_axis: Curve) -> MainResponse:
    """A measured subwoofer's complex response, 15 Hz to 600 Hz, 1 at its mean level from 40 Hz to 80 Hz, by minimum
    phase. InputError where the valid band does not hold 40 Hz to 120 Hz."""
    return _continued(on_axis, 40.0, (40.0, 80.0), 120.0)


def main_response(on_axis: Curve) -> MainResponse:
    """The main's complex response, 15 Hz to 600 Hz, from its on-axis level [dB] by minimum phase.

    Below its valid band the level goes on with the slope of its lowest two thirds of an octave (not less than 0), above
    it is held. InputError where the valid band does not hold 60 Hz to 600 Hz.
    """
    return _continued(on_axis, 60.0, REFERENCE_BAND_HZ, REFERENCE_BAND_HZ[1])


def _continued(on_axis: Curve, lowest_hz: float, reference_hz: tuple[float, float], highest_hz: float) -> MainResponse:
    """As `main_response`. lowest_hz, highest_hz : what must be valid; reference_hz : where its mean level is 1."""
    band = on_axis.valid_band_hz()
    if band is None or band[0] > lowest_hz or band[1] < highest_hz:
        valid = "nowhere valid" if band is None else f"valid from {band[0]:.0f} Hz to {band[1]:.0f} Hz"
        raise InputError.of(
            "insight.too_little_bass", on_axis=on_axis, valid=valid, lowest_hz=lowest_hz, highest_hz=highest_hz
        )
    hz, level = on_axis.axis.hz[on_axis.valid], on_axis.values[on_axis.valid]
    axis = log_axis(15.625, 600.0, _PER_OCTAVE)
    x = np.log2(hz)
    inside = (hz >= reference_hz[0]) & (hz <= reference_hz[1])
    reference = float(10.0 * np.log10(np.mean(10.0 ** (level[inside] / 10.0))))
    bottom = hz <= hz[0] * 2.0 ** (2.0 / 3.0)
    slope = max(float(np.polyfit(x[bottom], level[bottom], 1)[0]), 0.0) if bottom.sum() > 2 else 0.0
    even = np.fft.rfftfreq(_LENGTH, 1.0 / _RATE_HZ)
    safe = np.log2(np.maximum(even, even[1] / 4.0))
    full = np.interp(safe, x, level) + np.minimum(safe - x[0], 0.0) * slope
    spectrum = minimum_phase(10.0 ** ((full - reference) / 20.0))
    phase = np.interp(axis.hz, even, np.unwrap(np.angle(spectrum)))
    size = 10.0 ** ((np.interp(np.log2(axis.hz), x, level) + np.minimum(np.log2(axis.hz) - x[0], 0.0) * slope) / 20.0)
    pressure = size * 10.0 ** (-reference / 20.0) * np.exp(1j * phase)
    u = np.interp(np.log2(axis.hz), x, on_axis.u[on_axis.valid])
    return MainResponse(axis, pressure, u, reference, float(hz[0]), on_axis.lineage)


def _judged_rows(axis: FrequencyAxis) -> IntArray:
    low, high = JUDGED_BAND_HZ
    return np.flatnonzero((axis.hz >= low) & (axis.hz <= high))


def _displacement_db(hz: FloatArray, level: FloatArray) -> float:
    rows = (hz >= EXCURSION_BAND_HZ[0]) & (hz <= EXCURSION_BAND_HZ[1])
    return float(20.0 * np.log10(np.max(level[rows] / hz[rows] ** 2)))


def spared_db(main: MainResponse, corner_hz: float, slope: str) -> float:
    """Fall [dB] of the largest volume displacement (level over frequency squared) that a high-pass brings."""
    size = np.abs(main.pressure)
    cut = size * np.abs(high_pass(main.axis.hz, corner_hz, slope))
    return _displacement_db(main.axis.hz, size) - _displacement_db(main.axis.hz, cut)


def _costs(hz: FloatArray, main: ComplexArray, sub: ComplexArray, delays: AnyFloats, gains_db: AnyFloats) -> FloatArray:
    """(2, D, G) rms deviation [dB] of the sum, by polarity, delay, gain."""
    turn = np.exp(-2j * np.pi * delays[:, None] * hz) * sub
    moved = turn[:, None, :] * (10.0 ** (gains_db / 20.0))[:, None]
    return np.stack([_rms_db(main + moved), _rms_db(-main + moved)])


def _rms_db(total: ComplexArray) -> FloatArray:
    """Rms level [dB] over the last axis. In place: this is done for a million points of a match."""
    level = np.square(total.real)
    level += np.square(total.imag)
    np.maximum(level, 1e-12, out=level)
    np.log10(level, out=level)
    level *= 10.0
    np.square(level, out=level)
    return np.asarray(np.sqrt(np.mean(level, axis=-1)), dtype=np.float64)


def _subwoofer_branch(
    hz: FloatArray, corner_hz: float, scheme: Scheme, subwoofer: MainResponse | None, rows: IntArray | slice
) -> ComplexArray:
    """(F,) the subwoofer behind its low-pass, 1 at its mean level."""
    passed = low_pass(hz, corner_hz, scheme.low_pass)
    return passed if subwoofer is None else passed * subwoofer.pressure[rows]


def tuned(main: MainResponse, corner_hz: float, scheme: Scheme, subwoofer: MainResponse | None = None) -> Setting:
    """The polarity, delay (+-12 ms) and level (+-6 dB) that make the sum flattest for a corner and scheme.

    subwoofer : the measured one, None for an ideal one
    """
    rows = _judged_rows(main.axis)
    hz = main.axis.hz[rows]
    branch = main.pressure[rows] * high_pass(hz, corner_hz, scheme.high_pass)
    sub = _subwoofer_branch(hz, corner_hz, scheme, subwoofer, rows)
    delay, gain, delay_step, gain_step = 0.0, 0.0, 0.0005, 1.0
    reach_delay, reach_gain, inverted = MOST_DELAY_S, 6.0, False
    for _ in range(4):
        delays = delay + np.arange(-round(reach_delay / delay_step), round(reach_delay / delay_step) + 1) * delay_step
        gains = gain + np.arange(-round(reach_gain / gain_step), round(reach_gain / gain_step) + 1) * gain_step
        cost = _costs(hz, branch, sub, delays, gains)
        # Where several are alike, the least intervention wins.
        effort = 1e-6 * (np.abs(delays)[:, None] / MOST_DELAY_S + np.abs(gains) / 6.0)
        place = np.unravel_index(int(np.argmin(cost + effort)), cost.shape)
        inverted, delay, gain = bool(place[0]), float(delays[place[1]]), float(gains[place[2]])
        reach_delay, reach_gain, delay_step, gain_step = delay_step, gain_step, delay_step / 5.0, gain_step / 5.0
    total = summed(hz, branch, sub, main_inverted=inverted, subwoofer_delay_s=delay, subwoofer_gain_db=gain)
    level = 20.0 * np.log10(np.abs(total))
    rms = float(np.sqrt(np.mean(level**2)))
    spared = spared_db(main, corner_hz, scheme.high_pass)
    return Setting(
        corner_hz=corner_hz,
        scheme=scheme,
        main_inverted=inverted,
        delay_s=delay,
        gain_db=gain,
        rms_db=rms,
        above_db=float(level.max()),
        below_db=float(level.min()),
        spared_db=spared,
    )


def match_subwoofer(
    on_axis: Curve,
    *,
    highest_level: CleanLevel | None = None,
    distortion_percent: Curve | None = None,
    corners_hz: Sequence[float] = CORNERS_HZ,
    schemes: Sequence[Scheme] = SCHEMES,
    subwoofer: Curve | None = None,
    name: str = "",
) -> SubwooferMatch:
    """The crossover that keeps the sum flat and spares the main most.

    subwoofer, name : on-axis level [dB] of a measured one, at the same reference as the main's, and what it is called.
    on_axis : level [dB]; highest_level : of a level series; distortion_percent : total distortion at one drive [%].
    Own rule: of all settings whose sum deviates at most 0.5 dB (rms) more than the flattest, those whose high-pass
    takes 10 dB, or all but 3 dB of the most, off the main's displacement and adds all but 3 dB of what any of them adds
    to its highest clean level, where that is known; of these the lowest corner, as a low one keeps the subwoofer from
    being heard as a place (common practice, no source); of its schemes that are alike within 0.2 dB the one with the
    gentlest slopes.
    Raises InputError where the bass is not valid, or for no scheme or no corner above 0 Hz.
    """
    if not schemes or not corners_hz or any(not (hz > 0.0 and math.isfinite(hz)) for hz in corners_hz):
        raise InputError.of("insight.no_crossover", count=len(schemes), corners_hz=list(corners_hz))
    main = main_response(on_axis)
    sub = None if subwoofer is None else subwoofer_response(subwoofer)
    tried = tuple(tuned(main, corner, scheme, sub) for scheme in schemes for corner in corners_hz)
    limit = min(one.rms_db for one in tried) + AS_FLAT_DB
    flat = [one for one in tried if one.rms_db <= limit]

    best = min(_worth_it(flat, highest_level), key=_rank)
    figures = _figures(main, best, highest_level, distortion_percent, name)
    curves = _sum_curves(main, best, sub)
    return SubwooferMatch(best, tried, curves, figures, _sentences(main, best, figures, sub, name), subwoofer=name)


def with_ideal(found: SubwooferMatch, free: SubwooferMatch) -> SubwooferMatch:
    """The match of usual receivers' slopes, and last what a free choice of slopes would add to it."""
    one, other = found.best, free.best
    if one == other or other.rms_db > one.rms_db - SMALLEST_GAIN_DB:
        last = f"No other slopes make the sum evener by {SMALLEST_GAIN_DB:g} dB rms."
    else:
        last = worded("insight.free_choice", other=other, better_db=one.rms_db - other.rms_db)
    return replace(found, sentences=(*found.sentences, last), ideal=other)


def _rank(one: Setting) -> tuple[float, int, int, float]:
    """Order of choice among settings that are flat enough and buy enough."""
    slopes = sum(int(slope[2:]) for slope in (one.scheme.high_pass, one.scheme.low_pass) if slope)
    return one.corner_hz, math.floor(one.rms_db / ALIKE_DB), slopes, one.rms_db


def _worth_it(flat: Sequence[Setting], highest: CleanLevel | None) -> list[Setting]:
    """Settings that buy enough of both; of displacement alone where no setting has enough of both."""
    enough = min(max(one.spared_db for one in flat) - WORTH_A_STEP_DB, ENOUGH_DB)
    spared = [one for one in flat if one.spared_db >= enough]
    gains = [_level_gain(highest, one) for one in spared]
    known = [(one, gain[2]) for one, gain in zip(spared, gains, strict=True) if gain is not None]
    if not known:
        return spared
    most = max(gain for _, gain in known)
    return [one for one, gain in known if gain >= most - WORTH_A_STEP_DB]


def _level_gain(highest: CleanLevel | None, setting: Setting) -> tuple[Figure, Figure, float, float] | None:
    """Highest clean level without and with the high-pass, its rise and the standard uncertainty of that [dB]; None
    where nothing limited the level without it."""
    if highest is None or not setting.scheme.high_pass:
        return None
    size = np.abs(high_pass(highest.level.axis.hz, setting.corner_hz, setting.scheme.high_pass))
    before = clean_level_figure(highest)
    after = clean_level_figure(highest, filter_db=20.0 * np.log10(np.maximum(size, 1e-12)))
    if before.value is None or after.value is None or before.bound:
        return None
    # What calibration adds is the same in both; what is left is how sharply each limit is known.
    alone = [
        math.sqrt(max(one.judged_u**2 - float(np.min(highest.level.u_common)) ** 2, 0.0)) for one in (before, after)
    ]
    u = 0.0 if before.caveats[:1] == after.caveats[:1] else math.hypot(*alone)
    return before, after, after.value - before.value, u


def _figures(
    main: MainResponse, best: Setting, highest: CleanLevel | None, distortion: Curve | None, name: str
) -> dict[str, Figure]:
    inside = _judged_rows(main.axis)
    # Only what the main still gives carries its uncertainty.
    share = np.abs(high_pass(main.axis.hz[inside], best.corner_hz, best.scheme.high_pass))
    u = float(np.sqrt(np.mean((main.u_db[inside] * np.minimum(share, 1.0)) ** 2)))
    what = f"{name} as measured" if name else "an ideal subwoofer"
    ideal = f"with {what} at the same place, minimum phase assumed"
    step = float(np.min(np.diff(CORNERS_HZ))) / np.sqrt(12.0)
    rows = (
        ("crossover_frequency", best.corner_hz, step, best.scheme.words),
        ("crossover_sum_rms", best.rms_db, u, ideal),
        ("crossover_sum_above", best.above_db, u, ideal),
        ("crossover_sum_below", best.below_db, u, ideal),
        ("high_pass_displacement", best.spared_db, u, ""),
    )
    found = [INFO[key].asked(main.lineage, JUDGED_BAND_HZ).judged(*row) for key, *row in rows]
    found += [_level_added(highest, best), _distortion_left(distortion, main, best)]
    return {figure.key: figure for figure in found}


def _level_added(highest: CleanLevel | None, best: Setting) -> Figure:
    info = INFO["high_pass_level"]
    gain = _level_gain(highest, best)
    if gain is None:
        reason = "no highest clean level was measured"
        if highest is not None:
            reason = "the loudest take was still clean without it" if best.scheme.high_pass else "there is no high-pass"
        return info.refused(reason)
    before, after, rise, u = gain
    told = [f"{one.value:.1f} ± {2.0 * one.judged_u:.1f}" for one in (after, before)]
    note = f"{after.bound} {told[0]} dB at 1 m instead of {told[1]} dB".strip()
    return info.asked(before.lineage, BAND_HZ).judged(rise, u, note, bound=after.bound)


def _distortion_left(distortion: Curve | None, main: MainResponse, best: Setting) -> Figure:
    info = INFO["high_pass_distortion"]
    if distortion is None:
        return info.refused("no distortion was measured")
    used = main.axis.hz[20.0 * np.log10(np.maximum(np.abs(main.pressure), 1e-12)) >= USED_DOWN_TO_DB]
    band = (max(float(used[0]), JUDGED_BAND_HZ[0]), DISTORTION_TOP_HZ)
    rows = np.flatnonzero(distortion.valid & (distortion.axis.hz >= band[0]) & (distortion.axis.hz <= band[1]))
    if not rows.size:
        return info.refused(f"the distortion is not known from {band[0]:.0f} Hz to {band[1]:.0f} Hz")
    hz, before = distortion.axis.hz[rows], distortion.values[rows]
    after = before * np.abs(high_pass(hz, best.corner_hz, best.scheme.high_pass)) ** 2
    most, left = int(np.argmax(before)), int(np.argmax(after))
    u_before = distortion.u_total[rows]
    u = float(u_before[left] * after[left] / max(before[left], 1e-12))
    drive = place_of(distortion.key)
    without = value_and_spread(float(before[most]), 2.0 * float(u_before[most]))
    note = (
        f"{f'at {drive} ' if drive else ''}{without} % at {hz[most]:.0f} Hz without it, "
        f"{value_and_spread(float(after[left]), 2.0 * u)} % at {hz[left]:.0f} Hz with it"
    )
    return info.asked(distortion.lineage, band).judged(float(after[left]), u, note)


def _sum_curves(main: MainResponse, best: Setting, subwoofer: MainResponse | None) -> dict[str, Curve]:
    """Sum, high-passed main and subwoofer, dB SPL like the on-axis curve."""
    hz = main.axis.hz
    branch = main.pressure * high_pass(hz, best.corner_hz, best.scheme.high_pass)
    gain = 10.0 ** (best.gain_db / 20.0)
    sub = _subwoofer_branch(hz, best.corner_hz, best.scheme, subwoofer, slice(None)) * gain
    total = summed(hz, branch, sub, main_inverted=best.main_inverted, subwoofer_delay_s=best.delay_s)
    nothing = np.zeros_like(hz)

    def curve(key: str, name: str, values: ComplexArray, u: FloatArray) -> Curve:
        level = main.reference_db + 20.0 * np.log10(np.maximum(np.abs(values), 1e-9))
        valid = (hz >= main.lowest_hz) if key == "crossed_main" else np.ones(hz.size, dtype=bool)
        return Curve.of(key, name, main.axis, level, valid, u=u, reference="as the on-axis level", lineage=main.lineage)

    part = main.u_db * np.minimum(np.abs(branch) / np.maximum(np.abs(total), 1e-9), 1.0)
    return {
        "crossed_sum": curve("crossed_sum", "main and subwoofer together", total, part),
        "crossed_main": curve("crossed_main", "main behind its high-pass", branch, main.u_db),
        "crossed_subwoofer": curve("crossed_subwoofer", "subwoofer behind its low-pass", sub, nothing),
    }


def spread_words(u_db: float) -> str:
    """Twice a standard uncertainty [dB] behind ±; never 0.0, which nothing measured has."""
    return f"{2.0 * u_db:.1f} dB" if 2.0 * u_db >= 0.05 else "less than 0.1 dB"


def _trim_words(main: MainResponse, best: Setting, subwoofer: MainResponse | None) -> str:
    """The level to set: against its own for a measured one, which is as loud as it is."""
    if subwoofer is None:
        return f"subwoofer level {best.gain_db:+.1f} dB"
    trim = main.reference_db - subwoofer.reference_db + best.gain_db
    return f"subwoofer level {trim:+.1f} dB against the same voltage for both"


def _sentences(
    main: MainResponse, best: Setting, figures: dict[str, Figure], subwoofer: MainResponse | None, name: str
) -> tuple[str, ...]:
    polarity = "inverted in polarity" if best.main_inverted else "not inverted"
    late = "subwoofer" if best.delay_s >= 0.0 else "main"
    high = slope_words(best.scheme.high_pass) if best.scheme.high_pass else "nothing"
    u = figures["crossover_sum_above"].judged_u
    found = [
        f"Cross over{f' to {name}' if name else ''} at {best.corner_hz:g} Hz: {high} on the main, "
        f"{slope_words(best.scheme.low_pass)} on the subwoofer.",
        f"Main {polarity}, {late} {abs(1000.0 * best.delay_s):.1f} ms later, {_trim_words(main, best, subwoofer)}; "
        f"a difference in path comes on top.",
        f"The sum then stays between {best.below_db:+.1f} dB and {best.above_db:+.1f} dB (± {spread_words(u)}) "
        f"from {JUDGED_BAND_HZ[0]:g} Hz to {JUDGED_BAND_HZ[1]:g} Hz.",
    ]
    level, left = figures["high_pass_level"], figures["high_pass_distortion"]
    if best.scheme.high_pass:
        spared = figures["high_pass_displacement"].judged_u
        told = f"{best.spared_db:.1f} dB (± {spread_words(spared)})"
        found.append(f"The high-pass cuts the main's cone excursion by {told}.")
    if level.value is not None:
        found.append(worded("insight.behind_it_clean", caveat=level.caveats[0], low_hz=BAND_HZ[0]))
    if left.value is not None and best.scheme.high_pass:
        found.append(f"Largest distortion in the bass: {left.caveats[0]}.")
    if main.lowest_hz > JUDGED_BAND_HZ[0]:
        found.append(f"Below {main.lowest_hz:.0f} Hz the main's level is continued with its slope, not measured.")
    return tuple(found)
