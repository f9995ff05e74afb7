"""What a result means where a small slip in its formula stayed unseen; each source stands beside its check."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from earwitness.insight.findings.origins import Cabinet, PeakEvidence, _standing
from earwitness.insight.match.in_room import ListeningRoom, _of_set
from earwitness.insight.match.seats import SeatAngle, distance_sentences
from earwitness.insight.mend.task import table
from earwitness.insight.mend.yardsticks import RATING_KEY, worse
from earwitness.insight.variation import WEIGHT, _chart_limits, _size, variation
from earwitness.insight.words import VOCABULARY, overlap


def test_the_next_unit_s_reach_is_that_of_satterthwaite_s_degrees_of_freedom() -> None:
    """Satterthwaite 1946 for (MS between - MS within) / n, from the mean squares of the balanced analysis."""
    rows = np.array([[86.0, 86.6, 86.3], [86.9, 86.2, 86.6], [85.4, 85.9, 85.7], [86.4, 86.0, 86.8]])
    units, n = rows.shape
    within, between = rows.var(axis=1, ddof=1).mean(), n * rows.mean(axis=1).var(ddof=1)
    freedom = (between - within) ** 2 / (between**2 / (units - 1) + within**2 / (units * (n - 1)))
    spread = math.sqrt((between - within) / n + between / (n * units))
    found = variation(rows.tolist())
    assert found is not None
    values = (found.next_high - found.next_low) / 2
    assert values == pytest.approx(stats.t.ppf(0.975, freedom) * spread, rel=1e-4)


def test_the_chart_widens_as_the_sum_of_its_own_weights_says() -> None:
    """Roberts 1959: weights w (1 - w)^i; what they sum to meets the baseline's own error of sd / sqrt(b)."""
    after, baseline = np.array([1, 3, 12]), 5
    weights = [WEIGHT * (1.0 - WEIGHT) ** np.arange(count) for count in after]
    exact = np.sqrt([(one**2).sum() + one.sum() ** 2 / baseline for one in weights])
    limit = _chart_limits(0.1, baseline, after, 1)[0]
    assert limit / limit[0] == pytest.approx(exact / exact[0], rel=1e-9)


@pytest.mark.parametrize("normal", [2.0, 3.0])
def test_with_many_degrees_of_freedom_a_limit_is_that_of_the_normal_law(normal: float) -> None:
    """Student's law goes over into the normal law (handbook)."""
    assert _size(normal, 10**7, 1) == pytest.approx(normal, rel=1e-5)


def test_twice_the_distance_takes_away_six_decibels() -> None:
    """Inverse square law: 20 lg 2 = 6.02 dB."""
    rows = [SeatAngle("left", seat, 1, away, 0.0, 0.0, 0.0) for seat, away in (("sofa", 2.0), ("table", 4.0))]
    assert distance_sentences(rows) == ("left: distance alone makes table 6.0 dB quieter than sofa.",)


def test_a_place_in_the_reverberation_varies_as_the_bandwidth_and_decay_say() -> None:
    """Lubman 1968: relative variance 1 / (1 + B T / 6.91) of band energy; of a 300 Hz to 3 kHz band, far away."""
    u = [_of_set([(-80.0, 0.0)], (0.0, 0.0), ListeningRoom(200.0, 4.0, time), [8.0])[3] for time in (0.5, 2.0)]
    exact = [10.0 / math.log(10.0) / math.sqrt(1.0 + 2700.0 * time / 6.91) for time in (0.5, 2.0)]
    assert u == pytest.approx(exact, rel=0.02)


def test_half_of_a_band_inside_a_region_is_an_overlap_of_a_half() -> None:
    """Octaves as a ratio of frequencies (ISO 266)."""
    one = max(VOCABULARY, key=lambda word: word.high_hz / word.low_hz)
    assert overlap(one, one.low_hz / 2**0.25, one.low_hz * 2**0.25) == pytest.approx(0.5)
    assert overlap(one, one.low_hz / 2**0.3, one.low_hz * 2**0.1) == pytest.approx(0.25)


def test_two_points_are_a_line_and_so_a_target() -> None:
    """Two points define a line (Euclid); the docstring's bound."""
    assert table([(100.0, 0.0), (1000.0, -2.0)]).kind == "table"


def test_only_the_curve_as_measured_is_held_to_the_closer_bound() -> None:
    """The docstring's words: over 0.005 as measured, which is the first row, and over 0.02 else."""
    before, lost = np.full(3, 5.0), np.array([0.01, 0.01, 0.03])
    found = worse({RATING_KEY: before}, {RATING_KEY: before - lost})
    assert found.tolist() == [True, False, True]


def test_sound_stands_in_a_box_at_half_a_wavelength_between_its_walls() -> None:
    """c / (2 L), the first mode between parallel walls (handbook); walls of 20 mm at either end of 0.40 m."""
    evidence = PeakEvidence({}, None, None, None, None, 1.0, 343.0 / 0.72, {})
    found = _standing(343.0 / 0.72, 8.0, evidence, Cabinet(0.2, 0.4, 0.3))
    assert [one.name for one in found] == ["standing wave"]
    assert found[0].facts["length_m"] == pytest.approx(0.36)
    assert found[0].facts["expected_hz"] == pytest.approx(343.0 / 0.72, rel=0.01)
