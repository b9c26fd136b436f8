"""The first stage of the certificate with three settings and more: weights free at every frequency.

No settings make a layout more even than free weights do (`solvers.search.kernels.weights_bound`). With three settings
and seven seats the most even layouts leave a third of the plans' variation to free weights, so this stage ends there,
but a layout takes milliseconds where boxes of settings take sixty and more. How far it can come in the time left is
seen from a few layouts, so that all get there before the time ends.
"""

from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field
from time import monotonic
from typing import TypeAlias

import numpy as np

from roommodes.arrays import Floats, Integers
from roommodes.running import Running
from solvers.search.kernels.weights_bound import layouts_weights_bound

RUNGS = (0.02, 0.035, 0.05, 0.075, 0.1, 0.125, 0.15, 0.175, 0.2, 0.225, 0.25, 0.275, 0.3)  # of the best variation
ROUNDS = np.array(
    [[2500.0, 0.1], [10_000.0, 0.05], [40_000.0, 0.02]]
)  # boxes; what a frequency lacks of the sum's lack
TRIED = 64  # layouts from which the time is told
MOSTLY = 0.9  # of them must get to a rung
SPENT, SPENT_FIRST = 0.85, 0.2  # of the time left, at most; on the first rung, so that the gap falls early
WATCHED = 0.06  # of it: how often the pace is looked at
PER_JOB, PER_TRIAL = 32, 2
HOPELESS = 12  # layouts of which none gets there


@dataclass(slots=True, kw_only=True, eq=False)
class Layouts:
    """The layouts of one pattern, and below what none of their settings gets, as a sum over the frequencies [Np2]."""

    layout: Integers
    least: Floats


Job: TypeAlias = tuple[Layouts, Integers, float]  # which of them, to what bound


@dataclass(slots=True, kw_only=True, eq=False)
class _Pace:
    """Whether all gets done in time: the rung that is aimed at, the time given [s], and since when it is aimed at."""

    rung: float
    left_s: float
    begun: float = field(default_factory=monotonic)
    since: float = field(default_factory=monotonic)
    done: float = 0.0

    def watch(self, done: float) -> None:
        """Take a lower rung where the part done since the last was taken shows that the time will not do."""
        now = monotonic()
        if now - self.since < WATCHED * self.left_s or done <= self.done:
            return
        ahead_s = (1.0 - done) * (now - self.since) / (done - self.done)
        lower = [one for one in RUNGS if one < self.rung]
        if lower and now - self.begun + ahead_s > self.left_s:
            self.rung = lower[-1]
        self.since, self.done = now, done


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WeightsStage:
    """Bounds by free weights for all layouts of one number of subs.

    Parameters
    ----------
    field : (3, column, freq, seat) as `solvers.proof.layouts.field_of`.
    seat_weight : (seat,) sum 1.
    parts : the layouts; their bounds are raised in place.
    pool, running : threads; cancelling, after which the bounds reached hold.
    """

    field: Floats
    seat_weight: Floats
    parts: Sequence[Layouts]
    pool: Executor
    running: Running

    def rung(self, known: float, above: float, left_s: float) -> float | None:
        """The highest rung that all layouts reach in the time left, as far as a few of them tell.

        Parameters
        ----------
        known : least sum known [Np2].
        above : the rung tried before.
        left_s : [s].

        Returns
        -------
        A part of the best variation; None where most layouts miss the lowest above `above`, or it takes too long and is
        not the first of all.
        """
        found, begun = None, monotonic()
        total = sum(len(part.least) for part in self.parts)
        chosen = np.sort(np.random.default_rng(0).permutation(total)[:TRIED])
        for rung in (one for one in RUNGS if one > above):
            target, started = rung * rung * known, monotonic()
            tried = reached = 0
            for job, least in self._each([(*job, target) for job in self._jobs(target, PER_TRIAL, chosen)]):
                tried, reached = tried + len(job[1]), reached + int(np.sum(least >= target))
                if reached == 0 and tried >= HOPELESS:
                    return found
            now = monotonic()
            part_open = tried / len(chosen)
            if self.running.stop_asked() or reached < MOSTLY * tried:
                break
            each_s = (now - started) / max(tried, 1)
            if each_s * part_open * total > (SPENT if above > 0.0 else SPENT_FIRST) * (left_s - (now - begun)):
                return found or (rung if above == 0.0 else None)
            found = rung
        return found

    def raised(self, rung: float, known: float, left_s: float) -> Iterator[tuple[float, float]]:
        """Raise the bound of every layout to a rung, where free weights get there.

        Parameters
        ----------
        rung, known, left_s : as for `rung`. Where the pace does not do for all, the layouts left are raised to a lower
            rung, since what counts is the least bound of all.

        Yields
        ------
        What part is done, and the rung that holds now.
        """
        pace = _Pace(rung=rung, left_s=left_s)
        chunks = list(self._jobs(rung * rung * known, PER_JOB))
        np.random.default_rng(0).shuffle(chunks)  # so that the pace says what is to come
        paced = (
            (part, chosen[part.least[chosen] < pace.rung**2 * known], pace.rung**2 * known) for part, chosen in chunks
        )
        for done, _ in enumerate(self._each(paced), start=1):
            pace.watch(done / len(chunks))
            yield done / len(chunks), pace.rung

    def _each(self, jobs: Iterable[Job]) -> Iterator[tuple[Job, Floats]]:
        def look(job: Job) -> tuple[Job, Floats]:
            part, chosen, target = job
            least = np.zeros(len(chosen))
            layout = np.ascontiguousarray(part.layout[chosen])
            layouts_weights_bound(self.field, self.seat_weight, layout, target, ROUNDS, least)
            part.least[chosen] = np.maximum(part.least[chosen], least)
            return job, least

        return self.running.each(self.pool, look, jobs)

    def _jobs(self, target: float, size: int, among: Integers | None = None) -> Iterator[tuple[Layouts, Integers]]:
        """Layouts whose bound lies below the target, some at a time; of all, or of those with the numbers `among`."""
        begin = 0
        for part in self.parts:
            open_ones = np.flatnonzero(part.least < target)
            if among is not None:
                open_ones = open_ones[np.isin(open_ones + begin, among)]
            begin += len(part.least)
            for first in range(0, len(open_ones), size):
                yield part, open_ones[first : first + size]
