"""Exhibits: harmonic distortion and multitone distortion of a level series, the table of levels, and at equal level."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import ceil, floor, log10
from typing import Literal

import numpy as np

from earwitness.exhibits.chart import Chart, Panel, Role, Table, Trace, chart, table
from earwitness.exhibits.level_facts import joined, step_span, valid_values
from earwitness.exhibits.words import (
    band_words,
    figure_words,
    frequency_words,
    listed,
    number_words,
    true_minus,
    value_words,
)
from earwitness.figures.distortion import AT_ONE_METER, LIMITS_PERCENT, Distortion, figure_at
from earwitness.figures.equal_level import EQUAL_LEVEL_FIGURES
from earwitness.figures.registry import base_key, place_of
from earwitness.figures.tones import MultitoneCurves
from earwitness.files.data import worded
from earwitness.quantities import Curve, Figure

_NAMES = {
    "distortion_at_level": "Largest distortion",
    "distortion_bass_at_level": "Largest distortion in the bass",
    "multitone_at_level": "Multitone distortion",
    "intermodulation_at_level": "Intermodulation",
    "compression_at_level": "Mean compression",
}


def equal_level_table(figures: Mapping[str, Figure]) -> Table | None:
    """One row a quantity with its band, one column a level; None where nothing was recorded that could tell."""
    kept = {key: figure for key, figure in figures.items() if base_key(key) in _NAMES}
    if not any(figure.is_judged for figure in kept.values()):
        return None
    levels = sorted({place_of(key) for key in kept}, key=lambda place: float(place.split()[0]))
    rows = []
    for info in EQUAL_LEVEL_FIGURES:
        at = {place_of(key): figure for key, figure in kept.items() if base_key(key) == info.key}
        if at:
            band = next((band_words(one.band_hz) for one in at.values() if one.band_hz is not None), "")
            cells = (equal_level_words(at[level]) if level in at else "not measured" for level in levels)
            rows.append((_NAMES[info.key], band, *cells))
    right: list[Literal["left", "right"]] = ["right"] * len(levels)
    return table(
        "equal_level",
        rows,
        columns=("Quantity", "Band", *(f"{level} at 1 m" for level in levels)),
        align=("left", "left", *right),
    )


def equal_level_words(figure: Figure) -> str:
    """The value and where in the band it is, or why there is none."""
    where = where_in_band(figure)
    return true_minus(figure_words(figure) + (f" ({where})" if where and figure.is_judged else ""))


def where_in_band(figure: Figure) -> str:
    """ "at 210 Hz", of a figure that is the largest of a band; "" of others."""
    return next((note for note in figure.caveats if note.startswith("at ") and note.endswith(" Hz")), "")


LEVEL_BAND_HZ = (300.0, 3000.0)
_ORDER_ROLES: tuple[Role, ...] = ("order 2", "order 3", "order 4", "order 5")
_LEVEL_ROLES: tuple[Role, ...] = ("level 1", "level 2", "level 3", "level 4", "level 5")
_SHORT = ("2nd", "3rd", "4th", "5th")
_LOWEST_DB, _HIGHEST_DB = -80.0, 0.0
_DB_PER_DECADE = 50.0  # the other proportion of IEC 60263 (from memory)


def level_roles(count: int) -> tuple[Role, ...]:
    """Roles of `count` levels, quietest first: the loudest stands out, the others recede."""
    return tuple(_LEVEL_ROLES[max(len(_LEVEL_ROLES) - count + place, 0)] for place in range(count))


def mean_level_db(curve: Curve) -> float | None:
    """Energy mean of a level over 300 Hz to 3 kHz, or None where it is not valid there."""
    rows = curve.valid & (curve.axis.hz >= LEVEL_BAND_HZ[0]) & (curve.axis.hz <= LEVEL_BAND_HZ[1])
    return float(10.0 * np.log10(np.mean(10.0 ** (curve.values[rows] / 10.0)))) if rows.any() else None


def level_words(one: Distortion) -> str:
    """ "94 dB" for a level's label: its mean at 1 m, or the voltage where the level is not known."""
    mean = mean_level_db(one.fundamental)
    known = mean is not None and one.fundamental.reference == AT_ONE_METER
    return f"{mean:.0f}\N{NO-BREAK SPACE}dB" if known else f"{one.drive_v:g}\N{NO-BREAK SPACE}V"


def step_words(figure: Figure) -> str:
    """A figure of one level in words, with the decimals of its kind: "1.4 ± 0.1 %", or "not judged: reason"."""
    if figure.value is None or figure.u is None:
        return figure_words(figure)
    return figure_words(figure)


def percent_words(level_db: float) -> str:
    """ "0.32 %" of a level against the fundamental: two significant digits."""
    percent = 100.0 * 10.0 ** (level_db / 20.0)
    decimals = max(0, 1 - floor(log10(percent))) if percent > 0.0 else 0
    return f"{number_words(percent, min(decimals, 4))}\N{NO-BREAK SPACE}%"


def distortion_chart(found: Sequence[Distortion], figures: Mapping[str, Figure]) -> Chart | None:
    """Totals of all levels above, the orders of the loudest level beneath; None without a level."""
    if not found:
        return None
    loudest = found[-1]
    totals = tuple(
        Trace(one.total, role, level_words(one), ribbon=one is loudest)
        for one, role in zip(found, level_roles(len(found)), strict=True)
    )
    orders = tuple(
        Trace(curve, role, _SHORT[place])
        for place, (curve, role) in enumerate(zip(loudest.harmonics, _ORDER_ROLES, strict=False))
    )
    low, high = _span(tuple(trace.curve for trace in (*totals, *orders)))
    unit = "dB relative to the fundamental"
    panels = (
        _panel("Total of harmonics 2 to 5", unit, (low, high), totals),
        _panel(f"Each harmonic at {level_words(loudest)}", unit, (low, high), orders),
    )
    return chart(
        "distortion",
        panels,
        finding=_finding(found, figures),
        note=_ranges(loudest),
        reading=_reading(loudest),
        loudest=loudest,
    )


def _span(curves: tuple[Curve, ...]) -> tuple[float, float]:
    high = step_span(valid_values(curves), 10.0, low=_LOWEST_DB, high=-20.0)[1]
    return _LOWEST_DB, min(high, _HIGHEST_DB)


def _panel(label: str, unit: str, span: tuple[float, float], traces: tuple[Trace, ...]) -> Panel:
    kept = _clipped(traces, span[0])
    return Panel(label, unit, span[0], span[1], 10.0, traces=kept, db_per_decade=_DB_PER_DECADE)


def _clipped(traces: tuple[Trace, ...], low: float) -> tuple[Trace, ...]:
    """Traces that lie on the panel's lower edge where they would leave it."""
    return tuple(
        replace(trace, curve=replace(trace.curve, values=np.maximum(trace.curve.values, low)))
        for trace in traces
        if trace.curve.valid.any()
    )


def _finding(found: Sequence[Distortion], figures: Mapping[str, Figure]) -> str:
    loudest = found[-1]
    sentences = [
        f"Distortion at {place_of(key)} is {equal_level_words(figure)}, {band_words(figure.band_hz)} at 1 m."
        for key, figure in figures.items()
        if base_key(key) == "distortion_at_level" and figure.is_judged
    ]
    for one in (loudest, found[0]) if len(found) > 1 else (loudest,):
        figure = figures.get(figure_at("distortion_largest", one.drive_v))
        if figure is None or figure.value is None or figure.band_hz is None:
            continue
        where = next((note for note in figure.caveats if note.startswith("at ")), "")
        judged = next((note for note in figure.caveats if note.startswith("judged in ")), "")
        notes = "; ".join(note for note in (where, judged) if note)
        sentences.append(
            f"At {level_words(one)}, distortion from {band_words(figure.band_hz)} is "
            f"{'' if figure.bound else 'at most '}{step_words(figure)}{f' ({notes})' if notes else ''}."
        )
    for limit in reversed(LIMITS_PERCENT):
        figure = figures.get(figure_at(f"distortion_{limit:g}_percent", loudest.drive_v))
        if figure is None or figure.value is None:
            continue
        at = frequency_words(figure.value)
        if figure.bound:
            sentences.append(f"At {level_words(loudest)}, it stays below {limit:g} % down to {at}, the lowest judged.")
        else:
            sentences.append(f"At {level_words(loudest)}, it passes {limit:g} % below {at}.")
    return joined(*sentences) or "Noise or the sweep's band covers the distortion at every level."


def _reading(loudest: Distortion) -> str:
    return joined(
        "Harmonics are tones that the loudspeaker adds at two, three, four and five times the frequency it is asked "
        f"for; {percent_words(-40.0)} is 40 dB below it, {percent_words(-60.0)} 60 dB.",
        worded("exhibits.curves_stop_being_trusted", complete_to_hz=frequency_words(loudest.complete_to_hz))
        if loudest.complete_to_hz is not None
        else "",
        "Energies are averaged over 1/6 octave.",
    )


def _ranges(loudest: Distortion) -> str:
    parts = tuple(
        f"{_SHORT[place]} {band_words(band)}" if band is not None else f"{_SHORT[place]} covered by noise"
        for place, band in enumerate(loudest.ranges_hz[: len(_SHORT)])
    )
    return f"Judged at {level_words(loudest)}: {listed(parts)}."


def multitone_chart(found: Sequence[MultitoneCurves]) -> Chart | None:
    """Tones and what lies between them at the loudest level above, the residue of every level beneath."""
    if not found:
        return None
    ordered = sorted(found, key=lambda one: one.drive_v)
    loudest = ordered[-1]
    upper = [Trace(loudest.tones, "plain", "tones"), Trace(loudest.residue, "order 3", "between the tones")]
    if loudest.noise is not None:
        upper.append(Trace(loudest.noise, "before", "noise alone"))
    shown = valid_values((loudest.tones, loudest.residue))
    high = 10.0 * ceil((float(shown.max(initial=90.0)) + 2.0) / 10.0)
    # Room for what lies far down, but not for numbers that only rounding left.
    depth = min(max(80.0, high - 10.0 * floor((float(shown.min(initial=high)) - 2.0) / 10.0)), 110.0)
    relatives = tuple(
        Trace(one.relative, role, f"{one.total_db:.0f}\N{NO-BREAK SPACE}dB")
        for one, role in zip(ordered, level_roles(len(ordered)), strict=True)
    )
    low, top = _span(tuple(trace.curve for trace in relatives))
    numbers = tuple(f"{step_words(one.number)} at {one.total_db:.0f}\N{NO-BREAK SPACE}dB" for one in ordered)
    return chart(
        "multitone",
        (
            _panel("Level at 1 m", "dB SPL", (high - depth, high), tuple(upper)),
            _panel("Against the tones", "dB", (low, top), relatives),
        ),
        finding=joined(
            f"Multitone distortion is {listed(numbers)}.",
            *(_covered_words(one) for one in ordered),
            "Levels are those of the whole signal at 1 m.",
        ),
        reading=joined(
            worded("exhibits.music_many_tones_once"),
            "Each point is the energy in the band around a tone, noise included.",
            "Where the noise alone is less than 6 dB lower, the curve is not trusted." if loudest.noise else "",
        ),
        count=len(loudest.tones.axis),
        loudest=loudest,
    )


def _covered_words(one: MultitoneCurves) -> str:
    """What noise leaves of the number of one level."""
    told = next((note for note in one.number.caveats if "noise" in note), "").partition(";")[0]
    return f"At {one.total_db:.0f}\N{NO-BREAK SPACE}dB, {told}." if told else ""


def levels_table(found: Sequence[Distortion], figures: Mapping[str, Figure]) -> Table:
    """One row a level: voltage, level at 1 m, largest distortion, where it passes 1 % and 3 %, compression."""
    rows = []
    for place, one in enumerate(found):
        mean = mean_level_db(one.fundamental)
        cells = [f"{one.drive_v:g} V", "not known" if mean is None else _level_cell(mean, one.fundamental)]
        for key in ("distortion_largest", *(f"distortion_{limit:g}_percent" for limit in LIMITS_PERCENT)):
            cells.append(_cell(figures, key, one.drive_v))
        cells.append("reference" if place == 0 else _cell(figures, "compression_largest", one.drive_v))
        rows.append(tuple(cells))
    where = found[0].fundamental.reference if found else AT_ONE_METER
    return table(
        "levels",
        rows,
        columns=(
            "Voltage",
            "Level",
            "Largest distortion",
            *(f"Passes {limit:g} %" for limit in LIMITS_PERCENT),
            "Largest compression",
        ),
        align=("right",) * 6,
        band=band_words(LEVEL_BAND_HZ),
        where=where,
    )


def _level_cell(mean_db: float, curve: Curve) -> str:
    """A level with its uncertainty, or without where none is stated."""
    u = float(curve.u_total.max())
    return value_words(mean_db, u, "dB") if u > 0.0 else f"{number_words(mean_db, 1)}\N{NO-BREAK SPACE}dB"


def _cell(figures: Mapping[str, Figure], key: str, drive_v: float) -> str:
    figure = figures.get(figure_at(key, drive_v))
    if figure is None:
        return "not measured"
    return step_words(figure)
