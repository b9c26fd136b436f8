"""What a strategy comes to in one room: its leading layouts on the search's grid, tuned on a finer one, and judged.

The search sees few frequencies, and what it finds is a little too good: peaks and nulls between them are not heard.
So its leading layouts are polished on a finer grid, trims are found there too, and the figure that counts is taken on
one that is twice as fine again.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil, log10
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Complexes, Floats
from roommodes.responses.metrics import drive_weights, level_db, normalised, output_db, seat_pressure, variation_db
from roommodes.running import Running
from solvers.search.columns import columns_of
from solvers.search.polish import polisher_of
from solvers.search.problem import Problem
from solvers.search.state import State
from solvers.study.places import Arm
from solvers.study.trimming import trimmed

AS_GIVEN = "one layout, driven as the strategy says"
AS_TRIMMED = "one layout, its settings trimmed in this room"
LEADING = 6  # layouts of the search that are polished on the finer grid
HOPS = 1600  # of a search, a third of what a plan to be built gets: hundreds of rooms tell more than the last hundredth


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Answer:
    """A layout of a strategy with all settings.

    Parameters
    ----------
    column : (subs,) indices into all positions of the room.
    gain_db, delay_s, polarity : (subs,), those of the strategy included [dB], [s], +1 or -1.
    layouts : how many were tried.
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


def as_given(arm: Arm) -> Answer:
    """The only layout, with the settings that the strategy gives."""
    return Answer(
        column=arm.column,
        gain_db=arm.gain_db,
        delay_s=arm.delay_s,
        polarity=arm.polarity,
        layouts=1,
        note=AS_TRIMMED if arm.trims else AS_GIVEN,
    )


def leading(arm: Arm, grid: Grid, seed: int, running: Running) -> tuple[Answer, ...]:
    """What the search finds, on one thread, best first; empty where nothing fits."""
    from solvers.search.explore import Effort  # noqa: PLC0415 (as the next)
    from solvers.search.search import search  # noqa: PLC0415 (a study without a search starts without the kernels)

    problem = Problem(
        frequency_hz=grid.frequency_hz,
        transfer=_driven(arm, grid, arm.column),
        seat_weight=grid.seat_weight,
        drives=arm.drives,
    )
    (outcome,) = search(
        problem, counts=(arm.subs,), seed=seed, keep=LEADING, effort=Effort(hops=HOPS), running=running.on(1)
    )
    return tuple(
        Answer(
            column=arm.column[plan.candidate_index],
            gain_db=plan.gain_db + arm.gain_db,
            delay_s=plan.delay_s + arm.delay_s,
            polarity=plan.polarity.astype(np.int64) * arm.polarity,
            layouts=outcome.layouts_searched,
            note=outcome.stop.value,
        )
        for plan in outcome.plans
    )


def tuned(arm: Arm, answers: Sequence[Answer], grid: Grid) -> Answer:
    """The best of the answers once each is polished, or trimmed, on a grid."""
    if arm.trims:
        (answer,) = answers
        gain_db, delay_s = trimmed(arm, grid.frequency_hz, grid.columns(answer.column), grid.seat_weight)
        return replace(answer, gain_db=gain_db, delay_s=delay_s)
    polished = [_polished(arm, answer, grid) for answer in answers]
    return min(polished, key=grid.variation_db)


def _driven(arm: Arm, grid: Grid, column: NDArray[np.intp]) -> Complexes:
    """The field of positions, with the settings that the strategy gives them; without any where they are chosen."""
    own = grid.columns(column)
    return own * arm.weights(grid.frequency_hz)[:, None, :] if arm.only_layout else own


def _polished(arm: Arm, answer: Answer, grid: Grid) -> Answer:
    """The settings of each sub moved to the nearest optimum on a grid, within their ranges."""
    if arm.subs == 1 or arm.drives.is_single or np.count_nonzero(grid.seat_weight) < 2:
        return answer
    problem = Problem(
        frequency_hz=grid.frequency_hz,
        transfer=_driven(arm, grid, answer.column),
        seat_weight=grid.seat_weight,
        drives=arm.drives,
    )
    start = State(
        column=np.arange(arm.subs),
        delay_s=answer.delay_s - arm.delay_s,
        gain_db=answer.gain_db - arm.gain_db,
        polarity=(answer.polarity * arm.polarity).astype(np.float64),
    )
    state, _ = polisher_of(problem, columns_of(problem), reward=0.0).polish(start)
    moved = replace(answer, gain_db=state.gain_db + arm.gain_db, delay_s=state.delay_s + arm.delay_s)
    return min(answer, moved, key=grid.variation_db)


def judged(answer: Answer, grid: Grid, near: NDArray[np.intp], n_near: int) -> dict[str, Any]:
    """The figures of a layout.

    Parameters
    ----------
    answer : the layout with its settings.
    grid : on which it is judged.
    near : (n_freq,) to which of the `n_near` frequencies that are kept each frequency of the grid belongs.

    Returns
    -------
    variation_db, output_db and both at the frequencies that are kept: root mean square and mean of what is near them.
    """
    level, weight = grid.level_db(answer), normalised(grid.seat_weight)
    mean_db = level @ weight
    deviation2 = (level - mean_db[:, None]) ** 2 @ weight
    count = np.bincount(near, minlength=n_near)
    loudest = float(answer.gain_db.max()) + 20.0 * log10(len(answer.column))
    return {
        "variation_db": variation_db(level, grid.seat_weight),
        "output_db": output_db(level, grid.seat_weight, answer.gain_db),
        "variation_at_db": np.sqrt(np.bincount(near, deviation2, minlength=n_near) / count),
        "output_at_db": np.bincount(near, mean_db - loudest, minlength=n_near) / count,
    }


def finer_by(points_per_octave: int, judged_per_octave: int) -> int:
    """By how much the grid to judge on is finer than that of the search: an even number of times, at least twice."""
    return max(2, 2 * ceil(judged_per_octave / points_per_octave / 2.0))
