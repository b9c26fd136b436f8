"""A plan over the listening plane at one frequency."""

from dataclasses import dataclass

import numpy as np

from roommodes.arrays import Floats
from roommodes.plan.plan import Plan
from roommodes.responses.metrics import level_db, seat_pressure
from roommodes.running import Running
from solvers.listening.plane import listening_plane
from solvers.project_transfer import QUICK, project_transfer


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlanMap:
    """Levels of a plan, as driven and filtered, at one frequency.

    Parameters
    ----------
    x_m, y_m : (n_x,), (n_y,) of the map, walls included [m].
    height_m : of the map, the mean of the ears' [m].
    level_db : (n_x, n_y) [dB re 1/m].
    seat_db : (n_seat,) at the seats' own ear heights [dB re 1/m].
    """

    x_m: Floats
    y_m: Floats
    height_m: float
    level_db: Floats
    seat_db: Floats


def plan_map(plan: Plan, frequency_hz: float, *, running: Running = Running()) -> PlanMap:
    """Ask the model over the whole plane; as precise as the maps of the report.

    Raises
    ------
    Interrupted : when cancelled.
    OutsideModel : the model says nothing at this frequency.
    """
    project, hz = plan.project, np.array([frequency_hz])
    plane = listening_plane(
        project.room,
        ear_height_m=float(np.mean(plan.seats.position_m[:, 2])),
        highest_hz=frequency_hz,
        sub_m=plan.positions_m,
    )
    transfer = project_transfer(  # by reciprocity: the subs, which are few, as the model's seats
        project,
        frequency_hz=hz,
        seat_m=plan.positions_m,
        source_m=np.vstack([plan.seats.position_m, plane.nodes_m()]),
        precision=QUICK,
        running=running.under("listening plane"),
    ).transpose(0, 2, 1)
    n_seat, weights = len(plan.seats), plan.weights(hz) * plan.kind_response(hz)
    pressure = plane.pressure(transfer[:, n_seat:], weights, plan.positions_m, project.room, frequency_hz=hz)
    return PlanMap(
        x_m=plane.x_m,
        y_m=plane.y_m,
        height_m=plane.height_m,
        level_db=level_db(pressure)[0],
        seat_db=level_db(seat_pressure(transfer[:, :n_seat], weights))[0],
    )
