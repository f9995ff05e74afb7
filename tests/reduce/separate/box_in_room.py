"""A scan about a vibrating box in a live room, by boundary elements that share nothing with the program's own."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import boundary_truth as bt
import made_scan as made
import numpy as np
from numpy.typing import NDArray

SPEED_M_S = 343.0
# Depth, width and height along x, y, z.
SIZE_M = np.array([0.28, 0.22, 0.38])
ROOM_M = np.array([5.0, 4.0, 2.6])
PLACE_M = np.array([2.1, 1.8, 1.25])
REFLECTION = 0.85
SPACINGS_M = (0.024, 0.017)
JITTER_M = 5e-4

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, eq=False)
class BoxScan:
    """points_m (P, 3) as told; heard (P, F) with room, jitter and noise; truth (D, F) the box's own far field."""

    points_m: Real
    heard: Complex
    truth: Complex


def images(order: int = 5) -> tuple[Real, Real]:
    """(I, 3) image sources from the box's middle, the box left out, and their strengths (I,)."""
    places, strengths = [], []
    for n in product(range(-order, order + 1), repeat=3):
        if 0 < sum(map(abs, n)) <= order:
            cell = np.array(n)
            places.append(np.where(cell % 2 == 0, cell * ROOM_M, (cell + 1) * ROOM_M - 2 * PLACE_M))
            strengths.append(REFLECTION ** sum(map(abs, n)))
    return np.array(places), np.array(strengths)


def vibration(surface: bt.Surface) -> Complex:
    """(N,) dp/dn of a woofer and a tweeter in the front: pistons with soft edges."""
    place, normal, weight = surface.fine
    front, total = normal[..., 0] > 0.5, np.zeros(len(surface.center), dtype=complex)
    for height, radius, strength in ((-0.07, 0.075, 1.0), (0.11, 0.03, 3.0j)):
        away = np.hypot(place[..., 1], place[..., 2] - height) / radius
        total += strength * (np.maximum(1 - away**2, 0.0) * front * weight).sum(axis=1) / surface.area
    return total


def _on_mesh(spacing: float, k: float, points: Real, look: Real) -> tuple[Complex, Complex]:
    """(P,) heard at points and (D,) own far field, with elements of one size."""
    surface = bt.box(SIZE_M, spacing)
    body, slope = bt.Body(surface, k), vibration(surface)
    own = body.pressure(slope, None)
    behind, strength = images()
    toward = behind / np.linalg.norm(behind, axis=1)[:, None]
    # The room hears the box as its far field in the direction of each image.
    sent = strength * bt.far_field(surface, k, toward, own, slope)
    wave = np.array([k])
    back = body.pressure(None, made.monopoles(body.places(), behind, sent, wave)[:, 0])
    double, single = bt.layers(surface, points, k)
    assert single is not None
    heard = double @ (own + back) - single @ slope + made.monopoles(points, behind, sent, wave)[:, 0]
    return heard, bt.far_field(surface, k, look, own, slope)


def box_scan(hz: Real, look: Real, *, seed: int = 11) -> BoxScan:
    """A scan of 2,704 points on two spheres; elements of two sizes, drawn to vanishing size by their square."""
    points, rng = np.concatenate([made.ring_sphere(0.42, 26, 52), made.ring_sphere(0.47, 26, 52)]), None
    rng = np.random.default_rng(seed)
    true = points + rng.normal(size=points.shape) * JITTER_M / np.sqrt(3)
    heard, truth = [], []
    for one in hz:
        k = 2 * np.pi * one / SPEED_M_S
        wide, narrow = (_on_mesh(spacing, k, true, look) for spacing in SPACINGS_M)
        share = SPACINGS_M[1] ** 2 / (SPACINGS_M[0] ** 2 - SPACINGS_M[1] ** 2)
        heard.append(narrow[0] + share * (narrow[0] - wide[0]))
        truth.append(narrow[1] + share * (narrow[1] - wide[1]))
    data = np.array(heard).T
    noise = rng.normal(size=data.shape) + 1j * rng.normal(size=data.shape)
    data = data + 1e-3 / np.sqrt(2) * np.sqrt(np.mean(np.abs(data) ** 2, axis=0)) * noise
    return BoxScan(points, data, np.array(truth).T)
