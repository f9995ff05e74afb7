"""Cap in a rigid sphere against the processing reference (section 6, keys beside the numbers) and exact limits.

The reference values follow Beranek and Mellow, Acoustics, and Morse, Vibration and Sound.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import spherical_jn, spherical_yn

from earwitness.dsp.spherical import (
    cap_at_distance,
    cap_diffraction,
    cap_near_pressure,
    cap_velocity,
    equal_volume_radius_m,
)

ANGLES = np.deg2rad([0.0, 30.0, 60.0, 90.0, 120.0, 150.0, 180.0])


def db(ratio: np.ndarray) -> np.ndarray:
    return 20 * np.log10(np.abs(ratio))


@pytest.mark.parametrize(
    ("half_deg", "expected"),
    [
        # s6.cap_U0toU4_alpha10
        (10, [0.00759612349389599, 0.022615267205284395, 0.037119484133677993, 0.050779983381572025,
              0.06328930982135761]),
        # s6.cap_U0toU4_alpha30
        (30, [0.06698729810778065, 0.1874999999999999, 0.27063293868263694, 0.3007812499999999, 0.27401585041617005]),
    ],
)  # fmt: skip
def test_velocity_coefficients(half_deg: float, expected: list[float]) -> None:
    assert cap_velocity(np.deg2rad(half_deg), 5) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(
    ("half_deg", "expected"),
    [
        # s6.cap_alpha10_onaxis_re_monopole_dB_ka0.1 ... ka20.0
        (
            10,
            [
                0.006965311248686571, 0.04277893674441934, 0.6969185709497212, 3.0169630666064924,
                4.384515237652012, 5.44068963607457, 5.824689489535929, 5.93385373408304,
            ],
        ),
        # s6.cap_alpha30_onaxis_re_monopole_dB_ka0.1 ... ka20.0
        (
            30,
            [
                0.003888185300308196, 0.029705796762181238, 0.6064169053074571, 2.857827060029136,
                4.1812261772869, 5.197068886624488, 5.13282091371531, 3.198041459310646,
            ],
        ),
    ],
)  # fmt: skip
def test_baffle_step_on_axis(half_deg: float, expected: list[float]) -> None:
    ka = np.array([0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0])
    assert db(cap_diffraction(ka, np.deg2rad(half_deg), np.ones(1)))[0] == pytest.approx(expected, abs=1e-8)


@pytest.mark.parametrize(
    ("half_deg", "ka", "expected"),
    [
        # s6.cap_alpha10_ka1.0_dB_at_30_60_90_120_150_180
        (10, 1.0, [-0.35915001347947256, -1.5154998420305301, -3.309217421815841, -4.12666966053046,
                   -3.1239175359215516, -2.4831825055681125]),
        # s6.cap_alpha10_ka10.0_dB_at_30_60_90_120_150_180
        (10, 10.0, [-0.9528072270872916, -3.476774286039723, -7.254475211300245, -12.445512865203966,
                    -18.649033278203444, -9.457137338185502]),
        # s6.cap_alpha30_ka2.0_dB_at_30_60_90_120_150_180
        (30, 2.0, [-0.6578929296166516, -2.2730372460781743, -4.197620051060381, -7.892996453916741,
                   -7.260890243523344, -4.542708976295921]),
        # s6.cap_alpha30_ka5.0_dB_at_30_60_90_120_150_180
        (30, 5.0, [-1.9006856077747982, -6.841080700591284, -12.626954774771024, -17.421252795778422,
                   -20.74574322567217, -13.454527249881279]),
    ],
)  # fmt: skip
def test_directivity(half_deg: float, ka: float, expected: list[float]) -> None:
    level = db(cap_diffraction(np.array([ka]), np.deg2rad(half_deg), np.cos(ANGLES)))[:, 0]
    assert level[1:] - level[0] == pytest.approx(expected, abs=1e-7)


@pytest.mark.parametrize(
    ("half_deg", "index_db"),
    [
        # s6.cap_alpha10_ka1.0_DI_dB, ka5.0, ka10.0
        (10, {1.0: 2.424297, 5.0: 3.714956, 10.0: 5.46912}),
        # s6.cap_alpha30_ka1.0_DI_dB, ka2.0, ka5.0
        (30, {1.0: 2.605919, 2.0: 3.727551, 5.0: 7.838293}),
    ],
)
def test_directivity_index(half_deg: float, index_db: dict[float, float]) -> None:
    """On axis over the mean of the squares, by Gauss-Legendre quadrature over the sphere."""
    nodes, weights = np.polynomial.legendre.leggauss(80)
    for ka, expected in index_db.items():
        shape = np.abs(cap_diffraction(np.array([ka]), np.deg2rad(half_deg), np.append(nodes, 1.0))[:, 0]) ** 2
        assert 10 * np.log10(shape[-1] / (weights @ shape[:-1] / 2)) == pytest.approx(expected, abs=2e-6)


def test_complex_far_field() -> None:
    # s6.cap_alpha30_ka2_far_complex_theta0_re_im, ..._theta90_re_im: F = sum U_n j^n / h_n' P_n
    ka, alpha = 2.0, np.deg2rad(30)
    far = cap_diffraction(np.array([ka]), alpha, np.array([1.0, 0.0]))[:, 0] * 1j * ka**2 * (1 - np.cos(alpha)) / 2
    assert far[0] == pytest.approx(-0.361953575294395 - 0.23878813284912376j, abs=1e-9)
    assert far[1] == pytest.approx(-0.0612836425087684 + 0.2603278226514604j, abs=1e-9)


@pytest.mark.parametrize(
    ("half_deg", "ka"), [(10, 0.9947454700311188), (30, 1.0463797031807893), (60, 1.5090507239067907)]
)
def test_plus_three_db(half_deg: float, ka: float) -> None:
    # s6.cap_alpha10_ka_at_plus3dB, alpha30, alpha60
    assert db(cap_diffraction(np.array([ka]), np.deg2rad(half_deg), np.ones(1)))[0, 0] == pytest.approx(3.0, abs=2e-2)


def test_pulsating_sphere_is_exact() -> None:
    """The whole sphere as cap has only order 0: 1 / (j x^2 h_0'(x)), textbook closed form exp(jx) / (1 + jx)."""
    ka = np.array([0.01, 1.0, 30.0])
    expected = np.exp(1j * ka) / (1 + 1j * ka)
    assert cap_diffraction(ka, np.pi, np.array([1.0, -0.3])) == pytest.approx(np.stack([expected, expected]), abs=1e-9)


@pytest.mark.parametrize(
    ("cosine", "expected"),
    [
        (1.0, 0.16871486085206597 - 0.08705561007531089j),  # s6.cap_alpha30_ka2_near_r2a_p_over_rhocu_theta0_re_im
        (0.0, -0.04553832684413956 - 0.015485650965553713j),  # s6.cap_alpha30_ka2_near_r2a_p_over_rhocu_theta90_re_im
    ],
)
def test_near_field(cosine: float, expected: complex) -> None:
    ka, alpha = 2.0, np.deg2rad(30)
    relative = cap_near_pressure(np.array([ka]), alpha, cosine, 2.0)[0]
    assert relative * 1j * ka * (1 - np.cos(alpha)) / 2 == pytest.approx(expected, abs=1e-6)


def test_near_field_of_a_small_cap_is_a_piston_in_a_baffle() -> None:
    """At the cap's middle j omega rho u r: 4 a / r times the monopole's field at the sphere's radius."""
    half = 0.03
    got = cap_near_pressure(np.array([1e-3]), half, 1.0, 1.0)[0]
    assert abs(got) * np.sin(half) / 4 == pytest.approx(1.0, abs=0.04)


def test_point_inside_the_sphere() -> None:
    with pytest.raises(ValueError, match="outside the sphere"):
        cap_near_pressure(np.ones(1), 0.3, 1.0, 0.9)


def test_acoustic_center() -> None:
    # s6.cap_alpha10_acoustic_centre_over_a_lowfreq: the sound seems to start 1.49 radii ahead of the center; alpha30
    ka = 1e-3
    for half_deg, radii in ((10, 1.4886061563398667), (30, 1.399519)):
        phase = np.angle(cap_diffraction(np.array([ka]), np.deg2rad(half_deg), np.array([1.0, -1.0])))[:, 0]
        assert (phase[0] - phase[1]) / (2 * ka) == pytest.approx(radii, rel=1e-4)


def test_power_balance() -> None:
    """Far-field power equals what the series says flows through the sphere (orthogonality of P_n)."""
    ka, alpha = 7.0, np.deg2rad(20)
    nodes, weights = np.polynomial.legendre.leggauss(80)
    shape = cap_diffraction(np.array([ka]), alpha, nodes)[:, 0]
    n = np.arange(40)
    u = cap_velocity(alpha, 40)
    slope = spherical_jn(n, ka, derivative=True) - 1j * spherical_yn(n, ka, derivative=True)
    series = np.sum(2 / (2 * n + 1) * np.abs(u / slope) ** 2) / (ka**4 * u[0] ** 2)
    assert np.sum(weights * np.abs(shape) ** 2) == pytest.approx(series, rel=1e-9)


def test_wide_range_stays_finite() -> None:
    out = cap_diffraction(np.geomspace(1e-3, 120, 40), 0.2, np.linspace(-1, 1, 7))
    assert np.isfinite(out).all()
    assert np.abs(out[:, 0] - 1).max() < 2e-3


def test_equal_volume() -> None:
    radius = equal_volume_radius_m(0.2, 0.3, 0.4)
    assert 4 / 3 * np.pi * radius**3 == pytest.approx(0.024)


@pytest.mark.parametrize(
    ("ka", "half", "cosine"), [([0.0], 0.3, [1.0]), ([1.0], 0.0, [1.0]), ([1.0], 0.3, [1.2]), ([], 0.3, [1.0])]
)
def test_refuses(ka: list[float], half: float, cosine: list[float]) -> None:
    with pytest.raises(ValueError, match="must"):
        cap_diffraction(np.array(ka), half, np.array(cosine))


def test_far_away_the_finite_distance_field_becomes_the_far_field() -> None:
    """Large-argument limit of the spherical Hankel functions, h_n(x) -> j^(n+1) exp(-jx) / x."""
    ka, cosine = np.array([0.1, 0.7, 3.0]), np.array([1.0, 0.2, -0.9])
    there = cap_at_distance(ka, 0.5, cosine, np.full(3, 1e5))
    np.testing.assert_allclose(there, cap_diffraction(ka, 0.5, cosine), rtol=2e-3)


def test_close_by_the_finite_distance_field_is_that_of_the_near_series() -> None:
    """The two series differ only in how they sum; s6.cap_alpha30_ka2_near_r2a_p_over_rhocu gives one value."""
    ka = np.array([2.0])
    there = cap_at_distance(ka, np.pi / 6, np.array([1.0, 0.0]), np.full(2, 2.0))
    u0 = (1 - np.cos(np.pi / 6)) / 2
    # p / (rho c u0 a) from p / (j omega rho U exp(-jkr) / (4 pi r)), U = 4 pi a^2 U_0
    pressure = there[:, 0] * 1j * 2.0 * u0 * np.exp(-4j) / 2.0
    np.testing.assert_allclose(pressure, [0.16871486 - 0.08705561j, -0.04553833 - 0.01548565j], atol=1e-7)
