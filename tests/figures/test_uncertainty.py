"""Monte Carlo of figures against the law of propagation (JCGM 100, 5.2) and the plain figures."""

from __future__ import annotations

import numpy as np
import pytest
from closed_form_fields import response
from scipy.linalg import sqrtm

from earwitness.figures import figure_draws
from earwitness.figures.bandwidth import lower_limit
from earwitness.figures.corridor import CORRIDORS_DB, band_figure, share_figure
from earwitness.figures.linearity import Line, deviations, slope
from earwitness.figures.rating import preference_rating
from earwitness.figures.read import levels_of
from earwitness.figures.sampling import band_grid
from earwitness.figures.sensitivity import band_level
from earwitness.figures.uncertainty import Draws, drawn, joint_roots, same_everywhere_db, with_spread
from earwitness.figures.windows import Levels, Windows, windows
from earwitness.quantities import BudgetLine, Figure, FrequencyAxis, cta_orbits
from earwitness.quantities.arrays import FloatArray

KEYS = ("on_axis", "listening_window", "sound_power", "in_room")


def _spectrum(hz: FloatArray) -> FloatArray:
    """Second-order Butterworth high-pass at 50 Hz, tilt and ripple."""
    level = -10 * np.log10(1 + (50 / hz) ** 4) - 0.4 * np.log2(hz / 1000) + 1.2 * np.sin(3 * np.log2(hz / 100))
    return np.asarray(10 ** (level / 20))


def _read(*, u_db: float = 0.4, u_common_db: float = 0.2) -> tuple[Levels, Windows]:
    pattern = 0.55 + 0.45 * cta_orbits().unit_vectors()[:, 0]
    levels = levels_of(response(pattern, on_axis=_spectrum, u_db=u_db, u_common_db=u_common_db))
    return levels, windows(levels)


def _draws(levels: Levels, found: Windows, count: int = 4000) -> Draws:
    pulls = {key: found.pulls[key] for key in KEYS}
    return drawn(levels.axis, pulls, levels.u_db, levels.u_common_db, draws=count)


def test_drawn_curves_have_the_stated_uncertainty() -> None:
    levels, found = _read()
    draws = _draws(levels, found)
    for key in KEYS:
        spread = draws.error_db[key].std(axis=0)
        assert spread.mean() == pytest.approx(found.curves[key].u_total.mean(), rel=0.02)
        assert abs(draws.error_db[key].mean()) < 0.02


def test_errors_shared_by_two_curves_cancel_in_their_difference() -> None:
    levels, found = _read()
    draws = _draws(levels, found)
    difference = draws.error_db["listening_window"] - draws.error_db["sound_power"]
    assert difference.std(axis=0).mean() == pytest.approx(found.curves["sound_power_di"].u.mean(), rel=0.02)


def test_correlation_over_one_octave() -> None:
    """Half of the variance is smooth and falls to 1/e at one octave; neighbors share nearly that half."""
    levels, found = _read(u_common_db=0.0)
    error = _draws(levels, found).error_db["on_axis"]
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


def test_slope_against_the_law_of_propagation() -> None:
    """u^2 = pull C pull with the stated covariance of the errors, on points that need no interpolation."""
    hz = band_grid(100.0, 10_000.0)
    x = np.log2(hz)
    ones = np.ones((1, hz.size))
    draws = drawn(FrequencyAxis(hz), {"a": ones}, 0.4 * ones, np.zeros(hz.size), draws=8000)
    pull = (x - x.mean()) / ((x - x.mean()) ** 2).sum()
    covariance = 0.16 * (0.5 * np.exp(-((x[:, None] - x) ** 2)) + 0.5 * np.eye(hz.size))
    expected = float(np.sqrt(pull @ covariance @ pull))
    assert (draws.error_db["a"] @ pull).std() == pytest.approx(expected, rel=0.03)


def test_a_common_offset_moves_no_slope_and_all_of_the_sensitivity() -> None:
    levels, found = _read(u_db=0.0, u_common_db=0.25)
    draws = _draws(levels, found)
    slopes, _ = figure_draws.lines(found.curves["in_room"], draws.error_db["in_room"], (100.0, 10_000.0))
    assert slopes.std() < 1e-9
    means = figure_draws.band_levels(found.curves["on_axis"], draws.error_db["on_axis"], (300.0, 3000.0))
    assert means.std() == pytest.approx(0.25, rel=0.03)


def test_a_microphone_of_unknown_shape_moves_slope_and_bass_limit() -> None:
    """u^2 = pull C pull with C falling as exp(-d^2) in octaves; only calibrator and voltage move no slope.

    The bass limit moves by the error at its frequency less that of the mean from 300 Hz to 3 kHz, over the slope there.
    """
    hz = band_grid(20.0, 10_000.0)
    ones = np.ones(hz.size)
    lines = [BudgetLine(name, "", u * ones, common)
             for name, u, common in (("calibrator", 0.15, True), ("microphone", 0.5, True), ("voltage", 0.2, True),
                                     ("distance", 0.4, False))]  # fmt: skip
    offset = same_everywhere_db(lines)
    assert offset == pytest.approx(0.25)
    u_common = np.sqrt(0.15**2 + 0.5**2 + 0.2**2) * ones
    errors = drawn(FrequencyAxis(hz), {"a": np.ones((1, hz.size))}, 0.0 * np.ones((1, hz.size)), u_common,
                   offset_db=offset, draws=8000).error_db["a"]  # fmt: skip
    assert errors.std(axis=0) == pytest.approx(u_common, rel=0.04)
    x = np.log2(hz)
    covariance = 0.25 * np.exp(-((x[:, None] - x) ** 2))
    pull = (x - x.mean()) / ((x - x.mean()) ** 2).sum()
    assert (errors @ pull).std() == pytest.approx(float(np.sqrt(pull @ covariance @ pull)), rel=0.04)
    mean = ((hz >= 300.0) & (hz <= 3000.0)) / np.count_nonzero((hz >= 300.0) & (hz <= 3000.0))
    at_50 = (np.arange(hz.size) == np.argmin(np.abs(hz - 50.0))) - mean
    assert (errors @ at_50).std() == pytest.approx(float(np.sqrt(at_50 @ covariance @ at_50)), rel=0.04)


def test_without_a_budget_nothing_is_said_of_the_offset() -> None:
    assert same_everywhere_db(()) is None


def test_without_uncertainty_every_draw_is_the_figure() -> None:
    """The rules for many draws and the rules for one curve are written apart and have to agree."""
    levels, found = _read(u_db=0.0, u_common_db=0.0)
    draws = _draws(levels, found, 2)
    on_axis, errors = found.curves["on_axis"], draws.error_db["on_axis"]
    reference = band_level(on_axis).value
    assert reference is not None
    means = figure_draws.band_levels(on_axis, errors, (300.0, 3000.0))
    assert means == pytest.approx(reference)
    f6 = lower_limit(on_axis, reference, 6.0, key="f6")
    assert figure_draws.lower_limits(on_axis, errors, means - 6.0)[0] == pytest.approx(f6.value)
    line = slope(found.curves["in_room"])
    assert isinstance(line, Line)
    slopes, straight = figure_draws.lines(found.curves["in_room"], draws.error_db["in_room"], (100.0, 10_000.0))
    assert slopes == pytest.approx(line.slope.value)
    assert straight == pytest.approx(line.r_squared)
    four = (on_axis, found.curves["in_room"], found.curves["sound_power"], found.curves["listening_window"])
    for ideal in (False, True):
        rating = preference_rating(*four, ideal_subwoofer=ideal)
        assert figure_draws.ratings(found.curves, draws, ideal_subwoofer=ideal) == pytest.approx(rating.value)
    plain = deviations(on_axis, reference)
    for name, half_width in CORRIDORS_DB.items():
        plain[f"linearity_share_{name}"] = share_figure(on_axis, reference, half_width, key=f"linearity_share_{name}")
        plain[f"linearity_band_{name}"] = band_figure(on_axis, reference, half_width, key=f"linearity_band_{name}")
    for key, values in figure_draws.linearities(on_axis, errors, means, CORRIDORS_DB).items():
        assert values == pytest.approx(plain[key].value, abs=1e-6), key


def test_the_same_input_gives_the_same_draws() -> None:
    levels, found = _read()
    assert np.array_equal(_draws(levels, found, 20).error_db["in_room"], _draws(levels, found, 20).error_db["in_room"])


def test_the_interval_lies_about_the_figure() -> None:
    """2.5 and 97.5 percent points of a normal law are 1.96 standard deviations away (scipy.stats.norm)."""
    from scipy.stats import norm

    values = norm.ppf((np.arange(100_000) + 0.5) / 100_000) * 0.5 + 3.0
    found = with_spread(Figure("f3", 2.0, 0.0, "Hz", None, "m"), values, low=1.5)
    assert found.u == pytest.approx(0.5, abs=1e-3)
    assert found.interval == (1.5, pytest.approx(2.0 + norm.ppf(0.975) * 0.5, abs=1e-3))
