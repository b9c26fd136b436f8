"""Layouts with their drives, judged: the table of plans that they make."""

from collections.abc import Sequence

import numpy as np

from roommodes.arrays import Complexes, Floats, Integers
from roommodes.plan.drives import Drives
from roommodes.plan.tables import HowFound, Merits, PlanTable
from roommodes.responses.metrics import level_db, output_db, seat_pressure, variation_db


def judged_table(
    layouts: Sequence[tuple[Integers, Drives]],
    *,
    frequency_hz: Floats,
    ears: tuple[Complexes, Floats],
    n_seat: int,
    found: HowFound,
    merits: Merits | None = None,
) -> PlanTable:
    """Some layouts with as many subs each, judged on all frequencies and at all points that count.

    Parameters
    ----------
    layouts : which candidates, and the drives of each.
    frequency_hz : (n_freq,) [Hz].
    ears : transfer (n_freq, n_ear, n_candidate) [1/m] and weights (n_ear,), the seats first.
    n_seat : how many of them are seats.
    found, merits : how they came about, and what else is known of them.
    """
    transfer, weight = ears
    levels = [level_db(seat_pressure(transfer[:, :, index], drives.weights(frequency_hz))) for index, drives in layouts]
    return PlanTable(
        candidate_index=np.array([index for index, _ in layouts], dtype=np.int64),
        gain_db=np.array([drives.gain_db for _, drives in layouts]),
        delay_s=np.array([drives.delay_s for _, drives in layouts]),
        polarity=np.array([drives.polarity for _, drives in layouts]).astype(np.int8),
        variation_db=np.array([variation_db(level, weight) for level in levels]),
        output_db=np.array([output_db(levels[k], weight, one.gain_db) for k, (_, one) in enumerate(layouts)]),
        level_db=np.array([level[:, :n_seat] for level in levels]),
        found=found,
        merits=merits or Merits(),
    )
