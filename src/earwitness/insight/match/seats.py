"""Seats and loudspeakers in a room: angles, direct sound from seat to seat, aims, and the level at each seat.

Trigonometry and the distance law; reflections take part only as a stated loss per decade of distance.

Direct sound in any direction, read between measured directions in dB. On an orbit: linear in dB against the angle
between the two nearest measured directions, at most 30 degrees apart. Off both orbits: the levels at the same angle
from the axis on the horizontal and the vertical orbit, weighted in dB with cos^2 and sin^2 of the roll angle (own
choice: exact on both orbits and for a source that is alike all around its axis).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from earwitness.errors import InputError
from earwitness.figures.registry import figure_infos
from earwitness.files.data import worded
from earwitness.quantities import BoolArray, Curve, DirectionalResponse, Figure, FloatArray, Orbit, on_orbit
from earwitness.session.room_plan import PlacedLoudspeaker, RoomPlan, Seat

WIDEST_GAP_DEG = 30.0
MEASURED, INTERPOLATED, ESTIMATED = "measured", "interpolated", "estimated from two orbits"
_SAME_DEG = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class DirectLevel:
    """Level (F,) [dB at 1 m, 2.83 V] in a direction, its own u_db (F,), valid (F,), and how it was had."""

    level_db: FloatArray
    u_db: FloatArray
    valid: BoolArray
    how: str


@dataclass(frozen=True, slots=True, eq=False)
class Orbits:
    """Levels of the measured directions of both orbits. angle_deg : rising (A,); level_db, u_db, valid : (A, F)."""

    response: DirectionalResponse
    angle_deg: dict[Orbit, FloatArray]
    level_db: dict[Orbit, FloatArray]
    u_db: dict[Orbit, FloatArray]
    valid: dict[Orbit, BoolArray]


def orbits_of(response: DirectionalResponse) -> Orbits:
    """The two orbits of a response, closed over 180 degrees. InputError where the reference axis was not measured."""
    found = Orbits(response, {}, {}, {}, {})
    level, apart = response.level_db(), response.u_apart_db()
    level = np.where(np.isfinite(level), level, -300.0)
    names: tuple[Orbit, Orbit] = ("horizontal", "vertical")
    for orbit in names:
        rows, angle = on_orbit(response.directions, orbit)
        angle, first = np.unique(np.round(angle, 6), return_index=True)
        rows = rows[first]
        if angle.size and angle[-1] > 180.0 - _SAME_DEG:
            angle, rows = np.concatenate([[-180.0], angle]), np.concatenate([rows[-1:], rows])
        found.angle_deg[orbit] = angle
        found.level_db[orbit], found.u_db[orbit] = level[rows], apart[rows]
        found.valid[orbit] = response.valid[rows]
    if not any((np.abs(found.angle_deg[orbit]) < _SAME_DEG).any() for orbit in names):
        raise InputError("the reference axis was not measured", remedy="measure 0 degrees")
    return found


def _on_orbit(orbits: Orbits, orbit: Orbit, angle_deg: float) -> DirectLevel | None:
    """Level at an orbit angle, or None outside the measured angles or in too wide a gap."""
    known = orbits.angle_deg[orbit]
    if not known.size or angle_deg < known[0] - _SAME_DEG or angle_deg > known[-1] + _SAME_DEG:
        return None
    near = int(np.argmin(np.abs(known - angle_deg)))
    level, u, valid = orbits.level_db[orbit], orbits.u_db[orbit], orbits.valid[orbit]
    if abs(known[near] - angle_deg) <= _SAME_DEG:
        return DirectLevel(level[near], u[near], valid[near], MEASURED)
    right = int(np.searchsorted(known, angle_deg))
    left = right - 1
    gap = known[right] - known[left]
    if gap > WIDEST_GAP_DEG + _SAME_DEG:
        return None
    part = (angle_deg - known[left]) / gap
    own = np.hypot((1.0 - part) * u[left], part * u[right])
    return DirectLevel(
        (1.0 - part) * level[left] + part * level[right],
        np.hypot(own, 0.5 * part * (1.0 - part) * _bend(known, level, left)),
        valid[left] & valid[right],
        INTERPOLATED,
    )


def _bend(known: FloatArray, level: FloatArray, left: int) -> FloatArray:
    """(F,) larger of both second differences about the gap from row `left` [dB]; p (1 - p) / 2 of it is what a straight
    line misses of a parabola, taken as standard uncertainty. Neighbors are taken to be as far apart as the gap is wide.
    """
    bend = np.zeros(level.shape[1])
    for middle in (left, left + 1):
        if 0 < middle < known.size - 1:
            bend = np.maximum(bend, np.abs(level[middle - 1] - 2.0 * level[middle] + level[middle + 1]))
    return bend


def sound_toward(orbits: Orbits, azimuth_deg: float, elevation_deg: float) -> DirectLevel | None:
    """Direct sound toward AES69 azimuth and elevation [deg], or None where the measured directions do not give it."""
    a, e = np.radians(azimuth_deg), np.radians(elevation_deg)
    x, y, z = np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)
    away = float(np.degrees(np.arctan2(np.hypot(y, z), x)))
    if away <= _SAME_DEG or abs(z) < 1e-6:
        return _on_orbit(orbits, "horizontal", away if y >= 0.0 else -away) or (
            _on_orbit(orbits, "vertical", 0.0) if away <= _SAME_DEG else None
        )
    if abs(y) < 1e-6:
        return _on_orbit(orbits, "vertical", away if z >= 0.0 else -away)
    across = _on_orbit(orbits, "horizontal", away if y >= 0.0 else -away)
    upright = _on_orbit(orbits, "vertical", away if z >= 0.0 else -away)
    if across is None or upright is None:
        return None
    share = float(y * y / (y * y + z * z))
    own = np.hypot(share * across.u_db, (1.0 - share) * upright.u_db)
    # Between the orbits the level is known to lie somewhere about both: rectangular, widest midway.
    doubt = 2.0 * share * (1.0 - share) * np.abs(across.level_db - upright.level_db) / np.sqrt(3.0)
    return DirectLevel(
        share * across.level_db + (1.0 - share) * upright.level_db,
        np.hypot(own, doubt),
        across.valid & upright.valid,
        ESTIMATED,
    )


SPREAD_BAND_HZ = (500.0, 10_000.0)
TURNS_DEG = tuple(float(turn) for turn in range(-40, 45, 5))
CINEMA_DB, CINEMA_PEAK_DB = 85.0, 20.0
SINE_PEAK_DB = 10.0 * math.log10(2.0)
_BAND = "500 Hz to 10 kHz"
SEAT_FIGURES = figure_infos("seats")
INFO = {info.key: info for info in SEAT_FIGURES}


SMALLEST_MARGIN_DB = 0.1
"""A smaller advantage of one aim over another is none (own choice, as in the study of aims)."""


@dataclass(frozen=True, slots=True)
class SeatAngle:
    """A seat as a loudspeaker sees it, AES69: azimuth positive to its left, elevation positive upward [deg].

    off_axis_deg : from the reference axis; distance_m : between reference point and ears
    """

    loudspeaker: str
    seat: str
    row: int
    distance_m: float
    azimuth_deg: float
    elevation_deg: float
    off_axis_deg: float


@dataclass(frozen=True, slots=True, eq=False)
class SeatSpread:
    """How the direct sound of one loudspeaker differs between seats.

    levels : by seat, direct sound relative to the mean of all seats, distance taken out; between_seats,
    between_rows : standard deviation over frequency; how : by seat, "measured", "interpolated", ...; left_out : seats
    outside the measured directions
    """

    loudspeaker: str
    levels: dict[str, Curve]
    between_seats: Curve | None
    between_rows: Curve | None
    figures: dict[str, Figure]
    how: dict[str, str]
    left_out: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SeatAim:
    """One aim. turn_deg : from the middle of all seats, positive to the loudspeaker's left.

    spread_db : between seats with distance in; tone_db : of the seats' mean about its straight line; cost_db : root of
    the sum of both squares; u_db : standard uncertainty of the cost
    """

    turn_deg: float
    spread_db: float
    tone_db: float
    cost_db: float
    u_db: float


@dataclass(frozen=True, slots=True)
class AimAdvice:
    """Aims of one loudspeaker, by turn; best : advised; clear : its lead over the worst exceeds 0.1 dB and twice u."""

    loudspeaker: str
    aims: tuple[SeatAim, ...]
    best: SeatAim
    aim_azimuth_deg: float
    clear: bool
    sentence: str


def aim_angles_deg(one: PlacedLoudspeaker) -> tuple[float, float]:
    """Azimuth and elevation of the reference axis in the room [deg]."""
    if one.aim_at_m is None:
        return one.azimuth_deg or 0.0, one.elevation_deg or 0.0
    return _angles(np.subtract(one.aim_at_m, one.position_m))


def _angles(vector: FloatArray) -> tuple[float, float]:
    x, y, z = (float(part) for part in vector)
    return math.degrees(math.atan2(y, x)), math.degrees(math.atan2(z, math.hypot(x, y)))


def seen_from(vector_m: FloatArray, azimuth_deg: float, elevation_deg: float) -> tuple[float, float, float]:
    """Azimuth, elevation, angle from the axis [deg] of a room vector (3,) for a loudspeaker aimed there, no roll.

    The room vector is turned by -azimuth about z, then by +elevation about the loudspeaker's y axis.
    """
    a, e = math.radians(azimuth_deg), math.radians(elevation_deg)
    x, y, z = (float(part) for part in vector_m)
    forward, left = math.cos(a) * x + math.sin(a) * y, -math.sin(a) * x + math.cos(a) * y
    along, up = math.cos(e) * forward + math.sin(e) * z, -math.sin(e) * forward + math.cos(e) * z
    azimuth, elevation = _angles(np.array([along, left, up]))
    return azimuth, elevation, math.degrees(math.atan2(math.hypot(left, up), along))


def seat_angles(plan: RoomPlan) -> tuple[SeatAngle, ...]:
    """Every seat from every loudspeaker, loudspeakers first."""
    return tuple(_seat_angle(one, seat, *aim_angles_deg(one)) for one in plan.loudspeakers for seat in plan.seats)


def _seat_angle(one: PlacedLoudspeaker, seat: Seat, azimuth_deg: float, elevation_deg: float) -> SeatAngle:
    vector = np.subtract(seat.position_m, one.position_m)
    azimuth, elevation, away = seen_from(vector, azimuth_deg, elevation_deg)
    return SeatAngle(one.name, seat.name, seat.row, float(np.linalg.norm(vector)), azimuth, elevation, away)


def vertical_window(angles: Sequence[SeatAngle]) -> dict[str, Figure]:
    """By loudspeaker: largest minus smallest vertical angle over all seats, with both rows' angles as caveat."""
    found = {}
    for name in dict.fromkeys(one.loudspeaker for one in angles):
        seats = [one for one in angles if one.loudspeaker == name]
        low, high = (pick(seats, key=lambda one: one.elevation_deg) for pick in (min, max))
        # Adding 0 takes the sign off a zero.
        ends = [round(one.elevation_deg, 1) + 0.0 for one in (low, high)]
        note = f"from {ends[0]:+.1f} degrees at {low.seat} to {ends[1]:+.1f} degrees at {high.seat}"
        width = high.elevation_deg - low.elevation_deg
        found[name] = INFO["vertical_window"].asked().judged(width, 0.0, note, "positions taken as exact")
    return found


def seat_spread(response: DirectionalResponse, plan: RoomPlan) -> dict[str, SeatSpread]:
    """By loudspeaker: direct sound from seat to seat and row to row. InputError without a reference axis."""
    orbits = orbits_of(response)
    return {one.name: _spread(orbits, plan, one) for one in plan.loudspeakers}


def _spread(orbits: Orbits, plan: RoomPlan, one: PlacedLoudspeaker) -> SeatSpread:
    aim = aim_angles_deg(one)
    angles = {seat.name: _seat_angle(one, seat, *aim) for seat in plan.seats}
    heard = {name: sound_toward(orbits, a.azimuth_deg, a.elevation_deg) for name, a in angles.items()}
    sounds = {name: sound for name, sound in heard.items() if sound is not None}
    left_out = tuple(name for name, sound in heard.items() if sound is None)
    if not sounds:
        why = "no seat lies inside the measured directions"
        refused = {key: INFO[key].refused(why) for key in ("seat_spread", "row_spread")}
        return SeatSpread(
            one.name, {}, between_seats=None, between_rows=None, figures=refused, how={}, left_out=left_out
        )
    rows = {seat.name: seat.row for seat in plan.seats}
    levels = np.array([sound.level_db for sound in sounds.values()])
    u = np.array([sound.u_db for sound in sounds.values()])
    valid = np.all([sound.valid for sound in sounds.values()], axis=0)
    relative = levels - levels.mean(axis=0)
    axis, lineage = orbits.response.axis, orbits.response.lineage

    def curve(key: str, name: str, values: FloatArray, u_db: FloatArray) -> Curve:
        return Curve.of(
            key, name, axis, values, valid, u=u_db, reference="dB against the mean of all seats", lineage=lineage
        )

    curves = {name: curve(f"seat_{number}", name, relative[number], u[number]) for number, name in enumerate(sounds)}
    of_rows = np.array([rows[name] for name in sounds])
    means = np.array([levels[of_rows == row].mean(axis=0) for row in np.unique(of_rows)])
    u_mean = np.sqrt((u**2).mean(axis=0) / len(sounds))
    seats = curve("between_seats", "between seats", levels.std(axis=0), u_mean) if len(sounds) > 1 else None
    lines = curve("between_rows", "between rows", means.std(axis=0), u_mean) if len(means) > 1 else None
    how = {name: sound.how for name, sound in sounds.items()}
    figures = {
        "seat_spread": _rms(
            "seat_spread", seats, "there is only one seat inside the measured directions", how, left_out
        ),
        "row_spread": _rms("row_spread", lines, "there is only one row inside the measured directions", how, left_out),
    }
    return SeatSpread(one.name, curves, seats, between_rows=lines, figures=figures, how=how, left_out=left_out)


def _rms(key: str, curve: Curve | None, alone: str, how: dict[str, str], left_out: tuple[str, ...]) -> Figure:
    if curve is None:
        return INFO[key].refused(alone)
    rows = (curve.axis.hz >= SPREAD_BAND_HZ[0]) & (curve.axis.hz <= SPREAD_BAND_HZ[1])
    if not rows.any() or not curve.valid[rows].all():
        return INFO[key].refused(f"the direct sound is not known over {_BAND} at every seat")
    value = float(np.sqrt(np.mean(curve.values[rows] ** 2)))
    u = float(np.sqrt(np.mean(curve.u[rows] ** 2)))
    notes = [f"{name}: {word}" for name, word in how.items() if word != "measured"]
    notes += [f"{name}: outside the measured directions, left out" for name in left_out]
    return INFO[key].asked(curve.lineage, SPREAD_BAND_HZ).judged(value, u, *notes)


def best_aims(
    response: DirectionalResponse, plan: RoomPlan, *, turns_deg: Sequence[float] = TURNS_DEG
) -> dict[str, AimAdvice | str]:
    """By loudspeaker: the aim that serves the seats best, or why none can be given.

    turns_deg : from the direction to the middle of all seats. Own rule: least root of the sum of squares of the
    spread between seats (with distance, so that an aim may make up for nearness) and of the mean's deviation from a
    straight line over log frequency, 500 Hz to 10 kHz; of aims alike within the uncertainty the one nearest to the
    middle of the seats. Aims that leave a seat outside the measured directions drop out.
    """
    orbits = orbits_of(response)
    return {one.name: _best_aim(orbits, plan, one, turns_deg) for one in plan.loudspeakers}


def _best_aim(
    orbits: Orbits, plan: RoomPlan, one: PlacedLoudspeaker, turns_deg: Sequence[float]
) -> AimAdvice | str:  # fmt: skip
    middle = np.mean([seat.position_m for seat in plan.seats], axis=0)
    toward, _ = _angles(np.subtract(middle, one.position_m))
    _, elevation = aim_angles_deg(one)
    aims = []
    is_seen = False
    for turn in turns_deg:
        angles = [_seat_angle(one, seat, toward + turn, elevation) for seat in plan.seats]
        sounds = [sound_toward(orbits, a.azimuth_deg, a.elevation_deg) for a in angles]
        known = [sound for sound in sounds if sound is not None]
        if len(known) == len(angles):
            is_seen = True
            aim = _judged_aim(orbits, turn, angles, known)
            if aim is not None:
                aims.append(aim)
    if not aims:
        why = (
            f"the direct sound is not known over {_BAND}"
            if is_seen
            else "none keeps every seat inside the measured directions"
        )
        return f"{one.name}: no aim can be judged, {why}"
    least = min(aims, key=lambda aim: aim.cost_db)
    alike = [
        aim
        for aim in aims
        if aim.cost_db - least.cost_db <= max(2.0 * math.hypot(aim.u_db, least.u_db), SMALLEST_MARGIN_DB)
    ]
    best = min(alike, key=lambda aim: (abs(aim.turn_deg), aim.cost_db))
    worst = max(aims, key=lambda aim: aim.cost_db)
    doubt_db = max(2.0 * math.hypot(best.u_db, worst.u_db), SMALLEST_MARGIN_DB)
    clear = worst.cost_db - best.cost_db > doubt_db
    side = "the middle of the seats" if not best.turn_deg else (
        f"{abs(best.turn_deg):g} degrees to its {'left' if best.turn_deg > 0 else 'right'} of the middle of the seats"
    )  # fmt: skip
    if clear:
        sentence = worded("insight.aim_at", one=one, side=side, best=best, expanded_db=2.0 * best.u_db, worst=worst)
    else:
        # Up, so that what is printed holds.
        sentence = worded("insight.no_better_aim", one=one, doubt_db=math.ceil(10.0 * doubt_db) / 10.0)
    return AimAdvice(one.name, tuple(aims), best, toward + best.turn_deg, clear=clear, sentence=sentence)


def _judged_aim(orbits: Orbits, turn: float, angles: list[SeatAngle], sounds: list[DirectLevel]) -> SeatAim | None:
    hz = orbits.response.axis.hz
    rows = np.flatnonzero((hz >= SPREAD_BAND_HZ[0]) & (hz <= SPREAD_BAND_HZ[1]))
    if not rows.size or not all(sound.valid[rows].all() for sound in sounds):
        return None
    loss = np.array([20.0 * math.log10(angle.distance_m) for angle in angles])
    levels = np.array([sound.level_db[rows] for sound in sounds]) - loss[:, None]
    mean = levels.mean(axis=0)
    x = np.log2(hz[rows])
    line = np.polyval(np.polyfit(x, mean, 1), x)
    spread, tone = float(np.sqrt(np.mean(levels.var(axis=0)))), float(np.sqrt(np.mean((mean - line) ** 2)))
    u = float(np.sqrt(np.mean([sound.u_db[rows] ** 2 for sound in sounds]) / len(sounds)))
    return SeatAim(turn, spread, tone, math.hypot(spread, tone), u)


def seat_levels(
    sensitivity: Figure, plan: RoomPlan, *, voltage_v: float = 2.83, decade_db: float = 20.0
) -> dict[tuple[str, str], Figure]:
    """By (loudspeaker, seat): level of one loudspeaker on its axis [dB], S + 20 lg(V / 2.83) - D lg r.

    decade_db : 20 in free field (inverse distance); 10 to 15 in rooms (common practice, no source).
    InputError for a voltage not above 0.
    """
    if not (voltage_v > 0.0 and math.isfinite(voltage_v)):
        raise InputError(f"{voltage_v} V", expected="a voltage above 0", remedy="correct it")
    found: dict[tuple[str, str], Figure] = {}
    for angle in seat_angles(plan):
        place = (angle.loudspeaker, angle.seat)
        if sensitivity.value is None or sensitivity.u is None:
            found[place] = INFO["seat_level"].refused(f"sensitivity: {sensitivity.reason}")
            continue
        level = sensitivity.value + 20.0 * math.log10(voltage_v / 2.83) - decade_db * math.log10(angle.distance_m)
        note = f"{angle.distance_m:.2f} m, {decade_db:g} dB less over ten times the distance, {voltage_v:g} V"
        asked = INFO["seat_level"].asked(sensitivity.lineage, sensitivity.band_hz)
        found[place] = asked.judged(level, sensitivity.u, note)
    return found


def seat_headroom(
    highest_level: Figure,
    plan: RoomPlan,
    *,
    goal_db: float = CINEMA_DB,
    peak_db: float = CINEMA_PEAK_DB,
    decade_db: float = 20.0,
) -> dict[tuple[str, str], Figure]:
    """By (loudspeaker, seat): what is left [dB] at the goal, each loudspeaker playing one channel alone.

    highest_level : at 1 m, rms of a sine (highest clean level, or that with an amplifier). Default goal: 85 dB with 20
    dB of peaks, 105 dB peak of one channel (cinema reference as third parties give it; small rooms are often run 6
    to 10 dB lower, from memory).
    """
    found: dict[tuple[str, str], Figure] = {}
    info = INFO["seat_headroom"]
    for angle in seat_angles(plan):
        place = (angle.loudspeaker, angle.seat)
        if highest_level.value is None or highest_level.u is None:
            found[place] = info.refused(f"highest level: {highest_level.reason}")
            continue
        peak = highest_level.value + SINE_PEAK_DB - decade_db * math.log10(angle.distance_m)
        note = f"{peak:.1f} dB peak at {angle.distance_m:.2f} m for a goal of {goal_db + peak_db:g} dB peak"
        asked = info.asked(highest_level.lineage, highest_level.band_hz)
        left, bound = peak - goal_db - peak_db, highest_level.bound
        found[place] = asked.judged(left, highest_level.u, note, *highest_level.caveats, bound=bound)
    return found


def distance_sentences(angles: Sequence[SeatAngle]) -> tuple[str, ...]:
    """What distance alone takes away at the farthest seat, by loudspeaker: 20 lg of the ratio (free field)."""
    found = []
    for name in dict.fromkeys(one.loudspeaker for one in angles):
        mine = [one for one in angles if one.loudspeaker == name]
        near, far = min(mine, key=lambda s: s.distance_m), max(mine, key=lambda s: s.distance_m)
        lost = 20.0 * math.log10(far.distance_m / near.distance_m)
        if lost >= 0.1:
            found.append(f"{name}: distance alone makes {far.seat} {lost:.1f} dB quieter than {near.seat}.")
    return tuple(found)


def seat_sentences(
    windows: dict[str, Figure], spreads: dict[str, SeatSpread], headroom: dict[tuple[str, str], Figure] | None = None
) -> tuple[str, ...]:
    """What the seats get, one sentence a fact, each with its number and uncertainty."""
    found: list[str] = []
    for name, window in windows.items():
        found.append(f"{name}: vertical window {window.value:.1f} degrees, {window.caveats[0]}.")
    for name, spread in spreads.items():
        for key, words in (("seat_spread", "seats"), ("row_spread", "rows")):
            figure = spread.figures[key]
            if figure.value is not None and figure.u is not None:
                found.append(
                    worded("insight.seats_differ", name=name, figure=figure, expanded=2.0 * figure.u, words=words)
                )
    judged = {place: one for place, one in (headroom or {}).items() if one.value is not None}
    if judged:
        (speaker, seat), least = min(judged.items(), key=lambda item: item[1].judged_value)
        value, u = least.judged_value, least.judged_u
        size, clear = f"{value:+.1f} ± {2.0 * u:.1f} dB", abs(value) > 2.0 * u
        if least.bound == "at least" and clear and value < 0.0:
            told = f"up to {-value:.1f} ± {2.0 * u:.1f} dB short of the goal"
        else:
            way = "above the goal" if value > 0.0 else "below the goal"
            told = f"{least.bound} {size}, {way if clear else 'within the uncertainty of the goal'}".strip()
        found.append(f"Least headroom at {seat} from {speaker}: {told} ({least.caveats[0]}).")
    return tuple(found)
