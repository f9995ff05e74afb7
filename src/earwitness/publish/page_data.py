"""What the scripts of a page compute with: filters for the one that plays, numbers for the questions it answers."""

import base64
import json
from contextlib import suppress

import numpy as np

from earwitness.audition.filters import minimum_phase_taps
from earwitness.audition.loudness import k_weighting
from earwitness.audition.versions import through
from earwitness.errors import InputError
from earwitness.figures.load import on_load_grid
from earwitness.figures.sensitivity import band_level
from earwitness.files.data import file_text
from earwitness.insight.findings.narrow import hidden_db
from earwitness.insight.match.amplifier import BAND_HZ
from earwitness.insight.match.boundaries import walls_tried
from earwitness.insight.match.subwoofer import EXCURSION_BAND_HZ, main_response
from earwitness.insight.mend.equalizer import Band, Equalizer, sections
from earwitness.publish.review import Review
from earwitness.quantities.arrays import FloatArray
from earwitness.quantities.axis import hz_words

RATE_HZ = 48_000
MOST_TAPS = 8192
"""Holds a low cut of fourth order at 40 Hz within 0.05 dB (own check), in 44 kB of text."""


def player_script() -> str:
    """The script that plays: classic, it works from disk."""
    return file_text("publish", "site/player.js")


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


SEAT_M = 3.0


def calculator_script() -> str:
    """The script of the questions: classic, it works from disk."""
    return file_text("publish", "site/calculators.js")


def calculator_data(review: Review) -> dict[str, object]:
    """Sensitivity [dB], sound power [dB at 1 m] and clean level [dB], load [ohm] over hz, the main's level [dB] over hz
    in the bass, each with its U (k = 2).

    What is not known is None; {} without a sensitivity, where no question can be answered.
    """
    reading, impedance = review.reading, review.measurement.impedance
    sensitivity, clean = (reading.figures.get(key) for key in ("sensitivity", "highest_clean_level"))
    if sensitivity is None or sensitivity.value is None or sensitivity.u is None:
        return {}
    load, main, spread = None, None, reading.curves.get("sound_power")
    power = None if spread is None else band_level(spread, key="power")
    if impedance is not None:
        grid = on_load_grid(impedance)
        rows = grid.valid & (grid.axis.hz >= 0.999 * BAND_HZ[0]) & (grid.axis.hz <= BAND_HZ[1])
        if rows.any():
            size, u = np.abs(grid.ohm[rows]), grid.u_ohm[rows]
            load = {"hz": _short(grid.axis.hz[rows]), "ohm": _short(size), "u95": _short(2.0 * u, 3)}
    try:
        found = main_response(reading.curves["on_axis"])
        rows = (found.axis.hz >= EXCURSION_BAND_HZ[0]) & (found.axis.hz <= EXCURSION_BAND_HZ[1])
        level_db = 20.0 * np.log10(np.abs(found.pressure[rows]))
        u95 = [round(2.0 * float(u), 3) for u in found.u_db[rows]]
        main = {"hz": _short(found.axis.hz[rows]), "db": [round(float(v), 3) for v in level_db], "u95": u95}
    except (InputError, KeyError):
        # The page leaves the question out, as the exhibit does.
        pass
    return {
        "sensitivity": round(sensitivity.value, 3),
        "sensitivityU95": round(2.0 * sensitivity.u, 3),
        "power": power and power.value and round(power.value, 3),
        "powerU95": power and power.u and round(2.0 * power.u, 3),
        "clean": None if clean is None or clean.value is None else round(clean.value, 3),
        "cleanU95": clean and clean.u and round(2.0 * clean.u, 3),
        "cleanBound": "" if clean is None else clean.bound,
        "ratedOhm": review.loudspeaker.rated_impedance_ohm,
        "load": load,
        "wall": _walls(review),
        "main": main,
    }


def _walls(review: Review) -> list[dict[str, float]] | None:
    """What a wall behind does at each distance that `wall_behind` tries, the seat 3 m ahead; None where that is not
    known."""
    response, depth_m = review.measurement.response, review.loudspeaker.depth_m
    try:
        found = walls_tried(response, SEAT_M, depth_m)
    except InputError:
        return None
    names = ("m", "lift", "liftU95", "dip", "dipU95", "hz")
    rows = ((m, one.lift_db, 2 * one.u[0], one.dip_db, 2 * one.u[1], one.dip_hz) for m, one in found.items())
    return [dict(zip(names, _short(np.array(row)), strict=True)) for row in rows]


def calculator_json(data: dict[str, object]) -> str:
    """The numbers as they stand in the page: nothing in them ends the element."""
    return json.dumps(data, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")


def _short(values: np.ndarray[tuple[int, ...], np.dtype[np.float64]], digits: int = 6) -> list[float]:
    return [float(f"{value:.{digits}g}") for value in values]
