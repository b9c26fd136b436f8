"""The front between the plans met: at each output a search of its own for the most even plan.

A weighted sum of variation and output finds no plan in a hollow of the front. So the output is asked for instead:

    V^2 + SHORT * max(0, asked - output)^2

is minimised from the plans met that come nearest to it, and from these with one sub's delay and polarity drawn anew.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import log10

import numpy as np

from roommodes.arrays import Floats
from solvers.search.polish import polisher_of
from solvers.search.problem import FoundPlan
from solvers.search.state import State, plans_of, state_of
from solvers.search.workbench import Tools

STEP_DB, MOST = 0.4, 16  # of output between two searches, and how many there are
APART_S = 1e-3  # of delays, between starts
KEPT = 5  # of what the searches for one output end in
STEPS, TOLERANCE = 40, 1e-5  # of each
MISSING = 1.0  # dB2 for the square of a missing decibel, where starts are chosen
LEAST_REWARD = 1e-3  # dB2 per dB


@dataclass(frozen=True, slots=True, kw_only=True)
class Filling:
    """How much is spent on what lies between the plans of a front.

    Parameters
    ----------
    nearest : plans that the search for one output starts from.
    drawn : further starts, one sub of such a plan drawn anew.
    rounds : of searches, each between the plans of the front that the one before left.
    """

    nearest: int
    drawn: int
    rounds: int


STANDING = Filling(nearest=6, drawn=8, rounds=2)  # subs that stand already: their settings alone make the front
AMONG_CANDIDATES = Filling(nearest=4, drawn=4, rounds=1)  # layouts are met by the searches before

Front = Callable[[Sequence[FoundPlan]], Sequence[FoundPlan]]
Job = tuple[float, float, State]  # asked output [dB], worth of a decibel there [dB2], start


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Met:
    """Plans met, and their figures side by side: (n_plan,) each [dB]."""

    plans: Sequence[FoundPlan]
    variation_db: Floats
    output_db: Floats

    @classmethod
    def of(cls, plans: Sequence[FoundPlan]) -> "_Met":
        """Of some plans."""
        return cls(
            plans=plans,
            variation_db=np.array([plan.variation_db for plan in plans]),
            output_db=np.array([plan.output_db for plan in plans]),
        )


def between(
    tools: Tools, met: Sequence[FoundPlan], filling: Filling, entropy: Sequence[int], front_of: Front
) -> list[FoundPlan]:
    """Plans between those of a front, the most even found at each output.

    Parameters
    ----------
    tools : of the problem.
    met : plans of one count.
    filling : how much is spent.
    entropy : what random numbers start from.
    front_of : the plans that no other beats, from the most even to the loudest.
    """
    if tools.problem.drives.is_single or len(met[0].gain_db) == 1:
        return []
    found: list[FoundPlan] = []
    for turn in range(filling.rounds):
        front = front_of([*met, *found])
        if len(front) < 2 or tools.running.stop_asked():
            break
        random = np.random.default_rng([*entropy, turn])
        every = _Met.of([*met, *found])
        jobs = [job for asked in _asked(front) for job in _starts(tools, filling, every, front, asked, random)]
        ends: dict[float, list[tuple[float, int]]] = {}
        landed = list(tools.each(lambda job: _searched(tools, job), jobs))
        for index, (value, _) in enumerate(landed):
            ends.setdefault(jobs[index][0], []).append((value, index))
        best = [(jobs[k][1], landed[k][1]) for values in ends.values() for _, k in sorted(values)[:KEPT]]
        rewards, states = [reward for reward, _ in best], [state for _, state in best]
        found += plans_of(tools.problem, tools.columns, states, rewards=rewards)
    return found


def _asked(front: Sequence[FoundPlan]) -> Floats:
    """The outputs that are searched for [dB]."""
    low, high = front[0].output_db, front[-1].output_db
    return np.linspace(low, high, min(MOST, int((high - low) / STEP_DB)) + 2)[1:-1]


def _starts(
    tools: Tools,
    filling: Filling,
    met: _Met,
    front: Sequence[FoundPlan],
    asked: float,
    random: np.random.Generator,
) -> list[Job]:
    """Where the search for one output starts."""
    outputs = np.array([plan.output_db for plan in front])
    at = int(np.clip(np.searchsorted(outputs, asked), 1, len(front) - 1))
    rise = front[at].variation_db ** 2 - front[at - 1].variation_db ** 2
    reward = max(rise / max(float(outputs[at] - outputs[at - 1]), 1e-9), LEAST_REWARD)
    value = met.variation_db**2 + MISSING * np.maximum(0.0, asked - met.output_db) ** 2
    chosen: dict[tuple[float, ...], State] = {}
    for index in np.argsort(value, kind="stable"):
        plan = met.plans[index]
        alike = (*plan.candidate_index.tolist(), *plan.polarity.tolist(), *np.round(plan.delay_s / APART_S).tolist())
        if alike not in chosen:
            chosen[alike] = state_of(tools.columns, plan)
        if len(chosen) == filling.nearest:
            break
    near = list(chosen.values())
    drawn = [_drawn(tools, near[int(random.integers(len(near)))], random) for _ in range(filling.drawn)]
    return [(float(asked), reward, state) for state in (*near, *drawn)]


def _drawn(tools: Tools, state: State, random: np.random.Generator) -> State:
    """A plan with the delay and, where allowed, the polarity of one sub drawn anew."""
    drives, state = tools.problem.drives, state.copy()
    slot = int(random.integers(len(state.column)))
    state.delay_s[slot] = random.uniform(*drives.delay_s)
    if drives.polarity and random.random() < 0.5:
        state.polarity[slot] = -state.polarity[slot]
    return state


def _searched(tools: Tools, job: Job) -> tuple[float, State]:
    """The most even plan near a start with the output asked for, and what it is worth [dB^2]."""
    asked, _, state = job
    n = sum(len(tools.columns.members[column]) for column in state.column)
    top_db = tools.problem.drives.gain_db[1]
    polisher = replace(polisher_of(tools.problem, tools.columns, reward=0.0), least_db=asked + 20.0 * log10(n) + top_db)
    end, value = polisher.polish(state, max_steps=STEPS, tolerance=TOLERANCE)
    return value, end
