"""The curves of ANSI/CTA-2034-A from levels on two orbits.

Every spatial average here is an average of energies, so each curve is one row of weights over the measured
directions; the same row gives the uncertainty, and differences of curves keep the directions they share. What is off
by one amount in the whole session moves an average by the sum of its pulls on the directions, each by its share of the
energy (law of propagation, JCGM 100:2008, 5.2.2, from memory): a difference of averages by the difference of these.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from earwitness.files.data import table_of, worded
from earwitness.quantities import Average, Cause, Curve, Directions, FrequencyAxis, on_orbit
from earwitness.quantities.arrays import BoolArray, FloatArray, IntArray
from earwitness.quantities.response import pulled_apart, smooth_causes, u_of_causes_db
from earwitness.standards import cta2034
from earwitness.standards.cta2034 import Position, RearWall

_SAME_ANGLE_DEG = 0.01
UNTRUSTED_SHARE = 0.25
DOUBTED_SHARE = 0.05
# How often the listed sound-power weight of 0 and 180 degrees counts: the exact area of their cells.
AXIS_WEIGHT = 4.0

NAMES: dict[str, str] = table_of("figures", "words")["windows"]
INDEX_NAMES = {
    "early_reflections_di": ("early reflections directivity index", "early_reflections"),
    "sound_power_di": ("sound power directivity index", "sound_power"),
}


@dataclass(frozen=True, slots=True, eq=False)
class DirectionalLevels:
    """Levels over directions, as the windows need them.

    level_db : (D, F) [dB]; u_common_db : (F,) of unknown causes [dB]; valid : (D, F) bool
    u_db : (S, F) standard uncertainty of S independent errors without known causes [dB]
    mixing : (D, S) how far each error moves each level [dB/dB]; None when every direction has one error of its own
    reference : what 0 dB means; lineage : keys of the steps they came from
    known : (D, F) False where there is no level at all; None when there is one everywhere
    causes : what moves the measured directions, the first M of all, each with a pull of (M, F) or (1, F)
    half_space : the loudspeaker sat flush in a wall, so that nothing is radiated behind it
    """

    axis: FrequencyAxis
    directions: Directions
    level_db: FloatArray
    u_db: FloatArray
    u_common_db: FloatArray
    valid: BoolArray
    reference: str
    lineage: tuple[str, ...] = ()
    mixing: FloatArray | None = None
    known: BoolArray | None = None
    causes: tuple[Cause, ...] = ()
    half_space: bool = False

    def pulls(self, shares: FloatArray) -> FloatArray:
        """(S, F) effect of each error on a curve that takes `shares` (D, F) of the energy from each direction."""
        return shares if self.mixing is None else self.mixing.T @ shares

    def u_of_levels_db(self) -> FloatArray:
        """(D, F) standard uncertainty of each level by all that does not move all directions alike [dB]."""
        return _u_of_levels_db(self)


def _error_transfer(levels: DirectionalLevels) -> FloatArray:
    """(D, S) how far each error moves each level."""
    return np.eye(len(levels.directions)) if levels.mixing is None else levels.mixing


def _on_measured(levels: DirectionalLevels, cause: Cause) -> FloatArray:
    """(M, F) pull of a cause on every measured direction; what is filled in adds one error of its own."""
    measured = len(levels.directions) if levels.mixing is None else int(levels.mixing.shape[1]) - 1
    return np.broadcast_to(cause.pull_db, (max(measured, len(cause.pull_db)), cause.pull_db.shape[1]))


@lru_cache(maxsize=8)
def own_of_levels_db(levels: DirectionalLevels) -> FloatArray:
    """(D, F) standard uncertainty of each level by what belongs to single directions [dB]."""
    square = _error_transfer(levels) ** 2 @ levels.u_db**2
    for cause in levels.causes:
        if cause.each:
            moved = _on_measured(levels, cause)
            square += _error_transfer(levels)[:, : len(moved)] ** 2 @ moved**2
    return np.asarray(np.sqrt(square), dtype=float)


@lru_cache(maxsize=8)
def pulls_of_directions(levels: DirectionalLevels) -> tuple[tuple[str, ...], FloatArray]:
    """Keys (C,) of the causes that do not move all directions alike, and their pulls (C, D, F) on every level."""
    apart = [cause for cause in levels.causes if not cause.alike and not cause.each]
    mixing = _error_transfer(levels)
    pulls = [mixing[:, : len(cause.pull_db)] @ cause.pull_db for cause in apart]
    shape = (len(apart), *levels.level_db.shape)
    return tuple(cause.key for cause in apart), np.array(pulls).reshape(shape)


@lru_cache(maxsize=8)
def _u_of_levels_db(levels: DirectionalLevels) -> FloatArray:
    square = own_of_levels_db(levels) ** 2 + (pulls_of_directions(levels)[1] ** 2).sum(axis=0)
    return np.asarray(np.sqrt(square), dtype=float)


@lru_cache(maxsize=8)
def session_causes(levels: DirectionalLevels) -> tuple[Cause, ...]:
    """All that is drawn once for the session: the known causes, and what is common without a known cause.

    Of the latter, what is the same at all frequencies of the trusted band is one offset, the rest smooth.
    """
    known = tuple(cause for cause in levels.causes if not cause.each)
    common = levels.u_common_db
    if not common.any():
        return known
    band = levels.valid.any(axis=0)
    offset = np.minimum(common, float((common[band] if band.any() else common).min()))
    rest = np.sqrt(np.maximum(common**2 - offset**2, 0.0))
    source = "stated as common to all directions"
    even = Cause(name="common level", source=source, pull_db=offset[None, :])
    return (*known, even, *smooth_causes("common shape", source, rest, levels.axis.hz))


def pulls_of_session(levels: DirectionalLevels, pulls: FloatArray) -> tuple[Cause, ...]:
    """How far each cause of the session moves a curve with `pulls` (S, F) on the measured directions, (1, F) each."""
    rows = np.flatnonzero(pulls.any(axis=1))
    return tuple(
        cause if cause.alike else replace(cause, pull_db=_summed(pulls, cause.pull_db, rows))
        for cause in session_causes(levels)
    )


def _summed(pulls: FloatArray, of_cause: FloatArray, rows: IntArray) -> FloatArray:
    """(1, F) over the rows (directions) that carry the curve."""
    some = rows[rows < len(of_cause)]
    return np.asarray(np.einsum("mf,mf->f", pulls[some], of_cause[some])[None, :], dtype=float)


def pulls_of_takes(levels: DirectionalLevels, pulls: FloatArray) -> list[FloatArray]:
    """(M, F) a kind: how far each take's own errors, the same at all frequencies, move a curve with `pulls` (S, F)."""
    moved = [_on_measured(levels, cause) for cause in levels.causes if cause.each]
    return [pulls[: len(one)] * one for one in moved]


def curve_of(
    levels: DirectionalLevels,
    values: FloatArray,
    pulls: FloatArray,
    valid: BoolArray,
    *,
    key: str,
    name: str,
    doubt_db: FloatArray | float = 0.0,
) -> Curve:
    """A curve that `pulls` (S, F) tie to the levels, with all its uncertainty; doubt_db : (F,), or one, beside it."""
    causes = pulls_of_session(levels, pulls)
    apart = [moved for cause, moved in zip(session_causes(levels), causes, strict=True) if not cause.alike]
    alike = [cause for cause in session_causes(levels) if cause.alike]
    count = len(levels.axis)
    return Curve(
        key=key,
        name=name,
        axis=levels.axis,
        values=values,
        u=np.hypot(_own_db(levels, pulls, doubt_db), u_of_causes_db(apart, 1, count)[0]),
        u_common=u_of_causes_db(alike, 1, count)[0],
        valid=valid,
        unit="dB",
        reference=levels.reference,
        lineage=levels.lineage,
        causes=causes,
    )


def _own_db(levels: DirectionalLevels, pulls: FloatArray, doubt_db: FloatArray | float = 0.0) -> FloatArray:
    """(F,) standard uncertainty of a curve by what belongs to single directions."""
    square = np.einsum("sf,sf->f", pulls**2, levels.u_db**2) + doubt_db**2
    for moved in pulls_of_takes(levels, pulls):
        square += np.einsum("mf,mf->f", moved, moved)
    return np.asarray(np.sqrt(square), dtype=float)


@dataclass(frozen=True, slots=True, eq=False)
class Windows:
    """curves by key; missing : reason by key of a curve that the directions cannot give; choices made.

    pulls : by key of an averaged curve, (S, F) effect of each independent error [dB/dB]
    weights : by key, (D,) energy weights
    """

    curves: dict[str, Curve]
    missing: dict[str, str]
    choices: dict[str, str]
    pulls: dict[str, FloatArray]
    weights: dict[str, FloatArray]


def _rows_of(directions: Directions) -> dict[Position, list[int]]:
    """Rows by position; the axis and its opposite are filed under the horizontal orbit."""
    known = cta2034.all_positions()
    found: dict[Position, list[int]] = {}
    on = {"horizontal": on_orbit(directions, "horizontal"), "vertical": on_orbit(directions, "vertical")}
    for orbit, angle in known:
        rows, angles = on[orbit]
        near = rows[np.abs(angles - angle) < _SAME_ANGLE_DEG]
        if near.size:
            found[orbit, angle] = [int(row) for row in near]
    return found


def _spread(shares: dict[Position, float], rows: dict[Position, list[int]], size: int) -> FloatArray | str:
    """(D,) weights that sum to 1, or the reason why there are none; a position measured twice is averaged."""
    absent = [place for place in shares if place not in rows]
    if absent:
        listed = ", ".join(f"{orbit} {angle:+.0f}°" for orbit, angle in absent[:6])
        more = f" and {len(absent) - 6} more" if len(absent) > 6 else ""
        return f"{len(absent)} of {len(shares)} positions were not measured: {listed}{more}"
    weights = np.zeros(size)
    for place, share in shares.items():
        weights[rows[place]] += share / len(rows[place])
    spread: FloatArray = weights / weights.sum()
    return spread


def _mean(parts: dict[str, FloatArray | str], share: dict[str, float]) -> FloatArray | str:
    """Weighted sum of rows, or the reasons of the parts that are missing."""
    total: FloatArray | None = None
    reasons = []
    for key, factor in share.items():
        part = parts[key]
        if isinstance(part, str):
            reasons.append(f"{NAMES[key]}: {part}")
        else:
            total = factor * part if total is None else total + factor * part
    return "; ".join(reasons) if reasons or total is None else total


def window_weights(
    directions: Directions,
    *,
    rear_wall: RearWall = "all 19",
    axis_weight: float = AXIS_WEIGHT,
    half_space: bool = False,
) -> dict[str, FloatArray | str]:
    """(D,) energy weights of every curve by key, each summing to 1, or the reason why a curve is missing.

    axis_weight : how often the listed sound-power weight of 0 and 180 degrees counts; 4 is the exact area of the
    cell, 1 the table taken literally. Source: ANSI/CTA-2034-A as reproduced by third parties.
    half_space : see `_half_space_weights`.
    """
    rows, size = _rows_of(directions), len(directions)
    parts: dict[str, FloatArray | str] = {"on_axis": _spread({("horizontal", 0.0): 1.0}, rows, size)}
    for component in cta2034.COMPONENTS:
        places = cta2034.positions(component, rear_wall=rear_wall)
        parts[component] = _spread(dict.fromkeys(places, 1.0), rows, size)
    if half_space:
        return _half_space_weights(parts, rows, size, axis_weight)
    for key, members in (
        ("early_reflections", cta2034.EARLY_REFLECTIONS),
        ("total_horizontal", cta2034.HORIZONTAL_REFLECTIONS),
        ("total_vertical", cta2034.VERTICAL_REFLECTIONS),
    ):
        parts[key] = _mean(parts, {member: 1.0 / len(members) for member in members})
    power = {
        place: float(cta2034.weight(place[1])) * (axis_weight if place[1] in (0.0, 180.0) else 1.0)
        for place in cta2034.all_positions()
    }
    parts["sound_power"] = _spread(power, rows, size)
    parts["in_room"] = _mean(parts, dict(cta2034.IN_ROOM_WEIGHTS))
    return parts


def _half_space_weights(
    parts: dict[str, FloatArray | str], rows: dict[Position, list[int]], size: int, axis_weight: float
) -> dict[str, FloatArray | str]:
    """The same of a loudspeaker in a wall (own choice: no text of the standard on these was read).

    Energies stay those of the sphere, with none behind: the weights of the sound power sum to 1/2, so that it lies
    3.01 dB under the average over the hemisphere, and directivity, room formulas and comparisons hold as for a box
    that stands free. Early reflections are the mean of the four walls that are left; in the predicted in-room
    response they count four fifths.
    """
    found = parts | {"rear_wall": "in a wall nothing is radiated behind"}
    for key, members in (
        ("early_reflections", cta2034.HALF_SPACE_REFLECTIONS),
        ("total_horizontal", ("front_wall", "side_wall")),
        ("total_vertical", cta2034.VERTICAL_REFLECTIONS),
    ):
        found[key] = _mean(found, {str(member): 1.0 / len(members) for member in members})
    edge = any(place in rows for place in cta2034.all_positions() if abs(place[1]) == 90.0)
    last = 90.0 if edge else 80.0
    power = {
        place: float(cta2034.half_space_weight(place[1], last_deg=last)) * (axis_weight if place[1] == 0.0 else 1.0)
        for place in cta2034.all_positions()
        if abs(place[1]) <= last
    }
    whole = _spread(power, rows, size)
    found["sound_power"] = whole if isinstance(whole, str) else whole / 2.0
    walls = len(cta2034.HALF_SPACE_REFLECTIONS) / len(cta2034.EARLY_REFLECTIONS)
    shares = dict(cta2034.IN_ROOM_WEIGHTS)
    found["in_room"] = _mean(found, shares | {"early_reflections": walls * shares["early_reflections"]})
    return found


def with_averages(
    levels: DirectionalLevels, pressure_db: FloatArray, averages: Sequence[Average]
) -> tuple[DirectionalLevels, dict[str, FloatArray | str]]:
    """Levels of one direction, the axis, with averages as rows beneath it, and the weights of every curve.

    pressure_db (F,) : of the axis before its level was referred to anything. What is not given is computed where its
    parts are: early reflections from five, the predicted in-room response from three.
    """
    shift = levels.level_db[0] - pressure_db
    count = 1 + len(averages)
    valid = np.vstack([levels.valid, *(one.valid for one in averages)])
    whole = replace(
        levels,
        directions=levels.directions.take(np.zeros(count, dtype=np.int64)),
        level_db=np.vstack([levels.level_db, *(one.level_db + shift for one in averages)]),
        u_db=np.vstack([levels.u_db, *(one.u_db for one in averages)]),
        valid=valid,
        known=valid,
        causes=tuple(replace(cause, pull_db=cause.pull_db[:1]) for cause in levels.causes),
    )
    rows = {"on_axis": 0, **{one.key: row for row, one in enumerate(averages, 1)}}
    parts: dict[str, FloatArray | str] = dict.fromkeys(NAMES, "the data do not give it")
    parts |= {key: np.eye(count)[row] for key, row in rows.items()}
    five = cta2034.EARLY_REFLECTIONS
    for key, members in (
        ("early_reflections", {str(part): 1.0 / len(five) for part in five}),
        ("in_room", {str(part): share for part, share in cta2034.IN_ROOM_WEIGHTS.items()}),
    ):
        if isinstance(parts[key], str) and not isinstance(made := _mean(parts, members), str):
            parts[key] = made
    return whole, parts


def _average(levels: DirectionalLevels, weights: FloatArray) -> tuple[FloatArray, FloatArray, BoolArray, FloatArray]:
    """(F,) level [dB], (D, F) shares of the energy, (F,) validity, (F,) share of energy in doubt.

    A point needs every position it uses. A direction whose own level can't be trusted, as where the sound behind a
    cabinet drowns in noise, is no obstacle as long as all such directions carry at most a quarter of the energy and
    at most 5 % of it is in doubt: of each direction's share what its uncertainty says, all of it from 3 dB on.
    """
    used = weights > 0
    row = weights[used, None]
    picked = levels.level_db[used]
    safe = np.where(np.isfinite(picked), picked, 0.0)
    top = safe.max(axis=0)
    energy = row * 10 ** ((safe - top) / 10)
    total = energy.sum(axis=0)
    shares: FloatArray = np.zeros(levels.level_db.shape)
    shares[used] = energy / total
    level: FloatArray = top + 10 * np.log10(total)
    there = np.isfinite(picked) if levels.known is None else levels.known[used] & np.isfinite(picked)
    untrusted = np.where(levels.valid[used], 0.0, shares[used])
    doubted: FloatArray = np.sum(untrusted * np.minimum(10 ** (levels.u_of_levels_db()[used] / 10) - 1, 1.0), axis=0)
    valid: BoolArray = there.all(axis=0) & (untrusted.sum(axis=0) <= UNTRUSTED_SHARE) & (doubted <= DOUBTED_SHARE)
    return level, shares, valid, np.where(valid, doubted, 0.0)


def averaged(levels: DirectionalLevels, weights: FloatArray, *, key: str, name: str) -> tuple[Curve, FloatArray]:
    """Curve of the energy average with (D,) weights that sum to 1, and its (S, F) pulls."""
    values, shares, valid, doubted = _average(levels, weights)
    pulls = levels.pulls(shares)
    # What is in doubt may not be there, or be missing as much again.
    doubt = np.asarray(10 * np.log10(1 + doubted), dtype=float)
    return curve_of(levels, values, pulls, valid, key=key, name=name, doubt_db=doubt), pulls


def _index(levels: DirectionalLevels, window: Curve, curve: Curve, pulls: FloatArray, *, key: str, name: str) -> Curve:
    """Listening window minus a curve; pulls : (S, F) the difference of theirs."""
    causes = pulled_apart(window.causes, curve.causes)
    nothing = np.zeros(len(levels.axis))
    return replace(
        window,
        key=key,
        name=name,
        values=window.values - curve.values,
        u=np.hypot(_own_db(levels, pulls), u_of_causes_db(causes, 1, nothing.size)[0]),
        u_common=nothing,
        valid=window.valid & curve.valid,
        reference=f"{curve.name} equal to the listening window",
        causes=causes,
    )


def windows(
    levels: DirectionalLevels,
    *,
    rear_wall: RearWall = "all 19",
    axis_weight: float = AXIS_WEIGHT,
    only: Sequence[str] | None = None,
    parts: Mapping[str, FloatArray | str] | None = None,
) -> Windows:
    """All curves of ANSI/CTA-2034-A that the measured directions give, and the reasons for the others.

    No angle is filled in or mirrored here (see `angles`). Uncertainties: first order; the directivity
    indices are listening window minus curve, in which shared directions and causes cancel as far as both hold them.
    only : keys of the curves wanted, all by default; parts : as `window_weights` has them, where those are known
    """
    curves: dict[str, Curve] = {}
    missing: dict[str, str] = {}
    pulls: dict[str, FloatArray] = {}
    used: dict[str, FloatArray] = {}
    if parts is None:
        parts = window_weights(
            levels.directions, rear_wall=rear_wall, axis_weight=axis_weight, half_space=levels.half_space
        )
    for key, weights in parts.items():
        if only is not None and key not in only:
            continue
        if isinstance(weights, str):
            missing[key] = weights
            continue
        curves[key], pulls[key] = averaged(levels, weights, key=key, name=NAMES[key])
        used[key] = weights
    for key, (name, other) in INDEX_NAMES.items():
        if only is not None and key not in only:
            continue
        absent = [part for part in ("listening_window", other) if part not in curves]
        if absent:
            missing[key] = "; ".join(f"{NAMES[part]}: {missing.get(part, 'not asked for')}" for part in absent)
            continue
        between = pulls["listening_window"] - pulls[other]
        curves[key] = _index(levels, curves["listening_window"], curves[other], between, key=key, name=name)
        used[key] = used["listening_window"] + used[other]
    choices = {"edition": cta2034.EDITION, "rear_wall": rear_wall, "axis_weight": f"{axis_weight:g}"}
    if levels.half_space:
        choices["half_space"] = worded("figures.half_space")
    return Windows(curves, missing, choices, pulls, used)
