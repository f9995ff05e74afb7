"""What walls, floor and desk near a loudspeaker do to its level: gain and interference by mirror images.

Each image radiates as the loudspeaker was measured to radiate toward the wall, level and phase, on its longer way:
p / p_free = 1 + sum of G^n B r / r' exp(-jk (r' - r)) (image theorem; B the measured ratio, G the wall's factor).
"""

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from earwitness.errors import InputError
from earwitness.files.data import worded
from earwitness.insight.match.in_room import SPEED_M_S, perturbed
from earwitness.insight.match.off_axis import orbits_of, sound_toward
from earwitness.insight.match.seats import seen_from
from earwitness.insight.spread import decibels
from earwitness.quantities import Curve, DirectionalResponse, FrequencyAxis, log_axis
from earwitness.quantities.arrays import ComplexArray, FloatArray
from earwitness.quantities.axis import hz_words

Radiates = Callable[[float, float], ComplexArray]
"""Complex pressure (F,) toward azimuth and elevation [deg]."""
WALL_FACTOR: Final = 0.9
HIGH_HZ: Final = 500.0
DESK_HZ: Final = 4000.0
LIFT_HZ: Final = (30.0, 60.0)
TRIED_M: Final = (0.1, 0.2, 0.3, 0.5, 0.7, 1.0, 1.5, 2.0)
# Own choices: a distance is known within 5 cm, the wall's factor within 0.1; both evenly.
_REACH_M, _REACH_FACTOR = 0.05, 0.1


@dataclass(frozen=True, slots=True)
class Plane:
    """A wall, floor or desk: all places whose coordinate `along` (0, 1, 2) is `at_m`."""

    along: int
    at_m: float


@dataclass(frozen=True, slots=True, eq=False)
class Boundary:
    """At one place. gain : third octaves [dB] over free field at the seat; lift_db : mean from 30 Hz to 60 Hz;
    dip_db at dip_hz : the lowest of them; u : standard uncertainties of lift and dip [dB]."""

    gain: Curve
    lift_db: float
    dip_hz: float
    dip_db: float
    u: tuple[float, float]


def pressure_gain(
    radiates: Radiates, hz: FloatArray, source_m: FloatArray, seat_m: FloatArray, aim_deg: tuple[float, float],
    planes: Sequence[Plane], factor: float = WALL_FACTOR,
) -> ComplexArray:  # fmt: skip
    """(F,) complex pressure at the seat over that in free field.

    source_m, seat_m : (3,); aim_deg : azimuth and elevation of the reference axis in the room; factor : share of the
    pressure that a plane throws back.
    """
    source, seat, k = np.asarray(source_m), np.asarray(seat_m), 2.0 * np.pi * hz / SPEED_M_S
    way = float(np.linalg.norm(seat - source))
    ahead = radiates(*seen_from(seat - source, *aim_deg)[:2])
    total = np.ones(hz.size, dtype=np.complex128)
    for count in range(1, len(planes) + 1):
        for some in itertools.combinations(planes, count):
            if len({plane.along for plane in some}) < count:
                continue
            # The seat is mirrored in place of the loudspeaker, so that the direction is its own.
            mirrored = seat.copy()
            for plane in some:
                mirrored[plane.along] = 2.0 * plane.at_m - mirrored[plane.along]
            far = float(np.linalg.norm(mirrored - source))
            toward = radiates(*seen_from(mirrored - source, *aim_deg)[:2]) / ahead
            total += factor**count * toward * way / far * np.exp(-1j * k * (far - way))
    return total


def radiates_as(response: DirectionalResponse, hz: FloatArray) -> Radiates:
    """The measured response on hz: level as `sound_toward`, phase of the pressure of the three nearest directions by
    closeness; NaN where a direction is not valid.

    Without a common time of the directions the images are in step with the axis. InputError, when it is asked, for a
    direction that is known at less than nine tenths of the frequencies.
    """
    orbits, axis, vectors = orbits_of(response), response.axis.hz, response.directions.unit_vectors()
    places = np.clip(np.searchsorted(axis, hz), 0, axis.size - 1)

    def toward(azimuth_deg: float, elevation_deg: float) -> ComplexArray:
        sound = sound_toward(orbits, azimuth_deg, elevation_deg)
        if sound is None or sound.valid[places].mean() < 0.9:
            raise InputError.of("insight.no_sound_toward", azimuth_deg=azimuth_deg, low_hz=hz[0], high_hz=hz[-1])
        a, e = math.radians(azimuth_deg), math.radians(elevation_deg)
        at = np.array([math.cos(e) * math.cos(a), math.cos(e) * math.sin(a), math.sin(e)])
        apart = np.arccos(np.clip(vectors @ at, -1.0, 1.0))
        near = np.argsort(apart, kind="stable")[:3]
        turn = (1.0 / (apart[near] + 1e-3)) @ response.pressure[near]
        turn = turn if response.phase == "common" else np.ones(axis.size)
        pressure = 10.0 ** (sound.level_db / 20.0) * turn / np.maximum(np.abs(turn), 1e-30)
        between = np.interp(hz, axis, pressure.real) + 1j * np.interp(hz, axis, pressure.imag)
        return np.asarray(np.where(sound.valid[places], between, np.nan))

    return toward


def third_octaves_db(hz: FloatArray, pressure: ComplexArray) -> FloatArray:
    """Level of the energy mean over a third octave about every frequency, of what is a number there [dB]."""
    energy = np.abs(pressure) ** 2
    near = (np.abs(np.log2(hz[:, None] / hz)) <= 1.0 / 6.0) & np.isfinite(energy)
    return np.asarray(10.0 * np.log10((near @ np.nan_to_num(energy)) / np.maximum(near.sum(axis=1), 1)))


def boundary(
    response: DirectionalResponse, source_m: Sequence[float], seat_m: Sequence[float], planes: Sequence[Plane], *,
    aim_deg: tuple[float, float] = (0.0, 0.0), high_hz: float = HIGH_HZ,
) -> Boundary:  # fmt: skip
    """What planes near a loudspeaker do at a seat up to high_hz, with u: each coordinate of the loudspeaker within
    5 cm, the factor within 0.1, both evenly (own choices). InputError where the sound toward a plane is not known."""
    hz = _axis_of(response, high_hz)
    radiates, source, seat = radiates_as(response, hz.hz), np.asarray(source_m, float), np.asarray(seat_m, float)

    def gain_db(off: dict[str, FloatArray]) -> FloatArray:
        factor = WALL_FACTOR + float(off["factor"])
        found = pressure_gain(radiates, hz.hz, source + off["at"], seat, aim_deg, planes, factor)
        level = third_octaves_db(hz.hz, found)
        return np.concatenate([level, [level[hz.hz <= LIFT_HZ[1]].mean(), level.min()]])

    middle = gain_db({"at": np.zeros(3), "factor": np.zeros(())})
    u = perturbed(gain_db, {"at": np.full(3, _REACH_M), "factor": np.array(_REACH_FACTOR)})
    name, reference = "change by the walls near it", "dB over free field at the seat"
    gain = Curve.of("boundary_gain", name, hz, middle[:-2], u=u[:-2], reference=reference, lineage=response.lineage)
    return Boundary(gain, float(middle[-2]), float(hz.hz[int(np.argmin(middle[:-2]))]), float(middle[-1]),
                    (float(u[-2]), float(u[-1])))  # fmt: skip


def _axis_of(response: DirectionalResponse, high_hz: float) -> FrequencyAxis:
    axis = response.axis
    known = axis.hz[response.valid.all(axis=0) & (axis.hz <= LIFT_HZ[1])]
    if not known.size:
        raise InputError.of("insight.no_bass_around", high_hz=LIFT_HZ[1])
    return log_axis(max(LIFT_HZ[0], float(known[0])), high_hz, 24)


def wall_behind(
    response: DirectionalResponse, wall_m: float, distance_m: float, least_m: float = 0.0
) -> tuple[Boundary, tuple[str, ...]]:
    """With one wall that far behind the reference point and the seat on axis, and what is said of it; last the deepest
    third octave at other distances, from least_m on."""

    made, tried = _behind(response, wall_m, distance_m), walls_tried(response, distance_m, least_m)
    listed = "; ".join(f"{wall:g} m {_dip_words(one)}" for wall, one in tried.items())
    best = max(tried, key=lambda wall: tried[wall].dip_db)
    said = worded("insight.wall_distance", listed=listed, best=best, high_hz=HIGH_HZ)
    return made, (boundary_words(f"Wall {wall_m:g} m behind, seat {distance_m:g} m ahead", made), said)


def walls_tried(response: DirectionalResponse, distance_m: float, least_m: float) -> dict[float, Boundary]:
    """By distance of a wall behind, 0.1 m to 2 m, those from least_m on. InputError as `boundary`."""
    return {one: _behind(response, one, distance_m) for one in TRIED_M if one >= least_m}


def _behind(response: DirectionalResponse, wall_m: float, distance_m: float) -> Boundary:
    return boundary(response, (0.0, 0.0, 0.0), (distance_m, 0.0, 0.0), (Plane(0, -wall_m),))


def on_desk(
    response: DirectionalResponse, height_m: float, ears_m: float, distance_m: float
) -> tuple[Boundary, tuple[str, ...]]:
    """On a large desk, the reference point and the ears that high above it and the axis level."""
    made = boundary(response, (0.0, 0.0, height_m), (distance_m, 0.0, ears_m), (Plane(2, 0.0),), high_hz=DESK_HZ)
    what = f"On a desk {height_m:g} m below, ears {ears_m:g} m above it and {distance_m:g} m away"
    return made, (boundary_words(what, made),)


def boundary_words(what: str, one: Boundary) -> str:
    """Lift of the bass and the deepest third octave, with U."""
    low, lift, dip = hz_words(float(one.gain.axis.hz[0])), decibels(one.lift_db, one.u[0], "+"), _dip_words(one)
    return worded("insight.near_walls", what=what, low=low, lift=lift, dip=dip)


def _dip_words(one: Boundary) -> str:
    return f"{decibels(one.dip_db, one.u[1], '+')} dB at {hz_words(one.dip_hz)}"


def near_planes(size_m: Sequence[float], source_m: Sequence[float]) -> tuple[Plane, ...]:
    """Of each pair of walls, and of floor and ceiling, the one that is nearer to the loudspeaker."""
    return tuple(
        Plane(i, 0.0 if at <= size / 2.0 else size) for i, (size, at) in enumerate(zip(size_m, source_m, strict=True))
    )
