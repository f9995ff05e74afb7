"""What the study of aims says to the findings that only another aim can mend."""

from collections.abc import Sequence
from dataclasses import replace

from earwitness.insight.findings.decompose import Peak
from earwitness.insight.findings.evidence import sizes_db
from earwitness.insight.findings.finding import AIMED, PLACES, AimAnswer, Finding
from earwitness.insight.mend.aim import Aim, AimStudy, aim_words, lead
from earwitness.quantities import Curve
from earwitness.quantities.directions import Orbit

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
    named = min(away, key=lambda a: (a.roughness_db, abs(a.angle_deg))) if best is ahead else best
    gain, u = lead(ahead, named)
    sizes = {a.angle_deg: size for a in study.aims if (size := _size_db(one, a, others)) is not None}
    is_better = best is not ahead and study.clear
    tried = named if is_better else _nearest_calm(sizes, away)
    there = None if tried is None else sizes.get(tried.angle_deg)
    before = None if tried is None else sizes.get(0.0)
    behind, u_behind = (0.0, 0.0) if tried is None else lead(ahead, tried)
    rougher = -behind
    words = _sentence(one, orbit, study, named, (gain, u), tried, (before, there), (rougher, u_behind))
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
    curve = _shown(one, aim)
    if curve is None or one.q is None:
        return None
    peaks = [_peak(o, o.q) for o in others if o.key != one.key and o.q is not None]
    size, told = sizes_db(curve.axis.hz, curve.values[None, :], curve.valid[None, :], _peak(one, one.q), peaks)
    return float(size[0]) if told[0] else None


def _shown(one: Finding, aim: Aim) -> Curve | None:
    curves = {"on_axis": aim.direct, "listening_window": aim.window, "in_room": aim.in_room}
    return curves.get(_shown_key(one))


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
