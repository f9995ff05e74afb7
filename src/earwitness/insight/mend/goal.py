"""What an equalizer is to reach, and with what: a goal beside evenness, and the limits of its bands."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from earwitness.errors import InputError
from earwitness.insight.mend.equalizer import KINDS, BandKind
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


@dataclass(frozen=True, slots=True)
class Limits:
    """What a design may use.

    gain_db : least and most of one band; total_boost_db : most of all bands together; q : least and most;
    shelf_q : of shelves; range_hz : of the bands' frequencies, None for what the data allow; kinds : of bands
    forced : also boost interference dips and below the useful bass, and mend what directions do not share
    InputError for limits that are upside down.
    """

    gain_db: tuple[float, float] = (-12.0, 3.0)
    total_boost_db: float = 3.0
    q: tuple[float, float] = (0.4, 12.0)
    shelf_q: tuple[float, float] = (0.4, 1.0)
    range_hz: tuple[float, float] | None = None
    kinds: tuple[BandKind, ...] = KINDS
    forced: bool = False

    def __post_init__(self) -> None:
        pairs = {"gain": self.gain_db, "Q": self.q, "shelf Q": self.shelf_q, "range": self.range_hz or (1.0, 2.0)}
        for name, (low, high) in pairs.items():
            if not (math.isfinite(low) and math.isfinite(high) and low < high):
                raise InputError(f"limits of the {name} from {low} to {high}", expected="finite, the lower first")
        if self.q[0] <= 0 or self.shelf_q[0] <= 0 or pairs["range"][0] <= 0:
            raise InputError("a limit of Q or frequency that is not above zero", expected="above zero")
        if self.gain_db[0] > 0 or self.gain_db[1] < 0 or not self.total_boost_db >= 0:
            raise InputError("limits of the gain that leave out 0 dB", expected="0 dB inside the limits")
        if not self.kinds or any(kind not in KINDS for kind in self.kinds):
            raise InputError(f"kinds of bands {self.kinds}", expected="one or more of " + ", ".join(KINDS))


DEFAULT_LIMITS = Limits()
