"""Deviations, slopes, shares and bands over a population of curves, and their rules on short rows of points.

The values in tests/golden/figures/linearity.json are the program's own (frozen). Slope and r squared are held against
ordinary least squares (handbook), shares against counting on a fine grid.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from figure_worlds import AXIS, curve_of, loudspeaker, of_figure, of_figures

from earwitness.figures.linearity import (
    FittedLine,
    _about_center,
    band_figure,
    deviations,
    lines,
    reach,
    share_figure,
    share_inside,
    share_points_hz,
    slope,
    smoothed_draws,
    width_of_band,
)
from earwitness.figures.uncertainty import alone, exact
from earwitness.quantities import FrequencyAxis, log_axis
from golden_values import stands

NAME = "figures/linearity"


@pytest.mark.parametrize("seed", range(10))
def test_of_a_population(seed: int) -> None:
    random = np.random.default_rng([61, seed])
    curve = loudspeaker(random, gaps=(0, 0, 1, 3)[seed % 4], caused=seed % 2 == 1, most_db=(0.8, 3.0)[seed % 2])
    curve = replace(curve, values=curve.values + 2.0 * np.exp(-(np.log2(AXIS.hz / 9000.0) ** 2)))
    drawn = alone(curve, 40)
    means = drawn.rows[:, 100] + random.uniform(-0.5, 0.5)
    told: list[Any] = [of_figures(deviations(drawn, means)), of_figures(deviations(drawn, 86.0, smoothing=None))]
    told += [of_figures(deviations(drawn, means, band_hz=(200.0, 5000.0), smoothing=3))]
    told += [of_figures(deviations(exact(curve), 86.0))]
    for width in (1.5, 3.0, 0.3, 0.02):
        told.append(of_figure(share_figure(drawn, means, width, key="share")))
        told.append(of_figure(band_figure(drawn, means, width, key="band")))
        told.append(of_figure(share_figure(exact(curve), means[:1], width, key="share", smoothing=3)))
        told.append(of_figure(band_figure(exact(curve), means[:1], width, key="band", smoothing=3)))
    for one in (slope(drawn), slope(exact(curve)), slope(drawn, band_hz=(300.0, 3000.0), key="k")):
        told.append(
            [of_figure(one.slope), one.residual_db, one.r_squared] if isinstance(one, FittedLine) else of_figure(one)
        )
    told.append(smoothed_draws(alone(curve, 5), 6).rows)
    stands(NAME, f"curve {seed}", told)


def test_words() -> None:
    curve = exact(curve_of(np.linspace(85.0, 87.0, len(AXIS))))
    line = slope(curve)
    told: list[Any] = [deviations(curve, 86.0)["linearity_above"].method]
    told += [deviations(curve, 86.0, smoothing=None, band_hz=(200.0, 9000.0))["linearity_below"].method]
    told += [share_figure(curve, 86.0, 3.0, key="s").method, band_figure(curve, 86.0, 1.5, key="b").method]
    told += [line.slope.method if isinstance(line, FittedLine) else line.method]
    stands(NAME, "words", told)


def test_slope_and_r_squared_are_those_of_least_squares() -> None:
    random = np.random.default_rng(62)
    hz = np.sort(random.uniform(100.0, 10_000.0, 40))
    level = random.normal(80.0, 2.0, (6, 40)) - np.log2(hz)
    steep, straight = lines(level, hz)
    for row, one in enumerate(level):
        fit = np.polyfit(np.log2(hz), one, 1)
        assert steep[row] == pytest.approx(fit[0], abs=1e-9)
        assert straight[row] == pytest.approx(np.corrcoef(np.log2(hz), one)[0, 1] ** 2, abs=1e-9)
    tilt = np.log2(hz) - np.log2(hz).mean()
    tilt = tilt / np.sqrt((tilt**2).sum())
    # A variance of a millionth of a millionth a point is none.
    sizes = np.sqrt(1e-12 * hz.size * np.array([0.0, 0.5, 0.95, 1.05, 1.2, 4.0]))
    assert np.round(lines(sizes[:, None] * tilt, hz)[1]).tolist() == [0, 0, 0, 1, 1, 1]


@pytest.mark.parametrize("half", [0.5, 1.5, 3.0])
def test_a_share_is_what_counting_finds(half: float) -> None:
    random = np.random.default_rng(63)
    rows = np.cumsum(random.normal(0.0, 1.2, (20, 25)), axis=1)
    rows[3] = 0.4
    rows[4] = 5.0
    rows[5] = -5.0
    rows[6, 5:9] = -0.4
    fine = np.linspace(0.0, 24.0, 240_001)
    counted = [float(np.mean(np.abs(np.interp(fine, np.arange(25), row)) <= half)) for row in rows]
    assert share_inside(rows, half) == pytest.approx(counted, abs=2e-4)
    stands(NAME, f"shares {half}", share_inside(rows, half))
    nearly = np.array([[0.0, 0.5e-12, 0.9e-12], [0.0, 1e-9, 0.0]])
    assert share_inside(nearly, half).tolist() == [1.0, 1.0]


@pytest.mark.parametrize("seed", range(5))
def test_reach_and_width_of_short_rows(seed: int) -> None:
    random = np.random.default_rng([64, seed])
    x = np.asarray(np.arange(-7, 12) * random.uniform(0.02, 0.3), dtype=np.float64)
    rows = np.cumsum(random.normal(0.0, 1.0, (40, x.size)), axis=1) * random.choice([0.2, 1.0], (40, 1))
    rows -= rows[:, [7]] * random.choice([1.0, 0.5], (40, 1))
    inside = np.abs(rows[:, 7:]) * (np.arange(x.size - 7) > 0)
    told: list[Any] = [width_of_band(x, rows, half) for half in (0.5, 1.5, 3.0)]
    told += [(reach(x[7:], inside, half), reach(-x[7:], -inside, half)) for half in (0.5, 1.5)]
    stands(NAME, f"reach {seed}", told)


def test_the_points_of_the_share() -> None:
    hz = share_points_hz()
    assert (hz.size, hz[0], hz[-1]) == (321, pytest.approx(100.0), pytest.approx(10_000.0))
    assert np.diff(np.log(hz)) == pytest.approx(np.log(100.0) / 320)


def test_the_band_about_one_kilohertz() -> None:
    told: list[Any] = []
    axes = [AXIS, log_axis(1000.0, 8000.0, 24), log_axis(100.0, 1000.0, 24), log_axis(1100.0, 8000.0, 24)]
    axes += [log_axis(100.0, 900.0, 24), FrequencyAxis(1000.0 * 2.0 ** (np.arange(-30, 31) / 20 + 0.013))]
    for axis in axes:
        flat = curve_of(np.full(len(axis), 86.0), axis)
        tilted = curve_of(86.0 + np.log2(axis.hz / 1000.0), axis)
        for low, high in ((0.0, 1e9), (300.0, 1e9), (0.0, 4000.0), (400.0, 3000.0), (1000.1, 1e9), (0.0, 999.0)):
            cut = (axis.hz > low) & (axis.hz < high)
            for one in (flat, tilted):
                found = _about_center(replace(one, valid=cut))
                told.append([0, 0, 0] if found is None else [found[0], found[-1], found.size])
                figure = band_figure(exact(replace(one, valid=cut)), 86.0, 1.0, key="b")
                told[-1] += [figure.value, figure.bound, figure.reason, figure.caveats, figure.band_hz]
    stands(NAME, "about 1 kHz", told)


def test_what_is_off_at_one_kilohertz_has_no_band() -> None:
    curve = exact(curve_of(np.full(len(AXIS), 86.0)))
    told: list[Any] = [
        of_figure(band_figure(curve, 86.0 + off, 1.5, key="b")) for off in (-1.6, -1.5, -1.4, 1.4, 1.5, 1.6)
    ]
    stands(NAME, "off at 1 kHz", told)


def test_refusals() -> None:
    cut = exact(curve_of(np.full(len(AXIS), 86.0), valid=(AXIS.hz > 150.0) & (AXIS.hz < 9000.0)))
    line = slope(cut)
    told: list[Any] = [of_figures(deviations(cut, 86.0)), of_figure(share_figure(cut, 86.0, 3.0, key="s"))]
    told += [of_figure(line.slope if isinstance(line, FittedLine) else line)]
    stands(NAME, "refusals", told)


def test_no_share_is_below_nothing_or_above_all() -> None:
    hz = AXIS.hz
    flat = alone(curve_of(np.full(hz.size, 86.0), u=0.75), 40)
    aside = alone(curve_of(np.full(hz.size, 86.1), u=0.75), 40)
    x = np.log2(hz / 1000.0)
    narrow = alone(curve_of(86.0 + 0.35 * (np.abs(x) > 0.06), u=0.05, u_common=0.2), 40)
    figures = [share_figure(flat, 86.0, 1.5, key="s"), share_figure(aside, 86.0, 0.02, key="s")]
    figures += [band_figure(narrow, 86.0, 0.3, key="b", smoothing=48)]
    assert figures[0].interval is not None
    assert figures[0].interval[1] == 100.0
    stands(NAME, "ends of shares", [of_figure(one) for one in figures])
