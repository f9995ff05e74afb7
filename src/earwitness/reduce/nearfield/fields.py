"""What each part of a loudspeaker makes at every close-up microphone, far away, and at the measuring distance."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from earwitness.dsp.box_field import Pistons, box_fields
from earwitness.dsp.piston import axial_pressure
from earwitness.dsp.sphere import cap_at_distance, cap_diffraction, cap_near_pressure
from earwitness.quantities.arrays import ComplexArray, FloatArray
from earwitness.reduce.nearfield.body import Body, Seat

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
    microphones = [part[0].place_m + gap * part[0].outward for part, gap in zip(parts, gaps_m, strict=True)]
    away = np.empty((0, 3)) if distance_m is None else distance_m * unit_vectors - body.middle_m
    nodes = _nodes(body, 2 * np.pi * float(hz[-1]) / speed_of_sound)
    near, there, far = (_on_sphere if body.round else _on_box)(
        body, seats, parts, microphones, away, unit_vectors, nodes
    )
    places = np.array([seat.place_m for seat in seats])
    wavenumber = 2 * np.pi * hz / speed_of_sound
    beside = np.linalg.norm(np.array(microphones)[:, None] - places, axis=2)
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
        path = np.linalg.norm(ray, axis=2)
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
    parts: Sequence[Sequence[Seat]],
    microphones: Sequence[FloatArray],
    away: FloatArray,
    unit_vectors: FloatArray,
    nodes: FloatArray,
) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
    pistons = Pistons(
        np.array([seat.place_m for seat in seats]),
        np.array([seat.radius_m for seat in seats]),
        np.array([seat.axis for seat in seats]),
        np.array([seat.side for seat in seats]),
    )
    close = [(point, part[0].axis, part[0].side) for point, part in zip(microphones, parts, strict=True)]
    found = box_fields(
        body.half_m, _PANEL_SHARE * body.sphere_m, pistons, nodes, close_m=close, away_m=away, directions=unit_vectors
    )
    return found.close, found.away, found.far


def _on_sphere(
    body: Body,
    seats: Sequence[Seat],
    parts: Sequence[Sequence[Seat]],  # noqa: ARG001 - the box's faces need it
    microphones: Sequence[FloatArray],
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
        for point in microphones:
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
