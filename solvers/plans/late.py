"""Whether the last sub of a plan comes late, and what less would cost."""

from dataclasses import replace

import numpy as np

from roommodes.plan.plan import Plan
from roommodes.responses.metrics import LATE_MS
from roommodes.running import Running
from solvers.choice.usual_worth import EFFORT
from solvers.search.problem import DriveRange, Problem
from solvers.search.search import search


def late_remark(plan: Plan, drives: DriveRange, *, seed: int, running: Running = Running()) -> str | None:
    """What to say of a plan whose last sub comes more than 20 ms after the first; None where it does not.

    The price is that of the same positions, with settings searched among delays so close together that no arrival at
    any seat lies further apart.

    Parameters
    ----------
    plan : the plan.
    drives : what the settings may be.
    seed : of the search for the price.
    running : once cancelled, the price is left out.
    """
    arrival = plan.arrival_s
    late_ms = 1e3 * float(np.ptp(arrival, axis=1).max())
    if not late_ms > LATE_MS:  # also where a measured sub has no position
        return None
    text = f"The last sub comes up to {late_ms:z.0f} ms after the first; {LATE_MS:g} ms is common practice, no source."
    way = arrival - (plan.drives.delay_s - plan.drives.delay_s.min())
    span_ms = LATE_MS - 1e3 * float(np.ptp(way, axis=1).max())
    if span_ms <= 0.0:
        return f"{text} These positions alone are that far apart."
    lowest_ms = 1e3 * drives.delay_s[0]
    most_ms = np.floor(10.0 * (lowest_ms + span_ms)) / 10.0
    narrow = replace(drives, delay_s=(drives.delay_s[0], 1e-3 * most_ms))
    transfer, weight = plan.results.ears()
    alone = Problem(
        frequency_hz=plan.frequency_hz,
        transfer=transfer[:, :, plan.candidate_index],
        seat_weight=weight,
        drives=narrow,
    )
    if running.stop_asked():
        return text
    (outcome,) = search(alone, counts=[plan.subs], seed=seed, keep=1, effort=EFFORT, running=running.silent())
    if running.stop_asked() or not outcome.plans:
        return text
    return (
        f"{text} Within {LATE_MS:g} ms these positions have {outcome.plans[0].variation_db:z.2f} dB in place of "
        f"{plan.variation_db:z.2f} dB (best found); [search] delay_ms = [{lowest_ms:g}, {most_ms:g}] keeps to that."
    )
