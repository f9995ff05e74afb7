"""What scan points can carry, waves and their far field: frozen values of the program over many small inputs.

The values are the program's own ("frozen"). Closed forms: Hankel functions of order 0 and 1, rings made by their
definition, straight lines drawn by numpy, numpy's inverse.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import golden_scan_worlds as worlds
import made_scan as made
import numpy as np
import pytest

from earwitness.errors import InputError
from earwitness.quantities import FrequencyAxis, cta_orbits
from earwitness.reduce.separate import expansion, field, sampling
from earwitness.reduce.separate.expansion import Expansion, orders_of, places_of
from earwitness.reduce.separate.field import Part, SeparatedField, Shell
from earwitness.reduce.separate.sampling import alike_nearby, distinct_directions, find_rings, radial_depth
from golden_values import stands

SHELL = Shell(0.2, 0.42, 0.84)
LOOK = sampling.even_directions(9)


@pytest.mark.parametrize("count", [1, 2, 7, 24])
def test_even_directions(count: int) -> None:
    stands("reduce/waves", f"even directions {count}", sampling.even_directions(count))


def test_depth_of_nested_surfaces() -> None:
    rng = np.random.default_rng(1)
    one, few = made.spiral_sphere(0.4, 60), made.spiral_sphere(0.4, 5)
    found = {
        "none": radial_depth(one[:0]),
        "single": radial_depth(one[:1]),
        "pair": radial_depth(few[:2]),
        "pair apart": radial_depth(few[:2] * [[1.0], [1.2]]),
        "few": radial_depth(few * rng.uniform(0.9, 1.1, (5, 1))),
        "thirteen": radial_depth(one[:13] * rng.uniform(0.9, 1.1, (13, 1))),
        "nested": [radial_depth(np.concatenate([one, (1 + step) * one])) for step in (0.005, 0.02, 0.05, 0.2)],
        "beside": radial_depth(one + np.array([0.05, 0.0, 0.02])),
        "rough": radial_depth(one * rng.uniform(0.97, 1.03, (60, 1))),
    }
    stands("reduce/waves", "depth", found)


def test_directions_that_are_alike_count_once() -> None:
    rng = np.random.default_rng(2)
    one = made.spiral_sphere(0.4, 40)
    spacing = np.sqrt(4 * np.pi / 80)
    found: list[Any] = []
    for share in (0.0, 0.02, 0.05, 0.08, 0.09, 0.095, 0.1, 0.105, 0.12, 0.2):
        aside = np.cross(one, rng.normal(size=3))
        aside *= share * spacing * 0.4 / np.linalg.norm(aside, axis=1)[:, None]
        found.append(distinct_directions(np.concatenate([one, 1.1 * (one + aside)])))
    stands(
        "reduce/waves", "distinct", [found, distinct_directions(one), distinct_directions(np.repeat(one, 3, axis=0))]
    )


def ringed(axis: int, *, lost: int = 0, off_m: float = 0.0, pole: bool = False) -> worlds.Real:
    points = made.ring_sphere(0.3, 4, 12)
    if pole:
        points = np.concatenate([points, [[0.0, 0.0, 0.31], [5e-5, 0.0, -0.31]]])
    points[5] += [0.0, off_m, 0.0]
    kept = np.ones(len(points), dtype=bool)
    kept[12 : 12 + lost] = False
    return np.roll(points[kept], axis, axis=1)


@pytest.mark.parametrize("axis", [0, 1, 2])
@pytest.mark.parametrize("lost", [0, 1, 3, 4])
def test_rings_about_each_axis(axis: int, lost: int) -> None:
    found = find_rings(ringed(axis, lost=lost, pole=lost == 1))
    stands("reduce/waves", f"rings {axis} {lost}", found)
    # A quarter of a ring's slots may be empty.
    assert (found is None) is (lost > 3)


def test_what_is_no_ring() -> None:
    off = {off: find_rings(ringed(0, off_m=off)) is not None for off in (5e-5, 8e-5, 9.5e-5, 1.08e-4, 1.3e-4, 1e-3)}
    lone = np.concatenate([ringed(0), [[9.5e-5, 0.0, 0.31]]])
    beside = np.concatenate([ringed(0), [[1.07e-4, 0.0, 0.31]]])
    doubled = np.concatenate([ringed(0), ringed(0)])
    twice = np.concatenate([ringed(0), ringed(0)[12:13]])
    # More rings than an eighth of the points, and than 12.
    thin = [
        find_rings(made.ring_sphere(0.3, rings, azimuths)) is not None
        for rings, azimuths in ((11, 4), (12, 4), (13, 4), (14, 9), (14, 7), (20, 8), (20, 7), (22, 8), (22, 9))
    ]
    uneven = np.concatenate([made.ring_sphere(0.3, 4, 12), made.ring_sphere(0.35, 3, 8), made.ring_sphere(0.2, 2, 5)])
    close = [
        find_rings(
            np.concatenate([made.ring_sphere(0.3, 4, 12), made.ring_sphere(0.3, 4, 12) + np.array([0.0, 0.0, step])])
        )
        for step in (5e-5, 9.5e-5, 1.05e-4, 1e-3)
    ]
    kept = [find_rings(one) for one in (lone, beside, doubled, twice, uneven)]
    # Heights of twelve levels and more that differ by more than a tenth of a millimeter, and by less.
    stacks = [
        find_rings(np.concatenate([made.ring_sphere(0.3, 1, 9) + np.array([0.0, 0.0, step * n]) for n in range(count)]))
        is not None
        for count in (11, 12, 13, 14)
        for step in (5e-4, 0.02)
    ]
    stands("reduce/waves", "no rings", [off, thin, kept, close, stacks])


def test_slots() -> None:
    angle = 2 * np.pi * np.arange(8) / 8
    rows = np.arange(100, 108)
    found: list[Any] = [
        sampling._slots(angle, rows, 0.3),
        sampling._slots(angle[::-1], rows, 0.3),
        sampling._slots(angle[:6] + 0.2, rows[:6], 0.3),
        sampling._slots(angle[:5], rows[:5], 0.3),
        sampling._slots(np.append(angle[:7], angle[0]), rows, 0.3),
        sampling._slots(angle * 0, rows, 0.3),
        *(sampling._slots(angle[:1], rows[:1], rho) for rho in (0.0, 9.5e-5, 1e-4, 1.05e-4, 0.3)),
        *(sampling._slots(angle + np.eye(8)[3] * off / 0.3, rows, 0.3) for off in (9e-5, 9.8e-5, 1.02e-4, 1.3e-4)),
        sampling._slots(angle[[0, 1, 2, 3, 4, 5, 7]], rows[:7], 0.3),
        sampling._slots(angle[:2], rows[:2], 0.3),
    ]
    stands("reduce/waves", "slots", found)


def test_what_is_left_alike_nearby() -> None:
    rng = np.random.default_rng(4)
    points = made.spiral_sphere(0.4, 80)
    surface = np.repeat([0, 1], [60, 20])
    smooth: Any = np.exp(1j * points @ [3.0, 2.0, 1.0])[:, None] * [1.0, 0.5, 0.1]
    rough = rng.normal(size=(80, 3)) + 1j * rng.normal(size=(80, 3))
    found = {f"{share}": alike_nearby(points, smooth + share * rough, surface) for share in (0.0, 0.3, 1.0, 5.0)}
    small = np.append(np.zeros(75, dtype=int), np.arange(5) // 4 + 1)
    found["small surfaces"] = alike_nearby(points, smooth, small)
    found["five"] = alike_nearby(points, smooth, np.where(np.arange(80) < 5, 1, np.where(np.arange(80) < 9, 2, 0)))
    quiet = {}
    for db in (-60.0, -58.3, -58.05, -57.95, -57.5, -52.0, -40.0):
        quiet[f"{db}"] = alike_nearby(
            points, smooth[:, :1] / np.sqrt(np.mean(np.abs(smooth[:, 0]) ** 2)) * 10 ** (db / 20), surface
        )
    stands("reduce/waves", "alike nearby", [found, quiet])


@pytest.mark.parametrize("order", [0, 1, 5])
def test_columns_along_the_radius(order: int) -> None:
    k, radius = np.array([0.5, 3.0, 20.0]), np.array([0.2, 0.36, 0.42])
    found: list[Any] = [
        field.incoming_columns(k, radius, order, SHELL),
        field.outgoing_columns(k, radius, order, SHELL),
        field.incoming_log_scale(k, order, SHELL),
        field.standing_share(k, order, SHELL),
        field.far_factor(k, order, SHELL),
    ]
    stands("reduce/waves", f"columns {order}", found)


def test_the_lowest_outgoing_wave_is_the_closed_form() -> None:
    # h_0^(2)(x) = j e^(-jx) / x (handbook).
    k, radius = np.array([2.0, 9.0]), np.array([0.36, 0.42])
    x = k[:, None] * radius
    expected = 1j * np.exp(-1j * x) / x * (k * SHELL.source_radius_m)[:, None]
    assert np.allclose(field.outgoing_columns(k, radius, 0, SHELL)[:, :, 0], expected)
    far = 1j / k * k * SHELL.source_radius_m
    assert np.allclose(field.far_factor(k, 0, SHELL)[:, 0], far)


def test_orders_that_are_wanted() -> None:
    k = np.linspace(0.2, 60.0, 120)
    stands(
        "reduce/waves",
        "wanted orders",
        [field.wanted_orders(k, SHELL), field.wanted_orders(k, SHELL, beyond_source=12)],
    )
    # ceil(k R) + 7 and ceil(k r) + 3, rounded up to threes (docstring).
    out, into = field.wanted_orders(np.array([4.9, 5.1, 20.0]), SHELL)
    assert out.tolist() == [9, 9, 12]
    assert into.tolist() == [6, 6, 12]


def part(
    seed: int, *, rows: int = 5, order: int = 3, polar: bool = False, remainder: bool = False, **changes: Any
) -> Part:
    rng = np.random.default_rng(seed)
    size = (order + 1) ** 2
    outgoing: Any = rng.normal(size=(rows, size)) + 1j * rng.normal(size=(rows, size))
    looks = np.cos(np.linspace(0.0, np.pi, 7)) if polar else sampling.even_directions(20)
    told = Part(
        rows=np.arange(rows),
        weight=np.ones(rows),
        center_m=rng.uniform(-0.05, 0.05, 3),
        axes=(0, 1, 2),
        shell=SHELL,
        inner_radius_m=0.22,
        outgoing=outgoing,
        order=np.minimum(np.arange(rows) + 1, order),
        directions=looks,
        variance=rng.uniform(0.001, 0.1, (len(looks), rows)),
        remainder=0.1 * outgoing[::-1] if remainder else None,
    )
    return replace(told, **changes)


def fields() -> dict[str, SeparatedField]:
    hz = np.array([50.0, 200.0, 700.0, 1500.0, 4000.0])
    half = replace(part(3, remainder=True), weight=np.array([1.0, 0.8, 0.5, 0.2, 0.0]))
    other = replace(part(4, polar=True, axes=(1, 2, 0)), weight=1 - half.weight)
    some = part(5, rows=3, inner_radius_m=0.6)
    parts = {
        "plain": (part(1),),
        "polar": (part(2, polar=True),),
        "turned": (part(2, polar=True, axes=(2, 0, 1)),),
        "remainder": (part(3, remainder=True),),
        "two": (half, other),
        "some": (replace(some, rows=np.array([1, 2, 4])),),
        "faint": (part(6, variance=np.zeros((20, 5))),),
        "loud doubt": (part(6, variance=np.full((20, 5), 1e6)),),
    }
    return {
        name: SeparatedField(
            FrequencyAxis(hz), 343.0, np.array([0.02, -0.01, 0.03]), them, np.array([True] * 4 + [False])
        )
        for name, them in parts.items()
    }


@pytest.mark.parametrize("name", list(fields()))
def test_fields(name: str) -> None:
    one = fields()[name]
    points = np.array([[0.7, 0.1, -0.2], [0.0, 0.8, 0.3], [-0.5, -0.4, 0.6]])
    k = 2 * np.pi * one.axis.hz[one.parts[0].rows] / 343.0
    answer = field.response(one, cta_orbits(30.0))
    other = field.response(
        one,
        cta_orbits(30.0),
        u_common_db=np.full(5, 0.2),
        absolute=False,
        distance_m=2.0,
        highest_u_db=1.0,
        lineage=("a",),
    )
    found = {
        "near": field.pressure_at(one, points),
        "single": field.pressure_at(one, points[0]),
        "far": field.far_pressure(one, LOOK),
        "u": field.far_u_db(one, LOOK),
        "energy": field.order_energy(one.parts[0], k),
        "cut off": field._cut_off(one.parts[0], k),
        "along": field._variance_along(one.parts[0], LOOK),
        "poles": field._variance_along(one.parts[0], np.diag([1.0, 1.0, -1.0])),
        "answer": answer.valid,
        "absolute": [answer.absolute, answer.distance_m, answer.u_common_db, answer.lineage],
        "other": [other.valid, other.absolute, other.distance_m, other.u_common_db, other.lineage],
    }
    stands("reduce/waves", f"field {name}", found)


def test_many_frequencies_go_through_in_pieces() -> None:
    hz = np.geomspace(60.0, 900.0, 53)
    one = SeparatedField(FrequencyAxis(hz), 343.0, np.zeros(3), (part(7, rows=53),), np.ones(53, dtype=bool))
    stands("reduce/waves", "pieces", field.waves_at(one, np.array([[0.5, 0.2, 0.1], [-0.3, 0.3, 0.3]])))


def test_a_point_inside_is_refused_at_the_sphere() -> None:
    one = SeparatedField(
        FrequencyAxis(np.array([300.0])), 343.0, np.zeros(3), (part(8, rows=1, center_m=np.zeros(3)),), np.ones(1, bool)
    )
    field.pressure_at(one, np.array([[0.2201, 0.0, 0.0], [3.0, 0.0, 0.0]]))
    with pytest.raises(InputError, match=r"0\.219"):
        field.pressure_at(one, np.array([[0.219, 0.0, 0.0], [3.0, 0.0, 0.0]]))


def test_uncertainty_of_a_field_that_stops_below_what_the_body_asks_for() -> None:
    found: list[Any] = []
    for radius in (0.1, 0.5, 1.0, 1.5):
        one = part(9, inner_radius_m=radius, order=7, rows=8)
        found.append(field._cut_off(one, np.linspace(1.0, 30.0, 8)))
    stands("reduce/waves", "cut off", found)


@pytest.mark.parametrize(("order_out", "order_in"), [(4, 4), (5, 2), (3, -1), (2, 5)])
def test_expansions(order_out: int, order_in: int) -> None:
    points = worlds.two_rings(5, 9)
    scan = worlds.in_a_room(points, np.array([200.0, 500.0]), seed=3)
    used = np.ones(len(points), dtype=bool)
    used[::7] = False
    for n, kept in enumerate((None, used)):
        places = places_of(points, max(order_out, order_in))
        one = Expansion(places, float(scan.k[1]), SHELL, order_out, order_in, np.array([3e-3, 2e-2]), used=kept)
        unknown = one.fitted(scan.pressure)
        found = {
            "unknown": unknown,
            "inverse": one.inverse,
            "leverage": one.leverage,
            "settled": one.settled,
            "field": one.field(unknown),
            "slope": one.slope(unknown[:, 0]),
            "held": one.held_back(unknown),
            "waves": one.waves(unknown),
            "far": one.far(unknown, LOOK, None),
            "scattered": one.far(
                unknown,
                LOOK,
                lambda inward, k, order: 0.1 * k * np.ones((len(inward), (order + 1) ** 2)) * inward[:, :1],
            ),
            "noise": one.noise_far(LOOK),
            "load": one.load,
        }
        stands("reduce/waves", f"expansion {order_out} {order_in} {n}", found)


def test_places_with_and_without_their_neighbors() -> None:
    points = made.spiral_sphere(0.4, 6)
    places, alone = places_of(points, 2), places_of(points, 2, beside=False)
    assert (len(places.radius_m), len(alone.radius_m)) == (7, 1)
    # A tenth of a millimeter along x, y and z, then back.
    steps = np.array([np.zeros(3), *(1e-4 * np.eye(3)), *(-1e-4 * np.eye(3))])
    for step, radius in zip(steps, places.radius_m, strict=True):
        assert np.allclose(radius, np.linalg.norm(points + step, axis=1), atol=1e-12)
    stands("reduce/waves", "places", [alone.harmonics, places.harmonics[2]])


def test_the_gradient_is_that_of_a_source() -> None:
    # grad e^(-jkr)/r = -(jk + 1/r) e^(-jkr)/r times the direction.
    points, k = made.spiral_sphere(0.4, 60), 5.0
    one = Expansion(places_of(points, 5), k, SHELL, 5, -1, np.array([1e-9, 1e-9]))
    heard = made.monopoles(points, np.zeros((1, 3)), made.NEAR_STRENGTH[:1], np.array([k]))
    radius = np.linalg.norm(points, axis=1)[:, None]
    expected = -(1j * k + 1 / radius) * heard * points / radius
    assert np.allclose(one.slope(one.fitted(heard)[:, 0]), expected, atol=1e-4 * np.abs(expected).max())


def test_highest_order_of_both_kinds() -> None:
    assert orders_of(np.array([3, 6]), np.array([-1, -1])) == 6
    assert orders_of(np.array([0, 2]), np.array([5, 1])) == 5
    assert orders_of(np.array([-2]), np.array([-1])) == 0


def test_products_keep_real_matrices_real() -> None:
    rng = np.random.default_rng(8)
    real, data = rng.normal(size=(4, 3)), rng.normal(size=(3, 2)) + 1j * rng.normal(size=(3, 2))
    assert np.allclose(expansion._product(real, data), real @ data)
    assert np.allclose(expansion._product(real + 0.5j, data), (real + 0.5j) @ data)
