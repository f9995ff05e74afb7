"""What a page needs to let its reader hear the loudspeaker: filters for the script that plays."""

import base64
from contextlib import suppress
from importlib.resources import files

import numpy as np

from earwitness.audition.filters import minimum_phase_taps
from earwitness.audition.loudness import k_weighting
from earwitness.audition.versions import through
from earwitness.errors import InputError
from earwitness.insight.findings.narrow import hidden_db
from earwitness.insight.mend.equalizer import Band, Equalizer, sections
from earwitness.publish.review import Review
from earwitness.quantities.arrays import FloatArray
from earwitness.quantities.axis import hz_words

RATE_HZ = 48_000
MOST_TAPS = 8192
"""Holds a low cut of fourth order at 40 Hz within 0.05 dB (own check), in 44 kB of text."""


def player_script() -> str:
    """The script that plays: classic, it works from disk."""
    return files("earwitness.publish.site").joinpath("player.js").read_text(encoding="utf-8")


def player_data(review: Review) -> dict[str, object]:
    """Filters at 48 kHz: taps of the listening window (base64 of 32-bit floats), sections of the equalizer and of the
    most audible peak or dip, of the loudness weighting, and of what makes noise pink; {} without a listening window.
    """
    made: dict[str, object] = {}
    with suppress(InputError, KeyError):
        version = through(review.reading.curves["listening_window"], "as-is", "")
        findings = () if review.advice is None else review.advice.findings
        heard = version.level_db + hidden_db(findings, version.hz)
        taps = minimum_phase_taps(version.hz, heard, RATE_HZ)[:MOST_TAPS]
        fade = MOST_TAPS // 8
        if taps.size == MOST_TAPS:
            taps[-fade:] *= 0.5 + 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / fade)
        made = {
            "rate": RATE_HZ,
            "taps": base64.b64encode(taps.astype("<f4").tobytes()).decode(),
            "weighting": _rows(k_weighting(RATE_HZ)),
            "pink": _rows(_pink()),
            "equalizer": None,
            "finding": None,
        }
        if review.equalizer is not None and review.equalizer.bands:
            made["equalizer"] = _rows(sections(review.equalizer, RATE_HZ))
        sized = [
            (one, size_db) for one in findings if one.q is not None and (size_db := one.size_in("listening_window"))
        ]
        shaped, size_db = max(sized, key=lambda pair: pair[0].margin_db, default=(None, 0.0))
        if shaped is not None and shaped.q is not None:
            alone = Equalizer((Band("peaking", shaped.center_hz, size_db, shaped.q),))
            words = f"Only {size_db:+.1f} dB at {hz_words(shaped.center_hz)}".replace("-", "\N{MINUS SIGN}")
            made["finding"] = {"words": words, "sections": _rows(sections(alone, RATE_HZ))}
    return made


def _rows(found: FloatArray) -> list[list[float]]:
    return [[float(value) for value in row] for row in found]


def _pink() -> FloatArray:
    """(9, 6) sections whose poles and zeros take turns three to a decade: level falls 10 dB a decade from 20 Hz to
    20 kHz, within half a decibel (handbook: half-order slope by alternating poles and zeros)."""
    poles_hz = 10.0 ** np.arange(1.0, 4.01, 1.0 / 3.0)
    rows = []
    for pole_hz in poles_hz:
        pole, zero = (np.exp(-2.0 * np.pi * hz / RATE_HZ) for hz in (pole_hz, pole_hz * 10.0 ** (1.0 / 6.0)))
        rows.append([1.0, -zero, 0.0, 1.0, -pole, 0.0])
    return np.array(rows)
