"""What processing leaves in responses: smoothing, a gate, straight lines between coarse points, noise, a turned phase.

Each function takes levels or samples alone and says what it finds, or that it finds nothing; whether that contradicts
what somebody states of the data is judged elsewhere. Rates of right and wrong findings are counted over random
loudspeakers in tests/dsp/test_data_traces.py.
"""

from dataclasses import dataclass

import numpy as np
import scipy.fft

from earwitness.dsp.filters import minimum_phase
from earwitness.quantities import FloatArray

PER_OCTAVE = 48
# The more octaves, the surer; coarse points of an even grid end the band earlier.
LOWEST_HZ, HIGHEST_HZ = (250.0, 500.0, 1000.0), 16_000.0
_DEPTH, _SHARE_OF_DEEPEST, _FEWEST_LAG = 0.28, 0.6, 2.0
_FITS = (0.4, 2.0)
_FEWEST_PER_OCTAVE = 12
# Between the lag of an even average (w) and that of a Gaussian one (w / sqrt 2), a fourth root of 2 from either.
_OF_LAG = 2**0.25
_GRID_HZ, _GRID_BINS = 5.859375, 4097
_EXCESS_HZ = (300.0, 10_000.0)


def smoothing_per_octave(hz: FloatArray, level_db: FloatArray) -> float:
    """n of a smoothing over 1/n octave that levels (D, F) of one loudspeaker share, 0.0 where none is found.

    A moving average of width w over log frequency leaves -1/2 in the autocorrelation of first differences at lag w (end
    values enter and leave), a Gaussian one of equal variance -0.446 at w / sqrt 2. Told only if the lower and the
    upper half of the band agree, since a gate's width falls with frequency. n is within a factor of sqrt 2.
    """
    per_octave = 0
    for lowest_hz in LOWEST_HZ:
        inside = (hz >= lowest_hz * 0.999) & (hz <= HIGHEST_HZ * 1.001)
        if inside.sum() < PER_OCTAVE:
            return 0.0
        octaves = np.log2(hz[inside])
        per_octave = min(PER_OCTAVE, int(1.01 / float(np.diff(octaves).max())))
        if per_octave == PER_OCTAVE:
            break
    if per_octave < _FEWEST_PER_OCTAVE:
        return 0.0
    x = np.arange(octaves[0], octaves[-1], 1 / per_octave)
    rows = np.array([np.interp(x, octaves, row[inside]) for row in level_db])
    lag, depth = _first_dip(rows, per_octave)
    half = rows.shape[1] // 2
    low, high = _first_dip(rows[:, :half], per_octave)[0], _first_dip(rows[:, half:], per_octave)[0]
    if depth < _DEPTH or lag < _FEWEST_LAG or not _FITS[0] < low / high < _FITS[1]:
        return 0.0
    return float(per_octave / (_OF_LAG * lag))


def _first_dip(rows: FloatArray, per_octave: int) -> tuple[float, float]:
    """Lag (in points, to a part) and depth of the first strong dip of the pooled autocorrelation of differences."""
    steps = np.diff(rows, axis=1)
    count = steps.shape[1]
    trend = np.vander(np.arange(count) / count, 3)
    steps = steps - (trend @ np.linalg.lstsq(trend, steps.T, rcond=None)[0]).T
    lags = min(int(0.6 * per_octave) + 2, count - 2)
    found = np.array([(steps[:, k:] * steps[:, : count - k]).sum(axis=1) / (count - k) for k in range(lags)])
    there = found[0] > 0
    if not there.any():
        return 1.0, 0.0
    r = (found[:, there] / found[0, there]).mean(axis=1)
    least = _SHARE_OF_DEEPEST * float(r[1:].min())
    dips = [k for k in range(1, lags - 1) if r[k] <= least and r[k] <= r[k + 1]]
    k = dips[0] if dips else lags - 2
    bend = r[k - 1] - 2 * r[k] + r[k + 1]
    lag = k + (0.5 * (r[k - 1] - r[k + 1]) / bend if k >= 2 and bend > 0 else 0.0)
    return float(lag), float(-r[k])


@dataclass(frozen=True, slots=True)
class ResponseEnd:
    """end_s : after the loudest sample; fall_db : of the mean square across the end, within 1 ms"""

    end_s: float
    fall_db: float


def end_of_impulse(samples: FloatArray, rate_hz: float, *, below_db: float = 80.0) -> ResponseEnd:
    """Where an impulse response (N,) ends: its last sample within below_db of the loudest."""
    size = np.abs(samples)
    peak = int(size.argmax())
    loud = np.flatnonzero(size[peak:] >= size[peak] * 10 ** (-below_db / 20))
    end = peak + int(loud[-1])
    step = max(int(1e-3 * rate_hz), 1)
    before = float(np.mean(samples[max(peak, end - step) : end + 1] ** 2))
    after = float(np.mean(samples[end + 1 : end + 1 + step] ** 2)) if end + 1 + step <= samples.size else before
    return ResponseEnd((end - peak) / rate_hz, float(10 * np.log10((before + 1e-30) / (after + 1e-30))))


def end_from_levels_s(hz: FloatArray, level_db: FloatArray, *, below_db: float = 40.0) -> float | None:
    """Length in time of a response by its levels (F,) alone on an even grid; None where the grid is not even.

    The transform of the squared magnitude is the autocorrelation, which ends where the response does; levels are
    evened over 3 kHz and what lies below 2 kHz is faded out, so that bass that rings does not count. Lengths beyond
    half the reciprocal of the step can't be told.
    """
    step = np.diff(hz)
    if hz.size < 256 or np.ptp(step) > 0.02 * step[0] or hz[-1] < 8000.0:
        return None
    df = float(step.mean())
    count = int(min(hz[-1], 20_000.0) / df)
    grid = np.arange(count) * df
    power = 10 ** (np.interp(grid, hz, level_db) / 10)
    wide = max(int(3000.0 / df) // 2, 1)
    kernel = np.hanning(2 * wide + 3)[1:-1]
    size = scipy.fft.next_fast_len(count + 2 * kernel.size - 2, real=True)
    padded = scipy.fft.rfft(np.pad(power, wide, mode="edge"), size)
    even = scipy.fft.irfft(padded * scipy.fft.rfft(kernel / kernel.sum(), size), size)[2 * wide :][:count]
    power = power / np.maximum(even, power.max() * 1e-6)
    power -= power.mean()
    fade = np.where(grid < 2000.0, 0.5 - 0.5 * np.cos(np.pi * grid / 2000.0), 1.0) ** 2
    found = np.abs(np.fft.irfft(power * np.blackman(2 * count)[count:] * fade, 4 * count))[: 2 * count]
    at = np.arange(2 * count) / (4 * count) / df
    left = np.cumsum(found[::-1] ** 2)[::-1]
    first = int(np.searchsorted(at, 0.0005))
    return float(at[np.flatnonzero(left > left[first] * 10 ** (-below_db / 10))[-1]])


def drawn_from_step_hz(hz: FloatArray, level_db: FloatArray, rounded_db: float) -> float:
    """Spacing [Hz] of the points that levels (F,) on a finer grid were drawn from by straight lines over frequency.

    0.0 where none is found. Slopes then change only at multiples of one spacing. rounded_db : the levels' last digit.
    """
    step = np.diff(hz)
    slopes = np.diff(level_db) / step
    kinked = np.abs(np.diff(slopes)) * np.minimum(step[1:], step[:-1]) > 2.5 * rounded_db
    inner, wide = hz[1:-1], step[1:]
    low = inner < hz[0] * 8
    if low.sum() < 10 or kinked[low].mean() > 0.6 or (kinked & low).sum() < 3:
        return 0.0
    at, grid = inner[kinked & low], np.interp(inner[kinked & low], inner, wide)
    tried = np.arange(max(float(step.min()) * 1.5, 1.0), 60.0, 0.01)[:, None]
    away = np.abs(at / tried - np.round(at / tried)) * tried
    score = (away <= 1.01 * grid).mean(axis=1) - np.minimum(1.0, 2 * grid / tried).mean(axis=1)
    best = int(np.argmax(score))
    return float(tried[best, 0]) if score[best] > 0.4 else 0.0


def last_digit_db(level_db: FloatArray) -> float:
    """Step of rounding of levels: 1, 0.5, 0.1, 0.01 or 0.001 dB, 0.0 where they are finer."""
    known = level_db[np.isfinite(level_db)]
    for step in (1.0, 0.5, 0.1, 0.01, 0.001):
        if known.size and np.abs(known / step - np.round(known / step)).max() < 1e-6 * max(1.0, 1 / step):
            return step
    return 0.0


def snr_of_scatter_db(level_db: FloatArray) -> float:
    """Signal over noise [dB] by which neighboring independent levels (F,) scatter as much; a lower bound.

    Second differences, robust; noise S dB below a tone spreads its level by 8.686 / sqrt 2 * 10^(-S / 20) dB (small
    noise, handbook formula).
    """
    bends = (level_db[:-2] - 2 * level_db[1:-1] + level_db[2:]) / np.sqrt(6.0)
    spread = 1.4826 * float(np.median(np.abs(bends)))
    return float(-20 * np.log10(max(spread, 1e-6) * np.sqrt(2.0) * np.log(10) / 20))


def flat_tail_snr_db(samples: FloatArray) -> float | None:
    """Energy of an impulse response (N,) over that of the even noise in it [dB], None where its tail is not even.

    A room's tail falls; noise of a recording is as strong in the last eighth as in the one before.
    """
    eighth = samples.size // 8
    if eighth < 64:
        return None
    last, before = (float(np.mean(part**2)) for part in (samples[-eighth:], samples[-2 * eighth : -eighth]))
    if min(last, before) <= 0.0 or abs(10 * np.log10(last / before)) > 1.0:
        return None
    return float(10 * np.log10(np.sum(samples**2) / (last * samples.size)))


@dataclass(frozen=True, slots=True)
class ExcessPhase:
    """delay_s, rest_deg : of the phase beyond minimum phase; turned_rest_deg : of the phase with its sign turned"""

    delay_s: float
    rest_deg: float
    turned_rest_deg: float


def excess_phase(hz: FloatArray, level_db: FloatArray, phase_rad: FloatArray) -> ExcessPhase | None:
    """Delay and rest of a response (F,) against the minimum phase of its levels, 300 Hz to 10 kHz; None without data.

    phase_rad : unwrapped. Levels outside the data fall by 12 dB an octave below and are held above (own choice: the
    phase inside errs by a few degrees at three times the lowest frequency).
    """
    band = (hz >= _EXCESS_HZ[0]) & (hz <= _EXCESS_HZ[1])
    if band.sum() < 24:
        return None
    grid = np.arange(_GRID_BINS) * _GRID_HZ
    level = np.interp(grid, hz, level_db)
    level += 40 * np.log10(np.maximum(np.minimum(grid, hz[0]), _GRID_HZ) / hz[0])
    least = np.unwrap(np.angle(minimum_phase(10 ** (level / 20))))
    own = np.interp(hz[band], grid, least)
    found = [_delay_and_rest(hz[band], sign * phase_rad[band] - own) for sign in (1.0, -1.0)]
    return ExcessPhase(found[0][0], found[0][1], found[1][1])


def _delay_and_rest(hz: FloatArray, phase_rad: FloatArray) -> tuple[float, float]:
    """Least squares of -2 pi f tau + c over log frequency; rms of what is left [deg]."""
    weight = np.sqrt(np.gradient(np.log(hz)))
    design = np.stack([-2 * np.pi * hz, np.ones_like(hz)], axis=1)
    found = np.linalg.lstsq(design * weight[:, None], phase_rad * weight, rcond=None)[0]
    rest = phase_rad - design @ found
    return float(found[0]), float(np.degrees(np.sqrt(np.average(rest**2, weights=weight**2))))
