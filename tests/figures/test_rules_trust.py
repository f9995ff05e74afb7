"""Constants of rules, caps and degrees of freedom of figures, held from outside."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from earwitness.figures.bandwidth import lower_limit
from earwitness.figures.maps import OrbitLevels, first_fall
from earwitness.figures.read import read_response
from earwitness.figures.time_domain import decay_curves, excess_group_delay
from earwitness.figures.windows import window_weights
from earwitness.quantities import (
    Cause,
    Curve,
    DirectionalResponse,
    DirectivityMap,
    Gate,
    Measurement,
    cta_orbits,
    from_orbit,
    log_axis,
    report_axis,
)

HZ = report_axis().hz


def with_dip(octaves: float) -> Curve:
    """90 dB from 20 Hz on with a rectangular hole of 20 dB, so many octaves wide, at 120 Hz; falling below 30 Hz."""
    axis = log_axis(15.0, 1200.0, 960)
    place = np.log2(axis.hz / 120.0)
    level = 90.0 - 20.0 * (np.abs(place) < octaves / 2) - np.maximum(24.0 * np.log2(30.0 / axis.hz), 0.0)
    flat = np.ones(axis.hz.size)
    return Curve("on_axis", "on axis", axis, level, 0.1 * flat, 0.1 * flat, flat > 0, "dB", "dB")


@pytest.mark.parametrize(("octaves", "passed_over"), [(0.100, True), (0.107, True), (0.116, False), (0.125, False)])
def test_a_dip_is_passed_over_without_a_word_up_to_a_ninth_of_an_octave(octaves: float, passed_over: bool) -> None:
    """IEC 60268-5, effective frequency range: narrower than 1/9 octave at the limit (as paraphrased elsewhere)."""
    found = lower_limit(with_dip(octaves), 90.0, 10.0, key="f10")
    assert found.value is not None
    assert found.value < 40.0
    assert (not any("dip" in caveat for caveat in found.caveats)) == passed_over


def test_no_angle_is_less_sure_than_lying_anywhere() -> None:
    """Known only to lie from 0 to 180 degrees: 180 / sqrt(12), the rectangular law's (JCGM 100:2008)."""
    angle = np.arange(0.0, 181.0, 10.0)
    axis = log_axis(1000.0, 2000.0, 3)
    level = np.broadcast_to((-0.5 * angle / 10.0)[:, None], (angle.size, len(axis)))
    known = DirectivityMap("horizontal", axis, angle, level, np.full(level.shape, True), "dB")
    found = first_fall(OrbitLevels(known, np.full(level.shape, 5.0), ()), 1.0, 6.0)
    assert found.u_deg == pytest.approx(np.full(len(axis), stats.uniform(0.0, 180.0).std()))


def test_the_sound_power_counts_the_axis_by_the_area_of_its_cell() -> None:
    """Weights are areas of the sphere: a cap of 5 degrees over the quarter zones of 5 to 15 degrees that four angles
    share. By default the axis weighs 4 of what the table lists, so that all weights add to the whole sphere; the table
    is rounded to a fiftieth here."""
    weights = window_weights(cta_orbits())["sound_power"]
    assert not isinstance(weights, str)
    vectors = cta_orbits().unit_vectors()
    axis, ten = int(np.argmax(vectors[:, 0])), np.isclose(vectors[:, 0], np.cos(np.radians(10.0)))
    cap = 2 * np.pi * (1 - np.cos(np.radians(5.0)))
    zone = 2 * np.pi * (np.cos(np.radians(5.0)) - np.cos(np.radians(15.0))) / 4
    assert ten.sum() == 4
    assert weights[axis] / weights[ten] == pytest.approx(np.full(4, cap / zone), rel=0.03)


def measured(pressure: np.ndarray, impulse: np.ndarray, *, end_s: float = 0.02, taper_s: float = 0.004) -> Measurement:
    shape = (1, HZ.size)
    good = np.full(shape, True)
    field = DirectionalResponse(
        report_axis(), from_orbit("horizontal", [0.0]), pressure[None], np.zeros(shape), np.zeros(HZ.size), good
    )
    gate = Gate(-0.001, end_s, taper_s, None, "anechoic", 20.0)
    return Measurement(field, 60 * np.ones(shape), gate, None, (), (), None, 48_000.0, impulse, 0.001, (), (), (), ())


def test_the_delay_is_as_sure_as_a_regression_says() -> None:
    """Slope of phase over a sixth of an octave to each side: its standard error as scipy.stats.linregress has it."""
    phase = np.random.default_rng(8).normal(0.0, 0.01, HZ.size)
    found = excess_group_delay(measured(np.exp(1j * phase), np.zeros(0)))
    assert found is not None
    for hz in (200.0, 1000.0, 4000.0):
        middle = int(np.argmin(np.abs(HZ - hz)))
        rows = np.flatnonzero(np.abs(np.log2(HZ / HZ[middle])) <= 1 / 6 + 1e-6)
        line = stats.linregress(2 * np.pi * HZ[rows], phase[rows])
        assert found.u[middle] == pytest.approx(1000.0 * line.stderr, rel=1e-6)


def test_a_decay_is_told_where_the_straight_part_of_the_gate_holds_burst_and_periods() -> None:
    """Four periods of burst, half of them before its top, and 2, 4 or 8 after it: (n + 2) / f fit the straight part.

    A click at the start of a gate of 20 ms with 4 ms of taper: 2 periods from 250 Hz on, 4 from 375, 8 from 625 Hz.
    """
    click = np.zeros(48 + 960)
    click[48] = 1.0
    found = decay_curves(measured(np.ones(HZ.size, dtype=complex), click))
    # Two periods in the whole gate are where the curves begin at all.
    assert found["decay_2"].axis.hz[0] == pytest.approx(2 / 0.02, rel=2 ** (1 / 24) - 1)
    for periods in (2, 4, 8):
        curve = found[f"decay_{periods}"]
        lowest = curve.axis.hz[curve.valid].min()
        assert lowest == pytest.approx((periods + 2) / 0.016, rel=2 ** (1 / 24) - 1)


def test_a_cause_counts_once() -> None:
    """0.3 dB that all directions share and 0.4 dB that only the axis has are 0.5 dB together (JCGM 100:2008)."""
    directions, count = cta_orbits(), HZ.size
    ahead = (directions.unit_vectors()[:, 0] > 1 - 1e-9).astype(float)[:, None]
    causes = (
        Cause(name="microphone", source="made", pull_db=np.full((1, count), 0.3)),
        Cause(name="zero", source="made", pull_db=0.4 * ahead * np.ones(count)),
    )
    shape = (len(directions), count)
    response = DirectionalResponse(
        report_axis(), directions, np.ones(shape), np.zeros(shape), np.zeros(count), np.full(shape, True), causes=causes
    )
    found = read_response(response).curves["on_axis"]
    assert found.u_total == pytest.approx(np.full(count, 0.5))
    assert found.u_common == pytest.approx(np.full(count, 0.3))
