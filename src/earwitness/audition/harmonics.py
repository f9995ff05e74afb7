"""Harmonic distortion as it was measured with sines, added to a sound.

Each order n is the Chebyshev polynomial T_n of the sound, T_n(cos a) = cos(n a), through a filter of its own: a sine
as high as the sound's peak gets the harmonics that were measured, none beside them, and several tones get the products
that such polynomials make. It has no memory but that of its filters (own choice, a parallel Hammerstein model after
Novak et al., IEEE Trans. Instrum. Meas. 59, 2010, from memory). Phases of harmonics were not kept: they are of minimum
phase.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from earwitness.audition.filters import Convolver, minimum_phase_taps
from earwitness.audition.versions import HarmonicLevel
from earwitness.quantities.arrays import FloatArray

if TYPE_CHECKING:
    from earwitness.audition.render import Sound

FINER = 4
"""Fifth powers of what lies below 20 kHz fold back above it."""
_OPEN_TO, _SHUT_FROM = 0.42, 0.56
_SHUT_DB = -120.0
_EDGE = 1.05


class AddedHarmonics:
    """What a loudspeaker adds to a sound, piece by piece as the sound comes. late_s : before it begins."""

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
