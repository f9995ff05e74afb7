"""Which reading a loudspeaker's kind asks for."""

from earwitness.errors import InputError
from earwitness.insight.kinds import across, large_room, line, walls
from earwitness.insight.kinds.reading import KindReading
from earwitness.insight.match.plan_room import PlanRoom
from earwitness.quantities import DirectionalResponse, Reading
from earwitness.session.record import Loudspeaker
from earwitness.session.room_plan import RoomPlan


def reading_of_kind(
    loudspeaker: Loudspeaker, response: DirectionalResponse, reading: Reading, *, distance_m: float,
    plan: RoomPlan | None = None, room: PlanRoom | None = None,
) -> KindReading | str | None:  # fmt: skip
    """The reading of its kind, the reason why there is none, or None for a kind without one of its own.

    distance_m : to the listener; plan, room : of the seats, and what the room of that plan does
    """
    ways = {
        "center": lambda: across.center(response, distance_m=distance_m),
        "in-wall": lambda: walls.in_wall(loudspeaker, response, reading.curves),
        "on-wall": lambda: walls.on_wall(loudspeaker, response),
        "dipole": lambda: walls.dipole(response),
        "horn": lambda: large_room.horn(reading.figures, plan, room),
    }
    for kind in ("line source", "soundbar"):
        ways[kind] = lambda: line.line(
            loudspeaker, response.axis, measured_m=response.distance_m, distance_m=distance_m
        )
    way = ways.get(loudspeaker.type, (lambda: across.coaxial(response)) if across.is_coaxial(loudspeaker) else None)
    try:
        return None if way is None else way()
    except InputError as error:
        return error.what
