"""A certificate: how much more even than the plans could any layout be, with any settings in the ranges?

Branch and bound over the settings of every layout (`solvers.search.kernels.layouts_bound`): boxes of gains, delays and
polarities are halved until each is proven to hold nothing below a target. The target rises towards the best plan
known (`LADDER`); what every layout has been proven not to get below is the bound, so it holds whenever the work is
stopped. Sharp with two settings; each further setting takes twenty times the boxes and more. With three and above,
weights free at every frequency are bounded before (`solvers.proof.layouts_weights`), which takes a few milliseconds a
layout with three but does not come far; with four the bound may stay at nothing, unless layouts are few.

Layouts are those of the search: fixed subs, zones, distances, mirrored pairs, shared settings, kinds and budget as
there. Gains and delays are bounded over their whole ranges; a processor's steps lie within.
"""

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import product
from math import inf, sqrt
from time import monotonic

import numpy as np

from roommodes.arrays import Floats, Integers
from roommodes.running import Running
from solvers.proof.layouts_weights import Layouts, WeightsStage
from solvers.search.columns import Columns, layout_blocks, layouts_possible, patterns
from solvers.search.kernels.layouts_bound import layouts_bound
from solvers.search.problem import FoundPlan, Outcome, Problem
from solvers.search.state import State, plan_of
from solvers.search.workbench import Tools, tools_of

STAGE = "proof"
LADDER = (0.15, 0.5, 0.85, 0.99)  # of the best variation: targets
LONG_LADDER = (0.15, 0.3, 0.5, 0.7, 0.85, 0.99)  # where a rung takes long: three settings and more
AT_ONCE = (1.0,)  # where nothing is to be adjusted
PART = 0.01  # of the variation: closer nothing is proven
MOST_LAYOUTS = 2_000_000  # of one count
MOST_BOXES = (4_000, 60_000, 600_000)  # open at one time for one layout, tried one after the other
LAYOUTS_PER_JOB = 4
BLOCK = 100_000
MORE_EVEN_DB = 0.005  # by which a plan is more even than another in what is printed
DB_PER_NEPER = 20.0 / np.log(10.0)
FEWER = "Fewer candidates, zones, fixed subs or mirrored pairs leave fewer layouts."
MET = "The proof met this plan, which is more even than those of the search."


def with_proofs(
    problem: Problem, outcomes: Sequence[Outcome], *, seconds: float, running: Running = Running()
) -> tuple[Outcome, ...]:
    """The outcomes with what no layout gets below, and with better plans where the proof meets them.

    Parameters
    ----------
    problem, outcomes : what was asked of the search and what it found.
    seconds : for all numbers of subs together; the smaller ones leave what they do not need [s].
    running : progress, cancelling, threads; once cancelled, the bounds reached so far hold.
    """
    until, done = monotonic() + seconds, []
    told = running.seldom(0.25)
    with ThreadPoolExecutor(running.thread_count, thread_name_prefix="proof") as pool:
        tools = tools_of(problem, pool, running)
        field = field_of(tools.columns)
        for place, outcome in enumerate(outcomes):
            now = monotonic()
            end = now + max(until - now, 0.0) / (len(outcomes) - place)
            part = told.part(place / len(outcomes), (place + 1) / len(outcomes))
            done.append(_Proof(tools=tools, field=field, outcome=outcome, begin=now, end=end, running=part).proven())
    running.step(STAGE, 1.0, "done")
    return tuple(done)


def field_of(columns: Columns) -> Floats:
    """Transfer functions as the kernels take them: (3, column, freq, seat), real and imaginary part, size."""
    h = columns.transfer.transpose(2, 0, 1)
    return np.ascontiguousarray(np.stack([h.real, h.imag, np.abs(h)]))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Proof:
    """The proof for one number of subs: field (3, column, freq, seat), until when it may go on, where it reports."""

    tools: Tools
    field: Floats
    outcome: Outcome
    begin: float
    end: float
    running: Running

    def proven(self) -> Outcome:
        """The outcome with its bound."""
        outcome, columns = self.outcome, self.tools.columns
        if not outcome.plans or len(columns.seat_weight) == 1:
            return outcome
        possible = layouts_possible(columns, outcome.count)
        if possible > MOST_LAYOUTS:
            said = f"No proof for {outcome.count} subs: {possible:,} layouts; up to {MOST_LAYOUTS:,} are looked at."
            return replace(outcome, remarks=(*outcome.remarks, f"{said} {FEWER}"), layouts_least_db=0.0)
        parts = []
        for sizes in patterns(columns, outcome.count):
            for block in layout_blocks(columns, sizes, BLOCK):
                parts.append(Layouts(layout=block, least=np.zeros(len(block))))
        known, met = self._sum(outcome.plans[0].variation_db), None
        alone = self.tools.problem.drives.is_single or all(part.layout.shape[1] == 1 for part in parts)
        few = all(part.layout.shape[1] < 3 for part in parts)
        if not alone and not few:
            self._by_weights(parts, known)
        for rung, most in product(AT_ONCE if alone else LADDER if few else LONG_LADDER, MOST_BOXES):
            known, better = self._climbed(parts, rung, most, known)
            met = met if better is None else better
            if self._over():
                break
        found = self._with(met, self._db(self._least(parts)))
        return found if self._least(parts) > 0.0 else replace(found, remarks=(*found.remarks, self._unfinished(parts)))

    def _by_weights(self, parts: Sequence[Layouts], known: float) -> None:
        """Raise the bounds as far as weights free at every frequency get in the time."""
        stage = WeightsStage(
            field=self.field,
            seat_weight=self.tools.columns.seat_weight,
            parts=parts,
            pool=self.tools.pool,
            running=replace(self.tools.running, cancelled=self._over),
        )
        above = 0.0
        while not self._over() and (rung := stage.rung(known, above, self.end - monotonic())) is not None:
            above = rung
            for done, aim in stage.raised(rung, known, self.end - monotonic()):
                self._say(parts, known, self._doing(done, aim, known))

    def _unfinished(self, parts: Sequence[Layouts]) -> str:
        """What was done and what it would take, where some layout has no bound."""
        total = sum(len(part.least) for part in parts)
        done = sum(int(np.sum(part.least > 0.0)) for part in parts)
        which = f"No proof for {self.outcome.count} subs in the time: {done:,} of {total:,} layouts have a bound"
        if done == 0:
            return f"{which}. {FEWER}"
        hours = (monotonic() - self.begin) * total / done / 3600.0
        took = f"{60.0 * hours:.0f} min" if hours < 1.0 else f"{hours:.0f} h"
        return f"{which}; all of them would take some {took}. {FEWER}"

    def _climbed(self, parts: Sequence[Layouts], rung: float, most: int, known: float) -> tuple[float, State | None]:
        """Raise the bound of every layout to a part of the best variation known, as far as the time goes."""
        met = None
        jobs = list(self._jobs(parts, rung * rung * known))
        timed = replace(self.tools.running, cancelled=self._over)

        def look(job: tuple[Layouts, Integers]) -> tuple[State | None, float]:
            part, chosen = job
            layout = np.ascontiguousarray(part.layout[chosen])
            ends = np.array([rung * rung * known, known, 2.0 * PART if rung < 1.0 else 0.0])
            return self._looked(part, chosen, layout, ends, most)

        for done, (state, value) in enumerate(timed.each(self.tools.pool, look, jobs), start=1):
            if state is not None and value < known:
                known, met = value, state
            self._say(parts, known, self._doing(done / len(jobs), rung, known))
        return known, met

    def _jobs(self, parts: Sequence[Layouts], target: float) -> Iterator[tuple[Layouts, Integers]]:
        """Layouts whose bound lies below the target, a few at a time."""
        for part in parts:
            open_ones = np.flatnonzero(part.least < target * (1.0 - 2.0 * PART))
            for first in range(0, len(open_ones), LAYOUTS_PER_JOB):
                yield part, open_ones[first : first + LAYOUTS_PER_JOB]

    def _looked(
        self, part: Layouts, chosen: Integers, layout: Integers, ends: Floats, most: int
    ) -> tuple[State | None, float]:
        """Raise the bounds of some layouts; where something better than the sum known was met, and what."""
        drives, least = self.tools.problem.drives, np.zeros(len(layout))
        best = np.zeros((layout.shape[1], 5))
        where, known, _ = layouts_bound(
            self.field,
            2.0 * np.pi * self.tools.problem.frequency_hz,
            self.tools.columns.seat_weight,
            layout,
            np.array([drives.gain_span_db / DB_PER_NEPER, drives.delay_span_s]),
            drives.polarity,
            ends,
            most,
            least,
            best,
        )
        part.least[chosen] = np.maximum(part.least[chosen], least)
        if where < 0:
            return None, inf
        state = State(
            column=layout[where],
            gain_db=best[:, 0] * DB_PER_NEPER,
            delay_s=best[:, 2].copy(),
            polarity=best[:, 4].copy(),
        )
        return state, known

    def _with(self, met: State | None, least_db: float) -> Outcome:
        """The outcome with its bound, led by what was met where that is more even once it is polished."""
        outcome, tools = replace(self.outcome, layouts_least_db=least_db), self.tools
        if met is None:
            return outcome
        plan: FoundPlan = plan_of(tools.problem, tools.columns, tools.polisher.polish(met)[0])
        if plan.variation_db > outcome.plans[0].variation_db - MORE_EVEN_DB:
            return outcome
        others = (one for one in outcome.plans if not np.array_equal(one.candidate_index, plan.candidate_index))
        return replace(outcome, plans=(plan, *others), remarks=(*outcome.remarks, MET))

    def _say(self, parts: Sequence[Layouts], known: float, doing: str) -> None:
        """Report the gap."""
        now, known_db = monotonic(), self._db(known)
        least_db = self._db(self._least(parts))
        subs = "1 sub" if self.outcome.count == 1 else f"{self.outcome.count} subs"
        self.running.step(
            STAGE,
            (now - self.begin) / max(self.end - self.begin, 1e-9),
            f"{subs}: gap {known_db - least_db:.2f} dB (no layout below {least_db:.2f} dB); {doing}",
            best_db=known_db,
        )

    def _doing(self, done: float, rung: float, known: float) -> str:
        return f"{int(100.0 * done)} % of the layouts up to {self._db(rung * rung * known):.2f} dB"

    def _least(self, parts: Sequence[Layouts]) -> float:
        return min(float(part.least.min()) for part in parts)

    def _over(self) -> bool:
        return self.tools.running.stop_asked() or monotonic() > self.end

    def _sum(self, variation_db: float) -> float:
        """Variation as the kernels count it: the variance summed over the frequencies [Np2]."""
        return float(len(self.tools.problem.frequency_hz) * (variation_db / DB_PER_NEPER) ** 2)

    def _db(self, value: float) -> float:
        return float(DB_PER_NEPER * sqrt(value / len(self.tools.problem.frequency_hz)))
