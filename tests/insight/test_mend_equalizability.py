"""What may be mended: the reference's index, a resonance in every direction against a dip that moves with angle."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from mend_worlds import alike

from earwitness.errors import InputError
from earwitness.figures.windows import Levels, windows
from earwitness.insight.mend.design import Problem, problem_of
from earwitness.insight.mend.equalizability import index, judged, phase_bend_deg, strength
from earwitness.insight.mend.equalizer import Band, Equalizer, gain_db
from earwitness.insight.mend.goal import flat_window
from earwitness.quantities import from_orbit, log_axis, report_axis
from earwitness.quantities.arrays import FloatArray

HZ = log_axis(20.0, 19_000.0, 24).hz


def test_index_of_the_reference() -> None:
    """s12.equalisability_common_mean_std_index and s12.equalisability_local_mean_std_index."""
    assert float(index(-3.915215062, 0.2159186921)) == pytest.approx(0.996967852, abs=1e-9)
    assert float(index(-0.6666666667, 1.725543393)) == pytest.approx(0.1298806721, abs=1e-9)


def test_strength_steps() -> None:
    assert strength([0.0, 0.49, 0.5, 0.79, 0.8, 1.0]).tolist() == [0.0, 0.0, 0.5, 0.5, 1.0, 1.0]


def edge_dips(path_m: float) -> FloatArray:
    """(D, F) level of a source with an inverted reflection of half its size whose extra path grows off the axis.

    Dips at i c / path (textbook two-path interference); off the axis the extra path is path (1 - cos angle / 2).
    """
    levels = alike(np.zeros(len(report_axis())))
    cosine = levels.directions.unit_vectors()[:, 0]
    delay = path_m * (1.5 - cosine / 2) / 343.0
    away = np.abs(np.arccos(np.clip(cosine, -1, 1)))
    size = 0.5 * np.exp(-((away / np.deg2rad(25.0)) ** 2))
    field = 1 - size[:, None] * np.exp(-2j * np.pi * delay[:, None] * levels.axis.hz)
    return 80.0 + 20 * np.log10(np.abs(field))


def test_a_resonance_is_the_source_s_and_an_edge_is_not() -> None:
    """s12.edge_dip_first_freq_Hz: a 0.10 m path dips at 3430 Hz; the resonance sits at 800 Hz in every direction."""
    resonance = gain_db(Equalizer((Band("peaking", 800.0, 4.0, 4.0),)), report_axis().hz)
    levels = replace(alike(resonance), level_db=edge_dips(0.10) + resonance)
    found = judged(levels, HZ, windows(levels).curves["listening_window"])
    assert float(np.interp(800.0, HZ, found.narrow)) > 0.9
    assert float(np.interp(3430.0, HZ, found.narrow)) < 0.5
    dip = int(np.argmin(np.abs(HZ - 3430.0)))
    assert found.narrow_mean_db[dip] < 0.0
    assert found.no_boost[dip]
    assert not found.no_boost[int(np.argmin(np.abs(HZ - 800.0)))]


def test_useful_bass_is_where_the_window_has_fallen_6_db() -> None:
    """C2.10: a second-order Butterworth high-pass at 50 Hz is 6 dB down at 38.05 Hz."""
    hz = report_axis().hz
    levels = alike(-10 * np.log10(1 + (50.0 / hz) ** 4))
    found = judged(levels, HZ, windows(levels).curves["listening_window"])
    assert found.useful_bass_hz == pytest.approx(38.05, rel=0.003)
    assert found.rolls_off
    assert found.no_boost[HZ < 38.0].all()
    assert not found.no_boost[HZ > 39.0].any()


def test_too_few_directions() -> None:
    whole = alike(np.zeros(len(report_axis())))
    few = from_orbit("horizontal", [0.0, 90.0])
    one = Levels(whole.axis, few, whole.level_db[:2], whole.u_db[:2], whole.u_common_db, whole.valid[:2], "dB")
    with pytest.raises(InputError, match="fewer than three directions"):
        judged(one, HZ, windows(whole).curves["on_axis"])


def all_pass_rad(hz: FloatArray, center_hz: float, q: float) -> FloatArray:
    """(F,) phase of a second-order all-pass, handbook: -2 atan((x / q) / (1 - x^2)), unwrapped."""
    x = hz / center_hz
    return -2.0 * np.arctan2(x / q, 1.0 - x**2)


def test_a_delay_does_not_bend_the_phase_and_an_all_pass_does() -> None:
    assert phase_bend_deg(HZ, -2 * np.pi * HZ * 0.0021 + 0.7).max() < 1e-6
    # Closed form: within a third of an octave a Q of 8 turns by 4 atan(2 x 8 x 0.116) = 247 degrees, an S, no line.
    bend = phase_bend_deg(HZ, all_pass_rad(HZ, 1000.0, 8.0))
    assert float(np.interp(1000.0, HZ, bend)) > 40.0
    assert float(np.interp(4000.0, HZ, bend)) < 1.0
    # A fourth-order Linkwitz-Riley crossover sums to an all-pass of Q 0.707 (Linkwitz 1976, from memory): gentle.
    assert phase_bend_deg(HZ, all_pass_rad(HZ, 2000.0, np.sqrt(0.5))).max() < 5.0
    assert phase_bend_deg(HZ[:4], np.zeros(4)).tolist() == [0.0] * 4


def test_a_resonance_is_mended_only_where_the_phase_goes_with_it() -> None:
    """Two bells alike in all directions; at 5 kHz the phase bends, so only that at 800 Hz is left to an equalizer."""
    hz = report_axis().hz
    levels = alike(gain_db(Equalizer((Band("peaking", 800.0, 4.0, 5.0), Band("peaking", 5000.0, 4.0, 5.0))), hz))
    plain = problem_of(levels, flat_window())
    known = problem_of(levels, flat_window(), excess_phase_rad=all_pass_rad(hz, 5000.0, 8.0))

    def wanted(problem: Problem, at_hz: float) -> float:
        return float(np.interp(at_hz, problem.hz, problem.wanted_db))

    assert wanted(known, 800.0) == pytest.approx(wanted(plain, 800.0), abs=1e-9)
    assert wanted(plain, 5000.0) < -3.0
    assert wanted(known, 5000.0) > 0.5 * wanted(plain, 5000.0)
