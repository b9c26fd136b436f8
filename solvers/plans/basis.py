"""The responses that a search rests on, modelled or measured, with what else is worked out from them."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from roommodes.arrays import Complexes
from roommodes.errors import Fault, ProjectInvalid
from roommodes.places.kinds import different_places, lattice_of_kinds
from roommodes.places.seats import Seats
from roommodes.places.zones import Candidates
from roommodes.plan.measured import MeasuredRecord
from roommodes.project.bands.search_grid import search_grid_hz
from roommodes.project.placing.symmetry import without_mirror
from roommodes.project.project import Project
from roommodes.project.tables import MAX_COUNT
from roommodes.running import Running
from solvers.choice.ordering import Around
from solvers.choice.row_positions import row_places
from solvers.choice.usual_worth import usual_places
from solvers.project_transfer import project_transfer
from solvers.search.between_candidates import Everywhere
from solvers.search.from_project import drives_of, wishes_of
from solvers.search.problem import Problem


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Basis:
    """The responses that a search rests on.

    Parameters
    ----------
    project : what is asked.
    problem : transfer functions, and what may be adjusted.
    seats, candidates : whose they are.
    everywhere : the field between the candidates; None keeps plans at them.
    around : usual layouts and places of the rows; None leaves both out.
    measured : the measurements, where the responses were measured.
    main_transfer : (n_freq, n_ear, n_main) of the model's main loudspeakers, without their lower end [1/m]; None where
        the project has none.
    """

    project: Project
    problem: Problem
    seats: Seats
    candidates: Candidates
    everywhere: Everywhere | None = None
    around: Around | None = None
    measured: MeasuredRecord | None = None
    main_transfer: Complexes | None = None

    @property
    def absolute(self) -> bool:
        """Whether the transfer functions are in 1/m, so that levels follow from a sub's limits."""
        return self.measured is None or self.measured.absolute

    @property
    def loudness_known(self) -> bool:
        """Whether sound pressure follows from a sub's limits: responses in 1/m, or in Pa at a known voltage."""
        return self.absolute or self.project.drive is not None

    @property
    def counts(self) -> tuple[int, ...]:
        """Numbers of subs to search for when none are asked for.

        Those of the project; of measured subs those that can be had, and all of them; by reciprocity not all
        places, if any number that was asked for can be had.
        """
        asked, n_sub = self.project.search.counts, len(self.candidates)
        if self.measured is None:
            return tuple(asked)
        had = {count for count in asked if count <= n_sub}
        if had and self.measured.exchanged:
            return tuple(sorted(had))
        return tuple(sorted({*had, min(n_sub, MAX_COUNT)}))


def modelled_basis(project: Project, *, running: Running = Running()) -> Basis:
    """A project with the model's transfer functions, also to what the usual layouts and moved rows need.

    It is the same whatever counts are searched, so that not even the last digit depends on them.

    Raises
    ------
    Interrupted : when cancelled.
    OutsideModel, ProjectInvalid : the model or the search cannot take this project.
    """
    wishes = project.search
    frequency_hz = search_grid_hz(project.search, project.mains)
    seats, candidates = project.seats, project.candidates
    if not len(candidates):
        message = "there is none, so no sub can stand anywhere; add a [[zones]] table with from_m and to_m"
        raise ProjectInvalid(project.source, [Fault(where="zones", message=message)])
    require_mirror(project, range(1, MAX_COUNT + 1))
    grounds, several = project.grounds(), len(project.kinds) > 1
    lattice = lattice_of_kinds(project.zones_by_kind(), candidates, grounds)
    listening, n_candidate, n_place = project.listening(), len(candidates), len(lattice.position_m)
    n_ear = len(listening.position_m)  # of the seats, and of those that are clouds
    rows = None if n_ear > len(seats) else row_places(project, n_freq=len(frequency_hz))
    ears_m = listening.position_m if rows is None else np.concatenate([seats.position_m, rows.moved_m])
    usual = usual_places(project, ears_m)
    source_m = np.concatenate([lattice.position_m, usual.position_m])
    first, which = different_places(source_m) if several else (np.arange(len(source_m)),) * 2
    main_m = np.array(project.mains.positions_m if project.mains else ()).reshape(-1, 3)
    every_m = np.concatenate([source_m[first], main_m])
    whole = project_transfer(project, frequency_hz=frequency_hz, seat_m=ears_m, source_m=every_m, running=running)
    from_mains, whole = whole[:, :n_ear, len(first) :], whole[:, :, : len(first)]
    if several:  # kinds share places: each is worked out once, and heard by what stands there
        whole = whole[:, :, which] * project.kind_response(frequency_hz)[:, None, lattice.kind]
    return Basis(
        project=project,
        problem=Problem(
            frequency_hz=frequency_hz,
            transfer=whole[:, :n_ear, :n_candidate],
            seat_weight=listening.weight,
            drives=drives_of(project),
            mirror_of=candidates.mirror_of if wishes.mirror else None,
            paired=wishes.shared_drives,
            wishes=wishes_of(project, candidates),
        ),
        seats=seats,
        candidates=candidates,
        everywhere=Everywhere(lattice=lattice, grounds=grounds, transfer=whole[:, :, :n_place]),
        around=Around(
            usual=usual,
            usual_transfer=whole[:, :n_ear, n_place:],
            rows=rows,
            rows_transfer=whole[:, :, :n_candidate],
        ),
        main_transfer=from_mains if len(main_m) else None,
    )


def require_mirror(project: Project, counts: Sequence[int]) -> None:
    """Refuse mirrored layouts where a room or its zones have none.

    Raises
    ------
    ProjectInvalid : mirrored layouts are asked for, and no number of subs asked for has one.
    """
    if why := without_mirror(project, counts):
        raise ProjectInvalid(project.source, [Fault(where="search.mirror", message=why)])


def build_problem(project: Project, *, running: Running = Running()) -> Problem:
    """Transfer functions from every candidate to every seat, with what the search may adjust; as `modelled_basis`."""
    return modelled_basis(project, running=running).problem
