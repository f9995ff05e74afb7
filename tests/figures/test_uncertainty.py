"""Draws of curves against the law of propagation (JCGM 100:2008, 5.2) and worked examples of JCGM 101:2008."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from closed_form_fields import response
from scipy.linalg import sqrtm

from earwitness.figures.bandwidth import lower_limit
from earwitness.figures.linearity import lines
from earwitness.figures.read import levels_of, read_response
from earwitness.figures.sampling import band_grid
from earwitness.figures.sensitivity import band_means
from earwitness.figures.uncertainty import alone, drawn_curves, exact, joint_roots, session_draws, with_spread
from earwitness.figures.windows import DirectionalLevels, Windows, windows
from earwitness.quantities import Cause, Curve, Figure, FrequencyAxis, cta_orbits, report_axis
from earwitness.quantities.arrays import FloatArray

KEYS = ("on_axis", "listening_window", "sound_power", "in_room")
DRAWS = 4000
POINTS = len(report_axis())
INDICES = ("sound_power_di", "early_reflections_di")


def _spectrum(hz: FloatArray) -> FloatArray:
    """Second-order Butterworth high-pass at 50 Hz, tilt and ripple."""
    level = -10 * np.log10(1 + (50 / hz) ** 4) - 0.4 * np.log2(hz / 1000) + 1.2 * np.sin(3 * np.log2(hz / 100))
    return np.asarray(10 ** (level / 20))


def _read(*causes: Cause, u_db: float = 0.4, u_common_db: float = 0.2) -> tuple[DirectionalLevels, Windows]:
    pattern = 0.55 + 0.45 * cta_orbits().unit_vectors()[:, 0]
    made = response(pattern, on_axis=_spectrum, u_db=u_db, u_common_db=u_common_db)
    levels = levels_of(replace(made, causes=causes))
    return levels, windows(levels)


def _errors(levels: DirectionalLevels, found: Windows, key: str) -> FloatArray:
    rows = drawn_curves(levels, found, KEYS, draws=DRAWS)[key].rows
    return np.asarray(rows[1:] - rows[0])


def _tilted(shape: tuple[int, int]) -> FloatArray:
    """A pull that is different in every direction and at every frequency."""
    return np.asarray(0.3 * np.cos(np.arange(shape[0])[:, None] / 7 + np.linspace(0, 3, shape[1])))


def _cause(name: str, pull_db: FloatArray, *, each: bool = False, device: str = "") -> Cause:
    return Cause(name=name, source="test", pull_db=pull_db, each=each, device=device)


def test_drawn_curves_have_the_stated_uncertainty() -> None:
    levels, found = _read()
    for key in KEYS:
        errors = _errors(levels, found, key)
        assert errors.std(axis=0).mean() == pytest.approx(found.curves[key].u_total.mean(), rel=0.02)
        assert abs(errors.mean()) < 0.02


def test_errors_shared_by_two_curves_cancel_in_their_difference() -> None:
    levels, found = _read()
    difference = _errors(levels, found, "listening_window") - _errors(levels, found, "sound_power")
    assert difference.std(axis=0).mean() == pytest.approx(found.curves["sound_power_di"].u.mean(), rel=0.02)


def test_a_cause_alike_in_all_directions_leaves_an_index_at_exactly_nothing() -> None:
    """The shares of an energy average sum to 1, whatever they are."""
    levels, found = _read(_cause("level", np.full((1, POINTS), 0.7)), u_db=0.0)
    for key in INDICES:
        assert not found.curves[key].u_total.any()
        assert not found.curves[key].causes
    for key in KEYS:
        assert found.curves[key].u_common == pytest.approx(np.hypot(0.7, 0.2))
    drawn = drawn_curves(levels, found, KEYS, draws=50)
    index = drawn["listening_window"].minus(drawn["sound_power"], found.curves["sound_power_di"])
    assert np.ptp(index.rows, axis=0).max() < 1e-9


@pytest.mark.parametrize("each", [False, True])
def test_the_first_order_uncertainty_of_an_index_is_that_of_levels_moved_one_by_one(each: bool) -> None:
    """JCGM 100, 5.1.3: sensitivities by moving each input and working the whole index out again."""
    bare, _ = _read(u_db=0.0, u_common_db=0.0)
    pull = _tilted(bare.level_db.shape)
    _, found = _read(_cause("lean", pull, each=each), u_db=0.0, u_common_db=0.0)
    small = 1e-3
    rows = [[d] for d in range(len(pull))] if each else [list(range(len(pull)))]
    here = windows(bare).curves
    square = {key: np.zeros(len(bare.axis)) for key in (*INDICES, *KEYS)}
    for moved in rows:
        level = bare.level_db.copy()
        level[moved] += small * pull[moved]
        there = windows(replace(bare, level_db=level)).curves
        for key in square:
            square[key] += ((there[key].values - here[key].values) / small) ** 2
    for key, total in square.items():
        assert found.curves[key].u_total == pytest.approx(np.sqrt(total), rel=1e-3, abs=1e-5)


@pytest.mark.parametrize("each", [False, True])
def test_the_first_order_uncertainty_of_an_index_equals_the_drawn_one(each: bool) -> None:
    """Within the draws' own spread, 1 / sqrt(2 N) of it and its extremes over frequency."""
    levels, found = _read(_cause("lean", _tilted((70, POINTS)), each=each), u_db=0.0, u_common_db=0.0)
    difference = _errors(levels, found, "listening_window") - _errors(levels, found, "sound_power")
    assert difference.std(axis=0) == pytest.approx(found.curves["sound_power_di"].u, rel=0.05, abs=1e-4)


def test_a_take_is_off_by_one_number_at_all_frequencies() -> None:
    """So no mean over a band makes it smaller: one take of 0.3 dB leaves 0.3 dB in the band mean on axis."""
    levels, found = _read(_cause("place", np.full((70, POINTS), 0.3), each=True), u_db=0.0, u_common_db=0.0)
    on_axis = drawn_curves(levels, found, KEYS, draws=DRAWS)["on_axis"]
    assert band_means(on_axis)[1:].std() == pytest.approx(0.3, rel=0.04)
    slopes, _ = lines(on_axis.rows, levels.axis.hz)
    assert np.ptp(slopes) < 1e-9


def test_takes_are_independent_of_each_other() -> None:
    """Seven horizontal and two vertical places of equal energy: 0.3 / sqrt(9)."""
    flat = response(np.ones(70), u_db=0.0, u_common_db=0.0)
    for rows in (70, 1):
        levels = levels_of(replace(flat, causes=(_cause("place", np.full((rows, POINTS), 0.3), each=True),)))
        found = windows(levels)
        assert found.curves["listening_window"].u == pytest.approx(0.3 / 3.0)
        assert levels.u_of_levels_db() == pytest.approx(np.full((70, POINTS), 0.3))
        assert _errors(levels, found, "listening_window").std() == pytest.approx(0.1, rel=0.04)


def test_correlation_over_one_octave() -> None:
    """Half of the variance is smooth and falls to 1/e at one octave; neighbors share nearly that half."""
    levels, found = _read(u_common_db=0.0)
    error = _errors(levels, found, "on_axis")
    for step, expected in ((1, 0.5), (48, 0.5 / np.e), (96, 0.5 / np.e**4)):
        products = (error[:, step:] * error[:, :-step]).mean() / error.var()
        assert products == pytest.approx(expected, abs=0.02)


def test_symmetric_roots() -> None:
    """scipy.linalg.sqrtm on the covariance of each frequency."""
    random = np.random.default_rng(7)
    pulls, u = random.uniform(0, 1, (3, 5, 4)), random.uniform(0.1, 0.5, (5, 4))
    roots = joint_roots(pulls, u)
    for f in range(4):
        weighted = pulls[:, :, f] * u[:, f]
        assert roots[f] == pytest.approx(np.real(sqrtm(weighted @ weighted.T)), abs=1e-9)


def _curve(hz: FloatArray, u: float, u_common: float = 0.0, causes: tuple[Cause, ...] = ()) -> Curve:
    ones = np.ones(hz.size)
    return Curve("a", "a", FrequencyAxis(hz), 0.0 * ones, u * ones, u_common * ones, ones > 0, "dB", "x", causes=causes)


def test_slope_against_the_law_of_propagation() -> None:
    """u^2 = pull C pull with the stated covariance of the errors, on points that need no interpolation."""
    hz = band_grid(100.0, 10_000.0)
    x = np.log2(hz)
    pull = (x - x.mean()) / ((x - x.mean()) ** 2).sum()
    covariance = 0.16 * (0.5 * np.exp(-((x[:, None] - x) ** 2)) + 0.5 * np.eye(hz.size))
    expected = float(np.sqrt(pull @ covariance @ pull))
    assert lines(alone(_curve(hz, 0.4), 8000).rows[1:], hz)[0].std() == pytest.approx(expected, rel=0.03)


def test_a_common_offset_moves_no_slope_and_all_of_the_sensitivity() -> None:
    levels, found = _read(u_db=0.0, u_common_db=0.25)
    drawn = drawn_curves(levels, found, KEYS, draws=DRAWS)
    slopes, _ = lines(drawn["in_room"].rows, levels.axis.hz)
    assert slopes.std() < 1e-9
    assert band_means(drawn["on_axis"])[1:].std() == pytest.approx(0.25, rel=0.03)


def test_a_curve_keeps_its_uncertainty_when_it_is_drawn_alone() -> None:
    _, found = _read(_cause("lean", _tilted((70, POINTS))), _cause("level", np.full((1, POINTS), 0.3)))
    for key in ("on_axis", "sound_power_di"):
        rows = alone(found.curves[key], 6000).rows[1:]
        assert rows.std(axis=0) == pytest.approx(found.curves[key].u_total, rel=0.06, abs=1e-3)


def test_without_uncertainty_every_draw_is_the_figure() -> None:
    levels, found = _read(u_db=0.0, u_common_db=0.0)
    drawn = drawn_curves(levels, found, KEYS, draws=2)["on_axis"]
    assert np.ptp(drawn.rows, axis=0).max() < 1e-12
    means = band_means(drawn)
    with_draws, without = (
        lower_limit(drawn, means, 6.0, key="f6"),
        lower_limit(exact(drawn.curve), means[0], 6.0, key="f6"),
    )
    assert with_draws.value == pytest.approx(without.value)
    assert with_draws.u == pytest.approx(0.0, abs=1e-9)


def test_the_same_input_gives_the_same_draws() -> None:
    levels, found = _read()
    first, second = (drawn_curves(levels, found, KEYS, draws=20)["in_room"].rows for _ in range(2))
    assert np.array_equal(first, second)


def test_a_cause_is_drawn_alike_wherever_it_is_met() -> None:
    """By its name, whatever stands beside it: two curves of a session, or of two sessions with one microphone."""
    level, other = _cause("level", np.full((1, 4), 0.3)), _cause("heat", np.full((1, 4), 0.1))
    together = session_draws((level, other), 50) - session_draws((other,), 50)
    assert together == pytest.approx(session_draws((level,), 50))
    assert not np.array_equal(session_draws((level,), 50), session_draws((_cause("gate", level.pull_db),), 50))


def test_four_normal_causes_of_jcgm_101() -> None:
    """JCGM 101:2008, 9.2.2, from memory: the sum of four N(0, 1) has u = 2.0 and the interval -3.92 to 3.92."""
    hz = np.array([500.0, 1000.0])
    causes = tuple(_cause(f"input {i}", np.ones((1, 2))) for i in range(4))
    rows = alone(_curve(hz, 0.0, 2.0, causes), 40_000).rows[:, 0]
    found = with_spread(Figure("sum", 0.0, 0.0, "dB", None, "m"), rows)
    assert found.u == pytest.approx(2.0, rel=0.02)
    assert found.interval == pytest.approx((-3.92, 3.92), abs=0.08)


def test_what_a_device_moves_in_a_figure_is_told_with_its_sign() -> None:
    """A sensitivity moves by the whole of the microphone's scale; a cause of this session alone is not told."""
    hz = band_grid(100.0, 10_000.0)
    causes = (_cause("scale", np.full((1, hz.size), 0.2), device="M 7"), _cause("heat", np.full((1, hz.size), -0.1)))
    curves = alone(_curve(hz, 0.0, float(np.hypot(0.2, 0.1)), causes), 8000)
    found = with_spread(Figure("sensitivity", 0.0, 0.0, "dB", None, "m"), band_means(curves), causes)
    assert [key for key, _ in found.shared] == ["scale @ M 7"]
    assert found.shared[0][1] == pytest.approx(0.2, rel=0.05)


def test_the_interval_lies_about_the_figure() -> None:
    """2.5 and 97.5 percent points of a normal law are 1.96 standard deviations away (scipy.stats.norm)."""
    from scipy.stats import norm

    values = norm.ppf((np.arange(100_000) + 0.5) / 100_000) * 0.5 + 3.0
    found = with_spread(Figure("f3", 2.0, 0.0, "Hz", None, "m"), np.append(2.0, values), low=1.5)
    assert found.u == pytest.approx(0.5, abs=1e-3)
    assert found.interval == (1.5, pytest.approx(2.0 + norm.ppf(0.975) * 0.5, abs=1e-3))


def test_a_level_that_all_curves_share_moves_no_rating_no_deviation_and_no_limit() -> None:
    """Each of them is a difference of levels of one session."""
    pattern = 0.55 + 0.45 * cta_orbits().unit_vectors()[:, 0]
    made = response(pattern, on_axis=_spectrum, u_db=0.0, u_common_db=0.0)
    figures = read_response(replace(made, causes=(_cause("level", np.full((1, POINTS), 0.9)),))).figures
    for key in ("preference_rating", "f3", "f6", "linearity_half_range", "in_room_slope", "directivity_slope"):
        assert figures[key].u == pytest.approx(0.0, abs=1e-9), key
    assert figures["sensitivity"].u == pytest.approx(0.9, rel=0.06)
