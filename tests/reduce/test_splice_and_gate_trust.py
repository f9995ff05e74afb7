"""Places, windows and sentences of gate and splice that the tests of values let live as mutants; closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from made_session import Made, facts

from earwitness.errors import InputError
from earwitness.quantities import report_axis
from earwitness.reduce.gate import gate_of, lead_for, weights_of
from earwitness.reduce.splice import LevelPrior, SpliceResult, splice

HZ = report_axis().hz


def joined(far: np.ndarray, near: np.ndarray, low: float, high: float) -> SpliceResult:
    far, near = np.atleast_2d(far).astype(complex), np.atleast_2d(near).astype(complex)
    unknown = LevelPrior(0.0, np.full(HZ.size, 100.0), np.full(HZ.size, 0.1), known=False, may_turn=True)
    found = splice(HZ, far, near, low, high, np.full(far.shape, 0.1), np.full(HZ.shape, 0.3), 0, unknown)
    assert isinstance(found, SpliceResult), found
    return found


def rippled(inside: np.ndarray) -> np.ndarray:
    """(F,) factor that goes up and down by 1 dB from point to point where `inside`."""
    return 10 ** (np.where(inside, np.where(np.arange(HZ.size) % 2, 1.0, -1.0), 0.0) / 20)


@pytest.mark.parametrize(("clean_low", "clean_high"), [(200.0, 400.0), (400.0, 800.0), (250.0, 500.0)])
def test_the_blend_lies_where_both_agree_and_is_as_wide_as_that(clean_low: float, clean_high: float) -> None:
    """An octave of agreement inside two octaves: found to a twelfth of an octave, the step of the search."""
    octaves = np.log2(HZ / clean_low)
    clean = (octaves > -1e-3) & (octaves < np.log2(clean_high / clean_low) + 1e-3)
    near = rippled(~clean)
    report = joined(np.ones(HZ.size), near, 200.0, 800.0).report
    assert abs(np.log2(report.low_hz / clean_low)) < 1 / 12
    assert abs(np.log2(report.high_hz / clean_high)) < 1 / 12
    assert report.spread_db < 0.2


def test_the_blend_is_an_octave_at_most_and_never_outside_what_both_hold() -> None:
    whole = joined(np.ones(HZ.size), np.ones(HZ.size), 200.0, 800.0).report
    assert np.log2(whole.high_hz / whole.low_hz) == pytest.approx(1.0)
    narrow = joined(np.ones(HZ.size), np.ones(HZ.size), 300.0, 300.0 * 2**0.4).report
    assert narrow.low_hz >= 300.0 * 0.999
    assert narrow.high_hz <= 300.0 * 2**0.4 * 1.001
    assert np.log2(narrow.high_hz / narrow.low_hz) >= 1 / 3 - 1e-9


def test_a_slope_between_the_two_is_told_apart_from_scatter() -> None:
    """1.5 dB an octave is a slope and no scatter; the gain is that of the blend's middle."""
    found = joined(10 ** (1.5 * np.log2(HZ / 400.0) / 20), np.ones(HZ.size), 200.0, 800.0).report
    middle = np.log2(np.sqrt(found.low_hz * found.high_hz) / 400.0)
    assert found.slope_db_per_octave == pytest.approx(1.5, abs=1e-6)
    assert found.spread_db == pytest.approx(0.0, abs=1e-6)
    assert found.gain_db == pytest.approx(1.5 * middle, abs=0.02)


def test_directions_are_joined_each_for_itself() -> None:
    """What one direction is does not depend on its neighbors: the same rows alone and together, in any order."""
    turn = np.exp(-2j * np.pi * HZ * np.array([[0.0], [2e-4], [-3e-4]]))
    far = turn * np.array([[1.0], [0.97], [1.02]])
    near = np.ones((3, HZ.size)) * np.exp(-2j * np.pi * HZ * 1e-4)
    together = joined(far, near, 200.0, 800.0)
    for row in (1, 2):
        alone = joined(far[[0, row]], near[[0, row]], 200.0, 800.0)
        assert np.allclose(together.pressure[row], alone.pressure[1], rtol=1e-12, atol=0)


def test_a_rematch_of_level_fades_out_two_octaves_below_the_blend() -> None:
    """0.4 dB of its own for a direction in the blend, half of it an octave below, none from two octaves below on."""
    far = np.ones((2, HZ.size)) * 10 ** (np.array([[0.0], [0.4]]) / 20)
    found = joined(far, np.ones((2, HZ.size)), 200.0, 800.0)
    own_db = 20 * np.log10(np.abs(found.pressure[1] / found.pressure[0]))
    low = found.report.low_hz
    for octaves, expected in ((0.0, 0.4), (1.0, 0.2), (2.0, 0.0)):
        at = int(np.argmin(np.abs(HZ - low * 2.0**-octaves)))
        assert own_db[at] == pytest.approx(expected, abs=0.01), octaves


def test_the_gate_falls_and_rises_as_a_raised_cosine() -> None:
    """Half in the middle of the taper and in the middle of the half-millisecond rise (Hann, handbook)."""
    made = replace(Made(), environment={"anechoic": True})
    gate = gate_of(facts(made), 343.0, anechoic_window_s=0.2, fall_share=0.4)
    assert gate.taper_s == pytest.approx(0.08)
    middle_of_fall, middle_of_rise = gate.end_s - gate.taper_s / 2, gate.start_s + 0.25e-3
    assert weights_of(gate, np.array([middle_of_fall, middle_of_rise])) == pytest.approx([0.5, 0.5], abs=1e-6)
    assert weights_of(gate, np.array([0.8 * middle_of_fall]), share=0.8) == pytest.approx([0.5], abs=1e-6)
    assert gate.source == "anechoic"


def test_a_gate_that_the_tester_states_says_so() -> None:
    gate = gate_of(facts(Made()), 343.0, anechoic_window_s=0.2, fall_share=0.4, length_s=5e-3)
    assert (gate.end_s, gate.source) == (5e-3, "stated by the tester")
    assert gate.lowest_valid_hz == pytest.approx(240.0)


def test_the_lead_is_the_farthest_drivers_way() -> None:
    told = facts(Made())
    driver = told.loudspeaker.drivers[0].model_copy(update={"position_m": (0.0, 0.0, -0.343)})
    one = told.model_copy(update={"loudspeaker": told.loudspeaker.model_copy(update={"drivers": (driver,)})})
    assert lead_for(one, 343.0) == pytest.approx(0.7e-3 + 1e-3)


@pytest.mark.parametrize("environment", [{}, {"first_reflection_ms": 0.6}])
def test_a_refused_gate_tells_where_and_what_to_do(environment: dict[str, float]) -> None:
    session = facts(replace(Made(), environment=environment))
    with pytest.raises(InputError) as refused:
        gate_of(session, 343.0, anechoic_window_s=0.2, fall_share=0.4)
    assert refused.value.where == "session.toml, [environment]"
    assert refused.value.expected
    assert refused.value.remedy


@pytest.mark.parametrize("turn_deg", [-150.0, -60.0, 60.0, 150.0])
def test_a_phase_difference_makes_no_dip_and_is_crossed_the_short_way(turn_deg: float) -> None:
    """Equal levels, phases apart by a constant that no delay takes away: the level stays, the phase passes from one to
    the other without leaving the arc between them."""
    far = np.ones((2, HZ.size), dtype=complex)
    near = far * np.exp(1j * np.radians([[0.0], [turn_deg]]))
    found = joined(far, near, 200.0, 800.0)
    assert np.abs(found.pressure) == pytest.approx(np.ones((2, HZ.size)), abs=1e-9)
    steps = np.angle(found.pressure[1, 1:] / found.pressure[1, :-1], deg=True)
    assert np.abs(steps).max() < 15.0
    assert np.angle(found.pressure[1, HZ > 810.0]) == pytest.approx(0.0, abs=1e-9)
