"""Regularized normal equations of one frequency by Cholesky: in double, or in single precision refined to double; and
what both routes of the solver hand back.

Columns are scaled to unit diagonal first, so that single precision bears as much as their condition allows. The
single factor is then a preconditioner: residuals are taken in double until corrections vanish (Wilkinson's iterative
refinement; Higham, Accuracy and Stability of Numerical Algorithms, chapter 12, from memory).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import scipy.linalg.blas as blas
import scipy.linalg.lapack as lapack

from earwitness.errors import EarwitnessError
from earwitness.quantities import ComplexArray, FloatArray, IntArray
from earwitness.reduce.separate.field import Shell

# Regularization chosen by the data: noise, and how strong outgoing and incoming waves are, from the fit itself.
#
# Every frequency has three unknown variances: of the noise, of the scaled outgoing and of the scaled incoming
# coefficients. Their most probable values follow from the fit's residual, the size of its coefficients and the number
# of coefficients that the data settle (MacKay, Bayesian interpolation, Neural Computation 4, 1992; from memory).

START_RELATIVE_NOISE = 1e-3
_SMALLEST = 1e-20


@dataclass(frozen=True, slots=True, eq=False)
class Regularization:
    """penalty (F, 2): noise variance over coefficient variance, outgoing then incoming; noise_variance (F,);
    settled (F,): number of coefficients that the data settle; gcv (F,): generalized cross-validation score."""

    penalty: FloatArray
    noise_variance: FloatArray
    settled: FloatArray
    gcv: FloatArray


def updated(
    penalty: FloatArray, count: FloatArray, spread: FloatArray, energy: FloatArray, residual: FloatArray, points: float
) -> Regularization:
    """One step of the evidence iteration.

    count (F, 2) coefficients of each kind; spread (F, 2) penalty times the trace of the inverse over each kind;
    energy (F, 2) sum of |coefficients|^2; residual (F,) sum of |data - fit|^2; points : number of data.
    """
    settled = np.clip(count - spread, 1e-3, None)
    free = np.maximum(points - settled.sum(axis=1), 0.02 * points)
    noise = np.maximum(residual / free, _SMALLEST)
    fresh = noise[:, None] * settled / np.maximum(energy, _SMALLEST)
    score = points * residual / free**2
    return Regularization(np.clip(fresh, penalty * 1e-6, penalty * 1e6), noise, settled.sum(axis=1), score)


# Real where both kinds of waves are fitted, complex for outgoing ones alone.
Matrix = npt.NDArray[np.inexact[Any]]


@dataclass(frozen=True, slots=True, eq=False)
class Waves:
    """The matrix (P, C) of one frequency by what it is made of: in double precision it would be as large again as all
    that its equations need. Products with it are as exact as with the matrix itself.

    basis (P, K) : harmonics at the points; factors : for outgoing, then incoming waves, values along the radius
    (P, N+1) and the degree (C,) of each column, rising. A column is one of `basis`, times the values of its degree.
    """

    basis: FloatArray
    factors: tuple[tuple[Matrix, IntArray], ...]

    def only(self, kept: IntArray) -> "Waves":
        """With nought in all rows but those."""
        row = np.zeros((len(self.basis), 1))
        row[kept] = 1.0
        return Waves(self.basis, tuple((values * row, degree) for values, degree in self.factors))

    def of_degrees(self) -> Iterator[tuple[slice, FloatArray, Matrix]]:
        """Columns of one degree after the other: which, their harmonics (P, c) and values (P,)."""
        first = 0
        for values, degree in self.factors:
            ends = np.searchsorted(degree, np.arange(values.shape[1] + 1)).tolist()
            for n, (start, stop) in enumerate(pairwise(ends)):
                yield slice(first + start, first + stop), self.basis[:, start:stop], values[:, n]
            first += degree.size

    def scaled(self, scale: FloatArray, kind: Any) -> Matrix:
        """(P, C) in Fortran order and of that precision, its columns times scale (C,)."""
        made: Matrix = np.empty((len(self.basis), scale.size), dtype=kind, order="F")
        for own, basis, values in self.of_degrees():
            made[:, own] = basis * values[:, None] * scale[own]
        return made

    def squares(self) -> FloatArray:
        """(C,) sum of the squares of each column."""
        parts = [np.einsum("p,pc,pc->c", np.abs(values) ** 2, basis, basis) for _, basis, values in self.of_degrees()]
        return np.concatenate(parts)

    def apply(self, unknowns: ComplexArray) -> ComplexArray:
        """(P,) the matrix times unknowns (C,)."""
        total = np.zeros(len(self.basis), dtype=np.complex128)
        for own, basis, values in self.of_degrees():
            total += values * _product(basis, unknowns[own])
        return total

    def turned(self, data: ComplexArray) -> ComplexArray:
        """(C,) its conjugate transpose times data (P,)."""
        return np.concatenate([_product(basis.T, values.conj() * data) for _, basis, values in self.of_degrees()])


def _product(matrix: FloatArray, vector: ComplexArray) -> ComplexArray:
    """matrix @ vector without turning the matrix complex."""
    both = matrix @ np.ascontiguousarray(vector).view(np.float64).reshape(-1, 2)
    return np.ascontiguousarray(both).view(np.complex128)[:, 0]


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Coefficients of outgoing and incoming waves about one center.

    outgoing, incoming : (F, K) complex, scaled as radial.py says, complex harmonics in ACN order, 0 beyond the order
    order_out, order_in : (F,), order_in -1 where no incoming waves were fitted
    residual : (P, F) data less fit; predicted left-out points included
    condition : (F,) of the regularized, scaled matrix
    variance : (G, F) of the far field at 1 m, by direction: unit vectors (G, 3), or cosines (G,) of the polar angle
    """

    shell: Shell
    order_out: IntArray
    order_in: IntArray
    outgoing: ComplexArray
    incoming: ComplexArray
    residual: ComplexArray
    evidence: Regularization
    condition: FloatArray
    directions: FloatArray
    variance: FloatArray


SMALLEST_LOAD = 1e-14
_MOST_ROUNDS = 12
_SETTLED = 1e-11
_LARGEST_FIRST_CORRECTION = 1e-2


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """unknowns (C,); fitted (P,), left-out points too; inverse (O, O) of the loaded Gram matrix over the outgoing
    columns, to be multiplied by scale (O,) on both sides; inverse_diagonal (C,), all of it; condition of the scaled
    matrix; penalty (2,), load (C,) that were used."""

    unknowns: ComplexArray
    fitted: ComplexArray
    inverse: Matrix
    scale: FloatArray
    inverse_diagonal: FloatArray
    condition: float
    penalty: FloatArray
    load: FloatArray


def loads(diagonal: FloatArray, columns: int, penalty: FloatArray | None) -> tuple[FloatArray, FloatArray]:
    """Penalty (2,) and load (C,) of outgoing, then incoming columns; a start from the diagonal where None."""
    if penalty is None:
        penalty = np.full(2, START_RELATIVE_NOISE**2 * diagonal.max())
    incoming = np.arange(diagonal.size) >= columns
    return penalty, np.where(incoming, penalty[1], penalty[0]) + SMALLEST_LOAD * diagonal.max()


def solve(
    waves: Waves, data: ComplexArray, kept: IntArray, columns: int, penalty: FloatArray | None, *, single: bool = False
) -> Solution:
    """data (P,); kept (R,) rows to use; columns : outgoing ones. EarwitnessError where the equations are singular."""
    used, seen = waves, data
    if kept.size < data.size:
        used, seen = waves.only(kept), np.zeros_like(data)
        seen[kept] = data[kept]
    diagonal = used.squares()
    penalty, load = loads(diagonal, columns, penalty)
    scale = 1 / np.sqrt(diagonal + load)
    found = _refined(used, seen, scale, load) if single else None
    if found is None:
        found = _direct(used, seen, scale, load)
    if found is None:
        raise EarwitnessError("the separation's equations can't be solved at these points", remedy="lower the order")
    unknowns, inverse, condition = found
    part = inverse[:columns, :columns]
    whole = part + part.conj().T
    np.fill_diagonal(whole, part.diagonal())
    spread = inverse.diagonal().real * scale**2
    return Solution(unknowns, waves.apply(unknowns), whole, scale[:columns], spread, condition, penalty, load)


def _direct(
    used: Waves, seen: ComplexArray, scale: FloatArray, load: FloatArray
) -> tuple[ComplexArray, Matrix, float] | None:
    factored = _factored(used, used.factors[0][0].dtype, scale, load)
    if factored is None:
        return None
    factor, norm = factored
    unknowns = scale * _substituted(factor, scale * used.turned(seen))
    inverse = _inverted(factor)
    return unknowns, inverse, float(np.sqrt(norm * _norm(inverse)))


def _refined(
    used: Waves, seen: ComplexArray, scale: FloatArray, load: FloatArray
) -> tuple[ComplexArray, Matrix, float] | None:
    """None where single precision does not bear the matrix."""
    factored = _factored(used, np.complex64 if used.factors[0][0].dtype.kind == "c" else np.float32, scale, load)
    if factored is None:
        return None
    factor, norm = factored
    rest = used.turned(seen)
    unknowns = scale * _substituted(factor, scale * rest)
    first = size = float(np.linalg.norm(unknowns / scale))
    for number in range(1, _MOST_ROUNDS):
        rest = used.turned(seen - used.apply(unknowns)) - load * unknowns
        step = scale * _substituted(factor, scale * rest)
        unknowns = unknowns + step
        before, size = size, float(np.linalg.norm(step / scale))
        if number == 1 and size > _LARGEST_FIRST_CORRECTION * first:
            return None
        # Corrections shrink by one factor: the next is known before it is made.
        if size * size <= _SETTLED * first * before:
            inverse = _inverted(factor)
            return unknowns, inverse, float(np.sqrt(norm * _norm(inverse)))
    return None


def _factored(used: Waves, kind: Any, scale: FloatArray, load: FloatArray) -> tuple[Matrix, float] | None:
    """Lower Cholesky factor of the loaded Gram matrix with unit diagonal, in that precision, and the Gram matrix's
    1-norm."""
    scaled = used.scaled(scale, kind)
    char, trans = scaled.dtype.char, 2 if scaled.dtype.kind == "c" else 1
    rank_k = {"D": blas.zherk, "d": blas.dsyrk, "F": blas.cherk, "f": blas.ssyrk}[char]
    potrf = {"D": lapack.zpotrf, "d": lapack.dpotrf, "F": lapack.cpotrf, "f": lapack.spotrf}[char]
    gram: Any = rank_k(1.0, scaled, trans=trans, lower=1)
    del scaled
    np.fill_diagonal(gram, gram.diagonal().real + load * scale**2)
    norm = _norm(gram)
    factor, failed = potrf(gram, lower=1, overwrite_a=1)
    return None if failed else (factor, norm)


def _inverted(factor: Matrix) -> Matrix:
    potri = {"D": lapack.zpotri, "d": lapack.dpotri, "F": lapack.cpotri, "f": lapack.spotri}[factor.dtype.char]
    inverse, _ = potri(factor, lower=1, overwrite_c=1)
    return np.asarray(inverse)


def _norm(lower: Matrix) -> float:
    """1-norm of a Hermitian matrix given by its lower half, zeros above."""
    size = np.abs(lower)
    return float((size.sum(axis=0) + size.sum(axis=1) - size.diagonal()).max())


def _substituted(factor: Matrix, right: ComplexArray) -> ComplexArray:
    if factor.dtype.kind == "c":
        potrs = lapack.zpotrs if factor.dtype.char == "D" else lapack.cpotrs
        return np.asarray(potrs(factor, right.astype(factor.dtype), lower=1)[0], dtype=np.complex128)
    pair = np.ascontiguousarray(right).view(np.float64).reshape(-1, 2).astype(factor.dtype)
    potrs = lapack.dpotrs if factor.dtype.char == "d" else lapack.spotrs
    solved = np.asarray(potrs(factor, pair, lower=1)[0], dtype=np.float64)
    return np.ascontiguousarray(solved).view(np.complex128)[:, 0]
