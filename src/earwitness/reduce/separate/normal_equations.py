"""Regularized normal equations of one frequency by Cholesky: in double, or in single precision refined to double; and
what both routes of the solver hand back.

Columns are scaled to unit diagonal first, so that single precision bears as much as their condition allows. The
single factor is then a preconditioner: residuals are taken in double until corrections vanish (Wilkinson's iterative
refinement; Higham, Accuracy and Stability of Numerical Algorithms, chapter 12, from memory).
"""

from dataclasses import dataclass
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
    matrix: Matrix,
    data: ComplexArray,
    kept: IntArray,
    columns: int,
    penalty: FloatArray | None,
    *,
    single: bool = False,
) -> Solution:
    """matrix (P, C) in Fortran order, real or complex; data (P,); kept (R,) rows to use; columns : outgoing ones.

    EarwitnessError where the equations are singular.
    """
    used, seen = (matrix, data) if kept.size == data.size else (np.asfortranarray(matrix[kept]), data[kept])
    diagonal = np.einsum("pc,pc->c", used.conj(), used).real.copy()
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
    return Solution(unknowns, apply(matrix, unknowns), whole, scale[:columns], spread, condition, penalty, load)


def _direct(
    used: Matrix, seen: ComplexArray, scale: FloatArray, load: FloatArray
) -> tuple[ComplexArray, Matrix, float] | None:
    factored = _factored(used * scale, load * scale**2)
    if factored is None:
        return None
    factor, norm = factored
    unknowns = scale * _substituted(factor, scale * turned(used, seen))
    inverse = _inverted(factor)
    return unknowns, inverse, float(np.sqrt(norm * _norm(inverse)))


def _refined(
    used: Matrix, seen: ComplexArray, scale: FloatArray, load: FloatArray
) -> tuple[ComplexArray, Matrix, float] | None:
    """None where single precision does not bear the matrix."""
    kind = np.complex64 if _is_complex(used) else np.float32
    narrow = np.multiply(used, scale, out=np.empty(used.shape, kind, order="F"), casting="same_kind")
    factored = _factored(narrow, load * scale**2)
    if factored is None:
        return None
    factor, norm = factored
    rest = turned(used, seen)
    unknowns = scale * _substituted(factor, scale * rest)
    first = size = float(np.linalg.norm(unknowns / scale))
    for number in range(1, _MOST_ROUNDS):
        rest = turned(used, seen - apply(used, unknowns)) - load * unknowns
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


def _factored(scaled: Matrix, load: FloatArray) -> tuple[Matrix, float] | None:
    """Lower Cholesky factor of the loaded Gram matrix with unit diagonal, and that matrix's 1-norm."""
    rank_k = {"D": blas.zherk, "d": blas.dsyrk, "F": blas.cherk, "f": blas.ssyrk}[scaled.dtype.char]
    potrf = {"D": lapack.zpotrf, "d": lapack.dpotrf, "F": lapack.cpotrf, "f": lapack.spotrf}[scaled.dtype.char]
    trans = 2 if _is_complex(scaled) else 1
    gram: Any = rank_k(1.0, np.asfortranarray(scaled), trans=trans, lower=1)
    np.fill_diagonal(gram, gram.diagonal().real + load)
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


def _is_complex(matrix: Matrix) -> bool:
    return matrix.dtype.kind == "c"


def apply(matrix: Matrix, data: ComplexArray) -> ComplexArray:
    """matrix @ data without turning a real matrix complex."""
    if _is_complex(matrix):
        return np.asarray(matrix @ data, dtype=np.complex128)
    both = matrix @ np.ascontiguousarray(data).view(np.float64).reshape(-1, 2)
    return np.ascontiguousarray(both).view(np.complex128)[:, 0]


def turned(matrix: Matrix, data: ComplexArray) -> ComplexArray:
    """Conjugate transpose of the matrix @ data."""
    return np.asarray(apply(matrix.T, data.conj()).conj(), dtype=np.complex128)


def _substituted(factor: Matrix, right: ComplexArray) -> ComplexArray:
    if _is_complex(factor):
        potrs = lapack.zpotrs if factor.dtype.char == "D" else lapack.cpotrs
        return np.asarray(potrs(factor, right.astype(factor.dtype), lower=1)[0], dtype=np.complex128)
    pair = np.ascontiguousarray(right).view(np.float64).reshape(-1, 2).astype(factor.dtype)
    potrs = lapack.dpotrs if factor.dtype.char == "d" else lapack.spotrs
    solved = np.asarray(potrs(factor, pair, lower=1)[0], dtype=np.float64)
    return np.ascontiguousarray(solved).view(np.complex128)[:, 0]
