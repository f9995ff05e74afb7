"""Pistons on a rigid box: closed forms, energy, reciprocity, and an independent boundary-element solver.

The data are described in tests/reduce/data/README.md.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from earwitness.dsp.box_field import BoxFields, Pistons, RigidBox, box_fields

DATA = Path(__file__).parents[1] / "reduce" / "data" / "rigid_boxes.npz"
C, RHO = 343.2, 1.204
HALF = np.array([0.15, 0.105, 0.18])
AHEAD = np.array([[1.0, 0.0, 0.0]])
NOWHERE = np.empty((0, 3))


def pistons(*places: tuple[float, float, float], radius: float = 0.05) -> Pistons:
    """On the front where x is positive, else on the rear."""
    center = np.array(places)
    return Pistons(center, np.full(len(places), radius), np.zeros(len(places), int), np.sign(center[:, 0]))


def sphere_of_directions(count: int) -> tuple[np.ndarray, np.ndarray]:
    """Gauss points in height, even ones around; weights sum to 4 pi."""
    height, weight = np.polynomial.legendre.leggauss(count)
    around = (np.arange(2 * count) + 0.5) * np.pi / count
    level = np.sqrt(1 - height**2)
    unit = np.stack(
        [
            np.outer(level, np.cos(around)).ravel(),
            np.outer(level, np.sin(around)).ravel(),
            np.repeat(height, 2 * count),
        ],
        axis=1,
    )
    return unit, np.repeat(weight, 2 * count) * np.pi / count


def test_the_surface_surrounds_a_point_inside_and_not_one_outside() -> None:
    """Gauss: the solid angles of a closed surface sum to -4 pi inside (its normals point outward), 0 outside."""
    box = RigidBox(HALF, 0.06)
    points = np.array([[0.02, -0.05, 0.11], [0.4, 0.1, -0.2]])
    total = box.layer(points)[1].sum(axis=(0, 2))
    assert total == pytest.approx([-1.0, 0.0], abs=1e-12)


def test_the_surface_has_the_area_of_the_box() -> None:
    box = RigidBox(HALF, 0.05)
    a, b, c = 2 * HALF
    assert 8 * box.area_m2.sum() == pytest.approx(2 * (a * b + b * c + c * a), rel=1e-12)


def test_at_low_frequencies_every_piston_is_a_point_source_of_full_space() -> None:
    found = box_fields(HALF, 0.06, pistons((0.15, 0.0, 0.05), (-0.15, 0.02, -0.1)), np.array([0.02]), close_m=[],
                       away_m=NOWHERE, directions=sphere_of_directions(4)[0])  # fmt: skip
    assert np.abs(found.far) * 4 * np.pi == pytest.approx(1.0, abs=2e-3)


def test_what_is_radiated_is_what_the_piston_puts_in() -> None:
    """Re of the pressure on the piston against the far field's power; both relative to j omega rho U.

    The pressure in the middle of a small piston stands for its mean in the real part, k^2-smooth (Rayleigh).
    """
    k = np.array([1.0, 4.0, 9.0])
    unit, weight = sphere_of_directions(12)
    one = pistons((0.15, 0.02, -0.06), radius=0.01)
    close = [(np.array([0.15 + 1e-6, 0.02, -0.06]), 0, 1.0)]
    found = box_fields(HALF, 0.05, one, k, close_m=close, away_m=NOWHERE, directions=unit)
    # p = j omega rho U g: power 0.5 Re(p U*) = -0.5 omega rho |U|^2 Im g, and far 0.5 / (rho c) int |omega rho U f|^2.
    put_in = -found.close[:, 0, 0].imag
    radiated = k * (np.abs(found.far[:, :, 0]) ** 2 @ weight)
    assert radiated == pytest.approx(put_in, rel=0.01)


def test_what_one_piston_does_to_another_is_mutual() -> None:
    both = pistons((0.15, 0.0, 0.09), (-0.15, 0.03, -0.1), radius=0.01)
    close = [(np.array([0.15 + 1e-6, 0.0, 0.09]), 0, 1.0), (np.array([-0.15 - 1e-6, 0.03, -0.1]), 0, -1.0)]
    found = box_fields(HALF, 0.04, both, np.array([0.5, 3.0, 8.0]), close_m=close, away_m=NOWHERE, directions=AHEAD)
    assert found.close[:, 0, 1] == pytest.approx(found.close[:, 1, 0], rel=0.02)


def test_turning_the_box_turns_the_field() -> None:
    """The same cube with its piston on the side, on the top and on the front."""
    half = np.full(3, 0.12)
    unit = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    fields = []
    for axis in range(3):
        center = np.zeros((1, 3))
        center[0, axis] = 0.12
        one = Pistons(center, np.array([0.04]), np.array([axis]), np.array([1.0]))
        found = box_fields(half, 0.05, one, np.array([6.0]), close_m=[], away_m=NOWHERE, directions=unit)
        fields.append(np.roll(found.far[0, :, 0], -axis))
    # Its panels lie alike on all faces, and the sides of the piston's own face are alike too.
    assert fields[1][0] == pytest.approx(fields[0][0], rel=1e-9)
    assert fields[2][0] == pytest.approx(fields[0][0], rel=1e-9)
    assert fields[0][1:] == pytest.approx(fields[0][[1, 1]], rel=1e-9)


def of_box(data: np.lib.npyio.NpzFile, name: str) -> tuple[BoxFields, np.ndarray]:
    whd, middle = data[f"{name}_whd_m"], data[f"{name}_middle_m"]
    half = whd[[2, 0, 1]] / 2
    center = data[f"{name}_place_m"] - middle
    side = np.sign(center[:, 0])
    center[:, 0] = side * half[0]
    radius = data[f"{name}_radius_m"]
    on_box = Pistons(center, radius, np.zeros(side.size, int), side)
    close = [(c + np.array([0.005 * s, 0.0, 0.0]), 0, s) for c, s in zip(center, side, strict=True)]
    k = 2 * np.pi * data[f"{name}_hz"] / C
    sphere_m = (3 * np.prod(whd) / (4 * np.pi)) ** (1 / 3)
    unit = data[f"{name}_direction"]
    found = box_fields(half, 0.3 * sphere_m, on_box, k, close_m=close, away_m=2 * unit - middle, directions=unit)
    return found, 1j * k * C * RHO


@pytest.mark.parametrize("name", ["A", "C", "D", "G", "H"])
def test_against_an_independent_solver(name: str) -> None:
    """Six frequencies from 32 to 640 Hz; own and neighbors' near fields, far field, and 2 m, all within 0.3 dB.

    Each over the loudest direction: deep behind the box a level may be off by more of itself.
    """
    data = np.load(DATA)
    found, scale = of_box(data, name)
    near = found.close * scale[:, None, None]
    off = 20 * np.log10(np.abs(near / data[f"{name}_near"].transpose(0, 2, 1)))
    assert np.abs(np.diagonal(off, axis1=1, axis2=2)).max() < 0.11
    assert np.abs(off).max() < 0.3
    turn = np.exp(1j * (scale / (1j * C * RHO)).real[:, None] * (data[f"{name}_direction"] @ data[f"{name}_middle_m"]))
    for got, meant in (
        (found.far * scale[:, None, None] * turn[..., None], data[f"{name}_far"].transpose(0, 2, 1)),
        (found.away * scale[:, None, None], data[f"{name}_at_2m"].transpose(0, 2, 1)),
    ):
        error = np.abs(got - meant) / np.abs(meant).max(axis=1, keepdims=True)
        assert error.max() < 0.035
        assert error[:3].max() < 0.005
