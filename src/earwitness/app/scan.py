"""The level of a scanned loudspeaker at any place."""

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from earwitness.app.add import measurement_of
from earwitness.app.jobs import Progress, part, silent
from earwitness.archive.catalogue import Archive
from earwitness.archive.notes import record_opening
from earwitness.errors import InputError
from earwitness.files.data import worded
from earwitness.quantities import REFERENCE_PRESSURE_PA, REFERENCE_VOLTAGE_V, DirectionalResponse, Directions
from earwitness.quantities.arrays import BoolArray, FloatArray
from earwitness.quantities.axis import hz_words
from earwitness.reduce.scan import at_point
from earwitness.reduce.scan_measurement import scan_field

# Rows of the printed table: every third octave and the ends.
_EVERY = 16
_NEIGHBORS = 3


@dataclass(frozen=True, slots=True, eq=False)
class LevelAt:
    """Free-field level of a loudspeaker at one place, driven with 2.83 V where levels are absolute.

    hz, level_db, phase_deg, u_db, valid (F,); absolute : dB SPL, else dB re 1 Pa/V; u_db : standard uncertainty, the
    largest of the three directions of the two orbits that are nearest.
    """

    name: str
    distance_m: float
    azimuth_deg: float
    elevation_deg: float
    hz: FloatArray
    level_db: FloatArray
    phase_deg: FloatArray
    u_db: FloatArray
    valid: BoolArray
    absolute: bool


def level_at(
    name: str,
    archive_folder: Path,
    *,
    distance_m: float,
    azimuth_deg: float,
    elevation_deg: float,
    progress: Progress = silent,
) -> LevelAt:
    """The level at a distance and direction from the reference point, from the latest session's scan.

    InputError for an unknown name, a session that is no scan, or a place inside the loudspeaker; ArchiveError as
    read_loudspeaker.
    """
    with Archive.open(archive_folder, create=False) as archive:
        entry = archive.find(name)
        number = archive.counting_session(entry.id).id
        session = archive.session(number)
        measurement, _ = measurement_of(archive, number, progress=part(progress, 0.0, 0.9))
        record_opening(archive, name=session.loudspeaker.name, maker=session.loudspeaker.maker)
    if measurement.scan is None:
        raise InputError.of("app.not_scanned", entry=entry)
    axis = measurement.response.axis
    pressure = at_point(scan_field(measurement.scan, axis), distance_m, azimuth_deg, elevation_deg)
    absolute = measurement.response.absolute
    scale = REFERENCE_VOLTAGE_V / REFERENCE_PRESSURE_PA if absolute else 1.0
    # As heard there: the sound's travel from the reference point counts.
    level = 20 * np.log10(np.maximum(np.abs(pressure) * scale, 1e-12))
    progress(1.0, "read")
    return LevelAt(
        entry.name, distance_m, azimuth_deg, elevation_deg, axis.hz, level, np.degrees(np.angle(pressure)),
        _u_db(measurement.response, azimuth_deg, elevation_deg), measurement.scan.valid, absolute,
    )  # fmt: skip


def _u_db(response: DirectionalResponse, azimuth_deg: float, elevation_deg: float) -> FloatArray:
    look = Directions(np.radians([azimuth_deg]), np.radians([elevation_deg])).unit_vectors()[0]
    nearest = np.argsort(-(response.directions.unit_vectors() @ look), kind="stable")[:_NEIGHBORS]
    return np.asarray(np.hypot(response.u_apart_db()[nearest].max(axis=0), response.u_shared_db()), dtype=float)


def at_lines(found: LevelAt) -> tuple[str, ...]:
    """A table for reading, in third octaves."""
    unit = "dB SPL for 2.83 V" if found.absolute else "dB re 1 Pa/V"
    lines = [worded("app.microphone_of_orbit", found=found), f"{'frequency':>10}  {unit:>18}  {'95 %':>10}"]
    for row in range(0, found.hz.size, _EVERY):
        if found.valid[row]:
            told = f"{found.level_db[row]:18.1f}  {'± ' + format(max(2 * found.u_db[row], 0.1), '.1f') + ' dB':>10}"
        else:
            told = f"{'not known':>18}"
        lines.append(f"{hz_words(float(found.hz[row])):>10}  {told}".rstrip())
    return tuple(lines)


def at_document(found: LevelAt) -> str:
    """All frequencies as JSON; what is not valid is null."""

    def numbers(values: FloatArray) -> list[float | None]:
        return [round(float(value), 4) if fine else None for value, fine in zip(values, found.valid, strict=True)]

    record = {
        "loudspeaker": found.name,
        "distance_m": found.distance_m,
        "azimuth_deg": found.azimuth_deg,
        "elevation_deg": found.elevation_deg,
        "level_is": "dB SPL for 2.83 V" if found.absolute else "dB re 1 Pa/V",
        "frequency_hz": [round(float(value), 4) for value in found.hz],
        "level_db": numbers(found.level_db),
        "phase_deg": numbers(found.phase_deg),
        "u_db": numbers(found.u_db),
    }
    return json.dumps(record, indent=1, ensure_ascii=False)
