"""Exhibits of what a loudspeaker does when it plays loud, in the order of the page."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from math import ceil, floor, log10
from typing import Literal

import numpy as np

from earwitness.exhibits import words as wording
from earwitness.exhibits.chart import Chart, ChartRegion, Panel, Role, Table, Trace, chart, table
from earwitness.exhibits.level_facts import joined, step_span, valid_values
from earwitness.figures.distortion import AT_ONE_METER, LIMITS_PERCENT, Distortion, figure_at
from earwitness.figures.equal_level import EQUAL_LEVEL_FIGURES
from earwitness.figures.highest_level import REASONS, CleanLevel, Compression
from earwitness.figures.level_series import level_series_reading
from earwitness.figures.registry import base_key, place_of
from earwitness.figures.tones import MultitoneCurves
from earwitness.files.data import worded
from earwitness.quantities import BoolArray, Curve, Figure, Measurement, Reading, runs

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
            band = next((wording.band_words(one.band_hz) for one in at.values() if one.band_hz is not None), "")
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
    return wording.true_minus(wording.figure_words(figure) + (f" ({where})" if where and figure.is_judged else ""))


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
        return wording.figure_words(figure)
    return wording.figure_words(figure)


def percent_words(level_db: float) -> str:
    """ "0.32 %" of a level against the fundamental: two significant digits."""
    percent = 100.0 * 10.0 ** (level_db / 20.0)
    decimals = max(0, 1 - floor(log10(percent))) if percent > 0.0 else 0
    return f"{wording.number_words(percent, min(decimals, 4))}\N{NO-BREAK SPACE}%"


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
        f"Distortion at {place_of(key)} is {equal_level_words(figure)}, {wording.band_words(figure.band_hz)} at 1 m."
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
            f"At {level_words(one)}, distortion from {wording.band_words(figure.band_hz)} is "
            f"{'' if figure.bound else 'at most '}{step_words(figure)}{f' ({notes})' if notes else ''}."
        )
    for limit in reversed(LIMITS_PERCENT):
        figure = figures.get(figure_at(f"distortion_{limit:g}_percent", loudest.drive_v))
        if figure is None or figure.value is None:
            continue
        at = wording.frequency_words(figure.value)
        if figure.bound:
            sentences.append(f"At {level_words(loudest)}, it stays below {limit:g} % down to {at}, the lowest judged.")
        else:
            sentences.append(f"At {level_words(loudest)}, it passes {limit:g} % below {at}.")
    return joined(*sentences) or "Noise or the sweep's band covers the distortion at every level."


def _reading(loudest: Distortion) -> str:
    return joined(
        "Harmonics are tones that the loudspeaker adds at two, three, four and five times the frequency it is asked "
        f"for; {percent_words(-40.0)} is 40 dB below it, {percent_words(-60.0)} 60 dB.",
        worded("exhibits.curves_stop_being_trusted", complete_to_hz=wording.frequency_words(loudest.complete_to_hz))
        if loudest.complete_to_hz is not None
        else "",
        "Energies are averaged over 1/6 octave.",
    )


def _ranges(loudest: Distortion) -> str:
    parts = tuple(
        f"{_SHORT[place]} {wording.band_words(band)}" if band is not None else f"{_SHORT[place]} covered by noise"
        for place, band in enumerate(loudest.ranges_hz[: len(_SHORT)])
    )
    return f"Judged at {level_words(loudest)}: {wording.listed(parts)}."


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
            f"Multitone distortion is {wording.listed(numbers)}.",
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
        band=wording.band_words(LEVEL_BAND_HZ),
        where=where,
    )


def _level_cell(mean_db: float, curve: Curve) -> str:
    """A level with its uncertainty, or without where none is stated."""
    u = float(curve.u_total.max())
    return (
        wording.value_words(mean_db, u, "dB") if u > 0.0 else f"{wording.number_words(mean_db, 1)}\N{NO-BREAK SPACE}dB"
    )


def _cell(figures: Mapping[str, Figure], key: str, drive_v: float) -> str:
    figure = figures.get(figure_at(key, drive_v))
    if figure is None:
        return "not measured"
    return step_words(figure)


def compression_chart(
    found: Compression, figures: Mapping[str, Figure], levels: Sequence[Distortion] = ()
) -> Chart | None:
    """Compression against the lowest level, and of each step beneath; levels : for labels in dB. None without any."""
    if not found.total:
        return None
    names = {one.drive_v: level_words(one) for one in levels}
    labels = [names.get(volts, f"{volts:g}\N{NO-BREAK SPACE}V") for volts in found.drive_v]
    roles = level_roles(len(found.total))
    upper = tuple(
        Trace(curve, role, label, ribbon=curve is found.total[-1])
        for curve, role, label in zip(found.total, roles, labels[1:], strict=True)
    )
    panels = [loss_panel("Compression against the lowest level", upper)]
    if len(found.steps) > 1:
        steps = tuple(
            Trace(curve, role, f"{low} to {high}")
            for curve, role, low, high in zip(found.steps, roles, labels[:-1], labels[1:], strict=True)
        )
        panels.append(loss_panel("Compression of each step", steps))
    return chart(
        "compression",
        panels,
        finding=_compression_finding(found, figures, labels[-1]),
        note=joined(*(wording.sentence(note) for note in found.caveats)),
        lowest=labels[0],
    )


def loss_panel(label: str, traces: Iterable[Trace]) -> Panel:
    """A panel from 1 dB below 0 up to what the valid values need; masked values are kept within it."""
    traces = tuple(traces)
    shown = valid_values(tuple(trace.curve for trace in traces))
    low = float(min(-1.0, floor(shown.min(initial=0.0))))
    high = float(max(3.0, ceil(shown.max(initial=0.0) + 0.5)))
    kept = tuple(
        replace(trace, curve=replace(trace.curve, values=np.clip(trace.curve.values, low, high))) for trace in traces
    )
    return Panel(label, "dB", low, high, 1.0, traces=kept, db_per_decade=None)


def _compression_finding(found: Compression, figures: Mapping[str, Figure], label: str) -> str:
    loudest = found.drive_v[-1]
    largest = figures.get(figure_at("compression_largest", loudest))
    mean = figures.get(figure_at("compression_mean", loudest))
    if largest is None or largest.value is None or largest.u is None:
        reason = "it was not judged" if largest is None else largest.reason
        return f"At {label} compression is not stated: {reason}."
    if not wording.is_beyond(largest.value, largest.u):
        return f"Up to {label} no compression larger than the uncertainty, {step_words(largest)}, is seen."
    where = next((note for note in largest.caveats if note.startswith("at ")), "")
    on_average = (
        f", {step_words(mean)} on average" if mean is not None and mean.value is not None else ""
    )  # fmt: skip
    return f"At {label} the level falls short by at most {step_words(largest)} ({where}){on_average}."


def highest_level_chart(found: CleanLevel, figures: Mapping[str, Figure]) -> Chart | None:
    """Highest clean level per frequency; stretches that are only bounds are drawn on their own. None if not valid."""
    curve = found.level
    if not curve.valid.any():
        return None
    parts: tuple[tuple[BoolArray, Role, str], ...] = (
        (found.bound == 0, "direct", "limit reached"),
        (found.bound == 1, "before", "at least"),
        (found.bound == -1, "reflected part", "at most"),
    )
    # Words stand at the end of a line: one that ends in the middle of the plot has its words in the caption alone.
    last = int(np.flatnonzero(curve.valid)[-1])
    traces = tuple(
        Trace(_only(curve, rows, label), role, label if rows[last] else "", ribbon=label == "limit reached")
        for rows, role, label in parts
        if (rows & curve.valid).any()
    )
    shown = valid_values((curve,))
    high = 5.0 * ceil((float(shown.max(initial=100.0)) + 2.0) / 5.0)
    panel = Panel("Level at 1 m", curve.reference, high - 50.0, high, 5.0, traces=traces, regions=_regions(found))
    return chart(
        "highest_level",
        (panel,),
        finding=_highest_finding(figures),
        reading=_highest_reading(found),
        limits=found.limits.words(),
    )


def _only(curve: Curve, rows: BoolArray, name: str) -> Curve:
    return replace(curve, name=name, valid=curve.valid & rows)


def _regions(found: CleanLevel) -> tuple[ChartRegion, ...]:
    """Where compression and not distortion is what limits: the stretches of a quarter octave and more."""
    hz = found.level.axis.hz
    rows = found.level.valid & (found.reason == 2)
    bands = [(float(hz[run][0]), float(hz[run][-1])) for run in runs(rows)]
    return tuple(ChartRegion("window", *band, label="compression limits") for band in bands if band[1] > 1.19 * band[0])


def _highest_finding(figures: Mapping[str, Figure]) -> str:
    sentences = []
    for key, words in (
        ("highest_clean_level", "It plays cleanly to"),
        ("highest_clean_level_high_passed", "Crossed at 80 Hz to a subwoofer it plays cleanly to"),
        ("highest_clean_level_at_seat", "At the seat that is"),
    ):
        figure = figures.get(key)
        if figure is None or figure.value is None:
            continue
        note = figure.caveats[0] if figure.caveats else ""
        sentences.append(f"{words} {wording.figure_words(figure)}{f' ({note})' if note else ''}.")
    if sentences:
        return joined(*sentences, "All frequencies have the same voltage.")
    reasons = [figure.reason for figure in figures.values() if figure.key == "highest_clean_level" and figure.reason]
    return f"One level for the whole range is not stated: {reasons[0]}." if reasons else "See the curve."


def _highest_reading(found: CleanLevel) -> str:
    curve = found.level
    free = curve.valid & (found.bound == 1)
    share = float(free[curve.valid].mean()) if curve.valid.any() else 0.0
    reasons = tuple(REASONS[k] for k in (1, 2) if (curve.valid & (found.reason == k)).any())
    band = curve.valid_band_hz()
    return joined(
        f"Solid is the level at which {' or '.join(reasons)} passes the limit."
        if (curve.valid & (found.bound == 0)).any()
        else "",
        worded("exhibits.dashed_loudest_take_still", share_percent=100 * share) if share > 0 else "",
        "Dotted, the quietest take was beyond the limit already, so it plays less there than drawn."
        if (curve.valid & (found.bound == -1)).any()
        else "",
        "" if reasons else "Nothing was found that limits: louder takes are needed.",
        "A sine was used, one frequency at a time.",
        f"Judged from {wording.frequency_words(band[0])} to {wording.frequency_words(band[1])}."
        if band is not None
        else "",
    )


# How a caveat begins that tells what stops a burst.
_STOPS = ("harmonic", "held back")


def warm_chart(
    runs: Sequence[Curve], figures: Mapping[str, Figure], measurement: Measurement, squeezed: Compression | None
) -> Chart | None:
    """Loss after lasting noise, the sweep of the nearest voltage beside it; None without a noise run."""
    if not runs:
        return None
    curve, run = runs[-1], measurement.noise_runs[-1]
    after = f"{run.after_s:g}\N{NO-BREAK SPACE}s"
    traces = [Trace(curve, "direct", f"after {after} of noise", ribbon=True)]
    against = ""
    if squeezed is not None and squeezed.total:
        volts, sweep = min(
            zip(squeezed.drive_v[1:], squeezed.total, strict=True), key=lambda pair: abs(pair[0] - run.drive_v)
        )
        traces.append(Trace(sweep, "before", f"sweep at {volts:g}\N{NO-BREAK SPACE}V"))
        against = "The other line is what a sweep at nearly the same voltage loses at once."
    figure = figures.get(figure_at("compression_long_term", run.drive_v))
    return chart(
        "loss_by_heat",
        (loss_panel("Loss against the start", traces),),
        finding=_warm_finding(figure, after),
        note="" if figure is None else joined(*(wording.sentence(note) for note in figure.caveats[2:])),
        reading=joined(worded("exhibits.voice_coils_get_hot"), against),
        after=after,
        run=run,
    )


def _warm_finding(figure: Figure | None, after: str) -> str:
    if figure is None or figure.value is None or figure.u is None:
        reason = "it was not judged" if figure is None else figure.reason
        return f"The loss by heat is not stated: {reason}."
    if not wording.is_beyond(figure.value, figure.u):
        return f"After {after} of noise no loss larger than the uncertainty, {wording.figure_words(figure)}, is seen."
    return f"After {after} of noise it has lost at most {wording.figure_words(figure)} ({figure.caveats[0]})."


def bursts_table(figures: Mapping[str, Figure]) -> Table | None:
    """One row a frequency: highest peak level, and what stopped it; None without bursts."""
    found = [figure for key, figure in figures.items() if base_key(key) == "burst_level" and figure.value is not None]
    if not found:
        return None
    rows = []
    for figure in found:
        told = [note for note in figure.caveats if note.startswith(_STOPS)]
        stopped = "; ".join(told) if told else "the loudest was still clean"
        rows.append((place_of(figure.key), wording.figure_words(figure), stopped))
    for key in ("burst_level_lowest", "burst_level_mean", "burst_level_upper"):
        mean = figures.get(key)
        if mean is not None and mean.value is not None:
            rows.append((f"mean of {mean.caveats[0]}", wording.figure_words(mean), ""))
    shared = dict.fromkeys(
        note for figure in found for note in figure.caveats if not note.startswith(_STOPS)
    )  # fmt: skip
    return table(
        "bursts",
        rows,
        note=joined("Bursts of 6.5 cycles after ANSI/CTA-2010.", *(wording.sentence(note) for note in shared)),
    )


def two_tones_table(figures: Mapping[str, Figure]) -> Table | None:
    """One row a two-tone take: second and third order; None without one."""
    second = [
        figure for key, figure in figures.items() if base_key(key) == "intermodulation_2" and figure.value is not None
    ]
    rows = []
    for figure in second:
        third = figures.get(figure.key.replace("intermodulation_2", "intermodulation_3"))
        rows.append(
            (
                place_of(figure.key),
                ", ".join(figure.caveats[:2]),
                wording.figure_words(figure),
                "not measured" if third is None else wording.figure_words(third),
            )
        )
    if not rows:
        return None
    return table("intermodulation", rows)


TITLES = {
    "distortion_total": "Distortion",
    "compression": "Compression",
    "highest_clean_level": "Maximum clean SPL",
    "multitone_residue": "Multitone distortion",
    "compression_long_term": "Thermal compression",
}


def loudness(reading: Reading, measurement: Measurement) -> tuple[Chart | Table, ...]:
    """Distortion, compression, highest clean level, many and two tones, table of levels, bursts: as far as recorded."""
    found = level_series_reading(measurement, reading)
    shown: list[Chart | Table | None] = [
        distortion_chart(found.distortions, reading.figures),
        None if found.compression is None else compression_chart(found.compression, reading.figures, found.distortions),
        warm_chart(found.warm, found.figures, measurement, found.compression),
        None if found.clean is None else highest_level_chart(found.clean, reading.figures),
        equal_level_table(reading.figures),
        multitone_chart(found.multitones),
        two_tones_table(found.figures),
    ]
    if found.distortions:
        table = levels_table(found.distortions, reading.figures)
        note = " ".join((table.note, *(wording.sentence(note) for note in found.notes)))
        shown.append(replace(table, note=note))
    shown.append(bursts_table(reading.figures))
    return tuple(one for one in shown if one is not None)


def loudness_absent(reading: Reading) -> tuple[str, ...]:
    """A sentence for each exhibit of loudness that is missing, with the reason."""
    return tuple(
        f"{title} is not shown: {reading.missing[key]}." for key, title in TITLES.items() if key in reading.missing
    )
