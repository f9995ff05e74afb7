"""Sound about rigid bodies by boundary elements, written apart from the program's own model of the box.

Direct collocation, exp(+j omega t), G = e^(-jkr) / (4 pi r), normal n out of the body:
p(x) / 2 = p_in(x) + integral of (p dG/dn - G dp/dn) on the surface, 0 in place of p / 2 inside it. Constant elements,
the self-terms in closed form, silence at inner points held by multipliers (Schenck, J. Acoust. Soc. Am. 44, 1968; from
memory). Elements are patches of planes or of a sphere: the series of the sphere is what the solver is held to.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

_NEAR_SIZES = 3.0
_CHUNK = 256


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """Elements of a closed surface. center, normal (N, 3), area (N,) [m2].

    coarse, fine : points (N, Q, 3), normals (N, Q, 3) and weights (N, Q) [m2] of two quadratures;
    inverse_distance (N,) [m] : integral of 1/r about the element's middle; curvature (N,) [1/m]; inside (C, 3).
    """

    center: Real
    normal: Real
    coarse: tuple[Real, Real, Real]
    fine: tuple[Real, Real, Real]
    inverse_distance: Real
    curvature: Real
    inside: Real

    @property
    def area(self) -> Real:
        return self.fine[2].sum(axis=1)


def _rectangle_inverse_distance(one: Real, other: Real) -> Real:
    """Integral of 1/r over a rectangle with sides `one`, `other` about its middle."""
    return 2 * (one * np.arcsinh(other / one) + other * np.arcsinh(one / other))


def _inner_points(reach: Real) -> Real:
    number = np.arange(1, 25)[:, None]
    return reach * (1.7 * np.mod(number * np.array([0.7548777, 0.5698403, 0.4301597]), 1.0) - 0.85)


def _patches(count: int) -> tuple[Real, Real]:
    """Borders (count + 1,) of cells that shrink toward the ends of -1 to 1, milder than a cosine."""
    even = np.linspace(-1, 1, count + 1)
    return 0.4 * even + 0.6 * np.sin(np.pi / 2 * even), even


def _cells(first: Real, second: Real, points: int) -> tuple[Real, Real, Real]:
    """u, v (N, points^2) and weights of Gauss points in all cells between two lists of borders."""
    node, weight = np.polynomial.legendre.leggauss(points)
    middle = [(b[1:] + b[:-1]) / 2 for b in (first, second)]
    half = [np.diff(b) / 2 for b in (first, second)]
    u = (middle[0][:, None] + half[0][:, None] * node)[:, None, :, None]
    v = (middle[1][:, None] + half[1][:, None] * node)[None, :, None, :]
    w = (half[0][:, None] * weight)[:, None, :, None] * (half[1][:, None] * weight)[None, :, None, :]
    shape = (middle[0].size, middle[1].size, points, points)
    return tuple(np.broadcast_to(x, shape).reshape(-1, points**2) for x in (u, v, w))


def box(size: Real, spacing: float) -> Surface:
    """A box about the origin with elements of about `spacing`."""
    parts: dict[str, list[Real]] = {name: [] for name in ("center", "normal", "inverse")}
    rules: tuple[list, list] = ([], [])
    for axis, side in product(range(3), (-1.0, 1.0)):
        one, other = [a for a in range(3) if a != axis]
        borders = [size[a] / 2 * _patches(round(size[a] / spacing))[0] for a in (one, other)]
        normal = side * np.eye(3)[axis]
        for rule, points in zip((*rules, None), (2, 6, 1), strict=True):
            u, v, w = _cells(*borders, points)
            place = np.zeros((*u.shape, 3))
            place[..., one], place[..., other], place[..., axis] = u, v, side * size[axis] / 2
            if rule is None:
                parts["center"].append(place[:, 0])
            else:
                rule.append((place, np.broadcast_to(normal, place.shape), w))
        parts["normal"].append(np.tile(normal, (len(parts["center"][-1]), 1)))
        wide, high = (grid.ravel() for grid in np.meshgrid(*(np.diff(b) for b in borders), indexing="ij"))
        parts["inverse"].append(_rectangle_inverse_distance(wide, high))
    center = np.concatenate(parts["center"])
    coarse, fine = (tuple(np.concatenate(x) for x in zip(*rule, strict=True)) for rule in rules)
    return Surface(
        center, np.concatenate(parts["normal"]), coarse, fine, np.concatenate(parts["inverse"]),
        np.zeros(len(center)), _inner_points(size / 2),
    )  # fmt: skip


def sphere(radius: float, count: int) -> Surface:
    """A sphere about the origin: six faces of count^2 patches, angles equal along the edges."""
    centers, rules = [], ([], [])
    angle = np.pi / 4 * np.linspace(-1, 1, count + 1)
    for axis, side in product(range(3), (-1.0, 1.0)):
        one, other = [a for a in range(3) if a != axis]
        for rule, points in zip((*rules, None), (2, 6, 1), strict=True):
            a, b, w = _cells(angle, angle, points)
            place = np.zeros((*a.shape, 3))
            place[..., one], place[..., other], place[..., axis] = np.tan(a), np.tan(b), side
            length = np.linalg.norm(place, axis=-1)
            unit = place / length[..., None]
            # Area of a patch of the unit sphere over (tan a, tan b): 1 / length^3.
            w = w * radius**2 * (1 + np.tan(a) ** 2) * (1 + np.tan(b) ** 2) / length**3
            if rule is None:
                centers.append(radius * unit[:, 0])
            else:
                rule.append((radius * unit, unit, w))
    center = np.concatenate(centers)
    coarse, fine = (tuple(np.concatenate(x) for x in zip(*rule, strict=True)) for rule in rules)
    # A patch is taken as the square of its area for the integral of 1/r.
    edge = np.sqrt(fine[2].sum(axis=1))
    return Surface(
        center, center / radius, coarse, fine, _rectangle_inverse_distance(edge, edge),
        np.full(len(center), 1 / radius), _inner_points(np.full(3, radius / np.sqrt(3))),
    )  # fmt: skip


def _kernels(points: Real, rule: tuple[Real, Real, Real], k: float, *, single: bool) -> tuple[Complex, Complex | None]:
    """(P, N) integrals of dG/dn and, where `single`, of G over elements, seen from points (P, 3)."""
    place, normal, weight = rule
    flat, shape = place.reshape(-1, 3), (len(points), *weight.shape)
    offset = np.einsum("qx,qx->q", flat, normal.reshape(-1, 3))
    square = np.sum(points**2, axis=1)[:, None] + np.sum(flat**2, axis=1) - 2 * points @ flat.T
    distance = np.sqrt(np.maximum(square, 1e-20))
    along = offset - points @ normal.reshape(-1, 3).T
    green = np.exp(-1j * k * distance) / (4 * np.pi * distance)
    slope = -green * (1j * k + 1 / distance) * along / distance
    first = (slope.reshape(shape) * weight).sum(axis=2)
    return first, (green.reshape(shape) * weight).sum(axis=2) if single else None


def layers(surface: Surface, points: Real, k: float, *, single: bool = True) -> tuple[Complex, Complex | None]:
    """Double and single layer (P, N) at points off the elements' middles; near elements by the fine rule."""
    double = np.empty((len(points), len(surface.center)), dtype=complex)
    simple = np.empty_like(double) if single else None
    edge = np.sqrt(surface.area)
    for start in range(0, len(points), _CHUNK):
        rows = slice(start, start + _CHUNK)
        double[rows], own = _kernels(points[rows], surface.coarse, k, single=single)
        if simple is not None:
            simple[rows] = own
    from scipy.spatial import cKDTree

    near = cKDTree(surface.center).query_ball_point(points, _NEAR_SIZES * float(edge.max()))
    at = np.concatenate([np.full(len(one), row) for row, one in enumerate(near)]).astype(int)
    element = np.concatenate([np.array(one, dtype=int) for one in near])
    place, normal, weight = (part[element] for part in surface.fine)
    away = place - points[at][:, None, :]
    distance = np.maximum(np.linalg.norm(away, axis=2), 1e-12)
    green = np.exp(-1j * k * distance) / (4 * np.pi * distance) * weight
    along = np.einsum("nqx,nqx->nq", away, normal)
    double[at, element] = (-green * (1j * k + 1 / distance) * along / distance).sum(axis=1)
    if simple is not None:
        simple[at, element] = green.sum(axis=1)
    return double, simple


class Body:
    """A rigid or vibrating body at one wavenumber."""

    def __init__(self, surface: Surface, k: float) -> None:
        self.surface, self.k = surface, k
        count = len(surface.center)
        double, simple = layers(surface, np.concatenate([surface.center, surface.inside]), k)
        assert simple is not None
        own, size = np.arange(count), surface.inverse_distance
        # G = 1/(4 pi r) - jk/(4 pi) + ..; on a sphere of curvature c the slope of 1/(4 pi r) is -c/(8 pi r).
        simple[own, own] = size / (4 * np.pi) - 1j * k * surface.area / (4 * np.pi)
        double[own, own] = -surface.curvature * size / (8 * np.pi)
        self.single = simple
        inner = len(surface.inside)
        system = np.zeros((count + inner, count + inner), dtype=complex)
        system[:count, :count] = 0.5 * np.eye(count) - double[:count]
        system[count:, :count] = -double[count:]
        system[:count, count:] = double[count:].conj().T
        self.factor = scipy.linalg.lu_factor(system, overwrite_a=True, check_finite=False)

    def pressure(self, slope: Complex | None, arriving: Complex | None) -> Complex:
        """(N,) on the elements; slope (N,) dp/dn of the surface, arriving (N + C,) at middles and inner points."""
        right = np.zeros(len(self.single), dtype=complex)
        if slope is not None:
            right -= self.single @ slope
        if arriving is not None:
            right += arriving
        return scipy.linalg.lu_solve(self.factor, right, check_finite=False)[: len(self.surface.center)]

    def places(self) -> Real:
        return np.concatenate([self.surface.center, self.surface.inside])


def far_field(surface: Surface, k: float, directions: Real, pressure: Complex, slope: Complex | None) -> Complex:
    """(D,) lim r e^(jkr) p of what leaves the surface."""
    place, normal, weight = surface.coarse
    total = np.zeros(len(directions), dtype=complex)
    for row, one in enumerate(directions):
        turn = np.exp(1j * k * (place @ one)) * weight / (4 * np.pi)
        # The slope of e^(jk n.y) along the normal.
        total[row] = np.sum(pressure[:, None] * 1j * k * (normal @ one) * turn)
        if slope is not None:
            total[row] -= np.sum(slope[:, None] * turn)
    return total
