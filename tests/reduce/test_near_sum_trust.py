"""Ports among cones in the near-field sum, where they fade out, and what is held above the models' range; closed forms.

The margin of 6 dB over the cone's leak and the fade over an octave are choices of the program, told in docs.
"""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.dsp.sphere import cap_diffraction
from earwitness.quantities import from_orbit
from earwitness.quantities.arrays import FloatArray
from earwitness.reduce.nearfield import NearPart, far_from_near, in_one_place, source_pressure
from earwitness.session.record import Driver

HZ = 20.0 * 2.0 ** (np.arange(0, 48 * 5 + 1) / 48)
AHEAD = from_orbit("horizontal", [0.0])


def driver(radius_m: float, *position_m: float, kind: str = "cone", count: int = 1) -> Driver:
    told = {"name": kind, "kind": kind, "diameter_m": 2 * radius_m, "count": count}
    return Driver.model_validate(told | ({"position_m": position_m} if position_m else {}), strict=False)


def far(parts: list[NearPart], hz: FloatArray = HZ, box_m: float = 0.01) -> np.ndarray:
    """(F,) ahead; by default a cabinet too small for a baffle step, with no leak solved for."""
    return far_from_near(
        parts, hz, speed_of_sound=343.0, width_m=box_m, height_m=box_m, depth_m=box_m, directions=AHEAD
    )[0][0]


def port_weight(cone: Driver, port: Driver, *, level: float = 0.9) -> FloatArray:
    """(F,) how much of a port is taken whose near field falls 12 dB an octave from 40 Hz on, beside a steady cone."""
    falling = level * np.minimum(1.0, (40.0 / HZ) ** 2)
    parts = [NearPart(cone, np.ones(HZ.size, complex), 0.0), NearPart(port, falling.astype(complex), 0.0)]
    port_alone = far(parts[1:])
    return np.real((far(parts) - far(parts[:1])) / port_alone)


@pytest.mark.parametrize(
    ("radius_m", "apart_m", "count", "drowned_hz"),
    [
        # Leak a / (2 d) = 0.2 of the cone, twice as much is the margin: 0.9 (40 / f)^2 = 2 * 0.2.
        (0.08, 0.2, 1, 40.0 * np.sqrt(0.9 / (0.2 * 10 ** (6 / 20)))),
        # Farther off, less leak.
        (0.08, 0.4, 1, 40.0 * np.sqrt(0.9 / (0.1 * 10 ** (6 / 20)))),
        # Two cones alike leak twice as much.
        (0.08, 0.4, 2, 40.0 * np.sqrt(0.9 / (0.2 * 10 ** (6 / 20)))),
        (0.04, 0.2, 1, 40.0 * np.sqrt(0.9 / (0.1 * 10 ** (6 / 20)))),
    ],
)
def test_a_port_fades_over_an_octave_from_where_the_leak_comes_near(
    radius_m: float, apart_m: float, count: int, drowned_hz: float
) -> None:
    weight = port_weight(driver(radius_m, 0.0, 0.0, 0.0, count=count), driver(0.03, 0.0, 0.0, -apart_m, kind="port"))
    assert weight[drowned_hz / 1.02 > HZ] == pytest.approx(1.0, abs=2e-3)
    middle = int(np.argmin(np.abs(HZ - drowned_hz * np.sqrt(2.0))))
    assert weight[middle] == pytest.approx(0.5, abs=0.04)
    assert weight[drowned_hz * 2.04 < HZ] == pytest.approx(0.0, abs=1e-9)


def test_a_port_inside_the_cone_s_rim_is_as_far_off_as_the_rim() -> None:
    """Nearer than the cone's radius the leak is that at its rim: half of the cone."""
    weight = port_weight(driver(0.08, 0.0, 0.0, 0.0), driver(0.02, 0.0, 0.0, -0.01, kind="port"), level=2.0)
    drowned_hz = 40.0 * np.sqrt(2.0 / (0.5 * 10 ** (6 / 20)))
    assert weight[drowned_hz / 1.02 > HZ] == pytest.approx(1.0, abs=2e-3)
    middle = int(np.argmin(np.abs(HZ - drowned_hz * np.sqrt(2.0))))
    assert weight[middle] == pytest.approx(0.5, abs=0.04)


def test_a_port_is_loudest_where_its_flow_is_largest_not_its_pressure() -> None:
    """Flow is pressure over frequency: falling 3 dB an octave it still sinks to the margin, 0.9 sqrt(40 / f) = 0.4."""
    falling = 0.9 * np.sqrt(np.minimum(1.0, 40.0 / HZ))
    cone = NearPart(driver(0.08, 0.0, 0.0, 0.0), np.ones(HZ.size, complex), 0.0)
    port = NearPart(driver(0.03, 0.0, 0.0, -0.2, kind="port"), falling.astype(complex), 0.0)
    weight = np.real((far([cone, port]) - far([cone])) / far([port]))
    drowned_hz = 40.0 * (0.9 / (0.2 * 10 ** (6 / 20))) ** 2
    assert weight[drowned_hz / 1.02 > HZ] == pytest.approx(1.0, abs=2e-3)
    assert weight[int(np.argmin(np.abs(HZ - drowned_hz * np.sqrt(2.0))))] == pytest.approx(0.5, abs=0.04)


def test_leaks_of_several_cones_add() -> None:
    """A tenth of either cone: the port is drowned at 0.9 (40 / f)^2 = 2 * 0.2."""
    falling = 0.9 * np.minimum(1.0, (40.0 / HZ) ** 2)
    cones = [NearPart(driver(0.08, 0.0, 0.0, height), np.ones(HZ.size, complex), 0.0) for height in (0.2, -0.6)]
    port = NearPart(driver(0.03, 0.0, 0.0, -0.2, kind="port"), falling.astype(complex), 0.0)
    weight = np.real((far([*cones, port]) - far(cones)) / far([port]))
    drowned_hz = 40.0 * np.sqrt(0.9 / (0.2 * 10 ** (6 / 20)))
    middle = int(np.argmin(np.abs(HZ - drowned_hz * np.sqrt(2.0))))
    assert weight[middle] == pytest.approx(0.5, abs=0.04)


def test_ports_without_a_cone_do_not_fade() -> None:
    """Nothing is there to leak into them (a cone that was not recorded up close)."""
    port = NearPart(driver(0.03, 0.0, 0.0, -0.2, kind="port"), (40.0 / HZ).astype(complex) ** 4, 0.0)
    other = NearPart(driver(0.03, 0.0, 0.0, -0.3, kind="passive radiator"), np.ones(HZ.size, complex), 0.0)
    both = far([port, other])
    assert both == pytest.approx(far([port]) + far([other]), rel=1e-9)


def test_cones_do_not_fade_beside_each_other() -> None:
    strong, faint = (
        NearPart(driver(0.08, 0.0, 0.0, height), np.full(HZ.size, size, complex), 0.0)
        for height, size in ((0.1, 1.0), (-0.1, 0.05))
    )
    assert far([strong, faint]) == pytest.approx(far([strong]) + far([faint]), rel=1e-9)


def test_a_passive_radiator_fades_as_a_port_does() -> None:
    as_port, as_radiator = (
        port_weight(driver(0.08, 0.0, 0.0, 0.0), driver(0.03, 0.0, 0.0, -0.2, kind=kind))
        for kind in ("port", "passive radiator")
    )
    assert as_radiator == pytest.approx(as_port)
    assert as_port.min() == pytest.approx(0.0, abs=1e-9)


def test_highest_frequency_is_that_of_the_largest_cone_or_of_ports_alone() -> None:
    def limit(*drivers: Driver) -> float:
        parts = [NearPart(one, np.ones(HZ.size, complex), 0.0) for one in drivers]
        return far_from_near(
            parts, HZ, speed_of_sound=343.0, width_m=0.01, height_m=0.01, depth_m=0.01, directions=AHEAD
        )[1]

    # ka = 1 (D. B. Keele, J. Audio Eng. Soc. 22, 1974).
    by_radius = {a: 343.0 / (2 * np.pi * a) for a in (0.04, 0.08, 0.1)}
    assert limit(driver(0.04), driver(0.08, 0.0, 0.0, -0.2)) == pytest.approx(by_radius[0.08])
    assert limit(driver(0.04), driver(0.1, 0.0, 0.0, -0.2, kind="passive radiator")) == pytest.approx(by_radius[0.04])
    assert limit(driver(0.1, kind="port"), driver(0.04, 0.0, 0.0, -0.2, kind="port")) == pytest.approx(by_radius[0.1])


def test_the_magnitude_correction_is_held_above_ka_2_and_the_phase_goes_on() -> None:
    """sin(x)/x of the axial pressure at half the path difference: at ka 2 in contact sin(1) = 0.8415."""
    radius = 0.08
    wavenumber = np.array([1.0, 2.0, 3.0, 6.0]) / radius
    found = source_pressure(NearPart(driver(radius), np.ones(4, complex), 0.0), wavenumber)
    assert np.abs(found) == pytest.approx([0.5 / np.sin(0.5), *[1.0 / np.sin(1.0)] * 3], rel=1e-12)
    assert np.unwrap(np.angle(found)) == pytest.approx([0.5, 1.0, 1.5, 3.0])


def test_far_above_the_sphere_s_range_a_cone_is_a_piston_again() -> None:
    """Above ka 6 of the sphere (2184 Hz at 0.15 m) its source is what the piston alone gives."""
    sphere_m, radius = 0.15, 0.02
    side = (4 / 3 * np.pi) ** (1 / 3) * sphere_m
    hz = np.array([2000.0, 2300.0, 3000.0])
    k = 2 * np.pi * hz / 343.0
    part = NearPart(driver(radius), np.ones(3, complex), 0.0)
    piston = source_pressure(part, k) * radius / 4
    angle = float(np.arcsin(radius / sphere_m))
    spread = cap_diffraction(k * sphere_m, angle, np.ones(1))[0] * np.exp(-1j * k * sphere_m)
    found = far([part], hz, side)
    assert found[1:] == pytest.approx((piston * spread)[1:], rel=1e-9)
    assert abs(found[0] / (piston * spread)[0]) != pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("gap_m", [0.0, 0.003, 0.02, 0.08])
def test_the_source_behind_an_exact_axial_pressure_comes_back_at_any_gap(gap_m: float) -> None:
    """rho c u (exp(-jkz) - exp(-jkR)) on the axis (Kinsler et al., from memory) is j omega rho u a of the piston."""
    radius, u = 0.08, 0.01
    k = np.array([0.1, 0.7, 1.5, 1.99]) / radius
    heard = 1.204 * 343.0 * u * (np.exp(-1j * k * gap_m) - np.exp(-1j * k * np.hypot(gap_m, radius)))
    found = source_pressure(NearPart(driver(radius), heard, gap_m), k)
    assert found == pytest.approx(1j * k * 343.0 * 1.204 * u * radius, rel=1e-9)


@pytest.mark.parametrize("away_m", [0.0, 0.03])
def test_parts_in_one_place_add_as_pistons_without_leak(away_m: float) -> None:
    """Two cones that read alike are twice the one (sum of volume velocities).

    Where one sits in the other, nothing tells what leaks, so none is taken off.
    """
    one = NearPart(driver(0.06), np.ones(HZ.size, complex), 0.004)
    other = NearPart(driver(0.06, 0.0, 0.0, -away_m), np.ones(HZ.size, complex), 0.004)
    alone = far([one], box_m=0.3)
    both = far([one, other], box_m=0.3)
    flat = np.abs(source_pressure(one, 2 * np.pi * HZ / 343.0)) * 0.12 / 8
    assert np.abs(both[HZ < 100.0]) == pytest.approx(2 * flat[HZ < 100.0], rel=0.12)
    assert np.isfinite(both).all()
    assert np.isfinite(alone).all()
    assert in_one_place([one, other]) == ("cone", "cone")


def test_a_port_below_its_cone_is_a_place_of_its_own() -> None:
    parts = [
        NearPart(driver(0.06), np.ones(HZ.size, complex), 0.004),
        NearPart(driver(0.03, 0.0, 0.0, -0.1, kind="port"), np.ones(HZ.size, complex), 0.004),
    ]
    assert in_one_place(parts) == ()
