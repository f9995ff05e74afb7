"""What an equalizer is to reach: even by the joint objective, or with a slope or a table the user asks for."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from earwitness.errors import InputError
from earwitness.quantities.arrays import BoolArray, FloatArray, lock_fields

STEEPEST_DB_PER_OCTAVE = 6.0
GoalKind = Literal["even", "slope", "table"]


@dataclass(frozen=True, slots=True, eq=False)
class Goal:
    """A wish beside evenness. The overall level is always free.

    kind : "even" for none; "slope" : of the predicted in-room response, slope_db_per_octave; "table" : level of the
    listening window, hz (P,) rising and shape_db (P,), linear against log frequency, nothing asked for outside it
    sentence : plain words
    """

    kind: GoalKind
    sentence: str
    slope_db_per_octave: float = 0.0
    hz: FloatArray | None = None
    shape_db: FloatArray | None = None

    def __post_init__(self) -> None:
        if self.hz is not None:
            lock_fields(self, hz=float, shape_db=float)

    @property
    def curve(self) -> str:
        """Key of the curve the goal is told of."""
        return "in_room" if self.kind == "slope" else "listening_window"

    def there(self, frequency_hz: FloatArray) -> BoolArray:
        """(F,) bool, where there is a goal."""
        if self.hz is None:
            return np.ones(frequency_hz.shape, dtype=bool)
        inside = (frequency_hz >= self.hz[0] * (1 - 1e-9)) & (frequency_hz <= self.hz[-1] * (1 + 1e-9))
        return np.asarray(inside, dtype=bool)

    def shape(self, frequency_hz: FloatArray) -> FloatArray:
        """(F,) asked-for shape of `curve` [dB], its level free; zeros for "even", which follows the directivity."""
        x = np.log2(frequency_hz / 1000.0)
        if self.hz is None or self.shape_db is None:
            return np.asarray(self.slope_db_per_octave * x, dtype=float)
        return np.asarray(np.interp(x, np.log2(self.hz / 1000.0), self.shape_db), dtype=float)


EVEN = Goal("even", "even on axis, and as even in the room as the directivity allows")


def straight_slope(slope_db_per_octave: float) -> Goal:
    """An in-room response along a straight line on log frequency. InputError for one steeper than 6 dB/octave."""
    if not abs(slope_db_per_octave) <= STEEPEST_DB_PER_OCTAVE:
        raise InputError(
            f"a goal of {slope_db_per_octave} dB/octave", expected=f"at most {STEEPEST_DB_PER_OCTAVE:g} dB/octave"
        )
    words = f"a predicted in-room response of {slope_db_per_octave:+.2f} dB/octave"
    return Goal("slope", words, slope_db_per_octave)


def table(points: Sequence[tuple[float, float]]) -> Goal:
    """The user's table of (frequency [Hz], level [dB]) for the listening window; outside it nothing is asked for.

    InputError for fewer than two points, numbers that are not finite, or frequencies that do not rise from above 0.
    """
    rows = np.asarray(points, dtype=float).reshape(-1, 2)
    good = len(rows) >= 2 and bool(np.isfinite(rows).all()) and rows[0, 0] > 0 and bool((np.diff(rows[:, 0]) > 0).all())
    if not good:
        raise InputError.of("insight.target_points", count=len(rows))
    return Goal("table", f"a listening window after a table of {len(rows)} points", 0.0, rows[:, 0], rows[:, 1])
