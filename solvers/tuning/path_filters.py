"""The filters in each sub's path as they are dialled in: those that a plan was tuned with, else cuts for all subs."""

from dataclasses import replace

import numpy as np

from roommodes.arrays import Floats
from roommodes.filters.sections import Section
from roommodes.plan.plan import Plan
from roommodes.running import Running
from solvers.tuning.equaliser import EqualiserLimits, equalise
from solvers.tuning.tune import shared_left

CUTS_ALONE = EqualiserLimits(filters=4, boost_db=0.0)  # of a plan that was not tuned


def path_filters(plan: Plan, rate_hz: float, running: Running = Running()) -> tuple[tuple[Section, ...], ...]:
    """For each sub all filters in its path, its own first; of a plan that was not tuned, the common cuts, as kept."""
    if plan.tuning is not None:
        return tuple(plan.tuning.of_sub(sub) for sub in range(plan.subs))
    return (common_cuts(plan, rate_hz, running),) * plan.subs


def common_cuts(plan: Plan, rate_hz: float, running: Running = Running()) -> tuple[Section, ...]:
    """Filters common to all subs that take the peaks off the seats' average level; boosts are left to a tuning."""
    hz, flat = plan.frequency_hz, np.zeros(len(plan.frequency_hz))
    level_db, weight = plan.level_at_limit_db, plan.seats.weight
    controls = plan.project.processor.filters
    most = CUTS_ALONE.filters if controls.per_output is None else min(CUTS_ALONE.filters, controls.per_output)
    limits = replace(CUTS_ALONE, filters=shared_left(most, 0, plan.subs, controls), controls=controls)

    def fitted() -> dict[str, Floats]:
        found = equalise(hz, level_db, weight, shape_db=flat, limits=limits, rate_hz=rate_hz).sections
        return {"peaking": np.array([(one.frequency_hz, one.q, one.gain_db) for one in found]).reshape(-1, 3)}

    kept = running.arrays("cuts", (hz, level_db, weight, limits, rate_hz), fitted, always=True)["peaking"].tolist()
    return tuple(Section(kind="peaking", frequency_hz=f, q=q, gain_db=gain) for f, q, gain in kept)
