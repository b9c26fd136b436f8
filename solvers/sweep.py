"""Sweeps: from a start, give one sub after another its best position and drive over a grid until none changes."""

from dataclasses import dataclass
from math import ceil

import numpy as np

from solvers import kernels_sweep
from solvers.columns import Bools, Columns, Grid, Singles, grid_of
from solvers.problem import DriveRange, Floats, Integers, Problem
from solvers.state import State

STEPS_PER_PERIOD = 8  # of delay, at the highest frequency: an eighth of a turn between neighbours
GAIN_STEP_DB = 4.0  # between the gains tried; the polish finds what lies between
LEAST_GAIN = 1e-6  # part of the cost that a change must save


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Descent:
    """Where a descent ended and what stood beside it.

    Parameters
    ----------
    state : where it ended.
    cost : of it, kernel units.
    near_cost : (n_slot, n_column) cost with this column in this slot at the slot's best drive, inf where none.
    near_drive : (n_slot, n_column, 3) delay, gain, polarity of it.
    visited : (n_visit, n_slot) columns held at each visit, -1 at the slot that was searched.
    """

    state: State
    cost: float
    near_cost: Floats
    near_drive: Floats
    visited: Integers


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sweeper:
    """Everything that descents of one problem on one frequency grid share; safe to use from several threads."""

    columns: Columns
    grid: Grid
    drives: DriveRange
    reward: float
    cos_table: Singles
    sin_table: Singles
    delay_step_s: float
    gain_steps: int
    zone_size: Integers
    zone_limit: Integers

    def descend(
        self,
        start: State,
        *,
        free: Bools | None = None,
        order: Integers | None = None,
        max_visits: int = 60,
        margin: float = 1.3,
    ) -> Descent:
        """Visit the slots in `order`, again and again, until none changes.

        Parameters
        ----------
        start : where to begin.
        free : (n_slot,) slots that may change their column; all by default.
        order : (n_slot,) order of visits.
        max_visits : visits at most.
        margin : near costs above this times the best need not be exact.
        """
        n = len(start.column)
        column, delay, gain, polarity = (
            start.column.copy(),
            start.delay_s - start.delay_s.min(),
            start.gain_db.copy(),
            start.polarity.copy(),
        )
        near_cost = np.full((n, self.columns.count), np.inf)
        near_drive = np.zeros((n, self.columns.count, 3))
        visited = np.full((max_visits, n), -1, dtype=np.int64)
        cost, visits = kernels_sweep.descend(
            self.grid.re,
            self.grid.im,
            self.grid.omega,
            self.cos_table,
            self.sin_table,
            self.delay_step_s,
            self.drives.delay_span_s,
            self.drives.gain_span_db,
            self.gain_steps,
            self.drives.polarity,
            self.columns.seat_weight.astype(np.float32),
            self.grid.weight,
            np.float32(self.reward),
            self.columns.size[start.column],
            self.columns.size,
            self.columns.clash,
            self.zone_size,
            self.zone_limit,
            np.arange(n) if order is None else order.astype(np.int64),
            np.ones(n, dtype=np.bool_) if free is None else free,
            LEAST_GAIN,
            max_visits,
            margin,
            column,
            delay,
            gain,
            polarity,
            near_cost,
            near_drive,
            visited,
        )
        return Descent(
            state=State(column=column, delay_s=delay, gain_db=gain, polarity=polarity),
            cost=float(cost),
            near_cost=near_cost,
            near_drive=near_drive,
            visited=visited[:visits],
        )

    def sweep(
        self, layouts: Integers, *, max_visits: int, start: tuple[Floats, Floats, Floats] | None = None
    ) -> tuple[Floats, Floats, Floats, Floats]:
        """Sweep the drives of many layouts, positions held.

        Parameters
        ----------
        layouts : (n_layout, n_slot) columns.
        max_visits : visits to slots, per layout, at most.
        start : delay [s], gain [dB], polarity, each (n_layout, n_slot); equal drives by default.

        Returns
        -------
        (cost (n_layout,), delay, gain, polarity (n_layout, n_slot)).
        """
        if start is None:
            delay, gain, polarity = np.zeros(layouts.shape), np.zeros(layouts.shape), np.ones(layouts.shape)
        else:
            delay, gain, polarity = (np.array(part, dtype=np.float64) for part in start)
        cost = np.empty(len(layouts))
        kernels_sweep.sweep_layouts(
            self.grid.re,
            self.grid.im,
            self.grid.omega,
            self.cos_table,
            self.sin_table,
            self.delay_step_s,
            self.drives.delay_span_s,
            self.drives.gain_span_db,
            self.gain_steps,
            self.drives.polarity,
            self.columns.seat_weight.astype(np.float32),
            self.grid.weight,
            np.float32(self.reward),
            layouts,
            max_visits,
            cost,
            delay,
            gain,
            polarity,
        )
        return cost, delay, gain, polarity

    def work(self, n_layout: int, n_slot: int) -> float:
        """Points evaluated by one sweep of so many layouts, about."""
        rows = 1 if n_slot == 1 else 1 + 3 * (len(self.cos_table) // 2) // 2
        gains = 1 if n_slot == 1 or self.drives.gain_span_db == 0.0 else 1 + 3 * self.gain_steps // 2
        points = float(self.grid.weight.size * self.grid.re.shape[2])
        return n_layout * n_slot * rows * gains * (2 if self.drives.polarity else 1) * points


def sweeper_of(problem: Problem, columns: Columns, *, at_most: int | None, reward: float) -> Sweeper:
    """Prepare the grids of frequency, delay and gain.

    Parameters
    ----------
    problem, columns : what is searched.
    at_most : frequencies to use at most, evenly spread; None for all.
    reward : worth of output in kernel units.
    """
    grid = grid_of(columns, problem.frequency_hz, at_most=at_most)
    drives = problem.drives
    finest = 1.0 / (STEPS_PER_PERIOD * float(problem.frequency_hz.max()))
    steps = ceil(drives.delay_span_s / finest - 1e-9)
    step = drives.delay_span_s / steps if steps else 1.0
    delay = np.arange(-steps, steps + 1) * step
    angle = delay[:, None, None] * grid.omega
    return Sweeper(
        columns=columns,
        grid=grid,
        drives=drives,
        reward=reward,
        cos_table=np.cos(angle).astype(np.float32),
        sin_table=np.sin(angle).astype(np.float32),
        delay_step_s=step,
        gain_steps=max(1, ceil(drives.gain_span_db / GAIN_STEP_DB)),
        zone_size=np.zeros((columns.count, 0), dtype=np.int64),
        zone_limit=np.zeros(0, dtype=np.int64),
    )
