"""Random rigs: what the tester stated, and what was true.

Every error has a name in ERRORS; one that is switched off is drawn all the same and then left out, so that the others
stay as they were. The laws are this program's own; stated tolerances are those of the documentation, true errors follow
other shapes of about that size.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from coverage_worlds.bodies import FloatArray, SphereBody
from coverage_worlds.loudspeakers import Loudspeaker, Random, is_symmetric, log_uniform
from earwitness.demo.room import Images, shoebox_images

ERRORS = (
    "calibration",
    "microphone",
    "voltage",
    "gains",
    "distance",
    "turntable",
    "axis",
    "height",
    "takes",
    "temperature",
    "places",
    "radii",
    "size",
    "room",
    "noise",
)
KNOTS_OCTAVES = 1.0
_LOWEST_HZ = 10.0


@dataclass(frozen=True, slots=True)
class Smooth:
    """A curve in dB over log frequency: a cubic through knots an octave apart, none at 1 kHz."""

    knots_db: tuple[float, ...]

    def at(self, hz: FloatArray) -> FloatArray:
        from scipy.interpolate import CubicSpline

        octaves = np.arange(len(self.knots_db)) * KNOTS_OCTAVES
        spline = CubicSpline(octaves, self.knots_db)
        here = np.clip(np.log2(np.maximum(hz, _LOWEST_HZ) / _LOWEST_HZ), 0.0, octaves[-1])
        return np.asarray(spline(here) - spline(np.log2(1000.0 / _LOWEST_HZ)))


@dataclass(frozen=True, slots=True)
class Facts:
    """What a session states or leaves out, free of error; all lengths in meters."""

    distance_m: float
    anechoic: bool
    room_m: tuple[float, float, float]
    loudspeaker_m: tuple[float, float, float]
    reflection: float
    stated_reflection: bool
    loop_back: bool
    loop_volts: bool
    calibrator: bool
    sensitivity: bool
    file: bool
    file_u_db: float | None
    near: bool
    vertical: bool
    half: bool
    step_deg: int
    by_hand: bool
    noise_take: bool
    fs_per_pa: float
    volts_per_fs: float
    gap_m: float
    near_v: float
    shape: Literal["box", "sphere", "other"]
    told_top: bool


@dataclass(frozen=True, slots=True)
class Errors:
    """What was true beside what was stated, in units of the names; zero where switched off.

    noise_db : sound pressure level of the room's noise in the third octave at 31.5 Hz.
    """

    level_db: float
    microphone: Smooth
    beside_file: Smooth
    voltage_db: float
    near_voltage_db: float
    orbits_db: float
    drift_db: float
    distance_m: float
    zero_deg: tuple[float, float]
    axis_m: tuple[tuple[float, float], tuple[float, float]]
    height_deg: float
    take_db: float
    take_deg: float
    take_m: float
    temperature_k: float
    places_m: FloatArray
    radii: FloatArray
    sizes_m: FloatArray
    room_m: FloatArray
    noise_db: float


@dataclass(frozen=True, eq=False)
class Rig:
    """Facts, errors, and which errors are on; seed : of noise and of single takes."""

    facts: Facts
    errors: Errors
    on: frozenset[str]
    seed: tuple[int, ...]

    def images(self, order: int) -> Images:
        """True positions of the loudspeaker's mirror images, itself first."""
        facts = self.facts
        place = np.array(facts.loudspeaker_m)
        microphone = place + np.array([facts.distance_m + self.errors.distance_m, 0.0, 0.0])
        walls = np.full((3, 2), facts.reflection)
        return shoebox_images(np.array(facts.room_m), place, microphone, walls, order)


def draw_rig(random: Random, one: Loudspeaker, seed: tuple[int, ...], on: frozenset[str]) -> Rig:
    facts = _facts(random, one)
    return Rig(facts, _errors(random, one, facts, on), on, seed)


def _facts(random: Random, one: Loudspeaker) -> Facts:
    distance = round(float(random.uniform(0.9, 3.0)), 2)
    room = np.array([distance + random.uniform(2.6, 6.0), random.uniform(3.2, 7.5), random.uniform(2.4, 5.0)])
    # Half-way up and across within a fifth, and well off the walls behind and ahead.
    place = np.array([0.0, room[1] * random.uniform(0.42, 0.58), room[2] * random.uniform(0.42, 0.58)])
    place[0] = (room[0] - distance) * random.uniform(0.4, 0.6)
    loop = random.random() < 0.6
    calibrator, sensitivity = random.random() < 0.55, random.random() < 0.9
    file = random.random() < 0.65
    # What a tester tells of the cabinet; drawn apart, so that what else is drawn stays as it was.
    told = np.random.default_rng(int(1000 * distance + 1e6 * room[1]))
    shape: Literal["box", "sphere", "other"] = "box"
    if isinstance(one.body, SphereBody):
        ahead = one.body.caps[-1].toward[0] > 1.0 - 1e-9
        shape = "sphere" if ahead and told.random() < 0.6 else "other" if told.random() < 0.8 else "box"
    u_file = float(random.uniform(0.1, 0.4)) if random.random() < 0.4 else None
    return Facts(
        distance_m=distance,
        anechoic=random.random() < 0.18,
        room_m=_triple(np.round(room, 2)),
        loudspeaker_m=_triple(np.round(place, 2)),
        reflection=float(random.uniform(0.5, 0.85)),
        stated_reflection=random.random() < 0.2,
        loop_back=loop,
        loop_volts=random.random() < 0.7,
        calibrator=calibrator,
        sensitivity=sensitivity and not calibrator,
        file=file,
        file_u_db=u_file,
        near=random.random() < 0.85,
        vertical=random.random() < 0.92,
        half=is_symmetric(one) and random.random() < 0.15,
        step_deg=20 if random.random() < 0.07 else 10,
        by_hand=not loop and random.random() < 0.15,
        noise_take=random.random() < 0.3,
        fs_per_pa=log_uniform(random, 0.008, 0.03),
        volts_per_fs=log_uniform(random, 12.0, 40.0),
        gap_m=float(random.choice([0.003, 0.005, 0.008])),
        near_v=float(random.choice([0.5, 1.0])),
        shape=shape,
        told_top=told.random() < 0.6,
    )


def _triple(values: FloatArray) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])


def _errors(random: Random, one: Loudspeaker, facts: Facts, on: frozenset[str]) -> Errors:
    def of(name: str, value: float) -> float:
        return value if name in on else 0.0

    def many(name: str, values: FloatArray) -> FloatArray:
        return values if name in on else np.zeros_like(values)

    # A calibrator's tolerance is a limit, a stated sensitivity's u a standard uncertainty.
    level = random.uniform(-0.25, 0.25) if facts.calibrator else random.normal(0.0, 0.2)
    count = int(np.ceil(np.log2(24_000.0 / _LOWEST_HZ) / KNOTS_OCTAVES)) + 1
    treble = np.array([1.0 if _LOWEST_HZ * 2 ** (i * KNOTS_OCTAVES) <= 8000.0 else 2.0 for i in range(count)])
    # Both ends of a difference to 1 kHz are drawn, so that each is a little less than what is stated.
    own, beside = random.normal(size=count) * treble, 0.72 * random.normal(size=count)
    beside *= 0.25 * treble if facts.file_u_db is None else facts.file_u_db
    radiators = len(one.body.radiators)
    places = random.normal(0.0, 0.01, (radiators, 3))
    # A tester lays the drivers of the middle line on the middle line, and those of a flat front at the front.
    places[:, 1] *= [0.3 if abs(r.center_m[1]) < 1e-6 else 1.0 for r in one.body.radiators]
    places[:, 0] *= 1.0 if isinstance(one.body, SphereBody) else 0.3
    return Errors(
        level_db=of("calibration", float(level)),
        microphone=_smooth(many("microphone", own * (1.0 if facts.file else 0.4))),
        beside_file=_smooth(many("microphone", beside)),
        voltage_db=of("voltage", float(random.normal(0.0, 0.1))),
        near_voltage_db=of("voltage", float(random.normal(0.0, 0.1))),
        orbits_db=of("gains", float(random.normal(0.0, 0.1))),
        drift_db=of("gains", float(random.normal(0.0, 0.1))),
        distance_m=of("distance", float(random.uniform(-0.006, 0.006))),
        zero_deg=(of("turntable", float(random.normal())), of("turntable", float(random.normal()))),
        axis_m=(_pair(many("axis", random.normal(0, 0.01, 2))), _pair(many("axis", random.normal(0, 0.01, 2)))),
        height_deg=of("height", float(random.normal(0.0, 0.7))),
        take_db=of("takes", 0.03),
        take_deg=of("takes", 0.4),
        take_m=of("takes", 0.002),
        temperature_k=of("temperature", float(random.normal(0.0, 1.0))),
        places_m=many("places", places),
        radii=many("radii", random.normal(0.0, 0.02, radiators)),
        sizes_m=many("size", random.normal(0.0, 0.003, 3)),
        room_m=many("room", random.normal(0.0, 0.02, (3, 3))),
        noise_db=float(random.uniform(26.0, 44.0)) - (0.0 if "noise" in on else 60.0),
    )


def _smooth(knots: FloatArray) -> Smooth:
    return Smooth(tuple(float(v) for v in knots))


def _pair(values: FloatArray) -> tuple[float, float]:
    return float(values[0]), float(values[1])
