"""Curves as they could have been, over a population: draws, causes, gaps and the spread of figures.

The values in tests/golden/figures/uncertainty.json are the program's own (frozen). Quantiles of a normal law, roots of
a covariance and slopes on a cause are held against what they are defined by.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from field_worlds import field, layouts
from figure_worlds import AXIS, curve_of, loudspeaker, of_curve, of_figure, off_octaves
from scipy.stats import norm

from earwitness.figures.angles import filled
from earwitness.figures.read import levels_of
from earwitness.figures.uncertainty import (
    DRAWS,
    DRAWS_ALONE,
    SEED,
    Drawn,
    _quantiles,
    _rough,
    _shared,
    _with_errors,
    alone,
    drawn,
    drawn_curves,
    draws_of,
    exact,
    interpolated,
    joint_roots,
    session_draws,
    take_draws,
    with_spread,
)
from earwitness.figures.windows import windows
from earwitness.quantities import Cause, Figure, cta_orbits, log_axis
from golden_values import stands

NAME = "figures/uncertainty"
KEYS = ("on_axis", "listening_window", "sound_power", "in_room")


@pytest.mark.parametrize("seed", range(8))
def test_curves_alone(seed: int) -> None:
    random = np.random.default_rng([151, seed])
    curve = loudspeaker(random, AXIS, gaps=(0, 1, 3, 8)[seed % 4], caused=seed % 2 == 1, key=f"curve {seed}")
    made = alone(curve, 12)
    at = np.array([126.0, 130.0, 500.0, 1000.0, 3333.0, 15_000.0])
    told: list[Any] = [made.rows, made.gaps, made.at(at), made.notes(200.0, 5000.0), made.notes(4000.0, 4001.0)]
    told += [exact(curve).rows, exact(curve).gaps, drawn(made) is made, len(drawn(curve).rows), of_curve(made.curve)]
    other = alone(loudspeaker(random, AXIS, gaps=seed % 3), 12)
    apart = made.minus(other, curve.minus(other.curve, key="d", name="d", reference="r"))
    told += [apart.rows, apart.gaps]
    stands(NAME, f"alone {seed}", told)


@pytest.mark.parametrize("seed", range(5))
def test_curves_drawn_together(seed: int) -> None:
    random = np.random.default_rng([152, seed])
    measured = levels_of(field(random, cta_orbits(), caused=seed % 2 == 1, invalid=0.1 * (seed == 2)))
    found = windows(measured)
    told: list[Any] = []
    for draws in (7, 53):
        made = drawn_curves(measured, found, KEYS if seed else KEYS[:1], draws=draws)
        told.append([[key, one.rows, len(one.gaps)] for key, one in made.items()])
    told += [drawn_curves(measured, found, ("nothing", "sound_power_di")), take_draws(measured, 6)]
    told += [list(drawn_curves(measured, found, ("nothing", "floor", "on_axis"), draws=3))]
    told += [session_draws(found.curves["floor"].causes, 9)]
    stands(NAME, f"together {seed}", told)


def test_how_many_draws_there_are_by_default() -> None:
    measured = levels_of(field(np.random.default_rng(153), cta_orbits()))
    made = drawn_curves(measured, windows(measured), ("on_axis",))["on_axis"]
    curve = loudspeaker(np.random.default_rng(154), AXIS)
    assert (len(made.rows), len(alone(curve).rows)) == (1001, 301)
    assert (DRAWS, DRAWS_ALONE, SEED) == (1000, 300, 20_340)
    stands(NAME, "default", [made.rows, alone(curve).rows])


def test_quantiles_are_those_of_a_normal_law() -> None:
    for count in (5, 300):
        wanted = norm.ppf((np.arange(count) + 0.5) / count)
        assert _quantiles(count) == pytest.approx(wanted / wanted.std(ddof=1))
        assert np.sort(draws_of("k", count)) == pytest.approx(_quantiles(count))
    told: list[Any] = [draws_of("a", 20), draws_of("b", 20), _quantiles(7), session_draws((), 4).shape]
    stands(NAME, "quantiles", told)


def test_a_root_is_one_of_its_covariance() -> None:
    random = np.random.default_rng(155)
    pulls, u = random.random((3, 20, 6)), random.random((20, 6))
    roots = joint_roots(pulls, u)
    weighted = pulls * u
    for f in range(6):
        assert roots[f] @ roots[f] == pytest.approx(weighted[:, :, f] @ weighted[:, :, f].T)
        assert roots[f] == pytest.approx(roots[f].T)


def test_rough_errors() -> None:
    hz = log_axis(100.0, 10_000.0, 6).hz
    rough = _rough(np.random.default_rng(156), 2, 4000, hz)
    assert rough.std(axis=1) == pytest.approx(np.ones((2, hz.size)), abs=0.06)
    stands(NAME, "rough", [_rough(np.random.default_rng(157), 2, 3, hz)])


def test_between_points() -> None:
    hz = np.array([100.0, 200.0, 800.0, 1000.0])
    rows = np.random.default_rng(158).normal(0, 1, (3, 4))
    at = np.array([50.0, 100.0, 150.0, 200.0, 400.0, 999.0, 1000.0, 4000.0])
    wanted = [np.interp(np.log2(at), np.log2(hz), row) for row in rows]
    assert interpolated(hz, rows, at) == pytest.approx(np.array(wanted))


def test_common_uncertainty_alone() -> None:
    """What is the same at all trusted points is one offset, the rest changes smoothly."""
    told: list[Any] = []
    count = len(AXIS)
    for common in (np.full(count, 0.3), np.linspace(0.1, 0.6, count), np.zeros(count)):
        for valid in (np.ones(count, dtype=bool), np.zeros(count, dtype=bool), np.arange(count) > 20):
            made = alone(curve_of(np.zeros(count), AXIS, valid=valid, u=0.2, u_common=common, key="c"), 8)
            told.append([made.rows, made.gaps])
    stands(NAME, "common", told)


@pytest.mark.parametrize("first", [1, 5, 18, 30])
def test_across_a_gap_each_draw_is_a_line(first: int) -> None:
    axis = off_octaves(100.0, 16_000.0, 24)
    curve = curve_of(np.sin(np.log2(axis.hz) * 5), axis, valid=~np.isin(np.arange(len(axis)), (first, first + 1)))
    errors = np.random.default_rng([159, first]).normal(0, 1, (5, len(axis)))
    made = _with_errors(curve, errors)
    stands(NAME, f"gap {first}", [made.rows, made.gaps, made.notes(100.0, 16_000.0)])
    gap = made.gaps[0]
    edges = [made.notes(low, high) for low, high in ((gap.high_hz, 1e4), (50.0, gap.low_hz), (gap.high_hz * 0.99, 1e4))]
    assert [len(one) for one in edges] == [0, 0, 1]


def test_the_spread_of_a_figure() -> None:
    """Standard deviation and the middle 95 % of the draws, moved onto the figure, inside its limits."""
    random = np.random.default_rng(160)
    figure = Figure("f", 10.0, 0.0, "dB", None, "")
    values = np.concatenate([[10.0], random.normal(10.5, 2.0, 400)])
    found = with_spread(figure, values)
    low, middle, high = np.percentile(values[1:], [2.5, 50.0, 97.5])
    assert found.u == pytest.approx(values[1:].std(ddof=1))
    assert found.interval == pytest.approx((10.0 + low - middle, 10.0 + high - middle))
    told: list[Any] = [
        with_spread(figure, values, low=low, high=high) for low, high in ((9.0, 11.0), (-1e9, 12.0), (5.0, 1e9))
    ]
    none = replace(figure, value=None, u=None, reason="why")
    told += [with_spread(none, values), with_spread(figure, values[:1]), with_spread(figure, values[:3])]
    stands(NAME, "spread", [of_figure(one) for one in told])


def test_what_other_sessions_may_share() -> None:
    """The slope on a cause's own draws, told from three times chance on."""
    random = np.random.default_rng(161)
    pull = np.zeros((1, 3))
    causes = [Cause(name=name, source="", pull_db=pull, device=device) for name, device in
              (("calibrator", "K 1"), ("microphone", "M 1"), ("place", ""), ("calibrator", "K 1"))]  # fmt: skip
    one, two, three = (draws_of(cause.key, 300) for cause in causes[:3])
    told: list[Any] = []
    for size in (0.0, 0.05, 0.1, 0.15, 0.17, 0.18, 0.2, 0.25, 0.5, -0.16, -0.19):
        values = 5.0 + size * one + 0.5 * two + 3.0 * three + random.normal(0.0, 0.4, 300)
        found = _shared(values, float(values.std(ddof=1)), causes)
        told.append([[key, slope] for key, slope in found])
        told.append(
            [len(_shared(values, 1.0, causes[2:3])), len(_shared(values, 1.02 * abs(size) * 17.32 / 3.0, causes[:1]))]
        )
        told.append(
            [
                len(_shared(size * one, part * abs(size) * 300**0.5 / 3.0, causes[:1]))
                for part in (0.92, 0.98, 1.02, 1.08)
            ]
        )
    stands(NAME, "shared", told)


def test_drawn_of_one_row() -> None:
    curve = curve_of(np.zeros(len(AXIS)), AXIS)
    one = Drawn(curve, np.zeros((1, len(AXIS))))
    assert one.gaps == ()
    assert one.at(np.array([200.0])).shape == (1, 1)


@pytest.mark.parametrize("name", ["all in 15", "uneven"])
def test_draws_where_angles_are_filled_in(name: str) -> None:
    """What is filled in has one error of its own, and none of a take."""
    random = np.random.default_rng([162, len(name)])
    measured = levels_of(field(random, layouts()[name], caused=True))
    whole = filled(measured, symmetric=True).levels
    takes = take_draws(whole, 5)
    assert [one.shape for one in takes] == [(5, len(measured.directions))] * 2
    made = drawn_curves(whole, windows(whole), KEYS, draws=5)
    stands(NAME, f"filled {name}", [takes, [[key, one.rows] for key, one in made.items()]])
