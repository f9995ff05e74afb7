"""Small invented scans for tests that freeze results: point sources inside and outside a few surfaces, with faults."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import made_scan as made
import numpy as np
from numpy.typing import NDArray

Real = NDArray[Any]
Complex = NDArray[Any]
SPEED_M_S = 343.0


@dataclass(frozen=True)
class SmallScan:
    """points (P, 3), pressure (P, F), hz (F,); rows of the points that were made wrong."""

    points_m: Real
    pressure: Complex
    hz: Real
    wrong: tuple[int, ...] = ()

    @property
    def k(self) -> Real:
        return 2 * np.pi * self.hz / SPEED_M_S


def noise(shape: tuple[int, ...], size: float, seed: int) -> Complex:
    rng = np.random.default_rng(seed)
    drawn = rng.normal(size=shape) + 1j * rng.normal(size=shape)
    return np.asarray(size * drawn)


def in_a_room(points_m: Real, hz: Real, *, seed: int, loud: float = 0.01, room: float = 1.0) -> SmallScan:
    """Three sources near the middle, eight outside, white noise of `loud` times the mean pressure."""
    k = 2 * np.pi * hz / SPEED_M_S
    heard = made.monopoles(points_m, made.NEAR, made.NEAR_STRENGTH, k)
    heard = heard + room * made.monopoles(points_m, made.FAR, made.FAR_STRENGTH, k)
    return SmallScan(points_m, heard + noise(heard.shape, loud * np.abs(heard).mean(), seed), hz)


def two_rings(rings: int = 8, azimuths: int = 12) -> Real:
    """(2 R A, 3) two nested surfaces of rings."""
    return np.concatenate([made.ring_sphere(0.36, rings, azimuths), made.ring_sphere(0.42, rings, azimuths)])


def two_spirals(count: int = 90) -> Real:
    """(2 N, 3) two nested surfaces of irregular points."""
    return np.concatenate([made.spiral_sphere(0.36, count), made.spiral_sphere(0.43, count + 7)])


def turned_sphere(radius_m: float, rings: int, azimuths: int, turn: float = 0.5) -> Real:
    """(R A, 3) rings of which every second one is turned by so much of a step."""
    points = made.ring_sphere(radius_m, rings, azimuths).reshape(rings, azimuths, 3)
    cosine, sine = np.cos(2 * np.pi * turn / azimuths), np.sin(2 * np.pi * turn / azimuths)
    matrix = np.array([[cosine, -sine, 0.0], [sine, cosine, 0.0], [0.0, 0.0, 1.0]])
    points[1::2] = points[1::2] @ matrix.T
    return points.reshape(-1, 3)
