"""Compression: how much less than expected the level rises from step to step of a level series."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from earwitness.errors import InputError
from earwitness.figures.distortion import level_key, level_series
from earwitness.figures.registry import figure_infos
from earwitness.figures.sampling import smoothed
from earwitness.quantities import Curve, Figure, Harmonics, NoiseRun
from earwitness.quantities.arrays import BoolArray, FloatArray

LEAST_SNR_DB = 20.0
BAND_HZ = (50.0, 5000.0)
# Repeatability of two takes minutes apart, where no repeated take shows it (project default).
U_REPEAT_DB = 0.1
WARM_K = 1.5
REFERENCE = "dB less than the lowest level promises"
COMPRESSION_FIGURES = figure_infos("compression")
INFO = {info.key: info for info in COMPRESSION_FIGURES}


@dataclass(frozen=True, slots=True, eq=False)
class Compression:
    """Compression of a level series, positive = loss [dB].

    total : per level above the lowest, against the lowest; steps : per level, against the level below
    drift : change of a level recorded twice, last against first, or None; caveats : order, heat and drift in words
    """

    drive_v: tuple[float, ...]
    total: tuple[Curve, ...]
    steps: tuple[Curve, ...]
    drift: Curve | None
    caveats: tuple[str, ...]


def compression(
    takes: Sequence[Harmonics],
    *,
    recorded: Sequence[str] = (),
    temperature_c: Mapping[str, float] | None = None,
    recovery_s: float | None = None,
    u_voltage_db: float = 0.05,
    lineage: tuple[str, ...] = (),
) -> Compression:
    """C(f, V) = L(f, V0) + 20 lg(V / V0) - L(f, V) of the fundamental, V0 the lowest level.

    takes : of one place, repeats of a level allowed; recorded : ids in the order they were recorded, so that drift
    and heat can be told; temperature_c : air at each take; recovery_s : shortest pause between takes
    u_voltage_db : standard uncertainty of a ratio of voltages

    A sweep passes each frequency once: this is instantaneous compression, with the heat that the sweep itself leaves.
    InputError for fewer than two levels, or takes of different places.
    """
    series = level_series(_in_order(takes, recorded))
    if len(series) < 2:
        raise InputError.of("figures.one_level_only", where=f"take {series[0].take}")
    drift = _drift(takes, recorded, lineage)
    changed = None if drift is None else np.abs(drift.values)
    base = series[0]

    def against(low: Harmonics, high: Harmonics, name: str, words: str) -> Curve:
        gain = 20.0 * math.log10(high.drive_v / low.drive_v)
        values = low.fundamental_db + gain - high.fundamental_db
        noise = np.hypot(_u_noise(low), _u_noise(high))
        repeat = np.full(values.size, U_REPEAT_DB) if changed is None else np.hypot(changed / math.sqrt(3.0), 0.03)
        valid = _told(low) & _told(high) & (_snr_db(low) >= LEAST_SNR_DB)
        reference = REFERENCE if low is base else "dB less than the level below promises"
        key, u = f"{name}@{level_key(high.drive_v)}", np.hypot(noise, repeat)
        return Curve.of(
            key, words, low.axis, values, valid, u=u, u_common=u_voltage_db, reference=reference, lineage=lineage
        )

    total = tuple(against(base, take, "compression", "compression") for take in series[1:])
    steps = tuple(against(low, high, "compression_step", "compression of one step") for low, high in pairwise(series))
    notes = _caveats(takes, recorded, temperature_c or {}, recovery_s, drift)
    return Compression(tuple(take.drive_v for take in series), total, steps, drift, notes)


def _in_order(takes: Sequence[Harmonics], recorded: Sequence[str]) -> list[Harmonics]:
    place = {name: row for row, name in enumerate(recorded)}
    return sorted(takes, key=lambda take: place.get(take.take, len(place)))


def _told(take: Harmonics) -> BoolArray:
    """(F,) where the fundamental's level was measured."""
    known = take.valid.any(axis=0) if take.level_known is None else take.level_known
    return np.asarray(known, dtype=np.bool_)


def _snr_db(take: Harmonics) -> FloatArray:
    """(F,) of the fundamental: noise of the harmonics is known at 2 f and above, the nearest stands for it."""
    hz = take.axis.hz
    at = hz * max(take.orders[0], 1)
    floor = np.interp(np.log2(hz), np.log2(at), take.noise_db[0])
    return np.asarray(take.fundamental_db - floor, dtype=np.float64)


def _u_noise(take: Harmonics) -> FloatArray:
    return np.asarray(
        20.0 / math.log(10.0) * 10.0 ** (-np.maximum(_snr_db(take), 0.0) / 20.0) / math.sqrt(2.0), dtype=np.float64
    )


def _drift(takes: Sequence[Harmonics], recorded: Sequence[str], lineage: tuple[str, ...]) -> Curve | None:
    """Last against first take of the lowest repeated level, in the order recorded."""
    by_level: dict[float, list[Harmonics]] = {}
    for take in _in_order(takes, recorded):
        by_level.setdefault(take.drive_v, []).append(take)
    repeated = [volts for volts in sorted(by_level) if len(by_level[volts]) > 1]
    if not repeated:
        return None
    first, last = by_level[repeated[0]][0], by_level[repeated[0]][-1]
    values = last.fundamental_db - first.fundamental_db
    u = np.hypot(_u_noise(first), _u_noise(last))
    key, words = f"level_drift@{level_key(repeated[0])}", "change of the same level over the series"
    valid = np.asarray(first.valid.any(axis=0), dtype=bool)
    return Curve.of(key, words, first.axis, values, valid, u=u, reference="dB against the first take", lineage=lineage)


def _caveats(
    takes: Sequence[Harmonics],
    recorded: Sequence[str],
    temperature_c: Mapping[str, float],
    recovery_s: float | None,
    drift: Curve | None,
) -> tuple[str, ...]:
    notes = ["instantaneous: what a sweep shows, the coils are hotter after long music"]
    volts = [take.drive_v for take in _in_order(takes, recorded)]
    if not recorded:
        notes.append("the order of the takes is not known, so heat left by a louder take cannot be told")
    elif any(later < earlier for earlier, later in pairwise(volts)) and drift is None:
        notes.append("a quieter take was recorded after a louder one and may still have been warm")
    if drift is None:
        notes.append("no level was recorded twice, so drift is not known")
    elif drift.valid.any():
        most = float(np.median(np.abs(drift.values[drift.valid])))
        notes.append(f"the level recorded again at the end had changed by {most:.2f} dB (median)")
    known = [temperature_c[take.take] for take in takes if take.take in temperature_c]
    if known and max(known) - min(known) > WARM_K:
        notes.append(f"the air warmed or cooled by {max(known) - min(known):.1f} K during the series")
    notes.append(
        "the pause between the takes is not stated"
        if recovery_s is None
        else f"the coils rested {recovery_s:g} s or more between the takes"
    )
    return tuple(notes)


def compression_figures(found: Compression, *, band_hz: tuple[float, float] = BAND_HZ) -> dict[str, Figure]:
    """Largest and mean compression of every level above the lowest, by key with the level behind "@"."""
    figures: dict[str, Figure] = {}
    for volts, curve in zip(found.drive_v[1:], found.total, strict=True):
        for name in ("compression_largest", "compression_mean"):
            figure = _figure(name, volts, curve, band_hz, found.caveats)
            figures[figure.key] = figure
    return figures


def _figure(name: str, volts: float, curve: Curve, band_hz: tuple[float, float], caveats: tuple[str, ...]) -> Figure:
    hz = curve.axis.hz
    inside = (hz >= band_hz[0]) & (hz <= band_hz[1])
    usable = inside & curve.valid
    asked = INFO[name].asked(curve.lineage, band_hz, at=level_key(volts))
    if np.count_nonzero(usable) < 0.9 * np.count_nonzero(inside) or not usable.any():
        return asked.refused("noise is too near to the lowest level in part of the band")
    if name == "compression_mean":
        steps = np.gradient(np.log2(hz))[usable]
        value = float(np.average(curve.values[usable], weights=steps))
        u = float(np.average(curve.u_total[usable], weights=steps))
    else:
        smooth = smoothed(curve, 3)
        row = int(np.flatnonzero(usable)[np.argmax(smooth.values[usable])])
        value, u = float(smooth.values[row]), float(curve.u_total[row])
        caveats = (f"at {hz[row]:.0f} Hz", *caveats)
    return asked.judged(value, u, *caveats)


def long_term(run: NoiseRun, *, lineage: tuple[str, ...] = ()) -> Curve:
    """Loss (F,) from the start of a noise run to its end, third octave by third octave [dB].

    The same signal at the same voltage, so drive and calibration cancel.
    """
    key, words = f"compression_long_term@{level_key(run.drive_v)}", f"loss after {run.after_s:g} s of noise"
    loss = run.start_db - run.hot_db
    return Curve.of(
        key, words, run.axis, loss, run.valid, u=run.u_db, reference="dB less than at the start", lineage=lineage
    )


def long_term_figure(run: NoiseRun, *, band_hz: tuple[float, float] = BAND_HZ, lineage: tuple[str, ...] = ()) -> Figure:
    """Largest loss of a noise run, its key with the level behind "@"."""
    curve, hz = long_term(run, lineage=lineage), run.axis.hz
    asked = INFO["compression_long_term"].asked(lineage, band_hz, at=level_key(run.drive_v))
    inside = (hz >= band_hz[0]) & (hz <= band_hz[1])
    usable = inside & curve.valid
    if np.count_nonzero(usable) < 0.5 * np.count_nonzero(inside):
        return asked.refused("noise is too near, or the run too short, in half of the band")
    row = int(np.flatnonzero(usable)[np.argmax(curve.values[usable])])
    caveats = [f"at {hz[row]:.0f} Hz", f"after {run.after_s:g} s of noise of {run.drive_v:g} V rms"]
    if np.count_nonzero(usable) < np.count_nonzero(inside):
        rows = np.flatnonzero(usable)
        caveats.append(f"judged from {hz[rows[0]]:.0f} Hz to {hz[rows[-1]]:.0f} Hz")
    if not run.against_reference:
        caveats.append("there is no loop-back, so the noise's own ups and downs are in it")
    return asked.judged(float(curve.values[row]), float(curve.u_total[row]), *caveats)
