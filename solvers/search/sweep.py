"""Sweeps: the drives of a layout searched over a grid, one sub after another, until none changes."""

from dataclasses import dataclass
from math import ceil

import numpy as np

from roommodes.arrays import Floats, Integers
from solvers.search.columns import Columns, grid_of
from solvers.search.kernels import sweep as kernels_sweep
from solvers.search.kernels.sweep import Limits, Tables
from solvers.search.problem import Problem
from solvers.search.state import State

STEPS_PER_PERIOD = 8  # of delay, at the highest frequency: an eighth of a turn between neighbours
GAIN_STEP_DB = 4.0  # between the gains tried; the polish finds what lies between
DRIVE_VISITS = 60  # to slots, at most


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sweeper:
    """Everything that sweeps of one problem on one frequency grid share; safe to use from several threads."""

    tables: Tables
    limits: Limits

    def sweep(
        self, layouts: Integers, *, max_visits: int, start: tuple[Floats, Floats, Floats] | None = None
    ) -> tuple[Floats, Floats, Floats, Floats]:
        """Sweep the drives of many layouts.

        Parameters
        ----------
        layouts : (n_layout, n_slot) columns.
        max_visits : visits to slots, per layout, at most.
        start : delay [s], gain [dB], polarity, each (n_layout, n_slot); equal drives by default.

        Returns
        -------
        (cost (n_layout,) in kernel units, delay, gain, polarity (n_layout, n_slot)).
        """
        if start is None:
            delay, gain, polarity = np.zeros(layouts.shape), np.zeros(layouts.shape), np.ones(layouts.shape)
        else:
            delay, gain, polarity = (np.array(part, dtype=np.float64) for part in start)
        order = np.roll(np.arange(layouts.shape[1]), -1)
        cost = np.empty(len(layouts))
        kernels_sweep.sweep_layouts(self.tables, self.limits, layouts, order, max_visits, cost, delay, gain, polarity)
        return cost, delay, gain, polarity

    def drives(self, start: State) -> State:
        """Sweep the drives of one plan until none changes."""
        state = start.copy()
        _, delay, gain, polarity = self.sweep(
            state.column[None],
            max_visits=DRIVE_VISITS,
            start=(state.delay_s[None], state.gain_db[None], state.polarity[None]),
        )
        return State(column=state.column, delay_s=delay[0], gain_db=gain[0], polarity=polarity[0])

    def work(self, n_layout: int, n_slot: int) -> float:
        """Points evaluated by one sweep of so many layouts, about."""
        _, n_block, n_seat, n_point = self.tables.re.shape
        rows = 1 if n_slot == 1 else 1 + 3 * (len(self.tables.cos_table) // 2) // 2
        gains = 1 if n_slot == 1 or self.limits.gain_span == 0.0 else 1 + 3 * self.limits.gain_steps // 2
        trials = rows * gains * (2 if self.limits.both else 1)
        return float(n_layout * n_slot * trials) * float(n_block * n_seat * n_point)


def sweeper_of(problem: Problem, columns: Columns, *, at_most: int | None, reward: float) -> Sweeper:
    """Prepare the grids of frequency, delay and gain.

    Parameters
    ----------
    problem, columns : what is searched.
    at_most : frequencies to use at most, evenly spread; None for all.
    reward : worth of output in kernel units.
    """
    drives = problem.drives
    finest = 1.0 / (STEPS_PER_PERIOD * float(problem.frequency_hz.max()))
    steps = ceil(drives.delay_span_s / finest - 1e-9)
    step = drives.delay_span_s / steps if steps else 1.0
    grid = grid_of(columns, problem.frequency_hz, at_most=at_most)
    angle = (np.arange(-steps, steps + 1) * step)[:, None, None] * (2.0 * np.pi * grid.hz)
    return Sweeper(
        tables=Tables(
            re=grid.re,
            im=grid.im,
            hz=grid.hz.astype(np.float32),
            wf=grid.weight,
            a=columns.seat_weight.astype(np.float32),
            cos_table=np.cos(angle).astype(np.float32),
            sin_table=np.sin(angle).astype(np.float32),
        ),
        limits=Limits(
            delay_step=float(step),
            delay_span=float(drives.delay_span_s),
            gain_span=float(drives.gain_span_db),
            gain_steps=max(1, ceil(drives.gain_span_db / GAIN_STEP_DB)),
            both=bool(drives.polarity),
            reward=float(reward),
        ),
    )
