"""Loudspeakers beside each other: what differs stands first, and says which way it is better."""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.errors import InputError
from earwitness.exhibits.compare import CURVES, compare_curves, compare_difference, compare_table, differs
from earwitness.figures.registry import FIGURES
from earwitness.insight.compare import Candidate
from earwitness.quantities import Curve, Figure, FrequencyAxis

HZ = 20.0 * 2.0 ** (np.arange(240) / 24.0)


def figure(key: str, value: float, u: float) -> Figure:
    return Figure(key, value, u, FIGURES[key].unit, None, "")


def curve(key: str, level_db: float, bump_db: float = 0.0) -> Curve:
    values = level_db + bump_db * np.exp(-((np.log2(HZ / 6000.0) / 0.4) ** 2))
    even = np.full(HZ.size, 0.1)
    return Curve(key, key, FrequencyAxis(HZ), values, even, 0 * even, even > 0, "dB", "dB SPL at 1 m, 2.83 V", ())


def candidate(name: str, *figures: Figure, bump_db: float = 0.0) -> Candidate:
    curves = {key: curve(key, 5.0 if key.endswith("_di") else 85.0, bump_db) for key in CURVES}
    return Candidate(name, name, "monitor", "2026-01-01", {one.key: one for one in figures}, curves)


def test_what_is_better_or_worse_stands_first_then_what_is_neither_then_what_is_alike() -> None:
    """k = 2: 40 against 30 Hz with u = 1 Hz each differ by 10 > 2 sqrt(2); 6.0 and 6.2 with u = 0.2 do not."""
    own = (("in_room_slope", -1.0, 0.1), ("preference_rating", 6.0, 0.2), ("f6", 40.0, 1.0), ("f3", 50.0, 1.0))
    others = (("in_room_slope", -0.4, 0.1), ("preference_rating", 6.2, 0.2), ("f6", 30.0, 1.0), ("f3", 60.0, 1.0))
    table = compare_table(
        [candidate("A", *(figure(*one) for one in own)), candidate("B", *(figure(*one) for one in others))]
    )
    cells = [row[2] for row in table.rows]
    assert "● better" in cells[0]
    assert "◆ worse" in cells[1]
    assert "≠ higher" in cells[2]
    assert [differs(row) for row in table.rows] == [True, True, True, False]


@pytest.mark.parametrize(
    ("key", "other", "words"), [("linearity_half_range", 3.0, "◆"), ("impedance_minimum", 7.0, "●")]
)
def test_the_sense_is_that_of_the_figure(key: str, other: float, words: str) -> None:
    """Less uneven is better; a higher impedance is easier to drive."""
    table = compare_table([candidate("A", figure(key, 1.0, 0.1)), candidate("B", figure(key, other, 0.1))])
    assert words in table.rows[0][2]


def test_differences_of_any_curve_are_the_first_less_each_other() -> None:
    """The second is 3 dB up at 6 kHz, outside the band in which levels are matched: the first less it is -3 dB."""
    chosen = [candidate("A"), candidate("B", bump_db=3.0), candidate("C")]
    chart = compare_difference(*chosen, curve="on_axis")
    up, alike = (trace.curve for trace in chart.panels[0].traces)
    row = int(np.abs(np.log(HZ / 6000.0)).argmin())
    assert up.values[row] == pytest.approx(-3.0, abs=0.1)
    assert np.abs(alike.values).max() < 1e-9
    assert chart.subtitle.startswith("On axis: A less each of the others, level-matched")
    assert "differs most by" in chart.caption.finding
    assert "differ nowhere" in chart.caption.finding


@pytest.mark.parametrize("key", CURVES)
def test_each_curve_is_laid_over_with_its_ribbon_under_a_key_of_its_own(key: str) -> None:
    chart = compare_curves([candidate("A"), candidate("B", bump_db=1.0)], curve=key)
    traces = chart.panels[0].traces
    assert all(trace.ribbon for trace in traces)
    assert len({trace.curve.key for panel in chart.panels for trace in panel.traces}) == 2 * len(chart.panels)
    assert ("level-matched" in chart.subtitle) is not key.endswith("_di")


def test_a_curve_that_is_none_and_one_that_is_missing_are_told() -> None:
    with pytest.raises(InputError, match="curve"):
        compare_curves([candidate("A"), candidate("B")], curve="loudness")
    bare = Candidate("C", "C", "monitor", "2026-01-01", {})
    with pytest.raises(InputError, match="C has no curve of this kind: on axis"):
        compare_difference(candidate("A"), bare, curve="on_axis")
