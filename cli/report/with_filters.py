"""What a report shows of a plan that was tuned: its levels with all filters in them."""

import numpy as np

from roommodes.arrays import Floats
from roommodes.plan.plan import Plan


def filtered(plan: Plan) -> bool:
    """Whether the plan has filters."""
    return plan.tuning is not None and plan.tuning.count > 0


def seat_level_db(plan: Plan) -> Floats:
    """(n_freq, n_seat) with its filters, the most heavily driven sub at its limit, boosts counted [dB re 1/m]."""
    if plan.tuning is None or not filtered(plan):
        return plan.level_at_limit_db
    return np.asarray(plan.response().level_db() + plan.to_limit_db - plan.tuning.price.boost_db)


def seat_variation_db(plan: Plan) -> float:
    """Seat-to-seat variation of these levels over the band of the search [dB]."""
    return plan.response().variation_db() if filtered(plan) else plan.variation_db


def mean_output_db(plan: Plan) -> float:
    """Output with the plan's filters [dB]."""
    return plan.output_db - (plan.tuning.price.level_lost_db if plan.tuning is not None and filtered(plan) else 0.0)


def with_words(plan: Plan) -> str:
    """What of the settings is in the levels and what is not; empty where there is nothing to say."""
    said = []
    if filtered(plan):
        said.append("The plan's filters are in these levels, with the level that their boosts cost.")
    if plan.crossover is not None:
        said.append("They are of the subs alone: the crossover to the main loudspeakers is not in them.")
    return " ".join(said)
