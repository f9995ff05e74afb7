"""What the places of loudspeaker and microphone leave open: turntable, heights, distances, order of recording.

Each is off by one amount in a session (or a take), and moves the levels by their slope over that amount, read from the
measured levels themselves. The amounts are own choices, what careful work with a turntable and a tape measure
reaches; they stand here and nowhere else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from earwitness.quantities import Cause, Directions, on_orbit
from earwitness.quantities.arrays import BoolArray, FloatArray
from earwitness.quantities.directions import Orbit
from earwitness.session.record import Driver

DISTANCE_M = 0.005
TAKE_M = 0.007
TAKE_DEG = 0.4
TURNTABLE_DEG = 1.0
HEIGHT_DEG = 0.7
AXIS_M = 0.01
DRIFT_DB = 0.1
ORBIT_GAIN_DB = 0.1
LOOP_BACK_SHARE = 0.3
MOST_PULL_DB = 6.0
_DB_PER_NEPER = 20 / np.log(10)
_RECTANGULAR = np.sqrt(3.0)
_ORBITS: tuple[Orbit, Orbit] = ("horizontal", "vertical")
WIDEST_STEP_DEG = 30.01


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """Levels of the takes used, one a direction.

    level_db : (D, F); distance_m : (D,); orbit : (D,) "horizontal" or "vertical"; order : (D,) place in the order of
    recording; divided : whether a loop-back was divided out of every take
    """

    directions: Directions
    level_db: FloatArray
    distance_m: FloatArray
    orbit: tuple[Orbit, ...]
    order: FloatArray
    divided: bool

    def angle_deg(self, orbit: Orbit) -> FloatArray:
        """(D,) angle on an orbit, not a number off it."""
        found = np.full(len(self.directions), np.nan)
        rows, angles = on_orbit(self.directions, orbit)
        found[rows] = angles
        return found

    def on(self, orbit: Orbit) -> BoolArray:
        """(D,) which takes were recorded on an orbit."""
        return np.array([one == orbit for one in self.orbit])


def placing_causes(placed: Placed) -> tuple[Cause, ...]:
    """All of it. Where an orbit was not measured, nothing is known of the slope across it, and nothing said."""
    return (*_distances(placed), *_angles(placed), *_recording(placed))


def _distances(placed: Placed) -> list[Cause]:
    away = placed.distance_m[:, None]
    flat = np.ones_like(placed.level_db)
    common = DISTANCE_M / _RECTANGULAR * _DB_PER_NEPER / float(np.median(placed.distance_m)) * flat[:1]
    source = f"+-{DISTANCE_M * 1000:.0f} mm of the tape measure, rectangular"
    found = [
        Cause(name="distance", source=source, pull_db=common),
        Cause(name="place of one take", source=f"{TAKE_M * 1000:.0f} mm", pull_db=TAKE_M * _DB_PER_NEPER / away * flat,
              each=True),
    ]  # fmt: skip
    for orbit in _ORBITS:
        angle = np.deg2rad(np.nan_to_num(placed.angle_deg(orbit)))
        used = placed.on(orbit)
        if np.count_nonzero(used) < 2:
            continue
        for part, toward in (("forward", np.cos(angle)), ("sideways", np.sin(angle))):
            # The level comes out high by as much as the sound had less far to go.
            pull = np.where(used, AXIS_M * _DB_PER_NEPER * toward, 0.0)[:, None] / away * flat
            source = f"axis of turning {AXIS_M * 100:.0f} cm off the reference point"
            found.append(Cause(name=f"axis of turning, {orbit}", source=source, pull_db=pull, part=part))
    return found


def _angles(placed: Placed) -> list[Cause]:
    slopes = {orbit: slope_db_per_deg(placed, orbit) for orbit in _ORBITS}
    found, own = [], np.zeros_like(placed.level_db)
    for orbit, across in (_ORBITS, _ORBITS[::-1]):
        used = placed.on(orbit)[:, None]
        if not used.any():
            continue
        own += np.where(used, TAKE_DEG * slopes[orbit], 0.0)
        source = f"{TURNTABLE_DEG:g} degree, by eye"
        pull = np.where(used, TURNTABLE_DEG * slopes[orbit], 0.0)
        found.append(Cause(name=f"zero of the turntable, {orbit}", source=source, pull_db=_clipped(pull)))
        ahead = np.flatnonzero(np.abs(placed.angle_deg(across)) < 0.01)
        if ahead.size and slopes[across].any():
            # Seen from behind the loudspeaker, up is still up, and nothing there is known to lean.
            angle = np.nan_to_num(placed.angle_deg(orbit), nan=180.0)
            toward = np.maximum(np.cos(np.deg2rad(angle)), 0.0)[:, None]
            pull = np.where(used, HEIGHT_DEG * slopes[across][ahead[:1]] * toward, 0.0)
            source = f"{HEIGHT_DEG:g} degree off the plane of turning"
            found.append(Cause(name=f"height of the microphone, {orbit}", source=source, pull_db=_clipped(pull)))
    source = f"{TAKE_DEG:g} degree"
    found.append(Cause(name="angle of one take", source=source, pull_db=_clipped(own), each=True))
    return found


def _recording(placed: Placed) -> list[Cause]:
    share = LOOP_BACK_SHARE if placed.divided else 1.0
    words = ", with a loop-back" if placed.divided else ""
    flat = np.ones_like(placed.level_db)
    found = []
    for orbit in _ORBITS:
        used = placed.on(orbit)
        if np.count_nonzero(used) < 2:
            continue
        place = placed.order[used].argsort().argsort()
        ramp = np.zeros(used.size)
        ramp[used] = place / (place.size - 1) - 0.5
        source = f"{share * DRIFT_DB:g} dB from first to last{words}"
        pull = share * DRIFT_DB * ramp[:, None] * flat
        found.append(Cause(name=f"drift, {orbit}", source=source, pull_db=pull))
    upright = placed.on("vertical")
    if upright.any() and not upright.all():
        source = f"{share * ORBIT_GAIN_DB:g} dB between the orbits{words}"
        pull = np.where(upright, share * ORBIT_GAIN_DB, 0.0)[:, None] * flat
        found.append(Cause(name="gain between the orbits", source=source, pull_db=pull))
    return found


def slope_db_per_deg(placed: Placed, orbit: Orbit) -> FloatArray:
    """(D, F) slope of the level over the angle on an orbit, by the neighbors on both sides that lie within 30 degrees;
    0 off the orbit and where there is none."""
    found = np.zeros_like(placed.level_db)
    rows, angles = on_orbit(placed.directions, orbit)
    if rows.size < 2:
        return found
    level = placed.level_db[rows]
    after = np.mod(np.roll(angles, -1) - angles, 360.0)
    step = (np.roll(level, -1, axis=0) - level) / np.maximum(after, 1e-9)[:, None]
    # Each step weighs by the other's width, so that a parabola's slope comes out.
    ahead = np.where((after > 0.01) & (after <= WIDEST_STEP_DEG), 1.0 / np.maximum(after, 1e-9), 0.0)[:, None]
    behind, before = np.roll(ahead, 1, axis=0), np.roll(step, 1, axis=0)
    total = ahead + behind
    found[rows] = np.where(total > 0, (ahead * step + behind * before) / np.where(total > 0, total, 1.0), 0.0)
    return found


def _clipped(pull_db: FloatArray) -> FloatArray:
    """In a null the first order says too much."""
    return np.clip(pull_db, -MOST_PULL_DB, MOST_PULL_DB)


@dataclass(frozen=True, slots=True, eq=False)
class NearEffect:
    """Of a microphone that stands too near: error_db (F,) on axis, of a source that is even; from_hz : where
    2 D^2 / lambda first reaches further than the microphone, None nowhere; size_m : D there."""

    error_db: FloatArray
    from_hz: float | None
    size_m: float


def near_effect(drivers: Sequence[Driver], hz: FloatArray, distance_m: float, speed_m_s: float) -> NearEffect:
    """How far from the far field a microphone at distance_m hears the drivers that may sound at each frequency.

    The far field begins at 2 D^2 / lambda, where the rim of a source of width D is heard an eighth of pi later than
    its middle (handbook rule). Which drivers sound is not told by a session: cones up to ka = 4, domes from ka = 0.2
    to 4, horns and ribbons from ka = 0.5 on (own choice). D is twice the farthest way from the reference axis to a
    rim, for the distance is kept to the reference point.
    """
    reach = np.zeros(hz.size)
    for one in drivers:
        ka = np.pi * hz / speed_m_s * one.diameter_m
        low = {"cone": 0.0, "dome": 0.2, "horn": 0.5, "ribbon": 0.5}.get(one.kind)
        if low is None:
            continue
        sounds = (ka >= low) & ((ka <= 4.0) | (one.kind in ("horn", "ribbon")))
        off = float(np.hypot(*one.position_m[1:])) + one.diameter_m / 2
        reach = np.where(sounds, np.maximum(reach, off), reach)
    phase = np.minimum(2 * np.pi * hz / speed_m_s * reach**2 / (2 * distance_m), np.pi)
    error = -20 * np.log10(np.sinc(phase / (2 * np.pi)))
    beyond = np.flatnonzero(phase > np.pi / 8)
    first = int(beyond[0]) if beyond.size else 0
    return NearEffect(error, float(hz[first]) if beyond.size else None, 2.0 * float(reach[first]))


def finite_distance_causes(placed: Placed, effect: NearEffect) -> tuple[Cause, ...]:
    """What the near effect leaves open: in front all directions alike, and in each direction the more, the less of
    the sound goes there."""
    if effect.from_hz is None:
        return ()
    ahead = placed.directions.unit_vectors()[:, 0]
    front = np.maximum(ahead, 0.0)[:, None] ** 2
    below = np.clip(placed.level_db[int(np.argmax(ahead))] - placed.level_db, 0.0, 14.0)
    u = effect.error_db / _RECTANGULAR
    source = f"2 D^2 / lambda, D = {effect.size_m:.2f} m"
    return (
        Cause(name="finite distance", source=source, pull_db=_clipped(u * front)),
        Cause(name="finite distance, each direction", source=source, pull_db=_clipped(u / 2 * 10 ** (below / 20)),
              each=True),
    )  # fmt: skip
