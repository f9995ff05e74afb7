"""A rectangular room by image sources (Allen and Berkley 1979): where the copies are, how strong, how late, and what a
rigid sphere makes of them.

Walls are given as pairs (at 0, at the far side) along x, y, z with one pressure reflection factor each. A rigid source
body would also scatter what comes back from the walls; that is not in here.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np

from earwitness.demo import world
from earwitness.demo.lineup import Cap, DemoLoudspeaker
from earwitness.demo.rig import filled
from earwitness.demo.sources import SPEED_OF_SOUND_M_S
from earwitness.errors import InputError
from earwitness.quantities import ComplexArray, FloatArray, IntArray


@dataclass(frozen=True, slots=True, eq=False)
class Images:
    """The source and its mirror images, nearest to the microphone first.

    position_m (images, 3); amplitude (images,): product of reflection factors over distance, 1/m; delay_s (images,);
    reflections (images,): walls met; mirrored (images, 3): -1 where the image is flipped along that axis, else 1;
    emission (images, 3): unit vector along which the real source sends what arrives by this image, in room axes.
    """

    position_m: FloatArray
    amplitude: FloatArray
    delay_s: FloatArray
    reflections: IntArray
    mirrored: FloatArray
    emission: FloatArray


def shoebox_images(
    room_m: FloatArray,
    source_m: FloatArray,
    microphone_m: FloatArray,
    reflection: FloatArray,
    order: int,
    *,
    speed_of_sound_m_s: float = SPEED_OF_SOUND_M_S,
) -> Images:
    """All images with at most `order` reflections.

    room_m, source_m, microphone_m : shape (3,), the room's corner at the origin; reflection : shape (3, 2), pressure
    factor of the wall at 0 and of the wall at the far side. The image (1 - 2q) s + 2 l L meets the wall at 0 |l - q|
    times and the far one |l| times.
    InputError where a shape is wrong, a size is not positive, a point is not inside, a factor is beyond -1 to 1, the
    order is negative, or microphone and source coincide.
    """
    room, source, microphone = (np.asarray(v, dtype=np.float64) for v in (room_m, source_m, microphone_m))
    walls = np.asarray(reflection, dtype=np.float64)
    _check(room, source, microphone, walls, order)
    cells = range(-((order + 1) // 2), (order + 1) // 2 + 1)
    axis = np.array(list(product(cells, (0, 1))), dtype=np.int64)
    axis = axis[np.abs(axis[:, 0] - axis[:, 1]) + np.abs(axis[:, 0]) <= order]
    choices = axis[np.array(list(product(range(len(axis)), repeat=3)), dtype=np.int64)]
    cell, flip = choices[..., 0], choices[..., 1]
    near, far = np.abs(cell - flip), np.abs(cell)
    reflections = (near + far).sum(axis=1)
    kept = reflections <= order
    cell, flip, near, far, reflections = cell[kept], flip[kept], near[kept], far[kept], reflections[kept]
    position = (1 - 2 * flip) * source + 2 * cell * room
    path = microphone - position
    distance = np.linalg.norm(path, axis=1)
    strength = (walls[:, 0] ** near * walls[:, 1] ** far).prod(axis=1)
    mirrored = (1 - 2 * flip).astype(np.float64)
    ranked = np.argsort(distance, kind="stable")
    return Images(
        position_m=position[ranked],
        amplitude=(strength / distance)[ranked],
        delay_s=distance[ranked] / speed_of_sound_m_s,
        reflections=reflections[ranked],
        mirrored=mirrored[ranked],
        emission=(mirrored * path / distance[:, None])[ranked],
    )


def _check(room: FloatArray, source: FloatArray, microphone: FloatArray, walls: FloatArray, order: int) -> None:
    if any(v.shape != (3,) for v in (room, source, microphone)) or walls.shape != (3, 2):
        raise InputError("room, source, microphone or walls have the wrong shape", expected="(3,), (3,), (3,), (3, 2)")
    if not np.all(room > 0):
        raise InputError(f"the room measures {room.tolist()} m", expected="three lengths above 0")
    for name, point in (("source", source), ("microphone", microphone)):
        if not (np.all(point > 0) and np.all(point < room)):
            raise InputError(f"the {name} at {point.tolist()} m is not inside the room")
    if not np.all(np.abs(walls) <= 1):
        raise InputError("a reflection factor is beyond what a passive wall gives", expected="-1 to 1")
    if order < 0:
        raise InputError(f"the order of reflections is {order}", expected="0 or more")
    if np.array_equal(source, microphone):
        raise InputError("source and microphone are at the same point")


# The sound of a room at a rigid sphere: image sources as incoming waves about it, with what the sphere scatters.
#
# An image at distance D from the sphere's middle sends
# e^(-jkR)/R = -4 pi j k sum h_n(kD) j_n(kr) Y_nm(r) conj(Y_nm(D)), and a rigid sphere adds
# -j_n'(ka)/h_n'(ka) h_n(kr) to every j_n(kr) (Morse and Ingard, Theoretical Acoustics; from
# memory). Radial functions come from scipy, so that nothing is shared with the solver that undoes this.

ROOM_M = np.array([5.0, 4.2, 2.7])
MIDDLE_M = np.array([2.2, 1.95, 1.3])
REFLECTION = np.array([[0.82, 0.86], [0.84, 0.8], [0.74, 0.88]])
REFLECTION_ORDER = 8
SCATTERED_TO_HZ = (4000.0, 5000.0)
FADE_IN_S = 0.03


@lru_cache(maxsize=2)
def images(order: int) -> Images:
    """Image sources of the body's middle, seen from there; a hair beside it, as the two may not coincide."""
    return shoebox_images(ROOM_M, MIDDLE_M, MIDDLE_M + np.array([1e-9, 0.0, 0.0]), REFLECTION, order)


def session_text(one: DemoLoudspeaker, *, lead_in_s: float, sweep_s: float) -> str:
    """The whole file."""
    place = MIDDLE_M + np.array([one.sphere_radius_m, 0.0, 0.0])
    return filled(
        "scan",
        one,
        place_m=np.round(place, 4),
        microphone_m=np.round(place + np.array([0.3, 0.0, 0.0]), 4),
        room_m=ROOM_M,
        lead_in_s=lead_in_s,
        sweep_s=sweep_s,
        fade_in_s=FADE_IN_S,
    )


_ORDERS_ABOVE = 10


@dataclass(frozen=True, slots=True, eq=False)
class RoomField:
    """Incoming waves per cap. k (F,) rising; radius_m of the sphere; coefficients (caps, K, F), real harmonics;
    order (F,) : highest one used."""

    k: FloatArray
    radius_m: float
    order: IntArray
    coefficients: ComplexArray

    def at(self, from_middle_m: FloatArray) -> Iterator[ComplexArray]:
        """Per cap (P, F): incoming and scattered pressure per volume velocity at points (P, 3) from the middle."""
        distance = np.linalg.norm(from_middle_m, axis=1)
        top = int(self.order.max())
        harmonics = _real_harmonics(top, from_middle_m / distance[:, None])
        waves = self._radial(distance, top)
        for own in self.coefficients:
            total = np.zeros((distance.size, self.k.size), dtype=np.complex128)
            for n in range(top + 1):
                begin = int(np.searchsorted(self.order, n))
                part = slice(n * n, (n + 1) ** 2)
                total[:, begin:] += (harmonics[:, part] @ own[part, begin:]) * waves[n]
            yield total

    def _radial(self, distance: FloatArray, top: int) -> list[ComplexArray]:
        """Per order (P, F from its first frequency on): value at the mean distance and the slope beside it.

        Points of a surface lie within a millimeter or two: a parabola through three radii is exact to 1e-6.
        """
        out: list[ComplexArray] = []
        groups, group = np.unique(np.round(distance, 2), return_inverse=True)
        for n in range(top + 1):
            values = np.empty((distance.size, self.k.size - int(np.searchsorted(self.order, n))), dtype=np.complex128)
            for number, middle in enumerate(groups):
                rows = np.flatnonzero(group == number)
                low, mid, high = _waves_about(self, n, middle)
                x = ((distance[rows] - middle) / 0.006)[:, None]
                values[rows] = mid + 0.5 * x * (high - low) + 0.5 * x * x * (high - 2 * mid + low)
            out.append(values)
        return out


def room_field(one: DemoLoudspeaker, caps: tuple[Cap, ...], frequency_hz: FloatArray, reach_m: float) -> RoomField:
    """The room's waves for points up to reach_m from the body's middle; frequency_hz (F,) rising."""
    copies = images(REFLECTION_ORDER)
    back = np.flatnonzero(copies.reflections > 0)
    place = copies.position_m[back] - MIDDLE_M
    distance = np.linalg.norm(place, axis=1)
    strength = copies.amplitude[back] * copies.delay_s[back] * SPEED_OF_SOUND_M_S
    k = 2 * np.pi * frequency_hz / SPEED_OF_SOUND_M_S
    order = np.ceil(k * reach_m).astype(np.int64) + _ORDERS_ABOVE
    axis = copies.emission[back]
    turn = np.exp(1j * one.sphere_radius_m * np.outer(axis[:, 0], k))
    sent = [part * turn * strength[:, None] for part in world.far_fields(one, caps, axis, frequency_hz)]
    top = int(order.max())
    harmonics = _real_harmonics(top, place / distance[:, None])
    out = np.zeros((len(caps), (top + 1) ** 2, k.size), dtype=np.complex128)
    x = np.outer(distance, k)
    now, ahead = 1j * np.exp(-1j * x) / x, np.exp(-1j * x) * (1j / x - 1) / x
    for n in range(top + 1):
        begin = int(np.searchsorted(order, n))
        now, ahead, x = (part[:, begin - (k.size - part.shape[1]) :] for part in (now, ahead, x))
        for row, own in enumerate(sent):
            waves = -4j * np.pi * k[begin:] * now * own[:, begin:]
            out[row, n * n : (n + 1) ** 2, begin:] = harmonics[:, n * n : (n + 1) ** 2].T @ waves
        now, ahead = ahead, (2 * n + 3) / x * ahead - now
    return RoomField(k, one.sphere_radius_m, order, out)


@lru_cache(maxsize=2048)
def _waves_about(field: RoomField, n: int, middle_m: float) -> ComplexArray:
    """j_n(kr) - j_n'(ka) / h_n'(ka) h_n(kr) 6 mm before, at and 6 mm behind middle_m, (3, F from order n's first)."""
    from scipy.special import spherical_jn, spherical_yn

    k = field.k[int(np.searchsorted(field.order, n)) :]
    away, near = np.outer(middle_m + np.array([-0.006, 0.0, 0.006]), k), k * field.radius_m
    regular, slope = spherical_jn(n, away), spherical_jn(n, near, derivative=True)
    hankel = regular - 1j * spherical_yn(n, away)
    hankel_slope = slope - 1j * spherical_yn(n, near, derivative=True)
    return np.asarray(regular - slope / hankel_slope * hankel, dtype=np.complex128)


def _real_harmonics(order: int, unit_vectors: FloatArray) -> FloatArray:
    """(P, (order+1)^2) orthonormal real harmonics, m from -n to n."""
    from scipy.special import sph_legendre_p_all

    polar, azimuth = np.arccos(np.clip(unit_vectors[:, 2], -1, 1)), np.arctan2(unit_vectors[:, 1], unit_vectors[:, 0])
    table = sph_legendre_p_all(order, order, polar)[0]
    out = np.empty((len(unit_vectors), (order + 1) ** 2))
    for n in range(order + 1):
        out[:, n * n + n] = table[n, 0]
        for m in range(1, n + 1):
            out[:, n * n + n + m] = np.sqrt(2) * table[n, m] * np.cos(m * azimuth)
            out[:, n * n + n - m] = np.sqrt(2) * table[n, m] * np.sin(m * azimuth)
    return out
