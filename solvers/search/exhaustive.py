"""Proof on small problems: every layout at every setting of a grid.

The grid is the sweeps': delays an eighth of a turn apart at the band's end, gains `GAIN_STEP_DB` apart at most, both
polarities. The search's own best value says what is hopeless; layouts that have a drive within `NEAR` of it are
polished. What is proven is the optimum over the grid; between its points the polish has looked, not proven.
"""

from collections.abc import Sequence

import numpy as np

from roommodes.arrays import Integers
from roommodes.errors import Fault, ProjectInvalid
from solvers.search.columns import layout_blocks, layouts_of, patterns
from solvers.search.kernels import grid as kernels_grid
from solvers.search.layouts_met import Pool
from solvers.search.progress import SearchProgress
from solvers.search.state import State
from solvers.search.workbench import DB2_PER_UNIT, Tools

NEAR = 1.2  # of the best variation: layouts whose grid comes this close are polished
MOST_TRIALS = 4e10  # of one count: some hours on two cores at worst
TRIALS_PER_JOB = 2e6


def drives_on_grid(tools: Tools, n_slot: int) -> float:
    """How many drives a layout of so many slots has, those beyond the limits included."""
    limits = tools.fine.limits
    if n_slot < 2:
        return 1.0
    rows = 2 * int(limits.delay_span / limits.delay_step + 1e-9) + 1
    levels = 2 * limits.gain_steps + 1 if limits.gain_span > 0.0 else 1
    return float(rows * levels * (2 if limits.both else 1)) ** (n_slot - 1)


def trials(tools: Tools, count: int) -> float:
    """How many layouts times drives a proof would have to try for a count."""
    return sum(
        layouts_of(tools.columns, sizes) * drives_on_grid(tools, len(sizes)) for sizes in patterns(tools.columns, count)
    )


def require_provable(tools: Tools, counts: Sequence[int]) -> None:
    """Refuse a proof that would take too long.

    Raises
    ------
    ProjectInvalid : with a fault for every count that is too large.
    """
    faults = [
        Fault(
            where="search.counts",
            message=f"{count} subs with every setting of the grid are {trials(tools, count):.1e} trials; up to "
            f"{MOST_TRIALS:.0e} are tried. Ask for fewer subs, fewer candidates (a wider spacing_m), a smaller "
            "range of delay_ms or gain_db, or leave --exhaustive out",
        )
        for count in counts
        if trials(tools, count) > MOST_TRIALS
    ]
    if len(tools.columns.seat_weight) == 1:
        faults.append(Fault(where="rows", message="only one seat counts, so there is no variation to prove"))
    if faults:
        raise ProjectInvalid("search", faults)


def try_every_drive(tools: Tools, pool: Pool, sizes: tuple[int, ...], *, progress: SearchProgress) -> bool:
    """Try every layout of one pattern at every drive; what comes near the pool's best is polished into the pool.

    Returns
    -------
    Whether all were tried; false when cancelled.
    """
    limit = NEAR**2 * pool.best(1)[0][0] / DB2_PER_UNIT if len(pool) else np.inf
    size = max(1, int(TRIALS_PER_JOB / drives_on_grid(tools, len(sizes))))
    blocks = list(layout_blocks(tools.columns, sizes, size))

    def tried(block: Integers) -> list[tuple[float, State]]:
        cost = np.empty(len(block))
        tau, g_db, pol = np.zeros(block.shape), np.zeros(block.shape), np.ones(block.shape)
        kernels_grid.every_drive(tools.fine.tables, tools.fine.limits, block, limit, cost, tau, g_db, pol)
        return [
            tools.hopper.polish(State(column=block[i], delay_s=tau[i], gain_db=g_db[i], polarity=pol[i]))
            for i in np.flatnonzero(np.isfinite(cost))
        ]

    done = 0
    for found in tools.each(tried, blocks):
        done += 1
        for value, state in found:
            pool.offer(value, state)
        progress.at(done / len(blocks), pool.best(1)[0][0] if len(pool) else np.inf)
    return done == len(blocks)
