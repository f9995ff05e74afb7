"""Levels read from blocks and recordings: meter, calibrator, loop-back."""

import math
from dataclasses import dataclass

import numpy as np
import scipy.fft

from earwitness.capture.sound import Block
from earwitness.files.data import worded
from earwitness.quantities import FloatArray

REFERENCE_PA = 20e-6
CLIPPED_AT = 1.0 - 2.0**-14
_WIRED_CORRELATION = 0.8
QUIETEST_LOOP_DBFS = -70.0


@dataclass(frozen=True, slots=True)
class MeterReading:
    """One value a channel: peak_dbfs and rms_dbfs of the last block, held_dbfs : highest peak since the start;
    clipped : whether full scale was ever reached."""

    peak_dbfs: tuple[float, ...]
    rms_dbfs: tuple[float, ...]
    held_dbfs: tuple[float, ...]
    clipped: tuple[bool, ...]


class Meter:
    """Reads blocks as they come."""

    def __init__(self, channels: int) -> None:
        self._held = np.zeros(channels)

    def feed(self, block: Block) -> MeterReading:
        """Levels of samples (frames, channels); values that are not finite count as clipped."""
        values = np.nan_to_num(np.abs(block.astype(np.float64)), nan=1.0, posinf=1.0)
        peak = np.max(values, axis=0, initial=0.0)
        rms = np.sqrt(np.mean(values**2, axis=0)) if len(values) else np.zeros(self._held.shape)
        self._held = np.maximum(self._held, peak)
        return MeterReading(
            peak_dbfs=tuple(map(dbfs, peak)),
            rms_dbfs=tuple(map(dbfs, rms)),
            held_dbfs=tuple(map(dbfs, self._held)),
            clipped=tuple(bool(one) for one in self._held >= CLIPPED_AT),
        )


@dataclass(frozen=True, slots=True)
class CalibratorReading:
    """What a sound calibrator on the microphone showed.

    frequency_hz : of the strongest line; rms : of that line, digital; steady_db : largest less smallest level over the
    recording; rest_db : all but the line, re the line; fs_per_pa : digital full scale for each pascal, None where
    `faults` (sentences, each with what to do) says that this is no calibrator's tone.
    """

    frequency_hz: float
    rms: float
    steady_db: float
    rest_db: float
    level_db: float
    fs_per_pa: float | None
    faults: tuple[str, ...]


def read_calibrator(
    samples: FloatArray, rate_hz: float, *, level_db: float = 94.0, frequency_hz: float = 1000.0
) -> CalibratorReading:
    """Find the calibrator's tone in samples (N,), whose level in the microphone is level_db [dB re 20 uPa].

    IEC 60942 gives a class 1 calibrator 1 % of frequency and 0.1 dB of short-term steadiness (from memory); here 2 %
    and 0.2 dB are asked, so that a class 2 calibrator passes. InputError is never raised: `faults` tells.
    """
    faults: list[str] = []
    if samples.size < rate_hz:
        faults.append("The recording is shorter than one second: record five.")
    if not np.all(np.isfinite(samples)) or samples.size < 256:
        return CalibratorReading(
            0.0, 0.0, 0.0, 0.0, level_db, fs_per_pa=None, faults=(*faults, "The samples are no numbers: retry.")
        )
    if float(np.max(np.abs(samples))) >= CLIPPED_AT:
        faults.append("The recording is clipped: lower the input gain, then calibrate and measure with that gain.")
    found_hz, power = _strongest_line(samples, rate_hz)
    total = float(np.mean((samples - samples.mean()) ** 2))
    rms = math.sqrt(power)
    rest_db = 10.0 * math.log10(max(total - power, 1e-20) / max(power, 1e-20))
    if rms < 1e-4:
        faults.append("The microphone hears next to nothing: check cable, phantom power, channel and calibrator.")
    if abs(found_hz / frequency_hz - 1.0) > 0.02:
        faults.append(worded("capture.tone_elsewhere", found_hz=found_hz, frequency_hz=frequency_hz))
    if rest_db > -20.0:
        faults.append(f"Noise and other sounds are only {-rest_db:.0f} dB below the tone: seat the microphone tightly.")
    steady_db = _unsteadiness_db(samples, rate_hz, found_hz)
    if steady_db > 0.2:
        faults.append(f"The tone varies by {steady_db:.2f} dB: hold still, seat it tightly, wait until it has settled.")
    pascal = REFERENCE_PA * 10.0 ** (level_db / 20.0)
    return CalibratorReading(
        found_hz, rms, steady_db, rest_db, level_db, fs_per_pa=None if faults else rms / pascal, faults=tuple(faults)
    )


def _strongest_line(samples: FloatArray, rate_hz: float) -> tuple[float, float]:
    """Frequency [Hz] and mean square of the strongest line, by a Hann window and a parabola over its log spectrum."""
    window = np.hanning(samples.size + 1)[:-1]
    power = np.abs(scipy.fft.rfft((samples - samples.mean()) * window)) ** 2
    peak = int(np.argmax(power[2:-2])) + 2
    below, at, above = np.log(power[peak - 1 : peak + 2] + 1e-300)
    curve = below - 2.0 * at + above
    shift = 0.5 * (below - above) / curve if curve < 0.0 else 0.0
    found_hz = (peak + shift) * rate_hz / samples.size
    # The line's whole lobe holds its power, whatever its place between two bins.
    lobe = power[max(peak - 6, 0) : peak + 7].sum()
    return found_hz, float(2.0 * lobe / (samples.size * np.sum(window**2)))


def _unsteadiness_db(samples: FloatArray, rate_hz: float, tone_hz: float) -> float:
    """Largest less smallest level [dB] of the tone over pieces of a quarter second."""
    length = round(0.25 * rate_hz)
    count = samples.size // length
    if count < 2 or not 0.0 < tone_hz < rate_hz / 2.0:
        return 0.0
    pieces = samples[: count * length].reshape(count, length)
    window = np.hanning(length + 1)[:-1]
    turn = np.exp(-2j * np.pi * tone_hz / rate_hz * np.arange(length)) * window
    level = 20.0 * np.log10(np.abs(pieces @ turn) + 1e-30)
    return float(np.ptp(level))


@dataclass(frozen=True, slots=True)
class LoopbackReading:
    """What the loop-back channel holds of the signal that was played.

    wired : whether it carries it; delay : samples from playing to hearing; level_dbfs : rms of the channel while it
    played; gain_db : heard re played; correlation : 0 to 1; inverted : polarity; sentence : in words, with a remedy
    where it is not as it should be.
    """

    wired: bool
    delay: int
    level_dbfs: float
    gain_db: float
    correlation: float
    inverted: bool
    sentence: str


def read_loopback(played: FloatArray, heard: FloatArray) -> LoopbackReading:
    """Look for played (N,) in heard (M,), M >= N."""
    clean = np.nan_to_num(heard, nan=0.0, posinf=0.0, neginf=0.0)
    delay, correlation, gain = find_delay(played, clean)
    around = clean[delay : delay + played.size]
    level = dbfs(math.sqrt(float(np.mean(around**2))) if around.size else 0.0)
    wired = abs(correlation) >= _WIRED_CORRELATION and level > QUIETEST_LOOP_DBFS
    if wired:
        sentence = f"The loop-back carries the signal, {delay} samples later."
        if correlation < 0.0:
            sentence += " Its polarity is inverted: swap the wires, or know that all responses come out inverted."
        if float(np.max(np.abs(clean), initial=0.0)) >= CLIPPED_AT:
            sentence += " It is clipped: lower its gain."
    elif level <= QUIETEST_LOOP_DBFS:
        sentence = "The loop-back is silent: wire an output to its input, check the channel number and its gain."
    else:
        sentence = worded("capture.loop_back_other", correlation=abs(correlation))
    return LoopbackReading(
        wired, delay, level, dbfs(abs(gain)), abs(correlation), inverted=correlation < 0.0, sentence=sentence
    )


def find_delay(played: FloatArray, heard: FloatArray) -> tuple[int, float, float]:
    """Delay [samples, 0 or more] at which played (N,) fits heard (M,) best, signed correlation, signed gain there."""
    if played.size == 0 or heard.size == 0 or not np.any(played) or not np.any(heard):
        return 0, 0.0, 0.0
    size = scipy.fft.next_fast_len(played.size + heard.size, True)
    across = scipy.fft.irfft(scipy.fft.rfft(heard, size) * np.conj(scipy.fft.rfft(played, size)), size)[: heard.size]
    delay = int(np.argmax(np.abs(across)))
    around = heard[delay : delay + played.size]
    energy = float(played @ played)
    gain = float(across[delay]) / energy
    # Silence around the signal would count the noise in it: only where something was played.
    active = played[: around.size] != 0.0
    norm = math.sqrt(energy * float(around[active] @ around[active]))
    return delay, float(across[delay]) / norm if norm > 0.0 else 0.0, gain


def dbfs(value: float) -> float:
    """dB re 1, at least -240."""
    return 20.0 * math.log10(max(float(value), 1e-12))
