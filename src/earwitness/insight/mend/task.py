"""What bands are searched for: goal and limits, what a set of bands costs, and which sets are no candidates.

Cost of a set of bands, sum w = 1, level = sum w (g - wanted), lost = min(0, level):
sum w (g - wanted - level)^2 + 10 w_max sum max(0, g - lost - cap)^2 + (0.001)^2 sum G^2
+ 0.01 (max(0, max g - lost)^2 + lost^2) - 0.5 sum w g_up g_down, where g_up and g_down are the sums of the boosting
and cutting bands: 1 dB of headroom is worth 0.1 dB rms, and bands that fight are priced (own choices). What is lost of
the level has to be made up for by the amplifier, so cutting all the rest is a boost like any other, and of two that are
alike the one that keeps the level is taken. Where no boost is allowed at all the limit is on g alone. Two bands of
opposite sign with centers or corners within half an octave are no candidate.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from earwitness.errors import InputError
from earwitness.insight.mend.equalizer import KINDS, BandKind, band_gains
from earwitness.quantities.arrays import BoolArray, FloatArray, IntArray, lock_fields

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
class EqualizerLimits:
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


DEFAULT_LIMITS = EqualizerLimits()


CAP_WEIGHT = 10.0
GAIN_RIDGE = 1e-3
HEADROOM_WEIGHT = 0.01
OPPOSED_WEIGHT = 0.5
OPPOSED_OCTAVES = 0.5
OPPOSED_FROM_DB = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """kinds : allowed indices into KINDS; low, high : (3 kinds, 3) bounds of ln f, ln Q, gain [dB].

    hz, warped, wanted_db, weight (sum 1), cap_db : (F,)
    barred : (B, 3) lowest and highest ln f and the sign that no bell may have there; counted : evaluations
    """

    kinds: tuple[int, ...]
    low: FloatArray
    high: FloatArray
    hz: FloatArray
    warped: FloatArray
    rate_hz: float
    wanted_db: FloatArray
    weight: FloatArray
    cap_db: FloatArray
    barred: FloatArray = field(default_factory=lambda: np.zeros((0, 3)))
    counted: list[int] = field(default_factory=lambda: [0])


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """One set of bands: kinds (N,), parameters (3, N) ln f, ln Q, gain [dB], and its cost [dB^2]."""

    kinds: IntArray
    parameters: FloatArray
    cost: float


def gains_of(task: Task, kinds: IntArray, x: FloatArray) -> FloatArray:
    """(F,) summed gain of bands; kinds (N,), x (3, N)."""
    if not kinds.size:
        return np.zeros(task.hz.size)
    return np.asarray(
        band_gains(kinds, x[0], x[1], x[2], warped=task.warped, sample_rate_hz=task.rate_hz).sum(axis=0), dtype=float
    )


def cost_of(task: Task, kinds: IntArray, x: FloatArray) -> float:
    """What the search minimizes, with the best level; kinds (N,), x (3, N)."""
    bands = band_gains(kinds=kinds, ln_f=x[0], ln_q=x[1], gain=x[2], warped=task.warped, sample_rate_hz=task.rate_hz)
    return float(price(task, bands[None], x[None, 2])[0])


def price(task: Task, bands: FloatArray, gain_db: FloatArray) -> FloatArray:
    """(S,) cost of bands (S, N, F) with gains (S, N)."""
    gain = bands.sum(axis=1)
    residual = gain - task.wanted_db
    level = residual @ task.weight
    residual = residual - level[:, None]
    moves = task.cap_db > 0
    lost = np.minimum(level, 0.0)[:, None] * moves.any()
    over = np.maximum(gain - lost * moves - task.cap_db, 0.0)
    peak = np.maximum(gain.max(axis=1) - lost[:, 0], 0.0)
    cost = residual**2 @ task.weight + CAP_WEIGHT * task.weight.max() * (over**2).sum(axis=1)
    cost += GAIN_RIDGE**2 * (gain_db**2).sum(axis=1) + HEADROOM_WEIGHT * (peak**2 + lost[:, 0] ** 2)
    up = np.maximum(bands, 0.0).sum(axis=1)
    cost -= OPPOSED_WEIGHT * (up * (gain - up)) @ task.weight
    return np.asarray(cost, dtype=float)


def opposing(x: FloatArray) -> bool:
    """Whether two bands of opposite sign have centers or corners within half an octave. x (3, N)."""
    octaves, gain = x[0] / np.log(2), x[2]
    near = np.abs(octaves[:, None] - octaves) < OPPOSED_OCTAVES
    fight = gain[:, None] * gain < 0
    both = np.minimum(np.abs(gain)[:, None], np.abs(gain)) > OPPOSED_FROM_DB
    return bool((near & fight & both).any())


def is_barred(task: Task, kinds: IntArray, x: FloatArray) -> bool:
    """Whether a bell works where none may, or two bands oppose. kinds (N,), x (3, N)."""
    if opposing(x):
        return True
    if not len(task.barred):
        return False
    low, high, sign = task.barred.T[:, :, None]
    return bool(((kinds == 0) & (x[0] >= low) & (x[0] <= high) & (x[2] * sign > 0)).any())


def thinned(task: Task, step: int) -> Task:
    """Every so manyth frequency, and half as many of those that carry hardly any weight: enough to find where bands
    belong."""
    every = np.arange(task.hz.size)
    heavy = task.weight >= 0.1 * task.weight.max()
    keep = np.flatnonzero((heavy & (every % step == 0)) | (every % (2 * step) == 0))
    weight = task.weight[keep]
    return replace(
        task,
        hz=task.hz[keep],
        warped=task.warped[keep],
        wanted_db=task.wanted_db[keep],
        weight=weight / weight.sum(),
        cap_db=task.cap_db[keep],
    )
