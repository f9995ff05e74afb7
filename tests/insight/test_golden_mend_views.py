"""What a design looks at and what it is judged by: operators, views and yardsticks over a population; frozen.

The values are the program's own ("frozen"). Beside them: a local straight line leaves a straight line as it is
(local linear regression, handbook), and the rms about a line by numpy's own fit.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from flaw_worlds import HZ, X, curve_of, levels, loudspeaker, rows_kept, smooth, switches

from earwitness.errors import InputError
from earwitness.figures.read import levels_of
from earwitness.insight.mend.views import (
    _bass,
    _filled,
    _measured_window,
    _stretch,
    _trusted,
    moved_up,
    moving_mean,
    over_units,
    phase_bend_deg,
    scales_of,
    seen_of,
    smooth_errors,
    views_of,
)
from earwitness.insight.mend.yardsticks import (
    RATING_KEY,
    Units,
    _covers,
    _half_width,
    _variance,
    evenness_db,
    narrow_band_deviation,
    rms_about_line,
    roughness,
    taken_share,
    units_of,
    worse,
    yardsticks,
)
from earwitness.quantities import from_orbit
from golden_values import plain, stands

NAME = "insight/mend_views"
CASES = (
    (0, "whole"),
    (1, "no phase"),
    (2, "doubtful"),
    (3, "one orbit"),
    (4, "few"),
    (5, "gated"),
    (6, "in a wall"),
    (7, "holes"),
    (8, "short"),
    (9, "uncertain"),
)


def told(error: type[Exception], call: Any) -> Any:
    """What a call gives, or the words of its refusal."""
    try:
        return call()
    except error as refused:
        return str(refused)


def test_operators_of_a_grid() -> None:
    rows: list[Any] = [scales_of(60), scales_of(248).trend, moving_mean(30, 1 / 3), moving_mean(30, 0.25)]
    row = np.sin(np.arange(60.0) / 5)
    for shift in (-3.0, -0.31, 0.0, 0.02, 0.31, 3.0):
        rows.append(moved_up(np.stack([row, row**2]), shift))
    rows += [over_units(row, percent) for percent in (0.0, 3.0, 15.0)]
    for octaves in (0.15, 1.0, 2.0):
        rows.append(smooth_errors(np.random.default_rng(5), 60, octaves, 4))
    stands(NAME, "operators", rows)
    line = 3.0 + 0.2 * np.arange(60.0)
    assert scales_of(60).trend @ line == pytest.approx(line)
    assert scales_of(60).shared @ line == pytest.approx(line)


def test_departures_of_phase() -> None:
    hz = 1000.0 * 2.0 ** (np.arange(-60, 60) / 24)
    phase = 3.0 * np.exp(-(np.log2(hz / 1500.0) ** 2) / 0.02) - 1e-3 * hz
    rows: list[Any] = [phase_bend_deg(hz, phase), phase_bend_deg(hz[::3], phase[::3])]
    rows += [phase_bend_deg(hz[:count], np.cos(np.arange(count) * 1.0)) for count in (7, 8, 9, 10, 11)]
    rows += [
        phase_bend_deg(hz[::9], phase[::9]),
        phase_bend_deg(hz[::9][:5], phase[::9][:5]),
        phase_bend_deg(hz[::9][:4], phase[:4]),
    ]
    stands(NAME, "phase", rows)


@pytest.mark.parametrize(("number", "way"), CASES)
def test_views_and_yardsticks_of_loudspeakers(number: int, way: str) -> None:
    one = levels(number, way)
    views = views_of(one)
    rows: list[Any] = [views]
    seen = told(InputError, lambda: seen_of(views))
    rows.append(seen)
    if not isinstance(seen, str):
        rows += [seen_of(views, highest_hz=9000.0), seen.octaves, evenness_db(seen)]
        random = np.random.default_rng([number, 51])
        gains = np.vstack([np.zeros(seen.hz.size), smooth_errors(random, seen.hz.size, 0.5, 3)])
        rows += [yardsticks(seen, gains), yardsticks(seen, gains[1])]
        fewer = seen.known.copy()
        fewer[number % 5, :3] = False
        rows.append(yardsticks(replace(seen, known=fewer), gains[:2]))
    stands(NAME, f"{number} {way}", rows)


def test_views_of_few_directions() -> None:
    whole = loudspeaker(3)
    x = whole.directions.unit_vectors()
    rows: list[Any] = []
    for limit in (5.0, 11.0, 14.0, 16.0, 21.0, 31.0):
        near = x[:, 0] > np.cos(np.deg2rad(limit))
        for keep in (near, near & (np.abs(x[:, 2]) < 1e-6), near & (x[:, 0] < 1 - 1e-9), near & (x[:, 1] > -1e-6)):
            some = levels_of(rows_kept(whole, keep)) if keep.any() else None
            rows.append(None if some is None else told(InputError, lambda some=some: dict(views_of(some).rows)))
    base = levels_of(whole)
    unknown = replace(base, known=base.valid & (HZ < 9000.0), level_db=np.where(HZ > 8000.0, np.nan, base.level_db))
    rows.append(views_of(unknown))
    rows.append(views_of(replace(base, known=None)).valid)
    off = replace(
        rows_kept(whole, np.arange(len(x)) < 6),
        directions=from_orbit("horizontal", [0.0, 9.995, 10.02, 20.0, -30.0, 14.9]),
    )
    some = levels_of(off)
    rows += [_measured_window(some), told(InputError, lambda: dict(views_of(some).rows))]
    turned = levels_of(replace(off, directions=from_orbit("horizontal", [0.0, 15.1, 14.95, 20.0, -30.0, 40.0])))
    rows.append(told(InputError, lambda: dict(views_of(turned).rows)))
    stands(NAME, "few directions", rows)


def test_stretches_fillings_and_bass() -> None:
    rows: list[Any] = []
    for good in (
        HZ > 0,
        HZ > 900.0,
        HZ > 1100.0,
        (HZ < 3000.0) & (HZ > 300.0),
        (HZ > 760.0) & (HZ < 1500.0),
        (HZ > 760.0) & (HZ < 1540.0),
        HZ < 1000.5,
        HZ >= 999.5,
    ):
        rows.append(told(InputError, lambda good=good: _stretch(HZ, good)))
    random = np.random.default_rng(52)
    curves, known = random.normal(size=(5, 40)), random.random((5, 40)) < 0.7
    known[2], known[3] = False, True
    rows.append(_filled(curves, known))
    for corner in (10.0, 30.0, 120.0, 290.0, 310.0, 900.0):
        fall = -10 * np.log10(1 + (corner / HZ) ** 4)
        rows += [_bass(HZ, fall), _bass(HZ[HZ > 100.0], fall[HZ > 100.0]), _bass(HZ[HZ > 320.0], fall[HZ > 320.0])]
    rows += [_bass(HZ[HZ > 3010.0], X[HZ > 3010.0]), _bass(HZ[HZ < 290.0], X[HZ < 290.0])]
    edge = np.where(HZ < 50.0, -7.0, 0.0)
    rows += [_bass(HZ, edge), _bass(HZ, np.where(HZ < 50.0, -5.9, 0.0)), _bass(HZ, np.where(HZ < 600.0, -20.0, 0.0))]
    slant = np.where((HZ >= 300.0) & (HZ <= 3000.0), 3.0 * X, -2.0)
    rows += [_bass(HZ, slant), _bass(HZ, np.where(HZ < 20.0, -9.0, slant))]
    stands(NAME, "stretches", rows)


def test_trust_by_a_quarter_of_the_energy() -> None:
    views = views_of(levels(2))
    swept = np.round(np.arange(0.15, 0.4, 0.01), 3)
    energy = np.zeros(views.level_db.shape)
    found = []
    for one in swept:
        window = np.flatnonzero(views.rows["listening_window"])
        energy[:] = 0.0
        energy[window] = (1 - one) / (window.size - 1)
        energy[window[0]] = one
        valid = np.ones_like(views.valid)
        valid[window[0]] = False
        each = _trusted(replace(views, valid=valid), energy)
        found.append([bool(each["listening_window"][9]), bool(each["on_axis"][9]), len(each)])
    stands(NAME, "trust", switches(swept, found))


def test_lines_roughness_and_ratings() -> None:
    random = np.random.default_rng(53)
    x = np.linspace(-3.0, 4.0, 90)
    rows = random.normal(size=(3, 90)) + 0.4 * x
    about = rms_about_line(x, rows)
    expected = [np.sqrt(np.mean((row - np.polyval(np.polyfit(x, row, 1), x)) ** 2)) for row in rows]
    assert about == pytest.approx(expected)
    found: list[Any] = [about, narrow_band_deviation(x, rows, np.linspace(-4.0, 5.0, 100)[:90])]
    level = 0.5 * X + smooth(random, 1, 0.2)[0]
    for valid in (HZ > 0, HZ > 90.0, HZ > 101.0, HZ < 10_500.0, HZ < 9900.0):
        found.append(roughness(curve_of(level, u=0.1 + 0.05 * np.abs(X), valid=valid)))
    found.append(roughness(curve_of(0.4 * X)))
    stands(NAME, "roughness", found)


def test_what_is_worse_and_what_is_taken() -> None:
    swept = np.round(np.arange(-0.03, 0.03, 0.001), 4)
    zero = {key: np.full(3, 1.0) for key in ("on_axis", "listening_window", "in_room", RATING_KEY)}
    rows: list[Any] = []
    for key in zero:
        found = [worse(zero, zero | {key: 1.0 + np.array([one, 0.0, one])}).tolist() for one in swept]
        rows.append(switches(swept, found))
        rows.append(switches(swept, [worse({key: zero[key]}, {key: zero[key] + one}).tolist() for one in swept]))
        rows.append([taken_share(zero, zero | {key: np.array([one, 9.0])}) for one in (0.1, 1.0, 2.0)])
        rows.append(taken_share(zero, {key: np.array([0.3])}))
    none = {key: np.zeros(2) for key in zero}
    rows += [worse({}, {}), taken_share(none, none), taken_share({}, {})]
    stands(NAME, "worse", rows)


def test_what_the_data_cover() -> None:
    seen = seen_of(views_of(levels(0)))
    swept = np.geomspace(0.9, 1.1, 60)
    rows = [
        switches(swept, [_covers(seen, 0, float(seen.hz[0]) * one, 1000.0) for one in swept]),
        switches(swept, [_covers(seen, 0, 100.0, float(seen.hz[-1]) * one) for one in swept]),
        _covers(seen, 0, 1001.0, 1002.0),
    ]
    known = seen.known.copy()
    known[0, 100] = False
    at = seen.hz[100]
    holed = replace(seen, known=known)
    rows.append(
        [
            _covers(holed, row, low, high)
            for row in (0, 1)
            for low, high in ((at, 2 * at), (100.0, at), (at * 1.01, 2 * at), (100.0, at * 0.99))
        ]
    )
    rows.append([evenness_db(replace(seen, hz=seen.hz * factor)) for factor in (0.001, 0.5, 1.0)])
    stands(NAME, "cover", rows)


@pytest.mark.parametrize("number", range(4))
def test_spread_over_units(number: int) -> None:
    random = np.random.default_rng([number, 54])
    shape = smooth(random, 1, 0.15)[0] + 0.2 * X
    groups = []
    for _ in range(2 + number):
        shift, level = random.normal(0, 0.04), 0.5 * smooth(random, 1, 2.0)[0]
        moved = np.interp(X - shift, X, shape) + level
        groups.append([curve_of(moved + 0.05 * smooth(random, 1, 0.1)[0]) for _ in range(1 + number % 2)])
    rows: list[Any] = [units_of(groups[0][0], groups), units_of(groups[1][0], [*groups[:1], [*groups[1], None]])]
    short = curve_of(shape, valid=HZ > 150.0)
    nothing: list[Any] = [None]
    rows += [
        units_of(one, some).count
        for one, some in (
            (None, groups),
            (groups[0][0], groups[:1]),
            (groups[0][0], [*groups, [short]]),
            (groups[0][0], [*groups, nothing]),
            (groups[0][0], groups[:2]),
        )
    ]
    rows += [units_of(groups[0][0], groups).beyond_this_db(HZ), Units().beyond_this_db(HZ), Units()]
    rows += [
        [
            _half_width(usual, variance, count, noise)
            for usual in (0.5, 3.0)
            for variance in (0.0, 0.2, 9.0)
            for count in (1, 2, 9)
            for noise in (0.0, 0.1, 1.0)
        ]
    ]
    rows += [_variance([random.normal(size=2) for _ in range(3)]), _variance([np.zeros(1)])]
    stands(NAME, f"units {number}", plain(rows))
