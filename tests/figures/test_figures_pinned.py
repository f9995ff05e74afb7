"""Numbers of figures that a round of small changes to the program had left alive, held from outside.

Sources: first-order propagation of noise to a level in dB, 20 lg(e) / sqrt 2 times the ratio of amplitudes (handbook
formula); JCGM 100:2008, 5.1.2, for sums; the definition of percent; a parabola's vertex; the normal distribution's
median absolute deviation (scipy); IEC 60268-5 (as a third party has it) for stays narrower than 1/9 octave.
"""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats
from level_worlds import AXIS, made_take

from earwitness.figures.bandwidth import lower_limit
from earwitness.figures.distortion import distortion, largest
from earwitness.figures.equal_level import equal_level_figures
from earwitness.figures.highest_level import compression
from earwitness.figures.load import load_figures, on_load_grid, relative_noise
from earwitness.figures.load_box import vertex
from earwitness.quantities import Curve, FrequencyAxis, Impedance, log_axis

FLAT = np.full(len(AXIS), 86.0)


def test_a_drift_is_as_unsure_as_the_noise_of_both_takes() -> None:
    """40 dB over the noise is 8.686 / sqrt 2 / 100 dB, 46 dB half of that; both in quadrature."""
    takes = [
        made_take(2.0, FLAT, {2: -30.0}, noise_db=-40.0, take="first"),
        made_take(8.0, FLAT + 12.0, {2: -30.0}, noise_db=-46.0, take="loud"),
        made_take(2.0, FLAT, {2: -30.0}, noise_db=-46.0, take="last"),
    ]
    drift = compression(takes, recorded=("first", "loud", "last")).drift
    assert drift is not None
    parts = [20 / np.log(10) / np.sqrt(2) * 10 ** (-snr / 20) for snr in (40.0, 46.0)]
    assert drift.u == pytest.approx(np.full(len(AXIS), np.hypot(*parts)), rel=1e-6)


def test_distortion_under_noise_is_bounded_by_what_noise_could_hide() -> None:
    """Harmonics 3 dB under a noise of -40 dB, in each of four orders: what is not above it is at most some percent."""
    found = distortion(made_take(1.0, FLAT, {2: -43.0, 3: -43.0, 4: -43.0, 5: -43.0}, noise_db=-40.0))
    figure = largest(found)
    inside = found.known & (found.total.axis.hz >= 100.0) & (found.total.axis.hz <= 5000.0)
    assert figure.bound == "at most"
    assert figure.value == pytest.approx(100.0 * 10 ** (found.at_most_db[inside].max() / 20.0), rel=1e-9)
    assert 1.0 < float(figure.value or 0.0) < 10.0


def _levels(axis: FrequencyAxis, values: np.ndarray) -> Curve:
    none = np.zeros(len(axis))
    return Curve("x", "x", axis, values, none, none, none == 0.0, "dB", "dB")


def test_a_moment_above_at_the_very_end_of_the_data_is_no_end_of_the_range() -> None:
    """Down below 100 Hz, up again for the last 1/20 octave: the range ends at 100 Hz; up for 1/4 octave, it goes on."""
    axis = log_axis(20.0, 400.0, 192)
    for octaves, bound in ((0.05, ""), (0.25, "at most")):
        level = np.where((axis.hz < 100.0) & (axis.hz > axis.hz[0] * 2**octaves), -20.0, 0.0)
        found = lower_limit(_levels(axis, level), 0.0, 6.0, key="f")
        assert found.bound == bound
        assert found.value == pytest.approx(100.0 if not bound else axis.hz[0], rel=6e-3)


def test_a_dip_is_told_only_inside_the_range_that_is_found() -> None:
    """A lasting dip of 1/5 octave about 200 Hz lies inside; the fall at 50 Hz is the end itself and no dip."""
    axis = log_axis(20.0, 400.0, 192)
    level = np.where((np.abs(np.log2(axis.hz / 200.0)) < 0.1) | (axis.hz < 50.0), -20.0, 0.0)
    found = lower_limit(_levels(axis, level), 0.0, 6.0, key="f")
    assert [note.partition(" from ")[2] for note in found.caveats] == ["186 to 215 Hz too"]


def test_one_take_alone_has_figures_at_equal_level() -> None:
    """What was recorded at one level is known at that level, as good as the take itself."""
    one = distortion(made_take(2.0, FLAT, {2: -40.0, 3: -60.0}))
    found = equal_level_figures([one], None, (), ())
    assert found["distortion_at_level@86db"].value == pytest.approx(1.0, rel=0.02)


def test_the_vertex_of_a_parabola_is_found_between_unequal_points() -> None:
    x = np.array([0.0, 1.0, 1.7, 3.0])
    y = 4.0 - 2.0 * (x - 1.3) ** 2
    assert vertex(x, y, 1) == pytest.approx((1.3, 4.0))
    assert vertex(x, y, 2) == pytest.approx((1.3, 4.0))
    assert vertex(x, y, 0) == (0.0, y[0])
    assert vertex(x, y, 3) == (3.0, y[3])
    assert vertex(x, 2.0 * x, 1) == (1.0, 2.0)


def _impedance(axis: FrequencyAxis, ohm: np.ndarray) -> Impedance:
    none = np.zeros(len(axis))
    return Impedance(axis, ohm.astype(complex), none + 0.01, none + 0.1, none == 0.0)


def test_an_impedance_keeps_its_reach_on_the_grid() -> None:
    """Up to its last point and not beyond; |Z| = f^0.5 is a straight line in both logarithms, so it is exact."""
    hz = np.geomspace(12.0, 18_000.0, 300)
    found = on_load_grid(_impedance(FrequencyAxis(hz), np.sqrt(hz)))
    assert found.axis.hz[0] == pytest.approx(12.0, rel=2.0 ** (1 / 48) - 1.0)
    assert found.axis.hz[-1] == pytest.approx(18_000.0, rel=2.0 ** (1 / 48) - 1.0)
    assert np.abs(found.ohm[found.valid]) == pytest.approx(np.sqrt(found.axis.hz[found.valid]), rel=1e-9)


def test_scatter_of_an_impedance_is_the_standard_deviation_of_its_points() -> None:
    """Normal noise of 0.2 %: the median of sizes times 1 / 0.6745, which is what scipy calls normal; 2,000 points."""
    axis = log_axis(10.0, 20_000.0, 48)
    noise = np.random.default_rng(3).normal(0.0, 0.002, len(axis))
    found = relative_noise(_impedance(axis, 8.0 * np.exp(noise)))
    assert found == pytest.approx(0.002, rel=0.12)
    off = noise[1:-1] - 0.5 * (noise[:-2] + noise[2:])
    assert found == pytest.approx(scipy.stats.median_abs_deviation(off, scale="normal") / np.sqrt(1.5), rel=1e-4)


def test_where_the_phase_is_steepest_is_known_to_half_a_step_of_the_grid() -> None:
    """1/48 octave steps: the place may lie a 96th of an octave to either side."""
    axis = log_axis(10.0, 20_000.0, 48)
    turn = 1j * axis.hz / 60.0
    figure = load_figures(_impedance(axis, 6.0 + 20.0 / (turn + 1.0 / turn + 0.3)))["phase_steepest_at"]
    assert figure.value is not None
    assert figure.u == pytest.approx(figure.value * (2.0 ** (1 / 96) - 1.0), rel=0.01)
