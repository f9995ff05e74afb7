"""Directivity over angle and frequency, and the angle at which the level has fallen by 3 or 6 dB."""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field

import numpy as np

from earwitness.figures.angles import WIDEST_GAP_DEG, orbit_rows
from earwitness.figures.uncertainty import DRAWS_ALONE, SEED, draws_of, with_spread
from earwitness.figures.windows import DirectionalLevels, own_of_levels_db, pulls_of_directions
from earwitness.files.data import worded
from earwitness.quantities import Asked, Curve, DirectivityMap, Figure, FrequencyAxis
from earwitness.quantities.arrays import BoolArray, FloatArray, IntArray
from earwitness.quantities.directions import Orbit

DROPS_DB = (3, 6)
SIDES: dict[Orbit, tuple[tuple[str, float], tuple[str, float]]] = {
    "horizontal": (("left", 1.0), ("right", -1.0)),
    "vertical": (("up", 1.0), ("down", -1.0)),
}
NOMINAL_BAND_HZ = (1000.0, 10_000.0)
# Directions near the axis whose mean stands in for it where the axis itself lies in a dip.
NEAR_AXIS_DEG = (-20.0, -10.0, 10.0, 20.0)
# A reading of an angle is never worse than knowing only that it lies between 0 and 180 degrees (rectangular).
_MOST_U_DEG = 180.0 / np.sqrt(12.0)
_SAME_ANGLE_DEG = 0.01
MOST_BEND_DB = 1.0
DIPS = "_dips"
LEAST_DOUBT_DEG = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class OrbitLevels:
    """One orbit with its trust.

    map : levels relative to the axis; u_db : (A, F) of each angle's level by what belongs to it alone
    pulls_db : (C, A, F) how far each cause of the session, named by keys (C,), moves each level
    lineage : keys of the steps it came from
    """

    map: DirectivityMap
    u_db: FloatArray
    lineage: tuple[str, ...]
    pulls_db: FloatArray = field(default_factory=lambda: np.zeros((0, 1, 1)))
    keys: tuple[str, ...] = ()


def _with_holes(angle: FloatArray) -> FloatArray:
    """Angles, with the multiples of 10 degrees that lie inside gaps too wide to read across."""
    wide = np.flatnonzero(np.diff(angle) > WIDEST_GAP_DEG + _SAME_ANGLE_DEG)
    extra = [np.arange(np.floor(angle[i] / 10) + 1, np.ceil(angle[i + 1] / 10)) * 10 for i in wide]
    return np.unique(np.concatenate([angle, *extra]))


def orbit_levels(levels: DirectionalLevels, orbit: Orbit) -> OrbitLevels | str:
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
    u_each, (keys, pulls_each) = own_of_levels_db(levels), pulls_of_directions(levels)
    count = len(levels.axis)
    angle = _with_holes(known)
    level, valid, u = np.zeros((angle.size, count)), np.zeros((angle.size, count), bool), np.zeros((angle.size, count))
    pulls = np.zeros((len(keys), angle.size, count))
    for here, rows in zip(np.searchsorted(angle, known - 1e-6), groups, strict=True):
        valid[here] = levels.valid[rows].all(axis=0)
        safe = np.where(levels.valid[rows], levels.level_db[rows], 0.0)
        top = safe.max(axis=0)
        level[here] = top + 10 * np.log10((10 ** ((safe - top) / 10)).mean(axis=0))
        u[here] = np.sqrt((u_each[rows] ** 2).sum(axis=0)) / rows.size
        pulls[:, here] = pulls_each[:, rows].mean(axis=1)
    zero = int(np.flatnonzero(np.abs(angle) < _SAME_ANGLE_DEG)[0])
    valid &= valid[zero]
    level = np.where(valid, level - level[zero], 0.0)
    found = DirectivityMap(orbit, levels.axis, angle, level, valid=valid, reference="dB relative to the reference axis")
    return OrbitLevels(found, u, levels.lineage, pulls, keys)


@dataclass(frozen=True, slots=True, eq=False)
class Reference:
    """What coverage counts from: level_db (K,); shares (A, K) of its energy, None where not asked for."""

    level_db: FloatArray
    is_axis: BoolArray
    shares: FloatArray | None


def coverage_reference(orbit: DirectivityMap, level_db: FloatArray, *, with_shares: bool = False) -> Reference:
    """The axis, or the energy mean at 10 and 20 degrees to either side where that is louder.

    level_db : (A, K) of the map's angles, K columns. A dip on the axis makes no loudspeaker radiate more widely; the
    mean meets the axis where both are alike, so that no figure jumps (own choice). Always at the same angles, by lines
    in dB between the measured ones, so that no step of a turntable makes another figure.
    """
    zero = int(np.argmin(np.abs(orbit.angle_deg)))
    near = _near_axis(orbit)
    axis = level_db[zero]
    energy = 10 ** (near @ level_db / 10)
    mean = 10 * np.log10(energy.mean(axis=0)) if len(near) else np.full(axis.size, -np.inf)
    is_axis = np.asarray(mean <= axis, dtype=bool)
    shares = None
    if with_shares:
        shares = near.T @ np.where(is_axis, 0.0, energy / energy.sum(axis=0)) if len(near) else np.zeros(level_db.shape)
        shares[zero] += is_axis
    return Reference(np.maximum(axis, mean), is_axis, shares)


def _near_axis(orbit: DirectivityMap) -> FloatArray:
    """(4, A) lines between measured angles at 10 and 20 degrees to either side; (0, A) where a side has none."""
    angle = orbit.angle_deg
    there = np.flatnonzero(orbit.valid.any(axis=1))
    rows = []
    for wanted in NEAR_AXIS_DEG:
        after = int(np.searchsorted(angle[there], wanted - _SAME_ANGLE_DEG))
        row = np.zeros(angle.size)
        if after < there.size and abs(angle[there[after]] - wanted) < _SAME_ANGLE_DEG:
            row[there[after]] = 1.0
        elif 0 < after < there.size and angle[there[after]] - angle[there[after - 1]] <= WIDEST_GAP_DEG:
            low, high = there[after - 1], there[after]
            part = (wanted - angle[low]) / (angle[high] - angle[low])
            row[low], row[high] = 1 - part, part
        else:
            return np.zeros((0, angle.size))
        rows.append(row)
    return np.array(rows)


@dataclass(frozen=True, slots=True, eq=False)
class Side:
    """Angle of the first fall on one side.

    angle_deg : (F,) 180 where the level does not fall so far, the last angle that counts where data end before
    own_deg : (F,) standard uncertainty by what belongs to single directions and by reading between angles
    moves_deg : (C + 1, F) by each cause of the session, and by the take on axis, which both sides count from
    reached : (F,) the fall was found; known : (F,) found, or known not to happen up to 180 degrees
    """

    angle_deg: FloatArray
    own_deg: FloatArray
    moves_deg: FloatArray
    reached: BoolArray
    known: BoolArray

    @property
    def u_deg(self) -> FloatArray:
        """(F,) standard uncertainty."""
        whole = np.sqrt(self.own_deg**2 + (self.moves_deg**2).sum(axis=0))
        return np.asarray(np.minimum(whole, _MOST_U_DEG), dtype=float)

    def plus(self, other: Side) -> Side:
        """The full angle over both sides: a turntable off its zero makes one wider by what the other loses."""
        return Side(
            self.angle_deg + other.angle_deg,
            np.hypot(self.own_deg, other.own_deg),
            self.moves_deg + other.moves_deg,
            self.reached & other.reached,
            self.known & other.known,
        )


def _outward(orbit: DirectivityMap, sign: float) -> IntArray:
    """Rows from the axis outward on one side, as far as the rear."""
    angle = orbit.angle_deg * sign
    keep = np.flatnonzero((angle > -_SAME_ANGLE_DEG) | (angle < -180.0 + _SAME_ANGLE_DEG))
    return np.asarray(keep[np.argsort(np.abs(angle[keep]))])


@dataclass(frozen=True, slots=True, eq=False)
class _Fall:
    """Where K columns of levels first fall below 0 on the way outward.

    outer : (K,) index of the first angle below; part : (K,) of the step there; angle_deg : (K,) of the fall;
    doubt_deg : (K,) standard uncertainty of reading between angles
    """

    outer: IntArray
    part: FloatArray
    angle_deg: FloatArray
    doubt_deg: FloatArray
    reached: BoolArray


def _first_falls(out: FloatArray, above: FloatArray, chained: BoolArray) -> _Fall:
    """out : (B,) rising angles; above : (B, K) level over the limit; chained : (B, K) known without a gap up to there.

    Between two angles the level is a line in dB, bent by the mean of the second differences at both (a parabola
    through neighbors; at most 1 dB of it, so that a null beside the crossing does not count). Its uncertainty is made
    of 0.3 of what the bend moves, what the two bends differ by, and 0.05 degrees (own choice: on 1500 simulated
    pistons and pairs of sources in 10 degree steps 93 % lie inside two of these, and the median error is 0.06 degrees
    in place of the 0.29 of straight lines).
    """
    fallen = chained & (above <= 0)
    reached = np.asarray(fallen.any(axis=0), dtype=bool)
    outer = np.where(reached, np.argmax(fallen, axis=0), 1)
    columns = np.arange(above.shape[1])
    high, low = above[outer - 1, columns], above[outer, columns]
    steep = np.where(reached & (high > low), high - low, 1.0)
    part = np.clip(high / steep, 0.0, 1.0)
    width = out[outer] - out[outer - 1]
    bend = _second_difference(out, above)
    inner, beyond = bend[outer - 1, columns], bend[outer, columns]
    sag = np.clip(-(inner + beyond) / 4 * width**2 * part * (1 - part), -MOST_BEND_DB, MOST_BEND_DB)
    change = np.minimum(np.abs(inner - beyond) / 4 * width**2 * part * (1 - part), 2 * MOST_BEND_DB)
    line = out[outer - 1] + part * width
    bent = np.clip(line + sag * width / steep, out[outer - 1], out[outer])
    doubt = np.sqrt((0.3 * (bent - line)) ** 2 + (change * width / steep) ** 2 + LEAST_DOUBT_DEG**2)
    return _Fall(outer, part, bent, np.asarray(doubt, dtype=float), reached)


def _second_difference(out: FloatArray, level: FloatArray) -> FloatArray:
    """(B, K) second derivative over angle [dB/degree^2]; the axis has its neighbor on the other side for a mirror."""
    steps = np.diff(out)
    bend = np.zeros_like(level)
    before, after = steps[:-1, None], steps[1:, None]
    bend[1:-1] = 2 * ((level[2:] - level[1:-1]) / after - (level[1:-1] - level[:-2]) / before) / (before + after)
    bend[0] = 2 * (level[1] - level[0]) / steps[0] ** 2
    return bend


def first_fall(orbit: OrbitLevels, sign: float, drop_db: float) -> Side:
    """From the axis outward on one side, the first angle where the level is `drop_db` under the reference.

    Lobes beyond it do not count. Angles further apart than 30 degrees are not read across. sign : +1 for left or up,
    -1 for right or down.
    """
    rows = _outward(orbit.map, sign)
    out = np.abs(orbit.map.angle_deg[rows])
    reference = coverage_reference(orbit.map, orbit.map.level_db, with_shares=True)
    above = orbit.map.level_db[rows] - reference.level_db + drop_db
    count = above.shape[1]
    if out.size < 2:
        nothing, nowhere = np.zeros(count), np.zeros(count, dtype=bool)
        return Side(nothing, nothing, np.zeros((len(orbit.keys) + 1, count)), nowhere, nowhere)
    chained = _chained(orbit.map.valid[rows], out)
    fall = _first_falls(out, above, chained)
    complete = np.asarray(chained[-1] & bool(out[-1] > 180.0 - _SAME_ANGLE_DEG), dtype=bool)
    away = np.where(complete, 180.0, out[np.maximum(chained.sum(axis=0) - 1, 0)])
    weights = np.zeros_like(orbit.map.level_db) if reference.shares is None else -reference.shares
    columns = np.arange(count)
    # The line between two angles, and its bend by their neighbors in even steps.
    bend = fall.part * (1 - fall.part) / 4
    before = np.where(fall.outer >= 2, fall.outer - 2, fall.outer)
    behind = np.minimum(fall.outer + 1, out.size - 1)
    for place, weight in (
        (before, -bend),
        (fall.outer - 1, 1 - fall.part + bend),
        (fall.outer, fall.part + bend),
        (behind, -bend),
    ):
        np.add.at(weights, (rows[place], columns), weight)
    steep = above[fall.outer - 1, columns] - above[fall.outer, columns]
    turn = np.where(fall.reached, (out[fall.outer] - out[fall.outer - 1]) / np.where(steep > 0, steep, 1.0), 0.0)
    errors = weights * orbit.u_db * turn
    zero = int(np.argmin(np.abs(orbit.map.angle_deg)))
    own = np.sqrt((errors**2).sum(axis=0) - errors[zero] ** 2)
    own = np.hypot(own, np.where(fall.reached, fall.doubt_deg, 0.0))
    by_causes = np.einsum("af,caf->cf", weights, orbit.pulls_db) * turn if orbit.keys else np.zeros((0, count))
    moves = np.concatenate([by_causes, errors[[zero]]])
    reached = fall.reached
    own = np.hypot(own, _jumps_deg(out, above, chained, fall, np.sqrt(own**2 + (moves**2).sum(axis=0)), turn=turn))
    return Side(np.where(reached, fall.angle_deg, away), own, moves, reached, np.logical_or(reached, complete))


def _jumps_deg(
    out: FloatArray, above: FloatArray, chained: BoolArray, fall: _Fall, u_deg: FloatArray, turn: FloatArray
) -> FloatArray:
    """(K,) what a level two u higher or lower moves beyond the slope at the fall: the edge of another lobe, say."""
    level = u_deg / np.where(turn > 0, turn, 1.0)
    ends = [_first_falls(out, above + sign * level, chained) for sign in (2.0, -2.0)]
    angles = [np.where(end.reached, end.angle_deg, out[-1]) for end in ends]
    half = np.abs(angles[0] - angles[1]) / 4
    beyond = np.sqrt(np.maximum(half**2 - u_deg**2, 0.0))
    return np.asarray(np.where(fall.reached & (turn > 0), beyond, 0.0), dtype=float)


def _chained(valid: BoolArray, out: FloatArray) -> BoolArray:
    """(B, F) known, as is all on the way there, without a gap too wide to read across."""
    near = np.concatenate([[True], np.diff(out) <= WIDEST_GAP_DEG + _SAME_ANGLE_DEG])
    return np.asarray(np.logical_and.accumulate(valid & near[:, None], axis=0), dtype=bool)


def coverage_sides(orbit: OrbitLevels, drop_db: float) -> dict[str, Side]:
    """First falls by side of the orbit."""
    return {name: first_fall(orbit, sign, drop_db) for name, sign in SIDES[orbit.map.orbit]}


def coverage_curve(side: Side, axis: FrequencyAxis, *, key: str, drop_db: float, lineage: tuple[str, ...]) -> Curve:
    """Angle against frequency [deg]; valid only where the fall was reached."""
    place = key.split("_")[1]
    words = {"horizontal": "horizontal coverage", "vertical": "vertical coverage"}.get(place, f"coverage, {place}")
    below = f"{drop_db:g} dB below the axis, or below the mean at 10° and 20° to either side where that is louder"
    reference = f"angle from the axis to {below}"
    if place in ("horizontal", "vertical"):
        reference = f"full angle between the first falls to {below}"
    name = f"{words} at −{drop_db:g} dB"
    return Curve.of(
        key, name, axis, side.angle_deg, side.reached, u=side.u_deg, unit="deg", reference=reference, lineage=lineage
    )


def third_octaves_hz() -> FloatArray:
    """(11,) exact base-ten third-octave midbands from 1 to 10 kHz (IEC 61260-1)."""
    return np.asarray(1000.0 * 10.0 ** (np.arange(11) / 10.0), dtype=float)


def nominal_coverage(orbit: OrbitLevels, total: Side, *, key: str, draws: int = DRAWS_ALONE) -> Figure:
    """Median of the full coverage angle at -6 dB over the third octaves from 1 to 10 kHz [deg].

    total : of both sides at -6 dB. Where a side does not fall so far up to 180 degrees it counts as 180. The 10th to
    90th percentile over frequency travels as a caveat; it is no uncertainty.
    """
    shown = orbit.map
    method = (
        f"median of the {shown.orbit} coverage at −6 dB, both sides added, at the third octaves from 1 kHz to 10 kHz"
    )
    asked = Asked(key, "deg", method, NOMINAL_BAND_HZ, orbit.lineage)
    wanted = third_octaves_hz()
    hz = shown.axis.hz
    x, at = np.log2(hz), np.log2(wanted)
    is_out = wanted[0] < hz[0] * (1 - 1e-9) or wanted[-1] > hz[-1] * (1 + 1e-9)
    if is_out or (np.interp(at, x, (~total.known).astype(float)) > 1e-6).any():
        return asked.refused(
            f"the {shown.orbit} orbit does not give the angle at every third octave from 1 kHz to 10 kHz"
        )
    values = np.interp(at, x, total.angle_deg)
    low, high = np.percentile(values, [10, 90])
    caveats = [f"from {low:.0f}° to {high:.0f}° over the band (10th to 90th percentile)"]
    absent = int((np.interp(at, x, total.reached.astype(float)) < 1 - 1e-6).sum())
    if absent:
        caveats.append(f"at {absent} of {wanted.size} frequencies a side never falls 6 dB and counts as 180°")
    dips = int(dips_on_axis(orbit)[_nearest(shown.axis, wanted)].sum())
    if dips:
        caveats.append(worded("figures.axis_in_dip", dips=dips, wanted=wanted))
    figure = asked.judged(float(np.median(values)), 0.0, *caveats)
    return with_spread(figure, _drawn_medians(orbit, wanted, draws), low=0.0, high=360.0)


def dips_key(orbit: Orbit) -> str:
    """Of the choice that says where the axis of an orbit lies in a dip."""
    return f"coverage_{orbit}{DIPS}"


def dips_on_axis(orbit: OrbitLevels) -> BoolArray:
    """(F,) where the mean near the axis is the reference, and a whole dB louder than it."""
    found = coverage_reference(orbit.map, orbit.map.level_db)
    return np.asarray(~found.is_axis & (found.level_db > 1.0), dtype=bool)


def _nearest(axis: FrequencyAxis, wanted_hz: FloatArray) -> IntArray:
    return np.array([int(np.argmin(np.abs(np.log(axis.hz / hz)))) for hz in wanted_hz])


def _drawn_medians(orbit: OrbitLevels, wanted_hz: FloatArray, draws: int) -> FloatArray:
    """(1 + N,) medians of the full angle of the measured levels and of drawn ones, at the nearest points."""
    near = _nearest(orbit.map.axis, wanted_hz)
    level, valid = orbit.map.level_db[:, near], orbit.map.valid[:, near]
    random = np.random.default_rng([SEED, zlib.crc32(orbit.map.orbit.encode()), 3])
    moves = random.standard_normal((draws, *level.shape)) * orbit.u_db[:, near]
    if orbit.keys:
        sizes = np.array([draws_of(name, draws) for name in orbit.keys])
        moves += np.einsum("cn,caf->naf", sizes, orbit.pulls_db[:, :, near])
    moves = np.concatenate([np.zeros((1, *level.shape)), moves])
    # Draws stand beside each other as if they were frequencies.
    every = np.moveaxis(level + moves, 0, 1).reshape(len(level), -1)
    wide = np.tile(valid, (1, draws + 1))
    above = every - coverage_reference(orbit.map, every).level_db + 6.0
    total = np.zeros(every.shape[1])
    for _, sign in SIDES[orbit.map.orbit]:
        rows = _outward(orbit.map, sign)
        out = np.abs(orbit.map.angle_deg[rows])
        fall = _first_falls(out, above[rows], _chained(wide[rows], out))
        doubt = random.standard_normal(total.size) * fall.doubt_deg
        total += np.where(fall.reached, fall.angle_deg + doubt, 180.0)
    return np.asarray(np.median(total.reshape(draws + 1, -1), axis=1), dtype=float)
