"""A plan with new filters, and its crossover found anew for them."""

from contextlib import suppress
from dataclasses import replace

from roommodes.errors import Interrupted
from roommodes.plan.plan import Plan
from roommodes.running import Running
from solvers.crossover.with_mains import crossed_again
from solvers.tuning.tune import TuneWishes, tune


def tuned_plan(plan: Plan, wishes: TuneWishes, *, running: Running = Running()) -> Plan:
    """The plan with filters, and with its crossover found anew, since the old one was for other filters.

    Parameters
    ----------
    plan : with a crossover or without.
    wishes : limits and target of the filters.
    running : progress, cancelling; once cancelled, the filters found so far are kept, and no crossover.
    """
    new = replace(plan, tuning=tune(plan, wishes, running=running), crossover=None)
    if plan.crossover is not None and not running.stop_asked():
        with suppress(Interrupted):
            return crossed_again(new, plan.crossover, running=running)
    return new
