"""Who does the jobs of a study: processes on this machine, or the workers of a dask.distributed cluster.

Both take the text of a job and give back the bytes of its file; nothing else passes between them and the one that
writes. A worker may die at any moment: the crew says so, and goes on.
"""

import contextlib
import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from multiprocessing.connection import wait as wait_for
from types import ModuleType
from typing import Any, Protocol

from roommodes.errors import RoommodesError
from roommodes.studies.records import StudyJob

Work = Callable[[str, str], bytes]

AHEAD = 2  # jobs given to each worker at most, so that none waits for the writer
ANSWER_S = 20.0  # how long a scheduler may take to answer


class SchedulerUnusable(RoommodesError):
    """The scheduler cannot be reached, or was lost."""

    exit_code = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What became of a job.

    Parameters
    ----------
    job : the job.
    data : its file's bytes; None when it failed.
    reason : why it failed, in words.
    death : the worker died on it, or on another job at the same time.
    sure : no other job can have been the cause.
    final : not to be tried again.
    """

    job: StudyJob
    data: bytes | None = None
    reason: str = ""
    death: bool = False
    sure: bool = False
    final: bool = False


class Crew(Protocol):
    """Workers that take jobs."""

    @property
    def capacity(self) -> int:
        """How many jobs it should be given at a time."""

    def give(self, job: StudyJob) -> None:
        """Hand over a job."""

    def poll(self, seconds: float) -> list[Done]:
        """What has been done, after so many seconds at most."""

    def leave(self, *, at_once: bool) -> None:
        """Send the workers home; at once, whatever they are at."""


def reason_of(error: BaseException) -> str:
    """A failure in one line."""
    text = " ".join(str(error).split())
    return text if isinstance(error, RoommodesError) else f"{type(error).__name__}: {text}"


class LocalCrew:
    """Processes on this machine, started afresh (spawned), each doing one job at a time."""

    def __init__(self, work: Work, workers: int) -> None:
        self._work, self._workers = work, workers
        self._given: dict[Future[bytes], StudyJob] = {}
        self._pool = self._new_pool()

    @property
    def capacity(self) -> int:
        """Two per worker, so that a worker never waits."""
        return AHEAD * self._workers

    def give(self, job: StudyJob) -> None:
        """Hand over a job; a pool that broke meanwhile is replaced."""
        try:
            future = self._submit(job)
        except BrokenProcessPool:
            if self._given:  # whose end is still to be told: `poll` does
                future = Future()
                future.set_exception(BrokenProcessPool("a worker died"))
            else:
                self._renew()
                future = self._submit(job)
        self._given[future] = job

    def poll(self, seconds: float) -> list[Done]:
        """What has been done; after a death every job in hand is given back."""
        done, _ = wait(self._given, timeout=seconds, return_when=FIRST_COMPLETED)
        if any(isinstance(future.exception(), BrokenProcessPool) for future in done):
            wait(self._given)  # the pool gives all of them up
            finished = [self._done(future, job) for future, job in self._given.items()]
            self._given.clear()
            self._renew()
            return finished
        return [self._done(future, self._given.pop(future)) for future in done]

    def leave(self, *, at_once: bool) -> None:
        """Send the workers home."""
        if at_once:
            self._kill()
        self._pool.shutdown(wait=True, cancel_futures=True)

    def _done(self, future: Future[bytes], job: StudyJob) -> Done:
        error = future.exception()
        if error is None:
            return Done(job=job, data=future.result())
        if isinstance(error, BrokenProcessPool):
            return Done(job=job, reason="the worker died", death=True, sure=len(self._given) == 1)
        return Done(job=job, reason=reason_of(error))

    def _submit(self, job: StudyJob) -> Future[bytes]:
        with _no_main_module():  # the first job starts the processes
            return self._pool.submit(self._work, job.text, job.key)

    def _new_pool(self) -> ProcessPoolExecutor:
        context = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(self._workers, mp_context=context, initializer=begin_worker)

    def _renew(self) -> None:
        self._pool.shutdown(wait=True, cancel_futures=True)
        self._pool = self._new_pool()

    def _kill(self) -> None:
        processes: Any = getattr(self._pool, "_processes", None) or {}  # no public way to end them before 3.14
        for process in list(processes.values()):
            process.kill()


@contextlib.contextmanager
def _no_main_module() -> Iterator[None]:
    """Hide the program that runs us while processes are started.

    A spawned process would import it again first, and a script that does not guard its calls would run once more.
    """
    before = sys.modules["__main__"]
    sys.modules["__main__"] = ModuleType("__main__")
    try:
        yield
    finally:
        sys.modules["__main__"] = before


def begin_worker() -> None:
    """What a new worker process does first: leave Ctrl-C to the parent, and end when the parent does."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    parent = multiprocessing.parent_process()
    if parent is not None:
        sentinel = parent.sentinel

        def watch() -> None:
            wait_for([sentinel])
            os._exit(1)

        threading.Thread(target=watch, daemon=True, name="parent watch").start()


class ClusterCrew:
    """The workers of a dask.distributed scheduler."""

    def __init__(self, work: Work, address: str) -> None:
        try:
            import distributed  # noqa: PLC0415 (an extra)
        except ImportError:
            raise SchedulerUnusable("--scheduler needs the extra cluster: pip install 'roommodes[cluster]'") from None
        self._distributed: Any = distributed
        self._work = work
        self._given: dict[Any, StudyJob] = {}
        self._address = address
        try:
            self._client: Any = self._distributed.Client(address, timeout=ANSWER_S, set_as_default=False)
        except (OSError, ValueError, TypeError, TimeoutError) as error:
            raise SchedulerUnusable(
                f"{address}: no scheduler answers ({reason_of(error)}); start one with `dask scheduler`, "
                "and give the address that it prints, such as tcp://127.0.0.1:8786"
            ) from None

    @property
    def capacity(self) -> int:
        """Two per thread of all workers that are there now."""
        return max(AHEAD, AHEAD * int(sum(self._client.nthreads().values())))

    def give(self, job: StudyJob) -> None:
        """Hand over a job."""
        future = self._client.submit(self._work, job.text, job.key, key=f"roommodes-{job.key}", pure=False)
        self._given[future] = job

    def poll(self, seconds: float) -> list[Done]:
        """What has been done."""
        with contextlib.suppress(TimeoutError), self._client.as_current():
            self._distributed.wait(list(self._given), timeout=seconds, return_when="FIRST_COMPLETED")
        if self._client.status != "running":
            raise SchedulerUnusable(f"{self._address}: the scheduler was lost; what was finished is kept: run again")
        ended = [future for future in self._given if future.status != "pending"]
        return [self._done(future, self._given.pop(future)) for future in ended]

    def leave(self, *, at_once: bool) -> None:
        """Take back what is still in hand, and part."""
        with contextlib.suppress(Exception):
            self._client.cancel(list(self._given), force=at_once)
        with contextlib.suppress(Exception):
            self._client.close(timeout=5)

    def _done(self, future: Any, job: StudyJob) -> Done:
        if future.status == "finished":
            return Done(job=job, data=future.result())
        if future.status != "error":
            raise SchedulerUnusable(
                f"{self._address}: the scheduler dropped a job; what was finished is kept: run again"
            )
        error = future.exception()
        dead = isinstance(error, self._distributed.scheduler.KilledWorker)
        future.release()
        reason = "its workers died again and again" if dead else reason_of(error)
        return Done(job=job, reason=reason, death=dead, sure=dead, final=dead)
