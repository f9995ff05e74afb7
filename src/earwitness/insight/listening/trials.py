"""Trials: how they are dealt, what they show by exact tests, which version is preferred; how reliable ears are."""

import hmac
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np

from earwitness.insight.findings.finding import audible_from_db
from earwitness.insight.listening.matching import MatchedRemark
from earwitness.insight.listening.remark import Region, Remark, is_attribute
from earwitness.insight.words import REGIONS
from earwitness.quantities import FloatArray, IntArray

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
    return hmac.digest(secret.encode(), f"trial {trial}".encode(), "sha256")[0] & 1


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
    return Counted(
        right, trials, p_value, interval, max(0.0, 2.0 * _upper(right, trials) - 1.0), is_shown=p_value <= LEVEL
    )


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


_STEPS = 10_000


def pairs_dealt(secret: str, versions: int, trials: int) -> tuple[tuple[int, int], ...]:
    """The versions (first played, second played) of every trial.

    In each block of versions (versions - 1) trials every pair comes in both orders; the order of a block follows from
    HMAC-SHA256(secret, "block b place p"). Of a last block that is not whole its beginning is played.
    """
    both = [pair for one in combinations(range(versions), 2) for pair in (one, one[::-1])]
    key, dealt = secret.encode(), list[tuple[int, int]]()
    for block in range(-(-trials // len(both))):
        drawn = [hmac.digest(key, f"block {block} place {place}".encode(), "sha256") for place in range(len(both))]
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
        wins=given,
        worth=np.log(weight),
        u=np.sqrt(np.diag(covariance)),
        covariance=covariance,
        p_alike=p_alike,
        p_fit=p_fit,
        circular=circular_triads(given),
        is_shown=p_alike <= LEVEL,
        is_helped=helped,
    )


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


FEWEST_SIZED = 20
LETTERS = "ABCDEF"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What trials showed. key, answers : letter of a version by trial; counted : None for a threshold, for more than
    two versions and before any answer; preference : of more than two versions, None until each pair was compared.

    threshold : of a listener, at center_hz and q; estimate_db : what the program takes as audible there
    sentence : for people
    """

    key: tuple[str, ...]
    answers: tuple[str, ...]
    sentence: str
    counted: Counted | None = None
    threshold: Threshold | None = None
    preference: Preference | None = None
    center_hz: float | None = None
    q: float | None = None
    estimate_db: float | None = None


def keys_of(plan: Mapping[str, Any]) -> tuple[str, ...]:
    """The right answer of every answered trial: X of abx; B, which has the finding, of a threshold."""
    count = len(plan["answers"])
    if plan["kind"] == "abx":
        return tuple("AB"[dealt(plan["secret"], trial)] for trial in range(1, count + 1))
    return ("B",) * count


def right_answers(plan: Mapping[str, Any]) -> list[bool]:
    """Whether each answer is the key's; of a preference, whether it is B."""
    return [one == key for one, key in zip(plan["answers"], keys_of(plan), strict=True)]


def outcome_of(plan: Mapping[str, Any]) -> Outcome:
    """What came out of trials that are over."""
    answers, keys = tuple(plan["answers"]), keys_of(plan)
    count = len(answers)
    center_hz, q = plan.get("center_hz"), plan.get("q")
    if plan["kind"] == "threshold":
        found = threshold(plan["sizes_db"], right_answers(plan)) if count >= FEWEST_SIZED else None
        estimate = None if q is None else audible_from_db(q, is_peak=plan["is_peak"], sensitive=plan["sound"] == "pink")
        told = _threshold_words(plan, found, estimate)
        return Outcome(keys, answers, told, threshold=found, center_hz=center_hz, q=q, estimate_db=estimate)
    if len(plan["words"]) > 2:
        ranked = _ranked(plan)
        return Outcome((), answers, _ranked_words(plan, ranked), preference=ranked)
    two_sided = plan["kind"] == "prefer"
    tally = counted(sum(right_answers(plan)), count, two_sided=two_sided) if count else None
    keys = () if two_sided else keys
    return Outcome(keys, answers, _tally_words(plan, tally), tally, center_hz=center_hz, q=q)


def _tally_words(plan: Mapping[str, Any], tally: Counted | None) -> str:
    if tally is None:
        return "Broken off before any answer."
    broken = f" It was broken off: {plan['planned']} trials were planned." if tally.trials < plan["planned"] else ""
    chance = f"{100 * tally.p_value:.1f} %" if tally.p_value >= 0.001 else "under 0.1 %"
    if plan["kind"] == "prefer":
        share = max(tally.right, tally.trials - tally.right)
        which = plan["words"][1 if 2 * tally.right > tally.trials else 0]
        told = f"preferred {share} of {tally.trials} times: {which}" if 2 * tally.right != tally.trials else "a tie"
        verdict = "a preference beyond chance" if tally.is_shown else "no preference beyond chance"
        return f"{told[:1].upper()}{told[1:]}. That is {verdict} (guessing gives as much in {chance} of runs).{broken}"
    needed = fewest_right(plan["planned"])
    told = f"{tally.right} of {tally.trials} right; guessing gives as many or more in {chance} of runs."
    if tally.is_shown:
        return f"{told} The difference was heard.{broken}"
    limit = f"It may still have been heard in up to {100 * tally.heard_at_most:.0f} % of trials."
    return f"{told} That does not show that the difference was heard ({needed} right are needed). {limit}{broken}"


def _threshold_words(plan: Mapping[str, Any], found: Threshold | None, estimate_db: float | None) -> str:
    count = len(plan["answers"])
    if found is None:
        return (
            f"{count} of {plan['planned']} trials were answered: too few for a threshold, which takes {FEWEST_SIZED}."
        )
    low, high = (f"{value:.1f}" for value in (max(found.interval_db[0], 0.0), found.interval_db[1]))
    where = f"at {plan['center_hz']:.0f} Hz, Q {plan['q']:.1f}, with {plan['sound']}"
    told = f"Heard from about {found.size_db:.1f} dB on ({low} to {high} dB) {where}, over {count} trials."
    if not found.is_bounded:
        told = f"Not heard with certainty up to {max(plan['sizes_db']):g} dB {where}, over {count} trials."
    rule = "" if estimate_db is None else f" The program's own estimate for such a sound is {estimate_db:.1f} dB."
    broken = f" {plan['planned']} trials were planned." if count < plan["planned"] else ""
    return f"{told}{rule}{broken} This holds for this listener, with these headphones, at this level."


def _ranked(plan: Mapping[str, Any]) -> Preference | None:
    count = len(plan["words"])
    pairs = pairs_dealt(plan["secret"], count, len(plan["answers"]))
    if len({frozenset(pair) for pair in pairs}) < count * (count - 1) // 2:
        return None
    return preference(wins_of(pairs, [LETTERS.index(one) for one in plan["answers"]], count))


def _ranked_words(plan: Mapping[str, Any], found: Preference | None) -> str:
    count = len(plan["answers"])
    broken = f" {plan['planned']} comparisons were planned." if count < plan["planned"] else ""
    if found is None:
        return f"{count} of {plan['planned']} comparisons were answered: not every pair was compared.{broken}"
    order = sorted(range(found.worth.size), key=lambda row: -found.worth[row])
    rows = "; ".join(f"{LETTERS[row]}: {plan['words'][row]}" for row in order)
    first, last = order[0], order[-1]
    share, low, high = (f"{100 * value:.0f}" for value in found.chance(first, last))
    if not found.is_shown:
        verdict = "No preference beyond chance"
        rows = f"from most to least often preferred: {rows}"
    else:
        verdict = "A preference beyond chance"
        rows = f"from most to least liked: {rows}"
    told = (
        f"{verdict}, {rows}. {LETTERS[first]} is preferred to {LETTERS[last]} in about {share} % ({low} to {high} %)."
    )
    odd = f" {found.circular} of the triples go in a circle." if found.circular else ""
    helped = " One won or lost all its pairs; half a win was added to each." if found.is_helped else ""
    unfit = " Worths do not explain the answers well." if found.p_fit is not None and found.p_fit < 0.05 else ""
    return f"{told}{odd}{helped}{unfit}{broken} This holds for this listener and this sound."


Z_95 = 1.959963984540054
BANDS: tuple[tuple[str, Region], ...] = tuple((name, Region(low, high)) for name, low, high in REGIONS)


@dataclass(frozen=True, slots=True)
class Reliability:
    """A tester's record in one band.

    share : part of the judged remarks that agree, with its 95 % interval, None where there were none; expected :
    share that would agree by chance, mean over the remarks that have one, None without any
    """

    band: str
    region: Region
    agrees: int
    contradicts: int
    no_match: int
    share: float | None
    interval: tuple[float, float] | None
    expected: float | None

    @property
    def judged(self) -> int:
        return self.agrees + self.contradicts + self.no_match


def reliability(remarks: Iterable[MatchedRemark]) -> tuple[Reliability, ...]:
    """Records of all bands, low to high, and of "all" at the end.

    remarks : of sheets sealed before the data were shown; others prove nothing and must be left out. A remark belongs
    to the band of its region's middle; repeats within a sheet, remarks that could not be judged and words beyond
    timbre do not count.
    """
    counted = [m for m in remarks if m.verdict != "not judged" and m.repeats is None and not is_attribute(m.remark)]
    rows = [
        _row(name, band, [m for m in counted if band.low_hz <= m.remark.region.center_hz < band.high_hz])
        for name, band in BANDS
    ]
    return (*rows, _row("all", Region(BANDS[0][1].low_hz, BANDS[-1][1].high_hz), counted))


@dataclass(frozen=True, slots=True)
class Noticed:
    """How many findings of a band a tester wrote of. audible, small : above what may be heard and not, with how many
    of them an agreeing remark rests on."""

    band: str
    audible: int
    audible_noted: int
    small: int
    small_noted: int


def noticed(found: Iterable[tuple[float, float, bool]]) -> tuple[Noticed, ...]:
    """Counts of all bands, low to high, and of "all". found : center [Hz], margin over what may be heard [dB] and
    whether a remark agrees, of every finding of every sheet sealed before the data."""
    kept = list(found)
    bands = [*((name, band.low_hz, band.high_hz) for name, band in BANDS), ("all", 0.0, math.inf)]
    rows = []
    for name, low_hz, high_hz in bands:
        own = [(margin >= 0.0, noted) for center, margin, noted in kept if low_hz <= center < high_hz]
        audible, small = ([noted for above, noted in own if above is wanted] for wanted in (True, False))
        rows.append(Noticed(name, len(audible), sum(audible), len(small), sum(small)))
    return tuple(rows)


def wilson_interval(successes: int, trials: int) -> tuple[float, float]:
    """95 % interval of a share. Raises ValueError for no trials.

    Source: Wilson, "Probable inference, the law of succession, and statistical inference", JASA 22, 1927, from memory:
    the shares whose normal approximation does not exclude what was counted.
    """
    if not 0 <= successes <= trials or not trials:
        raise ValueError(f"{successes} of {trials}")
    share, z2 = successes / trials, Z_95**2
    middle = (share + z2 / (2 * trials)) / (1 + z2 / trials)
    half = Z_95 / (1 + z2 / trials) * math.sqrt(share * (1 - share) / trials + z2 / (4 * trials**2))
    low = 0.0 if successes == 0 else middle - half
    return low, 1.0 if successes == trials else middle + half


def _row(name: str, band: Region, found: list[MatchedRemark]) -> Reliability:
    agrees = sum(m.verdict == "agrees" for m in found)
    by_chance = [m.chance for m in found if m.chance is not None]
    return Reliability(
        name,
        band,
        agrees=agrees,
        contradicts=sum(m.verdict == "contradicts" for m in found),
        no_match=sum(m.verdict == "no match in the data" for m in found),
        share=agrees / len(found) if found else None,
        interval=wilson_interval(agrees, len(found)) if found else None,
        expected=sum(by_chance) / len(by_chance) if by_chance else None,
    )


DRAWS = 9_999
_SEED = 17
_CODES = {"excess": 1, "lack": 2, "uneven": 3, "even": 4}
_MIXED = 5
_WORDS = ("", "too much", "too little", "uneven", "even", "both")


@dataclass(frozen=True, slots=True)
class Agreement:
    """listeners : by name; kappa : of Fleiss, 1 for full agreement and 0 for that of chance; p_value : how often chance
    gives as much; bands : regions that anybody spoke of; said : of each region by each listener, "" for nothing."""

    listeners: tuple[str, ...]
    kappa: float
    p_value: float
    bands: int
    said: tuple[tuple[str, ...], ...]


def agreement(said: Mapping[str, Sequence[Remark]]) -> Agreement | str:
    """Agreement of listeners, each with all remarks on one loudspeaker; the reason where it cannot be told.

    Each region of the spectrum is coded by what a listener said of it: too much, too little, uneven, even, both, or
    nothing. Fleiss' kappa (Psychological Bulletin 76, 1971, from memory). Its probability: what each listener said is
    dealt anew over the regions, 9,999 times with a fixed seed, (1 + hits) / (1 + draws).
    """
    if len(said) < 2:
        return "one listener alone cannot agree with another"
    codes = np.array([_coded(remarks) for remarks in said.values()])
    spoken = int((codes > 0).any(axis=0).sum())
    if min(int((row > 0).sum()) for row in codes) == 0:
        return "one of the listeners said nothing of any region"
    kappa = float(fleiss_kappa(codes[None])[0])
    random = np.random.default_rng(_SEED)
    dealt = random.permuted(np.broadcast_to(codes, (DRAWS, *codes.shape)), axis=2)
    hits = int((fleiss_kappa(dealt) >= kappa - 1e-12).sum())
    told = tuple(tuple(_WORDS[code] for code in row) for row in codes.tolist())
    return Agreement(tuple(said), kappa, (1 + hits) / (1 + DRAWS), spoken, told)


def fleiss_kappa(codes: IntArray) -> FloatArray:
    """(N,) Fleiss' kappa of codes (N, L, R): L raters on R subjects; 1 where all gave one code throughout."""
    raters = codes.shape[1]
    counts = np.stack([(codes == code).sum(axis=1) for code in range(_MIXED + 1)], axis=-1).astype(float)
    observed = ((counts**2).sum(axis=-1) - raters).mean(axis=-1) / (raters * (raters - 1))
    share = counts.sum(axis=1) / counts.sum(axis=(1, 2))[:, None]
    expected = (share**2).sum(axis=-1)
    room = 1.0 - expected
    return np.asarray(np.where(room > 1e-12, (observed - expected) / np.where(room > 1e-12, room, 1.0), 1.0))


def _coded(remarks: Sequence[Remark]) -> list[int]:
    """What was said of each band, 0 for nothing."""
    row = [0] * len(BANDS)
    for one in remarks:
        if is_attribute(one):
            continue
        for place, (_, band) in enumerate(BANDS):
            if band.low_hz <= one.region.center_hz < band.high_hz:
                code = _CODES[one.sense]
                row[place] = code if row[place] in (0, code) else _MIXED
    return row


def agreement_in_words(found: Agreement | str) -> str:
    """One sentence."""
    if isinstance(found, str):
        return f"Whether listeners agree cannot be told: {found}."
    names = ", ".join(found.listeners[:-1]) + f" and {found.listeners[-1]}"
    p = "below 0.001" if found.p_value < 0.001 else f"{found.p_value:.3f}"
    word = "agree beyond chance" if found.p_value < 0.05 and found.kappa > 0 else "do not agree beyond chance"
    return (
        f"{names} {word}: kappa {found.kappa:.2f} over {len(BANDS)} regions, chance gives as much with probability {p}."
    ).replace("-", "\N{MINUS SIGN}")
