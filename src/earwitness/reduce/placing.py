"""What the places of loudspeaker and microphone leave open: turntable, heights, distances, order of recording.

Each is off by one amount in a session (or a take), and moves the levels by their slope over that amount, read from the
measured levels themselves. The amounts are own choices, what careful work with a turntable and a tape measure
reaches; they stand here and nowhere else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from earwitness.quantities import BoolArray, Cause, ComplexArray, Directions, FloatArray, IntArray, Orbit, on_orbit
from earwitness.session.record import Driver

DISTANCE_M = 0.005
TAKE_M = 0.007
TAKE_DEG = 0.4
TURNTABLE_DEG = 1.0
HEIGHT_DEG = 0.7
AXIS_M = 0.01
DRIFT_DB = 0.1
ORBIT_GAIN_DB = 0.1
MOST_PULL_DB = 6.0
_DB_PER_NEPER = 20 / np.log(10)
_RECTANGULAR = np.sqrt(3.0)
_ORBITS: tuple[Orbit, Orbit] = ("horizontal", "vertical")
WIDEST_STEP_DEG = 30.01
LEAST_BEND_DB = 0.01
_SAME_DEG = 0.01
_CURVED = np.sqrt(3.0)
_PHASE_HZ = (2500.0, 5000.0)


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """What the takes used have heard, one a direction.

    hz : (F,); pressure : (D, F); distance_m : (D,); orbit : (D,) "horizontal" or "vertical"; order : (D,) place in the
    order of recording
    """

    directions: Directions
    hz: FloatArray
    pressure: ComplexArray
    distance_m: FloatArray
    orbit: tuple[Orbit, ...]
    order: FloatArray

    @property
    def level_db(self) -> FloatArray:
        """(D, F)."""
        return _levels_db(self.pressure)

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
    flat = np.ones(placed.pressure.shape)
    common = DISTANCE_M / _RECTANGULAR * _DB_PER_NEPER / float(np.median(placed.distance_m)) * flat[:1]
    source = f"+-{DISTANCE_M * 1000:.0f} mm of the tape measure, rectangular"
    found = [
        Cause(name="distance", source=source, pull_db=common),
        Cause(name="place of one take", source=f"{TAKE_M * 1000:.0f} mm", pull_db=TAKE_M * _DB_PER_NEPER / away * flat,
              each=True),
    ]  # fmt: skip
    for orbit in _ORBITS:
        used = placed.on(orbit)
        if np.count_nonzero(used) < 2:
            continue
        # The microphone is put at its distance in front of the reference point; the turn then takes that point aside.
        angle = np.deg2rad(np.nan_to_num(placed.angle_deg(orbit)))
        ahead, aside = np.cos(angle) - 1.0, np.sin(angle)
        source = f"axis of turning {AXIS_M * 100:.0f} cm off the reference point"
        for part, nearer, turn in (("forward", ahead, aside), ("sideways", aside, -ahead)):
            # The level comes out high by as much as the sound had less far to go, and is that of another angle.
            level = AXIS_M * _DB_PER_NEPER * nearer[:, None] / away
            seen = turned(placed, orbit, np.rad2deg(AXIS_M * turn / placed.distance_m))
            moved = Turn(level + seen.pull_db, seen.bend_db)
            found += _of_turn(f"axis of turning, {orbit}", source, moved, used[:, None].astype(float), part)
    return found


def _angles(placed: Placed) -> list[Cause]:
    found: list[Cause] = []
    own = np.zeros(placed.pressure.shape)
    for orbit, across in (_ORBITS, _ORBITS[::-1]):
        used = placed.on(orbit)[:, None]
        if not used.any():
            continue
        take = turned(placed, orbit, TAKE_DEG)
        own += np.where(used, np.hypot(take.pull_db, _CURVED * take.bend_db), 0.0)
        source = f"{TURNTABLE_DEG:g} degree, by eye"
        zero = turned(placed, orbit, TURNTABLE_DEG)
        found += _of_turn(f"zero of the turntable, {orbit}", source, zero, used.astype(float))
        source = f"{HEIGHT_DEG:g} degree off the plane of turning"
        for part, tilt in _raised(placed, orbit, across).items():
            found += _of_turn(f"height of the microphone, {orbit}", source, tilt, used.astype(float), part)
    source = f"{TAKE_DEG:g} degree"
    found.append(Cause(name="angle of one take", source=source, pull_db=_clipped(own), each=True))
    return found


def _of_turn(name: str, source: str, turn: Turn, share: FloatArray, part: str = "") -> list[Cause]:
    """The change by a turn, and what it leaves that does not change its sign with it, as in a dip: of a unit normal x
    x and x^2 do not go together, and x^2 has a root mean square of sqrt(3)."""
    found = [Cause(name=name, source=source, pull_db=_clipped(share * turn.pull_db), part=part)]
    bend = _clipped(_CURVED * share * turn.bend_db)
    if np.abs(bend).max() > LEAST_BEND_DB:
        found.append(Cause(name=name, source=source, pull_db=bend, part=", ".join(filter(None, (part, "bend")))))
    return found


def _raised(placed: Placed, orbit: Orbit, across: Orbit) -> dict[str, Turn]:
    """What a microphone above the plane of an orbit hears, by parts that go with each other no more.

    In front and behind as the other orbit has it. At the sides drivers above one another are as far apart for it as in
    front, but what they make together there is not known: about 60 degrees a change of the size of that in front,
    about 120 the geometric mean of front and rear, within an octave. (On 14 simulated loudspeakers 0.12 dB rms in
    front, 0.21 at 60, 0.13 at 90, 0.34 behind from 0.8 to 3 kHz, 0.03, 0.01, 0.04 and 0.5 dB above, and no correlation
    with the front beyond 45 degrees.)
    """
    turn = turned(placed, across, HEIGHT_DEG)
    angle = np.nan_to_num(placed.angle_deg(across), nan=90.0)
    found: dict[str, Turn] = {}
    sizes: dict[float, FloatArray] = {}
    around = np.abs(np.nan_to_num(placed.angle_deg(orbit)))[:, None]
    for middle, part, sign in ((0.0, "", 1.0), (180.0, "behind", -1.0)):
        rows = np.flatnonzero(np.abs(np.abs(angle) - middle) < _SAME_DEG)
        if rows.size:
            # Over the top the angle goes on, and a raised microphone behind comes down.
            pull, bend = sign * turn.pull_db[rows[0]], turn.bend_db[rows[0]]
            near = _nearness(around, middle)
            found[part] = Turn(near * pull, near * bend)
            sizes[middle] = pull**2 + _CURVED**2 * bend**2
    if 0.0 not in sizes or (not sizes[0.0].any() and not sizes.get(180.0, sizes[0.0]).any()):
        return {}
    front = sizes[0.0]
    for middle, square in ((60.0, front), (120.0, np.sqrt(front * sizes.get(180.0, front)))):
        size = np.sqrt(_over_an_octave(square, placed.hz))
        found[f"side, {middle:.0f} degrees"] = Turn(_nearness(around, middle) * size, np.zeros_like(placed.level_db))
    return found


def _nearness(angle_deg: FloatArray, middle_deg: float) -> FloatArray:
    """1 at the middle, 0 from 60 degrees on; squares of neighbors 60 degrees apart add to 1."""
    return np.asarray(np.cos(np.clip(np.abs(angle_deg - middle_deg) / 60.0, 0.0, 1.0) * np.pi / 2), dtype=float)


def _over_an_octave(values: FloatArray, hz: FloatArray) -> FloatArray:
    """(F,) means over the points within half an octave."""
    low, high = (np.searchsorted(hz, hz * 2.0**way) for way in (-0.5, 0.5))
    sums = np.concatenate([[0.0], np.cumsum(values)])
    return np.asarray((sums[high] - sums[low]) / (high - low), dtype=float)


def _recording(placed: Placed) -> list[Cause]:
    flat = np.ones(placed.pressure.shape)
    found = []
    if placed.order.size > 1:
        ramp = placed.order.argsort().argsort() / (placed.order.size - 1) - 0.5
        source = f"{DRIFT_DB:g} dB from first to last, coils and microphone, which no loop-back sees"
        found.append(Cause(name="drift", source=source, pull_db=DRIFT_DB * ramp[:, None] * flat))
    upright = placed.on("vertical")
    if upright.any() and not upright.all():
        source = f"{ORBIT_GAIN_DB:g} dB between the orbits"
        pull = np.where(upright, ORBIT_GAIN_DB, 0.0)[:, None] * flat
        found.append(Cause(name="gain between the orbits", source=source, pull_db=pull))
    return found


@dataclass(frozen=True, slots=True, eq=False)
class Turn:
    """What a turn by so many degrees changes in every level, (D, F) [dB]: pull_db changes its sign with the turn,
    bend_db is the same either way."""

    pull_db: FloatArray
    bend_db: FloatArray


def turned(placed: Placed, orbit: Orbit, by_deg: float | FloatArray) -> Turn:
    """Levels on an orbit by polynomials through each angle and its neighbors; none off it. by_deg : one turn, or (D,).

    Two neighbors on both sides, one where a second is farther than 30 degrees, a line where one side has none. Through
    the pressures, turned to one phase, up to 2.5 kHz, and through the levels from 5 kHz on, where the microphone's own
    place blurs the phase. Slopes read from levels 10 degrees away fall short between the lobes of two drivers: on 24
    simulated loudspeakers (takes 3 mm off their places) a degree's turn above and below the front is told within
    0.02 dB rms from 0.8 to 3 kHz in place of 0.12.
    """
    level = placed.level_db
    pull, bend = np.zeros_like(level), np.zeros_like(level)
    turns = np.broadcast_to(by_deg, len(level))
    rows, angles = on_orbit(placed.directions, orbit)
    share = np.clip(np.log(placed.hz / _PHASE_HZ[0]) / np.log(_PHASE_HZ[1] / _PHASE_HZ[0]), 0.0, 1.0)
    for here, row in enumerate(rows):
        near = _neighbors(angles, here)
        if near.size < 2:
            continue
        away = np.mod(angles[near] - angles[here] + 180.0, 360.0) - 180.0
        weights = np.array([_lagrange(away, turns[row]), _lagrange(away, -turns[row])])
        ends = share * (weights @ level[rows[near]]) + (1 - share) * _levels_db(
            weights @ _in_phase(placed.pressure[rows[near]], away)
        )
        pull[row] = (ends[0] - ends[1]) / 2
        bend[row] = (ends[0] + ends[1]) / 2 - level[row]
    return Turn(pull, bend)


def _in_phase(pressure: ComplexArray, away_deg: FloatArray) -> ComplexArray:
    """(N, F) without the phase that runs evenly over the angle."""
    order = np.argsort(away_deg)
    along = pressure[order]
    turn = np.angle((along[1:] * along[:-1].conj()).sum(axis=0)) / np.diff(away_deg[order]).mean()
    return np.asarray(pressure * np.exp(-1j * np.multiply.outer(away_deg, turn)))


def _levels_db(pressure: ComplexArray) -> FloatArray:
    return np.asarray(20.0 * np.log10(np.maximum(np.abs(pressure), 1e-300)), dtype=float)


def _neighbors(angles: FloatArray, here: int) -> IntArray:
    """Places of the angle itself and of up to two on both sides of the circle, alike on both where both have some."""
    count = angles.size
    sides: list[list[int]] = []
    for way in (1, -1):
        side: list[int] = []
        last = here
        for step in (1, 2):
            place = (here + way * step) % count
            gap = float(np.mod(way * (angles[place] - angles[last]), 360.0))
            if not _SAME_DEG < gap <= WIDEST_STEP_DEG or place == here:
                break
            side.append(place)
            last = place
        sides.append(side)
    most = min(len(side) for side in sides) or 1
    return np.array([here, *sides[0][:most], *sides[1][:most]])


def _lagrange(nodes: FloatArray, x: float) -> FloatArray:
    """(N,) weights of the polynomial through N nodes at x (handbook formula)."""
    away = nodes[:, None] - nodes + np.eye(nodes.size)
    over = np.where(np.eye(nodes.size, dtype=bool), 1.0, (x - nodes) / away)
    return np.asarray(over.prod(axis=1), dtype=float)


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
    ahead, level = placed.directions.unit_vectors()[:, 0], placed.level_db
    front = np.maximum(ahead, 0.0)[:, None] ** 2
    below = np.clip(level[int(np.argmax(ahead))] - level, 0.0, 14.0)
    u = effect.error_db / _RECTANGULAR
    source = f"2 D^2 / lambda, D = {effect.size_m:.2f} m"
    return (
        Cause(name="finite distance", source=source, pull_db=_clipped(u * front)),
        Cause(name="finite distance, each direction", source=source, pull_db=_clipped(u / 2 * 10 ** (below / 20)),
              each=True),
    )  # fmt: skip
