"""Exhibit: what arrives in an ordinary room, predicted."""

from dataclasses import replace

import numpy as np

from earwitness.exhibits.chart import Chart
from earwitness.exhibits.level_facts import (
    deviation_words,
    joined,
    level_panel,
    splice_region,
    spread_of,
    traces_of,
    trust_words,
)
from earwitness.exhibits.texts import chart
from earwitness.exhibits.words import band_words, is_beyond, listed, value_words
from earwitness.figures.linearity import Line, slope
from earwitness.files.data import worded
from earwitness.quantities import Curve, Figure, Measurement, Reading
from earwitness.standards import cta2034


def in_room(reading: Reading, measurement: Measurement) -> Chart | None:
    """The predicted in-room response with its uncertainty; None where it could not be had."""
    curve = reading.curves.get("in_room")
    if curve is None:
        return None
    traces = traces_of(reading, (("in_room", "in room", "in-room estimate", True),))
    return chart(
        "in_room",
        (level_panel(traces, regions=splice_region(measurement)),),
        finding=_finding(curve, reading),
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


def _finding(curve: Curve, reading: Reading) -> str:
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
