"""Time curves against check values of the processing reference that no other test uses (keys s2.x and s9.x)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from earwitness.figures.time_domain import decay_curves, excess_group_delay, time_curves
from earwitness.quantities import DirectionalResponse, Gate, Measurement, from_orbit, report_axis
from earwitness.quantities.arrays import ComplexArray, FloatArray

RATE = 48_000.0
AXIS = report_axis()
HZ = AXIS.hz
ONSET = 48


def measured(pressure: ComplexArray, impulse: FloatArray) -> Measurement:
    shape = (1, HZ.size)
    field = DirectionalResponse(
        AXIS,
        from_orbit("horizontal", [0.0]),
        pressure[None, :],
        np.full(shape, 0.01),
        np.zeros(HZ.size),
        np.full(shape, True),
    )
    gate = Gate(-0.001, 0.02, 0.002, None, "anechoic", 20.0)
    return Measurement(field, np.full(shape, 60.0), gate, None, (), (), None, RATE, impulse, 0.001, (), (), (), ())


def click(b: FloatArray, a: FloatArray) -> FloatArray:
    x = np.zeros(ONSET + 960)
    x[ONSET] = 1.0
    return np.asarray(signal.lfilter(b, a, x))


def test_a_crossover_of_fourth_order_is_excess_by_its_all_pass() -> None:
    """s2.gd_LR4_allpass_fc2000_us_at_200_2000: 227.31 and 225.08 microseconds, beside what the treble has of it."""
    turn = 1j * HZ / 2000.0
    found = excess_group_delay(
        measured((turn**2 - np.sqrt(2) * turn + 1) / (turn**2 + np.sqrt(2) * turn + 1), np.zeros(0))
    )
    assert found is not None

    def delay_ms(hz: FloatArray) -> FloatArray:
        x = hz / 2000.0
        return 1e3 * 2 * np.sqrt(2) * (1 + x**2) / ((1 - x**2) ** 2 + 2 * x**2) / (2 * np.pi * 2000.0)

    assert delay_ms(np.array([200.0, 2000.0])) == pytest.approx([0.22730713949718623, 0.22507907941696632])
    treble = float(np.median(delay_ms(HZ[(HZ >= 5000.0) & (HZ <= 15_000.0)])))
    at = np.interp(np.log([200.0, 2000.0]), np.log(HZ), found.values)
    # Read over a third of an octave.
    assert at + treble == pytest.approx([0.22730713949718623, 0.22507907941696632], abs=4e-3)


def test_step_of_a_closed_box() -> None:
    """s9.step_B2HP_f3_50_at_0_1_2_5_10ms and s9.step_B2HP_first_zero_ms = 3.5355."""
    b, a = signal.butter(2, 50.0, "highpass", fs=RATE)
    step = time_curves(measured(np.ones(HZ.size, complex), click(b, a)))["step"]
    time_ms = step.axis.hz - step.axis.hz[ONSET]
    assert step.values[ONSET] == pytest.approx(100.0)
    at = np.interp([1.0, 2.0, 5.0, 10.0], time_ms, step.values)
    # The first sample of the digital filter is 0.5 % under the start of the analog step.
    assert at == pytest.approx(100 * np.array([0.6046885887, 0.3033907223, -0.1488543474, -0.1519848129]), abs=0.6)
    fallen = int(np.flatnonzero((step.values < 0.0) & (time_ms > 0.0))[0])
    assert time_ms[fallen] == pytest.approx(3.5355, abs=0.04)


@pytest.mark.parametrize(("q", "per_period_db"), [(5.0, 5.457505415), (20.0, 1.364376354)])
def test_resonances_decay_as_their_q_says(q: float, per_period_db: float) -> None:
    """s9.resonance_Q5_decay_dB_per_cycle_and_T60_cycles, Q20."""
    w0 = 2 * np.pi * 2000.0 / RATE
    r = np.exp(-w0 / (2 * q))
    impulse = click(np.array([1.0]), np.array([1.0, -2 * r * np.cos(w0), r * r]))
    curves = decay_curves(measured(np.ones(HZ.size, complex), impulse))
    row = int(np.argmin(np.abs(curves["decay_4"].axis.hz - 2000.0)))
    fall = curves["decay_8"].values[row] - curves["decay_4"].values[row]
    assert fall == pytest.approx(-4 * per_period_db, abs=0.15 * per_period_db)
