"""Read a loudspeaker of the archive: its curves and figures."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from earwitness.app.add import measurement_of
from earwitness.app.document import reading_document
from earwitness.app.jobs import Progress, part, silent
from earwitness.archive.catalogue import Archive
from earwitness.errors import InputError, choice
from earwitness.exhibits.figures_table import figures_table
from earwitness.figures.read import read_measurement
from earwitness.quantities import Measurement, Reading
from earwitness.session.session import Session
from earwitness.standards.cta2034 import RearWall

_REAR_WALLS: Mapping[str, RearWall] = {"all 19": "all 19", "3": "3"}


@dataclass(frozen=True, slots=True, eq=False)
class ReadResult:
    """A loudspeaker's latest session, its measurement and what is read off it."""

    loudspeaker_id: int
    session: Session
    measurement: Measurement
    reading: Reading


def read_loudspeaker(
    name: str, archive_folder: Path, *, rear_wall: str = "all 19", progress: Progress = silent
) -> ReadResult:
    """Curves and figures of the loudspeaker called `name`, from its latest session.

    The session is reduced anew where the kept reduction is of another version. Raises InputError for an unknown
    name, with the nearest ones; ArchiveError where there is no archive or it is damaged.
    """
    reading_of_wall = _REAR_WALLS[choice("rear wall", rear_wall, _REAR_WALLS)]
    with Archive.open(archive_folder, create=False) as archive:
        entry = archive.find(name)
        sessions = archive.sessions_of(entry.id)
        if not sessions:
            raise InputError(f"{entry.name} has no session", remedy="add a session folder")
        session = archive.session(sessions[-1].id)
        measurement, _ = measurement_of(archive, sessions[-1].id, progress=part(progress, 0.0, 0.8))
    progress(0.85, "read the curves")
    reading = read_measurement(
        measurement,
        rated_impedance_ohm=session.loudspeaker.rated_impedance_ohm,
        enclosure=session.loudspeaker.enclosure,
        rated_band_hz=_rated_band_hz(session),
        symmetric=session.loudspeaker.symmetric,
        rear_wall=reading_of_wall,
    )
    progress(1.0, "read")
    return ReadResult(entry.id, session, measurement, reading)


def _rated_band_hz(session: Session) -> tuple[float, float] | None:
    """The maker's frequency range, where one is claimed."""
    for claim in session.loudspeaker.claims:
        if claim.quantity == "frequency range" and claim.value_to is not None:
            scale = 1000.0 if claim.unit == "kHz" else 1.0
            return scale * claim.value, scale * claim.value_to
    return None


def document_text(result: ReadResult) -> str:
    """The JSON document of a reading."""
    document = reading_document(result.session, result.measurement, result.reading)
    return json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1)


def figure_lines(result: ReadResult) -> list[str]:
    """The figures as lines of text, at most 80 columns wide where the words allow."""
    table = figures_table(result.reading)
    loudspeaker = result.session.loudspeaker
    rows = [[_shorter(cell, 44) for cell in row[:2]] for row in table.rows]
    width = max(len(row[0]) for row in rows)
    lines = [f"{loudspeaker.title}, session of {result.session.date}", ""]
    lines += [f"{row[0]:<{width}}  {row[1]}" for row in rows]
    notes = [flag.sentence for flag in result.measurement.flags if flag.severity != "info"]
    return [*lines, "", *(f"note: {note}" for note in notes), "± is the 95 % uncertainty; --json tells all"]


def _shorter(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"
