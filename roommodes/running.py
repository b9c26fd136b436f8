"""Progress, cancelling and threads of long work: one object, handed down as one argument.

Whoever starts the work makes a `Running`; every stage reports to it, asks it whether to stop, and takes as many
threads as it allows. Nothing that is computed depends on it, but for how far work came before it was stopped.
"""

import os
import re
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, Future
from dataclasses import dataclass, replace
from math import inf
from time import monotonic
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

from roommodes.errors import Interrupted

if TYPE_CHECKING:
    from numpy.typing import NDArray

Job = TypeVar("Job")
Result = TypeVar("Result")


UNIT_S = {"s": 1.0, "min": 60.0, "h": 3600.0}
LONGEST_S = 7 * 24 * 3600.0


def seconds_of(text: str | float) -> float:
    """``5min``, ``90s``, ``1h`` or a number of seconds, as seconds.

    Raises
    ------
    ValueError : with what is allowed.
    """
    found = re.fullmatch(r"\s*([0-9]+(?:\.[0-9]*)?)\s*(s|min|h)?\s*", str(text))
    seconds = float(found[1]) * UNIT_S[found[2] or "s"] if found else 0.0
    if not 0.0 < seconds <= LONGEST_S:
        raise ValueError(f"got {str(text)[:40]!r}; allowed: a time above zero, up to a week, such as 90s, 5min or 1h")
    return seconds


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """How far a stage of the work is.

    Parameters
    ----------
    stage : what is being done, in words.
    fraction : 0 to 1 of that stage.
    note : the best so far, in words.
    best_db : variation of the best plan so far [dB]; infinite before the first, and where no plan is sought.
    """

    stage: str
    fraction: float
    note: str = ""
    best_db: float = inf


class Keeper(Protocol):
    """What keeps arrays between runs, see `roommodes.storage.kept.Kept`."""

    def arrays(
        self,
        kind: str,
        asked: Sequence[object],
        make: "Callable[[], Mapping[str, NDArray[Any]]]",
        /,
        *,
        always: bool = False,
    ) -> "Mapping[str, NDArray[Any]]":
        """The arrays kept for what is asked, or those that `make` works out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Running:
    """How work is watched, stopped and spread over threads. `Running()` watches nothing and stops nowhere.

    Parameters
    ----------
    report : called with every step of the progress, from any thread.
    cancelled : asked now and then; once true, the work keeps what is finished or raises `Interrupted`.
    threads : how many at most; None for as many as this process may run on. No figure depends on it.
    begin, end : the part of a stage that the steps of this work fill, see `part`.
    stage, note, words : what steps are called, their note where they have none, and what `check` says, in place of the
        work's own; see `under`.
    kept : where fields, modes and filters of rooms that have not changed are kept between runs; None works all out.
    """

    report: Callable[[Step], None] | None = None
    cancelled: Callable[[], bool] | None = None
    threads: int | None = None
    begin: float = 0.0
    end: float = 1.0
    stage: str | None = None
    note: str = ""
    words: str | None = None
    kept: Keeper | None = None

    def step(self, stage: str, fraction: float, note: str = "", *, best_db: float = inf) -> None:
        """Report how far a stage is."""
        if self.report:
            within = self.begin + (self.end - self.begin) * min(1.0, max(0.0, fraction))
            self.report(Step(stage=self.stage or stage, fraction=within, note=note or self.note, best_db=best_db))

    def stop_asked(self) -> bool:
        """Whether the work shall stop."""
        return self.cancelled is not None and self.cancelled()

    def check(self, words: str) -> None:
        """Raise Interrupted with these words when the work shall stop."""
        if self.stop_asked():
            raise Interrupted(self.words or words)

    def arrays(
        self,
        kind: str,
        asked: Sequence[object],
        make: "Callable[[], Mapping[str, NDArray[Any]]]",
        *,
        always: bool = False,
    ) -> "Mapping[str, NDArray[Any]]":
        """What `make` works out, or the same from an earlier run, where that is kept, see `Keeper`."""
        return make() if self.kept is None else self.kept.arrays(kind, asked, make, always=always)

    def part(self, begin: float, end: float) -> "Running":
        """The same for work that is a part of a stage: its 0 to 1 are shown as `begin` to `end`."""
        span = self.end - self.begin
        return replace(self, begin=self.begin + span * begin, end=self.begin + span * end)

    def under(self, stage: str | None = None, *, note: str = "", words: str | None = None) -> "Running":
        """The same for work that serves another: its steps stand under that one's name. What was said first holds.

        Parameters
        ----------
        stage : what the steps are called; None for the work's own.
        note : theirs where they have none.
        words : what `check` says; None for the work's own.
        """
        return replace(self, stage=self.stage or stage, note=self.note or note, words=self.words or words)

    def seldom(self, every_s: float) -> "Running":
        """The same with a step every so often at most [s]: for loops that are quicker than anybody can read."""
        if self.report is None:
            return self
        report, last = self.report, -inf

        def now_and_then(step: Step) -> None:
            nonlocal last
            now = monotonic()
            if now - last >= every_s:
                last = now
                report(step)

        return replace(self, report=now_and_then)

    def silent(self) -> "Running":
        """The same without progress, for work inside a step."""
        return replace(self, report=None)

    def on(self, threads: int) -> "Running":
        """The same with so many threads."""
        return replace(self, threads=threads)

    def unstoppable(self) -> "Running":
        """The same for work that must come to its end."""
        return replace(self, cancelled=None)

    @property
    def thread_count(self) -> int:
        """Threads to use: as asked, else as many as this process may run on."""
        if self.threads is not None:
            return max(1, self.threads)
        if hasattr(os, "sched_getaffinity"):
            return max(1, len(os.sched_getaffinity(0)))
        return os.cpu_count() or 1

    def each(self, pool: Executor, work: Callable[[Job], Result], jobs: Iterable[Job]) -> Iterator[Result]:
        """Yield work(job) for each job in order, so that the number of threads changes nothing.

        Once the work shall stop, what has begun is finished and nothing more begun.

        Parameters
        ----------
        pool : of `thread_count` threads; the work must release the interpreter's lock to gain by them.
        work, jobs : what to do, on what.
        """
        waiting: deque[Future[Result]] = deque()
        upcoming = iter(jobs)
        open_end = True
        while True:
            while open_end and len(waiting) < 2 * self.thread_count:
                if self.stop_asked():
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
