"""Exhibits of the bench: responses as files have them, and on axis before and after a change of gate or splice."""

from dataclasses import replace

import numpy as np

from earwitness.exhibits.chart import Chart, Panel, Trace, chart
from earwitness.exhibits.level_facts import level_panel, level_span, valid_values
from earwitness.quantities import Curve


def seen_chart(curves: tuple[Curve, ...]) -> Chart | None:
    """Levels of a few directions, the one nearest the axis in the ink of the direct sound; None without any."""
    if not curves:
        return None
    low, high = level_span(curves, span_db=40.0)
    others = tuple(Trace(curve, "plain", curve.name) for curve in reversed(curves[1:]))
    first = Trace(curves[0], "direct", curves[0].name)
    finding = f"{len(curves)} directions of the data, {curves[0].name} in front." if others else "The data's direction."
    return chart(
        "seen-responses",
        (Panel("Level", "dB, as the files have it", low, high, 10.0, traces=(*others, first)),),
        finding=finding,
    )


BEFORE, AFTER = "before", "after"


def regate_chart(before: Curve) -> Chart:
    """The kept response, pale, and over it one to be redrawn as settings change: both are the kept one at first."""
    # The curve that is redrawn marks what does not hold by having no value there.
    whole = np.ones(len(before.axis), dtype=bool)
    after = replace(before, key=AFTER, name="with the settings tried", values=_held(before), valid=whole)
    kept = before.renamed(BEFORE, "as kept")
    traces = (Trace(kept, "before", "as kept"), Trace(after, "direct", "as tried"))
    return chart("regate", (level_panel(traces, span=_span_db(before)),), before=before)


def _span_db(curve: Curve) -> tuple[float, float]:
    """Ends of the level axis: the curve from 50 Hz on with room to move, 35 dB at most."""
    shown = valid_values((curve,), 50.0)
    if not shown.size:
        return -20.0, 10.0
    high = 5.0 * float(np.ceil(shown.max() / 5.0)) + 5.0
    return max(high - 35.0, 5.0 * float(np.floor(shown.min() / 5.0)) - 5.0), high


def _held(curve: Curve) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Values with those outside the valid band held at its edges."""
    rows = np.flatnonzero(curve.valid)
    if not rows.size:
        return np.asarray(curve.values, dtype=np.float64)
    every = np.arange(len(curve.axis))
    return np.asarray(np.interp(every, rows, curve.values[rows]), dtype=np.float64)
