"""Whether a channel that should hold what was played holds it without gaps and slips.

A sound card's own flags come on good and bad runs alike, so the content decides: piece by piece the channel is
compared with the signal, which may be passed on with any gain and a gentle filter, but not with holes.
"""

import math
from dataclasses import dataclass

import numpy as np
import scipy.fft

from earwitness.quantities.arrays import ComplexArray, FloatArray

# Project defaults, set on simulated wires with AC coupling and anti-alias filters.
_LOW_WINDOW_S = 0.25
_WINDOW_S = 0.05
_LOW_HZ = 200.0
_PIECE_S = 0.005
_ODD_SHARE = 0.25
_LOST_SHARE = 0.35
_SLIP_TURN = 60.0 / 360.0
_MOST_SLIP = 4096
_CARRIES_CORRELATION = 0.9
_CLEARLY = 0.05
_DEAD_RUN_S = 0.0006


@dataclass(frozen=True, slots=True)
class ContentReading:
    """spans_s : stretches of the signal (start, end) that were lost or altered; slipped : whether time jumped;
    carries : whether the channel holds the signal at all, piece by piece."""

    spans_s: tuple[tuple[float, float], ...]
    slipped: bool
    carries: bool


def compare_content(
    played: FloatArray, heard: FloatArray, delay: int, rate_hz: float, *, noise_rms: float, shared_clock: bool = True
) -> ContentReading:
    """Compare heard (M,) from `delay` on with played (N,).

    noise_rms : of the channel in silence. shared_clock : player and recorder are one device; otherwise their clocks
    drift and nothing is told of slips.
    """
    slipped, carries = _lags(played, heard, delay, rate_hz)
    around = heard[delay : delay + played.size]
    if around.size < 64 or slipped or not carries:
        return ContentReading((), slipped and shared_clock, carries)
    played = played[: around.size]
    analytic = _analytic(_shifted(played, _fraction(played, around)))
    rms_all = math.sqrt(float(np.mean(played**2)))
    scale = float(np.sqrt(np.mean(around**2)) / rms_all)
    odd: list[tuple[float, float]] = []
    for start, length in _windows(analytic, rate_hz):
        want, have = analytic[start : start + length], around[start : start + length]
        if float(np.mean(want.real**2)) < (0.05 * rms_all) ** 2:
            continue
        odd += _odd_pieces(want, have, scale, noise_rms, start, rate_hz)
    return ContentReading(_joined(odd), False, True)


def _windows(analytic: ComplexArray, rate_hz: float) -> list[tuple[int, int]]:
    """(start, length) that overlap by half: a gap at the edge of one lies inside another. Long where periods are."""
    long, short = (min(round(s * rate_hz), analytic.size) for s in (_LOW_WINDOW_S, _WINDOW_S))
    out, at = [], 0
    while at < analytic.size:
        low = _centroid_hz(analytic[at : at + long], rate_hz) < _LOW_HZ
        length = long if low else short
        out.append((max(min(at, analytic.size - length), 0), length))
        at += max(length // 2, 1)
    return out


def _lags(played: FloatArray, heard: FloatArray, delay: int, rate_hz: float) -> tuple[bool, bool]:
    """Whether pieces of a quarter second lie at different delays, and whether most of them are there at all."""
    length = min(round(_LOW_WINDOW_S * rate_hz), played.size)
    rms_all = math.sqrt(float(np.mean(played**2)))
    off, fits, known = 0, 0, 0
    for start in range(0, max(played.size - length, 0) + 1, max(length, 1)):
        piece = played[start : start + length]
        if float(np.mean(piece**2)) < (0.3 * rms_all) ** 2:
            continue
        first = max(delay + start - _MOST_SLIP, 0)
        region = heard[first : delay + start + length + _MOST_SLIP]
        if region.size < length:
            continue
        lag, fit, in_place = _best_fit(piece, region, delay + start - first)
        known += 1
        if fit < _CARRIES_CORRELATION:
            continue
        fits += 1
        allowed = max(2.0, _SLIP_TURN * rate_hz / max(_centroid_hz(_analytic(piece), rate_hz), 1.0))
        # Periodic signals fit at many places: only where the right place fits clearly worse has time jumped.
        off += abs(first + lag - delay - start) > allowed and in_place < fit - _CLEARLY
    return off > 0, known > 0 and fits >= 0.5 * known


def _best_fit(piece: FloatArray, region: FloatArray, place: int) -> tuple[int, float, float]:
    """Where piece (n,) lies best in region (m,), the correlation there, 0 to 1, and that at `place`."""
    size = scipy.fft.next_fast_len(region.size + piece.size, True)
    across = scipy.fft.irfft(scipy.fft.rfft(region, size) * np.conj(scipy.fft.rfft(piece, size)), size)
    count = region.size - piece.size + 1
    energy = np.concatenate([[0.0], np.cumsum(region**2)])
    local = energy[piece.size :] - energy[: -piece.size]
    floor = 1e-6 * float(local.max()) + 1e-30
    share = np.abs(across[:count]) / np.sqrt(np.maximum(local, floor) * float(piece @ piece))
    best = int(np.argmax(share))
    return best, float(share[best]), float(share[place]) if 0 <= place < count else 0.0


def dead_spans(samples: FloatArray, rate_hz: float) -> tuple[tuple[float, float], ...]:
    """Stretches (start, end) [s] inside samples (N,) that are exactly constant: a converter's noise never is.

    Nothing is told of a channel that is exact silence most of the time, as a digital wire is.
    """
    same = np.flatnonzero(np.diff(samples) == 0.0)
    if same.size == 0 or same.size > 0.5 * samples.size:
        return ()
    runs = np.split(same, np.flatnonzero(np.diff(same) > 1) + 1)
    least = max(round(_DEAD_RUN_S * rate_hz), 8)
    # A clipped stretch is constant too, and is told as clipping.
    return tuple(
        (float(run[0]) / rate_hz, float(run[-1] + 1) / rate_hz)
        for run in runs
        if run.size >= least and abs(samples[run[0]]) < 0.9
    )


def _odd_pieces(
    want: ComplexArray, have: FloatArray, scale: float, noise_rms: float, start: int, rate_hz: float
) -> list[tuple[float, float]]:
    piece = max(round(_PIECE_S * rate_hz), 8)
    count = have.size // piece
    if count == 0:
        return []
    # A gain and a phase that may change evenly over the window, as a gentle filter makes them.
    slope = np.linspace(-1.0, 1.0, have.size)
    terms = np.stack([want.real, want.imag, slope * want.real, slope * want.imag], axis=1)
    found = terms @ np.linalg.lstsq(terms, have, rcond=1e-6)[0]
    rms = math.sqrt(float(np.mean(found**2)))
    if rms < _LOST_SHARE * scale * math.sqrt(float(np.mean(want.real**2))):
        return [(start / rate_hz, (start + have.size) / rate_hz)]
    rest = (have - found)[: count * piece].reshape(count, piece)
    limit = _ODD_SHARE * rms + 4.0 * noise_rms
    bad = np.flatnonzero(np.sqrt(np.mean(rest**2, axis=1)) > limit)
    return [((start + n * piece) / rate_hz, (start + (n + 1) * piece) / rate_hz) for n in bad.tolist()]


def _joined(spans: list[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    out: list[tuple[float, float]] = []
    for start, end in sorted(spans):
        if out and start <= out[-1][1] + 0.01:
            out[-1] = (out[-1][0], max(end, out[-1][1]))
        else:
            out.append((start, end))
    return tuple(out)


def _fraction(played: FloatArray, around: FloatArray) -> float:
    """Rest of the delay, -1 to 1 sample, where the correlation of the two is highest."""
    size = scipy.fft.next_fast_len(2 * played.size, True)
    across = scipy.fft.rfft(around, size) * np.conj(scipy.fft.rfft(played, size))
    turn = 2.0 * np.pi * np.arange(across.size) / size
    step = max(across.size // 20_000, 1)
    across, turn = across[::step], turn[::step]
    grid = np.linspace(-1.0, 1.0, 81)
    found = [abs(float(np.real(np.sum(across * np.exp(1j * turn * shift))))) for shift in grid]
    return float(grid[int(np.argmax(found))])


def _shifted(samples: FloatArray, by: float) -> FloatArray:
    size = scipy.fft.next_fast_len(samples.size + 64, True)
    turn = 2.0 * np.pi * np.arange(size // 2 + 1) / size
    moved = scipy.fft.irfft(scipy.fft.rfft(samples, size) * np.exp(-1j * turn * by), size)
    return np.asarray(moved[: samples.size], dtype=np.float64)


def _analytic(samples: FloatArray) -> ComplexArray:
    size = scipy.fft.next_fast_len(samples.size + 4096, True)
    spectrum = np.zeros(size, dtype=np.complex128)
    half = scipy.fft.rfft(samples, size)
    spectrum[: half.size] = 2.0 * half
    spectrum[0] = 0.0
    return np.asarray(scipy.fft.ifft(spectrum)[: samples.size], dtype=np.complex128)


def _centroid_hz(want: ComplexArray, rate_hz: float) -> float:
    """Mean frequency by the turning of the phase, weighted by power."""
    turning = np.angle(np.sum(want[1:] * np.conj(want[:-1])))
    return abs(float(turning)) * rate_hz / (2.0 * math.pi)
