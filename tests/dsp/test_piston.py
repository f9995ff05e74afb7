"""Pistons in a plane against closed forms and plain quadrature.

Keele's numbers are those of the processing reference, section 3 (s3.keele_..., JAES 22, 1974, from memory).
"""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.dsp.box_field import RimIntegral, axial_pressure


@pytest.mark.parametrize("gap_m", [0.0, 0.003, 0.02, 0.08])
def test_axial_pressure_is_that_of_the_handbook(gap_m: float) -> None:
    """rho c u (exp(-jkz) - exp(-jkR)) over j omega rho pi a^2 u (Kinsler et al., from memory)."""
    radius = 0.08
    k = np.array([0.1, 0.7, 1.5, 1.99]) / radius
    exact = (np.exp(-1j * k * gap_m) - np.exp(-1j * k * np.hypot(gap_m, radius))) / (1j * k * np.pi * radius**2)
    assert axial_pressure(k, radius, gap_m) == pytest.approx(exact, rel=1e-9)


@pytest.mark.parametrize(
    ("ka", "deficit_db"),
    # s3.keele_nearfield_deficit_dB_ka0.2 ... ka2.0
    [(0.2, -0.014481311290457132), (0.5, -0.09066726445558829), (1.0, -0.3649767902451856),
     (1.5, -0.8301397128944472), (2.0, -1.49921709120991)],
)  # fmt: skip
def test_deficit_at_high_frequencies(ka: float, deficit_db: float) -> None:
    a = 0.08
    level = 20 * np.log10(np.abs(axial_pressure(np.array([ka / a]), a, 0.0) * np.pi * a))
    assert level == pytest.approx([deficit_db], abs=1e-9)


@pytest.mark.parametrize(
    ("share", "error_db"),
    # s3.keele_mic_offset_err_dB_z0.02a ... z0.3a
    [(0.02, -0.173706213659235), (0.05, -0.43411372914223856), (0.11, -0.9535314569225971),
     (0.2, -1.7258003706684735), (0.3, -2.568183460086242)],
)  # fmt: skip
def test_gap(share: float, error_db: float) -> None:
    level = 20 * np.log10(np.abs(axial_pressure(np.array([1e-6]), 0.08, share * 0.08) * np.pi * 0.08))
    assert level == pytest.approx([error_db], abs=1e-6)


def test_the_size_is_held_above_ka_2_and_the_phase_goes_on() -> None:
    """sin(x) / x at half the path difference: at ka 2 in contact sin(1) = 0.8415."""
    a = 0.08
    found = axial_pressure(np.array([1.0, 2.0, 3.0, 6.0]) / a, a, 0.0) * np.pi * a
    assert np.abs(found) == pytest.approx([np.sin(0.5) / 0.5, *[np.sin(1.0)] * 3], rel=1e-12)
    assert np.unwrap(np.angle(found)) == pytest.approx([-0.5, -1.0, -1.5, -3.0])


def test_rim_integral_on_the_axis_is_the_axial_pressure() -> None:
    a = 0.065
    gaps = np.array([0.0, 0.005, 0.1, 2.0])
    for k in (0.5, 8.0, 15.0):
        found = RimIntegral(np.zeros((4, 2)), gaps, a).at(k)
        exact = [np.pi * a**2 / 2 * axial_pressure(np.array([k]), a, gap)[0] for gap in gaps]
        assert found == pytest.approx(np.array(exact), rel=1e-9)


@pytest.mark.parametrize(("aside", "height"), [(0.03, 0.004), (0.09, 0.0), (0.05, 0.2), (1.0, 0.5)])
def test_rim_integral_against_plain_quadrature(aside: float, height: float) -> None:
    """Polar midpoint rule over the disc, refined until its own error is below the tolerance."""
    a, k, n = 0.065, 12.0, 700
    r = (np.arange(n) + 0.5) * a / n
    t = (np.arange(n) + 0.5) * 2 * np.pi / n
    x, y = r[:, None] * np.cos(t), r[:, None] * np.sin(t)
    apart = np.sqrt((x - aside) ** 2 + y**2 + height**2)
    exact = np.sum(np.exp(-1j * k * apart) / (4 * np.pi * apart) * r[:, None]) * a / n * 2 * np.pi / n
    found = RimIntegral(np.array([[aside, 0.0]]), np.array([height]), a, 256).at(k)
    assert found == pytest.approx(np.array([exact]), rel=2e-3)


def test_rim_integral_far_away_is_a_point_source_of_the_disc_s_area() -> None:
    a, away = 0.05, 20.0
    found = RimIntegral(np.array([[0.0, 0.0]]), np.array([away]), a).at(0.1)
    assert abs(found[0]) == pytest.approx(np.pi * a**2 / (4 * np.pi * away), rel=1e-5)
