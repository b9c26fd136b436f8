"""A process of its own between a study and a dask.distributed scheduler.

Run as `python -m solvers.study.cluster_link`; it is told what to do on its input and says what it sees on its output,
in messages of one line of JSON, followed by as many bytes as the line says. Whatever a scheduler or a worker sends is
read here, carefully (`careful_pickle`); when this process hangs or falls, the study only has to end it.

To it: `start` (address, work, software), `give` (key; the job's text), `leave`.
From it: `ready`, `connected`, `alive` (threads), `refused` (worker, software), `done` (key; the bytes), `failed` (key,
reason, dead), `lost` (reason).
"""

from solvers.study.careful_pickle import Stranger, install

if __name__ == "__main__":
    install()  # before anything that reads pickles is loaded

import json
import os
import signal
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from queue import Empty, Queue
from time import monotonic
from typing import Any, BinaryIO

from solvers.study.replies import Work, reason_of, replied

ASK_S = 1.0  # between two looks at who is there
WORKER_S = 30.0  # that a worker may take to say which software it has
Message = dict[str, Any]


def own_software() -> str:
    """What a worker says when it is asked for its software."""
    from solvers.study.software import software  # noqa: PLC0415 (runs on the worker)

    return software()


def send(stream: BinaryIO, message: Message, data: bytes = b"") -> None:
    """One message."""
    stream.write(json.dumps({**message, "bytes": len(data)}).encode() + b"\n" + data)
    stream.flush()


def receive(stream: BinaryIO) -> tuple[Message, bytes] | None:
    """The next message; None at the end."""
    line = stream.readline()
    if not line:
        return None
    message: Message = json.loads(line)
    return message, stream.read(message["bytes"])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Given:
    """A job in hand: its text, the workers that it was given to (none: to all), and its future."""

    text: str
    only: frozenset[str]
    future: Any


class Link:
    """The connection, as one loop over what comes from either side."""

    def __init__(self, stream: BinaryIO) -> None:
        import distributed  # noqa: PLC0415 (an extra; loaded after `install`)

        self._distributed: Any = distributed
        self._stream = stream
        self._events: Queue[Callable[[], None]] = Queue()
        self._given: dict[str, Given] = {}
        self._asked: dict[str, float] = {}  # workers that were asked for their software, and when
        self._good: dict[str, int] = {}  # workers with the right software, and their threads
        self._others: set[str] = set()  # workers with other software that are there now
        self._client: Any = None
        self._work: Work | None = None
        self._software = ""

    def start(self, message: Message) -> None:
        """Connect to the scheduler."""
        module, _, name = message["work"].partition(":")
        self._work, self._software = getattr(import_module(module), name), message["software"]
        timeout = message["answer_s"]
        self._client = self._distributed.Client(message["address"], timeout=timeout, set_as_default=False)
        send(self._stream, {"op": "connected"})

    def later(self, event: Callable[[], None]) -> None:
        """Have something done by the loop, from any thread."""
        self._events.put(event)

    def loop(self) -> None:
        """Until this process is ended."""
        next_look = monotonic()
        while True:
            try:
                self._events.get(timeout=max(0.0, next_look - monotonic()))()
            except Empty:
                self._look()
                next_look = monotonic() + ASK_S

    def give(self, key: str, text: str) -> None:
        """Hand a job to any worker, or to those with the right software where there are others too."""
        assert self._work is not None, "given after start"
        only = frozenset(self._good) if self._others else frozenset()
        future = self._client.submit(
            replied,
            self._work,
            text,
            key,
            key=f"roommodes-{key}-{os.urandom(4).hex()}",
            pure=False,
            workers=list(only) or None,
        )
        self._given[key] = Given(text=text, only=only, future=future)
        future.add_done_callback(lambda _: self.later(lambda: self._ended(key, future)))

    def leave(self) -> None:
        """Take back what is in hand."""
        if self._client is not None:
            self._client.cancel([given.future for given in self._given.values()], force=True)
        os._exit(0)

    def _look(self) -> None:
        """Who is there; workers not met before are asked for their software."""
        if self._client is None:
            return
        if self._client.status not in ("running", "connecting"):
            send(self._stream, {"op": "lost", "reason": "the scheduler was lost"})
            os._exit(0)
        threads = dict(self._client.nthreads())
        self._good = {worker: count for worker, count in threads.items() if worker in self._good}
        for worker, count in threads.items():
            if worker not in self._good and monotonic() - self._asked.get(worker, -WORKER_S) >= WORKER_S:
                self._asked[worker] = monotonic()
                threading.Thread(target=self._ask, args=(worker, count), daemon=True).start()
        self._others &= set(threads)
        for key, given in list(self._given.items()):
            if given.only and not given.only & set(threads):  # all gone: the scheduler would wait for them without end
                given.future.cancel(force=True)
                self.give(key, given.text)
        send(self._stream, {"op": "alive", "threads": sum(self._good.values()), "workers": len(threads)})

    def _ask(self, worker: str, threads: int) -> None:
        try:
            answers = self._client.run(own_software, workers=[worker], on_error="return")
            answer = answers.get(worker)
        except Exception as error:  # it went away, or cannot say
            answer = error
        self.later(lambda: self._answered(worker, threads, answer))

    def _answered(self, worker: str, threads: int, answer: object) -> None:
        if answer == self._software:
            self._good[worker] = threads
            return
        if isinstance(answer, BaseException):
            answer = f"none that answers ({reason_of(answer)})"
        self._asked[worker] = float("inf")  # not asked again
        self._others.add(worker)
        send(self._stream, {"op": "refused", "worker": worker, "software": str(answer)[:1000]})

    def _ended(self, key: str, future: Any) -> None:
        if key not in self._given or self._given[key].future is not future:
            return
        given = self._given.pop(key)
        if future.status == "lost":  # its worker ended after the job and before the result was fetched
            future.cancel(force=True)
            self.give(key, given.text)
            return
        if future.status not in ("finished", "error"):
            send(self._stream, {"op": "lost", "reason": "the scheduler dropped a job"})
            os._exit(0)
        threading.Thread(target=self._fetch, args=(key, future), daemon=True).start()  # it may take long to come

    def _fetch(self, key: str, future: Any) -> None:
        try:
            data = future.result()
        except Exception as error:
            data = error
        future.release()
        self.later(lambda: self._fetched(key, data))

    def _fetched(self, key: str, data: object) -> None:
        if isinstance(data, bytes):
            send(self._stream, {"op": "done", "key": key}, data)
            return
        reason, dead = "what came back is no result", False
        if isinstance(data, Stranger):
            reason, dead = f"{data.name}, an error of the worker's own", data.name.endswith(".KilledWorker")
        elif isinstance(data, Exception):
            reason = reason_of(data)
        send(self._stream, {"op": "failed", "key": key, "reason": reason, "dead": dead})


def main() -> None:
    """Serve the study that started this process, and end with it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # of a whole terminal: the study decides
    output = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # whatever libraries print is no message
    link = Link(output)

    def listen() -> None:
        while (found := receive(sys.stdin.buffer)) is not None:
            message, data = found
            acts: dict[str, Callable[[], None]] = {
                "start": lambda message=message: link.start(message),  # type: ignore[misc]
                "give": lambda message=message, data=data: link.give(message["key"], data.decode()),  # type: ignore[misc]
                "leave": link.leave,
            }
            link.later(acts[message["op"]])
        os._exit(0)

    send(output, {"op": "ready"})
    threading.Thread(target=listen, daemon=True).start()
    try:
        link.loop()
    except Exception as error:
        send(output, {"op": "lost", "reason": reason_of(error)})
    os._exit(0)


if __name__ == "__main__":
    main()
