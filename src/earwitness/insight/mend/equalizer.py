"""Parametric equalizers: bands, their digital response, and what they do to levels.

Formulas: Audio EQ Cookbook, W3C Working Group Note, June 2021. Through the bilinear transform a digital section has
at w the analog prototype's response at x = tan(w / 2) / tan(w0 / 2), so its gain is a ratio of squares in x^2 that can
be differentiated by hand; own computation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from earwitness.dsp.biquad import HIGHEST_SHARE_OF_RATE, biquad, cascade_response
from earwitness.errors import InputError, choice
from earwitness.figures.windows import Levels
from earwitness.quantities.arrays import ComplexArray, FloatArray, IntArray

BandKind = Literal["peaking", "low_shelf", "high_shelf"]
KINDS: tuple[BandKind, BandKind, BandKind] = ("peaking", "low_shelf", "high_shelf")
DEFAULT_RATE_HZ = 48_000.0
MOST_BANDS = 20
_DB = 10.0 / math.log(10.0)


@dataclass(frozen=True, slots=True)
class Band:
    """One filter. gain_db : at the center (peaking) or on the shelf; q : the cookbook's Q.

    InputError for an unknown kind, numbers that are not finite, frequency or Q not above zero.
    """

    kind: BandKind
    frequency_hz: float
    gain_db: float
    q: float

    def __post_init__(self) -> None:
        choice("the kind of band", self.kind, KINDS)
        numbers = (self.frequency_hz, self.gain_db, self.q)
        if not all(map(math.isfinite, numbers)) or self.frequency_hz <= 0 or self.q <= 0:
            raise InputError.of("insight.no_such_band", given=self)

    def rounded(self) -> Band:
        """Steps that equalizers can be set to: 1 Hz (below 100 Hz 0.1 Hz), 0.1 dB, Q in steps of 0.01."""
        frequency_hz = round(self.frequency_hz, 0 if self.frequency_hz >= 100 else 1)
        return Band(self.kind, frequency_hz, round(self.gain_db, 1) + 0.0, max(round(self.q, 2), 0.01))


@dataclass(frozen=True, slots=True)
class Equalizer:
    """Bands in rising frequency, and the gain put before them so that nothing clips.

    InputError for more than 20 bands.
    """

    bands: tuple[Band, ...]
    preamp_db: float = 0.0

    def __post_init__(self) -> None:
        if len(self.bands) > MOST_BANDS:
            raise InputError(f"an equalizer with {len(self.bands)} bands", expected=f"at most {MOST_BANDS}")
        ordered = tuple(sorted(self.bands, key=lambda b: (b.frequency_hz, b.kind, b.gain_db, b.q)))
        object.__setattr__(self, "bands", ordered)

    def rounded(self) -> Equalizer:
        """Every band rounded, see `Band.rounded`."""
        return replace(self, bands=tuple(band.rounded() for band in self.bands))


def sections(equalizer: Equalizer, sample_rate_hz: float = DEFAULT_RATE_HZ) -> FloatArray:
    """(n, 6) second-order sections b0, b1, b2, 1, a1, a2, without the preamp. InputError for a band too high."""
    rows = [biquad(b.kind, b.frequency_hz, b.q, sample_rate_hz, gain_db=b.gain_db) for b in equalizer.bands]
    return np.array(rows, dtype=float).reshape(len(rows), 6)


def response(
    equalizer: Equalizer, frequency_hz: npt.ArrayLike, sample_rate_hz: float = DEFAULT_RATE_HZ
) -> ComplexArray:
    """(F,) digital response of the bands without the preamp, exp(+j omega t)."""
    hz = np.atleast_1d(np.asarray(frequency_hz, dtype=float))
    if not equalizer.bands:
        return np.ones(hz.shape, dtype=complex)
    return cascade_response(sections(equalizer, sample_rate_hz), hz, sample_rate_hz)


def gain_db(equalizer: Equalizer, frequency_hz: npt.ArrayLike, sample_rate_hz: float = DEFAULT_RATE_HZ) -> FloatArray:
    """(F,) digital gain of the bands without the preamp [dB]; the ratio of squares of this module.

    InputError for a band or a frequency at or above what the sample rate can hold.
    """
    hz = np.atleast_1d(np.asarray(frequency_hz, dtype=float))
    if not equalizer.bands:
        return np.zeros(hz.shape)
    highest = max(band.frequency_hz for band in equalizer.bands)
    if highest >= HIGHEST_SHARE_OF_RATE * sample_rate_hz or float(hz.max()) >= sample_rate_hz / 2:
        raise InputError(
            f"an equalizer up to {highest:g} Hz, asked for up to {float(hz.max()):g} Hz at {sample_rate_hz:g} Hz",
            expected=f"bands below {HIGHEST_SHARE_OF_RATE * sample_rate_hz:g} Hz, frequencies below half the rate",
            remedy="move the band or use a higher sample rate",
        )
    kinds = np.array([KINDS.index(band.kind) for band in equalizer.bands])
    ln_f, ln_q, gain = (
        np.array(values)
        for values in zip(*((math.log(b.frequency_hz), math.log(b.q), b.gain_db) for b in equalizer.bands), strict=True)
    )
    return np.asarray(band_gains(kinds, ln_f, ln_q, gain, prewarped(hz, sample_rate_hz), sample_rate_hz).sum(axis=0))


def apply(levels: Levels, equalizer: Equalizer, sample_rate_hz: float = DEFAULT_RATE_HZ) -> Levels:
    """Levels behind the equalizer: the same change in every direction. Uncertainty and validity stay."""
    return replace(levels, level_db=levels.level_db + gain_db(equalizer, levels.axis.hz, sample_rate_hz))


def prewarped(frequency_hz: FloatArray, sample_rate_hz: float) -> FloatArray:
    """(F,) tan^2(w / 2), on which all gains depend."""
    return np.asarray(np.tan(np.pi * frequency_hz / sample_rate_hz) ** 2, dtype=float)


@dataclass(frozen=True, slots=True, eq=False)
class _Squares:
    """|H|^2 = scale^2 ((a - b u)^2 + c u) / ((d - e u)^2 + f u) with u = x^2; every field (..., 1)."""

    a: FloatArray
    b: FloatArray
    c: FloatArray
    d: FloatArray
    e: FloatArray
    f: FloatArray
    scale: FloatArray


def _squares(kinds: IntArray, amplitude: FloatArray, p: FloatArray) -> _Squares:
    """kinds, amplitude 10^(g/40), p = 1 / Q^2 : (..., 1)."""
    peak, low, high = kinds == 0, kinds == 1, kinds == 2
    one = np.ones_like(amplitude)
    shelf = amplitude * p
    numerator = np.where(low, amplitude, one), np.where(high, amplitude, one)
    denominator = np.where(high, amplitude, one), np.where(low, amplitude, one)
    return _Squares(
        *numerator,
        np.where(peak, p * amplitude**2, shelf),
        *denominator,
        np.where(peak, p / amplitude**2, shelf),
        np.where(peak, one, amplitude),
    )


def _start(
    kinds: IntArray, ln_f: FloatArray, ln_q: FloatArray, gain: FloatArray, warped: FloatArray, rate_hz: float
) -> tuple[_Squares, FloatArray, FloatArray, FloatArray, IntArray]:
    """The squares, amplitude, w0, u = x^2 (..., N, F) and kinds, all but u of shape (..., N, 1)."""
    amplitude = np.asarray(10.0 ** (gain[..., None] / 40.0), dtype=float)
    p = np.exp(-2.0 * ln_q[..., None])
    w0 = 2.0 * np.pi * np.exp(ln_f[..., None]) / rate_hz
    u = np.asarray(warped / np.tan(w0 / 2) ** 2, dtype=float)
    return _squares(kinds[..., None], amplitude, p), amplitude, w0, u, kinds[..., None]


def band_gains(
    kinds: IntArray, ln_f: FloatArray, ln_q: FloatArray, gain: FloatArray, warped: FloatArray, sample_rate_hz: float
) -> FloatArray:
    """(..., N, F) gain of each band [dB].

    kinds : (..., N) index into KINDS; ln_f, ln_q, gain [dB] : (..., N); warped : (F,) from `prewarped`.
    """
    k, _, _, u, _ = _start(kinds, ln_f, ln_q, gain, warped, sample_rate_hz)
    above = (k.a - k.b * u) ** 2 + k.c * u
    below = (k.d - k.e * u) ** 2 + k.f * u
    return np.asarray(_DB * np.log(k.scale**2 * above / below), dtype=float)


def band_gains_and_slopes(
    kinds: IntArray, ln_f: FloatArray, ln_q: FloatArray, gain: FloatArray, warped: FloatArray, sample_rate_hz: float
) -> tuple[FloatArray, FloatArray]:
    """(..., N, F) gains [dB] and (..., 3, N, F) exact derivatives by ln f, ln Q and gain; inputs as `band_gains`."""
    k, amplitude, w0, u, kind = _start(kinds, ln_f, ln_q, gain, warped, sample_rate_hz)
    peak, low, high = kind == 0, kind == 1, kind == 2
    m, n = k.a - k.b * u, k.d - k.e * u
    above, below = m * m + k.c * u, n * n + k.f * u
    inverse_above, inverse_below = 1.0 / above, 1.0 / below
    slopes = np.empty((*above.shape[:-2], 3, *above.shape[-2:]))
    by_u = (k.c - 2.0 * k.b * m) * inverse_above - (k.f - 2.0 * k.e * n) * inverse_below
    slopes[..., 0, :, :] = by_u * u * (-2.0 * _DB * w0 / np.sin(w0))
    slopes[..., 1, :, :] = u * ((-2.0 * _DB * k.c) * inverse_above + (2.0 * _DB * k.f) * inverse_below)
    # By ln A, then ln A = g ln(10) / 40 makes it 1/4 dB per dB times the factor 10 / ln 10 taken out.
    c_a = np.where(peak, 2.0 * k.c, k.c)
    f_a = np.where(peak, -2.0 * k.f, k.f)
    above_a = np.where(low, 2.0 * amplitude, 0.0) * m + (np.where(high, -2.0 * amplitude, 0.0) * m + c_a) * u
    below_a = np.where(high, 2.0 * amplitude, 0.0) * n + (np.where(low, -2.0 * amplitude, 0.0) * n + f_a) * u
    slopes[..., 2, :, :] = 0.25 * (np.where(peak, 0.0, 2.0) + above_a * inverse_above - below_a * inverse_below)
    return np.asarray(_DB * np.log(k.scale**2 * above * inverse_below), dtype=float), slopes
