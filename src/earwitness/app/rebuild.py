"""Make every result of the archive that is missing, stale or damaged anew, on all cores or on a cluster.

What is done is kept at once, so a run that was stopped goes on where it was; sessions do not wait for each other.
"""

import importlib
import os
import threading
from collections.abc import Generator
from contextlib import closing, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from earwitness.app.add import measurement_of
from earwitness.app.jobs import Canceled, Progress, silent
from earwitness.app.processes import ENDED, each_done
from earwitness.app.summary import keep_summary
from earwitness.archive.catalogue import Archive
from earwitness.errors import EarwitnessError, InputError, MissingExtraError, named

# A worker of a cluster runs several tasks as threads of one process; the netCDF library bears one at a time.
_ALONE = threading.Lock()
# How long a scheduler has to answer [s].
_ANSWER_S = 10


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """What became of one session. state : "made anew", "was current", "failed", or "superseded" where it failed and
    another one is read in its place; title : loudspeaker and date; words : why it failed."""

    session_id: int
    title: str
    state: str
    words: str = ""


@dataclass(frozen=True, slots=True)
class RebuildReport:
    """All sessions but those set aside, by their number. aside : how many are set aside."""

    sessions: tuple[Rebuilt, ...]
    aside: int = 0

    @property
    def is_whole(self) -> bool:
        return all(one.state != "failed" for one in self.sessions)

    def count(self, state: str) -> int:
        return sum(one.state == state for one in self.sessions)


def rebuild(
    archive_folder: Path, *, workers: int | None = None, cluster: str | None = None, progress: Progress = silent
) -> RebuildReport:
    """Bring results and search index of the archive to what this version makes.

    workers : processes on this machine, None for one a core; cluster : address of a Dask scheduler whose workers see
    the archive under the same path. Results are the same either way. A session that fails, for whatever reason, stays
    as it was and is in the report; one that is set aside is passed over. Raises ArchiveError without an archive,
    InputError for no workers, MissingExtraError without Dask.
    """
    if workers is not None and workers < 1:
        raise InputError(f"{workers} workers were asked for", expected="1 or more")
    archive_folder = archive_folder.resolve()
    with Archive.open(archive_folder, create=False) as archive:
        sessions = [session for one in archive.loudspeakers() for session in archive.sessions_of(one.id)]
    numbers = [session.id for session in sessions if session.standing != "set aside"]
    aside = len(sessions) - len(numbers)
    done: list[Rebuilt] = []
    progress(0.0, f"{len(numbers)} sessions")
    with closing(_results(archive_folder, numbers, workers, cluster)) as results:
        for found in results:
            done.append(found)
            progress(len(done) / len(numbers), f"{len(done)} of {len(numbers)}: {found.title}")
    return RebuildReport(tuple(sorted(done, key=lambda one: one.session_id)), aside)


def rebuild_session(archive_folder: str, session_id: int) -> Rebuilt:
    """One session, in this process; whatever fails is in what is returned."""
    with _ALONE:
        return _rebuild_session(Path(archive_folder), session_id)


def _rebuild_session(archive_folder: Path, session_id: int) -> Rebuilt:
    try:
        with named(f"session number {session_id}"), Archive.open(archive_folder, create=False) as archive:
            was_made = _bring_up_to_date(archive, session_id)
            title = _title(archive, session_id)
    except Canceled:
        raise
    except EarwitnessError as error:
        return _failed(archive_folder, session_id, str(error))
    return Rebuilt(session_id, title, "made anew" if was_made else "was current")


def _failed(archive_folder: Path, session_id: int, words: str) -> Rebuilt:
    """A session that failed, named as well as a damaged archive lets it be."""
    title, state = f"session {session_id}", "failed"
    with suppress(EarwitnessError), named(title), Archive.open(archive_folder, create=False) as archive:
        title = _title(archive, session_id)
        entries = {one.id: one for one in archive.sessions_of(archive.owner_of(session_id))}
        state = "superseded" if entries[session_id].standing == "superseded" else "failed"
    return Rebuilt(session_id, title, state, words)


def _title(archive: Archive, session_id: int) -> str:
    session = archive.session(session_id)
    return f"{session.loudspeaker.title}, session of {session.date}"


def _bring_up_to_date(archive: Archive, session_id: int) -> bool:
    """Make the result of a session and its entry in the index current; whether there was anything to do."""
    measurement, was_made = measurement_of(archive, session_id, mend=True)
    return keep_summary(archive, archive.owner_of(session_id), session_id, measurement) or was_made


def _results(
    folder: Path, numbers: list[int], workers: int | None, cluster: str | None
) -> Generator[Rebuilt, None, None]:
    if cluster is not None:
        yield from _cluster_results(folder, numbers, cluster)
        return
    work = partial(rebuild_session, str(folder))
    count = workers or os.cpu_count() or 1
    yield from each_done(work, numbers, workers=count, lost=lambda number: _failed(folder, number, ENDED))


def _cluster_results(folder: Path, numbers: list[int], address: str) -> Generator[Rebuilt, None, None]:
    try:
        distributed = importlib.import_module("distributed")
    except ImportError:
        raise MissingExtraError.of("app.cluster_missing") from None
    try:
        client = distributed.Client(address, timeout=_ANSWER_S)
    except (OSError, ValueError) as error:
        raise InputError.of("app.no_scheduler", where=address, error=error) from error
    with client:
        futures = {client.submit(rebuild_session, str(folder), number, pure=False): number for number in numbers}
        for future in distributed.as_completed(futures):
            lost = future.exception()
            yield future.result() if lost is None else _failed(folder, futures[future], f"on the cluster: {lost}")
