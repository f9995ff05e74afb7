"""Near field to far field against exact pistons and the processing reference (section 3, keys beside the numbers).

Keele, Low-Frequency Loudspeaker Assessment by Nearfield Sound-Pressure Measurement, JAES 22 (1974), from memory.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import eval_legendre, spherical_jn, spherical_yn

from earwitness.dsp.sphere import cap_diffraction, cap_near_pressure
from earwitness.quantities import cta_orbits, from_orbit, report_axis
from earwitness.quantities.directions import Directions
from earwitness.reduce.nearfield import NearPart, far_from_near, near_part_limits, source_pressure
from earwitness.session.record import Driver

C, RHO = 343.0, 1.204
HZ = report_axis().hz[:260]
K = 2 * np.pi * HZ / C
# A cabinet so small that no baffle step is left.
POINT = {"speed_of_sound": C, "width_m": 0.01, "height_m": 0.01, "depth_m": 0.01}
FRONT = from_orbit("horizontal", [0.0])


def driver(radius_m: float, position_m: tuple[float, float, float] = (0.0, 0.0, 0.0), kind: str = "cone") -> Driver:
    return Driver.model_validate(
        {"name": kind, "kind": kind, "diameter_m": 2 * radius_m, "position_m": position_m}, strict=False
    )


def on_axis_pressure(radius_m: float, gap_m: float, velocity: np.ndarray, k: np.ndarray = K) -> np.ndarray:
    """Exact axial pressure of a rigid piston in an infinite baffle: rho c u (exp(-jkz) - exp(-jkR))."""
    return RHO * C * velocity * (np.exp(-1j * k * gap_m) - np.exp(-1j * k * np.hypot(gap_m, radius_m)))


def far(parts: list[NearPart], hz: np.ndarray, directions: Directions, **box: float) -> np.ndarray:
    return far_from_near(parts, hz, directions=directions, **(POINT | box))[0]


@pytest.mark.parametrize(
    ("radius_m", "expected"),
    # s3.ka1_freq_Hz_a_0.05_0.065_0.08_0.1_0.125
    [(0.05, 1091.8029096104021), (0.065, 839.8483920080015), (0.08, 682.3768185065012), (0.1, 545.9014548052011),
     (0.125, 436.7211638441608)],
)  # fmt: skip
def test_highest_frequency_is_ka_1(radius_m: float, expected: float) -> None:
    assert near_part_limits(driver(radius_m), C) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("ka", "deficit_db"),
    # s3.keele_nearfield_deficit_dB_ka0.2 ... ka2.0
    [(0.2, -0.014481311290457132), (0.5, -0.09066726445558829), (1.0, -0.3649767902451856),
     (1.5, -0.8301397128944472), (2.0, -1.49921709120991)],
)  # fmt: skip
def test_deficit_is_taken_out(ka: float, deficit_db: float) -> None:
    a, k = 0.08, np.array([ka / 0.08])
    part = NearPart(driver(a), np.array([10 ** (deficit_db / 20) * np.exp(-0.5j * ka)]), 0.0)
    assert source_pressure(part, k)[0] == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize(
    ("share", "error_db"),
    # s3.keele_mic_offset_err_dB_z0.02a ... z0.3a
    [(0.02, -0.173706213659235), (0.05, -0.43411372914223856), (0.11, -0.9535314569225971),
     (0.2, -1.7258003706684735), (0.3, -2.568183460086242)],
)  # fmt: skip
def test_gap_is_taken_out(share: float, error_db: float) -> None:
    part = NearPart(driver(0.08), np.array([10 ** (error_db / 20)]), share * 0.08)
    assert abs(source_pressure(part, np.array([1e-6]))[0]) == pytest.approx(1.0, rel=1e-9)


def test_full_space_level() -> None:
    # s3.near_to_far_fullspace_dB_a0.08_d1: low-frequency far field re near field at 1 m
    part = NearPart(driver(0.08), np.ones(1, complex), 0.0)
    level = 20 * np.log10(abs(far([part], np.array([2.0]), FRONT)[0, 0]))
    assert level == pytest.approx(-33.979400086720375, abs=2e-3)


def test_port_weighs_with_the_radius() -> None:
    # s3.port_scale_linear_and_dB_ac0.08_ap0.03: 0.375, not the area ratio 0.1406 (s3.port_area_ratio_dB_wrong_use)
    hz = np.array([2.0])
    one = far([NearPart(driver(0.08), np.ones(1, complex), 0.0)], hz, FRONT)
    port = far([NearPart(driver(0.03, kind="port"), np.ones(1, complex), 0.0)], hz, FRONT)
    assert abs(port[0, 0] / one[0, 0]) == pytest.approx(0.375, rel=1e-3)


def test_two_pistons_add_up_to_their_volume_velocity() -> None:
    """Exact near fields of cone and port with the velocities behind s3.cone_plus_port_sum_err_dB.

    There the uncorrected sum is up to 0.34 dB and 2.5 degrees off; corrected it must meet
    j w rho (Sc uc + Sp up) / 4 pi. The port lies far enough off that no leak fades it.
    """
    hz = np.array([30.0, 45.0, 60.0, 100.0])
    k = 2 * np.pi * hz / C
    cone_u = np.exp(1j * np.array([0.0, 0.3, 0.8, 1.0])) * np.array([0.02, 0.004, 0.02, 0.05])
    port_u = cone_u * np.exp(1j * np.array([3.0, 1.5, 0.6, 0.2])) * np.array([6, 30, 5, 1])
    parts = [
        NearPart(driver(0.08, (0, 0, 0)), on_axis_pressure(0.08, 0.0, cone_u, k), 0.0),
        NearPart(driver(0.03, (0, 0, -0.4), "passive radiator"), on_axis_pressure(0.03, 0.0, port_u, k), 0.0),
    ]
    exact = 1j * 2 * np.pi * hz * RHO * np.pi * (0.08**2 * cone_u + 0.03**2 * port_u) / (4 * np.pi)
    ratio = far(parts, hz, FRONT)[0] / exact
    assert 20 * np.log10(np.abs(ratio)) == pytest.approx(np.zeros(4), abs=0.03)
    assert np.rad2deg(np.angle(ratio)) == pytest.approx(np.zeros(4), abs=1.0)


def test_phase_between_directions_follows_the_path() -> None:
    """A low and a high driver out of phase by their path only: 0.2 m apart, heard from above, below and ahead."""
    velocity = np.full(HZ.size, 1e-3 + 0j)
    parts = [NearPart(driver(0.05, (0, 0, z)), on_axis_pressure(0.05, 0.002, velocity), 0.002) for z in (0.1, -0.1)]
    above, below, ahead = far(parts, HZ, Directions([0, 0, 0], [np.pi / 2, -np.pi / 2, 0.0]))
    single = far(parts[:1], HZ, FRONT)[0]
    rows = HZ < 900
    assert np.abs(ahead[rows]) == pytest.approx(2 * np.abs(single[rows]), rel=1e-2)
    assert np.abs(above[rows]) == pytest.approx(np.abs(ahead * np.cos(K * 0.1))[rows], rel=6e-2)
    assert above == pytest.approx(below, rel=1e-9)


def test_off_axis_phase_refers_to_the_reference_point() -> None:
    """A driver 0.3 m up arrives k 0.3 sin(angle) earlier from above, exactly, when the sphere is a point."""
    part = NearPart(driver(0.005, (0, 0, 0.3)), np.ones(HZ.size, complex), 0.0)
    up = far([part], HZ, from_orbit("vertical", [30.0]), width_m=1e-4, height_m=1e-4, depth_m=1e-4)[0]
    assert np.unwrap(np.angle(up)) - 0.5 * K * 0.005 == pytest.approx(K * 0.15, abs=0.02)


def test_low_frequencies_go_everywhere_alike() -> None:
    velocity = np.full(HZ.size, 1e-3 + 0j)
    part = NearPart(driver(0.08, (0, 0, -0.05)), on_axis_pressure(0.08, 0.004, velocity), 0.004)
    field = far([part], HZ, cta_orbits(), width_m=0.2, height_m=0.35, depth_m=0.28)
    level = 20 * np.log10(np.abs(field))
    assert np.ptp(level[:, HZ < 30], axis=0).max() < 0.05
    assert np.ptp(level[:, np.argmin(np.abs(HZ - 300))]) > 1.5


def test_baffle_step_depends_on_the_angle() -> None:
    # s6.cap_alpha30_onaxis_re_monopole_dB_ka1.0 and s6.cap_alpha30_ka1.0_dB_at_30_60_90_120_150_180
    sphere_m = 0.15
    side_m = (4 / 3 * np.pi) ** (1 / 3) * sphere_m
    hz = np.array([C / (2 * np.pi * sphere_m)])
    # Surface pressure of a cap with volume velocity u pi r^2; its series is checked in tests/dsp/test_sphere.py.
    surface = (
        cap_near_pressure(np.ones(1), np.pi / 6, 1.0, 1.0) * 1j * RHO * C * (sphere_m / 2) ** 2 / (4 * sphere_m**2)
    )
    part = NearPart(driver(sphere_m / 2), surface, 0.0)
    orbit = from_orbit("horizontal", [0.0, 30.0, 60.0, 90.0, 120.0, 150.0, 180.0])
    monopole = 2 * np.pi * hz * RHO * np.pi * (sphere_m / 2) ** 2 / (4 * np.pi)
    level = 20 * np.log10(np.abs(far([part], hz, orbit, width_m=side_m, height_m=side_m, depth_m=side_m)) / monopole)
    assert level[0, 0] == pytest.approx(2.857827060029136, abs=1e-6)
    assert level[1:, 0] - level[0, 0] == pytest.approx(
        [-0.4244771692086764, -1.717189668496837, -3.5841455200143697, -4.347378343047693, -3.287164376024021,
         -2.6259099753094506], abs=1e-6,
    )  # fmt: skip


def test_rear_port_faces_the_rear() -> None:
    box = {"width_m": 0.2, "height_m": 0.35, "depth_m": 0.28}
    part = NearPart(driver(0.03, (-0.28, 0, 0), "port"), np.ones(HZ.size, complex), 0.0)
    ahead, behind = far([part], HZ, from_orbit("horizontal", [0.0, 180.0]), **box)
    assert np.abs(behind[-1]) > 1.5 * np.abs(ahead[-1])


def test_port_fades_where_the_cone_leaks_into_it() -> None:
    velocity = np.full(HZ.size, 1e-3 + 0j)
    cone = NearPart(driver(0.08), on_axis_pressure(0.08, 0.0, velocity), 0.0)
    resonance = 1 / (1 + 1j * 8 * (HZ / 40 - 40 / HZ))
    port_p = on_axis_pressure(0.03, 0.0, velocity * 40) * resonance
    port = NearPart(driver(0.03, (0, 0, -0.2), "port"), port_p, 0.0)
    both, alone = far([cone, port], HZ, FRONT)[0], far([cone], HZ, FRONT)[0]
    low, high = int(np.argmin(np.abs(HZ - 40))), int(np.argmin(np.abs(HZ - 600)))
    assert abs(both[low] / alone[low]) > 2
    assert both[high] == pytest.approx(alone[high], rel=1e-12)


def test_sphere_with_two_caps_gives_back_what_it_radiates() -> None:
    """Every microphone hears both caps; the far field of both, one of them at the rear, must come back.

    Near field summed here from the full series with 800 dynamic orders, evaluated with scipy's Bessel functions.
    """
    sphere_m, gap_m = 0.15, 0.004
    side_m = (4 / 3 * np.pi) ** (1 / 3) * sphere_m
    hz = np.array([30.0, 120.0, 400.0])
    k = 2 * np.pi * hz / C
    tilt = np.deg2rad(25.0)
    axes = np.array([[np.cos(tilt), 0.0, -np.sin(tilt)], [-1.0, 0.0, 0.0]])
    radii, velocity = (0.06, 0.025), np.array([[1.0, 0.5, 0.2], [-4.0, 2.0j, 0.1]])
    flow = velocity * np.pi * np.square(radii)[:, None]
    parts = []
    for i, kind in enumerate(("cone", "port")):
        heard = sum(
            1j * k * C * RHO * flow[j] / (4 * np.pi * sphere_m)
            * cap_series(k * sphere_m, np.arcsin(radii[j] / sphere_m), float(axes[i] @ axes[j]), 1 + gap_m / sphere_m)
            for j in range(2)
        )  # fmt: skip
        place = sphere_m * (axes[i] - np.array([1.0, 0.0, 0.0]))
        parts.append(NearPart(driver(radii[i], tuple(map(float, place)), kind), heard, gap_m))
    orbit = cta_orbits(30.0)
    got = far(parts, hz, orbit, width_m=side_m, height_m=side_m, depth_m=side_m)
    exact = sum(
        1j * k * C * RHO * flow[j] / (4 * np.pi)
        * cap_diffraction(k * sphere_m, float(np.arcsin(radii[j] / sphere_m)), orbit.unit_vectors() @ axes[j])
        for j in range(2)
    ) * np.exp(-1j * k * sphere_m * orbit.unit_vectors()[:, :1])  # fmt: skip
    assert np.abs(got[:, :2] - exact[:, :2]).max(axis=0) == pytest.approx(0, abs=5e-3 * np.abs(exact[:, :2]).max())


def cap_series(ka: np.ndarray, half_angle: float, cosine: float, ratio: float) -> np.ndarray:
    """Whole series at moderate orders, then its static rest; written apart from the code under test."""
    total = np.zeros(ka.size, complex)
    for n in range(800):
        p_low, p_high = eval_legendre(max(n - 1, 0), np.cos(half_angle)), eval_legendre(n + 1, np.cos(half_angle))
        u = ((p_low if n else 1.0) - p_high) / (1 - np.cos(half_angle))
        if n < 20:
            h = spherical_jn(n, ka * ratio) - 1j * spherical_yn(n, ka * ratio)
            slope = spherical_jn(n, ka, derivative=True) - 1j * spherical_yn(n, ka, derivative=True)
            radial = -h / slope / ka
        else:
            radial = ratio ** -(n + 1.0) / (n + 1.0)
        total = total + u * eval_legendre(n, cosine) * radial
    return total


def test_alike_drivers_count() -> None:
    pair = Driver(name="pair", kind="cone", diameter_m=0.1, count=2)
    two = far([NearPart(pair, np.ones(HZ.size, complex), 0.0)], HZ, FRONT)
    one = far([NearPart(driver(0.05), np.ones(HZ.size, complex), 0.0)], HZ, FRONT)
    assert two == pytest.approx(2 * one)


def test_highest_valid_is_the_largest_cone_not_the_port() -> None:
    parts = [
        NearPart(driver(r, kind=kind), np.ones(HZ.size, complex), 0.0) for r, kind in ((0.05, "cone"), (0.2, "port"))
    ]
    limit = far_from_near(parts, HZ, directions=FRONT, **POINT)[1]
    assert limit == pytest.approx(1091.8029096104021)


def test_refuses_nothing_and_other_lengths() -> None:
    with pytest.raises(ValueError, match="at least one part"):
        far_from_near([], HZ, directions=FRONT, **POINT)
    with pytest.raises(ValueError, match="frequencies"):
        far_from_near([NearPart(driver(0.05), np.ones(3, complex), 0.0)], HZ, directions=FRONT, **POINT)


def test_a_low_cone_of_a_tower_still_faces_forward() -> None:
    """A cone set back by half the depth near the floor is not a rear one; a part at the back panel is."""
    box = {"width_m": 0.28, "height_m": 1.12, "depth_m": 0.38}
    for x_m, forward in ((-0.22, True), (-0.38, False)):
        part = NearPart(driver(0.07, (x_m, 0, -0.25)), np.ones(HZ.size, complex), 0.0)
        ahead, behind = np.abs(far([part], HZ, from_orbit("horizontal", [0.0, 180.0]), **box))[:, HZ > 400].mean(axis=1)
        assert bool(ahead > behind) == forward
