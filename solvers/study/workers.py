"""Who does the jobs of a study: here, processes on this machine; in `cluster`, the workers of a scheduler.

Both take the text of a job and give back bytes (`replies`); nothing else passes between them and the one that writes. A
worker may die at any moment: the crew says so, and goes on.
"""

import contextlib
import multiprocessing
import os
import signal
import sys
import threading
from collections import deque
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from multiprocessing.connection import wait as wait_for
from types import ModuleType
from typing import Any, Protocol

from roommodes.studies.records import StudyJob
from solvers.study.replies import Reply, Work, replied, taken

AHEAD = 2  # jobs given to each worker at most, so that none waits for the writer


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What became of a job.

    Parameters
    ----------
    job : the job.
    reply : what a worker gave back; None where none did.
    deaths : workers that died on it, or with it in hand; without, and without a reply, it was not begun and is to be
        given again.
    sure : no other job can have been the cause.
    """

    job: StudyJob
    reply: Reply | None = None
    deaths: int = 0
    sure: bool = True


class Crew(Protocol):
    """Workers that take jobs."""

    @property
    def capacity(self) -> int:
        """How many jobs it should have in hand."""

    def give(self, job: StudyJob) -> None:
        """Hand over a job."""

    def poll(self, seconds: float) -> list[Done]:
        """What has been done, after so many seconds at most."""

    def leave(self, *, at_once: bool) -> None:
        """Send the workers home; at once, whatever they are at."""


@dataclass(slots=True)
class _Slot:
    """One process with the jobs that it was given, in order: it is at the first that is not done."""

    pool: ProcessPoolExecutor
    given: deque[tuple[Future[bytes], StudyJob]] = field(default_factory=deque)


class LocalCrew:
    """Processes on this machine, started afresh (spawned), each in a pool of its own: none dies with another."""

    def __init__(self, work: Work, workers: int) -> None:
        self._work = work
        self._slots = [_Slot(_new_pool()) for _ in range(workers)]

    @property
    def capacity(self) -> int:
        """Two per worker, so that a worker never waits."""
        return AHEAD * len(self._slots)

    def give(self, job: StudyJob) -> None:
        """Hand over a job to the worker with the fewest."""
        slot = min(self._slots, key=lambda one: len(one.given))
        try:
            future = self._submit(slot, job)
        except BrokenProcessPool as broken:
            if slot.given:  # the end of the one that it was at is still to be told: `poll` does
                future = Future()
                future.set_exception(broken)
            else:  # it died at rest
                _renew(slot)
                future = self._submit(slot, job)
        slot.given.append((future, job))

    def poll(self, seconds: float) -> list[Done]:
        """What has been done; of a worker that died, the job that it was at, and those that it had not begun."""
        wait([future for slot in self._slots for future, _ in slot.given], timeout=seconds, return_when=FIRST_COMPLETED)
        return [done for slot in self._slots for done in self._ended(slot)]

    def leave(self, *, at_once: bool) -> None:
        """Send the workers home."""
        for slot in self._slots:
            for future, _ in slot.given:
                future.cancel()
            if at_once:
                _kill(slot.pool)
        for slot in self._slots:  # one call for each: after shutdown(wait=False) no other waits, and Python's end races
            slot.pool.shutdown(wait=True)

    def _submit(self, slot: _Slot, job: StudyJob) -> Future[bytes]:
        with _no_main_module(), _hangups_later():  # the first job starts the process
            future = slot.pool.submit(replied, self._work, job.text, job.key)
        _leave_replies_to_the_worker(slot.pool)
        return future

    def _ended(self, slot: _Slot) -> Iterator[Done]:
        while slot.given and slot.given[0][0].done():
            future, job = slot.given.popleft()
            error = future.exception()
            if error is None:
                yield Done(job=job, reply=taken(future.result()))
                continue
            if not isinstance(error, BrokenProcessPool):
                raise error
            yield Done(job=job, deaths=1)
            yield from (Done(job=other) for _, other in slot.given)
            slot.given.clear()
            _renew(slot)


def _renew(slot: _Slot) -> None:
    slot.pool.shutdown(wait=True)
    slot.pool = _new_pool()


def _new_pool() -> ProcessPoolExecutor:
    spawn = multiprocessing.get_context("spawn")
    with _hangups_later():  # Python starts a process that keeps account of locks
        return ProcessPoolExecutor(1, mp_context=spawn, initializer=begin_worker)


def _leave_replies_to_the_worker(pool: ProcessPoolExecutor) -> None:
    """Close our own end of the pipe that the started process replies through.

    While we hold it open too, the pool waits for ever for the rest of a reply that a killed worker had begun.
    """
    replies: Any = getattr(pool, "_result_queue", None)  # nothing public tells it
    writer = getattr(replies, "_writer", None)
    if writer is not None:
        writer.close()


def _kill(pool: ProcessPoolExecutor) -> None:
    processes: Any = getattr(pool, "_processes", None) or {}  # no public way to end them before 3.14
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


@contextlib.contextmanager
def _hangups_later() -> Iterator[None]:
    """Keep back SIGHUP while processes are started, which inherit this.

    A terminal that goes away sends it to all at once; this process decides what becomes of the others.
    """
    if not hasattr(signal, "SIGHUP"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGHUP})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


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
