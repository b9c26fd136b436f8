"""Plans of a front by a rank of their own: those that no list of ranks has follow after its last."""

import numpy as np

from roommodes.arrays import Integers
from roommodes.errors import NoSuchPlan
from roommodes.plan.choices import FrontTable
from roommodes.plan.drives import Drives
from roommodes.plan.tables import PlanTable

FROM_FRONT = "picked from the front of variation against output"


def front_ranks(table: PlanTable, front: FrontTable | None) -> list[int]:
    """(n_front,) ranks that pick the plans of a front: of the same plan in the table, else after its last."""
    ranks: list[int] = []
    further = len(table)
    for k in range(0 if front is None else len(front.variation_db)):
        assert front is not None
        same = [row for row in range(len(table)) if _same(table, row, front, k)]
        further += not same
        ranks.append(same[0] + 1 if same else further)
    return ranks


def of_front(table: PlanTable, front: FrontTable | None, rank: int) -> tuple[Integers, Drives]:
    """Candidates (n_sub,) and drives of the plan of a front with a rank beyond the table's.

    Raises
    ------
    NoSuchPlan : there is none.
    """
    ranks = front_ranks(table, front)
    if front is None or rank not in ranks:
        last = max([len(table), *ranks])
        raise NoSuchPlan("rank", f"got {rank}; allowed: 1 to {last} for {table.gain_db.shape[1]} subs")
    k = ranks.index(rank)
    drives = Drives(
        gain_db=front.gain_db[k], delay_s=front.delay_s[k], polarity=np.asarray(front.polarity[k], np.int64)
    )
    return front.candidate_index[k], drives


def _same(table: PlanTable, row: int, front: FrontTable, k: int) -> bool:
    return all(
        np.array_equal(getattr(table, name)[row], getattr(front, name)[k])
        for name in ("candidate_index", "gain_db", "delay_s", "polarity")
    )
