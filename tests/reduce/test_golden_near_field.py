"""The bass from near fields, on boxes, spheres and in walls: frozen values over small invented cabinets.

The values are the program's own ("frozen"). Closed cases: ka = 1 (Keele, 1974), a disc's potential with elliptic
integrals at its rim and middle.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from earwitness.quantities import from_orbit
from earwitness.reduce.nearfield import body as bodies
from earwitness.reduce.nearfield import total
from earwitness.reduce.nearfield.body import (
    Body,
    NearPart,
    body_of,
    fault_of_place,
    fields_of,
    highest_hz,
    highest_model_hz,
    missing_near_field,
    overlapping,
    seats_of,
)
from earwitness.reduce.nearfield.total import Bass, bass_of, condition_of, near_causes, pull_db, seated, solved
from earwitness.session.record import Driver, Loudspeaker
from golden_values import stands

C = 343.0
HZ = np.geomspace(25.0, 1200.0, 24)
DIRECTIONS = from_orbit("horizontal", [0.0, 50.0, 180.0])
Place = tuple[float, float, float]


def driver(name: str, kind: str, radius_m: float, place: Place, **more: Any) -> Driver:
    return Driver.model_validate({"name": name, "kind": kind, "diameter_m": 2 * radius_m, "position_m": place, **more})


WOOFER = driver("woofer", "cone", 0.05, (0.0, 0.0, -0.08))
PORT = driver("port", "port", 0.02, (0.0, 0.0, -0.17))
DOME = driver("dome", "dome", 0.0125, (0.0, 0.0, 0.0))


def loudspeaker(*drivers: Driver, size: Place = (0.16, 0.28, 0.2), **more: Any) -> Loudspeaker:
    width, height, depth = size
    told = {
        "name": "One",
        "maker": "None",
        "type": "other",
        "enclosure": "vented",
        "reference_axis": "ahead",
        "width_m": width,
        "height_m": height,
        "depth_m": depth,
        "driver": [one.model_dump() for one in drivers],
        **more,
    }
    return Loudspeaker.model_validate(told)


def part(one: Driver, seed: int = 1, gap_m: float = 0.005, size: float = 1.0) -> NearPart:
    rng = np.random.default_rng(seed)
    shape = (1j * HZ / 60) ** 2 / ((1j * HZ / 60) ** 2 + 1.1j * HZ / 60 + 1)
    if one.kind in bodies.PORTS:
        shape = (HZ / 45) / (1 + (HZ / 45) ** 3) * np.exp(0.3j * HZ / 100)
    return NearPart(one, np.asarray(size * 30 * shape * np.exp(1j * rng.uniform(-0.1, 0.1))), gap_m)


def test_places_of_bodies() -> None:
    found: list[Any] = []
    for drivers in (
        (WOOFER, DOME),
        (WOOFER, PORT),
        (driver("a", "cone", 0.05, (0.0, 0.0, 0.12)), driver("b", "cone", 0.05, (0.0, 0.0, -0.2))),
        (DOME,),
    ):
        for more in (
            {},
            {"reference_below_top_m": 0.07},
            {"shape": "sphere"},
            {"shape": "other", "reference_left_m": 0.03},
            {"reference_below_top_m": 0.0},
        ):
            one = body_of(loudspeaker(*drivers, **more))
            found.append(
                [
                    one,
                    one.sphere_m,
                    one.scaled(1.1),
                    one.rounded(),
                    one.raised(0.02),
                    highest_model_hz(one, C),
                    bodies._highest_wavenumber(one),
                ]
            )
        wall = body_of(loudspeaker(*drivers), half_space=True)
        found.append([wall, wall.rounded() is wall, highest_model_hz(wall, C)])
    stands("reduce/near_field", "bodies", found)


def test_room_for_drivers_at_its_limit() -> None:
    # Discs of 5 cm about z and -z in a box of 28 cm: no room is left from z = 9 cm on.
    found: list[Any] = []
    for z in (0.085, 0.0899, 0.0901, 0.095, 0.11):
        drivers = driver("a", "cone", 0.05, (0.0, 0.0, z)), driver("b", "cone", 0.05, (0.0, 0.0, -z))
        one = body_of(loudspeaker(*drivers))
        found.append([one.middle_m, one.middle_u_m])
    stands("reduce/near_field", "room", found)


def test_highest_frequencies() -> None:
    parts = [part(one) for one in (WOOFER, PORT, driver("passive", "passive radiator", 0.08, (0.0, 0.1, -0.1)))]
    assert highest_hz(parts[:1], C) == pytest.approx(C / (2 * np.pi * 0.05))
    assert highest_hz(parts, C) == pytest.approx(C / (2 * np.pi * 0.05))
    assert highest_hz(parts[1:], C) == pytest.approx(C / (2 * np.pi * 0.08))


def test_near_fields_that_are_missing() -> None:
    found: list[Any] = []
    for enclosure in ("closed", "vented", "passive radiator", "open", "other"):
        for recorded in ((WOOFER,), (WOOFER, PORT), (PORT,), (WOOFER, DOME)):
            for drivers in ((WOOFER,), (WOOFER, PORT)):
                for shared in (True, False):
                    found.append(
                        missing_near_field(
                            [part(one) for one in recorded], loudspeaker(*drivers, enclosure=enclosure), shared=shared
                        )
                    )
    stands("reduce/near_field", "missing", found)


@pytest.mark.parametrize("shape", ["box", "sphere"])
def test_seats(shape: str) -> None:
    told = loudspeaker(WOOFER, DOME, shape=shape, reference_below_top_m=0.08)
    one = body_of(told)
    found: list[Any] = []
    for place in (
        (0.0, 0.0, 0.0),
        (0.02, 0.05, -0.1),
        (-0.2, 0.0, -0.05),
        (-0.1, 0.08, 0.0),
        (-0.1, -0.083, -0.1),
        (-0.1, 0.02, 0.08),
        (-0.1, 0.0, -0.2),
        (-0.1, 0.0, -0.06),
        (-0.1, 0.0, -0.0601),
    ):
        for count in (1, 2, 3):
            own = driver("x", "cone", 0.03, place, count=count)
            found.append([seats_of(own, one), seats_of(own, one, spacing=1.6)[-1].place_m])
    flat = body_of(loudspeaker(WOOFER, DOME, size=(0.5, 0.28, 0.2), shape=shape, reference_below_top_m=0.08))
    found.append([seats_of(driver("x", "cone", 0.03, (0.0, 0.02, -0.02), count=2), flat)])
    found.append([bodies._seat(np.zeros(3), 0.02, one), bodies._seat(np.array([0.0, -0.05, -0.05]), 0.02, one)])
    stands("reduce/near_field", f"seats {shape}", found)


def test_places_off_the_surface() -> None:
    found: list[Any] = []
    for depth in (0.15, 0.2, 0.24):
        one = body_of(loudspeaker(WOOFER, DOME, size=(0.16, 0.28, depth), reference_below_top_m=0.08))
        for x in (0.028, 0.0295, 0.0305, 0.034, 0.037, 0.06, 0.075, 0.2, -0.03, -0.036, -0.07, -depth, 0.1, 0.5):
            for place in ((x, 0.0, -0.06), (x, 0.04, 0.07)):
                found.append(
                    [
                        fault_of_place(driver("x", "cone", 0.02, place), one),
                        bodies._off_the_body(np.array(place), 0.02, one),
                    ]
                )
        for place in ((0.1, 0.0, 0.08), (0.0, 0.05, 0.11), (0.0, 0.3, 0.0), (0.2, 0.0, -0.06), (depth / 2, 0.0, 0.06)):
            found.append(fault_of_place(driver("x", "cone", 0.02, place), one))
    stands("reduce/near_field", "off the surface", found)


def test_discs_that_lie_in_each_other() -> None:
    one = body_of(loudspeaker(WOOFER, DOME, reference_below_top_m=0.08))
    found: list[Any] = []
    for apart in (0.02, 0.04, 0.0475, 0.0485, 0.06):
        named = [
            (n, seats_of(driver(n, "cone", 0.04, (0.0, 0.0, z)), one))
            for n, z in (("a", 0.0), ("b", -apart), ("c", -0.2))
        ]
        found.append(overlapping(named))
    behind = [("front", seats_of(WOOFER, one)), ("rear", seats_of(driver("r", "cone", 0.05, (-0.2, 0.0, -0.08)), one))]
    corner = [
        ("front", seats_of(driver("f", "cone", 0.05, (0.0, 0.07, -0.08)), one)),
        ("side", seats_of(driver("s", "cone", 0.05, (-0.02, 0.08, -0.08)), one)),
    ]
    found += [overlapping(behind), overlapping(corner), overlapping(named[:1])]
    parts = [part(one_driver) for one_driver in (WOOFER, driver("again", "cone", 0.05, (0.0, 0.0, -0.09)))]
    found += [
        seated(parts, one),
        seated([part(driver("off", "cone", 0.05, (0.3, 0.0, 0.0)))], one),
        seated([part(WOOFER), part(DOME)], one),
    ]
    stands("reduce/near_field", "overlapping", found)


@pytest.mark.parametrize("shape", ["box", "sphere", "wall"])
@pytest.mark.parametrize("distance_m", [None, 0.9])
def test_fields(shape: str, distance_m: float | None) -> None:
    told = loudspeaker(WOOFER, PORT, shape="sphere" if shape == "sphere" else "box", reference_below_top_m=0.06)
    one = body_of(told, half_space=shape == "wall")
    double = driver("pair", "cone", 0.03, (0.0, 0.0, -0.05), count=2)
    parts = [seats_of(WOOFER, one), seats_of(PORT, one), seats_of(double, one)]
    found = fields_of(
        one, parts, [0.005, 0.001, 0.01], HZ, DIRECTIONS.unit_vectors(), speed_of_sound=C, distance_m=distance_m
    )
    stands("reduce/near_field", f"fields {shape} {distance_m}", [found.reading, found.far, found.there])


def test_close_points_and_large_caps_on_a_sphere() -> None:
    one = body_of(loudspeaker(WOOFER, size=(0.1, 0.1, 0.1), shape="sphere"))
    seats = (
        seats_of(driver("large", "cone", 0.07, (0.0, 0.0, 0.0)), one),
        seats_of(driver("tiny", "cone", 1e-5, (-0.06, 0.0, 0.06)), one),
    )
    found: list[Any] = [
        fields_of(one, seats, [-0.001, 0.002], HZ[::4], DIRECTIONS.unit_vectors(), speed_of_sound=C, distance_m=away)
        for away in (0.05, 0.1, 2.0)
    ]
    stands("reduce/near_field", "caps", found)


def test_nodes_of_the_cabinet() -> None:
    found: list[Any] = []
    for size in ((0.16, 0.28, 0.2), (0.6, 0.3, 0.2)):
        for shape in ("box", "sphere"):
            one = body_of(loudspeaker(WOOFER, size=size, shape=shape))
            found += [bodies._nodes(one, highest) for highest in (0.5, 5.0, 30.0, 400.0)]
    stands("reduce/near_field", "nodes", found)


def whole(
    *drivers: Driver, distance_m: float | None = 1.0, half_space: bool = False, size: float = 1.0, **more: Any
) -> Bass | str:
    one = body_of(loudspeaker(*drivers, **more), half_space=half_space)
    parts = [part(own, n, size=1.0 if n == 0 else size) for n, own in enumerate(drivers)]
    seats = seated(parts, one)
    assert not isinstance(seats, str), seats
    return bass_of(parts, HZ, one, seats, DIRECTIONS, speed_of_sound=C, distance_m=distance_m)


# A quarter turn below the front of the sphere that holds as much as the box, 12.9 cm.
BELOW = driver("port", "port", 0.02, (-0.129, 0.0, -0.129))
CASES: dict[str, dict[str, Any]] = {
    "box": {},
    "sphere": {"shape": "sphere"},
    "placed": {"reference_below_top_m": 0.06},
    "wall": {"half_space": True},
    "other": {"shape": "other"},
    "faint port": {"size": 0.1},
}


@pytest.mark.parametrize("name", list(CASES))
def test_bass(name: str) -> None:
    for drivers in ((WOOFER,), (WOOFER, BELOW if name == "sphere" else PORT)):
        if name not in ("box", "sphere") and len(drivers) == 1:
            continue
        found = whole(*drivers, **CASES[name])
        assert isinstance(found, Bass), found
        seen = found.there() * (1 + 0.2j)
        loud = np.asarray(0.3 * np.abs(found.far()), dtype=complex)
        stands(
            "reduce/near_field",
            f"bass {name} {len(drivers)}",
            [
                found.strengths,
                found.weights,
                found.highest_hz,
                found.effect_hz,
                found.far(),
                found.there(),
                found.to_far_field(seen),
                found.to_far_field(3 * seen),
                found.to_far_field(loud),
                found.to_far_field(0 * seen),
            ],
        )


def test_no_measuring_distance() -> None:
    found = whole(WOOFER, distance_m=None, shape="sphere")
    assert isinstance(found, Bass)
    with pytest.raises(ValueError, match="without a measuring distance"):
        found.there()


def of_causes(found: Bass, **more: Any) -> list[Any]:
    told = {"speed_of_sound": C, "other_shape": False, "port_u_db": None, **more}
    return [[one.name, one.source, one.pull_db] for one in near_causes(found, DIRECTIONS, **told)]


@pytest.mark.parametrize("name", ["box", "sphere", "other", "placed", "wall"])
def test_causes(name: str) -> None:
    told = driver("woofer", "cone", 0.05, (0.0, 0.0, -0.08), position_u_m=0.004)
    found = whole(told, BELOW if name == "sphere" else PORT, **CASES[name])
    assert isinstance(found, Bass), found
    causes = of_causes(found, other_shape=name == "other", port_u_db=None if name == "placed" else 0.8)
    stands("reduce/near_field", f"causes {name}", causes, relative=1e-4, near_zero=1e-6)


@pytest.mark.parametrize("name", ["box", "wall", "sphere"])
def test_causes_of_pairs(name: str) -> None:
    double = driver("pair", "cone", 0.025, (0.0, 0.0, 0.02), count=2)
    side = driver("side", "passive radiator", 0.04, (-0.1, 0.08, -0.06))
    found = whole(double, WOOFER if name == "wall" else side, **CASES[name], reference_below_top_m=0.1)
    assert isinstance(found, Bass), found

    def settle(reading: NDArray[Any]) -> tuple[NearPart, ...]:
        return tuple(total.scaled_part(one, 1 + 0.01 * abs(reading[0, 0, 0])) for one in found.parts)

    stands("reduce/near_field", f"pairs {name}", of_causes(found), relative=1e-4, near_zero=1e-6)
    if name == "sphere":
        causes = of_causes(found, other_shape=True, port_u_db=0.3, settle=settle)
        stands("reduce/near_field", f"settled {name}", causes, relative=1e-4, near_zero=1e-6)


def test_parts_that_do_not_fit() -> None:
    one = body_of(loudspeaker(WOOFER, PORT))
    seats = seats_of(WOOFER, one), seats_of(PORT, one)
    with pytest.raises(ValueError, match="at least one part"):
        bass_of([], HZ, one, (), DIRECTIONS, speed_of_sound=C)
    with pytest.raises(ValueError, match="at least one part"):
        bass_of([part(WOOFER), NearPart(PORT, np.ones(3, complex), 0.0)], HZ, one, seats, DIRECTIONS, speed_of_sound=C)


def test_conditions() -> None:
    found: list[Any] = []
    for leak in (0.0, 0.3, 0.45, 0.49, 0.51, 0.55, 0.9):
        reading = np.tile(np.array([[1.0, leak], [leak, 1.0]], dtype=complex), (3, 1, 1)) * np.array([2.0, 3.0])
        reading[1] *= 2
        found.append([condition_of(reading), total._ill([part(WOOFER), part(PORT)], reading)])
    found += [condition_of(reading[:0]), condition_of(reading[:, :1, :1])]
    stands("reduce/near_field", "conditions", found)
    readings = np.array([[[2.0, 1.0], [0.5, 3.0]]] * HZ.size, dtype=complex)
    strengths = solved(readings, [part(WOOFER), part(PORT)])
    assert np.allclose(np.einsum("fij,jf->if", readings, strengths), [part(WOOFER).pressure, part(PORT).pressure])


def test_ports_that_drown() -> None:
    found: list[Any] = []
    for level in (1e-3, 0.1, 0.5, 1.0, 3.0, 100.0):
        port = level / (1 + (HZ / 60.0) ** 2) * HZ
        found.append(total._fade(port, 0.02 * HZ, HZ))
    for near in (0.02, 0.05, 0.09, 0.3):
        beside = driver("port", "port", 0.02, (0.0, near, -0.08))
        strengths = np.array([np.ones(HZ.size), 0.3 / (1 + (HZ / 60.0) ** 2)])
        found.append(total._port_fades([part(WOOFER), part(beside)], strengths, HZ))
        found.append(total._port_fades([part(beside), part(PORT)], strengths, HZ))
    stands("reduce/near_field", "drowned", found)


def test_the_effect_of_the_distance_fades_out() -> None:
    found = whole(WOOFER, shape="sphere")
    assert isinstance(found, Bass)
    seen = found.there() * 1.1
    stands(
        "reduce/near_field", "fading", [replace(found, effect_hz=hz).to_far_field(seen) for hz in (60.0, 150.0, 400.0)]
    )


def test_where_a_port_begins_to_drown() -> None:
    # A port whose level over the leak falls evenly through the margin of -6 dB.
    hz = np.geomspace(30.0, 3000.0, 400)
    weight = total._fade(10 ** (-np.linspace(5.0, 7.0, 400) / 20) * hz, hz, hz)
    first = hz[np.flatnonzero(np.linspace(5.0, 7.0, 400) > 6.0)[0]]
    assert weight == pytest.approx(0.5 + 0.5 * np.cos(np.pi * np.clip(np.log2(hz / first), 0.0, 1.0)))


def test_pulls_are_held_at_six_decibels() -> None:
    before = np.full((1, 5), 1.0 + 0j)
    found = pull_db(before * np.array([1.0, 1.9, 2.1, 0.4, 0.0]), before)
    assert found[0] == pytest.approx([0.0, 5.575, 6.0, -6.0, -6.0], abs=1e-3)


def test_beside_a_piston() -> None:
    seat = seats_of(WOOFER, body_of(loudspeaker(WOOFER)))[0]
    k = np.array([0.0, 3.0])
    # Even disc: in its middle 2 E(0) / (pi^2 a) = 1 / (pi a), at its rim 2 / (pi^2 a) (handbook formulas).
    middle, rim = (
        total._beside(seat.place_m, seat, k),
        total._beside(seat.place_m + np.array([0.0, 0.05, 0.0]), seat, k),
    )
    assert abs(middle[0]) == pytest.approx(1 / (np.pi * 0.05))
    assert abs(rim[0]) == pytest.approx(2 / (np.pi**2 * 0.05))
    # Far off as a point, 1 / (2 pi r).
    far = total._beside(seat.place_m + np.array([0.0, 5.0, 0.0]), seat, k)
    assert abs(far[0]) == pytest.approx(1 / (2 * np.pi * 5.0), rel=1e-3)
    stands(
        "reduce/near_field",
        "beside",
        [total._beside(seat.place_m + np.array([0.0, y, 0.0]), seat, k) for y in (0.03, 0.049, 0.051, 0.1)],
    )


def test_walled_body() -> None:
    wall = Body(False, np.array([0.1, 0.2, 0.3]), np.array([-0.1, 0.0, 0.0]), 0.0, walled=True)
    assert wall.rounded() is wall
    assert highest_model_hz(wall, C) == np.inf
