"""Parametric equalizers: bands, their digital response, what they do to levels, and their form in files.

Formulas: Audio EQ Cookbook, W3C Working Group Note, June 2021. Through the bilinear transform a digital section has
at w the analog prototype's response at x = tan(w / 2) / tan(w0 / 2), so its gain is a ratio of squares in x^2 that can
be differentiated by hand; own computation.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt
import scipy.fft

from earwitness import __version__
from earwitness.dsp.filters import HIGHEST_SHARE_OF_RATE, biquad, cascade_response
from earwitness.errors import InputError, choice
from earwitness.figures.windows import DirectionalLevels
from earwitness.quantities import ComplexArray, FloatArray, IntArray, Locked

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
        frequency_hz = max(round(self.frequency_hz, 0 if self.frequency_hz >= 100 else 1), 0.1)
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
    return np.asarray(
        band_gains(kinds, ln_f, ln_q, gain, prewarped(hz, sample_rate_hz), sample_rate_hz=sample_rate_hz).sum(axis=0)
    )


def apply(
    levels: DirectionalLevels, equalizer: Equalizer, sample_rate_hz: float = DEFAULT_RATE_HZ
) -> DirectionalLevels:
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
    k, _, _, u, _ = _start(kinds=kinds, ln_f=ln_f, ln_q=ln_q, gain=gain, warped=warped, rate_hz=sample_rate_hz)
    above = (k.a - k.b * u) ** 2 + k.c * u
    below = (k.d - k.e * u) ** 2 + k.f * u
    return np.asarray(_DB * np.log(k.scale**2 * above / below), dtype=float)


def band_gains_and_slopes(
    kinds: IntArray, ln_f: FloatArray, ln_q: FloatArray, gain: FloatArray, warped: FloatArray, sample_rate_hz: float
) -> tuple[FloatArray, FloatArray]:
    """(..., N, F) gains [dB] and (..., 3, N, F) exact derivatives by ln f, ln Q and gain; inputs as `band_gains`."""
    k, amplitude, w0, u, kind = _start(kinds, ln_f=ln_f, ln_q=ln_q, gain=gain, warped=warped, rate_hz=sample_rate_hz)
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


RATES_HZ = (44_100.0, 48_000.0, 88_200.0, 96_000.0, 192_000.0)
TRANSFER_FUNCTION = "H(z) = (b0 + b1 z^-1 + b2 z^-2) / (1 + a1 z^-1 + a2 z^-2)"
SIGN_CONVENTION = (
    "a1 and a2 stand in the denominator with the sign shown; "
    "y[n] = b0 x[n] + b1 x[n-1] + b2 x[n-2] - a1 y[n-1] - a2 y[n-2]; some devices want them negated"
)
Q_CONVENTION = "Q of the Audio EQ Cookbook (W3C note, 2021); devices that mean another Q need another number"
Phase = Literal["minimum", "linear"]
LARGEST_ERROR_DB = 0.1
LARGEST_TAIL_DB = -60.0
MOST_TAPS = 2**17
_RESOLUTION_HZ = 20.0
_KIND_WORDS = {"peaking": "peaking", "low_shelf": "low shelf", "high_shelf": "high shelf"}


def table_text(equalizer: Equalizer) -> str:
    """A plain table: number, kind, frequency, gain, Q; preamp and conventions below."""
    rows = [f"{'band':>4}  {'kind':<10}  {'frequency Hz':>12}  {'gain dB':>7}  {'Q':>6}"]
    for number, band in enumerate(equalizer.bands, 1):
        kind = _KIND_WORDS[band.kind]
        rows.append(f"{number:>4}  {kind:<10}  {band.frequency_hz:>12.1f}  {band.gain_db:>+7.1f}  {band.q:>6.2f}")
    rows += [f"preamp {equalizer.preamp_db:+.1f} dB", Q_CONVENTION]
    return "\n".join(rows) + "\n"


def coefficients_json(equalizer: Equalizer, *, rates_hz: Sequence[float] = RATES_HZ) -> str:
    """Bands and second-order sections for each sample rate, conventions stated. InputError for a rate too low."""
    document = {
        "program": f"earwitness {__version__}",
        "transfer_function": TRANSFER_FUNCTION,
        "sign_convention": SIGN_CONVENTION,
        "q_convention": Q_CONVENTION,
        "preamp_db": equalizer.preamp_db,
        "bands": [
            {"kind": b.kind, "frequency_hz": b.frequency_hz, "gain_db": b.gain_db, "q": b.q} for b in equalizer.bands
        ],
        "sections": [
            {"sample_rate_hz": rate, "biquads": [_named(row) for row in sections(equalizer, rate).tolist()]}
            for rate in rates_hz
        ],
    }
    return json.dumps(document, indent=2) + "\n"


def _named(row: Sequence[float]) -> dict[str, float]:
    return {"b0": row[0], "b1": row[1], "b2": row[2], "a1": row[4], "a2": row[5]}


def coefficients_csv(equalizer: Equalizer, *, rates_hz: Sequence[float] = RATES_HZ) -> str:
    """One row a section and sample rate; comment lines with # state the conventions."""
    out = io.StringIO()
    for words in (TRANSFER_FUNCTION, SIGN_CONVENTION, Q_CONVENTION, f"preamp {equalizer.preamp_db:.17g} dB"):
        out.write(f"# {words}\n")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["sample_rate_hz", "band", "b0", "b1", "b2", "a1", "a2"])
    for rate in rates_hz:
        for number, row in enumerate(sections(equalizer, rate).tolist(), 1):
            writer.writerow([f"{rate:.17g}", number, *(f"{row[i]:.17g}" for i in (0, 1, 2, 4, 5))])
    return out.getvalue()


@dataclass(frozen=True, slots=True, eq=False)
class Fir(Locked):
    """An impulse response (taps,) with the preamp in it.

    error_db : largest departure from the equalizer, 20 Hz to 20 kHz; tail_db : energy of the outermost 5 % of taps
    against all; delay_samples : of the main tap
    """

    taps: FloatArray
    sample_rate_hz: float
    phase: Phase
    delay_samples: int
    error_db: float
    tail_db: float

    @property
    def is_faithful(self) -> bool:
        """At most 0.1 dB of error, the tail 60 dB down."""
        return self.error_db <= LARGEST_ERROR_DB and self.tail_db <= LARGEST_TAIL_DB


def fir(
    equalizer: Equalizer, *, sample_rate_hz: float = DEFAULT_RATE_HZ, phase: Phase = "minimum", taps: int | None = None
) -> Fir:
    """The equalizer as a finite impulse response, of minimum or linear phase.

    taps : by default as many as a resolution of 20 Hz asks for (sample rate / 20), doubled until the response is
    faithful (0.1 dB, tail -60 dB); a given number is kept and what it costs stands in the result. The sections are of
    minimum phase, so their own impulse response is the minimum-phase one. InputError for less than 16 or more than
    131072 taps, or a rate too low for the bands.
    """
    choice("the phase", phase, ("minimum", "linear"))
    if taps is not None:
        if not 16 <= taps <= MOST_TAPS:
            raise InputError(f"an impulse response of {taps} taps", expected=f"16 to {MOST_TAPS}")
        return _fir(equalizer, sample_rate_hz, phase, taps)
    count = max(16, 2 * round(sample_rate_hz / _RESOLUTION_HZ / 2))
    found = _fir(equalizer, sample_rate_hz, phase, count)
    while not found.is_faithful and 2 * count <= MOST_TAPS:
        count *= 2
        found = _fir(equalizer, sample_rate_hz, phase, count)
    return found


def _fir(equalizer: Equalizer, rate_hz: float, phase: Phase, taps: int) -> Fir:
    length = max(2**18, 4 * taps)
    hz = scipy.fft.rfftfreq(length, 1 / rate_hz)
    shape = response(equalizer, hz, rate_hz) * 10 ** (equalizer.preamp_db / 20)
    if phase == "minimum":
        impulse = scipy.fft.irfft(shape, length)[:taps]
        fade = np.arange(taps) - (taps - max(1, taps // 10))
        impulse = impulse * np.where(fade > 0, np.cos(np.pi / 2 * fade / max(1, taps // 10)) ** 2, 1.0)
        delay, edge = 0, impulse[-max(1, taps // 20) :]
    else:
        delay = (taps - 1) // 2
        whole = scipy.fft.irfft(np.abs(shape), length)
        impulse = np.roll(whole, delay)[:taps]
        away = np.abs(np.arange(taps) - delay) / (delay + 1)
        fade = np.clip((away - 0.9) / 0.1, 0.0, 1.0)
        impulse = impulse * np.cos(np.pi / 2 * fade) ** 2
        side = max(1, taps // 40)
        edge = np.concatenate([impulse[:side], impulse[-side:]])
    got = np.abs(scipy.fft.rfft(impulse, length))
    heard = (hz >= 20.0) & (hz <= min(20_000.0, 0.49 * rate_hz))
    error = float(np.abs(20 * np.log10(got[heard] / np.abs(shape[heard]))).max())
    total = float((impulse**2).sum())
    tail = 10 * np.log10(max(float((edge**2).sum()), 1e-30 * total) / total)
    return Fir(impulse, rate_hz, phase, delay, error, float(tail))


def response_table(equalizer: Equalizer, frequency_hz: FloatArray, *, sample_rate_hz: float = DEFAULT_RATE_HZ) -> str:
    """Frequency and gain, comma separated, so that a device's own display can be checked."""
    gain = gain_db(equalizer, frequency_hz, sample_rate_hz) + equalizer.preamp_db
    rows = [f"{f:.2f},{g:.2f}" for f, g in zip(frequency_hz.tolist(), gain.tolist(), strict=True)]
    return "\n".join(["frequency_hz,gain_db", *rows]) + "\n"
