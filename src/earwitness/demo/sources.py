"""A vibrating cap on a rigid sphere: the loudspeaker whose sound field is known exactly.

exp(+j omega t), outgoing waves h_n^(2)(kr). The cap sits about a unit axis; an angle is always measured from that axis.
The series is that of Beranek and Mellow, Acoustics: Sound Fields and Transducers (radial and axial motion). The sphere
has no edges: its response has no edge ripple, and data made with it have to say so.
"""

import numpy as np
from numpy.typing import NDArray

from earwitness.errors import InputError, choice
from earwitness.quantities import ComplexArray, FloatArray

SPEED_OF_SOUND_M_S = 343.0
AIR_DENSITY_KG_M3 = 1.204
ORDERS_ABOVE_KA = 25


def order_for(wavenumber_radius: float) -> int:
    """Highest order the far field needs at ka: ka + 25, rounded up."""
    return int(np.ceil(wavenumber_radius)) + ORDERS_ABOVE_KA


def cap_coefficients(half_angle_rad: float, order: int, *, motion: str = "radial") -> FloatArray:
    """U_0 to U_order of the surface velocity sum U_n P_n(cos theta), for a cap velocity of 1 m/s; shape (order + 1,).

    motion : "radial" (every point moves outward) or "axial" (a stiff cap moves along its axis).
    InputError where the half-angle is outside 0 to pi, the order is negative or the motion is unknown.
    """
    if not 0.0 < half_angle_rad <= np.pi:
        raise InputError(f"the half-angle of the cap is {half_angle_rad} rad", expected="more than 0, at most pi")
    if order < 0:
        raise InputError(f"the order of the series is {order}", expected="0 or more")
    choice("motion of the cap", motion, ("radial", "axial"))
    orders = np.arange(order + 1)
    edge = float(np.cos(half_angle_rad))
    integral = _legendre_integrals(edge, order + 1)
    if motion == "radial":
        return np.asarray((2 * orders + 1) / 2 * integral[: order + 1], dtype=np.float64)
    below = np.concatenate([[0.0], integral[:order]])
    return np.asarray(0.5 * ((orders + 1) * integral[1 : order + 2] + orders * below), dtype=np.float64)


def cap_volume_velocity(coefficients: FloatArray, radius_m: float) -> float:
    """Volume velocity 4 pi a^2 U_0 in m^3/s."""
    return float(4 * np.pi * radius_m**2 * coefficients[0])


def cap_far_field(
    coefficients: FloatArray,
    radius_m: float,
    cos_angle: FloatArray,
    frequency_hz: FloatArray,
    *,
    speed_of_sound_m_s: float = SPEED_OF_SOUND_M_S,
    density_kg_m3: float = AIR_DENSITY_KG_M3,
) -> ComplexArray:
    """Far-field pressure times distance, e^(-jkr) taken out, in Pa m; shape (directions, frequencies).

    rho c / k * sum U_n j^n / h_n^(2)'(ka) P_n(cos angle); the distance counts from the center of the sphere.
    InputError where the radius or a frequency is not positive.
    """
    k = _wavenumber(radius_m, frequency_hz, speed_of_sound_m_s)
    n = np.arange(coefficients.size)
    turn = np.array([1, 1j, -1, -1j])[n % 4]
    weights = (coefficients * turn)[:, None] * _inverse_slope(n, k * radius_m)
    return np.asarray(density_kg_m3 * speed_of_sound_m_s / k * (_legendre(n, cos_angle) @ weights), dtype=np.complex128)


def _wavenumber(radius_m: float, frequency_hz: FloatArray, speed_of_sound_m_s: float) -> FloatArray:
    frequency = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
    if not radius_m > 0 or not np.all(frequency > 0):
        raise InputError("the sphere's radius or a frequency is not positive", expected="numbers above 0")
    return 2 * np.pi * frequency / speed_of_sound_m_s


def _legendre(orders: NDArray[np.int_], cos_angle: FloatArray) -> FloatArray:
    from scipy.special import eval_legendre

    angle = np.atleast_1d(np.asarray(cos_angle, dtype=np.float64))
    return np.asarray(eval_legendre(orders, angle[:, None]), dtype=np.float64)


def _legendre_integrals(edge: float, order: int) -> FloatArray:
    """Integral of P_n from edge to 1, n = 0 to order."""
    values = _legendre(np.arange(order + 2), np.array([edge]))[0]
    n = np.arange(1, order + 1)
    return np.concatenate([[1.0 - edge], (values[n - 1] - values[n + 1]) / (2 * n + 1)])


def _inverse_slope(orders: NDArray[np.int_], argument: FloatArray) -> ComplexArray:
    """1 / h_n^(2)'(ka), zero where the slope overflows; shape (orders, frequencies)."""
    from scipy.special import spherical_jn, spherical_yn

    n = orders[:, None]
    real = spherical_jn(n, argument, derivative=True)
    imaginary = -spherical_yn(n, argument, derivative=True)
    usable = np.isfinite(real) & np.isfinite(imaginary) & (np.abs(imaginary) < 1e150)
    slope = np.where(usable, real, 1.0) + 1j * np.where(usable, imaginary, 0.0)
    return np.asarray(np.where(usable, 1.0 / slope, 0.0), dtype=np.complex128)


# Sound of caps on a rigid sphere at finite distances, for many points at once.
#
# Hankel functions enter only as ratios of neighbors, q_n = h_n / h_(n-1), by upward recurrence: nothing overflows, so
# the series may run to the hundreds of orders that a microphone close to the surface needs.


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
