"""Directivities in SOFA files as coefficients of spherical harmonics: evaluated where ANSI/CTA-2034-A needs them.

AES69 lets receivers or emitters be coefficients; files name neither normalization nor sign, so that a person says which
(real harmonics in the order n^2 + n + m; definitions of N3D and SN3D from memory, held against a general-purpose
library in tests/formats/test_harmonic_sofa.py).
"""

import numpy as np

from earwitness.dsp.spherical import acn, real_harmonics
from earwitness.quantities.arrays import ComplexArray, FloatArray

NORMALIZATIONS = ("orthonormal", "N3D", "SN3D")
_SIGNED = ", Condon-Shortley sign"
HARMONICS = (*NORMALIZATIONS, *(f"{name}{_SIGNED}" for name in NORMALIZATIONS))
MOST_ORDER = 60


def order_of(coefficients: int) -> int:
    """Order of a set of coefficients. ValueError where their number is no square, or too large."""
    order = round(float(np.sqrt(coefficients))) - 1
    if (order + 1) ** 2 != coefficients or not 0 <= order <= MOST_ORDER:
        raise ValueError(f"{coefficients} coefficients are no complete set of spherical harmonics")
    return order


def harmonic_basis(order: int, directions: FloatArray, kind: str) -> FloatArray:
    """(D, (order + 1)^2) real harmonics at unit vectors (D, 3), of one of HARMONICS."""
    x, y, z = directions.T
    basis = real_harmonics(order, np.clip(z, -1.0, 1.0), np.arctan2(y, x))
    degree, m = acn(order)
    factor = np.ones(degree.size)
    if not kind.startswith("orthonormal"):
        factor = factor * np.sqrt(4 * np.pi)
    if kind.startswith("SN3D"):
        factor = factor / np.sqrt(2.0 * degree + 1.0)
    if not kind.endswith(_SIGNED):
        factor = factor * np.where(m % 2 == 0, 1.0, -1.0)
    return np.asarray(basis * factor, dtype=float)


def smoothest(directions: FloatArray, pressure: ComplexArray, order: int) -> ComplexArray:
    """((order + 1)^2, F) orthonormal coefficients of the smoothest series through pressure (D, F) at unit vectors.

    Least sum of (1 + n (n + 1))^2 |c|^2, the square of the surface Laplacian (splines on the sphere, from memory).
    ValueError where the order can't pass through all directions.
    """
    basis = harmonic_basis(order, directions, "orthonormal")
    degree, _ = acn(order)
    weight = 1.0 / (1.0 + degree * (degree + 1.0)) ** 2
    kernel = (basis * weight) @ basis.T
    if np.linalg.cond(kernel) > 1e12:
        raise ValueError(f"order {order} does not pass through {len(directions)} directions")
    return np.asarray(weight[:, None] * (basis.T @ np.linalg.solve(kernel, pressure)), dtype=np.complex128)
