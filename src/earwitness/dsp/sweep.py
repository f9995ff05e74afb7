"""Exponential sweeps: signal, fades, closed-form spectrum, and where the harmonic responses land."""

import math
from dataclasses import dataclass

import numpy as np

from earwitness.errors import InputError
from earwitness.quantities.arrays import ComplexArray, FloatArray


@dataclass(frozen=True, slots=True)
class SweepLaw:
    """Instantaneous frequency start_hz * exp(t / rate_s) for 0 <= t <= duration_s.

    rate_s : time in which the frequency grows by a factor e (L of the literature).
    synchronized : True for sin(2 pi f1 L exp(t/L)) (Novak, Simon and Lotton 2015, from memory),
    False for the classic form with exp(t/L) - 1 (Farina 2000, from memory).
    Raises InputError unless 0 < start_hz < stop_hz and rate_s > 0.
    """

    start_hz: float
    stop_hz: float
    rate_s: float
    synchronized: bool = True

    def __post_init__(self) -> None:
        numbers = (self.start_hz, self.stop_hz, self.rate_s)
        if not all(map(math.isfinite, numbers)) or not 0.0 < self.start_hz < self.stop_hz or self.rate_s <= 0.0:
            raise InputError.of(
                "dsp.sweep_rate_impossible", start_hz=self.start_hz, stop_hz=self.stop_hz, rate_s=self.rate_s
            )

    @property
    def duration_s(self) -> float:
        """Length of the sweep in seconds."""
        return self.rate_s * math.log(self.stop_hz / self.start_hz)


def sweep_law(
    start_hz: float, stop_hz: float, duration_s: float, *, synchronized: bool = True, rounded: bool = False
) -> SweepLaw:
    """The law of a sweep that takes duration_s seconds.

    rounded : make start_hz * rate_s a whole number, so that a synchronized sweep starts at phase zero;
    the duration then changes a little. Raises InputError for impossible numbers.
    """
    if not 0.0 < start_hz < stop_hz < math.inf or not 0.0 < duration_s < math.inf:
        raise InputError.of("dsp.sweep_impossible", start_hz=start_hz, stop_hz=stop_hz, duration_s=duration_s)
    rate_s = duration_s / math.log(stop_hz / start_hz)
    if rounded:
        rate_s = round(start_hz * rate_s) / start_hz
    return SweepLaw(start_hz, stop_hz, rate_s, synchronized)


def sweep_phase(law: SweepLaw, time_s: FloatArray) -> FloatArray:
    """Phase in radians at the times given (any shape)."""
    growth = np.asarray(np.exp(time_s / law.rate_s), dtype=np.float64)
    turns = growth if law.synchronized else growth - 1.0
    return 2.0 * math.pi * law.start_hz * law.rate_s * turns


def sweep_samples(
    law: SweepLaw, sample_rate_hz: float, *, fade_in_s: float = 0.0, fade_out_s: float = 0.0
) -> FloatArray:
    """The sweep at unit amplitude, shape (samples,), with raised-cosine fades.

    Raises InputError if it reaches half the sample rate or the fades overlap.
    """
    if law.stop_hz > sample_rate_hz / 2.0:
        raise InputError.of(
            "dsp.sweep_beyond_rate", law=law, sample_rate_hz=sample_rate_hz, half_hz=sample_rate_hz / 2.0
        )
    count = round(law.duration_s * sample_rate_hz)
    signal = np.sin(sweep_phase(law, np.arange(count, dtype=np.float64) / sample_rate_hz))
    return signal * fade_envelope(count, round(fade_in_s * sample_rate_hz), round(fade_out_s * sample_rate_hz))


def fade_envelope(count: int, fade_in: int, fade_out: int) -> FloatArray:
    """Raised-cosine rise over fade_in samples, ones, mirrored fall over fade_out samples; shape (count,).

    Raises InputError for negative fades or fades longer than the signal together.
    """
    if fade_in < 0 or fade_out < 0 or fade_in + fade_out > count:
        raise InputError.of("dsp.fades_too_long", fade_in=fade_in, fade_out=fade_out, count=count)
    envelope = np.ones(count)
    envelope[:fade_in] = raised_cosine_rise(fade_in)
    envelope[count - fade_out :] = raised_cosine_rise(fade_out)[::-1]
    return envelope


def raised_cosine_rise(count: int) -> FloatArray:
    """Half a Hann window from 0 towards 1, the 1 left out; shape (count,)."""
    return 0.5 - 0.5 * np.cos(math.pi * np.arange(count, dtype=np.float64) / max(count, 1))


def sweep_spectrum(law: SweepLaw, frequency_hz: FloatArray) -> ComplexArray:
    """Closed-form spectrum in seconds for unit amplitude, valid well inside the sweep's band.

    Stationary phase: |X|^2 = L / (4 f). frequency_hz > 0, any shape. exp(+j omega t).
    """
    rate = law.rate_s
    phase = 2.0 * math.pi * frequency_hz * rate * (1.0 - np.log(frequency_hz / law.start_hz)) - math.pi / 4.0
    if not law.synchronized:
        phase = phase - 2.0 * math.pi * law.start_hz * rate
    return np.asarray(0.5 * np.sqrt(rate / frequency_hz) * np.exp(1j * phase), dtype=np.complex128)


def harmonic_lead_s(law: SweepLaw, order: int) -> float:
    """Time L ln n in seconds by which the response of order n comes before the linear one (n >= 1)."""
    if order < 1:
        raise InputError(f"harmonic order {order}", expected="1 or more", remedy="ask for a positive order")
    return law.rate_s * math.log(order)


def highest_fundamental_hz(law: SweepLaw, order: int, sample_rate_hz: float) -> float:
    """Highest fundamental in Hz at which order n can be told: order * f within the sweep and 0.45 fs."""
    if order < 1:
        raise InputError(f"harmonic order {order}", expected="1 or more", remedy="ask for a positive order")
    return min(law.stop_hz, 0.45 * sample_rate_hz) / order
