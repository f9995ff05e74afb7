"""Analytic scans: point sources inside and outside two nested surfaces."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

SPEED_M_S = 343.0
Real = NDArray[np.float64]
Complex = NDArray[np.complex128]


def ring_sphere(radius_m: float, rings: int, azimuths: int) -> Real:
    """(rings * azimuths, 3) Gauss-Legendre rings about z."""
    z, azimuth = np.polynomial.legendre.leggauss(rings)[0], 2 * np.pi * np.arange(azimuths) / azimuths
    rho = np.sqrt(1 - z * z)
    grid = [np.outer(rho, np.cos(azimuth)), np.outer(rho, np.sin(azimuth)), np.outer(z, np.ones(azimuths))]
    return radius_m * np.stack(grid, axis=-1).reshape(-1, 3)


def spiral_sphere(radius_m: float, count: int) -> Real:
    """(count, 3) golden-angle points."""
    number = np.arange(count) + 0.5
    z, azimuth = 1 - 2 * number / count, np.pi * (1 + np.sqrt(5)) * number
    rho = np.sqrt(1 - z * z)
    return radius_m * np.stack([rho * np.cos(azimuth), rho * np.sin(azimuth), z], axis=1)


def monopoles(points_m: Real, sources_m: Real, strengths: Complex, k: Real) -> Complex:
    """(P, F) sum of q e^(-jkR) / R; processing reference 6.1."""
    total = np.zeros((len(points_m), k.size), dtype=np.complex128)
    for source, q in zip(sources_m, strengths, strict=True):
        distance = np.linalg.norm(points_m - source, axis=1)[:, None]
        total += q * np.exp(-1j * k * distance) / distance
    return total


def far_monopoles(unit_vectors: Real, sources_m: Real, strengths: Complex, k: Real) -> Complex:
    """(D, F) lim r e^(jkr) p of the same sources."""
    return sum(
        q * np.exp(1j * np.outer(unit_vectors @ source, k)) for source, q in zip(sources_m, strengths, strict=True)
    )


NEAR = np.array([[0.1, 0.05, 0.1], [0.12, -0.02, -0.06], [-0.05, 0.1, 0.02]])
NEAR_STRENGTH = np.array([1.0, 0.7 * np.exp(0.5j), 0.4j])
FAR = np.array(
    [[2.0, 0, 0.5], [-2.2, 1, 0], [0, 2.4, -1], [0.5, -3, 1], [1, 1, 2.5], [-1, 0.3, -2.1], [3.5, 1, 1], [-2, -2, 2.0]]
)
FAR_STRENGTH = 0.8 * np.exp(1j * np.arange(8.0))


def error_db(ours: Complex, truth: Complex) -> Real:
    """(F,) energy of the error over the energy of the truth, over directions."""
    return 10 * np.log10(np.sum(np.abs(ours - truth) ** 2, axis=0) / np.sum(np.abs(truth) ** 2, axis=0))
