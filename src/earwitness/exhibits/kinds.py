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
        cells = tuple((_name(one), _words(one), words) for words, one in kind.rows)
        return table("kind", cells, note=said, title=_TITLES[kind.kind]) if cells else None
    low, high = step_span(valid_values(kind.curves), 5.0, low=-10.0, high=5.0)
    low = max(low, _LOWEST_DB)
    traces = tuple(
        Trace(replace(curve, values=np.maximum(curve.values, low)), role, curve.name, ribbon=True)
        for curve, role in zip(kind.curves, _ROLES, strict=False)
    )
    panel = Panel("Level", kind.curves[0].reference, low, high, 5.0, traces, db_per_decade=None)
    hz = kind.curves[0].axis.hz
    low_hz, high_hz = max(30.0, float(hz[0])), min(20_000.0, float(hz[-1]))
    return chart(
        "kind-over-frequency", (panel,), finding=said, title=_TITLES[kind.kind], low_hz=low_hz, high_hz=high_hz
    )


def _name(figure: Figure) -> str:
    return INFO[figure.key].name[0].upper() + INFO[figure.key].name[1:]


def _words(figure: Figure) -> str:
    words = value_words(figure.value or 0.0, figure.u or 0.0, figure.unit, most=INFO[figure.key].decimals)
    return f"{figure.bound} {words}" if figure.bound else words
