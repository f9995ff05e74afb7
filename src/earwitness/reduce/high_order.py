"""High orders over the sweep: what a rubbing coil, a buzzing part or a leak adds, as an alarm."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import scipy.fft

from earwitness.dsp.sweep import SweepLaw
from earwitness.quantities import QualityFlag
from earwitness.quantities.arrays import ComplexArray, FloatArray, Locked
from earwitness.reduce.flags import flag
from earwitness.reduce.stimulus import Stimulus

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
class HighOrders(Locked):
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
) -> HighOrders | None:
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
    spectra *= scipy.fft.rfft(stimulus.samples, length) if played is None else played
    # On the circle of the response what was heard late at the lowest frequencies lies where high orders do.
    lowest_hz = LOWEST_ORDER * max(LOW_HZ, 2.0 * law.start_hz)
    spectra[0, : math.ceil(lowest_hz * length / rate)] = 0.0
    high, whole = scipy.fft.irfft(spectra, length, axis=-1, overwrite_x=True)
    count = math.floor(BANDS_PER_OCTAVE * math.log2(highest_hz / max(LOW_HZ, 2.0 * law.start_hz)))
    edges = highest_hz * 2.0 ** ((np.arange(count + 1) - count) / BANDS_PER_OCTAVE)
    at = [_moment(law, float(edge), rate) for edge in edges]
    sections = [slice(a, b) for a, b in pairwise(at)]
    sound = np.array([np.sqrt(np.mean(whole[part] ** 2)) for part in sections])
    sizes = [np.abs(high[part]) for part in sections]
    peak = np.array([size.max() for size in sizes])
    noise = np.array([1.4826 * np.median(size, overwrite_input=True) for size in sizes])
    alike = np.array([_alike(high[part], law, part.start / rate, rate) for part in sections])
    safe = np.maximum(sound, 1e-300)
    return HighOrders(
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


def _moment(law: SweepLaw, hz: float, rate_hz: float) -> int:
    """Sample at which the sweep passes a frequency."""
    return round(law.rate_s * math.log(hz / law.start_hz) * rate_hz)


def high_order_flags(found: Sequence[HighOrders]) -> list[QualityFlag]:
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
