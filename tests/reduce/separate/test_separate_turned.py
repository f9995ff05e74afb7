"""Rings of the second surface turned by half a step: outgoing waves up to the orders of one surface twice as dense."""

from __future__ import annotations

import made_scan as made
import numpy as np
import pytest

from earwitness.quantities.directions import cta_orbits
from earwitness.reduce.separate import far_pressure, separate_gated
from earwitness.reduce.separate.field import Shell
from earwitness.reduce.separate.ring_route import fit_rings, order_caps, turned_rings
from earwitness.reduce.separate.sampling import find_rings

RINGS, AZIMUTHS = 14, 28
LOOK = cta_orbits().unit_vectors()


def turned_scan(start: float = 0.0) -> np.ndarray:
    """(2 x 14 x 28, 3) heights of 28 rings in turn on two spheres, the second turned by half a step."""
    z = np.polynomial.legendre.leggauss(2 * RINGS)[0]
    parts = []
    for radius, heights, turn in ((0.30, z[::2], 0.0), (0.35, z[1::2], 0.5)):
        azimuth = 2 * np.pi * (np.arange(AZIMUTHS) + turn) / AZIMUTHS + start
        flat = np.sqrt(1 - heights**2)
        parts.append(
            radius
            * np.stack(
                [
                    np.outer(flat, np.cos(azimuth)),
                    np.outer(flat, np.sin(azimuth)),
                    np.outer(heights, np.ones(AZIMUTHS)),
                ],
                axis=-1,
            ).reshape(-1, 3)
        )
    return np.concatenate(parts)


@pytest.mark.parametrize("start", [0.0, 0.03])
def test_turned_rings_tell_orders_beyond_half_their_points(start: float) -> None:
    # Point sources, analytic; k times their distance is 14 to 16, and some 8 orders more are heard: 28 azimuths tell
    # 13 orders alone.
    points = turned_scan(start)
    rings = find_rings(points)
    assert rings is not None
    assert turned_rings(rings) is not None
    k = np.array([90.0, 95.0, 100.0])
    sources = 0.16 * made.spiral_sphere(1.0, 7)
    strengths = np.exp(1j * np.arange(7.0))
    data, truth = made.monopoles(points, sources, strengths, k), made.far_monopoles(LOOK, sources, strengths, k)
    found = separate_gated(
        points, data, k * made.SPEED_M_S / (2 * np.pi), cabinet_m=(0.19, 0.19, 0.19), speed_of_sound=made.SPEED_M_S
    )
    assert (found.quality.order_out > (AZIMUTHS - 1) // 2).all()
    assert (made.error_db(far_pressure(found.field, LOOK), truth) < -40).all()


def test_rings_that_are_not_turned_tell_fewer_orders() -> None:
    straight = np.concatenate([made.ring_sphere(0.30, RINGS, AZIMUTHS), made.ring_sphere(0.35, RINGS, AZIMUTHS)])
    both = [find_rings(points) for points in (straight, turned_scan())]
    assert both[0] is not None
    assert both[1] is not None
    assert turned_rings(both[0]) is None
    assert order_caps(both[0], incoming=False) <= (AZIMUTHS - 1) // 2
    assert order_caps(both[1], incoming=False) >= 2 * RINGS - 1
    # With both kinds of waves each surface has to tell the orders alone.
    assert order_caps(both[1], incoming=True) <= order_caps(both[0], incoming=True)


def test_points_left_out_of_turned_rings_are_predicted() -> None:
    points, k = turned_scan(0.02), np.array([70.0])
    rings = find_rings(points)
    assert rings is not None
    data = made.monopoles(points, 0.16 * made.spiral_sphere(1.0, 7), np.exp(1j * np.arange(7.0)), k)
    bad = np.zeros(len(points), dtype=bool)
    bad[np.random.default_rng(1).permutation(len(points))[:20]] = True
    spoiled = data.copy()
    spoiled[bad] *= -3
    arguments = (k, Shell(0.17, 0.35, 0.7), np.array([22]), np.array([-1]), bad)
    one, other = (fit_rings(rings, values, *arguments, evidence_rounds=4) for values in (data, spoiled))
    assert np.allclose(one.outgoing, other.outgoing, atol=1e-9 * np.abs(one.outgoing).max())
    assert np.abs(one.residual[bad]).max() < 1e-2 * np.abs(data).max()
