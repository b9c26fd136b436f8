"""Every layout once: successive halving where all layouts can be tried."""

from collections.abc import Iterator
from itertools import islice

import numpy as np

from roommodes.arrays import Floats, Integers
from solvers.search.columns import LANES, layout_blocks, layouts_of, layouts_possible
from solvers.search.kernels import fixed as kernels_fixed
from solvers.search.layouts_met import Pool
from solvers.search.progress import SearchProgress
from solvers.search.state import State, equal_drives
from solvers.search.workbench import DB2_PER_UNIT, Tools

SWEPT_POINTS = 1.0e10  # evaluated by the first sweep of all layouts at most: a few seconds
FIXED_POINTS = 4.0e9  # where there is only one drive
SCORED_BLOCK = 50_000  # layouts scored per job
SCORED_KEPT = 100  # of a job
BLOCK = 256  # layouts per job
PART = 0.1  # of the layouts goes into the second round
LEAST = 200  # layouts go into the second round at least
MOST = 3000
STARTS = 3  # per layout in the second round: where the first ended, and at random
SECOND_VISITS = 6  # sweeps per layout in the second round at most


def can_try_all(tools: Tools, count: int) -> bool:
    """Whether the layouts of a count are few enough for one sweep of each."""
    possible = layouts_possible(tools.columns, count)
    if _one_drive(tools):
        return possible * float(tools.columns.transfer[:, :, 0].size) <= FIXED_POINTS
    return tools.coarse.work(possible, count) <= SWEPT_POINTS


def _one_drive(tools: Tools) -> bool:
    return tools.problem.drives.is_single and tools.hopper.reward == 0.0


def screen(
    tools: Tools,
    pool: Pool,
    sizes: tuple[int, ...],
    *,
    entropy: list[int],
    progress: SearchProgress,
) -> int:
    """Sweep every layout once, then the leading ones from several starts; polish these into the pool.

    Returns
    -------
    How many layouts were tried.
    """
    if _one_drive(tools):
        return _score_all(tools, pool, sizes, progress)
    n = len(sizes)
    blocks = list(layout_blocks(tools.columns, sizes, BLOCK))
    layouts = np.concatenate(blocks) if blocks else np.zeros((0, n), dtype=np.int64)
    swept = []
    best = np.inf
    for result in tools.each(lambda block: tools.coarse.sweep(block, max_visits=n), blocks):
        swept.append(result)
        best = min(best, float(result[0].min()))
        progress.at(0.6 * len(swept) / len(blocks), best * DB2_PER_UNIT)
    if not swept:
        return 0
    cost, delay, gain, polarity = (np.concatenate(parts) for parts in zip(*swept, strict=True))
    tried = len(cost)
    leading = np.argsort(cost, kind="stable")[: min(MOST, max(LEAST, int(PART * tried)))]
    jobs = [
        (i, layouts[part], (delay[part], gain[part], polarity[part]))
        for i, part in enumerate(_chunks(leading, BLOCK // 16))
    ]

    def deepen(job: tuple[int, Integers, tuple[Floats, Floats, Floats]]) -> list[tuple[float, State]]:
        number, block, start = job
        random = np.random.default_rng([*entropy, number])
        drives = tools.problem.drives
        best_of: list[tuple[float, State]] = []
        for k in range(1 if drives.is_single or n == 1 else STARTS):
            if k > 0:
                start = (
                    random.uniform(0.0, drives.delay_span_s, block.shape),
                    random.uniform(-0.5, 0.0, block.shape) * drives.gain_span_db,
                    random.choice([-1.0, 1.0], block.shape) if drives.polarity else np.ones(block.shape),
                )
            _, *ended = tools.coarse.sweep(block, max_visits=SECOND_VISITS * n, start=start)
            for row, column in enumerate(block):
                state = State(column=column, **dict(zip(NAMES, (part[row] for part in ended), strict=True)))
                best_of.append(tools.hopper.polish(state))
        return best_of

    done = 0
    for results in tools.each(deepen, jobs):
        done += 1
        for value, state in results:
            pool.offer(value, state)
        progress.at(0.6 + 0.4 * done / len(jobs), pool.best(1)[0][0])
    if done == 0:  # interrupted before the second round began: keep what the first found
        for i in leading[:LEAST]:
            pool.offer(
                *tools.hopper.polish(State(column=layouts[i], delay_s=delay[i], gain_db=gain[i], polarity=polarity[i]))
            )
    return tried


def _score_all(tools: Tools, pool: Pool, sizes: tuple[int, ...], progress: SearchProgress) -> int:
    """Score every layout at the one drive there is, on all frequencies."""
    columns = tools.columns
    n_freq = len(tools.problem.frequency_hz)
    padded = np.zeros((columns.count, len(columns.seat_weight), -(-n_freq // LANES) * LANES), dtype=np.complex64)
    padded[:, :, :n_freq] = columns.transfer.transpose(2, 1, 0)
    re, im = padded.real.copy(), padded.imag.copy()
    weight = np.zeros(padded.shape[2], dtype=np.float32)
    weight[:n_freq] = 1.0 / n_freq
    seat_weight = columns.seat_weight.astype(np.float32)

    def score(layouts: Integers) -> tuple[Floats, Integers, int]:
        cost = np.empty(len(layouts), dtype=np.float32)
        kernels_fixed.score_layouts(re, im, seat_weight, weight, layouts, cost)
        order = np.argsort(cost, kind="stable")[:SCORED_KEPT]
        return cost[order].astype(np.float64), layouts[order], len(layouts)

    possible = layouts_of(columns, sizes)
    tried = 0
    for cost, layouts, number in tools.each(score, layout_blocks(columns, sizes, SCORED_BLOCK)):
        tried += number
        for value, layout in zip(cost, layouts, strict=True):
            pool.offer(float(value) * DB2_PER_UNIT, equal_drives(layout))
        pool.keep_only(pool.best(4 * SCORED_KEPT))
        progress.at(tried / possible, pool.best(1)[0][0])
    return tried


NAMES = ("delay_s", "gain_db", "polarity")


def _chunks(values: Integers, size: int) -> Iterator[Integers]:
    parts = iter(values)
    while chunk := list(islice(parts, size)):
        yield np.array(chunk, dtype=np.int64)
