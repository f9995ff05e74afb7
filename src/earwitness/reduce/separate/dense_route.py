"""Separation at irregular points: one real Gram matrix and one Cholesky factor per frequency.

In the real pair (j_n, y_n) and real harmonics the matrix is real: its Gram matrix costs a quarter of the complex one.
Penalties start from those of the frequency below, so that one factor per frequency is enough after the first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.linalg.blas as blas
import scipy.linalg.lapack as lapack

from earwitness.dsp.spherical import acn, complex_from_real, real_harmonics
from earwitness.errors import EarwitnessError
from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray, IntArray
from earwitness.reduce.separate.evidence import START_RELATIVE_NOISE, Evidence, updated
from earwitness.reduce.separate.fit import Fit, Matrix
from earwitness.reduce.separate.radial import Shell, far_factor, incoming_columns, outgoing_columns
from earwitness.reduce.separate.ring_route import from_real_pair
from earwitness.reduce.separate.sampling import even_directions

POINTS_PER_UNKNOWN = 1.5
_GRID = 240
_FIRST_ROUNDS = 3


@dataclass(frozen=True, slots=True, eq=False)
class _Solved:
    """One frequency: unknowns (C,) complex, fitted (P,), the inverse's outgoing part, and what the data chose."""

    unknowns: ComplexArray
    fitted: ComplexArray
    outgoing_inverse: FloatArray
    condition: float
    evidence: Evidence


def order_cap(points: int, *, incoming: bool) -> int:
    """Highest order for which `points` are at least 1.5 times the unknowns."""
    return max(0, int(np.sqrt(points / POINTS_PER_UNKNOWN / (2 if incoming else 1))) - 1)


def fit_points(
    points_m: FloatArray,
    pressure: ComplexArray,
    k: FloatArray,
    shell: Shell,
    order_out: IntArray,
    order_in: IntArray,
    left_out: BoolArray,
    *,
    first_rounds: int = _FIRST_ROUNDS,
    penalty: FloatArray | None = None,
) -> Fit:
    """Outgoing and incoming waves of pressures at any points; points_m (P, 3) from the expansion center.

    pressure (P, F); k (F,) rising [rad/m]; order_in -1 for outgoing waves only; left_out (P,) not used, predicted;
    penalty (2,) to start from (see Evidence).
    """
    radius = np.linalg.norm(points_m, axis=1)
    top = int(max(order_out.max(), order_in.max()))
    basis = real_harmonics(top, points_m[:, 2] / radius, np.arctan2(points_m[:, 1], points_m[:, 0]))
    kept = np.flatnonzero(~left_out)
    grid = even_directions(_GRID)
    far_basis = real_harmonics(int(order_out.max()), grid[:, 2], np.arctan2(grid[:, 1], grid[:, 0]))
    radii, place = np.unique(np.round(radius, 7), return_inverse=True)
    count_out, count_in = (int(order_out.max()) + 1) ** 2, (max(int(order_in.max()), 0) + 1) ** 2
    y, j = np.zeros((k.size, count_out), dtype=complex), np.zeros((k.size, count_in), dtype=complex)
    fitted, variance = np.zeros_like(pressure), np.zeros((_GRID, k.size))
    solved: list[_Solved] = []
    for f in range(k.size):
        out, into = int(order_out[f]), int(order_in[f])
        matrix, columns = _matrix(basis, radii, place, k[f : f + 1], shell, out, into)
        for _round in range(first_rounds if f == 0 and penalty is None else 1):
            one = _solve(matrix, pressure[:, f], kept, columns, penalty)
            penalty = one.evidence.penalty[0]
        y[f, :columns], j[f, : one.unknowns.size - columns] = one.unknowns[:columns], one.unknowns[columns:]
        fitted[:, f] = one.fitted
        variance[:, f] = _variance(far_basis[:, :columns], far_factor(k[f : f + 1], out, shell)[0], one, columns)
        solved.append(one)
    outgoing, incoming = from_real_pair(y, j, k, shell, order_in)
    states = [one.evidence for one in solved]
    return Fit(
        shell=shell,
        order_out=order_out,
        order_in=order_in,
        outgoing=complex_from_real(outgoing),
        incoming=complex_from_real(incoming),
        residual=pressure - fitted,
        evidence=Evidence(
            np.concatenate([s.penalty for s in states]),
            np.concatenate([s.noise_variance for s in states]),
            np.concatenate([s.settled for s in states]),
            np.concatenate([s.gcv for s in states]),
        ),
        condition=np.array([one.condition for one in solved]),
        directions=grid,
        variance=variance,
    )


def _matrix(
    basis: FloatArray, radii: FloatArray, place: IntArray, k: FloatArray, shell: Shell, out: int, into: int
) -> tuple[Matrix, int]:
    """Matrix (P, C), Fortran order, and its number of outgoing columns; real with incoming waves, else complex h_n."""
    count_out = (out + 1) ** 2
    degree_out = acn(out)[0]
    waves = outgoing_columns(k, radii, out, shell)[0][place]
    if into < 0:
        return np.asfortranarray(basis[:, :count_out] * waves[:, degree_out]), count_out
    count_in = (into + 1) ** 2
    matrix = np.empty((place.size, count_out + count_in), order="F")
    np.multiply(basis[:, :count_out], -waves.imag[:, degree_out], out=matrix[:, :count_out])
    regular = incoming_columns(k, radii, into, shell)[0][place]
    np.multiply(basis[:, :count_in], regular[:, acn(into)[0]], out=matrix[:, count_out:])
    return matrix, count_out


def _solve(
    matrix: Matrix,
    data: ComplexArray,
    kept: IntArray,
    columns: int,
    penalty: FloatArray | None,
) -> _Solved:
    """Regularized normal equations of one frequency by Cholesky, and the penalties that its result suggests."""
    is_complex = _is_complex(matrix)
    used, seen = (matrix, data) if kept.size == data.size else (np.asfortranarray(matrix[kept]), data[kept])
    gram = blas.zherk(1.0, used, trans=2, lower=1) if is_complex else blas.dsyrk(1.0, used, trans=1, lower=1)
    diagonal = gram.diagonal().real.copy()
    if penalty is None:
        penalty = np.full(2, START_RELATIVE_NOISE**2 * diagonal.max())
    kind = np.arange(diagonal.size) >= columns
    load = np.where(kind, penalty[1], penalty[0]) + 1e-14 * diagonal.max()
    np.fill_diagonal(gram, diagonal + load)
    norm = _scaled_norm(gram, diagonal + load)
    right = _apply(used.conj().T, seen)
    factor, failed = (
        lapack.zpotrf(gram, lower=1, overwrite_a=1) if is_complex else lapack.dpotrf(gram, lower=1, overwrite_a=1)
    )
    if failed:
        raise EarwitnessError("the separation's equations can't be solved at these points", remedy="lower the order")
    x = _substituted(factor, right)
    inverse, _ = (
        lapack.zpotri(factor, lower=1, overwrite_c=1) if is_complex else lapack.dpotri(factor, lower=1, overwrite_c=1)
    )
    spread = inverse.diagonal().real * load
    fitted = _apply(matrix, x)
    counts = np.array([[np.sum(~kind), np.sum(kind)]], dtype=float)
    squared = np.abs(x) ** 2
    state = updated(
        penalty[None],
        counts,
        np.array([[spread[~kind].sum(), spread[kind].sum()]]),
        np.array([[squared[~kind].sum(), squared[kind].sum()]]),
        np.array([np.sum(np.abs(seen - fitted[kept]) ** 2)]),
        float(seen.size),
    )
    back = _scaled_norm(inverse, 1 / (diagonal + load))
    part = np.tril(inverse[:columns, :columns])
    part = part + np.tril(part, -1).conj().T
    return _Solved(x, fitted, part, float(np.sqrt(norm * back)), state)


def _is_complex(matrix: Matrix) -> bool:
    return matrix.dtype.kind == "c"


def _scaled_norm(lower: Matrix, diagonal: FloatArray) -> float:
    """1-norm of a Hermitian matrix, given by its lower half, with unit diagonal."""
    scale = np.sqrt(diagonal)
    size = np.tril(np.abs(lower)) / scale[:, None] / scale[None, :]
    return float((size.sum(axis=0) + size.sum(axis=1) - size.diagonal()).max())


def _apply(matrix: Matrix, data: ComplexArray) -> ComplexArray:
    """matrix @ data without turning a real matrix complex."""
    if _is_complex(matrix):
        return np.asarray(matrix @ data, dtype=np.complex128)
    both = matrix @ np.ascontiguousarray(data).view(np.float64).reshape(-1, 2)
    return np.ascontiguousarray(both).view(np.complex128)[:, 0]


def _substituted(factor: Matrix, right: ComplexArray) -> ComplexArray:
    if _is_complex(factor):
        return np.asarray(lapack.zpotrs(factor, right, lower=1)[0], dtype=np.complex128)
    pair = np.ascontiguousarray(right).view(np.float64).reshape(-1, 2)
    return np.ascontiguousarray(lapack.dpotrs(factor, pair, lower=1)[0]).view(np.complex128)[:, 0]


def _variance(far_basis: FloatArray, factor: ComplexArray, one: _Solved, columns: int) -> FloatArray:
    """(G,) variance of the far field at 1 m."""
    values = far_basis * factor[acn(factor.size - 1)[0]]
    inverse = one.outgoing_inverse[:columns, :columns]
    if np.isrealobj(inverse):
        size = np.sum((values.real @ inverse) * values.real, axis=1) + np.sum(
            (values.imag @ inverse) * values.imag, axis=1
        )
    else:
        size = np.sum((values @ inverse) * values.conj(), axis=1).real
    return np.asarray(np.maximum(size, 0.0) * one.evidence.noise_variance[0], dtype=float)
