"""The shoebox against Allen and Berkley's image sources (check values s6.shoebox_*, worked apart from this code)."""

from __future__ import annotations

from math import comb

import numpy as np
import pytest

from earwitness.demo.room import Images, shoebox_images
from earwitness.errors import InputError
from earwitness.quantities.arrays import ComplexArray, FloatArray

ROOM = np.array([5.0, 4.0, 2.5])
SOURCE = np.array([1.5, 2.0, 1.2])
MICROPHONE = np.array([3.5, 2.0, 1.2])
WALLS = np.full((3, 2), 0.8)


def test_direct_sound() -> None:
    # s6.shoebox_direct_ms
    images = shoebox_images(ROOM, SOURCE, MICROPHONE, WALLS, 0)
    assert 1e3 * images.delay_s == pytest.approx([5.830903790087463], rel=1e-12)
    assert images.amplitude == pytest.approx([0.5], rel=1e-12)


def test_first_reflections() -> None:
    # s6.shoebox_first_order_ms_x0_xL_y0_yL_z0_zL, s6.shoebox_first_order_level_re_direct_dB_beta0.8
    images = shoebox_images(ROOM, SOURCE, MICROPHONE, WALLS, 1)
    expected_ms = [14.577259475218659] * 2 + [13.038297244896734] * 2 + [9.108162887354698, 9.563393275135116]
    expected_db = [-9.89700043360188] * 2 + [-8.927900303521316] * 2 + [-5.81209852354842, -6.235723060185206]
    first = images.reflections == 1
    np.testing.assert_allclose(1e3 * images.delay_s[first], np.sort(expected_ms), rtol=1e-12)
    levels_db = 20 * np.log10(images.amplitude[first] / images.amplitude[0])
    np.testing.assert_allclose(levels_db, np.sort(expected_db)[::-1], atol=1e-10)


def test_each_wall_has_its_own_factor() -> None:
    """Mirror geometry by hand: the image behind each wall, weighted by that wall only."""
    walls = np.array([[0.1, 0.2], [0.3, 0.4], [0.5, 0.6]])
    images = shoebox_images(ROOM, SOURCE, MICROPHONE, walls, 1)
    for axis in range(3):
        for side in range(2):
            mirror = SOURCE.copy()
            mirror[axis] = 2 * side * ROOM[axis] - SOURCE[axis]
            index = int(np.argmin(np.linalg.norm(images.position_m - mirror, axis=1)))
            np.testing.assert_allclose(images.position_m[index], mirror, atol=1e-12)
            expected = walls[axis, side] / np.linalg.norm(mirror - MICROPHONE)
            assert images.amplitude[index] == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("order", [0, 1, 2, 3, 6])
def test_number_of_images_is_the_octahedral_count(order: int) -> None:
    """Integer points with |i| + |j| + |k| <= N: the Delannoy sum over 2^i C(3,i) C(N,i), from memory."""
    images = shoebox_images(ROOM, SOURCE, MICROPHONE, WALLS, order)
    assert images.delay_s.size == sum(2**i * comb(3, i) * comb(order, i) for i in range(4))
    assert images.reflections.max() == order


def transfer(images: Images, frequency_hz: FloatArray) -> ComplexArray:
    """(F,) sum of amplitude times e^(-j omega delay)."""
    waves = images.amplitude[:, None] * np.exp(-2j * np.pi * images.delay_s[:, None] * frequency_hz)
    return np.asarray(waves.sum(axis=0))


def test_source_and_microphone_can_change_places() -> None:
    """Reciprocity of a point source and a point receiver."""
    frequency = np.array([50.0, 333.0, 1000.0])
    walls = np.array([[0.9, 0.7], [0.5, 0.8], [0.6, 0.4]])
    other = np.array([3.1, 1.1, 0.7])
    there = shoebox_images(ROOM, SOURCE, other, walls, 5)
    back = shoebox_images(ROOM, other, SOURCE, walls, 5)
    np.testing.assert_allclose(transfer(there, frequency), transfer(back, frequency), rtol=1e-9)


def test_floor_reflection_leaves_the_source_downward() -> None:
    images = shoebox_images(ROOM, SOURCE, MICROPHONE, WALLS, 1)
    floor = int(np.flatnonzero(np.isclose(images.position_m[:, 2], -SOURCE[2]))[0])
    # Snell's equal angles by hand: 2 m along, 2.4 m of unfolded height
    np.testing.assert_allclose(images.emission[floor], np.array([2.0, 0.0, -2.4]) / np.hypot(2.0, 2.4), atol=1e-12)
    assert images.mirrored[floor].tolist() == [1.0, 1.0, -1.0]


@pytest.mark.parametrize(
    ("room", "source", "microphone", "reflection", "order", "message"),
    [
        (ROOM[:2], SOURCE, MICROPHONE, WALLS, 1, "shape"),
        (-ROOM, SOURCE, MICROPHONE, WALLS, 1, "measures"),
        (ROOM, SOURCE + 5, MICROPHONE, WALLS, 1, "source at"),
        (ROOM, SOURCE, MICROPHONE * np.nan, WALLS, 1, "microphone at"),
        (ROOM, SOURCE, MICROPHONE, 2 * WALLS, 1, "passive"),
        (ROOM, SOURCE, MICROPHONE, WALLS, -1, "order"),
        (ROOM, SOURCE, SOURCE, WALLS, 1, "same point"),
    ],
)
def test_impossible_rooms_are_refused(
    room: np.ndarray, source: np.ndarray, microphone: np.ndarray, reflection: np.ndarray, order: int, message: str
) -> None:
    with pytest.raises(InputError, match=message):
        shoebox_images(room, source, microphone, reflection, order)
