"""Sweeps as they are recorded by a wire and by a microphone in a room, with numpy and scipy.signal alone.

The loudspeakers are a high-pass, broad bumps, a crossover of second order and weak harmonics; each draw is another.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import fft, signal

from earwitness.dsp.sweep import sweep_law
from earwitness.reduce.stimulus import Stimulus

Array = npt.NDArray[np.float64]
RATE = 24_000
LOW, HIGH, LENGTH_S, LEAD_S = 20.0, 10_000.0, 2.4, 0.3


def sweep(low: float = LOW, high: float = HIGH, length_s: float = LENGTH_S, classic: bool = False) -> Array:
    """sin(2 pi f1 L (exp(t/L) - 0 or 1)) with short fades, written out here."""
    rate_s = length_s / math.log(high / low)
    x = np.sin(2 * np.pi * low * rate_s * (np.exp(np.arange(round(length_s * RATE)) / RATE / rate_s) - classic))
    rise, fall = round(0.02 * RATE), round(0.005 * RATE)
    x[:rise] *= np.sin(np.pi / 2 * np.arange(rise) / rise) ** 2
    x[-fall:] *= np.cos(np.pi / 2 * np.arange(fall) / fall) ** 2
    return x


def stated() -> Stimulus:
    return Stimulus(sweep(), RATE, sweep_law(LOW, HIGH, LENGTH_S), LOW, HIGH, LEAD_S)


def framed(x: Array) -> Array:
    return np.concatenate([np.zeros(round(LEAD_S * RATE)), x, np.zeros(round(0.6 * RATE))])


def transformed(y: Array, x: Array) -> tuple[npt.NDArray[np.complex128], int, npt.NDArray[np.complex128]]:
    """Spectrum of y, its length, and the spectrum of x on that length."""
    length = fft.next_fast_len(y.size, True)
    return fft.rfft(y, length), length, fft.rfft(x, length)


def wire(rng: np.random.Generator, y: Array) -> Array:
    """AC coupling at 1 to 10 Hz, a gain, noise 60 to 85 dB below full scale."""
    b, a = signal.butter(1, rng.uniform(1, 10) / (RATE / 2), "high")
    return signal.lfilter(b, a, y) * rng.uniform(0.1, 0.8) + 10 ** (-rng.uniform(60, 85) / 20) * rng.normal(size=y.size)


def loudspeaker(rng: np.random.Generator, y: Array, *, room: bool = True, snr_db: float = 50.0) -> Array:
    n = fft.next_fast_len(y.size + RATE // 2, True)
    f = np.maximum(np.arange(n // 2 + 1) * RATE / n, 1e-3)
    x = f / rng.uniform(38, 75)
    h: Any = -x * x / (1 - x * x + 1j * x / rng.uniform(0.55, 1.0))
    for _ in range(6):
        x = f / 10 ** rng.uniform(2, 4)
        h = h * (1 + (10 ** (rng.normal(0, 2) / 20) - 1) * (1j * x / 0.8) / (1 - x * x + 1j * x / 0.8))
    x = f / rng.uniform(1500, 3500)
    h = h * (1 - x * x - 1j * x / 0.7) / (1 - x * x + 1j * x / 0.7)
    z = fft.irfft(fft.rfft(y, n) * h, n)[: y.size]
    size = np.sqrt(np.mean(z**2))
    bass = signal.sosfilt(signal.butter(2, 80.0, fs=RATE, output="sos"), z)
    bass /= np.abs(bass).max()
    second, third = 10 ** (-rng.uniform(30, 50) / 20), 10 ** (-rng.uniform(35, 55) / 20)
    z = z + np.abs(z).max() * (second * bass**2 + third * bass**3)
    if room:
        tail = rng.normal(size=round(0.3 * RATE)) * np.exp(-6.9 * np.arange(round(0.3 * RATE)) / RATE / 0.3) * 0.02
        tail[: round(0.006 * RATE)] = 0.0
        z = z + signal.fftconvolve(z, tail)[: z.size]
    return z + size * 10 ** (-snr_db / 20) * rng.normal(size=z.size)


def rubbing(rng: np.random.Generator, y: Array, level_db: float) -> Array:
    """A short burst of noise once a period while the sweep crosses less than an octave."""
    y, rate_s = y.copy(), LENGTH_S / math.log(HIGH / LOW)
    first = rng.uniform(60, 300)
    turns = LOW * rate_s * np.exp(np.arange(round(LENGTH_S * RATE)) / RATE / rate_s)
    hz = turns / rate_s
    at = np.flatnonzero((np.diff(np.floor(turns + 0.2)) > 0) & (hz[1:] > first) & (hz[1:] < 1.7 * first))
    shape = rng.normal(size=40) * np.exp(-np.arange(40) / 8.0)
    size = np.sqrt(np.mean(y**2)) * 10 ** (level_db / 20) / np.abs(shape).max()
    for k in at + round(LEAD_S * RATE):
        y[k : k + 40] += size * shape * (1 + 0.2 * rng.normal())
    return y


def damaged(rng: np.random.Generator, y: Array, kind: str, size: float) -> tuple[Array, float]:
    """A damaged recording and the moment of the damage. size : ms of a gap, samples lost, or dB re its rms."""
    y, k = y.copy(), round((LEAD_S + rng.uniform(0.3, 0.85) * LENGTH_S) * RATE)
    level = np.sqrt(np.mean(y**2)) * 10 ** (size / 20)
    if kind == "gap":
        y[k : k + round(size * RATE / 1e3)] = 0.0
    elif kind == "lost":
        y = np.concatenate([y[:k], y[k + round(size) :], np.zeros(round(size))])
    elif kind == "click":
        y[k : k + 3] += level * np.array([1.0, -0.7, 0.3])
    elif kind == "slam":
        burst = signal.lfilter(*signal.butter(2, [60, 900], "band", fs=RATE), rng.normal(size=3600))
        burst *= np.exp(-np.arange(3600) / RATE / 0.03)
        y[k : k + 3600] += burst / np.sqrt(np.mean(burst[:800] ** 2)) * level
    elif kind == "voice":
        turns = np.cumsum(rng.uniform(100, 220) * (1 + 0.05 * np.sin(2 * np.pi * 3 * np.arange(12_000) / RATE))) / RATE
        voice = signal.lfilter(*signal.butter(2, [250, 3000], "band", fs=RATE), turns % 1 - 0.5)
        voice *= np.sin(np.pi * np.arange(12_000) / 12_000)
        end = min(k + 12_000, y.size)
        y[k:end] += (voice / np.sqrt(np.mean(voice**2)) * level)[: end - k]
    return y, k / RATE
