"""Finite-distance series by ratios against the plain series with scipy's Bessel functions, and its far limit."""

from __future__ import annotations

import numpy as np
from plain_series import cap_pressure

from earwitness.demo import sources

RADIUS_M = 0.2
FREQUENCY = np.array([40.0, 300.0, 2500.0, 15_000.0])
COSINE = np.cos(np.radians([0.0, 20.0, 75.0, 180.0]))


def test_points_at_any_distance_match_the_plain_series() -> None:
    series = sources.cap_coefficients(0.3, 90)
    distance = np.array([0.5, 0.9, 2.0, 3.0])
    mine = sources.cap_at_points(sources.spread(90, RADIUS_M, distance, FREQUENCY), series, COSINE)
    plain = cap_pressure(series, RADIUS_M, distance, COSINE, FREQUENCY)
    np.testing.assert_allclose(mine, plain, rtol=1e-8)


def test_far_orders_match_the_plain_far_field() -> None:
    order = sources.order_for(2 * np.pi * FREQUENCY[-1] / 343.0 * RADIUS_M)
    series = sources.cap_coefficients(0.3, order)
    mine = (series * sources.legendre_table(order, COSINE)) @ sources.spread_far(order, RADIUS_M, FREQUENCY)
    np.testing.assert_allclose(mine, sources.cap_far_field(series, RADIUS_M, COSINE, FREQUENCY), rtol=1e-8)


def test_near_the_surface_a_small_cap_acts_like_a_piston_in_a_baffle() -> None:
    # Rigid piston in an infinite baffle, on its axis: rho c |1 - e^(-jk(sqrt(z^2 + r^2) - z))| (Keele 1974,
    # from memory).
    half_angle, gap, f = 0.1, 0.005, np.array([200.0, 500.0, 1000.0])
    series = sources.cap_coefficients(half_angle, 1200)
    mine = sources.cap_at_points(sources.spread(1200, RADIUS_M, np.array([RADIUS_M + gap]), f), series, np.ones(1))[0]
    piston, k = RADIUS_M * np.sin(half_angle), 2 * np.pi * f / 343.0
    plain = 1.204 * 343.0 * np.abs(1 - np.exp(-1j * k * (np.hypot(gap, piston) - gap)))
    # The curved body turns away behind the cap, so the sound is up to 1 dB below a flat baffle's.
    lower = 20 * np.log10(plain / np.abs(mine))
    assert np.all((lower > 0.0) & (lower < 1.0))
