"""What the separation's small parts mean, against closed forms and plain linear algebra."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import made_scan as made
import numpy as np
import pytest

from earwitness.dsp.spherical import acn, complex_harmonics, real_harmonics
from earwitness.quantities import FrequencyAxis
from earwitness.reduce import scan_gather
from earwitness.reduce.scan_doubt import disagreement, tolerances_of
from earwitness.reduce.scan_measurement import _Between, _field_on
from earwitness.reduce.separate import gated, kernel_route, scatter
from earwitness.reduce.separate.dense_route import fit_points
from earwitness.reduce.separate.expansion import Expansion, places_of
from earwitness.reduce.separate.field import Part, SeparatedField, Shell, _variance_along, far_factor
from earwitness.reduce.separate.kernel_route import Family, Prior, fit_kernel
from earwitness.reduce.separate.normal_equations import Regularization, Waves, solve
from earwitness.reduce.separate.nuisance import SoundField
from earwitness.reduce.separate.robust import Points, contradicted, first_visits, scan_of_visits, usable_rows
from earwitness.reduce.separate.sampling import even_directions
from earwitness.session.plan import plan_scan
from earwitness.session.responses import ScanSetup

SHELL = Shell(0.2, 0.4, 0.8)
POINTS = made.ring_sphere(0.4, 8, 16)


def part(**changes: object) -> Part:
    usual = Part(
        rows=np.arange(2), weight=np.ones(2), center_m=np.zeros(3), axes=(0, 1, 2), shell=SHELL, inner_radius_m=0.2,
        outgoing=np.ones((2, 4), dtype=complex), order=np.array([1, 1]), directions=np.array([1.0, 0.0, -1.0]),
        variance=np.ones((3, 2)), remainder=None,
    )  # fmt: skip
    return replace(usual, **changes)


def test_the_stated_variance_is_that_of_many_noises() -> None:
    # Monte Carlo: 80 frequencies a millionth apart are 80 draws of noise over one field.
    k = 4.0 * (1 + 1e-6 * np.arange(80))
    clean = made.monopoles(POINTS, np.array([[0.03, 0.0, 0.02]]), np.ones(1), k)
    rng = np.random.default_rng(3)
    noise = 0.05 * (rng.normal(size=clean.shape) + 1j * rng.normal(size=clean.shape))
    order = np.full(k.size, 3)
    found = fit_points(POINTS, clean + noise, k, SHELL, order, order - 4, np.zeros(len(POINTS), dtype=bool))
    look = even_directions(240)
    around = complex_harmonics(3, look[:, 2], np.arctan2(look[:, 1], look[:, 0]))
    far = around @ (far_factor(k, 3, SHELL)[:, acn(3)[0]] * found.outgoing).T
    happened = np.mean(np.var(far, axis=1))
    assert np.mean(found.variance) == pytest.approx(happened, rel=0.15)


def test_the_covariance_of_outgoing_waves_alone_is_the_inverse_of_their_equations() -> None:
    # numpy's general inverse of A^H A + penalty.
    fit = Expansion(places_of(POINTS, 4, beside=False), 6.0, SHELL, 4, -1, np.array([1e-2, 1.0]))
    gram = fit.matrix.conj().T @ fit.matrix + np.diag(fit.load)
    assert np.allclose(fit.inverse @ gram, np.eye(25), atol=1e-8)


def test_variance_between_rings_of_directions_is_drawn_straight_over_the_angle() -> None:
    angle = np.linspace(0.0, np.pi, 7)
    told = np.stack([angle**2, 1 + np.sin(angle)], axis=1)
    one = part(directions=np.cos(angle), variance=told)
    asked = np.linspace(0.0, np.pi, 29)
    local = np.stack([np.sin(asked), 0 * asked, np.cos(asked)], axis=1)
    # numpy's interpolation between the same angles.
    expected = np.stack([np.interp(asked, angle, column) for column in told.T], axis=1)
    assert np.allclose(_variance_along(one, local), expected, atol=1e-9)


def test_waves_solved_at_few_wavenumbers_are_drawn_as_cubics() -> None:
    # Lagrange's interpolation over four nodes is exact for a cubic (any handbook of numerical analysis).
    k = np.linspace(2.0, 6.0, 200)

    def cubic(x: np.ndarray) -> np.ndarray:
        return np.asarray(0.3 * x**3 - x**2 + 2 * x - 5)

    drawn = np.zeros(k.size)
    plan = scatter._nodes(k, 0.3)
    assert len(plan) < k.size
    for node, rows, share in plan:
        drawn[rows] += share * cubic(np.array(node))
    assert np.allclose(drawn, cubic(k), atol=1e-9)


def test_noise_is_told_against_the_sound_whatever_the_gain() -> None:
    # White noise 40 dB under sound that is as loud everywhere; half of the residual's dimensions are left.
    rng = np.random.default_rng(1)
    pressure = np.exp(2j * np.pi * rng.uniform(size=(400, 6)))
    left = 0.01 * np.sqrt(0.5) * np.exp(2j * np.pi * rng.uniform(size=(400, 6)))
    for gain in (1.0, 0.02):
        assert gated._noise_db(gain * left, np.full(6, 0.5), gain * pressure) == pytest.approx(-40.0, abs=0.01)


def test_far_waves_of_a_source_beside_the_middle_are_the_limit_of_near_ones() -> None:
    # lim r e^(jkr) p along each direction, read at 10 km.
    k, family = 5.0, Family(np.array([0.05, -0.08, 0.1]), 0.1)
    look, away = even_directions(40), 1e4
    order = kernel_route.family_order(k, family.radius_m)[0]
    table = real_harmonics(order, look[:, 2], np.arctan2(look[:, 1], look[:, 0]))
    basis = kernel_route._harmonics(away * look, family.center_m, order)
    columns, far, _, _ = kernel_route._waves(basis, table, look, k, family)
    assert np.allclose(columns * away * np.exp(1j * k * away), far, atol=1e-3 * np.abs(far).max())


def test_variance_of_a_kernel_goes_with_the_square_of_the_gain() -> None:
    # Volts or millivolts: pressures a hundred times as large have a variance ten thousand times as large.
    k = np.array([4.0, 5.0])
    rng = np.random.default_rng(5)
    heard = made.monopoles(POINTS, made.NEAR, made.NEAR_STRENGTH, k)
    heard = heard + 0.3 * (rng.normal(size=heard.shape) + 1j * rng.normal(size=heard.shape))
    families = (Family(np.array([0.05, 0.0, 0.05]), 0.1), Family(np.zeros(3), 0.25))
    prior = Prior(families, np.zeros((2, 2)), -60.0, 0.0)
    small, large = (fit_kernel(POINTS, gain * heard, k, prior).variance for gain in (1.0, 100.0))
    assert np.allclose(large, 1e4 * small, rtol=1e-6)


def test_a_point_with_one_missing_number_is_not_used() -> None:
    points, pressure = POINTS[:4].copy(), np.ones((4, 3), dtype=complex)
    pressure[1, 2], pressure[3], points[2, 0] = np.nan, 0.0, np.inf
    assert usable_rows(points, pressure).tolist() == [0]


def test_a_place_visited_again_beside_the_rings_is_no_part_of_the_scan() -> None:
    plan = plan_scan((0.16, 0.2, 0.16), 700.0, body_center_m=(0.0, 0.0, 0.0))
    kept = scan_of_visits(plan.points_m, first_visits(plan.points_m, 1e-4), np.zeros(3))
    assert kept.tolist() == [name != "reference" for name in plan.surfaces]


def test_waves_between_two_frequencies_are_between_those_of_both() -> None:
    # A straight line over the logarithm of frequency: half way at the geometric mean.
    hz = np.array([100.0, 400.0])
    one = part(outgoing=np.array([[1.0, 2.0, 0.0, 4.0], [3.0, 2.0, 1.0, 0.0]], dtype=complex))
    field = SeparatedField(FrequencyAxis(hz), 343.0, np.zeros(3), (one,), np.ones(2, dtype=bool))
    to = np.array([100.0, 200.0, 400.0])
    drawn = _field_on(field, FrequencyAxis(to), _Between(hz, to), np.ones(2, dtype=complex), np.ones(3, dtype=complex))
    expected = np.array([[1.0, 2.0, 0.0, 4.0], [2.0, 2.0, 0.5, 2.0], [3.0, 2.0, 1.0, 0.0]])
    assert np.allclose(drawn.parts[0].outgoing, expected)


def test_stated_tolerances_of_a_scan_are_in_si_units() -> None:
    # 20 us are 20e-6 s; sound's speed grows as the root of the absolute temperature: half of 2 K in 293.15 K.
    found = tolerances_of(ScanSetup(clock_drift_us=20.0, temperature_u_c=2.0, gain_u_db=0.2, radius_u_m=1e-3))
    assert found.clock_drift_s == pytest.approx(20e-6)
    assert found.speed == pytest.approx(1.0 / 293.15, rel=0.03)
    assert (found.gain_db, found.radius_m) == (0.2, 1e-3)


def test_a_wrong_point_that_stands_alone_stays_wrong_once_it_is_left_out() -> None:
    # A new point's residual has the variance sigma^2 (1 + h) (Cook and Weisberg, 1982, from memory); close to the
    # source, where no other point stands, h is above 1.
    points = np.concatenate([POINTS, [[0.0, 0.15, 0.2]]])
    k, order = np.array([3.0, 3.5, 4.0]), np.full(3, 6)
    heard = made.monopoles(points, np.array([[0.03, 0.0, 0.02]]), np.ones(1), k)
    rng = np.random.default_rng(4)
    heard = heard + 1e-3 * (rng.normal(size=heard.shape) + 1j * rng.normal(size=heard.shape))
    state = Regularization(np.full((3, 2), 1e-6), np.full(3, 2e-6), np.full(3, 49.0), np.full(3, 2e-6))
    trusted = np.ones(3, dtype=bool)
    sound = contradicted(points, heard, k, SHELL, (order, np.full(3, -1)), state, trusted)
    heard[-1] *= -1.0
    wrong = contradicted(points, heard, k, SHELL, (order, np.full(3, -1)), state, trusted)
    assert not sound.any()
    assert np.flatnonzero(wrong).tolist() == [len(POINTS)]


@pytest.mark.parametrize("gain", [1.0, 1e-6])
def test_single_precision_is_refined_to_double_whatever_the_gain(gain: float) -> None:
    # numpy's general solver of the same loaded equations.
    rng = np.random.default_rng(6)
    # Columns that are nearly alike: one correction is not enough.
    matrix = np.asfortranarray((1 + 0.02 * rng.normal(size=(60, 20))) * 10.0 ** rng.uniform(-1, 1, 20))
    data, penalty = gain * (rng.normal(size=60) + 1j * rng.normal(size=60)), np.array([1e-6, 1e-6])
    waves = Waves(matrix, ((np.ones((60, 1)), np.zeros(20, dtype=int)),))
    found = solve(waves, data, np.arange(60), 12, penalty, single=True)
    expected = np.linalg.solve(matrix.T @ matrix + np.diag(found.load), matrix.T @ data)
    assert np.allclose(found.unknowns, expected, rtol=0, atol=1e-8 * np.abs(expected).max())


@pytest.mark.parametrize(("late_s", "loop", "told_s"), [(5e-4, 2, 0.0), (5e-4, None, 5e-4), (4e-3, 2, 4e-3)])
def test_a_small_lateness_is_none_where_a_loop_back_is_recorded(late_s: float, loop: int | None, told_s: float) -> None:
    # A band-limited click late_s after the flight, in every recording; half a millisecond with a loop-back is the
    # loudspeaker's own rise, four are a delay of the chain.
    rate_hz, expected_s = 48_000, 0.0 if late_s < 1e-3 else late_s
    click = np.zeros((3, 1600))
    click[:, round((late_s - expected_s + scan_gather.BEFORE_S) * rate_hz)] = 1.0
    take = SimpleNamespace(id="a", file="a", microphone_channel=1, reference_channel=loop, drive_v=1.0)
    session, cut = SimpleNamespace(reference=None), SimpleNamespace(rate_hz=rate_hz, latency_s=expected_s)
    found = scan_gather._latency(session, [take], click, np.eye(3), cut, 20_000.0)
    assert found == pytest.approx(told_s, abs=6e-5)


def test_two_kinds_of_sound_that_share_no_frequency_leave_the_uncertainty_as_it_is() -> None:
    axis = FrequencyAxis(np.array([100.0, 200.0, 400.0, 800.0]))
    low, high = (
        SimpleNamespace(field=SimpleNamespace(axis=axis), quality=SimpleNamespace(valid=axis.hz < 300.0)),
        SimpleNamespace(field=SimpleNamespace(axis=axis), quality=SimpleNamespace(valid=axis.hz > 300.0)),
    )
    assert disagreement(SimpleNamespace(whole=object()), low, high, np.zeros(4)) == 1.0


def test_a_room_of_one_order_is_no_direct_sound() -> None:
    # Order 0 of incoming waves is sound of the room, at low frequencies nearly all of it.
    one = SoundField(
        pressure=np.ones((4, 2), dtype=complex), k=np.ones(2), order_out=np.zeros(2, dtype=int),
        order_in=np.array([0, 0]), penalty=np.ones((2, 2)), noise_rms=np.zeros(2),
        residual=np.ones((4, 2), dtype=complex), left=np.ones(2), shell=SHELL,
    )  # fmt: skip
    assert not one.is_direct
    assert replace(one, order_in=np.array([-1, -1])).is_direct


@pytest.mark.parametrize(("noise", "resolved"), [(0.02, True), (3.0, False)])
def test_waves_that_leave_most_of_the_sound_unexplained_are_not_believed(
    noise: float, resolved: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    # One point source is told by its waves; noise three times as loud as it is told by none. Energies count: the
    # phase that pressures happen to have at the points says nothing.
    # The source's place is given: how it is found is no matter here.
    monkeypatch.setattr(gated, "likeliest_center", lambda **_: np.array([0.02, 0.0, 0.03]))
    points, half, k = made.spiral_sphere(0.42, 48), np.array([0.12, 0.1, 0.17]), np.array([8.0, 9.0, 10.0])
    rng = np.random.default_rng(1)
    heard = made.monopoles(points, np.array([[0.02, 0.0, 0.03]]), np.ones(1), k)
    heard = heard + noise * np.abs(heard).mean() * (rng.normal(size=heard.shape) + 1j * rng.normal(size=heard.shape))
    scan = gated._Scan(
        clean=Points(points, heard, np.arange(48), ()), left_out=np.zeros(48, dtype=bool), moved_m=points, k=k,
        middle=np.zeros(3), half=half, usable=48, speed_m_s=made.SPEED_M_S, places=None,
    )  # fmt: skip
    assert gated._mixed_band(scan, np.arange(3), None).resolved.tolist() == [resolved] * 3
