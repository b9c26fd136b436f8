"""One setting for all rows: how alike the rows are with it, and what it costs each against a setting of its own.

Every row's own setting is searched as the plan's was, at the same positions and within the same limits, with only that
row's seats counted. The cost of the compromise is the variation within the row with the common setting less that with
its own. A row of one seat has no variation within it, so there only the level tells.

Arrivals: `first sound` is the earliest direct sound of any sub, delay and distance over the speed of sound; `energy` is
the centre of energy of the response in the band, t = -sum |p|^2 dphi / sum |p|^2 domega, phi the phase. Between two
neighbouring frequencies the phase must turn by less than half a turn: at 24 points per octave up to 0.14 s at 120 Hz.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from roommodes.arrays import Floats
from roommodes.plan.drives import Drives
from roommodes.plan.plan import Plan
from roommodes.responses.metrics import energy_time_s, level_db, normalised, output_db, seat_pressure, variation_db
from roommodes.running import Running
from solvers.search.explore import Effort
from solvers.search.from_project import drives_of
from solvers.search.problem import Problem
from solvers.search.search import search

EFFORT = Effort(hops=24)  # one layout has few drives to try


@dataclass(frozen=True, slots=True, kw_only=True)
class RowPair:
    """Two rows with the plan's one setting.

    Parameters
    ----------
    rows : their indices.
    response_db : rms over frequency of the difference of their mean levels, its mean taken out [dB].
    level_db : mean level of the first over that of the second [dB].
    first_sound_s, energy_s : by how much the second hears later than the first [s].
    """

    rows: tuple[int, int]
    response_db: float
    level_db: float
    first_sound_s: float
    energy_s: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RowCost:
    """One row with the common setting and with its own.

    Parameters
    ----------
    row : its index.
    here_db, alone_db : variation within the row, with the common setting and with its own [dB].
    output_here_db, output_alone_db : output at the row [dB].
    all_alone_db : variation over all seats with this row's own setting [dB].
    drives : its own setting.
    level_here_db, level_alone_db : (n_freq,) mean over the row [dB].
    """

    row: int
    here_db: float
    alone_db: float
    output_here_db: float
    output_alone_db: float
    all_alone_db: float
    drives: Drives
    level_here_db: Floats
    level_alone_db: Floats

    @property
    def cost_db(self) -> float:
        """What the common setting costs this row, at least 0 [dB]."""
        return max(0.0, self.here_db - self.alone_db)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Compromise:
    """One setting for all rows.

    Parameters
    ----------
    rows : indices of the rows that have seats.
    pairs : every two of them.
    costs : for each row; fewer when interrupted.
    variation_db : over all seats, with the common setting [dB].
    """

    rows: tuple[int, ...]
    pairs: tuple[RowPair, ...]
    costs: tuple[RowCost, ...]
    variation_db: float


def compromise(plan: Plan, *, running: Running = Running()) -> Compromise:
    """Compare the rows with a plan's setting, and each with its own best setting.

    Parameters
    ----------
    plan : its drives, without filters.
    running : progress, cancelling, threads; once cancelled, the costs found so far are returned.
    """
    seats, level = plan.seats, plan.level_db
    pressure = seat_pressure(plan.transfer, plan.drives.weights(plan.frequency_hz))
    rows = tuple(int(row) for row in np.unique(seats.row))
    own = {row: np.where(seats.row == row, seats.weight, 0.0) for row in rows}
    first = first_sound_s(plan)
    centre = energy_time_s(plan.frequency_hz, pressure)
    mean = {row: level @ normalised(own[row]) for row in rows}
    arrivals = {row: (float(first @ normalised(own[row])), float(centre @ normalised(own[row]))) for row in rows}
    pairs = tuple(
        RowPair(
            rows=(a, b),
            response_db=float(np.std(mean[a] - mean[b])),
            level_db=float(np.mean(mean[a] - mean[b])),
            first_sound_s=arrivals[b][0] - arrivals[a][0],
            energy_s=arrivals[b][1] - arrivals[a][1],
        )
        for a, b in combinations(rows, 2)
    )
    costs: list[RowCost] = []
    for number, row in enumerate(rows):
        running.step("each row alone", number / len(rows))
        cost = _cost(plan, row, own[row], running.silent())
        if cost is None:
            break
        costs.append(cost)
    return Compromise(rows=rows, pairs=pairs, costs=tuple(costs), variation_db=variation_db(level, seats.weight))


def _cost(plan: Plan, row: int, weight: Floats, running: Running) -> RowCost | None:
    """One row alone, with the seats' weights in it; None when cancelled."""
    problem = Problem(
        frequency_hz=plan.frequency_hz, transfer=plan.transfer, seat_weight=weight, drives=drives_of(plan.project)
    )
    (outcome,) = search(problem, counts=[plan.subs], seed=plan.results.seed, keep=1, effort=EFFORT, running=running)
    if running.stop_asked() or not outcome.plans:
        return None
    found, level = outcome.plans[0], plan.level_db
    alone = level_db(seat_pressure(plan.transfer, found.drives.weights(plan.frequency_hz)))
    here_db, alone_db = variation_db(level, weight), variation_db(alone, weight)
    better = alone_db < here_db or np.count_nonzero(weight) == 1
    drives, best = (found.drives, alone) if better else (plan.drives, level)
    return RowCost(
        row=row,
        here_db=here_db,
        alone_db=min(alone_db, here_db),  # the common setting is one of those that it might take
        output_here_db=output_db(level, weight, plan.drives.gain_db),
        output_alone_db=output_db(best, weight, drives.gain_db),
        all_alone_db=variation_db(best, plan.seats.weight),
        drives=drives,
        level_here_db=level @ normalised(weight),
        level_alone_db=best @ normalised(weight),
    )


def first_sound_s(plan: Plan) -> Floats:
    """Earliest direct sound at each seat, after the earliest sub's signal: (n_seat,) [s]."""
    return np.asarray(plan.arrival_s.min(axis=1))
