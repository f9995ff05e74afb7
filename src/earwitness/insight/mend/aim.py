"""Where to point the loudspeaker: direct sound, window and room about other axes, and what that says to findings.

Directions off both orbits are put together from them: L(h, v) = L(h, 0) + L(0, v) - L(0, 0) in dB, as if the two
angles acted apart; positions between measured angles are interpolated in dB. Both are marked. Rules of this program.
"""

import math
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from earwitness.errors import InputError, choice
from earwitness.figures.angles import WIDEST_GAP_DEG, filled, orbit_rows
from earwitness.figures.windows import UNTRUSTED_SHARE, DirectionalLevels, curve_of, window_weights
from earwitness.insight.findings.decompose import Peak
from earwitness.insight.findings.finding import AIMED, PLACES, AimAnswer, Finding
from earwitness.insight.findings.origins import sizes_db
from earwitness.insight.mend.design import Design
from earwitness.insight.mend.equalizer import DEFAULT_RATE_HZ
from earwitness.insight.mend.objective import problem_of
from earwitness.insight.mend.report import shifted
from earwitness.insight.mend.stop import choose
from earwitness.insight.mend.views import NEAR, Views
from earwitness.insight.mend.yardsticks import roughness
from earwitness.quantities import BoolArray, Curve, FloatArray, Orbit, on_orbit
from earwitness.standards import cta2034

ONE_WAY_DEG = tuple(float(angle) for angle in range(0, 45, 5))
BOTH_WAYS_DEG = tuple(float(angle) for angle in range(-40, 45, 5))
SMALLEST_MARGIN_DB, _TIE_DB = 0.1, 1e-6
_SAME_DEG = 0.01


def aim_words(orbit: Orbit, angle_deg: float, *, both_sides: bool = False) -> str:
    """An aim in words: on axis, 15° off the axis, 10° below the axis.

    both_sides : left and right differ, so that the left is named too; the right always is
    """
    if angle_deg == 0.0:
        return "on axis"
    if orbit == "vertical":
        return f"{abs(angle_deg):.0f}° {'above' if angle_deg > 0 else 'below'} the axis"
    if angle_deg > 0 and not both_sides:
        return f"{angle_deg:.0f}° off the axis"
    return f"{abs(angle_deg):.0f}° off the axis to its own {'left' if angle_deg > 0 else 'right'}"


@dataclass(frozen=True, slots=True, eq=False)
class Aim:
    """Curves about the axis at angle_deg of an orbit (positive: to the loudspeaker's left, or up).

    direct, window, early, in_room : the last two None where their positions or the sound power are missing
    roughness_db : see `roughness`; u_db : its standard uncertainty
    with_equalizer : re-designed for this aim, with roughness_mended_db, or None
    notes : how many positions are interpolated or put together
    """

    orbit: Orbit
    angle_deg: float
    direct: Curve
    window: Curve
    early: Curve | None
    in_room: Curve | None
    roughness_db: float
    u_db: float
    with_equalizer: Design | None
    roughness_mended_db: float | None
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class AimStudy:
    """All aims that the data give, the reasons for the others, and the recommendation.

    best_deg, margin_db : smoothest aim and its lead over the axis; the same with an equalizer for each aim
    clear : the lead exceeds 0.1 dB and twice its uncertainty
    both_sides : left and right differ, so that aims across were studied to both
    """

    aims: tuple[Aim, ...]
    missing: tuple[str, ...]
    best_deg: float
    margin_db: float
    clear: bool
    best_mended_deg: float | None
    margin_mended_db: float | None
    sentence: str
    both_sides: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class _Place:
    """(D,) dB weights of one direction, and how it came about."""

    weights: FloatArray
    interpolated: bool
    composed: bool


def _on_orbit(levels: DirectionalLevels, orbit: Orbit, angle_deg: float) -> _Place | str:
    """A position of one orbit, interpolated in dB in a gap of at most 30 degrees."""
    known, groups = orbit_rows(levels, orbit)
    size = len(levels.directions)
    angle = 180.0 - (180.0 - angle_deg) % 360.0
    missing = f"{orbit} {angle:+.0f}° was not measured"

    def row(place: int) -> FloatArray:
        weights = np.zeros(size)
        weights[groups[place]] = 1.0 / groups[place].size
        return weights

    if known.size == 0:
        return missing
    near = np.flatnonzero(np.abs(known - angle) < _SAME_DEG)
    if near.size:
        return _Place(row(int(near[0])), False, False)
    wrapped = np.concatenate([[known[-1] - 360.0], known, [known[0] + 360.0]])
    after = int(np.searchsorted(wrapped, angle))
    low, high = float(wrapped[after - 1]), float(wrapped[after])
    if high - low > WIDEST_GAP_DEG + _SAME_DEG:
        return missing
    part = (angle - low) / (high - low)
    return _Place((1 - part) * row((after - 2) % known.size) + part * row((after - 1) % known.size), True, False)


def _place(levels: DirectionalLevels, horizontal_deg: float, vertical_deg: float) -> _Place | str:
    """A direction at a horizontal and a vertical angle."""
    if abs(vertical_deg) <= _SAME_DEG:
        return _on_orbit(levels, "horizontal", horizontal_deg)
    upright = _on_orbit(levels, "vertical", vertical_deg)
    if abs(horizontal_deg) <= _SAME_DEG:
        return upright
    across, axis = (_on_orbit(levels, "horizontal", angle_deg) for angle_deg in (horizontal_deg, 0.0))
    if isinstance(across, str) or isinstance(axis, str):
        return across if isinstance(across, str) else axis
    if isinstance(upright, str):
        return upright
    weights = across.weights + upright.weights - axis.weights
    return _Place(weights, across.interpolated or upright.interpolated, True)


def _component(
    levels: DirectionalLevels, component: cta2034.Component, orbit: Orbit, aim_deg: float
) -> list[_Place] | str:
    """The standard's positions of a component, turned by the aim."""
    found = []
    for on, angle in cta2034.positions(component):
        horizontal = (angle if on == "horizontal" else 0.0) + (aim_deg if orbit == "horizontal" else 0.0)
        vertical = (angle if on == "vertical" else 0.0) + (aim_deg if orbit == "vertical" else 0.0)
        place = _place(levels, horizontal, vertical)
        if isinstance(place, str):
            return place
        found.append(place)
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Average:
    """Energy average of places: energy (F,), what of it is not trusted (F,), pulls (D, F), known (F,) bool."""

    energy: FloatArray
    untrusted: FloatArray
    pulls: FloatArray
    known: BoolArray


def _average(levels: DirectionalLevels, places: list[_Place], shares: FloatArray) -> _Average:
    """shares : (P,) weights that sum to 1."""
    weights = np.array([place.weights for place in places])
    energy = shares[:, None] * 10 ** ((weights @ levels.level_db) / 10)
    total = energy.sum(axis=0)
    used = (weights != 0).astype(float)
    untrusted = np.where(used @ (~levels.valid).astype(float) > 0, energy, 0.0).sum(axis=0)
    there = np.ones_like(levels.valid) if levels.known is None else levels.known
    return _Average(total, untrusted, weights.T @ (energy / total), there[used.any(axis=0)].all(axis=0))


def _curve(levels: DirectionalLevels, average: _Average, key: str, name: str) -> Curve:
    return curve_of(
        levels,
        10 * np.log10(average.energy),
        levels.pulls(average.pulls),
        average.known & (average.untrusted <= UNTRUSTED_SHARE * average.energy),
        key=key,
        name=name,
    )


def _mixed(parts: list[tuple[float, _Average]]) -> _Average:
    """Energy sum of averages with weights."""
    energy = sum((share * part.energy for share, part in parts), np.zeros(1))
    untrusted = sum((share * part.untrusted for share, part in parts), np.zeros(1))
    pulls = sum((share * part.energy / energy * part.pulls for share, part in parts), np.zeros((1, 1)))
    return _Average(energy, untrusted, pulls, np.all([part.known for _, part in parts], axis=0))


def _joint(curves: Sequence[Curve]) -> tuple[float, float] | None:
    """Root mean square of the roughness of several curves, and its uncertainty."""
    parts = [roughness(curve) for curve in curves]
    known = [part for part in parts if part is not None]
    if len(known) < len(parts):
        return None
    value = math.sqrt(sum(rms**2 for rms, _ in known) / len(known))
    return value, max(u for _, u in known)


def aim(
    levels: DirectionalLevels,
    orbit: Orbit,
    angle_deg: float,
    *,
    bands: int = 0,
    between: BoolArray | None = None,
    mirrored: BoolArray | None = None,
) -> Aim | str:
    """One aim, or the reason why the data do not give it.

    bands : of the equalizer re-designed for it, 0 for none; between, mirrored : (D,) directions that were not measured
    but interpolated, or taken over from the other side (none by default).
    """
    window_places = _component(levels, "listening_window", orbit, angle_deg)
    if isinstance(window_places, str):
        return window_places
    direct_place = window_places[0]
    direct = _average(levels, [direct_place], np.ones(1))
    window = _average(levels, window_places, np.full(len(window_places), 1.0 / len(window_places)))
    words = aim_words(orbit, angle_deg)
    direct_curve = _curve(levels, direct, "on_axis", f"direct sound, {words}")
    window_curve = _curve(levels, window, "listening_window", f"listening window, {words}")
    early, early_places = _early(levels, orbit, angle_deg)
    early_curve = None if early is None else _curve(levels, early, "early_reflections", f"early reflections, {words}")
    room = _in_room(levels, window, early)
    room_curve = None if room is None else _curve(levels, room, "in_room", f"predicted in-room response, {words}")
    curves = [one for one in (direct_curve, window_curve, room_curve) if one is not None]
    rough = _joint(curves)
    if rough is None:
        return f"{words}: the curves are not valid from 100 Hz to 10 kHz"
    mend, mended_db = None, None
    if bands:
        # An aim whose curves are too uncertain to equalize is still an aim.
        with suppress(InputError):
            views = _views(levels, window_places, early_places)
            problem = problem_of(views)
            mend = choose(problem, most=bands).design
            after = rough if mend is None else _joint([shifted(one, mend.equalizer, DEFAULT_RATE_HZ) for one in curves])
            mended_db = None if after is None else after[0]
    notes = _notes([*window_places, *early_places], between, mirrored)
    return Aim(orbit, angle_deg, direct_curve, window_curve, early_curve, room_curve, *rough, mend, mended_db, notes)


def _views(levels: DirectionalLevels, window: list[_Place], early: list[_Place]) -> Views:
    """What a design sees about an aim: the window's positions turned along, the reflections', and all for the power."""
    whole = window_weights(levels.directions, half_space=levels.half_space)["sound_power"]
    power = np.zeros(len(levels.directions)) if isinstance(whole, str) else whole
    every = [_Place(row, False, False) for row in np.eye(len(levels.directions))[power > 0]]
    weights = np.array([place.weights for place in (*window, *early, *every)])
    angles = [abs(angle) for _, angle in cta2034.positions("listening_window")]
    size = len(weights)

    def row(first: int, shares: FloatArray) -> FloatArray:
        found = np.zeros(size)
        found[first : first + shares.size] = shares / shares.sum()
        return found

    rows = {
        "on_axis": row(0, np.ones(1)),
        "listening_window": row(0, np.ones(len(window))),
        NEAR: row(0, np.isclose(angles, 10.0).astype(float)),
    }
    missing = {}
    if early:
        counts = [len(cta2034.positions(part)) for part in cta2034.EARLY_REFLECTIONS]
        rows["early_reflections"] = row(len(window), np.concatenate([np.full(n, 0.2 / n) for n in counts]))
    else:
        missing["early_reflections"] = "positions turned by the aim were not measured"
    if every:
        rows["sound_power"] = row(len(window) + len(early), power[power > 0])
    else:
        missing["sound_power"] = str(whole)
    if early and every:
        shares = cta2034.IN_ROOM_WEIGHTS
        rows["in_room"] = sum((share * rows[key] for key, share in shares.items()), np.zeros(size))
    u = np.sqrt(weights**2 @ levels.u_of_levels_db() ** 2)
    known = np.ones_like(levels.valid) if levels.known is None else levels.known
    bad = (weights != 0).astype(float) @ (~(levels.valid & known)).astype(float) > 0
    level = weights @ np.where(np.isfinite(levels.level_db), levels.level_db, -300.0)
    return Views(levels.axis.hz, level, u, ~bad, levels.u_common_db, rows, missing)


def _early(levels: DirectionalLevels, orbit: Orbit, angle_deg: float) -> tuple[_Average | None, list[_Place]]:
    """Early reflections turned by the aim, each of the standard's five alike; None where one of them is missing."""
    early, used = [], []
    for component in cta2034.EARLY_REFLECTIONS:
        places = _component(levels, component, orbit, angle_deg)
        if isinstance(places, str):
            return None, []
        used += places
        early.append((0.2, _average(levels, places, np.full(len(places), 1.0 / len(places)))))
    return _mixed(early), used


def _in_room(levels: DirectionalLevels, window: _Average, early: _Average | None) -> _Average | None:
    """In-room prediction with window and reflections of an aim; the sound power stays what it is."""
    power = _power(levels)
    if early is None or power is None:
        return None
    shares = cta2034.IN_ROOM_WEIGHTS
    parts = [(shares["listening_window"], window), (shares["early_reflections"], early), (shares["sound_power"], power)]
    return _mixed(parts)


# All aims of a study have the same levels.
@lru_cache(maxsize=1)
def _power(levels: DirectionalLevels) -> _Average | None:
    """The sound power; None where directions are missing."""
    weights = window_weights(levels.directions, half_space=levels.half_space)["sound_power"]
    if isinstance(weights, str):
        return None
    every = [_Place(row, False, False) for row in np.eye(len(levels.directions))[weights > 0]]
    return _average(levels, every, weights[weights > 0])


def _notes(places: list[_Place], between: BoolArray | None, mirrored: BoolArray | None) -> tuple[str, ...]:
    """How many positions were not measured. between, mirrored : as in `aim`."""

    def rest_on(rows: BoolArray | None, place: _Place) -> bool:
        return rows is not None and bool(place.weights[rows].any())

    counts = (
        (sum(place.interpolated or rest_on(between, place) for place in places), "interpolated over angle"),
        (sum(rest_on(mirrored, place) for place in places), "taken over from the other side"),
        (sum(place.composed for place in places), "off both orbits put together from them"),
    )
    return tuple(f"{count} of {len(places)} positions {how}" for count, how in counts if count)


def _filled_in(levels: DirectionalLevels, *, symmetric: bool) -> tuple[DirectionalLevels, BoolArray, BoolArray]:
    """Levels without gaps, and which of their directions (D,) were interpolated or taken over from the other side."""
    if levels.mixing is not None:
        nothing = np.zeros(len(levels.directions), dtype=bool)
        return levels, nothing, nothing
    whole = filled(levels, symmetric=symmetric)
    between, mirrored = (np.zeros(len(whole.levels.directions), dtype=bool) for _ in range(2))
    behind = np.arange(len(whole.levels.directions)) >= len(levels.directions)
    on: tuple[Orbit, Orbit] = ("horizontal", "vertical")
    for orbit in on:
        rows, angles = on_orbit(whole.levels.directions, orbit)
        for mask, places in ((between, whole.interpolated), (mirrored, whole.mirrored)):
            at = [angle for name, angle in places if name == orbit]
            mask[rows] |= np.isclose(angles[:, None], np.array(at)[None, :], atol=_SAME_DEG).any(axis=1) & behind[rows]
    return whole.levels, between, mirrored


def aim_study(
    levels: DirectionalLevels,
    *,
    orbit: Orbit = "horizontal",
    aims_deg: Sequence[float] | None = None,
    bands: int = 0,
    symmetric: bool = False,
) -> AimStudy:
    """Every aim beside the axis, without and (bands > 0) with an equalizer designed for it.

    levels : as measured; gaps are filled as `figures.angles.filled` does, mirrored only where `symmetric`.

    aims_deg : 0 to 40 degrees in steps of 5 by default; vertically, and across unless `symmetric`, to both sides.
    Scored by the root mean square of the roughness of direct sound, listening window and in-room prediction (a rule of
    this program). Of aims within 0.1 dB of the best, the one closest to the axis is named, of two alike the
    smoother. InputError if the axis cannot be had.
    """
    choice("orbit", orbit, ("horizontal", "vertical"))
    both_sides = orbit == "horizontal" and not symmetric
    usual = ONE_WAY_DEG if orbit == "horizontal" and symmetric else BOTH_WAYS_DEG
    chosen = usual if aims_deg is None else aims_deg
    angles = sorted({0.0, *map(float, chosen)}, key=lambda a: (abs(a), -a))
    found: list[Aim] = []
    missing: list[str] = []
    whole, between, mirrored = _filled_in(levels, symmetric=symmetric)
    for angle in angles:
        one = aim(whole, orbit, angle, bands=bands, between=between, mirrored=mirrored)
        if isinstance(one, str):
            missing.append(f"{angle:+.0f}°: {one}")
        else:
            found.append(one)
    if not found or found[0].angle_deg != 0.0:
        raise InputError("no aim can be studied", expected=missing[0] if missing else "")
    plain = _choice(found, [one.roughness_db for one in found])
    known = [one.roughness_mended_db for one in found if one.roughness_mended_db is not None]
    equalized = _choice(found, known) if bands and len(known) == len(found) else None
    ordered = tuple(sorted(found, key=lambda one: one.angle_deg))
    return AimStudy(
        aims=ordered,
        missing=tuple(missing),
        best_deg=plain.angle_deg,
        margin_db=plain.margin_db,
        clear=plain.is_clear,
        best_mended_deg=None if equalized is None else equalized.angle_deg,
        margin_mended_db=None if equalized is None else equalized.margin_db,
        sentence=_study_words(orbit, plain, equalized, both_sides=both_sides),
        both_sides=both_sides,
    )


@dataclass(frozen=True, slots=True)
class _Found:
    """An aim, its lead over the axis, and whether that is beyond its uncertainty."""

    angle_deg: float
    margin_db: float
    is_clear: bool


def _order(score_db: float, aim: Aim) -> tuple[float, float, float]:
    """What aims are ordered by: of those that are alike the nearest, and of the two sides always the same."""
    return round(score_db / _TIE_DB), abs(aim.angle_deg), -aim.angle_deg


def _choice(aims: list[Aim], scores: list[float]) -> _Found:
    """The aim to take. aims : nearest first."""
    limit = min(scores) + SMALLEST_MARGIN_DB
    near = [i for i, score in enumerate(scores) if score <= limit + _TIE_DB]
    place = min(near, key=lambda i: (abs(aims[i].angle_deg), _order(scores[i], aims[i])))
    margin, u = lead(aims[0], aims[place], (scores[0], scores[place]))
    return _Found(aims[place].angle_deg, margin, bool(place > 0 and margin > max(SMALLEST_MARGIN_DB, 2 * u)))


def lead(ahead: Aim, other: Aim, scores: tuple[float, float] | None = None) -> tuple[float, float]:
    """By how much `other` is smoother than on axis, and its standard uncertainty, taken as independent [dB].

    scores : of both, where they are not the roughness without an equalizer
    """
    first, second = scores or (ahead.roughness_db, other.roughness_db)
    return first - second, math.hypot(ahead.u_db, other.u_db)


def _study_words(orbit: Orbit, plain: _Found, equalized: _Found | None, *, both_sides: bool) -> str:
    """One sentence for the aim without and with an equalizer, and one about the sides."""

    def where(one: _Found) -> str:
        if one.angle_deg == 0.0:
            return "straight at you"
        return f"so that you sit {aim_words(orbit, one.angle_deg, both_sides=both_sides)}"

    def gain(one: _Found) -> str:
        if one.angle_deg == 0.0:
            return f"no other angle is smoother by more than {SMALLEST_MARGIN_DB:g} dB"
        by = f"{one.margin_db:.1f} dB" if one.margin_db >= 0.05 else "less than 0.1 dB"
        return f"smoother by {by} rms{'' if one.is_clear else ', within the uncertainty'}"

    if equalized is None:
        words = f"Aim it {where(plain)}: {gain(plain)}."
    elif equalized.angle_deg == plain.angle_deg == 0.0:
        words = f"Aim it {where(plain)}: {gain(plain)}, with or without EQ."
    elif equalized.angle_deg == plain.angle_deg:
        words = f"Aim it {where(plain)}: without EQ {gain(plain)}, with EQ {gain(equalized)}."
    else:
        words = f"Without EQ aim it {where(plain)}: {gain(plain)}. With EQ {where(equalized)}: {gain(equalized)}."
    if orbit == "vertical":
        return words
    if not both_sides:
        return f"{words} Left and right are assumed equal."
    is_turned = bool(plain.angle_deg or (equalized is not None and equalized.angle_deg))
    mirror = " Its mirror image asks for the opposite side." if is_turned else ""
    return f"{words} Left and right differ, so both sides were studied.{mirror}"


WORTH_TRYING = 0.5
"""What an aim must leave of a finding at most to be named for it alone. Own choice."""


def with_aim(one: Finding, study: AimStudy, others: Sequence[Finding] = ()) -> Finding:
    """The finding with what the study of its orbit found, in its sentence too.

    others : findings of the same loudspeaker, which are fitted with it so that none is taken for another.
    """
    said = answer(one, study, others)
    return replace(one, aim=said, sentence=f"{one.sentence} {said.sentence}")


def without_aim(one: Finding, why: str) -> Finding:
    """The finding where its aims could not be studied."""
    return replace(one, sentence=f"{one.sentence} Other aims cannot be studied: {why}.")


def answer(one: Finding, study: AimStudy, others: Sequence[Finding] = ()) -> AimAnswer:
    """See `AimAnswer`. Sizes are those of the curve that shows the finding, direct sound first."""
    orbit = AIMED[one.kind]
    ahead = next(a for a in study.aims if a.angle_deg == 0.0)
    away = [a for a in study.aims if a is not ahead]
    if not away:
        return AimAnswer(orbit, 0.0, 0.0, 0.0, False, 0.0, None, None, 0.0, "No other aim was measured.")
    best = next(a for a in study.aims if a.angle_deg == study.best_deg)
    named = min(away, key=lambda a: _order(a.roughness_db, a)) if best is ahead else best
    gain, u = lead(ahead, named)
    sizes = {a.angle_deg: size for a in study.aims if (size := _size_db(one, a, others)) is not None}
    is_better = best is not ahead and study.clear
    tried = named if is_better else _nearest_calm(sizes, away)
    there = None if tried is None else sizes.get(tried.angle_deg)
    before = None if tried is None else sizes.get(0.0)
    behind, u_behind = (0.0, 0.0) if tried is None else lead(ahead, tried)
    rougher = -behind
    words = _sentence(
        one, orbit, study, named=named, gain=(gain, u), tried=tried, sizes=(before, there), rougher=(rougher, u_behind)
    )
    return AimAnswer(
        orbit,
        gain_deg=named.angle_deg,
        gain_db=gain,
        u_gain_db=u,
        is_better=is_better,
        try_deg=0.0 if tried is None else tried.angle_deg,
        size_ahead_db=before,
        size_there_db=there,
        rougher_db=rougher,
        sentence=words,
    )


def _size_db(one: Finding, aim: Aim, others: Sequence[Finding]) -> float | None:
    """The finding's shape in the curve of an aim that shows it on axis."""
    curve = {"on_axis": aim.direct, "listening_window": aim.window, "in_room": aim.in_room}.get(_shown_key(one))
    if curve is None or one.q is None:
        return None
    peaks = [_peak(o, o.q) for o in others if o.key != one.key and o.q is not None]
    size, told = sizes_db(curve.axis.hz, curve.values[None, :], curve.valid[None, :], _peak(one, one.q), peaks)
    return float(size[0]) if told[0] else None


def _shown_key(one: Finding) -> str:
    """The curve that is looked at, the first of those an aim has that show the finding; "" for none."""
    return next((key for key in ("on_axis", "listening_window", "in_room") if key in one.curves), "")


def _peak(one: Finding, q: float) -> Peak:
    return Peak(one.center_hz, q, one.size_db)


def _nearest_calm(sizes: dict[float, float], away: Sequence[Aim]) -> Aim | None:
    """The smallest turn that leaves at most half of the finding; of two alike the one with less of it."""
    ahead = sizes.get(0.0)
    if ahead is None:
        return None
    enough = [a for a in away if abs(sizes.get(a.angle_deg, ahead)) <= WORTH_TRYING * abs(ahead)]
    return min(enough, key=lambda a: (abs(a.angle_deg), abs(sizes[a.angle_deg])), default=None)


def _sentence(
    one: Finding,
    orbit: Orbit,
    study: AimStudy,
    named: Aim,
    gain: tuple[float, float],
    tried: Aim | None,
    sizes: tuple[float | None, float | None],
    rougher: tuple[float, float],
) -> str:
    """gain, rougher : lead of the named aim, and by how much the aim tried is behind, each with its standard
    uncertainty; sizes : on axis and at the aim tried."""
    where, (margin, u) = aim_words(orbit, named.angle_deg, both_sides=study.both_sides), gain
    spread = f"(±{2 * u:.2f} dB)"
    if study.best_deg == 0.0:
        way = "gains only" if margin >= 0 else "loses"
        first = f"Re-aiming does not help: the best other aim, {where}, {way} {abs(margin):.2f} dB rms {spread}."
    else:
        sure = "" if study.clear else ", which is within its uncertainty"
        first = f"Aim it {where}: that is smoother by {margin:.2f} dB rms {spread}{sure}."
    before, there = sizes
    if tried is None or before is None or there is None:
        return first
    shape = "peak" if one.is_peak else "dip"
    held = f"this {shape} is {_db(there, one.is_peak)} instead of {_db(before, one.is_peak)} {PLACES[_shown_key(one)]}"
    if tried is named:
        return f"{first} There {held}."
    way = "rougher" if rougher[0] >= 0 else "smoother"
    whole = f"All curves together are {way} there by {abs(rougher[0]):.2f} dB rms (±{2 * rougher[1]:.2f} dB)."
    return f"{first} At {aim_words(orbit, tried.angle_deg, both_sides=study.both_sides)} {held}. {whole}"


def _db(size: float, is_peak: bool) -> str:
    """A size as it is spoken of: positive where it still is what it was."""
    return f"{abs(size):.1f} dB" if (size > 0) == is_peak or abs(size) < 0.05 else f"{size:+.1f} dB"
