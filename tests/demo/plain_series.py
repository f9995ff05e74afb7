"""The series of a cap on a sphere summed plainly: power, and pressure at any distance, to hold the demo against."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from earwitness.demo import sources
from earwitness.demo.sources import AIR_DENSITY_KG_M3, SPEED_OF_SOUND_M_S
from earwitness.errors import InputError
from earwitness.quantities.arrays import ComplexArray, FloatArray


def cap_power(
    coefficients: FloatArray,
    radius_m: float,
    frequency_hz: FloatArray,
    *,
    speed_of_sound_m_s: float = SPEED_OF_SOUND_M_S,
    density_kg_m3: float = AIR_DENSITY_KG_M3,
) -> FloatArray:
    """Radiated power in W for a peak cap velocity of 1 m/s; shape (frequencies,). Raises as cap_far_field does."""
    k = sources._wavenumber(radius_m, frequency_hz, speed_of_sound_m_s)
    n = np.arange(coefficients.size)
    terms = (coefficients**2 / (2 * n + 1))[:, None] * np.abs(sources._inverse_slope(n, k * radius_m)) ** 2
    return np.asarray(density_kg_m3 * speed_of_sound_m_s * 2 * np.pi / k**2 * terms.sum(axis=0), dtype=np.float64)


def cap_pressure(
    coefficients: FloatArray,
    radius_m: float,
    distance_m: FloatArray,
    cos_angle: FloatArray,
    frequency_hz: FloatArray,
    *,
    speed_of_sound_m_s: float = SPEED_OF_SOUND_M_S,
    density_kg_m3: float = AIR_DENSITY_KG_M3,
) -> ComplexArray:
    """Pressure in Pa at points (distance from the sphere's center, cosine of the angle); shape (points, frequencies).

    -j rho c sum U_n h_n^(2)(kr) / h_n^(2)'(ka) P_n. The series converges like (a/r)^n: near the surface it needs many
    orders; orders whose Hankel function overflows a double are left out.
    InputError where the radius or a frequency is not positive, or a point lies inside the sphere.
    """
    k = sources._wavenumber(radius_m, frequency_hz, speed_of_sound_m_s)
    distance = np.atleast_1d(np.asarray(distance_m, dtype=np.float64))
    if not np.all(distance >= radius_m):
        raise InputError(
            f"a point lies inside the sphere or nowhere: {distance.min()} m from the center",
            expected=f"at least {radius_m} m",
        )
    n = np.arange(coefficients.size)
    inverse = sources._inverse_slope(n, k * radius_m)
    argument = distance[:, None, None] * k
    usable = inverse != 0
    hankel = np.where(usable, hankel2(n[:, None], np.where(usable, argument, 1.0 + n[:, None])), 0.0)
    angular = coefficients * sources._legendre(n, cos_angle)
    total = np.einsum("pn,pnf,nf->pf", angular, hankel, inverse)
    return np.asarray(-1j * density_kg_m3 * speed_of_sound_m_s * total, dtype=np.complex128)


def hankel2(orders: NDArray[np.int_], argument: FloatArray) -> ComplexArray:
    from scipy.special import spherical_jn, spherical_yn

    return np.asarray(spherical_jn(orders, argument) - 1j * spherical_yn(orders, argument), dtype=np.complex128)
