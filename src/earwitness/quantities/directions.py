"""Directions around a loudspeaker, in AES69 axes.

x along the reference axis, y to the loudspeaker's left, z up; azimuth counter-clockwise seen from above.
A horizontal orbit angle h is the azimuth (positive toward the loudspeaker's left); a vertical orbit angle v
is positive upward and may pass over the top: v = 120 degrees is azimuth 180, elevation 60.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from earwitness.quantities.arrays import FloatArray, IntArray, lock_fields, locked, require_shape

Orbit = Literal["horizontal", "vertical"]
_SAME_DIRECTION_RAD = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Directions:
    """Directions seen from the reference point.

    azimuth_rad, elevation_rad : (D,) [rad], azimuth in (-pi, pi], elevation in [-pi/2, pi/2].
    """

    azimuth_rad: FloatArray
    elevation_rad: FloatArray

    def __post_init__(self) -> None:
        lock_fields(self, azimuth_rad=float, elevation_rad=float)
        require_shape("Directions", "elevation_rad", self.elevation_rad, self.azimuth_rad.shape)
        if self.azimuth_rad.ndim != 1:
            raise ValueError("directions are one-dimensional lists")
        if (np.abs(self.elevation_rad) > np.pi / 2 + 1e-9).any():
            raise ValueError("elevation must lie within a quarter turn of the horizon")
        outside = (self.azimuth_rad <= -np.pi) | (self.azimuth_rad > np.pi)
        if outside.any():
            # Only what lies outside is wrapped, so that a kept value comes back bit for bit.
            turned = np.pi - np.mod(np.pi - self.azimuth_rad, 2 * np.pi)
            object.__setattr__(self, "azimuth_rad", locked(np.where(outside, turned, self.azimuth_rad), float))

    def __len__(self) -> int:
        return int(self.azimuth_rad.size)

    def unit_vectors(self) -> FloatArray:
        """(D, 3) unit vectors x, y, z."""
        cos_elevation = np.cos(self.elevation_rad)
        return np.stack(
            [
                cos_elevation * np.cos(self.azimuth_rad),
                cos_elevation * np.sin(self.azimuth_rad),
                np.sin(self.elevation_rad),
            ],
            axis=-1,
        )

    def on_axis_row(self) -> int:
        """Row of the direction nearest to the reference axis."""
        return int(np.argmax(self.unit_vectors()[:, 0]))

    def take(self, rows: IntArray) -> Directions:
        """The directions in `rows`, in that order."""
        return Directions(self.azimuth_rad[rows], self.elevation_rad[rows])


def from_orbit(orbit: Orbit, angle_deg: npt.ArrayLike) -> Directions:
    """Directions of orbit angles [degrees]; any real angle, wrapped to one turn."""
    angle = 180.0 - np.mod(180.0 - np.atleast_1d(np.asarray(angle_deg, dtype=float)), 360.0)
    if orbit == "horizontal":
        return Directions(np.deg2rad(angle), np.zeros_like(angle))
    behind = np.abs(angle) > 90.0
    elevation = np.where(behind, np.sign(angle) * (180.0 - np.abs(angle)), angle)
    return Directions(np.where(behind, np.pi, 0.0), np.deg2rad(elevation))


def on_orbit(directions: Directions, orbit: Orbit) -> tuple[IntArray, FloatArray]:
    """Rows of `directions` that lie on an orbit, and their orbit angles.

    Returns rows (K,) and angle_deg (K,), sorted by angle in (-180, 180]. The reference axis and its opposite
    lie on both orbits.
    """
    x, y, z = directions.unit_vectors().T
    away, along = (z, y) if orbit == "horizontal" else (y, z)
    rows = np.flatnonzero(np.abs(away) < _SAME_DIRECTION_RAD)
    angle = np.rad2deg(np.arctan2(along[rows], x[rows]))
    angle = np.where(angle < -180.0 + 1e-6, 180.0, angle)
    order = np.argsort(angle, kind="stable")
    return rows[order], angle[order]


def join(parts: list[Directions]) -> Directions:
    """One list of all directions in `parts`."""
    return Directions(np.concatenate([p.azimuth_rad for p in parts]), np.concatenate([p.elevation_rad for p in parts]))


def cta_orbits(step_deg: float = 10.0) -> Directions:
    """Both orbits of ANSI/CTA-2034-A: horizontal first, then the vertical without 0 and 180 degrees.

    With 10 degree steps these are the standard's 70 positions.
    """
    angles = np.arange(-180.0 + step_deg, 180.0 + step_deg / 2, step_deg)
    vertical = angles[(np.abs(angles) > 1e-9) & (np.abs(np.abs(angles) - 180.0) > 1e-9)]
    return join([from_orbit("horizontal", angles), from_orbit("vertical", vertical)])
