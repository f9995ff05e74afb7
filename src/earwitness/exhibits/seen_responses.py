"""Exhibit of the bench: responses that somebody brings, as their files have them."""

from earwitness.exhibits.chart import Chart, Panel, Trace
from earwitness.exhibits.level_facts import level_span
from earwitness.exhibits.texts import chart
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
