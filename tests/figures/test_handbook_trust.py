"""Figures against handbook curves that no other test uses; ids C1.x to C4.x are of the metrics reference, s2.x to s10.x
of the processing reference."""

from __future__ import annotations

import numpy as np
import pytest
from closed_form_fields import levels
from scipy.optimize import brentq
from scipy.special import j1

from earwitness.figures.angles import horizontal_weights
from earwitness.figures.bandwidth import lower_limit
from earwitness.figures.maps import OrbitLevels, coverage_sides, orbit_levels
from earwitness.figures.rating import band_points_hz, rating_value
from earwitness.figures.windows import DirectionalLevels, averaged, windows
from earwitness.quantities import Curve, FrequencyAxis, cta_orbits, from_orbit, log_axis
from earwitness.quantities.arrays import FloatArray

HZ = log_axis(5.0, 2000.0, 480).hz


def curve(values: FloatArray) -> Curve:
    zeros = np.zeros_like(HZ)
    return Curve("x", "x", FrequencyAxis(HZ), values, zeros + 0.1, zeros, np.ones(HZ.size, bool), "dB", "dB")


@pytest.mark.parametrize(
    ("order", "shares"),
    # s6.butterworth2_F6_F10_F20_over_f3, butterworth3, butterworth4
    [(2, (0.761038971, 0.5773502721, 0.3170233154)), (3, (0.8335620442, 0.6933612767, 0.4649370286)),
     (4, (0.8723754759, 0.7598356875, 0.5630482354))],
)  # fmt: skip
def test_band_limits_of_butterworth_high_passes_by_their_half_power(order: int, shares: tuple[float, ...]) -> None:
    falling = curve(-10 * np.log10(1 + (60.0 / HZ) ** (2 * order)))
    half = lower_limit(falling, 0.0, 10 * np.log10(2.0), key="f").value
    assert half == pytest.approx(60.0, rel=2e-5)
    for drop_db, share in zip((6.0, 10.0, 20.0), shares, strict=True):
        # The table's drops are 6.0206 dB and so on: factors 1/2, 1/sqrt 10 and 1/10 of pressure.
        exact = -20 * np.log10({6.0: 0.5, 10.0: 10**-0.5, 20.0: 0.1}[drop_db])
        assert lower_limit(falling, 0.0, exact, key="f").value == pytest.approx(60.0 * share, rel=2e-3)


@pytest.mark.parametrize(
    ("q", "half_power", "tenth_power"),
    # s6.sealed_Q0.500_f3_f10_over_fc_and_peak_dB ... Q1.200
    [(0.5, 1.553773974, 0.6800553621), (3**-0.5, 1.27201965, 0.6272852679), (2**-0.5, 1.0, 0.5773502695),
     (1.0, 0.7861513778, 0.5313903425), (1.2, 0.7358154619, 0.5182685621)],
)  # fmt: skip
def test_band_limits_of_closed_boxes(q: float, half_power: float, tenth_power: float) -> None:
    turn = 1j * HZ / 50.0
    level = 20 * np.log10(np.abs(turn**2 / (turn**2 + turn / q + 1)))
    for drop_db, share in ((10 * np.log10(2.0), half_power), (10.0, tenth_power)):
        assert lower_limit(curve(level), 0.0, drop_db, key="f").value == pytest.approx(50.0 * share, rel=6e-4)


def test_rating_of_a_perfect_loudspeaker_is_10_at_the_known_limit() -> None:
    """C3.14 and C3.15."""
    assert brentq(lambda hz: float(rating_value(0.0, 0.0, hz, 1.0)) - 10.0, 5.0, 50.0) == pytest.approx(
        14.5349, abs=6e-5
    )
    gain = rating_value(0.3, 0.2, 20.0, 0.7) - rating_value(0.3, 0.2, 40.0, 0.7)
    assert gain == pytest.approx(1.2974, abs=6e-5)


def test_the_last_half_octave_band_has_nine_points_from_9051_hz() -> None:
    """C3.2 and C3.3: 13 bands of ten points each, then 9050.97 Hz to below 12 kHz."""
    points = band_points_hz()
    assert points.size == 13 * 10 + 9
    assert points[130] == pytest.approx(9050.97, abs=6e-3)
    assert points[-1] < 12_000.0 < points[-1] * 2**0.05


def _t1() -> DirectionalLevels:
    """T1 of the reference: p = 0.55 + 0.45 cos."""
    directions = cta_orbits()
    return levels(20 * np.log10(0.55 + 0.45 * directions.unit_vectors()[:, 0]), directions)


def test_two_orbits_give_slightly_more_power_than_the_sphere_has() -> None:
    """C1.39 and C1.40: mean square of a + b cos is a^2 + b^2 / 3, -4.3180 dB; two orbits read 0.0724 dB more."""
    exact = 10 * np.log10(0.55**2 + 0.45**2 / 3)
    assert exact == pytest.approx(-4.3180, abs=6e-5)
    assert windows(_t1()).curves["sound_power"].values[0] - exact == pytest.approx(0.0724, abs=6e-5)


def test_a_mean_of_nine_keeps_what_all_share() -> None:
    """s10.mean_of_9_u_common0.2_indiv0.4 = 0.240370085: 0.2 dB shared by all, 0.4 dB of each alone."""
    nine = levels(np.zeros(9), from_orbit("horizontal", np.arange(9) * 10.0), u_db=0.4)
    found, _ = averaged(nine, np.full(9, 1 / 9), key="x", name="x")
    assert found.u_total == pytest.approx([0.240370085, 0.240370085], abs=1e-9)


@pytest.mark.parametrize(
    ("first", "index_db"),
    # C4.14 cardioid, C4.17 supercardioid, C4.16 hypercardioid, C4.15 dipole: first + (1 - first) cos
    [(0.5, 4.7712), ((np.sqrt(3) - 1) / 2, 5.7195), (0.25, 6.0206), (0.0, 4.7712)],
)
def test_horizontal_power_of_first_order_patterns(first: float, index_db: float) -> None:
    """Ten-degree rings are a hundredth of a decibel off the integral."""
    directions = from_orbit("horizontal", np.arange(-170.0, 190, 10))
    energy = (first + (1 - first) * directions.unit_vectors()[:, 0]) ** 2
    weights = horizontal_weights(levels(np.zeros(36), directions), power=True)
    assert not isinstance(weights, str)
    assert -10 * np.log10(weights @ energy) == pytest.approx(index_db, abs=0.02)


def _piston(hz: float) -> OrbitLevels:
    """25 mm piston in a baffle, 2 J1(x) / x, every half degree of the front."""
    angles = np.arange(-90.0, 91.0, 0.5)
    x = 2 * np.pi * hz / 343.0 * 0.0125 * np.sin(np.radians(angles))
    safe = np.where(np.abs(x) < 1e-9, 1e-9, x)
    found = orbit_levels(
        levels(20 * np.log10(np.abs(2 * j1(safe) / safe)), from_orbit("horizontal", angles)), "horizontal"
    )
    assert not isinstance(found, str)
    return found


@pytest.mark.parametrize(
    ("hz", "half_3_db", "half_6_db"),
    [(6000.0, None, None), (8000.0, 61.76, None), (10_000.0, 44.81, 75.00), (20_000.0, 20.63, 28.88)],
)
def test_coverage_of_a_piston_over_frequency(hz: float, half_3_db: float | None, half_6_db: float | None) -> None:
    """C4.6 to C4.8, C4.10; where the fall lies beyond the data, no angle is given."""
    for drop_db, expected in ((3.0, half_3_db), (6.0, half_6_db)):
        sides = coverage_sides(_piston(hz), drop_db)
        for name in ("left", "right"):
            assert bool(sides[name].reached[0]) == (expected is not None), name
            if expected is not None:
                assert sides[name].angle_deg[0] == pytest.approx(expected, abs=0.02)


def test_where_a_piston_narrows_to_90_and_60_degrees() -> None:
    """C4.11: -6 dB half angle of 90 degrees at 9659 Hz, of 60 degrees at 11154 Hz."""
    wide, narrow = coverage_sides(_piston(9665.0), 6.0)["left"], coverage_sides(_piston(11154.0), 6.0)["left"]
    assert wide.angle_deg[0] > 87.0
    assert not coverage_sides(_piston(9650.0), 6.0)["left"].reached[0]
    assert narrow.angle_deg[0] == pytest.approx(60.0, abs=0.02)
