"""Independent jobs on threads: results in the order of the jobs, so that the number of threads changes nothing."""

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

Job = TypeVar("Job")
Result = TypeVar("Result")


def thread_count(asked: int | None) -> int:
    """Threads to use: as asked, else as many as this process may run on."""
    if asked is not None:
        return max(1, asked)
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return os.cpu_count() or 1


def run_jobs(
    pool: ThreadPoolExecutor,
    work: Callable[[Job], Result],
    jobs: Iterable[Job],
    *,
    ahead: int,
    cancelled: Callable[[], bool],
) -> Iterator[Result]:
    """Yield work(job) for each job in order; once `cancelled()`, what has begun is finished and nothing more begun.

    Parameters
    ----------
    pool : threads; the work must release the interpreter's lock to gain by them.
    work, jobs : what to do, on what.
    ahead : jobs in flight at most.
    cancelled : polled between jobs.
    """
    waiting: deque[Future[Result]] = deque()
    upcoming = iter(jobs)
    open_end = True
    while True:
        while open_end and len(waiting) < ahead:
            if cancelled():
                open_end = False
                break
            try:
                job = next(upcoming)
            except StopIteration:
                open_end = False
                break
            waiting.append(pool.submit(work, job))
        if not waiting:
            return
        yield waiting.popleft().result()
