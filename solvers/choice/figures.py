"""The figures of many plans at once: plans of one number of subs side by side in arrays, some hundred at a time.

Each figure has one formula, which takes one plan or several (`aims`, `loudness.headroom`): a plan has the same figures,
to the last bit, whichever others stand beside it.
"""

from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from roommodes.arrays import Floats
from roommodes.plan.wiring import wired
from roommodes.responses.metrics import drive_weights, seat_pressure
from solvers.choice.aims import Figures, decay_s, smoothness_db
from solvers.loudness.headroom import Loudness
from solvers.search.problem import FoundPlan, Problem
from solvers.search.state import batches


def figures_of(
    problem: Problem, plans: Iterable[FoundPlan], loudness: Loudness | None = None
) -> dict[FoundPlan, Figures]:
    """The figures of some plans, with any numbers of subs; each plan once.

    Parameters
    ----------
    problem : of which they are.
    plans : in any order.
    loudness : for the headroom; None leaves it out.
    """
    found = {}
    for batch in _batches(plans, problem):
        index = np.array([plan.candidate_index for plan in batch])
        drives = {
            name: np.array([getattr(plan, name) for plan in batch]) for name in ("gain_db", "delay_s", "polarity")
        }
        level = np.array([plan.level_db for plan in batch])
        weights = drive_weights(problem.frequency_hz, **drives)
        pressure = seat_pressure(np.moveaxis(problem.transfer[:, :, index], 2, 0), weights)
        smoothness = smoothness_db(level, problem.seat_weight, problem.frequency_hz)
        decay = decay_s(pressure, problem.seat_weight, problem.frequency_hz)
        headroom = None if loudness is None else _headroom_db(problem, loudness, batch, level)
        for k, plan in enumerate(batch):
            found[plan] = Figures(
                variation_db=plan.variation_db,
                output_db=plan.output_db,
                smoothness_db=float(smoothness[k]),
                decay_s=float(decay[k]),
                subs=len(plan.candidate_index),
                headroom_db=None if headroom is None else float(headroom[k]),
            )
    return found


def _batches(plans: Iterable[FoundPlan], problem: Problem) -> Iterator[Sequence[FoundPlan]]:
    """Different plans of one number of subs, some at a time."""
    by_count: dict[int, list[FoundPlan]] = {}
    for plan in dict.fromkeys(plans):
        by_count.setdefault(len(plan.candidate_index), []).append(plan)
    for subs, alike in by_count.items():
        yield from batches(problem, subs, alike)


def _headroom_db(problem: Problem, loudness: Loudness, plans: Sequence[FoundPlan], level: Floats) -> Floats:
    """Of plans with one number of subs: (n_plan, n_freq, n_seat) -> (n_plan,) [dB]."""
    project, kinds = loudness.project, problem.wishes.kinds
    on = []
    for plan in plans:
        index = plan.candidate_index
        fixed = [sub in problem.wishes.fixed for sub in index.tolist()]
        kind = None if kinds is None else kinds.kind[index]
        on.append(wired(project, plan.drives, fixed, project.raised_db(index), kind))
    return loudness.headrooms_db(level, problem.seat_weight, gain_db=np.array([plan.gain_db for plan in plans]), on=on)
