"""Rings found in lists of points."""

from __future__ import annotations

import made_scan as made
import numpy as np

from earwitness.reduce.separate.sampling import find_rings

POINTS = np.concatenate([made.ring_sphere(0.4, 8, 16), made.ring_sphere(0.5, 8, 16)])


def test_rings_are_found_whatever_the_order_of_points() -> None:
    shuffled = POINTS[np.random.default_rng(1).permutation(len(POINTS))]
    rings = find_rings(shuffled)
    assert rings is not None
    assert rings.count.tolist() == [16] * 16
    assert sorted(rings.slot.ravel().tolist()) == list(range(256))
    angle = rings.start_rad[:, None] + 2 * np.pi * np.arange(16) / 16
    placed = shuffled[rings.slot]
    assert np.allclose(np.cos(np.arctan2(placed[..., 1], placed[..., 0]) - angle), 1.0)


def test_rings_about_the_reference_axis_are_found_too() -> None:
    rings = find_rings(POINTS[:, [2, 0, 1]])
    assert rings is not None
    assert rings.axes == (1, 2, 0)


def test_missing_points_leave_empty_slots() -> None:
    rings = find_rings(np.delete(POINTS, [5, 100, 101], axis=0))
    assert rings is not None
    assert (rings.slot < 0).sum() == 3


def test_a_point_on_the_axis_is_a_ring_of_one() -> None:
    rings = find_rings(np.concatenate([POINTS, [[0, 0, 0.6]]]))
    assert rings is not None
    assert sorted(rings.count.tolist())[0] == 1


def test_points_a_millimeter_off_are_not_rings() -> None:
    assert find_rings(POINTS + np.random.default_rng(2).normal(scale=1e-3, size=POINTS.shape)) is None
    assert find_rings(made.spiral_sphere(0.4, 300)) is None
