"""Exhibits: the findings as numbered marks on charts, and as a table with the same numbers."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from earwitness.exhibits.chart import Chart, Mark, Panel, Table, table
from earwitness.exhibits.words import frequency_words, true_minus, value_words
from earwitness.insight.findings import KINDS, Finding
from earwitness.insight.findings.finding import PLACES
from earwitness.insight.findings.sentences import signed_db

_OFF_AXIS = ("off_axis", "vertical")
_MARKED = ("balance", "evenness", "in_room")
_DIRECT = ("listening_window", "on_axis", "horizontal_window")
_AROUND = ("in_room", "early_reflections", "sound_power")


def marked(chart: Chart, findings: Sequence[Finding]) -> Chart:
    """The chart with findings as marks in its first panel, in place of marks of its own; others as they are.

    A finding stands on a curve that shows it: the direct sound first, or for what only other angles show the curve
    of what goes there; where the chart has no such curve it is left out.
    """
    if chart.key not in _MARKED or not findings:
        return chart
    panel = chart.panels[0]
    marks = tuple(mark for one in findings if (mark := _mark(panel, one)) is not None)
    return replace(chart, panels=(replace(panel, marks=marks), *chart.panels[1:])) if marks else chart


def _mark(panel: Panel, one: Finding) -> Mark | None:
    curves = {trace.curve.key: trace.curve for trace in panel.traces}
    order = (*_AROUND, *_DIRECT) if one.kind in _OFF_AXIS else (*_DIRECT, *_AROUND)
    key = next((key for key in order if key in curves and key in one.curves), None)
    if key is None:
        return None
    curve = curves[key]
    at = float(np.interp(np.log(one.center_hz), np.log(curve.axis.hz), curve.values))
    return Mark(one.key, one.center_hz, at, true_minus(one.title))


def findings_table(findings: Sequence[Finding]) -> Table | None:
    """All findings by their numbers; None without any."""
    if not findings:
        return None
    return table(
        "findings",
        tuple(
            (str(one.key), true_minus(one.title), size_words(one), _where(one), true_minus(one.sentence))
            for one in findings
        ),
    )


def size_words(one: Finding) -> str:
    """Signed size where it is largest, with its uncertainty, and Q where there is one."""
    told = one.told
    size = value_words(told.size_db, told.u_db, "dB", sign=True) if told.u_db > 0 else f"{told.size_db:+.0f} dB"
    size = true_minus(size)
    if one.q is None:
        return size
    if one.resonance is not None and one.resonance.least_q is not None:
        return f"{size}, Q at least\N{NO-BREAK SPACE}{one.resonance.least_q:.2g}"
    return f"{size}, Q\N{NO-BREAK SPACE}{one.q:.2g}"


def _where(one: Finding) -> str:
    """Kind, and the size in every curve."""
    if one.sizes and one.kind not in ("tilt", "band_limit"):
        sizes = (f"{PLACES[key].removeprefix('in the ')} {signed_db(size.size_db)}" for key, size in one.sizes.items())
        return f"{KINDS[one.kind]}: {', '.join(sizes)}"
    if one.kind == "band_limit":
        return f"{KINDS[one.kind]}, {frequency_words(one.center_hz)}"
    return KINDS[one.kind]
