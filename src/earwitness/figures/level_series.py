"""What the level series and the multitones of a measurement tell: curves and figures, or the reason why not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from earwitness.figures.compression import Compression, compression, compression_figures
from earwitness.figures.distortion import Distortion, at_one_meter, distortion, distortion_figures, level_series
from earwitness.figures.highest_level import HIGH_PASS_HZ, CleanLevel, at_seat, clean_level_figure, highest_clean_level
from earwitness.figures.registry import FIGURES, LEVEL_FIGURES, base_key
from earwitness.figures.tones import MultitoneCurves, multitone_curves
from earwitness.quantities import Curve, Figure, Harmonics, Measurement, Reading, not_judged

SEAT_M = 3.0
NO_SERIES = "the session has no level series"
NO_TONES = "the session has no multitone take"
_NO_BURSTS = "the session has no recordings of bursts"
_NO_PAIR = "the session has no recording of two tones"
_BY_COMPRESSION = ("compression_largest", "compression_mean")
_BY_CLEAN = ("highest_clean_level", "highest_clean_level_high_passed", "highest_clean_level_at_seat")


@dataclass(frozen=True, slots=True, eq=False)
class LevelSeriesReading:
    """distortions : quietest first; figures : all of LEVEL_FIGURES, by key with the level behind "@" or unjudged;
    missing : why a curve is not there; notes : what was left out of the series, as sentences."""

    distortions: tuple[Distortion, ...]
    compression: Compression | None
    clean: CleanLevel | None
    multitones: tuple[MultitoneCurves, ...]
    curves: dict[str, Curve]
    figures: dict[str, Figure]
    missing: dict[str, str]
    notes: tuple[str, ...]


def level_series_reading(measurement: Measurement, reading: Reading, *, seat_m: float = SEAT_M) -> LevelSeriesReading:
    """Distortion, compression, highest clean level and multitones of a measurement.

    reading : of its response, for the on-axis curve and the level's uncertainty; seat_m : listening distance.
    """
    takes, notes = _series_of(measurement.harmonics)
    lineage = measurement.response.lineage
    sensitivity = reading.figures.get("sensitivity")
    u_level_db = 0.0 if sensitivity is None or sensitivity.u is None else sensitivity.u
    reasons = {"distortion": "", "compression": "", "clean": ""}
    placed: tuple[Harmonics, ...] = ()
    if not takes:
        reasons = dict.fromkeys(reasons, "; ".join([NO_SERIES if not notes else "no level can be used", *notes]))
    else:
        placed = _placed(takes, measurement, reading)
    ordered = level_series(placed) if placed else ()
    distortions = tuple(distortion(one, u_level_db=u_level_db, lineage=lineage) for one in ordered)
    squeezed, clean = None, None
    if takes and len({one.drive_v for one in takes}) < 2:
        one_level = f"only one level, {takes[0].drive_v:g} V, can be used; two or more are needed"
        reasons["compression"] = reasons["clean"] = "; ".join([one_level, *notes])
    elif takes:
        recorded = tuple(one.take for one in takes)
        warm = {one.take: one.temperature_c for one in takes if one.temperature_c is not None}
        # As recorded, repeats of a level with it: what holds at 1 m holds for ratios of levels.
        squeezed = compression(takes, recorded=recorded, temperature_c=warm, lineage=lineage)
        if measurement.response.absolute:
            clean = highest_clean_level(placed, squeezed=squeezed, u_level_db=u_level_db, lineage=lineage)
        else:
            reasons["clean"] = "the level of the recordings is not calibrated"
    tones = tuple(multitone_curves(one, lineage=lineage) for one in measurement.multitones)
    figures = _figures(distortions, squeezed, clean, tones, seat_m, reasons)
    curves = _curves(distortions, squeezed, clean, tones)
    return LevelSeriesReading(
        distortions, squeezed, clean, tones, curves, figures, _missing(reasons, tones), tuple(notes)
    )


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


def _placed(takes: Sequence[Harmonics], measurement: Measurement, reading: Reading) -> tuple[Harmonics, ...]:
    """The takes at 1 m, repeats of a level too, in their order."""
    on_axis = reading.curves.get("on_axis") if measurement.response.absolute else None
    if on_axis is not None and not on_axis.valid.any():
        on_axis = None
    if on_axis is None and takes[0].place == "near-field":
        return tuple(takes)
    return at_one_meter(takes, on_axis=on_axis)


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
) -> dict[str, Figure]:
    found = distortion_figures(distortions)
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
            info = FIGURES[key]
            found[key] = not_judged(key, _reason(key, reasons), unit=info.unit, method=info.method)
    return found


def _reason(key: str, reasons: dict[str, str]) -> str:
    if key == "multitone_distortion":
        return NO_TONES
    if key.startswith("intermodulation"):
        return _NO_PAIR
    if key.startswith("burst"):
        return _NO_BURSTS
    kind = "compression" if key in _BY_COMPRESSION else "clean" if key in _BY_CLEAN else "distortion"
    return reasons[kind]


def _missing(reasons: dict[str, str], tones: Sequence[MultitoneCurves]) -> dict[str, str]:
    names = {"distortion": "distortion_total", "compression": "compression", "clean": "highest_clean_level"}
    found = {names[kind]: reason for kind, reason in reasons.items() if reason}
    return found if tones else {**found, "multitone_residue": NO_TONES}
