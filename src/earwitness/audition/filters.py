"""Impulse responses from levels: what a loudspeaker's curve sounds like."""

import numpy as np
import scipy.fft

from earwitness.dsp.filters import minimum_phase
from earwitness.errors import InputError
from earwitness.quantities import FloatArray

DESIGN_LENGTH_S = 2.7
"""Of the cepstrum: 131,072 points at 48 kHz. Ringing and low cut must fit, else it folds back (own check)."""
TAIL_DB = -110.0
MOST_TAPS_S = 1.5


def on_bins(bins_hz: FloatArray, hz: FloatArray, level_db: FloatArray) -> FloatArray:
    """(B,) level at bins_hz: linear in dB over the logarithm of frequency, the edges held beyond hz (F,)."""
    return np.interp(np.log(np.maximum(bins_hz, 1e-3)), np.log(hz), level_db)


TREBLE_HZ = (2000.0, 16_000.0)
LEAD_S = 0.01
"""Room before the main sound for what comes ahead of it where the phase is the measured one."""


def minimum_phase_taps(
    hz: FloatArray, level_db: FloatArray, rate_hz: float, phase_rad: FloatArray | None = None
) -> FloatArray:
    """(N,) impulse response of minimum phase with levels level_db at hz (F,), rising; edges are held beyond them.

    phase_rad (F,) : in place of the minimum phase, unwrapped; its sign is set, and its delay so that from 2 to
    16 kHz it comes as the minimum phase does, then the whole 10 ms later; an octave beyond both edges it is the
    minimum phase. Cut where its energy to come lies 110 dB below the whole, the last eighth faded by half a cosine.
    Above the last measured point the phase is not known: held levels decide it. InputError as `minimum_phase`, and
    where hz does not rise. Source: real cepstrum, Oppenheim and Schafer, Discrete-Time Signal Processing (from memory).
    """
    if hz.size < 2 or np.any(np.diff(hz) <= 0.0) or hz[0] <= 0.0:
        raise InputError(f"no filter for {hz.size} frequencies", expected="two or more that rise, above 0")
    length = scipy.fft.next_fast_len(round(DESIGN_LENGTH_S * rate_hz), True)
    length += length % 2
    bins = np.arange(length // 2 + 1) * rate_hz / length
    spectrum = minimum_phase(10.0 ** (on_bins(bins, hz, level_db) / 20.0))
    if phase_rad is not None:
        excess = phase_rad - np.interp(hz, bins, np.unwrap(np.angle(spectrum)))
        treble = (hz >= TREBLE_HZ[0]) & (hz <= TREBLE_HZ[1])
        excess = excess - np.polyfit(hz[treble], excess[treble], 1)[0] * hz
        # Where all sound comes from one cone nothing but the sign is left over the minimum phase.
        excess = excess - np.pi * np.round(excess[0] / np.pi)
        beyond = np.concatenate([[hz[0] / 2.0], hz, [2.0 * hz[-1]]])
        phase = np.interp(bins, beyond, np.concatenate([[0.0], excess, [0.0]]), left=0.0, right=0.0)
        spectrum = spectrum * np.exp(1j * (phase - 2.0 * np.pi * bins * LEAD_S))
    return trimmed(np.asarray(scipy.fft.irfft(spectrum, length), dtype=np.float64), rate_hz)


def trimmed(impulse: FloatArray, rate_hz: float) -> FloatArray:
    """The impulse response (N,) to where what is left of its energy lies 110 dB below the whole, at most 1.5 s; then
    an eighth more that fades out by half a cosine."""
    left = np.cumsum(impulse[::-1] ** 2)[::-1]
    needed = int(np.count_nonzero(left > left[0] * 10.0 ** (TAIL_DB / 10.0)))
    count = max(min(needed, round(MOST_TAPS_S * rate_hz)), 64)
    fade = count // 8
    kept = np.array(impulse[: count + fade])
    kept[count:] *= 0.5 + 0.5 * np.cos(np.pi * (np.arange(kept.size - count) + 0.5) / max(fade, 1))
    return kept


class Convolver:
    """Overlap-save of a stream (C, N) with one impulse response (taps,) for all channels, or with those (E, C, taps)
    from each channel to each of E ears, in flat memory.

    history : samples before the first, (C, taps - 1) or fewer; none: silence. For a loop they are its end, so that the
    tail of the pass before is already in it.
    """

    def __init__(self, taps: FloatArray, channels: int, *, history: FloatArray | None = None) -> None:
        count = taps.shape[-1]
        self._size = scipy.fft.next_fast_len(max(4 * count, 2**15), True)
        self._new = self._size - count + 1
        self._spectrum = scipy.fft.rfft(taps, self._size, axis=-1)
        self._out = channels if taps.ndim == 1 else taps.shape[0]
        self._old = np.zeros((channels, count - 1))
        if history is not None and history.shape[1] and count > 1:
            kept = history[:, -(count - 1) :]
            self._old[:, -kept.shape[1] :] = kept

    def __call__(self, samples: FloatArray) -> FloatArray:
        """The filtered samples (C, N), or (E, N): as many as came in, none late."""
        ready = np.concatenate([self._old, samples], axis=1)
        kept = self._old.shape[1]
        out = np.empty((self._out, samples.shape[1]))
        for at in range(0, samples.shape[1], self._new):
            piece = scipy.fft.rfft(ready[:, at : at + self._size], self._size, axis=-1)
            count = min(self._new, samples.shape[1] - at)
            seen = piece * self._spectrum if self._spectrum.ndim == 1 else (self._spectrum * piece).sum(axis=1)
            out[:, at : at + count] = scipy.fft.irfft(seen, self._size, axis=-1)[:, kept : kept + count]
        self._old = ready[:, ready.shape[1] - kept :] if kept else self._old
        return out
