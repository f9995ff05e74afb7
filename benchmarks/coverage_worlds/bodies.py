"""Bodies on which radiators sit: what each radiator's volume acceleration does anywhere, exactly.

A sphere has the series of a cap on a rigid sphere (Beranek and Mellow, Acoustics: Sound Fields and Transducers), at any
size; a box has stored boundary-element solutions of flat pistons, at any scale (a length times s is a wavelength times
s). exp(+j omega t); pressures in Pa per m^3/s^2, AES69 axes from the reference point.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.special import j1

from earwitness.demo import sources

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

RHO = 1.204
BOXES = Path(__file__).parents[1] / "box_data" / "boxes.npz"
NEAR_ORDER = 500


@dataclass(frozen=True, slots=True)
class Radiator:
    """A cone, dome or port. center_m : from the reference point; front : on the front of its body."""

    name: str
    kind: str
    center_m: tuple[float, float, float]
    radius_m: float
    front: bool = True


class Body(Protocol):
    """size_m : width, height, depth as a tester would write them down; c_m_s : speed of sound."""

    @property
    def radiators(self) -> tuple[Radiator, ...]: ...
    @property
    def size_m(self) -> tuple[float, float, float]: ...
    @property
    def c_m_s(self) -> float: ...
    def at(self, points_m: FloatArray, hz: FloatArray, *, vertical: bool) -> ComplexArray:
        """(R, P, F) pressure at points near one orbit, delay included."""
        ...

    def far(self, unit_vectors: FloatArray, hz: FloatArray, *, vertical: bool) -> ComplexArray:
        """(R, P, F) limit of pressure times distance e^(jkd), d from the reference point."""
        ...

    def near(self, row: int, gap_m: float, hz: FloatArray) -> ComplexArray:
        """(R, F) pressure in front of the middle of a radiator."""
        ...


@dataclass(frozen=True, slots=True)
class Cap:
    """name, kind; unit vector from the middle of the sphere to the middle of the cap; radius of its rim."""

    name: str
    kind: str
    toward: tuple[float, float, float]
    radius_m: float


@dataclass(frozen=True, eq=False)
class SphereBody:
    """Caps on a rigid sphere; the last cap's middle is the reference point. stated_m : width, height, depth."""

    radius_m: float
    caps: tuple[Cap, ...]
    stated_m: tuple[float, float, float]
    c_m_s: float = sources.SPEED_OF_SOUND_M_S

    @property
    def size_m(self) -> tuple[float, float, float]:
        return self.stated_m

    @property
    def _middle(self) -> FloatArray:
        return np.asarray(-self.radius_m * np.array(self.caps[-1].toward))

    @property
    def radiators(self) -> tuple[Radiator, ...]:
        found = []
        for cap in self.caps:
            x, y, z = (float(v) for v in self._middle + self.radius_m * np.array(cap.toward))
            found.append(Radiator(cap.name, cap.kind, (x, y, z), cap.radius_m, cap.toward[0] > 0))
        return tuple(found)

    def at(self, points_m: FloatArray, hz: FloatArray, *, vertical: bool) -> ComplexArray:  # noqa: ARG002 any point
        return self._anywhere(points_m, hz, self._order(hz))

    def far(self, unit_vectors: FloatArray, hz: FloatArray, *, vertical: bool) -> ComplexArray:  # noqa: ARG002
        turn = np.exp(2j * np.pi / self.c_m_s * np.multiply.outer(unit_vectors @ self._middle, hz))
        found = []
        for cap, rows in zip(self.caps, self._far_rows(hz), strict=True):
            table = sources.legendre_table(rows.shape[0] - 1, np.clip(unit_vectors @ np.array(cap.toward), -1, 1))
            found.append((table @ rows) * turn / (2j * np.pi * hz))
        return np.array(found)

    def near(self, row: int, gap_m: float, hz: FloatArray) -> ComplexArray:
        toward = np.array(self.caps[row].toward)
        point = self._middle + (self.radius_m + gap_m) * toward
        return self._anywhere(point[None], hz, NEAR_ORDER)[:, 0]

    def _order(self, hz: FloatArray) -> int:
        return sources.order_for(2 * np.pi * float(hz.max()) / self.c_m_s * self.radius_m)

    def _series(self, cap: Cap, order: int) -> FloatArray:
        return sources.cap_coefficients(float(np.arcsin(cap.radius_m / self.radius_m)), order)

    def _far_rows(self, hz: FloatArray) -> list[ComplexArray]:
        order = self._order(hz)
        spreading = sources.spread_far(order, self.radius_m, hz)
        found = []
        for cap in self.caps:
            series = self._series(cap, order)
            found.append(series[:, None] * spreading / sources.cap_volume_velocity(series, self.radius_m))
        return found

    def _anywhere(self, points_m: FloatArray, hz: FloatArray, order: int) -> ComplexArray:
        away = points_m - self._middle
        distance = np.linalg.norm(away, axis=1)
        # Points of one distance share their Hankel functions; an orbit's left and right half do.
        each, row = np.unique(np.round(distance, 9), return_inverse=True)
        spreading = sources.spread(order, self.radius_m, each, hz)[row]
        found = []
        for cap in self.caps:
            series = self._series(cap, order)
            cosine = np.clip(away @ np.array(cap.toward) / distance, -1.0, 1.0)
            pressure = sources.cap_at_points(spreading, series, cosine)
            found.append(pressure / sources.cap_volume_velocity(series, self.radius_m) / (2j * np.pi * hz))
        return np.array(found)


@lru_cache(maxsize=16)
def stored(name: str) -> dict[str, Any]:
    """What is stored of a box: see benchmarks/box_data/pack.py."""
    with np.load(BOXES) as every:
        found = {key[2:]: every[key] for key in every.files if key.startswith(f"{name}_")}
    if not found:
        raise ValueError(f"no box {name!r} in {BOXES}")
    parts = found.pop("field") / 32_000.0
    found["field"] = (parts[0] + 1j * parts[1]) * found["scale"][:, :, None, None]
    angle = found["angle_deg"]
    for orbit, key in ((False, "horizontal_rows"), (True, "vertical_rows")):
        own = np.flatnonzero(found["vertical"] == orbit)
        shared = np.flatnonzero(~found["vertical"] & np.isin(angle, (0.0, 180.0)))
        rows = np.unique(np.concatenate([own, shared]))
        found[key] = rows[np.argsort(np.mod(angle[rows], 360.0))]
    return found


def stored_names() -> tuple[str, ...]:
    with np.load(BOXES) as every:
        return tuple(sorted({key.partition("_")[0] for key in every.files}))


@dataclass(frozen=True, eq=False)
class BoxBody:
    """Pistons on a stored box, all lengths times `scale`. radii : of the treble pistons above the solved range."""

    name: str
    scale: float = 1.0

    @property
    def c_m_s(self) -> float:
        return float(stored(self.name)["c_m_s"])

    @property
    def size_m(self) -> tuple[float, float, float]:
        width, height, depth = (float(v) * self.scale for v in stored(self.name)["box_m"])
        return width, height, depth

    @property
    def middle_m(self) -> tuple[float, float, float]:
        """Of the box, from the reference point."""
        x, y, z = (float(v) * self.scale for v in stored(self.name)["middle_m"])
        return x, y, z

    @property
    def radiators(self) -> tuple[Radiator, ...]:
        told = stored(self.name)
        kinds = {"woofer": "cone", "mid": "cone", "tweeter": "dome", "port": "port"}
        return tuple(
            Radiator(
                str(name),
                kinds[str(name)],
                (float(at[0]) * self.scale, float(at[1]) * self.scale, float(at[2]) * self.scale),
                float(radius) * self.scale,
                bool(front),
            )
            for name, at, radius, front in zip(
                told["driver"], told["center_m"], told["radius_m"], told["front"], strict=True
            )
        )

    def at(self, points_m: FloatArray, hz: FloatArray, *, vertical: bool) -> ComplexArray:
        points = points_m / self.scale
        center = stored(self.name)["center_m"]
        away = np.linalg.norm(points[None] - center[:, None], axis=2)
        reach = np.linalg.norm(points, axis=1)
        field = self._smooth(points / reach[:, None], 1.0 / reach, hz, vertical)
        turn = np.exp(-2j * np.pi / self.c_m_s * self.scale * away[:, :, None] * hz)
        return np.asarray(field * turn / (away * self.scale)[:, :, None])

    def far(self, unit_vectors: FloatArray, hz: FloatArray, *, vertical: bool) -> ComplexArray:
        ahead = stored(self.name)["center_m"] @ unit_vectors.T * self.scale
        field = self._smooth(unit_vectors, np.zeros(len(unit_vectors)), hz, vertical)
        return np.asarray(field * np.exp(2j * np.pi / self.c_m_s * ahead[:, :, None] * hz))

    def near(self, row: int, gap_m: float, hz: FloatArray) -> ComplexArray:
        told = stored(self.name)
        hz_there = told["hz"] / self.scale
        gaps, near = told["near_distance_m"] * self.scale, told["near"][:, :, row].astype(np.complex128) / self.scale
        weights = np.array([_lagrange(gaps, gap_m, i) for i in range(gaps.size)])
        center = told["center_m"] * self.scale
        point = center[row] + np.array([gap_m if told["front"][row] else -gap_m, 0.0, 0.0])
        away = np.linalg.norm(point - center, axis=1)
        turn = np.exp(2j * np.pi * hz_there[:, None] / self.c_m_s * away)
        bare = CubicSpline(np.log(hz_there), (near @ weights) * turn)
        inside = np.clip(hz, hz_there[0], hz_there[-1])
        return np.asarray((bare(np.log(inside)) * np.exp(-2j * np.pi * hz[:, None] / self.c_m_s * away)).T)

    def _smooth(self, unit_vectors: FloatArray, over_m: FloatArray, hz: FloatArray, vertical: bool) -> ComplexArray:
        """(R, P, F) pressure times distance, delay taken out; over_m (P,) one over the distance, both unscaled.

        Trigonometric over the angle, a polynomial over 1/distance, a spline over log frequency; above the solved
        range a flat piston in a large baffle whose shade behind is the one at the end of that range.
        """
        told = stored(self.name)
        rows = told["vertical_rows" if vertical else "horizontal_rows"]
        angle = np.arctan2(unit_vectors[:, 2 if vertical else 1], unit_vectors[:, 0])
        waves = np.fft.fft(told["field"][:, :, :, rows], axis=3) / rows.size
        orders = np.fft.fftfreq(rows.size, 1.0 / rows.size)
        waves[..., rows.size // 2] = 0.0
        nodes = np.concatenate([1.0 / told["orbit_radius_m"], [0.0]])
        each, row = np.unique(over_m, return_inverse=True)
        weights = np.array([[_lagrange(nodes, float(x), i) for i in range(nodes.size)] for x in each])[row]
        turned = waves @ np.exp(1j * np.multiply.outer(orders, angle))
        field = np.einsum("fdnp,pn->dpf", turned, weights)
        scaled = hz * self.scale
        low, high = 2000.0, 3000.0
        inside = np.clip(scaled, told["hz"][0], told["hz"][-1])
        solved = CubicSpline(np.log(told["hz"]), field, axis=2)(np.log(inside))
        share = np.clip(np.log(scaled / low) / np.log(high / low), 0.0, 1.0)
        share = 3 * share**2 - 2 * share**3
        above = share > 0
        beyond = self._baffled(unit_vectors, scaled[above])
        treble = (told["hz"] >= low) & (told["hz"] <= high)
        there = self._baffled(unit_vectors, told["hz"][treble])
        shade = np.sqrt((np.abs(field[:, :, treble]) ** 2).mean(axis=2) / (np.abs(there) ** 2).mean(axis=2))
        cosine = unit_vectors[None, :, 0] * np.where(told["front"], 1.0, -1.0)[:, None]
        behind = np.clip((np.degrees(np.arccos(np.clip(cosine, -1, 1))) - 60.0) / 40.0, 0.0, 1.0)
        behind = 3 * behind**2 - 2 * behind**3
        beyond = beyond * (np.minimum(shade, 1.0) ** behind)[:, :, None]
        blended = solved.copy()
        blended[:, :, above] = solved[:, :, above] * (1 - share[above]) + beyond * share[above]
        return np.asarray(blended)

    def _baffled(self, unit_vectors: FloatArray, hz: FloatArray) -> ComplexArray:
        """(R, P, F) a piston in an infinite baffle, per volume acceleration and times distance."""
        told = stored(self.name)
        sine = np.sqrt(1.0 - np.clip(unit_vectors[:, 0], -1.0, 1.0) ** 2)
        x = 2 * np.pi / self.c_m_s * np.multiply.outer(np.multiply.outer(told["radius_m"], sine), hz)
        safe = np.where(x < 1e-9, 1.0, x)
        return np.asarray(RHO / (2 * np.pi) * np.where(x < 1e-9, 1.0, 2 * j1(safe) / safe), dtype=np.complex128)


def _lagrange(nodes: FloatArray, x: float, row: int) -> float:
    others = np.delete(nodes, row)
    return float(np.prod((x - others) / (nodes[row] - others)))
