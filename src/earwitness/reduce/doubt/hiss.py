"""What the microphone's own noise says of the gain: it goes up and down with it, and nobody has to have stated it.

Above 10 kHz the noise of a silent recording is mostly that of the microphone and its amplifier. A recorder that rides
its gain lowers it while the sweep sounds; a gain that was turned between calibrator and takes leaves it different in
the two (own derivations).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.fft

from earwitness.dsp.sweep import SweepLaw
from earwitness.quantities import QualityFlag
from earwitness.reduce.flags import flag, limits

Samples = npt.NDArray[np.float32] | npt.NDArray[np.float64]
# Own choices. Rooms and amplifiers that hiss raise the noise of takes, seldom by so much; no sound lowers it.
LIMITS = limits("hiss")
BAND_HZ = (10_000.0, 16_000.0)
FRAME_S, LEAST_FRAMES = 0.02, 5
PASSED_HZ = (150.0, 800.0)
BESIDE_S = 0.03
_MEDIAN_OF_POWER = math.log(2.0)


@dataclass(frozen=True, slots=True)
class Hiss:
    """silent_db : density of the silence before the sweep [dB re full scale squared per hertz]; sounding_db : while
    the sweep passes from 150 to 800 Hz."""

    silent_db: float
    sounding_db: float


def density_db(samples: Samples, rate_hz: float) -> float | None:
    """Noise of samples (N,) from 10 to 16 kHz [dB re full scale squared per hertz]: the median over bins and frames,
    so that tones, clicks and harmonics do not count. None for too few samples, a low rate, or digital silence."""
    frame = round(FRAME_S * rate_hz)
    count = samples.size // frame
    if count < LEAST_FRAMES or BAND_HZ[1] > 0.45 * rate_hz:
        return None
    window = np.hanning(frame)
    rows = samples[: count * frame].reshape(count, frame) * window
    power = np.abs(scipy.fft.rfft(rows, axis=1)) ** 2 / (rate_hz * float(np.sum(window**2)))
    first, last = (round(edge * frame / rate_hz) for edge in BAND_HZ)
    middle = float(np.median(power[:, first:last])) / _MEDIAN_OF_POWER
    return 10.0 * math.log10(middle) if middle > 0.0 else None


def hiss_of(samples: Samples, rate_hz: float, law: SweepLaw, begins_s: float) -> Hiss | None:
    """The hiss of a take whose sweep begins at a moment of the recording. None where there is no silence before it."""
    passes = [begins_s + law.rate_s * math.log(hz / law.start_hz) for hz in PASSED_HZ]
    silent = density_db(_cut(samples, rate_hz, BESIDE_S, begins_s - BESIDE_S), rate_hz)
    sounding = density_db(_cut(samples, rate_hz, *passes), rate_hz)
    return None if silent is None or sounding is None else Hiss(silent, sounding)


def _cut(samples: Samples, rate_hz: float, begin_s: float, end_s: float) -> Samples:
    return samples[max(round(begin_s * rate_hz), 0) : max(round(end_s * rate_hz), 0)]


def riding_flags(hisses: Sequence[tuple[str, Hiss]]) -> list[QualityFlag]:
    """Refused where the noise falls while the sweep sounds: nothing but a gain that follows the sound does that."""
    off = {take: one.sounding_db - one.silent_db for take, one in hisses}
    ridden = tuple(take for take, db in off.items() if db < LIMITS["riding_db"])
    if 2 * len(ridden) < len(off) or not ridden:
        return []
    fall = float(np.median([-off[take] for take in ridden]))
    return [flag("automatic_gain", -fall, LIMITS["riding_db"], takes=ridden, band_hz=BAND_HZ)]


def turned_gain_flags(calibrator_db: float | None, hisses: Sequence[tuple[str, Hiss]]) -> list[QualityFlag]:
    """Asked where calibrator and takes do not have the same noise. calibrator_db : `density_db` of its recording."""
    if calibrator_db is None or not hisses:
        return []
    apart = float(np.median([one.silent_db for _, one in hisses])) - calibrator_db
    if -LIMITS["calibrator_above_db"] <= apart <= LIMITS["takes_above_db"]:
        return []
    lower = apart > 0.0
    words = ("lower", "up", "high") if lower else ("higher", "down", "low")
    other = "the room or an amplifier hisses" if lower else "the calibrator itself hisses"
    limit = LIMITS["takes_above_db"] if lower else -LIMITS["calibrator_above_db"]
    return [flag("calibrator_gain", apart, limit, band_hz=BAND_HZ, words=words, other=other)]
