"""Remarks against data whose answer is known by construction."""

from __future__ import annotations

import math

import numpy as np
import pytest
from listening_worlds import AXIS, Found, curve, reading, sheet, step_db
from scipy import stats

from earwitness.insight.listening.matching import (
    Matching,
    chance_in_words,
    deviation,
    matched,
    matched_remarks,
    span_in_words,
    told_of,
)
from earwitness.insight.listening.remark import Region, heard_words, remarks_of
from earwitness.insight.words import VOCABULARY

PEAK = Found(3000.0, 2500.0, 3600.0, 4.0)
DIP = Found(600.0, 500.0, 720.0, -4.0)


def verdicts(result: Matching) -> list[str]:
    return [m.verdict for m in result.remarks]


def test_a_remark_agrees_with_a_peak_contradicts_a_dip_or_has_no_match() -> None:
    said = sheet(
        ("hard", "too much", (2000.0, 5000.0)),
        ("hard", "sharp", (2400.0, 4000.0)),
        ("without presence", "too little", (2000.0, 5000.0)),
        ("hollow", "hollow", (400.0, 1000.0)),
        ("honky", "too much", (500.0, 1000.0)),
        ("boomy", "too much", (60.0, 150.0)),
        ("coarse", "uneven", (2000.0, 4000.0)),
        ("smooth", "even", (2000.0, 4000.0)),
        ("smooth", "even", (6000.0, 12_000.0)),
    )
    result = matched(said, reading(), [PEAK, DIP])
    assert verdicts(result) == [
        *(
            "agrees",
            "agrees",
            "contradicts",
            "agrees",
            "contradicts",
            "no match in the data",
            "agrees",
            "contradicts",
            "agrees",
        )
    ]
    assert result.unheard == ()
    assert result.count("agrees") == 5


def test_findings_nobody_heard_are_listed() -> None:
    said = sheet(("hard", "too much", (2000.0, 5000.0)), ("honky", "too much", (500.0, 1000.0)))
    assert matched(said, reading(), [DIP, PEAK, Found(9000.0, 8000.0, 10_000.0, 5.0)]).unheard == (0, 2)
    assert matched(sheet(), reading(), [DIP, PEAK]).unheard == (0, 1)


def test_sentences_name_the_numbers() -> None:
    said = sheet(("hard", "too much", (2000.0, 5000.0)), ("boomy", "too much", (60.0, 150.0)))
    first, second = matched(said, reading(), [PEAK]).remarks
    assert first.sentence == (
        "“hard” (clear, too much, 2 to 5 kHz): agrees; a peak of +4.0 ± 0.4 dB at 3 kHz (in the source)."
    )
    assert second.sentence.startswith(
        "“boomy” (clear, too much, 60 to 150 Hz): no match in the data; nothing in the region"
    )
    assert span_in_words(200.0, 1250.0) == "200 Hz to 1.25 kHz"


def test_what_does_not_exceed_its_uncertainty_is_no_match() -> None:
    """Coverage factor 2 for 95 %: GUM (JCGM 100:2008), 6.3.3."""
    said = sheet(("hard", "too much", (2000.0, 5000.0)))
    for u_db, verdict in ((1.9, "agrees"), (2.1, "no match in the data")):
        finding = Found(3000.0, 2500.0, 3600.0, 4.0, u_db)
        assert verdicts(matched(said, reading(), [finding])) == [verdict]


def test_the_weightier_of_two_findings_decides_and_the_other_is_named() -> None:
    """Peaks before dips, and broad before narrow, by the project's heuristic."""
    said = sheet(("hard", "too much", (2000.0, 5000.0)))
    dip = Found(4000.0, 3300.0, 4700.0, -5.0)
    result = matched(said, reading(), [dip, PEAK])
    assert verdicts(result) == ["agrees"]
    assert "and of the other sign, a dip of −5.0 ± 0.4 dB at 4 kHz" in result.remarks[0].sentence
    deeper = Found(4000.0, 3300.0, 4700.0, -12.0)
    assert verdicts(matched(said, reading(), [deeper, PEAK])) == ["contradicts"]


def test_what_is_too_small_to_be_heard_leaves_a_region_smooth_but_may_be_its_grain() -> None:
    """3 dB at Q 7 is 0.7 of the project's threshold: a revealing sound may show it, smooth it stays."""
    slight = Found(3000.0, 3000.0 - 210.0, 3000.0 + 220.0, 3.0)
    said = sheet(
        ("smooth", "even", (1000.0, 10_000.0)),
        ("coarse", "uneven", (1000.0, 10_000.0)),
        ("hard", "too much", (2000.0, 5000.0)),
    )
    assert verdicts(matched(said, reading(), [slight])) == ["agrees", "agrees", "agrees"]
    unheard = Found(3000.0, 3000.0 - 210.0, 3000.0 + 220.0, -1.0, 0.1)
    assert verdicts(matched(said, reading(), [unheard])) == ["agrees", "no match in the data", "no match in the data"]


def test_half_of_the_narrower_span_must_be_shared() -> None:
    said = sheet(("hard", "too much", (2000.0, 4000.0)))
    inside, outside = Found(4000.0, 3900.0 / 1.05, 4090.0, 4.0), Found(4000.0, 3950.0, 4200.0, 4.0)
    assert verdicts(matched(said, reading(), [inside])) == ["agrees"]
    assert verdicts(matched(said, reading(), [outside])) == ["no match in the data"]
    assert verdicts(matched(said, reading(), [Found(3900.0, 3900.0, 3900.0, 20.0)])) == ["agrees"]


def test_a_broad_rise_of_the_listening_window_answers_bright_and_dull() -> None:
    """By construction 2 dB more above 3 kHz: the mean inside lies 2 dB above the mean outside."""
    world = reading(curve(step_db(3000.0, 20_000.0, 2.0)))
    region = Region(3000.0, 20_000.0)
    found = deviation(region, world.curves["listening_window"], is_sloped=False)
    assert found is not None
    assert found[0] == pytest.approx(2.0, abs=1e-9)
    assert found[1] == pytest.approx(math.hypot(0.05, 0.05))
    said = sheet(("bright", "too much", (3000.0, 20_000.0)), ("dull", "too little", (3000.0, 20_000.0)))
    result = matched(said, world, [])
    assert verdicts(result) == ["agrees", "contradicts"]
    assert "the listening window lies 2.0 ± 0.1 dB above its mean elsewhere there" in result.remarks[0].sentence
    assert verdicts(matched(said, reading(curve(step_db(3000.0, 20_000.0, 0.9))), [])) == ["no match in the data"] * 2


def test_what_all_curves_share_cancels_but_for_its_change_over_frequency() -> None:
    flat = curve(np.full(len(AXIS), 85.0), u=0.0, u_common=1.0)
    found = deviation(Region(3000.0, 6000.0), flat, is_sloped=False)
    assert found is not None
    assert found[1] == pytest.approx(0.0, abs=1e-12)


def test_an_evenly_falling_in_room_response_tells_nothing() -> None:
    """A straight line over logarithmic frequency has no deviation from itself, whatever its slope."""
    for slope in (-1.5, 0.0, 0.8):
        line = curve(85.0 + slope * np.log2(AXIS.hz / 1000.0), key="in_room")
        for region in (Region(250.0, 600.0), Region(700.0, 1500.0), Region(3000.0, 20_000.0)):
            found = deviation(region, line, is_sloped=True)
            assert found is not None
            assert abs(found[0]) < 1e-9
        assert deviation(Region(10_000.0, 20_000.0), line, is_sloped=True) is None


def test_a_region_that_the_data_do_not_reach_is_not_judged() -> None:
    world = reading(curve(np.full(len(AXIS), 85.0), valid_from_hz=300.0))
    said = sheet(
        ("boomy", "too much", (60.0, 150.0)), ("smooth", "even", (60.0, 150.0)), ("nasal", "too much", (700.0, 1500.0))
    )
    result = matched(said, world, [])
    assert verdicts(result) == ["not judged", "not judged", "no match in the data"]
    assert "the data are not valid there" in result.remarks[0].sentence
    assert result.test is not None
    assert result.test.said == 1


def test_an_end_of_the_range_is_too_little_beyond_it_only() -> None:
    low, high = (
        Found(55.0, 50.0, 60.0, -6.0, 0.3, "band_limit"),
        Found(14_000.0, 13_000.0, 15_000.0, -6.0, 0.3, "band_limit"),
    )
    region = {
        name: Region(*span) for name, span in (("deep", (20.0, 40.0)), ("bass", (60.0, 200.0)), ("air", (10e3, 20e3)))
    }
    assert [e.size_db for e in told_of(region["deep"], reading(), [low, high]).evidence] == [-6.0]
    assert told_of(region["bass"], reading(), [low, high]).evidence == ()
    assert [e.finding for e in told_of(region["air"], reading(), [low, high]).evidence] == [1]


def test_a_tilt_counts_with_its_share_at_the_regions_middle() -> None:
    """8 dB over 8 octaves are 1 dB an octave: 2 octaves above the middle it makes 2 dB, on the other side -2 dB."""
    middle = 1000.0
    tilt = Found(middle, middle / 16, middle * 16, 8.0, 0.4, "tilt")
    above = told_of(Region(2000.0, 8000.0), reading(), [tilt]).evidence
    below = told_of(Region(125.0, 500.0), reading(), [tilt]).evidence
    assert above[0].size_db == pytest.approx(2.0)
    assert below[0].size_db == pytest.approx(-2.0)
    assert above[0].u_db == pytest.approx(0.1)
    assert told_of(Region(700.0, 1400.0), reading(), [tilt]).evidence == ()


def test_smooth_and_coarse_speak_of_single_peaks_not_of_a_shifted_region() -> None:
    shifted = reading(curve(step_db(1000.0, 10_000.0, 3.0)))
    said = sheet(("smooth", "even", (1000.0, 10_000.0)), ("coarse", "uneven", (1000.0, 10_000.0)))
    result = matched(said, shifted, [])
    assert verdicts(result) == ["agrees", "no match in the data"]
    assert result.remarks[0].sentence.endswith("agrees; no single peak or dip there reaches what may be heard.")


def test_a_remark_said_twice_votes_once() -> None:
    said = sheet(
        ("hard", "too much", (2000.0, 5000.0)),
        ("harsh", "too much", (2000.0, 5000.0)),
        ("edgy", "too much", (3000.0, 7000.0)),
        ("dull", "too little", (2000.0, 5000.0)),
    )
    result = matched(said, reading(), [PEAK])
    assert [m.repeats for m in result.remarks] == [None, 0, None, None]
    assert result.test is not None
    assert (result.test.said, result.test.agreed) == (3, 2)


def test_one_remark_agrees_by_chance_as_often_as_regions_would() -> None:
    """Closed form: one remark on a pool of R regions, K of which would agree, has p = K/R."""
    pool = [Region(100.0 * 2.0**k, 200.0 * 2.0**k) for k in range(6)]
    findings = [Found(150.0, 120.0, 180.0, 3.0), Found(2400.0, 2000.0, 2900.0, 3.0)]
    remark = remarks_of(sheet(("full", "too much", (100.0, 200.0))))
    result = matched_remarks(remark, reading(), findings, pool=pool)
    assert result.test is not None
    assert result.test.p_value == pytest.approx(2 / 6)
    assert result.remarks[0].chance == pytest.approx(2 / 6)
    assert "1 of 1 remark agrees with the data; placed at random on 6 regions, 0.3 would" in chance_in_words(
        result.test
    )


def test_without_choice_or_remarks_there_is_no_test_but_a_reason() -> None:
    remark = remarks_of(sheet(("full", "too much", (100.0, 200.0))))
    alone = matched_remarks(remark, reading(), [], pool=[])
    assert alone.test is None
    assert "no other way" in alone.reason
    pair = remarks_of(sheet(("full", "too much", (100.0, 200.0)), ("hard", "too little", (2000.0, 5000.0))))
    two = matched_remarks(pair, reading(), [Found(150.0, 120.0, 180.0, 3.0), PEAK], pool=[]).test
    assert two is not None
    assert (two.agreed, two.p_value) == (1, pytest.approx(1.0))
    assert "no remark" in matched(sheet(), reading(), []).reason


def test_p_values_are_uniform_on_random_notes() -> None:
    """Notes written at random on octaves, against a loudspeaker with peaks and dips; Kolmogorov-Smirnov by scipy.

    Randomized p-values of an exact test are uniform: Lehmann and Romano, Testing Statistical Hypotheses, from memory.
    """
    rng = np.random.default_rng(7)
    pool = [Region(40.0 * 2.0**k, 80.0 * 2.0**k) for k in range(8)]
    findings = [Found(c, c / 1.1, c * 1.1, s) for c, s in ((60.0, 3.0), (220.0, -5.0), (900.0, 4.0), (7000.0, -6.0))]
    world = reading()
    told = []
    for _ in range(400):
        places = rng.permutation(len(pool))[: rng.integers(2, 7)]
        words = [("too much", "too little", "uneven", "even")[rng.integers(4)] for _ in places]
        said = [("x", word, (pool[p].low_hz, pool[p].high_hz)) for word, p in zip(words, places, strict=True)]
        test = matched_remarks(remarks_of(sheet(*said)), world, findings, pool=pool).test
        assert test is not None
        told.append((test.p_above, test.p_value))
    above, at_least = np.array(told).T
    randomized = above + rng.uniform(size=above.size) * (at_least - above)
    assert stats.kstest(randomized, "uniform").pvalue > 0.01
    assert (at_least <= 0.05).mean() <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / above.size)


def test_words_drawn_at_random_do_not_look_gifted() -> None:
    """With the whole vocabulary its regions overlap; p below 0.05 must still come no oftener than in 5 % of sheets."""
    rng = np.random.default_rng(11)
    findings = [Found(c, c / 1.1, c * 1.1, s) for c, s in ((90.0, 3.0), (700.0, -5.0), (3300.0, 4.0), (8500.0, 4.0))]
    p = []
    for _ in range(200):
        drawn = rng.permutation(len(VOCABULARY))[:6]
        said = [
            (VOCABULARY[i].name, VOCABULARY[i].direction, (VOCABULARY[i].low_hz, VOCABULARY[i].high_hz)) for i in drawn
        ]
        test = matched(sheet(*said), reading(), findings).test
        assert test is not None
        p.append(test.p_value)
    assert (np.array(p) <= 0.05).mean() <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / len(p))


def test_a_tester_who_hears_what_is_there_is_told_from_chance() -> None:
    findings = [Found(c, c / 1.15, c * 1.15, s) for c, s in ((90.0, 4.0), (700.0, -8.0), (3300.0, 4.0), (7000.0, 5.0))]
    said = sheet(
        ("boomy", "too much", (60.0, 150.0)),
        ("hollow", "too little", (400.0, 1000.0)),
        ("hard", "too much", (2000.0, 5000.0)),
        ("sibilant", "too much", (5000.0, 9000.0)),
    )
    test = matched(said, reading(), findings).test
    assert test is not None
    assert test.agreed == 4
    assert test.p_value < 0.05


def test_every_word_of_the_vocabulary_can_be_heard() -> None:
    known = heard_words()
    assert {w.name for w in VOCABULARY} <= set(known)
    assert all(10.0 <= w.low_hz < w.high_hz <= 40_000.0 and w.direction for w in known.values())
    assert known["smooth"].direction == "even"
