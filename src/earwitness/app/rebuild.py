"""Make every result of the archive that is missing, stale or damaged anew, on all cores or on a cluster.

What is done is kept at once, so a run that was stopped goes on where it was; sessions do not wait for each other.
"""

from __future__ import annotations

import importlib
import os
import threading
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from earwitness.app.add import measurement_of
from earwitness.app.jobs import Progress, silent
from earwitness.app.summary import keep_summary
from earwitness.archive.catalogue import Archive
from earwitness.errors import EarwitnessError, InputError, MissingExtraError

# A worker of a cluster runs several tasks as threads of one process; the netCDF library bears one at a time.
_ALONE = threading.Lock()
# How long a scheduler has to answer [s].
_ANSWER_S = 10


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """What became of one session. state : "made anew", "was current" or "failed"; words : why it failed."""

    session_id: int
    title: str
    state: str
    words: str = ""


@dataclass(frozen=True, slots=True)
class RebuildReport:
    """All sessions, by their number."""

    sessions: tuple[Rebuilt, ...]

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
    the archive under the same path. Results are the same either way. A session that fails stays as it was and is in
    the report. Raises ArchiveError without an archive, InputError for no workers, MissingExtraError without Dask.
    """
    if workers is not None and workers < 1:
        raise InputError(f"{workers} workers were asked for", expected="1 or more")
    archive_folder = archive_folder.resolve()
    with Archive.open(archive_folder, create=False) as archive:
        numbers = [session.id for one in archive.loudspeakers() for session in archive.sessions_of(one.id)]
    done: list[Rebuilt] = []
    progress(0.0, f"{len(numbers)} sessions")
    with _results(archive_folder, numbers, workers, cluster) as results:
        for found in results:
            done.append(found)
            progress(len(done) / len(numbers), f"{len(done)} of {len(numbers)}: {found.title}")
    return RebuildReport(tuple(sorted(done, key=lambda one: one.session_id)))


def rebuild_session(archive_folder: str, session_id: int) -> Rebuilt:
    """One session, in this process; an error of the input or the archive is in what is returned."""
    with _ALONE:
        return _rebuild_session(Path(archive_folder), session_id)


def _rebuild_session(archive_folder: Path, session_id: int) -> Rebuilt:
    title = f"session {session_id}"
    try:
        with Archive.open(archive_folder, create=False) as archive:
            session = archive.session(session_id)
            title = session.loudspeaker.title
            was_made = _bring_up_to_date(archive, session_id)
    except EarwitnessError as error:
        return Rebuilt(session_id, title, "failed", str(error))
    return Rebuilt(session_id, title, "made anew" if was_made else "was current")


def _bring_up_to_date(archive: Archive, session_id: int) -> bool:
    """Make the result of a session and its entry in the index current; whether there was anything to do."""
    measurement, was_made = measurement_of(archive, session_id, mend=True)
    return keep_summary(archive, archive.owner_of(session_id), session_id, measurement) or was_made


@contextmanager
def _results(folder: Path, numbers: list[int], workers: int | None, cluster: str | None) -> Iterator[Iterator[Rebuilt]]:
    if cluster is not None:
        with _cluster_results(folder, numbers, cluster) as results:
            yield results
        return
    count = min(workers or os.cpu_count() or 1, max(len(numbers), 1))
    if count == 1:
        yield (rebuild_session(str(folder), number) for number in numbers)
        return
    import multiprocessing

    # Spawned, not forked: libraries with threads of their own do not survive a fork.
    pool = ProcessPoolExecutor(count, mp_context=multiprocessing.get_context("spawn"))
    try:
        futures = [pool.submit(rebuild_session, str(folder), number) for number in numbers]
        yield (future.result() for future in as_completed(futures))
    except BrokenProcessPool as error:
        raise EarwitnessError(
            "a process of the rebuild was ended from outside, perhaps for lack of memory; what was done is kept",
            where=str(folder),
            remedy="run the same command again, with fewer --workers",
        ) from error
    finally:
        pool.shutdown(cancel_futures=True)


@contextmanager
def _cluster_results(folder: Path, numbers: list[int], address: str) -> Iterator[Iterator[Rebuilt]]:
    try:
        distributed = importlib.import_module("distributed")
    except ImportError:
        raise MissingExtraError(
            "work on a cluster needs Dask, which is not installed",
            expected="the package distributed",
            remedy="pip install 'earwitness[cluster]', here and on every worker; or leave --cluster out",
        ) from None
    try:
        client = distributed.Client(address, timeout=_ANSWER_S)
    except (OSError, ValueError) as error:
        raise InputError(
            f"no scheduler answers: {error}",
            where=address,
            expected="an address such as tcp://192.0.2.1:8786",
            remedy="start the scheduler and its workers, or leave --cluster out",
        ) from error
    with client:
        futures = [client.submit(rebuild_session, str(folder), number, pure=False) for number in numbers]
        yield (future.result() for future in distributed.as_completed(futures))
