"""What places leave open, and whole orbits that contradict themselves: frozen values over drawn loudspeakers.

The values are the program's own ("frozen"). Closed cases: Lagrange's polynomials, the rule of 2 D^2 / lambda.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import fft

from earwitness.quantities import Orbit, from_orbit
from earwitness.quantities.directions import join
from earwitness.reduce import orbit_checks, placing
from earwitness.reduce.flags import TakeFacts
from earwitness.reduce.orbit_checks import (
    angle_offset_deg,
    gain_flags,
    late_flags,
    mirrored_flags,
    orbit_flags,
    third_octaves,
)
from earwitness.reduce.placing import Placed, finite_distance_causes, near_effect, placing_causes, turned
from earwitness.session.record import Driver
from golden_values import stands

C, RATE = 343.0, 24_000.0
HZ = np.array([300.0, 700.0, 1500.0, 2400.0, 3000.0, 4000.0, 5200.0, 9000.0])


def sources(orbit: str, angle_deg: float, hz: NDArray[Any], seed: int = 1) -> NDArray[Any]:
    """(F,) a woofer and a tweeter that beam, one above the other and a little aside."""
    rng = np.random.default_rng(seed)
    corner, high, aside = rng.uniform(900, 2500), rng.uniform(0.05, 0.15), rng.uniform(0.0, 0.03)
    angle = np.radians(angle_deg)
    up = np.sin(angle) * (high if orbit == "vertical" else aside)
    low = 1 / (1 + 1j * hz / corner) ** 2 * np.exp(2j * np.pi * hz * up / C)
    treble = (1j * hz / corner / (1 + 1j * hz / corner)) ** 2 / (1 + hz / 6000 * (1 - np.cos(angle)))
    return np.asarray((low + treble) / (1 + hz / 900 * (1 - np.cos(angle)) ** 2) + 0.01)


def placed(
    horizontal: list[float], vertical: list[float], *, seed: int = 1, hz: NDArray[Any] = HZ, **changes: Any
) -> Placed:
    rng = np.random.default_rng(seed)
    orbits: list[tuple[Orbit, float]] = [("horizontal", a) for a in horizontal] + [("vertical", a) for a in vertical]
    count = len(orbits)
    told = {
        "directions": join([from_orbit("horizontal", horizontal), from_orbit("vertical", vertical)]),
        "hz": hz,
        "pressure": np.array([sources(*one, hz, seed) for one in orbits]),
        "distance_m": rng.uniform(1.0, 2.5, count),
        "orbit": tuple(one[0] for one in orbits),
        "order": rng.permutation(count).astype(float),
    }
    return Placed(**{**told, **changes})


EVEN = [float(a) for a in range(-170, 181, 10)]
UPRIGHT = [a for a in EVEN if a not in (0.0, 180.0)]
GRIDS: dict[str, tuple[list[float], list[float]]] = {
    "full": (EVEN, UPRIGHT),
    "horizontal": (EVEN, []),
    "vertical": ([], EVEN),
    "coarse": ([float(a) for a in range(-150, 181, 30)], [-60.0, -30.0, 30.0, 60.0]),
    "coarser": ([float(a) for a in range(-155, 181, 31)], [-31.0, 31.0]),
    "front": ([-20.0, -10.0, 0.0, 10.0, 20.0], [-10.0, 10.0]),
    "one": ([0.0], []),
    "side": ([0.0, 10.0, 20.0, 40.0], [15.0]),
    "uneven": ([-90.0, -55.0, -30.0, 0.0, 5.0, 35.0, 64.9, 95.0], [-29.9, 30.0]),
    "rear": ([180.0, 170.0, -170.0], [160.0, -160.0]),
    "limit": ([0.0, 30.0, 60.005, 90.02, -30.0], [0.005]),
    "both fronts": ([0.0, 20.0], [0.0, 20.0, 180.0, 160.0]),
}


@pytest.mark.parametrize("name", list(GRIDS))
def test_causes_of_places(name: str) -> None:
    one = placed(*GRIDS[name], seed=2)
    stands(
        "reduce/placing", f"causes {name}", [[c.name, c.part, c.source, c.each, c.pull_db] for c in placing_causes(one)]
    )


@pytest.mark.parametrize("name", ["full", "coarse", "uneven", "limit", "side"])
def test_turns(name: str) -> None:
    one = placed(*GRIDS[name], seed=3)
    found: list[Any] = [
        turned(one, "horizontal", 0.4),
        turned(one, "vertical", 1.0),
        turned(one, "horizontal", np.linspace(-2, 2, len(one.directions))),
    ]
    found.append([one.level_db, one.angle_deg("horizontal"), one.angle_deg("vertical"), one.on("vertical")])
    stands("reduce/placing", f"turns {name}", found)


def test_nulls_and_small_bends() -> None:
    one = placed(*GRIDS["front"], hz=HZ[-3:])
    deep = one.pressure.copy()
    deep[2] *= 1e-6
    found: list[Any] = [placing_causes(replace(one, pressure=deep))]
    for bend in (0.0, 0.005, 0.05, 1.0):
        flat: Any = (
            10 ** (-bend * np.array([-20.0, -10, 0, 10, 20, -10, 10])[:, None] ** 2 / 100 / 20) * np.ones((7, 3)) + 0j
        )
        found.append([[c.name, c.part] for c in placing_causes(replace(one, pressure=flat))])
    silent = replace(one, pressure=0 * one.pressure)
    found.append(placing_causes(silent))
    bends = []
    for bend in (0.0050, 0.0057, 0.0058, 0.0059, 0.0065):
        turn = placing.Turn(np.full((2, 2), 7.0), np.array([[bend, 0.0], [0.0, 0.0]]))
        bends.append(placing._of_turn("a", "b", turn, np.ones((2, 1)), "c"))
    stands(
        "reduce/placing",
        "nulls",
        [[[c.name, c.part, c.pull_db] if not isinstance(c, list) else c for c in one] for one in found] + [bends],
    )


def test_rear_without_a_front() -> None:
    # Above and below the front nothing was measured; behind the levels slope at some frequencies only.
    one = placed([-20.0, 0.0, 20.0, 180.0], [160.0, -160.0, 140.0, -140.0], hz=HZ[-4:])
    flat = np.ones((8, 4), dtype=complex)
    flat[4:, 2] = [1.1, 0.9, 1.3, 0.8]
    steep = flat.copy()
    steep[4:] *= np.array([1.05, 0.97, 1.2, 0.7])[:, None]
    found: list[Any] = [
        [[c.name, c.part, c.pull_db] for c in placing_causes(replace(one, pressure=case))]
        for case in (flat, steep, np.ones((8, 4), dtype=complex))
    ]
    stands("reduce/placing", "rear alone", found)


def test_neighbors() -> None:
    found: list[Any] = []
    for angles in (
        [0.0],
        [0.0, 10.0],
        [0.0, 30.0, 60.0],
        [0.0, 30.01, 60.03],
        [0.0, 30.02],
        [-170.0, 170.0, 180.0],
        [0.0, 0.005, 10.0],
        [0.0, 0.02, 10.0],
        [float(a) for a in range(-175, 181, 5)],
    ):
        some = np.sort(np.array(angles))
        found.append([placing._neighbors(some, here) for here in range(min(some.size, 4))])
    stands("reduce/placing", "neighbors", found)


def test_polynomials_through_nodes() -> None:
    nodes = np.array([0.0, 10.0, 25.0, -10.0])
    for power in range(4):
        assert placing._lagrange(nodes, 3.0) @ nodes**power == pytest.approx(3.0**power)


def test_small_laws() -> None:
    hz = np.geomspace(100.0, 2000.0, 25)
    values = np.random.default_rng(4).uniform(size=25)
    angles = np.array([0.0, 15.0, 59.0, 60.0, 61.0, 90.0, 180.0])
    stands(
        "reduce/placing",
        "laws",
        [
            placing._over_an_octave(values, hz),
            [placing._nearness(angles, middle) for middle in (0.0, 60.0, 180.0)],
            placing._in_phase(np.exp(1j * np.outer([0.0, 10.0, -10.0], [0.1, 0.2])), np.array([0.0, 10.0, -10.0])),
            placing._clipped(angles / 10),
        ],
    )
    between = angles[angles <= 60.0]
    assert np.allclose(placing._nearness(between, 0.0) ** 2 + placing._nearness(between, 60.0) ** 2, 1.0)


def test_finite_distances() -> None:
    hz = np.geomspace(20.0, 20_000.0, 200)
    kinds = ("cone", "dome", "horn", "ribbon", "port", "passive radiator", "other")
    found: list[Any] = []
    for kind in kinds:
        one = Driver.model_validate({"name": kind, "kind": kind, "diameter_m": 0.1, "position_m": (0.0, 0.05, -0.12)})
        found.append([near_effect([one], hz, away, C) for away in (0.5, 3.0)])
    every = [
        Driver.model_validate({"name": k, "kind": k, "diameter_m": d, "position_m": (0.0, 0.0, z)})
        for k, d, z in (("cone", 0.2, -0.2), ("dome", 0.025, 0.0), ("horn", 0.15, 0.2))
    ]
    both = [near_effect(every, hz, away, C) for away in (0.3, 1.0, 10.0, 100.0)] + [near_effect([], hz, 1.0, C)]
    heard = placed(*GRIDS["full"], hz=hz[::25], seed=5)
    causes = [finite_distance_causes(heard, near_effect(every, heard.hz, away, C)) for away in (0.5, 2.0, 500.0)]
    stands("reduce/placing", "finite distances", [found, both, causes])
    # Far field from 2 D^2 / lambda on (handbook rule): the first frequency above c r / (2 D^2).
    told = near_effect([Driver.model_validate({"name": "d", "kind": "horn", "diameter_m": 0.3})], hz, 2.0, C)
    assert told.from_hz == hz[hz > C * 2.0 / (2 * 0.3**2)][0]


# Whole orbits.


def fact(
    orbit: str | None,
    angle: float | None,
    *,
    seed: int = 6,
    count: int = 320,
    late_s: float = 0.0,
    gain_db: float = 0.0,
    **changes: Any,
) -> TakeFacts:
    hz = fft.rfftfreq(count, 1 / RATE)
    heard = sources(orbit or "horizontal", angle or 0.0, hz, seed) * np.exp(-2j * np.pi * hz * (4e-3 + late_s))
    level = -1.0 + np.cos(np.radians(angle or 0.0)) + gain_db
    told = {
        "id": f"{(orbit or 'x')[0]}{angle}",
        "orbit": orbit,
        "angle_deg": angle,
        "distance_m": 2.0,
        "rate_hz": RATE,
        "peak_fs": 0.2,
        "clipped_runs": 0,
        "arrival_s": 2.0 / C + late_s,
        "arrival_known": True,
        "impulse": fft.irfft(heard, count) * 10 ** (gain_db / 20),
        "impulse_rate_hz": RATE,
        "band_level_db": float(level),
        "non_causal_db": -70.0,
    }
    return TakeFacts(**{**told, **changes})


GRID_HZ = np.geomspace(150.0, 11_000.0, 70)


def levels(facts: list[TakeFacts], seed: int = 6) -> NDArray[Any]:
    return 20 * np.log10(
        np.abs([sources(one.orbit or "horizontal", one.angle_deg or 0.0, GRID_HZ, seed) for one in facts])
    )


def orbits(across: list[float], upright: list[float]) -> list[TakeFacts]:
    return [fact("horizontal", a) for a in across] + [fact("vertical", a) for a in upright]


def told(facts: list[TakeFacts], level: NDArray[Any] | None = None, **more: Any) -> Any:
    return orbit_flags(facts, levels(facts) if level is None else level, GRID_HZ, **{"symmetric": True, **more})


@pytest.mark.parametrize("symmetric", [True, False])
def test_angles_that_are_missing(symmetric: bool) -> None:
    found: list[Any] = []
    for across, upright in (
        (EVEN, UPRIGHT),
        (EVEN[17:], UPRIGHT),
        (EVEN[3:], UPRIGHT[::2]),
        (EVEN[8:27], EVEN[8:27]),
        ([0.0], []),
        ([0.4, 180.3], [0.6, 179.4]),
    ):
        some = orbits(across, upright)
        for last in (90.0, 180.0):
            found.append(orbit_checks._missing(some, symmetric, last))
    near = [
        orbit_checks._near(np.array([10.0, -179.6]), angle) for angle in (9.05, 8.95, 10.99, 11.01, 180.0, 179.5, 179.3)
    ] + [orbit_checks._near(np.zeros(0), 0.0)]
    stands("reduce/placing", f"missing {symmetric}", [found, near])


@pytest.mark.parametrize("symmetric", [True, False])
def test_whole_orbits(symmetric: bool) -> None:
    some = orbits(EVEN, UPRIGHT)
    found: list[Any] = [
        told(some, symmetric=symmetric, **more)
        for more in ({}, {"heard_to_hz": 900.0}, {"heard_to_hz": 3900.0}, {"heard_to_hz": 4100.0}, {"half_space": True})
    ]
    doubled = [replace(one, impulse=some[3].impulse) if n in (8, 20, 50) else one for n, one in enumerate(some)]
    found.append(told(doubled, symmetric=symmetric))
    swapped = levels(some)
    swapped[[20, 25]] = swapped[[25, 20]]
    found.append(told(some, swapped, symmetric=symmetric))
    turned_round = levels([replace(one, angle_deg=180.0 - (one.angle_deg or 0.0)) for one in some])
    found.append(told(some, turned_round, symmetric=symmetric))
    loose = [*some, fact(None, None), fact("horizontal", None)]
    found.append(told(loose, symmetric=symmetric))
    stands("reduce/placing", f"orbits {symmetric}", found)
    with pytest.raises(ValueError, match="levels have shape"):
        told(some, levels(some)[1:])


def test_third_octaves_of_what_is_there() -> None:
    level = np.linspace(0, 30, 70)[None] * np.array([[1.0], [-1.0]])
    found: list[Any] = [
        third_octaves(level, GRID_HZ),
        third_octaves(level[:, :3], np.array([50.0, 60.0, 70.0])),
        third_octaves(level[:, :4], np.array([178.0, 224.0, 225.0, 17_900.0])),
        third_octaves(np.full((1, 2), -4000.0), np.array([200.0, 1000.0])),
    ]
    stands("reduce/placing", "third octaves", found)


def test_one_recording_under_two_names() -> None:
    some = orbits(EVEN[::3], UPRIGHT[::3])
    found: list[Any] = []
    rng = np.random.default_rng(7)
    for size in (0.0, 0.0005, 0.001, 0.0014, 0.002, 0.005, 0.01, 0.0138, 0.0145, 0.03):
        for symmetric in (True, False):
            noise = size * np.sqrt(np.mean(some[2].impulse ** 2)) * rng.normal(size=some[2].impulse.size)
            changed = [
                replace(one, impulse=some[2].impulse + noise) if n in (5, 7) else one for n, one in enumerate(some)
            ]
            found.append(orbit_checks._duplicates(changed, symmetric))
    other = [replace(some[0], impulse_rate_hz=48_000.0), *some[1:]]
    silent = [replace(one, impulse=0 * one.impulse) for one in some[:4]]
    short = [replace(one, impulse=one.impulse[:200]) if n % 2 else one for n, one in enumerate(some)]
    pair = [some[2], replace(some[7], impulse=some[2].impulse)]
    holed = [replace(one, impulse=np.append(one.impulse[:-1], 0.0)) for one in pair]
    found += [
        orbit_checks._duplicates(one, True)
        for one in (pair, holed, pair[:1], other, silent, silent[:1] + some[:1], short, some[:1])
    ]
    scaled = [
        replace(some[3], id="again", angle_deg=95.0, impulse=by * some[3].impulse) for by in (0.7, 0.9, 0.95, 1.0)
    ]
    found += [orbit_checks._duplicates([*some, one], True) for one in scaled]
    stands("reduce/placing", "duplicates", found)


@pytest.mark.parametrize("symmetric", [True, False])
def test_how_alike_directions_may_be(symmetric: bool) -> None:
    # About every limit, half a degree, 10.5 and 20.5 degrees, on both sides.
    some_deg = [
        0.0,
        0.47,
        0.53,
        9.97,
        10.0,
        10.47,
        10.53,
        -10.0,
        -10.47,
        -10.53,
        20.0,
        20.47,
        20.53,
        22.0,
        90.0,
        179.47,
        179.53,
        180.0,
    ]
    some = [fact("horizontal", a, count=16) for a in some_deg] + [
        fact("vertical", a, count=16) for a in [*some_deg, 30.0, -90.0]
    ]
    stands("reduce/placing", f"limits {symmetric}", orbit_checks._duplicate_limits(some, symmetric))


def test_rear_louder_than_the_front() -> None:
    some = [fact("horizontal", a, count=16) for a in (0.3, 90.0, 179.7)]
    rows, angles = [0, 1, 2], np.array([0.3, 90.0, 179.7])
    band_hz = np.array([200.0, 2000.0, 4999.0, 5001.0, 8000.0, 12_000.0])
    found: list[Any] = []
    for louder in (-3.0, 0.0, 0.5, 0.95, 1.0, 1.05, 1.5, 2.0, 2.9, 3.1, 5.9, 6.1, 12.0):
        bands = np.zeros((3, 6))
        bands[2] = louder + np.array([30.0, 20.0, 10.0, 1.0, 0.0, -1.0])
        found.append(orbit_checks._rear_louder(some, rows, angles, bands, band_hz))
    found += [
        orbit_checks._rear_louder(some, rows, angles, bands, band_hz / 10),
        orbit_checks._rear_louder(some, rows, angles + 0.6, bands, band_hz),
        orbit_checks._rear_louder(some, rows, angles - 0.4, bands, band_hz),
    ]
    stands("reduce/placing", "rear", found)


@pytest.mark.parametrize("step", [10, 15, 20, 30, 40])
def test_takes_that_fit_each_others_place(step: int) -> None:
    across = [float(a) for a in range(-180 + step, 181, step)]
    some = [fact("horizontal", a, count=16) for a in across]
    level = third_octaves(levels(some), GRID_HZ)[0]
    found: list[Any] = []
    for one, other in ((1, 3), (2, len(some) - 2), (0, 2), (4, 5)):
        for share in (0.0, 0.3, 0.7, 1.0):
            bands = level.copy()
            bands[one] += share * (level[other] - level[one])
            bands[other] += share * (level[one] - level[other])
            found.append(orbit_checks._swapped(some, range(len(some)), np.array(across), bands))
            half = slice(2, len(some) - 2)
            found.append(orbit_checks._swapped(some, range(2, len(some) - 2), np.array(across)[half], bands[half]))
    found += [orbit_checks._swapped(some[:n], range(n), np.array(across)[:n], level[:n]) for n in (5, 6)]
    found.append(orbit_checks._swapped(some, range(len(some)), np.array(across), level[:, :0]))
    stands("reduce/placing", f"swapped {step}", found)


def test_levels_by_the_others_are_a_cubic() -> None:
    angles = np.arange(-60.0, 61.0, 10.0)
    cubic = (angles / 30) ** 3 - angles / 20
    for at in range(13):
        got = orbit_checks._by_the_others(angles, cubic[:, None], at, (at, 5), False)
        if got is not None:
            assert got[0] == pytest.approx(cubic[at])
    found: list[Any] = [
        [orbit_checks._by_the_others(angles, cubic[:, None], at, out, closed) for at in (0, 1, 2, 6, 12)]
        for out in ((0, 1), (6, 7), (2, 11))
        for closed in (True, False)
    ]
    few = [orbit_checks._by_the_others(angles[:n], cubic[:n, None], 0, (0, 1), True) for n in (3, 4, 5, 6)]
    stands("reduce/placing", "by the others", [found, few])


def test_left_and_right() -> None:
    across = [float(a) for a in range(-170, 181, 10)]
    some = [fact("horizontal", a, count=16) for a in across]
    bands, band_hz = third_octaves(levels(some, seed=8), GRID_HZ)
    even = 0.5 * (bands[:-1] + bands[:-1][::-1])
    level = np.concatenate([even, bands[-1:]])
    found: list[Any] = []
    for apart in (0.0, 0.4, 0.6, 0.9, 1.0, 1.1, 1.5, 2.0, 3.0, 6.0):
        tilted = level + apart * np.sign(across)[:, None] / 2
        found.append(orbit_checks._asymmetry(some, tilted, band_hz))
        spike = level.copy()
        spike[20, 5] += apart
        found.append(orbit_checks._asymmetry(some, spike, band_hz))
    for offset in (0.4, 0.9, 1.1, 1.9, 2.1, 5.0, -3.0, 12.0):
        there = [fact("horizontal", a + offset, count=16) for a in across]
        found.append(orbit_checks._asymmetry(some, third_octaves(levels(there, seed=9), GRID_HZ)[0], band_hz))
    found += [
        orbit_checks._asymmetry(some[15:22], level[15:22], band_hz),
        orbit_checks._asymmetry(some[14:22], level[14:22], band_hz),
        orbit_checks._asymmetry(some, level, band_hz * 100),
    ]
    stands("reduce/placing", "left and right", found)


def test_angles_that_count_as_left_and_right() -> None:
    # Half a degree from the front on, up to half a degree beyond 60, and by half a degree alike on both sides.
    found: list[Any] = []
    band_hz = np.geomspace(250.0, 8000.0, 6)
    for angles in (
        [-60.47, -30.0, -10.0, 10.0, 30.0, 60.47],
        [-60.53, -30.0, -10.0, 10.0, 30.0, 60.53],
        [-30.0, -10.0, -0.47, 0.47, 10.0, 30.0],
        [-30.0, -10.0, -0.53, 0.53, 10.0, 30.0],
        [-30.0, -20.0, -10.0, 10.47, 20.0, 30.0],
        [-30.0, -20.0, -10.0, 10.53, 20.0, 30.0],
    ):
        some = [fact("horizontal", a, count=16) for a in angles]
        found.append(
            [
                [one.id, one.number, one.takes]
                for one in orbit_checks._asymmetry(some, np.sign(angles)[:, None] * np.ones(6), band_hz)
            ]
        )
    limits = []
    for low, high in ((198.0, 8099.0), (199.0, 8100.0), (200.0, 8101.0)):
        some = [fact("horizontal", a, count=16) for a in (-30.0, -20.0, -10.0, 10.0, 20.0, 30.0)]
        levels_db = np.sign([-1, -1, -1, 1, 1, 1])[:, None] * np.array([5.0, 0.6, 9.0])
        limits.append([one.number for one in orbit_checks._asymmetry(some, levels_db, np.array([low, 1000.0, high]))])
    stands("reduce/placing", "left and right counted", [found, limits])


def test_offsets_of_a_turntable() -> None:
    angles = np.arange(-90.0, 91.0, 10.0)
    found: list[Any] = []
    for true in (0.0, 0.3, -2.0, 5.0, 9.9, 10.5, -14.0):
        for rough in (0.0, 1.0, 5.0):
            level = (
                -0.002 * (angles - true)[:, None] ** 2 * np.array([1.0, 2.0]) + rough * np.sin(np.arange(19))[:, None]
            )
            found.append(angle_offset_deg(angles, level))
    found.append(angle_offset_deg(angles, np.zeros((19, 2))))
    for low, high, count in ((-61.0, 61.0, 7), (-60.0, 60.0, 7), (-59.9, 60.0, 7), (-60.0, 59.9, 7), (-90.0, 90.0, 6)):
        some = np.linspace(low, high, count)
        found.append(angle_offset_deg(some, -0.002 * some[:, None] ** 2))
    stands("reduce/placing", "offsets", found)
    # A parabola's own zero, to a tenth of a degree.
    assert angle_offset_deg(angles, -0.002 * (angles - 3.0)[:, None] ** 2) == pytest.approx(3.0, abs=0.06)


@pytest.mark.parametrize("step", [5, 10, 15, 20, 22.5, 30, 45])
def test_gains_between_orbits(step: float) -> None:
    count = round(360 / step)
    across = [180.0 - n * step for n in range(count)]
    found: list[Any] = []
    for gain in (-2.0, -0.6, -0.42, -0.3, 0.0, 0.2, 0.29, 0.31, 0.38, 0.42, 0.5, 0.75, 0.9, 1.1, 1.5, 3.0):
        for behind in (0.0, 0.3, 0.6):
            some = [fact("horizontal", a, count=16) for a in across]
            some += [
                fact("vertical", a, count=16, gain_db=gain + behind * (abs(a) > 90))
                for a in across
                if a not in (0.0, 180.0)
            ]
            found.append([[one.number, one.threshold, one.sentence] for one in gain_flags(some)])
    some = [fact("horizontal", a, count=16) for a in across]
    upright = [fact("vertical", a, count=16, gain_db=2.0) for a in across]
    cases = {
        "front": [*some, *[one for one in upright if abs(one.angle_deg or 0.0) < 90 and one.angle_deg]],
        "rear": [*some, *[one for one in upright if 90 < abs(one.angle_deg or 0.0) < 180]],
        "poles": [*some, *upright],
        "upright": upright,
        "across": some,
        "one side": [*some, *[one for one in upright if 0 < (one.angle_deg or 0.0) < 180]],
    }
    found += [[[one.number, one.takes, one.sentence] for one in gain_flags(case)] for case in cases.values()]
    orbit = {one.angle_deg or 0.0: one for one in upright if one.angle_deg not in (0.0, 180.0)}
    found += [orbit_checks._level_at(orbit, pole) for pole in (0.0, 180.0)]
    stands("reduce/placing", f"gains {step}", found)


def drivers(height: float, tweeter: str = "dome") -> list[Driver]:
    every = [
        ("low", "cone", 0.16, -height),
        ("mid", "cone", 0.129, -height / 2),
        ("small", "cone", 0.1, 0.0),
        ("top", tweeter, 0.025, 0.0),
    ]
    return [
        Driver.model_validate({"name": n, "kind": k, "diameter_m": d, "position_m": (0.0, 0.0, z)})
        for n, k, d, z in every
    ]


def upright_takes(true: float, angles: tuple[float, ...] = (-60.0, -40.0, -20.0, 20.0, 40.0, 60.0)) -> list[TakeFacts]:
    """A woofer that lies `true` below the tweeter, each in its band (closed form)."""
    found: list[Any] = []
    for angle in angles:
        hz = np.maximum(fft.rfftfreq(480, 1 / RATE), 1.0)
        low, high = 1 / (1 + (hz / 1500) ** 6), 1 / (1 + (1500 / hz) ** 6)
        turn = np.exp(-2j * np.pi * hz * true * np.sin(np.radians(angle)) / C)
        h = fft.irfft((low * turn + high) * np.exp(-2j * np.pi * hz * 5e-3), 480)
        found.append(fact("vertical", angle, impulse=h))
    return found


def test_vertical_angles_against_heights() -> None:
    found: list[Any] = []
    for stated in (0.0, 0.026, 0.027, 0.04, 0.1, 0.2, -0.2):
        for true in (-0.33, -0.2, -0.12, -0.06, -0.057, -0.053, 0.1, 0.2):
            found.append(
                [
                    [one.number, one.threshold, one.takes, one.sentence]
                    for one in mirrored_flags(upright_takes(true), drivers(stated), C)
                ]
            )
    for kind in ("horn", "ribbon", "other"):
        found.append([one.number for one in mirrored_flags(upright_takes(-0.2), drivers(0.2, kind), C)])
    for angles in (
        (-20.0, 20.0),
        (-14.9, 14.9, -40.0, 40.0),
        (-15.0, 15.0, -65.0, 65.0),
        (-66.0, 66.0, -40.0, 40.0),
        (-20.0, 20.0, 40.0, 60.0),
    ):
        found.append([one.takes for one in mirrored_flags(upright_takes(-0.2, angles), drivers(0.2), C)])
    uneven = [replace(one, impulse=one.impulse[:300]) if n == 0 else one for n, one in enumerate(upright_takes(-0.2))]
    found.append([one.takes for one in mirrored_flags(uneven, drivers(0.2), C)])
    found += [
        mirrored_flags(upright_takes(-0.2), drivers(0.2)[:3], C),
        mirrored_flags(upright_takes(-0.2), drivers(0.2)[3:], C),
    ]
    stands("reduce/placing", "mirrored", found)


def test_takes_that_started_at_another_moment() -> None:
    across = [float(a) for a in range(-60, 61, 15)]
    found: list[Any] = []
    for late in (5e-5, 2e-4, 2.8e-4, 2.95e-4, 3.05e-4, 3.2e-4, 3.4e-4, 5e-4, -2.9e-4, -3.1e-4, 3e-3):
        some = [fact("horizontal", a, late_s=late if n == 3 else 0.0, arrival_s=2.0 / C) for n, a in enumerate(across)]
        found.append([[one.number, one.takes, one.sentence] for one in late_flags(some)])
        lone = [fact("horizontal", a, late_s=late if n >= 3 else 0.0, arrival_s=2.0 / C) for n, a in enumerate(across)]
        found.append([one.takes for one in late_flags(lone)])
    for more in ((2, 5), (1, 3, 5, 7), (0,), (8,)):
        some = [
            fact("vertical", a, late_s=3e-4 * (n in more) * (1 + 0.1 * n), arrival_s=2.0 / C)
            for n, a in enumerate(across)
        ]
        found.append([[one.number, one.takes, one.sentence] for one in late_flags(some)])
    few = [fact("horizontal", a, late_s=3e-4 * (n == 2), arrival_s=2.0 / C) for n, a in enumerate(across[:5])]
    uneven = [replace(one, impulse=one.impulse[:200]) if n == 0 else one for n, one in enumerate(few)]
    found += [[one.takes for one in late_flags(case)] for case in (few, few[:4], uneven)]
    # What comes late against both sides by more than the limit, and by how much less on one side than on the other.
    pairs = (
        (3.6e-4, 6e-4),
        (3.6e-4, 8e-4),
        (8e-4, 3.6e-4),
        (6e-4, 3.6e-4),
        (-3.6e-4, -6e-4),
        (-8e-4, -3.6e-4),
        (3.6e-4, -3.6e-4),
    )
    for before, after in pairs:
        lean = [
            fact(
                "horizontal",
                a,
                late_s=(0.0, 0.0, before, before - after, before - after, before - after)[n],
                arrival_s=2.0 / C,
            )
            for n, a in enumerate(across[:6])
        ]
        found.append([[one.number, one.takes] for one in late_flags(lean)])
    stands("reduce/placing", "late", found)


def test_lags_between_takes() -> None:
    one = fact("horizontal", 0.0, count=400)
    found: list[Any] = []
    for late in (0.0, 1.7e-5, -2.3e-4, 1e-3, 3.9e-3, 4.1e-3, 5e-3):
        other = fact("horizontal", 0.0, count=400, late_s=late, arrival_s=2.0 / C + 0.5 * late)
        for band in ((100.0, 500.0), (300.0, 900.0), (3000.0, 9000.0)):
            found.append([orbit_checks._lag_s(other, one, band), orbit_checks._lag_s(other, one, band, arrival=True)])
    flat = replace(one, impulse=0 * one.impulse)
    found.append(orbit_checks._lag_s(flat, flat, (100.0, 500.0)))
    stands("reduce/placing", "lags", found, near_zero=1e-8)
    # A delay of a millisecond is one of a millisecond.
    assert orbit_checks._lag_s(fact("horizontal", 0.0, count=400, late_s=1e-3), one, (300.0, 900.0)) == pytest.approx(
        1e-3, abs=2e-6
    )
