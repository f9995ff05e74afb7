"""Work on many things over several processes, where none of them stops the others."""

from collections.abc import Callable, Generator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from typing import Any, TypeVar

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


def _pool(count: int, begin: Callable[..., None] | None, given: tuple[Any, ...]) -> ProcessPoolExecutor:
    # Spawned, not forked: libraries with threads of their own do not survive a fork.
    context = get_context("spawn")
    if begin is None:
        return ProcessPoolExecutor(count, mp_context=context)
    return ProcessPoolExecutor(count, mp_context=context, initializer=begin, initargs=given)
