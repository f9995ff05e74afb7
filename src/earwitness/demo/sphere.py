"""Sound of caps on a rigid sphere at finite distances, for many points at once.

Hankel functions enter only as ratios of neighbors, q_n = h_n / h_(n-1), by upward recurrence: nothing overflows, so
the series may run to the hundreds of orders that a microphone close to the surface needs.
"""

import numpy as np

from earwitness.demo.sources import AIR_DENSITY_KG_M3, SPEED_OF_SOUND_M_S
from earwitness.quantities.arrays import ComplexArray, FloatArray


def spread(order: int, radius_m: float, distance_m: FloatArray, frequency_hz: FloatArray) -> ComplexArray:
    """Pressure of order n per surface velocity of order n, Pa s/m; shape (points, orders, frequencies).

    -j rho c h_n^(2)(kr) / h_n^(2)'(ka), e^(-jkr) included; from h_n' = h_(n-1) - (n + 1) / x h_n.
    """
    k = 2 * np.pi * np.asarray(frequency_hz, dtype=np.float64) / SPEED_OF_SOUND_M_S
    near, away = k * radius_m, np.asarray(distance_m, dtype=np.float64)[:, None] * k
    out = np.empty((away.shape[0], order + 1, k.size), dtype=np.complex128)
    ratio = near / away * np.exp(-1j * (away - near))
    q_near, q_away = 1 / near + 1j, 1 / away + 1j
    out[:, 0] = ratio / -q_near
    for n in range(1, order + 1):
        ratio = ratio * (q_away / q_near)
        out[:, n] = ratio / (1 / q_near - (n + 1) / near)
        q_near, q_away = (2 * n + 1) / near - 1 / q_near, (2 * n + 1) / away - 1 / q_away
    return out * (-1j * AIR_DENSITY_KG_M3 * SPEED_OF_SOUND_M_S)


def spread_far(order: int, radius_m: float, frequency_hz: FloatArray) -> ComplexArray:
    """As `spread`, for pressure times distance far away with e^(-jkr) taken out; shape (orders, frequencies).

    rho c / k j^n / h_n^(2)'(ka), orders beyond what a double holds are zero.
    """
    k = 2 * np.pi * np.asarray(frequency_hz, dtype=np.float64) / SPEED_OF_SOUND_M_S
    near = k * radius_m
    out = np.zeros((order + 1, k.size), dtype=np.complex128)
    inverse = near * np.exp(1j * near) / 1j
    q = 1 / near + 1j
    out[0] = inverse / -q
    for n in range(1, order + 1):
        inverse = inverse / q
        out[n] = 1j**n * inverse / (1 / q - (n + 1) / near)
        q = (2 * n + 1) / near - 1 / q
    return out * (AIR_DENSITY_KG_M3 * SPEED_OF_SOUND_M_S / k)


def legendre_table(order: int, cos_angle: FloatArray) -> FloatArray:
    """P_0 to P_order by recurrence; shape (points, order + 1)."""
    x = np.atleast_1d(np.asarray(cos_angle, dtype=np.float64))
    out = np.ones((x.size, order + 1))
    if order > 0:
        out[:, 1] = x
    for n in range(1, order):
        out[:, n + 1] = ((2 * n + 1) * x * out[:, n] - n * out[:, n - 1]) / (n + 1)
    return out


def cap_at_points(spreading: ComplexArray, coefficients: FloatArray, cos_angle: FloatArray) -> ComplexArray:
    """Pressure per cap velocity at points whose `spread` is given; shape (points, frequencies)."""
    weights = coefficients * legendre_table(coefficients.size - 1, cos_angle)
    return np.asarray(np.matmul(weights[:, None, :], spreading)[:, 0], dtype=np.complex128)
