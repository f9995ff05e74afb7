"""Before and after, cost and the moved slider, against closed forms and the windows worked out anew."""

from __future__ import annotations

import numpy as np
import pytest
from mend_worlds import alike, truth

from earwitness.insight.mend.design import design
from earwitness.insight.mend.equalizer import Band, Equalizer, gain_db
from earwitness.insight.mend.objective import problem_of
from earwitness.insight.mend.report import headroom, mended, unit_spread
from earwitness.insight.mend.views import views_of
from earwitness.quantities import report_axis

THREE = Equalizer(
    (Band("peaking", 245.0, -2.0, 0.8), Band("peaking", 6500.0, -3.0, 8.0), Band("high_shelf", 9e3, 2.0, 0.7))
)


@pytest.mark.parametrize(("boost", "factor"), [(3.0, 1.995262315), (6.0, 3.981071706), (10.0, 10.0)])
def test_power_of_a_boost(boost: float, factor: float) -> None:
    """s12.headroom_power_ratio_for_boost_3_6_10dB."""
    cost = headroom(Equalizer((Band("peaking", 1000.0, boost, 1.0),)))
    assert cost.preamp_db == pytest.approx(-boost, abs=1e-3)
    assert cost.boost_hz == pytest.approx(1000.0, rel=3e-3)
    assert cost.power_factor == pytest.approx(factor, rel=1e-3)


def test_a_cut_costs_nothing() -> None:
    cost = headroom(Equalizer((Band("peaking", 1000.0, -6.0, 1.0),)))
    assert cost.boost_db == pytest.approx(0.0, abs=1e-3)
    assert cost.pink_power_factor < 1.0


def test_every_curve_moves_by_the_gain_and_directivity_not_at_all() -> None:
    """All directions get the same dB, so every energy average does, and their differences stay (plain algebra)."""
    levels = truth("causeway")
    found = mended(levels, THREE)
    gain = gain_db(THREE, levels.axis.hz)
    for key in ("on_axis", "listening_window", "early_reflections", "sound_power", "in_room"):
        np.testing.assert_allclose(found.after[key].values - found.before[key].values, gain, atol=1e-9)
    for key in ("early_reflections_di", "sound_power_di"):
        np.testing.assert_allclose(found.after[key].values, found.before[key].values, atol=1e-9)


def test_a_mend_betters_what_it_was_not_designed_for() -> None:
    levels = truth("causeway")
    problem = problem_of(views_of(levels))
    found = mended(levels, design(problem, 3).equalizer, problem=problem)
    assert not found.warnings
    assert all(after < before for before, after in found.roughness_db.values())
    assert set(found.roughness_db) == {"on_axis", "listening_window", "early_reflections", "sound_power", "in_room"}
    before, after = (f["preference_rating"].value for f in (found.figures_before, found.figures_after))
    assert before is not None
    assert after is not None
    assert after > before + 0.2
    assert found.spread is not None
    assert found.spread.left_db <= found.spread.worst_db < found.spread.untouched_db


def test_a_spoiler_is_warned_of() -> None:
    found = mended(alike(np.zeros(len(report_axis()))), Equalizer((Band("peaking", 1000.0, 6.0, 4.0),)))
    assert len(found.warnings) == 5
    assert found.warnings[0].startswith("rougher by ")
    assert found.warnings[0].endswith(" dB rms than without it: on axis")


def test_a_narrow_mend_tolerates_less_spread_than_a_broad_one() -> None:
    """A cut shifted by more than about its own half width does harm instead of good."""
    tolerated = []
    for q in (1.0, 6.0):
        flaw = Equalizer((Band("peaking", 1000.0, 6.0, q),))
        problem = problem_of(views_of(alike(gain_db(flaw, report_axis().hz))))
        spread = unit_spread(problem, design(problem, 1).equalizer)
        tolerated.append(spread.tolerated_percent if spread.tolerated_percent is not None else 31.0)
    assert tolerated[1] < 0.5 * tolerated[0]
