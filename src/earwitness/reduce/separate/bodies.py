"""What the cabinet is to the room's sound: models that scatter it, and how wrong each may be.

The residual and points left out say nothing about a body: what it scatters leaves like the loudspeaker's own sound. A
body that was stated is doubted in size and place, one that was only assumed in its shape as well.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from earwitness.dsp.spherical import log_hankel_size
from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray, IntArray
from earwitness.reduce.separate.expansion import Scatterer
from earwitness.reduce.separate.fit import Fit
from earwitness.reduce.separate.radial import Shell
from earwitness.reduce.separate.scatter import Box, box_scattered, one_frequency, sphere_scattered
from earwitness.reduce.separate.solve import Scan

Body = Literal["box", "sphere", "none"]

# A cabinet told to some millimeters: how far the second box model differs from the first.
_SIZE_DOUBT_M = 0.004
_SPHERE_DOUBT = 0.75
_DOUBT_PILOTS = 12


@dataclass(frozen=True, slots=True)
class BodyDoubt:
    """place_m : standard deviation of the body's middle, all axes together; shape : share of what it scatters that
    may be another's."""

    place_m: float = 0.003
    shape: float = 0.0


def scatterer_of(
    body: Body, cabinet_m: tuple[float, float, float], sphere_radius_m: float | None, shell: Shell, axes: list[int]
) -> Scatterer | None:
    """What the body makes of incoming strengths at one wavenumber; None for no body. axes : local ones of the scan."""
    if body == "none":
        return None
    width, height, depth = cabinet_m
    box = Box(np.array([depth, width, height])[axes], np.zeros(3))
    radius = sphere_radius_m or _equal_volume_radius(cabinet_m, shell)

    def scattered(incoming: ComplexArray, k: float, order_out: int) -> ComplexArray:
        if body == "sphere":
            return sphere_scattered(incoming, np.full(len(incoming), k), shell, radius, order_out)
        return one_frequency(incoming, k, shell, box, order_out)

    return scattered


def scattered_of(
    fit: Fit,
    k: FloatArray,
    scan: Scan,
    cabinet_m: tuple[float, float, float] | None,
    body: Body,
    resolved: BoolArray,
    sphere_radius_m: float | None,
    doubt_of: BodyDoubt | None = None,
) -> tuple[ComplexArray, ComplexArray | None]:
    """Scaled coefficients of what the cabinet scattered, and of what may be wrong with them."""
    told_as = doubt_of or BodyDoubt()
    order = int(fit.order_out.max())
    shell = fit.shell
    none = np.zeros_like(fit.outgoing)
    volume_radius = sphere_radius_m or _equal_volume_radius(cabinet_m, shell)
    if cabinet_m is None or body == "none":
        # Nothing is taken off: all that an average cabinet may scatter is in doubt.
        return none, sphere_scattered(fit.incoming, k, shell, volume_radius, order)
    if body == "sphere":
        scattered = sphere_scattered(fit.incoming, k, shell, volume_radius, order)
        if sphere_radius_m is not None:
            # The body is a sphere, told to some millimeters: only its size and place are in doubt.
            other = sphere_scattered(fit.incoming, k, shell, sphere_radius_m + _SIZE_DOUBT_M + told_as.place_m, order)
            return _within(scattered, fit), _within(other - scattered, fit)
        return _within(scattered, fit), _within(_SPHERE_DOUBT * scattered, fit)
    width, height, depth = cabinet_m
    size = np.array([depth, width, height])[list(scan.axes)]
    doubtful = Box(size + _SIZE_DOUBT_M, np.full(3, told_as.place_m / np.sqrt(3)))
    scattered, doubt = none.copy(), np.zeros(k.size)
    # Where the orders do not suffice nothing is published, and the slow model is spared.
    rows = np.flatnonzero(resolved)
    if rows.size:
        told = fit.incoming[rows]
        scattered[rows] = box_scattered(told, k[rows], shell, Box(size, np.zeros(3)), order)
        # How much the two boxes differ changes slowly: a few frequencies tell it for all.
        pilots = np.unique(np.linspace(0, rows.size - 1, min(rows.size, _DOUBT_PILOTS)).round().astype(np.int64))
        other = box_scattered(told[pilots], k[rows[pilots]], shell, doubtful, order)
        own = scattered[rows[pilots]]
        share = np.sqrt(_far_energy(other - own, fit, rows[pilots], k) / _far_energy(own, fit, rows[pilots], k))
        doubt[rows] = np.interp(np.log(k[rows]), np.log(k[rows[pilots]]), share)
    scattered = _within(scattered, fit)
    return scattered, np.hypot(doubt, told_as.shape)[:, None] * scattered


def _far_energy(coefficients: ComplexArray, fit: Fit, rows: IntArray, k: FloatArray) -> FloatArray:
    """(R,) energy that coefficients (R, K) of the frequencies `rows` send to the far field, to a common factor."""
    degree = np.floor(np.sqrt(np.arange(coefficients.shape[1]) + 0.5)).astype(np.int64)
    size = log_hankel_size(int(degree.max()), k[rows] * fit.shell.source_radius_m)[:, degree]
    kept = np.where(degree[None, :] <= fit.order_out[rows, None], np.abs(coefficients) ** 2, 0.0)
    return np.asarray(np.maximum(np.sum(kept * np.exp(-2 * size), axis=1), 1e-300), dtype=float)


def _within(coefficients: ComplexArray, fit: Fit) -> ComplexArray:
    """Coefficients without orders beyond the frequency's own."""
    degree = np.floor(np.sqrt(np.arange(coefficients.shape[1]) + 0.5))
    return np.where(degree[None, :] <= fit.order_out[:, None], coefficients, 0.0)


def _equal_volume_radius(cabinet_m: tuple[float, float, float] | None, shell: Shell) -> float:
    if cabinet_m is None:
        return 0.7 * shell.source_radius_m
    return float((3 * np.prod(cabinet_m) / (4 * np.pi)) ** (1 / 3))
