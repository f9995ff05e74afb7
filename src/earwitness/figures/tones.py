"""Distortion between the tones of a multitone, and of two tones."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from earwitness.figures.distortion import DISTORTION_FIGURES, MARGIN_DB, figure_at, level_key
from earwitness.quantities import REFERENCE_PRESSURE_PA, Curve, Figure, FrequencyAxis, TwoToneReading
from earwitness.quantities.arrays import BoolArray, FloatArray
from earwitness.quantities.multitone import MultitoneReading

_METHODS = {info.key: info.method for info in DISTORTION_FIGURES}
_TINY = 1e-300
_U_DB = 0.2


@dataclass(frozen=True, slots=True, eq=False)
class MultitoneCurves:
    """Of one multitone take, on the frequencies of its tones, in dB SPL at 1 m by the distance law.

    tones : level of each tone; residue : distortion and noise in its band, invalid where less than 6 dB above the
    noise alone; relative : residue against the tone [dB]; noise : alone, None where it was not had
    number : whole residue against all tones; total_db : level of the whole signal
    """

    drive_v: float
    crest_db: float
    tones: Curve
    residue: Curve
    relative: Curve
    noise: Curve | None
    number: Figure
    total_db: float


def multitone_curves(reading: MultitoneReading, *, lineage: tuple[str, ...] = ()) -> MultitoneCurves:
    """Curves and the number of one multitone take.

    The curves hold the noise; the number leaves out bands that noise covers, and takes it off in the others. 0.2 dB
    stand for the microphone between tone and residue (project default).
    """
    lines, key = reading.lines, level_key(reading.drive_v)
    axis = FrequencyAxis(lines.frequency_hz)
    shift = 20.0 * math.log10(reading.distance_m)
    zeros = np.zeros(len(axis))
    everywhere = np.ones(len(axis), dtype=bool)

    def level(power: FloatArray) -> FloatArray:
        return 10.0 * np.log10(np.maximum(power, _TINY) / REFERENCE_PRESSURE_PA**2) + shift

    noise = lines.noise
    quiet = np.zeros(len(axis)) if noise is None else noise
    clear = np.asarray(lines.residue > quiet * 10.0 ** (MARGIN_DB / 10.0), dtype=bool)
    spl = "dB SPL at 1 m"
    relative = 10.0 * np.log10(np.maximum(lines.residue, _TINY) / np.maximum(lines.tone, _TINY))
    own = zeros + _U_DB
    return MultitoneCurves(
        reading.drive_v,
        reading.crest_db,
        Curve(f"multitone_tones@{key}", "tones", axis, level(lines.tone), own, zeros, everywhere, "dB", spl, lineage),
        Curve(
            f"multitone_residue@{key}",
            "distortion and noise between the tones",
            axis,
            level(lines.residue),
            own,
            zeros,
            clear,
            "dB",
            spl,
            lineage,
        ),
        Curve(
            f"multitone_relative@{key}",
            "distortion and noise against the tone",
            axis,
            relative,
            own,
            zeros,
            clear,
            "dB",
            "dB relative to the tone",
            lineage,
        ),
        None
        if noise is None
        else Curve(f"multitone_noise@{key}", "noise", axis, level(noise), own, zeros, noise > 0.0, "dB", spl, lineage),
        _number(reading, clear, lineage),
        float(level(np.array([lines.total_tone + lines.total_residue]))[0]),
    )


def _number(reading: MultitoneReading, clear: BoolArray, lineage: tuple[str, ...]) -> Figure:
    """Residue against the tones from the bands that are clear of noise, the noise taken off; a bound without any."""
    lines = reading.lines
    whole = 10.0 * math.log10(max(lines.total_residue, _TINY) / max(lines.total_tone, _TINY))
    value, share, bound = whole, 0.0, ""
    caveats = [f"{clear.size} tones, crest factor {reading.crest_db:.1f} dB, {reading.drive_v:g} V in all"]
    if lines.noise is None:
        why = "one period only" if lines.periods < 2 else "player and recorder have clocks of their own"
        caveats.append(f"{why}: how much of it is noise is not known")
    elif not clear.any():
        bound = "at most"
        caveats.append("noise covers it: the distortion is lower")
    elif not clear.all():
        seen, hiss = float(np.sum(lines.residue[clear])), float(np.sum(lines.noise[clear]))
        value, share = 10.0 * math.log10((seen - hiss) / lines.total_tone), hiss / seen
        caveats.append(
            f"from {np.count_nonzero(clear)} of {clear.size} bands, noise covers the others; "
            f"with them and the noise {whole:.1f} dB"
        )
    caveats.append(f"{100.0 * 10.0 ** (value / 20.0):.2g} % of the tones")
    if abs(lines.drift) > 1e-9:
        caveats.append(f"the recorder's clock differs by {1e6 * lines.drift:.2f} ppm")
    return Figure(
        figure_at("multitone_distortion", reading.drive_v),
        value,
        math.hypot(_U_DB, 4.34 * share),
        "dB",
        (float(lines.frequency_hz[0]), float(lines.frequency_hz[-1])),
        _METHODS["multitone_distortion"],
        bound=bound,
        caveats=tuple(caveats),
        lineage=lineage,
    )


def intermodulation(reading: TwoToneReading, *, lineage: tuple[str, ...] = ()) -> dict[str, Figure]:
    """Modulation distortion of second and third order of a two-tone take, by key with the level behind "@".

    d2 = (p(f2 - f1) + p(f2 + f1)) / p(f2), d3 with 2 f1; where a sum is not 6 dB above the noise in two lines, that
    is its bound ("at most").
    """
    carrier, *sides = (float(x) for x in reading.lines_pa)
    figures: dict[str, Figure] = {}
    for order, pair in ((2, sides[:2]), (3, sides[2:])):
        key = f"intermodulation_{order}"
        place = figure_at(key, reading.drive_v)
        covered = sum(pair) < 2.0 * reading.noise_pa * 10.0 ** (MARGIN_DB / 20.0)
        value = 100.0 * sum(pair) / carrier
        if covered:
            value = 100.0 * 2.0 * reading.noise_pa * 10.0 ** (MARGIN_DB / 20.0) / carrier
        u = math.hypot(100.0 * reading.noise_pa / carrier, value * _U_DB * math.log(10.0) / 20.0)
        level = 20.0 * math.log10(carrier * reading.distance_m / REFERENCE_PRESSURE_PA)
        caveats = [
            f"tones of {reading.low_hz:g} Hz and {reading.high_hz:g} Hz",
            f"{level:.0f} dB at {reading.high_hz:g} Hz, 1 m",
        ]
        if covered:
            caveats.append("noise covers it: the distortion is lower")
        band = (reading.low_hz, reading.high_hz)
        bound = "at most" if covered else ""
        figures[place] = Figure(
            place, value, u, "%", band, _METHODS[key], bound=bound, caveats=tuple(caveats), lineage=lineage
        )
    return figures
