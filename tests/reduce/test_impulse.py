"""One recording to one impulse response: against dsp's general division, and against counted flat tops."""

from __future__ import annotations

import numpy as np
import pytest
from made_session import FS_PER_PA, RATE, Made, facts, recording

from earwitness.quantities import report_axis
from earwitness.reduce.impulse import Division, Role, stuck_runs, take_impulse
from earwitness.reduce.stimulus import stimulus_of
from plain_deconvolution import deconvolve

MADE = Made(duration_s=1.0)
ROLE = Role("h0", "h0.wav", 1, 2, 2.83)


def division() -> Division:
    session = facts(MADE)
    return Division(
        stimulus_of(session.stimulus, lambda name: pytest.fail(name), RATE),
        session.reference,
        FS_PER_PA,
        report_axis().hz,
        0.05,
    )


def test_circular_division_equals_the_padded_one() -> None:
    """plain_deconvolution, which is held against pyfar, pads to three times the length; the impulse is the same."""
    taken = recording(MADE, 0.0)
    found = take_impulse(ROLE, taken, division())
    padded = deconvolve(taken.samples[0], taken.samples[1], RATE, MADE.start_hz, MADE.stop_hz)
    first = round(found.start_s * RATE)
    piece = np.roll(padded, -first)[: found.samples.size]
    scale = np.dot(piece, found.samples) / np.dot(piece, piece)
    assert np.max(np.abs(found.samples - scale * piece)) < 2e-3 * np.max(np.abs(found.samples))


def test_time_zero_is_when_the_signal_leaves() -> None:
    found = take_impulse(ROLE, recording(MADE, 0.0), division())
    assert found.peak_s == pytest.approx(MADE.distance_m / 343.21, abs=1.5 / RATE)
    assert found.start_s == pytest.approx(found.peak_s - 0.08, abs=1 / RATE)


def test_runs_at_full_scale_are_counted() -> None:
    samples = np.zeros(1000)
    samples[100:105] = 1.0
    samples[200:203] = -1.0
    samples[300:302] = 1.0
    assert stuck_runs(samples, 1.0) == 2


def test_flat_tops_below_full_scale_are_counted_sine_crests_are_not() -> None:
    """A slow sine in 16-bit steps has flat crests too; ten runs at one and the same top are needed."""
    time = np.arange(RATE) / RATE
    sine = np.round(0.5 * np.sin(2 * np.pi * 400.0 * time) * 2**15) / 2**15
    assert stuck_runs(np.clip(sine, -0.4, 0.4), 0.4) == 800
    slow = np.round(0.5 * np.sin(2 * np.pi * 20.0 * time) * 2**15) / 2**15
    assert stuck_runs(slow, 0.5) == 0
    assert stuck_runs(np.clip(slow, -0.25, 0.25), 0.25) == 40
    growing = np.round(np.linspace(0.3, 0.5, RATE) * np.sin(2 * np.pi * 20.0 * time) * 2**15) / 2**15
    assert stuck_runs(growing, float(np.abs(growing).max())) == 0
