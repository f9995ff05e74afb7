"""Where loudspeakers and seats stand, from a TOML file.

Positions in meters from a floor corner along length (x), width (y), height (z), right-handed: looking along x, y points
to the left. A loudspeaker's position is its reference point, a seat's the middle between the ears.

    [room]
    length_m = 6.0
    width_m = 4.5
    height_m = 2.6
    reverberation_s = 0.4         # or absorption, the mean of all surfaces; for levels and modes
    [[loudspeaker]]
    name = "left"
    position_m = [1.0, 3.4, 0.95]
    aim_at_m = [4.0, 2.25, 1.0]
    [[seat]]
    name = "middle"
    row = 1
    position_m = [4.0, 2.25, 1.0]
    [[subwoofer]]                 # where there are any
    name = "front left"
    position_m = [0.3, 4.2, 0.3]
"""

import math
from pathlib import Path
from typing import Annotated, Self

from pydantic import Field, model_validator

from earwitness.session.record import Finite, Positive, Strict, Text, Whole
from earwitness.session.small_toml import read_small_toml

Coordinate = Annotated[Finite, Field(ge=-100, le=100)]
Point = tuple[Coordinate, Coordinate, Coordinate]
Degrees = Annotated[Finite, Field(ge=-180, le=180)]


class RoomSize(Strict):
    """Inner size [m], and one of reverberation time and mean absorption of the surfaces, or neither."""

    length_m: Annotated[Positive, Field(le=100)]
    width_m: Annotated[Positive, Field(le=100)]
    height_m: Annotated[Positive, Field(le=30)]
    reverberation_s: Annotated[Positive, Field(le=10)] | None = None
    absorption: Annotated[Positive, Field(ge=0.01, le=0.99)] | None = None

    @property
    def sides_m(self) -> Point:
        return self.length_m, self.width_m, self.height_m

    @model_validator(mode="after")
    def _one_of_both(self) -> Self:
        if self.reverberation_s is not None and self.absorption is not None:
            raise ValueError("reverberation_s and absorption say the same: give one of them")
        return self


class PlacedLoudspeaker(Strict):
    """aim_at_m : the point its reference axis goes through; or azimuth_deg (0 along x, positive to the left) and
    elevation_deg (positive upward). Give one way, not both; straight along x by default."""

    name: Text
    position_m: Point
    aim_at_m: Point | None = None
    azimuth_deg: Degrees | None = None
    elevation_deg: Annotated[Finite, Field(ge=-85, le=85)] | None = None

    @model_validator(mode="after")
    def _one_aim(self) -> Self:
        if self.aim_at_m is not None and (self.azimuth_deg is not None or self.elevation_deg is not None):
            raise ValueError("aim_at_m and azimuth_deg or elevation_deg say the same: give one of them")
        if self.aim_at_m is not None and _apart(self.aim_at_m, self.position_m) < 0.05:
            raise ValueError("aim_at_m is where the loudspeaker itself stands")
        return self


class PlacedSubwoofer(Strict):
    """Where a subwoofer stands."""

    name: Text
    position_m: Point


class Seat(Strict):
    """row : 1 is the front row."""

    name: Text
    position_m: Point
    row: Annotated[Whole, Field(ge=1, le=50)] = 1


class RoomPlan(Strict):
    """Loudspeakers, seats and subwoofers; the room's size is for checking them, and for what the room does."""

    name: str = ""
    room: RoomSize | None = None
    loudspeakers: Annotated[tuple[PlacedLoudspeaker, ...], Field(alias="loudspeaker", min_length=1, max_length=64)]
    seats: Annotated[tuple[Seat, ...], Field(alias="seat", min_length=1, max_length=500)]
    subwoofers: Annotated[tuple[PlacedSubwoofer, ...], Field(alias="subwoofer", max_length=16)] = ()

    @model_validator(mode="after")
    def _fits(self) -> Self:
        every = (("loudspeakers", self.loudspeakers), ("seats", self.seats), ("subwoofers", self.subwoofers))
        for kind, placed in every:
            names = [one.name for one in placed]
            twice = next((name for name in names if names.count(name) > 1), None)
            if twice is not None:
                raise ValueError(f"two {kind} are called {twice!r}")
        for name, place in ((one.name, one.position_m) for _, placed in every for one in placed):
            if self.room is not None and not _inside(place, self.room):
                raise ValueError(f"{name!r} at {list(place)} stands outside the room")
        for speaker in self.loudspeakers:
            for seat in self.seats:
                if _apart(speaker.position_m, seat.position_m) < 0.1:
                    raise ValueError(f"{speaker.name!r} and {seat.name!r} are less than 0.1 m apart")
        return self


def _apart(one: Point, other: Point) -> float:
    return math.dist(one, other)


def _inside(point: Point, room: RoomSize) -> bool:
    return all(0.0 <= at <= size for at, size in zip(point, room.sides_m, strict=True))


def read_room_plan(path: Path) -> RoomPlan:
    """The plan in a TOML file. Raises InputError that lists every fault, with its line."""
    return read_small_toml(path, RoomPlan)
