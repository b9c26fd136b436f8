"""Results of a search for an objective of somebody's own."""

from collections.abc import Sequence
from dataclasses import replace

from roommodes.errors import Fault, ProjectInvalid
from roommodes.plan.choices import Choices, Recommendation
from roommodes.plan.plan import Results
from roommodes.running import Running
from solvers.choice.ordering import Judged, plain
from solvers.plans.basis import Basis
from solvers.plans.solve import KEPT_PLANS, results_from
from solvers.search.objective import Objective
from solvers.search.own_objective import search_for


def solve_for(
    basis: Basis,
    objective: Objective,
    *,
    counts: Sequence[int] | None = None,
    seed: int | None = None,
    running: Running = Running(),
) -> Results:
    """Search for an objective; the plans with the least value are recommended, with fewer subs of equals.

    Parameters
    ----------
    basis : responses, modelled or measured.
    objective : see `solvers.search.own_objective.search_for`.
    counts, seed, running : as for `solvers.plans.solve.solve`.

    Raises
    ------
    Interrupted : cancelled before the first plan was found.
    ProjectInvalid : the search cannot take this, or the objective gives something else than a number for each plan.
    """
    project, problem = basis.project, basis.problem
    counts = tuple(counts or basis.counts)
    seed = project.search.seed if seed is None else seed
    n_seat = len(basis.seats)
    outcomes = search_for(problem, objective, counts=counts, seed=seed, keep=KEPT_PLANS, n_seat=n_seat, running=running)
    if not any(outcome.plans for outcome in outcomes):
        running.check("interrupted before the first plan was found; nothing was written")
        counts_text = ", ".join(str(count) for count in counts)
        message = f"got {counts_text}: {outcomes[0].stop}; ask for fewer subs or give more candidates"
        raise ProjectInvalid(project.source, [Fault(where="search.counts", message=message)])
    values = {
        outcome.count: float(objective(outcome.plans[0].level_db[None, :, :n_seat])[0])
        for outcome in outcomes
        if outcome.plans
    }
    chosen = min(sorted(values), key=lambda count: values[count])
    reason = f"The least value of the objective that was given: {values[chosen]:.6g}."
    tables = plain(outcomes).plans
    by_objective = {count: replace(table, found=replace(table.found, by_aims=True)) for count, table in tables.items()}
    advice = Choices(recommendation=Recommendation(subs=chosen, reasons=(reason,)))
    return results_from(basis, outcomes, seed=seed, judged=Judged(plans=by_objective, choices=advice))
