"""Shaped bursts against closed forms; C6.x are ids of the metrics reference, s9.x of the processing reference."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.fft
import scipy.signal

from earwitness.dsp.signals import burst, read_burst
from earwitness.errors import InputError
from earwitness.standards.cta2010 import MASK_A

RATE = 48_000.0


def test_shape_is_a_hann_window_of_scipy() -> None:
    made = burst(50.0, RATE)
    time = np.arange(made.size) / RATE
    window = scipy.signal.windows.hann(made.size)
    assert made == pytest.approx(window * np.sin(2 * np.pi * 50 * time), abs=1e-9)


def test_peak_rms_and_crest() -> None:
    """C6.14: peak 1, rms sqrt(3/16) = 0.433012, crest 7.2700 dB."""
    made = burst(40.0, 192_000.0)
    assert np.max(np.abs(made)) == pytest.approx(1.0, abs=1e-6)
    assert np.sqrt(np.mean(made[:-1] ** 2)) == pytest.approx(0.433012, abs=1e-5)
    assert -10 * np.log10(np.mean(made[:-1] ** 2)) == pytest.approx(7.2700, abs=5e-5)


@pytest.mark.parametrize(("hz", "length_ms"), [(20.0, 325.0), (31.5, 206.35), (63.0, 103.17)])
def test_length(hz: float, length_ms: float) -> None:
    """C6.15."""
    assert burst(hz, RATE).size / RATE * 1e3 == pytest.approx(length_ms, abs=0.03)


def _spectrum(hz: float) -> tuple[np.ndarray, np.ndarray]:
    made = burst(hz, RATE)
    size = 2**21
    return np.fft.rfftfreq(size, 1 / RATE), np.abs(scipy.fft.rfft(made, size))


def test_bandwidth() -> None:
    """C6.16: -3 dB over 0.2216 f or 0.3210 octave; s9: -6 dB over 0.3081 f, 0.4481 octave."""
    frequency, spectrum = _spectrum(100.0)
    for drop_db, share, octaves in ((3.0103, 0.2216, 0.3210), (6.0206, 0.3081, 0.4481)):
        inside = frequency[spectrum > spectrum.max() * 10 ** (-drop_db / 20)]
        assert (inside[-1] - inside[0]) / 100 == pytest.approx(share, abs=1e-3)
        assert np.log2(inside[-1] / inside[0]) == pytest.approx(octaves, abs=1e-3)


def test_spectrum_at_twice_and_three_times_the_tone() -> None:
    """C6.17: -58.83 dB at exactly 2 f, a null at 3 f (6.5 cycles of a Hann window: 13 half cycles from either)."""
    frequency, spectrum = _spectrum(100.0)
    level = 20 * np.log10(spectrum / spectrum.max())
    assert level[int(np.argmin(np.abs(frequency - 200.0)))] == pytest.approx(-58.83, abs=0.05)
    assert level[int(np.argmin(np.abs(frequency - 300.0)))] < -90.0


def test_own_leakage_is_far_below_the_mask() -> None:
    """C6.18: -58.73 dB near 2 f and -76.76 dB near 3 f."""
    found = read_burst(burst(50.0, RATE), 50.0, RATE, (2, 3))
    assert found.relative_db == pytest.approx([-58.73, -76.76], abs=0.1)
    assert (found.relative_db < [MASK_A.limit_db(2) - 40, MASK_A.limit_db(3) - 40]).all()


def test_peak_comes_back() -> None:
    made = np.concatenate([np.zeros(3000), 0.7 * burst(63.0, RATE), np.zeros(9000)])
    assert read_burst(made, 63.0, RATE, (2,)).peak == pytest.approx(0.7, rel=2e-3)


def test_added_harmonics_are_read() -> None:
    """Bursts of the same length at n f with amplitude a: their spectra peak a times as high (same window)."""
    hz, time = 40.0, np.arange(round(6.5 * RATE / 40.0)) / RATE
    window = 0.5 * (1 - np.cos(2 * np.pi * hz * time / 6.5))
    heard = window * sum(a * np.sin(2 * np.pi * n * hz * time) for n, a in ((1, 1.0), (2, 0.2), (3, 0.1), (5, 0.03)))
    found = read_burst(heard, hz, RATE, (2, 3, 5))
    assert found.relative_db == pytest.approx(20 * np.log10([0.2, 0.1, 0.03]), abs=0.1)


def test_harmonics_beyond_the_recording_are_named() -> None:
    found = read_burst(burst(160.0, RATE), 160.0, RATE, (2, 200))
    assert found.orders == (2,)
    assert found.missing == (200,)


@pytest.mark.parametrize("samples", [np.zeros(20_000), np.zeros(100)])
def test_nothing_to_read(samples: np.ndarray) -> None:
    with pytest.raises(InputError):
        read_burst(samples, 50.0, RATE, (2,))


def test_impossible_bursts() -> None:
    with pytest.raises(InputError, match="half the sample rate"):
        burst(30_000.0, RATE)
