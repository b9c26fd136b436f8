"""A stored search run again from what its file holds alone."""

from roommodes.plan.file import Results
from roommodes.project.reading import parse_project
from roommodes.running import Running
from solvers.plans.solve import solve
from solvers.plans.solve_measured import MeasuredGround, solve_measured
from solvers.search.problem import Stop


def solve_again(results: Results, *, running: Running = Running()) -> Results:
    """Run the search of a results file anew from what the file holds alone.

    An uninterrupted search gives the same plans.
    """
    project = parse_project(results.project_toml, source="project_toml")
    prove = any(table.stop == str(Stop.EVERY_GRID_DRIVE) for table in results.plans.values())
    counts = tuple(results.plans)
    if results.measured is None:
        return solve(project, counts=counts, seed=results.seed, prove=prove, running=running)
    ground = MeasuredGround(
        frequency_hz=results.frequency_hz,
        transfer=results.transfer,
        seats=results.seats,
        candidates=results.candidates,
        record=results.measured,
    )
    return solve_measured(project, ground, counts=counts, seed=results.seed, prove=prove, running=running)
