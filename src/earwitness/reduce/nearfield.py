"""From close-up recordings of cones and ports to the far field at low frequencies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from earwitness.dsp.sphere import cap_at_distance, cap_diffraction, cap_near_pressure, equal_volume_radius_m
from earwitness.quantities.arrays import ComplexArray, FloatArray, lock_fields
from earwitness.quantities.directions import Directions
from earwitness.session.record import Driver, Loudspeaker

HIGHEST_CORRECTED_KA = 2.0
HIGHEST_SPHERE_KA = 6.0
LARGEST_CAP = 0.9
REAR_DEPTH_SHARE = 0.75
CROSSTALK_MARGIN_DB = 6.0
LARGEST_DISTANCE_EFFECT_DB = 1.5
_FADE_OCTAVES = 1.0
_PORTS = ("port", "passive radiator")


@dataclass(frozen=True, slots=True, eq=False)
class NearPart:
    """Near field of one cone or port.

    pressure : (F,) complex [Pa/V] at the microphone, on the far field's time base (0 when the signal leaves)
    gap_m : from the center of the cone or mouth to the microphone
    """

    driver: Driver
    pressure: ComplexArray
    gap_m: float

    def __post_init__(self) -> None:
        lock_fields(self, pressure=complex)


def near_part_limits(driver: Driver, speed_of_sound: float) -> float:
    """Highest frequency [Hz] of a near-field reading: ka = 1 (D. B. Keele, J. Audio Eng. Soc. 22, 1974)."""
    return speed_of_sound / (np.pi * driver.diameter_m)


def not_whole(parts: Sequence[NearPart], loudspeaker: Loudspeaker, *, shared: bool) -> str:
    """Why near-field readings do not make up all of the bass, as a sentence, or "".

    shared : the recordings share one start, so that several may be added in phase
    """
    if loudspeaker.enclosure == "open":
        return "The box is open, and how its rear cancels the bass cannot be read close up."
    recorded = {part.driver.name for part in parts}
    silent = [one.name for one in loudspeaker.drivers if one.kind in _PORTS and one.name not in recorded]
    if silent:
        return f"Nothing was recorded close to {' and '.join(silent)}, and without that the bass would lack a part."
    kind = {"vented": "port", "passive radiator": "passive radiator"}.get(loudspeaker.enclosure)
    if kind and not any(part.driver.kind in _PORTS for part in parts):
        return f"No {kind} was recorded close up, and without that the bass would lack a part."
    if not shared and len(parts) > 1:
        return "The recordings do not start together, so that near fields of several parts cannot be added."
    return ""


def in_one_place(parts: Sequence[NearPart]) -> tuple[str, ...]:
    """Names of parts whose center lies inside another's rim: their places were not stated, or not rightly.

    What one leaks into the other's microphone cannot be told apart then.
    """
    found = {
        name
        for i, one in enumerate(parts)
        for other in parts[:i]
        for name in (other.driver.name, one.driver.name)
        if np.linalg.norm(np.subtract(one.driver.position_m, other.driver.position_m))
        < max(one.driver.diameter_m, other.driver.diameter_m) / 2
    }
    return tuple(part.driver.name for part in parts if part.driver.name in found)


def far_from_near(
    parts: Sequence[NearPart],
    hz: FloatArray,
    *,
    speed_of_sound: float,
    width_m: float,
    height_m: float,
    depth_m: float,
    directions: Directions,
) -> tuple[ComplexArray, float]:
    """Free-field pressure at 1 m from near-field readings, in every direction.

    parts : all cones and ports that work at low frequencies; hz : (F,)
    width_m, height_m, depth_m : the cabinet, whose equal-volume sphere gives the baffle step of each direction

    Returns (D, F) complex [Pa/V] for 4 pi, referred to the reference point with the delay over 1 m taken out, and
    the highest valid frequency [Hz]: the lowest ka = 1 among the parts that are not ports.
    Each part adds as p a / (4 d), so ports weigh with the ratio of radii, the square root of the area ratio
    (D. B. Keele, J. Audio Eng. Soc. 22, 1974), after the leak between the parts and the cabinet's finite size are
    taken out with the same sphere. Phase runs over the path from each part around it. A part that sits behind
    the sphere's center, or three quarters of the depth back, is taken to face the rear.
    Raises ValueError without parts or on frequencies of another length.
    """
    hz = np.asarray(hz, dtype=float)
    if not parts or any(part.pressure.shape != hz.shape for part in parts):
        raise ValueError("near field needs at least one part, each on the given frequencies")
    wavenumber = 2 * np.pi * hz / speed_of_sound
    sphere_m = equal_volume_radius_m(width_m, height_m, depth_m)
    total = np.zeros((len(directions), hz.size), dtype=complex)
    for part, source, weight in _weighted(parts, hz, speed_of_sound, sphere_m, depth_m):
        strength = source * weight * part.driver.count * part.driver.diameter_m / 8
        total += strength * _radiation(part.driver, wavenumber, sphere_m, depth_m, directions)
    cones = [p for p in parts if p.driver.kind not in _PORTS] or list(parts)
    return total, min(near_part_limits(p.driver, speed_of_sound) for p in cones)


def distance_effect_db(
    parts: Sequence[NearPart],
    hz: FloatArray,
    *,
    speed_of_sound: float,
    width_m: float,
    height_m: float,
    depth_m: float,
    directions: Directions,
    distance_m: float,
) -> FloatArray:
    """How much lower a level comes out that was taken at `distance_m` and referred to 1 m by distance alone.

    (D, F) [dB], far field over that reading, for the low-frequency parts on the equal-volume sphere; at most 1.5 dB
    either way, so that nulls behind the cabinet do not matter. Drivers away from the reference point, and sound that
    bends around the cabinet, do not fall off exactly with the distance from that point. A model: its size is
    stated, not hidden. Arguments as in far_from_near.
    """
    # The effect is smooth in frequency, and Hankel functions are dear: eight points an octave are enough.
    coarse = np.geomspace(hz[0], hz[-1], max(2, int(np.ceil(8 * np.log2(hz[-1] / hz[0])))))
    wavenumber = 2 * np.pi * coarse / speed_of_sound
    sphere_m = equal_volume_radius_m(width_m, height_m, depth_m)
    strengths = [
        np.interp(coarse, hz, source.real) + 1j * np.interp(coarse, hz, source.imag)
        for source in (
            source * weight * part.driver.count * part.driver.diameter_m
            for part, source, weight in _weighted(parts, hz, speed_of_sound, sphere_m, depth_m)
        )
    ]
    far = np.zeros((len(directions), coarse.size), dtype=complex)
    here = np.zeros_like(far)
    for part, strength in zip(parts, strengths, strict=True):
        far += strength * _radiation(part.driver, wavenumber, sphere_m, depth_m, directions)
        here += strength * _radiation_at(part.driver, wavenumber, sphere_m, depth_m, directions, distance_m)
    tiny = np.finfo(float).tiny
    effect = 20 * np.log10(np.maximum(np.abs(far), tiny) / np.maximum(np.abs(here), tiny))
    limited = np.clip(effect, -LARGEST_DISTANCE_EFFECT_DB, LARGEST_DISTANCE_EFFECT_DB)
    return np.stack([np.interp(np.log(hz), np.log(coarse), row) for row in limited])


def _radiation_at(
    driver: Driver,
    wavenumber: FloatArray,
    sphere_m: float,
    depth_m: float,
    directions: Directions,
    distance_m: float,
) -> ComplexArray:
    """(D, F) as _radiation, at points `distance_m` from the reference point and referred by that distance."""
    point = distance_m * directions.unit_vectors() + np.array([sphere_m, 0.0, 0.0])
    away_m = np.linalg.norm(point, axis=1)
    outward = _outward(driver, sphere_m, depth_m)
    cosine = np.clip(point @ outward / away_m, -1.0, 1.0)
    half_angle = float(np.arcsin(min(1.0, driver.diameter_m / (2 * sphere_m))))
    field = cap_at_distance(wavenumber * sphere_m, max(half_angle, 1e-3), cosine, away_m / sphere_m)
    # The true position, not the cap's on the sphere, gives path and spreading.
    cap_m = np.linalg.norm(point - sphere_m * outward, axis=1)
    true_m = np.linalg.norm(distance_m * directions.unit_vectors() - np.array(driver.position_m, dtype=float), axis=1)
    path_m = distance_m - true_m + cap_m - away_m
    spreading = distance_m / away_m * (cap_m / true_m)
    seen: ComplexArray = field * spreading[:, None] * np.exp(1j * np.outer(path_m, wavenumber))
    return seen


def _weighted(
    parts: Sequence[NearPart], hz: FloatArray, speed_of_sound: float, sphere_m: float, depth_m: float
) -> list[tuple[NearPart, ComplexArray, FloatArray]]:
    """Every part with its source (F,) and its weight (F,)."""
    sources = _sources(parts, 2 * np.pi * hz / speed_of_sound, sphere_m, depth_m)
    return list(zip(parts, sources, _port_fades(parts, sources, hz), strict=True))


def source_pressure(part: NearPart, wavenumber: FloatArray) -> ComplexArray:
    """(F,) j omega rho u a of a rigid piston in a baffle, from the pressure on its axis at the gap.

    Exact on the axis: p = 2 j rho c u exp(-jk (R+z)/2) sin(k (R-z)/2), R = sqrt(z^2 + a^2) (handbook formula,
    for example Kinsler et al., Fundamentals of Acoustics, chapter 7, from memory). The magnitude correction is
    held above ka = 2, where cones no longer move as pistons.
    """
    radius_m, gap_m = part.driver.diameter_m / 2, part.gap_m
    slant_m = np.hypot(gap_m, radius_m)
    # Held at the same ka for every gap, so that no zero of the sine is ever divided by.
    half = np.minimum(wavenumber, HIGHEST_CORRECTED_KA / radius_m) * (slant_m - gap_m) / 2
    shortfall = (slant_m - gap_m) / radius_m * np.sinc(half / np.pi)
    corrected: ComplexArray = part.pressure * np.exp(0.5j * wavenumber * (slant_m + gap_m)) / shortfall
    return corrected


def _sources(parts: Sequence[NearPart], wavenumber: FloatArray, sphere_m: float, depth_m: float) -> list[ComplexArray]:
    """(F,) j omega rho u a of every part, with the cabinet's finite size and the leak between the parts taken out.

    What every microphone reads is the sum over all caps on the sphere; the parts follow by solving that for each
    frequency. Parts as large as the cabinet, and parts that lie in each other (`in_one_place`), are read as pistons in
    a baffle, without leak.
    """
    flat = [source_pressure(part, wavenumber) for part in parts]
    if max(part.driver.diameter_m for part in parts) > LARGEST_CAP * 2 * sphere_m or in_one_place(parts):
        return flat
    k = np.minimum(wavenumber, HIGHEST_SPHERE_KA / sphere_m)
    axes = [_outward(part.driver, sphere_m, depth_m) for part in parts]
    reading = np.empty((wavenumber.size, len(parts), len(parts)), dtype=complex)
    for i, heard in enumerate(parts):
        for j, part in enumerate(parts):
            radius_m = part.driver.diameter_m / 2
            field = cap_near_pressure(
                k * sphere_m,
                float(np.arcsin(radius_m / sphere_m)),
                float(axes[i] @ axes[j]),
                1 + heard.gap_m / sphere_m,
            )
            alike = 1 if i == j else part.driver.count
            reading[:, i, j] = radius_m * alike / (4 * sphere_m) * field
    # Above the sphere's range only what the piston knows is kept: its own phase and level.
    heard_pa = np.stack([part.pressure for part in parts], axis=-1)
    solved = np.linalg.solve(reading, heard_pa[..., None])[..., 0].T
    return [np.where(wavenumber <= k, solved[i], flat[i]) for i in range(len(parts))]


def _outward(driver: Driver, sphere_m: float, depth_m: float) -> FloatArray:
    """(3,) axis of a part's cap on the sphere whose front touches the reference point from behind."""
    outward = np.array(driver.position_m, dtype=float) + np.array([sphere_m, 0.0, 0.0])
    if driver.position_m[0] < -min(sphere_m, REAR_DEPTH_SHARE * depth_m):
        outward[0] = -abs(outward[0])
    length = float(np.linalg.norm(outward))
    return outward / length if length > 0 else np.array([1.0, 0.0, 0.0])


def _radiation(
    driver: Driver, wavenumber: FloatArray, sphere_m: float, depth_m: float, directions: Directions
) -> ComplexArray:
    """(D, F) how one part on the cabinet reaches each direction, 1 at low frequencies.

    The part is a cap on the sphere; time runs from its true position.
    """
    unit = directions.unit_vectors()
    cosine = np.clip(unit @ _outward(driver, sphere_m, depth_m), -1.0, 1.0)
    half_angle = float(np.arcsin(min(1.0, driver.diameter_m / (2 * sphere_m))))
    path_m = unit @ np.array(driver.position_m, dtype=float) - sphere_m * cosine
    spread = cap_diffraction(wavenumber * sphere_m, max(half_angle, 1e-3), cosine)
    return spread * np.exp(1j * np.outer(path_m, wavenumber))


def _port_fades(parts: Sequence[NearPart], sources: Sequence[ComplexArray], hz: FloatArray) -> list[FloatArray]:
    """Weight (F,) of every part: ports fade out where the cone's leak into their microphone takes over."""
    cones = [i for i, part in enumerate(parts) if part.driver.kind not in _PORTS]
    weights = [np.ones_like(hz) for _ in parts]
    for i, part in enumerate(parts):
        if i in cones or not cones:
            continue
        leak = np.zeros_like(hz)
        for j in cones:
            apart = np.linalg.norm(np.subtract(part.driver.position_m, parts[j].driver.position_m))
            cone_m = parts[j].driver.diameter_m / 2
            away_m = max(float(apart), cone_m)
            leak += np.abs(sources[j]) * parts[j].driver.count * cone_m / (2 * away_m)
        weights[i] = _fade(np.abs(sources[i]), leak, hz)
    return weights


def _fade(port: FloatArray, leak: FloatArray, hz: FloatArray) -> FloatArray:
    """1 up to the frequency above the port's peak where it sinks to the margin over the leak, then down to 0."""
    peak = int(np.argmax(port / hz))
    drowned = np.flatnonzero(port[peak:] < leak[peak:] * 10 ** (CROSSTALK_MARGIN_DB / 20))
    if drowned.size == 0:
        return np.ones_like(hz)
    octaves = np.log2(hz / hz[peak + drowned[0]])
    weight: FloatArray = 0.5 + 0.5 * np.cos(np.pi * np.clip(octaves / _FADE_OCTAVES, 0.0, 1.0))
    return weight
