"""What the level series and the multitones of a measurement tell: curves and figures, or the reason why not."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from earwitness.dsp.signals import BurstReading
from earwitness.figures.distortion import Distortion, at_one_meter, distortion, distortion_figures, level_series
from earwitness.figures.equal_level import equal_level_figures
from earwitness.figures.highest_level import (
    HIGH_PASS_HZ,
    CleanLevel,
    Compression,
    at_seat,
    burst_level,
    clean_level_figure,
    compression,
    compression_figures,
    highest_clean_level,
    long_term,
    long_term_figure,
    mean_burst_level,
)
from earwitness.figures.registry import FIGURES, LEVEL_FIGURES, base_key
from earwitness.figures.tones import MultitoneCurves, common_bands, intermodulation, multitone_curves
from earwitness.quantities import BurstTakeReading, Curve, Figure, Harmonics, Measurement, Reading
from earwitness.standards.cta2010 import LOW_HZ, MASK_A, BurstMask

SEAT_M = 3.0
NO_SERIES = "the session has no level series"
NO_LEVELS = "the data tell no level of the fundamental at each voltage"
NO_TONES = "the session has no multitone take"
NO_BURSTS = "the session has no burst take"
NO_PAIR = "the session has no two-tone take"
_HELD_DB = 1.0
# What tells how well a level is known, whatever the kind of loudspeaker.
_LEVELS = ("sensitivity", "bass_level", "input_sensitivity", "input_sensitivity_digital")
NO_RUN = "the session has no noise run"
_BY_COMPRESSION = ("compression_at_level", "compression_largest", "compression_mean")
# Reflections are in a level that was recorded in a room (project default).
_U_BURST_DB, _U_BURST_ROOM_DB = 0.5, 2.0
_BY_CLEAN = ("highest_clean_level", "highest_clean_level_high_passed", "highest_clean_level_at_seat")


@dataclass(frozen=True, slots=True, eq=False)
class LevelSeriesReading:
    """distortions : quietest first; figures : all of LEVEL_FIGURES, by key with the level behind "@" or unjudged;
    warm : loss in each noise run; missing : why a curve is not there; notes : what was left out of the series."""

    distortions: tuple[Distortion, ...]
    compression: Compression | None
    clean: CleanLevel | None
    multitones: tuple[MultitoneCurves, ...]
    warm: tuple[Curve, ...]
    curves: dict[str, Curve]
    figures: dict[str, Figure]
    missing: dict[str, str]
    notes: tuple[str, ...]


def level_series_reading(
    measurement: Measurement,
    reading: Reading,
    *,
    seat_m: float = SEAT_M,
    own_level_db: float | None = None,
    mask: BurstMask = MASK_A,
) -> LevelSeriesReading:
    """Distortion, compression, highest clean level and multitones of a measurement.

    reading : of its response, for the on-axis curve and the level's uncertainty; seat_m : listening distance;
    own_level_db : at which the tester compares beside 86 and 96 dB.
    """
    takes, notes = _series_of(measurement.harmonics)
    lineage = measurement.response.lineage
    levels = (reading.figures.get(key) for key in _LEVELS)
    u_level_db = next((one.u for one in levels if one is not None and one.u is not None), 0.0)
    reasons = {"distortion": "", "compression": "", "clean": ""}
    placed: tuple[Harmonics, ...] = ()
    if not takes:
        reasons = dict.fromkeys(reasons, "; ".join([NO_SERIES if not notes else "no level can be used", *notes]))
    else:
        placed = _placed(takes, measurement, reading.curves.get("on_axis"))
    ordered = level_series(placed) if placed else ()
    distortions = tuple(distortion(one, u_level_db=u_level_db, lineage=lineage) for one in ordered)
    squeezed, clean = None, None
    if takes and len({one.drive_v for one in takes}) < 2:
        one_level = f"only one level, {takes[0].drive_v:g} V, can be used; two or more are needed"
        reasons["compression"] = reasons["clean"] = "; ".join([one_level, *notes])
    elif takes and not any(one.level_known is None or one.level_known.any() for one in takes):
        reasons["compression"] = reasons["clean"] = NO_LEVELS
    elif takes:
        recorded = tuple(one.take for one in takes)
        warm = {one.take: one.temperature_c for one in takes if one.temperature_c is not None}
        # As recorded, repeats of a level with it: what holds at 1 m holds for ratios of levels.
        rests = [one.pause_s for one in takes[1:] if one.pause_s is not None]
        shortest = min(rests) if rests and len(rests) == len(takes) - 1 else None
        squeezed = compression(takes, recorded=recorded, temperature_c=warm, recovery_s=shortest, lineage=lineage)
        if measurement.response.absolute:
            clean = highest_clean_level(
                placed, squeezed=squeezed, distortions=distortions, u_level_db=u_level_db, lineage=lineage
            )
        else:
            reasons["clean"] = "the level of the recordings is not calibrated"
    common = common_bands(measurement.multitones)
    tones = tuple(
        multitone_curves(one, in_room=_in_room(measurement), common=common, lineage=lineage)
        for one in measurement.multitones
    )
    runs = tuple(long_term(run, lineage=lineage) for run in measurement.noise_runs)
    bursts, left_out = _burst_figures(measurement.bursts, lineage, mask)
    notes += left_out
    others = bursts | {
        one.key: one for one in (long_term_figure(run, lineage=lineage) for run in measurement.noise_runs)
    }
    for pair in measurement.two_tones:
        others |= intermodulation(pair, lineage=lineage)
    others |= equal_level_figures(
        distortions,
        squeezed,
        measurement.multitones,
        measurement.two_tones,
        own_level_db=own_level_db,
        u_level_db=u_level_db,
        absolute=measurement.response.absolute,
        lineage=lineage,
    )
    figures = _figures(distortions, squeezed, clean=clean, tones=tones, seat_m=seat_m, reasons=reasons, others=others)
    curves = {**_curves(distortions, squeezed, clean, tones), **{curve.key: curve for curve in runs}}
    missing = _missing(reasons, tones, measurement)
    return LevelSeriesReading(
        distortions, squeezed, clean, tones, runs, curves=curves, figures=figures, missing=missing, notes=tuple(notes)
    )


def placed_series(measurement: Measurement, on_axis: Curve | None) -> tuple[Harmonics, ...]:
    """The level series as it is read, at 1 m, quietest first; empty without one."""
    takes, _ = _series_of(measurement.harmonics)
    return level_series(_placed(takes, measurement, on_axis)) if takes else ()


def _burst_figures(
    takes: Sequence[BurstTakeReading], lineage: tuple[str, ...], mask: BurstMask
) -> tuple[dict[str, Figure], list[str]]:
    """Highest burst level of each frequency and their mean over 40, 50 and 63 Hz; what was left out."""
    lost = [one for one in takes if one.clipped]
    notes = [f"left out because the recording is clipped: {one.take} ({one.frequency_hz:g} Hz)" for one in lost]
    groups: dict[tuple[float, float], list[BurstTakeReading]] = {}
    for one in takes:
        if not one.clipped:
            groups.setdefault((one.frequency_hz, one.distance_m), []).append(one)
    found: dict[str, Figure] = {}
    for (frequency, distance), ones in sorted(groups.items()):
        readings = [
            BurstReading(one.frequency_hz, one.peak_pa, one.orders, one.relative_db, one.missing) for one in ones
        ]
        in_room = any(one.in_room for one in ones)
        figure = burst_level(
            readings,
            mask,
            distance_m=distance,
            noise_peak_pa=max(one.noise_pa for one in ones),
            u_db=_U_BURST_ROOM_DB if in_room else _U_BURST_DB,
            lineage=lineage,
        )
        if in_room:
            figure = replace(
                figure, caveats=(*figure.caveats, "recorded in a room, whose reflections are in the level")
            )
        quiet, loud = min(ones, key=lambda one: one.drive_v), max(ones, key=lambda one: one.drive_v)
        lost_db = 20.0 * math.log10(loud.drive_v / quiet.drive_v * quiet.peak_pa / loud.peak_pa)
        if lost_db > _HELD_DB:
            held = f"held back by {lost_db:.1f} dB at the loudest step, as a limiter or heat does"
            figure = replace(figure, caveats=(held, *figure.caveats))
        found.setdefault(f"burst_level@{frequency:g}hz", figure)
    if found:
        found["burst_level_mean"] = _mean_burst(found)
    return found, notes


def _mean_burst(found: Mapping[str, Figure]) -> Figure:
    group = {hz: found.get(f"burst_level@{hz:g}hz") for hz in LOW_HZ}
    lacking = [f"{hz:g} Hz" for hz, figure in group.items() if figure is None]
    if lacking:
        reason = f"bursts at 40, 50 and 63 Hz are needed, {', '.join(lacking)} missing"
        return FIGURES["burst_level_mean"].refused(reason)
    mean = mean_burst_level([figure for figure in group.values() if figure is not None])
    return replace(mean, caveats=("40, 50 and 63 Hz", *mean.caveats))


def _series_of(harmonics: Sequence[Harmonics]) -> tuple[tuple[Harmonics, ...], list[str]]:
    """The series with the most levels, far before near, as recorded and without clipped takes; what was left out."""
    groups: dict[tuple[str, float, str], list[Harmonics]] = {}
    for one in harmonics:
        if one.in_series:
            groups.setdefault((one.place, one.distance_m, one.driver), []).append(one)
    if not groups:
        return (), []
    notes = []
    whole = {place: [one for one in takes if not one.clipped] for place, takes in groups.items()}
    chosen = max(groups, key=lambda place: (len({one.drive_v for one in whole[place]}), place[0] == "far-field"))
    lost = [one for one in groups[chosen] if one.clipped]
    if lost:
        names = ", ".join(f"{one.take} ({one.drive_v:g} V)" for one in lost)
        notes.append(f"left out because the recording is clipped: {names}")
    for place in groups:
        if place != chosen:
            where = f"near {place[2]}" if place[2] else f"at {place[1]:g} m"
            notes.append(f"a second level series, {where}, is kept but not shown")
    return tuple(whole[chosen]), notes


def _placed(takes: Sequence[Harmonics], measurement: Measurement, on_axis: Curve | None) -> tuple[Harmonics, ...]:
    """The takes at 1 m, repeats of a level too, in their order."""
    if on_axis is not None and not on_axis.valid.any():
        on_axis = None
    if on_axis is None and takes[0].place == "near-field":
        return tuple(takes)
    reference_v = measurement.response.reference_v
    return at_one_meter(takes, on_axis=on_axis, in_room=_in_room(measurement), reference_v=reference_v)


def _in_room(measurement: Measurement) -> bool:
    return measurement.gate.source != "anechoic"


def _curves(
    distortions: Sequence[Distortion],
    squeezed: Compression | None,
    clean: CleanLevel | None,
    tones: Sequence[MultitoneCurves],
) -> dict[str, Curve]:
    curves: list[Curve] = []
    for one in distortions:
        curves += [one.fundamental, one.total, *one.harmonics]
    if squeezed is not None:
        curves += [*squeezed.total, *squeezed.steps, *([] if squeezed.drift is None else [squeezed.drift])]
    if clean is not None:
        curves.append(clean.level)
    for many in tones:
        curves += [many.tones, many.residue, many.relative, *([] if many.noise is None else [many.noise])]
    return {curve.key: curve for curve in curves}


def _figures(
    distortions: Sequence[Distortion],
    squeezed: Compression | None,
    clean: CleanLevel | None,
    tones: Sequence[MultitoneCurves],
    seat_m: float,
    reasons: dict[str, str],
    others: dict[str, Figure],
) -> dict[str, Figure]:
    found = distortion_figures(distortions) | others
    if squeezed is not None:
        found |= compression_figures(squeezed)
    if clean is not None:
        whole = clean_level_figure(clean)
        found[whole.key] = whole
        passed = clean_level_figure(clean, high_pass_hz=HIGH_PASS_HZ)
        found[passed.key] = passed
        seat = at_seat(whole, seat_m)
        found[seat.key] = seat
    found |= {one.number.key: one.number for one in tones}
    have = {base_key(key) for key in found}
    for key in LEVEL_FIGURES:
        if key not in have:
            found[key] = FIGURES[key].refused(_reason(key, reasons))
    return found


def _reason(key: str, reasons: dict[str, str]) -> str:
    if key.startswith("multitone"):
        return NO_TONES
    if key.startswith("intermodulation"):
        return NO_PAIR
    if key.startswith("burst"):
        return NO_BURSTS
    if key == "compression_long_term":
        return NO_RUN
    kind = "compression" if key in _BY_COMPRESSION else "clean" if key in _BY_CLEAN else "distortion"
    return reasons[kind]


def _missing(reasons: dict[str, str], tones: Sequence[MultitoneCurves], measurement: Measurement) -> dict[str, str]:
    names = {"distortion": "distortion_total", "compression": "compression", "clean": "highest_clean_level"}
    found = {names[kind]: reason for kind, reason in reasons.items() if reason}
    if not tones:
        found["multitone_residue"] = NO_TONES
    if not measurement.noise_runs:
        found["compression_long_term"] = NO_RUN
    return found
