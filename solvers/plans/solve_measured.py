"""From measured responses to plans: the same search on what was measured instead of what is modelled.

Candidates are the measured subs, seats the measured seats. Nothing asks the model: usual layouts and rows that move are
left out, and wishes for positions (zones, mirrored layouts, distances) do not bind subs that stand already.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.errors import Fault, ProjectInvalid
from roommodes.measured.data import MeasuredSet
from roommodes.places.seats import Seats
from roommodes.places.zones import Candidates
from roommodes.plan.file import PlanTable, Results
from roommodes.plan.measured import MeasuredRecord
from roommodes.project.mains import MainsTable
from roommodes.project.project import Project
from roommodes.project.tables import MAX_COUNT
from roommodes.responses.metrics import normalised
from roommodes.running import Running
from solvers.plans.solve import judged_plans, results_from
from solvers.search.from_project import drives_of
from solvers.search.problem import Problem

REMARK = (
    "Searched on measured responses. Usual layouts and rows that move need the model and are left out; zones, mirrored "
    "layouts and distances do not bind subs that stand already. What the model says of this plan elsewhere (maps, "
    "modes) is the model's, not measured."
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredGround:
    """What a search on measured responses stands on; all of it is in the plan file.

    Parameters
    ----------
    frequency_hz : (n_freq,) logarithmic [Hz].
    transfer : (n_freq, n_seat, n_sub).
    seats, candidates : that were measured.
    record : where it comes from.
    """

    frequency_hz: Floats
    transfer: Complexes
    seats: Seats
    candidates: Candidates
    record: MeasuredRecord


def measured_ground(project: Project, measured: MeasuredSet) -> MeasuredGround:
    """Choose from a measured set what the search needs.

    Raises
    ------
    ProjectInvalid : responses cannot be added, no seat or sub was measured, a sub has no position.
    """
    mains = (project.mains or MainsTable()).measured
    names = list(measured.subs.name)
    subs = [index for index, name in enumerate(names) if name not in mains]
    at_seat = np.flatnonzero(measured.seats.seat >= 0)
    if faults := _faults(measured, subs, mains, len(at_seat)):
        raise ProjectInvalid(measured.source, faults)
    known = project.seats()
    seat = measured.seats.seat[at_seat]
    transfer = measured.transfer[:, at_seat, :]
    weight = known.weight[seat]
    scale = 1.0
    if measured.level != "per metre":
        square = np.einsum("fsc,s->fc", np.abs(transfer[:, :, subs]) ** 2, normalised(weight))
        scale = float(1.0 / np.sqrt(np.mean(square)))
    played = [names.index(name) for name in mains]
    return MeasuredGround(
        frequency_hz=measured.frequency_hz,
        transfer=scale * transfer[:, :, subs],
        seats=Seats(
            position_m=known.position_m[seat],
            name=tuple(known.name[index] for index in seat),
            weight=weight,
            row=known.row[seat],
        ),
        candidates=Candidates(
            position_m=measured.subs.position_m[subs],
            zone=tuple(names[index] for index in subs),
            mirror_of=np.full(len(subs), -1, dtype=np.intp),
        ),
        record=MeasuredRecord(
            name=measured.name,
            manifest_toml=measured.manifest_text,
            notes=(*measured.notes, *_left_out(project, measured, seat)),
            level=measured.level,
            scale_db=float(20.0 * np.log10(scale)),
            file_name=tuple(file.path for file in measured.files),
            file_sha256=tuple(file.sha256 for file in measured.files),
            main_name=tuple(names[index] for index in played),
            main_transfer=scale * transfer[:, :, played] if played else None,
        ),
    )


def measured_counts(project: Project, n_sub: int) -> tuple[int, ...]:
    """Numbers of subs to search for when none are asked for: those of the project that can be had, and all subs."""
    return tuple(sorted({*(count for count in project.search.counts if count <= n_sub), min(n_sub, MAX_COUNT)}))


def solve_measured(
    project: Project,
    ground: MeasuredGround,
    *,
    counts: Sequence[int] | None = None,
    seed: int | None = None,
    prove: bool = False,
    running: Running = Running(),
) -> Results:
    """Search on measured responses; parameters and errors as for `plans.solve.solve`."""
    seed = project.search.seed if seed is None else seed
    problem = Problem(
        frequency_hz=ground.frequency_hz,
        transfer=ground.transfer,
        seat_weight=ground.seats.weight,
        drives=drives_of(project),
        paired=project.search.shared_drives,
    )
    moved, judged = judged_plans(
        project,
        problem,
        ground.candidates,
        counts=tuple(counts or measured_counts(project, problem.n_candidate)),
        seed=seed,
        prove=prove,
        absolute=ground.record.absolute,
        running=running,
    )
    results = results_from(project, problem, moved.outcomes, seed=seed, judged=judged)
    return replace(
        results,
        seats=ground.seats,
        candidates=ground.candidates,
        measured=ground.record,
        plans=_remarked(results.plans),
    )


def _faults(measured: MeasuredSet, subs: Sequence[int], mains: Sequence[str], n_seat: int) -> list[Fault]:
    faults = [
        Fault(
            where=f"reference.{key}",
            message=f"is false, and so responses of several subs cannot be added: {why}. Measure so that they can",
        )
        for key, kept, why in (
            ("common_level", measured.common_level, "their levels do not compare"),
            ("common_polarity", measured.common_polarity, "their signs do not compare"),
            ("common_time", measured.common_time, "their times do not compare"),
        )
        if not kept
    ]
    faults += [
        Fault(
            where="mains.measured",
            message=f"names {name!r}, which the manifest's [[subs]] have not; known: {', '.join(measured.subs.name)}",
        )
        for name in mains
        if name not in measured.subs.name
    ]
    if not n_seat:
        message = "no seat of the project was measured; name seats in the manifest's [[responses]]"
        faults.append(Fault(where="responses", message=message))
    if not subs:
        faults.append(Fault(where="subs", message="all that were measured are mains; measure the subwoofers too"))
    faults += [
        Fault(
            where=f"subs[{index}].position_m",
            message=f"sub {measured.subs.name[index]!r} has none; a plan says where subs stand: give [x, y, z] in m",
        )
        for index in subs
        if not np.isfinite(measured.subs.position_m[index]).all()
    ]
    return faults


def _left_out(project: Project, measured: MeasuredSet, seat: np.ndarray) -> tuple[str, ...]:
    """Seats that were not measured and places that are none, in sentences."""
    notes = []
    missing = [name for index, name in enumerate(project.seats().name) if index not in seat]
    if missing:
        notes.append(f"Not measured and so not counted: {', '.join(missing)}.")
    places = [name for name, index in zip(measured.seats.name, measured.seats.seat, strict=True) if index < 0]
    if places:
        notes.append(f"No seats and so not counted: {', '.join(places)}.")
    return tuple(notes)


def _remarked(plans: Mapping[int, PlanTable]) -> dict[int, PlanTable]:
    return {count: replace(table, remarks=(*table.remarks, REMARK)) for count, table in plans.items()}
