"""Before and after an equalizer, and an equalizer in the hand, over a population and at each limit; frozen.

The values are the program's own ("frozen"). Beside them: 10^(g / 10) for the power.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from flaw_worlds import HZ, X, curve_of, levels, switches

from earwitness.figures.windows import windows
from earwitness.insight.mend.equalizer import Band, Equalizer
from earwitness.insight.mend.live import _rough, _stretch, boost_warnings, prepared, weighed
from earwitness.insight.mend.objective import Problem, problem_of
from earwitness.insight.mend.report import (
    Drawn,
    _change,
    _figures,
    _with_its_spread,
    balance_figures,
    changes,
    drawn_curves,
    headroom,
    mended,
    shifted,
    uncertainties,
    unit_spread,
)
from earwitness.insight.mend.task import EqualizerLimits
from earwitness.insight.mend.views import views_of
from earwitness.insight.mend.yardsticks import Units
from earwitness.quantities import Curve, Figure
from golden_values import stands

NAME = "insight/mend_report"
CHECKED = ("on_axis", "listening_window", "early_reflections", "sound_power", "in_room")
SETS = (
    Equalizer((Band("peaking", 500.0, -3.0, 2.0), Band("high_shelf", 6000.0, 1.5, 0.7))),
    Equalizer((Band("peaking", 1500.0, 5.0, 3.0), Band("peaking", 90.0, 4.0, 1.0))),
    Equalizer((Band("low_shelf", 200.0, -2.0, 0.7),)),
    Equalizer(()),
)


def problem(number: int, way: str = "whole", **more: Any) -> Problem:
    return problem_of(views_of(levels(number, way)), **more)


def curves(number: int, way: str = "whole") -> dict[str, Curve]:
    return dict(windows(levels(number, way)).curves)


def figure(key: str, value: float | None, **more: Any) -> Figure:
    return Figure(key, value, None if value is None else 0.2, "dB", None, "frozen", **more)


FIGURES = {
    key: figure(key, value, interval=None if value is None else (value - 0.5, value + 0.3))
    for key, value in (
        ("linearity_above", 2.0),
        ("linearity_below", -2.5),
        ("linearity_half_range", 2.2),
        ("in_room_slope", -0.8),
        ("preference_rating", 4.0),
        ("preference_rating_with_subwoofer", 6.1),
    )
}


@pytest.mark.parametrize(
    ("number", "way"), [(0, "whole"), (3, "one orbit"), (5, "gated"), (8, "short"), (6, "holes"), (9, "uncertain")]
)
def test_equalizers_in_the_hand(number: int, way: str) -> None:
    before = curves(number, way)
    given = problem(number, way, units=Units(3, 5.0, 0.4)) if number != 8 else None
    at = prepared(before, FIGURES, given)
    rows: list[Any] = [at.drawn.keys, at.drawn.level_db, at.drawn.before, at.roughness_db, at.figures]
    for equalizer in SETS[: 2 + number % 3]:
        found = weighed(at, equalizer)
        rows.append(
            [found.figures, found.roughness_db, found.changes, found.headroom, found.left, found.spread, found.warnings]
        )
    rows.append(_rough({key: before[key] for key in CHECKED if key in before}))
    stands(NAME, f"hand {number} {way}", rows, relative=1e-4)


@pytest.mark.parametrize("number", [0, 4])
def test_before_and_after(number: int) -> None:
    one = levels(number)
    before = curves(number)
    figures = dict(FIGURES) | {"other": figure("other", 1.0)}
    rows: list[Any] = []
    for equalizer in SETS[:2]:
        found = mended(one, equalizer, before=before, figures=figures, problem=problem(number))
        after = {key: found.after[key].values for key in CHECKED}
        rows += [after, found.figures_after, found.figures_before, found.roughness_db, found.changes, found.headroom]
        rows += [found.spread, found.warnings]
    stands(NAME, f"mended {number}", rows, relative=1e-4)


def test_before_and_after_without_anything_at_hand() -> None:
    found = mended(levels(4, "few"), SETS[0])
    rows = [
        sorted(found.before),
        found.figures_before,
        found.figures_after,
        found.roughness_db,
        found.changes,
        found.spread,
    ]
    half = mended(levels(4, "few"), SETS[0], figures=FIGURES)
    rows += [sorted(half.before), half.figures_before, half.roughness_db]
    stands(NAME, "bare", rows, relative=1e-3)


def test_draws_and_their_figures() -> None:
    before = {
        "on_axis": curve_of(X, u=0.2 + 0.05 * np.abs(X), common=0.3),
        "in_room": curve_of(-0.5 * X + 0.5 * np.sin(5 * X), u=0.1, common=0.1, key="in_room"),
        "sound_power": curve_of(X, key="sound_power", valid=HZ > 110.0),
        "listening_window": curve_of(X, key="listening_window", valid=(HZ > 101.0)),
    }
    made = drawn_curves(before)
    rows: list[Any] = [made.keys, made.level_db, made.before, drawn_curves({}).level_db.shape, drawn_curves({}).keys]
    for low, high in ((95.0, 10_500.0), (95.0, 9900.0), (105.0, 20_000.0)):
        rows.append(drawn_curves({"on_axis": curve_of(X, valid=(low < HZ) & (high > HZ))}).keys)
    rows += [uncertainties(made, one) for one in SETS]
    rows += [uncertainties(drawn_curves(before, 96_000.0), SETS[0])]
    only = Drawn(("in_room",), made.level_db[1:2], _figures(("in_room",), made.level_db[1:2]), 48_000.0)
    rows += [uncertainties(only, SETS[0]), _figures(("on_axis", "in_room"), made.level_db[:, :, :] * 0.0 + 1.0)]
    stands(NAME, "drawn", rows)


def test_changes_and_their_sense() -> None:
    swept = np.round(np.arange(-0.02, 0.02, 0.0004), 5)
    rows: list[Any] = []
    for key in (
        "linearity_above",
        "linearity_below",
        "linearity_half_range",
        "preference_rating",
        "preference_rating_with_subwoofer",
        "unevenness_on_axis",
        "in_room_slope",
    ):
        rows.append(switches(swept, [_change(key, 1.0, 1.0 + one, 0.0, "dB").sense for one in swept]))
        rows.append(switches(swept, [_change(key, 1.0, 1.0 + one, 0.004, "dB").sense for one in swept]))
    before = {"on_axis": curve_of(0.3 * np.sin(3 * X), u=0.001)}
    made = drawn_curves(before)
    for top, bottom, half in ((1.9, -2.9, 2.4), (1.9, -2.1, 2.0), (2.3, -1.0, 3.0), (1.9, -2.6, 2.2)):
        after = FIGURES | {
            "linearity_above": figure("linearity_above", top),
            "linearity_below": figure("linearity_below", bottom),
            "linearity_half_range": figure("linearity_half_range", half),
            "preference_rating": figure("preference_rating", None, reason="no"),
        }
        after.pop("in_room_slope")
        rows.append(changes(made, SETS[0], (FIGURES, after), {"on_axis": (1.0, 0.5), "in_room": (1.0, 1.5)}))
    stands(NAME, "changes", rows)


def test_figures_keep_their_spread() -> None:
    now, none = figure("a", 3.0), figure("a", None, reason="not known")
    old = figure("a", 2.0, interval=(1.0, 2.5), shared=(("x", 0.1),))
    rows: list[Any] = [
        _with_its_spread(one, other) for one in (now, none) for other in (None, none, old, replace(old, interval=None))
    ]
    every = curves(0)
    rows += [
        balance_figures(some, {}) for some in (every, {"on_axis": every["on_axis"]}, {"in_room": every["in_room"]}, {})
    ]
    short = {"on_axis": curve_of(X, valid=HZ > 400.0), "in_room": curve_of(X, valid=HZ > 1000.0, key="in_room")}
    rows += [balance_figures(short, FIGURES), balance_figures(every, FIGURES)]
    stands(NAME, "spread of figures", rows, relative=1e-4)


def test_headroom_and_units() -> None:
    gains = (-3.0, 0.0, 0.01, 3.0)
    rows: list[Any] = []
    for gain in gains:
        for kind in ("peaking", "high_shelf", "low_shelf"):
            one = Equalizer((Band(kind, 3000.0, gain, 0.9),))
            rows += [headroom(one), headroom(one, 30_000.0), headroom(one, 96_000.0)]
    deep = headroom(Equalizer((Band("peaking", 1000.0, 3.0, 1.0),)))
    assert deep.power_factor == pytest.approx(10**0.3, rel=1e-3)
    given = problem(1)
    for equalizer in (*SETS, Equalizer((Band("peaking", 700.0, -4.0, 9.0),))):
        rows += [unit_spread(given, equalizer), unit_spread(replace(given, units=Units(4, 12.0, 0.5)), equalizer)]
    bell = Equalizer((Band("peaking", 700.0, -4.0, 6.0),))
    only = replace(given, wanted_db=headroomless(given, bell))
    rows += [unit_spread(only, bell), unit_spread(replace(only, wanted_db=0.0 * only.wanted_db), Equalizer(()))]
    wide = Equalizer((Band("peaking", 700.0, -4.0, 0.5),))
    rows.append(unit_spread(replace(given, wanted_db=headroomless(given, wide)), wide))
    # The largest shift that still helps, over all that are tried.
    widths = np.geomspace(0.5, 6.0, 50)
    bells = [Equalizer((Band("peaking", 900.0, -4.0, float(q)),)) for q in widths]
    found = [unit_spread(replace(given, wanted_db=headroomless(given, one)), one).tolerated_percent for one in bells]
    rows += [switches(widths, found), unit_spread(replace(given, weight=3.0 * given.weight), bells[30])]
    rows += [shifted(curve_of(X), bell), shifted(curve_of(X), bell, 96_000.0)]
    stands(NAME, "headroom", rows)


def headroomless(given: Problem, equalizer: Equalizer) -> Any:
    from earwitness.insight.mend.equalizer import gain_db

    return gain_db(equalizer, given.hz, given.sample_rate_hz)


def test_warnings_of_boosts() -> None:
    given = problem(0)
    count = given.hz.size
    rows: list[Any] = []
    cap = np.where(given.hz < 250.0, 0.0, 3.0)
    no_boost = (given.hz > 90.0) & (given.hz < 130.0)
    made = replace(given, cap_db=cap, no_boost=no_boost, seen=replace(given.seen, bass_hz=80.0))
    swept = np.round(np.arange(0.3, 0.7, 0.01), 3)
    for hz in (60.0, 110.0, 180.0):
        found = [boost_warnings(made, Equalizer((Band("peaking", hz, float(one), 3.0),))) for one in swept]
        rows.append(switches(swept, [[words[:60] for words in each] for each in found]))
    wide = Equalizer((Band("low_shelf", 240.0, 2.0, 0.7),))
    forced = replace(made, limits=EqualizerLimits(forced=True))
    rows += [
        boost_warnings(made, wide),
        boost_warnings(forced, wide),
        boost_warnings(replace(made, cap_db=np.ones(count)), wide),
    ]
    limits = np.round(np.arange(2.9, 3.2, 0.005), 4)
    rows.append(
        switches(
            limits,
            [len(boost_warnings(forced, Equalizer((Band("peaking", 1000.0, float(one), 1.0),)))) for one in limits],
        )
    )
    gain = np.sin(np.arange(count) / 7)
    for mask in (
        gain > 0.5,
        np.arange(count) < 20,
        np.arange(count) > count - 9,
        np.ones(count, dtype=bool),
        np.arange(count) == 50,
    ):
        rows.append(_stretch(given.hz, gain, mask))
    stands(NAME, "warnings", rows)


def test_what_gets_rougher_is_named_from_three_tenths() -> None:
    before = {key: curve_of(0.1 * np.sin(4 * X), key=key) for key in ("on_axis", "sound_power")}
    at = prepared(before, {})
    gains = np.round(np.arange(0.5, 3.0, 0.05), 3)
    found = [weighed(at, Equalizer((Band("peaking", 1000.0, float(one), 1.0),))).warnings for one in gains]
    stands(NAME, "rougher", [switches(gains, found), prepared(before, FIGURES, sample_rate_hz=96_000.0).sample_rate_hz])
