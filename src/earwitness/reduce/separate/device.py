"""An accelerator for the route of irregular points, through any library that speaks the array API standard.

PyTorch on a CUDA device is used where both are there already; nothing is installed for it. All is done in double
precision and by the same equations as on the processor, so that results agree to rounding.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from importlib import import_module
from importlib.util import find_spec
from typing import Any

import numpy as np

from earwitness.errors import EarwitnessError
from earwitness.quantities.arrays import ComplexArray, FloatArray, IntArray
from earwitness.reduce.separate.fit import Matrix
from earwitness.reduce.separate.normal_equations import Solution, loads


@dataclass(frozen=True, slots=True, eq=False)
class Device:
    """namespace : array API functions; send : numpy array to the device; fetch : back."""

    name: str
    namespace: Any
    send: Callable[[Any], Any]
    fetch: Callable[[Any], Any]


def torch_device(kind: str) -> Device:
    """PyTorch on "cpu" or "cuda". ImportError where PyTorch is not installed."""
    torch: Any = import_module("torch")
    return Device(
        name=f"PyTorch, {torch.cuda.get_device_name() if kind == 'cuda' else 'processor'}",
        namespace=torch,
        send=lambda array: torch.asarray(np.ascontiguousarray(array), device=kind),
        fetch=lambda array: array.resolve_conj().cpu().numpy(),
    )


@lru_cache(maxsize=1)
def accelerator() -> Device | None:
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

    device: Device
    basis: Any
    kept: Any
    all_kept: bool


def held(device: Device, basis: FloatArray, kept: IntArray) -> Held:
    """Send what all frequencies share."""
    return Held(device, device.send(basis), device.send(kept), kept.size == len(basis))


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
        unknowns,
        fitted,
        np.asarray(device.fetch(inverse[:columns, :columns])),
        scale[:columns],
        spread,
        float(np.sqrt(norm * back)),
        penalty,
        load,
    )


def _inverse_factor(xp: Any, factor: Any, eye: Any) -> Any:
    triangular = getattr(xp.linalg, "solve_triangular", None)
    same = eye + 0 * factor
    return xp.linalg.solve(factor, same) if triangular is None else triangular(factor, same, upper=False)


def _complex(values: Any) -> ComplexArray:
    array = np.asarray(values)
    return np.asarray(array if array.ndim == 1 else array[:, 0] + 1j * array[:, 1], dtype=np.complex128)
