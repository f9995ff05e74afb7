"""Coverage where data repeat, end or have holes, and what its curves and figures say of themselves. By hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from closed_form_fields import levels

from earwitness.figures.maps import (
    OrbitLevels,
    Side,
    coverage_curve,
    coverage_sides,
    nominal_coverage,
    orbit_levels,
    symmetric_half_angle,
    third_octaves_hz,
)
from earwitness.quantities import FrequencyAxis, from_orbit
from earwitness.quantities.arrays import BoolArray, FloatArray

TENS = np.arange(-170.0, 190, 10)


def orbit(level_db: FloatArray, angles: FloatArray = TENS, *, valid: BoolArray | None = None) -> OrbitLevels:
    start = levels(level_db, from_orbit("horizontal", angles))
    if valid is not None:
        start = replace(start, valid=np.repeat(valid[:, None], 2, axis=1))
    found = orbit_levels(start, "horizontal")
    assert not isinstance(found, str), found
    return found


def at(found: OrbitLevels, angle: float) -> int:
    return int(np.argmin(np.abs(found.map.angle_deg - angle)))


def test_a_direction_measured_twice_is_an_energy_mean_relative_to_the_axis() -> None:
    """Energies 1 and 3 make 2; two independent errors of 0.3 dB make 0.3 / sqrt 2, and the axis adds its own."""
    angles = np.array([0.0, 10.0, 20.0, 30.0, 30.0, 180.0])
    found = orbit(np.array([-4.0, -4.0, -4.0, -4.0, -4.0 + 10 * np.log10(3.0), -20.0]), angles)
    assert found.map.angle_deg[:4].tolist() == [0.0, 10.0, 20.0, 30.0]
    assert found.map.level_db[at(found, 30.0), 0] == pytest.approx(10 * np.log10(2.0))
    assert found.map.level_db[at(found, 10.0), 0] == pytest.approx(0.0)
    assert found.map.level_db[at(found, 0.0), 0] == 0.0
    assert found.u_db[at(found, 30.0), 0] == pytest.approx(np.hypot(0.3 / np.sqrt(2), 0.3))
    assert found.u_db[at(found, 10.0), 0] == pytest.approx(0.3 * np.sqrt(2))
    assert found.u_db[at(found, 0.0), 0] == 0.0


def test_holes_stand_in_the_map_on_either_side() -> None:
    angles = np.array([-170.0, -100.0, -10.0, 0.0, 10.0, 20.0, 55.0, 60.0])
    found = orbit(np.zeros(8), angles)
    inside = [-160, -150, -140, -130, -120, -110, -90, -80, -70, -60, -50, -40, -30, -20, 30, 40, 50]
    holes = found.map.angle_deg[~found.map.valid[:, 0]]
    assert [round(float(angle)) for angle in holes] == inside


def test_a_gap_of_thirty_degrees_is_read_across() -> None:
    """0, -6 and -12 dB at 0, 30 and 60 degrees: 3 dB down half way, 9 dB one and a half."""
    angles = np.arange(-180.0, 180.0, 30)
    found = orbit(-np.abs(angles) / 5, angles)
    for drop_db, angle in ((3.0, 15.0), (9.0, 45.0)):
        for side in coverage_sides(found, drop_db).values():
            assert (side.angle_deg[0], bool(side.reached[0]), bool(side.known[0])) == (pytest.approx(angle), True, True)


def test_a_fall_that_ends_right_at_the_rear_is_reached() -> None:
    sides = coverage_sides(orbit(-np.abs(TENS) / 30), 6.0)
    for side in sides.values():
        assert (side.angle_deg[0], bool(side.reached[0])) == (pytest.approx(180.0), True)


def test_nothing_is_known_where_the_axis_is_not_valid() -> None:
    found = orbit(-np.abs(TENS) / 5, valid=TENS != 0.0)
    for side in coverage_sides(found, 6.0).values():
        assert (side.angle_deg[0], bool(side.reached[0]), bool(side.known[0])) == (0.0, False, False)


def side(**changes: list[bool]) -> Side:
    values = {"reached": [True, True], "known": [True, True]} | changes
    return Side(np.array([50.0, 60.0]), np.array([3.0, 4.0]), np.array(values["reached"]), np.array(values["known"]))


def test_both_sides_together_need_both() -> None:
    """Angles add, independent uncertainties in quadrature."""
    found = side(reached=[True, False]).plus(side(known=[False, True]))
    assert found.angle_deg.tolist() == [100.0, 120.0]
    assert found.u_deg == pytest.approx(np.sqrt(2) * np.array([3.0, 4.0]))
    assert found.reached.tolist() == [True, False]
    assert found.known.tolist() == [False, True]


def test_the_symmetric_half_angle_needs_both_sides_to_be_valid() -> None:
    whole = symmetric_half_angle(orbit(-np.abs(TENS) / 5), 6.0)
    assert (whole.angle_deg[0], bool(whole.known[0])) == (pytest.approx(30.0), True)
    # Each side errs by sqrt 2 * 0.3 dB on its own, their mean by 0.3 dB: over 0.2 dB a degree.
    assert whole.u_deg[0] == pytest.approx(0.3 / 0.2)
    one_sided = symmetric_half_angle(orbit(-np.abs(TENS) / 5, valid=TENS != -20.0), 6.0)
    assert (one_sided.angle_deg[0], bool(one_sided.known[0])) == (10.0, False)


@pytest.mark.parametrize(
    ("key", "name", "reference"),
    [
        ("coverage_left_3db", "coverage, left at −3 dB", "angle from the axis to 3 dB below it"),
        (
            "coverage_horizontal_3db",
            "horizontal coverage at −3 dB",
            "full angle between the first falls to 3 dB below the axis",
        ),
    ],
)
def test_curves_of_coverage_say_what_they_are(key: str, name: str, reference: str) -> None:
    axis = FrequencyAxis(np.array([1000.0, 2000.0]))
    found = coverage_curve(side(reached=[True, False]), axis, key=key, drop_db=3, lineage=("step",))
    assert (found.key, found.name, found.reference, found.unit, found.lineage) == (
        key,
        name,
        reference,
        "deg",
        ("step",),
    )
    assert found.values.tolist() == [50.0, 60.0]
    assert (found.u.tolist(), found.u_common.tolist()) == ([3.0, 4.0], [0.0, 0.0])
    assert found.valid.tolist() == [True, False]


def test_nominal_coverage_needs_every_third_octave() -> None:
    """Eleven of them from 1 to 10 kHz; one that is not known, or a band that ends short, and nothing is judged."""
    hz = third_octaves_hz()
    angle, u = np.linspace(100.0, 140.0, 11), np.linspace(1.0, 3.0, 11)
    every, told = np.ones(11, bool), {"key": "nominal_coverage_horizontal", "orbit": "horizontal", "lineage": ("step",)}
    whole = nominal_coverage(Side(angle, u, every, every), FrequencyAxis(hz), **told)
    assert (whole.value, whole.u, whole.unit) == (pytest.approx(120.0), pytest.approx(2.0), "deg")
    assert (whole.band_hz, whole.lineage, len(whole.caveats)) == ((1000.0, 10_000.0), ("step",), 1)
    partly = nominal_coverage(Side(angle, u, np.arange(11) > 1, every), FrequencyAxis(hz), **told)
    assert partly.caveats[1] == "at 2 of 11 frequencies a side never falls 6 dB and counts as 180°"
    doubtful = Side(angle, u, every, np.arange(11) != 4)
    late, early = Side(angle[1:], u[1:], every[1:], every[1:]), Side(angle[:-1], u[:-1], every[:-1], every[:-1])
    for part, axis in ((doubtful, hz), (late, hz[1:]), (early, hz[:-1])):
        gone = nominal_coverage(part, FrequencyAxis(axis), **told)
        assert (gone.value, gone.key, gone.unit) == (None, "nominal_coverage_horizontal", "deg")
        assert (gone.band_hz, gone.lineage) == ((1000.0, 10_000.0), ("step",))
        assert "every third octave" in gone.reason


def test_third_octaves_are_those_of_an_independent_library() -> None:
    """pyfar's exact midbands of IEC 61260-1; C10.20 for 1.25 and 1.6 kHz and up by decades."""
    import pyfar

    theirs = pyfar.constants.fractional_octave_frequencies_exact(3, (990.0, 10_100.0))
    centers = theirs[0] if isinstance(theirs, tuple) else theirs
    assert third_octaves_hz() == pytest.approx(np.asarray(centers, dtype=float))
