"""The level in a room against values worked out apart from the program, by the formulas of the handbooks."""

from __future__ import annotations

import math

import numpy as np
import pytest

from earwitness.errors import InputError
from earwitness.insight.match.in_room import ListeningRoom, level_in_room, more_in_room

# A room of 6 x 4.5 x 2.6 m (floor 4 to 3) with 0.4 s.
SIDES_M = (6.0, 4.5, 2.6)
AREA_M2, HEIGHT_M, TIME_S = 27.0, 2.6, 0.4
# Eyring's mean absorption of that time.
ABSORPTION = 0.22923
EIGHT_DB = ((88.0, 0.0), (80.0, 0.0))


def test_a_floor_of_4_to_3_has_the_volume_and_surface_of_its_sides() -> None:
    a, b, c = SIDES_M
    room = ListeningRoom(AREA_M2, HEIGHT_M, TIME_S)
    assert room.volume_m3 == pytest.approx(a * b * c)
    assert room.surface_m2 == pytest.approx(2 * (a * b + a * c + b * c))


@pytest.mark.parametrize(
    ("distance_m", "by_walls_db", "by_time_db"),
    [(1.0, 88.9575, None), (2.0, 84.9606, None), (3.0, 83.5360, 83.0433), (4.0, 82.9018, 81.9939)],
)
def test_88_db_on_axis_with_a_directivity_index_of_8_db(
    distance_m: float, by_walls_db: float, by_time_db: float | None
) -> None:
    """Worked apart: Hopkins and Stryker, R = 32.2978 m2, and Barron and Lee beyond the mean free path (2.5856 m)."""
    walls, time = ListeningRoom(AREA_M2, HEIGHT_M, absorption=ABSORPTION), ListeningRoom(AREA_M2, HEIGHT_M, TIME_S)
    assert level_in_room(*EIGHT_DB, walls, distance_m=distance_m)[0] == pytest.approx(by_walls_db, abs=1e-3)
    if by_time_db is not None:
        assert level_in_room(*EIGHT_DB, time, distance_m=distance_m)[0] == pytest.approx(by_time_db, abs=1e-3)


def test_what_a_time_and_the_absorption_of_the_same_time_give_near_by() -> None:
    """10 lg(16 pi / X): X = A e^(A / S), and R with Eyring's absorption; half a decibel apart."""
    by_walls, by_time = (
        ListeningRoom(AREA_M2, HEIGHT_M, absorption=ABSORPTION),
        ListeningRoom(AREA_M2, HEIGHT_M, TIME_S),
    )
    assert by_walls.decay_s == pytest.approx(TIME_S, rel=1e-4)
    assert by_walls.reverberant_db(1.0) == pytest.approx(1.9210, abs=1e-3)
    assert by_time.reverberant_db(1.0) == pytest.approx(1.3679, abs=1e-4)


def test_a_pair_adds_3_db_and_a_dead_room_is_free_field() -> None:
    room = ListeningRoom(AREA_M2, HEIGHT_M, absorption=0.989)
    one, _ = level_in_room((90.0, 0.0), (80.0, 0.0), room, distance_m=3.0)
    two, _ = level_in_room((90.0, 0.0), (80.0, 0.0), room, distance_m=3.0, count=2)
    assert one == pytest.approx(90.0 - 20 * math.log10(3.0), abs=0.03)
    assert two - one == pytest.approx(10 * math.log10(2.0))


def test_random_rooms_lie_within_the_stated_uncertainty_as_often_as_it_says() -> None:
    """Random walls, each of its own absorption and a time off by 10 %, against the sum over all mirror sources of a box
    (energies; Allen and Berkley 1979, from memory); the time of each box by Eyring's formula."""
    draws, inside = np.random.default_rng(20261130), []
    for _ in range(40):
        sides = np.array([draws.uniform(4, 7), 0.0, draws.uniform(2.3, 3.0)])
        sides[1] = 0.75 * sides[0]
        absorption = draws.uniform(0.1, 0.4, (3, 2))
        source, seat = (draws.uniform(0.15, 0.85, 3) * sides for _ in range(2))
        distance_m = float(np.linalg.norm(source - seat))
        walls = np.prod(sides) / sides
        mean = float((absorption * walls[:, None]).sum() / (2 * walls.sum()))
        room = ListeningRoom(float(sides[0] * sides[1]), float(sides[2]), absorption=mean * draws.uniform(0.9, 1.1))
        level, u_db = level_in_room((0.0, 0.0), (0.0, 0.0), room, distance_m=distance_m)
        inside.append(abs(level - image_level_db(sides, absorption, source, seat)) <= 2 * u_db)
    assert 0.85 <= np.mean(inside) <= 1.0


def image_level_db(sides: np.ndarray, absorption: np.ndarray, source: np.ndarray, seat: np.ndarray) -> float:
    """Level of a source of 0 dB at 1 m in all directions: energies of the mirror sources up to order 30 a side."""
    places, kept = [], []
    for side, (low, high), at, to in zip(sides, 1 - absorption, source, seat, strict=True):
        n = np.arange(-30, 31)
        same, turned = 2 * n * side + at - to, 2 * n * side - at - to
        count = np.abs(n)
        places.append(np.r_[same, turned])
        kept.append(np.r_[low**count * high**count, low ** np.abs(n - 1) * high**count])
    away = places[0][:, None, None] ** 2 + places[1][None, :, None] ** 2 + places[2][None, None, :] ** 2
    size = kept[0][:, None, None] * kept[1][None, :, None] * kept[2][None, None, :]
    return float(10 * np.log10((size / away).sum()))


@pytest.mark.parametrize(
    "given", [{}, {"reverberation_s": 0.4, "absorption": 0.2}, {"reverberation_s": 0.0}, {"absorption": 1.0}]
)
def test_a_room_that_cannot_be_is_refused(given: dict[str, float]) -> None:
    with pytest.raises(InputError, match="no such room"):
        ListeningRoom(30.0, 2.5, **given)
    with pytest.raises(InputError):
        ListeningRoom(-1.0, 2.5, 0.4)


@pytest.mark.parametrize("distance_m", [0.7, 2.0, 6.0])
def test_an_error_of_the_level_that_both_share_is_in_no_difference(distance_m: float) -> None:
    """Outside: 20,000 draws of one error in axis and power (JCGM 101), beside what the room alone leaves in doubt."""
    room, axis, power = ListeningRoom(AREA_M2, HEIGHT_M, TIME_S), (88.0, 0.5), (80.0, 0.8)
    more, u_db = more_in_room(axis, power, room, distance_m=distance_m)
    level, u_level_db = level_in_room(axis, power, room, distance_m=distance_m)
    assert more == pytest.approx(level - axis[0] + 20.0 * math.log10(distance_m), abs=1e-9)
    assert u_db < u_level_db
    direct, kept = axis[0] - 20.0 * math.log10(distance_m), power[0] + room.reverberant_db(distance_m)
    error = np.random.default_rng(31).standard_normal(20_000)
    heard = 10 * np.log10(10 ** ((direct + axis[1] * error) / 10) + 10 ** ((kept + power[1] * error) / 10))
    _, u_room_db = level_in_room((88.0, 0.0), (80.0, 0.0), room, distance_m=distance_m)
    drawn = math.hypot(float(np.std(heard - direct - axis[1] * error)), u_room_db)
    assert u_db == pytest.approx(drawn, rel=0.03)
    assert more_in_room((88.0, 0.5), (80.0, 0.5), room, distance_m=distance_m)[1] == pytest.approx(u_room_db)
