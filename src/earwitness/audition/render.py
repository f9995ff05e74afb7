"""Versions rendered from one sound, at one loudness, without clipping, with the distortion that was measured."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from earwitness.audition.filters import LEAD_S, Convolver, minimum_phase_taps
from earwitness.audition.loudness import LoudnessMeter, PeakMeter, matched_gains_db
from earwitness.audition.versions import HarmonicLevel, Version
from earwitness.errors import InputError
from earwitness.quantities.arrays import FloatArray

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
        Rendered(version, sound, taps, late_s, gain, heard + gain, top + gain)
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
