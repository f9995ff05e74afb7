"""Sounds the program makes to listen with: loops of whole samples, the same at every call."""

from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np
import scipy.fft

from earwitness.errors import choice
from earwitness.quantities.arrays import FloatArray

_SEED = 20_261_130
_PEAK = 0.25


def pink(rate_hz: int) -> FloatArray:
    """(N,) 8 s of noise of equal power per octave, 20 Hz to 20 kHz: shows changes of timbre best."""
    count = 8 * rate_hz
    hz = scipy.fft.rfftfreq(count, 1.0 / rate_hz)
    inside = (hz >= 20.0) & (hz <= min(20_000.0, 0.45 * rate_hz))
    return _noise(count, np.where(inside, 1.0 / np.sqrt(np.maximum(hz, 1.0)), 0.0), _SEED)


def pluck(rate_hz: int) -> FloatArray:
    """(N,) 8 s of plucked strings, a falling scale over three octaves: shows resonances and the bass of notes.

    Karplus and Strong's string (Computer Music Journal 7, 1983, from memory) in closed form: partials n whose decay
    rises with n squared.
    """
    notes_hz = 55.0 * 2.0 ** (np.array([36, 31, 27, 24, 19, 15, 12, 7]) / 12.0)
    return _events(rate_hz, 8, [(i, _string(rate_hz, float(hz), 2.0)) for i, hz in enumerate(notes_hz)])


def drums(rate_hz: int) -> FloatArray:
    """(N,) 4 s of bursts like drums: low tones that fall, noise of two lengths: shows attack and bass."""
    time = np.arange(round(0.5 * rate_hz)) / rate_hz
    fall = 2.0 * np.pi * (55.0 * time - 40.0 * 0.03 * np.expm1(-time / 0.03))
    low = np.sin(fall) * np.exp(-time / 0.12)
    rng = np.random.default_rng(_SEED)
    rattle = rng.standard_normal(time.size) * np.exp(-time / 0.06) * 0.35
    tick = np.diff(rng.standard_normal(time.size + 1)) * np.exp(-time / 0.02) * 0.12
    beat = [(0.0, low), (1.0, rattle), (2.0, low), (2.5, low), (3.0, rattle)]
    ticks = [(i * 0.5 + 0.0, tick) for i in range(8)]
    return _events(rate_hz, 4, [*beat, *ticks])


def speech(rate_hz: int) -> FloatArray:
    """(N,) 8 s of noise with the long-term spectrum of speech and four syllables a second: shows the midrange.

    Spectrum: flat from 100 to 500 Hz, -9 dB/octave above (rough form of the long-term average of speech, from memory).
    """
    count = 8 * rate_hz
    hz = scipy.fft.rfftfreq(count, 1.0 / rate_hz)
    shape = np.where(hz < 80.0, 0.0, np.minimum(1.0, (np.maximum(hz, 1.0) / 500.0) ** -1.5))
    time = np.arange(count) / rate_hz
    syllables = 0.5 - 0.5 * np.cos(2.0 * np.pi * 4.0 * time)
    pauses = np.where((time % 4.0) < 3.25, 1.0, 0.0)
    made = _noise(count, shape, _SEED + 1) * syllables * pauses
    return np.asarray(made * _PEAK / np.max(np.abs(made)), dtype=np.float64)


MATERIAL: Mapping[str, Callable[[int], FloatArray]] = MappingProxyType(
    {"pink": pink, "pluck": pluck, "drums": drums, "speech": speech}
)


def material(name: str, rate_hz: int) -> FloatArray:
    """(1, N) the loop of that name at a sample rate, peak 0.25. InputError for an unknown name."""
    return MATERIAL[choice("the material", name, MATERIAL)](rate_hz)[None, :]


def _noise(count: int, shape: FloatArray, seed: int) -> FloatArray:
    """Noise that repeats after count samples, of a magnitude spectrum; peak 0.25."""
    drawn = np.random.default_rng(seed).standard_normal((2, shape.size))
    made = scipy.fft.irfft(shape * (drawn[0] + 1j * drawn[1]), count)
    return np.asarray(made * _PEAK / np.max(np.abs(made)), dtype=np.float64)


def _string(rate_hz: int, frequency_hz: float, duration_s: float) -> FloatArray:
    time = np.arange(round(duration_s * rate_hz)) / rate_hz
    made = np.zeros(time.size)
    for n in range(1, int(min(0.45 * rate_hz, 16_000.0) / frequency_hz) + 1):
        decay_s = 0.9 / (1.0 + 0.004 * n * n)
        made += np.sin(2.0 * np.pi * n * frequency_hz * time) * np.exp(-time / decay_s) * np.sin(np.pi * n * 0.18) / n
    fade = round(0.05 * rate_hz)
    made[-fade:] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(fade) / fade)
    return made


def _events(rate_hz: int, length_s: int, events: list[tuple[float, FloatArray]]) -> FloatArray:
    """Sounds at times [s] in a loop: what passes its end goes on at its beginning. Peak 0.25."""
    out = np.zeros(length_s * rate_hz)
    for at_s, sound in events:
        np.add.at(out, (round(at_s * rate_hz) + np.arange(sound.size)) % out.size, sound)
    return np.asarray(out * _PEAK / np.max(np.abs(out)), dtype=np.float64)
