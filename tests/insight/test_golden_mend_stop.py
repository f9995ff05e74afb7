"""How many bands pay and what is said of it, over a population and at each limit; frozen.

The values are the program's own ("frozen"). Beside them: a mean square about the weighted mean by its definition.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from flaw_worlds import MADE, finding, levels, measured, reading_of, switches

from earwitness.insight.findings import find
from earwitness.insight.mend.design import Design, parameters_of, task_of
from earwitness.insight.mend.design import measured as measured_design
from earwitness.insight.mend.equalizer import Band, Equalizer, gain_db
from earwitness.insight.mend.objective import Problem, problem_of
from earwitness.insight.mend.stop import (
    BandRole,
    Change,
    Choice,
    Step,
    _against_sources,
    _alone_words,
    _band_words,
    _boost,
    _cost_words,
    _Draws,
    _in_order,
    _left_words,
    _listed,
    _net,
    _number,
    _pruned,
    _reason,
    _role,
    _scaled,
    _squares,
    _takes_words,
    _weighed,
    audible_ratio,
    choose,
    drawn,
    mends,
    verdict_of,
)
from earwitness.insight.mend.task import EqualizerLimits, straight_slope
from earwitness.insight.mend.views import views_of
from earwitness.insight.mend.yardsticks import Units
from golden_values import stands

NAME = "insight/mend_stop"
CASES = (
    (0, "whole"),
    (1, "whole"),
    (2, "whole"),
    (3, "no phase"),
    (4, "few"),
    (5, "doubtful"),
    (6, "whole"),
    (7, "one orbit"),
    (8, "whole"),
    (9, "uncertain"),
    (10, "whole"),
    (11, "whole"),
)
SOME = Equalizer(
    (Band("peaking", 700.0, -2.4, 2.0), Band("high_shelf", 5000.0, -0.8, 0.7), Band("peaking", 200.0, 1.1, 1.0))
)


def problem(number: int, way: str = "whole") -> Problem:
    return problem_of(views_of(levels(number, way)), findings=MADE if number % 2 else ())


@pytest.mark.parametrize(("number", "way"), CASES)
def test_choices_and_verdicts(number: int, way: str) -> None:
    response = measured(number, way)
    found = find(reading_of(response), response) if number % 4 == 0 else MADE
    views = views_of(levels(number, way))
    given = problem_of(views, findings=found, units=Units(3, 6.0, 0.8) if number % 3 == 0 else Units())
    choice = choose(given) if number % 2 else choose(given, most=2)
    stands(
        NAME, f"{number} {way}", [choice, verdict_of(given, choice, found), verdict_of(given, choice)], relative=1e-4
    )


@pytest.mark.parametrize("number", range(3))
def test_draws_and_what_they_give(number: int) -> None:
    given = problem(number)
    draws = _Draws(given)
    gain = gain_db(SOME, given.hz, given.sample_rate_hz)
    rows: list[Any] = [drawn(given), draws.before, draws.sure, draws.errors, draws.as_is, draws.taken(gain)]
    none = np.zeros(given.hz.size)
    rows += [draws.step(count, share * gain) for count in (0, 2) for share in (-1.0, 0.0, 0.5, 1.0, 4.0)]
    rows += [
        draws.step(1, none),
        draws.harms(none),
        [draws.harms(share * gain) for share in np.linspace(-1.5, 1.5, 31)],
    ]
    rows += [drawn(replace(given, units=Units(2, 9.0, 1.4)))]
    best = choose(given, most=1)
    for equalizer in (SOME, SOME if best.design is None else best.design.equalizer, Equalizer(())):
        for factor in (0.5, 1.0, 1.6):
            rows.append(_weighed(given, draws, _scaled(given, equalizer, factor), ((), 0.4)))
    rows += [_scaled(given, SOME, share) for share in (1.0, 0.75, 0.5, 0.25, 0.03)]
    stands(NAME, f"draws {number}", rows, relative=1e-4)
    weight = given.weight
    rows_db = draws.rows[:3]
    mean = (rows_db @ weight)[:, None]
    assert _squares(weight, rows_db) == pytest.approx(((rows_db - mean) ** 2) @ weight)


def test_when_a_set_pays() -> None:
    given = problem(0)
    draws = _Draws(given)
    swept = np.round(np.arange(0.1, 0.35, 0.002), 4)
    loud, quiet = (Band("peaking", 500.0, -1.0, 1.0),), (Band("peaking", 500.0, -0.4, 1.0),)
    rows: list[Any] = []
    for bands in (loud, quiet, (), (*quiet, *loud)):
        rows.append(switches(swept, [draws.pays(Step(1, 0.1, one, 0.1, 1.0), bands) for one in swept]))
    shares = np.round(np.arange(0.7, 1.0, 0.005), 4)
    for even in (0.2, 0.34, 0.36, 0.5, 0.69, 0.72, 0.9):
        draws.sure = float(np.interp(even, [0.35, 0.7], (0.95, 0.8)))
        rows.append(switches(shares, [draws.pays(Step(1, 0.1, 1.0, 0.1, one), loud) for one in shares]))
    for factor in (0.3, 0.8, 1.0, 1.4, 3.0):
        curves = given.seen.curve_db * factor
        rows.append(_Draws(replace(given, seen=replace(given.seen, curve_db=curves))).sure)
    rows.append([_net(Step(count, 0.1, 0.5, 0.2, 1.0)) for count in (0, 1, 4)])
    stands(NAME, "pays", rows)


def test_what_is_heard_of_a_band() -> None:
    q, rows = np.geomspace(0.3, 80.0, 40), []
    for kind in ("peaking", "low_shelf"):
        for gain in (-3.0, 0.0, 3.0):
            rows.append(np.array([audible_ratio(Band(kind, 500.0, gain, float(one))) for one in q]))
    stands(NAME, "heard", rows)


def test_bands_that_are_dropped_and_against_sources() -> None:
    rows: list[Any] = []
    for number in (0, 1):
        given = problem(number)
        task = task_of(given)
        sweep = np.round(np.arange(0.08, 0.2, 0.01), 3)
        found = []
        for one in sweep:
            kinds, x = parameters_of(
                Equalizer((Band("peaking", 700.0, -2.4, 2.0), Band("peaking", 4000.0, -float(one), 1.0)))
            )
            found.append(int(_pruned(task, kinds, x)[0].size))
        rows.append(switches(sweep, found))
        rows.append(_pruned(task, *parameters_of(SOME)))
        rows.append(_in_order(*parameters_of(SOME)))
    bells = np.array([[500.0, 2.0, -3.0], [1700.0, 4.0, 3.5], [4000.0, 30.0, -14.0], [30.0, 2.0, -3.0]])
    for some in (bells, bells[:1], bells[1:2], bells[3:], bells[:0], bells[[0, 2]]):
        given = replace(problem(0), bells=some)
        rows.append(list(_against_sources(given, _Draws(given), task_of(given), ((), 0.3))))
    bells = np.array([[500.0, 1.2, -4.0], [3000.0, 1.2, -4.0]])
    both = Equalizer(tuple(Band("peaking", hz, gain, q) for hz, q, gain in bells.tolist()))
    for range_hz in (None, (600.0, 15_000.0), (100.0, 2000.0)):
        given = problem(0)
        wanted = gain_db(both, given.hz, given.sample_rate_hz)
        limits = EqualizerLimits(range_hz=range_hz)
        given = replace(given, wanted_db=wanted, sharp_db=wanted, bells=bells, barred=np.zeros((0, 3)), limits=limits)
        given = replace(given, seen=replace(given.seen, curve_db=np.tile(-wanted, (5, 1))))
        rows.append([one.design for one in _against_sources(given, _Draws(given), task_of(given), ((), 0.3))])
    even = replace(given, wanted_db=0.0 * wanted, sharp_db=0.0 * wanted)
    rows.append(choose(even, most=1))
    stands(NAME, "dropped", rows, relative=1e-4)


def choice_of(
    taken: float = 0.5, takes: float = 0.6, guarded: float = 1.0, headroom: float = 0.5, share: float = 0.9
) -> Choice:
    return Choice(None, (), Step(1, 0.1, taken, 0.2, share), headroom_db=headroom, takes=takes, guarded=guarded)


def test_words_of_what_is_left_alone() -> None:
    given = problem(0)
    even = replace(given, seen=replace(given.seen, curve_db=0.1 * given.seen.curve_db))
    rows: list[Any] = []
    taken = np.round(np.arange(0.0, 0.4, 0.002), 4)
    for one in (given, even, replace(even, goal=straight_slope(-1.0))):
        rows.append(switches(taken, [_reason(one, choice_of(float(each)), "well") for each in taken]))
        for doubt in (0.1, 0.2):
            doubted = replace(one, doubt_db=doubt, differs_db=0.15)
            rows.append(
                [_reason(doubted, choice_of(guarded=guard), word) for guard in (0.0, 0.25) for word in ("not", "well")]
            )
            rows.append(
                [
                    _takes_words(doubted, 0.256, word, reason)
                    for word in ("well", "partly", "not")
                    for reason in ("", "even", "uncertain", "too_small")
                ]
            )
        for reason in ("even", "uncertain", "not_common", "one_for_the_other", "too_small"):
            for each, headroom in ((0.03, 0.5), (0.055, 0.98), (0.2, 1.02), (0.27, 2.0)):
                rows.append(_alone_words(one, choice_of(each, headroom=headroom), reason))
        rows.append(switches(taken, [len(_alone_words(one, choice_of(float(each)), "even")[1]) for each in taken]))
        rows.append(
            switches(taken, [_alone_words(one, choice_of(float(each)), "too_small")[1][0][:20] for each in taken])
        )
    heads = np.round(np.arange(0.8, 1.2, 0.01), 3)
    rows.append(
        switches(
            heads, ["cost" in _alone_words(given, choice_of(headroom=float(one)), "too_small")[0] for one in heads]
        )
    )
    stands(NAME, "alone", rows)


def test_words_of_bands() -> None:
    changes = {
        "on_axis": Change(1.234, 0.9),
        "listening_window": Change(1.0, 0.5),
        "in_room": Change(1.0, 1.01),
        "rating": Change(5.12, 5.81),
    }
    less = {"on_axis": Change(1.0, 1.04), "in_room": Change(1.0, 0.6), "rating": Change(5.0, 5.01)}
    rows: list[Any] = []
    roles = [BandRole(3, 1.0), BandRole(None, 1.0), BandRole(1, 1.0), BandRole(1, 2.0)]
    for some in (roles, roles[:1], roles[1:2], roles[2:], roles[:2] * 6, [roles[0], roles[2]]):
        for answer in ("pays", "partly"):
            rows += [_band_words(answer, some, changes), _band_words(answer, some, less), _band_words(answer, some, {})]
    rows += [_number(count) for count in range(13)] + [_listed("finding", some) for some in ([2], [2, 4], [1, 2, 4])]
    rows += [_cost_words(2.34, 1234.0), _cost_words(0.0, None)]
    many = [replace(one, key=number) for number, one in enumerate(MADE, 1)]
    for left in ((), (1,), (2,), (7,), (2, 3), (1, 5), (7, 2, 1), (8,), tuple(range(1, 9))):
        rows.append(_left_words(many, left))
    turned = [replace(many[6], key=9), *many]
    rows.append(_left_words(turned, (9, 7)))
    stands(NAME, "bands", rows)


def test_roles_and_boosts() -> None:
    given = problem(0)
    rows: list[Any] = []
    hz = np.geomspace(300.0, 3000.0, 200)
    found = [replace(one, key=number) for number, one in enumerate(MADE, 1)]
    for gain in (-2.0, 2.0):
        rows.append(switches(hz, [_role(Band("peaking", float(one), gain, 2.0), found).finding for one in hz]))
        rows.append(
            [
                mends(Band(kind, 700.0, gain, 2.0), finding(what, 700.0, 3.0))
                for kind in ("peaking", "low_shelf")
                for what in ("source", "tilt", "band_limit", "partial")
            ]
        )
    rows.append([mends(Band("peaking", at, -2.0, 2.0), MADE[0]) for at in (MADE[0].low_hz, MADE[0].high_hz)])
    rows.append([mends(Band("peaking", 700.0, gain, 2.0), finding("source", 700.0, 2.0)) for gain in (-0.2, 0.0, 0.2)])
    both = [finding("source", 690.0, 3.0, key=1), finding("source", 740.0, 3.0, key=2)]
    rows.append(switches(hz, [_role(Band("peaking", float(one), -2.0, 2.0), both).finding for one in hz]))
    gains = np.round(np.arange(-0.1, 0.1, 0.002), 4)
    boosts = [_boost(Equalizer((Band("peaking", 700.0, float(one), 1.0),)), given) for one in gains]
    rows.append(switches(gains, [one[1] is None for one in boosts]))
    rows += [
        _boost(Equalizer((Band("high_shelf", 9000.0, 3.0, 0.7),)), replace(given, sample_rate_hz=rate))
        for rate in (30_000.0, 96_000.0)
    ]
    rows.append(_boost(Equalizer((Band("low_shelf", 25.0, 3.0, 0.7),)), given))
    stands(NAME, "roles", rows)


def test_verdicts_over_what_an_equalizer_takes() -> None:
    """Well from a half, partly from a quarter of the unevenness."""
    given = problem(0)
    swept = np.round(np.arange(0.2, 0.6, 0.01), 3)
    design: Design = measured_design(given, SOME)
    rows: list[Any] = []
    for one in (None, design):
        said = [verdict_of(given, replace(choice_of(takes=float(share)), design=one), MADE) for share in swept]
        rows.append(switches(swept, [[each.answer, each.takes_word, each.reason] for each in said]))
        rows.append(said[0])
    stands(NAME, "verdicts", rows)
