"""Variation against output: the plans of one count of which none beats another in both.

Drives that even the seats out often fight each other, which costs output. So the leading plans are searched again
with output rewarded, V^2 - lambda * output, for a rising row of lambda: at each the subs hop and the drives are
swept and polished, from where the last lambda ended; then again from the front found so far, at its own slopes. The
plans met on the way, with those that the search kept, are the material; a plan that another beats in variation and
output is dropped. Minimising a weighted sum finds the
corners of the front's convex hull; what lies in its hollows comes from the plans met on the way, and from searches of
its own for each output (`front_filled`). These change settings, not layouts: over every pair of candidates and every
setting of a grid, no plan on the front of three rooms with 28 to 43 candidates was beaten by more than 0.11 dB. So the
front, too, is the best found.
"""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np

from roommodes.running import Running
from solvers.choice.front_filled import Filling, between
from solvers.search.columns import layout_blocks, patterns
from solvers.search.hop import Hopper
from solvers.search.polish import polisher_of
from solvers.search.problem import FoundPlan, Outcome, Problem
from solvers.search.state import State, equal_drives, plan_of, plans_of, state_of
from solvers.search.workbench import DB_PER_UNIT, Tools, tools_of

EXCHANGES = (0.01, 0.02, 0.04, 0.07, 0.12, 0.2, 0.35, 0.6, 1.2, 3.0, 10.0)  # dB of variation per dB of output
LEADING = 16  # plans of the search that are gone on from
HOPS = 2  # at each exchange
TAKEN = 48  # plans met in them: layouts that lie in a hollow are not among the first
MOST = 20  # plans on a front
STEP_DB = 0.2  # of output between two plans on a front, at least
ROUNDS = 2  # of searches from the front itself
PUSH = 3.0  # how much steeper to search beyond its ends
LEAST_REWARD = 1e-3  # dB2 per dB

Met = tuple[float, State, FoundPlan]  # reward of output with which it was met, and the plan


def plans_met(
    problem: Problem,
    outcomes: Sequence[Outcome],
    *,
    seed: int,
    exchange: float = 0.0,
    filling: Filling | None = None,
    running: Running = Running(),
) -> dict[int, tuple[FoundPlan, ...]]:
    """For every count the plans kept by the search, and others that trade variation for output.

    Parameters
    ----------
    problem, outcomes : what was asked and what was found.
    seed : >= 0; the same seed gives the same plans whatever the number of threads (as `search`).
    exchange : a further rate of dB of variation per dB of output at which to search.
    filling : what is spent on searches between the plans of the front, for the most even one at each output; None for
        no such searches.
    running : cancelling, threads; once cancelled, only what was found until then is returned.

    Returns
    -------
    count -> plans, the search's own first.
    """
    with ThreadPoolExecutor(running.thread_count, thread_name_prefix="front") as pool:
        tools = tools_of(problem, pool, running)
        met = {
            outcome.count: (*outcome.plans, *_more(tools, outcome, seed, exchange))
            for outcome in outcomes
            if outcome.plans
        }
        if filling is None:
            return met
        return {
            count: (*plans, *between(tools, plans, filling, [seed, count, 8], front_of)) for count, plans in met.items()
        }


def front_of(plans: Sequence[FoundPlan]) -> tuple[FoundPlan, ...]:
    """The plans that no other beats in variation and output, from the most even to the loudest; thinned out.

    Of plans within `STEP_DB` of output the most even one is kept; both ends stay.
    """
    output = np.array([plan.output_db for plan in plans])
    order = np.lexsort((-output, np.array([plan.variation_db for plan in plans])))
    louder = np.diff(np.maximum.accumulate(output[order]), prepend=-np.inf) > 0.0
    front = [plans[k] for k in order[louder]]
    step = max(STEP_DB, (front[-1].output_db - front[0].output_db) / (MOST - 1))
    kept = front[:1]
    for plan in front[1:-1]:
        if plan.output_db >= kept[-1].output_db + step and plan.output_db <= front[-1].output_db - step:
            kept.append(plan)
    return (*kept, front[-1]) if len(front) > 1 else tuple(kept)


def _more(tools: Tools, outcome: Outcome, seed: int, exchange: float) -> list[FoundPlan]:
    """Plans of one count beside those that the search kept."""
    columns, problem = tools.columns, tools.problem
    best = outcome.plans[0]
    if tools.running.stop_asked() or len(columns.seat_weight) == 1:
        return []
    if len(state_of(columns, best).column) == 1:
        alone = [pattern for pattern in patterns(columns, outcome.count) if len(pattern) == 1]
        layouts = [layout for one in alone for block in layout_blocks(columns, one, columns.count) for layout in block]
        return plans_of(problem, columns, [equal_drives(one) for one in layouts], rewards=[0.0] * len(layouts))
    if problem.drives.is_single:
        return []
    rates = sorted({*EXCHANGES, exchange} - {0.0})
    rewards = [2.0 * best.variation_db * rate for rate in rates]  # dV^2 = 2 V dV, at the best plan
    met = [(0.0, state_of(columns, plan), plan) for plan in outcome.plans]
    jobs = [(rewards, [seed, outcome.count, 7, k], state) for k, (_, state, _) in enumerate(met[:LEADING])]
    for turn in range(1 + ROUNDS):
        if turn:
            jobs = _onward(met, [seed, outcome.count, 7, turn])
        chained = [one for chain in tools.each(lambda job: _chain(tools, *job), jobs) for one in chain]
        rewarded = [reward for reward, _ in chained]
        plans = plans_of(problem, columns, [state for _, state in chained], rewards=rewarded)
        met += [(reward, state, plan) for (reward, state), plan in zip(chained, plans, strict=True)]
    final = [(reward, state) for reward, state, _ in _along(met) if reward > 0.0]
    polished = list(tools.each(lambda entry: _polished(tools, *entry), final))
    return [*(plan for reward, _, plan in met if reward > 0.0), *polished]


def _along(met: Sequence[Met]) -> list[Met]:
    """What lies on the front of what was met, from the most even to the loudest."""
    of = {id(entry[2]): entry for entry in met}
    return [of[id(plan)] for plan in front_of([plan for _, _, plan in met])]


def _onward(met: Sequence[Met], entropy: list[int]) -> list[tuple[list[float], list[int], State]]:
    """From every plan on the front, searches at the front's own slopes to its neighbours."""
    front = _along(met)
    value = [plan.variation_db**2 for _, _, plan in front]
    slopes = [
        (value[k + 1] - value[k]) / (front[k + 1][2].output_db - front[k][2].output_db) for k in range(len(front) - 1)
    ]
    slopes = [slopes[0] / PUSH, *slopes, slopes[-1] * PUSH] if slopes else [value[0] / 10.0] * 2
    return [
        ([max(slopes[k], LEAST_REWARD), max(slopes[k + 1], LEAST_REWARD)], [*entropy, k], state)
        for k, (_, state, _) in enumerate(front)
    ]


def _chain(tools: Tools, rewards: Sequence[float], entropy: list[int], state: State) -> list[tuple[float, State]]:
    """From one plan on, through rising rewards of output: (reward, state) of plans met."""
    random = np.random.default_rng(entropy)
    found = []
    for reward in rewards:
        burst = _rewarded(tools.hopper, reward).burst(state, value=np.inf, hops=HOPS, random=random)
        found += [(reward, one) for _, one in burst.met[:TAKEN]]
        state = burst.state
        if tools.running.stop_asked():
            break
    return found


def _rewarded(hopper: Hopper, reward: float) -> Hopper:
    """The same hopper with output rewarded [dB2 of V^2 per dB]."""
    return replace(hopper, throws=2, reward=reward, limits=hopper.limits._replace(reward=reward / DB_PER_UNIT))


def _polished(tools: Tools, reward: float, state: State) -> FoundPlan:
    """A plan in float64, polished with output rewarded."""
    polisher = polisher_of(tools.problem, tools.columns, reward=reward)
    return plan_of(tools.problem, tools.columns, polisher.polish(state)[0], reward=reward)
