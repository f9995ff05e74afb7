"""A loudspeaker whose cabinet is a real box: its sound from stored boundary-element solutions, no formula of a body.

The file holds, for flat pistons on a rigid box, the pressure on a sphere about the box as spherical harmonics and the
pressure 5 mm before each piston, both per volume velocity (benchmarks/box_data/make.py tells how it was made and
checked). exp(+j omega t). Above 2 to 3 kHz, where the solution ends, each piston passes into one in a plane without
edges, dimmed behind the box by what the solution shows there below 3 kHz.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from importlib import resources

import numpy as np
from numpy.typing import NDArray

from earwitness.demo.sources import AIR_DENSITY_KG_M3, SPEED_OF_SOUND_M_S
from earwitness.quantities import ComplexArray, FloatArray

C, RHO = SPEED_OF_SOUND_M_S, AIR_DENSITY_KG_M3
NEAR_GAP_M = 0.005
_PASSAGE_HZ = (2000.0, 2900.0)
_SHADE_FROM_DEG, _SHADE_OVER_DEG = 60.0, 40.0


@dataclass(frozen=True, slots=True, eq=False)
class Box:
    """One box as stored. hz : (F,); radius_m : of the sphere; rows : (pistons, F, harmonics) on it over j omega rho;
    degree, order : (harmonics,), order 0 or more: the box is alike left and right;
    near : (F, at, by) over j omega rho; middle_m : of the box from the reference point."""

    hz: FloatArray
    radius_m: float
    rows: ComplexArray
    degree: NDArray[np.int_]
    order: NDArray[np.int_]
    near: ComplexArray
    names: tuple[str, ...]
    center_m: FloatArray
    piston_m: FloatArray
    size_m: tuple[float, float, float]
    middle_m: FloatArray
    speed_m_s: float

    def far(self, name: str, unit_vectors: FloatArray, frequency_hz: FloatArray) -> ComplexArray:
        """Pressure times distance per volume velocity, delay from the reference point taken out; (directions, F)."""
        piston = self.names.index(name)
        frequency = np.asarray(frequency_hz, dtype=np.float64)
        rows, k = _amplitudes(self, piston, frequency.tobytes())
        turn = self.degree[:, None] + 1.0
        table = self._harmonics(unit_vectors)
        spread = rows * (1j**turn) / k
        found = table @ spread * np.exp(1j * np.outer(unit_vectors @ self.middle_m, k))
        rim = self._rim_m()
        around = np.linalg.norm(rim - self.center_m[piston], axis=1) - unit_vectors @ rim.T
        straight = -(unit_vectors @ self.center_m[piston])
        # Behind the front sound comes around its edge.
        path = np.where(unit_vectors[:, 0] < 0, around.min(axis=1), straight)
        return self._above(piston, found, unit_vectors, path[:, None] * np.ones_like(k), 1.0, frequency)

    def at(self, name: str, point_m: FloatArray, frequency_hz: FloatArray) -> ComplexArray:
        """Pressure per volume velocity at points outside the stored sphere, delay included; (points, F)."""
        piston = self.names.index(name)
        frequency = np.asarray(frequency_hz, dtype=np.float64)
        rows, k = _amplitudes(self, piston, frequency.tobytes())
        away = point_m - self.middle_m
        distance = np.linalg.norm(away, axis=1)
        table = self._harmonics(away / distance[:, None])
        found = np.stack(
            [
                table[row] @ (rows * _hankel(int(self.degree.max()), k * float(distance[row]))[self.degree])
                for row in range(distance.size)
            ]
        )
        rim = self._rim_m()
        straight = np.linalg.norm(point_m - self.center_m[piston], axis=1)
        to_rim = np.linalg.norm(rim - self.center_m[piston], axis=1)
        around = to_rim + np.linalg.norm(point_m[:, None] - rim, axis=2)
        path = np.where(point_m[:, 0] < 0, around.min(axis=1), straight)
        unit = (point_m - self.center_m[piston]) / straight[:, None]
        return self._above(piston, found, unit, np.outer(path, np.ones_like(k)), 1 / straight, frequency)

    def before(self, name: str, at: str, frequency_hz: FloatArray) -> ComplexArray:
        """Pressure per volume velocity of a piston 5 mm before the middle of a piston, delay included; (F,)."""
        from scipy.interpolate import CubicSpline
        from scipy.special import j1

        by, spot = self.names.index(name), self.names.index(at)
        frequency = np.asarray(frequency_hz, dtype=np.float64)
        apart = self.center_m[spot] - self.center_m[by]
        path = float(np.hypot(np.linalg.norm(apart), NEAR_GAP_M))
        stored, k = 2 * np.pi * self.hz / self.speed_m_s, 2 * np.pi * frequency / C
        steady = CubicSpline(stored, self.near[:, spot, by] * np.exp(1j * stored * path))
        held = steady(np.clip(k, stored[0], stored[-1])) * np.exp(-1j * k * path)
        radius = float(self.piston_m[by])
        if by == spot:
            slant = float(np.hypot(NEAR_GAP_M, radius))
            half = k * (slant - NEAR_GAP_M) / 2
            above = (slant - NEAR_GAP_M) / (np.pi * radius**2) * np.sinc(half / np.pi)
            high = above * np.exp(-0.5j * k * (slant + NEAR_GAP_M))
        else:
            narrow = np.maximum(k * radius, 1e-9)
            high = j1(narrow) / narrow / (np.pi * path) * np.exp(-1j * k * path)
        weight = _passage(frequency)
        mixed = np.where(weight < 0.5, held, high) if by == spot else held * (1 - weight) + high * weight
        return np.asarray(mixed * 2j * np.pi * frequency * RHO)

    def _rim_m(self) -> FloatArray:
        """(points, 3) along the edges of the front."""
        width, height = self.size_m[0] / 2, self.size_m[1] / 2
        turn = np.linspace(-1.0, 1.0, 25)
        sides = [np.stack([turn * width, np.full(25, sign * height)], axis=1) for sign in (-1, 1)]
        sides += [np.stack([np.full(25, sign * width), turn * height], axis=1) for sign in (-1, 1)]
        return np.stack([np.zeros(100), *(np.concatenate(sides) + self.middle_m[1:]).T], axis=1)

    def _harmonics(self, unit_vectors: FloatArray) -> FloatArray:
        """(directions, harmonics) N_nm P_nm(cos polar) cos(m azimuth), as spherical harmonics of order m have it."""
        from scipy.special import sph_harm_y

        polar = np.arccos(np.clip(unit_vectors[:, 2], -1.0, 1.0))
        azimuth = np.arctan2(unit_vectors[:, 1], unit_vectors[:, 0])
        table = sph_harm_y(self.degree, self.order, polar[:, None], azimuth[:, None])
        return np.asarray(table.real, dtype=np.float64)

    def _above(
        self,
        piston: int,
        low: ComplexArray,
        unit: FloatArray,
        path_m: FloatArray,
        spreading: float | FloatArray,
        frequency: FloatArray,
    ) -> ComplexArray:
        """The stored field passing into that of a piston in a plane, times j omega rho."""
        weight = _passage(frequency)
        k = 2 * np.pi * frequency / C
        plane = self._plane(piston, unit, path_m, k) * np.reshape(spreading, (-1, 1))
        below = frequency < self.hz[-1]
        tiny = np.finfo(float).tiny
        ratio = np.where(below, plane, 1.0) / np.where(below & (np.abs(low) > tiny), low, 1.0)
        mixed = np.where(weight < 1, low * np.exp(weight * np.log(np.where(ratio == 0, 1.0, ratio))), plane)
        return np.asarray(mixed * 2j * np.pi * frequency * RHO, dtype=np.complex128)

    def _plane(self, piston: int, unit: FloatArray, path_m: FloatArray, k: FloatArray) -> ComplexArray:
        from scipy.special import j1

        off = np.degrees(np.arccos(np.clip(unit[:, 0], -1.0, 1.0)))
        narrow = np.maximum(np.outer(np.sin(np.radians(off)) * float(self.piston_m[piston]), k), 1e-9)
        beam = 2 * j1(narrow) / narrow / (2 * np.pi)
        behind = np.clip((off - _SHADE_FROM_DEG) / _SHADE_OVER_DEG, 0.0, 1.0)
        dimmed = np.interp(off, *_shade(self, piston)) * behind**2 * (3 - 2 * behind)
        return np.asarray(beam * 10 ** (dimmed[:, None] / 20) * np.exp(-1j * k * path_m))


@lru_cache(maxsize=8)
def _shade(box: Box, piston: int) -> tuple[FloatArray, FloatArray]:
    """Angles from the axis [degrees], and how far a piston's sound there lies under that of one in a plane [dB]."""
    from scipy.special import j1

    hz = np.geomspace(*_PASSAGE_HZ, 12)
    angle = np.arange(0.0, 181.0, 15.0)
    around = np.radians(np.arange(0.0, 360.0, 45.0))
    rows, k = _amplitudes(box, piston, hz.tobytes())
    levels = []
    for one in np.radians(angle):
        unit = np.stack(
            [np.full(around.size, np.cos(one)), np.sin(one) * np.cos(around), np.sin(one) * np.sin(around)], axis=1
        )
        far = box._harmonics(unit) @ (rows * 1j ** (box.degree[:, None] + 1.0) / k)
        narrow = np.maximum(k * float(box.piston_m[piston]) * np.sin(one), 1e-9)
        plane = 2 * j1(narrow) / narrow / (2 * np.pi)
        levels.append(10 * np.log10(np.mean(np.abs(far) ** 2) / np.mean(plane**2)))
    return angle, np.minimum(np.array(levels), 0.0)


@lru_cache(maxsize=2)
def stored(name: str) -> Box:
    """The box of that file in this package's data."""
    with resources.as_file(resources.files("earwitness.demo") / "data" / f"{name}.npz") as path, np.load(path) as data:
        return Box(
            hz=data["frequency_hz"].astype(float),
            radius_m=float(data["radius_m"]),
            rows=data["harmonics"].astype(complex),
            degree=data["degree"].astype(int),
            order=data["order"].astype(int),
            near=data["near"].astype(complex),
            names=tuple(str(one) for one in data["piston"]),
            center_m=data["center_m"].astype(float),
            piston_m=data["piston_radius_m"].astype(float),
            size_m=(float(data["size_m"][0]), float(data["size_m"][1]), float(data["size_m"][2])),
            middle_m=data["middle_m"].astype(float),
            speed_m_s=float(data["speed_of_sound_m_s"]),
        )


@lru_cache(maxsize=24)
def _amplitudes(box: Box, piston: int, frequency: bytes) -> tuple[ComplexArray, FloatArray]:
    """Amplitudes (harmonics, F) of h_n(kr) over j omega rho, and wavenumbers (F,); kept, because every path asks for
    the same frequencies."""
    from scipy.interpolate import CubicSpline

    stored_k, k = 2 * np.pi * box.hz / box.speed_m_s, 2 * np.pi * np.frombuffer(frequency) / C
    highest, radius = int(box.degree.max()), box.radius_m
    # With the delay over the sphere's radius out, every harmonic changes slowly.
    steady = CubicSpline(stored_k, box.rows[piston] * np.exp(1j * stored_k * radius)[:, None])
    inside = np.clip(k, stored_k[0], stored_k[-1])
    # Below the first stored frequency each order keeps its near field, as sources much smaller than a wave do.
    held = steady(inside).T * np.exp(-1j * inside * radius)
    return np.asarray(held / _hankel(highest, np.minimum(k, stored_k[-1]) * radius)[box.degree]), k


def _passage(frequency: FloatArray) -> FloatArray:
    """0 below and 1 above the passage into the plane, smooth between."""
    low, high = _PASSAGE_HZ
    x = np.clip(np.log(frequency / low) / np.log(high / low), 0.0, 1.0)
    return np.asarray(x**2 * (3 - 2 * x), dtype=np.float64)


def _hankel(highest: int, x: FloatArray) -> ComplexArray:
    """(highest + 1, F) spherical Hankel functions of the second kind."""
    from scipy.special import spherical_jn, spherical_yn

    n = np.arange(highest + 1)[:, None]
    return np.asarray(spherical_jn(n, x) - 1j * spherical_yn(n, x), dtype=np.complex128)
