"""Harmonics and spherical waves against scipy, spharpy and check values of handbook formulas."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import sph_harm_y, spherical_jn, spherical_yn

from earwitness.dsp import spherical

RNG = np.random.default_rng(7)
POLAR = np.arccos(RNG.uniform(-1, 1, 40))
AZIMUTH = RNG.uniform(-np.pi, np.pi, 40)


def test_complex_harmonics_are_scipys() -> None:
    ours = spherical.complex_harmonics(12, np.cos(POLAR), AZIMUTH)
    n, m = spherical.acn(12)
    assert np.allclose(ours, sph_harm_y(n, m, POLAR[:, None], AZIMUTH[:, None]), atol=1e-13)


def test_check_values_of_two_harmonics() -> None:
    # Y_11 and Y_32 at polar 60, azimuth 30 degrees: processing reference, section 5.1.
    ours = spherical.complex_harmonics(3, np.cos(np.deg2rad([60.0])), np.deg2rad([30.0]))[0]
    assert ours[3] == pytest.approx(-0.25912061 - 0.14960336j, abs=1e-8)
    assert ours[14] == pytest.approx(0.19162228 + 0.33189952j, abs=1e-8)


def test_harmonics_are_spharpys_with_condon_shortley_phase() -> None:
    import pyfar
    import spharpy

    points = pyfar.Coordinates.from_spherical_colatitude(AZIMUTH % (2 * np.pi), POLAR, 1.0)
    theirs = spharpy.SphericalHarmonics(
        6, coordinates=points, basis_type="complex", condon_shortley=True, normalization="N3D", channel_convention="ACN"
    ).basis
    ours = spherical.complex_harmonics(6, np.cos(POLAR), AZIMUTH)
    ratio = theirs[:, 0] / ours[:, 0]
    assert np.allclose(theirs, ours * ratio[:, None], atol=1e-12)


def test_real_and_complex_coefficients_describe_one_field() -> None:
    coefficients = RNG.normal(size=(2, 49)) + 1j * RNG.normal(size=(2, 49))
    real = spherical.real_harmonics(6, np.cos(POLAR), AZIMUTH) @ coefficients.T
    both = spherical.complex_harmonics(6, np.cos(POLAR), AZIMUTH) @ spherical.complex_from_real(coefficients).T
    assert np.allclose(real, both, atol=1e-12)


@pytest.mark.parametrize("x", [0.05, 1.0, 2.0, 9.0, 40.0])
def test_outgoing_waves_are_scipys(x: float) -> None:
    n = np.arange(31)
    reference = 0.6 * x
    with np.errstate(all="ignore"):
        theirs = spherical_jn(n, x) - 1j * spherical_yn(n, x)
        theirs /= np.abs(spherical_jn(n, reference) - 1j * spherical_yn(n, reference))
    ours = spherical.outgoing_waves(30, np.array([x]), np.array([reference]))[0]
    assert np.allclose(ours, theirs, rtol=1e-11, atol=0)


def test_check_value_of_a_hankel_function() -> None:
    # h_3^(2)(2) = 0.06072210 + 1.48436656j: processing reference, section 5.1.
    ours = spherical.outgoing_waves(3, np.array([2.0]), np.array([5.0]))[0, 3]
    size = np.exp(spherical.log_hankel_size(3, np.array([5.0]))[0, 3])
    assert ours * size == pytest.approx(0.06072210 + 1.48436656j, abs=1e-8)


def test_order_far_above_the_argument_stays_finite() -> None:
    scale = spherical.log_hankel_size(120, np.array([0.02]))
    ours = spherical.regular_waves(120, np.array([0.01]), scale)[0]
    assert np.isfinite(ours).all()
    # j_n |h_n| tends to (x/x0)^n / ((2n+1) x0): Abramowitz and Stegun 10.1.2, 10.1.3 (from memory).
    assert ours[100] == pytest.approx(0.5**100 / (201 * 0.02), rel=1e-3)


def test_scattering_sizes_of_a_rigid_sphere() -> None:
    # |S_n| at ka 1 and 2, n = 0, 1, 2: processing reference, section 5.6.
    ours = np.abs(spherical.rigid_sphere_scattering(2, np.array([1.0, 2.0])))
    assert np.allclose(ours, [[0.2130, 0.1069, 0.0122], [0.7789, 0.0344, 0.1805]], atol=5e-5)


def test_scattering_sizes_of_a_small_rigid_sphere() -> None:
    # s5.rigid_sphere_scatter_|jn'/hn'|_ka0.1_n0_1_2, ka0.3, ka0.5: sizes over six decades
    ours = np.abs(spherical.rigid_sphere_scattering(2, np.array([0.1, 0.3, 0.5])))
    expected = [
        [0.0003313475, 0.0001661649, 1.478547e-07],
        [0.008543102, 0.004374722, 3.536585e-05],
        [0.03634438, 0.01914494, 0.0004408131],
    ]
    np.testing.assert_allclose(ours, expected, rtol=5e-7)


def test_rigid_sphere_keeps_energy() -> None:
    # A lossless scatterer: |1 + 2 S_n| = 1 (Wronskian).
    ours = spherical.rigid_sphere_scattering(8, np.array([0.3, 3.0, 9.0]))
    assert np.allclose(np.abs(1 + 2 * ours), 1.0, atol=1e-12)
