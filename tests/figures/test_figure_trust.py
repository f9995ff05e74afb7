"""What a figure carries beside its value: uncertainty by the law of propagation (JCGM 100, 5.1.2), name, unit, band.

Written for mutants that the tests of values let live; expected numbers are closed forms, given beside each.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from earwitness.figures.bandwidth import lower_limit, range_ends
from earwitness.figures.load import LOAD_FIGURES, load_figures
from earwitness.figures.rating import band_points_hz, narrow_band_deviation, preference_rating, rating_value
from earwitness.figures.uncertainty import Drawn, alone, draws_of
from earwitness.figures.windows import INDEX_NAMES, NAMES, DirectionalLevels, averaged, windows
from earwitness.quantities import Cause, Curve, Figure, FrequencyAxis, Impedance, cta_orbits, log_axis
from earwitness.quantities.arrays import FloatArray

HZ = 100 * 2.0 ** (np.arange(-80, 154) / 20)
LINEAGE = ("step-1",)


def curve(values: FloatArray, *, u: float = 0.2, hz: FloatArray = HZ, valid: FloatArray | None = None) -> Curve:
    zeros, all_valid = np.zeros_like(hz), np.ones(hz.size, bool)
    axis = FrequencyAxis(hz)
    return Curve(
        "c", "the curve", axis, values, zeros + u, zeros, all_valid if valid is None else valid, "dB", "x", LINEAGE
    )


def sphere(u_db: float = 0.5, **changes: object) -> DirectionalLevels:
    directions, axis = cta_orbits(), FrequencyAxis(np.array([100.0, 1000.0]))
    shape = (len(directions), 2)
    levels = DirectionalLevels(
        axis,
        directions,
        np.zeros(shape),
        np.full(shape, u_db),
        np.full(2, 0.3),
        np.ones(shape, bool),
        "0 dB is here",
        LINEAGE,
    )
    return replace(levels, **changes)  # type: ignore[arg-type]


def test_curves_of_the_windows_say_what_they_are() -> None:
    found = windows(sphere(), rear_wall="3", axis_weight=1.0)
    for key, name in NAMES.items():
        one = found.curves[key]
        assert (one.key, one.name, one.unit, one.reference, one.lineage) == (key, name, "dB", "0 dB is here", LINEAGE)
        assert found.weights[key].sum() == pytest.approx(1.0)
        # On a sphere of equal levels each error moves the mean by its weight.
        assert found.pulls[key][:, 0] == pytest.approx(found.weights[key])
    for key, (name, other) in INDEX_NAMES.items():
        assert (found.curves[key].key, found.curves[key].name) == (key, name)
        assert found.curves[key].reference == f"{NAMES[other]} equal to the listening window"
        union = (found.weights["listening_window"] > 0) | (found.weights[other] > 0)
        assert np.array_equal(found.weights[key] > 0, union)
    assert found.choices["rear_wall"] == "3"
    assert found.choices["axis_weight"] == "1"


def test_independent_errors_go_into_an_index_by_the_difference_of_weights() -> None:
    found = windows(sphere(0.5))
    difference = found.weights["listening_window"] - found.weights["sound_power"]
    expected = 0.5 * float(np.sqrt(np.sum(difference**2)))
    assert found.curves["sound_power_di"].u == pytest.approx([expected, expected])
    listening = 0.5 * float(np.sqrt(np.sum(found.weights["listening_window"] ** 2)))
    assert found.curves["listening_window"].u == pytest.approx([listening, listening])


def test_one_error_of_all_directions_moves_curves_fully_and_no_index() -> None:
    mixing = np.full((len(cta_orbits()), 1), 2.0)
    found = windows(replace(sphere(), u_db=np.full((1, 2), 0.4), mixing=mixing))
    assert found.curves["sound_power"].u == pytest.approx([0.8, 0.8])
    assert found.curves["sound_power_di"].u == pytest.approx([0.0, 0.0], abs=1e-12)


def test_levels_take_their_uncertainty_from_what_is_mixed_into_them() -> None:
    """By hand: sqrt((3 · 0.1)² + (4 · 0.2)²) = 0.8544; 2 · 0.2 = 0.4."""
    directions = cta_orbits()
    mixing = np.zeros((len(directions), 2))
    mixing[0], mixing[1] = (3.0, 4.0), (0.0, 2.0)
    levels = replace(sphere(), u_db=np.array([[0.1, 0.1], [0.2, 0.2]]), mixing=mixing)
    assert levels.u_of_levels_db()[:2, 0] == pytest.approx([0.8544004, 0.4])


def test_a_direction_in_doubt_counts_by_its_own_uncertainty_and_share() -> None:
    """Two directions of equal energy: untrusted is half, over the quarter that is allowed. Of eleven, one with 0.5 dB
    puts (10^0.05 - 1) / 11 = 1.1 % in doubt, one with 3 dB or more its whole eleventh, over the 5 % that is allowed.
    """
    weights = np.zeros(len(cta_orbits()))
    weights[:2] = 0.5
    valid = np.ones((weights.size, 2), bool)
    valid[1, 0] = False
    one, _ = averaged(sphere(valid=valid), weights, key="k", name="n")
    assert one.valid.tolist() == [False, True]
    weights[:11] = 1 / 11
    small, _ = averaged(sphere(valid=valid), weights, key="k", name="n")
    assert small.valid.tolist() == [True, True]
    alone = 0.5 / np.sqrt(11)
    doubt = 10 * np.log10(1 + (10**0.05 - 1) / 11)
    assert small.u == pytest.approx([np.hypot(alone, doubt), alone])
    large, _ = averaged(sphere(3.1, valid=valid), weights, key="k", name="n")
    assert large.valid.tolist() == [False, True]
    known = np.ones((weights.size, 2), bool)
    known[3, 1] = False
    gone, _ = averaged(sphere(known=known), weights, key="k", name="n")
    assert gone.valid.tolist() == [True, False]


def test_narrow_band_deviation_carries_uncertainty_and_names() -> None:
    """A cause that makes every deviation larger by a tenth moves their mean by a tenth; one alike at all none."""
    wavy = np.sin(HZ)
    good = narrow_band_deviation(moved(curve(wavy), 0.1 * wavy, "waves"), key="nbd")
    assert good.u == pytest.approx(0.1 * (good.value or 0.0), rel=0.02)
    level = moved(curve(wavy), np.full_like(HZ, 0.7), "level")
    assert narrow_band_deviation(level).u == pytest.approx(0.0, abs=1e-9)
    gone = narrow_band_deviation(curve(np.sin(HZ), valid=HZ < 5000.0), key="nbd")
    assert gone.value is None
    for one in (good, gone):
        assert (one.key, one.unit, one.lineage) == ("nbd", "dB", LINEAGE)
        assert one.band_hz == pytest.approx((100.0, 100.0 * 2**6.9))
        assert "the curve" in one.method


def test_points_of_the_centered_bands_rise_by_a_twentieth_octave() -> None:
    octaves = np.log2(band_points_hz("centered") / 1000.0)
    assert octaves[0] == pytest.approx(-3.0 - 0.25 + 0.025)
    assert np.diff(octaves) == pytest.approx(np.full(139, 0.05))


def moved(one: Curve, pull: FloatArray, name: str) -> Drawn:
    """A curve off by one cause alone, drawn often enough to know u to 1.5 %."""
    cause = Cause(name=name, source="test", pull_db=pull[None, :])
    return alone(replace(one, u=0.0 * pull, u_common=np.abs(pull), causes=(cause,)), 20_000)


def test_rating_propagates_its_parts() -> None:
    """Partial derivatives by differences of the published formula (JCGM 100, 5.1.3); parts are independent.

    A cause that makes ripples larger moves a narrow-band deviation in proportion, one that lowers all of the sound
    power the bass limit; neither moves a straight line's straightness.
    """
    ripple = np.sin(4 * np.pi * np.log2(HZ / 100))
    on = moved(curve(0.8 * ripple), 0.05 * ripple, "ripple")
    room = curve(-0.9 * np.log2(HZ / 1000), u=0.0)
    power = moved(curve(-10 * np.log10(1 + (50 / HZ) ** 4)), np.full_like(HZ, 0.1), "power")
    still = alone(room, 20_000)
    found = preference_rating(on, still, power, alone(curve(np.zeros_like(HZ), u=0.0), 20_000))
    deviation, bass = narrow_band_deviation(on), lower_limit(power, 0.0, 6.0, key="bass")
    assert deviation.value is not None
    assert bass.value is not None
    assert bass.u is not None
    assert deviation.u == pytest.approx(deviation.value * 0.05 / 0.8, rel=0.02)
    at, step = np.array([deviation.value, 1.0, bass.value]), 1e-5
    terms = []
    for row, u in ((0, deviation.u), (2, bass.u)):
        there = at.copy()
        there[row] += step
        terms.append(float((rating_value(*there, 0.9) - rating_value(*at, 0.9)) / step) * float(u or 0.0))
    assert found.u == pytest.approx(float(np.linalg.norm(terms)), rel=0.02)
    assert (found.key, found.unit, found.lineage) == ("preference_rating", "", LINEAGE)
    assert found.band_hz is not None
    assert found.caveats
    assert "Olive" in found.method


def test_lower_limit_propagates_through_the_slope() -> None:
    """12 dB an octave below 100 Hz: 6 dB down at 100 / sqrt(2) Hz; u_f = f ln 2 u_level / slope."""
    falling = moved(curve(np.minimum(12.0 * np.log2(HZ / 100), 0.0)), np.full_like(HZ, 0.3), "level")
    reference = np.append(0.0, 0.4 * draws_of("reference", 20_000))
    found = lower_limit(falling, reference, 6.0, key="f6")
    hz = 100 / np.sqrt(2)
    assert found.value == pytest.approx(hz)
    assert found.u == pytest.approx(hz * np.log(2) * 0.5 / 12.0, rel=0.02)
    assert (found.key, found.unit, found.lineage, found.band_hz) == ("f6", "Hz", LINEAGE, (HZ[0], 300.0))
    assert "the curve" in found.method
    bound = lower_limit(curve(np.zeros_like(HZ)), 0.0, 6.0, key="f6")
    assert (bound.key, bound.unit, bound.u, bound.bound, bound.lineage) == ("f6", "Hz", 0.0, "at most", LINEAGE)
    assert bound.band_hz == (HZ[0], 300.0)


def test_lower_limit_asks_for_validity_from_its_start_downward_only() -> None:
    hz = 300.0 * 2.0 ** (np.arange(-60, 20) / 20)
    start = 60
    values = np.where(hz < 100.0, -10.0, 0.0)
    assert hz[start] == 300.0
    above, at, below = (np.ones(hz.size, bool) for _ in range(3))
    above[start + 1 :], at[start - 1 : start + 2], below[start - 4 : start] = False, False, False
    assert lower_limit(curve(values, hz=hz, valid=above), 0.0, 6.0, key="f6").is_judged
    assert not lower_limit(curve(values, hz=hz, valid=at), 0.0, 6.0, key="f6").is_judged
    refused = lower_limit(curve(values, hz=hz, valid=below), 0.0, 6.0, key="f6")
    assert (refused.value, refused.key, refused.unit, refused.lineage) == (None, "f6", "Hz", LINEAGE)
    assert not lower_limit(curve(values - 6.001, hz=hz), 0.0, 6.0, key="f6").is_judged
    assert lower_limit(curve(values - 5.999, hz=hz), 0.0, 6.0, key="f6").is_judged


AXIS = log_axis(5.0, 21_000.0, 48)
SENSITIVE = Figure("sensitivity", 84.0, 0.5, "dB", (300.0, 3000.0), "as stated")


def resistor(ohm: FloatArray | float, percent: float = 0.3) -> Impedance:
    values = np.broadcast_to(np.asarray(ohm, dtype=complex), AXIS.hz.shape).copy()
    size = np.abs(values)
    return Impedance(
        AXIS, values, size * percent / 100, np.full(size.shape, 0.2), np.ones(size.shape, bool), lineage=LINEAGE
    )


def test_every_load_figure_says_what_it_is() -> None:
    told = {info.key: info for info in LOAD_FIGURES}
    for found in (load_figures(resistor(7.0), rated_ohm=8.0, sensitivity=SENSITIVE), load_figures(resistor(7.0))):
        for key, figure in found.items():
            assert (figure.key, figure.unit, figure.method) == (key, told[key].unit, told[key].method)
            assert figure.lineage == LINEAGE, key


def test_what_a_resistor_draws() -> None:
    """Ohm's law: 84 dB at 2.83 V, so 90 dB ask for 2.83 V times 10^(6/20); 8 ohm; peaks 12 dB above the rms."""
    found = load_figures(resistor(8.0), sensitivity=SENSITIVE)
    volts, u = 2.83 * 10**0.3, 0.5 * np.log(10) / 20
    for key, value, share in (
        ("drawn_voltage", volts, u),
        ("drawn_power", volts**2 / 8.0, np.hypot(2 * u, 0.003)),
        ("drawn_current", volts / 8.0, np.hypot(u, 0.003)),
        ("drawn_current_peak", volts * 10**0.6 / 8.0, np.hypot(u, 0.003)),
    ):
        assert found[key].value == pytest.approx(value, rel=1e-3), key
        assert found[key].u == pytest.approx(value * share, rel=2e-3), key
        assert "90 dB" in found[key].caveats[0]


@pytest.mark.parametrize(
    ("ohm", "percent", "supported", "interval", "words"),
    [
        (7.0, 0.3, 8.0, None, "rating holds"),
        (6.45, 1.0, 8.0, (6.0, 8.0), "cannot be told"),
        (5.5, 0.3, 6.0, None, "does not hold"),
        (1.0, 0.3, 2.0, None, "does not hold"),
        (1.65, 3.0, 2.0, (0.0, 2.0), "does not hold"),
    ],
)
def test_the_rule_of_80_percent_within_the_uncertainty(
    ohm: float, percent: float, supported: float, interval: tuple[float, float] | None, words: str
) -> None:
    """IEC 60268-5: the lowest magnitude is not below 80 % of the rated impedance (6.4, 4.8, 3.2, 1.6 ohm)."""
    found = load_figures(resistor(ohm, percent), rated_ohm=8.0)
    one, margin = found["rated_impedance_supported"], found["rated_impedance_margin"]
    assert (one.value, one.interval, one.u) == (supported, interval, 0.0)
    assert one.bound == ("at most" if ohm < 1.6 else "")
    assert margin.value == pytest.approx(ohm - 6.4)
    assert margin.u == pytest.approx(ohm * percent / 100, rel=1e-3)
    assert words in margin.caveats[0]
    if interval:
        assert ("less than 2 or 2" if interval[0] == 0.0 else "6 or 8") in one.caveats[0]


def test_a_lower_magnitude_outside_the_rated_band_is_told() -> None:
    hz = AXIS.hz
    told = load_figures(resistor(np.where(hz < 40.0, 4.0, 8.0)), rated_band_hz=(100.0, 10_000.0))["impedance_minimum"]
    assert told.value == pytest.approx(8.0, rel=1e-3)
    assert any("outside the band the impedance falls to 4.00 ohm" in one for one in told.caveats)
    within = load_figures(resistor(np.where(hz < 40.0, 7.96, 8.0)), rated_band_hz=(100.0, 10_000.0))
    assert not any("outside" in one for one in within["impedance_minimum"].caveats)


def test_the_place_of_a_sharp_minimum_is_known_to_the_grid() -> None:
    """A valley of 20 % a step: the frequency is uniform within half the distance of its neighbors, / sqrt(12)."""
    hz = AXIS.hz
    row = int(np.argmin(np.abs(hz - 500.0)))
    found = load_figures(resistor(6.0 * 1.2 ** np.abs(np.arange(hz.size) - row).clip(max=8)))["impedance_minimum_at"]
    assert found.value == pytest.approx(hz[row])
    assert found.u is not None
    assert 0.2 * (hz[row + 1] - hz[row]) < found.u < 1.0 * (hz[row + 1] - hz[row])


def test_a_position_that_was_measured_twice_counts_once() -> None:
    once = cta_orbits()
    twice = once.take(np.append(np.arange(len(once)), 2))
    axis = FrequencyAxis(np.array([100.0]))
    level = np.zeros((len(twice), 1))
    level[2], level[-1] = 3.0, -3.0
    levels = DirectionalLevels(axis, twice, level, np.zeros_like(level), np.zeros(1), np.ones(level.shape, bool), "x")
    found, plain = windows(levels), windows(sphere())
    power = found.weights["sound_power"]
    assert power[2] == pytest.approx(power[-1])
    assert power[2] + power[-1] == pytest.approx(plain.weights["sound_power"][2])
    assert power.sum() == pytest.approx(1.0)


def test_an_index_needs_both_of_its_curves() -> None:
    """The rear is in the sound power, not in the listening window."""
    known = np.ones((len(cta_orbits()), 2), bool)
    known[np.argmin(cta_orbits().unit_vectors()[:, 0]), 1] = False
    found = windows(sphere(known=known)).curves
    assert found["listening_window"].valid.tolist() == [True, True]
    assert found["sound_power"].valid.tolist() == [True, False]
    assert found["sound_power_di"].valid.tolist() == [True, False]


def test_several_curves_fall_each_for_itself() -> None:
    """Falling by 1 a step from 2 and from 0.5, and never; the zero lies on the straight line between two points."""
    x = np.array([3.0, 2.0, 1.0, 0.0])
    above = np.array([[2.0, 1.0, -1.0, -2.0], [0.5, -0.5, -1.0, -2.0], [1.0, 1.0, 1.0, 1.0]])
    found, places = range_ends(x, above)
    assert found.tolist() == [1.5, 2.5, 0.0]
    assert places.tolist() == [1, 0, -1]


def test_the_last_fall_ends_the_range_and_a_curve_that_is_up_at_the_end_has_none() -> None:
    """Down, up, down: the second fall. Down and up again to the end of the data: none."""
    x = np.array([5.0, 4.0, 3.0, 2.0, 1.0, 0.0])
    above = np.array([[1.0, -1.0, 1.0, 1.0, -1.0, -1.0], [1.0, -1.0, -1.0, 1.0, 1.0, 1.0]])
    found, places = range_ends(x, above)
    assert found.tolist() == [1.5, 0.0]
    assert places.tolist() == [3, -1]


def test_the_rating_with_a_subwoofer_leaves_the_bass_out_of_its_uncertainty() -> None:
    flat, room = curve(np.zeros_like(HZ), u=0.0), curve(-0.9 * np.log2(HZ / 1000), u=0.0)
    bass = curve(np.zeros_like(HZ), u=0.5)
    found = preference_rating(flat, room, bass, flat, ideal_subwoofer=True)
    assert found.u == pytest.approx(0.0, abs=1e-9)
    assert found.key == "preference_rating_with_subwoofer"
    assert "subwoofer" in found.method
    assert "subwoofer" not in preference_rating(flat, room, flat, flat).method
    nbd = narrow_band_deviation(room).value
    assert nbd is not None
    assert found.value == pytest.approx(float(rating_value(0.0, nbd, 14.5, 1.0)))
    gone = preference_rating(curve(np.zeros_like(HZ), valid=HZ < 5000.0), room, flat, flat)
    assert (gone.value, gone.key, gone.unit, gone.lineage) == (None, "preference_rating", "", LINEAGE)
    assert "does not cover" in gone.reason
