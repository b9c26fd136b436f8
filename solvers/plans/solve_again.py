"""A stored search run again from what its file holds alone."""

from roommodes.plan.plan import Results
from roommodes.running import Running
from solvers.plans.basis import modelled_basis
from solvers.plans.measured_basis import stored_basis
from solvers.plans.solve import solve_on
from solvers.search.problem import Stop


def solve_again(results: Results, *, running: Running = Running()) -> Results:
    """Run the search of a results file anew from what the file holds alone.

    An uninterrupted search gives the same plans, with the same version, numerical libraries and kind of processor.
    """
    prove = any(table.found.stop == str(Stop.EVERY_GRID_DRIVE) for table in results.plans.values())
    basis = modelled_basis(results.project, running=running) if results.measured is None else stored_basis(results)
    return solve_on(basis, counts=tuple(results.plans), seed=results.seed, prove=prove, running=running)
