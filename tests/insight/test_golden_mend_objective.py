"""What is wanted of an equalizer, over a population and rule by rule; frozen.

The values are the program's own ("frozen"). Beside them: a non-increasing fit of what falls is what it was.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from flaw_worlds import MADE, finding, levels, measured, reading_of, switches
from flaw_worlds import X as ALL_X

from earwitness.errors import InputError
from earwitness.insight.findings import find
from earwitness.insight.findings.finding import Kind, Resonance
from earwitness.insight.mend.objective import (
    Problem,
    _alone,
    _asked,
    _barred,
    _bridged,
    _deviations,
    _edges,
    _falling,
    _held,
    _judged,
    _limited,
    _line,
    _mostly_falling,
    _need_a_middle,
    _no_dips_filled,
    _pooled,
    _rolling_off,
    _shares,
    _sources,
    _spared,
    _weight,
    least_of,
    problem_of,
)
from earwitness.insight.mend.task import EVEN, EqualizerLimits, straight_slope, table
from earwitness.insight.mend.views import WINDOW, Seen, scales_of, seen_of, views_of
from earwitness.insight.mend.yardsticks import Units
from golden_values import stands

NAME = "insight/mend_objective"
CASES = (
    (0, "whole"),
    (1, "doubtful"),
    (2, "few"),
    (3, "one orbit"),
    (4, "gated"),
    (5, "uncertain"),
    (6, "holes"),
    (7, "short"),
)
GOALS = (EVEN, straight_slope(-0.9), table([(120.0, 2.0), (900.0, 0.0), (9000.0, -3.0)]))


def told(one: Problem) -> list[Any]:
    arrays = [
        one.wanted_db,
        one.sharp_db,
        one.weight,
        one.cap_db,
        one.target_db,
        one.deviation_db,
        one.judged,
        one.no_boost,
    ]
    return [*arrays, one.u_broad_db, one.u_narrow_db, one.barred, one.bells, one.differs_db, one.doubt_db]


def of(call: Any) -> Any:
    try:
        return call()
    except InputError as refused:
        return str(refused)


@pytest.mark.parametrize(("number", "way"), CASES)
def test_problems_of_loudspeakers(number: int, way: str) -> None:
    views = views_of(levels(number, way))
    response = measured(number, way)
    found = find(reading_of(response), response) if number % 2 == 0 else MADE
    phase = (0.2 + 0.2 * ALL_X) * np.sin(9 * ALL_X) - 1e-3 * views.hz
    rows = [
        of(lambda: told(problem_of(views, findings=found))),
        of(lambda: told(problem_of(views, GOALS[1], excess_phase_rad=phase))),
        of(lambda: told(problem_of(views, GOALS[2], limits=EqualizerLimits(forced=True), findings=found))),
        of(lambda: told(problem_of(views, limits=EqualizerLimits(range_hz=(60.0, 18_000.0), total_boost_db=1.0)))),
        of(
            lambda: told(
                problem_of(
                    views, sample_rate_hz=22_050.0, units=Units(2, 9.0, 0.5, views.hz, 0.3 * ALL_X), findings=MADE
                )
            )
        ),
    ]
    stands(NAME, f"{number} {way}", rows)


def seen_for(number: int, way: str = "whole") -> Seen:
    return seen_of(views_of(levels(number, way)))


@pytest.mark.parametrize(("number", "way"), [(0, "whole"), (3, "one orbit"), (6, "holes"), (9, "in a wall")])
def test_parts_step_by_step(number: int, way: str) -> None:
    seen = seen_for(number, way)
    scales, random = scales_of(seen.hz.size), np.random.default_rng([number, 81])
    judged = _judged(seen, EVEN, EqualizerLimits())
    weight = _weight(seen, judged)
    rows: list[Any] = [judged, weight]
    for goal in GOALS:
        parts = of(lambda goal=goal: _deviations(seen, scales, goal, weight))
        rows.append(parts)
    parts = _deviations(seen, scales, EVEN, weight)
    shares = _shares(seen, scales, parts)
    rows += [shares, shares.kept(seen.hz > 1000.0).narrow, parts.broad, parts.narrow]
    rows += [_limited(seen, scales, parts, shares, weight)]
    known = seen.known.copy()
    known[2, 100:] = False
    rows += [_limited(replace(seen, known=known), scales, parts, shares, weight)]
    rows += [_pooled(seen, np.ones_like(seen.trusted)), _pooled(replace(seen, early=None), np.ones_like(seen.trusted))]
    droop = random.normal(size=(5, seen.hz.size))
    rows += [of(lambda goal=goal: _asked(seen, goal, droop, weight)) for goal in GOALS]
    stands(NAME, f"parts {number}", rows)


def test_fits_that_fall() -> None:
    random = np.random.default_rng(82)
    seen = seen_for(0)
    hz, x = seen.hz, seen.octaves
    rows: list[Any] = []
    for level in (-0.5 * x, random.normal(size=hz.size).cumsum() / 5, 0.3 * x, np.sin(3 * x)):
        rows += [_falling(hz, level), _mostly_falling(hz, level), _line(x, hz, level)]
        rows += [_line(x[-9:], hz[-9:], level[-9:]), _line(x[:20], hz[:20], level[:20])]
    low = hz < 99.0
    rows += [_falling(hz[low], x[low]), _mostly_falling(hz[low], x[low]), _line(x[low], hz[low], x[low] ** 2)]
    some = np.array([90.0, 100.0, 10_000.0, 12_000.0, 15_000.0])
    rows += [
        _line(np.log2(some), some, np.arange(5.0) ** 2),
        _falling(some, np.arange(5.0)),
        _mostly_falling(some, -np.arange(5.0)),
    ]
    stands(NAME, "falls", rows)
    fall = np.where(hz >= 100.0, -0.5 * x, 0.0)
    assert _falling(hz, fall)[hz >= 100.0] == pytest.approx(fall[hz >= 100.0])


def test_where_it_is_judged_and_trusted() -> None:
    seen = seen_for(4)
    rows: list[Any] = []
    for more in (
        {},
        {"forced": True},
        {"range_hz": (30.0, 18_000.0)},
        {"range_hz": (300.0, 2000.0)},
        {"forced": True, "range_hz": (50.0, 900.0)},
    ):
        for bass in (20.0, 60.0, 130.0):
            given = replace(seen, bass_hz=bass)
            judged = of(lambda given=given, more=more: _judged(given, GOALS[0], EqualizerLimits(**more)))
            rows.append(
                judged if isinstance(judged, str) else [seen.hz[judged][0], seen.hz[judged][-1], int(judged.sum())]
            )
    u = np.linspace(0.0, 3.0, seen.hz.size)
    rows += [_judged(replace(seen, u_own_db=u), EVEN, EqualizerLimits()), _judged(seen, GOALS[2], EqualizerLimits())]
    rows.append(of(lambda: _judged(replace(seen, u_own_db=u + 2.0), EVEN, EqualizerLimits())))
    rows.append(_weight(replace(seen, u_own_db=u, u_common_db=u[::-1]), seen.hz > 200.0))
    swept = np.round(np.arange(20.0, 28.0, 0.1), 2)
    middle = []
    for one in swept:
        curves = seen.curve_db.copy()
        curves[WINDOW] = np.where(seen.hz < 150.0, one, 0.0)
        middle.append(
            of(lambda curves=curves: _need_a_middle(replace(seen, curve_db=curves), seen.hz > 0))[:12]
            if of(lambda curves=curves: _need_a_middle(replace(seen, curve_db=curves), seen.hz > 0))
            else ""
        )
    rows.append(switches(swept, middle))
    rows.append(of(lambda: _need_a_middle(replace(seen, curve_db=100 * seen.curve_db), seen.hz < 150.0)))
    stands(NAME, "judged", rows)


def test_findings_in_a_problem() -> None:
    seen = seen_for(0)
    random = np.random.default_rng(83)
    wanted = random.normal(size=seen.hz.size).cumsum() / 6
    cap = np.where((seen.hz > 500.0) & (seen.hz < 600.0), 0.0, 3.0)
    rows: list[Any] = [_sources(MADE), _barred(MADE), _sources(()), _barred(())]
    rows += [_alone(one, MADE) for one in MADE] + [_alone(one, MADE, 3.0) for one in MADE[1:4]]
    rows += [_spared(seen, MADE, wanted, cap), _spared(seen, (), wanted, cap), _no_dips_filled(seen, MADE, cap)]
    for number in range(4):
        picked = [MADE[number], replace(MADE[0], center_hz=2100.0, low_hz=1900.0, high_hz=2300.0, size_db=-1.0)]
        rows += [_spared(seen, picked, wanted, cap), _no_dips_filled(seen, picked, cap), _barred(picked)]
    resonance = Resonance(700.0, 0.01, 8.0, 0.1, 5.0, 0.3, None, "", 690.0, 5.0, 3.0, 5e-3, 0.4)
    kinds: tuple[Kind, ...] = ("source", "load", "port", "partial")
    some = [
        finding(kind, 500.0, size, q=q, sizes=sizes, is_equalizable=mends, resonance=behind, u_db=u)
        for kind in kinds
        for size, u in ((3.0, 0.2), (-1.0, 0.9), (0.5, 0.6))
        for q in (None, 2.0)
        for sizes in ({}, MADE[0].sizes)
        for mends in (True, False)
        for behind in (None, resonance)
    ]
    rows.append(_sources(some))
    stands(NAME, "findings", rows)


def test_lines_bridges_and_ends() -> None:
    random = np.random.default_rng(84)
    seen = seen_for(0)
    count = seen.hz.size
    rows: list[Any] = []
    wanted = random.normal(size=count) + 0.5
    for first, last in ((0, 30), (40, 60), (count - 30, count), (0, count), (0, 0)):
        mask = np.zeros(count, dtype=bool)
        mask[first:last] = True
        rows += [_bridged(one, mask, sign) for sign in (-1.0, 1.0) for one in (wanted, -wanted)]
    holed = np.ones(count, dtype=bool)
    holed[[5, 25, count - 30, count - 6]] = False
    rows += [_bridged(sign * (wanted - 1.0), holed, other) for sign in (1.0, -1.0) for other in (1.0, -1.0)]
    for goal in GOALS[:2]:
        for shift in (-3.0, 0.0, 3.0):
            rows += [
                _edges(seen, goal, wanted + shift, seen.hz > 100.0),
                _edges(seen, goal, wanted + shift, (seen.hz > 300.0) & (seen.hz < 12_000.0)),
            ]
    pairs = random.normal(size=(4, 60)) + np.repeat([[-2.0, 0.0, 2.0]], 20, axis=1)
    rows += [least_of(pairs), least_of(np.array([[1.0, 0.0, 0.0], [2.0, 1.0, -1.0]])), _held(pairs[0], pairs[1])]
    for bass in (30.0, 90.0, 200.0):
        for level in (random.normal(size=count) - 1.0, np.full(count, -1.0), np.full(count, 1.0), np.zeros(count)):
            rows += [_rolling_off(replace(seen, bass_hz=bass, rolls_off=rolls), level) for rolls in (True, False)]
    stands(NAME, "lines", rows)


def test_dips_that_only_the_axis_or_no_direction_shares() -> None:
    """Where a dip is interference: its size and the share of it that is mended, swept over their limits."""
    seen = seen_for(1)
    scales = scales_of(seen.hz.size)
    weight = _weight(seen, seen.hz > 80.0)
    parts = _deviations(seen, scales, EVEN, weight)
    shares, rows = _shares(seen, scales, parts), []
    for size in np.round(np.arange(0.2, 2.4, 0.1), 2):
        narrow = np.where(np.abs(seen.octaves) < 0.15, -size, 0.0) * np.ones((5, 1))
        for axis_alone in (False, True):
            given = replace(
                parts, narrow_db=narrow * (np.array([[1.0], [0.45], [0.5], [0.5], [0.5]]) if axis_alone else 1.0)
            )
            less = replace(shares, narrow=np.full(seen.hz.size, 0.4 * 0.5 * size), window_narrow_db=0.5 * narrow[0])
            mended, _, dip = _limited(seen, scales, given, less, weight)
            rows.append([int(dip.sum()), float(mended.sum()), float(mended.min())])
    stands(NAME, "dips", np.array(rows))
    rows = []
    for size in np.round(np.arange(0.24, 0.4, 0.01), 3):
        narrow = np.full((5, seen.hz.size), -size)
        for share in (0.37, 0.39, 0.41, 0.43):
            for window in (-0.65, -0.69, -0.71, -0.76):
                less = replace(
                    shares, narrow=np.full(seen.hz.size, share), window_narrow_db=np.full(seen.hz.size, window)
                )
                rows.append([int(_limited(seen, scales, replace(parts, narrow_db=narrow), less, weight)[2].sum())])
    stands(NAME, "narrow dips", np.array(rows))
