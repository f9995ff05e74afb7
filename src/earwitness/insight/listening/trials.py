"""What trials can show: exact tests of guessing, thresholds of a listener, and how trials are dealt."""

import hashlib
import hmac
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from earwitness.insight.listening.reliability import wilson_interval
from earwitness.quantities.arrays import FloatArray

GUESSING = 0.5
LEVEL = 0.05
LAPSE = 0.02
"""Answers that miss although the difference is heard, own choice: 0 would let one slip move a threshold."""
SPREAD_DB = (0.25, 3.0)
_DEVIANCE = 5.024
"""Of the profile likelihood, chi square of 97.5 %: with 3.84 short tracks hold the truth in 88 % only (own draws)."""
START_DB, LEAST_DB, MOST_DB = 8.0, 0.25, 12.0
_STEPS_DB = ((2, 2.0), (4, 1.0))
_LAST_STEP_DB = 0.5
TRACK_TRIALS = 80
_AT = np.round(np.arange(-5.0, 14.001, 0.02), 2)
_SPREADS = np.geomspace(*SPREAD_DB, 61)


def dealt(secret: str, trial: int) -> int:
    """0 or 1, the key of a trial (1, 2, ...): lowest bit of the first byte of HMAC-SHA256(secret, "trial i").

    Every trial is drawn by itself: lists of half and half help one who balances answers.
    """
    return hmac.new(secret.encode(), f"trial {trial}".encode(), hashlib.sha256).digest()[0] & 1


def at_least(right: int, trials: int, guessing: float = GUESSING) -> float:
    """Probability of `right` or more of `trials` by guessing. Source: binomial tail, handbook."""
    return math.fsum(
        math.comb(trials, k) * guessing**k * (1.0 - guessing) ** (trials - k) for k in range(right, trials + 1)
    )


def fewest_right(trials: int, *, level: float = LEVEL, two_sided: bool = False) -> int | None:
    """Right answers from which guessing is unlikely at `level`; None where no count suffices."""
    sides = 2.0 if two_sided else 1.0
    return next((k for k in range(trials + 1) if 2 * k > trials and sides * at_least(k, trials) <= level), None)


def power(trials: int, share: float) -> float:
    """Probability that a listener who is right in `share` of all trials passes; 0 where nobody can."""
    needed = fewest_right(trials)
    return 0.0 if needed is None else at_least(needed, trials, share)


@dataclass(frozen=True, slots=True)
class Counted:
    """Right answers of a number of trials that was planned before.

    p_value : of as many by guessing (two-sided for a preference); interval : 95 % of the share (Wilson)
    heard_at_most : one-sided 95 % upper limit of the share of trials in which it was truly heard, 2 share - 1
    is_shown : beyond guessing at 5 %
    """

    right: int
    trials: int
    p_value: float
    interval: tuple[float, float]
    heard_at_most: float
    is_shown: bool


def counted(right: int, trials: int, *, two_sided: bool = False) -> Counted:
    """The test of `right` answers; two_sided : for a preference, which may go either way. ValueError for no trials."""
    interval = wilson_interval(right, trials)
    tail = at_least(max(right, trials - right) if two_sided else right, trials)
    p_value = min(1.0, 2.0 * tail) if two_sided else tail
    return Counted(right, trials, p_value, interval, max(0.0, 2.0 * _upper(right, trials) - 1.0), p_value <= LEVEL)


def _upper(right: int, trials: int) -> float:
    """One-sided 95 % limit of a share, exact (Clopper and Pearson, Biometrika 26, 1934, from memory)."""
    if right == trials:
        return 1.0
    low, high = right / trials, 1.0
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if 1.0 - at_least(right + 1, trials, middle) > LEVEL else (low, middle)
    return (low + high) / 2.0


def next_size_db(sizes_db: Sequence[float], right: Sequence[bool]) -> float:
    """Size of the next trial of a track, from those that were: two right in a row go down, one wrong goes up.

    From 8 dB; steps of 2 dB, of 1 dB after two turns, of 0.5 dB after four; 0.25 to 12 dB. Settles where 71 % are
    right. Source: Levitt, "Transformed up-down methods in psychoacoustics", JASA 49, 1971, from memory.
    """
    size, row, turns, way = START_DB, 0, 0, 0
    for correct in right[: len(sizes_db)]:
        row = row + 1 if correct else 0
        move = -1 if row == 2 else 0 if correct else 1
        if not move:
            continue
        turns += way not in (0, move)
        way, row = move, 0
        step = next((step for below, step in _STEPS_DB if turns < below), _LAST_STEP_DB)
        size = min(max(size + move * step, LEAST_DB), MOST_DB)
    return size


@dataclass(frozen=True, slots=True)
class Threshold:
    """How large a finding has to be for this listener. size_db : midway between guessing and the most that is right;
    interval_db : 95 %; spread_db : of the transition; trials : it rests on. is_bounded : the upper end
    lies inside the sizes that were tried."""

    size_db: float
    interval_db: tuple[float, float]
    spread_db: float
    trials: int
    is_bounded: bool


def threshold(sizes_db: Sequence[float], right: Sequence[bool]) -> Threshold | None:
    """Threshold by the likelihood of psi(x) = 1/2 + (1/2 - lapse) / (1 + exp(-(x - size) / spread)); None without an
    answer.

    Profile likelihood over size on a grid of 0.02 dB, the spread inside 0.25 to 3 dB, lapses taken as 2 %. Source:
    Wichmann and Hill, "The psychometric function I", Perception and Psychophysics 63, 2001, from memory; limits and
    deviance are own choices, tested by simulated listeners.
    """
    if not sizes_db:
        return None
    answers: dict[float, list[bool]] = {}
    for size, correct in zip(sizes_db, right, strict=True):
        answers.setdefault(float(size), []).append(correct)
    total: FloatArray = np.zeros((_AT.size, _SPREADS.size))
    for size, given in answers.items():
        share = GUESSING + (1.0 - GUESSING - LAPSE) / (1.0 + np.exp(-(size - _AT[:, None]) / _SPREADS[None, :]))
        total += sum(given) * np.log(share) + (len(given) - sum(given)) * np.log1p(-share)
    profile = total.max(axis=1)
    row = int(np.argmax(profile))
    inside = _AT[2.0 * (profile[row] - profile) <= _DEVIANCE]
    low, high = float(inside[0]), float(inside[-1])
    spread_db = float(_SPREADS[int(np.argmax(total[row]))])
    return Threshold(float(_AT[row]), (low, high), spread_db, len(sizes_db), high <= max(answers))
