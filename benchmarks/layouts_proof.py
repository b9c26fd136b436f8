"""The proof over all layouts: its gap against the time spent, beside trying every setting of a grid.

    python -m benchmarks.layouts_proof [--seconds N] [--candidates N] [--cases N]

A seeded room with seven seats and 63 frequencies, two, three and four subs among 100 candidates, and four in two
mirrored pairs. The plan is the search's own, found with little effort; the proof runs for N seconds of each (30 unless
given).
For each number the gap as it falls is printed against the CPU time, then what `--exhaustive` would try: layouts times
settings of its grid, its CPU time estimated from a few layouts, and it would prove the grid alone. Random layouts at
random settings are held against every bound; ends with an error if one comes below.
"""

import argparse
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from time import process_time

import numpy as np

from benchmarks.rooms_seeded import seeded_room
from roommodes.responses.metrics import drive_weights, level_db, seat_pressure, variation_db
from roommodes.running import Running, Step
from solvers.proof.layouts import STAGE, with_proofs
from solvers.search.columns import layout_blocks, layouts_possible, patterns
from solvers.search.exhaustive import trials
from solvers.search.explore import Effort
from solvers.search.kernels import grid as kernels_grid
from solvers.search.problem import Problem
from solvers.search.search import search
from solvers.search.workbench import tools_of

EFFORT = Effort(hops=60, patience=8, confirmations=2)
TRIED, SAMPLED = 4000, 3


@dataclass(slots=True)
class Watch:
    """The gaps as they are reported: CPU time [s] and words, whenever the gap has changed."""

    begun: float = field(default_factory=process_time)
    said: list[str] = field(default_factory=list)

    def take(self, step: Step) -> None:
        """Print a gap that is new."""
        gap = step.note.split(";")[0]
        if step.stage == STAGE and gap != "done" and (not self.said or self.said[-1] != gap):
            self.said.append(gap)
            print(f"  {process_time() - self.begun:6.1f} s  {gap}", flush=True)


def main() -> int:
    """Print the tables; 1 if a bound is broken."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--candidates", type=int, default=100)
    parser.add_argument("--cases", type=int, default=4, help="how many of the four, from the first")
    asked = parser.parse_args()
    plain = seeded_room(1, n_candidate=asked.candidates)
    mirrored = seeded_room(1, n_candidate=asked.candidates, mirrored=True)
    cases = (("", plain, 2), (", mirrored", mirrored, 4), ("", plain, 3), ("", plain, 4))
    for name, problem, count in cases[: asked.cases]:
        outcome = search(problem, counts=(count,), seed=1, keep=3, effort=EFFORT)
        best = outcome[0].plans[0].variation_db
        print(
            f"{count} subs{name}, the search's plan {best:.2f} dB, {outcome[0].layouts_possible:,} layouts; CPU time:"
        )
        proof = with_proofs(problem, outcome, seconds=asked.seconds, running=Running(report=Watch().take))[0]
        least = proof.layouts_least_db
        if least is None or beaten(problem, count, least):
            print("random settings come below a bound", file=sys.stderr)
            return 1
        print(f"  bound {least:.2f} dB, plan {proof.plans[0].variation_db:.2f} dB")
        number, hours = every_setting(problem, count)
        print(f"  every setting of the grid: {number:.1e} trials, some {hours:.2g} h of CPU time")
    return 0


def beaten(problem: Problem, count: int, least_db: float) -> bool:
    """Whether random layouts at random settings come below a bound; of mirrored ones pairs share theirs."""
    random, drives, pairs = np.random.default_rng(2), problem.drives, problem.mirror_of
    for _ in range(TRIED):
        chosen = random.choice(
            problem.n_candidate // (1 if pairs is None else 2), count if pairs is None else 2, replace=False
        )
        n = len(chosen)
        gain = random.uniform(*drives.gain_db, n)
        delay, sign = random.uniform(*drives.delay_s, n), random.choice([-1.0, 1.0], n)
        if pairs is not None:
            chosen = np.concatenate([chosen, pairs[chosen]])
            gain, delay, sign = np.tile(gain, 2), np.tile(delay, 2), np.tile(sign, 2)
        weights = drive_weights(problem.frequency_hz, gain_db=gain, delay_s=delay, polarity=sign)
        level = level_db(seat_pressure(problem.transfer[:, :, chosen], weights))
        if variation_db(level, problem.seat_weight) < least_db:
            return True
    return False


def every_setting(problem: Problem, count: int) -> tuple[float, float]:
    """How many trials a grid takes, and how many hours of CPU time, from a few layouts of two slots [h]."""
    with ThreadPoolExecutor(1) as pool:
        tools = tools_of(problem, pool, Running())
        sizes = patterns(tools.columns, 4 if problem.mirror_of is not None else 2)[0]
        block = next(layout_blocks(tools.columns, sizes, SAMPLED))
        cost, tau, g_db, pol = np.empty(len(block)), np.zeros(block.shape), np.zeros(block.shape), np.ones(block.shape)
        begun = process_time()
        kernels_grid.every_drive(tools.fine.tables, tools.fine.limits, block, 1e9, cost, tau, g_db, pol)
        each = (process_time() - begun) / len(block)
        few = trials(tools, 4 if problem.mirror_of is not None else 2)
        few /= layouts_possible(tools.columns, 4 if problem.mirror_of is not None else 2)
        number = trials(tools, count)
        return number, number / few * each / 3600.0


if __name__ == "__main__":
    sys.exit(main())
