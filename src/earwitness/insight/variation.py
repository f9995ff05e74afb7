"""What several units of one model say about the next one: spread over units apart from repeats of one unit.

One way, units with sessions as repeats (ISO 5725-2, one-way analysis of variance; Searle, Casella, McCulloch 1992 for
restricted maximum likelihood; from memory). Limits of the spread over units are modified large-sample ones (Burdick and
Graybill 1992, after Ting et al. 1990; from memory), on the unit means where numbers of sessions differ (Thomas and
Hultquist 1978, from memory). The next unit is foretold by Student's interval (ISO 16269-8, from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from earwitness.quantities import Figure
from earwitness.quantities.arrays import FloatArray

CONFIDENCE = 0.95
_MANY = 1e9
_LARGEST_RATIO = 1e6


@dataclass(frozen=True, slots=True)
class Variation:
    """Units of a model in one quantity, in its unit.

    units, sessions : how many; mean, u_mean : of the model, by what differs between units and sessions alone
    repeat_sd : of sessions of one unit; None where no unit was measured twice: then unit_sd holds set-up too
    unit_sd : between units, low_sd and high_sd its 95 % limits; next_low, next_high : 95 % of next units lie there
    """

    units: int
    sessions: int
    mean: float
    u_mean: float
    repeat_sd: float | None
    unit_sd: float
    low_sd: float
    high_sd: float
    next_low: float
    next_high: float

    @property
    def is_told(self) -> bool:
        """Whether units differ beyond what repeats of one unit do."""
        return self.low_sd > 0.0


def variation(groups: Sequence[Sequence[float]]) -> Variation | None:
    """Spread of a quantity. groups : one for each unit, with a value for each of its sessions; None for one unit."""
    rows = [np.asarray(group, dtype=float) for group in groups if len(group)]
    if len(rows) < 2:
        return None
    sizes = np.array([row.size for row in rows])
    count, total = len(rows), int(sizes.sum())
    means = np.array([row.mean() for row in rows])
    if total == count:
        return _single(means)
    within = float(sum(((row - row.mean()) ** 2).sum() for row in rows)) / (total - count)
    ratio, repeat, mean, u_mean = _restricted(rows)
    unit = float(np.sqrt(ratio * repeat))
    of_means = float(means.var(ddof=1))
    harmonic = count / float((1.0 / sizes).sum())
    low, high = _limits(of_means, within / harmonic, count - 1, total - count)
    # Of the next unit's own value; where the spread is not told from repeats, its upper limit stands for it.
    spread = unit if unit > 0.0 else high
    freedom = _freedom(of_means, within / harmonic, count - 1, total - count)
    reach = float(special.stdtrit(freedom, 0.5 + CONFIDENCE / 2)) * float(np.hypot(spread, u_mean))
    return Variation(count, total, mean, u_mean, float(np.sqrt(repeat)), unit, low, high, mean - reach, mean + reach)


def u_of_mean(found: Variation, told: Sequence[Figure]) -> float:
    """Of a mean of sessions; u of what all share from the first and the last of them (JCGM 100:2008, 5.2.2)."""
    other = dict(told[-1].shared)
    shared = max(0.0, sum(size * other.get(key, 0.0) for key, size in told[0].shared))
    own = sum(max(0.0, (one.u or 0.0) ** 2 - shared) for one in told) / len(told) ** 2
    return float(np.sqrt(max(found.u_mean**2, own) + shared))


def _single(values: FloatArray) -> Variation:
    """One session of each unit: units and set-up together, limits of chi-square, Student's interval."""
    count = values.size
    sd, freedom = float(values.std(ddof=1)), count - 1
    low, high = np.sqrt(
        freedom / (2.0 * special.gammaincinv(freedom / 2.0, [0.5 + CONFIDENCE / 2, 0.5 - CONFIDENCE / 2]))
    )
    mean = float(values.mean())
    reach = float(special.stdtrit(freedom, 0.5 + CONFIDENCE / 2)) * sd * float(np.sqrt(1.0 + 1.0 / count))
    u_mean = sd / float(np.sqrt(count))
    return Variation(
        count, count, mean, u_mean, None, sd, sd * float(low), sd * float(high), mean - reach, mean + reach
    )


def _restricted(rows: Sequence[FloatArray]) -> tuple[float, float, float, float]:
    """Ratio of the variance of units to that of repeats, variance of repeats, mean and its u, by restricted maximum
    likelihood: for a ratio the rest is closed form."""
    from scipy.optimize import minimize_scalar

    sizes = np.array([row.size for row in rows], dtype=float)
    means = np.array([row.mean() for row in rows])
    inside = float(sum(((row - row.mean()) ** 2).sum() for row in rows))
    total = sizes.sum()

    def parts(ratio: float) -> tuple[float, float, float, float]:
        weight = sizes / (1.0 + sizes * ratio)
        mean = float((weight * means).sum() / weight.sum())
        square = inside + float((weight * (means - mean) ** 2).sum())
        repeat = square / (total - 1.0)
        log = (total - 1.0) * np.log(repeat) + float(np.log1p(sizes * ratio).sum()) + np.log(weight.sum())
        return float(log), repeat, mean, float(np.sqrt(repeat / weight.sum()))

    if inside == 0.0:
        return _LARGEST_RATIO, float(means.var(ddof=1)) / _LARGEST_RATIO, *parts(_LARGEST_RATIO)[2:]
    found = minimize_scalar(
        lambda log: parts(float(np.exp(log)))[0], bounds=(-14.0, 14.0), method="bounded", options={"xatol": 1e-10}
    )
    ratio = float(np.exp(found.x))
    if parts(0.0)[0] <= parts(ratio)[0]:
        ratio = 0.0
    return ratio, *parts(ratio)[1:]


def _limits(of_means: float, of_repeats: float, between: int, within: int) -> tuple[float, float]:
    """Modified large-sample limits of a difference of two variances, as standard deviations."""
    tail = (1.0 - CONFIDENCE) / 2
    upper, lower = special.fdtri(between, within, 1 - tail), special.fdtri(between, within, tail)
    g1, h1 = 1 - 1 / special.fdtri(between, _MANY, 1 - tail), 1 / special.fdtri(between, _MANY, tail) - 1
    g2, h2 = 1 - 1 / special.fdtri(within, _MANY, 1 - tail), 1 / special.fdtri(within, _MANY, tail) - 1
    g12 = ((upper - 1) ** 2 - g1**2 * upper**2 - h2**2) / upper
    h12 = ((1 - lower) ** 2 - h1**2 * lower**2 - g2**2) / lower
    down = g1**2 * of_means**2 + h2**2 * of_repeats**2 + g12 * of_means * of_repeats
    up = h1**2 * of_means**2 + g2**2 * of_repeats**2 + h12 * of_means * of_repeats
    gap = of_means - of_repeats
    return float(np.sqrt(max(0.0, gap - np.sqrt(max(down, 0.0))))), float(
        np.sqrt(max(0.0, gap + np.sqrt(max(up, 0.0))))
    )


def _freedom(of_means: float, of_repeats: float, between: int, within: int) -> float:
    """Effective degrees of freedom of the spread over units, Welch and Satterthwaite, at least one."""
    gap = max(of_means - of_repeats, 0.0)
    if gap == 0.0:
        return float(between)
    return max(1.0, gap**2 / (of_means**2 / between + of_repeats**2 / within))
