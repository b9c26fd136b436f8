"""Mean levels at the seats of plans, fronts and the project's own layout, with the first sub at its limit as wired."""

from math import log10

import numpy as np

from roommodes.arrays import Floats
from roommodes.plan.choices import FrontTable
from roommodes.plan.drives import Drives
from roommodes.plan.plan import Plan
from roommodes.plan.wiring import limit_at


def own_limit(plan: Plan) -> float | None:
    """As `mean_limit_db`, of the project's own layout."""
    layout = plan.project.layout
    if layout is None or plan.results.limit_db is None:
        return None
    place, kind = np.array(layout.positions_m), np.array(layout.kind)
    limit = limit_at(plan.project, Drives.of_layout(layout), plan.frequency_hz, place, kind=kind)
    return None if limit is None else float(limit.mean())


def front_level(plan: Plan, count: int, front: FrontTable) -> Floats:
    """Mean level at the seats of each plan of a front, its subs wired as the project says."""
    level, candidates = mean_level(front.output_db, count, None), plan.results.candidates
    index, project = front.candidate_index, plan.project
    if plan.results.limit_db is None:
        return level
    limits = [
        limit_at(
            project,
            Drives.of_row(front, row),
            plan.frequency_hz,
            candidates.position_m[index[row]],
            project.raised_db(index[row]),
            candidates.kind[index[row]],
        )
        for row in range(len(level))
    ]
    return np.asarray(level + [0.0 if limit is None else float(limit.mean()) for limit in limits])


def mean_level(output_db: Floats, count: int, limit_db: float | None) -> Floats:
    """Mean level at the seats [dB re one sub at 1 m, or dB SPL with `limit_db`]."""
    return np.asarray(output_db + 20.0 * log10(count) + (limit_db or 0.0))
