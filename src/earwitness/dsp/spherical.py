"""Spherical harmonics and waves, scaled so that no order leaves the number range; a rigid sphere with a
vibrating cap; balloons of levels between measured directions.

exp(+j omega t): outgoing waves are h_n of the second kind. Harmonics are orthonormal, with the Condon-Shortley phase;
complex ones in ACN order (n^2 + n + m), Y_n,-m = (-1)^m conj(Y_nm). Polar angles count from +z.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from earwitness.quantities import BoolArray, ComplexArray, FloatArray, IntArray, Locked


def normalized_legendre(order: int, cos_polar: FloatArray) -> FloatArray:
    """(order+1, order+1, P) indexed [m, n, point]: Y_nm without e^(j m azimuth), for m >= 0; 0 where n < m.

    cos_polar : (P,). Recursion in n at fixed m (Abramowitz and Stegun 8.5.3 for normalized functions; from memory).
    """
    x = np.clip(np.asarray(cos_polar, dtype=float), -1.0, 1.0)
    sine = np.sqrt((1 - x) * (1 + x))
    table = np.zeros((order + 1, order + 1, x.size))
    diagonal = np.full(x.size, 1 / np.sqrt(4 * np.pi))
    for m in range(order + 1):
        if m > 0:
            diagonal = -np.sqrt((2 * m + 1) / (2 * m)) * sine * diagonal
        table[m, m] = diagonal
        if m < order:
            table[m, m + 1] = np.sqrt(2 * m + 3) * x * diagonal
        for n in range(m + 2, order + 1):
            up = np.sqrt((4 * n * n - 1) / (n * n - m * m))
            back = np.sqrt(((n - 1) ** 2 - m * m) / (4 * (n - 1) ** 2 - 1))
            table[m, n] = up * (x * table[m, n - 1] - back * table[m, n - 2])
    return table


def real_harmonics(order: int, cos_polar: FloatArray, azimuth_rad: FloatArray) -> FloatArray:
    """(P, (order+1)^2) real orthonormal harmonics in ACN order.

    m > 0: sqrt(2) Re Y_nm, m < 0: sqrt(2) Im Y_n|m|, with the Condon-Shortley phase kept.
    """
    table = normalized_legendre(order, cos_polar)
    degree, m = acn(order)
    every = np.arange(-order, order + 1)
    turned = np.cos(np.where(every >= 0, 0.0, -np.pi / 2)[:, None] + np.abs(every)[:, None] * azimuth_rad[None, :])
    factor = np.where(m == 0, 1.0, np.sqrt(2.0))[:, None]
    values: FloatArray = table[np.abs(m), degree] * factor * turned[m + order]
    return np.ascontiguousarray(values.T)


def complex_harmonics(order: int, cos_polar: FloatArray, azimuth_rad: FloatArray) -> ComplexArray:
    """(P, (order+1)^2) complex orthonormal harmonics in ACN order."""
    table = normalized_legendre(order, cos_polar)
    degree, m = acn(order)
    sign = np.where(m < 0, (-1.0) ** m, 1.0)[:, None]
    turned = np.exp(1j * np.arange(-order, order + 1)[:, None] * azimuth_rad[None, :])
    values: ComplexArray = sign * table[np.abs(m), degree] * turned[m + order]
    return np.ascontiguousarray(values.T)


def complex_from_real(coefficients: ComplexArray) -> ComplexArray:
    """Coefficients (..., K) of real harmonics turned into those of complex harmonics, for the same field."""
    order = int(np.sqrt(coefficients.shape[-1])) - 1
    degree, m = acn(order)
    positive = coefficients[..., degree * degree + degree + np.abs(m)]
    negative = coefficients[..., degree * degree + degree - np.abs(m)]
    mixed = np.where(m > 0, positive - 1j * negative, (-1.0) ** m * (positive + 1j * negative)) / np.sqrt(2.0)
    result: ComplexArray = np.where(m == 0, positive, mixed)
    return result


def acn(order: int) -> tuple[IntArray, IntArray]:
    """Degree n and order m of every harmonic up to `order`, both ((order+1)^2,)."""
    number = np.arange((order + 1) ** 2)
    degree = np.floor(np.sqrt(number + 0.5)).astype(np.int64)
    return degree, (number - degree * degree - degree).astype(np.int64)


def outgoing_waves(order: int, x: FloatArray, x_reference: FloatArray) -> ComplexArray:
    """h_n^(2)(x) / |h_n^(2)(x_reference)|, shape x.shape + (order+1,); x_reference broadcasts against x.

    Forward recursion of the ratio h_n / h_(n-1), stable since h has no real zeros and grows with n.
    """
    x, reference = np.broadcast_arrays(np.asarray(x, dtype=float), np.asarray(x_reference, dtype=float))
    result = np.empty((*x.shape, order + 1), dtype=np.complex128)
    result[..., 0] = 1j * np.exp(-1j * x) * (reference / x)
    ratio, base = 1 / x + 1j, 1 / reference + 1j
    for n in range(1, order + 1):
        result[..., n] = result[..., n - 1] * (ratio / np.abs(base))
        ratio, base = (2 * n + 1) / x - 1 / ratio, (2 * n + 1) / reference - 1 / base
    return result


def log_hankel_size(order: int, x: FloatArray) -> FloatArray:
    """ln |h_n^(2)(x)|, shape x.shape + (order+1,); finite for every order."""
    x = np.asarray(x, dtype=float)
    result = np.empty((*x.shape, order + 1))
    result[..., 0] = -np.log(x)
    ratio = 1 / x + 1j
    for n in range(1, order + 1):
        result[..., n] = result[..., n - 1] + np.log(np.abs(ratio))
        ratio = (2 * n + 1) / x - 1 / ratio
    return result


def regular_waves(order: int, x: FloatArray, log_scale: FloatArray) -> FloatArray:
    """j_n(x) e^(log_scale_n), shape x.shape + (order+1,); log_scale broadcasts to that shape.

    Where j_n itself is below the number range, its limit x^n / (2n+1)!! stands for it, in logarithms.
    """
    from scipy.special import gammaln, spherical_jn

    x = np.asarray(x, dtype=float)[..., None]
    n = np.arange(order + 1)
    value = np.asarray(spherical_jn(n, x), dtype=float)
    # ln (2n+1)!! = ln gamma(2n+2) - n ln 2 - ln n!
    double_factorial = gammaln(2 * n + 2) - n * np.log(2.0) - gammaln(n + 1)
    with np.errstate(over="ignore", divide="ignore"):
        limit = np.exp(n * np.log(np.maximum(x, 1e-300)) - double_factorial + log_scale)
        size = np.exp(log_scale + np.log(np.abs(value)))
    small = (np.abs(value) < 1e-280) & (n > x)
    result: FloatArray = np.where(small, limit, np.sign(value) * size)
    return result


def rigid_sphere_scattering(order: int, ka: FloatArray) -> ComplexArray:
    """(F, order+1) outgoing over regular coefficient, -j_n'(ka) / h_n^(2)'(ka), of a rigid sphere.

    ka : (F,) wavenumber times radius. Morse, Vibration and Sound (from memory); no unit.
    """
    from scipy.special import spherical_jn, spherical_yn

    n, x = np.arange(order + 1), np.asarray(ka, dtype=float)[:, None]
    with np.errstate(all="ignore"):
        top = np.asarray(spherical_jn(n, x, derivative=True), dtype=float)
        bottom = top - 1j * np.asarray(spherical_yn(n, x, derivative=True), dtype=float)
        result = -top / bottom
    return np.where(np.isfinite(result) & np.isfinite(np.abs(bottom)), result, 0.0)


_TERMS_BEYOND_KA = 25
_STATIC_ORDERS = 1500
_LARGEST = 1e150


def cap_diffraction(ka: FloatArray, half_angle_rad: float, cos_angle: FloatArray) -> ComplexArray:
    """Far field of a cap in a rigid sphere, relative to a monopole of equal volume velocity at the sphere's center.

    ka : (F,) wavenumber times sphere radius, above 0
    half_angle_rad : half the opening angle of the cap, its velocity radial and uniform, in (0, pi]
    cos_angle : (D,) cosine of the angle between cap axis and direction

    Returns (D, F) complex, exp(+j omega t); tends to 1 as ka goes to 0. Phase refers to the sphere's center.
    Series in Legendre polynomials and spherical Hankel functions (Morse, Vibration and Sound, section 28;
    Beranek and Mellow, Acoustics, chapter 12; both from memory).
    Raises ValueError outside the stated ranges.
    """
    ka = np.asarray(ka, dtype=float)
    cos_angle = np.asarray(cos_angle, dtype=float)
    if ka.ndim != 1 or cos_angle.ndim != 1 or ka.size == 0 or not (np.isfinite(ka) & (ka > 0)).all():
        raise ValueError("ka must be a list of numbers above 0, cos_angle a list")
    if not 0 < half_angle_rad <= np.pi or (np.abs(cos_angle) > 1 + 1e-9).any():
        raise ValueError("cap half angle must lie in (0, pi], cosines within -1 and 1")
    order = np.arange(int(np.ceil(ka.max())) + _TERMS_BEYOND_KA + 1)
    velocity = cap_velocity(half_angle_rad, order.size)
    radial = velocity[:, None] * (1j**order)[:, None] * _inverse_hankel_slope(order, ka)
    angular = np.polynomial.legendre.legvander(np.clip(cos_angle, -1.0, 1.0), int(order[-1]))
    field: ComplexArray = (angular @ radial) / (1j * ka**2 * velocity[0])
    return field


def cap_near_pressure(ka: FloatArray, half_angle_rad: float, cos_angle: float, radius_ratio: float) -> ComplexArray:
    """(F,) pressure of the cap at a point, relative to j omega rho U / (4 pi a): its low-frequency field at distance a.

    cos_angle : cosine of the angle between cap axis and point; radius_ratio : distance of the point from the sphere's
    center over the sphere's radius, 1 or more. Series as in cap_diffraction; orders far above ka, which only store
    energy near the cap, enter by their static limit (a/r)^(n+1) / (n+1). Time zero is at the source.
    Raises ValueError outside the stated ranges.
    """
    ka = np.asarray(ka, dtype=float)
    if radius_ratio < 1 or abs(cos_angle) > 1 + 1e-9 or not (ka > 0).all():
        raise ValueError("the point must lie outside the sphere, ka above 0 and the cosine within -1 and 1")
    order = np.arange(_STATIC_ORDERS)
    velocity = cap_velocity(half_angle_rad, order.size)
    legendre = _legendre(min(1.0, max(-1.0, float(cos_angle))), int(order[-1]))
    share = velocity / velocity[0] * legendre
    static = radius_ratio ** -(order + 1.0) / (order + 1.0)
    low = order[: int(np.ceil(ka.max())) + _TERMS_BEYOND_KA // 2]
    slope = _inverse_hankel_slope(low, ka)
    moving = -_hankel(low, ka * radius_ratio) * slope / ka
    late = np.where(slope == 0, 0.0, moving - static[low][:, None])
    pressure: ComplexArray = np.sum(share * static) + share[low] @ late
    return pressure


def cap_at_distance(
    ka: FloatArray, half_angle_rad: float, cos_angle: FloatArray, radius_ratio: FloatArray
) -> ComplexArray:
    """The cap's pressure at points away from the sphere, times their distance, relative to the monopole's.

    ka : (F,); cos_angle, radius_ratio : (D,) of each point, distance from the sphere's center over its radius, at
    least 1.5 (closer the series is too short: use cap_near_pressure)

    Returns (D, F) complex: p / (j omega rho U exp(-jkr) / (4 pi r)); tends to cap_diffraction far away.
    Series as in cap_diffraction. Raises ValueError outside the stated ranges.
    """
    ka = np.asarray(ka, dtype=float)
    if (radius_ratio < 1.5).any() or (np.abs(cos_angle) > 1 + 1e-9).any() or not (ka > 0).all():
        raise ValueError("points must lie 1.5 radii or more from the center, ka above 0, cosines within -1 and 1")
    order = np.arange(int(np.ceil(ka.max())) + _TERMS_BEYOND_KA + 1)
    velocity = cap_velocity(half_angle_rad, order.size)
    angular = np.polynomial.legendre.legvander(np.clip(cos_angle, -1.0, 1.0), int(order[-1])) * velocity / velocity[0]
    away = radius_ratio[:, None] * ka
    spread = _hankel(order, away.ravel()).reshape(order.size, *away.shape)
    slope = _inverse_hankel_slope(order, ka)
    series = -np.einsum("dn,ndf,nf->df", angular, spread, slope)
    field: ComplexArray = series * radius_ratio[:, None] / ka * np.exp(1j * away)
    return field


def cap_velocity(half_angle_rad: float, count: int) -> FloatArray:
    """(count,) Legendre coefficients of a cap's radial velocity 1: U_n = (P_{n-1} - P_{n+1})(cos alpha) / 2."""
    legendre = _legendre(float(np.cos(half_angle_rad)), count + 1)
    lower = np.concatenate([[1.0], legendre[: count - 1]])
    coefficients: FloatArray = (lower - legendre[1 : count + 1]) / 2
    return coefficients


@lru_cache(maxsize=64)
def _legendre(x: float, highest: int) -> FloatArray:
    """(highest + 1,) Legendre polynomials at one point. A cabinet has few drivers, asked for again and again."""
    # In plain numbers: thousands of orders are asked for near a cone, and arrays of one value take long.
    told = [1.0, x]
    for order in range(2, highest + 1):
        told.append((told[-1] * x * (2 * order - 1) - told[-2] * (order - 1)) / order)
    found = np.array(told[: highest + 1])
    found.flags.writeable = False
    return found


def equal_volume_radius_m(width_m: float, height_m: float, depth_m: float) -> float:
    """Radius of the sphere that holds as much as a box [m]."""
    return float((3 * width_m * height_m * depth_m / (4 * np.pi)) ** (1 / 3))


def _inverse_hankel_slope(order: np.typing.NDArray[np.int_], ka: FloatArray) -> ComplexArray:
    """(N, F) 1 / h_n^(2)'(ka); 0 where the Hankel function is beyond the number range.

    h_n' = h_(n-1) - (n + 1) / x h_n, and h_0' = -h_1.
    """
    hankel = _hankel(np.arange(int(order[-1]) + 2), ka)
    n = np.arange(1, int(order[-1]) + 1)[:, None]
    with np.errstate(all="ignore"):
        slope = np.concatenate([-hankel[1:2], hankel[:-2] - (n + 1) / ka * hankel[1:-1]])
        usable = (hankel[:-1] != 0) & np.isfinite(slope) & (np.abs(slope) < _LARGEST)
        inverse: ComplexArray = np.where(usable, 1 / np.where(usable, slope, 1.0), 0.0)
    return inverse


def _hankel(order: np.typing.NDArray[np.int_], x: FloatArray) -> ComplexArray:
    """(N, F) h_n^(2)(x) for orders 0, 1, 2 ...; 0 where it is beyond the number range.

    Upward recurrence h_(n+1) = (2n + 1) / x h_n - h_(n-1) (handbook formula): stable, because above x the Hankel
    function grows with the order, and many times faster than asking for each order alone.
    """
    out = np.zeros((order.size, x.size), dtype=complex)
    before = np.exp(-1j * x) / x
    here = 1j * before
    with np.errstate(all="ignore"):
        for n in range(order.size):
            out[n] = here
            before, here = here, (2 * n + 1) / x * here - before
        return np.where(np.isfinite(out) & (np.abs(out) < _LARGEST), out, 0.0)


# Levels and pressures of a balloon at directions where nothing was measured, and how far they can be trusted.
#
# Two ways: real spherical harmonics fitted to the complex pressure, of the order that foretells left-out points best;
# and weights of the triangle of measured directions in which the wanted one lies, put on levels. The first is used only
# where leaving points out shows that the grid carries the pressure. Source: own choice of rules, tried on closed-form
# balloons; leave-one-out of a linear fit by its hat matrix, e / (1 - h) (handbook of regression, from memory).

CARRIED_DB = -15.0
LEAST_U_DB = 0.1
DEEP_DB, DEEP_U_DB = 15.0, 3.0
HIGHEST_ORDER = 24
_MARGIN = 0.9
_SMALLEST_SINGULAR = 1e-3
_OUTSIDE = -0.02
_REACH = 0.8


@dataclass(frozen=True, slots=True, eq=False)
class BalloonAt(Locked):
    """level_db, u_db : (T, F) at the wanted directions; known : (T,) False outside what was measured

    phase_rad : (T, F) where harmonics carry the pressure, NaN elsewhere; harmonic : (F,) frequencies fitted so
    """

    level_db: FloatArray
    u_db: FloatArray
    phase_rad: FloatArray
    known: BoolArray
    harmonic: BoolArray


def balloon_at(
    measured: FloatArray, level_db: FloatArray, phase_rad: FloatArray | None, wanted: FloatArray
) -> BalloonAt:
    """A balloon at other directions.

    measured : (D, 3) unit vectors; level_db : (D, F); phase_rad : (D, F) on one time, or None where directions share
    none; wanted : (T, 3) unit vectors.
    Raises ValueError for fewer than four directions, or all in one plane.
    """
    if len(measured) < 4:
        raise ValueError("a balloon needs four directions that lie in no plane")
    rows, weights, inside = triangles(measured, wanted)
    level = np.einsum("tk,tkf->tf", weights, level_db[rows])
    u = _left_out_u(measured, level_db, wanted, rows, weights)
    phase = np.full(level.shape, np.nan)
    harmonic = np.zeros(level_db.shape[1], dtype=bool)
    if phase_rad is not None:
        fits = _fits(measured)
        at = _harmonics_at(wanted, fits[-1].order)
        for column in range(level_db.shape[1]):
            pressure = 10 ** (level_db[:, column] / 20) * np.exp(1j * phase_rad[:, column])
            best = _carried(fits, pressure)
            if best is None:
                continue
            fit, coefficients, left = best
            found = at[:, : fit.basis.shape[1]] @ coefficients
            size = np.maximum(np.abs(found), 1e-30)
            level[:, column], phase[:, column] = 20 * np.log10(size), np.angle(found)
            u[:, column] = 20 / np.log(10) * np.minimum(left / size, 1.0) / np.sqrt(2.0)
            harmonic[column] = True
    loudest = level_db.max(axis=0)
    u = np.maximum(u, LEAST_U_DB)
    u = np.where((level < loudest - DEEP_DB) & ~harmonic, np.hypot(u, DEEP_U_DB), u)
    return BalloonAt(level, u, phase, inside, harmonic)


def _harmonics_at(directions: FloatArray, order: int) -> FloatArray:
    x, y, z = directions.T
    return real_harmonics(order, np.clip(z, -1.0, 1.0), np.arctan2(y, x))


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """Harmonics up to an order: basis (D, K), its pseudo-inverse (K, D), and the hat matrix's diagonal (D,)."""

    order: int
    basis: FloatArray
    inverse: FloatArray
    hat: FloatArray


def _fits(measured: FloatArray) -> list[_Fit]:
    """Every order that the directions can carry, from 0."""
    found: list[_Fit] = []
    most = min(HIGHEST_ORDER, int(np.sqrt(_MARGIN * len(measured))))
    every = _harmonics_at(measured, most)
    for order in range(most + 1):
        basis = every[:, : (order + 1) ** 2]
        if basis.shape[1] > _MARGIN * len(measured):
            break
        u, s, v = np.linalg.svd(basis, full_matrices=False)
        if s[-1] < _SMALLEST_SINGULAR * s[0]:
            break
        found.append(_Fit(order, basis, (v.T / s) @ u.T, (u**2).sum(axis=1)))
    return found


def _carried(fits: list[_Fit], pressure: ComplexArray) -> tuple[_Fit, ComplexArray, float] | None:
    """Fit, coefficients and rms of what left-out points miss; None where the grid does not carry the pressure."""
    size = float(np.sqrt(np.mean(np.abs(pressure) ** 2)))
    best: tuple[_Fit, ComplexArray, float] | None = None
    for fit in fits:
        coefficients = fit.inverse @ pressure
        residual = (pressure - fit.basis @ coefficients) / np.maximum(1.0 - fit.hat, 1e-6)
        left = float(np.sqrt(np.mean(np.abs(residual) ** 2)))
        if best is None or left < best[2]:
            best = (fit, coefficients, left)
    return None if best is None or best[2] > 10 ** (CARRIED_DB / 20) * size else best


def triangles(measured: FloatArray, wanted: FloatArray) -> tuple[IntArray, FloatArray, BoolArray]:
    """(T, 3) rows, (T, 3) weights that sum to 1, and (T,) whether the direction lies inside what was measured."""
    from scipy.spatial import ConvexHull, QhullError

    try:
        hull = ConvexHull(measured).simplices
    except QhullError:
        raise ValueError("the directions lie in one plane") from None
    corners = measured[hull]
    inverse = np.linalg.pinv(np.transpose(corners, (0, 2, 1)))
    rows = np.empty((len(wanted), 3), dtype=np.int64)
    weights = np.empty((len(wanted), 3))
    inside = np.empty(len(wanted), dtype=bool)
    usual = float(np.percentile(_widest(corners), 75))
    for place, direction in enumerate(wanted):
        share = inverse @ direction
        best = int(np.argmax(share.min(axis=1)))
        rows[place] = hull[best]
        positive = np.maximum(share[best], 0.0)
        weights[place] = positive / positive.sum()
        # Triangles that close a side on which nothing was measured lie far from all that was.
        near = float(np.sqrt(max(2.0 - 2.0 * float((measured @ direction).max()), 0.0)))
        inside[place] = share[best].min() > _OUTSIDE and near <= _REACH * usual
    return rows, weights, inside


def _widest(corners: FloatArray) -> FloatArray:
    sides = np.stack([corners[:, 0] - corners[:, 1], corners[:, 1] - corners[:, 2], corners[:, 2] - corners[:, 0]])
    return np.asarray(np.linalg.norm(sides, axis=-1).max(axis=0), dtype=float)


def _left_out_u(
    measured: FloatArray, level_db: FloatArray, wanted: FloatArray, rows: IntArray, weights: FloatArray
) -> FloatArray:
    """(T, F) largest error at the three neighbors when each is foretold by others, scaled to the wanted one's reach.

    A straight line through a bend errs by half the bend times the weighted square of the distances to its corners
    (Taylor's formula); so the error where a point is left out tells the bend, and the wanted direction's own distances
    the error there. None of the foretelling points is nearer than the wanted direction's nearest: equal-angle grids
    crowd at the poles, where near-equal neighbors would make the bend look small.
    """
    u = np.empty((len(wanted), level_db.shape[1]))
    gap = np.arccos(np.clip(measured @ measured.T, -1.0, 1.0))
    away = np.arccos(np.clip(wanted @ measured.T, -1.0, 1.0)).min(axis=1)
    errors: dict[tuple[int, float], tuple[FloatArray, float]] = {}
    for place in range(len(wanted)):
        parts = []
        for row in rows[place]:
            key = (int(row), round(float(away[place]), 3))
            if key not in errors:
                kept = np.flatnonzero(gap[row] > max(away[place], 1e-9))
                told, reach = _foretold(measured[kept], level_db[kept], measured[row])
                errors[key] = (told - level_db[row], reach)
            error, reach = errors[key]
            own = float(
                weights[place] @ np.square(np.arccos(np.clip(measured[rows[place]] @ wanted[place], -1.0, 1.0)))
            )
            parts.append(error * min(own / max(reach, 1e-12), 1.0))
        u[place] = np.max(np.abs(parts), axis=0)
    return u


def _foretold(measured: FloatArray, level_db: FloatArray, direction: FloatArray) -> tuple[FloatArray, float]:
    """(F,) level at a direction by the best-lying three of its nearest eight, and their weighted square distance."""
    near = np.argsort(-(measured @ direction), kind="stable")[:8]
    best: tuple[float, FloatArray, IntArray] | None = None
    for a in range(6):
        for b in range(a + 1, 7):
            for c in range(b + 1, min(8, near.size)):
                rows = near[[a, b, c]]
                matrix = measured[rows].T
                if abs(np.linalg.det(matrix)) < 1e-6:
                    continue
                share = np.linalg.solve(matrix, direction)
                if best is None or share.min() > best[0] + 1e-9:
                    best = (float(share.min()), np.asarray(share, dtype=float), rows)
    if best is None or best[0] < -0.5:
        away = float(np.arccos(np.clip(measured[near[0]] @ direction, -1.0, 1.0)))
        return np.asarray(level_db[near[0]], dtype=float), away**2
    positive = np.maximum(best[1], 0.0) / np.maximum(best[1], 0.0).sum()
    away_rad = np.arccos(np.clip(measured[best[2]] @ direction, -1.0, 1.0))
    return np.asarray(positive @ level_db[best[2]], dtype=float), float(positive @ away_rad**2)
