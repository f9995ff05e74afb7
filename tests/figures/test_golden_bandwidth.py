"""Band limits and the preference rating over a population of curves, and the search for limits on short rows of points.

The values in tests/golden/figures/bandwidth.json and rating.json are the program's own (frozen). The coefficients of
the rating are held against those that third parties quote of Olive (2004).
"""

from __future__ import annotations

from dataclasses import replace
from itertools import chain
from typing import Any

import numpy as np
import pytest
from figure_worlds import AXIS, curve_of, loudspeaker, of_figure, off_octaves

from earwitness.figures.bandwidth import (
    NARROW_DIP_OCTAVES,
    _ends,
    _Way,
    crossings,
    dips_before,
    lower_limit,
    lower_limits,
    range_ends,
    upper_limit,
)
from earwitness.figures.rating import (
    _bass_limits,
    band_points_hz,
    narrow_band_deviation,
    narrow_band_deviations,
    preference_rating,
    rating_value,
)
from earwitness.figures.uncertainty import Drawn, alone, exact
from earwitness.quantities import Curve, FrequencyAxis, log_axis
from golden_values import stands

NAME = "figures/bandwidth"


@pytest.mark.parametrize("seed", range(10))
def test_crossings_of_short_rows(seed: int) -> None:
    random = np.random.default_rng([51, seed])
    points = int(random.integers(2, 40))
    x = np.cumsum(random.uniform(0.01, 0.11, points)) * (-1) ** seed
    above = np.cumsum(random.normal(-0.3, 1.5, (60, points)), axis=1) + 2.0
    above[:20] = np.round(above[:20])
    above[:, 0] = np.maximum(above[:, 0], 0.0)
    found, ends = crossings(x, above), range_ends(x, above)
    dips = [dips_before(x, row, float(end)) for row, end in zip(above, ends[0], strict=True)]
    stands(NAME, f"rows {seed}", [found.zero, found.lasting, found.back, ends, [*map(len, dips)], [*chain(*dips)][:4]])


def _stay(width: float, second: float, tail: float, x_first: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """A dip of a width, a stay above of another, a fall, and a last rise so far from the end; edges at 0 exactly."""
    edges = np.cumsum([0.5, width, second, 0.7])
    x = np.concatenate([[0.0], np.sort(np.concatenate([edges - 1e-3, edges + 1e-3])), [edges[-1] + tail]]) + x_first
    return x, np.array([[3.0, 3.0, -3.0, -3.0, 3.0, 3.0, -3.0, -3.0, 3.0, 3.0]])


def test_a_ninth_of_an_octave_is_where_a_dip_begins_to_count() -> None:
    """Widths from a tenth below to a fifth above the stated ninth, downward and upward."""
    told: list[Any] = []
    for sign in (1.0, -1.0):
        for share in np.arange(0.92, 1.2, 0.03):
            w = share * NARROW_DIP_OCTAVES
            for widths in ((w, 0.4, 0.4), (0.3, w, 0.05), (0.3, 0.4, w), (w, w, w), (0.3, w, w)):
                x, above = _stay(*widths)
                ends, places = range_ends(sign * x, above)
                told.append([float(ends[0]), int(places[0]), len(dips_before(sign * x, above[0], float(ends[0])))])
                told[-1].append(int(crossings(sign * x, above).lasting.sum()))
    stands(NAME, "widths", np.array(told))
    assert abs(NARROW_DIP_OCTAVES - 1 / 9) < 1e-12


def test_short_rows_have_no_end() -> None:
    ends, places = range_ends(np.array([2.5]), np.array([[1.0], [2.0]]))
    assert ends.tolist() == [2.5, 2.5]
    assert places.tolist() == [-1, -1]
    assert dips_before(np.array([2.5]), np.array([1.0]), 9.0) == []
    two = np.array([1.0, 2.0])
    stands(NAME, "two points", [range_ends(two, np.array([[1.0, -1.0], [0.0, 0.0], [1.0, 0.0], [0.0, -1.0]]))])
    # A dip that is over just where the range ends is no dip before it.
    x = np.array([0.0, 0.5, 1.0, 1.5, 2.0])
    above = np.array([1.0, -1.0, -1.0, 1.0, 1.0])
    assert [len(dips_before(x, above, 1.25 + more)) for more in (-1.0, 0.0, 0.9e-9, 1.05e-9, 1.2e-9)] == [0, 0, 0, 1, 1]
    assert len(dips_before(-x + 7.0, above, 7.0 - 1.25 - 1e-6)) == 1


def test_the_start_may_miss_the_axis_by_a_billionth() -> None:
    curve = curve_of(np.zeros(len(AXIS)))
    low, high = float(AXIS.hz[0]), float(AXIS.hz[-1])
    told: list[Any] = []
    for is_low in (True, False):
        for start in (low, high, 1000.0):
            for part in (-1.2e-9, -1.05e-9, -0.9e-9, 0.0, 0.9e-9, 1.05e-9, 1.2e-9):
                rows = _Way(start * (1 + part), is_low).rows(curve)
                told.append([-1, -1, 0] if rows is None else [rows[0], rows[-1], rows.size])
    for cut in (np.zeros(len(AXIS), dtype=bool), AXIS.hz != 1000.0, AXIS.hz > 900.0, AXIS.hz < 1100.0):
        for is_low in (True, False):
            rows = _Way(1000.0, is_low).rows(replace(curve, valid=cut))
            told.append([-1, -1, 0] if rows is None else [rows[0], rows[-1], rows.size])
    stands(NAME, "starts", np.array(told))
    assert (_Way(1.0, True).words, _Way(1.0, False).words) == ("down", "up")


@pytest.mark.parametrize("seed", range(12))
def test_limits_of_a_population(seed: int) -> None:
    random = np.random.default_rng([52, seed])
    curve = loudspeaker(random, gaps=(0, 0, 1, 2)[seed % 4], caused=seed % 3 == 0, most_db=(2.0, 9.0)[seed % 2])
    drawn = alone(curve, 60)
    figures = [lower_limit(drawn, 86.0, drop, key=f"f{drop}") for drop in (3, 6, 10)]
    figures += [upper_limit(drawn, 86.0, drop, key=f"u{drop}") for drop in (3, 6, 10)]
    figures += [lower_limit(curve, 86.0, 4.0, key="d"), upper_limit(curve, 84.0, 6.5, key="e")]
    figures += [lower_limit(drawn, drawn.rows[:, 90], 6.0, key="v", start_hz=start) for start in (120.0, 56.0, 2000.0)]
    figures += [upper_limit(drawn, drawn.rows[:, 90], 6.0, key="w", start_hz=start) for start in (120.0, 9000.0, 2e4)]
    figures += [lower_limit(exact(curve), 80.0, 0.0, key="x"), upper_limit(exact(curve), 80.0, 0.0, key="y")]
    limits = [lower_limits(drawn, drawn.rows[:, 90] - drop) for drop in (2.0, 6.0, 20.0, 60.0)]
    told: list[Any] = [one if isinstance(one, str) else [one[0], one[1]] for one in limits]
    stands(NAME, f"limits {seed}", [[of_figure(one) for one in figures], figures[seed].method, told])


def test_how_many_draws_may_not_fall_before_it_is_told() -> None:
    """2.5 % of the draws, in steps of one of 115 (2.6 % is told); and of one draw alone."""
    hz = AXIS.hz
    falling = 86.0 - 20.0 * (hz < 60.0)
    told: list[Any] = []
    for count in range(8):
        rows = np.tile(falling, (116, 1))
        rows[1 : 1 + count] = 86.0
        figure = lower_limit(Drawn(curve_of(falling), rows), 86.0, 6.0, key="f6")
        told.append([figure.caveats, figure.value, figure.u])
    one = Drawn(curve_of(falling), np.array([falling, np.full(hz.size, 86.0)]))
    told.append([lower_limits(one, np.full(2, 80.0))])
    stands(NAME, "draws that do not fall", told)


def test_the_reasons_and_bounds() -> None:
    hz = AXIS.hz
    flat = curve_of(np.full(hz.size, 86.0))
    dip = curve_of(86.0 - 20.0 * (np.abs(np.log2(hz / 90.0)) < 0.2))
    cut = replace(flat, valid=hz > 100.0)
    above = replace(flat, valid=hz > 400.0)
    low = curve_of(np.where(hz < 5000.0, 86.0, 70.0))
    shelf = curve_of(np.where(np.abs(np.log2(hz / 300.0)) < 0.1, 79.99, 86.0))
    told: list[Any] = []
    for one in (flat, dip, cut, above, low, shelf, replace(flat, valid=hz < 5000.0)):
        for start in (300.0, 3000.0):
            told.append(of_figure(lower_limit(exact(one), 86.0, 6.0, key="low", start_hz=start)))
            told.append(of_figure(upper_limit(exact(one), 86.0, 6.0, key="high", start_hz=start)))
    # Exactly at the limit where the search begins is not below it.
    told.append(of_figure(lower_limit(exact(flat), 86.0, 0.0, key="at")))
    told.append(lower_limit(exact(flat), 86.0, 0.0, key="at", start_hz=1234.0).method)
    told.append(upper_limit(exact(flat), 86.5, 2.0, key="at").method)
    found = _ends(exact(dip), np.array([80.0]), _Way(300.0, True))
    told.append([found] if isinstance(found, str) else [found.hz, found.places, found.band_hz, found.dips])
    stands(NAME, "reasons", told)


RATING = "figures/rating"


def test_the_points_of_both_layouts() -> None:
    stands(RATING, "points", [band_points_hz(), band_points_hz("from 100 Hz"), band_points_hz("centered")])


def test_the_rating_is_the_quoted_regression() -> None:
    """12.69 - 2.49 NBD - 2.99 NBD - 4.31 lg LFX + 2.32 SM, as third parties quote it."""
    random = np.random.default_rng(53)
    on, room, bass, straight = random.uniform(0.1, 2.0, (4, 30))
    bass = 100.0 * bass
    wanted = 12.69 - 2.49 * on - 2.99 * room - 4.31 * np.log10(bass) + 2.32 * straight
    assert rating_value(on, room, bass, straight) == pytest.approx(wanted, abs=1e-12)


def test_a_deviation_is_the_mean_of_those_of_the_bands() -> None:
    """By hand: bands of ten points and a last one of three."""
    level = np.random.default_rng(54).normal(80.0, 3.0, (4, 33))
    parts = [level[:, :10], level[:, 10:20], level[:, 20:30], level[:, 30:]]
    wanted = np.mean([np.abs(one - one.mean(axis=1, keepdims=True)).mean(axis=1) for one in parts], axis=0)
    assert narrow_band_deviations(level) == pytest.approx(wanted, abs=1e-12)


def _named(curve: Curve, key: str) -> Curve:
    return replace(curve, key=key, name=key, lineage=(f"step of {key}", "step"))


@pytest.mark.parametrize("seed", range(10))
def test_ratings_of_a_population(seed: int) -> None:
    random = np.random.default_rng([55, seed])
    axis = off_octaves(18.0 if seed % 2 else 35.0, 20_000.0, 24)
    low = random.uniform(30.0, 90.0)
    gaps = (0, 0, 0, 1, 2)[seed % 5]
    keys = ("on_axis", "in_room", "sound_power", "listening_window")
    made = [
        _named(loudspeaker(random, axis, gaps=gaps, caused=seed % 3 == 1, low_hz=low, most_db=2.0), key) for key in keys
    ]
    one, room, power, window = (alone(each, 50) for each in made)
    told: list[Any] = [
        preference_rating(one, room, power, window),
        preference_rating(one, room, power, window, ideal_subwoofer=True),
    ]
    told += [preference_rating(*(exact(each) for each in made))]
    told += [narrow_band_deviation(one), narrow_band_deviation(room, key="k", layout="centered")]
    told += [narrow_band_deviation(exact(made[0]))]
    words = [told[0].method, told[1].method, told[3].method, told[4].method, told[0].lineage]
    bass = [_bass_limits(power, window, ideal_subwoofer=ideal) for ideal in (True, False)]
    stands(RATING, f"loudspeaker {seed}", [[of_figure(each) for each in told], words, bass])


def test_refusals_and_caveats_of_the_rating() -> None:
    axis = log_axis(20.0, 20_000.0, 24)
    hz = axis.hz
    straight = curve_of(80.0 - np.log2(hz / 1000.0) - 30.0 * (hz < 50.0), axis)
    flat = curve_of(np.full(hz.size, 80.0), axis)
    told: list[Any] = []
    for cuts in ((100.0, 1e5), (0.0, 9000.0), (0.0, 11_000.0), (0.0, 15_000.0), (150.0, 1e5), (350.0, 1e5)):
        cut = replace(straight, valid=(hz > cuts[0]) & (hz < cuts[1]))
        for row in range(4):
            four = [exact(cut if row == here else straight) for here in range(4)]
            told.append(of_figure(preference_rating(*four))[1:6])
    told.append(of_figure(preference_rating(exact(straight), exact(flat), exact(straight), exact(straight))))
    told.append(of_figure(preference_rating(exact(straight), exact(straight), exact(flat), exact(straight))))
    quiet = replace(straight, values=straight.values - 20.0)
    told.append(of_figure(preference_rating(exact(straight), exact(straight), exact(quiet), exact(straight))))
    short = curve_of(np.zeros(len(axis)), axis, valid=hz < 11_000.0)
    told += [of_figure(narrow_band_deviation(short)), of_figure(narrow_band_deviation(short, layout="centered"))]
    stands(RATING, "refusals", told)


def test_a_bass_limit_in_the_first_step_is_one() -> None:
    """The fall lies between 300 Hz and the point below it; another curve never falls."""
    falling, flat = (exact(curve_of(np.where(AXIS.hz < low, 60.0, 86.0))) for low in (296.0, 1.0))
    told: list[Any] = [_bass_limits(power, flat, ideal_subwoofer=False) for power in (falling, flat)]
    stands(RATING, "first step", told)


def test_an_axis_of_one_point() -> None:
    one = curve_of(np.array([80.0]), FrequencyAxis(np.array([300.0])))
    stands(NAME, "one point", [of_figure(lower_limit(exact(one), 80.0, 3.0, key="k"))])


def test_no_interval_ends_below_nothing() -> None:
    """Draws that lie far above the measured curve would move its interval below 0."""
    hz = AXIS.hz
    ends = np.geomspace(27.0, 280.0, 41)
    rows = np.array([86.0 - 30.0 * (hz < end) for end in (40.0, *ends)])
    figure = lower_limit(Drawn(curve_of(rows[0]), rows), 86.0, 6.0, key="f6")
    deviation = narrow_band_deviation(alone(curve_of(np.full(hz.size, 80.0), u=0.6), 40))
    assert figure.interval is not None
    assert deviation.interval is not None
    assert (figure.interval[0], deviation.interval[0]) == (0.0, 0.0)
    stands(NAME, "intervals", [of_figure(figure), of_figure(deviation)])


def test_two_points_may_hold_a_dip() -> None:
    assert dips_before(np.array([1.0, 2.0]), np.array([1.0, -1.0]), 5.0) == [(1.5, 2.0)]
