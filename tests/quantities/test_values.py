"""Values are frozen, read-only and say no to what they cannot hold."""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.quantities import (
    Asked,
    Cause,
    Curve,
    DirectionalResponse,
    Directions,
    Figure,
    FrequencyAxis,
    cta_orbits,
    from_orbit,
    log_axis,
    on_orbit,
    report_axis,
    step,
)


def curve(values: list[float], *, valid: list[bool] | None = None, u: float = 0.3, u_common: float = 0.4) -> Curve:
    """A curve over octaves from 1 kHz."""
    count = len(values)
    return Curve(
        key="test",
        name="test",
        axis=FrequencyAxis(1000.0 * 2.0 ** np.arange(count)),
        values=np.array(values),
        u=np.full(count, u),
        u_common=np.full(count, u_common),
        valid=np.array(valid if valid is not None else [True] * count),
        unit="dB",
        reference="dB SPL at 1 m, 2.83 V",
    )


@pytest.mark.parametrize("hz", [[0.0, 1.0], [2.0, 1.0], [1.0, 1.0], [1.0, np.nan], [], [[1.0, 2.0]]])
def test_axis_refuses_what_does_not_rise_from_above_zero(hz: list[float]) -> None:
    with pytest.raises(ValueError, match="rise strictly"):
        FrequencyAxis(np.array(hz))


def test_axis_keeps_its_own_read_only_copy() -> None:
    source = np.array([10.0, 20.0])
    axis = FrequencyAxis(source)
    source[0] = 15.0
    assert axis.hz[0] == 10.0
    with pytest.raises(ValueError, match="read-only"):
        axis.hz[0] = 1.0


def test_log_axis_of_20_points_per_octave_has_200_points_from_20_hz() -> None:
    """ANSI/CTA-2034-A resolution, check C1.38: 200 points of 20 * 2**(m/20) up to 20 kHz."""
    assert len(log_axis(20.0, 20_000.0, 20, through_hz=20.0)) == 200


def test_report_axis_goes_through_1_khz_and_covers_the_audio_band() -> None:
    hz = report_axis().hz
    assert np.isclose(hz, 1000.0).any()
    assert hz[0] < 20.0
    assert hz[-1] > 20_000.0
    np.testing.assert_allclose(np.diff(np.log2(hz)), 1 / 48, rtol=1e-9)


def test_cta_orbits_are_the_70_positions() -> None:
    """ANSI/CTA-2034-A: two orbits of 36, sharing 0 and 180 degrees."""
    directions = cta_orbits()
    assert len(directions) == 70
    for orbit in ("horizontal", "vertical"):
        rows, angles = on_orbit(directions, orbit)
        np.testing.assert_allclose(angles, np.arange(-170.0, 181.0, 10.0), atol=1e-9)
        assert len(set(rows.tolist())) == 36


@pytest.mark.parametrize(
    ("orbit", "angle", "azimuth", "elevation"),
    [
        ("horizontal", 90, 90, 0),
        ("horizontal", -40, 320, 0),
        ("vertical", 60, 0, 60),
        ("vertical", -20, 0, -20),
        ("vertical", 120, 180, 60),
        ("vertical", -150, 180, -30),
    ],
)
def test_orbit_angles_map_to_the_directions_of_sofa(orbit, angle, azimuth, elevation) -> None:
    """AES69 axes; check C4.24."""
    one = from_orbit(orbit, angle)
    np.testing.assert_allclose(np.rad2deg(one.azimuth_rad[0]) % 360, azimuth, atol=1e-9)
    np.testing.assert_allclose(np.rad2deg(one.elevation_rad[0]), elevation, atol=1e-9)


def test_left_is_y_and_up_is_z() -> None:
    """AES69: x along the reference axis, y left, z up."""
    np.testing.assert_allclose(from_orbit("horizontal", 90.0).unit_vectors()[0], [0, 1, 0], atol=1e-12)
    np.testing.assert_allclose(from_orbit("vertical", 90.0).unit_vectors()[0], [0, 0, 1], atol=1e-12)


def test_directions_refuse_an_elevation_over_the_top() -> None:
    with pytest.raises(ValueError, match="quarter turn"):
        Directions(np.array([0.0]), np.array([2.0]))


def test_the_common_part_cancels_in_a_difference_and_the_rest_adds_in_quadrature() -> None:
    """JCGM 100:2008 (from memory): fully correlated inputs cancel in a difference, independent ones add squared."""
    difference = curve([3.0, 4.0]).minus(curve([1.0, 1.0], u=0.4), key="d", name="d", reference="dB")
    np.testing.assert_allclose(difference.values, [2.0, 3.0])
    np.testing.assert_allclose(difference.u, 0.5)
    np.testing.assert_allclose(difference.u_total, 0.5)


def test_a_difference_is_valid_only_where_both_are() -> None:
    difference = curve([3.0, 4.0], valid=[True, False]).minus(curve([1.0, 1.0]), key="d", name="d", reference="dB")
    assert difference.valid.tolist() == [True, False]
    assert difference.valid_band_hz() == (1000.0, 1000.0)


def test_a_curve_refuses_nan_where_it_says_it_is_valid() -> None:
    with pytest.raises(ValueError, match="not numbers"):
        curve([1.0, np.nan])
    assert curve([1.0, np.nan], valid=[True, False]).valid_band_hz() == (1000.0, 1000.0)


def test_a_figure_has_a_number_or_a_reason_never_both_never_neither() -> None:
    with pytest.raises(ValueError, match="neither"):
        Figure("f3", None, None, "Hz", None, "rule")
    with pytest.raises(ValueError, match="not a number"):
        Figure("f3", float("nan"), 1.0, "Hz", None, "rule")
    with pytest.raises(ValueError, match="a reason"):
        Figure("f3", 1.0, 1.0, "Hz", None, "rule", reason="none")
    asked = Asked("f3", "Hz", "rule")
    refused, judged = asked.refused("the gate ends above it"), asked.judged(40, 2)
    assert not refused.is_judged
    assert (judged.judged_value, judged.judged_u) == (40.0, 2.0)
    for name in ("judged_value", "judged_u"):
        with pytest.raises(ValueError, match="figure f3 is not judged: the gate ends above it"):
            getattr(refused, name)


def test_a_step_has_the_same_key_for_the_same_settings_in_any_order() -> None:
    one = step("reduce", {"gate_ms": 5.0, "rear": "all"}, ("a", "b"))
    other = step("reduce", {"rear": "all", "gate_ms": 5.0}, ("a", "b"))
    assert one.key == other.key
    assert one.key != step("reduce", {"gate_ms": 5.1, "rear": "all"}, ("a", "b")).key
    assert one.key != step("reduce", {"gate_ms": 5.0, "rear": "all"}, ("b", "a")).key


def test_causes_of_a_response_add_to_its_own_uncertainty_by_root_sum_of_squares() -> None:
    """JCGM 100:2008, 5.1.2 (from memory): uncorrelated contributions add in squares; 3, 4 and 12 dB make 13."""
    axis, where = FrequencyAxis(np.array([100.0, 200.0])), Directions(np.array([0.0, 1.0]), np.zeros(2))
    causes = (
        Cause(name="alike", source="test", pull_db=np.full((1, 2), -4.0)),
        Cause(name="apart", source="test", pull_db=np.array([[12.0, 0.0], [0.0, -12.0]])),
    )
    response = DirectionalResponse(
        axis, where, np.ones((2, 2), complex), np.full((2, 2), 3.0), np.zeros(2), np.ones((2, 2), bool), causes=causes
    )
    assert [cause.alike for cause in causes] == [True, False]
    assert response.u_total_db() == pytest.approx(np.array([[13.0, 5.0], [5.0, 13.0]]))


@pytest.mark.parametrize("pull", [np.zeros((3, 2)), np.zeros((2, 3)), np.zeros(2), np.full((1, 2), np.nan)])
def test_a_cause_that_fits_no_response_is_refused(pull: np.ndarray) -> None:
    axis, where = FrequencyAxis(np.array([100.0, 200.0])), Directions(np.array([0.0, 1.0]), np.zeros(2))
    with pytest.raises(ValueError, match="cause"):
        DirectionalResponse(
            axis,
            where,
            np.ones((2, 2), complex),
            np.ones((2, 2)),
            np.zeros(2),
            np.ones((2, 2), bool),
            causes=(Cause(name="cause", source="test", pull_db=pull),),
        )
