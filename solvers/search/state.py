"""A plan while it is being searched: columns and drives of its slots."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from roommodes.arrays import Floats, Integers
from roommodes.responses.metrics import drive_weights, level_db, outputs_db, seat_pressure, variations_db
from solvers.search.columns import Columns
from solvers.search.problem import DriveRange, FoundPlan, Problem
from solvers.search.steps import on_steps

Row = TypeVar("Row")

SIDE_BY_SIDE = 2**18  # transfer functions of plans that are judged at once: some megabytes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class State:
    """Columns and drives, slot by slot; only differences of gain and of delay between slots mean anything.

    Parameters
    ----------
    column : (n_slot,) int64.
    delay_s, gain_db, polarity : (n_slot,) float64.
    """

    column: Integers
    delay_s: Floats
    gain_db: Floats
    polarity: Floats

    @property
    def layout(self) -> tuple[int, ...]:
        """The columns in rising order: what tells one layout from another."""
        return tuple(sorted(self.column.tolist()))

    def copy(self) -> "State":
        """A copy whose arrays may be written."""
        return State(
            column=self.column.astype(np.int64),
            delay_s=self.delay_s.astype(np.float64),
            gain_db=self.gain_db.astype(np.float64),
            polarity=self.polarity.astype(np.float64),
        )


def equal_drives(column: Integers) -> State:
    """All slots alike: no delay, no gain, upright."""
    n = len(column)
    return State(column=np.array(column, dtype=np.int64), delay_s=np.zeros(n), gain_db=np.zeros(n), polarity=np.ones(n))


def random_drives(column: Integers, drives: DriveRange, random: np.random.Generator) -> State:
    """Drives drawn from their ranges; gains from the upper half, where good plans have most of theirs."""
    n = len(column)
    return State(
        column=np.array(column, dtype=np.int64),
        delay_s=random.uniform(0.0, 1.0, n) * drives.delay_span_s,
        gain_db=random.uniform(-0.5, 0.0, n) * drives.gain_span_db,
        polarity=random.choice([-1.0, 1.0], n) if drives.polarity else np.ones(n),
    )


def placed(state: State, drives: DriveRange) -> State:
    """Shift the common gain and delay: the loudest sub at the top of its range, the earliest at the bottom.

    Delays go to the nearest multiple of the delay step.
    """
    gain, delay = _in_range(state.gain_db, state.delay_s, drives)
    return State(column=state.column, delay_s=delay, gain_db=gain, polarity=state.polarity)


def _in_range(gain_db: Floats, delay_s: Floats, drives: DriveRange) -> tuple[Floats, Floats]:
    """As `placed`, of one state or several: (..., n_slot) each [dB], [s]."""
    low_delay, high_delay = drives.delay_s
    low_gain, high_gain = drives.gain_db
    delay = delay_s - delay_s.min(axis=-1, keepdims=True) + low_delay
    if drives.delay_step_s > 0.0:
        delay = low_delay + drives.delay_step_s * np.round((delay - low_delay) / drives.delay_step_s)
        most = low_delay + drives.delay_step_s * np.floor(drives.delay_span_s / drives.delay_step_s + 1e-9)
        delay = np.minimum(delay, most)
    gain = gain_db - gain_db.max(axis=-1, keepdims=True) + high_gain
    return np.clip(gain, low_gain, high_gain), np.clip(delay, low_delay, high_delay)


def stepped(problem: Problem, columns: Columns, state: State, *, reward: float = 0.0) -> State:
    """The state on the steps of gain and delay, if there are any; `reward` is the worth of one dB of output [dB^2]."""
    drives = problem.drives
    if len(state.column) == 1 or not (drives.gain_step_db or drives.delay_step_s):
        return state
    gain, delay = on_steps(
        columns.transfer[:, :, state.column],
        problem.frequency_hz,
        columns.seat_weight,
        state.polarity,
        gain_db=state.gain_db,
        delay_s=state.delay_s,
        drives=drives,
        reward=reward,
    )
    return replace(state, gain_db=gain, delay_s=delay)


def plan_of(problem: Problem, columns: Columns, state: State, *, reward: float = 0.0) -> FoundPlan:
    """The plan in terms of candidates, judged in float64 by roommodes.responses.metrics on all frequencies.

    Candidates stand in rising order; the first one is upright (only relative polarity can be heard). Where the
    processor has steps, the plan is on them; `reward` counts in that, as in `stepped`.
    """
    (plan,) = plans_of(problem, columns, [state], rewards=[reward])
    return plan


def plans_of(
    problem: Problem, columns: Columns, states: Sequence[State], *, rewards: Sequence[float]
) -> list[FoundPlan]:
    """`plan_of` of several states, those whose columns have as many members side by side in arrays."""
    found: list[FoundPlan | None] = [None] * len(states)
    alike: dict[tuple[int, ...], list[int]] = {}
    for row, state in enumerate(states):
        alike.setdefault(tuple(columns.size[state.column].tolist()), []).append(row)
    for size, rows in alike.items():
        for batch in batches(problem, sum(size), rows):
            plans = _plans(problem, columns, [states[row] for row in batch], [rewards[row] for row in batch])
            for row, plan in zip(batch, plans, strict=True):
                found[row] = plan
    return [plan for plan in found if plan is not None]


def batches(problem: Problem, subs: int, rows: Sequence[Row]) -> Iterator[Sequence[Row]]:
    """Plans with so many subs, so many at a time that their transfer functions keep within `SIDE_BY_SIDE`."""
    most = max(1, SIDE_BY_SIDE // (len(problem.frequency_hz) * problem.n_seat * subs))
    for start in range(0, len(rows), most):
        yield rows[start : start + most]


def _plans(
    problem: Problem, columns: Columns, states: Sequence[State], rewards: Sequence[float]
) -> Iterator[FoundPlan]:
    """The plans of states whose columns have as many members, slot by slot."""
    hz, drives = problem.frequency_hz, problem.drives
    if drives.gain_step_db or drives.delay_step_s:
        states = [
            stepped(problem, columns, placed(state, drives), reward=reward)
            for state, reward in zip(states, rewards, strict=True)
        ]
    gain = np.array([state.gain_db for state in states])
    delay = np.array([state.delay_s for state in states])
    polarity = np.array([state.polarity for state in states])
    if not (drives.gain_step_db or drives.delay_step_s):
        gain, delay = _in_range(gain, delay, drives)
    members = [[columns.members[column] for column in state.column.tolist()] for state in states]
    spread = np.repeat(np.arange(gain.shape[1]), [len(group) for group in members[0]])
    candidate = np.array([[c for group in groups for c in group] for groups in members], dtype=np.int64)
    order = np.argsort(candidate, axis=1, kind="stable")
    row, slot = np.arange(len(states))[:, None], spread[order]
    candidate = candidate[row, order]
    polarity = polarity[row, slot] * polarity[row, slot[:, :1]]
    gain, delay = gain[row, slot] + 0.0, delay[row, slot] + 0.0  # no -0
    weights = drive_weights(hz, gain_db=gain, delay_s=delay, polarity=polarity)
    level = level_db(seat_pressure(np.moveaxis(problem.transfer[:, :, candidate], 2, 0), weights))
    sign = np.where(polarity < 0.0, -1, 1).astype(np.int64)
    variation, output = variations_db(level, problem.seat_weight), outputs_db(level, problem.seat_weight, gain)
    for k in range(len(states)):
        yield FoundPlan(
            candidate_index=candidate[k],
            gain_db=gain[k],
            delay_s=delay[k],
            polarity=sign[k],
            variation_db=float(variation[k]),
            output_db=float(output[k]),
            level_db=level[k],
        )


def state_of(columns: Columns, plan: FoundPlan) -> State:
    """The plan as the search sees it: one slot for each column; those of a pair have one drive."""
    number = {group: column for column, group in enumerate(columns.members)}
    left = list(enumerate(plan.candidate_index.tolist()))
    slots: list[tuple[int, int]] = []
    while left:
        k, c = left.pop(0)
        pair = next((other for other in left if (c, other[1]) in number and _same_drive(plan, k, other[0])), None)
        if pair is not None:
            left.remove(pair)
        slots.append((number[(c,) if pair is None else (c, pair[1])], k))
    order = [k for _, k in slots]
    return State(
        column=np.array([column for column, _ in slots], dtype=np.int64),
        delay_s=plan.delay_s[order].astype(np.float64),
        gain_db=plan.gain_db[order].astype(np.float64),
        polarity=plan.polarity[order].astype(np.float64),
    )


def _same_drive(plan: FoundPlan, i: int, j: int) -> bool:
    return all(values[i] == values[j] for values in (plan.delay_s, plan.gain_db, plan.polarity))
