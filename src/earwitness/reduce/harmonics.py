"""Harmonic responses of a sweep take, split off in time."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

import numpy as np
import scipy.fft

from earwitness.dsp.sweep import SweepLaw, harmonic_response, highest_fundamental_hz
from earwitness.quantities import REFERENCE_PRESSURE_PA, FrequencyAxis, Harmonics, QualityFlag
from earwitness.quantities.arrays import ComplexArray, FloatArray, Locked
from earwitness.reduce.flags import flag
from earwitness.reduce.impulse import spectrum_at
from earwitness.reduce.stimulus import Stimulus, stimulus_power

ORDERS = (2, 3, 4, 5)
# Where the sweep fades out the division gives out too; the last 1/14 octave is not used (project default).
END_MARGIN = 1.05
LONGEST_S = 0.3
# When the linear response has died away, and how many windows of what follows tell a floor (project defaults).
SETTLED_S, LEAST_WINDOWS = 0.6, 4
# Rumble and hum lie below; above, what a sharp nonlinearity folds back at the sample rate would pass for noise.
DURING_TO_HZ = 1000.0
_TINY = 1e-300


def split_harmonics(
    impulse: FloatArray,
    stimulus: Stimulus,
    axis: FrequencyAxis,
    noise: FloatArray | None,
    *,
    take: str,
    drive_v: float,
    distance_m: float,
    place: Literal["far-field", "near-field"],
    in_series: bool = True,
    driver: str = "",
    clipped: bool = False,
    temperature_c: float | None = None,
    microphone_db: FloatArray | None = None,
) -> Harmonics | None:
    """Levels of fundamental and harmonics from a circular response (N,) to the ideal sweep [Pa per unit amplitude].

    None unless the stimulus is a sweep. noise (F,): two-sided density [Pa^2/Hz] on the axis, None where not known
    (then the noise is read from between the orders). microphone_db (F,): the microphone's response on the axis,
    taken out at the harmonic's own frequency. Harmonic n of a static nonlinearity needs no further factor (Novak,
    Simon and Lotton 2015, from memory). Where more noise came while the sweep ran than was there before it (rumble,
    hum), the response behind the linear one tells it, and the higher of the two is the floor.
    """
    law = stimulus.law
    if law is None:
        return None
    rate, hz = float(stimulus.rate_hz), axis.hz
    centered = np.roll(impulse, -int(np.argmax(np.abs(impulse))))
    fundamental = _order_db(centered=centered, law=law, order=1, rate_hz=rate, hz=hz, microphone_db=microphone_db)[0]
    levels, floors, valid = [], [], []
    for order in ORDERS:
        at = hz * order
        top = min(highest_fundamental_hz(law, order, rate), law.stop_hz / END_MARGIN / order)
        within = (hz >= law.start_hz) & (hz <= top) & (at < 0.45 * rate)
        level, window = _order_db(centered, law=law, order=order, rate_hz=rate, hz=hz, microphone_db=microphone_db)
        levels.append(np.where(within, level, -300.0))
        before = _floor_db(noise, stimulus, at, hz, window.size / rate)
        during = _floor_during_db(centered, law, window, rate, at)
        if microphone_db is not None:
            during = during - np.interp(at, hz, microphone_db)
        floors.append(np.maximum(before, during))
        valid.append(within)
    return Harmonics(
        take=take,
        drive_v=drive_v,
        distance_m=distance_m,
        place=place,
        orders=ORDERS,
        axis=axis,
        fundamental_db=fundamental,
        harmonic_db=np.array(levels),
        noise_db=np.array(floors),
        valid=np.array(valid),
        in_series=in_series,
        driver=driver,
        clipped=clipped,
        temperature_c=temperature_c,
    )


def _order_db(
    centered: FloatArray, law: SweepLaw, order: int, rate_hz: float, hz: FloatArray, microphone_db: FloatArray | None
) -> tuple[FloatArray, FloatArray]:
    """Level (F,) [dB SPL rms] of one order at `order` times hz, and the weights it was cut out with."""
    gap_s = law.rate_s * math.log(order / (order - 1) if order > 1 else 2.0)
    post_s = min(0.9 * gap_s, LONGEST_S)
    cut = harmonic_response(centered, law, order, rate_hz, post_s=post_s)
    at = np.minimum(hz * order, 0.49 * rate_hz)
    spectrum = spectrum_at(cut.samples[None, :], np.array([cut.start_s]), rate_hz, at)[0]
    rms = np.abs(spectrum) / math.sqrt(2.0)
    level = 20.0 * np.log10(np.maximum(rms / REFERENCE_PRESSURE_PA, _TINY))
    if microphone_db is not None:
        level = level - np.interp(at, hz, microphone_db)
    return np.asarray(level, dtype=np.float64), cut.window


def _floor_during_db(
    centered: FloatArray, law: SweepLaw, window: FloatArray, rate_hz: float, at_hz: FloatArray
) -> FloatArray:
    """Noise (F,) [dB SPL rms] at at_hz as windows of the same kind hold it behind the linear response.

    What comes later than SETTLED_S is no sound of the sweep; a sound at f that was recorded at time t stands there at
    t less the moment of f, so all of it up to the sweep's end less that moment tells the noise. The median over the
    windows, of power that is exponentially distributed (its median is ln 2 of its mean), leaves out what a room still
    rings with. -300 dB above DURING_TO_HZ and where fewer than LEAST_WINDOWS fit.
    """
    first, size = round(SETTLED_S * rate_hz), window.size
    left_s = law.rate_s * np.log(law.stop_hz / np.maximum(at_hz, law.start_hz))
    fitting = np.floor((left_s * rate_hz - first) / size).astype(int)
    most = min(int(fitting.max(initial=0)), (centered.size // 2 - first) // size)
    rows = np.flatnonzero((fitting >= LEAST_WINDOWS) & (at_hz <= min(DURING_TO_HZ, 0.49 * rate_hz)))
    floor = np.full(at_hz.size, -300.0)
    if most < LEAST_WINDOWS or not rows.size:
        return floor
    parts = centered[first : first + most * size].reshape(most, size) * window
    power = np.abs(spectrum_at(parts, np.zeros(most), rate_hz, at_hz[rows])) ** 2 / 2.0
    counts = np.minimum(fitting[rows], most)
    middle = np.empty(rows.size)
    for count in np.unique(counts):
        middle[counts == count] = np.median(power[:count, counts == count], axis=0)
    middle /= math.log(2.0)
    floor[rows] = 10.0 * np.log10(np.maximum(middle / REFERENCE_PRESSURE_PA**2, _TINY))
    return floor


def _floor_db(
    noise: FloatArray | None, stimulus: Stimulus, at_hz: FloatArray, hz: FloatArray, length_s: float
) -> FloatArray:
    """Noise (F,) [dB SPL rms] in a window of length_s at at_hz: S T / |X|^2 (the taper left out)."""
    if noise is None:
        return np.full(hz.size, -300.0)
    density = np.interp(at_hz, hz, noise)
    variance = density * length_s / stimulus_power(stimulus, at_hz)
    return np.asarray(10.0 * np.log10(np.maximum(variance / 2.0 / REFERENCE_PRESSURE_PA**2, _TINY)), dtype=np.float64)


# Soft nonlinearities end well below it; clicks once a period do not (project default).
LOWEST_ORDER = 10
BANDS_PER_OCTAVE = 6
# Of 100,000 values of Gaussian noise the largest is 13 dB above the rms.
ALARM_DB, ABOVE_NOISE_DB = -46.0, 15.0
LOW_HZ = 20.0
# What a part does by itself comes again with each period, a bang or a voice does not (own choices, from clippers,
# clicks and noise; with fewer periods in a band nothing can be said).
FEWEST_PERIODS, LEAST_ALIKE = 3, 0.5


@dataclass(frozen=True, slots=True, eq=False)
class HighOrderDistortion(Locked):
    """frequency_hz (B,) : where the sweep was; relative_db (B,) : largest value of orders 10 and up against the rms of
    the whole sound there; noise_db (B,) : of the same orders between their peaks, likewise, as rms from the median;
    alike (B,) : correlation of each period with the next, NaN where the band holds too few of them."""

    take: str
    drive_v: float
    frequency_hz: FloatArray
    relative_db: FloatArray
    noise_db: FloatArray
    alike: FloatArray


def high_orders(
    impulse: FloatArray, stimulus: Stimulus, *, take: str, drive_v: float, played: ComplexArray | None = None
) -> HighOrderDistortion | None:
    """High orders of a sweep take from its circular response (N,) to the ideal sweep.

    Order n lies L ln n before the linear response; what is earlier than halfway between orders 9 and 10 is played
    through the sweep again, so that it stands at the moment it was made (own derivation from Farina 2000, from
    memory). Rub and buzz are short and come once a period; the median of the rest of the time is their noise.
    played (N // 2 + 1,) : spectrum of the stimulus, where it is known already. None without a sweep, or with one that
    leaves no room for such orders.
    """
    law = stimulus.law
    rate = float(stimulus.rate_hz)
    if law is None:
        return None
    highest_hz = min(0.45 * rate, law.stop_hz) / LOWEST_ORDER
    length = impulse.size
    first = round(math.log(law.stop_hz / law.start_hz) * law.rate_s * rate)
    last = round(math.log(LOWEST_ORDER - 0.5) * law.rate_s * rate)
    if highest_hz < 4.0 * LOW_HZ or not last < first < length:
        return None
    both = np.zeros((2, length))
    both[1] = np.roll(impulse, -int(np.argmax(np.abs(impulse))))
    both[0, length - first : length - last] = both[1, length - first : length - last]
    spectra = scipy.fft.rfft(both, axis=-1)
    del both
    spectra *= scipy.fft.rfft(stimulus.samples, length) if played is None else played
    # On the circle of the response what was heard late at the lowest frequencies lies where high orders do.
    lowest_hz = LOWEST_ORDER * max(LOW_HZ, 2.0 * law.start_hz)
    spectra[0, : math.ceil(lowest_hz * length / rate)] = 0.0
    high, whole = scipy.fft.irfft(spectra, length, axis=-1, overwrite_x=True)
    count = math.floor(BANDS_PER_OCTAVE * math.log2(highest_hz / max(LOW_HZ, 2.0 * law.start_hz)))
    edges = highest_hz * 2.0 ** ((np.arange(count + 1) - count) / BANDS_PER_OCTAVE)
    # Samples at which the sweep passes the edges.
    at = [round(law.rate_s * math.log(float(edge) / law.start_hz) * rate) for edge in edges]
    sections = [slice(a, b) for a, b in pairwise(at)]
    sound = np.array([np.sqrt(np.mean(whole[part] ** 2)) for part in sections])
    sizes = [np.abs(high[part]) for part in sections]
    peak = np.array([size.max() for size in sizes])
    noise = np.array([1.4826 * np.median(size, overwrite_input=True) for size in sizes])
    alike = np.array([_alike(high[part], law, part.start / rate, rate) for part in sections])
    safe = np.maximum(sound, 1e-300)
    return HighOrderDistortion(
        take,
        drive_v,
        np.sqrt(edges[:-1] * edges[1:]),
        20.0 * np.log10(np.maximum(peak / safe, 1e-15)),
        20.0 * np.log10(np.maximum(noise / safe, 1e-15)),
        alike,
    )


def _alike(high: FloatArray, law: SweepLaw, start_s: float, rate_hz: float) -> float:
    """Correlation of each period of a section (N,) with the one before."""
    time = start_s + np.arange(high.size) / rate_hz
    phase = law.rate_s * law.start_hz * np.exp(time / law.rate_s)
    if phase[-1] - phase[0] < FEWEST_PERIODS:
        return math.nan
    later = phase[0] + 1.0 <= phase
    before = np.interp(phase[later] - 1.0, phase, high)
    size = float(np.linalg.norm(high[later]) * np.linalg.norm(before))
    return float(high[later] @ before) / size if size else 0.0


def high_order_flags(found: Sequence[HighOrderDistortion]) -> list[QualityFlag]:
    """One flag a take whose high orders pass -46 dB against the sound and come again with each period; where a band is
    too short to show it, they stand 15 dB above their noise."""
    flags = []
    for one in found:
        short = one.relative_db > one.noise_db + ABOVE_NOISE_DB
        bad = (one.relative_db > ALARM_DB) & np.where(np.isnan(one.alike), short, one.alike > LEAST_ALIKE)
        if not bad.any():
            continue
        rows = np.flatnonzero(bad)
        worst = int(rows[np.argmax(one.relative_db[rows])])
        level, hz = float(one.relative_db[worst]), float(one.frequency_hz[worst])
        band = (float(one.frequency_hz[rows[0]]), float(one.frequency_hz[rows[-1]]))
        told: dict[str, Any] = {"drive_v": one.drive_v, "order": LOWEST_ORDER, "hz": hz}
        flags.append(flag("high_orders", level, ALARM_DB, takes=(one.take,), band_hz=band, **told))
    return flags
