"""The random worlds of benchmarks/coverage.py, and that the benchmark can tell a wrong uncertainty."""

from __future__ import annotations

from dataclasses import fields, replace

import coverage_bench
import numpy as np
import pytest
from coverage_worlds import judge
from coverage_worlds.bodies import BoxBody, Cap, SphereBody, stored, stored_names
from coverage_worlds.loudspeakers import HELD_OUT, TUNED_ON, Loudspeaker
from coverage_worlds.recordings import RATE_HZ, SAMPLES, least_phase, recorded
from coverage_worlds.rigs import ERRORS, Rig
from coverage_worlds.truth import truth_of
from scipy.special import eval_legendre, spherical_jn, spherical_yn

from earwitness.quantities import cta_orbits

RHO = 1.204
NOTHING: frozenset[str] = frozenset()
AHEAD = np.array([[1.0, 0.0, 0.0]])
# Pressure [Pa] of A's pistons for 1 m^3/s, taken from the solver's own output: 2 m from the reference point.
SOLVED_HZ = (40.0, 320.0, 1280.0)
SOLVED_DEG = ((False, 0.0), (False, 60.0), (True, 130.0))
SOLVED_WOOFER = (
    (12.4383 + 2.18j, 12.1749 + 1.7251j, 10.9758 - 0.3668j),
    (-133.5523 + 41.8019j, -109.7157 + 45.6358j, 21.2557 + 80.9251j),
    (90.3706 - 945.441j, 96.3795 - 477.3768j, 223.1156 + 133.3199j),
)
SOLVED_FAR = (
    (-1.8756 + 24.044j, -0.9468 + 24.0043j, 3.2816 + 23.8429j),
    (-125.5983 + 246.2876j, -86.7859 + 217.7824j, 166.1994 + 84.509j),
    (-33.2557 + 1912.181j, -72.9505 + 957.5552j, -522.7747 - 228.6155j),
)
SOLVED_PORT_AT_WOOFER_5_MM = (17.555 + 382.264j, 1259.744 + 3069.766j, 14438.663 - 9108.299j)


def toward(angle_deg: float, vertical: bool) -> np.ndarray:
    cos, sin = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.array([[cos, 0.0, sin] if vertical else [cos, sin, 0.0]])


def a_sphere() -> SphereBody:
    caps = (Cap("woofer", "cone", (0.8, 0.0, -0.6), 0.06), Cap("tweeter", "dome", (1.0, 0.0, 0.0), 0.0125))
    return SphereBody(0.16, caps, (0.2, 0.3, 0.25))


@pytest.mark.parametrize("body", [a_sphere(), BoxBody("A"), BoxBody("C", 1.2)], ids=["sphere", "A", "C"])
def test_all_radiators_are_point_sources_far_below_their_size(body: SphereBody | BoxBody) -> None:
    """rho dU/dt / (4 pi r): the point source in free space (Kinsler et al., Fundamentals of Acoustics, from memory).

    At 20 Hz a quarter of a percent is left of the size of a box, more of the tall one.
    """
    far = body.far(cta_orbits().unit_vectors()[:36], np.array([20.0]), vertical=False)
    assert np.abs(far) == pytest.approx(RHO / (4 * np.pi), rel=0.015)


def test_a_cap_on_a_sphere_is_the_series_of_hankel_functions() -> None:
    """Sum of U_n h_n(kr) / h_n'(ka) P_n with Bessel functions of scipy, at a point beside the axis."""
    body, hz = a_sphere(), np.array([150.0, 900.0, 3200.0])
    cap = body.caps[0]
    point = np.array([[1.1, 0.3, -0.2]])
    middle = np.array([-body.radius_m, 0.0, 0.0])
    away = point[0] - middle
    distance = float(np.linalg.norm(away))
    cosine = float(away @ np.array(cap.toward)) / distance
    edge = np.cos(np.arcsin(cap.radius_m / body.radius_m))
    k = 2 * np.pi * hz / body.c_m_s
    total = np.zeros(hz.size, dtype=complex)
    for n in range(40):
        slope = 0.5 * (eval_legendre(n - 1, edge) - eval_legendre(n + 1, edge)) if n else 0.5 * (1 - edge)
        outgoing = spherical_jn(n, k * distance) - 1j * spherical_yn(n, k * distance)
        rate = spherical_jn(n, k * body.radius_m, True) - 1j * spherical_yn(n, k * body.radius_m, True)
        total += slope * outgoing / rate * eval_legendre(n, cosine)
    flow = 2 * np.pi * body.radius_m**2 * (1 - edge)
    wanted = -1j * RHO * body.c_m_s * total / flow / (2j * np.pi * hz)
    assert body.at(point, hz, vertical=False)[0, 0] == pytest.approx(wanted, rel=1e-6)


def test_the_far_field_of_a_body_is_the_limit_of_its_field() -> None:
    """Pressure times distance at 400 m, to a hundredth (definition; what the body is wide of 400 m turns the phase)."""
    hz = np.array([60.0, 500.0, 1500.0])
    for body in (a_sphere(), BoxBody("H")):
        away = 400.0 * toward(40.0, True)
        near = body.at(away, hz, vertical=True) * 400.0 * np.exp(2j * np.pi * hz * 400.0 / body.c_m_s)
        assert near == pytest.approx(body.far(toward(40.0, True), hz, vertical=True), rel=1e-2)


def test_a_box_gives_the_solved_pressures() -> None:
    """Against numbers of the boundary-element solution itself, 0.05 dB and as much in phase."""
    body, hz = BoxBody("A"), np.array(SOLVED_HZ)
    acceleration = 2j * np.pi * hz
    for column, (vertical, angle) in enumerate(SOLVED_DEG):
        there = body.at(2.0 * toward(angle, vertical), hz, vertical=vertical)[0, 0] * acceleration
        far = body.far(toward(angle, vertical), hz, vertical=vertical)[0, 0] * acceleration
        for row in range(hz.size):
            assert there[row] == pytest.approx(SOLVED_WOOFER[row][column], rel=6e-3)
            assert far[row] == pytest.approx(SOLVED_FAR[row][column], rel=6e-3)
    near = body.near(0, 0.005, hz)[2] * acceleration
    assert near == pytest.approx(np.array(SOLVED_PORT_AT_WOOFER_5_MM), rel=6e-3)


def test_a_scaled_box_is_the_box_at_a_scaled_wavelength() -> None:
    """Helmholtz's similarity: lengths times s, frequencies over s; pressure per volume acceleration over s."""
    hz, s = np.array([100.0, 400.0, 1500.0]), 1.25
    one, large = BoxBody("B"), BoxBody("B", s)
    point = np.array([[0.9, 0.5, 0.0]])
    assert large.at(s * point, hz / s, vertical=False) == pytest.approx(one.at(point, hz, vertical=False) / s)
    assert large.near(0, 0.005 * s, hz / s) == pytest.approx(one.near(0, 0.005, hz) / s)
    assert np.array(large.size_m) == pytest.approx(s * np.array(one.size_m))


@pytest.mark.parametrize("name", ["C", "D", "G"])
def test_a_piston_far_above_its_box_has_its_front_to_itself(name: str) -> None:
    """Twice the point source in front on the mean, next to nothing behind: the baffled piston.

    Kinsler et al., from memory. Edges ripple about it by decibels, which the mean over the widest fronts evens out.
    """
    body, hz = BoxBody(name), np.linspace(1500.0, 2900.0, 40)
    front = np.abs(body.far(np.concatenate([toward(a, False) for a in (-20, -10, 0, 10, 20)]), hz, vertical=False)[1])
    level = 10 * np.log10((front**2).mean() / (RHO / (2 * np.pi)) ** 2)
    assert level == pytest.approx(0.0, abs=0.7)
    behind = np.abs(body.far(toward(150.0, False), hz, vertical=False)[1])
    assert (behind**2).mean() < 0.15 * (front**2).mean()


def test_draws_hold_other_boxes_and_every_box_is_there() -> None:
    assert not set(TUNED_ON) & set(HELD_OUT)
    assert set(TUNED_ON) | set(HELD_OUT) <= set(stored_names())
    for name in stored_names():
        assert stored(name)["field"].shape[:1] == stored(name)["hz"].shape


def free_field() -> tuple[Loudspeaker, Rig]:
    """A calibrated session without any error in a free field, with every angle."""
    one, rig = judge.drawn("tuning", 0, NOTHING)
    plain = replace(
        rig.facts, anechoic=True, near=False, vertical=True, half=False, step_deg=10, by_hand=False, calibrator=True
    )
    return one, replace(rig, facts=plain)


def found_of(one: Loudspeaker, rig: Rig) -> judge.Judged:
    taken, measurement = judge.measured(one, rig)
    truth = truth_of(one, measurement, taken.session, rig.facts.distance_m)
    return judge.compared(0, one, rig, taken.session, measurement, truth)


def test_a_session_without_errors_in_a_free_field_is_exact() -> None:
    """What is left is noise 60 dB below a quiet room's, the sweep's ends and the interpolation to the axis."""
    found = found_of(*free_field())
    for key in ("on_axis", "listening_window", "sound_power", "sound_power_di"):
        rows = (found.hz > 40.0) & (found.hz < 10_000.0) & found.curves[key].valid
        assert rows.sum() > 300
        assert np.abs(found.curves[key].error[rows]).max() < 0.1
    sensitivity = found.figures["sensitivity"]
    assert sensitivity.value == pytest.approx(sensitivity.true, abs=0.01)


def test_an_error_switched_off_leaves_the_others_as_they_were() -> None:
    everything = frozenset(ERRORS)
    whole = judge.drawn("tuning", 3)[1].errors
    less = judge.drawn("tuning", 3, everything - {"places"})[1].errors
    assert whole.places_m.any()
    assert not less.places_m.any()
    for one in fields(whole):
        if one.name != "places_m":
            assert repr(getattr(whole, one.name)) == repr(getattr(less, one.name))


def test_a_session_comes_out_alike_every_time() -> None:
    one, rig = judge.drawn("held out", 5)
    first, second = (recorded(one, rig) for _ in range(2))
    assert first.session == second.session
    assert all(
        first.recordings[name].samples.tobytes() == second.recordings[name].samples.tobytes()
        for name in first.recordings
    )


def test_a_level_that_is_wrong_by_more_than_stated_is_seen() -> None:
    """The benchmark can fail: 2 dB that no uncertainty holds put the curves and the sensitivity outside."""
    coverage = coverage_bench.program("coverage")
    one, rig = free_field()
    found = found_of(one, replace(rig, errors=replace(rig.errors, level_db=2.0), facts=replace(rig.facts, file=False)))
    error, u95, _ = coverage.points([found], "on_axis", (100, 400))
    assert abs(np.median(error)) == pytest.approx(2.0, abs=0.1)
    assert np.mean(np.abs(error) <= u95) == 0.0
    assert not found.figures["sensitivity"].inside
    assert "**0%**" in coverage.curve_table([found])


def test_no_microphone_answers_before_the_sound() -> None:
    """A capsule's response is causal and has its level: minimum phase (Oppenheim and Schafer, from memory)."""
    level = judge.drawn("tuning", 0)[1].errors.microphone.at(np.fft.rfftfreq(SAMPLES, 1 / RATE_HZ))
    response = least_phase(level)
    assert 20 * np.log10(np.abs(response)) == pytest.approx(level, abs=0.01)
    answer = np.fft.irfft(response) ** 2
    assert answer[SAMPLES // 2 :].sum() < 1e-9 * answer.sum()


def test_impulse_responses_give_what_recordings_give() -> None:
    """Both ways into the reduction, without noise to speak of: the same levels within some hundredths of a decibel."""
    one, rig = judge.drawn("tuning", 7, frozenset(ERRORS) - {"noise"})
    (_, long), (_, short) = (judge.measured(one, rig, recordings=way) for way in (True, False))
    rows = long.response.valid & short.response.valid & (long.response.axis.hz > 30.0)
    assert rows.mean() > 0.8
    apart = 20 * np.log10(np.abs(long.response.pressure[rows] / short.response.pressure[rows]))
    assert np.percentile(np.abs(apart), 99) < 0.05
    assert long.response.valid.mean() == pytest.approx(short.response.valid.mean(), abs=0.02)
