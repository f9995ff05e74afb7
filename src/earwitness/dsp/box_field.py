"""Flat pistons in an infinite plane, in closed form, and on a rigid rectangular box, by boundary elements.

Outside the box p(x) / 2 = sum over panels of p dG/dn + j omega rho U times the piston's direct sound, on its surface
(Helmholtz integral equation; Burton, in Pierce, Acoustics, chapter 4, from memory). The double layer of a flat panel
is its solid angle at k = 0, in closed form; what k adds vanishes at the panel, so its middle is enough. A box has three
planes of symmetry: one octant is meshed and eight parities are solved, each an eighth in size. At frequencies where the
inside would resonate, points within the box, where the sum must be zero, settle the solution (H. A. Schenck, J. Acoust.
Soc. Am. 44, 1968, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from earwitness.quantities import ComplexArray, FloatArray, IntArray

HIGHEST_CORRECTED_KA = 2.0


def axial_pressure(wavenumber: FloatArray, radius_m: float, gap_m: float) -> ComplexArray:
    """(F,) pressure on the axis of a baffled piston at a gap, relative to j omega rho U [1/m]; time zero at the piston.

    p = 2 j rho c u exp(-jk (R+z)/2) sin(k (R-z)/2), R = sqrt(z^2 + a^2) (handbook formula, for example Kinsler et al.,
    Fundamentals of Acoustics, chapter 7, from memory). The magnitude is held above ka = 2, where cones no longer move
    as pistons, so that no zero of the sine is ever divided by.
    """
    slant_m = float(np.hypot(gap_m, radius_m))
    half = np.minimum(wavenumber, HIGHEST_CORRECTED_KA / radius_m) * (slant_m - gap_m) / 2
    size = (slant_m - gap_m) / (np.pi * radius_m**2) * np.sinc(half / np.pi)
    pressure: ComplexArray = size * np.exp(-0.5j * wavenumber * (slant_m + gap_m))
    return pressure


class RimIntegral:
    """Integral of exp(-jkR) / (4 pi R) over a disc, for points (P,) at `height_m` above its plane.

    aside_m : (P, 2) from the disc's middle, in its plane. The radial part is integrated exactly, the rest runs along
    the rim (after G. A. Maggi and A. Rubinowicz; own derivation), so that points at the disc need no finer steps.
    """

    def __init__(self, aside_m: FloatArray, height_m: FloatArray, radius_m: float, steps: int = 64) -> None:
        angle = (np.arange(steps) + 0.5) * 2 * np.pi / steps
        rim = np.stack([np.cos(angle), np.sin(angle)])
        to_rim = radius_m * rim[None] - aside_m[:, :, None]
        square = (to_rim**2).sum(axis=1)
        self._height = np.abs(height_m)[:, None]
        slant = np.sqrt(square + self._height**2)
        # (slant - height) / square, without dividing by a distance of zero.
        self._weight = (to_rim * rim).sum(axis=1) * radius_m * 2 * np.pi / steps / (4 * np.pi * (slant + self._height))
        self._beyond = slant - self._height

    def at(self, wavenumber: float) -> ComplexArray:
        """(P,) the integral [m]."""
        half = wavenumber * self._beyond / 2
        turn = np.exp(-1j * (wavenumber * self._height + half))
        total: ComplexArray = (self._weight * np.sinc(half / np.pi) * turn).sum(axis=1)
        return total


_SIGNS = np.array([[1 - 2 * (g & 1), 1 - (g & 2), 1 - (g & 4) // 2] for g in range(8)], dtype=float)
_PARITY = np.array([[(-1.0) ** (a & g).bit_count() for g in range(8)] for a in range(8)])
_OTHER_AXES = np.array([[1, 2], [0, 2], [0, 1]])
_EDGE_SHARE = 0.2
_GROWTH = 1.7
_INNER_POINTS = 20
_INNER_FROM = 0.8
_SUBPOINTS = 4
_AIR_GAP_M = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Pistons:
    """Pistons on the box: center (S, 3) from the box's middle, on the surface; radius (S,); the axis of the face's
    normal (S,), 0 to 2, and its sign (S,)."""

    center_m: FloatArray
    radius_m: FloatArray
    axis: IntArray
    side: FloatArray

    def __len__(self) -> int:
        return int(self.radius_m.size)


class RigidBox:
    """The mesh of one octant. half_m : (3,) half depth, width, height (x, y, z); panel_m : largest panel."""

    def __init__(self, half_m: FloatArray, panel_m: float) -> None:
        self.half_m = np.asarray(half_m, dtype=float)
        breaks = [_breaks(float(length), panel_m) for length in self.half_m]
        centers, sizes, axes = [], [], []
        for axis, (a, b) in enumerate(_OTHER_AXES):
            middle = [np.diff(row) / 2 + row[:-1] for row in breaks]
            half = [np.diff(row) / 2 for row in breaks]
            first, second = (grid.ravel() for grid in np.meshgrid(middle[a], middle[b], indexing="ij"))
            center = np.empty((first.size, 3))
            center[:, axis], center[:, a], center[:, b] = self.half_m[axis], first, second
            centers.append(center)
            sizes.append(np.stack([g.ravel() for g in np.meshgrid(half[a], half[b], indexing="ij")], axis=1))
            axes.append(np.full(first.size, axis))
        self.center_m = np.concatenate(centers)
        self.size_m = np.concatenate(sizes)
        self.axis = np.concatenate(axes)
        self.area_m2 = 4 * self.size_m[:, 0] * self.size_m[:, 1]
        self.count = self.axis.size
        self._surface = self.layer(self.center_m)
        drawn = np.random.default_rng(3).uniform(0.05, 0.9, (_INNER_POINTS, 3))
        self.inner_m = drawn * self.half_m
        self._inner = self.layer(self.inner_m)

    @property
    def first_inner_wavenumber(self) -> float:
        """Of the lowest frequency at which the inside of the box, soft at its walls, would resonate [1/m]."""
        return float(np.pi * np.sqrt(np.sum(1 / (2 * self.half_m) ** 2)))

    def layer(self, point_m: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Distance (8, P, M) [m] and static double layer (8, P, M) of the octant's panels at mirrored points."""
        distance = np.empty((8, len(point_m), self.count))
        static = np.empty_like(distance)
        for g, signs in enumerate(_SIGNS):
            apart = (point_m * signs)[:, None, :] - self.center_m
            distance[g] = np.sqrt((apart**2).sum(axis=2))
            for axis, (a, b) in enumerate(_OTHER_AXES):
                of = self.axis == axis
                static[g][:, of] = _solid_angle(
                    apart[:, of, axis], apart[:, of, a], apart[:, of, b], self.size_m[of]
                ) / (4 * np.pi)
        return distance, static

    def solve(self, wavenumber: float, pistons: Pistons, loads: _Loads) -> ComplexArray:
        """(8, M, S) pressure on the panels of every octant, relative to j omega rho times velocity [m]."""
        layer = _double_layer(self._surface, wavenumber)
        parities = _to_parities(layer)
        known, rhs = loads.at(wavenumber)
        known_parities = _to_parities(known) / 8
        passed = _to_parities(parities @ known_parities)
        for one in range(len(pistons)):
            passed[loads.own[one], :, one] = np.where(loads.own_face[one], 0.0, passed[loads.own[one], :, one])
        right = _to_parities(rhs + passed) / 8
        system = 0.5 * np.eye(self.count) - parities
        if wavenumber > _INNER_FROM * self.first_inner_wavenumber:
            inner = _to_parities(_double_layer(self._inner, wavenumber))
            direct = _to_parities(loads.inner_at(wavenumber)) / 8
            found = np.stack(
                [
                    np.linalg.lstsq(
                        np.concatenate([system[a], -inner[a]]),
                        np.concatenate([right[a], direct[a] + inner[a] @ known_parities[a]]),
                        rcond=None,
                    )[0]
                    for a in range(8)
                ]
            )
        else:
            found = np.linalg.solve(system, right)
        pressure: ComplexArray = _to_parities(found) + known
        return pressure


class _Loads:
    """What the pistons put on the mesh: their baffled pressure on their own face, their direct sound elsewhere."""

    def __init__(self, box: RigidBox, pistons: Pistons) -> None:
        self._pistons, self._box = pistons, box
        self.own = [np.flatnonzero(_SIGNS[:, axis] == side) for axis, side in _faces(pistons)]
        self.own_face = [box.axis == axis for axis in pistons.axis]
        node, weight = np.polynomial.legendre.leggauss(_SUBPOINTS)
        self._weights = np.outer(weight, weight).ravel() / 4
        first, second = (grid.ravel() for grid in np.meshgrid(node, node, indexing="ij"))
        self._direct, self._aside, self._tables = [], [], []
        every = _SIGNS[:, None, :] * box.center_m
        for one, (axis, _) in enumerate(_faces(pistons)):
            a, b = _OTHER_AXES[axis]
            self._direct.append(_disc(pistons, one, every.reshape(-1, 3)))
            panels = box.center_m[self.own_face[one]]
            size = box.size_m[self.own_face[one]]
            spots = np.repeat(panels[:, None, :], first.size, axis=1)
            spots[..., a] += size[:, :1] * first
            spots[..., b] += size[:, 1:] * second
            mirrored = _SIGNS[self.own[one], None, None, :] * spots
            away = mirrored - pistons.center_m[one]
            aside = np.hypot(away[..., a], away[..., b])
            radius = float(pistons.radius_m[one])
            reach = max(float(aside.max()), 2.2 * radius) + 0.01
            table = np.concatenate([np.linspace(0, 2 * radius, 41), np.geomspace(2.05 * radius, reach, 60)])
            rim = RimIntegral(np.stack([table, 0 * table], axis=1), np.zeros(table.size), radius, 256)
            self._aside.append(aside)
            self._tables.append((table, rim))
        self._inner = [
            _disc(pistons, one, (_SIGNS[:, None, :] * box.inner_m).reshape(-1, 3)) for one in range(len(pistons))
        ]

    def at(self, wavenumber: float) -> tuple[ComplexArray, ComplexArray]:
        """(8, M, S) baffled pressure, averaged over panels, and (8, M, S) direct sound, 0 on the piston's own face."""
        shape = (8, self._box.count, len(self._pistons))
        known, direct = np.zeros(shape, dtype=complex), np.empty(shape, dtype=complex)
        for one in range(len(self._pistons)):
            direct[..., one] = self._direct[one].at(wavenumber).reshape(shape[:2])
            direct[self.own[one], :, one] = np.where(self.own_face[one], 0.0, direct[self.own[one], :, one])
            table, rim = self._tables[one]
            steady = 2 * rim.at(wavenumber) * np.exp(1j * wavenumber * table)
            aside = self._aside[one]
            value = np.interp(aside, table, steady.real) + 1j * np.interp(aside, table, steady.imag)
            mean = (value * np.exp(-1j * wavenumber * aside) * self._weights).sum(axis=2)
            known[np.ix_(self.own[one], np.flatnonzero(self.own_face[one]), np.array([one]))] = mean[..., None]
        return known, direct

    def inner_at(self, wavenumber: float) -> ComplexArray:
        """(8, I, S) direct sound at the inner points' images."""
        found = [one.at(wavenumber).reshape(8, -1) for one in self._inner]
        return np.stack(found, axis=2)


@dataclass(frozen=True, slots=True, eq=False)
class BoxFields:
    """Pressure of each piston, relative to j omega rho U [1/m]: (K, N, S) at the close points, (K, P, S) at the points,
    (K, D, S) far away, where it is pressure times distance, with the delay from the box's middle taken out."""

    close: ComplexArray
    away: ComplexArray
    far: ComplexArray


def box_fields(
    half_m: FloatArray,
    panel_m: float,
    pistons: Pistons,
    wavenumber: FloatArray,
    *,
    close_m: Sequence[tuple[FloatArray, int, float]],
    away_m: FloatArray,
    directions: FloatArray,
) -> BoxFields:
    """Fields of pistons on a box. half_m : half depth, width, height; wavenumber (K,).

    close_m : (point (3,), axis and side of the face it stands before), right before the surface; away_m : (P, 3) points
    outside the box; directions : (D, 3) unit vectors. All from the box's middle.
    """
    box = RigidBox(half_m, panel_m)
    loads = _Loads(box, pistons)
    areas = np.pi * pistons.radius_m**2
    near = [_Close(box, pistons, *one) for one in close_m]
    layer = box.layer(away_m)
    direct = [_disc(pistons, one, away_m) for one in range(len(pistons))]
    out = BoxFields(
        *(
            np.empty((wavenumber.size, n, len(pistons)), dtype=complex)
            for n in (len(near), len(away_m), len(directions))
        )
    )
    normals = directions[:, box.axis] * box.area_m2
    for row, k in enumerate(map(float, wavenumber)):
        pressure = box.solve(k, pistons, loads)
        for spot, one in enumerate(near):
            out.close[row, spot] = one.at(k, pressure) / areas
        there = np.stack([one.at(k) for one in direct], axis=1)
        out.away[row] = (there + np.einsum("gpm,gms->ps", _double_layer(layer, k), pressure)) / areas
        out.far[row] = _far(box, pistons, k=k, pressure=pressure, directions=directions, normals=normals) / areas
    return out


class _Close:
    """A point right before a face: with its image behind the face that face's own panels drop out."""

    def __init__(self, box: RigidBox, pistons: Pistons, point_m: FloatArray, axis: int, side: float) -> None:
        image = point_m.copy()
        image[axis] = 2 * side * box.half_m[axis] - point_m[axis]
        both = np.stack([point_m, image])
        self._direct = [_disc(pistons, one, both) for one in range(len(pistons))]
        distance, static = box.layer(both)
        own = np.ix_(_SIGNS[:, axis] == side, [0, 1], box.axis == axis)
        static[own] = 0.0
        self._layer = distance, static

    def at(self, wavenumber: float, pressure: ComplexArray) -> ComplexArray:
        passed = np.einsum("gpm,gms->s", _double_layer(self._layer, wavenumber), pressure)
        return np.asarray(passed + [one.at(wavenumber).sum() for one in self._direct])


def _far(
    box: RigidBox, pistons: Pistons, k: float, pressure: ComplexArray, directions: FloatArray, normals: FloatArray
) -> ComplexArray:
    from scipy.special import j1

    off = np.sqrt(np.maximum(1 - directions[:, pistons.axis] ** 2, 0.0))
    narrow = np.maximum(k * pistons.radius_m * off, 1e-9)
    beam = 2 * j1(narrow) / narrow * np.exp(1j * k * directions @ pistons.center_m.T)
    total = np.asarray(beam * np.pi * pistons.radius_m**2 / (4 * np.pi), dtype=complex)
    for signs, part in zip(_SIGNS, pressure, strict=True):
        turned = directions * signs
        phase = np.exp(1j * k * turned @ box.center_m.T)
        total = total + (1j * k / (4 * np.pi) * normals * signs[box.axis] * phase) @ part
    return total


def _faces(pistons: Pistons) -> list[tuple[int, float]]:
    return [(int(axis), float(side)) for axis, side in zip(pistons.axis, pistons.side, strict=True)]


def _disc(pistons: Pistons, one: int, point_m: FloatArray) -> RimIntegral:
    axis = int(pistons.axis[one])
    away = point_m - pistons.center_m[one]
    return RimIntegral(away[:, _OTHER_AXES[axis]], away[:, axis], float(pistons.radius_m[one]))


def _double_layer(layer: tuple[FloatArray, FloatArray], wavenumber: float) -> ComplexArray:
    distance, static = layer
    turn = wavenumber * distance
    return np.asarray(static * (1 + 1j * turn) * np.exp(-1j * turn))


def _to_parities(values: ComplexArray) -> ComplexArray:
    """(8, ...) over octants to parities, or back."""
    return np.asarray((_PARITY @ values.reshape(8, -1)).reshape(values.shape))


def _solid_angle(height: FloatArray, u: FloatArray, v: FloatArray, size: FloatArray) -> FloatArray:
    """Signed solid angle of rectangles seen from `height` above their plane, their middle (u, v) aside; 0 within it."""
    flat = np.abs(height) < _AIR_GAP_M
    h = np.where(flat, 1.0, height)
    total = np.zeros_like(h)
    for s in (1, -1):
        for t in (1, -1):
            x, y = s * size[:, 0] - u, t * size[:, 1] - v
            total += s * t * np.arctan(x * y / (h * np.sqrt(x * x + y * y + h * h)))
    return np.where(flat, 0.0, total)


def _breaks(length_m: float, panel_m: float) -> FloatArray:
    """Panel ends from the middle to the edge, where they are a fifth as large and grow inward."""
    sizes: list[float] = []
    size = _EDGE_SHARE * panel_m
    while size < panel_m and sum(sizes) + size < length_m:
        sizes.append(size)
        size *= _GROWTH
    rest = length_m - sum(sizes)
    inner = np.linspace(0.0, rest, max(1, int(np.ceil(rest / panel_m))) + 1)
    return np.concatenate([inner, rest + np.cumsum(sizes[::-1])])
