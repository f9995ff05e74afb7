"""How far units of a model lie from each other, for an equalizer that is to suit all of them.

Features up to 3 % off in frequency and 0.5 dB of level over two octaves are own choices, no source. Where the archive
holds other units, their spread (`variation`) counts beside these, which stand for four more units (scaled inverse
chi-square prior, handbook): two units say little, many nearly all.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from earwitness.figures.sampling import sampled
from earwitness.insight.mend.views import PER_OCTAVE, scales_of
from earwitness.insight.variation import variation
from earwitness.quantities import Curve
from earwitness.quantities.arrays import FloatArray, Locked
from earwitness.quantities.axis import log_axis

PRIOR_UNITS = 4.0
_BAND_HZ = (100.0, 10_000.0)


@dataclass(frozen=True, slots=True, eq=False)
class Units(Locked):
    """percent, level_db : half widths of what features differ in frequency, and levels over two octaves

    count : of units measured, 1 where none but the one at hand; hz, mean_db : (G,) mean over them less the one at hand
    """

    count: int = 1
    percent: float = 3.0
    level_db: float = 0.5
    hz: FloatArray = field(default_factory=lambda: np.ones(1))
    mean_db: FloatArray = field(default_factory=lambda: np.zeros(1))

    def beyond_this_db(self, hz: FloatArray) -> FloatArray:
        """(F,) what the mean of the units is above the one at hand."""
        return np.asarray(np.interp(np.log(hz), np.log(self.hz), self.mean_db), dtype=float)


UNKNOWN: Final = Units()


def units_of(shown: Curve | None, groups: Sequence[Sequence[Curve | None]]) -> Units:
    """Spread over units. shown : on axis, of the unit at hand; groups : the same of every unit, one for each session.

    Without two units, or where they are not valid from 100 Hz to 10 kHz, the own choices alone.
    """
    hz = log_axis(*_BAND_HZ, PER_OCTAVE).hz
    every = [[sampled(one, hz) for one in group if one is not None] for group in groups]
    if shown is None or len(every) < 2 or not all(group and all(row[3].all() for row in group) for group in every):
        return UNKNOWN
    rows = [np.array([values - values.mean() for values, *_ in group]) for group in every]
    trend, mean = scales_of(hz.size).trend, np.mean([group.mean(axis=0) for group in rows], axis=0)
    slope = np.gradient(mean - trend @ mean) * PER_OCTAVE
    broad = [(group - mean) @ trend.T for group in rows]
    fine = [group - mean - part for group, part in zip(rows, broad, strict=True)]
    moved = [-part @ slope / (slope @ slope) for part in fine]
    # What is left of the detail after the best move says how well a move is told, neighbors a tenth of an octave apart.
    rest = np.concatenate([part + np.outer(by, slope) for part, by in zip(fine, moved, strict=True)])
    noise = float(np.mean(rest**2)) * 0.1 * PER_OCTAVE / float(slope @ slope)
    levels = [_variance([group[:, at] for group in broad]) for at in range(0, hz.size, PER_OCTAVE)]
    # The level is free, so what hangs together over two octaves has lost its mean (`smooth_errors`: exp(-d^2 / 8)).
    kept = 1.0 - float(np.exp(-(np.subtract.outer(np.log2(hz), np.log2(hz)) ** 2) / 8).mean())
    to_percent = (100.0 * np.log(2)) ** 2
    percent = _half_width(UNKNOWN.percent, to_percent * _variance(moved), len(rows), to_percent * noise)
    level_db = _half_width(UNKNOWN.level_db, float(np.mean(levels)) / kept, len(rows), 0.0)
    # Another unit lies about a mean that is itself known to the spread over the root of their number.
    level_db *= float(np.sqrt(1 + 1 / len(rows)))
    own = sampled(shown, hz)[0]
    return Units(len(rows), percent, level_db, hz, trend @ (mean - own + own.mean()))


def _variance(groups: Sequence[FloatArray]) -> float:
    """Of units, apart from repeats where there are any."""
    found = variation([group.tolist() for group in groups])
    return 0.0 if found is None else found.unit_sd**2


def _half_width(usual: float, variance: float, count: int, noise: float) -> float:
    """Of a rectangle of the variance that both give together; what may be noise of what was found does not count."""
    units = (count - 1) * max(0.0, 1.0 - noise / max(variance, 1e-12))
    return float(np.sqrt((PRIOR_UNITS * usual**2 + units * 3.0 * variance) / (PRIOR_UNITS + units)))
