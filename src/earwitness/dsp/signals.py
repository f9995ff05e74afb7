"""Test signals other than sweeps and multitones: tones, pink noise, shaped bursts, and how their lines are read."""

import math
from dataclasses import dataclass

import numpy as np
import scipy.fft

from earwitness.dsp.sweep import fade_envelope
from earwitness.errors import InputError
from earwitness.quantities import ComplexArray, FloatArray, Locked


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
        listed, half_hz = ", ".join(f"{hz:g} Hz" for hz in frequencies_hz), rate_hz / 2.0
        raise InputError.of(
            "dsp.signal_not_held", listed=listed, duration_s=duration_s, rate_hz=rate_hz, half_hz=half_hz
        )


# 16 neighbors at twice the samples: the kernel's alias lies below double precision.
_WIDTH = 16
_SHAPE = math.pi * math.sqrt((_WIDTH * 0.75) ** 2 - 0.8)


def fine_spectrum(samples: FloatArray, length: int, last: int) -> ComplexArray:
    """Bins 0 to `last` of the transform of samples (N,) followed by silence up to `length`, (last + 1,).

    The samples' middle, N // 2, is time zero, so that the phase is not that of `scipy.fft.rfft`, the magnitude is.
    A transform of at least twice N that divides `length` is interpolated with the Kaiser-Bessel kernel, whose weight
    over time is taken out of the samples first (Jackson, Meyer, Nishimura and Macovski 1991; the kernel's shape after
    Beatty, Nishimura and Pauly 2005, both from memory). The error is below 1e-12 of the largest bin.
    """
    middle = samples.size // 2
    short = _divisor(length, 2 * samples.size)
    half, finer = _WIDTH // 2, length // short
    if finer == 1 or last // finer + half + 2 > short // 2:
        turn = np.exp(2j * math.pi * middle / length * np.arange(last + 1))
        return np.asarray(scipy.fft.rfft(samples, length)[: last + 1] * turn, dtype=np.complex128)
    time = (np.arange(samples.size) - middle) / short
    root = np.sqrt(_SHAPE**2 - (math.pi * _WIDTH * time) ** 2)
    weighed = samples * (root / (_WIDTH * np.sinh(root)))
    turned = np.zeros(short)
    turned[: samples.size - middle] = weighed[middle:]
    turned[short - middle :] = weighed[:middle]
    coarse = scipy.fft.rfft(turned)[: last // finer + 1 + half]
    around = np.concatenate([coarse[half - 1 : 0 : -1].conj(), coarse])
    away = np.arange(finer)[:, None] / finer - np.arange(1 - half, half + 1)
    kernel = np.i0(_SHAPE * np.sqrt(np.maximum(1.0 - (2.0 * away / _WIDTH) ** 2, 0.0)))
    found = np.lib.stride_tricks.sliding_window_view(around, _WIDTH) @ kernel.T
    return np.asarray(found.reshape(-1)[: last + 1], dtype=np.complex128)


def _divisor(length: int, least: int) -> int:
    """Smallest divisor of `length` that is at least `least`, or `length`."""
    for parts in range(length // least, 1, -1):
        if length % parts == 0:
            return length // parts
    return length


CYCLES = 6.5
# A harmonic is the largest line within 5 % of its frequency (project default).
SEARCH_SHARE = 0.05


def burst(frequency_hz: float, rate_hz: float, *, cycles: float = CYCLES) -> FloatArray:
    """s(t) = sin(2 pi f t) (1 - cos(2 pi f t / cycles)) / 2 for 0 <= t <= cycles / f; (N,), peak at most 1.

    It is its own fade. As application notes describe ANSI/CTA-2010. InputError beyond half the sample rate.
    """
    if not (0.0 < frequency_hz < rate_hz / 2.0 and cycles > 0.0 and math.isfinite(cycles)):
        raise InputError.of("dsp.burst_impossible", cycles=cycles, frequency_hz=frequency_hz, rate_hz=rate_hz)
    phase = 2.0 * math.pi * frequency_hz * np.arange(math.floor(cycles * rate_hz / frequency_hz) + 1) / rate_hz
    return np.asarray(np.sin(phase) * 0.5 * (1.0 - np.cos(phase / cycles)), dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class BurstReading(Locked):
    """What one recorded burst holds.

    peak : of the fundamental, in the unit of the samples; orders (K,) and relative_db (K,) : highest line near each
    harmonic against the fundamental's; missing : orders beyond the recording.
    """

    frequency_hz: float
    peak: float
    orders: tuple[int, ...]
    relative_db: FloatArray
    missing: tuple[int, ...]


def read_burst(
    samples: FloatArray, frequency_hz: float, rate_hz: float, orders: tuple[int, ...], *, cycles: float = CYCLES
) -> BurstReading:
    """Harmonics of a recorded burst (N,), the silence around it included, and the fundamental's peak.

    The spectrum of a burst of amplitude A peaks at A cycles / (4 f) near f, which gives the peak back (own
    derivation: the integral of the Hann window over 6.5 cycles is half of it, a line's share half of that).
    InputError for recordings shorter than the burst, or silent near f.
    """
    if samples.size < cycles * rate_hz / frequency_hz:
        raise InputError.of("dsp.burst_too_long", length_s=samples.size / rate_hz, burst_s=cycles / frequency_hz)
    wanted = max(samples.size, round(400.0 * rate_hz / frequency_hz))
    length = scipy.fft.next_fast_len(wanted, True)
    present = tuple(n for n in orders if n * frequency_hz * (1.0 + SEARCH_SHARE) < 0.45 * rate_hz)
    highest_hz = max((1, *present)) * frequency_hz * (1.0 + SEARCH_SHARE)
    last = min(math.ceil(highest_hz * length / rate_hz), length // 2)
    spectrum = np.abs(fine_spectrum(samples, length, last)) / rate_hz
    frequency = np.arange(spectrum.size) * rate_hz / length

    def highest(order: int) -> float:
        low, high = order * frequency_hz * (1.0 - SEARCH_SHARE), order * frequency_hz * (1.0 + SEARCH_SHARE)
        first, behind = np.searchsorted(frequency, low, "left"), np.searchsorted(frequency, high, "right")
        return float(np.max(spectrum[first:behind], initial=0.0))

    fundamental = highest(1)
    if not fundamental > 0.0:
        raise InputError(f"nothing was recorded at {frequency_hz:g} Hz", remedy="check channel and level")
    levels = [20.0 * math.log10(max(highest(n), 1e-300) / fundamental) for n in present]
    peak = fundamental * 4.0 * frequency_hz / cycles
    return BurstReading(frequency_hz, peak, present, np.array(levels), tuple(n for n in orders if n not in present))
