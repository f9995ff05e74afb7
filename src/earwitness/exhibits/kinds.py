"""Exhibit: what a loudspeaker of a kind is read for, a chart over frequency or a table of its figures."""

from dataclasses import replace

import numpy as np

from earwitness.exhibits.chart import Chart, Panel, Role, Table, Trace
from earwitness.exhibits.level_facts import step_span, valid_values
from earwitness.exhibits.texts import chart, table
from earwitness.exhibits.words import true_minus, value_words
from earwitness.insight.kinds.reading import INFO, KindReading
from earwitness.quantities import Figure

_ROLES: tuple[Role, ...] = ("first", "second", "third", "fourth")
_LOWEST_DB = -30.0
_TITLES = {
    "center": "Lobing over the seats",
    "coaxial": "Coaxial drivers",
    "in-wall": "In a wall",
    "on-wall": "On a wall",
    "dipole": "Dipole before a wall",
    "line source": "Level by distance",
    "soundbar": "Level by distance",
    "horn": "Coverage and rows",
}


def kind_exhibit(kind: KindReading) -> Chart | Table | None:
    """The one exhibit of the reading; None where it is a sentence alone."""
    said = true_minus(" ".join(kind.sentences))
    if not kind.curves:
        cells = tuple((words[0].upper() + words[1:], _words(one), "; ".join(one.caveats)) for words, one in kind.rows)
        return table("kind", cells, note=said, title=_TITLES[kind.kind]) if cells else None
    low, high = step_span(valid_values(kind.curves), 5.0, low=-10.0, high=5.0)
    low = max(low, _LOWEST_DB)
    traces = tuple(
        Trace(replace(curve, values=np.maximum(curve.values, low)), role, curve.name, ribbon=True)
        for curve, role in zip(kind.curves, _ROLES, strict=False)
    )
    panel = Panel("Level", kind.curves[0].reference, low, high, 5.0, traces, db_per_decade=None)
    return chart("kind-over-frequency", (panel,), finding=said, title=_TITLES[kind.kind], low_hz=100.0)


def _words(figure: Figure) -> str:
    words = value_words(figure.value or 0.0, figure.u or 0.0, figure.unit, most=INFO[figure.key].decimals)
    return f"{figure.bound} {words}" if figure.bound else words
