"""Direct sound in any direction, read between measured directions in dB.

On an orbit: linear in dB against the angle between the two nearest measured directions, at most 30 degrees apart. Off
both orbits: the levels at the same angle from the axis on the horizontal and the vertical orbit, weighted in dB with
cos^2 and sin^2 of the roll angle (own choice: exact on both orbits and for a source that is alike all around its axis).
"""

from dataclasses import dataclass

import numpy as np

from earwitness.errors import InputError
from earwitness.quantities import DirectionalResponse, on_orbit
from earwitness.quantities.arrays import BoolArray, FloatArray
from earwitness.quantities.directions import Orbit

WIDEST_GAP_DEG = 30.0
MEASURED, INTERPOLATED, ESTIMATED = "measured", "interpolated", "estimated from two orbits"
_SAME_DEG = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Sound:
    """Level (F,) [dB at 1 m, 2.83 V] in a direction, its own u_db (F,), valid (F,), and how it was had."""

    level_db: FloatArray
    u_db: FloatArray
    valid: BoolArray
    how: str


@dataclass(frozen=True, slots=True, eq=False)
class Orbits:
    """Levels of the measured directions of both orbits. angle_deg : rising (A,); level_db, u_db, valid : (A, F)."""

    response: DirectionalResponse
    angle_deg: dict[Orbit, FloatArray]
    level_db: dict[Orbit, FloatArray]
    u_db: dict[Orbit, FloatArray]
    valid: dict[Orbit, BoolArray]


def orbits_of(response: DirectionalResponse) -> Orbits:
    """The two orbits of a response, closed over 180 degrees. InputError where the reference axis was not measured."""
    found = Orbits(response, {}, {}, {}, {})
    level, apart = response.level_db(), response.u_apart_db()
    level = np.where(np.isfinite(level), level, -300.0)
    names: tuple[Orbit, Orbit] = ("horizontal", "vertical")
    for orbit in names:
        rows, angle = on_orbit(response.directions, orbit)
        angle, first = np.unique(np.round(angle, 6), return_index=True)
        rows = rows[first]
        if angle.size and angle[-1] > 180.0 - _SAME_DEG:
            angle, rows = np.concatenate([[-180.0], angle]), np.concatenate([rows[-1:], rows])
        found.angle_deg[orbit] = angle
        found.level_db[orbit], found.u_db[orbit] = level[rows], apart[rows]
        found.valid[orbit] = response.valid[rows]
    if not any((np.abs(found.angle_deg[orbit]) < _SAME_DEG).any() for orbit in names):
        raise InputError("the reference axis was not measured", remedy="measure 0 degrees")
    return found


def _on_orbit(orbits: Orbits, orbit: Orbit, angle_deg: float) -> Sound | None:
    """Level at an orbit angle, or None outside the measured angles or in too wide a gap."""
    known = orbits.angle_deg[orbit]
    if not known.size or angle_deg < known[0] - _SAME_DEG or angle_deg > known[-1] + _SAME_DEG:
        return None
    near = int(np.argmin(np.abs(known - angle_deg)))
    level, u, valid = orbits.level_db[orbit], orbits.u_db[orbit], orbits.valid[orbit]
    if abs(known[near] - angle_deg) <= _SAME_DEG:
        return Sound(level[near], u[near], valid[near], MEASURED)
    right = int(np.searchsorted(known, angle_deg))
    left = right - 1
    gap = known[right] - known[left]
    if gap > WIDEST_GAP_DEG + _SAME_DEG:
        return None
    part = (angle_deg - known[left]) / gap
    own = np.hypot((1.0 - part) * u[left], part * u[right])
    return Sound(
        (1.0 - part) * level[left] + part * level[right],
        np.hypot(own, 0.5 * part * (1.0 - part) * _bend(known, level, left)),
        valid[left] & valid[right],
        INTERPOLATED,
    )


def _bend(known: FloatArray, level: FloatArray, left: int) -> FloatArray:
    """(F,) larger of both second differences about the gap from row `left` [dB]; p (1 - p) / 2 of it is what a straight
    line misses of a parabola, taken as standard uncertainty. Neighbors are taken to be as far apart as the gap is wide.
    """
    bend = np.zeros(level.shape[1])
    for middle in (left, left + 1):
        if 0 < middle < known.size - 1:
            bend = np.maximum(bend, np.abs(level[middle - 1] - 2.0 * level[middle] + level[middle + 1]))
    return bend


def sound_toward(orbits: Orbits, azimuth_deg: float, elevation_deg: float) -> Sound | None:
    """Direct sound toward AES69 azimuth and elevation [deg], or None where the measured directions do not give it."""
    a, e = np.radians(azimuth_deg), np.radians(elevation_deg)
    x, y, z = np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)
    away = float(np.degrees(np.arctan2(np.hypot(y, z), x)))
    if away <= _SAME_DEG or abs(z) < 1e-6:
        return _on_orbit(orbits, "horizontal", away if y >= 0.0 else -away) or (
            _on_orbit(orbits, "vertical", 0.0) if away <= _SAME_DEG else None
        )
    if abs(y) < 1e-6:
        return _on_orbit(orbits, "vertical", away if z >= 0.0 else -away)
    across = _on_orbit(orbits, "horizontal", away if y >= 0.0 else -away)
    upright = _on_orbit(orbits, "vertical", away if z >= 0.0 else -away)
    if across is None or upright is None:
        return None
    share = float(y * y / (y * y + z * z))
    own = np.hypot(share * across.u_db, (1.0 - share) * upright.u_db)
    # Between the orbits the level is known to lie somewhere about both: rectangular, widest midway.
    doubt = 2.0 * share * (1.0 - share) * np.abs(across.level_db - upright.level_db) / np.sqrt(3.0)
    return Sound(
        share * across.level_db + (1.0 - share) * upright.level_db,
        np.hypot(own, doubt),
        across.valid & upright.valid,
        ESTIMATED,
    )
