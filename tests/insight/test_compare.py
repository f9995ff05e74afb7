"""Comparison against closed forms: tilts, level steps, quadrature of uncertainties, ranks and frontiers by hand."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from math import hypot, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm, percentileofscore

from earwitness.errors import InputError
from earwitness.insight.compare import (
    Candidate,
    band_differences,
    compare_figure,
    compare_figures,
    difference,
    group_of,
    likeness,
    matched,
    mean_level,
    nearest,
    price_frontier,
    resampled,
    standing,
    tell_apart,
    verdicts,
)
from earwitness.insight.variation import variation
from earwitness.quantities import Cause, Curve, Figure, FrequencyAxis, log_axis

AXIS = log_axis(20.0, 20_000.0, 48)


def curve(values: object, *, u: float = 0.1, common: float = 0.0, key: str = "listening_window") -> Curve:
    size = len(AXIS)
    level = np.broadcast_to(np.asarray(values, dtype=float), (size,))
    every = np.ones(size, dtype=bool)
    return Curve(key, key.replace("_", " "), AXIS, level, np.full(size, u), np.full(size, common), every, "dB", "dB")


def tilt(slope: float) -> np.ndarray:
    return slope * np.log2(AXIS.hz / 1000.0)


def figure(value: float | None, u: float = 0.5, *, key: str = "f6", **more: object) -> Figure:
    if value is None:
        return Figure(key, None, None, "Hz", None, "method", reason="too noisy")
    return Figure(key, value, u, "Hz", None, "method", **more)


def loudspeaker(key: str, *, rating: float = 5.0, price: float | None = 100.0, **more: object) -> Candidate:
    facts: dict[str, object] = {"figures": {"f6": figure(40.0)}, "type": "stand-mount", "date": "2026-01-01"} | more
    figures = {"preference_rating": Figure("preference_rating", rating, 0.1, "", None, "m"), **facts.pop("figures")}
    facts.setdefault("currency", None if price is None else "EUR")
    return Candidate(key=key, title=key.upper(), price=price, figures=figures, **facts)


def test_the_mean_over_log_frequency_of_a_tilt_is_its_value_at_the_middle_of_the_band() -> None:
    """Analytic: a line in log frequency has its mean at the geometric middle."""
    level, _ = mean_level(curve(80.0 + tilt(-1.0)), (500.0, 2000.0))
    assert level == pytest.approx(80.0, abs=0.02)
    assert matched(curve(80.0), (300.0, 3000.0)).values == pytest.approx(np.zeros(len(AXIS)), abs=1e-12)


def test_a_step_of_level_vanishes_by_matching_and_stays_without() -> None:
    one, other = curve(90.0 + tilt(-0.5)), curve(84.0 + tilt(-0.5))
    assert np.abs(difference(one, other).values).max() < 1e-9
    assert difference(one, other, match_hz=None).values == pytest.approx(np.full(len(AXIS), 6.0))


def test_uncertainties_of_a_difference_add_in_quadrature_the_common_ones_too() -> None:
    """JCGM 100 (GUM), 5.1.2: u^2 = u_a^2 + u_b^2 for independent inputs."""
    found = difference(curve(0.0, u=0.3, common=0.4), curve(0.0, u=0.6, common=0.8), match_hz=None)
    assert found.u_total == pytest.approx(np.full(len(AXIS), hypot(0.5, 1.0)))


def test_matching_takes_out_what_calibration_alone_makes_uncertain() -> None:
    found = difference(curve(0.0, u=0.01, common=1.0), curve(0.0, u=0.01, common=1.0))
    assert found.u_total.max() < 0.05


def test_matching_outside_the_valid_band_is_refused() -> None:
    short = Curve("a", "a", AXIS, tilt(0), tilt(0), tilt(0), AXIS.hz > 500, "dB", "dB")
    with pytest.raises(InputError, match="not valid over the whole band"):
        matched(short, (300.0, 3000.0))
    with pytest.raises(InputError, match="is in"):
        difference(curve(0.0), Curve("z", "z", AXIS, tilt(0), tilt(0), tilt(0), AXIS.hz > 0, "ohm", "ohm"))


def test_on_other_frequencies_a_tilt_stays_a_tilt() -> None:
    other = FrequencyAxis(np.geomspace(30.0, 30_000.0, 101))
    found = resampled(curve(tilt(2.0)), other)
    assert found.values[found.valid] == pytest.approx(2.0 * np.log2(other.hz[found.valid] / 1000.0), abs=1e-9)
    assert not found.valid[other.hz > 20_000.0].any()


def test_a_bump_is_found_where_it_lies() -> None:
    bump = np.where((AXIS.hz >= 1000) & (AXIS.hz <= 2000), 2.0, 0.0)
    (found,) = band_differences(difference(curve(bump), curve(0.0), match_hz=None))
    assert (found.low_hz, found.high_hz, found.level_db) == pytest.approx((1000.0, 2000.0, 2.0), rel=1e-6)
    assert found.u_db == pytest.approx(0.1 * sqrt(2))
    assert band_differences(difference(curve(bump), curve(0.0), match_hz=None), shortest_octaves=1.1) == ()


@given(st.floats(-50, 50), st.floats(-50, 50), st.floats(0.01, 5), st.floats(0.01, 5))
@settings(deadline=None, derandomize=True, max_examples=50)
def test_a_figure_is_told_apart_the_same_from_both_sides_and_only_beyond_each(
    a: float, b: float, u_a: float, u_b: float
) -> None:
    one, other = compare_figure(figure(a, u_a), figure(b, u_b)), compare_figure(figure(b, u_b), figure(a, u_a))
    assert one is not None
    assert other is not None
    assert one.is_beyond == other.is_beyond
    assert one.difference == -other.difference
    assert not one.is_beyond or abs(a - b) > 2 * max(u_a, u_b)
    assert one.is_beyond == (abs(a - b) > 2 * hypot(u_a, u_b))


def test_intervals_count_by_the_arms_that_face_each_other() -> None:
    """40 (38 to 45) and 50 (47 to 51): arms 5 and 3, sqrt(34) = 5.83 below 10; away from each other 2 and 1."""
    low, high = figure(40.0, interval=(38.0, 45.0)), figure(50.0, interval=(47.0, 51.0))
    found = compare_figure(low, high)
    assert found is not None
    assert 2 * found.u == pytest.approx(sqrt(34))
    assert found.is_beyond


@pytest.mark.parametrize(
    ("low", "high", "is_beyond"),
    [("", "at least", True), ("at most", "", True), ("", "at most", False), ("at least", "", False)],
)
def test_limits_tell_apart_only_away_from_each_other(low: str, high: str, is_beyond: bool) -> None:
    found = compare_figure(figure(40.0, bound=low), figure(60.0, bound=high))
    assert found is not None
    assert found.is_beyond == is_beyond


def test_what_is_not_judged_or_not_shared_is_not_compared() -> None:
    one = loudspeaker("a", figures={"f6": figure(None), "own": figure(1.0, key="own")})
    assert [p.key for p in compare_figures(one, loudspeaker("b"))] == ["preference_rating"]


@given(st.lists(st.integers(0, 9), min_size=1, max_size=12), st.integers(0, 9))
@settings(deadline=None, derandomize=True, max_examples=50)
def test_percentile_is_scipys_mean_rank_and_rank_counts_the_higher(values: list[int], own: int) -> None:
    """scipy.stats.percentileofscore, kind "mean"."""
    group = [loudspeaker(f"g{i}", figures={"f6": figure(float(v))}) for i, v in enumerate(values)]
    found = standing("f6", loudspeaker("own", figures={"f6": figure(float(own))}), group)
    assert found.percentile == pytest.approx(percentileofscore([*values, own], own, kind="mean"))
    assert found.rank == 1 + sum(v > own for v in values)
    assert found.group == len(values) + 1
    assert found.not_told_apart == sum(abs(v - own) <= 2 * hypot(0.5, 0.5) for v in values)


def test_a_figure_that_was_not_judged_has_no_rank() -> None:
    with pytest.raises(InputError, match="too noisy"):
        standing("f6", loudspeaker("a", figures={"f6": figure(None)}), [])


def test_groups_by_type_price_and_period() -> None:
    every = [
        loudspeaker("a", price=100.0, date="2025-01-01"),
        loudspeaker("b", price=200.0, date="2026-01-01", type="monitor"),
        loudspeaker("c", price=None, date="2026-05-01"),
    ]
    assert [c.key for c in group_of(every, type="stand-mount")] == ["a", "c"]
    assert [c.key for c in group_of(every, price_low=150)] == ["b"]
    assert [c.key for c in group_of(every, date_low="2026-01-01", date_high="2026-02-01")] == ["b"]
    with pytest.raises(InputError, match="several currencies"):
        group_of([*every, loudspeaker("d", currency="USD")], price_low=1)


def test_the_distance_of_a_tilt_is_its_rms_over_the_band() -> None:
    """Analytic: a tilt of s dB/octave over W octaves about its middle m octaves from the matching band's middle has
    the rms s sqrt(W^2/12 + m^2)."""
    one, other = (loudspeaker(k, curves={"listening_window": curve(tilt(s))}) for k, s in (("a", 0.0), ("b", 0.5)))
    found = likeness(one, other)
    assert found is not None
    wide, middle = np.log2(160.0), np.log2(sqrt(100 * 16_000) / sqrt(300 * 3000))
    assert found.distance_db == pytest.approx(0.5 * sqrt(wide**2 / 12 + middle**2), rel=0.01)
    assert found.directivity_db is None


def test_nearest_ranks_by_shape_not_by_level_and_lack_of_data_is_no_nearness() -> None:
    def made(key: str, level: float, slope: float, index: float | None) -> Candidate:
        curves = {"listening_window": curve(level + tilt(slope))}
        if index is not None:
            curves["sound_power_di"] = curve(index, key="sound_power_di")
        return loudspeaker(key, curves=curves)

    own = made("own", 85.0, 0.0, 5.0)
    group = [made("far", 85.0, 1.0, 5.0), made("near", 70.0, 0.1, 5.0), made("wide", 85.0, 0.0, 2.0)]
    found = nearest(own, [own, *group, made("blind", 85.0, 0.0, None)])
    assert [f.key for f in found] == ["near", "far", "wide"]
    assert found[2].directivity_db == pytest.approx(3.0)


def test_the_frontier_by_hand() -> None:
    """(price, rating): 100/4, 200/6, 300/5 is beaten by 200/6, 300/6 costs more for the same, 400/7."""
    offers = (("a", 100.0, 4.0), ("b", 200.0, 6.0), ("c", 300.0, 5.0), ("d", 300.0, 6.0), ("e", 400.0, 7.0))
    every = [loudspeaker(k, price=p, rating=r) for k, p, r in offers]
    found = price_frontier([*every, loudspeaker("f", price=None)])
    assert [o.key for o in found if o.on_frontier] == ["a", "b", "e"]
    assert [o.key for o in found if o.near_frontier] == ["a", "b", "d", "e"]


@given(st.lists(st.tuples(st.integers(1, 9), st.integers(1, 9)), min_size=1, max_size=12))
@settings(deadline=None, derandomize=True, max_examples=50)
def test_the_frontier_is_what_nobody_dominates(offers: list[tuple[int, int]]) -> None:
    """The definition of Pareto: nobody has at least as much for at most the price, and one of them better."""
    found = price_frontier([loudspeaker(f"k{i}", price=float(p), rating=float(r)) for i, (p, r) in enumerate(offers)])
    for one in found:
        dominated = any(p <= one.price and r >= one.value and (p, r) != (one.price, one.value) for p, r in offers)
        assert one.on_frontier == (not dominated)
    edge = [o for o in found if o.on_frontier]
    assert all(a.value <= b.value for a, b in pairwise(edge))


def test_equal_loudspeakers_measured_with_noise_are_not_told_apart_nineteen_times_in_twenty() -> None:
    """Truth by construction: the same 20 figures, drawn anew with their uncertainty for each of 400 pairs."""
    draw = np.random.default_rng(6)

    def measured(key: str) -> Candidate:
        figures = {f"g{i}": figure(float(draw.normal(40.0, 0.5)), key=f"g{i}") for i in range(20)}
        return Candidate(key, key, "monitor", "2026-01-01", figures)

    told = sum(tell_apart(measured("a"), measured("b")).told_apart for _ in range(400))
    # Binomial(400, 0.05): mean 20, standard deviation 4.4.
    assert 20 - 3 * 4.4 < told < 20 + 3 * 4.4


def test_the_factor_for_many_figures_is_bonferronis() -> None:
    """Twenty figures: the quantile of 1 - 0.025 / 20, scipy.stats.norm."""
    limit = norm.ppf(1 - 0.025 / 20) * hypot(0.5, 0.5)

    def made(key: str, shift: float) -> Candidate:
        figures = {f"g{i}": figure(40.0 + shift * (i == 3), key=f"g{i}") for i in range(20)}
        return Candidate(key, key, "monitor", "2026-01-01", figures)

    assert not tell_apart(made("a", 0.0), made("b", 0.999 * limit)).told_apart
    assert tell_apart(made("a", 0.0), made("b", 1.001 * limit)).reasons == ("g3",)


def test_sentences_say_what_cannot_be_told_apart() -> None:
    one, same = (loudspeaker(k, curves={"listening_window": curve(0.0)}) for k in "ab")
    other = loudspeaker("c", figures={"f6": figure(80.0)}, curves={"listening_window": curve(tilt(1.0))})
    found = verdicts([one, same, other])
    assert [(v.first, v.second, v.told_apart) for v in found] == [("a", "b", False), ("a", "c", True), ("b", "c", True)]
    assert "A and B cannot be told apart within the uncertainty by 2 figures" in found[0].sentence
    assert found[1].reasons == ("f6", "listening_window")
    assert "F6 and the shape of the listening window" in found[1].sentence
    nothing = Candidate("x", "X", "monitor", "2026-01-01", {})
    assert "nothing measured in common" in tell_apart(one, nothing).sentence


def microphone(pull_db: np.ndarray, device: str) -> Cause:
    return Cause(name="microphone", source="test", pull_db=pull_db[None, :], device=device)


def shared_curve(pull_db: np.ndarray, device: str, *, own: float = 0.1) -> Curve:
    return replace(curve(0.0, u=own), u_common=np.abs(pull_db), causes=(microphone(pull_db, device),))


def test_one_microphone_s_response_cancels_in_the_difference_of_two_sessions() -> None:
    """JCGM 100, 5.2.2: fully correlated inputs subtract; with another microphone they add in quadrature."""
    pull = 0.5 * np.sin(np.log2(AXIS.hz / 100.0))
    same = difference(shared_curve(pull, "M 1"), shared_curve(pull, "M 1"), match_hz=None)
    assert same.u_total == pytest.approx(np.full(len(AXIS), 0.1 * sqrt(2)))
    other = difference(shared_curve(pull, "M 1"), shared_curve(pull, "M 2"), match_hz=None)
    assert other.u_total == pytest.approx(np.hypot(0.1 * sqrt(2), np.abs(pull) * sqrt(2)))
    unknown = difference(shared_curve(pull, ""), shared_curve(pull, ""), match_hz=None)
    assert unknown.u_total == pytest.approx(other.u_total)


def test_a_level_that_one_microphone_moves_is_gone_by_matching_and_its_shape_stays() -> None:
    flat = matched(shared_curve(np.full(len(AXIS), 0.4), "M 1", own=0.0))
    assert flat.u_total == pytest.approx(np.zeros(len(AXIS)), abs=1e-9)
    leaning = matched(shared_curve(0.1 * tilt(1.0), "M 1", own=0.0))
    middle = float(np.log2(np.sqrt(300.0 * 3000.0) / 1000.0))
    assert leaning.u_total == pytest.approx(np.abs(0.1 * (tilt(1.0) - middle)), abs=2e-3)


def test_a_figure_s_difference_leaves_out_what_one_microphone_moves_in_both() -> None:
    """u^2 = u1^2 + u2^2 - 2 s1 s2: with 0.5 of which 0.4 is shared, sqrt(0.25 + 0.25 - 0.32) = 0.424."""
    shared = (("sensitivity @ M 1", 0.4),)
    pair = compare_figure(figure(50.0, shared=shared), figure(51.0, shared=shared))
    assert pair is not None
    assert pair.u == pytest.approx(sqrt(0.18))
    assert pair.is_beyond
    apart = compare_figure(figure(50.0, shared=shared), figure(51.0, shared=(("sensitivity @ M 2", 0.4),)))
    assert apart is not None
    assert apart.u == pytest.approx(sqrt(0.5))
    assert not apart.is_beyond
    turned = compare_figure(figure(50.0, shared=shared), figure(51.0, shared=(("sensitivity @ M 1", -0.4),)))
    assert turned is not None
    assert turned.u == pytest.approx(sqrt(0.82))


def test_what_is_said_of_other_units_holds_for_units_drawn_anew() -> None:
    # Analytic: two models whose units scatter normally; some units are measured, further ones are drawn.
    random = np.random.default_rng(77)
    wrong = said = 0
    for _ in range(400):
        count, gap = int(random.integers(2, 9)), random.uniform(0.0, 12.0)
        units = [random.normal(middle, 1.0, count) for middle in (gap, 0.0)]
        chosen = []
        for key, row in zip("ab", units, strict=True):
            found = variation([[float(value)] for value in row])
            assert found is not None
            told = {"f6": (found.mean, (found.next_high - found.next_low) / 2.0)}
            figures = {"f6": figure(float(row[-1]), 0.05)}
            chosen.append(Candidate(key, key, "stand-mount", "2026-01-01", figures, next_unit=told))
        sentence = tell_apart(*chosen).sentence
        if "Other units would be told apart too by" in sentence:
            said += 1
            other = random.normal((gap, 0.0), 1.0)
            wrong += bool(np.sign(other[0] - other[1]) != np.sign(units[0].mean() - units[1].mean()))
        elif abs(units[0][-1] - units[1][-1]) > 0.5:
            assert "that may be of these units alone" in sentence
    assert said > 150
    assert wrong <= 0.05 * said


def test_without_several_units_nothing_is_said_of_them() -> None:
    one, other = loudspeaker("a", rating=5.0), loudspeaker("b", rating=9.0)
    assert " units" not in tell_apart(one, other).sentence
