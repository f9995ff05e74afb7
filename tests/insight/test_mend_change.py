"""Changes of figures: their uncertainty and their sense."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from mend_worlds import alike, truth

from earwitness.figures.windows import windows
from earwitness.insight.mend.equalizer import Band, Equalizer, gain_db
from earwitness.insight.mend.report import ROUGHNESS, changes, drawn_curves, mended, uncertainties
from earwitness.quantities import report_axis


def test_the_slope_s_change_is_the_equalizer_s_own_and_has_no_better_or_worse() -> None:
    found = mended(truth("causeway"), Equalizer((Band("high_shelf", 1000.0, 2.0, 0.7),)))
    [slope] = [one for one in found.changes if one.key == "in_room_slope"]
    assert slope.u == 0.0
    assert slope.sense == "changed"


def test_better_worse_and_no_certain_change() -> None:
    flaw = Equalizer((Band("peaking", 1000.0, 4.0, 2.0),))
    levels = alike(gain_db(flaw, report_axis().hz), u_db=0.1)
    cure = Equalizer((Band("peaking", 1000.0, -4.0, 2.0),))
    key = ROUGHNESS + "on_axis"
    sense = {one.key: one.sense for one in mended(levels, cure).changes}
    assert sense[key] == sense["preference_rating_with_subwoofer"] == sense["linearity_above"] == "better"
    worse = {one.key: one.sense for one in mended(levels, flaw).changes}
    assert worse[key] == worse["preference_rating_with_subwoofer"] == worse["linearity_above"] == "worse"
    noisy = replace(levels, u_db=np.full(levels.u_db.shape, 3.0))
    little = Equalizer((Band("peaking", 6000.0, -0.2, 2.0),))
    unsure = {one.key: one.sense for one in mended(noisy, little).changes}
    assert unsure[key] == "no certain change"


@pytest.mark.parametrize("seed", range(3))
def test_the_spread_of_a_change_is_that_of_repeated_measurements(seed: int) -> None:
    """Monte Carlo: curves drawn anew by another generator, unevenness before and after, the standard deviation of the
    difference; errors hang together over a third of an octave."""
    axis = report_axis()
    random = np.random.default_rng(seed)
    flaw = gain_db(Equalizer((Band("peaking", 700.0, 3.0, 1.0),)), axis.hz)
    cure = Equalizer((Band("peaking", 700.0, -2.0, 1.0),))
    curve = windows(alike(flaw, u_db=0.3)).curves["on_axis"]
    told = uncertainties(drawn_curves({"on_axis": curve}), cure)[ROUGHNESS + "on_axis"]
    use = (axis.hz >= 100.0) & (axis.hz <= 10_000.0)
    x = np.log2(axis.hz[use])
    kernel = np.exp(-0.5 * ((x[:, None] - x) / (1 / 3 / np.sqrt(2) * np.sqrt(2))) ** 2)
    rows = random.multivariate_normal(np.zeros(x.size), kernel, 400, method="svd") * 0.3

    def rough(values: np.ndarray) -> np.ndarray:
        line = np.polynomial.polynomial.polyfit(x, values.T, 1)
        return np.std(values - (line[0][:, None] + line[1][:, None] * x), axis=1)

    truth_spread = np.std(rough(flaw[use] + gain_db(cure, axis.hz)[use] + rows) - rough(flaw[use] + rows))
    assert told == pytest.approx(truth_spread, rel=0.6)
    assert told < 0.3


def test_nothing_set_changes_nothing() -> None:
    curves = windows(truth("thimble")).curves
    told = changes(drawn_curves(curves), Equalizer(()), ({}, {}), {"on_axis": (0.3, 0.3)})
    assert [(one.change, one.u, one.sense) for one in told] == [(0.0, 0.0, "no certain change")]


def test_a_dip_that_a_boost_beside_it_fills_is_nothing_gained() -> None:
    """A dip of 2 dB at 8 kHz, and 6 dB at 9 kHz: by the two bells' own formula it is less deep, and the spread is
    wider."""
    dip, boost = Equalizer((Band("peaking", 8000.0, -2.0, 3.0),)), Equalizer((Band("peaking", 9000.0, 6.0, 2.0),))
    hz = report_axis().hz
    inside = (hz >= 100.0) & (hz <= 10_000.0)
    before, after = gain_db(dip, hz)[inside], (gain_db(dip, hz) + gain_db(boost, hz))[inside]
    assert after.min() > before.min()
    assert np.ptp(after) > np.ptp(before) + 1.0
    sense = {one.key: one.sense for one in mended(alike(gain_db(dip, hz), u_db=0.05), boost).changes}
    assert sense["linearity_half_range"] == "worse"
    assert sense["linearity_below"] == "changed"
