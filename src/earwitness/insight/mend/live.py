"""An equalizer in the hand: figures, cost and warnings anew for every move, within milliseconds.

An equalizer changes all directions alike, so every average of energies moves by the same gain, and no curve has to be
made again from its directions; directivity indices stay as they are.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from earwitness.insight.mend.design import Design, measured
from earwitness.insight.mend.equalizer import DEFAULT_RATE_HZ, Equalizer, gain_db
from earwitness.insight.mend.objective import Problem
from earwitness.insight.mend.report import (
    CHECKED,
    WORSE_DB,
    Drawn,
    FigureChange,
    Headroom,
    UnitSpread,
    balance_figures,
    changes,
    drawn_curves,
    headroom,
    shifted,
    unit_spread,
)
from earwitness.insight.mend.yardsticks import roughness
from earwitness.quantities import BoolArray, Curve, Figure, FloatArray, Locked, hz_words

# A boost smaller than this where none is allowed is not spoken of (a choice of this program, no source).
SPOKEN_DB = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class EqualizerBasis:
    """What stays while bands move: curves and figures before, and what the equalizer is for (None: only figures)."""

    before: Mapping[str, Curve]
    figures: Mapping[str, Figure]
    roughness_db: Mapping[str, float]
    drawn: Drawn
    problem: Problem | None
    sample_rate_hz: float


@dataclass(frozen=True, slots=True, eq=False)
class EqualizerEvaluation(Locked):
    """What an equalizer does: figures behind it, rms roughness by curve [dB], cost, what is left, and warnings.

    changes : of every figure; left, spread : None where it is for no goal
    """

    equalizer: Equalizer
    figures: Mapping[str, Figure]
    roughness_db: Mapping[str, float]
    changes: tuple[FigureChange, ...]
    headroom: Headroom
    left: Design | None
    spread: UnitSpread | None
    warnings: tuple[str, ...]


def prepared(
    curves: Mapping[str, Curve],
    figures: Mapping[str, Figure],
    problem: Problem | None = None,
    *,
    sample_rate_hz: float = DEFAULT_RATE_HZ,
) -> EqualizerBasis:
    """Curves (those of `CHECKED` count) and figures before the equalizer, with all that need not be made again."""
    before = {key: curves[key] for key in CHECKED if key in curves}
    told = balance_figures(before, figures)
    return EqualizerBasis(
        before, told, _rough(before), drawn_curves(before, sample_rate_hz), problem, sample_rate_hz=sample_rate_hz
    )


def weighed(at: EqualizerBasis, equalizer: Equalizer) -> EqualizerEvaluation:
    """The equalizer as it stands now. InputError for a band that the sample rate cannot hold."""
    after = {key: shifted(curve, equalizer, at.sample_rate_hz) for key, curve in at.before.items()}
    rough = _rough(after)
    problem = at.problem
    warnings = () if problem is None else boost_warnings(problem, equalizer)
    rougher = [
        f"{at.before[key].name} by {rough[key] - was:.1f} dB"
        for key, was in at.roughness_db.items()
        if rough[key] - was > WORSE_DB
    ]
    if rougher:
        warnings += (f"rougher than before, rms: {', '.join(rougher)}",)
    figures = balance_figures(after, at.figures)
    pairs = {key: (was, rough[key]) for key, was in at.roughness_db.items() if key in rough}
    return EqualizerEvaluation(
        equalizer,
        figures,
        rough,
        changes(at.drawn, equalizer, (at.figures, figures), pairs),
        headroom(equalizer, at.sample_rate_hz),
        None if problem is None else measured(problem, equalizer),
        None if problem is None else unit_spread(problem, equalizer),
        warnings,
    )


def boost_warnings(problem: Problem, equalizer: Equalizer) -> tuple[str, ...]:
    """Where the bands boost what a boost does not mend, and whether all together boost more than the limit."""
    gain = gain_db(equalizer, problem.hz, problem.sample_rate_hz)
    found = []
    if not problem.limits.forced:
        bass_hz = problem.seen.bass_hz
        bass = problem.hz < bass_hz
        over = (problem.cap_db <= 0.0) & (gain > SPOKEN_DB)
        told = (
            (over & bass, f"below the useful bass ({hz_words(round(bass_hz, 1))}): it costs power and gives no level"),
            (over & ~bass & problem.no_boost, "a dip from interference: other directions get the boost, the dip stays"),
            (over & ~bass & ~problem.no_boost, "the roll-off of the bass, which is left alone"),
        )
        found += [f"{_stretch(problem.hz, gain, mask)} are boosted: {words}" for mask, words in told if mask.any()]
    most = float(gain.max())
    limit = problem.limits.total_boost_db
    if most > limit + 0.05:
        found.append(f"all bands together boost by {most:.1f} dB; the limit is {limit:g} dB")
    return tuple(found)


def _stretch(hz: FloatArray, gain: FloatArray, mask: BoolArray) -> str:
    """The stretch about the largest gain among the marked rows, in words."""
    place = int(np.argmax(np.where(mask, gain, -np.inf)))
    off = np.flatnonzero(~mask)
    low = int(off[off < place].max(initial=-1)) + 1
    high = int(off[off > place].min(initial=hz.size)) - 1
    return f"{hz_words(round(float(hz[low])))} to {hz_words(round(float(hz[high])))} (up to {gain[place]:+.1f} dB)"


def _rough(curves: Mapping[str, Curve]) -> dict[str, float]:
    found = {key: roughness(curve) for key, curve in curves.items()}
    return {key: value[0] for key, value in found.items() if value is not None}
