"""Exponential sweeps: signal, fades, closed-form spectrum, and where the harmonic responses land."""

import math
from dataclasses import dataclass

import numpy as np

from earwitness.errors import InputError
from earwitness.quantities import ComplexArray, FloatArray


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


BAND_MARGIN = 1.05
TAPER_SHARE = 0.2


def regularization(
    reference_spectrum: ComplexArray, frequency_hz: FloatArray, low_hz: float, high_hz: float, *, in_band: float = 1e-10
) -> FloatArray:
    """Real epsilon of Y X* / (|X|^2 + epsilon), shape of frequency_hz.

    Inside [1.05 low_hz, high_hz / 1.05] it is in_band * |X(f)|^2 (the level bias is then 20 lg(1 / (1 + in_band))
    at every frequency); outside it is max |X|^2; between them a raised cosine in log frequency, half an octave wide.
    Raises InputError if the band is empty, the reference is silent or in_band is negative.
    """
    power = np.abs(reference_spectrum) ** 2
    peak = float(np.max(power, initial=0.0))
    inner_low, inner_high = low_hz * BAND_MARGIN, high_hz / BAND_MARGIN
    if not 0.0 < inner_low < inner_high or in_band < 0.0:
        raise InputError.of("dsp.no_band", low_hz=low_hz, high_hz=high_hz)
    if not (math.isfinite(peak) and peak > 0.0):
        raise InputError.of("dsp.reference_silent")
    octave = np.log2(np.maximum(frequency_hz, np.finfo(np.float64).tiny))
    beyond = np.maximum(math.log2(inner_low) - octave, octave - math.log2(inner_high))
    outside = 0.5 - 0.5 * np.cos(math.pi * np.clip(beyond / 0.5, 0.0, 1.0))
    return np.asarray((1.0 - outside) * in_band * power + outside * peak, dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class HarmonicResponse:
    """The windowed response of one order.

    samples : (..., samples); start_s : time of the first sample relative to the exact origin -L ln n.
    window : (samples,) weights it was cut out with
    """

    order: int
    samples: FloatArray
    window: FloatArray
    start_s: float
    sample_rate_hz: float


def harmonic_response(
    impulse: FloatArray,
    law: SweepLaw,
    order: int,
    sample_rate_hz: float,
    *,
    pre_s: float | None = None,
    post_s: float | None = None,
) -> HarmonicResponse:
    """Cut order n out of impulse responses (..., fft length) whose negative times are wrapped to the end.

    The window reaches from -L ln n - pre_s to -L ln n + post_s with raised-cosine ends of a fifth of its length
    (the rise ends before the origin). Left out, pre_s is a tenth of the gap to order n + 1 and post_s nine tenths
    of the gap to order n - 1, which for order 1 is as long as that for order 2.
    Raises InputError for a window that is empty, or longer than the buffer.
    """
    centre = -harmonic_lead_s(law, order)
    pre = 0.1 * law.rate_s * math.log((order + 1) / order) if pre_s is None else pre_s
    post = 0.9 * law.rate_s * math.log(order / (order - 1) if order > 1 else 2.0) if post_s is None else post_s
    first = round((centre - pre) * sample_rate_hz)
    index = np.arange(first, round((centre + post) * sample_rate_hz))
    if pre < 0.0 or post <= 0.0 or not 0 < index.size <= impulse.shape[-1]:
        raise InputError.of("dsp.window_too_long", pre=pre, post=post, order=order, count=impulse.shape[-1])
    window = np.ones(index.size)
    fall = round(TAPER_SHARE * index.size)
    rise = min(fall, math.floor(0.8 * pre * sample_rate_hz))
    window[:rise] = raised_cosine_rise(rise)
    window[index.size - fall :] *= raised_cosine_rise(fall)[::-1]
    cut = impulse[..., index % impulse.shape[-1]] * window
    return HarmonicResponse(order, cut, window, first / sample_rate_hz - centre, sample_rate_hz)
