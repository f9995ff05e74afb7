"""Exhibits: compression of a level series, and the highest clean level."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from math import ceil, floor

import numpy as np

from earwitness.exhibits.chart import Chart, Panel, Region, Role, Trace, chart
from earwitness.exhibits.distortion import level_roles, level_words, step_words
from earwitness.exhibits.level_facts import joined, valid_values
from earwitness.exhibits.words import figure_words, frequency_words, is_beyond, sentence
from earwitness.figures.compression import Compression
from earwitness.figures.distortion import Distortion, figure_at
from earwitness.figures.highest_level import REASONS, CleanLevel
from earwitness.files.data import worded
from earwitness.quantities import Curve, Figure
from earwitness.quantities.arrays import BoolArray, runs


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
        finding=_finding(found, figures, labels[-1]),
        note=joined(*(sentence(note) for note in found.caveats)),
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


def _finding(found: Compression, figures: Mapping[str, Figure], label: str) -> str:
    loudest = found.drive_v[-1]
    largest = figures.get(figure_at("compression_largest", loudest))
    mean = figures.get(figure_at("compression_mean", loudest))
    if largest is None or largest.value is None or largest.u is None:
        reason = "it was not judged" if largest is None else largest.reason
        return f"At {label} compression is not stated: {reason}."
    if not is_beyond(largest.value, largest.u):
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


def _regions(found: CleanLevel) -> tuple[Region, ...]:
    """Where compression and not distortion is what limits: the stretches of a quarter octave and more."""
    hz = found.level.axis.hz
    rows = found.level.valid & (found.reason == 2)
    bands = [(float(hz[run][0]), float(hz[run][-1])) for run in runs(rows)]
    return tuple(Region("window", *band, label="compression limits") for band in bands if band[1] > 1.19 * band[0])


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
        sentences.append(f"{words} {figure_words(figure)}{f' ({note})' if note else ''}.")
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
        f"Judged from {frequency_words(band[0])} to {frequency_words(band[1])}." if band is not None else "",
    )
