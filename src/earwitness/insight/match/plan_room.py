"""What a room does on a plan: level of all loudspeakers at every seat, the walls near each, and modes in the bass."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from earwitness.errors import InputError
from earwitness.figures.info import figure_infos
from earwitness.figures.sensitivity import band_level
from earwitness.files.data import worded
from earwitness.insight.match.boundaries import Boundary, boundary, boundary_words, near_planes
from earwitness.insight.match.in_room import ListeningRoom, causes_of_set, level_of_set
from earwitness.insight.match.modes import BASS_HZ, Layout, layouts, modes_below, usual_layouts
from earwitness.insight.match.off_axis import Orbits, orbits_of, sound_toward
from earwitness.insight.match.places import schroeder_hz
from earwitness.insight.match.seats import aim_angles_deg, seat_angles
from earwitness.insight.spread import decibels
from earwitness.quantities import Curve, DirectionalResponse, Figure, Reading
from earwitness.session.room_plan import RoomPlan, RoomSize

_ROWS: Final = {row.key: row for row in figure_infos("plan")}
_MODES_TOLD: Final = 4
ANY_DECAY_S: Final = 0.4


@dataclass(frozen=True, slots=True, eq=False)
class PlanRoom:
    """levels : by seat and kind, "one" in free field (the loudest of them), "all" in the room, "clean" and "amplifier"
    what all reach there; boundaries : by loudspeaker, or why not; layouts : of subwoofers, the evenest first."""

    room: ListeningRoom
    levels: Mapping[str, Mapping[str, Figure]]
    boundaries: Mapping[str, Boundary | str]
    layouts: tuple[Layout, ...]
    sentences: tuple[str, ...]


def enclosed_by(size: RoomSize, decay_s: float | None = None, absorption: float | None = None) -> ListeningRoom:
    """The room of a plan: its own reverberation time or absorption, else the ones given, else 0.4 s (own choice, a
    furnished living room, always said)."""
    if size.reverberation_s is not None or size.absorption is not None:
        decay_s, absorption = size.reverberation_s, size.absorption
    if decay_s is None and absorption is None:
        decay_s = ANY_DECAY_S
    floor = size.length_m * size.width_m
    return ListeningRoom(floor, size.height_m, decay_s, absorption, size.length_m / size.width_m)


def plan_room(
    reading: Reading, response: DirectionalResponse, plan: RoomPlan, room: ListeningRoom,
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
    levels = _levels(sensitivity, (power.value, power.u or 0.0), response, plan, room, reaches)
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
    nothing = np.zeros(len(response.axis))
    curve = Curve("toward", "the sound toward the seat", response.axis, sound.level_db, sound.u_db, nothing,
                  sound.valid, "dB", "dB SPL at 1 m, 2.83 V", response.lineage)  # fmt: skip
    return band_level(curve, band_hz=band, key="toward")


def _levels(
    sensitivity: Figure, power: tuple[float, float], response: DirectionalResponse, plan: RoomPlan,
    room: ListeningRoom, reaches: Mapping[str, Figure],
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
        known = [(one.value or 0.0, math.hypot(sensitivity.u or 0.0, one.u or 0.0)) for one in toward]
        distances = [one.distance_m for one in mine]
        level, u_db = level_of_set(known, power, room, distances)
        # Over the level at 1 m on axis; what that has in common with all directions is in the highest level already.
        own = [(one.value or 0.0, one.u or 0.0) for one in toward]
        u_more = level_of_set(own, (power[0], abs(power[1] - (sensitivity.u or 0.0))), room, distances)[1]
        free = max(value - 20.0 * math.log10(r) for (value, _), r in zip(known, distances, strict=True))
        shared = causes_of_set(known, power, room, distances)
        made = Figure(row.key, level, u_db, "dB", band, row.method, lineage=sensitivity.lineage, shared=shared)
        direct = (("level", sensitivity.u or 0.0),)
        found[seat.name] = {"one": replace(made, value=free, u=sensitivity.u, shared=direct), "all": made}
        for key, most in reaches.items():
            if most.value is not None:
                at, u_at = most.value + level - (sensitivity.value or 0.0), math.hypot(most.u or 0.0, u_more)
                found[seat.name][key] = replace(made, value=at, u=u_at, bound=most.bound, band_hz=most.band_hz)
    return found


def _level_words(
    levels: Mapping[str, Mapping[str, Figure]], room: ListeningRoom, count: int
) -> tuple[str, ...]:  # fmt: skip
    judged = {seat: one["all"] for seat, one in levels.items() if one["all"].value is not None}
    if not judged:
        return ("No seat's level in the room is known: " + next(iter(levels.values()))["all"].reason + ".",)
    seats = sorted(judged, key=lambda seat: judged[seat].value or 0.0)
    seats = list(dict.fromkeys((seats[0], seats[-1])))
    told = "; ".join(f"{decibels(judged[seat].value or 0.0, judged[seat].u or 0.0)} dB at {seat}" for seat in seats)
    given = f"{room.reverberation_s:g} s" if room.absorption is None else f"a mean absorption of {room.absorption:g}"
    who, one = "One loudspeaker" if count == 1 else f"{count} loudspeakers", levels[seats[0]]["one"]
    free = decibels(one.value or 0.0, one.u or 0.0)
    said = [worded("insight.set_in_room", given=given, who=who, told=told, free=free, seat=seats[0])]
    for key, words in (("clean", "cleanly up to"), ("amplifier", "with this amplifier up to")):
        most = levels[seats[0]].get(key)
        if most is not None:
            told = f"{most.bound} {decibels(most.value or 0.0, most.u or 0.0)} dB".strip()
            said.append(f"{'They play' if count > 1 else 'It plays'} {words} {told} at {seats[0]}.")
    return tuple(said)


def _near_words(near: Mapping[str, Boundary | str], seat: str) -> list[str]:
    return [
        f"{name}, walls near it: {one}."
        if isinstance(one, str)
        else boundary_words(f"{name}, walls and floor near it, at {seat}", one)
        for name, one in near.items()
    ]


def _mode_words(found: Sequence[Layout], plan: RoomPlan, room: ListeningRoom) -> list[str]:
    """Lowest modes, the evenest layout, and the one planned against it: what evenness costs in level."""
    size = plan.room.sides_m if plan.room is not None else (1.0, 1.0, 1.0)
    modes = ", ".join(f"{hz:.1f}" for hz, _ in modes_below(size, BASS_HZ[1])[:_MODES_TOLD])
    from_hz = schroeder_hz(room.volume_m3, room.decay_s)
    said = [worded("insight.room_modes", modes=modes or "none", from_hz=from_hz)]
    best, loudest = found[0], max(found, key=lambda one: one.level_db)
    for one in dict.fromkeys((*(one for one in found if one.name == "as planned"), best)):
        spread, uneven = decibels(one.spread_db, one.u[0]), decibels(one.uneven_db, one.u[1])
        lost = decibels(loudest.level_db - one.level_db, math.hypot(one.u[2], loudest.u[2]))
        said.append(
            worded("insight.subwoofer_layout", one=one, spread=spread, uneven=uneven, lost=lost, loudest=loudest.name)
        )
    return said
