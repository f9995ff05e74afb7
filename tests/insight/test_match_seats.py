"""Seats against plain trigonometry, the distance law and sources of known directivity."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation
from scipy.special import j1

from earwitness.errors import InputError
from earwitness.insight.match.seats import (
    best_aims,
    distance_sentences,
    orbits_of,
    seat_angles,
    seat_headroom,
    seat_levels,
    seat_sentences,
    seat_spread,
    seen_from,
    sound_toward,
    vertical_window,
)
from earwitness.quantities import Asked, DirectionalResponse, Directions, Figure, cta_orbits, from_orbit, log_axis
from earwitness.session.room_plan import RoomPlan

AXIS = log_axis(100.0, 16_000.0, 12)


def plan(speakers: list[dict[str, Any]], seats: list[dict[str, Any]]) -> RoomPlan:
    return RoomPlan.model_validate({"loudspeaker": speakers, "seat": seats})


def speaker(position: tuple[float, float, float], **aim: Any) -> dict[str, Any]:
    return {"name": "left", "position_m": position, **aim}


def seat(name: str, position: tuple[float, float, float], row: int = 1) -> dict[str, Any]:
    return {"name": name, "position_m": position, "row": row}


def source(level_db: Any, directions: Directions | None = None) -> DirectionalResponse:
    """A source whose level depends on direction only; level_db of unit vectors (D, 3)."""
    directions = directions or cta_orbits()
    level = np.broadcast_to(level_db(directions.unit_vectors())[:, None], (len(directions), len(AXIS)))
    flat = np.ones(level.shape)
    return DirectionalResponse(
        AXIS, directions, 10 ** (level / 20) * 20e-6 / 2.83 + 0j, 0.05 * flat, 0.1 * flat[0], flat > 0
    )


def test_a_right_triangle() -> None:
    """3 m ahead, 3 m to the left, straight aim: 45 degrees, sqrt(18) m; aimed there: 0 degrees."""
    here, there = (1.0, 1.0, 1.0), (4.0, 4.0, 1.0)
    straight = seat_angles(plan([speaker(here)], [seat("a", there)]))[0]
    assert straight.azimuth_deg == pytest.approx(45.0)
    assert straight.elevation_deg == pytest.approx(0.0)
    assert straight.distance_m == pytest.approx(math.sqrt(18.0))
    aimed = seat_angles(plan([speaker(here, aim_at_m=there)], [seat("a", there)]))[0]
    assert aimed.off_axis_deg == pytest.approx(0.0, abs=1e-9)


def test_rows_above_each_other() -> None:
    """Seats 2 m and 4 m ahead and 0.5 m and 1 m above the axis: both atan(1/4); the window is 0, and with an even floor
    atan(0.5/2) - atan(0.5/4)."""
    window = vertical_window(seat_angles(plan([speaker((0.0, 0.0, 1.0))], [
        seat("front", (2.0, 0.0, 1.5)), seat("back", (4.0, 0.0, 2.0), 2)])))  # fmt: skip
    assert window["left"].value == pytest.approx(0.0, abs=1e-9)
    window = vertical_window(seat_angles(plan([speaker((0.0, 0.0, 1.0))], [
        seat("front", (2.0, 0.0, 1.5)), seat("back", (4.0, 0.0, 1.5), 2)])))  # fmt: skip
    expected = math.degrees(math.atan(0.25) - math.atan(0.125))
    assert window["left"].value == pytest.approx(expected)
    assert "front" in window["left"].caveats[0]


@settings(deadline=None, derandomize=True, max_examples=50)
@given(st.floats(-179, 179), st.floats(-80, 80), st.tuples(*[st.floats(-5, 5)] * 3))
def test_turned_axes_are_those_of_scipy(azimuth: float, elevation: float, vector: tuple[float, float, float]) -> None:
    """scipy.spatial.transform.Rotation: intrinsic turns about z, then about -y, undone on the vector."""
    if np.linalg.norm(vector) < 0.1:
        return
    turned = Rotation.from_euler("ZY", [azimuth, -elevation], degrees=True).inv().apply(vector)
    az, el, away = seen_from(np.array(vector), azimuth, elevation)
    unit = turned / np.linalg.norm(turned)
    mine = [
        math.cos(math.radians(el)) * math.cos(math.radians(az)),
        math.cos(math.radians(el)) * math.sin(math.radians(az)),
        math.sin(math.radians(el)),
    ]
    np.testing.assert_allclose(mine, unit, atol=1e-9)
    assert math.cos(math.radians(away)) == pytest.approx(unit[0], abs=1e-9)


def test_between_directions_levels_are_linear_in_db() -> None:
    """A level that falls by 0.1 dB per degree is read exactly at any angle, also off both orbits."""
    orbits = orbits_of(source(lambda v: 90.0 - 0.1 * np.degrees(np.arccos(np.clip(v[:, 0], -1, 1)))))
    for azimuth, elevation, how in (
        (20.0, 0.0, "measured"), (-33.0, 0.0, "interpolated"), (0.0, 17.0, "interpolated"),
        (0.0, 0.0, "measured"), (25.0, -14.0, "estimated from two orbits"), (180.0, 0.0, "measured"),
    ):  # fmt: skip
        found = sound_toward(orbits, azimuth, elevation)
        away = math.degrees(math.acos(math.cos(math.radians(azimuth)) * math.cos(math.radians(elevation))))
        assert found.how == how
        np.testing.assert_allclose(found.level_db, 90.0 - 0.1 * away, atol=1e-6)


def test_left_and_right_up_and_down_are_told_apart() -> None:
    orbits = orbits_of(source(lambda v: 90.0 + 3.0 * v[:, 1] + 1.0 * v[:, 2]))
    assert sound_toward(orbits, 30.0, 0.0).level_db[0] == pytest.approx(91.5)
    assert sound_toward(orbits, -30.0, 0.0).level_db[0] == pytest.approx(88.5)
    assert sound_toward(orbits, 0.0, 30.0).level_db[0] == pytest.approx(90.5)


def test_nothing_is_read_over_a_wide_gap() -> None:
    sparse = Directions(np.radians([-90.0, 0.0, 90.0]), np.zeros(3))
    orbits = orbits_of(source(lambda v: 90.0 + 0 * v[:, 0], sparse))
    assert sound_toward(orbits, 45.0, 0.0) is None
    with pytest.raises(InputError, match="reference axis"):
        orbits_of(source(lambda v: 90.0 + 0 * v[:, 0], Directions(np.radians([30.0]), np.zeros(1))))


def test_a_source_alike_everywhere_has_no_spread_whatever_the_distance() -> None:
    room = plan([speaker((0.0, 0.0, 1.0))], [seat("a", (2.0, 0.0, 1.0)), seat("b", (4.0, 1.0, 1.2), 2)])
    found = seat_spread(source(lambda v: 90.0 + 0 * v[:, 0]), room)["left"]
    assert found.figures["seat_spread"].value == pytest.approx(0.0, abs=1e-9)
    assert found.figures["row_spread"].value == pytest.approx(0.0, abs=1e-9)


def test_spread_between_two_seats_is_half_their_difference() -> None:
    """0 and 45 degrees at 0.1 dB per degree differ by 4.5 dB: standard deviation of two values is half of it."""
    falling = source(lambda v: 90.0 - 0.1 * np.degrees(np.arccos(np.clip(v[:, 0], -1, 1))))
    room = plan([speaker((0.0, 0.0, 1.0))], [seat("a", (3.0, 0.0, 1.0)), seat("b", (3.0, 3.0, 1.0))])
    found = seat_spread(falling, room)["left"]
    assert found.figures["seat_spread"].value == pytest.approx(2.25, abs=1e-6)
    assert not found.figures["row_spread"].is_judged
    assert found.how == {"a": "measured", "b": "interpolated"}
    assert found.figures["seat_spread"].caveats == ("b: interpolated",)


def test_the_best_aim_evens_out_two_seats() -> None:
    """Equal distances, a source that falls evenly off its axis: the middle of both seats is best, by symmetry."""
    falling = source(lambda v: 90.0 - 0.1 * np.degrees(np.arccos(np.clip(v[:, 0], -1, 1))))
    room = plan([speaker((0.0, 0.0, 1.0))], [seat("a", (3.0, 1.0, 1.0)), seat("b", (3.0, -1.0, 1.0))])
    advice = best_aims(falling, room)["left"]
    assert advice.best.turn_deg == 0.0
    assert advice.best.cost_db == pytest.approx(0.0, abs=1e-6)
    assert advice.clear
    # Outside both seats they differ by their whole angle: 2 atan(1/3) at 0.1 dB per degree, half of it as deviation.
    worst = next(aim for aim in advice.aims if aim.turn_deg == 40.0)
    assert worst.spread_db == pytest.approx(0.1 * math.degrees(math.atan(1 / 3)), abs=1e-6)


def test_an_aim_may_make_up_for_a_nearer_seat() -> None:
    """The far seat is 6.02 dB quieter; a fall of 0.2 dB per degree asks for the aim toward the far seat."""
    falling = source(lambda v: 90.0 - 0.2 * np.degrees(np.arccos(np.clip(v[:, 0], -1, 1))))
    near, far = (2.0, 0.0, 1.0), (4.0 * math.cos(math.radians(40)), 4.0 * math.sin(math.radians(40)), 1.0)
    advice = best_aims(falling, plan([speaker((0.0, 0.0, 1.0))], [seat("near", near), seat("far", far)]))["left"]
    assert 25.0 < advice.aim_azimuth_deg < 45.0


def test_no_aim_is_preferred_where_all_are_alike() -> None:
    room = plan([speaker((0.0, 0.0, 1.0))], [seat("a", (3.0, 1.0, 1.0)), seat("b", (3.0, -1.0, 1.0))])
    advice = best_aims(source(lambda v: 90.0 + 0 * v[:, 0]), room)["left"]
    assert not advice.clear
    assert "no aim is better" in advice.sentence


def test_why_no_aim_can_be_judged_names_the_loudspeaker_and_the_cause() -> None:
    seats = [seat("a", (3.0, 1.0, 1.0)), seat("b", (3.0, -1.0, 1.0))]
    whole = source(lambda v: 90.0 + 0 * v[:, 0])
    dull = replace(whole, valid=whole.valid & (whole.axis.hz < 2000.0))
    found = best_aims(dull, plan([speaker((0.0, 0.0, 1.0))], seats))["left"]
    assert found == "left: no aim can be judged, the direct sound is not known over 500 Hz to 10 kHz"
    few = source(lambda v: 90.0 + 0 * v[:, 0], from_orbit("horizontal", [-10.0, 0.0, 10.0]))
    found = best_aims(few, plan([speaker((0.0, 0.0, 1.0))], seats))["left"]
    assert found == "left: no aim can be judged, none keeps every seat inside the measured directions"


def test_inverse_distance() -> None:
    """Twice the distance is 6.0206 dB less; 28.3 V are 20 dB more; 10 dB per decade is 3.0103 dB."""
    room = plan([speaker((0.0, 0.0, 1.0))], [seat("a", (2.0, 0.0, 1.0)), seat("b", (4.0, 0.0, 1.0))])
    sensitivity = Figure("sensitivity", 87.0, 0.2, "dB", None, "mean")
    one, other = seat_levels(sensitivity, room, voltage_v=28.3).values()
    assert one.value == pytest.approx(107.0 - 6.0206, abs=1e-4)
    assert one.value - other.value == pytest.approx(6.0206, abs=1e-4)
    one, other = seat_levels(sensitivity, room, decade_db=10.0).values()
    assert one.value - other.value == pytest.approx(3.0103, abs=1e-4)


def test_cinema_reference() -> None:
    """C7.14: a full-scale sine of a channel at 85 dB for -20 dB reads 101.9897 dB rms, 105 dB peak: headroom 0."""
    room = plan([speaker((0.0, 0.0, 1.0))], [seat("a", (1.0, 0.0, 1.0)), seat("b", (4.0, 0.0, 1.0))])
    level = Figure("highest_clean_level", 101.9897, 0.5, "dB", None, "limits")
    found = seat_headroom(level, room)
    assert found["left", "a"].value == pytest.approx(0.0, abs=1e-4)
    assert found["left", "b"].value == pytest.approx(-20 * math.log10(4.0), abs=1e-4)
    # 20 lg (4 / 1) = 12.0 dB by distance alone (inverse distance, free field).
    assert distance_sentences(seat_angles(room)) == ("left: distance alone makes b 12.0 dB quieter than a.",)
    said = seat_sentences({}, {}, found)
    assert "at b from left: -12.0 ± 1.0 dB, below the goal" in said[-1]
    unknown = Asked("highest_clean_level", "dB", "limits").refused("no level series")
    assert seat_headroom(unknown, room)["left", "a"].reason == "highest level: no level series"


def test_between_directions_of_a_piston_the_error_is_small_and_covered() -> None:
    """C1.41: 25 mm piston (2 J1(x)/x, radius 12.5 mm) at 10 kHz from 15 to 10 degree steps: error up to 0.107 dB."""

    def piston(vectors: np.ndarray) -> np.ndarray:
        x = 2 * np.pi * 10_000.0 / 343.0 * 0.0125 * np.sqrt(np.maximum(1 - vectors[:, 0] ** 2, 1e-18))
        return 90.0 + 20 * np.log10(np.abs(2 * j1(x) / x))

    grid = from_orbit("horizontal", np.arange(-90.0, 91.0, 15.0))
    measured = source(piston, grid)
    orbits = orbits_of(replace(measured, u_db=0 * measured.u_db))
    angles = np.linspace(0.0, 90.0, 361)
    found = [sound_toward(orbits, float(angle), 0.0) for angle in angles]
    true = piston(from_orbit("horizontal", angles).unit_vectors())
    error = np.abs(np.array([one.level_db[0] for one in found]) - true)
    assert error[::40].max() == pytest.approx(0.107, abs=0.0006)
    spread = np.array([one.u_db[0] for one in found])
    assert np.mean(error <= 2 * spread + 1e-9) > 0.95


def test_off_both_orbits_the_doubt_grows_with_what_they_disagree() -> None:
    flat = orbits_of(source(lambda v: 90.0 + 0 * v[:, 0]))
    oval = orbits_of(source(lambda v: 90.0 - 20.0 * v[:, 2] ** 2))
    assert sound_toward(oval, 40.0, 30.0).u_db[0] > sound_toward(flat, 40.0, 30.0).u_db[0] + 0.5
