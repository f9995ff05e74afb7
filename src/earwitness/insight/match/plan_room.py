"""What a room does on a plan: level of all loudspeakers at every seat, the walls near each, and modes in the bass.

Modes are the sum over those of a box with rigid walls and one damping, 3 ln 10 / T, closed in one dimension and
truncated in two. Real rooms with light walls and furniture move modes by several percent.

What walls, floor and desk near a loudspeaker do to its level: gain and interference by mirror images. Each image
radiates as the loudspeaker was measured to radiate toward the wall, level and phase, on its longer way: p / p_free = 1
+ sum of G^n B r / r' exp(-jk (r' - r)) (image theorem; B the measured ratio, G the wall's factor).
"""

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from earwitness.errors import InputError
from earwitness.figures.registry import figure_infos
from earwitness.figures.sensitivity import band_level
from earwitness.files.data import worded
from earwitness.insight.match import in_room, window
from earwitness.insight.match.seats import Orbits, aim_angles_deg, orbits_of, seat_angles, seen_from, sound_toward
from earwitness.insight.words import decibels
from earwitness.quantities import Curve, DirectionalResponse, Figure, FrequencyAxis, Reading, log_axis
from earwitness.quantities.arrays import ComplexArray, FloatArray, hz_words
from earwitness.session.room_plan import RoomPlan, RoomSize

Radiates = Callable[[float, float], ComplexArray]
"""Complex pressure (F,) toward azimuth and elevation [deg]."""
WALL_FACTOR: Final = 0.9
HIGH_HZ: Final = 500.0
DESK_HZ: Final = 4000.0
LIFT_HZ: Final = (30.0, 60.0)
TRIED_M: Final = (0.1, 0.2, 0.3, 0.5, 0.7, 1.0, 1.5, 2.0)
# Own choices: a distance is known within 5 cm, the wall's factor within 0.1; both evenly.


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
    source, seat, k = np.asarray(source_m), np.asarray(seat_m), 2.0 * np.pi * hz / in_room.SPEED_M_S
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
    near = np.where(np.isfinite(energy), window.third_octaves(hz, hz), 0.0)
    return np.asarray(10.0 * np.log10((near @ np.nan_to_num(energy)) / np.maximum(near.sum(axis=1), 1e-30)))


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
        found = pressure_gain(radiates, hz.hz, source + off["at"], seat, aim_deg=aim_deg, planes=planes, factor=factor)
        level = third_octaves_db(hz.hz, found)
        return np.concatenate([level, [level[hz.hz <= LIFT_HZ[1]].mean(), level.min()]])

    middle = gain_db({"at": np.zeros(3), "factor": np.zeros(())})
    u = in_room.perturbed(gain_db, {"at": np.full(3, _REACH_M), "factor": np.array(_REACH_FACTOR)})
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


BASS_HZ: Final = (20.0, 80.0)
_ORDERS: Final = 24
_PER_OCTAVE: Final = 20
# Each distance within 5 cm, the time within 20 %, each side of the room within 2 %, evenly (own choices).
_REACH_M, _REACH_FACTOR, _REACH_TIME, _REACH_SIDES = 0.05, 0.1, 0.2, 0.02
Size = tuple[float, float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """One way to place subwoofers, all driven alike, the sum of their signals the same for all layouts.

    spread_db : mean over frequency of the standard deviation between seats; uneven_db : standard deviation over
    frequency of the seats' energy mean; level_db : of that mean over one subwoofer in free field at 1 m; u : standard
    uncertainties of the three
    """

    name: str
    places_m: tuple[Size, ...]
    spread_db: float
    uneven_db: float
    level_db: float
    u: tuple[float, float, float]


def mode_hz(size_m: Size, orders: Sequence[int]) -> float:
    """c / 2 times the root of the summed squares of order over side."""
    return in_room.SPEED_M_S / 2.0 * math.hypot(*(n / side for n, side in zip(orders, size_m, strict=True)))


def modes_below(size_m: Size, high_hz: float) -> tuple[tuple[float, tuple[int, int, int]], ...]:
    """Every mode up to high_hz with its orders, from the lowest."""
    ranges = [range(int(2.0 * high_hz * side / in_room.SPEED_M_S) + 1) for side in size_m]
    every = [(mode_hz(size_m, n), (n[0], n[1], n[2])) for n in itertools.product(*ranges) if any(n)]
    return tuple(sorted(one for one in every if one[0] <= high_hz))


def transfer(
    size_m: FloatArray, sources_m: FloatArray, seats_m: FloatArray, hz: FloatArray, decay_s: float,
    orders: int = _ORDERS,
) -> ComplexArray:  # fmt: skip
    """(S, R, F) pressure of each source (S, 3) at each seat (R, 3), over that of the same volume velocity at 1 m in
    free field, for exp(+j omega t)."""
    (length, width, height), n = size_m, np.arange(orders)
    wave = 2.0 * np.pi * hz / in_room.SPEED_M_S - 3.0j * math.log(10.0) / decay_s / in_room.SPEED_M_S
    across = (np.pi * n / width)[:, None] ** 2 + (np.pi * n / height) ** 2
    root = np.sqrt(across[:, :, None] - wave**2)
    both = np.where(n == 0, 1.0, 2.0)
    weight = both[:, None] * both / (width * height)

    def shapes(at: FloatArray) -> FloatArray:
        y, z = (np.cos(np.pi * n * at[:, i, None] / side) for i, side in ((1, width), (2, height)))
        return np.asarray(y[:, :, None] * z[:, None, :])

    of_sources, of_seats = shapes(sources_m), shapes(seats_m)
    found = np.empty((len(sources_m), len(seats_m), hz.size), dtype=np.complex128)
    ends = root * (1.0 - np.exp(-2.0 * root * length))
    for s, r in itertools.product(range(len(sources_m)), range(len(seats_m))):
        near, far = sorted((float(sources_m[s, 0]), float(seats_m[r, 0])))
        # cosh(g near) cosh(g (L - far)) / (g sinh(g L)) without numbers that overflow.
        along = np.exp(-root * (far - near)) * (1.0 + np.exp(-2.0 * root * near))
        along = along * (1.0 + np.exp(-2.0 * root * (length - far))) / (2.0 * ends)
        found[s, r] = np.einsum("mn,mnf->f", weight * of_sources[s] * of_seats[r], along)
    return 4.0 * np.pi * found


def usual_layouts(size_m: Size) -> dict[str, tuple[Size, ...]]:
    """Places that are tried against each other, 0.3 m off the walls."""
    a, b, d = size_m[0], size_m[1], min(0.3, min(size_m) / 4.0)
    corners = ((d, d, d), (d, b - d, d), (a - d, d, d), (a - d, b - d, d))
    return {
        "one in a corner": corners[:1],
        "one at the middle of the front wall": ((d, b / 2.0, d),),
        "two at the middles of front and back wall": ((d, b / 2.0, d), (a - d, b / 2.0, d)),
        "four in the corners": corners,
    }


def layouts(
    size_m: Size, decay_s: float, seats_m: Sequence[Size], tried: Mapping[str, Sequence[Size]]
) -> tuple[Layout, ...]:
    """Mean and spread over the seats of every layout, with u, from 20 Hz to 80 Hz: the least spread first."""
    axis = log_axis(*BASS_HZ, _PER_OCTAVE)
    found = []
    for name, places in tried.items():

        def seen(off: dict[str, FloatArray], given: Sequence[Size] = places) -> FloatArray:
            size = np.asarray(size_m) * (1.0 + off["sides"])
            at, ears = (
                np.clip(np.asarray(one) + off[key], 0.0, size) for one, key in ((given, "sources"), (seats_m, "seats"))
            )
            pressure = transfer(size, at, ears, axis.hz, decay_s * (1.0 + float(off["time"]))).mean(axis=0)
            return _told(pressure)

        reach = {
            "sides": np.full(3, _REACH_SIDES),
            "time": np.array(_REACH_TIME),
            "sources": np.full((len(places), 3), _REACH_M),
            "seats": np.full((len(seats_m), 3), _REACH_M),
        }
        middle, u = seen({key: np.zeros(far.shape) for key, far in reach.items()}), in_room.perturbed(seen, reach)
        spread, uneven, level = (float(one) for one in middle)
        found.append(Layout(name, tuple(places), spread, uneven, level, u=(float(u[0]), float(u[1]), float(u[2]))))
    return tuple(sorted(found, key=lambda one: one.spread_db))


def _told(pressure: ComplexArray) -> FloatArray:
    """Spread, unevenness and level (3,) [dB] of pressure (R, F)."""
    energy = np.abs(pressure) ** 2
    spread = (10.0 * np.log10(energy)).std(axis=0, ddof=1).mean() if len(energy) > 1 else 0.0
    return np.array([spread, (10.0 * np.log10(energy.mean(axis=0))).std(ddof=1), 10.0 * np.log10(energy.mean())])


_ROWS: Final = {row.key: row for row in figure_infos("plan")}
_MODES_TOLD: Final = 4
ANY_DECAY_S: Final = 0.4


@dataclass(frozen=True, slots=True, eq=False)
class PlanRoom:
    """levels : by seat and kind, "one" in free field (the loudest of them), "all" in the room, "clean" and "amplifier"
    what all reach there; boundaries : by loudspeaker, or why not; layouts : of subwoofers, the evenest first."""

    room: in_room.ListeningRoom
    levels: Mapping[str, Mapping[str, Figure]]
    boundaries: Mapping[str, Boundary | str]
    layouts: tuple[Layout, ...]
    sentences: tuple[str, ...]


def enclosed_by(size: RoomSize, decay_s: float | None = None, absorption: float | None = None) -> in_room.ListeningRoom:
    """The room of a plan: its own reverberation time or absorption, else the ones given, else 0.4 s (own choice, a
    furnished living room, always said)."""
    if size.reverberation_s is not None or size.absorption is not None:
        decay_s, absorption = size.reverberation_s, size.absorption
    if decay_s is None and absorption is None:
        decay_s = ANY_DECAY_S
    floor = size.length_m * size.width_m
    return in_room.ListeningRoom(floor, size.height_m, decay_s, absorption, size.length_m / size.width_m)


def plan_room(
    reading: Reading, response: DirectionalResponse, plan: RoomPlan, room: in_room.ListeningRoom,
    reaches: Mapping[str, Figure],
) -> PlanRoom:  # fmt: skip
    """All answers on a plan whose room has a size. reaches : "clean" and "amplifier", highest levels at 1 m.

    InputError where the plan states no size, or the sensitivity or the sound power is not known.
    """
    size = plan.room
    sensitivity, curve = reading.figures.get("sensitivity"), reading.curves.get("sound_power")
    power = None if curve is None else band_level(curve, key="power")
    if size is None or sensitivity is None or sensitivity.value is None or power is None or power.value is None:
        raise InputError("the room needs its size, the level on axis and the sound power, both from 300 Hz to 3 kHz")
    levels = _levels(sensitivity, (power.value, power.judged_u), response, plan=plan, room=room, reaches=reaches)
    near: dict[str, Boundary | str] = {}
    seat = plan.seats[0]
    for one in plan.loudspeakers:
        try:
            planes = near_planes(size.sides_m, one.position_m)
            near[one.name] = boundary(response, one.position_m, seat.position_m, planes, aim_deg=aim_angles_deg(one))
        except InputError as error:
            near[one.name] = error.what
    tried = dict(usual_layouts(size.sides_m))
    if plan.subwoofers:
        tried = {"as planned": tuple(one.position_m for one in plan.subwoofers), **tried}
    found = layouts(size.sides_m, room.decay_s, [one.position_m for one in plan.seats], tried)
    said = (
        *_level_words(levels, room, len(plan.loudspeakers)),
        *_near_words(near, seat.name),
        *_mode_words(found, plan, room),
    )
    return PlanRoom(room, levels, near, found, said)


def level_toward(orbits: Orbits, at: tuple[float, float], band: tuple[float, float]) -> Figure:
    """Band level toward azimuth and elevation, of what was measured or lies between."""
    sound = sound_toward(orbits, *at)
    response = orbits.response
    if sound is None:
        return _ROWS["plan_level"].refused("a seat lies outside the measured directions")
    name, lineage = "the sound toward the seat", response.lineage
    curve = Curve.of("toward", name, response.axis, sound.level_db, sound.valid, u=sound.u_db, lineage=lineage)
    return band_level(curve, band_hz=band, key="toward")


def _levels(
    sensitivity: Figure, power: tuple[float, float], response: DirectionalResponse, plan: RoomPlan,
    room: in_room.ListeningRoom, reaches: Mapping[str, Figure],
) -> dict[str, dict[str, Figure]]:  # fmt: skip
    orbits, band, row = orbits_of(response), sensitivity.band_hz or (300.0, 3000.0), _ROWS["plan_level"]
    found: dict[str, dict[str, Figure]] = {}
    angles = seat_angles(plan)
    for seat in plan.seats:
        mine = [one for one in angles if one.seat == seat.name]
        toward = [level_toward(orbits, (one.azimuth_deg, one.elevation_deg), band) for one in mine]
        away = next((one for one in toward if one.value is None), None)
        if away is not None:
            found[seat.name] = {"all": row.refused(away.reason)}
            continue
        # The level on axis is what the session's calibration holds; directions share its error.
        known = [(one.judged_value, math.hypot(sensitivity.judged_u, one.judged_u)) for one in toward]
        distances = [one.distance_m for one in mine]
        level, u_db = in_room.level_of_set(known, power, room, distances)
        # Over the level at 1 m on axis; what that has in common with all directions is in the highest level already.
        own = [(one.judged_value, one.judged_u) for one in toward]
        u_more = in_room.level_of_set(own, (power[0], abs(power[1] - sensitivity.judged_u)), room, distances)[1]
        free = max(value - 20.0 * math.log10(r) for (value, _), r in zip(known, distances, strict=True))
        shared = in_room.causes_of_set(known, power, room, distances)
        made = replace(row.asked(sensitivity.lineage, band).judged(level, u_db), shared=shared)
        direct = (("level", sensitivity.judged_u),)
        found[seat.name] = {"one": replace(made, value=free, u=sensitivity.u, shared=direct), "all": made}
        for key, most in reaches.items():
            if most.value is not None:
                at, u_at = most.value + level - sensitivity.judged_value, math.hypot(most.judged_u, u_more)
                found[seat.name][key] = replace(made, value=at, u=u_at, bound=most.bound, band_hz=most.band_hz)
    return found


def _level_words(
    levels: Mapping[str, Mapping[str, Figure]], room: in_room.ListeningRoom, count: int
) -> tuple[str, ...]:  # fmt: skip
    judged = {seat: one["all"] for seat, one in levels.items() if one["all"].value is not None}
    if not judged:
        return ("No seat's level in the room is known: " + next(iter(levels.values()))["all"].reason + ".",)
    seats = sorted(judged, key=lambda seat: judged[seat].judged_value)
    seats = list(dict.fromkeys((seats[0], seats[-1])))
    told = "; ".join(f"{decibels(judged[seat].judged_value, judged[seat].judged_u)} dB at {seat}" for seat in seats)
    given = f"{room.reverberation_s:g} s" if room.absorption is None else f"a mean absorption of {room.absorption:g}"
    who, one = "One loudspeaker" if count == 1 else f"{count} loudspeakers", levels[seats[0]]["one"]
    free = decibels(one.judged_value, one.judged_u)
    said = [worded("insight.set_in_room", given=given, who=who, told=told, free=free, seat=seats[0])]
    for key, words in (("clean", "cleanly up to"), ("amplifier", "with this amplifier up to")):
        most = levels[seats[0]].get(key)
        if most is not None:
            told = f"{most.bound} {decibels(most.judged_value, most.judged_u)} dB".strip()
            said.append(f"{'They play' if count > 1 else 'It plays'} {words} {told} at {seats[0]}.")
    return tuple(said)


def _near_words(near: Mapping[str, Boundary | str], seat: str) -> list[str]:
    return [
        f"{name}, walls near it: {one}."
        if isinstance(one, str)
        else boundary_words(f"{name}, walls and floor near it, at {seat}", one)
        for name, one in near.items()
    ]


def _mode_words(found: Sequence[Layout], plan: RoomPlan, room: in_room.ListeningRoom) -> list[str]:
    """Lowest modes, the evenest layout, and the one planned against it: what evenness costs in level."""
    size = plan.room.sides_m if plan.room is not None else (1.0, 1.0, 1.0)
    modes = ", ".join(f"{hz:.1f}" for hz, _ in modes_below(size, BASS_HZ[1])[:_MODES_TOLD])
    from_hz = in_room.schroeder_hz(room.volume_m3, room.decay_s)
    said = [worded("insight.room_modes", modes=modes or "none", from_hz=from_hz)]
    best, loudest = found[0], max(found, key=lambda one: one.level_db)
    for one in dict.fromkeys((*(one for one in found if one.name == "as planned"), best)):
        spread, uneven = decibels(one.spread_db, one.u[0]), decibels(one.uneven_db, one.u[1])
        lost = decibels(loudest.level_db - one.level_db, math.hypot(one.u[2], loudest.u[2]))
        said.append(
            worded("insight.subwoofer_layout", one=one, spread=spread, uneven=uneven, lost=lost, loudest=loudest.name)
        )
    return said
