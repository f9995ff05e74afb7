"""A tester's record: counts by region, with the interval of Wilson as scipy has it."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from earwitness.insight.listening.matching import MatchedRemark, RemarkVerdict, chance
from earwitness.insight.listening.remark import Region, Remark
from earwitness.insight.listening.trials import BANDS, reliability, wilson_interval
from earwitness.insight.words import REGIONS


def remark(
    verdict: RemarkVerdict, low_hz: float, high_hz: float, *, by_chance: float | None = 0.25, repeats: int | None = None
):
    said = Remark("x", Region(low_hz, high_hz), "too much", "clear")
    return MatchedRemark(said, verdict, (), "", by_chance, repeats)


@pytest.mark.parametrize(("successes", "trials"), [(0, 1), (1, 1), (0, 20), (3, 20), (10, 20), (20, 20), (137, 1000)])
def test_the_interval_is_wilsons(successes: int, trials: int) -> None:
    """scipy.stats.binomtest(...).proportion_ci(method="wilson")."""
    low, high = stats.binomtest(successes, trials).proportion_ci(0.95, method="wilson")
    assert wilson_interval(successes, trials) == pytest.approx((low, high), abs=1e-12)


def test_no_trials_have_no_interval() -> None:
    with pytest.raises(ValueError, match="0 of 0"):
        wilson_interval(0, 0)
    with pytest.raises(ValueError, match="3 of 2"):
        wilson_interval(3, 2)


def test_remarks_count_in_the_region_of_their_middle_once_and_only_when_judged() -> None:
    rows = reliability(
        [
            remark("agrees", 60.0, 90.0),
            remark("contradicts", 45.0, 80.0, by_chance=0.75),
            remark("no match in the data", 50.0, 100.0, by_chance=None),
            remark("not judged", 50.0, 100.0),
            remark("agrees", 50.0, 100.0, repeats=0),
            remark("agrees", 2000.0, 4000.0),
        ]
    )
    by_name = {row.band: row for row in rows}
    bass = by_name["the bass"]
    assert (bass.agrees, bass.contradicts, bass.no_match, bass.judged) == (1, 1, 1, 3)
    assert bass.share == pytest.approx(1 / 3)
    assert bass.expected == pytest.approx(0.5)
    assert by_name["the upper midrange"].interval == pytest.approx(wilson_interval(1, 1))
    assert (by_name["all"].agrees, by_name["all"].judged) == (2, 4)
    empty = by_name["the midrange"]
    assert (empty.judged, empty.share, empty.interval, empty.expected) == (0, None, None, None)


def test_the_bands_follow_one_another_and_are_those_of_the_vocabulary() -> None:
    assert [name for name, _ in BANDS] == [name for name, _, _ in REGIONS]
    assert all(one.high_hz == other.low_hz for (_, one), (_, other) in itertools.pairwise(BANDS))


def test_the_examples_of_the_page_about_listening_are_right() -> None:
    """scipy.stats: hypergeom, binomtest (wilson, exact: Clopper and Pearson), binom."""
    page = " ".join((Path(__file__).parents[2] / "docs/listening.md").read_text(encoding="utf-8").split())
    low, high = wilson_interval(7, 9)
    exact = stats.binomtest(7, 9).proportion_ci(0.95, method="exact")
    assert f"7 of 9 gives {100 * low:.0f} to {100 * high:.0f} %" in page
    assert f"here {100 * exact.low:.0f} to {100 * exact.high:.0f} %" in page
    tail = stats.hypergeom(20, 6, 5).sf(3)
    assert f"= {100 * tail:.1f} %" in page
    said = [frozenset({"excess"})] * 5
    ours = chance(4, said, {"excess": np.arange(20) < 6})
    assert ours.p_value == pytest.approx(tail)
    assert f"9 of 10 or better {100 * stats.binom(10, 0.5).sf(8):.1f} %" in page
    assert f"7 of 10 or better {100 * stats.binom(10, 0.5).sf(6):.0f} %" in page
