"""Every layout once: successive halving where all layouts can be tried."""

from collections.abc import Callable, Iterator
from itertools import islice

import numpy as np

from solvers.columns import every_layout, layouts_possible
from solvers.pool import Pool
from solvers.problem import Floats, Integers
from solvers.state import State
from solvers.tools import DB2_PER_UNIT, Tools

BLOCK = 256  # layouts per job
PART = 0.1  # of the layouts goes into the second round
LEAST = 200  # layouts go into the second round at least
MOST = 3000
STARTS = 3  # per layout in the second round: where the first ended, and at random
SECOND_VISITS = 6  # sweeps per layout in the second round at most


def screen_work(tools: Tools, count: int) -> float:
    """Points that the first round would evaluate."""
    return tools.coarse.work(layouts_possible(tools.columns, count), count)


def screen(
    tools: Tools,
    pool: Pool,
    sizes: tuple[int, ...],
    *,
    entropy: list[int],
    report: Callable[[float, float], None],
) -> int:
    """Sweep every layout once, then the leading ones from several starts; polish these into the pool.

    Returns
    -------
    How many layouts were tried.
    """
    n = len(sizes)
    layouts = np.array(list(every_layout(tools.columns, sizes)), dtype=np.int64).reshape(-1, n)
    blocks = [layouts[i : i + BLOCK] for i in range(0, len(layouts), BLOCK)]
    swept = []
    best = np.inf
    for result in tools.each(lambda block: tools.coarse.sweep(block, max_visits=n), blocks):
        swept.append(result)
        best = min(best, float(result[0].min()))
        report(0.6 * len(swept) / len(blocks), best * DB2_PER_UNIT)
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
        report(0.6 + 0.4 * done / len(jobs), pool.best(1)[0][0])
    if done == 0:  # interrupted before the second round began: keep what the first found
        for i in leading[:LEAST]:
            pool.offer(
                *tools.hopper.polish(State(column=layouts[i], delay_s=delay[i], gain_db=gain[i], polarity=polarity[i]))
            )
    return tried


NAMES = ("delay_s", "gain_db", "polarity")


def _chunks(values: Integers, size: int) -> Iterator[Integers]:
    parts = iter(values)
    while chunk := list(islice(parts, size)):
        yield np.array(chunk, dtype=np.int64)
