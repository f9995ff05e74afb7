"""Points that can't be used and separation as a whole: frozen values of the program over small scans with faults.

The values are the program's own ("frozen"). Closed cases: counts of points by their limits, runs of frequencies.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import golden_scan_worlds as worlds
import made_scan as made
import numpy as np
import pytest

from earwitness.errors import InputError
from earwitness.quantities import FrequencyAxis
from earwitness.reduce.separate import robust, separation, solve
from earwitness.reduce.separate.field import Part, SeparatedField, Shell
from earwitness.reduce.separate.normal_equations import Fit, Regularization
from earwitness.reduce.separate.robust import (
    BadPoint,
    Points,
    contradicted,
    first_visits,
    scan_of_visits,
    stands_out,
    usable_points,
)
from earwitness.reduce.separate.separation import Quality, Separation, combined, longest_run, separate
from earwitness.reduce.separate.solve import scan_about
from golden_values import stands

HZ = np.array([100.0, 180.0, 300.0, 420.0])
RINGS, SPIRALS = worlds.two_rings(7, 12), worlds.two_spirals(75)
CABINET = (0.12, 0.16, 0.14)
SHELL = Shell(0.2, 0.43, 0.86)
MIDDLE = np.zeros(3)


@pytest.fixture(autouse=True)
def _on_the_processor(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(solve, "accelerator", lambda: None)
    monkeypatch.setattr("os.cpu_count", lambda: 64)


def checked(points: worlds.Real, pressure: worlds.Complex | None = None, hz: worlds.Real = HZ, **more: Any) -> Any:
    heard = np.ones((len(points), hz.size), dtype=complex) if pressure is None else pressure
    told = {"cabinet_m": CABINET, "cabinet_center_m": MIDDLE, "one_surface_is_enough": False, **more}
    try:
        found = usable_points(points, heard, hz, **told)
    except InputError as error:
        return str(error)
    return [len(found.points_m), found.rows, found.bad, found.pressure.shape]


def test_points_that_can_be_used() -> None:
    one = made.spiral_sphere(0.4, 100)
    found: dict[str, Any] = {
        "all": checked(SPIRALS),
        "one surface": checked(one),
        "enough": checked(one, one_surface_is_enough=True),
    }
    found["no cabinet"] = checked(SPIRALS, cabinet_m=None)
    for count in (74, 75, 76):
        found[f"count {count}"] = checked(made.spiral_sphere(0.4, count), one_surface_is_enough=True)
    for scale in (0.02, 0.0254, 0.03, 45.0, 49.0, 51.0, 54.0, 1000.0):
        found[f"scale {scale}"] = checked(scale * SPIRALS, cabinet_m=None)
    for side in (0.0, -0.1, np.nan, 19.0, 21.0, 0.1):
        found[f"side {side}"] = checked(40.0 * SPIRALS, cabinet_m=(0.1, side, 0.2))
    for gap in (0.01, 0.02, 0.024, 0.0245, 0.025, 0.026, 0.03):
        found[f"gap {gap}"] = checked(np.concatenate([one, (1 + gap) * one]))
    for height in (0.7, 0.75, 0.9):
        found[f"inside {height}"] = checked(SPIRALS, cabinet_m=(0.5, height, 0.5))
        found[f"beside {height}"] = checked(
            SPIRALS, cabinet_m=(0.2, height, 0.3), cabinet_center_m=np.array([0.1, 0.05, 0.1])
        )
    stands("reduce/robust", "usable", found)


def test_points_without_numbers() -> None:
    found: dict[str, Any] = {}
    for lost in (0, 1, 30, 31, 32, 40):
        heard = np.ones((157, 4), dtype=complex)
        heard[:lost:2, 1] = np.nan
        heard[1:lost:2] = 0.0
        found[f"lost {lost}"] = checked(SPIRALS, heard)
        places = SPIRALS.copy()
        places[:lost, 2] = np.inf
        found[f"places {lost}"] = checked(places)
    found["shapes"] = [
        checked(SPIRALS[:, :2]),
        checked(SPIRALS[0]),
        checked(SPIRALS, np.ones((157, 3), complex)),
        checked(SPIRALS, np.ones((157, 0), complex), HZ[:0]),
    ]
    for hz in (
        [100.0, 100.0, 300.0, 400.0],
        [0.0, 1.0, 2.0, 3.0],
        [-1.0, 1.0, 2.0, 3.0],
        [1.0, np.nan, 2.0, 3.0],
        [3.0, 2.0, 1.0, 0.5],
    ):
        found[f"hz {hz}"] = checked(SPIRALS, hz=np.array(hz))
    for apart in (0.0, 9.5e-5, 1.05e-4):
        doubled = np.concatenate([SPIRALS, SPIRALS[:9] + np.array([apart, 0.0, 0.0])])
        found[f"doubled {apart}"] = checked(doubled)
        found[f"revisited {apart}"] = checked(
            np.concatenate([RINGS, np.tile([[0.5, 0.0, 0.1]], (4, 1)) + [[0.0, 0.0, apart * n] for n in range(4)]])
        )
    stands("reduce/robust", "without numbers", found)


def test_visits() -> None:
    points = np.array([[0.0, 0, 0], [1, 0, 0], [0, 0, 0.9e-4], [0, 0, 1.9e-4], [1, 0, 0], [2, 0, 0], [1, 0, 5e-5]])
    found: list[Any] = [first_visits(points, within) for within in (1e-4, 1e-3, 1e-6)]
    again = np.concatenate([RINGS, RINGS[:3]])
    beside = np.concatenate([RINGS, [[0.5, 0.0, 0.1]] * 3])
    lone = np.concatenate([RINGS, [[0.5, 0.0, 0.1]]])
    both = np.concatenate([beside, RINGS[5:6]])
    irregular = np.concatenate([SPIRALS, [[0.5, 0.0, 0.1]] * 3])
    for one in (again, beside, lone, both, irregular, np.array([[0.1, 0.2, 0.3]] * 4)):
        for middle in (MIDDLE, np.array([0.01, 0.0, 0.0])):
            found.append(np.flatnonzero(~scan_of_visits(one, first_visits(one, 1e-4), middle)))
    stands("reduce/robust", "visits", found)


def test_points_whose_residual_stands_out() -> None:
    rng = np.random.default_rng(2)
    pressure: Any = np.ones((157, 26), dtype=complex) * np.linspace(1.0, 2.0, 157)[:, None]
    found: dict[str, Any] = {}
    for size in (2e-3, 9e-3, 0.0097, 0.0103, 0.012, 0.1, 0.5):
        rest: Any = 1e-4 * np.ones((157, 26)) * np.exp(2j * np.pi * rng.uniform(size=(157, 26)))
        rest[7] = size * pressure[7]
        rest[40, :5] = 4 * size
        left_out = np.zeros(157, dtype=bool)
        for trusted in (np.ones(26, dtype=bool), np.arange(26) < 9, np.arange(26) < 3, np.zeros(26, dtype=bool)):
            found[f"{size} {trusted.sum()}"] = np.flatnonzero(stands_out(SPIRALS, pressure, rest, left_out, trusted))
    for times in (4.0, 4.9, 5.1, 6.0):
        rest = 0.05 * np.exp(2j * np.pi * rng.uniform(size=(157, 26))) * np.linspace(1, 3, 157)[:, None]
        rest[[7, 90]] *= times
        left_out = np.isin(np.arange(157), [90, 3])
        found[f"times {times}"] = np.flatnonzero(stands_out(SPIRALS, pressure, rest, left_out, np.ones(26, dtype=bool)))
    uneven: Any = 0.05 * np.exp(rng.normal(size=(157, 26)))
    uneven[::3] *= 6.0
    found["uneven"] = np.flatnonzero(stands_out(SPIRALS, pressure, uneven, left_out, np.ones(26, dtype=bool)))
    found["few"] = np.flatnonzero(
        stands_out(SPIRALS[:12], pressure[:12], uneven[:12], np.zeros(12, dtype=bool), np.ones(26, dtype=bool))
    )
    stands("reduce/robust", "stands out", found)


def faulty(
    points: worlds.Real, kind: str, *, size: float = 1.0, count: int = 3, hz: worlds.Real = HZ
) -> worlds.SmallScan:
    scan = worlds.in_a_room(points, hz, seed=11, loud=0.003)
    rows = np.random.default_rng(12).permutation(len(points))[:count]
    data = scan.pressure.copy()
    if kind == "gain":
        data[rows] *= 1 + size
    elif kind == "delay":
        data[rows] *= np.exp(-2j * np.pi * hz * 1e-3 * size)
    elif kind == "sign":
        data[rows] *= -1
    return worlds.SmallScan(points, data, hz, tuple(sorted(int(row) for row in rows)))


@pytest.mark.parametrize("kind", ["rings", "spirals"])
def test_points_that_all_others_contradict(kind: str) -> None:
    points = RINGS if kind == "rings" else SPIRALS
    found: dict[str, Any] = {}
    count = HZ.size
    for fault, size, wrong in (
        ("gain", 0.0, 3),
        ("gain", 0.1, 3),
        ("gain", 0.5, 3),
        ("gain", 0.5, 24),
        ("gain", 3.0, 30),
        ("sign", 1.0, 20),
        ("delay", 0.3, 5),
    ):
        scan = faulty(points, fault, size=size, count=wrong)
        state = Regularization(
            np.full((count, 2), 1e-5), np.full(count, 1e-4), np.full(count, 30.0), np.full(count, 1e-4)
        )
        for orders in ((3, 3), (4, 2), (5, 5), (6, 5)):
            both = np.full(count, orders[0]), np.array([orders[1]] * 3 + [6])
            trusted = np.array([True, True, False, True])
            told = contradicted(scan.points_m, scan.pressure, scan.k, SHELL, both, state, trusted)
            found[f"{fault} {size} {wrong} {orders}"] = np.flatnonzero(told)
    nothing = contradicted(points, scan.pressure, scan.k, SHELL, (np.full(4, 20), np.full(4, 20)), state, trusted)
    found["too many unknowns"] = nothing.any()
    stands("reduce/robust", f"contradicted {kind}", found)


def of_separation(one: Separation) -> list[Any]:
    parts = [
        [
            part.rows,
            part.weight,
            part.center_m,
            part.axes,
            part.shell,
            part.inner_radius_m,
            part.outgoing,
            part.order,
            part.variance,
            part.remainder,
        ]
        for part in one.field.parts
    ]
    return [
        parts,
        one.quality,
        one.route,
        one.body,
        one.bad_points,
        one.centers,
        one.valid_band_hz,
        one.field.valid,
        one.field.reference_m,
    ]


CASES: dict[str, tuple[Any, dict[str, Any]]] = {
    "rings": (RINGS, {}),
    "spirals": (SPIRALS, {}),
    "unknown": (RINGS, {"cabinet_m": None}),
    "sphere": (RINGS, {"body": "sphere"}),
    "ball": (RINGS, {"body": "sphere", "sphere_radius_m": 0.15}),
    "none": (RINGS, {"body": "none"}),
    "noisy": (RINGS, {"noise_rms": np.array([1e-3, 0.05, 0.3, 2.0])}),
    "tall": (RINGS, {"cabinet_m": (0.1, 0.78, 0.1), "body": "sphere"}),
    "moved": (
        RINGS + np.array([0.1, 0.02, -0.05]),
        {"cabinet_center_m": (0.1, 0.02, -0.05), "reference_m": (0.2, 0.0, 0.0), "body": "sphere"},
    ),
}


@pytest.mark.parametrize("name", list(CASES))
@pytest.mark.parametrize("fault", ["none", "gain"])
def test_separation(name: str, fault: str) -> None:
    points, changes = CASES[name]
    scan = faulty(points - changes.get("cabinet_center_m", MIDDLE), fault, count=4)
    told = {"cabinet_m": CABINET, "speed_of_sound": made.SPEED_M_S, **changes}
    found = separate(points, scan.pressure, HZ, **told)
    stands("reduce/robust", f"separation {name} {fault}", of_separation(found), relative=1e-4)
    if fault == "gain" and name in ("rings", "spirals"):
        assert set(scan.wrong) <= {bad.row for bad in found.bad_points}


def test_too_many_wrong_points_are_refused() -> None:
    told: list[Any] = []
    for count in (14, 15, 16):
        try:
            separation._refuse_many(np.arange(100) < count)
            told.append(True)
        except InputError:
            told.append(False)
    assert told == [True, True, False]


def test_points_beyond_the_orders_that_a_near_driver_lacks() -> None:
    scan = scan_about(SPIRALS, MIDDLE)
    rng = np.random.default_rng(13)
    found: list[Any] = []
    for order in (1, 3, 6):
        for size in (0.005, 0.05, 0.3, 0.39, 0.41, 0.9):
            rest = size * np.ones((157, 4)) * rng.uniform(0.9, 1.1, (157, 4))
            state = Regularization(np.ones((4, 2)), np.ones(4), np.ones(4), np.ones(4))
            fit = Fit(
                SHELL,
                np.full(4, order),
                np.full(4, -1),
                np.zeros((4, 1), dtype=complex),
                np.zeros((4, 1), dtype=complex),
                np.asarray(rest, dtype=complex),
                state,
                np.ones(4),
                np.zeros((1, 3)),
                np.ones((1, 4)),
            )
            found.append(
                separation._beyond_orders(
                    scan, np.ones((157, 4), complex), fit, np.array([True, True, True, False])
                ).sum()
            )
    stands("reduce/robust", "beyond orders", found)


def test_centers_that_the_data_tell() -> None:
    k = np.linspace(3.0, 14.0, 7)
    found: list[Any] = []
    for source in ([0.0, 0.0, 0.0], [0.06, 0.02, -0.1], [0.0, 0.3, 0.0]):
        heard = made.monopoles(SPIRALS, np.array([source]), made.NEAR_STRENGTH[:1], k)
        heard = heard + worlds.noise(heard.shape, 0.01, 14)
        for half in ([0.1, 0.1, 0.15], [0.0, 0.0, 0.0], [0.0, 0.0, 0.05]):
            found.append(separation.search_center(SPIRALS, heard, k, np.array([0.0, 0.01, 0.0]), np.array(half)))
    few = separation.search_center(SPIRALS[:20], heard[:20], k, MIDDLE, np.full(3, 0.1))
    residual = [
        separation._residual(SPIRALS - [0.0, 0.02, 0.0], heard[:, :3], k[:3]),
        separation._residual(SPIRALS[:12], heard[:12], k),
    ]
    stands("reduce/robust", "centers", [found, few, residual], relative=1e-4)


def test_many_points_are_thinned_for_the_search() -> None:
    k = np.array([5.0, 9.0])
    found: list[Any] = []
    for count in (699, 700, 1399, 1400, 1401):
        points = made.spiral_sphere(0.4, count)
        heard = made.monopoles(points, np.array([[0.03, 0.0, 0.0], [0.0, 0.1, 0.0]]), np.array([1.0, 0.5]), k)
        found.append(separation.search_center(points, heard, k, MIDDLE, np.zeros(3)))
    stands("reduce/robust", "thinned", found, relative=1e-4)


def test_shells() -> None:
    found: list[Any] = []
    for points in (RINGS, SPIRALS * 0.5):
        for cabinet in (None, (0.1, 0.2, 0.3), (0.1, 0.7, 0.3), (0.1, 0.71, 0.1)):
            shell = separation.shell_of(scan_about(points, MIDDLE), cabinet)
            k = np.linspace(1.0, 20.0, 40)
            found.append(
                [
                    shell,
                    separation.beyond_source(shell, cabinet),
                    [
                        separation.resolved_by(k, shell, np.full(40, out), np.full(40, into))
                        for out, into in ((5, 5), (5, -1), (9, 3))
                    ],
                ]
            )
    edge = Shell(0.2, 0.4, 0.8)
    at = np.array([14.9, 15.0, 15.1])
    found.append(
        [
            separation.resolved_by(at, edge, np.full(3, 5), np.full(3, 6)),
            separation.resolved_by(at, edge, np.full(3, 6), np.full(3, 0)),
            separation.resolved_by(np.array([0.0, 1.0]), edge, np.full(2, 2), np.full(2, 0)),
        ]
    )
    stands("reduce/robust", "shells", found)


def test_unseen_points_and_runs() -> None:
    stands("reduce/robust", "unseen", [np.flatnonzero(separation.unseen_points(count)) for count in (1, 9, 10, 11, 60)])
    hz = np.arange(1.0, 11.0)
    assert longest_run(hz, np.zeros(10, dtype=bool)) is None
    assert longest_run(hz, np.array([1, 0, 1, 1, 0, 0, 0, 1, 1, 0], dtype=bool)) == (3.0, 4.0)
    assert longest_run(hz, np.array([0, 0, 0, 1, 0, 0, 1, 1, 1, 1], dtype=bool)) == (7.0, 10.0)
    assert longest_run(hz, np.ones(10, dtype=bool)) == (1.0, 10.0)


def quality(seed: int, count: int, valid: worlds.Real, u: worlds.Real) -> Quality:
    rng = np.random.default_rng(seed)
    real = {
        name: rng.uniform(-40, -10, count)
        for name in ("residual_db", "leave_out_db", "condition", "tail_db", "settled", "gcv_db", "scattered_db")
    }
    return Quality(
        **real,
        order_out=np.full(count, seed),
        order_in=np.full(count, -seed),
        u_db=u,
        resolved=valid.astype(bool),
        valid=valid.astype(bool),
    )


def half(seed: int, hz: worlds.Real, valid: worlds.Real, u: worlds.Real) -> Separation:
    rows = np.arange(hz.size)
    part = Part(
        rows=rows,
        weight=np.ones(hz.size),
        center_m=np.full(3, 0.01 * seed),
        axes=(0, 1, 2),
        shell=SHELL,
        inner_radius_m=0.1,
        outgoing=np.ones((hz.size, 1), complex),
        order=0 * rows,
        directions=np.eye(3),
        variance=np.ones((3, hz.size)),
        remainder=None,
    )
    field = SeparatedField(FrequencyAxis(hz), 343.0, MIDDLE, (part,), valid.astype(bool))
    bad = (BadPoint(seed, "a"), BadPoint(9, f"of {seed}"))
    return Separation(
        field, quality(seed, hz.size, valid, u), "points", "box", bad, (), longest_run(hz, valid.astype(bool))
    )


@pytest.mark.parametrize("steps", [3, 12])
def test_separated_and_gated_sound_are_joined(steps: int) -> None:
    hz = 100.0 * 2 ** (np.arange(4 * steps) / steps)
    x = np.linspace(0.0, 1.0, hz.size)
    found: list[Any] = []
    for low_valid, high_valid in (
        (x < 0.8, x > 0.2),
        (x < 0.5, x > 0.52),
        (x < 0.4, x > 0.6),
        (x >= 0, x >= 0),
        (x < 0, x >= 0),
        (x >= 0, x < 0),
    ):
        low = half(1, hz, low_valid, 0.1 + 2 * x)
        high = half(2, hz, high_valid, 1.5 - x)
        one = combined(low, high, gate_u_db=np.full(hz.size, 0.3))
        found.append(
            [one.joint_hz, of_separation(one.separation)[1:], [part.weight for part in one.separation.field.parts]]
        )
    stands("reduce/robust", f"joined {steps}", found)
    with pytest.raises(InputError):
        combined(low, half(2, hz * 1.01, high_valid, x), gate_u_db=x)


def test_quality_at_its_limits() -> None:
    hz = np.linspace(100.0, 900.0, 9)
    k = 2 * np.pi * hz / 343.0
    rng = np.random.default_rng(15)
    part = Part(
        rows=np.arange(9),
        weight=np.ones(9),
        center_m=MIDDLE,
        axes=(0, 1, 2),
        shell=SHELL,
        inner_radius_m=0.2,
        outgoing=np.asarray(rng.normal(size=(9, 9)), dtype=complex),
        order=np.full(9, 2),
        directions=np.eye(3),
        variance=np.full((3, 9), 1e-3),
        remainder=None,
    )
    field = SeparatedField(FrequencyAxis(hz), 343.0, MIDDLE, (part,), np.ones(9, dtype=bool))
    pressure = np.ones((10, 9), dtype=complex)
    left_db = np.array([-30.0, -15.4, -15.0 - 1e-9, -14.6, -13.0, -30.0, -30.0, -30.0, -30.0])
    rest = np.asarray(10 ** (left_db / 20) * pressure, dtype=complex)
    condition = np.array([1.0, 1.0, 1.0, 1.0, 1.0, 960.0, 1000.0, 1001.0, 1040.0])
    state = Regularization(np.ones((9, 2)), np.ones(9), np.full(9, 7.0), np.linspace(0.0, 1.0, 9))
    fit = Fit(
        SHELL,
        np.arange(9) % 3,
        np.full(9, -1),
        part.outgoing,
        np.zeros((9, 1), dtype=complex),
        rest,
        state,
        condition,
        np.eye(3),
        part.variance,
    )
    kept = np.arange(10) < 7
    found = separation.quality_of(
        field, fit, pressure, kept, k, leave_out_db=left_db, resolved=np.arange(9) != 5, scattered_db=left_db
    )
    silent = separation.quality_of(
        field,
        replace(fit, residual=np.zeros_like(rest)),
        0 * pressure,
        kept,
        k,
        leave_out_db=left_db,
        resolved=np.arange(9) != 5,
        scattered_db=left_db,
    )
    stands(
        "reduce/robust",
        "quality",
        [
            found,
            silent.residual_db,
            separation._share_db(part, k, 0.3 * part.outgoing),
            separation._share_db(part, k, 0 * part.outgoing),
        ],
    )


def test_leaving_out_every_tenth_point() -> None:
    scan = faulty(SPIRALS, "gain", count=1, hz=np.geomspace(80.0, 500.0, 13))
    about = scan_about(SPIRALS, MIDDLE)
    bad = np.zeros(157, dtype=bool)
    bad[list(scan.wrong)] = True
    orders = np.full(13, 4), np.full(13, 3)
    stands(
        "reduce/robust",
        "leave out",
        separation.leave_out(about, scan.pressure, scan.k, SHELL, orders, bad),
        relative=1e-4,
    )


def test_points_keep_their_rows() -> None:
    one = Points(SPIRALS[:2], np.ones((2, 1), complex), np.array([3, 5]), (BadPoint(1, "x"),))
    stands(
        "reduce/robust",
        "points",
        [one, robust.usable_rows(SPIRALS[:3], np.array([[1.0, 0.0], [0.0, 0.0], [np.nan, 1.0]]) + 0j)],
    )
