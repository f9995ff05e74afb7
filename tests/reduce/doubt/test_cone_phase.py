"""The phase of a cone's near field against its level.

Closed forms: a high-pass and a low-pass of second order are of minimum phase, so that nothing is left; a phase that is
the same at all frequencies and a delay of t ln f are added and must come back. -2 pi b (f ln f - f) is the phase of a
delay b ln f (its derivative).
"""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.dsp.sweep import sweep_law
from earwitness.quantities import NearField, report_axis
from earwitness.reduce.doubt.stimulus import cone_phase, cone_phase_flags

LAW = sweep_law(10.0, 22_000.0, 1.7)


def cone(phase_deg: float = 0.0, drift_s: float = 0.0, f3_hz: float = 45.0, name: str = "woofer") -> NearField:
    axis = report_axis()
    x = 1j * axis.hz / f3_hz
    h = x**2 / (1 + 1.2 * x + x**2) / (1 + 1.4 * 1j * axis.hz / 2000.0 - (axis.hz / 2000.0) ** 2)
    turn = np.radians(phase_deg) - 2 * np.pi * drift_s * axis.hz * (np.log(axis.hz / 800.0) - 1)
    level, phase = 20 * np.log10(np.abs(h)), np.unwrap(np.angle(h)) + turn - 2 * np.pi * axis.hz * 0.9e-3
    return NearField(name, axis, level, phase, 20.0, 840.0)


def test_a_cone_of_minimum_phase_leaves_nothing() -> None:
    for f3_hz in (30.0, 45.0, 70.0):
        found = cone_phase(cone(f3_hz=f3_hz))
        assert found is not None
        assert abs(found.phase_deg) < 3.0
        assert abs(found.drift_s) < 0.03e-3
        assert cone_phase_flags([cone(f3_hz=f3_hz)], LAW) == []


@pytest.mark.parametrize("phase_deg", [-70.0, -40.0, 40.0, 75.0])
def test_a_phase_comes_back_whatever_the_polarity(phase_deg: float) -> None:
    for polarity in (0.0, 180.0):
        found = cone_phase(cone(phase_deg + polarity))
        assert found is not None
        assert found.phase_deg == pytest.approx(phase_deg, abs=4.0)


@pytest.mark.parametrize("parts", [-2000.0, 2000.0])
def test_a_clock_leaves_its_drift(parts: float) -> None:
    drift_s = 1e-6 * parts * LAW.rate_s
    found = cone_phase(cone(drift_s=drift_s))
    assert found is not None
    assert found.drift_s == pytest.approx(drift_s, rel=0.35)
    (flag,) = cone_phase_flags([cone(drift_s=drift_s)], LAW)
    assert "clocks that differ" in flag.sentence


def test_the_other_form_is_named_with_what_would_fit() -> None:
    """Classic and synchronized form differ by 2 pi f1 L: here 2 pi 2.209, 75 degrees."""
    turn = np.degrees(2 * np.pi * LAW.start_hz * LAW.rate_s) % 180
    (flag,) = cone_phase_flags([cone(-turn)], LAW)
    assert flag.id == "stimulus"
    assert 'form = "classic"' in flag.sentence


def test_the_cone_that_is_read_best_counts_and_a_narrow_band_says_nothing() -> None:
    axis = report_axis()
    rough = cone(80.0, name="midrange")
    wavy = NearField("midrange", axis, rough.level_db, rough.phase_rad + 0.4 * np.sin(axis.hz / 20.0), 20.0, 840.0)
    assert cone_phase_flags([wavy, cone()], LAW) == []
    assert cone_phase_flags([], LAW) == []
    assert cone_phase_flags([cone(80.0)], None) == []
    assert cone_phase(NearField("w", axis, rough.level_db, rough.phase_rad, 100.0, 300.0)) is None
