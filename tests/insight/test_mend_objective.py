"""What is wanted of an equalizer: only what directions share, along the droop that directivity implies."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from mend_worlds import alike
from scipy.special import j1

from earwitness.errors import InputError
from earwitness.figures.windows import DirectionalLevels
from earwitness.insight.findings import Finding
from earwitness.insight.mend.equalizer import Band, Equalizer, gain_db
from earwitness.insight.mend.objective import CURVE_WEIGHTS, Problem, least_of, problem_of
from earwitness.insight.mend.task import table
from earwitness.insight.mend.views import moved_up, over_units, phase_bend_deg, scales_of, seen_of, views_of
from earwitness.quantities import from_orbit, log_axis, report_axis
from earwitness.quantities.arrays import FloatArray

HZ = log_axis(20.0, 19_000.0, 24).hz


def at(problem: Problem, hz: float) -> float:
    return float(np.interp(np.log(hz), np.log(problem.hz), problem.wanted_db))


def piston_levels(radius_m: float, shape_db: FloatArray | float = 0.0) -> DirectionalLevels:
    """A flat piston in a baffle, level on axis: 2 J1(x) / x with x = k a sin(angle) (Rayleigh, handbook)."""
    flat = alike(np.zeros(len(report_axis())))
    cosine = np.clip(flat.directions.unit_vectors()[:, 0], 0.0, 1.0)
    x = 2 * np.pi * flat.axis.hz / 343.0 * radius_m * np.sqrt(1 - cosine**2)[:, None]
    beam = np.where(x < 1e-6, 1.0, 2 * j1(np.maximum(x, 1e-6)) / np.maximum(x, 1e-6))
    return replace(flat, level_db=80.0 + 20 * np.log10(np.hypot(beam, 0.05)) + shape_db)


def test_five_curves_are_one_wanted_curve() -> None:
    """sum_c w_c sum_f w (d_c + g)^2 = sum_f w (g + mean d)^2 + sum_f w (mean d^2 - (mean d)^2): algebra, check E6."""
    random = np.random.default_rng(3)
    curve_weight, weight = np.array(CURVE_WEIGHTS), random.uniform(0.1, 1.0, 50)
    d, g = random.normal(size=(5, 50)), random.normal(size=50)
    mean = curve_weight @ d
    every = sum(curve_weight[c] * (weight @ (d[c] + g) ** 2) for c in range(5))
    assert every == pytest.approx(weight @ (g + mean) ** 2 + weight @ (curve_weight @ d**2 - mean**2), abs=1e-12)


def test_the_natural_fall_of_the_treble_is_not_filled() -> None:
    """A piston of 13 mm, level on axis, falls off axis by physics: nothing is wanted."""
    problem = problem_of(views_of(piston_levels(0.013)))
    assert np.abs(problem.wanted_db[problem.judged]).max() < 0.02


def test_a_tilt_of_the_source_is_wanted_back_though_the_window_falls() -> None:
    tilt = 0.4 * np.log2(report_axis().hz / 1000.0)
    problem = problem_of(views_of(piston_levels(0.013, tilt)))
    assert at(problem, 4000.0) - at(problem, 500.0) == pytest.approx(-1.2, abs=0.1)


def test_opposite_signs_on_and_off_axis_are_left_alone() -> None:
    """+2 dB on axis fading to -2 dB from 40 degrees on: whatever is mended somewhere is spoiled elsewhere."""
    bell = gain_db(Equalizer((Band("peaking", 2000.0, 2.0, 2.0),)), report_axis().hz)
    levels = alike(np.zeros(bell.size))
    degrees = np.rad2deg(np.arccos(np.clip(levels.directions.unit_vectors()[:, 0], -1, 1)))
    share = np.clip(1 - degrees / 20.0, -1.0, 1.0)[:, None]
    problem = problem_of(views_of(replace(levels, level_db=levels.level_db + share * bell)))
    assert abs(at(problem, 2000.0)) < 0.05


def test_the_level_changes_nothing() -> None:
    shape = gain_db(Equalizer((Band("peaking", 800.0, 4.0, 3.0),)), report_axis().hz)
    one, other = (problem_of(views_of(alike(shape + level))) for level in (0.0, -17.0))
    assert np.abs(one.wanted_db - other.wanted_db).max() < 1e-9


def edge_dips(path_m: float) -> FloatArray:
    """(D, F) level of a source with an inverted reflection of half its size whose extra path grows off the axis.

    Dips at i c / path (textbook two-path interference); off the axis the extra path is path (1 - cos angle / 2).
    """
    levels = alike(np.zeros(len(report_axis())))
    cosine = levels.directions.unit_vectors()[:, 0]
    delay = path_m * (1.5 - cosine / 2) / 343.0
    away = np.abs(np.arccos(np.clip(cosine, -1, 1)))
    size = 0.5 * np.exp(-((away / np.deg2rad(25.0)) ** 2))
    field = 1 - size[:, None] * np.exp(-2j * np.pi * delay[:, None] * levels.axis.hz)
    return np.asarray(80.0 + 20 * np.log10(np.abs(field)))


def test_a_resonance_is_the_source_s_and_an_edge_is_not() -> None:
    """A 0.10 m path dips at 3430 Hz near the axis; the resonance sits at 800 Hz in every direction."""
    resonance = gain_db(Equalizer((Band("peaking", 800.0, 4.0, 4.0),)), report_axis().hz)
    levels = replace(alike(resonance), level_db=edge_dips(0.10) + resonance)
    found = problem_of(views_of(levels))
    assert at(found, 800.0) < -2.5
    assert at(found, 3430.0) < 0.3
    dip = int(np.argmin(np.abs(found.hz - 3430.0)))
    assert found.no_boost[dip]
    assert found.cap_db[dip] == 0.0
    assert not found.no_boost[int(np.argmin(np.abs(found.hz - 800.0)))]


def test_nothing_is_wanted_against_a_finding_that_no_equalizer_mends() -> None:
    shape = gain_db(Equalizer((Band("peaking", 1000.0, -4.0, 3.0),)), report_axis().hz)
    views = views_of(alike(shape))
    plain = problem_of(views, limits=replace(problem_of(views).limits, total_boost_db=6.0))
    assert at(plain, 1000.0) > 2.0
    spared = problem_of(views, findings=(_finding("near_axis"),))
    assert at(spared, 1000.0) < 0.25 * at(plain, 1000.0)
    assert spared.cap_db[int(np.argmin(np.abs(spared.hz - 1000.0)))] == 0.0
    assert at(problem_of(views, findings=(_finding("source"),)), 1000.0) > 2.0


def _finding(kind: str) -> Finding:
    return Finding(1, 1000.0, 850.0, 1180.0, -4.0, 0.2, 3.0, kind, ("on_axis",), {}, 1.0, kind == "source", "", "")  # type: ignore[arg-type]


def test_doubt_takes_its_share() -> None:
    """Shrinkage 1 - (s^2 + u^2) / m^2 (James and Stein 1961): a flaw about as large as its own uncertainty is left."""
    shape = gain_db(Equalizer((Band("peaking", 1000.0, 1.0, 1.0),)), report_axis().hz)
    levels = alike(shape, u_db=0.05)
    sure = problem_of(views_of(levels))
    unsure = problem_of(views_of(replace(levels, u_common_db=np.full(shape.size, 0.6))))
    assert at(sure, 1000.0) < -0.7
    assert at(unsure, 1000.0) > 0.7 * at(sure, 1000.0)
    assert unsure.doubt_db > 5 * sure.doubt_db


def test_common_is_the_least_where_all_signs_agree() -> None:
    rows = np.array([[1.0, -1.0, 2.0, 0.0], [0.5, -2.0, -1.0, 1.0], [3.0, -0.2, 1.0, 1.0]])
    assert least_of(rows).tolist() == [0.5, -0.2, 0.0, 0.0]


def test_units_and_trend() -> None:
    """A 4 dB bell of Q 5, of Q 10 over units 3 % off: tops of 3.817 and 3.420 dB (own reference, E8 and E9); a straight
    line comes out of the trend as it is, at the ends too (local linear regression, handbook)."""
    hz = log_axis(20.6, 20_000.0, 24).hz
    scales = scales_of(hz.size)
    for q, top in ((5.0, 3.8171), (10.0, 3.4197)):
        bell = gain_db(Equalizer((Band("peaking", 1000.0, 4.0, q),)), hz)
        assert float(over_units(bell, 3.0).max()) == pytest.approx(top, abs=2e-3)
    line = 1.7 * np.log2(hz / 1000.0) - 3.0
    assert np.abs(scales.trend @ line - line).max() < 1e-9
    assert np.allclose(moved_up(line[None, :], 0.5)[0, 20:-20], (line - 0.85)[20:-20])


def test_useful_bass_is_where_the_window_has_fallen_6_db() -> None:
    """A second-order Butterworth high-pass at 50 Hz is 6 dB down at 38.05 Hz (closed form), and a deep dip at 200 Hz is
    no roll-off."""
    hz = report_axis().hz
    shape = -10 * np.log10(1 + (50.0 / hz) ** 4) + gain_db(Equalizer((Band("peaking", 200.0, -12.0, 4.0),)), hz)
    seen = seen_of(views_of(alike(shape)))
    assert seen.bass_hz == pytest.approx(38.05, rel=0.01)
    assert seen.rolls_off
    problem = problem_of(views_of(alike(shape)))
    assert (problem.cap_db[problem.hz < 38.0] == 0.0).all()
    assert at(problem, 200.0) > 2.0


def test_too_few_directions() -> None:
    whole = alike(np.zeros(len(report_axis())))
    few = from_orbit("horizontal", [0.0, 90.0])
    one = DirectionalLevels(
        whole.axis, few, whole.level_db[:2], whole.u_db[:2], whole.u_common_db, whole.valid[:2], "dB"
    )
    with pytest.raises(InputError, match="fewer than three directions"):
        views_of(one)


def test_a_table_asks_for_its_own_shape() -> None:
    """Level in every direction, so that the table is the wanted correction, its level free."""
    goal = table([(100.0, 1.0), (1000.0, 0.0), (10_000.0, -1.0)])
    problem = problem_of(views_of(alike(np.zeros(len(report_axis())))), goal)
    assert at(problem, 200.0) - at(problem, 5000.0) == pytest.approx(np.log10(5000 / 200), abs=0.05)


def all_pass_rad(hz: FloatArray, center_hz: float, q: float) -> FloatArray:
    """(F,) phase of a second-order all-pass, handbook: -2 atan((x / q) / (1 - x^2)), unwrapped."""
    x = hz / center_hz
    return np.asarray(-2.0 * np.arctan2(x / q, 1.0 - x**2))


def test_a_delay_does_not_bend_the_phase_and_an_all_pass_does() -> None:
    assert phase_bend_deg(HZ, -2 * np.pi * HZ * 0.0021 + 0.7).max() < 1e-6
    # Closed form: within a third of an octave a Q of 8 turns by 4 atan(2 x 8 x 0.116) = 247 degrees, an S, no line.
    bend = phase_bend_deg(HZ, all_pass_rad(HZ, 1000.0, 8.0))
    assert float(np.interp(1000.0, HZ, bend)) > 40.0
    assert float(np.interp(4000.0, HZ, bend)) < 1.0
    # A fourth-order Linkwitz-Riley crossover sums to an all-pass of Q 0.707 (Linkwitz 1976, from memory): gentle.
    assert phase_bend_deg(HZ, all_pass_rad(HZ, 2000.0, np.sqrt(0.5))).max() < 5.0
    assert phase_bend_deg(HZ[:4], np.zeros(4)).tolist() == [0.0] * 4


def test_a_resonance_is_mended_only_where_the_phase_goes_with_it() -> None:
    """Two bells alike in all directions; at 5 kHz the phase bends, so only that at 800 Hz is left to an equalizer."""
    hz = report_axis().hz
    levels = alike(gain_db(Equalizer((Band("peaking", 800.0, 4.0, 5.0), Band("peaking", 5000.0, 4.0, 5.0))), hz))
    plain = problem_of(views_of(levels))
    known = problem_of(views_of(levels), excess_phase_rad=all_pass_rad(hz, 5000.0, 8.0))
    assert at(known, 800.0) == pytest.approx(at(plain, 800.0), abs=1e-9)
    assert at(plain, 5000.0) < -2.5
    assert at(known, 5000.0) > 0.5 * at(plain, 5000.0)
