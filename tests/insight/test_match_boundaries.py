"""Walls, floor and desk near a loudspeaker, against closed forms of mirror images and the sound power near planes."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from earwitness.errors import InputError
from earwitness.insight.match.plan_room import (
    Plane,
    Radiates,
    boundary,
    near_planes,
    on_desk,
    pressure_gain,
    radiates_as,
    third_octaves_db,
    wall_behind,
)
from earwitness.quantities import DirectionalResponse, cta_orbits, log_axis
from earwitness.quantities.arrays import FloatArray

SPEED_M_S = 343.0
SEAT_M = np.array([3.0, 0.0, 0.0])


def source(rear_db: float, hz: FloatArray) -> Radiates:
    """Alike in front, `rear_db` behind."""
    return lambda azimuth, _: np.full(hz.size, 10 ** (rear_db / 20) if abs(azimuth) > 90 else 1.0, dtype=complex)


def measured(behind_m: float, away_db: float = 0.0) -> DirectionalResponse:
    """A small source that sits `behind_m` behind its reference point, and `away_db` less to the rear half."""
    axis, directions = log_axis(20.0, 5000.0, 48), cta_orbits()
    x = directions.unit_vectors()[:, 0]
    turn = np.exp(-2j * np.pi * axis.hz * behind_m * x[:, None] / SPEED_M_S)
    size = 10 ** (np.where(x < -0.01, away_db, 0.0) / 20)[:, None]
    shape = (len(directions), len(axis))
    return DirectionalResponse(
        axis, directions, size * turn, 0.05 * np.ones(shape), 0.1 * np.ones(shape[1]), np.ones(shape, dtype=bool)
    )


@pytest.mark.parametrize("count", [1, 2, 3])
def test_at_rigid_planes_the_pressure_doubles_with_each(count: int) -> None:
    """The image theorem: 6.02 dB for every plane at right angles, as the frequency falls (a coherent image plane, half
    space)."""
    hz, seat = np.array([1e-3]), np.array([3.0, 2.0, 1.0])
    planes = [Plane(along, 0.0) for along in range(count)]
    gain = pressure_gain(source(0.0, hz), hz, np.full(3, 1e-9), seat, (0.0, 0.0), planes, 1.0)
    assert 20 * np.log10(abs(gain[0])) == pytest.approx(6.0206 * count, abs=1e-4)


@pytest.mark.parametrize(
    ("wall_m", "lift_db", "notch_hz", "notch_db", "quieter_rear_db"),
    [(0.2, 5.054, 428.75, -13.728, -1.932), (0.5, 4.339, 171.5, -9.762, -1.614), (1.0, 3.211, 85.75, -6.745, -1.266)],
)
def test_a_wall_behind(
    wall_m: float, lift_db: float, notch_hz: float, notch_db: float, quieter_rear_db: float
) -> None:  # fmt: skip
    """Worked apart: 1 + 0.9 r / r' exp(-jk 2 d), seat 3 m ahead; the notch at c / 4d, and with a rear 12 dB down."""
    hz = np.array([20.0, notch_hz])
    for rear_db, expected in ((0.0, (lift_db, notch_db)), (-12.0, (None, quieter_rear_db))):
        gain = pressure_gain(source(rear_db, hz), hz, np.zeros(3), SEAT_M, (0.0, 0.0), [Plane(0, -wall_m)])
        for found, wanted in zip(20 * np.log10(np.abs(gain)), expected, strict=True):
            assert wanted is None or found == pytest.approx(wanted, abs=1e-3)


@pytest.mark.parametrize("distances_m", [(0.35,), (0.35, 0.6), (0.35, 0.6, 0.9)])
def test_averaged_over_far_seats_it_is_the_sound_power_near_planes(distances_m: tuple[float, ...]) -> None:
    """Waterhouse (JASA 27, 1955, from memory): the sum of sin u / u over the images, u = 2 k times the distance."""
    hz = np.array([40.0, 80.0, 120.0, 200.0, 300.0])
    planes = [Plane(along, 0.0) for along in range(len(distances_m))]
    at = np.array([*distances_m, 0.0, 0.0][:3])
    nodes, weights = np.polynomial.legendre.leggauss(24)
    up = (nodes + 1) / 2 if len(distances_m) == 3 else nodes
    wide = {1: np.pi, 2: np.pi / 2, 3: np.pi / 2}[len(distances_m)]
    turns = (np.arange(48) + 0.5) / 48 * wide - (np.pi / 2 if len(distances_m) == 1 else 0.0)
    energy = np.zeros(hz.size)
    for (z, weight), turn in itertools.product(zip(up, weights, strict=True), turns):
        flat = math.sqrt(1 - z * z)
        seat = 1e4 * np.array([flat * math.cos(turn), flat * math.sin(turn), z])
        energy += weight * np.abs(pressure_gain(source(0.0, hz), hz, at, seat, (0.0, 0.0), planes, 1.0)) ** 2
    ways = [math.hypot(*some) if some else 0.0 for n in range(len(planes) + 1)
            for some in itertools.combinations(distances_m, n)]  # fmt: skip
    power = sum(np.sinc(4 * hz * way / SPEED_M_S) for way in ways)
    mean = energy / (weights.sum() * 48) / 2 ** len(planes)
    assert 10 * np.log10(mean) == pytest.approx(10 * np.log10(power), abs=0.02)
    if len(planes) == 3:
        assert 10 * np.log10(power) == pytest.approx([8.014, 4.852, 0.273, 0.768, -0.891], abs=1e-3)


def test_a_desk_has_its_notch_where_the_paths_differ_by_half_a_wave() -> None:
    """Worked apart for heights of 0.20 m and 0.40 m, 1 m apart: paths 0.1464 m apart, notches at 1171.6 and 3514.7 Hz,
    1.165 dB lost on the longer way."""
    hz = np.array([1171.6, 2 * 1171.6, 3514.7])
    seat, at = np.array([1.0, 0.0, 0.4]), np.array([0.0, 0.0, 0.2])
    gain = pressure_gain(source(0.0, hz), hz, at, seat, (0.0, 0.0), [Plane(2, 0.0)], 1.0)
    assert np.abs(gain) == pytest.approx(
        [1 - 10 ** (-1.165 / 20), 1 + 10 ** (-1.165 / 20), 1 - 10 ** (-1.165 / 20)], abs=1e-3
    )


def test_the_measured_phase_says_where_the_source_sits() -> None:
    """A source 0.2 m behind its reference point, the wall 0.7 m behind that: the notch is that of 0.5 m, c / 4d."""
    made, said = wall_behind(measured(0.2), 0.7, 3.0)
    assert made.dip_hz == pytest.approx(171.5, rel=0.04)
    plain, _ = wall_behind(measured(0.0), 0.5, 3.0)
    assert made.lift_db == pytest.approx(plain.lift_db, abs=0.4)
    assert "Wall 0.7 m behind" in said[0]
    assert "shallowest" in said[1]
    quieter, _ = wall_behind(measured(0.0, -12.0), 0.5, 3.0)
    assert quieter.dip_db > plain.dip_db + 4.0


def test_the_uncertainty_holds_what_5_cm_and_the_wall_can_do() -> None:
    """Of random walls within the stated reach most lie within U: drawn by another seed and another law."""
    draws, response = np.random.default_rng(5), measured(0.0)
    made, _ = wall_behind(response, 0.5, 3.0)
    hz = made.gain.axis.hz
    radiates = radiates_as(response, hz)
    dips = []
    for _ in range(200):
        off, factor = draws.uniform(-0.05, 0.05, 3), draws.uniform(0.8, 1.0)
        gain = pressure_gain(radiates, hz, off, SEAT_M, (0.0, 0.0), [Plane(0, -0.5)], factor)
        dips.append(third_octaves_db(hz, gain).min())
    inside = np.mean(np.abs(np.array(dips) - made.dip_db) <= 2 * made.u[1])
    assert 0.9 <= inside <= 1.0
    assert made.u[1] < 1.5


def test_a_desk_is_answered_up_to_4_khz() -> None:
    made, said = on_desk(measured(0.0), 0.2, 0.4, 1.0)
    assert made.gain.axis.hz[-1] == pytest.approx(4000.0, rel=0.03)
    assert made.dip_hz == pytest.approx(1171.6, rel=0.04)
    assert "On a desk 0.2 m below" in said[0]


def test_the_nearer_wall_of_each_pair_is_taken() -> None:
    assert near_planes((6.0, 4.5, 2.6), (0.8, 3.4, 0.9)) == (Plane(0, 0.0), Plane(1, 4.5), Plane(2, 0.0))


def test_without_the_rear_or_the_bass_it_is_refused() -> None:
    whole = measured(0.0)
    deaf = np.array(whole.valid)
    deaf[:, whole.axis.hz < 100.0] = False
    with pytest.raises(InputError, match="not known at 60 Hz"):
        wall_behind(
            DirectionalResponse(whole.axis, whole.directions, whole.pressure, whole.u_db, whole.u_common_db, deaf),
            0.5,
            3.0,
        )
    front = np.flatnonzero(whole.directions.unit_vectors()[:, 0] > 0.5)
    with pytest.raises(InputError, match="toward"):
        boundary(
            DirectionalResponse(
                whole.axis, whole.directions.take(front), whole.pressure[front], whole.u_db[front], whole.u_common_db,
                whole.valid[front],
            ),
            (0.0, 0.0, 0.0), (3.0, 0.0, 0.0), (Plane(0, -0.5),),
        )  # fmt: skip
