"""The room's sound scattered at the cabinet: it leaves like the loudspeaker's own and has to be taken off.

What comes in is known from the separation. Two rigid models turn it into what goes out: the sphere of equal volume
(exact series), and the cabinet's box by boundary elements. On a rigid surface half the pressure is the incoming one
plus the integral of pressure times the slope of the free field of a point (Kirchhoff and Helmholtz); points inside,
where there must be silence, settle the frequencies at which that equation alone fails (Schenck, J. Acoust. Soc. Am. 44,
1968; both from memory). The box's three mirror planes split the problem into eight of an eighth of the size.
"""

from dataclasses import dataclass
from itertools import product
from typing import Literal

import numpy as np
import scipy.linalg

from earwitness.dsp.spherical import acn, complex_harmonics, log_hankel_size, regular_waves, rigid_sphere_scattering
from earwitness.quantities import BoolArray, ComplexArray, FloatArray, IntArray
from earwitness.reduce.separate.expansion import Scatterer
from earwitness.reduce.separate.field import Shell, incoming_log_scale
from earwitness.reduce.separate.normal_equations import Fit
from earwitness.reduce.separate.solve import Scan

_PANEL_M = 0.024
_MOST_PANELS = 300
_INSIDE_POINTS = 16
_PROBE_M = 1e-3
_MIRRORS = np.array(list(product((1.0, -1.0), repeat=3)))
# Sign of every mirror image in each of the eight symmetries.
_PARITY = np.array(
    [np.prod(np.where(np.array(parity) == 1, _MIRRORS, 1.0), axis=1) for parity in product((0, 1), repeat=3)]
)
_RADII = 24
_MOMENTS = 5
_CUBIC = 4
_NODE_STEP = 0.25
_CLOSE = 0.8


@dataclass(frozen=True, slots=True, eq=False)
class Box:
    """A rigid box: size_m (3,) along local x, y, z, and its center (3,) from the expansion center."""

    size_m: FloatArray
    center_m: FloatArray


def sphere_scattered(
    incoming: ComplexArray, k: FloatArray, shell: Shell, radius_m: float, order_out: int
) -> ComplexArray:
    """(F, (order_out+1)^2) scaled outgoing coefficients that a rigid sphere at the center makes of incoming ones."""
    order = min(order_out, int(np.sqrt(incoming.shape[1])) - 1)
    degree = acn(order)[0]
    scale = incoming_log_scale(k, order, shell) + log_hankel_size(order, k * shell.source_radius_m)
    factor = rigid_sphere_scattering(order, k * radius_m) * np.exp(np.minimum(scale, 600.0))
    result = np.zeros((k.size, (order_out + 1) ** 2), dtype=np.complex128)
    result[:, : degree.size] = factor[:, degree] * incoming[:, : degree.size]
    return result


def box_scattered(incoming: ComplexArray, k: FloatArray, shell: Shell, box: Box, order_out: int) -> ComplexArray:
    """(F, (order_out+1)^2) scaled outgoing coefficients that a rigid box makes of scaled incoming ones.

    Scaled, scattering changes slowly with frequency: where frequencies (k rising) stand closer than a node's spacing,
    the box is solved at nodes alone, for the incoming waves of all frequencies near them, and drawn in between by
    cubics.
    """
    solver = _Solver(box, int(np.sqrt(incoming.shape[1])) - 1, order_out)
    plan = _nodes(k, float(np.linalg.norm(box.size_m)) / 2)
    result = np.zeros((k.size, (order_out + 1) ** 2), dtype=np.complex128)
    for node, rows, share in plan:
        arriving = solver.arriving(incoming[rows], node, shell)
        pressure = solver.surface_pressure(node, arriving.reshape(8, -1, rows.size))
        result[rows] += share[:, None] * solver.radiated(pressure, node, shell)
    return result


def one_frequency(incoming: ComplexArray, k: float, shell: Shell, box: Box, order_out: int) -> ComplexArray:
    """(R, (order_out+1)^2) as box_scattered, of several incoming fields (R, K) at one wavenumber."""
    solver = _Solver(box, int(np.sqrt(incoming.shape[1])) - 1, order_out)
    pressure = solver.surface_pressure(k, solver.arriving(incoming, k, shell).reshape(8, -1, len(incoming)))
    return solver.radiated(pressure, k, shell)


def _nodes(k: FloatArray, reach_m: float) -> list[tuple[float, IntArray, FloatArray]]:
    """Wavenumbers to solve at, with the rows (R,) that each serves and its share (R,) in them."""
    step = _NODE_STEP / reach_m
    close = np.flatnonzero(np.append(np.diff(k), np.inf) >= _CLOSE * step)
    # Above it frequencies stand so far apart that nodes would be more.
    last = int(close[0]) if close.size else k.size
    plan = [(float(k[row]), np.array([row]), np.ones(1)) for row in range(last, k.size)]
    if last < 2 * _CUBIC:
        return [(float(k[row]), np.array([row]), np.ones(1)) for row in range(last)] + plan
    count = max(_CUBIC, int(np.ceil((k[last - 1] - k[0]) / step)) + 1)
    nodes = np.linspace(k[0], k[last - 1], count)
    if count >= last:
        return [(float(k[row]), np.array([row]), np.ones(1)) for row in range(last)] + plan
    first = np.clip(np.searchsorted(nodes, k[:last]) - 2, 0, count - _CUBIC)
    shares = np.zeros((last, count))
    for row in range(last):
        near = nodes[first[row] : first[row] + _CUBIC]
        for n in range(_CUBIC):
            others = np.delete(near, n)
            shares[row, first[row] + n] = np.prod((k[row] - others) / (near[n] - others))
    for n in range(count):
        rows = np.flatnonzero(np.abs(shares[:, n]) > 1e-12)
        if rows.size:
            plan.append((float(nodes[n]), rows, shares[rows, n]))
    return plan


def _radial_table(
    order: int, k: FloatArray, radius: FloatArray, log_scale: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Scaled j_n(k r) at a few radii, (F, C, order+1), and the matrix (P, C) that draws them to radius (P,).

    Chebyshev's points over the radii: j_n(k r) over a few radians is smooth, so that 24 do for 1e-9.
    """
    low, high = float(radius.min()), float(radius.max())
    if radius.size <= _RADII or high - low < 1e-9:
        return regular_waves(order, k[:, None] * radius[None, :], log_scale), np.eye(radius.size)
    number = np.arange(_RADII)
    angle = np.pi * (number + 0.5) / _RADII
    x = np.cos(angle)
    place = 2 * (radius - low) / (high - low) - 1
    weight = (-1.0) ** number * np.sin(angle)
    away = place[:, None] - x
    hit = np.abs(away) < 1e-14
    share = weight / np.where(hit, 1.0, away)
    matrix = share / share.sum(axis=1, keepdims=True)
    on = hit.any(axis=1)
    matrix[on] = hit[on]
    radii = low + (x + 1) / 2 * (high - low)
    return regular_waves(order, k[:, None] * radii[None, :], log_scale), matrix


@dataclass(frozen=True, slots=True, eq=False)
class Panels:
    """Flat panels of the octant x, y, z > 0. center_m, normal (N, 3), area_m2 (N,); quadrature_m (N, 4, 3)."""

    center_m: FloatArray
    normal: FloatArray
    area_m2: FloatArray
    quadrature_m: FloatArray


def _octant(size_m: FloatArray) -> Panels:
    half = size_m / 2
    area = float(half[0] * half[1] + half[1] * half[2] + half[2] * half[0])
    spacing = max(_PANEL_M, float(np.sqrt(area / _MOST_PANELS)))
    count = np.maximum(3, np.ceil(half / spacing)).astype(int)
    # Panels shrink toward the edges, where the pressure changes fastest.
    borders = [h * np.sin(np.pi / 2 * np.linspace(0, 1, c + 1)) for h, c in zip(half, count, strict=True)]
    centers, normals, areas, quadratures = [], [], [], []
    for axis in range(3):
        one, other = [a for a in range(3) if a != axis]
        middle = [(borders[a][1:] + borders[a][:-1]) / 2 for a in (one, other)]
        width = [np.diff(borders[a]) for a in (one, other)]
        first, second = (grid.ravel() for grid in np.meshgrid(*middle, indexing="ij"))
        wide, high = (grid.ravel() for grid in np.meshgrid(*width, indexing="ij"))
        face = np.zeros((first.size, 3))
        face[:, one], face[:, other], face[:, axis] = first, second, half[axis]
        points = np.repeat(face[:, None, :], 4, axis=1)
        # Gauss points of two by two: 1 / (2 sqrt 3) of the width beside the middle.
        points[:, :, one] += np.outer(wide, [-1, -1, 1, 1]) / (2 * np.sqrt(3))
        points[:, :, other] += np.outer(high, [-1, 1, -1, 1]) / (2 * np.sqrt(3))
        centers.append(face)
        normals.append(np.tile(np.eye(3)[axis], (first.size, 1)))
        areas.append(wide * high)
        quadratures.append(points)
    return Panels(*(np.concatenate(part) for part in (centers, normals, areas, quadratures)))


def _inside(size_m: FloatArray) -> FloatArray:
    """(N, 3) points in the octant's inside, spread so that no mode has a node at all of them."""
    number = np.arange(1, _INSIDE_POINTS + 1)[:, None]
    share = np.mod(number * np.array([0.8191725, 0.6710436, 0.5497005]), 1.0)
    return np.asarray(size_m / 2 * (0.05 + 0.8 * share), dtype=float)


class _Places:
    """Points (P, 3) from the expansion center with all that does not depend on the wavenumber."""

    def __init__(self, points_m: FloatArray, order: int) -> None:
        self.order = order
        self.radius_m = np.maximum(np.linalg.norm(points_m, axis=1), 1e-6)
        azimuth = np.arctan2(points_m[:, 1], points_m[:, 0])
        self.harmonics = complex_harmonics(order, points_m[:, 2] / self.radius_m, azimuth)

    def waves(self, k: float, log_scale: FloatArray) -> FloatArray:
        """(P, order+1) scaled j_n(k r); log_scale (order+1,)."""
        table, matrix = _radial_table(self.order, np.array([k]), self.radius_m, log_scale)
        return np.asarray(matrix @ table[0], dtype=float)


class _Solver:
    """A box's equations at any wavenumber; orders of the incoming and of the outgoing waves."""

    def __init__(self, box: Box, order_in: int, order_out: int) -> None:
        self.panels = _octant(box.size_m)
        places = np.concatenate([self.panels.center_m, _inside(box.size_m)])
        self.places = _Places((_MIRRORS[:, None, :] * places).reshape(-1, 3) + box.center_m, order_in)
        points = (_MIRRORS[:, None, None, :] * self.panels.quadrature_m).reshape(-1, 3) + box.center_m
        normals = np.repeat((_MIRRORS[:, None, :] * self.panels.normal).reshape(-1, 3), 4, axis=0)
        self.ahead, self.behind = (_Places(points + side * _PROBE_M * normals, order_out) for side in (1.0, -1.0))
        self.half = np.zeros((len(places), len(self.panels.area_m2)))
        np.fill_diagonal(self.half, 0.5)
        moments, self.middle_m = [], []
        for mirror in _MIRRORS:
            away = places[:, None, None, :] - (mirror * self.panels.quadrature_m)[None]
            distance = np.sqrt(np.einsum("pnqx,pnqx->pnq", away, away))
            along = np.einsum("pnqx,nx->pnq", away, mirror * self.panels.normal)
            size = along * (self.panels.area_m2 / 4)[:, None] / (4 * np.pi * distance**3)
            middle = distance.mean(axis=2)
            moments.append(_moments(size, distance, distance - middle[:, :, None]))
            self.middle_m.append(middle)
        self.moments = np.stack(moments)

    def arriving(self, incoming: ComplexArray, k: float, shell: Shell) -> ComplexArray:
        """(8 (N + I), R) pressure of scaled incoming coefficients (R, K) at panels and inner points by mirror."""
        waves = self.places.waves(k, incoming_log_scale(np.array([k]), self.places.order, shell)[0])
        basis = self.places.harmonics * waves[:, acn(self.places.order)[0]]
        return np.asarray(basis @ incoming.T, dtype=np.complex128)

    def radiated(self, pressure: ComplexArray, k: float, shell: Shell) -> ComplexArray:
        """(R, K) scaled outgoing coefficients of pressure (8 N, R) on the panels.

        c_nm = -j k integral of pressure times the normal slope of j_n conj(Y_nm).
        """
        weight = np.repeat(np.tile(self.panels.area_m2 / 4, 8), 4)[:, None] * np.repeat(pressure, 4, axis=0)
        scale = log_hankel_size(self.ahead.order, np.array([k * shell.source_radius_m]))[0]
        degree = acn(self.ahead.order)[0]
        ahead, behind = (one.harmonics * one.waves(k, scale)[:, degree] for one in (self.ahead, self.behind))
        slope = (ahead - behind).conj() / (2 * _PROBE_M)
        return np.asarray(-1j * k * (weight.T @ slope), dtype=np.complex128)

    def surface_pressure(self, k: float, arriving: ComplexArray) -> ComplexArray:
        """(8 N, R) pressure on the panels of the rigid box; arriving (8, N + I, R) : incoming pressure by mirror."""
        power = (-1j * k) ** np.arange(_MOMENTS) / np.array([1.0, 1.0, 2.0, 6.0, 24.0, 120.0])[:_MOMENTS]
        fields = []
        for moments, middle in zip(self.moments, self.middle_m, strict=True):
            # e^(-jkd) over a panel's points as a series about their mean distance.
            series = np.tensordot(power, moments[0], axes=(0, 0)) + 1j * k * np.tensordot(
                power, moments[1], axes=(0, 0)
            )
            turn = k * middle
            fields.append((np.cos(turn) - 1j * np.sin(turn)) * series)
        count = self.half.shape[1]
        pressure = np.zeros((8, count, arriving.shape[2]), dtype=np.complex128)
        transformed = np.tensordot(_PARITY, np.stack(fields), axes=(1, 0))
        right = np.tensordot(_PARITY, arriving, axes=(1, 0)) / 8
        for row in range(8):
            matrix = self.half - transformed[row]
            gram = matrix.conj().T @ matrix
            answer = scipy.linalg.solve(gram, matrix.conj().T @ right[row], assume_a="pos", check_finite=False)
            pressure += np.multiply.outer(_PARITY[row], answer)
        return pressure.reshape(8 * count, -1)


def _moments(size: FloatArray, distance: FloatArray, beside: FloatArray) -> FloatArray:
    """(2, M, P, N) sums over a panel's points of size, and of size times distance, times powers of `beside`."""
    power, out = size.copy(), []
    for _ in range(_MOMENTS):
        out.append([power.sum(axis=2), (power * distance).sum(axis=2)])
        power = power * beside
    return np.asarray(np.transpose(np.array(out), (1, 0, 2, 3)), dtype=float)


# What the cabinet is to the room's sound: models that scatter it, and how wrong each may be.
#
# The residual and points left out say nothing about a body: what it scatters leaves like the loudspeaker's own sound. A
# body that was stated is doubted in size and place, one that was only assumed in its shape as well.

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
