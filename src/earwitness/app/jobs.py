"""Progress of long work, told as a share of the whole and in words; and jobs that run while the tester goes on."""

import json
import os
import threading
import time
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeVar

from earwitness.errors import EarwitnessError, InputError, SessionError
from earwitness.files.system import platform

if TYPE_CHECKING:
    from concurrent.futures import ProcessPoolExecutor

Progress = Callable[[float, str], None]
State = Literal["waiting", "running", "done", "failed", "canceled", "interrupted"]
_ENDED: tuple[State, ...] = ("done", "failed", "canceled", "interrupted")
_KEPT_JOBS = 200


def silent(_share: float, _words: str) -> None:
    """Progress that nobody watches."""


def part(progress: Progress, begin: float, end: float) -> Progress:
    """Progress of one part of a job that spans `begin` to `end` of the whole."""

    def tell(share: float, words: str) -> None:
        progress(begin + (end - begin) * min(max(share, 0.0), 1.0), words)

    return tell


class Canceled(BaseException):
    """The tester stopped the work; what was kept before stays kept. No error: it passes whoever tells of those."""


@dataclass(frozen=True, slots=True)
class JobState:
    """What a job is at. share : done part of the whole, 0 to 1; words : what it does, or how it ended;
    result : plain values for whoever started it; error : what, where, expected, remedy, and
    each of a session's faults."""

    id: str
    name: str
    state: State
    share: float
    words: str
    begun_at: str
    result: dict[str, Any] | None = None
    error: dict[str, Any] | None = None

    @property
    def has_ended(self) -> bool:
        return self.state in _ENDED


class Jobs:
    """Jobs of one process, one at a time in order; their logs are lines of JSON in a folder and outlive the process.

    A job found in the folder without an end was cut off by a crash: it is told as interrupted, with what to do.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._jobs: dict[str, JobState] = {}
        self._stopping: set[str] = set()
        self._change = threading.Condition()
        self._version = 0
        from concurrent.futures import ThreadPoolExecutor

        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="job")
        folder.mkdir(parents=True, exist_ok=True)
        logs = sorted(folder.glob("*.jsonl"))
        for old in logs[:-_KEPT_JOBS]:
            old.unlink(missing_ok=True)
        for path in logs[-_KEPT_JOBS:]:
            self._recall(path)

    def start(self, name: str, work: Callable[[Progress], dict[str, Any]]) -> JobState:
        """Queue `work`, which is given a progress to tell and returns plain values. Telling raises `Canceled` once the
        tester wants the job stopped."""
        begun = datetime.now(UTC)
        with self._change:
            key = begun.strftime("%Y%m%dT%H%M%S%f")
            while key in self._jobs:
                key += "-2"
            at = begun.isoformat(timespec="seconds")
            now = JobState(key, name, state="waiting", share=0.0, words="waits for its turn", begun_at=at)
            self._jobs[key] = now
        self._set(now)
        self._pool.submit(self._run, key, work)
        return now

    def all(self) -> tuple[JobState, ...]:
        """Every job known, the latest first."""
        with self._change:
            return tuple(job for _, job in sorted(self._jobs.items(), reverse=True))

    def get(self, key: str) -> JobState:
        """One job. Raises InputError for an unknown one."""
        with self._change:
            if key not in self._jobs:
                raise InputError(f"there is no job {key[:60]!r}", remedy="look at the list of jobs")
            return self._jobs[key]

    def log(self, key: str) -> tuple[dict[str, Any], ...]:
        """What a job has told so far, oldest first."""
        self.get(key)
        return tuple(_lines(self.folder / f"{key}.jsonl"))

    def cancel(self, key: str) -> JobState:
        """Ask a job to stop at its next step; one that has ended stays as it is."""
        self.get(key)
        with self._change:
            self._stopping.add(key)
            return self._jobs[key]

    def wait(self, version: int, timeout_s: float) -> int:
        """Wait until anything changed after `version`, or `timeout_s` passed; the version now."""
        with self._change:
            self._change.wait_for(lambda: self._version != version, timeout=timeout_s)
            return self._version

    def close(self) -> None:
        """Stop what runs at its next step and take no more."""
        with self._change:
            self._stopping.update(self._jobs)
        self._pool.shutdown(wait=True, cancel_futures=True)

    def _run(self, key: str, work: Callable[[Progress], dict[str, Any]]) -> None:
        told = 0.0

        def tell(share: float, words: str) -> None:
            nonlocal told
            if key in self._stopping:
                raise Canceled("stopped")
            # Steps may be told by the hundred in a second; who watches needs ten.
            if words != self._jobs[key].words or time.monotonic() - told > 0.1:
                told = time.monotonic()
                self._set(replace(self._jobs[key], state="running", share=min(max(share, 0.0), 1.0), words=words))

        try:
            tell(0.0, "begins")
            result = work(tell)
        except Canceled as stopped:
            self._set(replace(self._jobs[key], state="canceled", words=str(stopped)))
        except EarwitnessError as error:
            self._set(replace(self._jobs[key], state="failed", words=error.what, error=error_record(error)))
        except Exception as error:
            fault = EarwitnessError.of("app.job_fault", kind=type(error).__name__, error=error)
            self._set(replace(self._jobs[key], state="failed", words=fault.what, error=error_record(fault)))
        else:
            self._set(replace(self._jobs[key], state="done", share=1.0, result=result))

    def _set(self, now: JobState) -> None:
        line = {"at": datetime.now(UTC).isoformat(timespec="milliseconds"), **asdict(now), "share": round(now.share, 4)}
        del line["id"]
        # Who waits for the job must hear of its end on a full disk too, where its log cannot be written.
        with suppress(OSError), (self.folder / f"{now.id}.jsonl").open("a", encoding="utf-8") as stream:
            stream.write(json.dumps(line, ensure_ascii=False) + "\n")
            if now.has_ended:
                stream.flush()
                os.fsync(stream.fileno())
        with self._change:
            self._jobs[now.id] = now
            self._version += 1
            self._change.notify_all()

    def _recall(self, path: Path) -> None:
        lines = list(_lines(path))
        if not lines:
            return
        names = ("name", "state", "share", "words", "begun_at", "result", "error")
        last = JobState(path.stem, **{name: lines[-1][name] for name in names})
        if not last.has_ended:
            stopped = "the program was stopped before this was done; start it again"
            last = replace(last, state="interrupted", words=stopped)
        self._jobs[path.stem] = last


def error_record(error: EarwitnessError) -> dict[str, Any]:
    """The four parts of an error as plain values; of a session's faults each one too."""
    record: dict[str, Any] = {key: getattr(error, key) for key in ("what", "where", "expected", "remedy")}
    return record | ({"faults": [str(one) for one in error.faults]} if isinstance(error, SessionError) else {})


def _lines(path: Path) -> Iterator[dict[str, Any]]:
    try:
        text = path.read_text(encoding="utf-8")
    except OSError:
        return
    for line in text.splitlines():
        try:
            record = json.loads(line)
        except ValueError:
            # The last line of a process that was killed while it wrote.
            continue
        if isinstance(record, dict) and {"name", "state", "share", "words", "begun_at"} <= record.keys():
            yield {"result": None, "error": None, **record}


Job = TypeVar("Job")
Done = TypeVar("Done")
ENDED = "its process was ended from outside, perhaps for lack of memory: run it again with fewer --workers"


def each_done(
    work: Callable[[Job], Done],
    jobs: Sequence[Job],
    *,
    workers: int,
    lost: Callable[[Job], Done],
    begin: Callable[..., None] | None = None,
    given: tuple[Any, ...] = (),
) -> Generator[Done, None, None]:
    """What `work` makes of every job, as they are done; of fewer than two workers in this process.

    work : tells in what it returns what went wrong; lost : what stands for a job whose process was ended from outside,
    alone too; begin : called with `given` once in every process before the first job
    """
    from concurrent.futures import as_completed
    from concurrent.futures.process import BrokenProcessPool

    workers = min(workers, len(jobs))
    if workers < 2:
        if begin is not None:
            begin(*given)
        yield from map(work, jobs)
        return
    broken: list[Job] = []
    with _pool(workers, begin, given) as pool:
        futures = {pool.submit(work, job): job for job in jobs}
        try:
            for future in as_completed(futures):
                try:
                    yield future.result()
                except BrokenProcessPool:
                    broken.append(futures[future])
        finally:
            pool.shutdown(cancel_futures=True)
    # One that ended its process took with it all that were waiting: each has a process of its own now.
    for job in sorted(broken, key=jobs.index):
        with _pool(1, begin, given) as alone:
            try:
                yield alone.submit(work, job).result()
            except BrokenProcessPool:
                yield lost(job)


# What a worker of the reduction needs, brought in once for all workers.
_PRELOADED = ("earwitness.app.add", "netCDF4", "scipy.interpolate", "scipy.ndimage", "scipy.optimize")


def ready_workers() -> None:
    """Begin to bring in what workers need, in a process beside this one, from which each is then forked at once.

    Elsewhere than on Linux nothing is begun, and each worker is spawned: threads of the system's own libraries do not
    survive a fork.
    """
    if platform == "linux":
        from multiprocessing import forkserver

        forkserver.set_forkserver_preload(list(_PRELOADED))
        forkserver.ensure_running()


def _pool(count: int, begin: Callable[..., None] | None, given: tuple[Any, ...]) -> "ProcessPoolExecutor":
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    # Not forked from here: libraries with threads of their own do not survive that.
    ready_workers()
    context = get_context("forkserver" if platform == "linux" else "spawn")
    return ProcessPoolExecutor(count, mp_context=context, initializer=begin, initargs=given)
