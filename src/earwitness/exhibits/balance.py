"""Exhibit: the tonal balance, as the set of curves of ANSI/CTA-2034-A."""

from typing import Final

import numpy as np

from earwitness.exhibits.chart import Chart, Panel, Trace
from earwitness.exhibits.level_facts import (
    Wanted,
    deviation_words,
    joined,
    level_panel,
    splice_region,
    spread_of,
    step_span,
    traces_of,
    trust_words,
    valid_values,
)
from earwitness.exhibits.texts import chart
from earwitness.exhibits.words import exact_words, figure_words, listed
from earwitness.files.data import worded
from earwitness.quantities import Figure, Measurement, Reading

_LEVELS: Final[tuple[Wanted, ...]] = (
    ("on_axis", "direct", "on axis", False),
    ("listening_window", "window", "listening window", True),
    ("early_reflections", "reflected", "early reflections", False),
    ("sound_power", "all directions", "sound power", False),
)
# A subwoofer's range and what lies above it.
_BASS_TO_HZ: Final = 1000.0
_INDICES: Final[tuple[Wanted, ...]] = (
    ("early_reflections_di", "directivity", "early reflections DI", False),
    ("sound_power_di", "directivity", "sound power DI", False),
)


def balance(reading: Reading, measurement: Measurement) -> Chart | None:
    """Levels above, directivity indices beneath on the same frequency axis; None without an on-axis curve."""
    traces = traces_of(reading, _LEVELS)
    if not traces:
        return None
    panels = [level_panel(traces, regions=splice_region(measurement))]
    indices = traces_of(reading, _INDICES)
    if indices:
        # A little below zero in the bass is within the uncertainty, and worth no room.
        told = np.where((told := valid_values(tuple(t.curve for t in indices))) > -1.0, np.maximum(told, 0.0), told)
        floor_db, top_db = step_span(told, 5.0, low=0.0, high=10.0)
        panels.append(Panel("Directivity index", "dB", floor_db, top_db, 5.0, traces=indices))
    return chart(
        "balance",
        panels,
        finding=_finding(reading),
        high_hz=_BASS_TO_HZ if "bass_upper_6db" in reading.figures else 20_000.0,
        subtitle="Direct sound, early reflections and sound in all directions, after ANSI/CTA-2034-A"
        if len(traces) == len(_LEVELS)
        else _named(traces),
        reading=_reading(reading, measurement),
    )


def _named(traces: tuple[Trace, ...]) -> str:
    names = listed(tuple(trace.label for trace in traces))
    return f"{names[0].upper()}{names[1:]}, after ANSI/CTA-2034-A"


def _finding(reading: Reading) -> str:
    low, high = (reading.figures.get(key) for key in ("bass_lower_6db", "bass_upper_6db"))
    if low is not None and high is not None and low.is_judged and high.is_judged:
        ends = f"from {figure_words(low)} to {figure_words(high)}"
        return f"The level stays within 6 dB of its mean from 40 Hz to 80 Hz {ends}."
    key = "listening_window" if "listening_window" in reading.curves else "on_axis"
    words = {"listening_window": "The listening window", "on_axis": "The on-axis response"}[key]
    spread = spread_of(reading.curves[key]) if key in reading.curves else None
    first = f"{words} {deviation_words(spread)}." if spread else f"{words} is not valid over an octave of the midrange."
    lowest = reading.figures.get("f6")
    if lowest is None or lowest.value is None:
        return first
    return joined(first, _bass(lowest))


def _bass(lowest: Figure) -> str:
    """F6 belongs to the on-axis response, whichever curve the sentence before speaks of."""
    if lowest.bound and lowest.value is not None:
        at = exact_words(lowest.value, lowest.unit)
        return f"On axis the bass has not fallen by 6 dB at {at}, the lowest frequency judged (F6)."
    return f"On axis the bass has fallen by 6 dB at {figure_words(lowest)} (F6)."


def _reading(reading: Reading, measurement: Measurement) -> str:
    absent = [key for key, *_ in (*_LEVELS, *_INDICES) if key not in reading.curves]
    indices = "" if "sound_power_di" in absent else worded("exhibits.lower_panel_directivity_index")
    return joined(
        "Curves that run alike mean that the reflections carry the same balance as the direct sound."
        if {"early_reflections", "sound_power"} - set(absent)
        else "",
        trust_words(measurement),
        indices,
    )
