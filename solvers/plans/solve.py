"""From a project to its plans: the one path that the command line, notebooks and studies share.

Basis (transfer functions) -> Outcomes (the search) -> Results (what is stored).
"""

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

from roommodes.errors import Fault, ProjectInvalid
from roommodes.plan.plan import Results
from roommodes.plan.tables import Cloud, Further, PlanTable, expected_bytes
from roommodes.project.bands.search_grid import search_grid_hz, weight_words
from roommodes.project.project import Project
from roommodes.running import Running
from roommodes.storage.stamp import Made
from solvers.choice.aims import WithMains
from solvers.choice.by_mix import joined, search_mixes
from solvers.choice.front_filled import AMONG_CANDIDATES, STANDING, Filling
from solvers.choice.ordering import STAGE as CHOICE
from solvers.choice.ordering import Effort, Judged, judge, plain
from solvers.crossover.beside_subs import mains_beside, set_with_mains
from solvers.crossover.exchange import exchanged
from solvers.loudness.headroom import loudness_of
from solvers.plans.basis import Basis, modelled_basis, require_mirror
from solvers.plans.between_frequencies import between_remarks
from solvers.plans.even_starts import weighted_outcomes
from solvers.plans.late import late_remark
from solvers.proof.layouts import with_proofs
from solvers.search.between_candidates import Finer, finer
from solvers.search.problem import DriveRange, Outcome, Problem
from solvers.search.progress import STAGE as SEARCH
from solvers.search.search import search

KEPT_PLANS = 20
SET_WITH_MAINS = 8  # leading plans of each number of subs
MEASURED_REMARK = (
    "Searched on measured responses. Usual layouts and rows that move need the model and are left out; zones, mirrored "
    "layouts and distances do not bind subs that stand already. What the model says of this plan elsewhere (maps, "
    "modes) is the model's, not measured."
)
EXCHANGED_REMARK = (
    "Searched on responses measured by reciprocity. Usual layouts and rows that move need the model and are left out. "
    "What the model says of this plan elsewhere (maps, modes) is the model's, not measured."
)


def solve(
    project: Project,
    *,
    counts: Sequence[int] | None = None,
    seed: int | None = None,
    prove: bool = False,
    proof_s: float = 0.0,
    running: Running = Running(),
) -> Results:
    """The whole job on the model: transfer functions, search, what speaks for each plan.

    Parameters
    ----------
    project : the project.
    counts, seed : in place of the project's own.
    prove : try every layout at every setting of a grid; for small problems.
    proof_s : time for proving how much more even any layout could be; 0 for no proof [s].
    running : progress, cancelling, threads; once cancelled, the best so far is returned.

    Raises
    ------
    Interrupted : cancelled before the first plan was found.
    OutsideModel, ProjectInvalid : the model or the search cannot take this project.
    """
    basis = modelled_basis(project, running=running)
    return solve_on(basis, counts=counts, seed=seed, prove=prove, proof_s=proof_s, running=running)


def solve_on(
    basis: Basis,
    *,
    counts: Sequence[int] | None = None,
    seed: int | None = None,
    prove: bool = False,
    proof_s: float = 0.0,
    running: Running = Running(),
) -> Results:
    """The same on responses that are known already, modelled or measured."""
    project, problem = basis.project, basis.problem
    counts = tuple(counts or basis.counts)
    seed = project.search.seed if seed is None else seed
    if basis.measured is None:
        require_mirror(project, counts)
    try:
        outcomes = _searched(basis, counts, seed, prove, running)
    except ProjectInvalid as refused:
        raise ProjectInvalid(project.source, refused.faults) from refused
    running.step(SEARCH, 1.0)
    if not any(outcome.plans for outcome in outcomes):
        running.check("interrupted before the first plan was found")
        counts_text = ", ".join(str(count) for count in counts)
        message = f"got {counts_text}: {outcomes[0].stop}; ask for fewer subs or give more candidates"
        raise ProjectInvalid(project.source, [Fault(where="search.counts", message=message)])
    if proof_s > 0.0:
        outcomes = with_proofs(problem, outcomes, seconds=proof_s, running=running)
    moved = _moved(basis, problem, outcomes, seed, running)
    if mixes := search_mixes(problem, outcomes, seed=seed, keep=KEPT_PLANS, running=running):
        further = [_moved(basis, one.problem, (one.outcome,), seed, running) for one in mixes]
        moved = joined(moved, further, n_first=len(basis.candidates), width_m=project.room.width_m)
    around, with_mains = basis.around, None
    if project.search.with_mains:
        moved, with_mains = _heard_with_mains(basis, moved, seed, running)
    judged = judge(
        moved.problem,
        moved.outcomes,
        wishes=project.search,
        effort=Effort(seed=seed, keep=KEPT_PLANS, filling=_filling(basis), with_mains=with_mains),
        around=around if around is None else replace(around, rows_transfer=moved.transfer),
        loudness=loudness_of(project, moved.problem.frequency_hz) if basis.loudness_known else None,
        running=running,
    )
    after = replace(basis, problem=moved.problem, candidates=moved.candidates)
    results = results_from(after, moved.outcomes, seed=seed, judged=judged)
    return _with_remarks(results, problem.drives, seed, running)


def _searched(basis: Basis, counts: Sequence[int], seed: int, prove: bool, running: Running) -> tuple[Outcome, ...]:
    """The search; where frequencies are weighted, from the plans of the unweighted one too."""
    problem, wishes = basis.problem, basis.project.search
    if wishes.weighted_by_crossover and basis.project.mains is not None:
        return weighted_outcomes(
            problem, wishes, counts=counts, seed=seed, keep=KEPT_PLANS, prove=prove, running=running
        )
    return search(problem, counts=counts, seed=seed, keep=KEPT_PLANS, prove=prove, running=running)


def _heard_with_mains(basis: Basis, moved: Finer, seed: int, running: Running) -> tuple[Finer, WithMains]:
    """The plans with others whose settings were found with the mains playing, and what gives the variation with these.

    Raises
    ------
    ProjectInvalid : there are no mains, or the band does not reach across their crossover.
    """
    project, problem, record = basis.project, moved.problem, basis.measured
    transfer = basis.main_transfer if record is None else record.main_transfer
    hz, weight = problem.frequency_hz, problem.seat_weight
    mains = mains_beside(project, hz, transfer, weight, measured=record is not None)
    if mains is None:
        message = "no main loudspeaker is known over a band that reaches across the crossover; give [mains] and band_hz"
        raise ProjectInvalid(project.source, [Fault(where="search.with_mains", message=message)])
    running.step(CHOICE, 0.0, "settings with the mains")
    outcomes = []
    for outcome in moved.outcomes:
        leading, entropy = outcome.plans[:SET_WITH_MAINS], [seed, outcome.count, 11]
        found = set_with_mains(problem, mains, leading, entropy=entropy, running=running)
        known = (*found, *leading[len(found) :])
        found += exchanged(problem, mains, known, entropy=entropy, stage=CHOICE, running=running)
        outcomes.append(
            replace(outcome, plans=(*outcome.plans, *(plan for plan in found if plan not in outcome.plans)))
        )
    return replace(moved, outcomes=tuple(outcomes)), partial(mains.variation_db, problem)


def _filling(basis: Basis) -> Filling:
    """What is spent on the fronts: most where settings alone make them."""
    return AMONG_CANDIDATES if basis.measured is None else STANDING


def _moved(basis: Basis, problem: Problem, outcomes: Sequence[Outcome], seed: int, running: Running) -> Finer:
    """The plans moved between the candidates, where the field there is known."""
    if basis.everywhere is None:
        return Finer(problem=problem, candidates=basis.candidates, transfer=problem.transfer, outcomes=tuple(outcomes))
    running.step(CHOICE, 0.0, "between the candidates")
    return finer(problem, basis.candidates, basis.everywhere, outcomes, seed=seed, running=running)


def _with_remarks(results: Results, drives: DriveRange, seed: int, running: Running) -> Results:
    """The same with remarks on the first plan of each number: what lies between the frequencies, a late last sub.

    How frequencies are weighted is said once, with the first number.
    """
    first = [results.plan(count, 1) for count in results.plans]
    finer_known = results.measured is None or results.measured.wide is not None
    between = between_remarks(first, running=running.silent()) if finer_known else []
    plans, project = dict(results.plans), results.project
    said = [words] if (words := weight_words(project.search, project.mains, results.frequency_hz)) else []
    for place, plan in enumerate(first):
        late = late_remark(plan, drives, seed=seed, running=running)
        own = between[place : place + 1] + ([late] if late else [])
        remarks = (*plan.table.found.remarks, *(said if place == 0 else ()), *own)
        plans[plan.subs] = replace(plan.table, found=replace(plan.table.found, remarks=remarks))
    return replace(results, plans=plans)


def results_from(
    basis: Basis, outcomes: Sequence[Outcome], *, seed: int | None = None, judged: Judged | None = None
) -> Results:
    """What is stored: the project, the transfer functions and the plans of every count that has any.

    Parameters
    ----------
    basis, outcomes : what was asked and what came out.
    seed : of the search, where it was not the project's own.
    judged : the plans in the order of all aims, and what helps to choose; left out, as the search left them.
    """
    project, problem = basis.project, basis.problem
    judged, n_seat = judged or plain(outcomes), len(basis.seats)
    cloud = None
    if problem.n_seat > n_seat:  # the seats stand first; tables speak of them alone
        listening = project.listening()
        cloud = Cloud(
            position_m=listening.position_m[n_seat:],
            seat=listening.seat[n_seat:],
            transfer=problem.transfer[:, n_seat:],
        )
    return Results(
        project=project,
        made=Made.now(project.search.seed if seed is None else seed),
        frequency_hz=problem.frequency_hz,
        seats=basis.seats,
        candidates=basis.candidates,
        transfer=problem.transfer[:, :n_seat],
        further=Further(cloud=cloud, mains=None if basis.main_transfer is None else basis.main_transfer[:, :n_seat]),
        plans={count: _stored(table, basis) for count, table in judged.plans.items()},
        choices=judged.choices,
        measured=basis.measured,
    )


def _stored(table: PlanTable, basis: Basis) -> PlanTable:
    """The levels of the seats alone; said what the plans rest on."""
    found = table.found
    if basis.measured is not None:
        remark = EXCHANGED_REMARK if basis.measured.exchanged else MEASURED_REMARK
        found = replace(found, remarks=(*found.remarks, remark))
    return replace(table, level_db=table.level_db[:, :, : len(basis.seats)], found=found)


def expected_results_bytes(project: Project, counts: Sequence[int]) -> int:
    """About how large the results file will be, known before the search [bytes]."""
    return expected_bytes(
        n_freq=len(search_grid_hz(project.search, project.mains)),
        n_seat=len(project.listening().seat),
        n_candidate=len(project.candidates),
        n_plan=KEPT_PLANS * len(counts),
    )
