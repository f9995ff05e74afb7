"""Impulse, decay and excess group delay of filters whose answers are closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

from earwitness.figures.time_domain import decay_curves, excess_group_delay, time_curves
from earwitness.quantities import DirectionalResponse, Gate, Measurement, from_orbit, report_axis
from earwitness.quantities.arrays import ComplexArray, FloatArray

RATE = 48_000.0
AXIS = report_axis()
HZ = AXIS.hz
GATE = Gate(-0.001, 0.02, 0.002, None, "anechoic", 20.0)


def measured(pressure: ComplexArray, impulse: FloatArray, *, u_db: float = 0.01) -> Measurement:
    shape = (1, HZ.size)
    field = DirectionalResponse(
        AXIS, from_orbit("horizontal", [0.0]), pressure[None, :], np.full(shape, u_db), np.zeros(HZ.size),
        np.full(shape, True),
    )  # fmt: skip
    return Measurement(field, np.full(shape, 60.0), GATE, None, (), (), None, RATE, impulse, 0.001, (), (), (), ())


def click(b: FloatArray, a: FloatArray) -> FloatArray:
    """Impulse response of an IIR filter, one millisecond after the array's start."""
    x = np.zeros(1008)
    x[48] = 1.0
    return np.asarray(signal.lfilter(b, a, x))


def test_a_minimum_phase_high_pass_has_no_excess() -> None:
    b, a = signal.butter(2, 2 * np.pi * 60.0, "highpass", analog=True)
    found = excess_group_delay(measured(signal.freqs(b, a, 2 * np.pi * HZ)[1], np.zeros(0)))
    assert found is not None
    rows = found.valid & (HZ > 40.0)
    assert np.abs(found.values[rows]).max() < 0.15
    assert np.abs(found.values[found.valid & (HZ > 200.0)]).max() < 0.02


def test_an_all_pass_is_excess_by_its_own_group_delay() -> None:
    """First-order all-pass at 1 kHz: group delay 2 T / (1 + (w T)^2) with T = 1 / (2 pi 1000), closed form."""
    t = 1.0 / (2.0 * np.pi * 1000.0)
    w = 2.0 * np.pi * HZ
    found = excess_group_delay(measured((1 - 1j * w * t) / (1 + 1j * w * t), np.zeros(0)))
    assert found is not None
    own = 2.0 * t / (1.0 + (w * t) ** 2)
    expected = 1000.0 * (own - np.median(own[(HZ >= 5000.0) & (HZ <= 15_000.0)]))
    rows = found.valid
    assert np.abs(found.values - expected)[rows].max() < 0.01


def test_pure_delay_is_no_excess() -> None:
    found = excess_group_delay(measured(np.exp(-2j * np.pi * HZ * 0.0004), np.zeros(0)))
    assert found is not None
    assert np.abs(found.values[found.valid]).max() < 1e-3


def test_step_is_the_sum_and_energy_falls_as_the_pole_says() -> None:
    """A tone of 5 kHz that dies with 1 ms: its envelope falls 8.686 dB a millisecond (20 lg e)."""
    time = np.arange(1008 - 48) / RATE
    impulse = np.concatenate([np.zeros(48), np.cos(2 * np.pi * 5000.0 * time) * np.exp(-time / 0.001)])
    curves = time_curves(measured(np.ones(HZ.size, complex), impulse))
    running = np.cumsum(impulse)
    assert curves["step"].values[100] == pytest.approx(100.0 * running[100] / np.abs(running).max())
    assert curves["impulse"].values[48] == pytest.approx(100.0)
    # From 1 to 3 ms after the onset.
    energy = curves["energy_time"].values
    assert energy[48 + 144] - energy[48 + 48] == pytest.approx(-2 * 8.686, abs=0.5)


def test_a_resonance_decays_as_its_q_says() -> None:
    """Amplitude of a resonance falls by exp(-pi / Q) a period: at Q = 10 27.29 dB * n / Q = 2.729 dB n."""
    w0, q = 2 * np.pi * 1000.0 / RATE, 10.0
    r = np.exp(-w0 / (2 * q))
    impulse = click(np.array([1.0]), np.array([1.0, -2 * r * np.cos(w0), r * r]))
    curves = decay_curves(measured(np.ones(HZ.size, complex), impulse))
    row = int(np.argmin(np.abs(curves["decay_4"].axis.hz - 1000.0)))
    fall = curves["decay_8"].values[row] - curves["decay_4"].values[row]
    assert fall == pytest.approx(-4 * 2.729, abs=0.4)


def test_a_bare_click_is_gone_after_two_periods() -> None:
    impulse = click(np.array([1.0]), np.array([1.0]))
    curves = decay_curves(measured(np.ones(HZ.size, complex), impulse))
    rows = curves["decay_2"].valid
    assert rows.any()
    assert curves["decay_2"].values[rows].max() < -35.0
    # 2 periods and half the burst within the flat 18 ms of the gate: from 222 Hz on.
    assert curves["decay_2"].axis.hz[rows][0] == pytest.approx(4.0 / 0.018, rel=0.04)


def test_nothing_comes_from_an_empty_impulse() -> None:
    silent = measured(np.ones(HZ.size, complex), np.zeros(0))
    assert time_curves(silent) == {}
    assert decay_curves(silent) == {}


def test_decay_begins_where_the_gate_holds_two_periods() -> None:
    """2 / T: 100 Hz behind a gate of 20 ms, 250 Hz behind one of 8 ms."""
    for end_s, lowest_hz in ((0.02, 100.0), (0.008, 250.0)):
        one = measured(np.ones(HZ.size, complex), click(np.array([1.0]), np.array([1.0])))
        found = decay_curves(replace(one, gate=replace(GATE, end_s=end_s)))
        assert found["decay_2"].axis.hz[0] == pytest.approx(lowest_hz, rel=0.03)


def test_a_delay_is_as_uncertain_as_the_line_through_its_phase() -> None:
    """Least squares of a straight line: residual variance over n - 2 degrees of freedom, as numpy.polyfit has it."""
    phase = 0.02 * np.cos(1.7 * np.arange(HZ.size))
    found = excess_group_delay(measured(np.exp(1j * phase), np.zeros(0), u_db=0.0))
    assert found is not None
    row = int(np.argmin(np.abs(HZ - 1000.0)))
    near = np.abs(np.log2(HZ / HZ[row])) <= 1 / 6 + 1e-9
    _, covariance = np.polyfit(2 * np.pi * HZ[near], phase[near], 1, cov=True)
    assert found.u[row] == pytest.approx(1000.0 * np.sqrt(covariance[0, 0]), rel=1e-3)
