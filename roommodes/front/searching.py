"""From a project to plans, and plans in files."""
# ruff: noqa: PLC0415 (the solvers wait until they are asked)

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal, TypedDict, Unpack, overload

from roommodes.arrays import Floats
from roommodes.errors import Fault, ProjectInvalid
from roommodes.estimates.field_file import FieldFile, read_field_file
from roommodes.measured.data import MeasuredSet
from roommodes.plan.file import read_results, write_results
from roommodes.plan.plan import Plan, Results
from roommodes.plan.tolerance import Tolerance, read_tolerance, write_tolerance
from roommodes.project.layout_file import LayoutFile, read_layout
from roommodes.project.project import Project
from roommodes.running import Running, seconds_of
from roommodes.storage.whole_file import write_whole
from roommodes.studies.results import StudyResults, read_study

if TYPE_CHECKING:
    from solvers.field.estimate import Estimate
    from solvers.field.filled import Filled

Objective = Callable[[Floats], Floats]
Kind = Literal["plan", "study", "tolerance", "layout", "field"]


class Proof(TypedDict, total=False):
    """What a search may prove beside what it finds: keywords of `search`."""

    exhaustive: bool
    prove: str | float | None


def search(
    project: Project,
    *,
    counts: Sequence[int] | None = None,
    seed: int | None = None,
    measured: MeasuredSet | Filled | None = None,
    objective: Objective | None = None,
    threads: int | None = None,
    running: Running | None = None,
    **proof: Unpack[Proof],
) -> Results:
    """Find where the subs go and how each is set; the same as `roommodes optimise`.

    Parameters
    ----------
    project : what is asked.
    counts : numbers of subs; left out, as in the project.
    seed : starts the random numbers; left out, as in the project. With the same version,
        libraries and kind of processor the same seed gives the same plans.
    measured : search on these measured responses (`measurements`) and not on the model; or on what `estimated` makes
        of them.
    objective : in place of variation, a function of level_db (n_plan, n_freq, n_seat) [dB re 1/m, as driven] that
        gives (n_plan,) numbers, less being better. It is tried in Python on whole batches of plans, which is some ten
        to a hundred times slower than the compiled search for variation, and looks at fewer plans: the best found.
    threads, running : threads, on which no plan depends; progress and cancelling in place of none. Once cancelled, the
        best so far is returned.
    exhaustive : (False) try every layout at every setting of a grid as well; for small problems.
    prove : (None) time for a proof of how much more even any layout could be: "5min", "90s", or seconds. The bound
        stands in `results.plans[n].found.layouts_least_db`.

    Raises
    ------
    Interrupted : cancelled before the first plan was found.
    OutsideModel, ProjectInvalid : the model or the search cannot take this project or these measurements.

    Example: ``results = rm.search(project, counts=(2, 4)); plan = results.recommended()``
    """
    from solvers.plans.basis import modelled_basis
    from solvers.plans.measured_basis import measured_basis
    from solvers.plans.solve import solve_on

    running = running or Running(threads=threads)
    if unknown := set(proof) - set(Proof.__annotations__):
        raise TypeError(f"search() got an unexpected keyword argument {min(unknown)!r}")
    exhaustive, prove = proof.get("exhaustive", False), proof.get("prove")
    if objective is not None and (exhaustive or prove is not None):
        message = "exhaustive and prove speak of the least variation; with an objective of your own leave it out"
        raise ProjectInvalid(project.source, [Fault(where="search", message=message)])
    try:
        proof_s = 0.0 if prove is None else seconds_of(prove)
    except ValueError as wrong:
        raise ProjectInvalid(project.source, [Fault(where="prove", message=str(wrong))]) from wrong
    if measured is None:
        basis = modelled_basis(project, running=running)
    elif isinstance(measured, MeasuredSet):
        basis = measured_basis(project, measured)
    else:
        basis = measured_basis(project, measured.measured, estimated=measured.estimated)
    if objective is not None:
        from solvers.plans.own_objective import solve_for

        return solve_for(basis, objective, counts=counts, seed=seed, running=running)
    return solve_on(basis, counts=counts, seed=seed, prove=exhaustive, proof_s=proof_s, running=running)


def save(what: Results | Plan | Tolerance | Project | Estimate, path: str | Path, *, force: bool = False) -> None:
    """Write a plan file, the figures of a tolerance, a field or a project.

    Parameters
    ----------
    what : results with all their plans; a plan, whose filters and crossover go into the file with the results that it
        stands in; a tolerance; what `field` estimated; or a project, whose text is written.
    path : such as "plan.h5", or "room.toml" for a project.
    force : an existing file may be replaced.

    Raises
    ------
    FileUnusable : the file exists, or cannot be written.
    ProjectInvalid : a construction is given in code, which a file cannot hold.
    """
    if isinstance(what, Tolerance):
        write_tolerance(Path(path), what, force=force)
        return
    if isinstance(what, Project):
        what.require_file("a project file")
        write_whole(Path(path), what.toml_text.encode(), force=force)
        return
    if not isinstance(what, (Plan, Results)):
        from roommodes.estimates.field_file import field_image
        from solvers.field.as_file import as_file

        write_whole(Path(path), field_image(as_file(what)), force=force)
        return
    write_results(Path(path), what.kept() if isinstance(what, Plan) else what, force=force)


@overload
def open(path: str | Path, kind: Literal["plan"] = "plan") -> Results: ...
@overload
def open(path: str | Path, kind: Literal["study"]) -> StudyResults: ...
@overload
def open(path: str | Path, kind: Literal["tolerance"]) -> Tolerance: ...
@overload
def open(path: str | Path, kind: Literal["layout"]) -> LayoutFile: ...
@overload
def open(path: str | Path, kind: Literal["field"]) -> FieldFile: ...
def open(path: str | Path, kind: Kind = "plan") -> Results | StudyResults | Tolerance | LayoutFile | FieldFile:
    """Read a file that the program wrote.

    Parameters
    ----------
    path : such as "plan.h5".
    kind : "plan" for results with their plans, "study" for those of a study, "tolerance" for a tolerance,
        "field" for what `roommodes field` estimated, "layout" for what the page of `explore` saved: its `own_project()`
        or `in_project(project)` can be predicted.

    Raises
    ------
    FileUnusable : not such a file, of a newer format, damaged, or holding what is refused.

    Example: ``plan = rm.open("plan.h5").plan(4)``
    """
    if kind == "study":
        return read_study(Path(path))
    if kind == "field":
        return read_field_file(Path(path))
    if kind == "layout":
        return read_layout(Path(path))
    return read_tolerance(Path(path)) if kind == "tolerance" else read_results(Path(path))
