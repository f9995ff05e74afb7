"""Waves solved from points, by rings, irregular points and kernels: frozen values of the program over small scans.

The values are the program's own ("frozen"). Closed cases: numpy's solvers of the same equations, the evidence's own
definitions, waves of one known source.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import golden_scan_worlds as worlds
import made_scan as made
import numpy as np
import pytest

from earwitness.errors import EarwitnessError
from earwitness.reduce.separate import dense_route, normal_equations, ring_route, solve
from earwitness.reduce.separate.dense_route import ComputeDevice, fit_points, order_cap
from earwitness.reduce.separate.field import Shell
from earwitness.reduce.separate.normal_equations import Fit, Regularization, Waves, loads, updated
from earwitness.reduce.separate.ring_route import fit_rings, order_caps, turned_rings
from earwitness.reduce.separate.sampling import Rings, find_rings
from golden_values import stands

SHELL = Shell(0.2, 0.43, 0.86)
HZ = np.array([150.0, 400.0, 700.0])


def of_fit(fit: Fit) -> list[Any]:
    rest = np.mean(np.abs(fit.residual) ** 2, axis=0)
    return [
        fit.shell,
        fit.order_out,
        fit.order_in,
        fit.outgoing,
        fit.incoming,
        fit.residual,
        rest,
        fit.evidence,
        fit.condition,
        fit.directions,
        fit.variance,
    ]


def test_one_step_of_the_evidence() -> None:
    rng = np.random.default_rng(1)
    found: list[Any] = []
    for points in (20.0, 200.0):
        for scale in (1e-25, 1e-3, 1.0):
            penalty = 10.0 ** rng.uniform(-9, 1, (6, 2))
            count = np.tile([[9.0, 16.0]], (6, 1))
            spread = count * rng.uniform(0.0, 1.2, (6, 2))
            energy = scale * 10.0 ** rng.uniform(-3, 3, (6, 2))
            found.append(updated(penalty, count, spread, energy, scale * rng.uniform(0.01, 3, 6), points))
    edge = updated(np.ones((2, 2)), np.ones((2, 2)), np.ones((2, 2)), np.array([[1e9, 1e-9]] * 2), np.ones(2), 10.0)
    none = updated(np.ones((1, 2)), np.ones((1, 2)), np.zeros((1, 2)), np.zeros((1, 2)), np.zeros(1), 10.0)
    stands("reduce/solvers", "evidence", [found, edge, none])


def test_evidence_by_its_definition() -> None:
    # MacKay 1992: noise = residual / (points - settled), penalty = noise times settled over energy.
    one = updated(
        np.ones((1, 2)), np.array([[6.0, 8.0]]), np.array([[2.0, 1.0]]), np.array([[5.0, 7.0]]), np.array([3.0]), 50.0
    )
    assert one.settled[0] == pytest.approx(11.0)
    assert one.noise_variance[0] == pytest.approx(3.0 / 39.0)
    assert one.penalty[0] == pytest.approx([3.0 / 39.0 * 4.0 / 5.0, 3.0 / 39.0 * 7.0 / 7.0])
    assert one.gcv[0] == pytest.approx(50.0 * 3.0 / 39.0**2)


def waves_of(matrix: np.ndarray) -> Waves:
    """Any matrix, as if each column were of a degree of its own."""
    return Waves(np.ones(matrix.shape), ((matrix, np.arange(matrix.shape[1])),))


@pytest.mark.parametrize("complex_too", [False, True])
@pytest.mark.parametrize("kept", ["all", "some"])
def test_normal_equations(complex_too: bool, kept: str) -> None:
    rng = np.random.default_rng(2)
    matrix = rng.normal(size=(40, 12)) * 10.0 ** rng.uniform(-1, 1, 12)
    if complex_too:
        matrix = matrix + 1j * rng.normal(size=(40, 12))
    matrix = np.asfortranarray(matrix)
    data = rng.normal(size=40) + 1j * rng.normal(size=40)
    rows = np.arange(40) if kept == "all" else np.arange(0, 40, 2)
    for n, penalty in enumerate((None, np.array([1e-2, 3.0]))):
        found = normal_equations.solve(waves_of(matrix), data, rows, 5, penalty)
        refined = normal_equations.solve(waves_of(matrix), data, rows, 5, penalty, single=True)
        stands(
            "reduce/solvers",
            f"normal equations {complex_too} {kept} {n}",
            replace(found, inverse=np.abs(found.inverse)),
        )
        used = matrix[rows]
        gram = used.conj().T @ used + np.diag(found.load)
        assert np.allclose(found.unknowns, np.linalg.solve(gram, used.conj().T @ data[rows]))
        scaled = found.inverse * found.scale[:, None] * found.scale
        assert np.allclose(scaled, np.linalg.inv(gram)[:5, :5])
        assert np.allclose(refined.unknowns, found.unknowns, atol=1e-9 * np.abs(found.unknowns).max())
        assert np.allclose(found.inverse_diagonal, np.linalg.inv(gram).diagonal().real)
        assert refined.condition == pytest.approx(found.condition, rel=1e-3)


def test_refinement_gives_up_where_single_precision_does_not_bear_it() -> None:
    rng = np.random.default_rng(3)
    data = rng.normal(size=30) + 1j * rng.normal(size=30)
    found: list[Any] = []
    for alike in (1.0, 3e-1, 1e-1, 3e-2, 1e-2, 3e-3, 1e-3, 3e-4, 1e-4, 1e-6):
        matrix = np.asfortranarray(1 + alike * np.random.default_rng(4).normal(size=(30, 6)))
        load = np.full(6, 1e-14)
        scale = 1 / np.sqrt(np.sum(matrix**2, axis=0) + load)
        refined = normal_equations._refined(waves_of(matrix), data, scale, load)
        direct = normal_equations._direct(waves_of(matrix), data, scale, load)
        assert direct is not None
        if refined is not None:
            assert np.allclose(refined[0], direct[0], atol=1e-6 * np.abs(direct[0]).max())
        found.append((refined is not None, alike))
    stands("reduce/solvers", "refused refinement", found)


def test_the_first_load_follows_the_diagonal() -> None:
    # A thousandth of the largest column, squared; 1e-14 of it beside every penalty.
    penalty, load = loads(np.array([1.0, 4.0, 2.0]), 2, None)
    assert penalty == pytest.approx([4e-6, 4e-6], rel=1e-12)
    assert load == pytest.approx(np.full(3, 4e-6 + 4e-14), rel=1e-12)
    penalty, load = loads(np.array([1.0, 4.0, 2.0]), 2, np.array([1e-13, 2e-13]))
    assert load == pytest.approx([1.4e-13, 1.4e-13, 2.4e-13], rel=1e-9)


def test_equations_that_are_not_positive_end_in_words() -> None:
    with pytest.raises(EarwitnessError, match="can't be solved"):
        normal_equations.solve(waves_of(np.ones((5, 2))), np.ones(5, dtype=complex), np.arange(5), 1, np.full(2, -2.0))


def test_orders_that_points_afford() -> None:
    stands(
        "reduce/solvers",
        "order caps",
        [[order_cap(count, incoming=way) for count in range(0, 700, 7)] for way in (True, False)],
    )
    # At least 1.5 times as many points as unknowns (docstring).
    assert order_cap(150, incoming=False) == 9
    assert order_cap(149, incoming=False) == 8
    assert order_cap(300, incoming=True) == 9
    assert order_cap(299, incoming=True) == 8


@pytest.mark.parametrize(("out", "into"), [((3, 4, 4), (3, 3, 5)), ((4, 5, 6), (-1, -1, -1)), ((2, 5, 3), (4, 2, 4))])
def test_irregular_points(out: tuple[int, ...], into: tuple[int, ...]) -> None:
    scan = worlds.in_a_room(worlds.two_spirals(), HZ, seed=5, room=0.0 if into[0] < 0 else 1.0)
    orders = np.array(out), np.array(into)
    left_out = np.zeros(len(scan.points_m), dtype=bool)
    for n, wrong in enumerate(([], [3, 50, 51])):
        left_out[wrong] = True
        found = fit_points(scan.points_m, scan.pressure, scan.k, SHELL, *orders, left_out)
        stands("reduce/solvers", f"points {out} {n}", of_fit(found))
    started = fit_points(scan.points_m, scan.pressure, scan.k, SHELL, *orders, left_out, penalty=np.array([1e-3, 1e-4]))
    once = fit_points(scan.points_m, scan.pressure, scan.k, SHELL, *orders, left_out, first_rounds=1)
    stands(
        "reduce/solvers", f"points {out} started", [started.outgoing, started.evidence, once.outgoing, once.evidence]
    )


@pytest.mark.parametrize("into", [3, -1])
@pytest.mark.parametrize("triangular", [False, True])
def test_a_device_solves_the_same(into: int, triangular: bool) -> None:
    def lower(factor: np.ndarray, right: np.ndarray, *, upper: bool) -> np.ndarray:
        assert not upper
        return np.linalg.solve(factor, right)

    space: Any = np
    if triangular:
        linear = SimpleNamespace(cholesky=np.linalg.cholesky, diagonal=np.linalg.diagonal, solve_triangular=lower)
        names = ("concat", "conj", "real", "max", "sum", "abs")
        space = SimpleNamespace(linalg=linear, **{name: getattr(np, name) for name in names})
    device = ComputeDevice("numpy", space, np.asarray, np.asarray)
    scan = worlds.in_a_room(worlds.two_spirals(60), HZ[:2], seed=6, room=float(into >= 0))
    left_out = np.zeros(len(scan.points_m), dtype=bool)
    for wrong in ([], [7]):
        left_out[wrong] = True
        told = (scan.points_m, scan.pressure, scan.k, SHELL, np.array([4, 5]), np.full(2, into), left_out)
        here, there = fit_points(*told), fit_points(*told, device=device)
        for name in ("outgoing", "incoming", "residual", "variance", "condition"):
            assert np.allclose(getattr(here, name), getattr(there, name), rtol=1e-6, atol=1e-9)
        assert np.allclose(here.evidence.penalty, there.evidence.penalty)


def test_the_variance_is_that_of_the_inverse() -> None:
    scan = worlds.in_a_room(worlds.two_spirals(60), HZ[1:2], seed=7)
    found = fit_points(
        scan.points_m, scan.pressure, scan.k, SHELL, np.array([3]), np.array([3]), np.zeros(127, dtype=bool)
    )
    assert found.directions.shape == (240, 3)
    stands("reduce/solvers", "variance", found.variance[:, 0])


def rings_of(kind: str) -> tuple[Rings, worlds.Real]:
    points = {
        "straight": worlds.two_rings(6, 10),
        "turned": worlds.turned_sphere(0.4, 10, 8),
        "turned nearly": worlds.turned_sphere(0.4, 10, 8, 0.497),
        "turned badly": worlds.turned_sphere(0.4, 10, 8, 0.46),
        "odd": worlds.turned_sphere(0.4, 8, 9),
        "mixed": np.concatenate([made.ring_sphere(0.36, 6, 12), made.ring_sphere(0.43, 5, 8), [[0.0, 0.0, 0.43]]]),
        "few turned": np.concatenate([worlds.turned_sphere(0.4, 2, 8), made.ring_sphere(0.36, 5, 8)]),
        "many turned": np.concatenate([worlds.turned_sphere(0.4, 4, 8), made.ring_sphere(0.36, 2, 8)]),
        "wide": worlds.turned_sphere(0.4, 4, 24),
    }[kind]
    found = find_rings(points)
    assert found is not None, kind
    return found, points


KINDS = ("straight", "turned", "turned nearly", "turned badly", "odd", "mixed", "few turned", "many turned", "wide")


@pytest.mark.parametrize("kind", KINDS)
def test_rings(kind: str) -> None:
    rings, points = rings_of(kind)
    sign = turned_rings(rings)
    caps = [order_caps(rings, incoming=True), order_caps(rings, incoming=False)]
    stands(
        "reduce/solvers",
        f"rings {kind}",
        [sign, caps, ring_route._waves_of(3, None), ring_route._waves_of(5, 8), ring_route._waves_of(2, 8)],
    )
    free = worlds.in_a_room(points, HZ, seed=8, room=0.0)
    left_out = np.zeros(len(points), dtype=bool)
    for n, wrong in enumerate(([], [2, 11, 12])):
        left_out[wrong] = True
        for order in ((2, 3, 3), (4, 5, 5)):
            top = np.minimum(order, caps[1])
            found = fit_rings(rings, free.pressure, free.k, SHELL, top, np.full(3, -1), left_out)
            stands("reduce/solvers", f"rings {kind} free {n} {order}", [*of_fit(found)[3:9], found.variance])
    heard = worlds.in_a_room(points, HZ, seed=9)
    into = np.minimum([2, 3, 3], caps[0])
    found = fit_rings(rings, heard.pressure, heard.k, SHELL, np.minimum([2, 2, 3], caps[0]), into, left_out)
    stands("reduce/solvers", f"rings {kind} room", [*of_fit(found)[3:9], found.variance])
    more = fit_rings(
        rings, heard.pressure, heard.k, SHELL, np.minimum([2, 2, 3], caps[0]), into, left_out, evidence_rounds=4
    )
    stands("reduce/solvers", f"rings {kind} more", [more.outgoing, more.evidence])


def test_share_of_rings_that_are_turned() -> None:
    found: list[Any] = []
    for turned in range(11):
        start = np.where(np.arange(10) < turned, np.pi / 8, 0.0)
        rings = Rings(
            (0, 1, 2), np.full(10, 0.4), np.linspace(-0.9, 0.9, 10), np.full(10, 8), start, np.zeros((10, 8), dtype=int)
        )
        found.append(turned_rings(rings))
        for off in (0.045, 0.0499, 0.0505, 0.06):
            # |e^(-j 8 d) - 1| = 2 sin(4 d) by so much.
            aside = replace(rings, start_rad=start + np.arange(10) % 2 * np.arcsin(off / 2) / 4)
            found.append(turned_rings(aside) is None)
    single = Rings(
        (0, 1, 2),
        np.full(3, 0.4),
        np.array([-0.5, 0.0, 0.5]),
        np.array([8, 8, 6]),
        np.zeros(3),
        np.zeros((3, 8), dtype=int),
    )
    stands(
        "reduce/solvers",
        "turned shares",
        [found, turned_rings(single), turned_rings(replace(single, count=np.full(3, 7)))],
    )


def test_orders_that_rings_afford() -> None:
    found: list[Any] = []
    for heights in (1, 2, 3, 9, 25, 30, 50):
        for count in (1, 2, 7, 8, 24, 25):
            start = np.arange(heights) % 2 * np.pi / count
            rings = Rings(
                (0, 1, 2),
                np.full(heights, 0.4),
                np.linspace(-0.9, 0.9, heights),
                np.full(heights, count),
                start,
                np.zeros((heights, count), dtype=int),
            )
            plain = replace(rings, start_rad=0 * start)
            found.append([order_caps(one, incoming=way) for one in (rings, plain) for way in (True, False)])
    stands("reduce/solvers", "ring caps", found)


def test_a_source_on_rings_comes_back() -> None:
    # The far field of e^(-jkr)/r beside the middle, analytic.
    points = worlds.two_rings(10, 18)
    rings = find_rings(points)
    assert rings is not None
    k = np.array([2.0, 4.0])
    source = np.array([[0.03, 0.02, -0.04]])
    data = made.monopoles(points, source, made.NEAR_STRENGTH[:1], k)
    found = fit_rings(rings, data, k, SHELL, np.full(2, 7), np.full(2, 4), np.zeros(len(points), dtype=bool))
    assert np.abs(found.residual).max() < 1e-4 * np.abs(data).max()
    assert np.abs(found.incoming).max() < 1e-3 * np.abs(found.outgoing).max()


def test_coefficients_of_the_real_pair() -> None:
    rng = np.random.default_rng(11)
    y = rng.normal(size=(3, 9)) + 1j * rng.normal(size=(3, 9))
    j = rng.normal(size=(3, 16)) + 1j * rng.normal(size=(3, 16))
    k = np.array([2.0, 5.0, 9.0])
    found: list[Any] = [
        ring_route.from_real_pair(y, j, k, SHELL, np.array(order)) for order in ([3, 2, 1], [0, -1, 3], [-1, -1, -1])
    ]
    found.append(ring_route.from_real_pair(y, j[:, :4], k, SHELL, np.array([1, 1, 0])))
    stands("reduce/solvers", "real pair", found)


@pytest.mark.parametrize("kind", ["rings", "points"])
def test_a_scan_takes_its_route(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(solve, "accelerator", lambda: None)
    points = np.roll(worlds.two_rings(6, 10), 1, axis=1) if kind == "rings" else worlds.two_spirals(60)
    scan = solve.scan_about(points + np.array([0.1, 0.0, 0.0]), np.array([0.1, 0.0, 0.0]))
    plain = solve.scan_about(points, np.zeros(3), look_for_rings=False)
    heard = worlds.in_a_room(points, HZ, seed=10)
    found: list[Any] = [scan.route, scan.axes, scan.points_m, plain.route, plain.axes]
    left_out = np.zeros(len(points), dtype=bool)
    for incoming in (True, False):
        for shell in (SHELL, Shell(0.05, 0.43, 0.86)):
            orders = solve.affordable_orders(scan, heard.k, shell, len(points), incoming=incoming)
            found.append(
                [orders, solve.affordable_orders(scan, heard.k, shell, 40, incoming=incoming, beyond_source=1)]
            )
            fit = solve.fit_scan(scan, heard.pressure, heard.k, shell, orders, left_out)
            found += [fit.outgoing, fit.evidence.penalty, fit.evidence.noise_variance]
        more = solve.fit_scan(
            scan, heard.pressure, heard.k, shell, orders, left_out, penalty=np.array([1e-3, 1e-3]), evidence_rounds=5
        )
        found += [more.outgoing, more.evidence.penalty]
    stands("reduce/solvers", f"scan {kind}", found, relative=1e-4)


@pytest.mark.parametrize("cores", [None, 1, 4, 5, 64])
def test_single_precision_serves_few_cores(cores: int | None, monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[bool] = []
    monkeypatch.setattr("os.cpu_count", lambda: cores)
    monkeypatch.setattr(solve, "accelerator", lambda: None)
    monkeypatch.setattr(dense_route, "fit_points", lambda *_, single, **__: told.append(single))
    scan = solve.scan_about(worlds.two_spirals(20), np.zeros(3))
    solve.fit_scan(
        scan, np.zeros((47, 1), complex), np.ones(1), SHELL, (np.ones(1, int), np.ones(1, int)), np.zeros(47, bool)
    )
    assert told == [(cores or 1) <= 4]


def test_what_a_state_holds() -> None:
    one = Regularization(np.ones((2, 2)), np.ones(2), np.ones(2), np.ones(2))
    stands("reduce/solvers", "state", one)
