"""Test signals other than sweeps and multitones, and how lines are read from whole periods."""

import math

import numpy as np
import scipy.fft

from earwitness.dsp.sweep import fade_envelope
from earwitness.errors import InputError
from earwitness.quantities.arrays import FloatArray


def crest_db(samples: FloatArray) -> float:
    """Peak over rms [dB] of samples (N,). InputError for silence."""
    power = float(np.mean(samples**2)) if samples.size else 0.0
    if not power > 0.0:
        raise InputError("a silent signal has no crest factor", remedy="give the samples that are played")
    return float(20.0 * math.log10(float(np.max(np.abs(samples))) / math.sqrt(power)))


def tone(frequency_hz: float, duration_s: float, rate_hz: float, *, fade_s: float = 0.05) -> FloatArray:
    """A sine of amplitude 1 (N,), faded in and out. InputError beyond half the sample rate or for no duration."""
    _require_below_nyquist((frequency_hz,), duration_s, rate_hz)
    count = round(duration_s * rate_hz)
    fade = min(round(fade_s * rate_hz), count // 2)
    turns = 2.0 * math.pi * frequency_hz / rate_hz
    return np.asarray(np.sin(turns * np.arange(count)) * fade_envelope(count, fade, fade), dtype=np.float64)


def two_tone(
    low_hz: float, high_hz: float, duration_s: float, rate_hz: float, *, ratio: float = 4.0, fade_s: float = 0.05
) -> FloatArray:
    """Two sines, amplitudes ratio : 1, peak sum 1 (N,); 4 : 1 as IEC 60268 modulation distortion has it (from memory).

    InputError unless 0 < low_hz < high_hz below half the sample rate and ratio > 0.
    """
    _require_below_nyquist((low_hz, high_hz), duration_s, rate_hz)
    if not (low_hz < high_hz and ratio > 0.0 and math.isfinite(ratio)):
        raise InputError.of("dsp.two_tones_impossible", low_hz=low_hz, high_hz=high_hz, ratio=ratio)
    low, high = (tone(hz, duration_s, rate_hz, fade_s=fade_s) for hz in (low_hz, high_hz))
    return np.asarray((ratio * low + high) / (ratio + 1.0), dtype=np.float64)


def pink_noise(
    duration_s: float,
    rate_hz: float,
    *,
    low_hz: float = 20.0,
    high_hz: float = 20_000.0,
    seed: int = 1,
    fade_s: float = 0.1,
) -> FloatArray:
    """Noise of equal power per octave between two frequencies, peak 1, faded (N,); the same seed, the same samples."""
    _require_below_nyquist((low_hz, high_hz), duration_s, rate_hz)
    count = round(duration_s * rate_hz)
    length = scipy.fft.next_fast_len(count, True)
    frequency = np.arange(length // 2 + 1) * rate_hz / length
    inside = (frequency >= low_hz) & (frequency <= high_hz)
    if not inside.any():
        raise InputError(f"no noise between {low_hz} Hz and {high_hz} Hz", remedy="give a wider band or more time")
    drawn = np.random.default_rng(seed).standard_normal((2, frequency.size))
    spectrum = np.zeros(frequency.size, dtype=np.complex128)
    spectrum[inside] = (drawn[0, inside] + 1j * drawn[1, inside]) / np.sqrt(frequency[inside])
    samples = np.asarray(scipy.fft.irfft(spectrum, length), dtype=np.float64)[:count]
    fade = min(round(fade_s * rate_hz), count // 2)
    samples = samples * fade_envelope(count, fade, fade)
    return np.asarray(samples / np.max(np.abs(samples)), dtype=np.float64)


def line_rms(samples: FloatArray, rate_hz: float, frequency_hz: FloatArray) -> FloatArray:
    """RMS (K,) of lines in samples (N,) that hold whole periods of all of them; rectangular window, no leakage.

    InputError for a line that does not fit the samples a whole number of times (within 1e-3 of a period).
    """
    rows = np.asarray(frequency_hz, dtype=np.float64) * samples.size / rate_hz
    whole = np.rint(rows).astype(np.int64)
    if np.any(np.abs(rows - whole) > 1e-3) or np.any(whole <= 0) or np.any(whole >= samples.size / 2):
        raise InputError.of("dsp.no_whole_periods", samples=samples)
    spectrum = scipy.fft.rfft(samples)
    return np.asarray(np.abs(spectrum[whole]) * math.sqrt(2.0) / samples.size, dtype=np.float64)


def _require_below_nyquist(frequencies_hz: tuple[float, ...], duration_s: float, rate_hz: float) -> None:
    good = all(math.isfinite(hz) and 0.0 < hz < rate_hz / 2.0 for hz in frequencies_hz)
    if not good or not (math.isfinite(duration_s) and duration_s * rate_hz >= 2.0):
        raise InputError(
            f"frequencies {', '.join(f'{hz:g} Hz' for hz in frequencies_hz)} for {duration_s:g} s at {rate_hz:g} Hz",
            expected=f"above 0 and below {rate_hz / 2.0:g} Hz, and some time",
            remedy="correct frequencies, duration or sample rate",
        )
