"""Words beyond timbre against figures, and listeners against each other."""

from __future__ import annotations

import numpy as np
import pytest
from listening_worlds import curve, sheet

from earwitness.exhibits.heard import listeners_table
from earwitness.insight.listening.matching import matched
from earwitness.insight.listening.remark import ATTRIBUTES, Region, Remark, heard_words, judge, level_at_1m_db
from earwitness.insight.listening.trials import (
    BANDS,
    Agreement,
    agreement,
    agreement_in_words,
    fleiss_kappa,
    reliability,
)
from earwitness.quantities import Figure, Reading

WHOLE = (20.0, 20_000.0)


def figure(key: str, value: float, u: float, unit: str, bound: str = "") -> Figure:
    return Figure(key, value, u, unit, None, "made by hand", bound=bound)


def said(word: str, *, turned: bool = False) -> Remark:
    one = ATTRIBUTES[word]
    direction = one.direction if not turned else ("too little" if one.is_much else "too much")
    return Remark(word, Region(*WHOLE), direction, "clear")


@pytest.mark.parametrize(
    ("word", "coverage_deg", "verdict"),
    [
        ("wide", 170.0, "agrees"),
        ("wide", 80.0, "contradicts"),
        ("wide", 120.0, "no match in the data"),
        ("wide", 141.0, "no match in the data"),
        ("narrow", 80.0, "agrees"),
        ("narrow", 170.0, "contradicts"),
    ],
)
def test_width_is_held_against_coverage(word: str, coverage_deg: float, verdict: str) -> None:
    """The interval of 2 u = 10 degrees must lie beyond the limit."""
    figures = {"nominal_coverage_horizontal": figure("nominal_coverage_horizontal", coverage_deg, 5.0, "deg")}
    found, why = judge(said(word), figures, 80.0)
    assert found == verdict
    assert f"{coverage_deg:.0f} ± 10°" in why
    opposite = {"agrees": "contradicts", "contradicts": "agrees"}
    assert judge(said(word, turned=True), figures, 80.0)[0] == opposite.get(verdict, verdict)
    assert judge(said(word), {}, 80.0)[0] == "not judged"


def test_where_no_data_speak_the_verdict_says_why() -> None:
    for word in ("deep stage", "flat stage", "focused", "blurred", "buzzing", "hissing by itself"):
        verdict, why = judge(said(word), {}, 80.0)
        assert verdict == "not judged"
        assert len(why) > 30


@pytest.mark.parametrize(
    ("word", "level_db", "values", "verdict"),
    [
        # Peaks of 10 dB over 74 dB are 84 dB: the figure at 86 dB counts.
        ("distorted", 74.0, (5.0, 9.0), "agrees"),
        ("distorted", 74.0, (0.4, 9.0), "contradicts"),
        ("free of distortion", 74.0, (0.4, 9.0), "agrees"),
        # 85 and 10 dB are 95 dB: that at 96 dB counts.
        ("distorted", 85.0, (0.4, 9.0), "agrees"),
        # Louder than anything measured: a small value there clears nobody.
        ("distorted", 95.0, (0.1, 0.2), "no match in the data"),
    ],
)
def test_distortion_counts_at_the_level_that_was_heard(
    word: str, level_db: float, values: tuple[float, float], verdict: str
) -> None:
    figures = {
        f"distortion_at_level@{at}db": figure(f"distortion_at_level@{at}db", value, 0.02 * value, "%")
        for at, value in zip((86, 96), values, strict=True)
    }
    assert judge(said(word), figures, level_db)[0] == verdict


def test_a_bound_clears_and_never_accuses() -> None:
    figures = {"distortion_at_level@86db": figure("distortion_at_level@86db", 6.0, 0.0, "%", "at most")}
    assert judge(said("distorted"), figures, 74.0)[0] == "no match in the data"
    low = {"distortion_at_level@86db": figure("distortion_at_level@86db", 0.6, 0.0, "%", "at most")}
    assert judge(said("distorted"), low, 74.0)[0] == "contradicts"


def test_dynamics_are_held_against_compression() -> None:
    figures = {"compression_at_level@96db": figure("compression_at_level@96db", 2.5, 0.2, "dB")}
    assert judge(said("compressed"), figures, 85.0)[0] == "agrees"
    assert judge(said("dynamic"), figures, 85.0)[0] == "contradicts"


def test_the_level_at_one_meter_is_that_of_each_of_two_in_a_room() -> None:
    """78 dB at 2.5 m: 20 lg 2.5 = 8 dB more at 1 m, and 6 dB less for each of two in a room."""
    assert level_at_1m_db(sheet()) == pytest.approx(78.0 + 7.96 - 6.0, abs=0.01)


def test_such_words_take_no_part_in_the_test_of_regions() -> None:
    flat = Reading({"listening_window": curve(np.zeros(480))}, {}, {}, {}, {})
    plain = sheet(("hard", "too much", (2000.0, 5000.0)))
    more = sheet(
        ("wide", "too much", WHOLE), ("hard", "too much", (2000.0, 5000.0)), ("hard", "too much", (2000.0, 5000.0))
    )
    first, second = matched(plain, flat, []), matched(more, flat, [])
    assert first.test == second.test
    assert [one.verdict for one in second.remarks] == ["not judged", "no match in the data", "no match in the data"]
    # The repeat points at its place among all remarks.
    assert second.remarks[2].repeats == 1
    assert second.remarks[0].sentence == "“wide” (clear): not judged; the horizontal coverage is not known."
    assert reliability(second.remarks)[-1].judged == 1
    assert {"wide", "deep stage", "focused", "compressed", "distorted"} <= set(heard_words())


def test_kappa_is_that_of_fleiss_own_table() -> None:
    """Fleiss 1971 as taught (10 subjects, 14 raters, 5 codes): kappa 0.210, from memory of the worked example."""
    table = np.array([
        [0, 0, 0, 0, 14], [0, 2, 6, 4, 2], [0, 0, 3, 5, 6], [0, 3, 9, 2, 0], [2, 2, 8, 1, 1],
        [7, 7, 0, 0, 0], [3, 2, 6, 3, 0], [2, 5, 3, 2, 2], [6, 5, 2, 1, 0], [0, 2, 2, 3, 7],
    ])  # fmt: skip
    codes = np.array([np.repeat(np.arange(5), row) for row in table]).T
    assert fleiss_kappa(codes[None])[0] == pytest.approx(0.210, abs=0.001)


def remarks(codes: list[int]) -> list[Remark]:
    """+1 too much, -1 too little of each band, 0 nothing."""
    return [
        Remark("x", Region(band.low_hz * 1.01, band.high_hz * 0.99), "too much" if code > 0 else "too little", "clear")
        for code, (_, band) in zip(codes, BANDS, strict=True)
        if code
    ]


def test_listeners_who_say_the_same_agree_and_those_who_guess_do_not() -> None:
    same = [1, 0, -1, 0, 1, 0, -1, 1]
    alike = agreement({"Anna": remarks(same), "Ben": remarks(same)})
    assert isinstance(alike, Agreement)
    assert alike.kappa == pytest.approx(1.0)
    assert alike.p_value < 0.01
    assert "Anna and Ben agree beyond chance: kappa 1.00" in agreement_in_words(alike)
    # Side by side, region by region; a region of which nobody spoke has no row.
    other = agreement({"Anna": remarks(same), "Ben": remarks([1, 0, 0, 0, -1, 0, -1, 0])})
    assert isinstance(other, Agreement)
    table = listeners_table(other)
    assert table is not None
    assert table.columns == ("Region", "Anna", "Ben")
    assert [row[1:] for row in table.rows] == [
        ("too much", "too much"), ("too little", "nothing"), ("too much", "too little"),
        ("too little", "too little"), ("too much", "nothing"),
    ]  # fmt: skip
    assert "kappa" in table.note
    # Panels that guess: about 5 % of them look as if they agreed, and kappa is 0 in the mean.
    random = np.random.default_rng(5)
    panels = [agreement({name: remarks(list(random.integers(-1, 2, 8))) for name in "ABC"}) for _ in range(60)]
    found = [one for one in panels if isinstance(one, Agreement)]
    assert len(found) > 50
    assert abs(np.mean([one.kappa for one in found])) < 0.1
    assert np.mean([one.p_value < 0.05 for one in found]) < 0.15
    assert agreement({"Anna": remarks(same)}) == "one listener alone cannot agree with another"


def test_half_agreement_gives_half_a_kappa() -> None:
    """Panels whose members copy one truth in half of the regions and guess in the rest."""
    random = np.random.default_rng(9)
    kappas = []
    for _ in range(80):
        truth = random.integers(-1, 2, 8)
        rows = {n: remarks(list(np.where(random.random(8) < 0.7, truth, random.integers(-1, 2, 8)))) for n in "AB"}
        one = agreement(rows)
        kappas += [one.kappa] if isinstance(one, Agreement) else []
    # Two copies meet in 0.7 squared of the regions: kappa 0.49 by its definition.
    assert np.mean(kappas) == pytest.approx(0.49, abs=0.1)
