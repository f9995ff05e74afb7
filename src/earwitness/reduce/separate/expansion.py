"""Many right-hand sides at one frequency: waves fitted to pressures, their gradient, and what reaches far away.

For the doubts of a scan: the same regularized normal equations as the routes solve, with the penalties that they found,
but for as many columns as there are things that may be off.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.linalg
from scipy.linalg import lapack

from earwitness.dsp.spherical import acn, complex_from_real, complex_harmonics, real_harmonics
from earwitness.quantities import BoolArray, ComplexArray, FloatArray, IntArray
from earwitness.reduce.separate.field import Shell, far_factor, incoming_columns, outgoing_columns
from earwitness.reduce.separate.normal_equations import Matrix
from earwitness.reduce.separate.ring_route import from_real_pair

# Scaled outgoing strengths (R, K) that the body makes of incoming ones (R, K') at one wavenumber, up to an order.
Scatterer = Callable[[ComplexArray, float, int], ComplexArray]

_STEP_M = 1e-4
_SMALLEST_LOAD = 1e-13


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Points (P, 3) from the middle, local axes, with harmonics there and, for slopes, a step away along each axis."""

    points_m: FloatArray
    radius_m: tuple[FloatArray, ...]
    harmonics: tuple[FloatArray, ...]


def places_of(points_m: FloatArray, order: int, *, beside: bool = True) -> Places:
    """Harmonics (P, K) of up to `order` at the points and, for slopes, at six places beside each."""
    radii, tables = [], []
    for step in (np.zeros((1, 3)), _STEP_M * np.eye(3), -_STEP_M * np.eye(3))[: 3 if beside else 1]:
        for one in step:
            there = points_m + one
            radius = np.linalg.norm(there, axis=1)
            radii.append(radius)
            tables.append(real_harmonics(order, there[:, 2] / radius, np.arctan2(there[:, 1], there[:, 0])))
    return Places(points_m, tuple(radii), tuple(tables))


class Expansion:
    """Outgoing and, with order_in >= 0, incoming waves at wavenumber k; penalty (2,) as in Evidence; used (P,) points
    that are fitted, None for all."""

    def __init__(
        self, places: Places, k: float, shell: Shell, order_out: int, order_in: int, penalty: FloatArray,
        *, used: BoolArray | None = None,
    ) -> None:  # fmt: skip
        self.places, self.k, self.shell = places, k, shell
        self.order_out, self.order_in = order_out, order_in
        self.matrix = self._columns(0)
        self.used = slice(None) if used is None else used
        seen = self.matrix[self.used]
        gram = np.asarray(seen.conj().T @ seen)
        columns = (order_out + 1) ** 2
        diagonal = gram.diagonal().real.copy()
        load = np.where(np.arange(diagonal.size) >= columns, penalty[1], penalty[0])
        load = load + _SMALLEST_LOAD * diagonal.max()
        self.scale = 1 / np.sqrt(diagonal + load)
        scaled = gram * self.scale[:, None] * self.scale
        scaled[np.diag_indices_from(scaled)] += load * self.scale**2
        self.factor = scipy.linalg.cho_factor(scaled, lower=True, check_finite=False)
        self.load = load

    @cached_property
    def inverse(self) -> Matrix:
        """(C, C) of the normal equations: covariance of the unknowns for noise of variance 1."""
        potri = lapack.dpotri if self.matrix.dtype.kind == "f" else lapack.zpotri
        half = np.tril(potri(self.factor[0], lower=1)[0])
        inverse = half + np.tril(half, -1).conj().T
        return np.asarray(inverse * self.scale[:, None] * self.scale)

    @property
    def leverage(self) -> FloatArray:
        """(P,) variance of the fitted pressures for noise of variance 1; of a fitted point its share in itself."""
        return np.asarray(np.sum((self.matrix @ self.inverse) * self.matrix.conj(), axis=1).real, dtype=float)

    @property
    def settled(self) -> float:
        """How many unknowns the data settle."""
        return float(self.scale.size - np.sum(self.inverse.diagonal().real * self.load))

    def _along_radius(self, place: int) -> tuple[Matrix, ...]:
        """(P, N+1) of outgoing waves and, with them, (P, N'+1) of incoming ones."""
        radii, at = np.unique(np.round(self.places.radius_m[place], 9), return_inverse=True)
        wave = np.array([self.k])
        outgoing = outgoing_columns(wave, radii, self.order_out, self.shell)[0][at]
        if self.order_in < 0:
            return (outgoing,)
        return -outgoing.imag, incoming_columns(wave, radii, self.order_in, self.shell)[0][at]

    def _columns(self, place: int) -> Matrix:
        basis, parts = self.places.harmonics[place], []
        for waves in self._along_radius(place):
            degree = acn(waves.shape[1] - 1)[0]
            parts.append(basis[:, : degree.size] * waves[:, degree])
        return np.concatenate(parts, axis=1)

    def _heard(self, place: int, unknowns: ComplexArray) -> ComplexArray:
        """(P,) pressure of unknowns (C,), as _columns @ unknowns."""
        total, first = np.zeros(len(self.places.points_m), dtype=np.complex128), 0
        for waves in self._along_radius(place):
            for n in range(waves.shape[1]):
                own = unknowns[first + n * n : first + (n + 1) ** 2, None]
                total += _product(self.places.harmonics[place][:, n * n : (n + 1) ** 2], own)[:, 0] * waves[:, n]
            first += waves.shape[1] ** 2
        return total

    def fitted(self, data: ComplexArray) -> ComplexArray:
        """(C, R) unknowns of data (P, R)."""
        right = self.scale[:, None] * _product(self.matrix[self.used].conj().T, data[self.used])
        if self.matrix.dtype.kind == "c":
            solved = scipy.linalg.cho_solve(self.factor, right, check_finite=False)
        else:
            both = np.concatenate([right.real, right.imag], axis=1)
            pair = scipy.linalg.cho_solve(self.factor, both, check_finite=False)
            solved = pair[:, : data.shape[1]] + 1j * pair[:, data.shape[1] :]
        return np.asarray(self.scale[:, None] * solved, dtype=np.complex128)

    def held_back(self, unknowns: ComplexArray) -> ComplexArray:
        """(C, R) by how much the penalties make unknowns (C, R) smaller than the waves are, to first order."""
        return _product(self.inverse, self.load[:, None] * unknowns)

    def field(self, unknowns: ComplexArray) -> ComplexArray:
        """(P, R) pressures of unknowns (C, R)."""
        return _product(self.matrix, unknowns)

    def slope(self, unknowns: ComplexArray) -> ComplexArray:
        """(P, 3) gradient of the pressures of unknowns (C,)."""
        ahead = [self._heard(1 + axis, unknowns) - self._heard(4 + axis, unknowns) for axis in range(3)]
        return np.stack(ahead, axis=1) / (2 * _STEP_M)

    def waves(self, unknowns: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
        """Scaled complex outgoing (R, K) and incoming (R, K') strengths of unknowns (C, R)."""
        columns, rows = (self.order_out + 1) ** 2, unknowns.shape[1]
        y, j = unknowns[:columns].T, unknowns[columns:].T
        wave, inward = np.full(rows, self.k), np.full(rows, self.order_in)
        if self.order_in < 0:
            return complex_from_real(y), np.zeros((rows, 1), dtype=np.complex128)
        outgoing, incoming = from_real_pair(y, j, wave, self.shell, inward)
        return complex_from_real(outgoing), complex_from_real(incoming)

    def far(self, unknowns: ComplexArray, look: FloatArray, scatterer: Scatterer | None) -> ComplexArray:
        """(D, R) far field at 1 m along local unit vectors look (D, 3), less what the body scatters."""
        outgoing, incoming = self.waves(unknowns)
        if scatterer is not None and self.order_in >= 0:
            outgoing = outgoing - scatterer(incoming, self.k, self.order_out)
        basis = complex_harmonics(self.order_out, look[:, 2], np.arctan2(look[:, 1], look[:, 0]))
        waves = far_factor(np.array([self.k]), self.order_out, self.shell)[0][acn(self.order_out)[0]]
        return np.asarray(basis * waves, dtype=np.complex128) @ outgoing.T

    def noise_far(self, look: FloatArray) -> ComplexArray:
        """(D, D) covariance of the far field for noise of variance 1 at every point, scattering left aside."""
        columns = (self.order_out + 1) ** 2
        table = real_harmonics(self.order_out, look[:, 2], np.arctan2(look[:, 1], look[:, 0]))
        rows = table * far_factor(np.array([self.k]), self.order_out, self.shell)[0][acn(self.order_out)[0]]
        return np.asarray(rows @ self.inverse[:columns, :columns] @ rows.conj().T, dtype=np.complex128)


def _product(matrix: Matrix, data: ComplexArray) -> ComplexArray:
    """matrix @ data (N, R) without turning a real matrix complex."""
    if matrix.dtype.kind == "c":
        return np.asarray(matrix @ data, dtype=np.complex128)
    both = np.ascontiguousarray(np.concatenate([data.real, data.imag], axis=1))
    pair = matrix @ both
    return np.asarray(pair[:, : data.shape[1]] + 1j * pair[:, data.shape[1] :], dtype=np.complex128)


def orders_of(order_out: IntArray, order_in: IntArray) -> int:
    """Highest order of several frequencies, of both kinds of waves."""
    return int(max(order_out.max(), order_in.max(), 0))
