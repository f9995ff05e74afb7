"""The bandpass before an onset is the usual Butterworth, beside scipy.signal, a general-purpose library."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

from earwitness.reduce.arrival import bandpassed


@pytest.mark.parametrize("rate_hz", [44_100.0, 48_000.0, 192_000.0])
@pytest.mark.parametrize("band_hz", [(2_000.0, 15_000.0), (500.0, 1_000.0), (8_000.0, 15_000.0)])
def test_bandpass_is_that_of_scipy(rate_hz: float, band_hz: tuple[float, float]) -> None:
    """From silence, and from a first sample that was there for ever (scipy.signal.sosfilt_zi)."""
    draw = np.random.default_rng(int(rate_hz + band_hz[0]))
    sections = scipy.signal.butter(2, band_hz, "bandpass", fs=rate_hz, output="sos")
    samples = draw.normal(size=(3, 4000))
    from_silence = scipy.signal.sosfilt(sections, samples)
    assert bandpassed(samples, band_hz, rate_hz) == pytest.approx(from_silence, abs=1e-10)
    state = scipy.signal.sosfilt_zi(sections)[:, None, :] * samples[:, :1]
    from_ever = scipy.signal.sosfilt(sections, samples, axis=-1, zi=state)[0]
    assert bandpassed(samples - samples[:, :1], band_hz, rate_hz) == pytest.approx(from_ever, abs=1e-9)
