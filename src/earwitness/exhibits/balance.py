"""Exhibits of the curves of ANSI/CTA-2034-A: the tonal balance, early reflections, evenness, and the room predicted."""

from dataclasses import replace
from typing import Final

import numpy as np

from earwitness.exhibits.chart import Chart, Mark, Panel, Region, Trace, chart
from earwitness.exhibits.level_facts import (
    SMOOTHING,
    Extreme,
    Spread,
    Wanted,
    deviation_words,
    direct_spread,
    joined,
    level_panel,
    splice_region,
    spread_of,
    step_span,
    traces_of,
    trust_words,
    valid_part,
    valid_values,
)
from earwitness.exhibits.words import (
    band_words,
    exact_words,
    figure_words,
    frequency_words,
    is_beyond,
    listed,
    short_reason,
    value_words,
)
from earwitness.figures.linearity import LINEARITY_BAND_HZ, Line, slope
from earwitness.figures.sampling import band_grid, sampled, smoothed
from earwitness.files.data import worded
from earwitness.quantities import Curve, Figure, Measurement, Reading
from earwitness.standards import cta2034

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


PARTS = {
    "floor": "floor",
    "ceiling": "ceiling",
    "front_wall": "front wall",
    "side_wall": "side walls",
    "rear_wall": "rear wall",
}


def reflections(reading: Reading, measurement: Measurement) -> Chart | None:
    """Early reflections and the floor, ceiling and wall parts they are the mean of; None without any part."""
    parts = traces_of(reading, tuple((key, "reflected part", label, False) for key, label in PARTS.items()))
    if not parts:
        return None
    traces = traces_of(reading, (("early_reflections", "reflected", "early reflections", True),)) + parts
    has_mean = "early_reflections" in reading.curves
    missing = [
        f"{label} ({short_reason(reading.missing[key])})" for key, label in PARTS.items() if key in reading.missing
    ]
    return chart(
        "reflections",
        (level_panel(traces, regions=splice_region(measurement)),),
        finding=_reflections_finding(reading),
        reading=joined(
            "Each line is what one surface of a typical room sends back first; the solid line is their mean on energy."
            if has_mean
            else "Each line is what one surface of a typical room sends back first.",
            "A line that dips where the others do not shows a direction in which the drivers cancel.",
            f"Not shown: {'; '.join(missing)}." if missing else "",
        ),
    )


def _reflections_finding(reading: Reading) -> str:
    window = reading.curves.get("listening_window")
    found = []
    for key, label in PARTS.items():
        part = reading.curves.get(key)
        mean = _mean_difference(part, window) if part is not None and window is not None else None
        if mean is not None:
            found.append((mean[0], mean[1], label, mean[2]))
    if not found:
        return "How much weaker a reflection is than the direct sound cannot be stated without the listening window."
    value, u, label, band = max(found, key=lambda part: abs(part[0]))
    if not is_beyond(value, u):
        return worded("exhibits.no_surface_first_reflection", zero=value_words(0.0, u, "dB"), band=band_words(band))
    side = "weaker" if value < 0 else "stronger"
    return (
        f"The {label.removesuffix('s')} reflection differs most from direct sound: "
        f"{value_words(abs(value), u, 'dB')} {side} on average, {band_words(band)}."
    )


def _mean_difference(part: Curve, window: Curve) -> tuple[float, float, tuple[float, float]] | None:
    """Mean of part minus window in dB over the band both cover, its uncertainty (all frequencies together), band."""
    shared = valid_part(part, LINEARITY_BAND_HZ)
    shared = valid_part(window, shared) if shared else None
    if shared is None:
        return None
    difference = part.minus(window, key="difference", name="difference", reference="listening window")
    values, u, _, valid = sampled(difference, band_grid(*shared))
    if not valid.any():
        return None
    return float(values[valid].mean()), float(u[valid].mean()), shared


WINDOWS_DB = (3.0, 1.5)
_ABOVE_DB, _BELOW_DB = 10.0, 15.0


def evenness(reading: Reading, measurement: Measurement) -> Chart | None:
    """On-axis response as it is, with two windows about its mean level and its largest deviations numbered."""
    curve = reading.curves.get("on_axis")
    spread = direct_spread(reading)
    if curve is None or spread is None:
        return None
    middle = 5.0 * round(spread.mean_db / 5.0)
    low_hz, high_hz = spread.band_hz
    windows = tuple(
        Region("window", low_hz, high_hz, spread.mean_db - half, spread.mean_db + half, f"±{half:g} dB")
        for half in WINDOWS_DB
    )
    panel = level_panel(
        traces_of(reading, (("on_axis", "direct", "on axis", True),)),
        span=(middle - _BELOW_DB, middle + _ABOVE_DB),
        regions=windows + splice_region(measurement),
        marks=_marks(spread),
    )
    return chart(
        "evenness",
        (panel,),
        finding=joined(f"The on-axis response {deviation_words(spread)}.", _share_words(reading, curve, spread)),
        reading=joined(
            worded("exhibits.two_gray_bands_yardsticks"),
            f"Deviations are taken after 1/{SMOOTHING} octave smoothing; the curve is drawn without.",
            trust_words(measurement),
        ),
    )


def share_inside(curve: Curve, spread: Spread, half_db: float) -> float:
    """Share of the band, on a logarithmic frequency scale, within `half_db` of the mean."""
    values, _, _, valid = sampled(smoothed(curve, SMOOTHING), band_grid(*spread.band_hz))
    return float((np.abs(values[valid] - spread.mean_db) <= half_db).mean())


def _share_words(reading: Reading, curve: Curve, spread: Spread) -> str:
    inner, outer = (
        figure_words(found)
        if (found := reading.figures.get(key)) is not None and found.is_judged
        else f"{round(100 * share_inside(curve, spread, half_db))}\N{NO-BREAK SPACE}%"
        for key, half_db in (("linearity_share_1p5db", 1.5), ("linearity_share_3db", 3.0))
    )
    return f"Of the band {inner} lies within ±1.5 dB and {outer} within ±3 dB."


def _marks(spread: Spread) -> tuple[Mark, ...]:
    def text(extreme: Extreme, word: str) -> str:
        amount = value_words(abs(extreme.value_db), extreme.u_db, "dB")
        return f"{amount} {word} the mean level at {frequency_words(extreme.at_hz)}"

    found = [
        (extreme, word)
        for extreme, sign, word in ((spread.rise, 1, "above"), (spread.dip, -1, "below"))
        if sign * extreme.value_db > 0 and is_beyond(extreme.value_db, extreme.u_db)
    ]
    return tuple(
        Mark(number, extreme.at_hz, spread.mean_db + extreme.value_db, text(extreme, word))
        for number, (extreme, word) in enumerate(found, 1)
    )


def in_room(reading: Reading, measurement: Measurement) -> Chart | None:
    """The predicted in-room response with its uncertainty; None where it could not be had."""
    curve = reading.curves.get("in_room")
    if curve is None:
        return None
    traces = traces_of(reading, (("in_room", "in room", "in-room estimate", True),))
    return chart(
        "in_room",
        (level_panel(traces, regions=splice_region(measurement)),),
        finding=_in_room_finding(curve, reading),
        reading=joined(
            f"This is the balance to expect on average in a furnished room: {_mix()}.",
            worded("exhibits.steady_fall_toward_treble"),
            "Below about 300 Hz a real room adds its own resonances.",
            trust_words(measurement),
        ),
    )


def _mix() -> str:
    names = {
        "listening_window": "direct sound",
        "early_reflections": "early reflections",
        "sound_power": "sound in all directions",
    }
    return listed(tuple(f"{100 * share:.0f} % {names[key]}" for key, share in cta2034.IN_ROOM_WEIGHTS.items()))


def _in_room_finding(curve: Curve, reading: Reading) -> str:
    found = reading.figures.get("in_room_slope") or _slope_of(curve)
    if found.value is None or found.u is None:
        return joined(f"No slope of the predicted in-room response can be stated: {found.reason}.", _strays(curve, 0.0))
    amount = value_words(abs(found.value), found.u, found.unit)
    if not is_beyond(found.value, found.u):
        tilt = f"The predicted in-room response is level: {amount} of slope"
    else:
        way = "falls" if found.value < 0 else "rises"
        tilt = f"The predicted in-room response {way} toward the treble by {amount}"
    return joined(f"{tilt}, {band_words(found.band_hz)}." if found.band_hz else f"{tilt}.", _strays(curve, found.value))


def _slope_of(curve: Curve) -> Figure:
    line = slope(curve, key="in_room_slope")
    return line.slope if isinstance(line, Line) else line


def _strays(curve: Curve, slope_db_per_octave: float) -> str:
    """How far the curve lies off a line of that slope."""
    tilted = replace(curve, values=curve.values - slope_db_per_octave * np.log2(curve.axis.hz / 1000.0))
    spread = spread_of(tilted)
    level = "this tilt" if slope_db_per_octave else "its mean level"
    return f"It {deviation_words(spread, level)}." if spread else ""
