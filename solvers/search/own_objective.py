"""The search for an objective of somebody's own: any function of the levels at the seats, asked in batches of plans.

Nothing is known of the function, so nothing is compiled and no slope is taken. From the leading plans of the search for
variation and from starts at random, one sub after another takes the best of all places with a grid of drives, then
finer drives there, until no sub helps any more; the drives of the leading plans are then moved in ever smaller steps.
Random choices follow from the seed and the number of the start.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from time import monotonic

import numpy as np

from roommodes.arrays import Complexes, Floats, Integers
from roommodes.responses.metrics import SILENCE_DB
from roommodes.running import Running
from solvers.search.columns import Columns, columns_of, layouts_possible, patterns
from solvers.search.explore import Effort
from solvers.search.objective import Objective, asked
from solvers.search.problem import FoundPlan, Outcome, Problem, Stop
from solvers.search.progress import STAGE
from solvers.search.search import search
from solvers.search.state import State, plan_of, random_drives, state_of

LED, AT_RANDOM = 6, 6  # starts from the search for variation, and at random
EFFORT = Effort(hops=2000)  # of that search
SWEEPS = 8  # over all subs, at most, from one start
DELAYS, GAINS = 8, 3  # of the grid of drives at every place
HALVINGS = 5  # of the steps of the last moves
POLISHED = 3  # plans whose drives are moved in the end
BATCH = 3_000_000  # levels asked at once
BETTER = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class _Valued:
    """A state and what the objective says of it."""

    value: float
    state: State


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Judge:
    """The objective on states.

    Parameters
    ----------
    problem, columns : what is asked.
    transfer : (n_freq, n_seat, n_column) of the seats alone [1/m].
    objective : less is better.
    """

    problem: Problem
    columns: Columns
    transfer: Complexes
    objective: Objective

    def values(self, pressure: Complexes, gain_db: Floats) -> Floats:
        """(n, n_freq, n_seat) [1/m] with the loudest sub at `gain_db` (n,) -> (n,)."""
        level = 20.0 * np.log10(np.maximum(np.abs(pressure), 10.0 ** (SILENCE_DB / 20.0)))
        level += (self.problem.drives.gain_db[1] - gain_db)[:, None, None]
        return asked(self.objective, level)

    def weights(self, delay_s: Floats, gain_db: Floats, polarity: Floats) -> Complexes:
        """(n,) drives -> (n, n_freq)."""
        turn = np.exp(-2j * np.pi * delay_s[:, None] * self.problem.frequency_hz[None, :])
        return np.asarray((polarity * 10.0 ** (gain_db / 20.0))[:, None] * turn)

    def parts(self, state: State) -> Complexes:
        """What each slot adds: (n_slot, n_freq, n_seat)."""
        weights = self.weights(state.delay_s, state.gain_db, state.polarity)
        return np.asarray(weights[:, :, None] * self.transfer[:, :, state.column].transpose(2, 0, 1))

    def of(self, state: State) -> _Valued:
        """A state with its value."""
        value = self.values(self.parts(state).sum(axis=0)[None], np.array([state.gain_db.max()]))
        return _Valued(value=float(value[0]), state=state)

    def trials(self, state: State, slot: int, trial: State) -> Floats:
        """Values of a state with each of the trials, one a row, in place of a slot: (n,)."""
        others = np.delete(np.arange(len(state.column)), slot)
        rest = self.parts(state)[others].sum(axis=0)
        loudest = float(state.gain_db[others].max(initial=-np.inf))
        step = max(1, BATCH // max(1, rest.size))
        found = []
        for start in range(0, len(trial.column), step):
            part = slice(start, start + step)
            gain_db = trial.gain_db[part]
            weights = self.weights(trial.delay_s[part], gain_db, trial.polarity[part])
            own = weights[:, :, None] * self.transfer[:, :, trial.column[part]].transpose(2, 0, 1)
            found.append(self.values(rest + own, np.maximum(gain_db, loudest)))
        return np.concatenate(found)


def search_for(
    problem: Problem,
    objective: Objective,
    *,
    counts: Sequence[int],
    seed: int,
    keep: int,
    n_seat: int,
    running: Running = Running(),
) -> tuple[Outcome, ...]:
    """Plans that make an objective least, best first.

    Parameters
    ----------
    problem : candidates, seats and what may be adjusted.
    objective : level_db (n_plan, n_freq, n_seat) -> (n_plan,), less is better [dB re 1/m].
    counts, seed, keep : as for `search`.
    n_seat : the seats, which stand first among the problem's points; the others are not shown to the objective.
    running : progress, cancelling, threads; once cancelled, the best so far is returned.

    Raises
    ------
    ProjectInvalid : the objective gives something else than one number for each plan.
    """
    columns = columns_of(problem)
    transfer = np.stack([problem.transfer[:, :n_seat, list(group)].sum(axis=2) for group in columns.members], axis=2)
    judge = _Judge(problem=problem, columns=columns, transfer=transfer, objective=objective)
    outcomes = []
    for number, count in enumerate(counts):
        part = running.part(number / len(counts), (number + 1) / len(counts))
        outcomes.append(_one_count(judge, count, seed, keep, part))
    return tuple(outcomes)


def _one_count(judge: _Judge, count: int, seed: int, keep: int, running: Running) -> Outcome:
    begun, problem, columns = monotonic(), judge.problem, judge.columns
    (led,) = search(problem, counts=[count], seed=seed, keep=LED, effort=EFFORT, running=running.silent())
    starts = [state_of(columns, plan) for plan in led.plans]
    for k, groups in enumerate(patterns(columns, count)):
        random = [
            _at_random(judge, groups, np.random.default_rng([seed, count, 11, k, one])) for one in range(AT_RANDOM)
        ]
        starts += [one for one in random if one is not None]
    best: dict[tuple[int, ...], _Valued] = {}
    looked = 0
    for number, start in enumerate(starts):
        if running.stop_asked():
            break
        reached, tried = _descended(judge, start, running)
        looked += tried
        if reached.state.layout not in best or reached.value < best[reached.state.layout].value:
            best[reached.state.layout] = reached
        least = min(one.value for one in best.values())
        note = f"{count} {'sub' if count == 1 else 'subs'}, objective of your own; best so far {least:.4g}"
        running.step(STAGE, (number + 1) / (len(starts) + 1), note)
    leading = sorted(best.values(), key=lambda one: one.value)[: max(keep, POLISHED)]
    leading = [_moved(judge, one) if k < POLISHED else one for k, one in enumerate(leading)]
    leading = sorted(leading, key=lambda one: one.value)[:keep]
    plans: tuple[FoundPlan, ...] = tuple(plan_of(problem, columns, one.state) for one in leading)
    stop = Stop.OWN_OBJECTIVE if plans else Stop.NO_LAYOUT
    possible = layouts_possible(columns, count)
    return Outcome(
        count=count,
        plans=plans,
        layouts_searched=min(looked, max(1, possible - 1)) if possible else 0,  # looks, repeats counted
        layouts_possible=possible,
        seconds=monotonic() - begun,
        exhaustive=False,
        stop=Stop.INTERRUPTED if running.stop_asked() else stop,
        remarks=(_best_remark(leading),) if leading else (),
    )


def _best_remark(leading: Sequence[_Valued]) -> str:
    return (
        f"Found for an objective given in code, which this file does not hold: {leading[0].value:.6g} at the first "
        "plan. The plans stand in its order, not in that of variation."
    )


def _at_random(judge: _Judge, groups: tuple[int, ...], random: np.random.Generator) -> State | None:
    """Columns and drives drawn at random; None where no columns fit together."""
    state = random_drives(np.full(len(groups), -1), judge.problem.drives, random)
    for slot in range(len(groups)):
        fits = (judge.columns.group == groups[slot]) & judge.columns.beside(state.column[:slot])
        if not fits.any():
            return None
        state.column[slot] = random.choice(np.flatnonzero(fits))
    return state


def _descended(judge: _Judge, state: State, running: Running) -> tuple[_Valued, int]:
    """One sub after another at its best place and drive, until none helps; and how many places were looked at."""
    best, looked = judge.of(state), 0
    for _ in range(SWEEPS):
        before = best.value
        for slot in range(len(state.column)):
            if running.stop_asked():
                return best, looked
            others = np.delete(best.state.column, slot)
            group = judge.columns.group[best.state.column[slot]]
            places = np.flatnonzero((judge.columns.group == group) & judge.columns.beside(others))
            looked += len(places)
            best = _best_of(judge, best, slot, _grid(judge, places))
            best = _best_of(judge, best, slot, _finer(judge, best.state, slot))
        if best.value > before - BETTER * abs(before):
            break
    return best, looked


def _best_of(judge: _Judge, best: _Valued, slot: int, trial: State) -> _Valued:
    """The best of some trials for a slot, or the state as it is."""
    values = judge.trials(best.state, slot, trial)
    at = int(np.argmin(values))
    if not values[at] < best.value:
        return best
    state = best.state.copy()
    for name in ("column", "delay_s", "gain_db", "polarity"):
        getattr(state, name)[slot] = getattr(trial, name)[at]
    return _Valued(value=float(values[at]), state=state)


def _grid(judge: _Judge, places: Integers) -> State:
    """A grid of drives at some places."""
    drives = judge.problem.drives
    delays = np.linspace(0.0, drives.delay_span_s, DELAYS) if drives.delay_span_s > 0.0 else np.zeros(1)
    gains = np.linspace(-min(drives.gain_span_db, 9.0), 0.0, GAINS) if drives.gain_span_db > 0.0 else np.zeros(1)
    return _crossed(places, delays, gains, _signs(judge))


def _finer(judge: _Judge, state: State, slot: int) -> State:
    """Finer drives of a slot where it stands."""
    drives = judge.problem.drives
    delays = state.delay_s[slot] + drives.delay_span_s / (DELAYS - 1) * np.linspace(-1.0, 1.0, 2 * DELAYS + 1)
    gains = state.gain_db[slot] + min(drives.gain_span_db, 9.0) / (GAINS - 1) * np.linspace(-1.0, 1.0, 2 * GAINS + 1)
    return _crossed(
        state.column[[slot]],
        np.unique(np.clip(delays, 0.0, drives.delay_span_s)),
        np.unique(np.clip(gains, -drives.gain_span_db, 0.0)),
        np.unique(np.array([state.polarity[slot]])),
    )


def _signs(judge: _Judge) -> Floats:
    return np.array([1.0, -1.0]) if judge.problem.drives.polarity else np.ones(1)


def _crossed(column: Integers, delay_s: Floats, gain_db: Floats, polarity: Floats) -> State:
    """Every combination, one a row."""
    columns, *drives = (one.ravel() for one in np.meshgrid(column, delay_s, gain_db, polarity, indexing="ij"))
    delays, gains, signs = (one.astype(np.float64) for one in drives)
    return State(column=columns.astype(np.int64), delay_s=delays, gain_db=gains, polarity=signs)


def _moved(judge: _Judge, best: _Valued) -> _Valued:
    """The drives moved slot by slot in ever smaller steps."""
    drives = judge.problem.drives
    delay, gain = drives.delay_span_s / (4 * DELAYS), min(drives.gain_span_db, 9.0) / (4 * GAINS)
    for _ in range(HALVINGS):
        for slot in range(len(best.state.column)):
            steps = np.array([-1.0, 0.0, 1.0])
            trial = _crossed(
                best.state.column[[slot]],
                np.unique(np.clip(best.state.delay_s[slot] + delay * steps, 0.0, drives.delay_span_s)),
                np.unique(np.clip(best.state.gain_db[slot] + gain * steps, -drives.gain_span_db, 0.0)),
                best.state.polarity[[slot]],
            )
            best = _best_of(judge, best, slot, trial)
        delay, gain = delay / 2.0, gain / 2.0
    return best
