"""The cabinet as a rigid body, and where the drivers sit on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from earwitness.dsp.sphere import equal_volume_radius_m
from earwitness.files.data import worded
from earwitness.quantities.arrays import ComplexArray, FloatArray, Locked
from earwitness.session.record import Driver, Loudspeaker

PORTS = ("port", "passive radiator")


@dataclass(frozen=True, slots=True, eq=False)
class NearPart(Locked):
    """Near field of one cone or port.

    pressure : (F,) complex [Pa/V] at the microphone, on the far field's time base (0 when the signal leaves)
    gap_m : from the center of the cone or mouth to the microphone
    """

    driver: Driver
    pressure: ComplexArray
    gap_m: float

    @property
    def radius_m(self) -> float:
        return self.driver.diameter_m / 2

    @property
    def is_port(self) -> bool:
        """Whether air or another cone moves it, not a coil of its own."""
        return self.driver.kind in PORTS


def near_part_limits(driver: Driver, speed_of_sound: float) -> float:
    """Highest frequency [Hz] of a near-field reading: ka = 1 (D. B. Keele, J. Audio Eng. Soc. 22, 1974)."""
    return speed_of_sound / (np.pi * driver.diameter_m)


def highest_hz(parts: Sequence[NearPart], speed_of_sound: float) -> float:
    """Highest frequency [Hz] of their sum: the lowest ka = 1 among those that are no ports."""
    cones = [part for part in parts if not part.is_port] or list(parts)
    return min(near_part_limits(part.driver, speed_of_sound) for part in cones)


def not_whole(parts: Sequence[NearPart], loudspeaker: Loudspeaker, *, shared: bool) -> str:
    """Why near-field readings do not make up all of the bass, as a sentence, or "".

    shared : the recordings share one start, so that several may be added in phase
    """
    if loudspeaker.enclosure == "open":
        return "The box is open, and how its rear cancels the bass cannot be read close up."
    recorded = {part.driver.name for part in parts}
    silent = [one.name for one in loudspeaker.drivers if one.kind in PORTS and one.name not in recorded]
    if silent:
        return f"Nothing was recorded close to {' and '.join(silent)}, and without that the bass would lack a part."
    kind = {"vented": "port", "passive radiator": "passive radiator"}.get(loudspeaker.enclosure)
    if kind and not any(part.is_port for part in parts):
        return f"No {kind} was recorded close up, and without that the bass would lack a part."
    if not shared and len(parts) > 1:
        return "The recordings do not start together, so that near fields of several parts cannot be added."
    return ""


# How far a stated place may lie off every face of the box: sloping and curved fronts, recessed ports (own choice).
OFF_FACE_M = 0.03
OFF_FACE_DEPTHS = 0.15
# From driver to driver of a group of which one place is stated: frames as wide as this share of the cone (own choice).
GROUP_SPACING = 1.15
# Above the lowest driver's lower rim and below the highest one's upper rim lies what remains of the height; the
# reference point's distance to the top takes this share of it (own choice, from six boxes: 0.55 to 1).
_TOP_SHARE = 0.6
# Discs whose middles are nearer than this share of both radii lie in each other (own choice: frames touch at 1.1, and a
# tape measure may take 3 cm off).
OVERLAP = 0.6
_AXES = ("x", "y", "z")


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """round : a sphere of the box's volume instead of the box; walled : its front lies in an endless plane.
    half_m : (3,) half depth, width, height; middle_m : (3,) from the reference point; middle_u_m : standard
    uncertainty of its height, 0 where it was stated."""

    round: bool
    half_m: FloatArray
    middle_m: FloatArray
    middle_u_m: float
    walled: bool = False

    @property
    def sphere_m(self) -> float:
        """Radius of the sphere that holds as much."""
        depth, width, height = (2 * float(x) for x in self.half_m)
        return equal_volume_radius_m(width, height, depth)

    def scaled(self, by: float) -> Body:
        """The body with every length changed, its front where it was."""
        middle = self.middle_m.copy()
        middle[0] *= by
        return replace(self, half_m=self.half_m * by, middle_m=middle)

    def rounded(self) -> Body:
        """The sphere of the same volume, its front pole at the reference point."""
        return self if self.walled else replace(self, round=True, middle_m=np.array([-self.sphere_m, 0.0, 0.0]))

    def raised(self, by_m: float) -> Body:
        return replace(self, middle_m=self.middle_m + np.array([0.0, 0.0, by_m]))


@dataclass(frozen=True, slots=True, eq=False)
class Seat:
    """One radiating disc on the body. place_m : (3,) from the body's middle, on its surface; outward : (3,) unit
    vector; axis, side : of the box's face."""

    place_m: FloatArray
    outward: FloatArray
    axis: int
    side: float
    radius_m: float


def body_of(loudspeaker: Loudspeaker, *, half_space: bool = False) -> Body:
    """The cabinet by its stated size and shape; half_space : a box in a wall. Where the reference point lies on the
    front is stated, or follows from the drivers, which all have to find room."""
    half = np.array([loudspeaker.depth_m, loudspeaker.width_m, loudspeaker.height_m]) / 2
    if half_space:
        # Wherever on its front the reference point lies, the front about it is wall.
        return Body(False, half * [1.0, 2.0, 2.0], np.array([-half[0], 0.0, 0.0]), 0.0, walled=True)
    if loudspeaker.shape == "sphere":
        radius = equal_volume_radius_m(loudspeaker.width_m, loudspeaker.height_m, loudspeaker.depth_m)
        return Body(True, half, np.array([-radius, 0.0, 0.0]), 0.0)
    aside = -loudspeaker.reference_left_m
    if loudspeaker.reference_below_top_m is not None:
        return Body(False, half, np.array([-half[0], aside, loudspeaker.reference_below_top_m - half[2]]), 0.0)
    rims = [(one.position_m[2] - one.diameter_m / 2, one.position_m[2] + one.diameter_m / 2) for one in
            loudspeaker.drivers]  # fmt: skip
    least = max(0.0, *(high for _, high in rims))
    most = loudspeaker.height_m + min(low for low, _ in rims)
    if most <= least:
        return Body(False, half, np.array([-half[0], aside, (least + most) / 2 - half[2]]), 0.02)
    top = least + _TOP_SHARE * (most - least)
    return Body(False, half, np.array([-half[0], aside, top - half[2]]), (most - least) / np.sqrt(12.0))


def seats_of(driver: Driver, body: Body, *, spacing: float = GROUP_SPACING) -> tuple[Seat, ...]:
    """The discs of a driver, more than one where several alike work together: in a row about the stated place, along
    the longer side of their face."""
    first = _seat(np.array(driver.position_m, dtype=float) - body.middle_m, driver.diameter_m / 2, body)
    if driver.count == 1:
        return (first,)
    row = max((axis for axis in range(3) if axis != first.axis), key=lambda axis: float(body.half_m[axis]))
    steps = (np.arange(driver.count) - (driver.count - 1) / 2) * spacing * driver.diameter_m
    moved = []
    for step in steps:
        place = first.place_m.copy()
        place[row] += step
        moved.append(_seat(place, driver.diameter_m / 2, body))
    return tuple(moved)


def fault_of_place(driver: Driver, body: Body) -> str:
    """Why a driver cannot sit where it is said to, probable cause first, or ""."""
    fault = _off_the_body(np.array(driver.position_m, dtype=float), driver.diameter_m / 2, body)
    if not fault:
        return ""
    tried = (
        (np.array([-body.half_m[0], 0.0, 0.0]), "the middle of the cabinet instead of its front"),
        (np.array([-2 * body.half_m[0], 0.0, 0.0]), "the rear of the cabinet instead of its front"),
        (body.middle_m * [0.0, 1.0, 1.0], "the middle of the front instead of the reference point"),
    )
    for move, words in tried:
        if not _off_the_body(np.array(driver.position_m) + move, driver.diameter_m / 2, body):
            place = ", ".join(f"{x:.3g}" for x in np.array(driver.position_m) + move)
            return worded("reduce.position_from_elsewhere", driver=driver, words=words, fault=fault, place=place)
    return f"The position_m of {driver.name}, or the cabinet's size, cannot be right: the place lies {fault}."


def overlapping(named: Sequence[tuple[str, Sequence[Seat]]]) -> tuple[str, str] | None:
    """Two parts whose discs lie in each other as they are used, or None."""
    for i, (name, seats) in enumerate(named):
        for other, others in named[:i]:
            for one in seats:
                for two in others:
                    apart = float(np.linalg.norm(one.place_m - two.place_m))
                    if float(one.outward @ two.outward) > 0.5 and apart < OVERLAP * (one.radius_m + two.radius_m):
                        return other, name
    return None


def _seat(place_m: FloatArray, radius_m: float, body: Body) -> Seat:
    """The nearest place on the body."""
    if body.round:
        length = float(np.linalg.norm(place_m))
        outward = place_m / length if length > 0 else np.array([1.0, 0.0, 0.0])
        axis = int(np.argmax(np.abs(outward)))
        return Seat(body.sphere_m * outward, outward, axis, float(np.sign(outward[axis]) or 1.0), radius_m)
    axis = int(np.argmin(np.abs(np.abs(place_m) - body.half_m)))
    side = 1.0 if place_m[axis] >= 0 else -1.0
    spot = np.clip(place_m, -body.half_m, body.half_m)
    spot[axis] = side * body.half_m[axis]
    outward = np.zeros(3)
    outward[axis] = side
    return Seat(spot, outward, axis, side, radius_m)


def _off_the_body(position_m: FloatArray, radius_m: float, body: Body) -> str:
    """How far a place lies off the body's surface, in words, or ""."""
    place = position_m - body.middle_m
    seat = _seat(place, radius_m, body)
    off = float(np.linalg.norm(place - seat.place_m))
    allowed = max(OFF_FACE_M, OFF_FACE_DEPTHS * 2 * float(body.half_m[0]))
    if off > allowed:
        inside = bool((np.abs(place) < body.half_m).all())
        return f"{100 * off:.0f} cm {'inside' if inside else 'outside'} the cabinet's surface"
    return ""
