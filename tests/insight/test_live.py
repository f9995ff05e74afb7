"""An equalizer in the hand against the whole way anew, and its warnings against what was built into the curves."""

from __future__ import annotations

import time

import numpy as np
import pytest

from earwitness.demo.world import true_pressure
from earwitness.figures.read import balance_figures, levels_of
from earwitness.figures.windows import DirectionalLevels, windows
from earwitness.insight.mend.equalizer import Band, Equalizer
from earwitness.insight.mend.live import CHECKED, boost_warnings, prepared, weighed
from earwitness.insight.mend.objective import problem_of
from earwitness.insight.mend.report import mended
from earwitness.insight.mend.task import EqualizerLimits
from earwitness.insight.mend.views import views_of
from earwitness.quantities import DirectionalResponse, cta_orbits, report_axis

BANDS = Equalizer((Band("peaking", 240.0, -2.1, 1.0), Band("high_shelf", 8000.0, 1.5, 0.7)))


@pytest.fixture(scope="module")
def levels() -> DirectionalLevels:
    """The invented tower's true levels on both orbits, without noise."""
    axis, directions = report_axis(), cta_orbits()
    pressure = true_pressure("causeway", directions, axis.hz)
    nothing = np.zeros(pressure.shape)
    everywhere = np.ones(pressure.shape, dtype=bool)
    return levels_of(DirectionalResponse(axis, directions, pressure, nothing, nothing[0], everywhere))


def test_moved_curves_give_the_figures_of_curves_made_anew(levels: DirectionalLevels) -> None:
    # Physics: one gain for all directions comes out of every energy average, sum w 10^((L + g) / 10) = 10^(g / 10) sum.
    curves = windows(levels).curves
    problem = problem_of(views_of(levels))
    now = weighed(prepared(curves, balance_figures(levels, windows(levels)), problem), BANDS)
    anew = mended(levels, BANDS, before=curves, problem=problem)
    assert set(now.roughness_db) == set(CHECKED)
    for key, figure in anew.figures_after.items():
        assert now.figures[key].value == pytest.approx(figure.value, abs=1e-9)
        assert now.figures[key].u == figure.u
    for key, (_, after) in anew.roughness_db.items():
        assert now.roughness_db[key] == pytest.approx(after, abs=1e-9)
    assert now.headroom == anew.headroom
    assert now.spread == anew.spread


def test_a_boost_below_the_useful_bass_is_warned_of_unless_forced(levels: DirectionalLevels) -> None:
    deep = Equalizer((Band("peaking", 25.0, 3.0, 1.0),))
    told = boost_warnings(problem_of(views_of(levels)), deep)
    assert any("below the useful bass" in words for words in told)
    forced = problem_of(views_of(levels), limits=EqualizerLimits(forced=True))
    assert boost_warnings(forced, deep) == ()


def test_more_boost_than_the_limit_is_warned_of_and_a_cut_is_not(levels: DirectionalLevels) -> None:
    problem = problem_of(views_of(levels))
    told = boost_warnings(problem, Equalizer((Band("peaking", 1000.0, 6.0, 2.0),)))
    assert [words for words in told if "all bands together boost by 6.0 dB; the limit is 3 dB" in words]
    assert boost_warnings(problem, Equalizer((Band("peaking", 1000.0, -6.0, 2.0),))) == ()


def test_a_move_is_weighed_within_milliseconds(levels: DirectionalLevels) -> None:
    # The goal is 5 ms of processor time; four times that still holds on a loaded machine.
    curves = windows(levels).curves
    at = prepared(curves, {}, problem_of(views_of(levels)))
    weighed(at, BANDS)
    begun = time.process_time()
    for _ in range(20):
        weighed(at, BANDS)
    assert (time.process_time() - begun) / 20 < 0.020


def test_curves_that_get_rougher_are_named_in_one_sentence(levels: DirectionalLevels) -> None:
    curves = windows(levels).curves
    deep = Equalizer((Band("peaking", 1000.0, -9.0, 4.0),))
    told = weighed(prepared(curves, {}, problem_of(views_of(levels))), deep).warnings
    assert [words for words in told if words.startswith("rougher than before, rms: on axis by ")]
