"""What the search index says of a loudspeaker, kept current by whatever reads or takes in data."""

import hashlib
import json

from earwitness import __version__
from earwitness.app.distance import distance_setting, kept_distance
from earwitness.app.words import own_words
from earwitness.archive.catalogue import Archive
from earwitness.archive.desk import WARNINGS
from earwitness.archive.neighbors import put_shape, shape_source
from earwitness.archive.notes import sheets_of
from earwitness.archive.search import facts_of, put_summary, summary_source, summary_sources
from earwitness.figures.kinds import kinds_of, of_kind
from earwitness.figures.level_series import SEAT_M
from earwitness.figures.read import read_measurement
from earwitness.quantities import Measurement, Reading
from earwitness.session.session import Session
from earwitness.standards.cta2034 import RearWall


def reading_of(
    session: Session, measurement: Measurement, *, rear_wall: RearWall = "all 19", seat_m: float = SEAT_M
) -> Reading:
    """Curves and figures of a measurement, with what the session says of the loudspeaker. seat_m : listening
    distance."""
    loudspeaker = session.loudspeaker
    reading = read_measurement(
        measurement,
        rated_impedance_ohm=loudspeaker.rated_impedance_ohm,
        enclosure=loudspeaker.enclosure,
        rated_band_hz=_rated_band_hz(session),
        symmetric=loudspeaker.symmetric,
        rear_wall=rear_wall,
        seat_m=seat_m,
        own_level_db=session.tester.level_db,
    )
    return of_kind(reading, kinds_of(loudspeaker))


def keep_summary(
    archive: Archive, loudspeaker_id: int, session_id: int, measurement: Measurement, reading: Reading | None = None
) -> bool:
    """Put figures and curves of a loudspeaker's latest session into the index, unless they are there; whether it was.

    A session that is not the one read changes nothing. reading : the figures, where they are read already, at the kept
    listening distance. Raises ArchiveError and OutputError as the archive does.
    """
    if archive.counting_session(loudspeaker_id).id != session_id:
        return False
    warnings = {"sentences": [flag.sentence for flag in measurement.flags if flag.severity != "info"]}
    if archive.document(measurement.steps[-1].key, WARNINGS) != warnings:
        archive.keep_document(session_id, measurement.steps[-1], WARNINGS, warnings)
    session = archive.session(session_id)
    notes = _notes(archive, loudspeaker_id, session)
    seat_m = kept_distance(archive)
    key = index_key(session, measurement, notes, seat_m=seat_m)
    if (summary_source(archive, loudspeaker_id), shape_source(archive, loudspeaker_id)) == (key, key):
        return False
    reading = reading or reading_of(session, measurement, seat_m=seat_m)
    put_summary(archive, loudspeaker_id, reading.figures.values(), facts_of(session, notes=notes, made_from=key))
    put_shape(archive, loudspeaker_id, reading.curves, made_from=key)
    return True


def keep_names(archive: Archive, loudspeaker_id: int) -> bool:
    """Put a loudspeaker into the index without figures, so that it is found by name, type, price and notes until its
    figures are read; what the index says already stays. Whether it was put."""
    if loudspeaker_id in summary_sources(archive):
        return False
    session = archive.session(archive.counting_session(loudspeaker_id).id)
    put_summary(archive, loudspeaker_id, (), facts_of(session, notes=_notes(archive, loudspeaker_id, session)))
    return True


def index_key(session: Session, measurement: Measurement, notes: str, *, seat_m: float = SEAT_M) -> str:
    """What the index entry of a session is made from: facts, result, notes, program and listening distance."""
    parts = [session.model_dump_json(), measurement.steps[-1].key, notes, __version__]
    parts += distance_setting(seat_m).values()
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:32]


def _notes(archive: Archive, loudspeaker_id: int, session: Session) -> str:
    """All that the tester wrote: verdict and the like, and the words of the listening sheets."""
    spoken = session.loudspeaker
    found = [own_words(archive, loudspeaker_id).markdown]
    for entry in sheets_of(archive, name=spoken.name, maker=spoken.maker):
        sheet = json.loads(entry.facts)
        found.append(str(sheet.get("text", "")))
        found += [f"{remark.get('word', '')} {remark.get('text', '')}" for remark in sheet.get("remark", ())]
    return "\n".join(text for text in found if text.strip())


def _rated_band_hz(session: Session) -> tuple[float, float] | None:
    """The maker's frequency range, where one is claimed."""
    for claim in session.loudspeaker.claims:
        if claim.quantity == "frequency range" and claim.value_to is not None:
            scale = 1000.0 if claim.unit == "kHz" else 1.0
            return scale * claim.value, scale * claim.value_to
    return None
