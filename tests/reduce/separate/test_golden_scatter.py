"""What a cabinet scatters of the room's sound: frozen values of both rigid models over small waves.

The values are the program's own ("frozen"). Closed cases: Lagrange's weights that add to 1, areas and normals of a box,
a cube near its sphere of equal volume at low frequencies, barycentric interpolation between a few radii.
"""

from __future__ import annotations

from typing import Any

import golden_scan_worlds as worlds
import numpy as np
import pytest

from earwitness.dsp.spherical import regular_waves
from earwitness.reduce.separate import scatter
from earwitness.reduce.separate.field import Shell
from earwitness.reduce.separate.normal_equations import Fit, Regularization
from earwitness.reduce.separate.scatter import (
    BodyDoubt,
    Box,
    box_scattered,
    one_frequency,
    scattered_of,
    scatterer_of,
    sphere_scattered,
)
from earwitness.reduce.separate.solve import Scan
from golden_values import stands

SHELL = Shell(0.12, 0.4, 0.8)
BOX = Box(np.array([0.1, 0.08, 0.13]), np.array([0.01, -0.02, 0.015]))


def incoming(frequencies: int, order: int, seed: int = 1) -> worlds.Complex:
    return worlds.noise((frequencies, (order + 1) ** 2), 1.0, seed)


@pytest.mark.parametrize(("order_in", "order_out"), [(0, 2), (3, 2), (2, 4)])
def test_spheres(order_in: int, order_out: int) -> None:
    k = np.array([0.01, 0.5, 6.0, 40.0])
    found: list[Any] = [sphere_scattered(incoming(4, order_in), k, SHELL, radius, order_out) for radius in (0.02, 0.1)]
    far = sphere_scattered(incoming(4, order_in), 1e-30 * k, SHELL, 0.1, order_out)
    stands("reduce/scatter", f"sphere {order_in} {order_out}", [found, np.abs(far) > 0])


def test_nodes() -> None:
    found: list[Any] = []
    for count in (1, 3, 7, 8, 9, 30, 80):
        for top in (1.5, 6.0, 40.0):
            found.append(scatter._nodes(np.linspace(1.0, top, count), 0.1))
    # Steps that grow: from where frequencies stand farther apart than nodes would.
    for start in (0.5, 1.9, 2.05, 3.0):
        found.append(scatter._nodes(np.geomspace(start, 60.0, 40), 0.1))
    steps = [np.append(np.linspace(1, 5, 40), 5 + step + np.arange(3) * 3) for step in (1.9, 1.98, 2.02, 2.1, 2.45)]
    found += [scatter._nodes(one, 0.1) for one in steps]
    stands("reduce/scatter", "nodes", [[len(one), one[:4], one[-1]] for one in found])
    for plan in found:
        total: dict[int, float] = {}
        for _node, rows, share in plan:
            for row, part in zip(rows, share, strict=True):
                total[int(row)] = total.get(int(row), 0.0) + float(part)
        assert np.allclose(list(total.values()), 1.0)


def test_radii_between_a_few() -> None:
    k, scale = np.array([2.0, 8.0]), np.zeros(4)
    for radius in (
        np.linspace(0.1, 0.5, 24),
        np.linspace(0.1, 0.5, 60),
        np.full(40, 0.3),
        np.append(np.full(30, 0.3), 0.3 + 5e-10),
    ):
        table, matrix = scatter._radial_table(3, k, radius, scale)
        assert np.allclose(matrix @ table, regular_waves(3, k[:, None] * radius, scale), atol=1e-8)
        assert table.shape[1] == (24 if radius.size == 60 else radius.size)
    # A radius that meets one of Chebyshev's points takes it as it is.
    low, high = 0.1, 0.5
    nodes = low + (np.cos(np.pi * (np.arange(24) + 0.5) / 24) + 1) / 2 * (high - low)
    table, matrix = scatter._radial_table(3, k, np.concatenate([[low, high], nodes]), scale)
    stands("reduce/scatter", "radii", [table, np.abs(matrix).sum(axis=1)])


@pytest.mark.parametrize("size", [(0.1, 0.08, 0.13), (0.02, 0.02, 0.02), (0.6, 0.5, 1.1), (0.2, 0.15, 0.3)])
def test_panels(size: tuple[float, float, float]) -> None:
    found = scatter._octant(np.array(size))
    stands("reduce/scatter", f"panels {size}", [found, scatter._inside(np.array(size))])
    # An eighth of the surface; normals along the axes; quadrature points about their panel's middle.
    area = 2 * (size[0] * size[1] + size[1] * size[2] + size[2] * size[0])
    assert found.area_m2.sum() == pytest.approx(area / 8)
    assert np.allclose(found.quadrature_m.mean(axis=1), found.center_m)


@pytest.mark.parametrize(("order_in", "order_out"), [(1, 2), (3, 2)])
def test_boxes(order_in: int, order_out: int) -> None:
    one = [one_frequency(incoming(2, order_in), k, SHELL, BOX, order_out) for k in (2.0, 14.0, 38.0)]
    k = np.linspace(3.0, 6.0, 12)
    many = box_scattered(incoming(12, order_in), k, SHELL, BOX, order_out)
    few = box_scattered(incoming(3, order_in), k[:3], SHELL, BOX, order_out)
    stands("reduce/scatter", f"box {order_in} {order_out}", [one, many, few])
    alone = one_frequency(incoming(12, order_in)[5:6], float(k[5]), SHELL, BOX, order_out)
    assert np.allclose(many[5], alone[0], atol=1e-4 * np.abs(alone).max())


def test_a_cube_scatters_nearly_as_its_sphere_where_waves_are_long() -> None:
    side = 0.1
    cube = Box(np.full(3, side), np.zeros(3))
    radius = (3 * side**3 / (4 * np.pi)) ** (1 / 3)
    k, inward = np.array([1.5]), incoming(1, 1)
    box, ball = box_scattered(inward, k, SHELL, cube, 1), sphere_scattered(inward, k, SHELL, radius, 1)
    assert np.allclose(box, ball, atol=0.16 * np.abs(ball).max())


def fit(order_out: list[int], order_in: int, seed: int = 3) -> Fit:
    count, top = len(order_out), max(order_out)
    state = Regularization(np.ones((count, 2)), np.ones(count), np.ones(count), np.ones(count))
    return Fit(
        SHELL,
        np.array(order_out),
        np.full(count, order_in),
        worlds.noise((count, (top + 1) ** 2), 1.0, seed),
        incoming(count, order_in, seed + 1),
        np.zeros((4, count), complex),
        state,
        np.ones(count),
        np.zeros((2, 3)),
        np.ones((2, count)),
    )


@pytest.mark.parametrize("body", ["box", "sphere", "none"])
@pytest.mark.parametrize("radius", [None, 0.07])
def test_what_is_taken_off_and_what_may_be_wrong(body: scatter.Body, radius: float | None) -> None:
    k = np.array([2.0, 5.0, 11.0])
    scan = Scan(np.zeros((4, 3)), None, (0, 1, 2))
    turned = Scan(np.zeros((4, 3)), None, (1, 2, 0))
    one = fit([1, 2, 3], 2)
    found: list[Any] = []
    for cabinet in ((0.1, 0.16, 0.12), None):
        for doubt in (None, BodyDoubt(0.02, 0.9), BodyDoubt(shape=0.3)):
            found.append(scattered_of(one, k, scan, cabinet, body, np.array([True, True, False]), radius, doubt))
    found.append(scattered_of(one, k, turned, (0.1, 0.16, 0.12), body, np.ones(3, dtype=bool), radius))
    found.append(scattered_of(one, k, scan, (0.1, 0.16, 0.12), body, np.zeros(3, dtype=bool), radius))
    stands("reduce/scatter", f"taken off {body} {radius}", found)


def test_doubt_is_told_at_a_few_frequencies() -> None:
    k = np.geomspace(2.0, 12.0, 16)
    scan = Scan(np.zeros((4, 3)), None, (0, 1, 2))
    found = scattered_of(fit([1] * 16, 1), k, scan, (0.1, 0.12, 0.1), "box", np.arange(16) % 5 != 4, None)
    stands("reduce/scatter", "pilots", found)


@pytest.mark.parametrize("body", ["box", "sphere", "none"])
def test_scatterers(body: scatter.Body) -> None:
    found: list[Any] = []
    for radius in (None, 0.06):
        for axes in ([0, 1, 2], [2, 0, 1]):
            one = scatterer_of(body, (0.08, 0.14, 0.1), radius, SHELL, axes)
            found.append(None if one is None else one(incoming(2, 2), 7.0, 3))
    stands("reduce/scatter", f"scatterer {body}", found)


def test_small_parts() -> None:
    one = fit([1, 2, 3], 2)
    k = np.array([2.0, 5.0, 11.0])
    radii = [scatter._equal_volume_radius(cabinet, SHELL) for cabinet in (None, (0.1, 0.1, 0.1), (0.1, 0.3, 0.2))]
    found = scatter._within(one.outgoing, one)
    energy = scatter._far_energy(one.outgoing[[0, 2]], one, np.array([0, 2]), k)
    silent = scatter._far_energy(0 * one.outgoing[[0, 2]], one, np.array([0, 2]), k)
    stands("reduce/scatter", "small parts", [radii, found, energy, silent > 0, BodyDoubt()])
