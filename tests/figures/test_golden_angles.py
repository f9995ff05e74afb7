"""Filled angles and the curves of directions over a population of loudspeakers and layouts.

The values in tests/golden/figures/angles.json and windows.json are the program's own (frozen). The weights of the
fallback of sound power are held against the areas of rings on a sphere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from field_worlds import AXIS, causes_of, field, layouts, levels
from figure_worlds import of_curve, of_curves

from earwitness.figures.angles import (
    INTERPOLATION_BOUND_DB,
    _appended,
    _between,
    _named_positions,
    _orbit,
    _plan,
    _repeat_notes,
    filled,
    has_vertical,
    horizontal_weights,
    orbit_rows,
)
from earwitness.figures.read import levels_of
from earwitness.figures.windows import (
    DOUBTED_SHARE,
    _average,
    _mean,
    averaged,
    curve_of,
    own_of_levels_db,
    pulls_of_directions,
    pulls_of_session,
    pulls_of_takes,
    session_causes,
    window_weights,
    windows,
    with_averages,
)
from earwitness.quantities import Average, Cause, FrequencyAxis, cta_orbits, from_orbit
from earwitness.quantities.directions import Directions, join
from earwitness.standards import cta2034
from golden_values import stands

NAME, WINDOWS = "figures/angles", "figures/windows"
LAYOUTS = layouts()


@pytest.mark.parametrize("name", LAYOUTS)
def test_what_is_filled_in(name: str) -> None:
    random = np.random.default_rng([71, list(LAYOUTS).index(name)])
    measured = levels_of(field(random, LAYOUTS[name], caused=True, invalid=0.05))
    told: list[Any] = []
    for symmetric in (False, True):
        found = filled(measured, symmetric=symmetric)
        whole = found.levels
        told.append([found.notes, len(found.mirrored), len(found.interpolated), list(found.interpolated.items())[:3]])
        told[-1] += [whole.level_db, whole.u_db, whole.valid, whole.known, whole.mixing, list(found.mirrored)[-2:]]
        weights = np.arange(len(whole.directions)) % 3 > 0
        told[-1] += [found.sentence(weights.astype(float)), found.sentence(np.ones(weights.size))]
        told[-1] += [len(_named_positions(whole, weights.astype(float)))]
        told[-1] += [own_of_levels_db(whole), pulls_of_directions(whole)[1], whole.u_of_levels_db()]
        first = windows(whole).curves.get("on_axis")
        told[-1] += [] if first is None else [of_curve(first)]
    told.append([has_vertical(measured)])
    for power in (False, True):
        told.append([horizontal_weights(measured, power=power)])
    for orbit in ("horizontal", "vertical"):
        angle, groups = orbit_rows(measured, orbit)
        told.append([angle, [one.size for one in groups], _orbit(measured, orbit).shares])
    stands(NAME, name, told)


def test_gaps_of_thirty_degrees_and_angles_that_are_the_same() -> None:
    """A hundredth of a degree tells angles apart; a gap of 30.01 degrees may be filled."""
    told: list[Any] = []
    for off in (0.0, 0.0095, 0.0105, 0.012, -0.0095, -0.0105):
        directions = from_orbit("horizontal", [0.0, 0.0 + off, 30.0 + off, 120.0, 180.0, -150.0 + off, -120.0])
        one = levels(np.arange(7.0)[:, None] + np.zeros((7, 3)), directions, FrequencyAxis(np.array([1e3, 2e3, 3e3])))
        fill, mirrored = _plan(one, symmetric=True)
        told.append([sorted(fill), sorted(mirrored), [gap for _, (_, gap) in sorted(fill.items())]])
        told[-1] += [_orbit(one, "horizontal").angle_deg, orbit_rows(one, "horizontal")[0]]
        told[-1] += [_orbit(one, "horizontal").find(angle) for angle in (0.0, 30.0, -150.0, 10.0)]
        told[-1] += [found is not None for found in (_between(_orbit(one, "horizontal"), 10.0),)]
        told[-1] += [len(_named_positions(one, np.ones(7))), has_vertical(one)]
    for high in (29.9, 30.0, 30.009, 30.0105, 30.5):
        few = levels(np.zeros((2, 1)), from_orbit("horizontal", [0.0, high]), FrequencyAxis(np.array([1e3])))
        found = _between(_orbit(few, "horizontal"), 10.0)
        told.append([found is None, 0.0 if found is None else found[1], None if found is None else found[0]])
    one = levels(np.zeros((1, 1)), from_orbit("horizontal", [0.0]), FrequencyAxis(np.array([1e3])))
    told.append([_between(_orbit(one, "horizontal"), 10.0)])
    two = levels(np.zeros((2, 1)), from_orbit("vertical", [0.0, 0.0]), FrequencyAxis(np.array([1e3])))
    told += [[has_vertical(replace(two, directions=from_orbit("vertical", [0.0, a])))] for a in (0.0, 0.0095, 0.0105)]
    told += [
        [has_vertical(replace(two, directions=from_orbit("vertical", [0.0, a])))] for a in (180.0, 179.9905, 179.98)
    ]
    stands(NAME, "gaps", told)


def test_a_gap_is_as_uncertain_as_its_square() -> None:
    """0.4 dB at 30 degrees as a rectangle, a quarter of it at 15 (own choice, as the docstring states it)."""
    for step in (15.0, 20.0, 30.0):
        directions = from_orbit("horizontal", np.arange(-180.0 + step, 180.5, step))
        whole = filled(
            levels(np.zeros((len(directions), 1)), directions, FrequencyAxis(np.array([1e3]))), symmetric=False
        )
        assert whole.levels.mixing is not None
        own = whole.levels.mixing[len(directions) :, -1]
        assert own == pytest.approx(np.full(own.size, 0.4 * (step / 30.0) ** 2 / np.sqrt(3.0)))
    assert INTERPOLATION_BOUND_DB == 0.4


@pytest.mark.parametrize("symmetric", [True, False])
def test_mirrors(symmetric: bool) -> None:
    told: list[Any] = []
    axis = FrequencyAxis(np.array([1e3, 4e3]))
    for angles in ([0.0, 10.0, -20.0, 30.0, 180.0], [0.0, 20.0, 40.0, 60.0], [0.0, -30.0, -60.0, 50.0], [0.0, 180.0]):
        directions = join([from_orbit("horizontal", angles), from_orbit("vertical", [20.0, 40.0])])
        level = np.linspace(0.0, -9.0, len(directions))[:, None] * np.array([1.0, 2.0])
        fill, mirrored = _plan(levels(level, directions, axis), symmetric=symmetric)
        told.append([sorted(fill), sorted(mirrored), np.array([fill[one][0] for one in sorted(fill)])])
        if fill:
            whole = _appended(
                levels(level, directions, axis, valid=np.arange(2 * len(level)).reshape(-1, 2) != 3), fill
            )
            told[-1] += [whole.level_db, whole.valid, whole.known]
    stands(NAME, f"mirrors {symmetric}", told)


def test_an_axis_measured_twice() -> None:
    axis = FrequencyAxis(np.array([1e3, 5e3, 9999.0, 10_000.0, 10_500.0, 12_000.0]))
    told: list[Any] = []
    for row in range(6):
        for apart in (0.45, 0.5, 0.51, 0.54, 0.56, -0.7):
            level = np.zeros((3, 6))
            level[1, row] = apart
            many = levels(level, from_orbit("horizontal", [0.0, 0.0, 40.0]), axis)
            told.append(_repeat_notes(many))
    level = np.zeros((3, 6))
    level[1] = 3.0
    one = levels(level, from_orbit("horizontal", [0.0, 0.0095, 40.0]), axis)
    told += [_repeat_notes(one), _repeat_notes(replace(one, valid=np.zeros((3, 6), dtype=bool)))]
    told += [_repeat_notes(replace(one, valid=np.arange(18).reshape(3, 6) % 6 > 2))]
    told += [_repeat_notes(replace(one, directions=from_orbit("horizontal", [0.0, 0.0105, 40.0])))]
    stands(NAME, "axis twice", told)


def test_rings_weigh_as_their_areas() -> None:
    """Of a sphere: the ring between two angles has the share (cos a - cos b) / 2, each side half of it."""
    many = levels(np.zeros((70, 1)), cta_orbits(), FrequencyAxis(np.array([1e3])))
    found = horizontal_weights(many, power=True)
    assert not isinstance(found, str)
    angle = np.abs(np.arange(-170.0, 190.0, 10.0))
    low, high = np.radians(np.maximum(angle - 5, 0)), np.radians(np.minimum(angle + 5, 180))
    share = (np.cos(low) - np.cos(high)) / 2 * np.where((angle == 0) | (angle == 180), 1.0, 0.5)
    assert found[:36] == pytest.approx(share)
    assert not found[36:].any()


@pytest.mark.parametrize("seed", range(6))
def test_all_curves_of_a_population(seed: int) -> None:
    random = np.random.default_rng([72, seed])
    response = field(
        random, cta_orbits(), caused=seed % 2 == 1, invalid=(0.0, 0.1, 0.3)[seed % 3], half_space=seed == 4
    )
    measured = levels_of(response)
    found = windows(measured, rear_wall="3" if seed % 2 else "all 19")
    told: list[Any] = [of_curves(found.curves), found.missing, found.choices]
    told += [np.array(list(found.pulls.values())), np.array(list(found.weights.values()))]
    told += [own_of_levels_db(measured), pulls_of_directions(measured), measured.u_of_levels_db()]
    told += [[one.key for one in session_causes(measured)][:4], _pulls(session_causes(measured))]
    pulls = found.pulls["listening_window"]
    told += [pulls_of_takes(measured, pulls), _pulls(pulls_of_session(measured, pulls))]
    inside = np.ones(len(AXIS), dtype=bool)
    told += [of_curve(curve_of(measured, np.zeros(len(AXIS)), pulls, inside, key="k", name="n"))]
    told += [of_curve(curve_of(measured, np.zeros(len(AXIS)), pulls, inside, key="k", name="n", doubt_db=0.3))]
    few = windows(measured, only=("on_axis", "sound_power", "listening_window", "sound_power_di"))
    told += [sorted(few.curves), few.missing, windows(measured, only=("floor",)).missing]
    told += [windows(measured, axis_weight=1.0).choices]
    stands(WINDOWS, f"loudspeaker {seed}", told)


def _pulls(causes: Sequence[Cause]) -> np.ndarray:
    return np.array([one.pull_db.mean(axis=0) for one in causes])


@pytest.mark.parametrize("name", LAYOUTS)
def test_the_weights_of_every_layout(name: str) -> None:
    directions = LAYOUTS[name]
    told: list[Any] = []
    for half_space in (False, True):
        for weight in (4.0, 1.0):
            parts = window_weights(directions, axis_weight=weight, half_space=half_space)
            # The reasons are the same whatever the weight.
            told.append({key: _marked(one) for key, one in parts.items() if not isinstance(one, str)})
        told.append({key: one for key, one in parts.items() if isinstance(one, str)} if len(name) < 9 else {})
    stands(WINDOWS, f"weights {name}", told)


def _marked(weights: np.ndarray) -> list[float]:
    marks = np.cos(np.arange(weights.size) ** 2 + 0.3)
    return [round(float(weights.sum()), 9), round(float(marks @ weights), 9)]


@pytest.mark.parametrize("edge", [70.0, 80.0, 90.0, 100.0])
def test_a_half_space_as_far_as_it_was_measured(edge: float) -> None:
    angles = np.arange(-edge, edge + 1, 10.0)
    directions = join([from_orbit("horizontal", angles), from_orbit("vertical", angles[angles != 0.0])])
    parts = window_weights(directions, half_space=True)
    told = {key: one if isinstance(one, str) else _marked(one) for key, one in parts.items()}
    measured = replace(
        levels(np.zeros((len(directions), 2)), directions, FrequencyAxis(np.array([1e3, 2e3]))), half_space=True
    )
    stands(WINDOWS, f"half space {edge:g}", [told, of_curves(windows(measured).curves), windows(measured).choices])


def test_what_may_be_in_doubt() -> None:
    """A quarter of the energy untrusted, 5 % of it in doubt: in steps over both limits."""
    told: list[Any] = []
    directions = from_orbit("horizontal", [0.0, 10.0, 20.0, 30.0])
    axis = FrequencyAxis(np.array([1e3]))
    for share in (0.2, 0.24, 0.26, 0.28, 0.4):
        for u in (0.0, 0.3, 0.5, 0.7, 0.75, 0.8, 0.85, 0.95, 1.0, 1.2, 2.9, 3.0, 3.2, 9.0):
            one = levels(np.zeros((4, 1)), directions, axis, u_db=u, valid=np.array([[False], [True], [True], [True]]))
            rest = (1 - share) / 3
            weights = np.array([share, rest, rest, rest])
            _, shares, valid, doubted = _average(one, weights)
            curve, _ = averaged(one, weights, key="k", name="n")
            told.append([bool(valid[0]), float(doubted[0]), float(shares.sum()), float(curve.u[0])])
    for lost in range(4):
        known = np.arange(4)[:, None] != lost
        one = replace(levels(np.zeros((4, 1)), directions, axis, valid=known), known=known)
        told.append([bool(_average(one, np.array([0.0, 0.5, 0.3, 0.2]))[2][0]), 0.0, 0.0, 0.0])
    odd = levels(np.array([[0.0], [np.nan], [-np.inf], [3.0]]), directions, axis, valid=np.ones((4, 1), dtype=bool))
    for given in ([1.0, 0, 0, 0], [0.5, 0.5, 0, 0], [0.5, 0, 0.1, 0.4], [0.5, 0, 0, 0.5]):
        level, _, valid, _ = _average(odd, np.array(given))
        told.append([bool(valid[0]), float(level[0]), 0.0, 0.0])
    stands(WINDOWS, "doubt", np.array(told))
    stands(WINDOWS, "doubt in full", told[40:])
    assert DOUBTED_SHARE == 0.05


def test_parts_that_are_missing() -> None:
    one, two = np.array([1.0, 0.0]), np.array([0.25, 0.75])
    parts: dict[str, np.ndarray | str] = {"floor": one, "ceiling": two, "front_wall": "no front", "in_room": "no room"}
    told: list[Any] = [_mean(parts, {"floor": 0.5, "ceiling": 0.5}), _mean(parts, {"floor": 0.3, "ceiling": 0.7})]
    told += [_mean(parts, {"floor": 0.5, "front_wall": 0.5}), _mean(parts, {"front_wall": 0.5, "in_room": 0.5})]
    told += [_mean(parts, {})]
    stands(WINDOWS, "parts", told)


@pytest.mark.parametrize("seed", range(4))
def test_averages_beside_an_axis(seed: int) -> None:
    random = np.random.default_rng([73, seed])
    response = field(random, Directions(np.zeros(1), np.zeros(1)), caused=True)
    one = levels_of(replace(response, causes=causes_of(random, (1, len(AXIS)), pulled=False)))
    keys = (
        ["listening_window"], ["listening_window", "early_reflections", "sound_power"], [*cta2034.EARLY_REFLECTIONS],
        [*cta2034.EARLY_REFLECTIONS, "listening_window", "sound_power", "in_room"],
    )[seed]  # fmt: skip
    shape = len(AXIS)
    averages = [
        Average(key, random.normal(80.0, 3.0, shape), random.uniform(0.1, 0.6, shape), random.random(shape) > 0.1)
        for key in keys
    ]
    whole, parts = with_averages(one, random.normal(50.0, 3.0, shape), averages)
    told: list[Any] = [whole.level_db, whole.u_db, whole.valid, whole.known, [cause.pull_db for cause in whole.causes]]
    told += [{key: part if isinstance(part, str) else list(part) for key, part in parts.items()}]
    found = windows(whole, parts=parts)
    stands(WINDOWS, f"averages {seed}", [*told, of_curves(found.curves), found.missing])


def test_common_uncertainty_without_a_trusted_point() -> None:
    axis = FrequencyAxis(np.array([500.0, 1e3, 2e3]))
    one = levels(np.zeros((2, 3)), from_orbit("horizontal", [0.0, 10.0]), axis)
    many = [replace(one, u_common_db=np.array(common)) for common in ([0.0] * 3, [0.3] * 3, [0.4, 0.2, 0.5])]
    cut = [replace(many[2], valid=np.array([[True, shown, True]] * 2)) for shown in (True, False)]
    none = replace(many[2], valid=np.zeros((2, 3), dtype=bool))
    half = replace(many[2], valid=np.array([[True, True, True], [True, False, True]]))
    told: list[Any] = [
        [[cause.key, cause.pull_db] for cause in session_causes(each)][:4] for each in (*many, *cut, none, half)
    ]
    told += [[_pulls(session_causes(each))] for each in many[1:]]
    stands(WINDOWS, "common", told)


def test_what_has_no_level_is_filled_with_none() -> None:
    """A direction without a level at some frequencies counts as 0 dB there and makes its neighbors unknown."""
    axis = FrequencyAxis(np.array([500.0, 1e3, 2e3]))
    directions = from_orbit("horizontal", [-30.0, 0.0, 20.0, 40.0])
    known = np.array([[True, False, True], [True, True, True], [True, True, False], [True, True, True]])
    one = levels(np.arange(12.0).reshape(4, 3) - 40.0, directions, axis, valid=known)
    found = [filled(replace(one, known=there), symmetric=True).levels for there in (None, known)]
    stands(NAME, "no level", [[each.level_db, each.valid, each.known] for each in found])


def test_the_axis_has_no_sign() -> None:
    one = levels(np.zeros((2, 1)), from_orbit("horizontal", [-1e-9, 20.0]), FrequencyAxis(np.array([1e3])))
    assert not np.signbit(orbit_rows(one, "horizontal")[0][0])
