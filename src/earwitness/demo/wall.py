"""A loudspeaker in an endless rigid wall: every part a flat piston in it. exp(+j omega t).

On its axis and far away a piston's sound is known in closed form (Kinsler et al., Fundamentals of Acoustics, chapter 7,
from memory); at other points it is that of the far field about the piston's middle.
"""

from dataclasses import dataclass

import numpy as np

from earwitness.demo.lineup import DemoLoudspeaker
from earwitness.demo.sources import AIR_DENSITY_KG_M3, SPEED_OF_SOUND_M_S
from earwitness.quantities.arrays import ComplexArray, FloatArray

C, RHO = SPEED_OF_SOUND_M_S, AIR_DENSITY_KG_M3
NEAR_GAP_M = 0.005


@dataclass(frozen=True, slots=True)
class Wall:
    """Pistons by name: middle in the wall (y, z) and radius [m]. Pressures are per volume velocity, as a box's are."""

    pistons: dict[str, tuple[float, float, float]]

    def far(self, name: str, unit_vectors: FloatArray, frequency_hz: FloatArray) -> ComplexArray:
        """Times distance, delay from the reference point taken out; (directions, F)."""
        y, z, radius = self.pistons[name]
        k = 2 * np.pi * frequency_hz / C
        sine = np.linalg.norm(unit_vectors[:, 1:], axis=1)
        return np.asarray(_beam(k, radius, sine) * np.exp(1j * np.outer(unit_vectors[:, 1:] @ [y, z], k)))

    def at(self, name: str, point_m: FloatArray, frequency_hz: FloatArray) -> ComplexArray:
        """At points from the reference point, delay included; (points, F)."""
        y, z, radius = self.pistons[name]
        k, ray = 2 * np.pi * frequency_hz / C, point_m - [0.0, y, z]
        path = np.linalg.norm(ray, axis=1)
        sine = np.linalg.norm(ray[:, 1:], axis=1) / path
        return np.asarray(_beam(k, radius, sine) * np.exp(-1j * np.outer(path, k)) / path[:, None])

    def before(self, name: str, at: str, frequency_hz: FloatArray) -> ComplexArray:
        """5 mm before the middle of a piston, by another or itself; (F,)."""
        y, z, radius = self.pistons[at]
        if name != at:
            return np.asarray(self.at(name, np.array([[NEAR_GAP_M, y, z]]), frequency_hz)[0])
        k, slant = 2 * np.pi * frequency_hz / C, float(np.hypot(NEAR_GAP_M, radius))
        wave = np.exp(-1j * k * NEAR_GAP_M) - np.exp(-1j * k * slant)
        return np.asarray(RHO * C / (np.pi * radius**2) * wave)


def wall_of(one: DemoLoudspeaker) -> Wall:
    """The pistons of a loudspeaker that sits in a wall."""
    caps = (*one.near_caps, *(way.cap for way in one.high))
    return Wall({cap.name: (cap.y_m, cap.z_m, cap.radius_m) for cap in caps})


def _beam(k: FloatArray, radius_m: float, sine: FloatArray) -> ComplexArray:
    """(directions, F) j omega rho / (2 pi) 2 J1(x) / x."""
    from scipy.special import j1

    x = np.maximum(np.outer(sine, k * radius_m), 1e-9)
    return np.asarray(1j * k * C * RHO / np.pi * j1(x) / x, dtype=np.complex128)
