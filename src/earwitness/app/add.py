"""Take data into the archive and reduce them: session folders, folders of responses, invented loudspeakers; and keep
the search index current with what was taken in or read.
"""

import datetime
import hashlib
import json
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

from earwitness import __version__
from earwitness.app.jobs import Progress, part, silent
from earwitness.app.printed import keep_printed
from earwitness.app.settings import (
    AUTOMATIC,
    carry_choice,
    distance_setting,
    kept_choice,
    kept_distance,
    own_words,
    reduce_settings,
    rig_warnings,
)
from earwitness.archive.arrays import OlderLayoutError
from earwitness.archive.catalogue import Archive
from earwitness.archive.entries import ResultEntry
from earwitness.archive.latest import WARNINGS
from earwitness.archive.neighbors import put_shape
from earwitness.archive.notes import sheets_of
from earwitness.archive.search import facts_of, put_summary, shape_source, summary_source, summary_sources
from earwitness.demo.catalogue import COUNT, catalogue, session_of, simulate, simulated, write_note
from earwitness.errors import ArchiveError, EarwitnessError, InputError, cannot_write, named
from earwitness.figures.kinds import as_measured, kinds_of, of_kind
from earwitness.figures.level_series import SEAT_M
from earwitness.figures.read import read_measurement
from earwitness.files.data import worded
from earwitness.formats.audio import Recording, read_audio
from earwitness.formats.correction_file import read_correction
from earwitness.formats.impedance_table import read_impedance_table
from earwitness.formats.scan_pressures import read_scan_pressures
from earwitness.formats.table import cells_of, text_of
from earwitness.quantities import Impedance, Measurement, Reading
from earwitness.reduce.doubt.facts import SHOWN
from earwitness.reduce.flow import reduce_session
from earwitness.reduce.plan import ReduceSettings
from earwitness.session.from_files import Group, Stated, Survey, session_text, survey
from earwitness.session.load import load_session
from earwitness.session.patterns import FILE
from earwitness.session.response_files import sources_of
from earwitness.session.responses import ScanPressuresTake
from earwitness.session.session import ImpedanceTableTake, Session
from earwitness.standards.cta2010 import MASKS
from earwitness.standards.cta2034 import RearWall


def reading_of(
    session: Session, measurement: Measurement, *, rear_wall: RearWall = "all 19", seat_m: float = SEAT_M
) -> Reading:
    """Curves and figures of a measurement, with what the session says of the loudspeaker. seat_m : listening
    distance."""
    loudspeaker = session.loudspeaker
    kinds = kinds_of(loudspeaker)
    reading = read_measurement(
        measurement,
        rated_impedance_ohm=loudspeaker.rated_impedance_ohm,
        enclosure=loudspeaker.enclosure,
        rated_band_hz=_rated_band_hz(session),
        symmetric=loudspeaker.symmetric,
        rear_wall=rear_wall,
        seat_m=seat_m,
        own_level_db=session.tester.level_db,
        mask=MASKS[session.tester.burst_mask],
        liters=1000.0 * loudspeaker.width_m * loudspeaker.height_m * loudspeaker.depth_m,
        full_scale_dbu=session.drive.full_scale_dbu,
        kinds=kinds,
    )
    return of_kind(as_measured(reading, loudspeaker, measurement.response), kinds)


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
    notes, seat_m = _notes(archive, loudspeaker_id, session), kept_distance(archive)
    parts = [session.model_dump_json(), measurement.steps[-1].key, notes, __version__]
    key = hashlib.sha256(json.dumps([*parts, *distance_setting(seat_m).values()]).encode()).hexdigest()[:32]
    if (summary_source(archive, loudspeaker_id), shape_source(archive, loudspeaker_id)) == (key, key):
        return False
    reading = reading or reading_of(session, measurement, seat_m=seat_m)
    put_summary(archive, loudspeaker_id, reading.figures.values(), facts_of(session, notes=notes, made_from=key))
    put_shape(archive, loudspeaker_id, reading.curves, made_from=key)
    keep_printed(archive, loudspeaker_id, session=session, measurement=measurement, reading=reading, seat_m=seat_m)
    return True


def keep_names(archive: Archive, loudspeaker_id: int) -> bool:
    """Put a loudspeaker into the index without figures, so that it is found by name, type, price and notes until its
    figures are read; what the index says already stays. Whether it was put."""
    if loudspeaker_id in summary_sources(archive):
        return False
    session = archive.session(archive.counting_session(loudspeaker_id).id)
    put_summary(archive, loudspeaker_id, (), facts_of(session, notes=_notes(archive, loudspeaker_id, session)))
    return True


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


MEASUREMENT = "measurement"


@dataclass(frozen=True, slots=True)
class AddedSession:
    """What came of adding. warnings : sentences of the checks that want attention."""

    name: str
    session_id: int
    takes: int
    was_known: bool
    was_reduced: bool
    warnings: tuple[str, ...]

    @property
    def sentence(self) -> str:
        took = f"{self.name}: {self.takes} takes "
        took += "were in the archive already" if self.was_known else "taken into the archive"
        return took + (", reduced" if self.was_reduced else ", reduction used again")


def add_folder(folder: Path, archive_folder: Path, *, progress: Progress = silent) -> AddedSession:
    """Validate the session in `folder`, keep its recordings, reduce them.

    A reduction of it that is lost or damaged is made anew. Raises SessionError with all faults before anything is taken
    in; AudioError for a recording that can't be used; OutputError and ArchiveError as the archive does;
    ProgramFaultError for anything else. What was kept before an error stays kept.
    """
    progress(0.0, "check the session folder")
    session = load_session(folder)
    with Archive.open(archive_folder) as archive:
        progress(0.05, "copy the recordings")
        added = archive.add_session(session, folder)
        owner = archive.owner_of(added.session_id)
        with _kept_though_failed(session, added.session_id):
            chosen = AUTOMATIC if added.reused else carry_choice(archive, added.session_id)
            told = part(progress, 0.15, 0.97)
            measurement, was_reduced = measurement_of(archive, added.session_id, mend=True, progress=told)
            keep_summary(archive, owner, added.session_id, measurement)
        counts = archive.counting_session(owner)
        of_rig = rig_warnings(archive, added.session_id, kept_measurement)
    warnings = [flag.sentence for flag in measurement.flags if flag.severity != "info" or flag.id == SHOWN]
    if session.date > datetime.date.today().isoformat():
        warnings.append(worded("app.date_in_future", session=session))
    if not chosen.is_automatic:
        warnings.append(f"As chosen for the session that this one takes the place of: {chosen.words()}.")
    if added.counts_again:
        warnings.append("This session counts again; it was superseded by another one or set aside.")
    if counts.id != added.session_id:
        # Whatever is read next is of the other session: without a word, the new one would seem to change nothing.
        warnings.append(worded("app.later_session", counts=counts, session=session))
    return AddedSession(
        name=session.loudspeaker.name,
        session_id=added.session_id,
        takes=len(session.takes),
        was_known=added.reused,
        was_reduced=was_reduced,
        warnings=(*warnings, *of_rig),
    )


@contextmanager
def _kept_though_failed(session: Session, number: int) -> Iterator[None]:
    """Where a session was taken in and cannot be used, say what holds for it from now on."""
    spoken = session.loudspeaker
    try:
        with named(f"{spoken.title}, session of {session.date}"):
            yield
    except EarwitnessError as error:
        aside = f'earwitness archive set-aside "{spoken.title}" --session {number}'
        error.add_remedy(
            f"the recordings are in the archive; until they can be reduced, set the session aside: {aside}"
        )
        raise


def kept_measurement(archive: Archive, session_id: int) -> Measurement | None:
    """The reduction of a session by this version of the program, as it is kept; None where there is none to use."""
    return _kept(archive, session_id, _settings_of(archive, session_id), [])


def measurement_of(
    archive: Archive,
    session_id: int,
    *,
    settings: ReduceSettings | None = None,
    mend: bool = False,
    progress: Progress = silent,
) -> tuple[Measurement, bool]:
    """The reduction of a session by this version of the program, and whether it had to be computed now.

    settings : None for those that the tester keeps for the session, which at first are the project's; mend : a kept
    reduction that is lost or damaged is computed anew, without it that is an ArchiveError.
    """
    stale: list[ResultEntry] = []
    settings = settings or _settings_of(archive, session_id)
    kept = _kept(archive, session_id, settings, stale, mend=mend)
    if kept is not None:
        return kept, False
    measurement = _made(archive, session_id, settings, progress)
    for result in stale:
        # What is whole is never written again: out of the way, now that there is a new one.
        if result.array_file is not None and result.step_key == measurement.steps[-1].key:
            (archive.folder / result.array_file).unlink(missing_ok=True)
    archive.keep_measurement(session_id, measurement)
    return measurement, True


def is_reduced(archive: Archive, session_id: int) -> bool:
    """Whether a reduction of this version with the settings in use stands in the catalogue; its file is not read."""
    wanted = _result_wanted(_settings_of(archive, session_id))
    return any((r.kind, r.step.program, r.step.settings) == wanted for r in archive.results_of(session_id))


def _settings_of(archive: Archive, session_id: int) -> ReduceSettings:
    return reduce_settings(kept_choice(archive, session_id)[0])


def _result_wanted(settings: ReduceSettings) -> tuple[object, ...]:
    return (MEASUREMENT, f"earwitness {__version__}", tuple(sorted(asdict(settings).items())))


def _kept(
    archive: Archive, session_id: int, settings: ReduceSettings, stale: list[ResultEntry], *, mend: bool = False
) -> Measurement | None:
    """stale : gets the results whose files are of an older layout."""
    wanted = _result_wanted(settings)
    for result in archive.results_of(session_id):
        if (result.kind, result.step.program, result.step.settings) == wanted:
            try:
                kept = archive.measurement(result.step_key)
            except OlderLayoutError:
                stale.append(result)
                continue
            except ArchiveError:
                if not mend:
                    raise
                continue
            if kept is not None:
                return kept
    return None


def _made(archive: Archive, session_id: int, settings: ReduceSettings, progress: Progress) -> Measurement:
    session = archive.session(session_id)
    with named(f"{session.loudspeaker.title}, session of {session.date}"):
        invented = simulated(session)
        if invented is not None:
            # Kept as if reduced with the present settings, so that a reading finds it.
            return simulate(invented, asdict(settings))
        files = archive.files_of(session_id)
        if lost := [name for name, path in files.items() if not path.is_file()]:
            # What lies in the archive is not the tester's to rename.
            where = ", ".join(lost[:5]) + (f" and {len(lost) - 5} more" if len(lost) > 5 else "")
            raise ArchiveError.of("app.recordings_lost", where=where, archive=archive)
        correction_file = session.microphone.correction_file
        return reduce_session(
            session,
            recordings_of(files),
            settings=settings,
            correction=read_correction(files[correction_file]) if correction_file else None,
            impedance=impedance_table_of(session, files),
            pressures=next((read_scan_pressures(files[t.file]) for t in session.takes_of(ScanPressuresTake)), None),
            sources=sources_of(session, files),
            progress=progress,
        )


def impedance_table_of(session: Session, files: Mapping[str, Path]) -> Impedance | None:
    """The impedance that the session's table holds, None without one. FormatError as the table's reader has it."""
    for take in session.takes_of(ImpedanceTableTake):
        return read_impedance_table(files[take.file], u_percent=take.u_percent, u_deg=take.u_deg)
    return None


def recordings_of(files: Mapping[str, Path]) -> Callable[[str], Recording]:
    """Recordings by the names they have in the session, so that an error names the tester's file."""
    return lambda name: read_audio(files[name])


def add_catalogue(archive_folder: Path, *, count: int = COUNT, progress: Progress = silent) -> int:
    """Take the first `count` invented loudspeakers into the archive; how many were not in it before.

    Raises InputError for a count below 0, ArchiveError and OutputError as the archive does.
    """
    settings = asdict(ReduceSettings())
    new = 0
    with Archive.open(archive_folder) as archive, tempfile.TemporaryDirectory() as name:
        for place, one in enumerate(catalogue(count)):
            progress(place / max(count, 1), one.name)
            folder = Path(name) / str(one.number)
            write_note(one, folder)
            added = archive.add_session(session_of(one), folder)
            new += not added.reused
            # Kept as if reduced with the present settings, so that a reading finds it.
            measurement = simulate(one, settings)
            archive.keep_measurement(added.session_id, measurement)
            keep_summary(archive, archive.find(f"{one.maker} {one.name}").id, added.session_id, measurement)
    progress(1.0, "kept")
    return new


# A list says "level" for what Stated calls relative, and only what is measured can be invented or not.
_FACTS = {one.name: one.default for one in fields(Stated) if one.name not in ("relative", "invented", "symmetric")}


def telling(found: Survey) -> Iterator[tuple[str, str]]:
    """Each group of files and what it seems to be, in words; then what was set aside and why."""
    for group in found.groups:
        count = len(group.files)
        name = group.pattern if count == 1 else f"{group.pattern} ({count} files)"
        yield name, _seems(group)
    for one in found.set_aside:
        yield one.file, f"set aside: {one.why}"


def _seems(group: Group) -> str:
    first = group.files[0]
    words = [group.kind]
    if group.plane:
        words.append(group.plane)
    if len(group.angles_deg) == 1:
        words.append(f"{group.angles_deg[0]:g} degrees")
    elif group.angles_deg and group.kind != "directions":
        words.append(f"{group.angles_deg[0]:g} to {group.angles_deg[-1]:g} degrees")
    elif group.angles_deg:
        words.append(f"{len(group.angles_deg)} directions")
    words.append(f"{first.points} points from {first.band_hz[0]:.4g} to {first.band_hz[1]:.5g} Hz")
    words.append(first.unit or "unit open")
    words.append("with phase" if all(file.has_phase for file in group.files) else "no phase")
    return ", ".join(words)


def questions(found: Survey) -> list[str]:
    """What a person must settle, each once."""
    lines = []
    for group in found.groups:
        for one in group.questions:
            options = " or ".join(f'"{option}"' for option in one.options)
            lines.append(f"{group.pattern}: {one.why}" + (f" ({options})" if options else ""))
    return list(dict.fromkeys(lines))


def write_session(found: Survey, stated: Stated, *, again: bool = False) -> Path:
    """Write session.toml beside the files. again : over one that is there, which is kept as session.toml.old.

    InputError where one is there, or no file is usable; OutputError where it cannot be written.
    """
    if not found.groups:
        raise InputError.of("app.no_response_in_folder", where=str(found.folder))
    path = found.folder / FILE
    if path.exists() and not again:
        raise InputError.of("app.session_toml_there", where=str(path))
    put_session(path, session_text(found, stated))
    return path


def put_session(path: Path, text: str) -> None:
    """Write a session.toml, with its folder; one that is there is kept as session.toml.old. OutputError where it
    cannot be written."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists():
            path.replace(path.with_name(f"{FILE}.old"))
        path.write_text(text, encoding="utf-8")
    except (OSError, ValueError) as error:
        raise cannot_write(FILE, path, error) from error


@dataclass(frozen=True, slots=True)
class TakenIn:
    """What became of one line of a list of loudspeakers. line : in the list; why : it could not be taken in, or ""."""

    line: int
    folder: str
    name: str
    why: str


def take_in_all(table: Path, archive: Path, *, progress: Progress = silent) -> tuple[TakenIn, ...]:
    """Every loudspeaker of a list into the archive: one line each with its folder and what is known of it.

    The first line names the columns: folder, name, maker and any fact of `Stated`. A folder that has a session.toml
    keeps it. Lines that fail are told and the others go on; a list run again goes on where it stopped, as sessions
    that are in the archive are used again.
    InputError for a list that cannot be read.
    """
    rows = list(_listed(table))
    found = []
    for number, (line, row) in enumerate(rows):
        progress(number / len(rows), row.get("name", row["folder"]))
        found.append(_taken(table.parent, line, row, archive))
    progress(1.0, "done")
    return tuple(found)


def _taken(root: Path, line: int, row: dict[str, str], archive: Path) -> TakenIn:
    name = " ".join(part for part in (row.get("maker", ""), row.get("name", "")) if part) or row["folder"]
    try:
        folder = root / row["folder"]
        if not (folder / FILE).exists():
            write_session(survey(folder), stated_of(row, f"line {line}"))
        add_folder(folder, archive)
    except EarwitnessError as error:
        return TakenIn(line, row["folder"], name, str(error))
    return TakenIn(line, row["folder"], name, "")


def _listed(table: Path) -> Iterator[tuple[int, dict[str, str]]]:
    lines = [(n, text) for n, text in enumerate(text_of(table).splitlines(), 1) if text.strip() and text[0] != "#"]
    if len(lines) < 2:
        raise InputError.of("app.list_empty", where=str(table))
    separator = next(
        (label for label, mark in (("tab", "\t"), ("semicolon", ";"), ("comma", ",")) if mark in lines[0][1]), ""
    )
    if not separator:
        raise InputError("the list's columns cannot be told apart", where=f"{table}, line {lines[0][0]}")
    titles = [cell.strip().lower() for cell in cells_of(lines[0][1], separator)]
    known = {"folder", "level", *_FACTS}
    if unknown := [title for title in titles if title not in known]:
        where, listed = f"{table}, line {lines[0][0]}", ", ".join(sorted(known))
        raise InputError.of("app.list_columns_unknown", where=where, unknown=", ".join(unknown), known=listed)
    if "folder" not in titles:
        raise InputError("the list does not name the folders", where=str(table), expected='a column "folder"')
    for number, text in lines[1:]:
        cells = cells_of(text, separator)
        if len(cells) != len(titles):
            what = f"the line has {len(cells)} fields, the first line has {len(titles)}"
            raise InputError(what, where=f"{table}, line {number}")
        yield number, {title: cell for title, cell in zip(titles, cells, strict=True) if cell}


def stated_of(row: dict[str, str], where: str) -> Stated:
    """The facts of one line. InputError for a number that is none."""

    told: dict[str, Any] = {key: text for key, text in row.items() if key in _FACTS}
    for key in told:
        if _FACTS[key] is None:
            try:
                number = float(told[key].replace(",", "."))
                told[key] = int(number) if key == "year" else number
            except (ValueError, OverflowError):
                raise InputError(f"{key} is {told[key]!r}, which is no number", where=where) from None
    return Stated(**told, relative=row.get("level") == "relative")


def failed(done: Sequence[TakenIn]) -> list[TakenIn]:
    """The lines that could not be taken in."""
    return [one for one in done if one.why]
