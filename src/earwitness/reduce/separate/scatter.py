"""The room's sound scattered at the cabinet: it leaves like the loudspeaker's own and has to be taken off.

What comes in is known from the separation. Two rigid models turn it into what goes out: the sphere of equal volume
(exact series), and the cabinet's box by boundary elements. On a rigid surface half the pressure is the incoming one
plus the integral of pressure times the slope of the free field of a point (Kirchhoff and Helmholtz); points inside,
where there must be silence, settle the frequencies at which that equation alone fails (Schenck, J. Acoust. Soc. Am. 44,
1968; both from memory). The box's three mirror planes split the problem into eight of an eighth of the size.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
import scipy.linalg

from earwitness.dsp.spherical import acn, complex_harmonics, log_hankel_size, regular_waves, rigid_sphere_scattering
from earwitness.quantities.arrays import ComplexArray, FloatArray
from earwitness.reduce.separate.radial import Shell, incoming_log_scale

_PANEL_M = 0.024
_MOST_PANELS = 300
_INSIDE_POINTS = 16
_PROBE_M = 1e-3
_MIRRORS = np.array(list(product((1.0, -1.0), repeat=3)))


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
    """(F, (order_out+1)^2) scaled outgoing coefficients that a rigid box makes of scaled incoming ones."""
    panels = _octant(box.size_m)
    places = np.concatenate([panels.center_m, _inside(box.size_m)])
    every_place = (_MIRRORS[:, None, :] * places).reshape(-1, 3) + box.center_m
    arriving = incoming_pressure(incoming, k, shell, every_place).reshape(8, len(places), k.size)
    found = [surface_pressure(panels, places, float(one), arriving[:, :, f]) for f, one in enumerate(k)]
    pressure = np.stack(found, axis=2).reshape(-1, k.size)
    return _radiated(panels, box, pressure, k, shell, order_out)


def incoming_pressure(incoming: ComplexArray, k: FloatArray, shell: Shell, points_m: FloatArray) -> ComplexArray:
    """(P, F) pressure of scaled incoming coefficients (F, K) at points (P, 3) from the center."""
    order = int(np.sqrt(incoming.shape[1])) - 1
    radius = np.maximum(np.linalg.norm(points_m, axis=1), 1e-6)
    harmonics = complex_harmonics(order, points_m[:, 2] / radius, np.arctan2(points_m[:, 1], points_m[:, 0]))
    radii, place = np.unique(np.round(radius, 7), return_inverse=True)
    scale = incoming_log_scale(k, order, shell)[:, None, :]
    waves = regular_waves(order, k[:, None] * radii[None, :], scale)
    total = np.zeros((len(points_m), k.size), dtype=np.complex128)
    for n in range(order + 1):
        part = slice(n * n, (n + 1) ** 2)
        total += (harmonics[:, part] @ incoming[:, part].T) * waves[:, :, n].T[place]
    return total


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


def surface_pressure(panels: Panels, places_m: FloatArray, k: float, arriving: ComplexArray) -> ComplexArray:
    """(8, N, ...) pressure on the panels of a rigid box, by mirror.

    places_m (N + I, 3) : the panels' centers, then points inside; arriving (8, N + I, ...) : incoming pressure there.
    """
    count = len(panels.area_m2)
    images = []
    for mirror in _MIRRORS:
        away = places_m[:, None, None, :] - (mirror * panels.quadrature_m)[None]
        distance = np.sqrt(np.einsum("pnqx,pnqx->pnq", away, away))
        along = np.einsum("pnqx,nx->pnq", away, mirror * panels.normal)
        slope = (1 + 1j * k * distance) * np.exp(-1j * k * distance) / (4 * np.pi * distance**3) * along
        images.append(slope.mean(axis=2) * panels.area_m2)
    fields = np.stack(images)
    half = np.zeros((len(places_m), count))
    half[np.arange(count), np.arange(count)] = 0.5
    pressure = np.zeros((8, count, *arriving.shape[2:]), dtype=np.complex128)
    for parity in product((0, 1), repeat=3):
        sign = np.prod(np.where(np.array(parity) == 1, _MIRRORS, 1.0), axis=1)
        matrix = half - np.tensordot(sign, fields, axes=(0, 0))
        right = np.tensordot(sign, arriving, axes=(0, 0)) / 8
        gram = matrix.conj().T @ matrix
        answer = scipy.linalg.solve(gram, matrix.conj().T @ right, assume_a="pos", check_finite=False)
        pressure += np.multiply.outer(sign, answer)
    return pressure


def _radiated(
    panels: Panels, box: Box, pressure: ComplexArray, k: FloatArray, shell: Shell, order: int
) -> ComplexArray:
    """Scaled outgoing coefficients: c_nm = -j k integral of pressure times the normal slope of j_n conj(Y_nm)."""
    points = (_MIRRORS[:, None, None, :] * panels.quadrature_m).reshape(-1, 3) + box.center_m
    normals = np.repeat((_MIRRORS[:, None, :] * panels.normal).reshape(-1, 3), 4, axis=0)
    weight = np.repeat(np.tile(panels.area_m2 / 4, 8), 4)[:, None] * np.repeat(pressure, 4, axis=0)
    scale = log_hankel_size(order, k * shell.source_radius_m)[:, None, :]
    result = np.zeros((k.size, (order + 1) ** 2), dtype=np.complex128)
    for side in (1.0, -1.0):
        place = points + side * _PROBE_M * normals
        radius = np.linalg.norm(place, axis=1)
        harmonics = complex_harmonics(order, place[:, 2] / radius, np.arctan2(place[:, 1], place[:, 0])).conj()
        radii, row = np.unique(np.round(radius, 7), return_inverse=True)
        waves = regular_waves(order, k[:, None] * radii[None, :], scale)
        for n in range(order + 1):
            part = slice(n * n, (n + 1) ** 2)
            value = (weight * waves[:, :, n].T[row]).T @ harmonics[:, part]
            result[:, part] += -1j * k[:, None] * side / (2 * _PROBE_M) * value
    return result
