"""Sampled rooms, added until what is told of them is settled: every stage is the same whatever the threads.

Rooms come in powers of two, so that the sequence fills the cube evenly. They end once every plan's 90th percentile is
known to `SETTLED_DB` (its standard error, as if drawn at random), or as many are done as were asked for. The shares of
variance likewise: each group's rooms end once its total share is known to `SETTLED_SHARE` for the plans that they are
told for; what changes no wall is heard with the rooms themselves. What matters little is known from few rooms. From 256
rooms on figures err by no more than is told (`python -m benchmarks.tolerance_speed PLAN.h5 --seeds 32`); of 128 the
error itself is too unsure.
"""

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from threadpoolctl import threadpool_limits

from roommodes.arrays import Floats
from roommodes.errors import Interrupted
from roommodes.plan.tolerance import Shares, percentile_errors
from roommodes.running import Running
from solvers.tolerance.design import Design, Part
from solvers.tolerance.field import CHUNK
from solvers.tolerance.shares import shares

FIRST_HALF, MOST_HALF = 128, 1024  # points of A, and of B, where their number is left open
SETTLED_DB = 0.05  # standard error of a 90th percentile
FIRST_POINTS = 32  # behind every share
SETTLED_SHARE = 0.1  # half of its 90 % interval
STAGES = ("sampled rooms", "what matters most")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sampled:
    """What was worked out.

    Parameters
    ----------
    parts : rooms of A and of B, in order.
    asked : how many rooms they were to be.
    shares : for each of `Design.first`, where asked for and complete.
    points : fewest and most points behind a share.
    """

    parts: Sequence[Part]
    asked: int
    shares: Sequence[Shares] | None
    points: tuple[int, int]


def sampled(design: Design, running: Running) -> Sampled:
    """The rooms of a design, then the mixed ones.

    Raises
    ------
    Interrupted : before the first rooms were done.
    """
    with threadpool_limits(1), ThreadPoolExecutor(running.thread_count) as pool:
        parts, asked = _rooms(design, running, pool)
        if not parts:
            raise Interrupted("interrupted before the first rooms were drawn")
        wanted = design.share_points > 0 and design.inputs.size > 0 and _variation(parts).shape[1] == asked
        mixed = _mixed(design, parts, running, pool) if wanted else None
    if mixed is None:
        return Sampled(parts=parts, asked=asked, shares=None, points=(0, 0))
    counts = [values.shape[1] for values in mixed.values()]
    found = _shares(design, parts, mixed)
    return Sampled(parts=parts, asked=asked, shares=found, points=(min(counts), max(counts)))


def stages(first: int, most: int) -> list[int]:
    """From a first number to the most, doubled each time."""
    found = [min(first, most)]
    while found[-1] < most:
        found.append(min(2 * found[-1], most))
    return found


def settled(variation_db: Floats) -> bool:
    """Whether the 90th percentile of every plan (n_plan, n) is known well enough."""
    return bool(percentile_errors(variation_db, (90.0,)).max() <= SETTLED_DB)


def _rooms(design: Design, running: Running, pool: ThreadPoolExecutor) -> tuple[list[Part], int]:
    """Parts in order, and how many rooms they were to be."""
    parts: list[Part] = []
    begin = 0
    for end in stages(design.half if design.counted else FIRST_HALF, design.half):
        starts = design.starts(begin, end)
        wanted = len(parts) + len(starts)
        for part in running.each(pool, design.part, starts):
            parts.append(part)
            running.step(STAGES[0], len(parts) / wanted)
        if len(parts) < wanted:
            break
        if settled(_variation(parts)):
            break
        begin = end
    return parts, 2 * end


def _variation(parts: Sequence[Part]) -> Floats:
    """(n_plan, n) [dB], A's before B's."""
    order = [part.a for part in parts] + [part.b for part in parts]
    return np.concatenate([one.variation_db for one in order], axis=1)


def _mixed(
    design: Design, parts: Sequence[Part], running: Running, pool: ThreadPoolExecutor
) -> Mapping[str, Floats] | None:
    """Variations of the first plans in rooms of A mixed with each group of B: (n_first, n) each; None if cut short."""
    mixed = {name: np.empty((len(design.first), 0)) for name in design.inputs.groups}
    for name, values in (item for part in parts for item in part.alone.items()):
        mixed[name] = np.concatenate([mixed[name], values], axis=1)
    groups, done = tuple(name for name, values in mixed.items() if not values.size), 0
    for count in stages(FIRST_POINTS, design.share_points):
        jobs = design.mixes(groups, done, count)
        found = []
        for one in running.each(pool, design.mixed, jobs):
            found.append(one)
            running.step(STAGES[1], len(found) / len(jobs))
        if len(found) < len(jobs):
            return None
        for name, values in (item for one in found for item in one.items()):
            mixed[name] = np.concatenate([mixed[name], values], axis=1)
        done = count
        wide = np.max([np.ptp(one.total_interval, axis=1) for one in _shares(design, parts, mixed)], axis=0)
        groups = tuple(
            name for name, width in zip(mixed, wide, strict=True) if name in groups and width > 2.0 * SETTLED_SHARE
        )
        if not groups:
            break
    return mixed


def _shares(design: Design, parts: Sequence[Part], mixed: Mapping[str, Floats]) -> list[Shares]:
    """For each of the first plans."""
    points = max(values.shape[1] for values in mixed.values())
    a, b = (
        np.concatenate([half.variation_db for half in halves[: -(-points // (CHUNK // 2))]], axis=1)[:, :points]
        for halves in ([part.a for part in parts], [part.b for part in parts])
    )
    return [
        shares(a[plan], b[plan], [values[index] for values in mixed.values()])
        for index, plan in enumerate(design.first)
    ]
