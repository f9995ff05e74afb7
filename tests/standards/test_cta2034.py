"""Positions and weights of ANSI/CTA-2034-A. Check ids C1.x are those of the metrics reference."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy.spatial import SphericalVoronoi

from earwitness.quantities import cta_orbits
from earwitness.standards import cta2034

# Appendix C as reproduced by third parties, one half orbit; the table is symmetric about 90 degrees.
PUBLISHED_WEIGHTS = {
    0: 0.000604486,
    10: 0.004730189,
    20: 0.008955027,
    30: 0.012387354,
    40: 0.014989611,
    50: 0.016868154,
    60: 0.018165962,
    70: 0.019006744,
    80: 0.019477787,
    90: 0.019629373,
}


def cell_share(theta_deg: npt.ArrayLike, step_deg: float = cta2034.STEP_DEG) -> npt.NDArray[np.float64]:
    """Share of the sphere of one position counted once: `weight`, four times as much at 0 and 180 degrees."""
    theta = np.abs(np.asarray(theta_deg, dtype=float))
    on_the_axis = (theta < 1e-9) | (np.abs(theta - 180.0) < 1e-9)
    return np.where(on_the_axis, 4.0, 1.0) * cta2034.weight(theta, step_deg)


def test_the_derived_weights_reproduce_the_published_table() -> None:
    """C1.1: the published Appendix C weights are areas of Voronoi cells, to the last printed digit."""
    angles = np.array(list(PUBLISHED_WEIGHTS))
    published = np.array(list(PUBLISHED_WEIGHTS.values()))
    error = np.abs(cta2034.weight(angles) - published).max()
    assert error == pytest.approx(5.1e-10, abs=0.1e-10)
    np.testing.assert_allclose(cta2034.weight(180 - angles), cta2034.weight(angles), atol=1e-15)


@pytest.mark.parametrize(
    ("step_deg", "angles_deg", "expected"),
    [
        (10, (0, 10, 50, 90), (0.000604486, 0.004730188, 0.016868154, 0.019629373)),  # C1.2 - C1.5
        (5, (0, 5, 90), (0.000151408, 0.001204426, 0.009819369)),  # C1.12
        (15, (0, 15, 90), (0.001355834, 0.010340080, 0.029420586)),  # C1.13
        (20, (0, 20, 80), (0.002399918, 0.017707738, 0.038876237)),  # C1.14
    ],
)
def test_weights_of_other_steps(step_deg: float, angles_deg: tuple[float, ...], expected: tuple[float, ...]) -> None:
    np.testing.assert_allclose(cta2034.weight(angles_deg, step_deg), expected, atol=5.1e-10)


def test_cells_are_the_voronoi_areas_of_the_seventy_positions() -> None:
    """scipy.spatial.SphericalVoronoi, a library that knows nothing of the formula. C1.6, C1.11."""
    directions = cta_orbits()
    points = directions.unit_vectors()
    areas = SphericalVoronoi(points, threshold=1e-9).calculate_areas() / (4 * np.pi)
    from_axis = np.round(np.rad2deg(np.arccos(np.clip(points[:, 0], -1, 1))), 6)
    np.testing.assert_allclose(cell_share(from_axis), areas, atol=1e-9)
    assert float(cell_share(0.0)) == pytest.approx(0.002417944, abs=5e-10)
    assert cell_share(from_axis).sum() == pytest.approx(1.0, abs=1e-12)


def test_components_hold_as_many_positions_as_the_standard_names() -> None:
    """Numbers of positions from the reference's table (read in third-party reproductions)."""
    counts = {name: len(set(cta2034.positions(name))) for name in cta2034.COMPONENTS}
    assert counts == {
        "listening_window": 9,
        "floor": 3,
        "ceiling": 3,
        "front_wall": 7,
        "side_wall": 10,
        "rear_wall": 19,
    }
    assert len(cta2034.positions("rear_wall", rear_wall="3")) == 3
    assert len(set(cta2034.all_positions())) == 70
    for name in cta2034.COMPONENTS:
        assert set(cta2034.positions(name)) <= set(cta2034.all_positions())


def both_sides(*angles_deg: int) -> set[float]:
    return {float(sign * angle) for angle in angles_deg for sign in (1, -1)}


def test_every_component_holds_the_positions_of_the_standard() -> None:
    """The metrics reference's table, 1.3 and 1.4 (read in third-party reproductions; both readings of the rear)."""
    window = both_sides(10, 20, 30) | {0.0}
    rear = both_sides(90, 100, 110, 120, 130, 140, 150, 160, 170) | {180.0}
    expected: dict[cta2034.Component, tuple[set[float], set[float]]] = {
        "listening_window": (window, {10.0, -10.0}),
        "floor": (set(), {-20.0, -30.0, -40.0}),
        "ceiling": (set(), {40.0, 50.0, 60.0}),
        "front_wall": (window, set()),
        "side_wall": (both_sides(40, 50, 60, 70, 80), set()),
        "rear_wall": (rear, set()),
    }
    for name, (horizontal, vertical) in expected.items():
        places = {("horizontal", angle) for angle in horizontal} | {("vertical", angle) for angle in vertical}
        assert set(cta2034.positions(name)) == places, name
        assert len(cta2034.positions(name)) == len(places), name
    assert set(cta2034.positions("rear_wall", rear_wall="3")) == {
        ("horizontal", 90.0),
        ("horizontal", -90.0),
        ("horizontal", 180.0),
    }


@pytest.mark.parametrize("step_deg", [1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0])
def test_the_cells_of_any_step_cover_the_sphere_once(step_deg: float) -> None:
    """Both orbits, the axis and its opposite once: solid geometry."""
    off_axis = np.arange(step_deg, 180.0, step_deg)
    whole = 4 * cell_share(off_axis, step_deg).sum() + cell_share([0.0, 180.0], step_deg).sum()
    assert whole == pytest.approx(1.0, abs=1e-12)


def test_the_published_table_falls_short_by_the_cells_of_the_axis() -> None:
    """C1.8 to C1.10: 68 positions, and 0 and 180 degrees counted once or once per orbit."""
    axis = PUBLISHED_WEIGHTS[0]
    off_axis = sum(4 * weight * (1 if angle == 90 else 2) for angle, weight in PUBLISHED_WEIGHTS.items() if angle)
    assert off_axis == pytest.approx(0.995164116, abs=1e-12)
    assert off_axis + 2 * axis == pytest.approx(0.996373088, abs=1e-12)
    assert off_axis + 4 * axis == pytest.approx(0.997582060, abs=1e-12)


@pytest.mark.parametrize(("angle_deg", "ratio"), [(10.0, 1.2502), (90.0, 0.9009)])
def test_cells_of_two_orbits_against_rings(angle_deg: float, ratio: float) -> None:
    """C1.15 and C1.16: four cells over the area of their ring; near the axis the limit is 4/pi (C1.17)."""
    low, high = np.deg2rad([angle_deg - 5.0, angle_deg + 5.0])
    ring = (np.cos(low) - np.cos(high)) / 2
    assert float(4 * cta2034.weight(angle_deg)) / ring == pytest.approx(ratio, abs=6e-5)
    near = np.deg2rad([1.9, 2.1])
    narrow = float(4 * cta2034.weight(2.0, 0.2)) / ((np.cos(near[0]) - np.cos(near[1])) / 2)
    assert 10 * np.log10(narrow) == pytest.approx(1.0491, abs=0.01)


def test_the_floor_is_below_and_the_ceiling_above() -> None:
    assert all(angle < 0 for _, angle in cta2034.positions("floor"))
    assert all(angle > 0 for _, angle in cta2034.positions("ceiling"))


def test_in_room_weights_sum_to_one() -> None:
    assert sum(cta2034.IN_ROOM_WEIGHTS.values()) == pytest.approx(1.0)
