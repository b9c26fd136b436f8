"""The result of a strategy in one room: its layout with all settings, and the figures of that.

A search is a little too good on the frequencies that it sees: peaks and nulls between them are not heard. So it sees
many, and the figure that counts is taken on a grid twice as fine.
"""

from dataclasses import dataclass, replace
from math import ceil, log10
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Complexes, Floats
from roommodes.responses.metrics import drive_weights, level_db, normalised, output_db, seat_pressure, variation_db
from roommodes.running import Running
from solvers.search.objective import Objective, asked
from solvers.search.problem import Problem
from solvers.study.places import Arm
from solvers.study.trimming import trimmed

AS_GIVEN = "one layout, set as the strategy says"
AS_TRIMMED = "one layout, its settings trimmed in this room"
HOPS = 1600  # of a search, a third of what a plan to be built gets: hundreds of rooms tell more than the last hundredth


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Answer:
    """A layout of a strategy with all settings.

    Parameters
    ----------
    column : (subs,) indices into all positions of the room.
    gain_db, delay_s, polarity : (subs,), those of the strategy included [dB], [s], +1 or -1.
    layouts : how many were tried; an estimate, rather too high, where not all were.
    note : why the search ended.
    """

    column: NDArray[np.intp]
    gain_db: Floats
    delay_s: Floats
    polarity: NDArray[np.int64]
    layouts: int
    note: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grid:
    """The field on a grid of frequencies.

    Parameters
    ----------
    frequency_hz : (n_freq,) [Hz].
    transfer : (n_freq, n_seat, n_position) from all positions of the room [1/m].
    seat_weight : (n_seat,).
    """

    frequency_hz: Floats
    transfer: Complexes
    seat_weight: Floats

    def every(self, step: int) -> "Grid":
        """Every so many-th frequency."""
        return replace(self, frequency_hz=self.frequency_hz[::step], transfer=self.transfer[::step])

    def columns(self, column: NDArray[np.intp]) -> Complexes:
        """The field of these positions: (n_freq, n_seat, n)."""
        return np.ascontiguousarray(self.transfer[:, :, column])

    def level_db(self, answer: Answer) -> Floats:
        """Level at the seats: (n_freq, n_seat) [dB re 1/m]."""
        weights = drive_weights(
            self.frequency_hz, gain_db=answer.gain_db, delay_s=answer.delay_s, polarity=answer.polarity
        )
        return level_db(seat_pressure(self.columns(answer.column), weights))

    def variation_db(self, answer: Answer) -> float:
        """Seat-to-seat variation [dB]."""
        return variation_db(self.level_db(answer), self.seat_weight)


def answered(arm: Arm, grid: Grid, seed: int, running: Running, objective: Objective | None = None) -> Answer | None:
    """The best layout and settings of a strategy that are found on a grid; None where nothing fits.

    Parameters
    ----------
    arm : the strategy in its room.
    grid : on which it is searched.
    seed : of the search.
    running : cancelling.
    objective : of one's own, level_db (n, n_freq, n_seat) -> (n,), less is better [dB re 1/m with the loudest sub at
        0 dB]; left out, the variation.
    """
    if len(arm.column) < arm.subs:
        return None
    if arm.searched:
        return _searched(arm, grid, seed, running, objective)
    answer = Answer(
        column=arm.column,
        gain_db=arm.gain_db,
        delay_s=arm.delay_s,
        polarity=arm.polarity,
        layouts=1,
        note=AS_TRIMMED if arm.trims else AS_GIVEN,
    )
    if arm.trims:
        gain_db, delay_s = trimmed(arm, grid.frequency_hz, grid.columns(answer.column), grid.seat_weight, objective)
        answer = replace(answer, gain_db=gain_db, delay_s=delay_s)
    return answer


def _searched(arm: Arm, grid: Grid, seed: int, running: Running, objective: Objective | None) -> Answer | None:
    """What the search finds, on one thread; where all positions are taken, on top of the strategy's own settings."""
    from solvers.search.explore import Effort  # noqa: PLC0415 (as the next)
    from solvers.search.own_objective import search_for  # noqa: PLC0415 (as the next)
    from solvers.search.search import search  # noqa: PLC0415 (a study without a search starts without the kernels)

    own = grid.columns(arm.column)
    problem = Problem(
        frequency_hz=grid.frequency_hz,
        transfer=own * arm.weights(grid.frequency_hz)[:, None, :] if arm.only_layout else own,
        seat_weight=grid.seat_weight,
        drives=arm.drives,
    )
    if objective is None:
        effort = Effort(hops=HOPS)
        (outcome,) = search(problem, counts=(arm.subs,), seed=seed, keep=1, effort=effort, running=running.on(1))
    else:
        own_aim, top_db = objective, arm.drives.gain_db[1]
        (outcome,) = search_for(
            problem,
            lambda level: own_aim(level - top_db),
            counts=(arm.subs,),
            seed=seed,
            keep=1,
            n_seat=len(grid.seat_weight),
            running=running.on(1),
        )
    if not outcome.plans:
        return None
    plan = outcome.plans[0]
    return Answer(
        column=arm.column[plan.candidate_index],
        gain_db=plan.gain_db + arm.gain_db,
        delay_s=plan.delay_s + arm.delay_s,
        polarity=plan.polarity.astype(np.int64) * arm.polarity,
        layouts=outcome.layouts_searched,
        note=outcome.stop.value,
    )


def objective_value(objective: Objective, answer: Answer, grid: Grid) -> float:
    """What an objective says of a layout, its loudest sub at 0 dB."""
    return float(asked(objective, grid.level_db(answer)[None] - answer.gain_db.max())[0])


def judged(answer: Answer, grid: Grid, near: NDArray[np.intp]) -> dict[str, Any]:
    """The figures of a layout.

    Parameters
    ----------
    answer : the layout with its settings.
    grid : on which it is judged.
    near : (n_freq,) to which of the frequencies that are kept, from 0, each frequency of the grid belongs.

    Returns
    -------
    variation_db, output_db and both at the frequencies that are kept: root mean square and mean of what is near them.
    """
    level, weight = grid.level_db(answer), normalised(grid.seat_weight)
    mean_db = level @ weight
    deviation2 = (level - mean_db[:, None]) ** 2 @ weight
    loudest = float(answer.gain_db.max()) + 20.0 * log10(len(answer.column))
    return {
        "variation_db": variation_db(level, grid.seat_weight),
        "output_db": output_db(level, grid.seat_weight, answer.gain_db),
        "variation_at_db": np.sqrt(np.bincount(near, deviation2) / np.bincount(near)),
        "output_at_db": np.bincount(near, mean_db - loudest) / np.bincount(near),
    }


def settings(answer: Answer, position_m: Floats) -> dict[str, Any]:
    """Where the subs stand and how they are set, and how many layouts were tried."""
    return {
        "position_m": position_m[answer.column],
        "gain_db": answer.gain_db,
        "delay_s": answer.delay_s,
        "polarity": answer.polarity,
        "layouts": answer.layouts,
    }


def nearest(n_freq: int, finer: int) -> NDArray[np.intp]:
    """For each frequency of the grid to judge on the index of the kept one that it belongs to, from 0."""
    return (np.arange(finer * (n_freq - 1) + 1) + finer // 2) // finer


def finer_by(points_per_octave: int, judged_per_octave: int) -> int:
    """How many times finer the grid to judge on is than that of the curves.

    An even number, so that every second frequency of it has the curves' among them.
    """
    return max(2, 2 * ceil(judged_per_octave / points_per_octave / 2.0))
