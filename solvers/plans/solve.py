"""From a project to its plans: the one path that the command line, notebooks and studies share.

Project -> Problem (transfer functions) -> Outcomes (the search) -> Results (what is stored).
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from roommodes import __version__
from roommodes.errors import Fault, ProjectInvalid
from roommodes.places.lattice import lattice_of
from roommodes.places.zones import Candidates
from roommodes.plan.file import Cloud, Results, expected_bytes
from roommodes.project.project import Project
from roommodes.responses.frequency_grid import log_grid
from roommodes.running import Running
from solvers.choice.ordering import STAGE as CHOICE
from solvers.choice.ordering import Around, Judged, judge, plain
from solvers.choice.row_positions import row_places
from solvers.choice.usual_worth import usual_places
from solvers.loudness.headroom import loudness_of
from solvers.project_transfer import project_transfer
from solvers.search.between_candidates import Everywhere, Finer, finer
from solvers.search.from_project import drives_of, wishes_of
from solvers.search.problem import Outcome, Problem
from solvers.search.progress import STAGE as SEARCH
from solvers.search.search import search

KEPT_PLANS = 20


def build_problem(project: Project, *, running: Running = Running()) -> Problem:
    """Transfer functions from every candidate to every seat, with what the search may adjust.

    Parameters
    ----------
    project : the project.
    running : progress, cancelling, threads.

    Raises
    ------
    Interrupted : when cancelled.
    OutsideModel, ProjectInvalid : the model or the search cannot take this project.
    """
    return _with_surroundings(project, running)[0]


def _with_surroundings(project: Project, running: Running) -> tuple[Problem, Everywhere, Around]:
    """The problem, and what the usual layouts and moved rows need, from one call of the model.

    It is the same whatever counts are searched, so that not even the last digit depends on them.
    """
    wishes = project.search
    frequency_hz = log_grid(*wishes.band_hz, wishes.points_per_octave)
    seats, candidates = project.seats(), project.candidates()
    if not len(candidates):
        message = "there is none, so no sub can stand anywhere; add a [[zones]] table with from_m and to_m"
        raise ProjectInvalid(project.source, [Fault(where="zones", message=message)])
    ground = project.ground()
    lattice = lattice_of(project.zones, candidates, ground)
    listening, n_candidate, n_place = project.listening(), len(candidates), len(lattice.position_m)
    n_ear = len(listening.position_m)  # of the seats, and of those that are clouds
    rows = None if n_ear > len(seats) else row_places(project, n_freq=len(frequency_hz))
    ears_m = listening.position_m if rows is None else np.concatenate([seats.position_m, rows.moved_m])
    usual = usual_places(project, ears_m)
    source_m = np.concatenate([lattice.position_m, usual.position_m])
    whole = project_transfer(project, frequency_hz=frequency_hz, seat_m=ears_m, source_m=source_m, running=running)
    transfer = whole[:, :n_ear, :n_candidate]
    problem = Problem(
        frequency_hz=frequency_hz,
        transfer=transfer,
        seat_weight=listening.weight,
        drives=drives_of(project),
        mirror_of=candidates.mirror_of if wishes.mirror else None,
        paired=wishes.shared_drives,
        wishes=wishes_of(project, candidates),
    )
    around = Around(
        usual=usual,
        usual_transfer=whole[:, :n_ear, n_place:],
        rows=rows,
        rows_transfer=whole[:, :, :n_candidate],
    )
    return problem, Everywhere(lattice=lattice, ground=ground, transfer=whole[:, :, :n_place]), around


def solve(
    project: Project,
    *,
    counts: Sequence[int] | None = None,
    seed: int | None = None,
    prove: bool = False,
    running: Running = Running(),
) -> Results:
    """The whole job: transfer functions, search, what speaks for each plan, results ready to be written.

    Parameters
    ----------
    project : the project.
    counts, seed : in place of the project's own.
    prove : try every layout at every drive of a grid; for small problems.
    running : progress, cancelling, threads; once cancelled, the best so far is returned.

    Raises
    ------
    Interrupted : cancelled before the first plan was found.
    OutsideModel, ProjectInvalid : the model or the search cannot take this project.
    """
    seed = project.search.seed if seed is None else seed
    counts = tuple(counts or project.search.counts)
    problem, everywhere, around = _with_surroundings(project, running)
    moved, judged = judged_plans(
        project,
        problem,
        project.candidates(),
        everywhere=everywhere,
        around=around,
        counts=counts,
        seed=seed,
        prove=prove,
        running=running,
    )
    return results_from(project, moved.problem, moved.outcomes, candidates=moved.candidates, seed=seed, judged=judged)


def judged_plans(
    project: Project,
    problem: Problem,
    candidates: Candidates,
    *,
    counts: Sequence[int],
    seed: int,
    prove: bool = False,
    everywhere: Everywhere | None = None,
    around: Around | None = None,
    absolute: bool = True,
    running: Running = Running(),
) -> tuple[Finer, Judged]:
    """Search a problem and judge what was found; parameters and errors as for `solve`.

    `everywhere` lets the plans move between the candidates; `absolute` says whether the transfer is in 1/m, so that
    levels follow from a sub's limits.
    """
    try:
        outcomes = search(
            problem,
            counts=counts,
            seed=seed,
            keep=KEPT_PLANS,
            prove=prove,
            running=running,
        )
    except ProjectInvalid as refused:
        raise ProjectInvalid(project.source, refused.faults) from refused
    running.step(SEARCH, 1.0)
    if not any(outcome.plans for outcome in outcomes):
        running.check("interrupted before the first plan was found; nothing was written")
        counts_text = ", ".join(str(count) for count in counts)
        message = f"got {counts_text}: {outcomes[0].stop}; ask for fewer subs or give more candidates"
        raise ProjectInvalid(project.source, [Fault(where="search.counts", message=message)])
    moved = Finer(problem=problem, candidates=candidates, transfer=problem.transfer, outcomes=outcomes)
    if everywhere is not None:
        running.step(CHOICE, 0.0, "between the candidates")
        moved = finer(problem, candidates, everywhere, outcomes, seed=seed, running=running)
    judged = judge(
        moved.problem,
        moved.outcomes,
        wishes=project.search,
        seed=seed,
        keep=KEPT_PLANS,
        around=around if around is None else replace(around, rows_transfer=moved.transfer),
        loudness=loudness_of(project, moved.problem.frequency_hz) if absolute else None,
        running=running,
    )
    return moved, judged


def results_from(
    project: Project,
    problem: Problem,
    outcomes: Sequence[Outcome],
    *,
    candidates: Candidates | None = None,
    seed: int | None = None,
    judged: Judged | None = None,
) -> Results:
    """What is stored: the project, the transfer functions and the plans of every count that has any.

    Parameters
    ----------
    project, problem, outcomes : what was asked and what came out.
    candidates : of the problem, where they are more than the project's own.
    seed : of the search, where it was not the project's own.
    judged : the plans in the order of all aims, and what helps to choose; left out, as the search left them.
    """
    judged, listening = judged or plain(outcomes), project.listening()
    n_seat = listening.n_seat  # the seats stand first; tables speak of them alone
    plans = {count: replace(table, level_db=table.level_db[:, :, :n_seat]) for count, table in judged.plans.items()}
    cloud = None
    if problem.n_seat > n_seat:  # responses measured at seats have no further points
        cloud = Cloud(
            position_m=listening.position_m[n_seat:],
            seat=listening.seat[n_seat:],
            transfer=problem.transfer[:, n_seat:],
        )
    return Results(
        project_toml=project.toml_text,
        project_sha256=project.sha256,
        seed=project.search.seed if seed is None else seed,
        software_version=__version__,
        created_utc=datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        frequency_hz=problem.frequency_hz,
        seats=project.seats(),
        candidates=project.candidates() if candidates is None else candidates,
        transfer=problem.transfer[:, :n_seat],
        cloud=cloud,
        plans=plans,
        choices=judged.choices,
    )


def expected_results_bytes(project: Project, counts: Sequence[int]) -> int:
    """About how large the results file will be, known before the search [bytes]."""
    wishes = project.search
    return expected_bytes(
        n_freq=len(log_grid(*wishes.band_hz, wishes.points_per_octave)),
        n_seat=len(project.listening().seat),
        n_candidate=len(project.candidates()),
        n_plan=KEPT_PLANS * len(counts),
    )
