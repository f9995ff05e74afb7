"""Separation at irregular points: one real Gram matrix and one Cholesky factor per frequency; an accelerator for it.

In the real pair (j_n, y_n) and real harmonics the matrix is real: its Gram matrix costs a quarter of the complex one.
Penalties start from those of the frequency below, so that one factor per frequency is enough after the first.
"""

from collections.abc import Callable
from dataclasses import dataclass, fields
from functools import lru_cache
from importlib import import_module
from importlib.util import find_spec
from typing import Any

import numpy as np

from earwitness.dsp.spherical import acn, complex_from_real, real_harmonics
from earwitness.errors import EarwitnessError
from earwitness.quantities import BoolArray, ComplexArray, FloatArray, IntArray
from earwitness.reduce.separate.field import Shell, far_factor, incoming_columns, outgoing_columns
from earwitness.reduce.separate.normal_equations import (
    Fit,
    Matrix,
    Regularization,
    Solution,
    Waves,
    loads,
    solve,
    updated,
)
from earwitness.reduce.separate.ring_route import from_real_pair
from earwitness.reduce.separate.sampling import even_directions

# An accelerator for the route of irregular points, through any library that speaks the array API standard.
#
# PyTorch on a CUDA device is used where both are there already; nothing is installed for it. All is done in double
# precision and by the same equations as on the processor, so that results agree to rounding.


@dataclass(frozen=True, slots=True, eq=False)
class ComputeDevice:
    """namespace : array API functions; send : numpy array to the device; fetch : back."""

    name: str
    namespace: Any
    send: Callable[[Any], Any]
    fetch: Callable[[Any], Any]


def torch_device(kind: str) -> ComputeDevice:
    """PyTorch on "cpu" or "cuda". ImportError where PyTorch is not installed."""
    torch: Any = import_module("torch")
    return ComputeDevice(
        name=f"PyTorch, {torch.cuda.get_device_name() if kind == 'cuda' else 'processor'}",
        namespace=torch,
        send=lambda array: torch.asarray(np.ascontiguousarray(array), device=kind),
        fetch=lambda array: array.resolve_conj().cpu().numpy(),
    )


@lru_cache(maxsize=1)
def accelerator() -> ComputeDevice | None:
    """PyTorch with a CUDA device, None where either is missing or does not work."""
    if find_spec("torch") is None:
        return None
    try:
        torch: Any = import_module("torch")
        return torch_device("cuda") if torch.cuda.is_available() else None
    except (ImportError, OSError, RuntimeError):
        return None


@dataclass(frozen=True, slots=True, eq=False)
class Held:
    """What stays on the device over all frequencies: harmonics (P, K) of all points, rows (R,) of those used."""

    device: ComputeDevice
    basis: Any
    kept: Any
    all_kept: bool


def solve_on(
    there: Held, factors: tuple[tuple[Matrix, IntArray], ...], data: ComplexArray, penalty: FloatArray | None
) -> Solution:
    """normal_equations.solve with the matrix built on the device.

    factors : for outgoing, then incoming waves, values (P, N+1) along the radius and the degree (C,) of each column.
    EarwitnessError where the equations are singular.
    """
    device, xp = there.device, there.device.namespace
    parts = [there.basis[:, : degree.size] * device.send(values)[:, device.send(degree)] for values, degree in factors]
    matrix = xp.concat(parts, axis=1) if len(parts) > 1 else parts[0]
    is_complex = factors[0][0].dtype.kind == "c"
    used = matrix if there.all_kept else matrix[there.kept, :]
    pressure = device.send(data) if is_complex else device.send(np.stack([data.real, data.imag], axis=1))
    seen = pressure if there.all_kept else pressure[there.kept]
    columns = factors[0][1].size
    turned = xp.conj(used.T) if is_complex else used.T
    gram = turned @ used
    diagonal = np.array(device.fetch(xp.real(xp.linalg.diagonal(gram)) if is_complex else xp.linalg.diagonal(gram)))
    penalty, load = loads(diagonal, columns, penalty)
    scale = 1 / np.sqrt(diagonal + load)
    far_scale = device.send(scale)
    eye = device.send(np.eye(scale.size))
    gram = gram * (far_scale[:, None] * far_scale[None, :]) + eye * device.send(load * scale**2)
    try:
        factor = xp.linalg.cholesky(gram)
    except (RuntimeError, np.linalg.LinAlgError) as error:
        raise EarwitnessError.of("reduce.not_solvable") from error
    half = _inverse_factor(xp, factor, eye)
    inverse = (xp.conj(half.T) if is_complex else half.T) @ half
    right = (turned @ seen) * (far_scale if is_complex else far_scale[:, None])
    solved = (inverse @ right) * (far_scale if is_complex else far_scale[:, None])
    norm, back = (float(xp.max(xp.sum(xp.abs(one), axis=0))) for one in (gram, inverse))
    spread = np.array(device.fetch(xp.linalg.diagonal(inverse))).real * scale**2
    unknowns, fitted = (_complex(device.fetch(one)) for one in (solved, matrix @ solved))
    return Solution(
        unknowns=unknowns,
        fitted=fitted,
        inverse=np.asarray(device.fetch(inverse[:columns, :columns])),
        scale=scale[:columns],
        inverse_diagonal=spread,
        condition=float(np.sqrt(norm * back)),
        penalty=penalty,
        load=load,
    )


def _inverse_factor(xp: Any, factor: Any, eye: Any) -> Any:
    triangular = getattr(xp.linalg, "solve_triangular", None)
    same = eye + 0 * factor
    return xp.linalg.solve(factor, same) if triangular is None else triangular(factor, same, upper=False)


def _complex(values: Any) -> ComplexArray:
    array = np.asarray(values)
    return np.asarray(array if array.ndim == 1 else array[:, 0] + 1j * array[:, 1], dtype=np.complex128)


POINTS_PER_UNKNOWN = 1.5
_GRID = 240
_FIRST_ROUNDS = 3


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
    device: ComputeDevice | None = None,
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
    states: list[Regularization] = []
    conditions: list[float] = []
    there = None
    if device is not None:
        there = Held(device, device.send(basis), device.send(kept), kept.size == len(basis))
    for f in range(k.size):
        out, into = int(order_out[f]), int(order_in[f])
        factors, columns = _factors(radii, place=place, k=k[f : f + 1], shell=shell, out=out, into=into), (out + 1) ** 2
        for _round in range(first_rounds if f == 0 and penalty is None else 1):
            if there is not None:
                found = solve_on(there, factors, pressure[:, f], penalty)
            else:
                found = solve(Waves(basis, factors), pressure[:, f], kept, columns, penalty, single=single)
            state = _judged(found, pressure[:, f], kept, columns)
            penalty = state.penalty[0]
        y[f, :columns], j[f, : found.unknowns.size - columns] = found.unknowns[:columns], found.unknowns[columns:]
        fitted[:, f] = found.fitted
        unit = _variance(far_basis[:, :columns], far_factor(k[f : f + 1], out, shell)[0], found)
        variance[:, f] = unit * state.noise_variance[0]
        states.append(state)
        conditions.append(found.condition)
    outgoing, incoming = from_real_pair(y, j, k, shell, order_in)
    return Fit(
        shell=shell,
        order_out=order_out,
        order_in=order_in,
        outgoing=complex_from_real(outgoing),
        incoming=complex_from_real(incoming),
        residual=pressure - fitted,
        evidence=Regularization(
            *(np.concatenate([getattr(s, one.name) for s in states]) for one in fields(Regularization))
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


def _judged(found: Solution, data: ComplexArray, kept: IntArray, columns: int) -> Regularization:
    """What the data say of a solution, with the penalties that it suggests."""
    kind = np.arange(found.load.size) >= columns
    spread = found.inverse_diagonal * found.load
    squared = np.abs(found.unknowns) ** 2
    return updated(
        penalty=found.penalty[None],
        count=np.array([[np.sum(~kind), np.sum(kind)]], dtype=float),
        spread=np.array([[spread[~kind].sum(), spread[kind].sum()]]),
        energy=np.array([[squared[~kind].sum(), squared[kind].sum()]]),
        residual=np.array([np.sum(np.abs(data[kept] - found.fitted[kept]) ** 2)]),
        points=float(kept.size),
    )


def _variance(far_basis: FloatArray, factor: ComplexArray, one: Solution) -> FloatArray:
    """(G,) variance of the far field at 1 m, for noise of unit variance."""
    values = far_basis * (factor[acn(factor.size - 1)[0]] * one.scale)
    inverse = one.inverse
    values = values.astype(np.result_type(inverse.dtype, np.complex64))
    if np.isrealobj(inverse):
        size = np.sum((values.real @ inverse) * values.real, axis=1) + np.sum(
            (values.imag @ inverse) * values.imag, axis=1
        )
    else:
        size = np.sum((values @ inverse) * values.conj(), axis=1).real
    return np.asarray(np.maximum(size, 0.0), dtype=float)
