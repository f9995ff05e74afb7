"""Trials, tracks and records of listeners over a population, frozen: the program's own values, held against change.

Formulas: binomial tails (scipy.stats.binom), Wilson's interval and that of Clopper and Pearson (scipy.stats.binomtest).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from match_worlds import tried
from scipy import stats

from earwitness.insight.listening import trials
from earwitness.insight.listening.matching import MatchedRemark
from earwitness.insight.listening.remark import Region, Remark
from earwitness.insight.listening.trials import (
    LETTERS,
    agreement,
    agreement_in_words,
    at_least,
    circular_triads,
    counted,
    dealt,
    fewest_right,
    fleiss_kappa,
    next_size_db,
    noticed,
    outcome_of,
    pairs_dealt,
    power,
    preference,
    reliability,
    threshold,
    wilson_interval,
    wins_of,
)
from golden_values import stands

NAME = "insight/trials"


def test_keys_and_pairs_that_are_dealt() -> None:
    stands(NAME, "keys", ["".join(str(dealt(secret, one)) for one in range(40)) for secret in ("a", "b", "")])
    pairs = [pairs_dealt(f"s{versions}", versions, count) for versions in (2, 3, 4, 6) for count in (0, 1, 5, 12, 31)]
    stands(NAME, "pairs", pairs)


@pytest.mark.parametrize("count", [1, 5, 12, 25])
def test_tails_against_the_binomial_law(count: int) -> None:
    for right in range(count + 1):
        for share in (0.5, 0.3, 0.9):
            assert at_least(right, count, share) == pytest.approx(stats.binom.sf(right - 1, count, share), abs=1e-12)
        low, high = wilson_interval(right, count)
        told = stats.binomtest(right, count).proportion_ci(0.95, "wilson")
        assert (low, high) == pytest.approx((told.low, told.high), abs=1e-12)
        found = counted(right, count)
        upper = stats.binomtest(right, count, alternative="less").proportion_ci(0.95, "exact").high
        assert found.heard_at_most == pytest.approx(max(0.0, 2.0 * upper - 1.0), abs=1e-9)


def test_counts() -> None:
    rows = [
        counted(right, count, two_sided=sided)
        for count in (1, 5, 6, 10, 16)
        for right in range(count + 1)
        for sided in (False, True)
    ]
    stands(
        NAME,
        "counted",
        [[one.right, one.trials, one.p_value, one.interval, one.heard_at_most, one.is_shown] for one in rows],
    )
    needed = [
        [
            fewest_right(count),
            fewest_right(count, two_sided=True),
            fewest_right(count, level=0.2),
            fewest_right(count, level=0.6),
        ]
        for count in range(26)
    ]
    stands(NAME, "needed", needed)
    stands(NAME, "power", [[power(count, share) for share in (0.5, 0.7, 0.95)] for count in range(1, 21)])
    for right, count in ((0, 0), (3, 2), (-1, 4)):
        with pytest.raises(ValueError, match=f"{right} of {count}"):
            wilson_interval(right, count)


def test_the_level_itself_is_shown() -> None:
    """5 of 5 right: 1/32 = 0.03125 one-sided; 4 of 4: 0.0625, not at 5 %; 5 of 5 either way 0.0625, not."""
    assert [counted(5, 5).is_shown, counted(4, 4).is_shown, counted(5, 5, two_sided=True).is_shown] == [
        True,
        False,
        False,
    ]
    assert fewest_right(5) == 5
    assert fewest_right(5, level=1 / 32) == 5
    assert fewest_right(5, level=1 / 32.1) is None
    assert fewest_right(4, level=1.0) == 3


def test_tracks() -> None:
    rows = []
    for number in range(30):
        random = np.random.default_rng([number, 1])
        sizes, right = list[float](), list[bool]()
        for _ in range(45):
            sizes.append(next_size_db(sizes, right))
            right.append(bool(random.random() < (0.5 + 0.5 / (1.0 + np.exp(-(sizes[-1] - 0.4 * number) / 0.7)))))
        rows.append(sizes)
    stands(NAME, "tracks", rows)
    # All right falls to the least, all wrong rises to the most; the answers that have no size yet do not count.
    assert next_size_db([8.0] * 60, [True] * 60) == 0.25
    assert next_size_db([8.0] * 9, [False] * 9) == 12.0
    assert next_size_db([8.0], [False, False, False]) == 10.0
    assert next_size_db([], []) == 8.0


@pytest.mark.parametrize("number", range(4))
def test_thresholds(number: int) -> None:
    random = np.random.default_rng([number, 2])
    truth, spread = random.uniform(0.5, 9.0), random.uniform(0.3, 2.0)
    sizes, right = list[float](), list[bool]()
    for _ in range(20 + 12 * number):
        sizes.append(next_size_db(sizes, right))
        share = 0.5 + 0.48 / (1.0 + np.exp(-(sizes[-1] - truth) / spread))
        right.append(bool(random.random() < share))
    stands(NAME, f"threshold {number}", threshold(sizes, right))


def test_thresholds_of_the_extremes() -> None:
    """All right, all wrong, one answer, none."""
    rows = [threshold([8.0, 6.0, 4.0, 2.0, 1.0] * 4, [one] * 20) for one in (True, False)]
    rows += [threshold([3.0], [True]), threshold([3.0], [False]), threshold([], [])]
    rows += [threshold([3.0] * 30 + [6.0] * 30, [True, False] * 15 + [True] * 30)]
    stands(NAME, "thresholds of extremes", rows)


def wins(versions: int, seed: int, *, each: int = 6, apart: float = 0.6) -> np.ndarray:
    random = np.random.default_rng([seed, versions, 3])
    made = np.zeros((versions, versions))
    for first in range(versions):
        for second in range(first + 1, versions):
            won = random.binomial(each, 1.0 / (1.0 + np.exp(apart * (first - second))))
            made[first, second], made[second, first] = won, each - won
    return made


@pytest.mark.parametrize("versions", [2, 3, 4, 6])
def test_preferences(versions: int) -> None:
    rows: list[Any] = []
    for seed in range(6):
        found = preference(wins(versions, seed, each=4 + 4 * (seed % 3), apart=0.4 * seed))
        told = [found.chance(first, second) for first, second in ((0, 1), (1, 0), (0, versions - 1))]
        rows.append(
            [
                found.worth,
                found.u,
                found.covariance,
                found.p_alike,
                found.p_fit,
                found.circular,
                found.is_shown,
                found.is_helped,
                told,
            ]
        )
    stands(NAME, f"preferences of {versions}", rows)


def test_preferences_that_split_or_are_not_whole() -> None:
    one = np.array([[5.0, 4.0, 4.0], [0.0, 7.0, 2.0], [0.0, 2.0, 9.0]])
    ring = np.array([[0.0, 3.0, 0.0], [0.0, 0.0, 3.0], [3.0, 0.0, 0.0]])
    tied = np.array([[0.0, 3.0, 1.0], [3.0, 0.0, 3.0], [3.0, 1.0, 0.0]])
    four = np.array([[0, 3, 0, 3], [1, 0, 4, 2], [4, 0, 0, 4], [1, 2, 0, 0.0]])
    rows = [[found.worth, found.p_fit, found.circular, found.is_helped, found.wins]
            for found in map(preference, (one, ring, tied, four))]  # fmt: skip
    stands(NAME, "split", rows)
    for broken in (np.zeros((3, 3)), np.array([[0.0, 1.0, 0.0], [1.0, 0.0, 1.0], [0.0, 0.0, 0.0]])):
        with pytest.raises(ValueError, match="every pair"):
            preference(broken)


def test_circles() -> None:
    """By hand: one ring each way round, a tie breaks it; of five, those that were counted by all triples."""
    ring = np.array([[0.0, 2.0, 1.0], [1.0, 0.0, 2.0], [2.0, 1.0, 0.0]])
    assert circular_triads(ring) == circular_triads(ring.T) == 1
    assert circular_triads(np.where(ring == 2.0, 1.0, ring)) == 0
    broken = ring.copy()
    broken[2, 0] = 1.0
    assert circular_triads(broken) == 0
    random = np.random.default_rng(4)
    counts = [circular_triads(random.integers(0, 4, (6, 6)).astype(float)) for _ in range(30)]
    stands(NAME, "circles", counts)
    stands(NAME, "wins", wins_of([(0, 1), (1, 0), (2, 0), (0, 2), (1, 2)], [1, 1, 2, 0, 2], 3))


def plan(
    kind: str, answers: str, *, planned: int = 24, versions: int = 2, seed: int = 0, **more: Any
) -> dict[str, Any]:
    made = {
        "kind": kind,
        "secret": f"secret {seed}",
        "answers": list(answers),
        "planned": planned,
        "center_hz": 1500.0,
        "q": 4.0,
        "words": [f"version {one}" for one in range(versions)],
        "sound": "pink noise",
        "is_peak": True,
    }
    return {**made, **more}


def test_outcomes_of_pairs() -> None:
    rows = []
    for kind in ("abx", "prefer"):
        for count in (0, 1, 8, 12, 16):
            for right in sorted({0, count // 2, count * 3 // 4, count - 1, count} - {-1}):
                key = ["AB"[dealt("secret 0", trial)] for trial in range(1, count + 1)]
                other = {"A": "B", "B": "A"}
                given = "".join(one if row < right else other[one] for row, one in enumerate(key))
                answers = given if kind == "abx" else "B" * right + "A" * (count - right)
                rows.append(outcome_of(plan(kind, answers, planned=16)))
    rows.append(outcome_of(plan("abx", "A" * 40, planned=40)))
    stands(
        NAME,
        "pairs told",
        [[one.sentence, "".join(one.key), one.counted and one.counted.right, one.center_hz, one.q] for one in rows],
    )


def test_outcomes_of_tracks() -> None:
    rows = []
    for number in range(8):
        random = np.random.default_rng([number, 5])
        sizes, right = list[float](), list[bool]()
        for _ in range(19 if number == 1 else 20 if number == 2 else 30):
            sizes.append(next_size_db(sizes, right))
            right.append(
                bool(
                    random.random()
                    < (0.5 if number == 3 else 1.0 if number == 4 else 0.5 + 0.49 * (sizes[-1] > number))
                )
            )
        more: dict[str, Any] = {
            "sizes_db": sizes,
            "sound": ("pink", "music")[number % 2],
            "is_peak": number % 4 < 2,
            "q": (0.7, 4.0, 22.0)[number % 3],
        }
        rows.append(outcome_of(plan("threshold", "".join("AB"[one] for one in right), planned=30, **more)))
    stands(NAME, "tracks told", [[one.sentence, one.estimate_db, one.threshold, "".join(one.key)] for one in rows])
    told = trials._threshold_words(plan("threshold", "B" * 24, sizes_db=[3.0, 8.0]), rows[0].threshold, None)
    stands(NAME, "a track without an estimate", told)


def test_outcomes_of_several() -> None:
    rows = []
    for number in range(14):
        versions = 3 + number % 2
        random = np.random.default_rng([number, 6])
        planned = 2 * versions * (versions - 1)
        count = (planned, planned - 3, 2, planned, planned)[number % 5]
        pairs = pairs_dealt(f"secret {number}", versions, count)
        answers = "".join(LETTERS[max(pair) if random.random() < 0.3 + 0.06 * number else min(pair)] for pair in pairs)
        rows.append(outcome_of(plan("prefer", answers, planned=planned, versions=versions, seed=number)))
    for number in range(6):
        pairs = pairs_dealt(f"secret {number}", 3, 30)
        beats = {(0, 1): 0, (1, 2): 1, (0, 2): 2}
        answers = "".join(
            LETTERS[beats[(min(pair), max(pair))] if row % (number + 2) else pair[0]] for row, pair in enumerate(pairs)
        )
        rows.append(outcome_of(plan("prefer", answers, planned=30, versions=3, seed=number)))
    stands(
        NAME,
        "several told",
        [[one.sentence, one.preference is None, one.key, len(one.answers), one.counted] for one in rows],
    )


def remark(low_hz: float, high_hz: float, direction: str = "too much", word: str = "warm") -> Remark:
    return Remark(word, Region(low_hz, high_hz), direction, strength="clear")  # type: ignore[arg-type]


def test_records() -> None:
    random = np.random.default_rng(7)
    found = []
    for _ in range(150):
        low = 12.0 * 2.0 ** random.uniform(0.0, 10.5)
        word = random.choice(["warm", "warm", "warm", "wide"])
        verdict = random.choice(["agrees", "contradicts", "no match in the data", "not judged"])
        chance = None if random.random() < 0.2 else float(random.uniform(0.1, 0.6))
        found.append(
            MatchedRemark(
                remark(low, low * 1.5, word=word), verdict, (), "", chance, repeats=None if random.random() < 0.8 else 0
            )
        )
    stands(NAME, "records", [reliability(found), reliability([]), reliability(found[:3])])
    stands(NAME, "judged", [one.judged for one in reliability(found)])


def test_a_region_s_middle_at_the_limit_of_a_band() -> None:
    """40 Hz belongs to the bass, not to the deep bass: a band holds its lower limit."""
    for name, band in trials.BANDS[1:]:
        middle = band.low_hz
        one = MatchedRemark(remark(middle / 2.0, middle * 2.0), "agrees", (), "", 0.25)
        assert [row.band for row in reliability([one]) if row.agrees] == [name, "all"]
    rows = [
        (middle, margin, margin > 0.3)
        for middle in (9.0, 10.0, 39.0, 40.0, 2000.0, 40_000.0, 5e4)
        for margin in (-0.5, -1e-9, 0.0, 1e-9, 0.5)
    ]
    stands(NAME, "noticed", noticed(rows))


def test_agreement() -> None:
    rows: list[Any] = []
    for number in range(8):
        random = np.random.default_rng([number, 8])
        said = {}
        for listener in ("Ann", "Ben", "Cleo")[: 2 + number % 2]:
            made = []
            for _ in range(random.integers(2, 7)):
                low = 12.0 * 2.0 ** random.uniform(0.0, 10.5)
                way = random.choice(["too much", "too little", "uneven", "even", "sharp"]) if number > 3 else "too much"
                made.append(remark(low, low * 1.6, way, word=random.choice(["warm", "wide", "full", "thin"])))
            said[listener] = made
        if number in (2, 3):
            said["Ben"] = list(said["Ann"])
        found = agreement(said)
        rows.append([found, agreement_in_words(found)])
    stands(NAME, "agreement", rows)
    alone = (
        agreement({"Ann": [remark(100.0, 200.0)]}),
        agreement({"Ann": [remark(100.0, 200.0)], "Ben": [remark(99.0, 200.0, word="wide")]}),
    )
    stands(NAME, "no agreement", [alone, [agreement_in_words(one) for one in alone]])
    assert len(said["Ann"]) > 1


def test_what_was_said_of_a_region_twice() -> None:
    rows = [
        trials._coded([remark(100.0, 200.0, one), remark(110.0, 220.0, two), remark(3000.0, 5000.0, three)])
        for one in ("too much", "too little", "uneven", "even")
        for two in ("too much", "even")
        for three in ("sharp", "hollow")
    ]
    stands(NAME, "coded", rows)
    edges = [
        trials._coded([remark(middle / 2.0, middle * 2.0)]) for middle in (10.0, 9.9, 40.0, 39.9, 40_000.0, 39_999.0)
    ]
    stands(NAME, "coded at limits", edges)


def test_kappa_against_the_formula() -> None:
    """Fleiss 1971, written out; 1 where all gave one code throughout."""
    random = np.random.default_rng(9)
    for raters in (2, 3, 5):
        codes = random.integers(0, 6, (raters, 8))
        table = np.array([[(codes[:, subject] == code).sum() for code in range(6)] for subject in range(8)])
        agreed = ((table * (table - 1)).sum(axis=1) / (raters * (raters - 1))).mean()
        chance = ((table.sum(axis=0) / table.sum()) ** 2).sum()
        assert fleiss_kappa(codes[None])[0] == pytest.approx((agreed - chance) / (1.0 - chance))
    assert fleiss_kappa(np.full((1, 2, 4), 3))[0] == 1.0
    assert fleiss_kappa(np.array([[[1, 1, 2], [1, 1, 2]], [[1, 2, 2], [1, 1, 1]]]))[0] == pytest.approx(1.0)


def test_agreement_words_at_the_level() -> None:
    """Beyond chance under 5 %, and only where it is agreement, not its contrary."""
    rows = [
        agreement_in_words(trials.Agreement(names, kappa, p_value, 5, ()))
        for names in (("Ann", "Ben"), ("Ann", "Ben", "Cleo"))
        for kappa in (-0.2, 0.0, 0.05, 0.3)
        for p_value in (0.0009, 0.001, 0.0011, 0.049, 0.05, 0.051)
    ]
    stands(NAME, "agreement words", rows)


def test_words_of_p_values() -> None:
    rows = []
    for p_value in (0.0009, 0.001, 0.0011, 0.05, 0.4):
        for right in (4, 8, 12):
            tally = trials.Counted(right, 16, p_value, (0.1, 0.5), 0.33, is_shown=p_value <= 0.05)
            rows += [
                trials._tally_words(plan(kind, "", planned=planned), tally)
                for kind in ("abx", "prefer")
                for planned in (16, 17)
            ]
    stands(NAME, "tally words", rows)
    assert tried(lambda: trials._tally_words(plan("abx", ""), None)) == "Broken off before any answer."
    found = preference(wins(3, 1))
    import dataclasses

    told = [
        trials._ranked_words(
            plan("prefer", "A" * 12, planned=planned, versions=3),
            dataclasses.replace(found, p_fit=p_fit, circular=circular, is_shown=shown),
        )
        for planned in (12, 13)
        for p_fit in (None, 0.049, 0.05, 0.2)
        for circular in (0, 2)
        for shown in (False, True)
    ]
    stands(NAME, "ranked words", told)
