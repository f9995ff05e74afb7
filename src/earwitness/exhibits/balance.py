"""Exhibits of the curves of ANSI/CTA-2034-A: balance, early reflections, evenness, the room, and maps over angle."""

from dataclasses import replace
from typing import Final, Literal

import numpy as np

from earwitness.errors import InputError
from earwitness.exhibits import level_facts
from earwitness.exhibits import words as wording
from earwitness.exhibits.chart import Caption, Chart, ChartRegion, Mark, Panel, Trace, chart
from earwitness.figures.linearity import LINEARITY_BAND_HZ, FittedLine, slope
from earwitness.figures.maps import dips_key
from earwitness.figures.sampling import band_grid, sampled, smoothed
from earwitness.files.data import worded
from earwitness.quantities import Curve, DirectivityMap, Figure, Measurement, Reading, on_orbit
from earwitness.standards import cta2034

_LEVELS: Final[tuple[level_facts.Wanted, ...]] = (
    ("on_axis", "direct", "on axis", False),
    ("listening_window", "window", "listening window", True),
    ("early_reflections", "reflected", "early reflections", False),
    ("sound_power", "all directions", "sound power", False),
)
# A subwoofer's range and what lies above it.
_BASS_TO_HZ: Final = 1000.0
_INDICES: Final[tuple[level_facts.Wanted, ...]] = (
    ("early_reflections_di", "directivity", "early reflections DI", False),
    ("sound_power_di", "directivity", "sound power DI", False),
)


def balance(reading: Reading, measurement: Measurement) -> Chart | None:
    """Levels above, directivity indices beneath on the same frequency axis; None without an on-axis curve."""
    traces = level_facts.traces_of(reading, _LEVELS)
    if not traces:
        return None
    panels = [level_facts.level_panel(traces, regions=level_facts.splice_region(measurement))]
    indices = level_facts.traces_of(reading, _INDICES)
    if indices:
        # A little below zero in the bass is within the uncertainty, and worth no room.
        told = np.where(
            (told := level_facts.valid_values(tuple(t.curve for t in indices))) > -1.0, np.maximum(told, 0.0), told
        )
        floor_db, top_db = level_facts.step_span(told, 5.0, low=0.0, high=10.0)
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
    names = wording.listed(tuple(trace.label for trace in traces))
    return f"{names[0].upper()}{names[1:]}, after ANSI/CTA-2034-A"


def _finding(reading: Reading) -> str:
    low, high = (reading.figures.get(key) for key in ("bass_lower_6db", "bass_upper_6db"))
    if low is not None and high is not None and low.is_judged and high.is_judged:
        ends = f"from {wording.figure_words(low)} to {wording.figure_words(high)}"
        return f"The level stays within 6 dB of its mean from 40 Hz to 80 Hz {ends}."
    key = "listening_window" if "listening_window" in reading.curves else "on_axis"
    words = {"listening_window": "The listening window", "on_axis": "The on-axis response"}[key]
    spread = level_facts.spread_of(reading.curves[key]) if key in reading.curves else None
    first = (
        f"{words} {level_facts.deviation_words(spread)}."
        if spread
        else f"{words} is not valid over an octave of the midrange."
    )
    lowest = reading.figures.get("f6")
    if lowest is None or lowest.value is None:
        return first
    return level_facts.joined(first, _bass(lowest))


def _bass(lowest: Figure) -> str:
    """F6 belongs to the on-axis response, whichever curve the sentence before speaks of."""
    if lowest.bound and lowest.value is not None:
        at = wording.exact_words(lowest.value, lowest.unit)
        return f"On axis the bass has not fallen by 6 dB at {at}, the lowest frequency judged (F6)."
    return f"On axis the bass has fallen by 6 dB at {wording.figure_words(lowest)} (F6)."


def _reading(reading: Reading, measurement: Measurement) -> str:
    absent = [key for key, *_ in (*_LEVELS, *_INDICES) if key not in reading.curves]
    indices = "" if "sound_power_di" in absent else worded("exhibits.lower_panel_directivity_index")
    return level_facts.joined(
        "Curves that run alike mean that the reflections carry the same balance as the direct sound."
        if {"early_reflections", "sound_power"} - set(absent)
        else "",
        level_facts.trust_words(measurement),
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
    parts = level_facts.traces_of(reading, tuple((key, "reflected part", label, False) for key, label in PARTS.items()))
    if not parts:
        return None
    traces = level_facts.traces_of(reading, (("early_reflections", "reflected", "early reflections", True),)) + parts
    has_mean = "early_reflections" in reading.curves
    missing = [
        f"{label} ({wording.short_reason(reading.missing[key])})"
        for key, label in PARTS.items()
        if key in reading.missing
    ]
    return chart(
        "reflections",
        (level_facts.level_panel(traces, regions=level_facts.splice_region(measurement)),),
        finding=_reflections_finding(reading),
        reading=level_facts.joined(
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
    if not wording.is_beyond(value, u):
        return worded(
            "exhibits.no_surface_first_reflection",
            zero=wording.value_words(0.0, u, "dB"),
            band=wording.band_words(band),
        )
    side = "weaker" if value < 0 else "stronger"
    return (
        f"The {label.removesuffix('s')} reflection differs most from direct sound: "
        f"{wording.value_words(abs(value), u, 'dB')} {side} on average, {wording.band_words(band)}."
    )


def _mean_difference(part: Curve, window: Curve) -> tuple[float, float, tuple[float, float]] | None:
    """Mean of part minus window in dB over the band both cover, its uncertainty (all frequencies together), band."""
    shared = level_facts.valid_part(part, LINEARITY_BAND_HZ)
    shared = level_facts.valid_part(window, shared) if shared else None
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
    spread = level_facts.direct_spread(reading)
    if curve is None or spread is None:
        return None
    middle = 5.0 * round(spread.mean_db / 5.0)
    low_hz, high_hz = spread.band_hz
    windows = tuple(
        ChartRegion(
            "window", low_hz, high_hz, low=spread.mean_db - half, high=spread.mean_db + half, label=f"±{half:g} dB"
        )
        for half in WINDOWS_DB
    )
    panel = level_facts.level_panel(
        level_facts.traces_of(reading, (("on_axis", "direct", "on axis", True),)),
        span=(middle - _BELOW_DB, middle + _ABOVE_DB),
        regions=windows + level_facts.splice_region(measurement),
        marks=_marks(spread),
    )
    return chart(
        "evenness",
        (panel,),
        finding=level_facts.joined(
            f"The on-axis response {level_facts.deviation_words(spread)}.", _share_words(reading, curve, spread)
        ),
        reading=level_facts.joined(
            worded("exhibits.two_gray_bands_yardsticks"),
            f"Deviations are taken after 1/{level_facts.SMOOTHING} octave smoothing; the curve is drawn without.",
            level_facts.trust_words(measurement),
        ),
    )


def share_inside(curve: Curve, spread: level_facts.LevelSpread, half_db: float) -> float:
    """Share of the band, on a logarithmic frequency scale, within `half_db` of the mean."""
    values, _, _, valid = sampled(smoothed(curve, level_facts.SMOOTHING), band_grid(*spread.band_hz))
    return float((np.abs(values[valid] - spread.mean_db) <= half_db).mean())


def _share_words(reading: Reading, curve: Curve, spread: level_facts.LevelSpread) -> str:
    inner, outer = (
        wording.figure_words(found)
        if (found := reading.figures.get(key)) is not None and found.is_judged
        else f"{round(100 * share_inside(curve, spread, half_db))}\N{NO-BREAK SPACE}%"
        for key, half_db in (("linearity_share_1p5db", 1.5), ("linearity_share_3db", 3.0))
    )
    return f"Of the band {inner} lies within ±1.5 dB and {outer} within ±3 dB."


def _marks(spread: level_facts.LevelSpread) -> tuple[Mark, ...]:
    def text(extreme: level_facts.Extreme, word: str) -> str:
        amount = wording.value_words(abs(extreme.value_db), extreme.u_db, "dB")
        return f"{amount} {word} the mean level at {wording.frequency_words(extreme.at_hz)}"

    found = [
        (extreme, word)
        for extreme, sign, word in ((spread.rise, 1, "above"), (spread.dip, -1, "below"))
        if sign * extreme.value_db > 0 and wording.is_beyond(extreme.value_db, extreme.u_db)
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
    traces = level_facts.traces_of(reading, (("in_room", "in room", "in-room estimate", True),))
    return chart(
        "in_room",
        (level_facts.level_panel(traces, regions=level_facts.splice_region(measurement)),),
        finding=_in_room_finding(curve, reading),
        reading=level_facts.joined(
            f"This is the balance to expect on average in a furnished room: {_mix()}.",
            worded("exhibits.steady_fall_toward_treble"),
            "Below about 300 Hz a real room adds its own resonances.",
            level_facts.trust_words(measurement),
        ),
    )


def _mix() -> str:
    names = {
        "listening_window": "direct sound",
        "early_reflections": "early reflections",
        "sound_power": "sound in all directions",
    }
    return wording.listed(tuple(f"{100 * share:.0f} % {names[key]}" for key, share in cta2034.IN_ROOM_WEIGHTS.items()))


def _in_room_finding(curve: Curve, reading: Reading) -> str:
    found = reading.figures.get("in_room_slope") or _slope_of(curve)
    if found.value is None or found.u is None:
        return level_facts.joined(
            f"No slope of the predicted in-room response can be stated: {found.reason}.", _strays(curve, 0.0)
        )
    amount = wording.value_words(abs(found.value), found.u, found.unit)
    if not wording.is_beyond(found.value, found.u):
        tilt = f"The predicted in-room response is level: {amount} of slope"
    else:
        way = "falls" if found.value < 0 else "rises"
        tilt = f"The predicted in-room response {way} toward the treble by {amount}"
    return level_facts.joined(
        f"{tilt}, {wording.band_words(found.band_hz)}." if found.band_hz else f"{tilt}.", _strays(curve, found.value)
    )


def _slope_of(curve: Curve) -> Figure:
    line = slope(curve, key="in_room_slope")
    return line.slope if isinstance(line, FittedLine) else line


def _strays(curve: Curve, slope_db_per_octave: float) -> str:
    """How far the curve lies off a line of that slope."""
    tilted = replace(curve, values=curve.values - slope_db_per_octave * np.log2(curve.axis.hz / 1000.0))
    spread = level_facts.spread_of(tilted)
    level = "this tilt" if slope_db_per_octave else "its mean level"
    return f"It {level_facts.deviation_words(spread, level)}." if spread else ""


Orbit = Literal["horizontal", "vertical"]
SPOKEN_HZ = (1000.0, 4000.0, 10_000.0)
EDGE_DB = 6
NOT_REACHED = "_not_reached"
_TITLES = {"horizontal": "Horizontal directivity", "vertical": "Vertical directivity"}
_SUBTITLES = {
    "horizontal": "Horizontal directivity: level to the left (+) and right (−), against the axis",
    "vertical": "Vertical directivity: level above (+) and below (−), against the axis",
}
SIDES = {"horizontal": ("left", "right"), "vertical": ("up", "down")}
_SIDE_WORDS = {"left": "left", "right": "right", "up": "upward", "down": "downward"}


def across(reading: Reading, measurement: Measurement) -> Chart | None:
    """Horizontal map with its coverage edges; None without a horizontal orbit."""
    return _map_chart(reading, measurement, "horizontal", "across")


def above(reading: Reading, measurement: Measurement) -> Chart | None:
    """Vertical map with its coverage edges; None without a vertical orbit."""
    return _map_chart(reading, measurement, "vertical", "above")


def map_against(drawn: Chart, angle_deg: float) -> Chart:
    """A chart of a map with its levels against another direction than the axis, without the coverage edges, which
    count from the axis. Raises InputError for an angle that the map does not have."""
    (panel,) = drawn.panels
    field = panel.map
    rows = np.flatnonzero(np.abs(field.angle_deg - angle_deg) < 0.01) if field is not None else np.empty(0)
    if field is None or not rows.size:
        raise InputError(f"{drawn.title} has no direction at {angle_deg:g}°", remedy="choose one from the list")
    at = int(rows[0])
    words = f"{angle_deg:+g}°".replace("-", wording.MINUS)
    shifted = replace(
        field,
        level_db=field.level_db - field.level_db[at],
        valid=field.valid & field.valid[at],
        reference=f"dB relative to {words}",
    )
    return replace(
        drawn,
        subtitle=drawn.subtitle.replace("against the axis", f"against {words}"),
        caption=Caption(
            f"Normalized to {words}: every level is told relative to the sound in that direction.",
            "Coverage counts from the axis and is not drawn here. Each color is a step in level; the lines stand at "
            "−3, −6 and −10 dB.",
        ),
        panels=(replace(panel, map=shifted, map_edges=()),),
    )


def coverage_edges(reading: Reading, orbit: Orbit) -> tuple[Curve, ...]:
    """Angles of the 6 dB fall on both sides of one orbit [deg]; those to the right and downward negative."""
    found = []
    for side in SIDES[orbit]:
        curve = reading.curves.get(edge_key(side))
        if curve is not None:
            sign = -1.0 if side in ("right", "down") else 1.0
            # Where the fall is not reached there is no edge to draw, not even a pale one.
            values = np.where(curve.valid, sign * curve.values, np.nan)
            found.append(replace(curve, name=f"{side}, {wording.MINUS}{EDGE_DB} dB", values=values))
    return tuple(found)


def edge_key(side: str) -> str:
    """Key of the curve of coverage angles on one side."""
    return f"coverage_{side}_{EDGE_DB}db"


def _map_chart(reading: Reading, measurement: Measurement, orbit: Orbit, key: str) -> Chart | None:
    field = reading.maps.get(orbit)
    if field is None or not field.valid.any():
        return None
    edges = coverage_edges(reading, orbit)
    angles = field.angle_deg
    low, high = (-180.0, 180.0) if angles.min() < -90 or angles.max() > 90 else (-90.0, 90.0)
    return Chart(
        key=key,
        title=_TITLES[orbit],
        subtitle=_SUBTITLES[orbit],
        caption=Caption(_directivity_finding(edges, orbit), _reading_words(reading, field, edges, measurement)),
        panels=(Panel("Angle", "°", low, high, 30.0, map=field, map_edges=edges, db_per_decade=None),),
    )


def _directivity_finding(edges: tuple[Curve, ...], orbit: Orbit) -> str:
    parts: dict[str, list[str]] = {}
    for side in SIDES[orbit]:
        edge = next((e for e in edges if e.key == edge_key(side)), None)
        at = tuple(words for hz in SPOKEN_HZ if edge is not None and (words := _edge_at(edge, hz)))
        if at:
            parts.setdefault(wording.listed(at), []).append(_SIDE_WORDS[side])
    if not parts:
        return "No angle at which the sound has fallen by 6 dB (coverage) could be stated from these directions."
    told = "; ".join(f"{' and '.join(sides)} {at}" for at, sides in parts.items())
    return f"Coverage ({EDGE_DB}\N{NO-BREAK SPACE}dB down) {told}."


def _edge_at(edge: Curve, frequency_hz: float) -> str:
    row = int(np.abs(np.log(edge.axis.hz / frequency_hz)).argmin())
    if not edge.valid[row] or abs(np.log2(edge.axis.hz[row] / frequency_hz)) > 1 / 12:
        return ""
    expanded = wording.COVERAGE_FACTOR * float(edge.u_total[row])
    spread = f"\N{NO-BREAK SPACE}±\N{NO-BREAK SPACE}{max(round(expanded), 1)}°"
    return f"{abs(edge.values[row]):.0f}{spread} at {wording.frequency_words(frequency_hz)}"


def _reading_words(reading: Reading, field: DirectivityMap, edges: tuple[Curve, ...], measurement: Measurement) -> str:
    keys = tuple(edge_key(side) + NOT_REACHED for side in SIDES[field.orbit])
    reasons = tuple(dict.fromkeys(reading.choices[key] for key in keys if key in reading.choices))
    return level_facts.joined(
        "Each color is a step in level; the lines stand at −3, −6 and −10 dB.",
        "A loudspeaker that treats all listeners alike has bands of even width, without pinches.",
        _edge_words(reading, field) if edges else "",
        f"Where there is none, {wording.listed(reasons)}." if reasons else "",
        level_facts.trust_words(measurement, has_bracket=False),
        "Where the map is blank nothing could be trusted." if not field.valid.all() else "",
        _step_words(field, measurement),
    )


def _edge_words(reading: Reading, field: DirectivityMap) -> str:
    """What the fall counts from, and where that is not the axis."""
    said = worded("exhibits.heavier_edge_marks_where", edge_db=EDGE_DB)
    dips = reading.choices.get(dips_key(field.orbit))
    return said if dips is None else f"{said} So it is where the axis lies in a dip: {dips}."


def _step_words(field: DirectivityMap, measurement: Measurement) -> str:
    """How far apart the directions stand that were measured, which may be wider than those of the map."""
    angles = np.unique(on_orbit(measurement.response.directions, field.orbit)[1].round(3))
    if angles.size < 2:
        return ""
    steps = np.diff(angles)
    least, most = (f"{step:.0f}°" for step in (steps.min(), steps.max()))
    every = most if least == most else f"{least} to {most}"
    how = "Directions were measured" if measurement.scan is None else "The scan gives a direction"
    return f"{how} every {every}; between them the map is drawn over."
