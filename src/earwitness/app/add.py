"""Take a session folder into the archive, and reduce its recordings."""

import datetime
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path

from earwitness import __version__
from earwitness.app.jobs import Canceled, Progress, part, silent
from earwitness.app.rig import rig_warnings
from earwitness.app.settings import AUTOMATIC, carry_choice, kept_choice, reduce_settings
from earwitness.app.summary import keep_summary
from earwitness.archive.arrays import OlderLayoutError
from earwitness.archive.catalogue import Archive
from earwitness.archive.entries import ResultEntry
from earwitness.demo.catalogue import simulate, simulated
from earwitness.errors import ArchiveError, EarwitnessError, named
from earwitness.files.data import worded
from earwitness.formats.audio import Recording, read_audio
from earwitness.formats.correction_file import read_correction
from earwitness.formats.impedance_table import read_impedance_table
from earwitness.formats.scan_pressures import ScanPressures, read_scan_pressures
from earwitness.quantities import Impedance, Measurement
from earwitness.reduce.doubt.microphone import SHOWN
from earwitness.reduce.flow import reduce_session
from earwitness.reduce.plan import ReduceSettings
from earwitness.session.load import load_session
from earwitness.session.response_files import sources_of
from earwitness.session.scan import ScanPressuresTake
from earwitness.session.session import ImpedanceTableTake, Session

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
    except Canceled:
        raise
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
        _require_files(files, archive)
        correction_file = session.microphone.correction_file
        return reduce_session(
            session,
            recordings_of(files),
            settings=settings,
            correction=read_correction(files[correction_file]) if correction_file else None,
            impedance=impedance_table_of(session, files),
            pressures=scan_pressures_of(session, files),
            sources=sources_of(session, files),
            progress=progress,
        )


def _require_files(files: Mapping[str, Path], archive: Archive) -> None:
    """ArchiveError where files of a session are gone: what lies in the archive is not the tester's to rename."""
    lost = [name for name, path in files.items() if not path.is_file()]
    if lost:
        raise ArchiveError.of(
            "app.recordings_lost",
            where=", ".join(lost[:5]) + (f" and {len(lost) - 5} more" if len(lost) > 5 else ""),
            archive=archive,
        )


def impedance_table_of(session: Session, files: Mapping[str, Path]) -> Impedance | None:
    """The impedance that the session's table holds, None without one. FormatError as the table's reader has it."""
    for take in session.takes_of(ImpedanceTableTake):
        return read_impedance_table(files[take.file], u_percent=take.u_percent, u_deg=take.u_deg)
    return None


def scan_pressures_of(session: Session, files: Mapping[str, Path]) -> ScanPressures | None:
    """The scan that the session gives as pressures, None without one. FormatError as its reader has it."""
    for take in session.takes_of(ScanPressuresTake):
        return read_scan_pressures(files[take.file])
    return None


def recordings_of(files: Mapping[str, Path]) -> Callable[[str], Recording]:
    """Recordings by the names they have in the session, so that an error names the tester's file."""

    def read(name: str) -> Recording:
        return read_audio(files[name])

    return read
