"""Plans by hand: any positions with any drives in a project, judged as the search judges its own."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roommodes.arrays import Complexes, Floats
from roommodes.errors import Fault, ProjectInvalid
from roommodes.places.zones import Candidates, no_kinds
from roommodes.plan.drives import Drives
from roommodes.plan.plan import Plan, Results
from roommodes.plan.tables import Cloud, Further
from roommodes.project.bands.search_grid import search_grid_hz
from roommodes.project.project import Project
from roommodes.running import Running
from roommodes.storage.stamp import Made
from solvers.project_transfer import project_transfer

NO_ZONE = "by hand"
IN_FILE = "as in the project file"


def judge_layout(
    project: Project,
    positions_m: ArrayLike,
    drives: Drives | None = None,
    *,
    kind: Sequence[int] | None = None,
    stop: str = "given by hand",
    running: Running = Running(),
) -> Plan:
    """Any layout in a project as a plan, in results of its own: the band and the seats are the project's.

    Parameters
    ----------
    project : the project; its zones and keep-outs do not bind the layout.
    positions_m : (n_sub, 3) acoustic centres, inside the room [m].
    drives : of each sub; None for all alike.
    kind : (n_sub,) which of the project's kinds of subwoofer each is; may be left out where there is one.
    stop : how the plan came about, in words.
    running : progress, cancelling, threads.

    Raises
    ------
    Interrupted : when cancelled.
    OutsideModel : a position outside the room or on a seat, or the model cannot take this project.
    ProjectInvalid : not as many drives as positions, or not said of which kind each sub is.
    """
    position = np.atleast_2d(np.asarray(positions_m, dtype=np.float64))
    own = drives or Drives.alike(len(position))
    if position.ndim != 2 or position.shape[1] != 3 or len(own) != len(position):
        message = f"got positions {position.shape} and {len(own)} drives; allowed: [x, y, z] and a drive for every sub"
        raise ProjectInvalid(project.source, [Fault(where="positions_m", message=message)])
    kinds = np.zeros(len(position), dtype=np.intp) if kind is None else np.asarray(kind, dtype=np.intp)
    if kinds.shape != (len(position),):
        message = f"got {len(kinds)} kinds for {len(position)} positions; allowed: one for every sub"
        raise ProjectInvalid(project.source, [Fault(where="kinds", message=message)])
    if kind is None:
        project.require_one_kind("a layout without the kind of each sub")
    hz = band_grid_hz(project)
    transfer = project_transfer(
        project, frequency_hz=hz, seat_m=project.listening().position_m, source_m=position, running=running
    )
    if len(project.kinds) > 1:
        transfer = transfer * project.kind_response(hz)[:, None, kinds]
    return results_at(project, position, transfer, kinds).judged(np.arange(len(position)), own, stop=stop)


def kind_named(project: Project, names: Sequence[str]) -> list[int]:
    """Which of the project's kinds of subwoofer are named.

    Raises
    ------
    ProjectInvalid : it has no such kind.
    """
    known = [kind.name for kind in project.kinds]
    if unknown := [name for name in names if name not in known]:
        message = f"got {', '.join(unknown)}; allowed: {', '.join(known)}"
        raise ProjectInvalid(project.source, [Fault(where="kinds", message=message)])
    return [known.index(name) for name in names]


def results_at(
    project: Project, positions_m: Floats, transfer: Complexes, kind: NDArray[np.intp] | None = None
) -> Results:
    """Results without plans, their candidates some positions by hand.

    Parameters
    ----------
    project : with its band and its seats.
    positions_m : (n_position, 3) [m].
    transfer : (n_freq, n_ear, n_position) to all ears, the seats first, with the response of the kinds [1/m].
    kind : (n_position,) of subwoofer; left out, the first.
    """
    seats, listening = project.seats, project.listening()
    n_seat, cloud = len(seats), None
    if len(listening.position_m) > n_seat:
        cloud = Cloud(
            position_m=listening.position_m[n_seat:], seat=listening.seat[n_seat:], transfer=transfer[:, n_seat:]
        )
    return Results(
        project=project,
        made=Made.now(project.search.seed),
        frequency_hz=band_grid_hz(project),
        seats=seats,
        candidates=Candidates(
            position_m=positions_m,
            zone=(NO_ZONE,) * len(positions_m),
            mirror_of=np.full(len(positions_m), -1, dtype=np.intp),
            kind=no_kinds() if kind is None else kind,
        ),
        transfer=transfer[:, :n_seat],
        further=Further(cloud=cloud),
        plans={},
    )


def band_grid_hz(project: Project) -> Floats:
    """The frequencies of a project's search: (n_freq,) [Hz]."""
    return search_grid_hz(project.search, project.mains)


def predict_layout(project: Project, *, running: Running = Running()) -> Plan:
    """The layout that the project itself gives, as a plan.

    Raises
    ------
    ProjectInvalid : the project has no layout.
    Interrupted, OutsideModel : see `judge_layout`.
    """
    layout = project.layout
    if layout is None:
        message = (
            "there is none; add a [layout] table with positions_m and, if you like, gain_db, delay_ms and polarity"
        )
        raise ProjectInvalid(project.source, [Fault(where="layout", message=message)])
    drives = Drives.of_layout(layout)
    return judge_layout(project, layout.positions_m, drives, kind=layout.kind, stop=IN_FILE, running=running)
