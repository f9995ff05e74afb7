"""Coarse or missing angles: what may be filled in, by which named rule, and how far it is trusted.

Only the standard's 10 degree positions are filled, each marked. The rules are choices of this program; the standard
is silent on them as far as its third-party reproductions go.
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from earwitness.figures.windows import DirectionalLevels
from earwitness.files.data import worded
from earwitness.quantities import FloatArray, IntArray, Orbit, from_orbit, on_orbit
from earwitness.quantities.directions import join
from earwitness.standards import cta2034
from earwitness.standards.cta2034 import Position

WIDEST_GAP_DEG = 30.0
# A 25 mm piston at 10 kHz interpolated over 30 degrees errs by up to 0.38 dB, over 15 degrees by 0.11 dB (own
# computation): taken as bounds that grow with the square of the gap.
INTERPOLATION_BOUND_DB = 0.4
REPEATED_AXIS_LIMIT_DB = 0.5
REPEATED_AXIS_TOP_HZ = 10_000.0
_SAME_ANGLE_DEG = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class Filled:
    """Levels over measured and filled-in directions.

    levels : measured directions first, in their order, then those filled in
    interpolated : gap [degrees] by position; mirrored : positions taken over from the other side
    notes : sentences for the whole reading
    """

    levels: DirectionalLevels
    interpolated: dict[Position, float]
    mirrored: tuple[Position, ...]
    notes: tuple[str, ...]

    def sentence(self, weights: FloatArray) -> str:
        """How the positions with weight were filled in, "" if all of them were measured. weights : (D,)."""
        if not self.interpolated and not self.mirrored:
            return ""
        used = _named_positions(self.levels, weights)
        filled = [self.interpolated[place] for place in used if place in self.interpolated]
        taken = sum(place in self.mirrored for place in used)
        parts = []
        if filled:
            parts.append(f"{len(filled)} of {len(used)} positions interpolated over angle (step {max(filled):.0f}°)")
        if taken:
            parts.append(f"{taken} of {len(used)} positions mirrored from the other side")
        return ", ".join(parts)


def _named_positions(levels: DirectionalLevels, weights: FloatArray) -> list[Position]:
    """The 10 degree positions that carry weight."""
    on = {orbit: on_orbit(levels.directions, orbit) for orbit in ("horizontal", "vertical")}
    found: list[Position] = []
    for orbit, angle in cta2034.all_positions():
        rows, angles = on[orbit]
        near = rows[np.abs(angles - angle) < _SAME_ANGLE_DEG]
        if near.size and (weights[near] > 0).any():
            found.append((orbit, angle))
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Orbit:
    """Unique angles of one orbit, rising, and for each the (D,) shares of the measured rows that make it."""

    angle_deg: FloatArray
    shares: FloatArray

    def find(self, angle_deg: float) -> int | None:
        near = np.flatnonzero(np.abs(self.angle_deg - angle_deg) < _SAME_ANGLE_DEG)
        return int(near[0]) if near.size else None


_NOTHING = _Orbit(np.zeros(0), np.zeros((0, 0)))


def _orbit(levels: DirectionalLevels, orbit: Orbit) -> _Orbit:
    rows, angles = on_orbit(levels.directions, orbit)
    if rows.size == 0:
        return _Orbit(np.zeros(0), np.zeros((0, len(levels.directions))))
    first = np.concatenate([[True], np.diff(angles) >= _SAME_ANGLE_DEG])
    place = np.cumsum(first) - 1
    shares = np.zeros((int(place[-1]) + 1, len(levels.directions)))
    shares[place, rows] = 1.0
    return _Orbit(angles[first], shares / shares.sum(axis=1, keepdims=True))


def _between(orbit: _Orbit, angle_deg: float) -> tuple[FloatArray, float] | None:
    """(D,) dB weights of the two neighbors of an angle and the gap between them; None if it is too wide."""
    known = orbit.angle_deg
    if known.size < 2:
        return None
    wrapped = np.concatenate([[known[-1] - 360.0], known, [known[0] + 360.0]])
    after = int(np.searchsorted(wrapped, angle_deg))
    low, high = wrapped[after - 1], wrapped[after]
    gap = float(high - low)
    if gap > WIDEST_GAP_DEG + _SAME_ANGLE_DEG:
        return None
    part = (angle_deg - low) / gap
    count = known.size
    weights: FloatArray = (1 - part) * orbit.shares[(after - 2) % count] + part * orbit.shares[(after - 1) % count]
    return weights, gap


def _off_axis_targets(orbit: Orbit) -> list[float]:
    """Angles of the 10 degree positions but the axis, which is never filled in."""
    return [angle for place, angle in cta2034.all_positions() if place == orbit and angle != 0.0]


def _plan(
    levels: DirectionalLevels, *, symmetric: bool
) -> tuple[dict[Position, tuple[FloatArray, float]], list[Position]]:
    """(D,) weights and gap of every position to fill in, and which of them are mirrored."""
    fill: dict[Position, tuple[FloatArray, float]] = {}
    mirrored: list[Position] = []
    known: dict[Orbit, _Orbit] = {
        "horizontal": _orbit(levels, "horizontal"),
        "vertical": _orbit(levels, "vertical") if has_vertical(levels) else _NOTHING,
    }
    for orbit, measured in known.items():
        for angle in _off_axis_targets(orbit):
            found = None if measured.find(angle) is not None else _between(measured, angle)
            if found is not None:
                fill[orbit, angle] = found
    horizontal = known["horizontal"]
    if symmetric:
        for angle in _off_axis_targets("horizontal"):
            if ("horizontal", angle) in fill or horizontal.find(angle) is not None:
                continue
            twin = horizontal.find(-angle)
            if twin is not None:
                fill["horizontal", angle] = (horizontal.shares[twin], 0.0)
                mirrored.append(("horizontal", angle))
            elif ("horizontal", -angle) in fill and ("horizontal", -angle) not in mirrored:
                fill["horizontal", angle] = fill["horizontal", -angle]
                mirrored.append(("horizontal", angle))
    return fill, mirrored


def _repeat_notes(levels: DirectionalLevels) -> tuple[str, ...]:
    """A sentence where the axis was measured more than once and the results differ too much."""
    rows, angles = on_orbit(levels.directions, "horizontal")
    rows = rows[np.abs(angles) < _SAME_ANGLE_DEG]
    if rows.size < 2:
        return ()
    use = levels.valid[rows].all(axis=0) & (levels.axis.hz <= REPEATED_AXIS_TOP_HZ)
    if not use.any():
        return ()
    spread = float(np.ptp(levels.level_db[rows][:, use], axis=0).max())
    if spread <= REPEATED_AXIS_LIMIT_DB:
        return ()
    return (worded("figures.axis_twice", rows=rows, spread=spread),)


def _appended(levels: DirectionalLevels, fill: dict[Position, tuple[FloatArray, float]]) -> DirectionalLevels:
    """Levels with the planned positions behind the measured ones."""
    places = list(fill)
    weights = np.array([fill[place][0] for place in places])
    gaps = np.array([fill[place][1] for place in places])
    there = np.ones_like(levels.valid) if levels.known is None else levels.known
    safe = np.where(there, levels.level_db, 0.0)
    needed, needed_there = (
        np.asarray(((weights > 0).astype(float) @ (~mask).astype(float)) == 0, dtype=bool)
        for mask in (levels.valid, there)
    )
    bound = INTERPOLATION_BOUND_DB * (gaps / WIDEST_GAP_DEG) ** 2 / np.sqrt(3.0)
    count, size = len(places), len(levels.directions)
    mixing = np.zeros((size + count, size + 1))
    mixing[:size, :size] = np.eye(size)
    mixing[size:, :size] = weights
    mixing[size:, size] = bound
    u_one_db = np.ones((1, len(levels.axis)))
    return replace(
        levels,
        directions=join([levels.directions, *(from_orbit(orbit, angle) for orbit, angle in places)]),
        level_db=np.concatenate([safe, weights @ safe]),
        valid=np.concatenate([levels.valid, needed]),
        u_db=np.concatenate([levels.u_db, u_one_db]),
        mixing=mixing,
        known=np.concatenate([there, needed_there]),
    )


def filled(levels: DirectionalLevels, *, symmetric: bool) -> Filled:
    """Levels with the 10 degree positions that the measured ones allow to fill in; measured ones stay as they are.

    Inside a gap of at most 30 degrees: linear in dB between the neighbors on the same orbit, with an uncertainty of
    its own (bound 0.4 dB at 30 degrees, growing with the square of the gap; in error together at all of them, for
    straight lines fall short of a rounded pattern everywhere). With `symmetric`, a horizontal position
    that is still missing is taken from the other side. The vertical orbit is never mirrored, the axis never filled.
    levels : without mixing. Where a neighbor is invalid at a frequency, so is the position filled in from it.
    """
    fill, mirrored = _plan(levels, symmetric=symmetric)
    notes = list(_repeat_notes(levels))
    if not fill:
        return Filled(levels, {}, (), tuple(notes))
    interpolated = {place: gap for place, (_, gap) in fill.items() if gap > 0}
    own = sum(place not in mirrored for place in interpolated)
    if own:
        notes.append(f"{own} positions are interpolated over angle, widest step {max(interpolated.values()):.0f}°")
    if mirrored:
        notes.append(f"{len(mirrored)} horizontal positions are mirrored: the tester states a symmetric loudspeaker")
    return Filled(_appended(levels, fill), interpolated, tuple(mirrored), tuple(notes))


def has_vertical(levels: DirectionalLevels) -> bool:
    """True if a direction of the vertical orbit off the axis was measured."""
    _, angles = on_orbit(levels.directions, "vertical")
    return bool(((np.abs(angles) > _SAME_ANGLE_DEG) & (np.abs(angles) < 180.0 - _SAME_ANGLE_DEG)).any())


@lru_cache(maxsize=8)
def orbit_rows(levels: DirectionalLevels, orbit: Orbit) -> tuple[FloatArray, list[IntArray]]:
    """Unique rising angles of an orbit [degrees], and for each the rows that hold it."""
    rows, angles = on_orbit(levels.directions, orbit)
    if rows.size == 0:
        return np.zeros(0), []
    first = np.concatenate([[True], np.diff(angles) >= _SAME_ANGLE_DEG])
    groups = np.split(rows, np.flatnonzero(first)[1:])
    return np.round(angles[first], 6) + 0.0, [np.asarray(group) for group in groups]


HORIZONTAL_WINDOW = tuple((angle, 1.0) for angle in (0.0, 10.0, -10.0, 20.0, -20.0, 30.0, -30.0))


def horizontal_weights(levels: DirectionalLevels, *, power: bool) -> FloatArray | str:
    """(D,) energy weights of the fallback curves of the horizontal orbit alone, or the reason why there are none.

    power : ring areas over all 36 positions (proportional to the sine of the angle, caps at 0 and 180 degrees);
    otherwise the seven horizontal positions of the listening window, alike.
    """
    pairs = HORIZONTAL_WINDOW
    if power:
        angles = [angle for place, angle in cta2034.all_positions() if place == "horizontal"]
        low = np.deg2rad(np.maximum(np.abs(angles) - 5.0, 0.0))
        high = np.deg2rad(np.minimum(np.abs(angles) + 5.0, 180.0))
        ring = np.where(np.isin(np.abs(angles), (0.0, 180.0)), 1.0, 0.5) * (np.cos(low) - np.cos(high))
        pairs = tuple(zip(angles, ring.tolist(), strict=True))
    known, groups = orbit_rows(levels, "horizontal")
    weights = np.zeros(len(levels.directions))
    absent = []
    for angle, share in pairs:
        near = np.flatnonzero(np.abs(known - angle) < _SAME_ANGLE_DEG)
        if near.size == 0:
            absent.append(f"{angle:+.0f}°")
            continue
        rows = groups[int(near[0])]
        weights[rows] += share / rows.size
    if absent:
        return f"{len(absent)} of {len(pairs)} horizontal positions were not measured: {', '.join(absent[:6])}"
    spread: FloatArray = weights / weights.sum()
    return spread
