"""Curves taken apart into trend and peaks, over drawn curves and at each limit of the method; frozen.

The values are the program's own ("frozen"). Beside them: derivatives against finite differences, and the width of a
bell, (2 / ln 2) asinh(1 / (2 Q)) (Audio EQ Cookbook, W3C, 2021).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from flaw_worlds import HZ, X, bell_db, curve_of, smooth, switches

from earwitness.insight.findings.decompose import (
    Decomposition,
    Peak,
    _assembled,
    _band,
    _candidate,
    _first_trend,
    _fit,
    _is_visible,
    _limits,
    _model,
    _noise,
    _overall_slope,
    _pruned,
    _search,
    _spreads,
    _templates,
    _Trend,
    _trend_with_slopes,
    _twins_joined,
    _without_spare,
    decompose,
    edge_with_slopes,
    half_size_octaves,
    peaking_db,
    peaking_with_slopes,
    stands_out,
)
from earwitness.quantities.arrays import FloatArray
from golden_values import stands

NAME = "insight/findings_decompose"
# Fits end where a step gains little: what they give is told to a thousandth.
FITTED = 1e-4


def drawn(number: int) -> tuple[FloatArray, Any]:
    """A level of a loudspeaker (F,), and where it is valid."""
    random = np.random.default_rng([number, 31])
    corner, top = float(np.exp(random.uniform(np.log(25.0), np.log(150.0)))), float(random.choice([9e3, 1.6e4, 6e4]))
    level = random.uniform(-1.5, 1.0) * X - 10 * np.log10(1 + (corner / HZ) ** (2 * random.uniform(1, 4)))
    level = level - 10 * np.log10(1 + (HZ / top) ** 5) + random.uniform(-0.5, 0.5) * X**2 / 9
    for _ in range(int(random.integers(0, 6))):
        center = float(np.exp(random.uniform(np.log(120.0), np.log(12_000.0))))
        gain = float(random.choice([-1, 1]) * random.uniform(0.4, 9.0))
        level = level + bell_db(HZ, center, float(np.exp(random.uniform(-0.5, 3.0))), gain)
    level = level + random.choice([0.0, 0.03, 0.2]) * smooth(random, 1, 0.1)[0]
    level = level + random.choice([0.0, 0.02, 0.1]) * random.normal(size=HZ.size)
    valid = np.ones(HZ.size, dtype=bool)
    if number % 4 == 1:
        valid = random.uniform(40.0, 300.0) < HZ
    if number % 4 == 2:
        valid = (random.uniform(2000.0, 3000.0) > HZ) | (random.uniform(3100.0, 4000.0) < HZ)
    return 80.0 + level, valid


@pytest.mark.parametrize("number", range(10))
def test_drawn_curves(number: int) -> None:
    level, valid = drawn(number)
    curve = curve_of(level, valid=valid)
    found: list[Any] = [decompose(curve)]
    if number % 3 == 0:
        found += [decompose(curve, bends=True)]
    if number % 3 == 1:
        found += [decompose(curve, rolls_off=False)]
    part = found[0]
    if part is not None:
        peaks = [*part.peaks, Peak(500.0, 2.0, 1.5), Peak(2000.0, 1.0, -2.0), Peak(part.hz[0] * 1.1, 3.0, 1.0)]
        found += [[stands_out(part, one) for one in peaks], part.low_edge_db(HZ)]
    stands(NAME, f"curve {number}", found, relative=FITTED, near_zero=1e-6)


def test_shapes_and_their_derivatives() -> None:
    x = np.linspace(-4.0, 4.0, 81)
    rows: list[Any] = []
    for center, ln_q, gain in ((0.0, 0.0, 6.0), (-1.3, 1.2, -9.0), (2.1, -0.6, 0.7)):
        level, slopes = peaking_with_slopes(x, center, ln_q, gain)
        rows += [level, slopes, peaking_db(x, np.array([[center], [0.4]]), ln_q, gain)]
        for place, step in enumerate(np.eye(3) * 1e-6):
            moved = peaking_with_slopes(x, *(np.array([center, ln_q, gain]) + step))[0]
            assert slopes[:, place] == pytest.approx((moved - level) / 1e-6, abs=1e-3)
    for is_low in (True, False):
        rows += [edge_with_slopes(8 * x, 0.7, ln_order, is_low=is_low) for ln_order in (-0.3, 0.9, 1.7)]
    q = np.geomspace(0.3, 60.0, 20)
    rows += [np.array([half_size_octaves(float(one)) for one in q])]
    stands(NAME, "shapes", rows)
    assert half_size_octaves(1.0) == pytest.approx(2 / np.log(2) * np.arcsinh(0.5))


def test_the_band_that_is_looked_at() -> None:
    """The longest valid stretch above 7 dB under the middle, three octaves of it at least."""
    rows: list[Any] = []
    lows = np.geomspace(100.0, 180.0, 60)
    narrow = [curve_of(0.1 * X, valid=(one < HZ) & (HZ < 1000.0)) for one in lows]
    for rolls in (True, False):
        rows.append(switches(lows, [_band(one, rolls_off=rolls) is None for one in narrow]))
    rows.append(_band(curve_of(X, valid=HZ < 0), rolls_off=True))
    rows.append(_band(curve_of(X, valid=(HZ < 1000.0) | (HZ > 1200.0)), rolls_off=True))
    for corner in (30.0, 100.0, 400.0, 2500.0, 4000.0):
        for tilt in (-3.0, 0.0, 2.0):
            fall = tilt * X - 10 * np.log10(1 + (corner / HZ) ** 4)
            found = _band(curve_of(fall), rolls_off=True)
            rows.append(None if found is None else [found[0][0], found[0][-1], found[1]])
    for away in (1.40, 1.46, 1.49, 1.51, 1.53):
        hump = curve_of(np.where(np.abs(X) < away, 0.0, -20.0), valid=np.abs(X) < 1.7)
        found = _band(hump, rolls_off=True)
        rows.append(None if found is None else found[0].size)
    comb = np.where(np.arange(HZ.size) % 40 < 20, 0.0, -30.0)
    rows.append(_band(curve_of(comb), rolls_off=True))
    stands(NAME, "band", rows)


def test_edges_are_looked_for_where_the_ends_have_fallen() -> None:
    """By 2 dB at the lower end, by 1 dB at the upper one."""
    swept = (0.8, 0.92, 0.97, 1.03, 1.08, 1.85, 1.96, 2.04, 2.15)
    low, high = [], []
    for one in swept:
        fall = -one * np.maximum(1.0 - np.abs(np.log2(HZ / 40.0)), 0.0) * (HZ < 80.0)
        part = decompose(curve_of(fall, valid=(HZ > 40.0) & (HZ < 400.0)))
        low.append(part is not None and part.low_corner_hz is not None)
        fall = -one * np.maximum(1.0 - np.abs(np.log2(HZ / 16_000.0)), 0.0)
        part = decompose(curve_of(fall, valid=(HZ > 1600.0) & (HZ < 16_100.0)))
        high.append(part is not None and part.high_corner_hz is not None)
    stands(NAME, "ends", [switches(swept, low), switches(swept, high)])


def test_noise_by_third_differences() -> None:
    random = np.random.default_rng(32)
    values = random.normal(size=200)
    counts = [_noise(values[:count]) for count in (0, 6, 7, 8, 9, 10, 200)]
    stands(NAME, "noise", counts)


TRENDS = tuple(_Trend(bend, low, high) for bend in (False, True) for low in (False, True) for high in (False, True))
GRID = np.arange(-200, 200) / 48.0


def parameters(trend: _Trend, peaks: int) -> FloatArray:
    start = [80.0, -0.4]
    start += [1.3] * trend.bend
    start += [GRID[0] + 0.6, 0.9] * trend.low
    start += [GRID[-1] - 0.3, 0.7] * trend.high
    rows = [(-2.0, 0.4, 3.0), (1.1, 1.4, -4.0), (2.2, 0.1, 1.4)]
    return np.array(start + [value for row in rows[:peaks] for value in row])


@pytest.mark.parametrize("number", range(len(TRENDS)))
def test_models_limits_and_fits_of_each_trend(number: int) -> None:
    trend, random = TRENDS[number], np.random.default_rng([number, 33])
    p = parameters(trend, 3)
    level, slopes = _model(GRID, trend, p)
    rows: list[Any] = [trend.size, level, slopes, _trend_with_slopes(GRID, trend, p), _limits(GRID, trend, 2)]
    noisy = level + 0.1 * random.normal(size=GRID.size)
    first = _first_trend(GRID, noisy, trend)
    start = p + 0.05 * random.normal(size=p.size)
    start[3 if trend.bend else 2 :] = np.clip(start[3 if trend.bend else 2 :], -24.0, 24.0)
    fits: list[Any] = [first, _fit(GRID, noisy, trend, start), _fit(GRID, noisy, trend, start, slope=0.3)]
    rows += [_overall_slope(GRID, noisy), _spreads(GRID, noisy - level, slopes)]
    stands(NAME, f"trend {number}", rows)
    found = _search(GRID, noisy, trend, 0.1)
    fits += [*found, _assembled(GRID, noisy, trend, *found)]
    stands(NAME, f"trend {number}, fitted", fits, relative=FITTED, near_zero=1e-5)
    for place in range(p.size):
        step = np.zeros(p.size)
        step[place] = 1e-6
        moved = _model(GRID, trend, p + step)[0]
        assert slopes[:, place] == pytest.approx((moved - level) / 1e-6, abs=2e-3)


def test_candidates_at_their_limits() -> None:
    """From half a decibel, and from five times the noise by what they explain."""
    x = GRID[:250]
    slopes = _trend_with_slopes(x, _Trend(False, True, False), parameters(_Trend(False, True, False), 0))[1]
    gains = np.round(np.arange(-0.8, 0.81, 0.02), 3)
    rows: list[Any] = []
    for q in (0.5, 2.0, 11.0, 40.0):
        for noise in (0.0, 0.2):
            found = [_candidate(x, peaking_db(x, -2.0, float(np.log(q)), one), slopes, noise) for one in gains]
            rows.append(switches(gains, [None if one is None else [round(v, 6) for v in one[:2]] for one in found]))
            rows.append(np.array([0.0 if one is None else one[2] for one in found]))
    rows += [_candidate(x, 3.0 * peaking_db(x, at, 1.0, 8.0), slopes, 0.1) for at in (x[0], x[3], -1.0, x[-1])]
    noises = np.round(np.arange(0.02, 1.5, 0.02), 3)
    swept = [_candidate(x, peaking_db(x, -2.0, 1.5, 2.0), slopes, one) is None for one in noises]
    stands(NAME, "candidates", [*rows, switches(noises, swept), _templates(40)])


def test_twins_are_joined_by_place_width_and_sign() -> None:
    swept = np.round(np.arange(0.0, 1.2, 0.005), 4)
    rows = []
    for q in (0.0, 1.0, 2.0):
        for other, gain in ((q, 2.0), (q + 0.66, 2.0), (q + 0.74, 2.0), (q, -2.0), (q - 0.66, 2.0)):
            found = [
                _twins_joined(np.array([[0.0, 0.3, -2.0], [1.5, q, 3.0], [1.5 + one, other, gain]])) for one in swept
            ]
            rows.append([switches(swept, [one is None for one in found]), found[0]])
    rows.append(
        [
            _twins_joined(np.zeros((0, 3))),
            _twins_joined(np.array([[0.0, 0.3, 2.0], [0.01, 0.3, 2.0], [0.01, 0.4, 1.0]])),
        ]
    )
    stands(NAME, "twins", rows)


def test_peaks_that_are_taken_out_again() -> None:
    trend = _Trend(False, True, False)
    base, random = parameters(trend, 0), np.random.default_rng(34)
    rows = []
    for size in (0.3, 0.46, 0.48, 0.52, 0.55, 2.0):
        level = _model(GRID, trend, np.concatenate([base, [-1.0, 1.2, size]]))[0] + 0.02 * random.normal(size=GRID.size)
        start = np.concatenate([base, [-1.0, 1.2, size, 1.0, 0.8, 0.05]])
        rows.append(_pruned(GRID, level, trend, start, base[1]))
    level = _model(GRID, trend, np.concatenate([base, [-1.0, 1.2, 3.0]]))[0]
    twins = np.concatenate([base, [-1.01, 1.1, 1.5, -0.99, 1.3, 1.5]])
    rows += [_pruned(GRID, level, trend, twins, base[1]), _pruned(GRID, level, trend, base, base[1])]
    for noise in (0.3, 1.0, 2.0, 4.0):
        rough = level + noise * random.normal(size=GRID.size)
        rows.append(_pruned(GRID, rough, trend, np.concatenate([base, [-1.0, 1.2, 3.0, 2.0, 2.0, 1.0]]), base[1]))
    stands(NAME, "pruned", rows, relative=FITTED, near_zero=1e-5)


def test_wide_peaks_that_a_tilt_explains() -> None:
    trend, rows = _Trend(False, False, False), []
    for share in np.linspace(0.0, 1.0, 12):
        for q in (0.6, 1.15, 1.25):
            for slope in (-1.0, 0.0, 1.0):
                size, wide = 4.0, float(np.log(q))
                start = np.array([80.0, -share, 0.0, wide, size, 2.0, 1.5, 3.0])
                level = _model(GRID, trend, np.array([80.0, 0.0, 0.0, wide, share * size, 2.0, 1.5, 3.0]))[0]
                rows.append(_without_spare(GRID, level, trend, start, slope).size)
    stands(NAME, "spare", rows)


def test_what_may_be_seen_and_stands_out() -> None:
    swept = np.round(np.arange(0.0, 1.0, 0.01), 3)
    rows: list[Any] = []
    for q in (0.8, 3.0, 60.0):
        for row in (0, 1):
            filters = np.array([[0.0, np.log(q), -3.0], [0.1, np.log(q / 1.6), -2.0], [0.05, np.log(q / 1.8), 1.0]])
            shape = peaking_db(GRID, filters[row, 0], filters[row, 1], filters[row, 2])
            rows.append(switches(swept, [_is_visible(GRID, one * shape, filters, row) for one in swept]))
    rows.append(_is_visible(GRID, GRID, np.array([[9.0, 3.0, 2.0]]), 0))
    nothing = np.zeros(GRID.size)
    for slope, corner in ((0.0, None), (1.5, None), (0.0, 40.0)):
        for q, size in ((1.0, 3.0), (5.0, -3.0)):
            peak, other = Peak(1000.0, q, size), Peak(1300.0, 2.0, size / 2)
            found = []
            for one in swept:
                # A step beside the peak instead of a fall on both sides.
                level = peaking_db(GRID, 0.0, float(np.log(q)), size) + one * size * (GRID > 0.02)
                part = Decomposition(
                    1000.0 * 2.0**GRID,
                    level + slope * GRID,
                    nothing,
                    nothing,
                    slope,
                    0.0,
                    corner,
                    None,
                    None if corner is None else 2.0,
                    None,
                    (peak, other),
                )
                found.append([stands_out(part, peak), stands_out(replace(part, peaks=(peak,)), Peak(1000.0, q, size))])
            rows.append(switches(swept, found))
    stands(NAME, "seen", rows)


def test_peaks_at_the_ends_of_the_grid_stand_out_by_one_side() -> None:
    swept = np.round(np.arange(-4.3, 4.3, 0.02), 3)
    nothing, rows = np.zeros(GRID.size), []
    for q in (1.0, 6.0, 30.0):
        peaks = [Peak(1000.0 * 2.0 ** float(one), q, 3.0) for one in np.clip(swept, GRID[0], GRID[-1])]
        level = np.sin(3 * GRID)
        part = Decomposition(1000.0 * 2.0**GRID, level, nothing, nothing, 0.1, 0.0, None, None, None, None, ())
        rows.append("".join(str(int(stands_out(part, one))) for one in peaks))
    stands(NAME, "one side", rows)
