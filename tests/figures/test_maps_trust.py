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
    third_octaves_hz,
)
from earwitness.quantities import Figure, FrequencyAxis, from_orbit
from earwitness.quantities.arrays import BoolArray, FloatArray

TENS = np.arange(-170.0, 190, 10)
BELOW = "3 dB below the axis, or below the mean at 10° and 20° to either side where that is louder"


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
    """Energies 1 and 3 make 2; two independent errors of 0.3 dB make 0.3 / sqrt 2."""
    angles = np.array([0.0, 10.0, 20.0, 30.0, 30.0, 180.0])
    found = orbit(np.array([-4.0, -4.0, -4.0, -4.0, -4.0 + 10 * np.log10(3.0), -20.0]), angles)
    assert found.map.angle_deg[:4].tolist() == [0.0, 10.0, 20.0, 30.0]
    assert found.map.level_db[at(found, 30.0), 0] == pytest.approx(10 * np.log10(2.0))
    assert found.map.level_db[at(found, 10.0), 0] == pytest.approx(0.0)
    assert found.map.level_db[at(found, 0.0), 0] == 0.0
    assert found.u_db[at(found, 30.0), 0] == pytest.approx(0.3 / np.sqrt(2))
    assert found.u_db[at(found, 10.0), 0] == pytest.approx(0.3)
    assert found.u_db[at(found, 0.0), 0] == pytest.approx(0.3)


def test_holes_stand_in_the_map_on_either_side() -> None:
    angles = np.array([-170.0, -100.0, -10.0, 0.0, 10.0, 20.0, 55.0, 60.0])
    found = orbit(np.zeros(8), angles)
    inside = [-160, -150, -140, -130, -120, -110, -90, -80, -70, -60, -50, -40, -30, -20, 30, 40, 50]
    holes = found.map.angle_deg[~found.map.valid[:, 0]]
    assert [round(float(angle)) for angle in holes] == inside


def test_a_gap_of_thirty_degrees_is_read_across() -> None:
    """A parabola of 6 dB at 30 degrees: 3 dB down at 30 / sqrt 2, 9 dB at 30 sqrt 1.5. Between 30 and 60 degrees its
    bend is 1.5 dB, of which 1 dB counts: 0.5 dB of a step of 18 dB over 30 degrees are 0.8 degrees."""
    angles = np.arange(-180.0, 180.0, 30)
    found = orbit(-6.0 * (angles / 30.0) ** 2, angles)
    for drop_db, angle, off in ((3.0, 30.0 / np.sqrt(2), 1.3), (9.0, 30.0 * np.sqrt(1.5), 0.9)):
        for side in coverage_sides(found, drop_db).values():
            assert side.angle_deg[0] == pytest.approx(angle, abs=off)
            assert (bool(side.reached[0]), bool(side.known[0])) == (True, True)


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
    own, moves = np.array([3.0, 4.0]), np.zeros((2, 2))
    return Side(np.array([50.0, 60.0]), own, moves, np.array(values["reached"]), np.array(values["known"]))


def test_both_sides_together_need_both() -> None:
    """Angles add, independent uncertainties in quadrature."""
    found = side(reached=[True, False]).plus(side(known=[False, True]))
    assert found.angle_deg.tolist() == [100.0, 120.0]
    assert found.u_deg == pytest.approx(np.sqrt(2) * np.array([3.0, 4.0]))
    assert found.reached.tolist() == [True, False]
    assert found.known.tolist() == [False, True]


@pytest.mark.parametrize(
    ("key", "name", "reference"),
    [
        ("coverage_left_3db", "coverage, left at −3 dB", f"angle from the axis to {BELOW}"),
        (
            "coverage_horizontal_3db",
            "horizontal coverage at −3 dB",
            f"full angle between the first falls to {BELOW}",
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


def wide_open(hz: FloatArray, angle_deg: FloatArray) -> OrbitLevels:
    """An orbit that falls by 6 dB at half the angle on either side, by a straight line."""
    level = -6.0 * np.abs(TENS)[:, None] / (angle_deg / 2)
    start = levels(np.zeros(36), from_orbit("horizontal", TENS), points=hz.size)
    found = orbit_levels(replace(start, axis=FrequencyAxis(hz), level_db=level), "horizontal")
    assert not isinstance(found, str)
    return found


def nominal(found: OrbitLevels, **changes: BoolArray) -> Figure:
    sides = coverage_sides(found, 6.0)
    total = replace(sides["left"].plus(sides["right"]), **changes)
    return nominal_coverage(found, total, key="nominal_coverage_horizontal", draws=200)


def test_nominal_coverage_needs_every_third_octave() -> None:
    """Eleven of them from 1 to 10 kHz; one that is not known, or a band that ends short, and nothing is judged."""
    hz = third_octaves_hz()
    angle, every = np.linspace(100.0, 140.0, 11), np.ones(11, bool)
    found = wide_open(hz, angle)
    whole = nominal(found)
    assert (whole.value, whole.unit, whole.key) == (pytest.approx(120.0), "deg", "nominal_coverage_horizontal")
    assert (whole.band_hz, whole.lineage, len(whole.caveats)) == ((1000.0, 10_000.0), found.lineage, 1)
    partly = nominal(found, reached=np.arange(11) > 1)
    assert partly.caveats[1] == "at 2 of 11 frequencies a side never falls 6 dB and counts as 180°"
    late, early = wide_open(hz[1:], angle[1:]), wide_open(hz[:-1], angle[:-1])
    for gone in (nominal(found, known=every & (np.arange(11) != 4)), nominal(late), nominal(early)):
        assert (gone.value, gone.key, gone.unit) == (None, "nominal_coverage_horizontal", "deg")
        assert gone.band_hz == (1000.0, 10_000.0)
        assert "every third octave" in gone.reason


def test_a_dip_on_the_axis_is_told_with_the_coverage() -> None:
    hz = third_octaves_hz()
    found = wide_open(hz, np.full(11, 120.0))
    level = found.map.level_db.copy()
    level[np.abs(TENS) > 0, 4:7] += 5.0
    dipped = replace(found, map=replace(found.map, level_db=level))
    told = nominal(dipped)
    assert told.value == pytest.approx(nominal(found).value, abs=3.0)
    assert any(one.startswith("at 3 of 11 frequencies the axis lies in a dip") for one in told.caveats)


def test_the_median_s_uncertainty_is_smaller_than_that_of_one_angle() -> None:
    """Errors of single directions, all alike: the median of 11 normal draws has about sqrt(pi / 2 / 11) of one's
    spread (large numbers; 0.378, a little less at 11 draws)."""
    found = wide_open(third_octaves_hz(), np.full(11, 130.0))
    sides = coverage_sides(found, 6.0)
    total = sides["left"].plus(sides["right"])
    # On each side two directions by a half and a sixteenth, their neighbors by a sixteenth; the axis moves both sides.
    level = 2 * (2 * (0.3 * 9 / 16) ** 2 + 2 * (0.3 / 16) ** 2) + (2 * 0.3) ** 2
    one = np.sqrt(level) / (6.0 / 65.0)
    assert total.u_deg == pytest.approx(np.full(11, one), rel=0.01)
    figure = nominal_coverage(found, total, key="k", draws=4000)
    draws = np.median(np.random.default_rng(1).standard_normal((20_000, 11)), axis=1).std()
    # Reading between angles that err adds some percent to each.
    assert draws * one < figure.u < 1.12 * draws * one


def test_third_octaves_are_those_of_an_independent_library() -> None:
    """pyfar's exact midbands of IEC 61260-1; C10.20 for 1.25 and 1.6 kHz and up by decades."""
    import pyfar

    theirs = pyfar.constants.fractional_octave_frequencies_exact(3, (990.0, 10_100.0))
    centers = theirs[0] if isinstance(theirs, tuple) else theirs
    assert third_octaves_hz() == pytest.approx(np.asarray(centers, dtype=float))
