"""Numbers of insight that a round of small changes to the program had left alive, held from outside.

Sources: JCGM 100:2008, 5.1.2, for sums; finite differences for slopes; the definition of decibels.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from earwitness.insight.compare import mean_level
from earwitness.insight.findings.decompose import edge_with_slopes
from earwitness.insight.findings.search import _tilt
from earwitness.insight.findings.sentences import hertz
from earwitness.insight.match.in_room import ListeningRoom
from earwitness.insight.match.plan_room import Layout, _mode_words
from earwitness.insight.match.subwoofer import _costs
from earwitness.insight.mend import report
from earwitness.insight.mend.design import task_of
from earwitness.insight.mend.objective import _rolling_off
from earwitness.insight.mend.task import EqualizerLimits
from earwitness.insight.mend.views import PER_OCTAVE, smooth_errors
from earwitness.insight.mend.yardsticks import roughness
from earwitness.insight.variation import _limits
from earwitness.quantities import Curve, report_axis

HZ = report_axis().hz


def curve(values: np.ndarray, u: np.ndarray) -> Curve:
    none = np.zeros(HZ.size)
    return Curve("on_axis", "on axis", report_axis(), values, u, none, none == 0.0, "dB", "dB")


def test_a_mean_over_two_octaves_is_known_better_by_the_root_of_two() -> None:
    u = np.full(HZ.size, 0.4)
    assert mean_level(curve(np.zeros(HZ.size), u), (500.0, 2000.0))[1] == pytest.approx(0.4 / np.sqrt(2.0), rel=0.01)


def test_slopes_of_an_edge_are_its_derivatives() -> None:
    x, step = np.log2(HZ / 1000.0), 1e-6
    for is_low in (True, False):
        level, slopes = edge_with_slopes(x, -3.0, 1.0, is_low=is_low)
        corner = (edge_with_slopes(x, -3.0 + step, 1.0, is_low=is_low)[0] - level) / step
        order = (edge_with_slopes(x, -3.0, 1.0 + step, is_low=is_low)[0] - level) / step
        assert slopes[:, 0] == pytest.approx(corner, abs=1e-4)
        assert slopes[:, 1] == pytest.approx(order, abs=1e-4)


def test_a_subwoofer_at_a_gain_adds_by_its_amplitude() -> None:
    """1 + 10^(g / 20), and 10^(g / 20) - 1 with turned polarity, without delay."""
    one = np.ones(5, dtype=complex)
    gains = np.array([-6.0, 3.0])
    found = _costs(np.linspace(40.0, 200.0, 5), one, one, np.zeros(1), gains)
    size = 10 ** (gains / 20)
    assert found[0, 0] == pytest.approx(np.abs(20 * np.log10(1 + size)), rel=1e-9)
    assert found[1, 0] == pytest.approx(np.abs(20 * np.log10(np.abs(size - 1))), rel=1e-9)


def test_roughness_is_as_unsure_as_its_derivatives_say() -> None:
    """Rms r of n deviations d: dr / dd = d / (n r); u independent a third of an octave apart, 20 points an octave."""
    octaves = np.log2(HZ / 1000.0)
    found = roughness(curve(2.0 * np.sin(2 * np.pi * octaves), np.full(HZ.size, 0.3)))
    assert found is not None
    rms, u = found
    count = 20.0 * np.log2(100.0)
    assert rms == pytest.approx(2.0 / np.sqrt(2.0), rel=0.05)
    assert u == pytest.approx(0.3 * np.sqrt(20.0 / 3.0 / count), rel=0.02)


def test_deviations_count_from_the_mean_of_the_sensitivity_band() -> None:
    """80 dB from 300 Hz to 3 kHz, 85 below and 78 above it: 5 dB up, 2 dB down, half the range 3.5 dB."""
    hz = report._GRID_HZ
    rows = np.where(hz < 299.0, 85.0, np.where(hz > 3001.0, 78.0, 80.0))[None, None, :]
    found = report._figures(("on_axis",), rows)
    told = [float(found[key][0]) for key in ("linearity_above", "linearity_below", "linearity_half_range")]
    assert told == pytest.approx([5.0, -2.0, 3.5])


def test_smooth_errors_have_unit_variance_and_a_gaussian_correlation() -> None:
    """Correlation over d octaves exp(-d^2 / (2 w^2)), 1,500 draws."""
    found = smooth_errors(np.random.default_rng(4), 201, 0.5, 1500)
    assert np.mean(found**2) == pytest.approx(1.0, rel=0.05)
    for apart in (PER_OCTAVE // 4, PER_OCTAVE // 2, PER_OCTAVE):
        told = float(np.mean(found[:, apart:] * found[:, :-apart]))
        assert told == pytest.approx(np.exp(-((apart / PER_OCTAVE) ** 2) / (2 * 0.5**2)), abs=0.05)


def test_what_a_layout_loses_is_the_difference_to_the_loudest() -> None:
    """-3 dB against 2.5 dB is 5.5 dB less; 0.3 and 0.4 dB in quadrature are 0.5 dB, twice that at 95 %."""
    even = Layout("quarter points", ((1.0, 1.0, 0.2),), 1.0, 2.0, -3.0, (0.1, 0.2, 0.3))
    loud = Layout("corners", ((0.0, 0.0, 0.2),), 2.0, 3.0, 2.5, (0.1, 0.2, 0.4))
    plan: Any = SimpleNamespace(room=None)
    room = ListeningRoom(25.0, 2.4, 0.4)
    told = _mode_words([even, loud], plan, room)
    assert len(told) == 2
    assert "5.5 ± 1.0 dB below the loudest layout (corners)" in told[1]
    planned = Layout("as planned", loud.places_m, 2.0, 3.0, 2.5, (0.1, 0.2, 0.4))
    assert "0.0 ± 1.1 dB below the loudest layout (as planned)" in _mode_words([even, planned], plan, room)[1]


def _range_of(limits: EqualizerLimits) -> dict[str, tuple[float, float]]:
    none = np.zeros(HZ.size)
    problem: Any = SimpleNamespace(
        limits=limits, sample_rate_hz=48_000.0, hz=HZ, judged=HZ > 0.0, wanted_db=none, weight=none + 1.0, cap_db=none,
        barred=np.zeros((0, 3)),
    )  # fmt: skip
    task = task_of(problem)
    ends = np.exp(np.stack([task.low[:, 0], task.high[:, 0]]))
    assert task.weight.sum() == pytest.approx(1.0)
    return {kind: (float(low), float(high)) for kind, (low, high) in zip(("peak", "low", "high"), ends.T, strict=True)}


def test_a_shelf_has_half_of_the_range_or_more_to_act_on() -> None:
    """From 20 to 200 Hz a high shelf begins at the middle, 110 Hz, or above; from 2 to 16 kHz a low one ends at 9 kHz
    or above it, and over the whole range both keep to the side that is theirs."""
    bass = _range_of(EqualizerLimits(range_hz=(20.0, 200.0)))
    assert bass["peak"] == pytest.approx((20.0, 200.0))
    assert bass["high"] == pytest.approx((110.0, 200.0))
    treble = _range_of(EqualizerLimits(range_hz=(2000.0, 16_000.0)))
    assert treble["low"] == pytest.approx((2000.0, 9000.0))
    whole = _range_of(EqualizerLimits(range_hz=(30.0, 18_000.0)))
    assert whole["peak"] == pytest.approx((30.0, 18_000.0))
    assert whole["low"][1] < whole["high"][1]
    assert whole["low"][0] == pytest.approx(30.0)
    assert whole["high"][0] > 30.0


def test_a_roll_off_ends_where_the_window_has_its_level_again() -> None:
    """Bass limit 40 Hz: level reached at 70 Hz, barred below it; at once, half an octave; never, an octave."""
    for reached_hz, top_hz in ((70.0, 70.0), (41.0, 40.0 * 2**0.5), (1e9, 80.0)):
        seen: Any = SimpleNamespace(rolls_off=True, hz=HZ, bass_hz=40.0)
        barred = _rolling_off(seen, np.where(reached_hz <= HZ, 0.5, -2.0))
        assert HZ[barred].max() == pytest.approx(top_hz, rel=0.05)
        assert barred[0.95 * top_hz > HZ].all()
    assert not _rolling_off(SimpleNamespace(rolls_off=False, hz=HZ, bass_hz=40.0), HZ * 0.0 - 2.0).any()  # type: ignore[arg-type]


def test_a_curve_that_is_not_known_over_the_whole_band_has_no_deviations() -> None:
    """ANSI/CTA-2034-A's linearity takes the band whole: a gap in it leaves the figure out, not the rest."""
    flat = np.zeros(HZ.size)
    gap = curve(flat, flat + 0.2)
    valid = np.abs(np.log2(HZ / 1000.0)) > 0.5
    drawn = report.drawn_curves({"on_axis": curve(flat, flat + 0.2), "sound_power": replace(gap, valid=valid)})
    assert drawn.keys == ("on_axis",)


@pytest.mark.parametrize(("units", "repeats", "share"), [(5, 3, 1.0), (8, 2, 3.0)])
def test_limits_of_a_spread_miss_as_often_to_either_side_as_they_say(units: int, repeats: int, share: float) -> None:
    """Variances of means and of repeats as chi squares make them; 95 % limits miss by 2.5 % to each side (binomial of
    1,500 draws: 1.7 to 3.3 %; the method is an approximation, so 1.0 to 4.5 %). share : repeats' variance."""
    between, within, random = units - 1, units * (repeats - 1), np.random.default_rng(6)
    of_means = (1.0 + share) * random.chisquare(between, 1500) / between
    of_repeats = share * random.chisquare(within, 1500) / within
    limits = np.array([_limits(a, b, between, within) for a, b in zip(of_means, of_repeats, strict=True)])
    assert 0.01 < np.mean(limits[:, 0] > 1.0) < 0.045
    assert 0.01 < np.mean(limits[:, 1] < 1.0) < 0.045


@pytest.mark.parametrize(("slope", "u_slope", "said"), [(0.9, 0.1, "Rising"), (-0.9, 0.1, "Falling")])
def test_a_tilt_is_told_by_its_sign_and_only_beyond_its_uncertainty(slope: float, u_slope: float, said: str) -> None:
    """From 100 Hz to 10 kHz, log2(100) octaves; with twice its uncertainty as large as itself it is not told."""
    flat = curve(slope * np.log2(HZ / 1000.0), np.zeros(HZ.size))
    part: Any = SimpleNamespace(hz=HZ, low_corner_hz=None, slope_db_per_octave=slope, u_slope=u_slope)
    [found] = _tilt(part, flat)
    assert found.title.startswith(said)
    assert (found.low_hz, found.high_hz) == pytest.approx((100.0, 10_000.0))
    assert found.size_db == pytest.approx(slope * np.log2(100.0))
    part.u_slope = 0.6
    assert _tilt(part, flat) == []
    part.u_slope, part.slope_db_per_octave = 0.0, 0.01
    assert _tilt(part, flat) == []


def test_a_frequency_in_words_has_two_figures_that_count() -> None:
    """SI prefixes: 1000 Hz is 1 kHz; a word is never farther off than half of its last figure."""
    for hz, said in ((42.4, "42 Hz"), (99.4, "99 Hz"), (243.0, "240 Hz"), (994.0, "990 Hz"), (1000.0, "1 kHz")):
        assert hertz(hz) == said
    assert (hertz(6480.0), hertz(12_400.0)) == ("6.5 kHz", "12 kHz")
