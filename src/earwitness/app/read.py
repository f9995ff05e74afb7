"""Read a loudspeaker of the archive: its curves and figures as values, text and JSON; those of its units; what another
gate would change.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from earwitness import __version__
from earwitness.app.add import impedance_table_of, keep_summary, measurement_of, reading_of, recordings_of
from earwitness.app.jobs import Progress, part, silent
from earwitness.app.printed import USUAL_REAR_WALL, keep_printed, printed_lines, printed_of
from earwitness.app.settings import Chosen, checked_distance, keep_choice, kept_distance, reduce_settings
from earwitness.archive.catalogue import Archive
from earwitness.archive.choose import picking, session_words
from earwitness.archive.notes import record_opening
from earwitness.demo.catalogue import simulated
from earwitness.errors import InputError, choice, named
from earwitness.exhibits.compare import TOGETHER, UnitsTold, units_row
from earwitness.exhibits.figures_table import figure_name
from earwitness.exhibits.record import record
from earwitness.figures.level_series import SEAT_M
from earwitness.figures.read import levels_of
from earwitness.figures.time_domain import time_curves
from earwitness.figures.windows import windows
from earwitness.formats.correction_file import read_correction
from earwitness.insight.variation import Variation, u_of_mean, variation
from earwitness.quantities import (
    Curve,
    DirectivityMap,
    Figure,
    FloatArray,
    FrequencyAxis,
    Gate,
    Measurement,
    Reading,
    ScanReading,
    Splice,
)
from earwitness.reduce.flow import reduce_session
from earwitness.reduce.plan import nearest_to_axis
from earwitness.render.columns import two_columns
from earwitness.session.session import FarFieldTake, NearFieldTake, NoiseFloorTake, Session
from earwitness.standards.cta2034 import RearWall

READING_DOCUMENT = "earwitness.reading"
VERSION = 1
_DIGITS = 7


def _numbers(values: FloatArray) -> list[float | None]:
    """Values as JSON numbers, null where there is none."""
    return [float(f"{v:.{_DIGITS}g}") if np.isfinite(v) else None for v in values.tolist()]


def _figure(figure: Figure) -> dict[str, Any]:
    named = {"uncertainty": "u", "interval_95": "interval"}
    made = record(figure, "value unit bound band_hz method caveats lineage", **named)
    return {**made, "not_judged": figure.reason or None}


def _curve(curve: Curve, axis: FrequencyAxis) -> dict[str, Any]:
    return {
        **record(curve, "name unit reference valid lineage"),
        "frequency_hz": None if curve.axis.same_as(axis) else _numbers(curve.axis.hz),
        "values": _numbers(curve.values),
        "uncertainty": _numbers(curve.u),
        "uncertainty_common": _numbers(curve.u_common),
    }


def _map(one: DirectivityMap) -> dict[str, Any]:
    level_db = [_numbers(row) for row in one.level_db]
    return {**record(one, "reference valid"), "angle_deg": _numbers(one.angle_deg), "level_db": level_db}


def _over_time(measurement: Measurement) -> dict[str, Any]:
    """Impulse, step and energy; without an impulse all are empty."""
    found = time_curves(measurement)
    times = next(iter(found.values())).axis.hz if found else np.zeros(0)
    return {
        "time_ms": _numbers(times),
        "onset_ms": 1000.0 * measurement.impulse_onset_s,
        "impulse_percent": _numbers(found["impulse"].values) if found else [],
        "step_percent": _numbers(found["step"].values) if found else [],
        "energy_db": _numbers(found["energy_time"].values) if found else [],
    }


def _scan(scan: ScanReading) -> dict[str, Any]:
    """Trust in a separation; what is not shown is null."""
    arrays = ("residual_db", "leave_out_db", "scattered_db", "condition", "u_db")
    return {
        **{name: _numbers(np.where(scan.valid, getattr(scan, name), np.nan)) for name in arrays},
        **record(scan, "order_out order_in joint_hz points points_left_out body sentence"),
    }


def _how_measured(measurement: Measurement) -> dict[str, Any]:
    gate, splice = measurement.gate, measurement.splice
    return {
        "gate": record(gate, " ".join(gate.__dataclass_fields__)),
        "splice": record(splice, " ".join(splice.__dataclass_fields__)) if splice else None,
        "budget": [{**record(line, "name source common"), "u_db": _numbers(line.u_db)} for line in measurement.budget],
        "quality": [
            {
                **record(flag, "id severity threshold unit takes band_hz sentence"),
                "number": flag.number if np.isfinite(flag.number) else None,
            }
            for flag in measurement.flags
        ],
        "scan": None if measurement.scan is None else _scan(measurement.scan),
        "kept_takes": list(measurement.kept_takes),
        "steps": [
            {**record(one, "key name inputs program"), "settings": dict(one.settings)} for one in measurement.steps
        ],
    }


def reading_document(session: Session, measurement: Measurement, reading: Reading) -> dict[str, Any]:
    """The document as plain values for json; the order of keys is fixed, missing numbers are null."""
    loudspeaker = session.loudspeaker.model_dump(mode="json", by_alias=True)
    return {
        "document": READING_DOCUMENT,
        "version": VERSION,
        "program": f"earwitness {__version__}",
        "loudspeaker": loudspeaker,
        "session": {"date": session.date, "tester": session.tester.model_dump(mode="json")},
        "choices": dict(reading.choices),
        "frequency_hz": _numbers(measurement.response.axis.hz),
        "figures": {key: _figure(figure) for key, figure in reading.figures.items()},
        "curves": {key: _curve(curve, measurement.response.axis) for key, curve in reading.curves.items()},
        "maps": {key: _map(one) for key, one in reading.maps.items()},
        "over_time": _over_time(measurement),
        "missing": dict(reading.missing),
        "how_measured": _how_measured(measurement),
    }


# How far past the direct sound the ungated energy is looked at.
OPEN_MS = 40.0
_KEPT_CURVES = 100
_OPEN = Chosen(gate_ms=OPEN_MS, taper_percent=5.0)


@dataclass(frozen=True, slots=True, eq=False)
class Preview:
    """The response on axis under some settings. warnings : sentences that want attention."""

    chosen: Chosen
    curve: Curve
    gate: Gate
    splice: Splice | None
    warnings: tuple[str, ...]


class AxisPreview:
    """The takes behind the response on axis of one session, to be reduced again and again."""

    def __init__(self, session_id: int, archive_folder: Path) -> None:
        """Raises InputError for a session without recordings of its own, ArchiveError as the archive does."""
        with Archive.open(archive_folder, create=False) as archive:
            whole = archive.session(session_id)
            files = archive.files_of(session_id)
        if simulated(whole) is not None or not whole.takes_of(FarFieldTake):
            raise InputError.of("app.nothing_to_reduce")
        self.session = _on_axis_only(whole)
        # Each recording is read once, and curves are kept for who goes to and fro between settings.
        self._read = cache(recordings_of(files))
        self._shown = lru_cache(maxsize=_KEPT_CURVES)(self._made)
        self._energy: tuple[Curve, float] | None = None
        correction_file = whole.microphone.correction_file
        self._correction = read_correction(files[correction_file]) if correction_file else None
        self._impedance = impedance_table_of(self.session, files)

    def at(self, chosen: Chosen) -> Preview:
        """The response on axis with other settings. Raises InputError where they cannot be used."""
        return self._shown(chosen)

    def _made(self, chosen: Chosen) -> Preview:
        measurement = self._reduced(chosen)
        curve = windows(levels_of(measurement.response)).curves["on_axis"]
        warnings = tuple(flag.sentence for flag in measurement.flags if flag.severity != "info" and "splice" in flag.id)
        return Preview(chosen, curve, measurement.gate, measurement.splice, warnings)

    def energy(self) -> tuple[Curve, float]:
        """Energy over time of the on-axis take before any gate cuts it, in milliseconds, and the time of the direct
        sound on that axis [ms]."""
        if self._energy is None:
            measurement = self._reduced(_OPEN)
            self._energy = time_curves(measurement)["energy_time"], 1e3 * measurement.impulse_onset_s
        return self._energy

    def _reduced(self, chosen: Chosen) -> Measurement:
        return reduce_session(
            self.session,
            self._read,
            settings=reduce_settings(chosen),
            correction=self._correction,
            impedance=self._impedance,
        )


def largest_change_db(before: Curve, after: Curve) -> tuple[float, float] | None:
    """Largest change where both hold [dB] and its frequency [Hz]; None where they hold nowhere together."""
    both = before.valid & after.valid
    if not both.any():
        return None
    change = np.where(both, after.values - before.values, 0.0)
    row = int(np.argmax(np.abs(change)))
    return float(change[row]), float(before.axis.hz[row])


def _on_axis_only(session: Session) -> Session:
    axis = nearest_to_axis(session.takes_of(FarFieldTake))
    kept = tuple(
        take for take in session.takes if take.id == axis.id or isinstance(take, NearFieldTake | NoiseFloorTake)
    )
    return session.model_copy(update={"takes": kept})


_REAR_WALLS: Mapping[str, RearWall] = {"all 19": "all 19", "3": "3"}


@dataclass(frozen=True, slots=True, eq=False)
class ReadResult:
    """A session of a loudspeaker, its measurement and what is read off it. listening_distance_m : that levels at the
    seat are stated for; session_id : its number; others : sessions that count and were not read, in words;
    units : label and session of every unit in its state that counts, in archive_folder."""

    loudspeaker_id: int
    session: Session
    measurement: Measurement
    reading: Reading
    listening_distance_m: float = SEAT_M
    session_id: int = 0
    others: tuple[str, ...] = ()
    units: tuple[tuple[str, int], ...] = ()
    archive_folder: Path = Path()


def read_loudspeaker(
    name: str,
    archive_folder: Path,
    *,
    rear_wall: str = USUAL_REAR_WALL,
    chosen: Chosen | None = None,
    listening_distance_m: float | None = None,
    progress: Progress = silent,
) -> ReadResult:
    """Curves and figures of the loudspeaker called `name`, from its latest session, or from the one that the name
    picks ("name @ session 3", "name @ unit A12", "name @ variant grille on").

    chosen : for the reduction; None for what the tester keeps for this session
    listening_distance_m : for levels at the seat; None for the tester's own, which the archive keeps

    The session is reduced anew where the kept reduction is of another version. The archive records that the data
    were opened. Raises InputError for an unknown name, with the nearest ones, and as `checked_distance`; ArchiveError
    where there is no archive or it is damaged; ProgramFaultError for anything else.
    """
    reading_of_wall = _REAR_WALLS[choice("rear wall", rear_wall, _REAR_WALLS)]
    wanted_m = None if listening_distance_m is None else checked_distance(listening_distance_m)
    with named(name), Archive.open(archive_folder, create=False) as archive:
        entry, picked = archive.pick(name)
        number = picked.id
        session = archive.session(number)
        counting = [one for one in archive.sessions_of(entry.id) if one.standing == "counts"]
        settings = None if chosen is None else reduce_settings(chosen)
        told = part(progress, 0.0, 0.8)
        measurement, _ = measurement_of(archive, number, settings=settings, progress=told)
        # Whatever is read here is about to be shown: listening sheets sealed from now on were made with the data known.
        record_opening(archive, name=session.loudspeaker.name, maker=session.loudspeaker.maker)
        progress(0.85, "read the curves")
        kept_m = kept_distance(archive)
        seat_m = kept_m if wanted_m is None else wanted_m
        reading = reading_of(session, measurement, rear_wall=reading_of_wall, seat_m=seat_m)
        is_usual = rear_wall == USUAL_REAR_WALL and chosen is None and seat_m == kept_m
        if is_usual and counting and counting[-1].id == number:
            keep_summary(archive, entry.id, number, measurement, reading)
            keep_printed(archive, entry.id, session=session, measurement=measurement, reading=reading, seat_m=seat_m)
    progress(1.0, "read")
    others = tuple(session_words(one) for one in reversed(counting) if one.id != number)
    units = tuple((one.unit, one.id) for one in counting if one.unit and one.variant == picked.variant)
    return ReadResult(
        loudspeaker_id=entry.id,
        session=session,
        measurement=measurement,
        reading=reading,
        listening_distance_m=seat_m,
        session_id=number,
        others=others,
        units=units,
        archive_folder=archive_folder,
    )


def keep_chosen(
    name: str,
    chosen: Chosen,
    archive_folder: Path,
    *,
    revision: int | None = None,
    rear_wall: str = USUAL_REAR_WALL,
    listening_distance_m: float | None = None,
    progress: Progress = silent,
) -> ReadResult:
    """Reduce the latest session with what was chosen, keep it for that session from now on, and read it.

    revision : of the kept choice that this one was made from, None where nobody else can have changed it. Nothing is
    kept where the recordings cannot be reduced so. Raises as `read_loudspeaker`; InputError for a loudspeaker without
    recordings; StaleDraftError where the choice was changed elsewhere since.
    """
    with Archive.open(archive_folder, create=False) as archive:
        number = archive.pick(name)[1].id
        if simulated(archive.session(number)) is not None:
            raise InputError.of("app.simulated_only", name=name)
    read_loudspeaker(name, archive_folder, chosen=chosen, progress=part(progress, 0.0, 0.8))
    keep_choice(number, chosen, archive_folder, revision=revision)
    return read_loudspeaker(
        name,
        archive_folder,
        rear_wall=rear_wall,
        listening_distance_m=listening_distance_m,
        progress=part(progress, 0.8, 1.0),
    )


def document_text(result: ReadResult) -> str:
    """The JSON document of a reading."""
    document = reading_document(result.session, result.measurement, result.reading)
    return json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1)


def figure_lines(result: ReadResult, width: int | None = None) -> list[str]:
    """The figures as lines of text, see `printed_lines`."""
    sheet = printed_of(result.session, result.measurement, result.reading, result.listening_distance_m)
    return printed_lines(sheet, result.others, width)


UNITS_DOCUMENT = "earwitness.units"
NOT_STATED = "unit not stated"
MOST_SESSIONS = 60


def units_of(name: str, archive_folder: Path, *, progress: Progress = silent) -> UnitsTold:
    """Every session of the loudspeaker called `name` that counts and is in the state of the latest one, by unit.

    Raises InputError where fewer than two units were measured in that state, or as `read_loudspeaker`.
    """
    with Archive.open(archive_folder, create=False) as archive:
        entry = archive.find(name)
        counting = [one for one in archive.sessions_of(entry.id) if one.standing == "counts"]
    if not counting:
        raise InputError(f"{name} has no session that counts", remedy="add a session folder, or take one back")
    variant = counting[-1].variant
    chosen = [one for one in counting if one.variant == variant][-MOST_SESSIONS:]
    if len({one.unit for one in chosen}) < 2:
        raise InputError.of("app.one_unit_only", entry=entry, state=f" in the state {variant}" if variant else "")
    results: list[ReadResult] = []
    for place, one in enumerate(chosen):
        told = part(progress, place / len(chosen), (place + 1) / len(chosen))
        results.append(
            read_loudspeaker(picking(f"{entry.maker} {entry.name}", session=one.id), archive_folder, progress=told)
        )
    return units_told(results)


@lru_cache(maxsize=4)
def alike(result: ReadResult) -> tuple[tuple[ReadResult, ...], ...]:
    """Sessions in the state of the one that was read, by unit; () where only its own unit was measured. Raises as
    `read_loudspeaker`."""
    by_unit: dict[str, list[ReadResult]] = {}
    if len({unit for unit, _ in result.units}) > 1:
        own = result.session.loudspeaker
        for unit, number in result.units[-MOST_SESSIONS:]:
            name = picking(f"{own.maker} {own.name}", session=number)
            one = result if number == result.session_id else read_loudspeaker(name, result.archive_folder)
            by_unit.setdefault(unit, []).append(one)
    return tuple(tuple(rows) for rows in by_unit.values())


def units_told(results: Sequence[ReadResult]) -> UnitsTold:
    """Figures over the units of sessions in one state, oldest first. A figure that is the same in all of them, such as
    a full share, has no spread that could be told, and is left out."""
    by_unit: dict[str, list[ReadResult]] = {}
    for one in results:
        by_unit.setdefault(one.session.unit.label or NOT_STATED, []).append(one)
    every = [one.reading.figures for rows in by_unit.values() for one in rows]
    figures: dict[str, Variation] = {}
    u_mean: dict[str, float] = {}
    for key in every[0]:
        values = [[_value(one.reading.figures.get(key)) for one in rows] for rows in by_unit.values()]
        known = [[value for value in row if value is not None] for row in values]
        if any(value is None for row in values for value in row) or len({value for row in known for value in row}) == 1:
            continue
        found = variation(known)
        if found is not None:
            figures[key] = found
            u_mean[key] = u_of_mean(found, [one[key] for one in every])
    return UnitsTold(
        title=results[0].session.loudspeaker.title,
        variant=results[0].session.variant.label,
        sessions={unit: tuple(one.session_id for one in rows) for unit, rows in by_unit.items()},
        figures=figures,
        u_mean=u_mean,
        units={key: every[0][key].unit for key in figures},
    )


def _value(figure: Figure | None) -> float | None:
    """A figure's value; a bound says nothing of a spread."""
    return None if figure is None or figure.bound else figure.value


def units_lines(found: UnitsTold, width: int | None = None) -> list[str]:
    """The units as lines of text."""
    count = len(found.sessions)
    total = sum(len(numbers) for numbers in found.sessions.values())
    lines = [f"{found.title}: {count} units, {total} sessions" + (f", {found.variant}" if found.variant else "")]
    lines += [f"    {unit}: session {', '.join(map(str, numbers))}" for unit, numbers in found.sessions.items()]
    lines.append("")
    rows = []
    for key in found.figures:
        mean, spread, coming = units_row(found, key)
        rows.append((figure_name(key), f"mean {mean}; sd over units {spread}; next unit {coming}"))
    lines += two_columns(rows, width)
    if all(one.repeat_sd is None for one in found.figures.values()):
        lines += ["", TOGETHER]
    lines += ["± and all limits are 95 %; a next unit drawn as these were lies in its range in 95 of 100 cases"]
    return lines


def units_document(found: UnitsTold) -> dict[str, Any]:
    """The units as plain values for JSON."""
    return {
        "document": UNITS_DOCUMENT,
        "version": 1,
        "program": f"earwitness {__version__}",
        "loudspeaker": found.title,
        "variant": found.variant,
        "sessions": {unit: list(numbers) for unit, numbers in found.sessions.items()},
        "figures": {
            key: {**asdict(one), "unit": found.units[key], "u_mean": found.u_mean[key]}
            for key, one in found.figures.items()
        },
    }
