"""Spread over units, against worked examples, a general-purpose library and drawn families.

Sources: the two sets are worked through in closed form (one-way analysis of variance) and by restricted maximum
likelihood with a general optimizer; factors of Student's t and chi-square from scipy; 5 % tests by 300 draws.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from earwitness.insight.variation import variation

BALANCED = [[86.12, 86.25, 86.19], [86.61, 86.50, 86.58], [85.88, 85.97, 86.02], [86.31, 86.22, 86.37]]
UNBALANCED = [[86.12, 86.25], [86.61, 86.50, 86.58, 86.47], [85.88], [86.31, 86.22, 86.37], [86.05, 86.16]]


def test_the_balanced_set_is_that_of_the_analysis_of_variance() -> None:
    found = variation(BALANCED)
    assert found is not None
    rows = np.array(BALANCED)
    within = rows.var(axis=1, ddof=1).mean()
    between = 3 * rows.mean(axis=1).var(ddof=1)
    assert found.repeat_sd == pytest.approx(np.sqrt(within), rel=1e-5)
    assert found.unit_sd == pytest.approx(np.sqrt((between - within) / 3), rel=1e-5)
    assert (found.repeat_sd, found.unit_sd) == pytest.approx((0.0675, 0.2491), abs=1e-4)
    assert (found.mean, found.u_mean) == pytest.approx((86.2517, 0.1261), abs=1e-4)
    assert (found.low_sd, found.high_sd) == pytest.approx((0.1376, 0.9392), abs=2e-4)


def test_the_unbalanced_set_is_that_of_restricted_maximum_likelihood() -> None:
    found = variation(UNBALANCED)
    assert found is not None
    told = (found.repeat_sd, found.unit_sd, found.mean, found.u_mean)
    assert told == pytest.approx((0.0747, 0.2360, 86.2069, 0.1082), abs=1.5e-4)


def test_one_session_each_is_students_interval_and_chi_square() -> None:
    values = [86.0, 86.4, 85.9]
    found = variation([[one] for one in values])
    assert found is not None
    sd = np.std(values, ddof=1)
    assert found.repeat_sd is None
    assert found.high_sd / sd == pytest.approx(6.2847, abs=1e-4)
    assert found.low_sd / sd == pytest.approx(0.5207, abs=1e-4)
    assert (found.next_high - found.mean) / sd == pytest.approx(4.9683, abs=1e-4)
    assert found.next_low == pytest.approx(stats.t.interval(0.95, 2, np.mean(values), sd * np.sqrt(4 / 3))[0])


def test_one_unit_says_nothing() -> None:
    assert variation([[86.0, 86.1]]) is None
    assert variation([]) is None


def families(count: int, *, unit: float, repeat: float, sizes: tuple[int, ...], seed: int) -> list[list[np.ndarray]]:
    rng = np.random.default_rng(seed)
    return [
        [86.0 + unit * rng.standard_normal() + repeat * rng.standard_normal(n) for n in sizes] for _ in range(count)
    ]


@pytest.mark.parametrize(
    ("unit", "repeat", "sizes"),
    [(0.3, 0.1, (3, 3, 3, 3, 3)), (0.1, 0.2, (3, 3, 3, 3, 3)), (0.3, 0.1, (1, 1, 1, 1)), (0.3, 0.2, (1, 2, 2, 3, 2))],
)
def test_the_spread_lies_inside_its_limits_as_often_as_stated(
    unit: float, repeat: float, sizes: tuple[int, ...]
) -> None:
    truth = unit if max(sizes) > 1 else np.hypot(unit, repeat)
    found = [variation(one) for one in families(300, unit=unit, repeat=repeat, sizes=sizes, seed=5)]
    inside = np.mean([one is not None and one.low_sd <= truth <= one.high_sd for one in found])
    assert 0.90 <= inside <= 0.99


@pytest.mark.parametrize(("repeat", "sizes"), [(0.1, (3, 3, 3, 3, 3)), (0.1, (1, 2, 2, 3, 2)), (0.05, (2, 2, 2))])
def test_the_next_unit_lies_where_it_is_foretold(repeat: float, sizes: tuple[int, ...]) -> None:
    rng = np.random.default_rng(11)
    found = [variation(one) for one in families(400, unit=0.3, repeat=repeat, sizes=sizes, seed=6)]
    news = 86.0 + 0.3 * rng.standard_normal(len(found))
    inside = [one is not None and one.next_low <= new <= one.next_high for one, new in zip(found, news, strict=True)]
    assert 0.90 <= np.mean(inside) <= 0.99


def test_repeats_alone_are_not_told_as_units() -> None:
    found = [variation(one) for one in families(300, unit=0.0, repeat=0.1, sizes=(3, 3, 3, 3), seed=7)]
    assert sum(one is not None and one.is_told for one in found) <= 15
