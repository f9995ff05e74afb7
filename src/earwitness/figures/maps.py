"""Directivity over angle and frequency, and the angle at which the level has fallen by 3 or 6 dB."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.figures.angles import WIDEST_GAP_DEG, orbit_rows
from earwitness.figures.windows import Levels
from earwitness.quantities import Curve, DirectivityMap, Figure, FrequencyAxis, not_judged
from earwitness.quantities.arrays import BoolArray, FloatArray
from earwitness.quantities.directions import Orbit

DROPS_DB = (3, 6)
SIDES: dict[Orbit, tuple[tuple[str, float], tuple[str, float]]] = {
    "horizontal": (("left", 1.0), ("right", -1.0)),
    "vertical": (("up", 1.0), ("down", -1.0)),
}
NOMINAL_BAND_HZ = (1000.0, 10_000.0)
# A reading of an angle is never worse than knowing only that it lies between 0 and 180 degrees (rectangular).
_MOST_U_DEG = 180.0 / np.sqrt(12.0)
_SAME_ANGLE_DEG = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class OrbitLevels:
    """One orbit with its trust: the map, and u_db (A, F) of each angle's level relative to the axis."""

    map: DirectivityMap
    u_db: FloatArray
    lineage: tuple[str, ...]


def _with_holes(angle: FloatArray) -> FloatArray:
    """Angles, with the multiples of 10 degrees that lie inside gaps too wide to read across."""
    wide = np.flatnonzero(np.diff(angle) > WIDEST_GAP_DEG + _SAME_ANGLE_DEG)
    extra = [np.arange(np.floor(angle[i] / 10) + 1, np.ceil(angle[i + 1] / 10)) * 10 for i in wide]
    return np.unique(np.concatenate([angle, *extra]))


def orbit_levels(levels: Levels, orbit: Orbit) -> OrbitLevels | str:
    """Levels of one orbit relative to the axis, or the reason why there is no map.

    A direction measured twice is an energy average. Angles inside a gap wider than 30 degrees stand in the map as
    invalid. At the axis the map is 0 dB by definition.
    """
    known, groups = orbit_rows(levels, orbit)
    at_axis = np.flatnonzero(np.abs(known) < _SAME_ANGLE_DEG)
    if at_axis.size == 0:
        return "the reference axis was not measured"
    if (np.abs(known) > _SAME_ANGLE_DEG).sum() - (np.abs(known) > 180.0 - _SAME_ANGLE_DEG).sum() < 1:
        return f"no direction of the {orbit} orbit off the axis was measured"
    u_each = levels.u_of_levels_db()
    count = len(levels.axis)
    angle = _with_holes(known)
    level, valid, u = np.zeros((angle.size, count)), np.zeros((angle.size, count), bool), np.zeros((angle.size, count))
    for here, rows in zip(np.searchsorted(angle, known - 1e-6), groups, strict=True):
        valid[here] = levels.valid[rows].all(axis=0)
        safe = np.where(levels.valid[rows], levels.level_db[rows], 0.0)
        top = safe.max(axis=0)
        level[here] = top + 10 * np.log10((10 ** ((safe - top) / 10)).mean(axis=0))
        u[here] = np.sqrt((u_each[rows] ** 2).sum(axis=0)) / rows.size
    zero = int(np.flatnonzero(np.abs(angle) < _SAME_ANGLE_DEG)[0])
    valid &= valid[zero]
    level = np.where(valid, level - level[zero], 0.0)
    u = np.where(np.arange(angle.size)[:, None] == zero, 0.0, np.hypot(u, u[zero]))
    found = DirectivityMap(orbit, levels.axis, angle, level, valid, "dB relative to the reference axis")
    return OrbitLevels(found, u, levels.lineage)


@dataclass(frozen=True, slots=True, eq=False)
class Side:
    """Angle of the first fall on one side.

    angle_deg : (F,) 180 where the level does not fall so far, the last angle that counts where data end before
    u_deg : (F,); reached : (F,) the fall was found; known : (F,) found, or known not to happen up to 180 degrees
    """

    angle_deg: FloatArray
    u_deg: FloatArray
    reached: BoolArray
    known: BoolArray

    def plus(self, other: Side) -> Side:
        """The full angle over both sides."""
        return Side(
            self.angle_deg + other.angle_deg,
            np.hypot(self.u_deg, other.u_deg),
            self.reached & other.reached,
            self.known & other.known,
        )


def first_fall(orbit: OrbitLevels, sign: float, drop_db: float) -> Side:
    """From the axis outward on one side, the first angle where the level is `drop_db` under the axis.

    Linear in dB against angle; lobes beyond it do not count. Angles further apart than 30 degrees are not read
    across. sign : +1 for left or up, -1 for right or down.
    """
    angle = orbit.map.angle_deg * sign
    keep = np.flatnonzero((angle > -_SAME_ANGLE_DEG) | (angle < -180.0 + _SAME_ANGLE_DEG))
    out = np.abs(angle[keep])
    order = keep[np.argsort(out)]
    out = np.abs(angle[order])
    above = orbit.map.level_db[order] + drop_db
    near = np.diff(out) <= WIDEST_GAP_DEG + _SAME_ANGLE_DEG
    chained = np.logical_and.accumulate(orbit.map.valid[order] & np.concatenate([[True], near])[:, None], axis=0)
    fallen = chained & (above <= 0)
    reached = np.any(fallen, axis=0)
    if out.size < 2:
        nowhere = np.zeros(above.shape[1], dtype=bool)
        return Side(np.zeros(nowhere.size), np.zeros(nowhere.size), nowhere, nowhere)
    complete = np.asarray(chained[-1] & bool(out[-1] > 180.0 - _SAME_ANGLE_DEG), dtype=bool)
    last = np.maximum(chained.sum(axis=0) - 1, 0)
    outer = np.where(reached, np.argmax(fallen, axis=0), 1)
    columns = np.arange(above.shape[1])
    high, low = above[outer - 1, columns], above[outer, columns]
    steep = np.where(reached, high - low, 1.0)
    part = high / steep
    width = out[outer] - out[outer - 1]
    u_level = (1 - part) * orbit.u_db[order][outer - 1, columns] + part * orbit.u_db[order][outer, columns]
    crossing = out[outer - 1] + part * width
    u = np.minimum(u_level * width / steep, _MOST_U_DEG)
    away = np.where(complete, 180.0, out[last])
    return Side(np.where(reached, crossing, away), np.where(reached, u, 0.0), reached, np.logical_or(reached, complete))


def coverage_sides(orbit: OrbitLevels, drop_db: float) -> dict[str, Side]:
    """First falls by side of the orbit."""
    return {name: first_fall(orbit, sign, drop_db) for name, sign in SIDES[orbit.map.orbit]}


def symmetric_half_angle(orbit: OrbitLevels, drop_db: float) -> Side:
    """Half angle after averaging the energies of +angle and -angle first; the other use of the word coverage.

    Only angles measured on both sides count.
    """
    angle = orbit.map.angle_deg
    positive = np.flatnonzero(angle >= -_SAME_ANGLE_DEG)
    twins = [np.flatnonzero(np.abs(np.mod(angle + angle[i] + 1.0, 360.0) - 1.0) < _SAME_ANGLE_DEG) for i in positive]
    pairs = [(int(i), int(twin[0])) for i, twin in zip(positive, twins, strict=True) if twin.size]
    left, right = np.array(pairs).T
    energy = (10 ** (orbit.map.level_db[left] / 10) + 10 ** (orbit.map.level_db[right] / 10)) / 2
    both = DirectivityMap(
        orbit.map.orbit,
        orbit.map.axis,
        np.maximum(angle[left], 0.0),
        10 * np.log10(energy),
        orbit.map.valid[left] & orbit.map.valid[right],
        orbit.map.reference,
    )
    return first_fall(OrbitLevels(both, np.hypot(orbit.u_db[left], orbit.u_db[right]) / 2, orbit.lineage), 1.0, drop_db)


def coverage_curve(side: Side, axis: FrequencyAxis, *, key: str, drop_db: float, lineage: tuple[str, ...]) -> Curve:
    """Angle against frequency [deg]; valid only where the fall was reached."""
    place = key.split("_")[1]
    words = {"horizontal": "horizontal coverage", "vertical": "vertical coverage"}.get(place, f"coverage, {place}")
    reference = f"angle from the axis to {drop_db:g} dB below it"
    if place in ("horizontal", "vertical"):
        reference = f"full angle between the first falls to {drop_db:g} dB below the axis"
    zeros = np.zeros_like(side.u_deg)
    name = f"{words} at −{drop_db:g} dB"
    return Curve(key, name, axis, side.angle_deg, side.u_deg, zeros, side.reached, "deg", reference, lineage)


def third_octaves_hz() -> FloatArray:
    """(11,) exact base-ten third-octave midbands from 1 to 10 kHz (IEC 61260-1)."""
    return np.asarray(1000.0 * 10.0 ** (np.arange(11) / 10.0), dtype=float)


def nominal_coverage(total: Side, axis: FrequencyAxis, *, key: str, orbit: str, lineage: tuple[str, ...]) -> Figure:
    """Median of the full coverage angle at -6 dB over the third octaves from 1 to 10 kHz [deg].

    Where a side does not fall so far up to 180 degrees it counts as 180. The 10th to 90th percentile over frequency
    travels as a caveat; it is no uncertainty.
    """
    method = f"median of the {orbit} coverage at −6 dB, both sides added, at the third octaves from 1 kHz to 10 kHz"
    x, wanted = np.log2(axis.hz), np.log2(third_octaves_hz())
    doubt = np.interp(wanted, x, (~total.known).astype(float))
    if wanted[0] < x[0] - 1e-9 or wanted[-1] > x[-1] + 1e-9 or (doubt > 1e-6).any():
        reason = f"the {orbit} orbit does not give the angle at every third octave from 1 kHz to 10 kHz"
        return not_judged(key, reason, unit="deg", method=method, band_hz=NOMINAL_BAND_HZ, lineage=lineage)
    values = np.interp(wanted, x, total.angle_deg)
    u = float(np.interp(wanted, x, total.u_deg).mean())
    low, high = np.percentile(values, [10, 90])
    caveats = [f"from {low:.0f}° to {high:.0f}° over the band (10th to 90th percentile)"]
    absent = int((np.interp(wanted, x, total.reached.astype(float)) < 1 - 1e-6).sum())
    if absent:
        caveats.append(f"at {absent} of {wanted.size} frequencies a side never falls 6 dB and counts as 180°")
    value = float(np.median(values))
    return Figure(key, value, u, "deg", NOMINAL_BAND_HZ, method, caveats=tuple(caveats), lineage=lineage)
