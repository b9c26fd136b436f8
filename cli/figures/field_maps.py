"""Maps of a plan over estimated places."""

from matplotlib.axes import Axes

from cli.figures.report import LevelMap, pressure_map
from roommodes.plan.plan import Plan
from roommodes.responses.metrics import normalised
from solvers.field.plane import FieldPlane


def drawn_plane(axes: Axes, plan: Plan, found: FieldPlane, frame: int, *, title: str | None = None) -> Axes:
    """One frequency of a plane, about the average over the plan's seats; dotted where it is hardly known."""
    middle = float(found.seat_db[frame] @ normalised(plan.seats.weight))
    length, width, _ = plan.project.room.size_m
    shown = LevelMap(
        x_m=found.x_m,
        y_m=found.y_m,
        level_db=found.level_db[frame] - middle,
        seat_m=plan.seats.position_m,
        seat_db=found.seat_db[frame] - middle,
        sub_m=plan.positions_m,
        hardly=found.hardly_known[frame],
        room_m=(length, width),
    )
    return pressure_map(axes, shown, title=f"{found.frequency_hz[frame]:.1f} Hz" if title is None else title)
