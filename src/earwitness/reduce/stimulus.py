"""What was played, at unit amplitude: its law, its samples, its spectrum."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy.fft

from earwitness.dsp.smoothing import smooth_power
from earwitness.dsp.sweep import SweepLaw, sweep_law, sweep_samples, sweep_spectrum
from earwitness.errors import AudioError, InputError
from earwitness.formats.audio import Recording
from earwitness.quantities import ComplexArray, FloatArray, Locked
from earwitness.session.session import FileStimulus, SweepStimulus

BAND_EDGE_DB = -15.0


@dataclass(frozen=True, slots=True, eq=False)
class Stimulus(Locked):
    """samples : (N,) with peak 1; law : of a sweep, else None; low_hz, high_hz : band that it covers;
    lead_in_s : silence before it in every recording."""

    samples: FloatArray
    rate_hz: int
    law: SweepLaw | None
    low_hz: float
    high_hz: float
    lead_in_s: float


def stimulus_of(told: SweepStimulus | FileStimulus, read: Callable[[str], Recording], rate_hz: int) -> Stimulus:
    """A stated stimulus at the sample rate of the recordings.

    InputError for a sweep beyond half the sample rate, AudioError for a stimulus file of another rate, without the
    named channel, or silent.
    """
    if isinstance(told, SweepStimulus):
        law = sweep_law(told.start_hz, told.stop_hz, told.duration_s, synchronized=told.form == "synchronized")
        samples = sweep_samples(law, rate_hz, fade_in_s=told.fade_in_s, fade_out_s=told.fade_out_s)
        return Stimulus(samples, rate_hz, law, told.start_hz, told.stop_hz, told.lead_in_s)
    found = read(told.file)
    where = f"stimulus file {told.file}"
    if found.rate_hz != rate_hz:
        raise AudioError.of("reduce.rates_differ", where=where, found=found, rate_hz=rate_hz)
    if told.channel > found.samples.shape[0]:
        raise AudioError(f"channel {told.channel} is not there", where=where, remedy="name a channel that is there")
    samples = np.array(found.samples[told.channel - 1])
    peak = float(np.max(np.abs(samples), initial=0.0))
    if not peak > 0.0:
        raise AudioError("the stimulus is silent", where=where, remedy="give the file that was played")
    low, high = _band_of(samples, rate_hz)
    return Stimulus(samples / peak, rate_hz, None, low, high, told.lead_in_s)


def stimulus_power(stimulus: Stimulus, hz: FloatArray) -> FloatArray:
    """|X(f)|^2 (F,) [s^2] at unit amplitude: L / (4 f) for a sweep, else the file's, smoothed to 1/3 octave."""
    if stimulus.law is not None:
        return np.asarray(np.abs(sweep_spectrum(stimulus.law, hz)) ** 2, dtype=np.float64)
    frequency, power = _power_of(stimulus.samples, stimulus.rate_hz)
    at = np.clip(hz, frequency[0], frequency[-1])
    return smooth_power(power, frequency, at, 3.0) / stimulus.rate_hz**2


def stimulus_spectrum(stimulus: Stimulus, length: int) -> ComplexArray:
    """Spectrum of the samples as numpy's FFT has it, (length // 2 + 1,), the stimulus starting at time zero.

    InputError if `length` does not hold it.
    """
    if length < stimulus.samples.size:
        has_s, needs_s = length / stimulus.rate_hz, stimulus.samples.size / stimulus.rate_hz
        raise InputError.of("reduce.shorter_than_stimulus", has_s=has_s, needs_s=needs_s)
    return np.asarray(scipy.fft.rfft(stimulus.samples, length), dtype=np.complex128)


def _power_of(samples: FloatArray, rate_hz: int) -> tuple[FloatArray, FloatArray]:
    length = scipy.fft.next_fast_len(samples.size, True)
    power = np.abs(scipy.fft.rfft(samples, length)[1:]) ** 2
    return np.asarray(np.arange(1, power.size + 1) * (rate_hz / length), dtype=np.float64), np.asarray(power)


def _band_of(samples: FloatArray, rate_hz: int) -> tuple[float, float]:
    """Where power times frequency, in third octaves, stays within 15 dB of its median (project default)."""
    frequency, power = _power_of(samples, rate_hz)
    lowest = max(5.0, 4.0 * frequency[0])
    at = lowest * 2.0 ** (np.arange(0.0, np.log2(0.49 * rate_hz / lowest), 1.0 / 12.0))
    level = 10.0 * np.log10(np.maximum(smooth_power(power, frequency, at, 6.0) * at, 1e-300))
    audible = (at >= 100.0) & (at <= 10_000.0)
    rows = np.flatnonzero(level > np.median(level[audible]) + BAND_EDGE_DB)
    return float(at[rows[0]]), float(at[rows[-1]])
