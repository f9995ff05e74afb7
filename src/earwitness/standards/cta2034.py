"""ANSI/CTA-2034-A: which orbit positions make which curve, and their weights.

The standard's full text was not read; positions and weights are those its third-party reproductions agree on.
"""

from typing import Literal

import numpy as np
import numpy.typing as npt

from earwitness.quantities import FloatArray, Orbit

Position = tuple[Orbit, float]
Component = Literal["listening_window", "floor", "ceiling", "front_wall", "side_wall", "rear_wall"]
RearWall = Literal["all 19", "3"]

EDITION = "ANSI/CTA-2034-A (February 2015)"
STEP_DEG = 10.0
COMPONENTS: tuple[Component, ...] = ("listening_window", "floor", "ceiling", "front_wall", "side_wall", "rear_wall")
EARLY_REFLECTIONS: tuple[Component, ...] = ("floor", "ceiling", "front_wall", "side_wall", "rear_wall")
HORIZONTAL_REFLECTIONS: tuple[Component, ...] = ("front_wall", "side_wall", "rear_wall")
VERTICAL_REFLECTIONS: tuple[Component, ...] = ("floor", "ceiling")

# Weights of listening window, early reflections and sound power, put on energies (from memory of the standard).
IN_ROOM_WEIGHTS = {"listening_window": 0.12, "early_reflections": 0.44, "sound_power": 0.44}


# Without a wall behind, its share stays silent: the mean of the other four counts for four fifths.
HALF_SPACE_REFLECTIONS: tuple[Component, ...] = ("floor", "ceiling", "front_wall", "side_wall")


def _horizontal(*angles_deg: float) -> tuple[Position, ...]:
    return tuple(("horizontal", float(angle)) for angle in angles_deg)


def _vertical(*angles_deg: float) -> tuple[Position, ...]:
    return tuple(("vertical", float(angle)) for angle in angles_deg)


def positions(component: Component, *, rear_wall: RearWall = "all 19") -> tuple[Position, ...]:
    """Orbit positions of one component, angles in degrees; vertical is positive upward.

    The reference axis is written as the horizontal angle 0, its opposite as 180. `rear_wall` picks one of the two
    readings of the ambiguous rear-wall text.
    """
    if component == "listening_window":
        return _horizontal(0, 10, -10, 20, -20, 30, -30) + _vertical(10, -10)
    if component == "floor":
        return _vertical(-20, -30, -40)
    if component == "ceiling":
        return _vertical(40, 50, 60)
    if component == "front_wall":
        return _horizontal(0, 10, -10, 20, -20, 30, -30)
    if component == "side_wall":
        return _horizontal(*(sign * angle for angle in range(40, 90, 10) for sign in (1, -1)))
    if rear_wall == "3":
        return _horizontal(90, -90, 180)
    return _horizontal(*(sign * angle for angle in range(90, 180, 10) for sign in (1, -1)), 180)


def all_positions() -> tuple[Position, ...]:
    """The 70 positions of both orbits in 10 degree steps."""
    off_axis = [sign * angle for angle in range(10, 180, 10) for sign in (1, -1)]
    return _horizontal(0, *off_axis, 180) + _vertical(*off_axis)


def weight(theta_deg: npt.ArrayLike, step_deg: float = STEP_DEG) -> FloatArray:
    """Share of the sphere of one position on one half orbit, at angle(s) theta from the axis.

    theta_deg : angle from the axis [degrees], any shape, sign ignored, multiples of `step_deg` up to 180.
    At 0 and 180 degrees this is a quarter of the cell, as in the published table: a sum over single positions
    counts it four times. Area of the spherical Voronoi cells of the two orbits (own derivation):
    w = [F(t + step/2) - F(t - step/2)] / (2 pi), F(t) = -arcsin(cos t / sqrt 2).
    """
    theta = np.abs(np.asarray(theta_deg, dtype=float))
    low = np.deg2rad(np.clip(theta - step_deg / 2, 0.0, 180.0))
    high = np.deg2rad(np.clip(theta + step_deg / 2, 0.0, 180.0))
    share = np.arcsin(np.cos(low) / np.sqrt(2)) - np.arcsin(np.cos(high) / np.sqrt(2))
    return np.asarray(share / (2 * np.pi), dtype=float)


def half_space_weight(theta_deg: npt.ArrayLike, step_deg: float = STEP_DEG, *, last_deg: float = 90.0) -> FloatArray:
    """Share of the hemisphere in front of a wall of one position on one half orbit; all of them sum to 1, the axis
    counted four times.

    theta_deg : as in `weight`, up to last_deg, the last angle that was measured. The cells of the sphere, cut at the
    wall's plane: twice the sphere's share, at 90 degrees once; the last one reaches to the plane (own derivation).
    """
    theta = np.abs(np.asarray(theta_deg, dtype=float))
    share = np.where(theta > 90.0 - step_deg / 4, 1.0, 2.0) * weight(theta, step_deg)
    if last_deg < 90.0 - step_deg / 4:
        beyond = np.arange(last_deg + step_deg, 90.0 + step_deg / 4, step_deg)
        share = share + np.where(theta >= last_deg, float(half_space_weight(beyond, step_deg).sum()), 0.0)
    return np.asarray(share, dtype=float)
