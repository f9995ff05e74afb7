"""What a scan tells of its own rig, against point sources with an exact field: e^(-jkr)/r inside, others far off."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from earwitness.quantities import FrequencyAxis, Gate
from earwitness.quantities.directions import cta_orbits
from earwitness.reduce.scan import ScanResult, solve_scan
from earwitness.reduce.scan_gather import ScanData
from earwitness.reduce.separate.expansion import Expansion, places_of
from earwitness.reduce.separate.field import Shell
from earwitness.reduce.separate.rig import Rig, Tolerances, corrections, drift_mode, effects, rig_of, unknowns_of
from earwitness.session.plan import plan_scan
from earwitness.session.responses import ScanSetup

SPEED_M_S = 343.0
HZ = np.array([50.0, 100.0, 200.0, 400.0, 700.0])
INSIDE = np.array([[0.06, 0.0, 0.04], [0.05, 0.02, -0.05]])
OUTSIDE = np.random.default_rng(2).normal(size=(12, 3))
OUTSIDE *= (np.random.default_rng(3).uniform(1.8, 4.0, 12) / np.linalg.norm(OUTSIDE, axis=1))[:, None]
CABINET = SimpleNamespace(width_m=0.16, height_m=0.2, depth_m=0.16)
SETUP = ScanSetup(body="none", body_center_m=(0.0, 0.0, 0.0))
PLAN = plan_scan((0.16, 0.2, 0.16), 700.0, body_center_m=(0.0, 0.0, 0.0))


def sources(points: np.ndarray, hz: np.ndarray, places: np.ndarray, strength: np.ndarray) -> np.ndarray:
    """(P, F) point sources."""
    k = 2 * np.pi * hz / SPEED_M_S
    away = np.linalg.norm(points[:, None, :] - places, axis=2)
    return np.stack([(np.exp(-1j * one * away) / away) @ strength for one in k], axis=1)


def field(points: np.ndarray) -> np.ndarray:
    room = 0.35 * np.exp(1j * np.arange(12))
    return sources(points, HZ, INSIDE, np.array([1.0, 0.5j])) + sources(points, HZ, OUTSIDE, room)


def truth() -> np.ndarray:
    look = cta_orbits().unit_vectors()
    k = 2 * np.pi * HZ / SPEED_M_S
    return np.exp(1j * np.einsum("f,ds->dfs", k, look @ INSIDE.T)) @ np.array([1.0, 0.5j])


def scan(points: np.ndarray, heard: np.ndarray, surfaces: tuple[str, ...], *, noise: float = 3e-4) -> ScanData:
    rng = np.random.default_rng(5)
    size = noise * np.sqrt(np.mean(np.abs(heard) ** 2, axis=0))
    heard = heard + size * (rng.normal(size=heard.shape) + 1j * rng.normal(size=heard.shape))
    return ScanData(
        axis=FrequencyAxis(HZ), rows=np.arange(HZ.size), points_m=points, surfaces=surfaces,
        ids=tuple(map(str, range(len(points)))), whole=heard, gated=None, gate=None, gate_u_db=np.zeros(HZ.size),
        noise_rms=np.zeros(HZ.size), speed_m_s=SPEED_M_S, impulse=np.zeros(1),
    )  # fmt: skip


def two_spheres() -> tuple[np.ndarray, tuple[str, ...]]:
    z = np.polynomial.legendre.leggauss(20)[0]
    parts = []
    for radius, heights, turn in ((0.24, z[::2], 0.0), (0.29, z[1::2], 0.5)):
        azimuth, flat = np.pi * (np.arange(20) + turn) / 10, np.sqrt(1 - heights**2)
        grid = [np.outer(flat, np.cos(azimuth)), np.outer(flat, np.sin(azimuth)), np.outer(heights, 1 + 0 * azimuth)]
        parts.append(radius * np.stack(grid, axis=-1).reshape(-1, 3))
    return np.concatenate(parts), ("inner",) * 200 + ("outer",) * 200


def judged(found: ScanResult) -> tuple[np.ndarray, np.ndarray]:
    """Errors of the shown levels and their standard uncertainties."""
    shown = found.response.valid
    level = np.abs(np.where(found.response.pressure == 0, 1e-9, found.response.pressure))
    return (20 * np.log10(level / np.abs(truth())))[shown], found.response.u_total_db()[shown]


def outer_of(surfaces: tuple[str, ...]) -> np.ndarray:
    return np.array([name.startswith("outer") for name in surfaces])


def test_effects_are_differences_of_the_true_field() -> None:
    # A step of 1e-3 of each prior standard deviation against the exact sources; 1 % of the effect's size.
    points, surfaces = two_spheres()
    rig = rig_of(points, surfaces, np.linspace(0, 1, len(points)), np.zeros(3))
    unknowns = unknowns_of(rig, Tolerances())
    here = field(points)
    slope = np.stack([(field(points + 1e-5 * one) - field(points - 1e-5 * one)) / 2e-5 for one in np.eye(3)], axis=2)
    for f in (0, 4):
        told = effects(rig, unknowns, points, here[:, f], slope[:, f], 2 * np.pi * HZ[f])
        for u, one in enumerate(unknowns):
            theta = np.zeros(len(unknowns))
            theta[u] = 1e-3
            off = corrections(rig, unknowns, theta, points)
            # A speed that is too low by a share makes all waves shorter: the field at points farther out.
            moved = points * (1 - off.speed) + off.normal_m[:, None] * rig.normal + off.offset_m
            change = field(moved)[:, f] * np.exp(off.gain - 2j * np.pi * HZ[f] * off.delay_s) - here[:, f]
            size = np.abs(told[:, u]).max()
            assert np.abs(change / 1e-3 - told[:, u]).max() <= 0.01 * size, one


def test_what_penalties_hold_back_is_what_the_far_field_lacks() -> None:
    # Outside check: the sources' exact far field. No noise: all that is missing was held back by the penalties.
    points, _surfaces = two_spheres()
    k, shell = 2 * np.pi * 100.0 / SPEED_M_S, Shell(0.15, 0.29, 0.6)
    heard = field(points)[:, HZ == 100.0]
    for penalty, share in ((3e-4, 0.1), (3e-3, 0.5)):
        fit = Expansion(places_of(points, 6), k, shell, 6, 5, np.full(2, penalty))
        unknown = fit.fitted(heard)
        look = cta_orbits().unit_vectors()
        far, held = fit.far(np.concatenate([unknown, fit.held_back(unknown)], axis=1), look, None).T
        lacks = truth()[:, HZ == 100.0][:, 0] - far
        assert np.abs(lacks).max() > 0.002 * np.abs(far).max()
        assert np.linalg.norm(held - lacks) < share * np.linalg.norm(lacks)


def test_drift_modes_make_a_random_walk() -> None:
    # Covariance of a random walk from 0 with variance 1 at its end: min(s, t); the series' rest falls as 1/q.
    time = np.linspace(0.05, 1, 12)
    modes = np.array([drift_mode(time, q) for q in range(1, 400)])
    assert np.allclose(modes.T @ modes, np.minimum(time[:, None], time), atol=2e-3)


def test_surfaces_are_parted_by_their_radii() -> None:
    points, surfaces = two_spheres()
    found = rig_of(points, ("",) * len(points), np.linspace(0, 1, len(points)), np.zeros(3))
    assert (found.surface == outer_of(surfaces)).all()
    assert not found.in_turns


def test_a_sound_scan_is_left_as_it_is() -> None:
    found = solve_scan(scan(PLAN.points_m, field(PLAN.points_m), PLAN.surfaces), CABINET, SETUP)
    error, u = judged(found)
    assert np.sqrt(np.mean(error**2)) < 0.05
    assert np.mean(np.abs(error) <= 2 * u) >= 0.95
    assert not [flag for flag in found.flags if flag.id in ("scan rig", "scan moved", "scan fits badly")]


@pytest.mark.parametrize("size_db", [0.3, 1.0])
def test_a_gain_that_goes_with_the_radius_is_found_where_radii_alternate(size_db: float) -> None:
    heard = field(PLAN.points_m) * 10 ** (size_db * outer_of(PLAN.surfaces) / 20)[:, None]
    found = solve_scan(scan(PLAN.points_m, heard, PLAN.surfaces), CABINET, SETUP)
    error, u = judged(found)
    # Left in it makes more than 1 dB in the bass.
    assert np.sqrt(np.mean(error**2)) < 0.2
    assert np.mean(np.abs(error) <= 2 * u + 0.01) >= 0.93
    told = any(flag.id == "scan rig" and "gain" in flag.sentence for flag in found.flags)
    # What lies within three of the stated tolerances is taken off without a word.
    assert told or size_db < 0.5


@pytest.mark.parametrize("what", ["places", "gains", "noise"])
def test_chance_alone_is_not_taken_for_a_mistake_of_the_rig(what: str) -> None:
    # Places off by 2 mm each axis, gains by 0.3 dB each, noise 40 dB down: nothing that points have in common.
    rng = np.random.default_rng(7)
    true = PLAN.points_m + rng.normal(size=PLAN.points_m.shape) * (2e-3 if what == "places" else 0.0)
    heard = field(true) * 10 ** (rng.normal(size=len(true)) * (0.3 if what == "gains" else 0.0) / 20)[:, None]
    data = scan(PLAN.points_m, heard, PLAN.surfaces, noise=7e-3 if what == "noise" else 3e-4)
    found = solve_scan(data, CABINET, SETUP)
    error, u = judged(found)
    assert np.mean(np.abs(error) <= 2 * u) >= 0.93
    # Nothing may be taken off for it: the visits' own scatter makes a drift of 0.2 dB where it is believed.
    scanned = [int(one) for one in found.data.ids]
    taken_off = 20 * np.log10(np.abs(data.whole[scanned] / found.data.whole))
    assert np.abs(taken_off).max() < 0.05
    assert np.linalg.norm(data.points_m[scanned] - found.data.points_m, axis=1).max() < 5e-4
    assert np.sqrt(np.mean(error**2)) < {"places": 0.15, "gains": 0.2, "noise": 0.1}[what]
    assert not [flag for flag in found.flags if flag.id in ("scan rig", "scan moved")]


def test_all_radii_too_large_alike_stand_in_the_uncertainty_of_the_curves() -> None:
    # An arm told 3 mm too long: no wave shows it, and every direction moves alike, by 20 lg of 1 + 3 mm over the
    # distance; what else may be wrong is told by the sound before the first reflection.
    away = np.linalg.norm(PLAN.points_m, axis=1, keepdims=True)
    moved = np.array([name != "reference" for name in PLAN.surfaces])[:, None]
    true = PLAN.points_m * (1 - 3e-3 * moved / away) + 5e-4 * np.random.default_rng(4).normal(size=PLAN.points_m.shape)
    own = sources(true, HZ, INSIDE, np.array([1.0, 0.5j]))
    gate = Gate(-1e-3, 1.2 / 150, 1e-3, 9e-3, "room dimensions", 150.0)
    data = replace(scan(PLAN.points_m, field(true), PLAN.surfaces, noise=1e-3), gated=own, gate=gate)
    answer = solve_scan(data, CABINET, SETUP).response
    power = np.abs(answer.pressure) ** 2
    share = power / power.sum(axis=0)
    off = 10 * np.log10(power.sum(axis=0) / np.sum(np.abs(truth()) ** 2, axis=0))
    chance = np.sum((share * answer.u_db) ** 2, axis=0)
    u = np.sqrt(chance + sum(np.sum(share * one.pull_db, axis=0) ** 2 for one in answer.causes))
    assert off.min() > 0.05
    assert (np.abs(off) <= 2 * u + 0.01).all()


def test_on_two_spheres_a_gain_between_them_stands_in_the_uncertainty() -> None:
    points, surfaces = two_spheres()
    plain = solve_scan(scan(points, field(points), ("",) * len(points)), CABINET, SETUP)
    heard = field(points) * 10 ** (0.3 * outer_of(surfaces) / 20)[:, None]
    found = solve_scan(scan(points, heard, ("",) * len(points)), CABINET, SETUP)
    error, u = judged(found)
    assert np.sqrt(np.mean(error**2)) > 0.3
    assert np.mean(np.abs(error) <= 2 * u) >= 0.93
    bass = [one.response.u_total_db()[:, 0].mean() for one in (plain, found)]
    assert bass[1] == pytest.approx(bass[0], rel=0.3)
    # Told to 0.02 dB it is a small doubt.
    sure = solve_scan(scan(points, field(points), ("",) * len(points)), CABINET, replace_setup(gain_u_db=0.02))
    assert sure.response.u_total_db()[:, 0].mean() < 0.5 * bass[0]


def replace_setup(**keys: float) -> ScanSetup:
    return SETUP.model_copy(update={**keys, "radius_u_m": 1e-4})


@pytest.mark.parametrize(("named", "spoiled"), [(True, False), (False, False), (True, True)])
def test_visits_of_one_place_tell_a_drift(named: bool, spoiled: bool) -> None:
    # Pressures come without names of surfaces: the place that stands there again and again is known by its coordinates.
    surfaces = PLAN.surfaces if named else ("",) * len(PLAN.points_m)
    time = np.linspace(0, 1, len(PLAN.points_m))
    heard = field(PLAN.points_m) * 10 ** (0.5 * time / 20)[:, None]
    # One visit may be a spoiled take, 3.5 dB too loud: the others tell the drift all the same.
    heard[[n for n, name in enumerate(PLAN.surfaces) if name == "reference"][3]] *= 1.5 if spoiled else 1.0
    data = scan(PLAN.points_m, heard, surfaces)
    found = solve_scan(data, CABINET, SETUP)
    error, u = judged(found)
    # The drift's mean is a gain of the calibration: half of 0.5 dB at the most stays.
    assert np.std(error) < 0.05
    assert np.mean(np.abs(error) <= 2 * u + 0.01) >= 0.93
    assert PLAN.visits >= 8
    # The place stands beside the rings and is no part of the scan, whose rings are solved as rings.
    assert len(found.data.points_m) == len(PLAN.points_m) - PLAN.visits
    assert found.separation.route == "rings"
    assert not found.separation.bad_points


def test_a_microphone_that_stays_takes_drift_and_scatter_of_the_source_off_every_point() -> None:
    # Gain and clock walk, and the amplifier's gain is another at every take; no place is visited again.
    kept = np.array([name != "reference" for name in PLAN.surfaces])
    points, surfaces = PLAN.points_m[kept], tuple(name for name in PLAN.surfaces if name != "reference")
    rng = np.random.default_rng(8)
    gain = 0.8 * np.linspace(0, 1, len(points)) ** 2 + rng.normal(size=len(points)) * 0.2
    late = 60e-6 * np.sin(2.0 * np.linspace(0, 1, len(points)))
    change = 10 ** (gain / 20)[:, None] * np.exp(-2j * np.pi * HZ * late[:, None])
    data = scan(points, field(points) * change, surfaces)
    beside = field(np.array([[0.3, 0.9, -0.2]])) * change
    noise = 1e-3 * np.abs(beside).mean() * (rng.normal(size=beside.shape) + 1j * rng.normal(size=beside.shape))
    found = solve_scan(replace(data, monitor=beside + noise), CABINET, SETUP)
    error, u = judged(found)
    # The level is that of the first takes, whose mean is off by chance.
    assert np.abs(error).max() < 0.15
    assert np.std(error) < 0.02
    assert np.mean(np.abs(error) <= 2 * u) >= 0.93
    assert np.abs(judged(solve_scan(data, CABINET, SETUP))[0]).max() > 0.3


def test_a_loudspeaker_that_turns_in_the_room_is_noticed() -> None:
    # The room's sound as the turned loudspeaker meets it at each azimuth.
    points, out = PLAN.points_m, np.empty((len(PLAN.points_m), HZ.size), dtype=complex)
    room = 0.35 * np.exp(1j * np.arange(12))
    for row, point in enumerate(points):
        turn = np.arctan2(point[1], point[0])
        matrix = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
        out[row] = sources(point[None], HZ, OUTSIDE @ matrix.T, room)[0]
    heard = out + sources(points, HZ, INSIDE, np.array([1.0, 0.5j]))
    found = solve_scan(scan(points, heard, PLAN.surfaces), CABINET, SETUP)
    assert any(flag.id == "scan moved" and flag.severity == "reject" for flag in found.flags)
    assert not found.response.valid.any()


def test_what_all_directions_share_cancels_in_an_index() -> None:
    points, surfaces = two_spheres()
    found = solve_scan(scan(points, field(points), surfaces), CABINET, SETUP).response
    power = np.abs(found.pressure) ** 2
    share = power / power.sum(axis=0)
    mean = sum(np.sum(share * one.pull_db, axis=0) ** 2 for one in found.causes)
    front = sum((one.pull_db[0] - np.sum(share * one.pull_db, axis=0)) ** 2 for one in found.causes)
    # A gain between surfaces moves all directions of the bass nearly alike.
    assert front[0] < 0.25 * mean[0]


def test_the_rig_is_the_same_in_any_order_of_names() -> None:
    points, surfaces = two_spheres()
    time = np.linspace(0, 1, len(points))
    one = rig_of(points, surfaces, time, np.zeros(3))
    assert isinstance(one, Rig)
    assert np.allclose(one.normal, points / np.linalg.norm(points, axis=1)[:, None])
    assert replace(one, names=("a", "b")).names == ("a", "b")
