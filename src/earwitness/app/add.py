"""Take a session folder into the archive, and reduce its recordings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

from earwitness import __version__
from earwitness.app.jobs import Progress, part, silent
from earwitness.archive.catalogue import Archive
from earwitness.formats.audio import Recording, read_audio
from earwitness.formats.correction_file import read_correction
from earwitness.quantities import Measurement
from earwitness.reduce.flow import reduce_session
from earwitness.reduce.plan import ReduceSettings
from earwitness.session.load import load_session

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

    Raises SessionError with all faults before anything is taken in; AudioError for a recording that can't be used;
    OutputError and ArchiveError as the archive does. What was kept before an error stays kept.
    """
    progress(0.0, "check the session folder")
    session = load_session(folder)
    with Archive.open(archive_folder) as archive:
        progress(0.05, "copy the recordings")
        added = archive.add_session(session, folder)
        measurement, was_reduced = measurement_of(archive, added.session_id, progress=part(progress, 0.15, 1.0))
    return AddedSession(
        name=session.loudspeaker.name,
        session_id=added.session_id,
        takes=len(session.takes),
        was_known=added.reused,
        was_reduced=was_reduced,
        warnings=tuple(flag.sentence for flag in measurement.flags if flag.severity != "info"),
    )


def measurement_of(archive: Archive, session_id: int, *, progress: Progress = silent) -> tuple[Measurement, bool]:
    """The reduction of a session by this version of the program, and whether it had to be computed now."""
    settings = ReduceSettings()
    wanted = tuple(sorted(asdict(settings).items()))
    for result in archive.results_of(session_id):
        step = result.step
        if (result.kind, step.program, step.settings) == (MEASUREMENT, f"earwitness {__version__}", wanted):
            kept = archive.measurement(result.step_key)
            if kept is not None:
                return kept, False
    session = archive.session(session_id)
    files = archive.files_of(session_id)
    correction_file = session.microphone.correction_file
    correction = read_correction(files[correction_file]) if correction_file else None
    measurement = reduce_session(session, _reader(files), settings=settings, correction=correction, progress=progress)
    archive.keep_measurement(session_id, measurement)
    return measurement, True


def _reader(files: dict[str, Path]) -> Callable[[str], Recording]:
    """Recordings by the names they have in the session, so that an error names the tester's file."""

    def read(name: str) -> Recording:
        return read_audio(files[name])

    return read
