"""Versions rendered from one sound, at one loudness, without clipping, with the distortion that was measured.

Sounds that the program makes itself are loops of whole samples, the same at every call.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
import scipy.fft

from earwitness.audition.filters import LEAD_S, Convolver, minimum_phase_taps, on_bins
from earwitness.audition.loudness import LoudnessMeter, PeakMeter, matched_gains_db
from earwitness.errors import InputError, choice
from earwitness.quantities import Curve, FloatArray, runs

_REFERENCE_HZ = (300.0, 3000.0)


@dataclass(frozen=True, slots=True, eq=False)
class HarmonicLevel:
    """One order of distortion. hz (F,) : of the harmonic itself, rising; level_db (F,) : of it for a sine as high as
    the sound's peak, on the scale of the version's level."""

    order: int
    hz: FloatArray
    level_db: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Version:
    """A response to listen through.

    key : of its file; words : what it is, for people; hz, level_db (F,) : its response, 0 dB its own mean from 300 Hz
    to 3 kHz before anything was added; bounded_hz : where it was measured, beyond it the level of the edge is held;
    to_ears : (2, 2, N) from two channels to two ears in place of the level, None without a room
    phase_rad : (F,) unwrapped, as measured; None for the minimum phase
    harmonics : what is added to the sound, order by order
    """

    key: str
    words: str
    hz: FloatArray
    level_db: FloatArray
    bounded_hz: tuple[float, float]
    to_ears: FloatArray | None = None
    phase_rad: FloatArray | None = None
    harmonics: tuple[HarmonicLevel, ...] = ()

    def with_change(self, key: str, words: str, change_db: FloatArray) -> Version:
        """The same with change_db (F,) added."""
        return replace(self, key=key, words=words, level_db=self.level_db + change_db)


def flat(hz: FloatArray) -> Version:
    """Nothing changed: the sound as it is recorded."""
    return Version("flat", "the recording itself", hz, np.zeros(hz.size), (float(hz[0]), float(hz[-1])))


def through(curve: Curve, key: str, words: str) -> Version:
    """What a curve makes of the sound. InputError where no stretch of it from below 300 Hz to above 3 kHz is valid.

    The longest run of valid points counts; beyond it the level of its edge is held.
    """
    hz = curve.axis.hz
    longest = max(runs(curve.valid), key=lambda run: float(hz[run.stop - 1] / hz[run.start]), default=slice(0))
    here, level = hz[longest], curve.values[longest]
    if here.size < 2 or here[0] > _REFERENCE_HZ[0] or here[-1] < _REFERENCE_HZ[1]:
        raise InputError.of("audition.curve_too_short", curve=curve)
    middle = (here >= _REFERENCE_HZ[0]) & (here <= _REFERENCE_HZ[1])
    return Version(key, words, here, level - float(np.mean(level[middle])), (float(here[0]), float(here[-1])))


def distorted(one: Version, curves: Mapping[int, Curve], key: str, words: str) -> Version:
    """A version that adds harmonics as they were measured with sines. curves : by order, dB relative to the
    fundamental, over its frequency. InputError where none stands clear of the noise.

    What was not measured is not added.
    """
    made = []
    for order, curve in curves.items():
        known = curve.valid
        if np.count_nonzero(known) > 1:
            hz = curve.axis.hz[known]
            made.append(HarmonicLevel(order, order * hz, on_bins(hz, one.hz, one.level_db) + curve.values[known]))
    if not made:
        raise InputError("no harmonic stands clear of the noise at this level", remedy="choose a higher level")
    return replace(one, key=key, words=words, harmonics=tuple(made))


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


FINER = 4
"""Fifth powers of what lies below 20 kHz fold back above it."""
_OPEN_TO, _SHUT_FROM = 0.42, 0.56
_SHUT_DB = -120.0
_EDGE = 1.05


class AddedHarmonics:
    """What a loudspeaker adds to a sound, piece by piece as the sound comes. late_s : before it begins.

    Each order n is the Chebyshev polynomial T_n of the sound, T_n(cos a) = cos(n a), through a filter of its own: a
    sine as high as the sound's peak gets the harmonics that were measured, none beside them, and several tones get the
    products that such polynomials make. It has no memory but that of its filters (own choice, a parallel Hammerstein
    model after Novak et al., IEEE Trans. Instrum. Meas. 59, 2010, from memory). Phases of harmonics were not kept: they
    are of minimum phase.
    """

    def __init__(self, sound: Sound, harmonics: Sequence[HarmonicLevel], late_s: float = 0.0) -> None:
        self._sound, self._rate_hz = sound, FINER * sound.rate_hz
        self._before = np.zeros(FINER * round(late_s * sound.rate_hz))
        edges = np.array([1.0, _OPEN_TO, _SHUT_FROM, 0.5 * FINER]) * np.array([1.0, *[float(sound.rate_hz)] * 3])
        self._open = FINER * minimum_phase_taps(edges, np.array([0.0, 0.0, _SHUT_DB, _SHUT_DB]), self._rate_hz)
        self._orders = [(one.order, self._taps(one)) for one in harmonics]
        self._peak = max((float(np.abs(piece).max(initial=0.0)) for piece in self._finer()), default=0.0)

    def _taps(self, one: HarmonicLevel) -> FloatArray:
        """The filter of one order: nothing outside of what was measured, and nothing that would fold back."""
        inside = one.hz <= _OPEN_TO * self._sound.rate_hz
        if np.count_nonzero(inside) < 2:
            return np.zeros(64)
        hz, level = one.hz[inside], one.level_db[inside]
        hz = np.concatenate([[hz[0] / _EDGE], hz, [hz[-1] * _EDGE]])
        shut = float(level.max()) + _SHUT_DB
        taps = minimum_phase_taps(hz, np.concatenate([[shut], level, [shut]]), self._rate_hz)
        return np.concatenate([self._before, taps])

    def _finer(self) -> Iterator[FloatArray]:
        """The sound at four times its rate; of a loop a pass that others went before."""
        through = Convolver(self._open, self._sound.channels)
        for lap in range(laps := self._laps(self._open)):
            for piece in self._sound.pieces():
                spread = np.zeros((piece.shape[0], FINER * piece.shape[1]))
                spread[:, ::FINER] = piece
                made = through(spread)
                if lap == laps - 1:
                    yield made

    def _laps(self, *filters: FloatArray) -> int:
        """How often a loop is played until the filters hold nothing but the loop."""
        if not self._sound.loops:
            return 1
        return 1 + max(-(-taps.size // (FINER * self._sound.frames)) for taps in filters)

    def pieces(self) -> Iterator[FloatArray]:
        """Pieces (C, n) to be added to those of the sound; of a loop, as if it had been played before."""
        filters = [(order, Convolver(taps, self._sound.channels)) for order, taps in self._orders]
        for lap in range(laps := self._laps(*(taps for _, taps in self._orders))):
            for finer in self._finer():
                whole = np.zeros((finer.shape[0], finer.shape[1] // FINER))
                for order, through in filters:
                    bent = self._peak * _chebyshev(order, finer / max(self._peak, 1e-12))
                    whole += through(bent)[:, ::FINER]
                if lap == laps - 1:
                    yield whole


def _chebyshev(order: int, value: FloatArray) -> FloatArray:
    """T_order of values from -1 to 1 (handbook: T_n = 2 x T_n-1 - T_n-2)."""
    before, now = np.ones_like(value), value
    for _ in range(order - 1):
        before, now = now, 2.0 * value * now - before
    return now


PIECE = 2**17


@dataclass(frozen=True, slots=True, eq=False)
class Sound:
    """A sound to render: pieces() gives its samples (C, n) from the beginning, each time it is called.

    loops : its end meets its beginning; then versions are rendered as if it had been played before
    """

    rate_hz: int
    channels: int
    frames: int
    pieces: Callable[[], Iterable[FloatArray]]
    loops: bool = False


def sound_of(samples: FloatArray, rate_hz: int, *, loops: bool = False) -> Sound:
    """A sound in memory, samples (C, N)."""
    count = samples.shape[1]
    return Sound(
        rate_hz, samples.shape[0], count, lambda: (samples[:, a : a + PIECE] for a in range(0, count, PIECE)), loops
    )


@dataclass(frozen=True, slots=True, eq=False)
class Rendered:
    """A version of a sound, ready to be written. taps (N,) : its filter, or (2, 2, N) to two ears; gain_db : on it;
    late_s : before it begins; loudness_lufs, true_peak_db : with that gain."""

    version: Version
    sound: Sound
    taps: FloatArray
    late_s: float
    gain_db: float
    loudness_lufs: float
    true_peak_db: float

    @property
    def channels(self) -> int:
        return channels_of(self.sound, self.taps)

    def pieces(self) -> Iterator[FloatArray]:
        """What is heard, piece by piece (C, n)."""
        return played(self.version, self.sound, self.taps, self.late_s, self.gain_db)


def prepared(
    versions: Sequence[Version],
    sound: Sound,
    *,
    match_loudness: bool = True,
    told: Callable[[float], None] = lambda _: None,
) -> tuple[Rendered, ...]:
    """Filters and gains of all versions: one loudness for all (or one gain), the highest true peak at -1 dB at most.

    told : is given the share done. Raises InputError for a sound shorter than 0.4 s or below -70 LUFS.
    """
    # All come as late as one whose measured phase needs room before it.
    late_s = LEAD_S if any(one.phase_rad is not None for one in versions) else 0.0
    filters = [_taps(one, sound.rate_hz, late_s) for one in versions]
    loud: list[float] = []
    peak: list[float] = []
    for place, (version, taps) in enumerate(zip(versions, filters, strict=True)):
        channels = channels_of(sound, taps)
        meter, peaks = LoudnessMeter(sound.rate_hz, channels), PeakMeter(channels)
        for piece in played(version, sound, taps, late_s):
            meter.add(piece)
            peaks.add(piece)
        heard = meter.integrated_lufs()
        if heard is None:
            raise InputError.of("audition.no_loudness")
        loud.append(heard)
        peak.append(peaks.true_peak_db())
        told((place + 1) / len(filters))
    gains = matched_gains_db(loud, peak)
    if not match_loudness:
        gains = [min(gains)] * len(gains)
    return tuple(
        Rendered(version, sound, taps, late_s=late_s, gain_db=gain, loudness_lufs=heard + gain, true_peak_db=top + gain)
        for version, taps, gain, heard, top in zip(versions, filters, gains, loud, peak, strict=True)
    )


def _taps(version: Version, rate_hz: int, late_s: float) -> FloatArray:
    if version.to_ears is not None:
        return version.to_ears
    taps = minimum_phase_taps(version.hz, version.level_db, rate_hz, version.phase_rad)
    return taps if version.phase_rad is not None else np.concatenate([np.zeros(round(late_s * rate_hz)), taps])


def played(
    version: Version, sound: Sound, taps: FloatArray, late_s: float = 0.0, gain_db: float = 0.0
) -> Iterator[FloatArray]:
    """The pieces (C, n) of a sound through a version, with the harmonics that it adds."""
    heard = filtered(sound, taps, gain_db)
    if not version.harmonics:
        return heard
    gain = math.pow(10.0, gain_db / 20.0)
    added = AddedHarmonics(sound, version.harmonics, late_s).pieces()
    return (one + gain * more for one, more in zip(heard, added, strict=True))


def channels_of(sound: Sound, taps: FloatArray) -> int:
    """How many channels come out: two to ears, else those of the sound."""
    return sound.channels if taps.ndim == 1 else len(taps)


def filtered(sound: Sound, taps: FloatArray, gain_db: float = 0.0) -> Iterator[FloatArray]:
    """The pieces (C, n) of a sound through a filter."""
    history = None
    if sound.loops:
        history = np.concatenate(list(sound.pieces()), axis=1)
        while history.shape[1] < taps.shape[-1] - 1:
            history = np.concatenate([history, history], axis=1)
    if taps.ndim == 3 and sound.channels == 1:
        # A single channel is played by both loudspeakers.
        taps = taps.sum(axis=1, keepdims=True)
    through = Convolver(taps * math.pow(10.0, gain_db / 20.0), sound.channels, history=history)
    for piece in sound.pieces():
        yield through(piece)
