"""Separation at irregular points: one real Gram matrix and one Cholesky factor per frequency.

In the real pair (j_n, y_n) and real harmonics the matrix is real: its Gram matrix costs a quarter of the complex one.
Penalties start from those of the frequency below, so that one factor per frequency is enough after the first.
"""

from dataclasses import dataclass

import numpy as np

from earwitness.dsp.spherical import acn, complex_from_real, real_harmonics
from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray, IntArray
from earwitness.reduce.separate.device import Device, held, solve_on
from earwitness.reduce.separate.fit import Evidence, Fit, Matrix, updated
from earwitness.reduce.separate.normal_equations import Solution, solve
from earwitness.reduce.separate.radial import Shell, far_factor, incoming_columns, outgoing_columns
from earwitness.reduce.separate.ring_route import from_real_pair
from earwitness.reduce.separate.sampling import even_directions

POINTS_PER_UNKNOWN = 1.5
_GRID = 240
_FIRST_ROUNDS = 3


@dataclass(frozen=True, slots=True, eq=False)
class _Solved:
    """One frequency: unknowns (C,), fitted (P,), the inverse's outgoing part and its scale, what the data chose."""

    unknowns: ComplexArray
    fitted: ComplexArray
    outgoing_inverse: Matrix
    scale: FloatArray
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
    single: bool = False,
    device: Device | None = None,
) -> Fit:
    """Outgoing and incoming waves of pressures at any points; points_m (P, 3) from the expansion center.

    pressure (P, F); k (F,) rising [rad/m]; order_in -1 for outgoing waves only; left_out (P,) not used, predicted;
    penalty (2,) to start from (see Evidence); single : factors in single precision, answers refined to double, the
    uncertainty's own error some 1e-4; device : solve there instead, in double.
    """
    radius = np.linalg.norm(points_m, axis=1)
    top = int(max(order_out.max(), order_in.max()))
    basis = np.asfortranarray(real_harmonics(top, points_m[:, 2] / radius, np.arctan2(points_m[:, 1], points_m[:, 0])))
    kept = np.flatnonzero(~left_out)
    grid = even_directions(_GRID)
    far_basis = real_harmonics(int(order_out.max()), grid[:, 2], np.arctan2(grid[:, 1], grid[:, 0]))
    radii, place = np.unique(np.round(radius, 7), return_inverse=True)
    count_out, count_in = (int(order_out.max()) + 1) ** 2, (max(int(order_in.max()), 0) + 1) ** 2
    y, j = np.zeros((k.size, count_out), dtype=complex), np.zeros((k.size, count_in), dtype=complex)
    fitted, variance = np.zeros_like(pressure), np.zeros((_GRID, k.size))
    # Of what was solved these alone: the inverses of all frequencies together do not fit into memory.
    states: list[Evidence] = []
    conditions: list[float] = []
    there = None if device is None else held(device, basis, kept)
    for f in range(k.size):
        out, into = int(order_out[f]), int(order_in[f])
        factors, columns = _factors(radii, place, k[f : f + 1], shell, out, into), (out + 1) ** 2
        matrix = None if there is not None else _matrix(basis, factors)
        for _round in range(first_rounds if f == 0 and penalty is None else 1):
            if there is not None:
                found = solve_on(there, factors, pressure[:, f], penalty)
            else:
                assert matrix is not None
                found = solve(matrix, pressure[:, f], kept, columns, penalty, single=single)
            one = _judged(found, pressure[:, f], kept, columns)
            penalty = one.evidence.penalty[0]
        y[f, :columns], j[f, : one.unknowns.size - columns] = one.unknowns[:columns], one.unknowns[columns:]
        fitted[:, f] = one.fitted
        variance[:, f] = _variance(far_basis[:, :columns], far_factor(k[f : f + 1], out, shell)[0], one)
        states.append(one.evidence)
        conditions.append(one.condition)
    outgoing, incoming = from_real_pair(y, j, k, shell, order_in)
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
        condition=np.array(conditions),
        directions=grid,
        variance=variance,
    )


def _factors(
    radii: FloatArray, place: IntArray, k: FloatArray, shell: Shell, out: int, into: int
) -> tuple[tuple[Matrix, IntArray], ...]:
    """Values along the radius (P, N+1) and degrees of the columns, outgoing then incoming.

    Real with incoming waves, else complex h_n.
    """
    waves = outgoing_columns(k, radii, out, shell)[0][place]
    if into < 0:
        return ((waves, acn(out)[0]),)
    return (-waves.imag, acn(out)[0]), (incoming_columns(k, radii, into, shell)[0][place], acn(into)[0])


def _matrix(basis: FloatArray, factors: tuple[tuple[Matrix, IntArray], ...]) -> Matrix:
    """(P, C), Fortran order."""
    count = sum(degree.size for _values, degree in factors)
    matrix: Matrix = np.empty((len(basis), count), dtype=factors[0][0].dtype, order="F")
    first = 0
    for values, degree in factors:
        for n in range(values.shape[1]):
            own = slice(n * n, (n + 1) ** 2)
            np.multiply(basis[:, own], values[:, n : n + 1], out=matrix[:, first + n * n : first + (n + 1) ** 2])
        first += degree.size
    return matrix


def _judged(found: Solution, data: ComplexArray, kept: IntArray, columns: int) -> _Solved:
    """A solution with the penalties that it suggests."""
    kind = np.arange(found.load.size) >= columns
    spread = found.inverse_diagonal * found.load
    squared = np.abs(found.unknowns) ** 2
    state = updated(
        found.penalty[None],
        np.array([[np.sum(~kind), np.sum(kind)]], dtype=float),
        np.array([[spread[~kind].sum(), spread[kind].sum()]]),
        np.array([[squared[~kind].sum(), squared[kind].sum()]]),
        np.array([np.sum(np.abs(data[kept] - found.fitted[kept]) ** 2)]),
        float(kept.size),
    )
    return _Solved(found.unknowns, found.fitted, found.inverse, found.scale, found.condition, state)


def _variance(far_basis: FloatArray, factor: ComplexArray, one: _Solved) -> FloatArray:
    """(G,) variance of the far field at 1 m."""
    values = far_basis * (factor[acn(factor.size - 1)[0]] * one.scale)
    inverse = one.outgoing_inverse
    values = values.astype(np.result_type(inverse.dtype, np.complex64))
    if np.isrealobj(inverse):
        size = np.sum((values.real @ inverse) * values.real, axis=1) + np.sum(
            (values.imag @ inverse) * values.imag, axis=1
        )
    else:
        size = np.sum((values @ inverse) * values.conj(), axis=1).real
    return np.asarray(np.maximum(size, 0.0) * one.evidence.noise_variance[0], dtype=float)
