"""The cap on a sphere, against Beranek and Mellow's series (check values s6.cap_*, computed apart from this code)."""

from __future__ import annotations

import numpy as np
import pytest
from plain_series import cap_power, cap_pressure

from earwitness.demo import sources
from earwitness.errors import InputError

RADIUS_M = 0.2
C = sources.SPEED_OF_SOUND_M_S
RHO = sources.AIR_DENSITY_KG_M3
ANGLES = np.cos(np.radians([0.0, 30, 60, 90, 120, 150, 180]))


def frequency(ka: float) -> np.ndarray:
    return np.array([ka * C / (2 * np.pi * RADIUS_M)])


def far(alpha_deg: float, ka: float, cos_angle: np.ndarray) -> np.ndarray:
    series = sources.cap_coefficients(np.radians(alpha_deg), sources.order_for(ka))
    return sources.cap_far_field(series, RADIUS_M, cos_angle, frequency(ka))[:, 0]


@pytest.mark.parametrize(
    ("motion", "alpha_deg", "expected"),
    [
        # s6.cap_U0toU4_alpha10, s6.cap_axial_U0toU4_alpha10, s6.cap_U0toU4_alpha30, s6.cap_axial_U0toU4_alpha30
        ("radial", 10, [0.00759612349389599, 0.022615267205284395, 0.037119484133677993, 0.050779983381572025]),
        ("axial", 10, [0.007538422401761465, 0.02244391714736719, 0.036839694824196655, 0.0504002726230324]),
        ("radial", 30, [0.06698729810778065, 0.1874999999999999, 0.27063293868263694, 0.3007812499999999]),
        ("axial", 30, [0.062499999999999965, 0.17524047358083542, 0.2539062499999999, 0.28416458561676883]),
    ],
)
def test_series_coefficients(motion: str, alpha_deg: float, expected: list[float]) -> None:
    np.testing.assert_allclose(sources.cap_coefficients(np.radians(alpha_deg), 3, motion=motion), expected, rtol=1e-11)


@pytest.mark.parametrize(
    ("alpha_deg", "ka", "expected_db"),
    [
        # s6.cap_alpha10_onaxis_re_monopole_dB_ka*, s6.cap_alpha30_onaxis_re_monopole_dB_ka*
        (10, 0.1, 0.006965311248686571),
        (10, 1.0, 3.0169630666064924),
        (10, 20.0, 5.93385373408304),
        (30, 0.1, 0.003888185300308196),
        (30, 2.0, 4.1812261772869),
        (30, 10.0, 5.13282091371531),
        (30, 20.0, 3.198041459310646),
        # s6.cap_alpha60_ka_at_plus3dB
        (60, 1.5090507239067907, 3.0),
    ],
)
def test_step_from_full_to_half_space(alpha_deg: float, ka: float, expected_db: float) -> None:
    flow = sources.cap_volume_velocity(sources.cap_coefficients(np.radians(alpha_deg), 0), RADIUS_M)
    monopole = 2 * np.pi * frequency(ka)[0] * RHO * flow / (4 * np.pi)
    step_db = 20 * np.log10(np.abs(far(alpha_deg, ka, np.array([1.0]))[0]) / monopole)
    assert step_db == pytest.approx(expected_db, abs=1e-8)


@pytest.mark.parametrize(
    ("alpha_deg", "ka", "expected_db", "index_db"),
    [
        # s6.cap_alpha*_ka*_dB_at_30_60_90_120_150_180 and s6.cap_alpha*_ka*_DI_dB
        (
            10,
            2.0,
            [-0.4357739380, -1.5708378264, -3.0257063762, -6.5273730359, -6.1496331111, -3.4969615877],
            2.957704836923314,
        ),
        (
            30,
            10.0,
            [-7.6188588153, -18.3878651676, -20.1102809013, -24.6892831799, -30.0163112729, -20.4595903888],
            13.507615557886304,
        ),
    ],
)
def test_directivity_and_index(alpha_deg: float, ka: float, expected_db: list[float], index_db: float) -> None:
    field = far(alpha_deg, ka, ANGLES)
    np.testing.assert_allclose(20 * np.log10(np.abs(field[1:] / field[0])), expected_db, atol=1e-8)
    series = sources.cap_coefficients(np.radians(alpha_deg), sources.order_for(ka))
    power = cap_power(series, RADIUS_M, frequency(ka))[0]
    index = 10 * np.log10(np.abs(field[0]) ** 2 / (2 * RHO * C) * 4 * np.pi / power)
    assert index == pytest.approx(index_db, abs=1e-8)


def test_complex_far_field_and_its_time_sign() -> None:
    # s6.cap_alpha30_ka2_far_complex_theta0_re_im, ..._theta90_re_im
    k = 2.0 / RADIUS_M
    expected = [-0.361953575294395 - 0.23878813284912376j, -0.0612836425087684 + 0.2603278226514604j]
    np.testing.assert_allclose(far(30, 2.0, np.array([1.0, 0.0])) * k / (RHO * C), expected, atol=1e-12)


def test_complex_near_field_at_twice_the_radius() -> None:
    # s6.cap_alpha30_ka2_near_r2a_p_over_rhocu_theta0_re_im, ..._theta90_re_im
    series = sources.cap_coefficients(np.radians(30), 60)
    points = np.full(2, 2 * RADIUS_M)
    field = cap_pressure(series, RADIUS_M, points, np.array([1.0, 0.0]), frequency(2.0))[:, 0] / (RHO * C)
    expected = [0.16871486085206597 - 0.08705561007531089j, -0.04553832684413956 - 0.015485650965553713j]
    np.testing.assert_allclose(field, expected, atol=1e-10)


def test_near_field_far_out_becomes_the_far_field() -> None:
    """Sommerfeld: at 1000 radii only the 1/r wave is left."""
    series = sources.cap_coefficients(np.radians(30), 30)
    distance = 1000 * RADIUS_M
    near = cap_pressure(series, RADIUS_M, np.full(7, distance), ANGLES, frequency(2.0))[:, 0]
    k = 2.0 / RADIUS_M
    np.testing.assert_allclose(near * distance * np.exp(1j * k * distance), far(30, 2.0, ANGLES), rtol=5e-3)


def test_power_agrees_with_the_far_field_integral() -> None:
    """Gauss-Legendre over the sphere of |p|^2 / (2 rho c), numpy's own nodes."""
    nodes, weights = np.polynomial.legendre.leggauss(80)
    field = far(10, 5.0, nodes)
    integral = 2 * np.pi * np.sum(weights * np.abs(field) ** 2) / (2 * RHO * C)
    series = sources.cap_coefficients(np.radians(10), sources.order_for(5.0))
    assert cap_power(series, RADIUS_M, frequency(5.0))[0] == pytest.approx(integral, rel=1e-12)


def test_orders_beyond_double_precision_stay_finite() -> None:
    series = sources.cap_coefficients(np.radians(10), 200)
    field = cap_pressure(series, RADIUS_M, np.array([0.3]), np.array([1.0]), np.array([20.0, 2000.0]))
    assert np.all(np.isfinite(field))


@pytest.mark.parametrize("half_angle_rad", [0.0, -0.1, 4.0, float("nan")])
def test_an_impossible_cap_is_refused(half_angle_rad: float) -> None:
    with pytest.raises(InputError, match="half-angle"):
        sources.cap_coefficients(half_angle_rad, 3)


def test_bad_points_and_frequencies_are_refused() -> None:
    series = sources.cap_coefficients(0.5, 3)
    with pytest.raises(InputError, match="lies inside the sphere"):
        cap_pressure(series, RADIUS_M, np.array([0.1]), np.array([1.0]), np.array([100.0]))
    with pytest.raises(InputError, match="lies inside the sphere"):
        cap_pressure(series, RADIUS_M, np.array([np.nan]), np.array([1.0]), np.array([100.0]))
    with pytest.raises(InputError, match="not positive"):
        sources.cap_far_field(series, RADIUS_M, np.array([1.0]), np.array([0.0]))
    with pytest.raises(InputError, match="motion"):
        sources.cap_coefficients(0.5, 3, motion="sideways")
