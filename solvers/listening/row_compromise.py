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

from roommodes.arrays import Complexes, Floats, Integers
from roommodes.plan.file import Results
from roommodes.project.project import Project
from roommodes.responses.metrics import drive_weights, level_db, normalised, output_db, seat_pressure, variation_db
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
    gain_db, delay_s, polarity : (n_sub,) its own setting.
    level_here_db, level_alone_db : (n_freq,) mean over the row [dB].
    """

    row: int
    here_db: float
    alone_db: float
    output_here_db: float
    output_alone_db: float
    all_alone_db: float
    gain_db: Floats
    delay_s: Floats
    polarity: Integers
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


def compromise(
    project: Project,
    results: Results,
    *,
    subs: int,
    rank: int,
    running: Running = Running(),
) -> Compromise:
    """Compare the rows with a plan's setting, and each with its own best setting.

    Parameters
    ----------
    project, results : the plan's own.
    subs, rank : which plan; rank from 0.
    running : progress, cancelling, threads; once cancelled, the costs found so far are returned.
    """
    table, hz, seats = results.plans[subs], results.frequency_hz, results.seats
    index = table.candidate_index[rank]
    transfer = results.transfer[:, :, index]
    delay_s = table.delay_s[rank]
    pressure = _pressure(hz, transfer, table.gain_db[rank], delay_s, table.polarity[rank])
    level = level_db(pressure)
    rows = tuple(int(row) for row in np.unique(seats.row))
    own = {row: np.where(seats.row == row, seats.weight, 0.0) for row in rows}
    first = first_sound_s(project, results.candidates.position_m[index], delay_s, seats.position_m)
    centre = energy_time_s(hz, pressure)
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
        problem = Problem(frequency_hz=hz, transfer=transfer, seat_weight=own[row], drives=drives_of(project))
        (outcome,) = search(problem, counts=[subs], seed=results.seed, keep=1, effort=EFFORT, running=running.silent())
        if running.stop_asked() or not outcome.plans:
            break
        plan = outcome.plans[0]
        alone = level_db(_pressure(hz, transfer, plan.gain_db, plan.delay_s, plan.polarity))
        here_db, alone_db = variation_db(level, own[row]), variation_db(alone, own[row])
        better = alone_db < here_db or np.count_nonzero(own[row]) == 1
        gain = plan.gain_db if better else table.gain_db[rank]
        costs.append(
            RowCost(
                row=row,
                here_db=here_db,
                alone_db=min(alone_db, here_db),  # the common setting is one of those that it might take
                output_here_db=output_db(level, own[row], table.gain_db[rank]),
                output_alone_db=output_db(alone if better else level, own[row], gain),
                all_alone_db=variation_db(alone if better else level, seats.weight),
                gain_db=np.asarray(gain),
                delay_s=np.asarray(plan.delay_s if better else delay_s),
                polarity=np.asarray(plan.polarity if better else table.polarity[rank]).astype(np.int64),
                level_here_db=mean[row],
                level_alone_db=(alone if better else level) @ normalised(own[row]),
            )
        )
    return Compromise(rows=rows, pairs=pairs, costs=tuple(costs), variation_db=variation_db(level, seats.weight))


def first_sound_s(project: Project, sub_m: Floats, delay_s: Floats, seat_m: Floats) -> Floats:
    """Earliest direct sound at each seat: (n_sub, 3), (n_sub,), (n_seat, 3) -> (n_seat,) [s]."""
    return np.asarray(arrivals_s(project, sub_m, delay_s, seat_m).min(axis=1))


def arrivals_s(project: Project, sub_m: Floats, delay_s: Floats, seat_m: Floats) -> Floats:
    """Direct sound of each sub at each seat, after the earliest sub's signal: (n_seat, n_sub) [s]."""
    distance = np.linalg.norm(seat_m[:, None, :] - sub_m[None, :, :], axis=2)
    return np.asarray(distance / project.room().air.speed_of_sound_m_s + (delay_s - delay_s.min()))


def energy_time_s(frequency_hz: Floats, pressure: Complexes) -> Floats:
    """Centre of energy of the response in the band: (n_freq,), (n_freq, n_seat) -> (n_seat,) [s]."""
    step = np.diff(2.0 * np.pi * frequency_hz)[:, None]
    turn = pressure[1:] * pressure[:-1].conj()
    size = np.abs(turn)
    energy = np.sum(size * step, axis=0)
    return np.asarray(-np.sum(size * np.angle(turn), axis=0) / np.maximum(energy, np.finfo(np.float64).tiny))


def _pressure(hz: Floats, transfer: Complexes, gain_db: Floats, delay_s: Floats, polarity: Integers) -> Complexes:
    return seat_pressure(transfer, drive_weights(hz, gain_db=gain_db, delay_s=delay_s, polarity=polarity))
