"""Distortion, multitones, intermodulation and compression at one sound level, so that loudspeakers can be compared.

A loudspeaker that is louder for its voltage would look worse at equal voltage than it is. Here every quantity is
interpolated between the recorded levels, in dB against the level at 1 m, and told in bands that are the same for all.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from earwitness.figures.distortion import Distortion
from earwitness.figures.highest_level import COMPRESSION_BAND_HZ, Compression
from earwitness.figures.registry import base_key, figure_infos
from earwitness.figures.sensitivity import mean_level_db
from earwitness.quantities import REFERENCE_PRESSURE_PA, Asked, Figure, TwoToneReading
from earwitness.quantities.arrays import BoolArray, FloatArray
from earwitness.quantities.measurement import MultitoneReading

LEVELS_DB = (86.0, 96.0)
"""At 1 m; what testers compare at. Common practice, no source."""
BASS_HZ, REST_HZ, TONES_HZ = (50.0, 200.0), (200.0, 5000.0), (100.0, 16_000.0)
LEAST_SHARE = 0.9
_SAME_DB = 0.05
_HIDDEN_SHARE = 0.25
_U_DB = 0.2
Bound = Literal["", "at most"]
EQUAL_LEVEL_FIGURES = figure_infos("equal_level")
_NO_LEVEL = "the level from 300 Hz to 3 kHz is not known at 1 m"
_UNCALIBRATED = "the level of the recordings is not calibrated"
INFO = {info.key: info for info in EQUAL_LEVEL_FIGURES}


@dataclass(frozen=True, slots=True, eq=False)
class Played:
    """One recorded level. level_db : at 1 m; values, u : (F,) in dB; is_most (F,) : the value is only not exceeded;
    known (F,) : it says anything."""

    level_db: float
    values: FloatArray
    u: FloatArray
    is_most: BoolArray
    known: BoolArray


@dataclass(frozen=True, slots=True, eq=False)
class AtLevel:
    """As `Played`, interpolated. slope (F,) : dB a dB of level; note : how, where it is no interpolation."""

    values: FloatArray
    u: FloatArray
    is_most: BoolArray
    known: BoolArray
    slope: FloatArray
    note: str = ""


def at_level(rows: Sequence[Played], level_db: float) -> AtLevel | str:
    """What was recorded at several levels, at one between them; the reason where that cannot be told.

    Linear in dB between the two neighbors. Below the lowest recorded level its values are bounds: distortion of smooth
    transfer curves falls with the level (polynomial, handbook). Above the highest nothing is told.
    """
    ordered = sorted(rows, key=lambda one: one.level_db)
    if not ordered:
        return "no level was recorded"
    lowest, highest = ordered[0], ordered[-1]
    if level_db > highest.level_db + _SAME_DB:
        return f"it was recorded up to {highest.level_db:.1f} dB at 1 m"
    flat = np.zeros(lowest.values.size)
    if level_db < lowest.level_db - _SAME_DB:
        note = f"recorded from {lowest.level_db:.1f} dB on: lower levels distort no more"
        return AtLevel(lowest.values, lowest.u, np.ones(flat.size, dtype=bool), lowest.known, slope=flat, note=note)
    above = next((i for i, one in enumerate(ordered) if one.level_db >= level_db), len(ordered) - 1)
    high = ordered[above]
    if above == 0 or high.level_db - level_db < _SAME_DB:
        return AtLevel(high.values, high.u, high.is_most, high.known, flat)
    low = ordered[above - 1]
    part = (level_db - low.level_db) / (high.level_db - low.level_db)
    values = (1 - part) * low.values + part * high.values
    u = np.hypot((1 - part) * low.u, part * high.u)
    slope = (high.values - low.values) / (high.level_db - low.level_db)
    return AtLevel(values, u, low.is_most | high.is_most, low.known & high.known, slope)


def equal_level_figures(
    distortions: Sequence[Distortion],
    squeezed: Compression | None,
    multitones: Sequence[MultitoneReading],
    two_tones: Sequence[TwoToneReading],
    *,
    own_level_db: float | None = None,
    u_level_db: float = 0.0,
    absolute: bool = True,
    lineage: tuple[str, ...] = (),
) -> dict[str, Figure]:
    """All figures of this file at 86 and 96 dB and the tester's own level, by key with the level behind "@".

    What was never recorded has no row at all. u_level_db : standard
    uncertainty of the level at 1 m; absolute : the level is calibrated, else nothing can be told at a level.
    """
    levels = tuple(dict.fromkeys((*LEVELS_DB, *([] if own_level_db is None else [own_level_db]))))
    placed = [(level, one) for one in distortions if (level := mean_level_db(one.fundamental)) is not None]
    made: dict[str, Figure] = {}
    for level in levels:
        found: list[Figure] = []
        if distortions and not placed:
            names = ("distortion_at_level", "distortion_bass_at_level", *(["compression_at_level"] if squeezed else []))
            found += [_asked(name, level).refused(_NO_LEVEL) for name in names]
        elif placed:
            rows = [_harmonic(one, mean) for mean, one in placed]
            hz = placed[0][1].total.axis.hz
            for name, band in (("distortion_at_level", REST_HZ), ("distortion_bass_at_level", BASS_HZ)):
                found.append(_largest(name=name, level_db=level, rows=rows, hz=hz, band_hz=band, u_level_db=u_level_db))
        if squeezed is not None and (placed or not distortions):
            found.append(_compression(level, placed, squeezed, u_level_db))
        if multitones:
            tones = [_tones(one) for one in multitones]
            figure = _single("multitone_at_level", level, [one for one in tones if one is not None], u_level_db)
            found.append(replace(figure, band_hz=TONES_HZ))
        for pair in _pairs(two_tones):
            figure = _single("intermodulation_at_level", level, [_pair(one) for one in pair], u_level_db)
            band = (pair[0].low_hz, pair[0].high_hz)
            tones_told = f"tones of {band[0]:g} Hz and {band[1]:g} Hz, level of the upper one"
            found.append(replace(figure, band_hz=band, caveats=(tones_told, *figure.caveats)))
        for figure in found:
            info = INFO[base_key(figure.key)]
            kept = figure if absolute else replace(info.refused(_UNCALIBRATED), key=figure.key)
            made.setdefault(kept.key, replace(kept, lineage=lineage))
    return made


def _asked(name: str, level_db: float, band_hz: tuple[float, float] | None = None) -> Asked:
    return INFO[name].asked(band_hz=band_hz, at=f"{level_db:g}db")


def _harmonic(one: Distortion, level_db: float) -> Played:
    """Totals in dB; a bound where noise covers part of them or orders are out of range (those say nothing)."""
    values = np.where(one.total.valid, one.total.values, one.at_most_db)
    complete = one.total.axis.hz <= (one.complete_to_hz or 0.0)
    return Played(level_db, values, one.total.u_total, ~one.total.valid, one.known & complete)


def _largest(
    name: str, level_db: float, rows: Sequence[Played], hz: FloatArray, band_hz: tuple[float, float], u_level_db: float
) -> Figure:
    asked, found = _asked(name, level_db, band_hz), at_level(rows, level_db)
    if isinstance(found, str):
        return asked.refused(found)
    inside = (hz >= band_hz[0]) & (hz <= band_hz[1])
    usable = inside & found.known
    if not inside.any() or np.count_nonzero(usable) < LEAST_SHARE * np.count_nonzero(inside):
        return asked.refused(f"all orders are known in less than nine tenths of {band_hz[0]:g} Hz to {band_hz[1]:g} Hz")
    row = int(np.flatnonzero(usable)[np.argmax(found.values[usable])])
    percent = _percent(float(found.values[row]))
    u_db = math.hypot(float(found.u[row]), float(found.slope[row]) * u_level_db)
    caveats = [f"at {hz[row]:.0f} Hz", f"{level_db:g} dB at 1 m"]
    sure = usable & ~found.is_most
    if found.is_most[row] and sure.any() and not found.note:
        best = int(np.flatnonzero(sure)[np.argmax(found.values[sure])])
        caveats.append(
            f"noise covers it there; {_percent(float(found.values[best])):.2g} % at {hz[best]:.0f} Hz is sure"
        )
    bound = "at most" if found.is_most[row] else ""
    u = 0.0 if bound else percent * math.log(10.0) / 20.0 * u_db
    return asked.judged(percent, u, *caveats, found.note, bound=bound)


def _percent(level_db: float) -> float:
    return float(100.0 * 10.0 ** (level_db / 20.0))


def _compression(
    level_db: float, placed: Sequence[tuple[float, Distortion]], squeezed: Compression, u_level_db: float
) -> Figure:
    """Mean loss at each recorded level, 0 at the lowest, between them linear in dB against the level."""
    asked = _asked("compression_at_level", level_db, COMPRESSION_BAND_HZ)
    by_drive = {one.drive_v: mean for mean, one in placed}
    lowest = by_drive.get(squeezed.drive_v[0])
    if lowest is None:
        return asked.refused("the lowest level is not known at 1 m")
    rows = [(lowest, 0.0, 0.0)]
    for volts, curve in zip(squeezed.drive_v[1:], squeezed.total, strict=True):
        hz = curve.axis.hz
        inside = (hz >= COMPRESSION_BAND_HZ[0]) & (hz <= COMPRESSION_BAND_HZ[1])
        usable = inside & curve.valid
        if volts not in by_drive or np.count_nonzero(usable) < LEAST_SHARE * np.count_nonzero(inside):
            continue
        weight = np.gradient(np.log(hz))[usable]
        value, u = (float(np.average(part[usable], weights=weight)) for part in (curve.values, curve.u_total))
        rows.append((by_drive[volts], value, u))
    one = np.ones(1)
    found = at_level([Played(level, value * one, u * one, one < 0, one > 0) for level, value, u in rows], level_db)
    if isinstance(found, str):
        return asked.refused(found)
    if found.note:
        return asked.refused(f"it was recorded from {lowest:.1f} dB at 1 m on")
    u = math.hypot(float(found.u[0]), float(found.slope[0]) * u_level_db)
    against = f"against the lowest level, {lowest:.1f} dB"
    return asked.judged(float(found.values[0]), u, f"{level_db:g} dB at 1 m", against)


def _tones(one: MultitoneReading) -> Played | None:
    """Residue against tones in the common band; a bound where noise may be more than a quarter of it, or unknown."""
    lines = one.lines
    inside = (lines.frequency_hz >= TONES_HZ[0]) & (lines.frequency_hz <= TONES_HZ[1])
    tone, residue = float(lines.tone[inside].sum()), float(lines.residue[inside].sum())
    if tone <= 0.0 or residue <= 0.0:
        return None
    noise = residue if lines.noise is None else float(lines.noise[inside].sum())
    is_most = noise > _HIDDEN_SHARE * residue
    kept = residue if is_most else residue - noise
    level = 10.0 * math.log10(lines.total_tone / REFERENCE_PRESSURE_PA**2) + 20.0 * math.log10(one.distance_m)
    u = math.hypot(_U_DB, 0.0 if is_most else 4.34 * noise / residue)
    return _point(level, 10.0 * math.log10(kept / tone), u, is_most)


def _pair(one: TwoToneReading) -> Played:
    """Both orders against the upper tone; a bound where noise may be more than a quarter of their energy."""
    carrier, *sides = (float(x) for x in one.lines_pa)
    energy = (sides[0] + sides[1]) ** 2 + (sides[2] + sides[3]) ** 2
    hiss = 8.0 * one.noise_pa**2
    level = 20.0 * math.log10(carrier * one.distance_m / REFERENCE_PRESSURE_PA)
    is_most = hiss > _HIDDEN_SHARE * energy
    u = math.hypot(_U_DB, 4.34 * hiss / max(energy, hiss))
    return _point(level, 10.0 * math.log10(max(energy, hiss) / carrier**2), u, is_most)


def _point(level_db: float, value_db: float, u_db: float, is_most: bool) -> Played:
    known = np.ones(1, dtype=bool)
    return Played(level_db, np.array([value_db]), np.array([u_db]), known & is_most, known)


def _pairs(takes: Sequence[TwoToneReading]) -> list[list[TwoToneReading]]:
    """Two-tone takes by their frequencies; the pair with the most levels first."""
    groups: dict[tuple[float, float], list[TwoToneReading]] = {}
    for one in takes:
        groups.setdefault((one.low_hz, one.high_hz), []).append(one)
    return sorted(groups.values(), key=lambda rows: -len(rows))


def _single(name: str, level_db: float, rows: Sequence[Played], u_level_db: float) -> Figure:
    """A figure of one number a level."""
    asked, found = _asked(name, level_db), at_level(rows, level_db)
    if isinstance(found, str):
        return asked.refused(found)
    value, most = float(found.values[0]), bool(found.is_most[0])
    u = 0.0 if most else math.hypot(float(found.u[0]), float(found.slope[0]) * u_level_db)
    if asked.unit == "%":
        value = _percent(value)
        u *= value * math.log(10.0) / 20.0
    note = found.note or ("noise covers part of it: the distortion is lower" if most else "")
    return asked.judged(value, u, f"{level_db:g} dB at 1 m", note, bound="at most" if most else "")
