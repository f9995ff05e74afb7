"""Places that are filled in over angle: which neighbors, by which shares, and what is said of them. By hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from closed_form_fields import levels

from earwitness.figures.angles import Filled, filled, horizontal_weights
from earwitness.figures.windows import DirectionalLevels
from earwitness.quantities import Directions, cta_orbits, from_orbit, on_orbit
from earwitness.quantities.arrays import FloatArray
from earwitness.quantities.directions import join

TWENTIES = np.arange(-160.0, 200, 20)


def horizontal(angles: FloatArray, level_db: FloatArray, *, points: int = 2) -> DirectionalLevels:
    return levels(level_db, from_orbit("horizontal", angles), points=points)


def by_angle(found: Filled) -> dict[int, float]:
    """Level at the first frequency by horizontal angle."""
    rows, angles = on_orbit(found.levels.directions, "horizontal")
    return {round(float(a)): float(found.levels.level_db[row, 0]) for a, row in zip(angles, rows, strict=True)}


def test_a_gap_across_the_rear_is_filled_from_both_sides() -> None:
    """165 degrees at -1 dB and -165 at -3 dB are 30 apart: 5, 15 and 25 degrees from the first."""
    angles = np.arange(-165.0, 170, 15)
    level = np.where(angles == 165.0, -1.0, np.where(angles == -165.0, -3.0, 0.0))
    found = by_angle(filled(horizontal(angles, level), symmetric=False))
    assert [found[angle] for angle in (170, 180, -170)] == pytest.approx([-1 - 2 / 6, -2.0, -1 - 10 / 6])


def test_uneven_neighbors_weigh_by_their_nearness() -> None:
    """25 and 45 degrees at -2 and -6 dB: 30 degrees lies a quarter of the way, 40 degrees three quarters."""
    angles = np.array([0.0, 15.0, 25.0, 45.0, 55.0])
    found = filled(horizontal(angles, np.array([0.0, -1.0, -2.0, -6.0, -8.0])), symmetric=False)
    here = by_angle(found)
    assert [here[angle] for angle in (10, 20, 30, 40, 50)] == pytest.approx([-2 / 3, -1.5, -3.0, -5.0, -7.0])
    assert {angle: gap for (_, angle), gap in found.interpolated.items()} == pytest.approx(
        {10.0: 15.0, 20.0: 10.0, 30.0: 20.0, 40.0: 20.0, 50.0: 10.0}
    )


def test_own_uncertainty_grows_with_the_square_of_the_gap() -> None:
    """Bound of 0.4 dB at 30 degrees, rectangular: a third of the gap, a ninth of the bound."""
    start = horizontal(np.array([0.0, 15.0, 25.0, 45.0, 55.0]), np.zeros(5))
    found = filled(replace(start, u_db=np.zeros_like(start.u_db)), symmetric=False)
    u = dict(zip(found.interpolated, found.levels.u_of_levels_db()[5:, 0], strict=True))
    for (_, angle), gap in found.interpolated.items():
        assert u["horizontal", angle] == pytest.approx(0.4 * (gap / 30.0) ** 2 / np.sqrt(3)), angle


def test_a_direction_without_a_level_leaves_none_where_it_would_be_needed() -> None:
    start = horizontal(TWENTIES, np.full(18, -1.0))
    known = np.ones((18, 2), bool)
    known[int(np.flatnonzero(TWENTIES == 40.0)[0]), 1] = False
    level = np.where(known, start.level_db, np.nan)
    found = filled(replace(start, level_db=level, known=known, valid=known), symmetric=False).levels
    rows, angles = on_orbit(found.directions, "horizontal")
    at = {round(float(a)): row for a, row in zip(angles, rows, strict=True)}
    assert found.known is not None
    for angle in (30, 40, 50):
        assert found.known[at[angle]].tolist() == [True, False], angle
        assert found.valid[at[angle]].tolist() == [True, False], angle
    for angle in (10, 20, 60, 70, -30):
        assert found.known[at[angle]].all(), angle
        assert found.valid[at[angle]].all(), angle
    assert np.isfinite(found.level_db).all()


def test_the_sentence_counts_what_carries_weight() -> None:
    every = filled(horizontal(TWENTIES, np.zeros(18)), symmetric=False)
    assert every.sentence(np.ones(36)) == "18 of 36 positions interpolated over angle (step 20°)"
    # Measured ones alone: the filled ones stand behind them.
    assert every.sentence(np.arange(36) < 18) == ""
    half = filled(horizontal(np.arange(0.0, 190, 20), np.zeros(10)), symmetric=True)
    count = len(half.levels.directions)
    assert count == 36
    assert half.sentence(np.ones(count)) == (
        "18 of 36 positions interpolated over angle (step 20°), 17 of 36 positions mirrored from the other side"
    )
    whole = filled(levels(np.zeros(70), cta_orbits()), symmetric=True)
    assert whole.sentence(np.ones(70)) == ""


def test_notes_count_what_was_filled_in_and_what_was_mirrored() -> None:
    half = filled(horizontal(np.arange(0.0, 190, 20), np.zeros(10)), symmetric=True)
    assert len(half.mirrored) == 17
    assert half.notes == (
        "9 positions are interpolated over angle, widest step 20°",
        "17 horizontal positions are mirrored: the tester states a symmetric loudspeaker",
    )


def twice_on_axis(difference_db: FloatArray, *, valid: FloatArray | None = None) -> DirectionalLevels:
    """Both orbits, the axis measured once more, off by difference_db (F,) at 1, 2, 4, 8 and 16 kHz."""
    directions: Directions = join([cta_orbits(), from_orbit("vertical", 0.0)])
    start = levels(np.zeros(71), directions, points=5)
    level = start.level_db.copy()
    level[-1] = difference_db
    mask = start.valid.copy()
    if valid is not None:
        mask[-1] = valid
    return replace(start, level_db=level, valid=mask)


def test_a_repeated_axis_is_compared_up_to_10_khz_where_both_are_valid() -> None:
    """0.5 dB is allowed; what lies above 10 kHz or is not valid says nothing."""
    most = [0.0, 0.0, 0.0, 0.75, 0.0]
    (note,) = filled(twice_on_axis(np.array(most)), symmetric=False).notes
    assert note.startswith("the axis was measured 2 times and the levels differ by up to 0.8 dB below 10 kHz")
    assert filled(twice_on_axis(np.array([0.0, 0.0, 0.0, 0.5, 3.0])), symmetric=False).notes == ()
    held = np.array([True, True, True, False, True])
    assert filled(twice_on_axis(np.array(most), valid=held), symmetric=False).notes == ()
    assert filled(twice_on_axis(np.array(most), valid=np.zeros(5)), symmetric=False).notes == ()


def test_a_response_that_is_uneven_over_frequency_is_no_difference_between_repeats() -> None:
    start = twice_on_axis(np.zeros(5))
    uneven = start.level_db + np.array([0.0, 3.0, -6.0, 2.0, 0.0])
    assert filled(replace(start, level_db=uneven), symmetric=False).notes == ()


def test_two_measured_angles_are_enough_to_read_between() -> None:
    found = by_angle(filled(horizontal(np.array([0.0, 20.0]), np.array([0.0, -2.0])), symmetric=False))
    assert found == {0: 0.0, 10: pytest.approx(-1.0), 20: -2.0}


def test_a_direction_measured_twice_shares_its_weight() -> None:
    """Seven positions alike; 30 degrees came twice: 1/14 each."""
    angles = np.array([0.0, 10.0, -10.0, 20.0, -20.0, 30.0, -30.0, 30.0])
    found = horizontal_weights(horizontal(angles, np.zeros(8)), power=False)
    assert not isinstance(found, str)
    assert found == pytest.approx(np.where(angles == 30.0, 1 / 14, 1 / 7))


def test_ring_areas_of_the_horizontal_orbit() -> None:
    """Areas between cones 5 degrees to either side of theta, (cos - cos) / 2 of the sphere, halved between left and
    right; the caps at 0 and 180 degrees are whole (solid geometry)."""
    angles = np.arange(-170.0, 190, 10)
    found = horizontal_weights(horizontal(angles, np.zeros(36)), power=True)
    assert not isinstance(found, str)
    for angle, share in zip(angles, found, strict=True):
        theta = np.radians([max(abs(angle) - 5.0, 0.0), min(abs(angle) + 5.0, 180.0)])
        ring = (np.cos(theta[0]) - np.cos(theta[1])) / 2
        assert share == pytest.approx(ring if abs(angle) in (0.0, 180.0) else ring / 2), angle


def test_what_the_fallbacks_lack_is_listed_up_to_six() -> None:
    found = horizontal_weights(horizontal(np.array([0.0, 10.0, 180.0]), np.zeros(3)), power=True)
    assert found == "33 of 36 horizontal positions were not measured: -10°, +20°, -20°, +30°, -30°, +40°"
