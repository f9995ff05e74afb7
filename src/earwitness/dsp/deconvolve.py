"""What a recording of a sweep is divided by, and the harmonic responses that lie before the linear one."""

import math
from dataclasses import dataclass

import numpy as np

from earwitness.dsp.sweep import SweepLaw, harmonic_lead_s, raised_cosine_rise
from earwitness.errors import InputError
from earwitness.quantities.arrays import ComplexArray, FloatArray

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
