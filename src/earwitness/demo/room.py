"""A rectangular room by image sources (Allen and Berkley 1979): where the copies are, how strong, and how late.

Walls are given as pairs (at 0, at the far side) along x, y, z with one pressure reflection factor each. A rigid source
body would also scatter what comes back from the walls; that is not in here.
"""

from dataclasses import dataclass
from itertools import product

import numpy as np

from earwitness.errors import InputError
from earwitness.quantities.arrays import FloatArray, IntArray

SPEED_OF_SOUND_M_S = 343.0


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
