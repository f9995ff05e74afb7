"""Equalizers as text, coefficients and impulse responses. Writing files is the caller's."""

import csv
import io
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import scipy.fft

from earwitness import __version__
from earwitness.errors import InputError, choice
from earwitness.insight.mend.equalizer import DEFAULT_RATE_HZ, Equalizer, gain_db, response, sections
from earwitness.quantities.arrays import FloatArray, Locked

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
