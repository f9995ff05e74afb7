"""Which of several versions one listener prefers, from pairs: worths after Bradley and Terry."""

import hashlib
import hmac
import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from earwitness.insight.listening.reliability import Z_95
from earwitness.quantities.arrays import FloatArray

LEVEL = 0.05
_STEPS = 10_000


def pairs_dealt(secret: str, versions: int, trials: int) -> tuple[tuple[int, int], ...]:
    """The versions (first played, second played) of every trial.

    In each block of versions (versions - 1) trials every pair comes in both orders; the order of a block follows from
    HMAC-SHA256(secret, "block b place p"). Of a last block that is not whole its beginning is played.
    """
    both = [pair for one in combinations(range(versions), 2) for pair in (one, one[::-1])]
    dealt: list[tuple[int, int]] = []
    for block in range(-(-trials // len(both))):
        drawn = [
            hmac.new(secret.encode(), f"block {block} place {place}".encode(), hashlib.sha256).digest()
            for place in range(len(both))
        ]
        dealt += [both[place] for place in sorted(range(len(both)), key=drawn.__getitem__)]
    return tuple(dealt[:trials])


@dataclass(frozen=True, slots=True, eq=False)
class Preference:
    """Worths of versions for one listener.

    worth (K,) : natural logarithms, sum 0; u (K,) : their standard uncertainties; covariance (K, K)
    p_alike : probability of such counts if all are liked alike (likelihood ratio); p_fit : of such counts if worths
    explain them, None where they cannot disagree; circular : triples of versions each preferred to the next
    is_shown : not all alike at 5 %; is_helped : a version won or lost all its pairs, and half a win was added to each
    """

    wins: FloatArray
    worth: FloatArray
    u: FloatArray
    covariance: FloatArray
    p_alike: float
    p_fit: float | None
    circular: int
    is_shown: bool
    is_helped: bool

    def chance(self, first: int, second: int) -> tuple[float, float, float]:
        """Share in which the first is preferred to the second, and its 95 % interval."""
        apart = float(self.worth[first] - self.worth[second])
        contrast = np.zeros(self.worth.size)
        contrast[first], contrast[second] = 1.0, -1.0
        half = Z_95 * math.sqrt(float(contrast @ self.covariance @ contrast))
        share, low, high = (1.0 / (1.0 + math.exp(-value)) for value in (apart, apart - half, apart + half))
        return share, low, high


def preference(wins: FloatArray) -> Preference:
    """Worths from wins (K, K), row over column. ValueError for a pair that was never compared.

    Maximum likelihood of P(i over j) = w_i / (w_i + w_j) by Hunter's iteration (Annals of Statistics 32, 2004, from
    memory); uncertainties by the pseudo-inverse of the information. Where a version won or lost everything it has no
    finite worth: half a win is added to every cell (own choice).
    """
    from scipy.stats import chi2

    given = np.array(wins, dtype=float)
    np.fill_diagonal(given, 0.0)
    if np.any((given + given.T)[~np.eye(len(given), dtype=bool)] == 0.0):
        raise ValueError("every pair has to be compared")
    helped = _is_split(given > 0.0)
    used = given + 0.5 * ~np.eye(len(given), dtype=bool) if helped else given
    weight, played = _worths(used), used + used.T
    share = weight[:, None] / (weight[:, None] + weight[None, :])
    information = -played * share * share.T
    np.fill_diagonal(information, -information.sum(axis=1) + np.diag(information))
    covariance = np.asarray(np.linalg.pinv(information), dtype=np.float64)
    freedom, pairs = len(given) - 1, len(given) * (len(given) - 1) // 2
    best, alike = _likelihood(used, share), _likelihood(used, np.full_like(used, 0.5))
    saturated = _likelihood(used, used / np.where(played > 0.0, played, 1.0))
    p_alike = float(chi2.sf(2.0 * (best - alike), freedom))
    left = pairs - freedom
    p_fit = float(chi2.sf(max(2.0 * (saturated - best), 0.0), left)) if left else None
    return Preference(
        given, np.log(weight), np.sqrt(np.diag(covariance)), covariance, p_alike, p_fit, circular_triads(given),
        p_alike <= LEVEL, helped,
    )  # fmt: skip


def circular_triads(wins: FloatArray) -> int:
    """Triples of which each is preferred more often to the next; a tie makes none."""
    over = wins > wins.T
    return sum(
        bool((over[a, b] and over[b, c] and over[c, a]) or (over[b, a] and over[c, b] and over[a, c]))
        for a, b, c in combinations(range(len(wins)), 3)
    )


def wins_of(pairs: Sequence[tuple[int, int]], preferred: Sequence[int], versions: int) -> FloatArray:
    """(K, K) how often the row was preferred to the column; preferred : the version that was, of each pair."""
    wins: FloatArray = np.zeros((versions, versions))
    for (first, second), better in zip(pairs, preferred, strict=True):
        wins[better, second if better == first else first] += 1.0
    return wins


def _is_split(won: np.typing.NDArray[np.bool_]) -> bool:
    """Whether some versions never lost to the others, so that no finite worths exist (Ford 1957, from memory)."""
    reach = won | np.eye(len(won), dtype=bool)
    for _ in range(len(won)):
        reach = (reach.astype(int) @ reach.astype(int)) > 0
    return not bool(reach.all())


def _worths(wins: FloatArray) -> FloatArray:
    played, weight = wins + wins.T, np.ones(len(wins))
    for _ in range(_STEPS):
        better = wins.sum(axis=1) / (played / (weight[:, None] + weight[None, :])).sum(axis=1)
        better /= np.exp(np.mean(np.log(better)))
        if np.abs(np.log(better / weight)).max() < 1e-13:
            break
        weight = better
    return np.asarray(better, dtype=np.float64)


def _likelihood(wins: FloatArray, share: FloatArray) -> float:
    counted = wins > 0.0
    return float(np.sum(wins[counted] * np.log(share[counted])))
