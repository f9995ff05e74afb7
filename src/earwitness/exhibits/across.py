"""Exhibits: how the sound changes to the sides and above and below, as maps over angle and frequency."""

from dataclasses import replace
from typing import Literal

import numpy as np

from earwitness.errors import InputError
from earwitness.exhibits.chart import Caption, Chart, Panel
from earwitness.exhibits.level_facts import joined, trust_words
from earwitness.exhibits.words import COVERAGE_FACTOR, MINUS, frequency_words, listed
from earwitness.figures.maps import dips_key
from earwitness.files.data import worded
from earwitness.quantities import Curve, DirectivityMap, Measurement, Reading
from earwitness.quantities.directions import on_orbit

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
    words = f"{angle_deg:+g}°".replace("-", MINUS)
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
            found.append(replace(curve, name=f"{side}, {MINUS}{EDGE_DB} dB", values=values))
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
        caption=Caption(_finding(edges, orbit), _reading_words(reading, field, edges, measurement)),
        panels=(Panel("Angle", "°", low, high, 30.0, map=field, map_edges=edges, db_per_decade=None),),
    )


def _finding(edges: tuple[Curve, ...], orbit: Orbit) -> str:
    parts: dict[str, list[str]] = {}
    for side in SIDES[orbit]:
        edge = next((e for e in edges if e.key == edge_key(side)), None)
        at = tuple(words for hz in SPOKEN_HZ if edge is not None and (words := _edge_at(edge, hz)))
        if at:
            parts.setdefault(listed(at), []).append(_SIDE_WORDS[side])
    if not parts:
        return "No angle at which the sound has fallen by 6 dB (coverage) could be stated from these directions."
    told = "; ".join(f"{' and '.join(sides)} {at}" for at, sides in parts.items())
    return f"Coverage ({EDGE_DB}\N{NO-BREAK SPACE}dB down) {told}."


def _edge_at(edge: Curve, frequency_hz: float) -> str:
    row = int(np.abs(np.log(edge.axis.hz / frequency_hz)).argmin())
    if not edge.valid[row] or abs(np.log2(edge.axis.hz[row] / frequency_hz)) > 1 / 12:
        return ""
    expanded = COVERAGE_FACTOR * float(edge.u_total[row])
    spread = f"\N{NO-BREAK SPACE}±\N{NO-BREAK SPACE}{max(round(expanded), 1)}°"
    return f"{abs(edge.values[row]):.0f}{spread} at {frequency_words(frequency_hz)}"


def _reading_words(reading: Reading, field: DirectivityMap, edges: tuple[Curve, ...], measurement: Measurement) -> str:
    keys = tuple(edge_key(side) + NOT_REACHED for side in SIDES[field.orbit])
    reasons = tuple(dict.fromkeys(reading.choices[key] for key in keys if key in reading.choices))
    return joined(
        "Each color is a step in level; the lines stand at −3, −6 and −10 dB.",
        "A loudspeaker that treats all listeners alike has bands of even width, without pinches.",
        _edge_words(reading, field) if edges else "",
        f"Where there is none, {listed(reasons)}." if reasons else "",
        trust_words(measurement, has_bracket=False),
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
