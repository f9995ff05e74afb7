"""Spherical harmonics and spherical waves, scaled so that no order leaves the number range.

exp(+j omega t): outgoing waves are h_n of the second kind. Harmonics are orthonormal, with the Condon-Shortley phase;
complex ones in ACN order (n^2 + n + m), Y_n,-m = (-1)^m conj(Y_nm). Polar angles count from +z.
"""

import numpy as np

from earwitness.quantities.arrays import ComplexArray, FloatArray, IntArray


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
