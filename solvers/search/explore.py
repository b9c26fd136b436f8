"""Chains of hops from many starts, side by side, until they agree or the effort is spent.

The search buys starts: each ends at the bottom of a funnel of its own, and how far down that lies shows early. So
starts race by successive halving: K. Jamieson and A. Talwalkar, AISTATS 2016; with starts that begin one after another
as here: L. Li et al., MLSys 2020 (from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from solvers.search.hop import HABITS, THOROUGH, Burst
from solvers.search.layouts_met import Pool
from solvers.search.progress import SearchProgress
from solvers.search.state import State, random_drives
from solvers.search.workbench import Tools

CHAINS = 8  # side by side
BURST = 6  # hops between two looks at what the chains have found
SAME = 1e-3  # values closer than this part are the same plan
POOL = 400  # layouts kept
RUNGS = (24, 48, 96)  # hops since the start
KEPT = 0.5  # part of the chains at a rung that goes on
FEWEST = 8  # chains that a rung must have seen before any makes way
CONFIRMING = 2  # starts at the best plan, from which on every start runs to its end
FEW_COLUMNS = 50  # have the plain number of hops
STEEP_SHARES = 1.2  # times that number in proportion to the columns
LATER = 0.4  # part of the proportion that counts beyond
MOST_SHARES = 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Effort:
    """How much is spent on one count.

    Parameters
    ----------
    hops : in all, at most, for few candidates; many get up to `MOST_SHARES` times as many.
    patience : hops of a chain that find nothing better before it starts anew elsewhere.
    confirmations : starts of their own that must lead to the best plan before it counts as settled.
    """

    hops: int = 5000
    patience: int = 60
    confirmations: int = 8

    def hops_for(self, n_column: int) -> int:
        """Hops at most for so many columns; starts of large searches seldom agree, so that their race saves most."""
        shares = n_column / FEW_COLUMNS
        return int(self.hops * min(MOST_SHARES, max(1.0, min(shares, STEEP_SHARES), LATER * shares)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Exploration:
    """How an exploration ended: `settled` when starts of their own agreed; layouts looked at, repeats counted."""

    settled: bool
    layouts: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Life:
    """One chain since its last start.

    Parameters
    ----------
    state, value : the plan to hop off from, and its value [dB^2].
    random : what it draws from.
    lowest, best : the best plan met, and its value [dB^2].
    idle, age : hops since it was met, and in all.
    grown : from a plan with fewer subs.
    """

    state: State
    random: np.random.Generator
    value: float = np.inf
    best: float = np.inf
    lowest: State | None = None
    idle: int = 0
    age: int = 0
    grown: bool = False


class Race:
    """What chains had reached at each rung so far; those grown from smaller plans are held against their own kind."""

    def __init__(self) -> None:
        self._seen: dict[tuple[bool, int], list[float]] = {}

    def behind(self, chains: Sequence[Life]) -> list[bool]:
        """Which of the chains, looked at together, stand behind the middle of all that came to the same rung."""
        for life in chains:
            if life.age in RUNGS:
                self._seen.setdefault((life.grown, life.age), []).append(life.best)
        return [life.age in RUNGS and self._is_behind(life) for life in chains]

    def _is_behind(self, life: Life) -> bool:
        seen = self._seen[life.grown, life.age]
        middle = float(np.quantile(seen, KEPT))
        return len(seen) >= FEWEST and life.best > middle + SAME * abs(middle)


def explore(
    tools: Tools,
    pool: Pool,
    groups: tuple[int, ...],
    *,
    seeds: Sequence[State],
    effort: Effort,
    entropy: Sequence[int],
    progress: SearchProgress,
) -> Exploration:
    """Fill the pool with plans whose slots take columns of the given groups.

    Parameters
    ----------
    tools : the problem.
    pool : receives plans with values in dB^2.
    groups : of the slots' columns.
    seeds : good plans with fewer slots, to grow from.
    effort : when to end.
    entropy : what the random numbers follow from.
    progress : of this stage.
    """
    born = 0
    grown = [seed for seed in seeds if len(seed.column) < len(groups)]

    def new_life() -> Life | None:
        nonlocal born
        random = np.random.default_rng([*entropy, born])
        base = grown[born // 2 % len(grown)] if grown and born % 2 else None
        born += 1
        state = _start(tools, groups, base, random)
        return None if state is None else Life(state=state, random=random, grown=base is not None)

    most = effort.hops_for(tools.columns.count)
    chains = [life for life in (new_life() for _ in range(CHAINS)) if life is not None]
    ended: list[float] = []
    race = Race()
    done = visits = 0
    settled = False
    while chains and done < most and not settled and not tools.running.stop_asked():
        after: list[Life] = []
        for life, burst in zip(
            chains, tools.each(lambda life: _burst(tools, life, effort.patience), chains), strict=False
        ):
            done += BURST
            visits += burst.visits
            for value, state in burst.met:
                pool.offer(value, state)
            after.append(_aged(life, burst))
            progress.at(done / most, pool.best(1)[0][0])
        pool.keep_only(pool.best(POOL))
        best = pool.best(1)[0][0] if len(pool) else np.inf
        paths = ended + [life.best for life in after]
        agreeing = sum(value <= best + SAME * abs(best) for value in paths)
        settled = agreeing >= effort.confirmations
        behind = race.behind(after)
        racing = agreeing < CONFIRMING
        chains = []
        for life, late in zip(after, behind, strict=True):
            if life.idle < effort.patience + BURST and not (racing and late):
                chains.append(life)
                continue
            ended.append(life.best)
            successor = new_life()
            if successor is not None:
                chains.append(successor)
    return Exploration(settled=settled, layouts=visits * min(HABITS.looks, tools.columns.count))


def _burst(tools: Tools, life: Life, patience: int) -> Burst:
    """Some hops on, or, where they found nothing better for long, every change of one sub of the best plan."""
    if life.lowest is not None and life.idle >= patience:
        return tools.hopper.burst(life.lowest, value=np.inf, hops=1, random=life.random, habits=THOROUGH)
    return tools.hopper.burst(life.state, value=life.value, hops=BURST, random=life.random)


def _aged(life: Life, burst: Burst) -> Life:
    value, state = burst.met[0]
    better = value < life.best - SAME * abs(life.best) or np.isinf(life.best)
    return Life(
        state=burst.state,
        random=life.random,
        value=burst.value,
        best=min(value, life.best),
        lowest=state if value < life.best else life.lowest,
        idle=0 if better else life.idle + BURST,
        age=life.age + BURST,
        grown=life.grown,
    )


def _start(tools: Tools, groups: tuple[int, ...], base: State | None, random: np.random.Generator) -> State | None:
    """A start with columns and drives drawn at random, but for those of a smaller plan to grow from.

    Returns None where no columns fit together.
    """
    n = len(groups)
    state = random_drives(np.full(n, -1), tools.problem.drives, random)
    left = [] if base is None else list(range(len(base.column)))
    for slot, group in enumerate(groups):
        for source in left:
            assert base is not None
            if tools.columns.group[base.column[source]] == group:
                state.column[slot], state.delay_s[slot] = base.column[source], base.delay_s[source]
                state.gain_db[slot], state.polarity[slot] = base.gain_db[source], base.polarity[source]
                left.remove(source)
                break
    empty = random.permutation(np.flatnonzero(state.column < 0)).tolist()
    for done, slot in enumerate(empty, start=1):
        others = state.column[state.column >= 0]
        later = [groups[other] for other in empty[done:]]
        fits = (tools.columns.group == groups[slot]) & tools.columns.beside(others, later)
        if not fits.any():
            return None
        state.column[slot] = random.choice(np.flatnonzero(fits))
    return state
