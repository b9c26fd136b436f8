"""The workers of a dask.distributed scheduler as a crew: through a process of its own that can always be ended.

That process (`cluster_link`) speaks with the scheduler. Here its messages are read, its silence is noticed, and the
limits on waiting are held; nothing that a stranger sent is unpickled.
"""

import contextlib
import os
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from importlib.util import find_spec
from queue import Empty, Queue
from time import monotonic
from typing import BinaryIO, cast

from roommodes.errors import RoommodesError
from roommodes.studies.records import StudyJob
from solvers.study.cluster_link import Message, receive, send
from solvers.study.replies import Reply, taken
from solvers.study.workers import AHEAD, Done

LOAD_S = 120.0  # that the process may take to load what it needs
LEAVE_S = 2.0
NOTE_AFTER_S = 2.0  # without workers
DEATHS = 4  # of workers, after which a scheduler gives a job up (dask's allowed-failures is 3)


class SchedulerUnusable(RoommodesError):
    """The scheduler cannot be reached, was lost, or has no workers."""

    exit_code = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Patience:
    """How long a cluster is waited for.

    Parameters
    ----------
    answer_s : until a scheduler answers at first [s].
    silence_s : until one that answered before is given up [s].
    workers_s : without a worker that can be used [s].
    """

    answer_s: float = 20.0
    silence_s: float = 60.0
    workers_s: float = 300.0


class ClusterCrew:
    """The workers of a scheduler that have the right software.

    Parameters
    ----------
    work : where the function is that they run: ``module:name``.
    address : of the scheduler.
    software : that they must have.
    patience : how long to wait.
    say : told what a person should know, in sentences.
    """

    def __init__(
        self,
        work: str,
        address: str,
        software: str,
        *,
        patience: Patience = Patience(),
        say: Callable[[str], None] = lambda text: None,
    ) -> None:
        if find_spec("distributed") is None:
            raise SchedulerUnusable("--scheduler needs the extra cluster: pip install 'roommodes[cluster]'")
        self._start: Message = {
            "op": "start",
            "work": work,
            "address": address,
            "software": software,
            "answer_s": patience.answer_s,
        }
        self._address, self._patience, self._say = address, patience, say
        self._given: dict[str, StudyJob] = {}
        self._threads = 0
        self._stage, self._since = "loading", monotonic()  # of the connection, and since when
        self._heard = self._had_workers = monotonic()
        self._noted = False
        self._refused: set[str] = set()
        environment = {**os.environ, "PYTHONPATH": os.pathsep.join(path or os.getcwd() for path in sys.path)}
        self._process = subprocess.Popen(
            [sys.executable, "-m", "solvers.study.cluster_link"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=environment,
            start_new_session=True,  # signals of the terminal are for the study alone
        )
        self._messages: Queue[tuple[Message, bytes] | None] = Queue()
        threading.Thread(target=self._listen, daemon=True, name="messages of the scheduler").start()

    @property
    def capacity(self) -> int:
        """Two per thread of the workers that are there now."""
        return AHEAD * self._threads

    def give(self, job: StudyJob) -> None:
        """Hand over a job."""
        self._given[job.key] = job
        self._send({"op": "give", "key": job.key}, job.text.encode())

    def poll(self, seconds: float) -> list[Done]:
        """What has been done. SchedulerUnusable when a limit is reached, or the scheduler is lost."""
        done: list[Done] = []
        until = monotonic() + seconds
        while not done and (left := until - monotonic()) > 0.0:
            with contextlib.suppress(Empty):
                done += self._take(self._messages.get(timeout=left))
            self._hold_limits()
        return done

    def leave(self, *, at_once: bool) -> None:
        """Take back what is in hand, and part."""
        with contextlib.suppress(SchedulerUnusable):
            self._send({"op": "leave"})
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(LEAVE_S)
        self._process.kill()
        self._process.wait()
        for stream in (self._process.stdin, self._process.stdout):
            with contextlib.suppress(OSError):
                stream.close()  # type: ignore[union-attr]

    @property
    def _output(self) -> BinaryIO:
        assert self._process.stdout is not None, "opened as a pipe"
        return cast(BinaryIO, self._process.stdout)

    def _send(self, message: Message, data: bytes = b"") -> None:
        assert self._process.stdin is not None, "opened as a pipe"
        try:
            send(cast(BinaryIO, self._process.stdin), message, data)
        except OSError:
            raise self._lost("the connection to it ended") from None

    def _listen(self) -> None:
        """Read messages as they come, in a thread, until the other process ends."""
        found: tuple[Message, bytes] | None = (Message(), b"")
        while found is not None:
            try:
                found = receive(self._output)
            except (OSError, ValueError):
                found = None
            self._messages.put(found)

    def _take(self, found: tuple[Message, bytes] | None) -> list[Done]:
        if found is None:
            raise self._lost("the connection to it ended")
        message, data = found
        self._heard = monotonic()
        act = {
            "ready": self._ready,
            "connected": self._connected,
            "alive": self._alive,
            "refused": self._refuse,
            "done": self._done,
            "failed": self._failed,
            "lost": self._on_lost,
        }[message["op"]]
        return act(message, data)

    def _ready(self, message: Message, data: bytes) -> list[Done]:
        self._stage, self._since = "connecting", monotonic()
        self._send(self._start)
        return []

    def _connected(self, message: Message, data: bytes) -> list[Done]:
        self._stage, self._since = "connected", monotonic()
        self._had_workers = monotonic()
        return []

    def _alive(self, message: Message, data: bytes) -> list[Done]:
        self._threads = int(message["threads"])
        if self._threads:
            self._had_workers = monotonic()
            if self._noted:
                self._say(f"{self._address}: workers are there")
            self._noted = False
        return []

    def _refuse(self, message: Message, data: bytes) -> list[Done]:
        software = str(message["software"])
        if software not in self._refused:
            self._refused.add(software)
            self._say(
                f"{message['worker']}: this worker is not used, nor are others like it: it has other software. Here: "
                f"{self._start['software']}. There: {software}. Install the same on all"
            )
        return []

    def _done(self, message: Message, data: bytes) -> list[Done]:
        reply = taken(data)
        if reply.software:
            self._refuse({"worker": self._address, "software": reply.software}, b"")
        return [Done(job=self._given.pop(message["key"]), reply=reply)]

    def _failed(self, message: Message, data: bytes) -> list[Done]:
        job = self._given.pop(message["key"])
        if message["dead"]:  # the scheduler tried it on several, and others that were in hand there died with it
            return [Done(job=job, deaths=DEATHS, sure=not self._given)]
        return [Done(job=job, reply=Reply(reason=str(message["reason"])))]

    def _on_lost(self, message: Message, data: bytes) -> list[Done]:
        if self._stage == "connecting":
            raise self._no_answer(str(message["reason"]))
        raise self._lost(str(message["reason"]))

    def _hold_limits(self) -> None:
        now, patience = monotonic(), self._patience
        if self._stage == "loading":
            if now - self._since > LOAD_S:
                raise self._lost("the process that speaks with it does not start")
        elif self._stage == "connecting":
            if now - self._since > patience.answer_s:
                raise self._no_answer(f"nothing that a scheduler would say came within {patience.answer_s:g} s")
        elif now - self._heard > patience.silence_s:
            raise self._lost(f"the scheduler was silent for {patience.silence_s:g} s")
        elif now - self._had_workers > patience.workers_s:
            raise SchedulerUnusable(
                f"{self._address}: no worker that can be used was there for {patience.workers_s:g} s; start one with "
                f"`dask worker {self._address}`; what was finished is kept: run again"
            )
        elif now - self._had_workers > NOTE_AFTER_S and not self._noted:
            self._noted = True
            self._say(
                f"{self._address}: no worker is there that can be used; waiting up to {patience.workers_s:g} s; "
                f"start one with `dask worker {self._address}`"
            )

    def _no_answer(self, reason: str) -> SchedulerUnusable:
        return SchedulerUnusable(
            f"{self._address}: no scheduler answers ({reason}); start one with `dask scheduler`, and give the address "
            "that it prints, such as tcp://127.0.0.1:8786"
        )

    def _lost(self, reason: str) -> SchedulerUnusable:
        return SchedulerUnusable(f"{self._address}: {reason}; what was finished is kept: run again")
