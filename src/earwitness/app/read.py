"""Read a loudspeaker of the archive: its curves and figures."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from earwitness.app.add import measurement_of
from earwitness.app.columns import hanging, two_columns
from earwitness.app.distance import checked_distance, kept_distance
from earwitness.app.document import reading_document
from earwitness.app.jobs import Progress, part, silent
from earwitness.app.settings import Chosen, keep_choice, reduce_settings
from earwitness.app.summary import keep_summary, reading_of
from earwitness.archive.catalogue import Archive
from earwitness.archive.choose import session_words
from earwitness.archive.notes import record_opening
from earwitness.demo.catalogue import simulated
from earwitness.errors import InputError, choice, named
from earwitness.exhibits.equal_level import where_in_band
from earwitness.exhibits.figures_table import figures_table, ordered_figures
from earwitness.figures.level_series import SEAT_M
from earwitness.figures.registry import LEVEL_FIGURES, base_key
from earwitness.quantities import Figure, Measurement, Reading
from earwitness.session.session import Session
from earwitness.standards.cta2034 import RearWall

_REAR_WALLS: Mapping[str, RearWall] = {"all 19": "all 19", "3": "3"}
USUAL_REAR_WALL = "all 19"


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
    progress(1.0, "read")
    others = tuple(session_words(one) for one in reversed(counting) if one.id != number)
    units = tuple((one.unit, one.id) for one in counting if one.unit and one.variant == picked.variant)
    return ReadResult(entry.id, session, measurement, reading, seat_m, number, others, units, archive_folder)


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
    """The figures as lines of text, each name and reason whole. width : of the terminal, None for one line a figure."""
    rows = zip(figures_table(result.reading).rows, ordered_figures(result.reading), strict=True)
    loudspeaker = result.session.loudspeaker
    about = ", ".join(filter(None, (f"{loudspeaker.title}, session of {result.session.date}", result.session.state)))
    lines = [about]
    if result.others:
        count = len(result.others)
        more = f"; {count - 3} more" if count > 3 else ""
        told = f"also measured: {'; '.join(result.others[:3])}{more} (--session, --unit or --variant reads another)"
        lines += hanging(told, width)
    lines.append("")
    lines += two_columns([(row[0], _with_band(row, figure)) for row, figure in rows], width)
    notes = [flag.sentence for flag in result.measurement.flags if flag.severity != "info"]
    lines += ["", *(line for note in notes for line in hanging(f"note: {note}", width))]
    seat = (
        f"levels at the seat are for {result.listening_distance_m:g} m, free field; --listening-distance changes that"
    )
    return [*lines, *hanging(seat, width), "± is the 95 % uncertainty; --json tells all"]


def _with_band(row: tuple[str, ...], figure: Figure) -> str:
    """The value; of what is the most of a band, or at a level, with band and frequency."""
    if not figure.is_judged or base_key(figure.key) not in LEVEL_FIGURES or figure.band_hz is None:
        return row[1]
    told = [row[2], *([where] if (where := where_in_band(figure)) else [])]
    return f"{row[1]} ({', '.join(told)})"
