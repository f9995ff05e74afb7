"""Maps, first falls and coverage over a population of loudspeakers and layouts.

The values in tests/golden/figures/maps.json are the program's own (frozen). Falls are held against straight lines and
parabolas, whose crossings are closed forms.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from field_worlds import AXIS, field, layouts, levels
from figure_worlds import of_curve, of_figure

from earwitness.figures.maps import (
    OrbitLevels,
    Side,
    _chained,
    _drawn_medians,
    _first_falls,
    _jumps_deg,
    _near_axis,
    _nearest,
    _outward,
    _second_difference,
    _with_holes,
    coverage_curve,
    coverage_reference,
    coverage_sides,
    dips_key,
    dips_on_axis,
    first_fall,
    nominal_coverage,
    orbit_levels,
    third_octaves_hz,
)
from earwitness.figures.read import levels_of
from earwitness.quantities import DirectivityMap, FrequencyAxis, cta_orbits, from_orbit, log_axis
from earwitness.quantities.arrays import FloatArray
from earwitness.quantities.directions import Orbit
from golden_values import stands

NAME = "figures/maps"
LAYOUTS = layouts()


def _of_side(side: Side) -> list[object]:
    return [np.array([side.angle_deg, side.own_deg, side.u_deg]), side.moves_deg, np.array([side.reached, side.known])]


@pytest.mark.parametrize("name", LAYOUTS)
def test_every_layout(name: str) -> None:
    random = np.random.default_rng([81, list(LAYOUTS).index(name)])
    measured = levels_of(field(random, LAYOUTS[name], caused=len(name) % 2 == 0, invalid=0.08))
    told: list[Any] = []
    for orbit in ("horizontal", "vertical"):
        known = orbit_levels(measured, orbit)
        if isinstance(known, str):
            told.append(known)
            continue
        whole = known.map
        told.append(
            [whole.angle_deg, whole.level_db, whole.valid, known.u_db, known.pulls_db, known.keys, whole.reference]
        )
        reference = coverage_reference(whole, whole.level_db, with_shares=True)
        told.append([reference.level_db, reference.is_axis, reference.shares, dips_on_axis(known)])
        assert coverage_reference(whole, whole.level_db).shares is None
        told.append([_near_axis(whole), _outward(whole, 1.0), _outward(whole, -1.0)])
        for drop in (3, 6):
            sides = coverage_sides(known, drop)
            told.append([list(sides), *(_of_side(side) for side in sides.values())])
            first, second = sides.values()
            told.append(_of_side(first.plus(second)))
            if drop == 6:
                told.append(of_figure(nominal_coverage(known, first.plus(second), key="c", draws=20)))
    stands(NAME, name, told)


@pytest.mark.parametrize("seed", range(8))
def test_a_population(seed: int) -> None:
    random = np.random.default_rng([82, seed])
    step = (10.0, 5.0, 15.0, 10.0)[seed % 4]
    measured = levels_of(field(random, cta_orbits(step), caused=seed % 2 == 1, invalid=0.02 * (seed % 3)))
    orbit: Orbit = "vertical" if seed % 4 == 3 else "horizontal"
    known = orbit_levels(measured, orbit)
    assert not isinstance(known, str)
    told: list[Any] = []
    for drop in (3.0, 6.0, 10.0, 20.0):
        sides = {sign: first_fall(known, sign, drop) for sign in (1.0, -1.0)}
        told.append([_of_side(one) for one in sides.values()])
    total = first_fall(known, 1.0, 6.0).plus(first_fall(known, -1.0, 6.0))
    told.append(of_figure(nominal_coverage(known, total, key="nominal", draws=40)))
    if seed < 2:
        figure = nominal_coverage(known, total, key="nominal")
        told.append([of_figure(figure), figure.method])
    told.append([_drawn_medians(known, third_octaves_hz(), 30), _nearest(AXIS, third_octaves_hz())])
    for key in (f"coverage_{orbit}_6db", "coverage_left_3db", "coverage_up_3db"):
        told.append(of_curve(coverage_curve(total, AXIS, key=key, drop_db=6.0, lineage=())))
    stands(NAME, f"loudspeaker {seed}", told)


def _flat_map(
    angle: FloatArray, level: FloatArray, hz: FloatArray | None = None, *, valid: object = None
) -> OrbitLevels:
    axis = FrequencyAxis(np.array([1000.0]) if hz is None else hz)
    inside = np.ones(level.shape, dtype=bool) if valid is None else np.asarray(valid, dtype=bool)
    found = DirectivityMap("horizontal", axis, angle, level, inside, "dB")
    return OrbitLevels(found, np.full(level.shape, 0.2), ())


def test_straight_lines_and_parabolas_cross_where_they_do() -> None:
    """On a line the place is exact; on a parabola -a t^2 the fall of 6 dB lies at sqrt(6 / a) to hundredths."""
    out = np.arange(0.0, 181.0, 10.0)
    slopes = np.array([0.05, 0.1, 0.31, 0.7])
    line = _first_falls(out, 6.0 - out[:, None] * slopes, np.ones((19, 4), dtype=bool))
    assert line.angle_deg[:3] == pytest.approx(6.0 / slopes[:3], abs=0.6)
    curved = np.array([1.0, 0.3, 0.01, 0.0012])
    found = _first_falls(out, 6.0 - out[:, None] ** 2 * curved * 0.02, np.ones((19, 4), dtype=bool))
    assert found.angle_deg[1:3] == pytest.approx(np.sqrt(300.0 / curved[1:3]), abs=0.05)
    assert found.reached.tolist() == [True, True, True, False]
    bend = _second_difference(out, 6.0 - out[:, None] ** 2 * curved)
    assert bend[:-1] == pytest.approx(np.tile(-2 * curved, (18, 1)))
    uneven = np.array([0.0, 7.0, 12.0, 30.0, 41.0])
    assert _second_difference(uneven, 3.0 * uneven[:, None] ** 2)[:-1] == pytest.approx(np.full((4, 1), 6.0))


@pytest.mark.parametrize("seed", range(6))
def test_first_falls_of_random_levels(seed: int) -> None:
    random = np.random.default_rng([83, seed])
    out = np.concatenate([[0.0], np.cumsum(random.uniform(2.0, 31.0, int(random.integers(3, 14))))])
    above = 4.0 + np.cumsum(random.normal(-0.7, 2.5, (out.size, 50)), axis=0)
    above[:, :10] = np.round(above[:, :10])
    valid = random.random(above.shape) > 0.03
    chained = _chained(valid, out)
    fall = _first_falls(out, above, chained)
    u = random.uniform(0.1, 6.0, 50)
    turn = random.uniform(-0.5, 9.0, 50) * (random.random(50) > 0.1)
    told: list[Any] = [chained, fall.outer, fall.part, fall.angle_deg, fall.doubt_deg, fall.reached]
    told += [_jumps_deg(out, above, chained, fall, u, turn), _second_difference(out, above)]
    stands(NAME, f"falls {seed}", told)


def test_steps_too_wide_to_read_across() -> None:
    told: list[Any] = []
    for gap in (29.9, 30.0, 30.009, 30.0105, 30.02, 31.0, 45.0, 61.0):
        out = np.array([0.0, 10.0, 10.0 + gap, 179.0, 180.0])
        told.append([_chained(np.ones((5, 1), dtype=bool), out)[:, 0].tolist(), _with_holes(out)])
        angle = np.array([-gap, -10.0, 0.0, 8.0, 8.0 + gap])
        told.append([_near_axis(_flat_map(angle, np.zeros((5, 1))).map), _with_holes(angle)])
    for off in (0.0, 0.009, 0.0105, -0.009, -0.0105, 3.0):
        angle = np.array([-20.0 + off, -10.0, 0.0, 10.0 + off, 20.0])
        told.append([_near_axis(_flat_map(angle, np.zeros((5, 1))).map)])
    lost = _flat_map(np.arange(-40.0, 41.0, 10.0), np.zeros((9, 2)), np.array([1e3, 2e3]))
    for row in range(9):
        valid = np.ones((9, 2), dtype=bool)
        valid[row] = False
        told.append([_near_axis(replace(lost.map, valid=valid))])
        valid[row, 0] = True
        told.append([_near_axis(replace(lost.map, valid=valid))])
    ends = _flat_map(np.array([-180.0 + 0.009, -179.98, -0.009, 0.0, 0.0105, 90.0, 179.995, 180.0]), np.zeros((8, 1)))
    told.append([_outward(ends.map, 1.0), _outward(ends.map, -1.0)])
    stands(NAME, "steps", told)


def test_dips_that_meet_the_axis() -> None:
    """The mean near the axis stands in for it from where it is louder on, and is told from a whole dB on."""
    angle = np.arange(-180.0 + 10, 181.0, 10.0)
    told: list[Any] = []
    for more in (-1.0, -0.01, 0.0, 0.01, 0.5, 0.95, 1.0, 1.05, 1.2, 4.0):
        level = np.where(np.abs(angle) > 25, -np.abs(angle) / 8, more)[:, None] * np.ones(3)
        level[angle == 0.0] = 0.0
        known = _flat_map(angle, level, np.array([1000.0, 3000.0, 10_000.0]))
        reference = coverage_reference(known.map, level, with_shares=True)
        told.append([reference.level_db, reference.is_axis, reference.shares, dips_on_axis(known)])
        told.append([_of_side(first_fall(known, sign, 6.0)) for sign in (1.0, -1.0)])
    stands(NAME, "dips", told)
    assert (dips_key("horizontal"), dips_key("vertical")) == ("coverage_horizontal_dips", "coverage_vertical_dips")


@pytest.mark.parametrize("ends", [(1000.0, 10_000.0), (990.0, 10_100.0), (1010.0, 12_000.0), (500.0, 9900.0)])
def test_nominal_coverage_needs_every_third(ends: tuple[float, float]) -> None:
    hz = np.geomspace(*ends, 31)
    angle = np.arange(-180.0 + 10, 181.0, 10.0)
    wide = np.abs(angle)[:, None] * np.linspace(0.02, 0.2, 31)
    told: list[Any] = []
    for lost in (-1, 0, 9, 15, 30):
        valid = np.ones(wide.shape, dtype=bool)
        valid[np.abs(angle) > 60, lost if lost >= 0 else 0] = lost < 0
        known = _flat_map(angle, -wide, hz, valid=valid)
        total = first_fall(known, 1.0, 6.0).plus(first_fall(known, -1.0, 6.0))
        told.append(of_figure(nominal_coverage(known, total, key="c", draws=10)))
    stands(NAME, f"ends {ends[0]:g} {ends[1]:g}", told)


def test_the_axis_may_miss_its_end_by_a_billionth() -> None:
    angle = np.arange(-180.0 + 10, 181.0, 10.0)
    told: list[Any] = []
    for low, high in ((1.0, 1.0), (1 + 0.9e-9, 1.0), (1 + 1.05e-9, 1.0), (1.0, 1 - 0.9e-9), (1.0, 1 - 1.05e-9)):
        hz = np.geomspace(1000.0, 10_000.0, 21)
        hz[0], hz[-1] = 1000.0 * low, 10_000.0 * high
        known = _flat_map(angle, -np.abs(angle)[:, None] * np.linspace(0.05, 0.2, 21), hz)
        total = first_fall(known, 1.0, 6.0).plus(first_fall(known, -1.0, 6.0))
        told.append(of_figure(nominal_coverage(known, total, key="c", draws=2))[-3:])
    stands(NAME, "billionths", told)


def test_sides_that_are_not_there() -> None:
    told: list[Any] = []
    for angles in ([0.0], [0.0, 40.0], [0.0, 180.0], [-30.0, 0.0], [0.0, 30.0, 60.0], [-150.0, -120.0, 0.0, 20.0]):
        angle = np.array(angles)
        known = _flat_map(angle, -np.abs(angle)[:, None] / np.array([4.0, 20.0]), np.array([1e3, 2e3]))
        told.append([_of_side(first_fall(known, sign, 6.0)) for sign in (1.0, -1.0)])
    stands(NAME, "sides", told)
    far = Side(np.full(2, 170.0), np.array([100.0, 3.0]), np.zeros((1, 2)), np.ones(2, bool), np.ones(2, bool))
    assert far.u_deg == pytest.approx([180.0 / np.sqrt(12.0), 3.0])


def test_reasons_without_a_map() -> None:
    told: list[Any] = []
    axis = FrequencyAxis(np.array([1e3]))
    for angles in (
        [5.0],
        [0.0],
        [0.0, 180.0],
        [0.0, 0.0095],
        [0.0, 0.0105],
        [0.0, 179.9905],
        [0.0, 179.98],
        [0.0, 90.0],
    ):
        one = orbit_levels(levels(np.zeros((len(angles), 1)), from_orbit("horizontal", angles), axis), "horizontal")
        told.append(one if isinstance(one, str) else [one.map.angle_deg, one.map.level_db, one.map.valid])
    stands(NAME, "reasons", told)


def test_thirds() -> None:
    assert third_octaves_hz() == pytest.approx(1000.0 * 10 ** (np.arange(11) / 10))
    assert _nearest(log_axis(100.0, 1000.0, 3), np.array([100.0, 140.0, 142.0, 5000.0])).tolist() == [0, 0, 1, 9]


def test_no_coverage_is_below_nothing_or_beyond_a_turn() -> None:
    """The interval ends at 0 and at 360 degrees, however uncertain the levels are."""
    angle = np.arange(-180.0 + 10, 181.0, 10.0)
    hz = np.geomspace(1000.0, 10_000.0, 12)
    ends = []
    for fall, u_db in ((3.0, 30.0), (40.0, 1.0), (300.0, 1.0), (0.0305, 1.5), (0.033, 4.0)):
        level = -np.abs(angle)[:, None] * np.full(12, fall)
        known = replace(_flat_map(angle, level, hz), u_db=np.full(level.shape, u_db) * (angle != 0.0)[:, None])
        total = first_fall(known, 1.0, 6.0).plus(first_fall(known, -1.0, 6.0))
        figure = nominal_coverage(known, total, key="c", draws=60)
        ends.append([figure.value, figure.interval])
    stands(NAME, "a turn", ends)


def test_the_rear_is_no_direction_off_the_axis_from_either_side() -> None:
    axis = FrequencyAxis(np.array([1e3]))
    for angle in (-179.995, 179.995):
        found = orbit_levels(levels(np.zeros((2, 1)), from_orbit("horizontal", [0.0, angle]), axis), "horizontal")
        assert found == "no direction of the horizontal orbit off the axis was measured"
