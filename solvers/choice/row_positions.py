"""Where the rows should be: seats are part of the design.

Every row that may move gets places on a grid along x. The transfer functions to all of them come from the same call
of the model as those to the drawn seats, since further seats cost little. For each number of subs, the leading plans
at the drawn rows say which places suit them best; at those places the subs hop and their drives are searched again;
and so on to and fro, a few rounds. A local search in layouts, drives and places together: the best found.

Rows stay in the room and in order, no nearer to each other than `ROW_PITCH_M` (or than drawn, where that is less),
and no seat comes nearer to a candidate than the project file allows.

V^2 of all seats comes from each row's own sums, S1 = sum a L and S2 = sum a L^2 over its seats at each frequency:
V^2 = mean_f [ sum_rows S2 - (sum_rows S1)^2 ]. So each place of each row is computed once, and places are combined by
adding.
"""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import pairwise, product
from math import prod

import numpy as np

from roommodes.arrays import Complexes, Floats, Integers
from roommodes.project.placement_checks import EAR_DISTANCE_M
from roommodes.project.project import Project
from roommodes.responses.metrics import drive_weights, level_db, normalised, seat_pressure
from roommodes.running import Running
from solvers.choice.seatable import seatable
from solvers.search.hop import Burst
from solvers.search.layouts_met import Pool
from solvers.search.problem import FoundPlan, Outcome, Problem
from solvers.search.state import State, plan_of, state_of
from solvers.search.workbench import Tools, tools_of

STEP_M = 0.05  # between places
ROW_PITCH_M = 0.9  # from row to row, for legs and a way through: common practice, no source
MOST_BYTES = 60e6  # of transfer functions to moved seats; beyond it the grid is coarser
SLACK_M = 1e-9
MOST_COMBINED = 20_000  # combinations of places that are all tried; beyond it row after row
LEADING = 12  # plans gone on from
PLACES = 3  # combinations of places gone on with, in the first round
ROUNDS = 3
KEPT = 4  # plans polished at each combination of places


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RowPlaces:
    """Where the rows may be.

    Parameters
    ----------
    name : (n_row,) of the rows, in the file's order.
    x_m : (n_row,) as drawn [m].
    offset_m : for each row its places relative to the drawn one, rising, 0 among them [m].
    least_gap_m : for each pair of neighbours (front row, rear row) the least distance [m].
    seat_row : (n_seat,) row of each seat.
    moved_m : (n_moved, 3) ears at all places but the drawn ones [m].
    index : for each row (n_place, n_seat of the row) into the drawn seats followed by the moved ones.
    step_m : between places [m].
    """

    name: tuple[str, ...]
    x_m: Floats
    offset_m: tuple[Floats, ...]
    least_gap_m: tuple[tuple[int, int, float], ...]
    seat_row: Integers
    moved_m: Floats
    index: tuple[Integers, ...]
    step_m: float

    def allowed(self, places: Sequence[int]) -> bool:
        """Whether the rows keep their order and distance at these places, one index per row."""
        at = [float(self.x_m[r] + self.offset_m[r][k]) for r, k in enumerate(places)]
        return all(at[rear] - at[front] >= gap - SLACK_M for front, rear, gap in self.least_gap_m)

    def seats(self, places: Sequence[int]) -> Integers:
        """Index of every seat, in the drawn order, at these places: (n_seat,)."""
        chosen = np.empty(len(self.seat_row), dtype=np.int64)
        for row, k in enumerate(places):
            chosen[self.seat_row == row] = self.index[row][k]
        return chosen

    @property
    def drawn(self) -> tuple[int, ...]:
        """The drawn places, one index per row."""
        return tuple(int(np.argmin(np.abs(offset))) for offset in self.offset_m)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RowMove:
    """Where the rows should be for one number of subs.

    Parameters
    ----------
    count : subs.
    offset_m : (n_row,) toward the rear [m].
    plan : at the moved rows.
    drawn_variation_db : of the best plan at the drawn rows [dB].
    row, at_m, at_variation_db : (n_point,) the plan held, one row moved to each of its places and the others left
        where they should be: which row, its offset [m], and the variation there [dB].
    worst_near_db : most variation with every moved row up to one step of its grid off, the plan held [dB].
    """

    count: int
    offset_m: Floats
    plan: FoundPlan
    drawn_variation_db: float
    row: Integers
    at_m: Floats
    at_variation_db: Floats
    worst_near_db: float


def row_places(project: Project, *, n_freq: int, step_m: float = STEP_M) -> RowPlaces | None:
    """The places that the project's rows may take; None if none may move.

    Parameters
    ----------
    project : with its rows, their `move_m`, and its candidates.
    n_freq : frequencies at which they will be computed, for the grid's size.
    step_m : between places [m].
    """
    rows = project.rows
    if not any(row.move_m and max(row.move_m) > 0.0 for row in rows):
        return None
    seats = project.seats
    candidates = project.candidates.position_m
    furthest_m = max(max(row.move_m or (0.0,)) for row in rows)
    while True:
        offsets = [_offsets(row.move_m or (0.0, 0.0), step_m) for row in rows]
        moved = sum((len(offset) - 1) * len(row.y_m) for offset, row in zip(offsets, rows, strict=True))
        if 16.0 * n_freq * moved * len(candidates) <= MOST_BYTES or step_m > furthest_m:
            break
        step_m *= 2.0
    kept, index, extra = [], [], [np.empty((0, 3))]
    n_all = len(seats)
    for number, offset in enumerate(offsets):
        own = np.flatnonzero(seats.row == number)
        good, where = [], []
        for shift in offset:
            ears = seats.position_m[own] + np.array([shift, 0.0, 0.0])
            if shift == 0.0:
                where.append(own)
            elif not seatable(project, number, float(shift)) or (
                len(candidates) and np.linalg.norm(ears[:, None] - candidates, axis=2).min() < EAR_DISTANCE_M
            ):
                continue
            else:
                where.append(np.arange(n_all, n_all + len(own)))
                extra.append(ears)
                n_all += len(own)
            good.append(shift)
        kept.append(np.array(good))
        index.append(np.array(where, dtype=np.int64))
    x = np.array([row.x_m for row in rows])
    order = np.argsort(x, kind="stable").tolist()
    return RowPlaces(
        name=tuple(row.name for row in rows),
        x_m=x,
        offset_m=tuple(kept),
        least_gap_m=tuple((a, b, min(ROW_PITCH_M, float(x[b] - x[a]))) for a, b in pairwise(order)),
        seat_row=np.asarray(seats.row, dtype=np.int64),
        moved_m=np.concatenate(extra),
        index=tuple(index),
        step_m=step_m,
    )


def best_rows(
    problem: Problem,
    places: RowPlaces,
    transfer: Complexes,
    outcome: Outcome,
    *,
    seed: int,
    running: Running = Running(),
) -> RowMove | None:
    """Where the rows should be for one number of subs; None if cancelled, or if only one seat counts.

    Parameters
    ----------
    problem : at the drawn rows.
    places : where the rows may be.
    transfer : (n_freq, n_seat + n_moved, n_candidate), the drawn seats first [1/m].
    outcome : the plans at the drawn rows.
    seed : >= 0; the same seed gives the same places.
    running : cancelling, threads.
    """
    plans = outcome.plans[:LEADING]
    if not plans or running.stop_asked() or np.count_nonzero(problem.seat_weight) == 1:
        return None
    every = _combined(places, [range(len(offset)) for offset in places.offset_m])

    def suited(plan: FoundPlan) -> tuple[float, tuple[int, ...]]:
        return _best_places(places, every, _sums(problem, places, transfer, plan))

    fitted = sorted((*suited(plan), k) for k, plan in enumerate(plans))
    best = (fitted[0][0], fitted[0][1], plans[fitted[0][2]])
    waiting = list(dict.fromkeys(where for _, where, _ in fitted))[:PLACES]
    tried: set[tuple[int, ...]] = set()
    with ThreadPoolExecutor(running.thread_count, thread_name_prefix="rows") as pool:
        for turn in range(ROUNDS):
            ahead = []
            for where in waiting:
                tried.add(where)
                there = replace(problem, transfer=transfer[:, places.seats(where)])
                for plan in _searched(tools_of(there, pool, running), plans, [seed, outcome.count, 8, turn]):
                    value, new = suited(plan)
                    if value < best[0]:
                        best = (value, new, plan)
                    ahead.append((value, new))
                if running.stop_asked():
                    return None
            waiting = [where for _, where in sorted(ahead) if where not in tried][:1]
            if not waiting:
                break
        _, where, plan = best
        there = replace(problem, transfer=transfer[:, places.seats(where)])
        tools = tools_of(there, pool, running)
        final = plan_of(there, tools.columns, tools.polisher.polish(state_of(tools.columns, plan))[0])
    return _told(places, _sums(problem, places, transfer, final), where, final, outcome)


def _offsets(move_m: tuple[float, float], step_m: float) -> Floats:
    """Places from the frontmost to the rearmost, multiples of the step, and the ends: (n,) [m]."""
    front, rear = move_m
    steps = np.arange(-np.floor(front / step_m + SLACK_M), np.floor(rear / step_m + SLACK_M) + 1)
    inner = np.round(steps * step_m, 6) + 0.0
    return np.unique(np.round(np.concatenate([inner, [-front, rear, 0.0]]), 6) + 0.0)


def _sums(problem: Problem, places: RowPlaces, transfer: Complexes, plan: FoundPlan) -> list[tuple[Floats, Floats]]:
    """For each row S1 and S2 at its places: (n_place, n_freq) each."""
    weight = normalised(problem.seat_weight)
    w = drive_weights(problem.frequency_hz, gain_db=plan.gain_db, delay_s=plan.delay_s, polarity=plan.polarity)
    level = level_db(seat_pressure(transfer[:, :, plan.candidate_index], w))
    found = []
    for row, index in enumerate(places.index):
        a = weight[places.seat_row == row]
        here = level[:, index]  # (n_freq, n_place, n_seat of the row)
        found.append(((here @ a).T, (here**2 @ a).T))
    return found


def _value(sums: Sequence[tuple[Floats, Floats]], where: Integers) -> Floats:
    """V^2 at combinations of places: (n, n_row) -> (n,) [dB2]."""
    first = sum(s1[where[:, row]] for row, (s1, _) in enumerate(sums))
    second = sum(s2[where[:, row]] for row, (_, s2) in enumerate(sums))
    return np.asarray(np.maximum(np.mean(second - first**2, axis=1), 0.0))


def _combined(places: RowPlaces, ranges: Sequence[Sequence[int]]) -> Integers | None:
    """The allowed combinations of some places of each row: (n, n_row); None if there are too many to try."""
    if prod(len(one) for one in ranges) > MOST_COMBINED:
        return None
    return np.array([one for one in product(*ranges) if places.allowed(one)], dtype=np.int64)


def _best_places(
    places: RowPlaces, every: Integers | None, sums: Sequence[tuple[Floats, Floats]]
) -> tuple[float, tuple[int, ...]]:
    """The places that suit a plan best, its drives held: (V^2, one index per row)."""
    where = np.array([places.drawn]) if every is None else every
    for _ in range(1 if every is not None else 4 * len(sums)):  # if not all at once: row after row, until none moves
        values = _value(sums, where)
        at = int(np.argmin(values))
        best = (float(values[at]), tuple(where[at].tolist()))
        if every is None:
            trials = [best[1]]
            for row, offsets in enumerate(places.offset_m):
                trials += [(*best[1][:row], k, *best[1][row + 1 :]) for k in range(len(offsets))]
            following = np.array([one for one in trials if places.allowed(one)])
            if len(following) == len(where) and np.array_equal(following, where):
                break
            where = following
    return best


def _searched(tools: Tools, plans: Sequence[FoundPlan], entropy: list[int]) -> list[FoundPlan]:
    """Layouts and drives searched again from some plans: the leading ones, polished."""
    problem, columns = tools.problem, tools.columns
    states = [state_of(columns, plan) for plan in plans]
    if problem.drives.is_single or len(states[0].column) == 1:
        return [plan_of(problem, columns, state) for state in states]

    def hop(job: tuple[int, State]) -> Burst:
        random = np.random.default_rng([*entropy, job[0]])
        return tools.hopper.burst(job[1], value=np.inf, hops=1, random=random)

    met = Pool()
    for burst in tools.each(hop, enumerate(states)):
        for value, state in burst.met:
            met.offer(value, state)
    return [plan_of(problem, columns, tools.polisher.polish(state)[0]) for _, state in met.best(KEPT)]


def _told(
    places: RowPlaces,
    sums: Sequence[tuple[Floats, Floats]],
    where: tuple[int, ...],
    plan: FoundPlan,
    outcome: Outcome,
) -> RowMove:
    """The answer, with the variation around it."""
    trials = [
        (row, k, (*where[:row], k, *where[row + 1 :]))
        for row, offsets in enumerate(places.offset_m)
        if len(offsets) > 1
        for k in range(len(offsets))
    ]
    trials = [trial for trial in trials if places.allowed(trial[2])]
    near = _combined(
        places, [range(max(0, k - 1), min(len(o), k + 2)) for k, o in zip(where, places.offset_m, strict=True)]
    )
    if near is None:  # so many rows: one at a time
        near = np.array([one for row, k, one in trials if abs(k - where[row]) <= 1])
    return RowMove(
        count=outcome.count,
        offset_m=np.array([float(o[k]) for o, k in zip(places.offset_m, where, strict=True)]),
        plan=plan,
        drawn_variation_db=outcome.plans[0].variation_db,
        row=np.array([row for row, _, _ in trials], dtype=np.int64),
        at_m=np.array([float(places.offset_m[row][k]) for row, k, _ in trials]),
        at_variation_db=np.sqrt(_value(sums, np.array([one for _, _, one in trials]))),
        worst_near_db=float(np.sqrt(_value(sums, near).max())),
    )
