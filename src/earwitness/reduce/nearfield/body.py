"""The cabinet as a rigid body, where the drivers sit on it, and what each makes at every microphone and far away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from earwitness.dsp.box_field import Pistons, axial_pressure, box_fields
from earwitness.dsp.spherical import cap_at_distance, cap_diffraction, cap_near_pressure, equal_volume_radius_m
from earwitness.files.data import worded
from earwitness.quantities import ComplexArray, FloatArray, Locked
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


def missing_near_field(parts: Sequence[NearPart], loudspeaker: Loudspeaker, *, shared: bool) -> str:
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


# Highest wavenumber times the radius of the sphere of equal volume; panels as a share of that radius; step of
# wavenumber times the largest length (half of it for a sphere, whose series is cheap), the first ones as shares of it.
# With these, six boxes come back within 0.2 dB on axis (docs/accuracy.md).
HIGHEST_KR = 3.5
HIGHEST_KR_OF_SPHERE = 8.0
_PANEL_SHARE = 0.3
_STEP = 0.6
_FIRST_STEPS = (0.03, 0.5)
# Nearer than this a point counts as this far from the sphere's middle: the series ends there.
_NEAREST_RADII = 1.5
_SMALLEST_CAP = 1e-3
_LARGEST_CAP = 0.95


@dataclass(frozen=True, slots=True, eq=False)
class Fields:
    """Relative to j omega rho times a part's whole volume velocity [1/m], over frequencies (F,).

    reading : (F, P, P) at the microphone of part i by part j, time zero at the source
    far : (D, F, P) far away, times distance, with the delay from the reference point taken out
    there : (D, F, P) the same at the measuring distance, or None
    """

    reading: ComplexArray
    far: ComplexArray
    there: ComplexArray | None


def highest_model_hz(body: Body, speed_of_sound: float) -> float:
    """Above it the model of the cabinet is not asked; its values are held. A wall's holds everywhere."""
    if body.walled:
        return np.inf
    return _highest_wavenumber(body) * speed_of_sound / (2 * np.pi)


def fields_of(
    body: Body,
    parts: Sequence[Sequence[Seat]],
    gaps_m: Sequence[float],
    hz: FloatArray,
    unit_vectors: FloatArray,
    *,
    speed_of_sound: float,
    distance_m: float | None = None,
) -> Fields:
    """Fields of parts that sit on the body. parts : the discs of each, the first before its microphone, at gaps_m;
    hz : (F,); unit_vectors : (D, 3); distance_m : of the far microphones from the reference point."""
    if body.walled:
        return _in_wall(body, parts, gaps_m, unit_vectors, 2 * np.pi * hz / speed_of_sound, distance_m=distance_m)
    seats = [seat for part in parts for seat in part]
    first = [part[0] for part in parts]
    close = [(one.place_m + gap * one.outward, one.axis, one.side) for one, gap in zip(first, gaps_m, strict=True)]
    away = np.empty((0, 3)) if distance_m is None else distance_m * unit_vectors - body.middle_m
    nodes = _nodes(body, 2 * np.pi * float(hz[-1]) / speed_of_sound)
    near, there, far = (_on_sphere if body.round else _on_box)(body, seats, close, away, unit_vectors, nodes)
    places = np.array([seat.place_m for seat in seats])
    wavenumber = 2 * np.pi * hz / speed_of_sound
    beside = np.linalg.norm(np.array([point for point, _, _ in close])[:, None] - places, axis=2)
    near = _between(near, beside, nodes, wavenumber)
    # Referred to the reference point: its distance along each direction is that from the middle, less this.
    along = unit_vectors @ body.middle_m
    far = (
        _between(far, -unit_vectors @ places.T, nodes, wavenumber) * np.exp(1j * np.outer(wavenumber, along))[..., None]
    )
    owner = [i for i, part in enumerate(parts) for _ in part]
    reading, whole = _by_part(near, owner), _by_part(far, owner).transpose(1, 0, 2)
    if distance_m is None:
        return Fields(reading, whole, None)
    paths = np.linalg.norm(away[:, None] - places, axis=2)
    turned = (
        _between(there, paths, nodes, wavenumber) * (distance_m * np.exp(1j * wavenumber * distance_m))[:, None, None]
    )
    return Fields(reading, whole, _by_part(turned, owner).transpose(1, 0, 2))


def _in_wall(
    body: Body,
    parts: Sequence[Sequence[Seat]],
    gaps_m: Sequence[float],
    unit_vectors: FloatArray,
    wavenumber: FloatArray,
    *,
    distance_m: float | None,
) -> Fields:
    """Flat pistons in an endless plane: exact before their own middle and far away; from piston to piston, and at the
    measuring distance, a piston's far field about its middle."""
    seats = [seat for part in parts for seat in part]
    owner = [i for i, part in enumerate(parts) for _ in part]
    places = np.array([seat.place_m + body.middle_m for seat in seats])
    radii = np.array([seat.radius_m for seat in seats])

    def beams(sine: FloatArray) -> ComplexArray:
        """(F, A, S) of sines (A, S): 2 J1(x) / x over 2 pi (handbook formula, for example Kinsler et al.)."""
        from scipy.special import j1

        x = np.maximum(wavenumber[:, None, None] * (radii * sine), 1e-9)
        return np.asarray(j1(x) / x / np.pi, dtype=complex)

    def spread(points: FloatArray) -> ComplexArray:
        """(F, A, S) pressure at points (A, 3) from the reference point."""
        ray = points[:, None] - places
        path = np.maximum(np.linalg.norm(ray, axis=2), 1e-9)
        sine = np.linalg.norm(ray[..., 1:], axis=2) / path
        return np.asarray(beams(sine) * np.exp(-1j * wavenumber[:, None, None] * path) / path)

    microphones = np.array([places[owner.index(i)] + [gap, 0.0, 0.0] for i, gap in enumerate(gaps_m)])
    near = spread(microphones)
    for i, gap in enumerate(gaps_m):
        near[:, i, owner.index(i)] = axial_pressure(wavenumber, float(radii[owner.index(i)]), gap)
    sine = np.linalg.norm(unit_vectors[:, 1:], axis=1)[:, None] * np.ones(len(seats))
    delay = np.exp(1j * wavenumber[:, None, None] * (unit_vectors @ places.T))
    far = _by_part(beams(sine) * delay, owner).transpose(1, 0, 2)
    if distance_m is None:
        return Fields(_by_part(near, owner), far, None)
    turned = spread(distance_m * unit_vectors) * (distance_m * np.exp(1j * wavenumber * distance_m))[:, None, None]
    return Fields(_by_part(near, owner), far, _by_part(turned, owner).transpose(1, 0, 2))


def _highest_wavenumber(body: Body) -> float:
    return (HIGHEST_KR_OF_SPHERE if body.round else HIGHEST_KR) / body.sphere_m


def _nodes(body: Body, highest: float) -> FloatArray:
    """Wavenumbers (K,) at which the body is solved; between them everything is smooth once delays are out."""
    largest = 2 * float(body.half_m.max())
    top = min(highest, _highest_wavenumber(body)) * largest
    step = _STEP / 2 if body.round else _STEP
    steps = np.arange(1, int(np.ceil(top / step)) + 2) * step
    return np.concatenate([np.array(_FIRST_STEPS) * step, steps]) / largest


def _between(values: ComplexArray, path_m: FloatArray, nodes: FloatArray, wavenumber: FloatArray) -> ComplexArray:
    """(K, A, S) at nodes to (F, A, S), held above the last node, with the delay over path_m (A, S)."""
    from scipy.interpolate import CubicSpline

    steady = values * np.exp(1j * nodes[:, None, None] * path_m)
    smooth = CubicSpline(nodes, steady)(np.minimum(wavenumber, nodes[-1]))
    return np.asarray(smooth * np.exp(-1j * wavenumber[:, None, None] * path_m))


def _by_part(values: ComplexArray, owner: Sequence[int]) -> ComplexArray:
    """(F, A, S) of discs to (F, A, P) of parts, whose flow the discs share alike."""
    groups = [[s for s, part in enumerate(owner) if part == one] for one in range(owner[-1] + 1)]
    return np.stack([values[..., group].mean(axis=-1) for group in groups], axis=-1)


def _on_box(
    body: Body,
    seats: Sequence[Seat],
    close: Sequence[tuple[FloatArray, int, float]],
    away: FloatArray,
    unit_vectors: FloatArray,
    nodes: FloatArray,
) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
    """Of discs (S,), per flow: near their microphones, at points away and far; close : point, axis and side of each
    microphone."""
    pistons = Pistons(
        np.array([seat.place_m for seat in seats]),
        np.array([seat.radius_m for seat in seats]),
        np.array([seat.axis for seat in seats]),
        np.array([seat.side for seat in seats]),
    )
    found = box_fields(
        body.half_m, _PANEL_SHARE * body.sphere_m, pistons, nodes, close_m=close, away_m=away, directions=unit_vectors
    )
    return found.close, found.away, found.far


def _on_sphere(
    body: Body,
    seats: Sequence[Seat],
    close: Sequence[tuple[FloatArray, int, float]],
    away: FloatArray,
    unit_vectors: FloatArray,
    nodes: FloatArray,
) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
    radius = body.sphere_m
    ka = nodes * radius
    near, there, far = [], [], []
    apart = np.linalg.norm(away, axis=1)
    for seat in seats:
        half_angle = float(np.arcsin(np.clip(seat.radius_m / radius, _SMALLEST_CAP, _LARGEST_CAP)))
        rows = []
        for point, _, _ in close:
            ratio = float(np.linalg.norm(point)) / radius
            cosine = float(np.clip(point @ seat.outward / (ratio * radius), -1.0, 1.0))
            rows.append(cap_near_pressure(ka, half_angle, cosine, max(ratio, 1.0)) / (4 * np.pi * radius))
        near.append(np.stack(rows, axis=1))
        far.append(cap_diffraction(ka, half_angle, np.clip(unit_vectors @ seat.outward, -1.0, 1.0)).T / (4 * np.pi))
        if len(away):
            cosine_away = np.clip(away @ seat.outward / apart, -1.0, 1.0)
            field = cap_at_distance(ka, half_angle, cosine_away, np.maximum(apart / radius, _NEAREST_RADII))
            there.append(field.T * np.exp(-1j * np.outer(nodes, apart)) / (4 * np.pi * apart))
    none = np.empty((nodes.size, 0, len(seats)), dtype=complex)
    return np.stack(near, axis=2), np.stack(there, axis=2) if there else none, np.stack(far, axis=2)
