"""Distortion between the tones of a multitone, and of two tones."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from earwitness.figures.distortion import DISTORTION_FIGURES, MARGIN_DB, level_key
from earwitness.quantities import REFERENCE_PRESSURE_PA, Curve, Figure, FrequencyAxis, TwoToneReading
from earwitness.quantities.arrays import BoolArray, FloatArray
from earwitness.quantities.measurement import MultitoneReading

INFO = {info.key: info for info in DISTORTION_FIGURES}
_TINY = 1e-300
_U_DB = 0.2
HIDDEN_SHARE = 0.25


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


def multitone_curves(
    reading: MultitoneReading, *, in_room: bool = False, common: BoolArray | None = None, lineage: tuple[str, ...] = ()
) -> MultitoneCurves:
    """Curves and the number of one multitone take.

    The curves hold the noise. The number is one only while what noise may hide is at most a quarter of what is seen
    (then it stands in the uncertainty); else it is a bound, all of distortion and noise, which nothing exceeds.
    in_room : tones and residue hold the room; common (K,) : bands clear of noise at every level, named beside it, so
    that levels can be set side by side. 0.2 dB stand for the microphone between tone and residue (project default).
    """
    lines = reading.lines
    axis = FrequencyAxis(lines.frequency_hz)
    shift = 20.0 * math.log10(reading.distance_m)

    def level(power: FloatArray) -> FloatArray:
        return 10.0 * np.log10(np.maximum(power, _TINY) / REFERENCE_PRESSURE_PA**2) + shift

    noise = lines.noise
    clear = clear_bands(reading)
    spl = "dB SPL at 1 m"
    relative = 10.0 * np.log10(np.maximum(lines.residue, _TINY) / np.maximum(lines.tone, _TINY))

    def curve(key: str, name: str, values: FloatArray, valid: BoolArray | None = None, reference: str = spl) -> Curve:
        key = f"{key}@{level_key(reading.drive_v)}"
        return Curve.of(key, name, axis, values, valid, u=_U_DB, reference=reference, lineage=lineage)

    between = "distortion and noise between the tones", "distortion and noise against the tone"
    return MultitoneCurves(
        reading.drive_v,
        reading.crest_db,
        tones=curve("multitone_tones", "tones", level(lines.tone)),
        residue=curve("multitone_residue", between[0], level(lines.residue), clear),
        relative=curve("multitone_relative", between[1], relative, clear, "dB relative to the tone"),
        noise=None if noise is None else curve("multitone_noise", "noise", level(noise), noise > 0.0),
        number=_number(reading, clear, clear if common is None else common, in_room, lineage),
        total_db=float(level(np.array([lines.total_tone + lines.total_residue]))[0]),
    )


def clear_bands(reading: MultitoneReading) -> BoolArray:
    """(K,) bands whose residue stands 6 dB above the noise, or all where the noise is not known."""
    noise = reading.lines.noise
    quiet = np.zeros(reading.lines.tone.size) if noise is None else noise
    return np.asarray(reading.lines.residue > quiet * 10.0 ** (MARGIN_DB / 10.0), dtype=bool)


def common_bands(readings: Sequence[MultitoneReading]) -> BoolArray | None:
    """(K,) bands clear at every level, None where the takes hold different tones, or none is clear throughout."""
    tones = [one.lines.frequency_hz for one in readings]
    if not tones or any(one.size != tones[0].size or not np.allclose(one, tones[0], rtol=1e-3) for one in tones):
        return None
    clear = np.logical_and.reduce([clear_bands(one) for one in readings])
    return clear if clear.any() else None


def _number(
    reading: MultitoneReading, clear: BoolArray, common: BoolArray, in_room: bool, lineage: tuple[str, ...]
) -> Figure:
    """Residue against the tones: a value, the noise taken off, or a bound where noise may hide much of it."""
    lines = reading.lines
    whole = 10.0 * math.log10(max(lines.total_residue, _TINY) / max(lines.total_tone, _TINY))
    value, u, bound = whole, _U_DB, ""
    level = 10.0 * math.log10(max(lines.total_tone, _TINY) / REFERENCE_PRESSURE_PA**2)
    level += 20.0 * math.log10(reading.distance_m)
    caveats = [
        f"{clear.size} tones, crest factor {reading.crest_db:.1f} dB, {reading.drive_v:g} V in all",
        f"{level:.0f} dB SPL at 1 m in all" + (", the room in it" if in_room else ""),
    ]
    if lines.noise is None:
        why = "one period only" if lines.periods < 2 else "player and recorder have clocks of their own"
        bound = "at most"
        caveats.append(f"{why}: how much of it is noise is not known")
    elif not clear.all():
        seen, hiss = float(np.sum(lines.residue[clear])), float(np.sum(lines.noise[clear]))
        hidden = float(np.sum(lines.residue[~clear]))
        if hidden <= HIDDEN_SHARE * (seen - hiss):
            value = 10.0 * math.log10((seen - hiss) / lines.total_tone)
            u = math.hypot(u, 4.34 * hiss / seen, 10.0 * math.log10(1.0 + hidden / (seen - hiss)) / math.sqrt(3.0))
            caveats.append(f"from {np.count_nonzero(clear)} of {clear.size} bands, noise covers the others")
        else:
            bound = "at most"
            caveats.append(f"noise covers {np.count_nonzero(~clear)} of {clear.size} bands: the distortion is lower")
    else:
        hiss = float(np.sum(lines.noise))
        seen = float(np.sum(lines.residue))
        value, u = 10.0 * math.log10((seen - hiss) / lines.total_tone), math.hypot(u, 4.34 * hiss / seen)
    if in_room:
        # The powers that a diffuse field gives to single tones spread like chi square of two: 1 / n of their sum.
        u = math.hypot(u, 4.34 * math.sqrt(float(np.sum(lines.tone**2))) / lines.total_tone)
    if lines.noise is not None and common.any() and not common.all():
        rest = float(np.sum(lines.residue[common] - lines.noise[common]))
        low, high = lines.frequency_hz[common][[0, -1]]
        caveats.append(
            f"in the {np.count_nonzero(common)} bands that are clear at every level, {low:.0f} Hz to {high:.0f} Hz, "
            f"{10.0 * math.log10(max(rest, _TINY) / lines.total_tone):.1f} dB"
        )
    caveats.append(f"{100.0 * 10.0 ** (value / 20.0):.2g} % of the tones")
    if abs(lines.drift) > 1e-9:
        caveats.append(f"the recorder's clock differs by {1e6 * lines.drift:.2f} ppm")
    band = float(lines.frequency_hz[0]), float(lines.frequency_hz[-1])
    asked = INFO["multitone_distortion"].asked(lineage, band, at=level_key(reading.drive_v))
    return asked.judged(value, u, *caveats, bound=bound)


def intermodulation(reading: TwoToneReading, *, lineage: tuple[str, ...] = ()) -> dict[str, Figure]:
    """Modulation distortion of second and third order of a two-tone take, by key with the level behind "@".

    d2 = (p(f2 - f1) + p(f2 + f1)) / p(f2), d3 with 2 f1; where a sum is not 6 dB above the noise in two lines, that
    is its bound ("at most").
    """
    carrier, *sides = (float(x) for x in reading.lines_pa)
    figures: dict[str, Figure] = {}
    for order, pair in ((2, sides[:2]), (3, sides[2:])):
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
        info, band = INFO[f"intermodulation_{order}"], (reading.low_hz, reading.high_hz)
        asked = info.asked(lineage, band, at=level_key(reading.drive_v))
        figures[asked.key] = asked.judged(value, u, *caveats, bound="at most" if covered else "")
    return figures
