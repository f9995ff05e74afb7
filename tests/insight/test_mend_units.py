"""Spread over units for an equalizer: against families drawn with a known spread."""

from __future__ import annotations

import numpy as np
import pytest
from mend_worlds import alike

from earwitness.insight.mend.equalizer import Band, Equalizer, gain_db
from earwitness.insight.mend.objective import problem_of
from earwitness.insight.mend.stop import choose
from earwitness.insight.mend.views import smooth_errors, views_of
from earwitness.insight.mend.yardsticks import UNKNOWN, Units, units_of
from earwitness.quantities import Curve, report_axis
from earwitness.quantities.arrays import FloatArray

HZ = report_axis().hz
MODEL = Equalizer(
    (Band("peaking", 300.0, 2.0, 3.0), Band("peaking", 1200.0, -2.5, 4.0), Band("peaking", 5000.0, 2.5, 5.0))
)


def curve(level_db: FloatArray) -> Curve:
    every = np.ones(HZ.size, dtype=bool)
    return Curve(
        "on_axis", "on axis", report_axis(), level_db, np.full(HZ.size, 0.1), np.zeros(HZ.size), every, "dB", "dB SPL"
    )


def family(seed: int, count: int, *, percent: float, level_db: float, noise_db: float = 0.03) -> list[list[Curve]]:
    """Units whose features lie up to so much off (rectangle), with levels of that half width over two octaves, each
    measured twice."""
    random = np.random.default_rng(seed)
    fine = np.log2(HZ / 1000.0)
    points = round((fine[-1] - fine[0]) * 24) + 1
    grid = np.linspace(fine[0], fine[-1], points)

    def rough(octaves: float) -> FloatArray:
        return np.interp(fine, grid, smooth_errors(random, points, octaves, 1)[0])

    made = []
    for _ in range(count):
        shift = random.uniform(-1, 1) * np.log2(1 + percent / 100)
        level = np.interp(fine - shift, fine, gain_db(MODEL, HZ)) + rough(2.0) * level_db / np.sqrt(3)
        made.append([curve(level + noise_db * rough(0.2)) for _ in range(2)])
    return made


def test_one_unit_leaves_the_choices_of_the_program() -> None:
    [one] = family(1, 1, percent=3.0, level_db=0.5)
    assert units_of(one[0], [one]) is UNKNOWN
    assert units_of(None, [one, one]) is UNKNOWN


@pytest.mark.parametrize(("percent", "level_db"), [(1.0, 0.2), (6.0, 1.2)])
def test_many_units_tell_their_spread(percent: float, level_db: float) -> None:
    """Twenty units outweigh the four that the usual choice stands for: (4 s0^2 + 19 s^2) / 23 (scaled inverse
    chi-square, handbook); a variance of 19 degrees of freedom is known to a factor of 1.4 either way (95 %)."""
    found = [
        units_of(rows[0][0], rows) for rows in (family(n, 20, percent=percent, level_db=level_db) for n in range(8))
    ]
    for name, usual, true in (("percent", 3.0, percent), ("level_db", 0.5, level_db)):
        expected = np.sqrt((4 * usual**2 + 19 * true**2) / 23)
        got = np.array([getattr(one, name) for one in found])
        assert np.median(got) == pytest.approx(expected, rel=0.2), name
        assert np.all(np.abs(np.log(got / expected)) < np.log(1.5)), name


def test_two_units_say_little() -> None:
    """One degree of freedom beside four: two that are alike by chance do not make a model without spread."""
    rows = family(3, 2, percent=0.01, level_db=0.01)
    found = units_of(rows[0][0], rows)
    assert found.count == 2
    assert 0.8 * UNKNOWN.percent < found.percent <= UNKNOWN.percent
    assert found.level_db > 0.8 * UNKNOWN.level_db


def test_what_may_be_noise_is_no_spread() -> None:
    """A curve without features does not tell where they lie."""
    random = np.random.default_rng(4)
    flat = [[curve(random.normal(0, 0.2, HZ.size))] for _ in range(8)]
    assert units_of(flat[0][0], flat).percent < 1.5 * UNKNOWN.percent


def test_the_design_is_for_the_mean_of_the_units() -> None:
    """The unit at hand has 3 dB more at 300 Hz than the other, so half of that is wanted of the model."""
    bump = gain_db(Equalizer((Band("peaking", 300.0, 3.0, 0.7),)), HZ)
    rows = [[curve(bump)], [curve(0 * bump)]]
    views = views_of(alike(bump))
    own, mean = problem_of(views), problem_of(views, units=units_of(rows[0][0], rows))
    at = int(np.argmin(np.abs(own.hz - 300.0)))
    apart = [one.wanted_db[at] - np.median(one.wanted_db) for one in (own, mean)]
    assert apart[0] < -2.0
    assert apart[1] == pytest.approx(0.5 * apart[0], abs=0.4)


def test_a_wide_spread_makes_the_band_broader_and_smaller() -> None:
    """2.4 dB of Q 7 at 2 kHz: where features lie up to 15 % off, the mean over units is lower and broader."""
    views = views_of(alike(gain_db(Equalizer((Band("peaking", 2000.0, 2.4, 7.0),)), HZ)))
    bands = []
    for percent in (1.0, 15.0):
        design = choose(problem_of(views, units=Units(5, percent, 0.2))).design
        assert design is not None
        [band] = design.equalizer.bands
        bands.append(band)
    close, far = bands
    assert close.gain_db == pytest.approx(-2.4, abs=0.2)
    assert close.q == pytest.approx(7.0, rel=0.1)
    assert -1.7 < far.gain_db < -1.0
    assert far.q < 0.6 * close.q
