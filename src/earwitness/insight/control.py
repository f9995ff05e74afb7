"""The check loudspeaker's control chart: did the rig stay what it was?

Each session gives a few figures. The first sessions make the baseline; later ones are held against it one by one and
by their exponentially weighted mean (EWMA; Lucas and Saccucci, Technometrics 32 (1990) 1, from memory). How few
sessions the baseline has widens the limits by Student's t (ISO 16269-8, from memory), and a prior of other rigs keeps
it from being guessed from three values (scaled inverse chi-square, standard conjugate of the normal, from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy import special

from earwitness.quantities.arrays import BoolArray, FloatArray, IntArray, Locked

WEIGHT = 0.2
# Of a normal law: as rare a false alarm as beyond three standard deviations, one in 370 sessions; gross faults apart.
EWMA_SIZE, SINGLE_SIZE = 2.86, 3.5
# A baseline that grew on would take a drift in.
BASELINE = 8
# Own choices: what sessions of a marked place scatter, worth as much as five sessions.
PRIOR_SD_DB, PRIOR_WEIGHT = 0.1, 4
_DRAWS, _FARTHEST = 1000, 40


@dataclass(frozen=True, slots=True, eq=False)
class Control(Locked):
    """One figure over S sessions, in dB.

    level (S,); baseline : how many of the first sessions it is held against; mean, sd : of these, sd with the prior;
    ewma (S,) : weighted mean of what stands off the baseline, NaN within it; ewma_limit, single_limit (S,) : what it,
    and a single session, may stand off; alarm (S,) : beyond one of them
    """

    level: FloatArray
    baseline: int
    mean: float
    sd: float
    ewma: FloatArray
    ewma_limit: FloatArray
    single_limit: FloatArray
    alarm: BoolArray

    @property
    def drifted(self) -> bool:
        """Whether the last two sessions raised an alarm: one may be a slip, and calls for another session at once."""
        return bool(self.alarm.size > 1 and self.alarm[-2:].all())


def control(values: Sequence[float], *, figures: int = 1) -> Control | None:
    """Hold sessions, oldest first, against the first of them. None with too few to make a baseline.

    figures : how many figures are charted at once; limits of each widen (Sidak 1967, from memory).
    """
    value = np.asarray(values, dtype=float)
    baseline = BASELINE
    if value.size < baseline or not np.isfinite(value).all():
        return None
    first = value[:baseline]
    degrees = PRIOR_WEIGHT + baseline - 1
    mean = float(first.mean())
    sd = float(np.sqrt((PRIOR_WEIGHT * PRIOR_SD_DB**2 + np.sum((first - mean) ** 2)) / degrees))
    after = np.maximum(np.arange(value.size) - baseline + 1, 0)
    ewma = np.full(value.size, np.nan)
    held = 0.0
    for place in range(baseline, value.size):
        held = WEIGHT * (value[place] - mean) + (1.0 - WEIGHT) * held
        ewma[place] = held
    ewma_limit, single = _limits(sd, baseline, after, figures)
    with np.errstate(invalid="ignore"):
        alarm = (after > 0) & ((np.abs(ewma) > ewma_limit) | (np.abs(value - mean) > single))
    return Control(value, baseline, mean, sd, ewma, ewma_limit, np.full(value.size, single), alarm)


def sessions_until_told(step_db: float, found: Control, *, figures: int = 1) -> int:
    """Sessions after which a step is told in 95 of 100 cases, where this rig scatters as its baseline says.

    By draws with a fixed seed, of a step that comes with the first session after the baseline.
    """
    draws = np.random.default_rng(20).normal(step_db, found.sd, (_DRAWS, _FARTHEST))
    draws += np.random.default_rng(21).normal(0.0, found.sd / np.sqrt(found.baseline), (_DRAWS, 1))
    limit, single = _limits(found.sd, found.baseline, np.arange(1, _FARTHEST + 1), figures)
    held = np.zeros(_DRAWS)
    told = np.full(_DRAWS, _FARTHEST + 1)
    for place in range(_FARTHEST):
        held = WEIGHT * draws[:, place] + (1.0 - WEIGHT) * held
        beyond = (np.abs(held) > limit[place]) | (np.abs(draws[:, place]) > single)
        told[beyond & (told > _FARTHEST)] = place + 1
    return int(np.quantile(told, 0.95, method="higher"))


def _limits(sd: float, baseline: int, after: IntArray, figures: int) -> tuple[FloatArray, float]:
    """Of the weighted mean `after` (S,) sessions beyond the baseline, and of a single session [dB]."""
    degrees = PRIOR_WEIGHT + baseline - 1
    own = WEIGHT / (2.0 - WEIGHT) * (1.0 - (1.0 - WEIGHT) ** (2 * after))
    # It is held against a mean that is uncertain itself, as far as it has taken it in.
    against = (1.0 - (1.0 - WEIGHT) ** after) ** 2 / baseline
    weighted = np.asarray(_size(EWMA_SIZE, degrees, figures) * sd * np.sqrt(own + against), dtype=np.float64)
    return weighted, _size(SINGLE_SIZE, degrees, figures) * sd * float(np.sqrt(1.0 + 1.0 / baseline))


@cache
def _size(normal: float, degrees: int, figures: int) -> float:
    """Standard deviations beyond which a value of Student's law lies as rarely as one of the normal law beyond
    `normal`, once among so many figures."""
    rare = 1.0 - (1.0 - 2.0 * special.ndtr(-normal)) ** (1.0 / figures)
    return -float(special.stdtrit(degrees, rare / 2.0))
