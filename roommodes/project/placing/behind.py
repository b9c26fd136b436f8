"""What stands behind the heads of a row: the rear wall, or what comes before it in a room that is no box."""

from dataclasses import dataclass

from roommodes.project.project import Project
from roommodes.project.shape_tables import RowTable

SAME_M = 5e-7  # by which distances may differ and are one


@dataclass(frozen=True, slots=True, kw_only=True)
class Behind:
    """How far behind the heads of a row something stands, at their height.

    Parameters
    ----------
    least_m, most_m : of its seats [m].
    what : the block or slope nearest to a head; None where that is the rear wall.
    seats : numbers of the seats at `least_m`, from 1.
    """

    least_m: float
    most_m: float
    what: str | None
    seats: tuple[int, ...]

    @property
    def even(self) -> bool:
        """Whether it is the same behind every seat."""
        return self.most_m - self.least_m <= SAME_M


def behind(project: Project, row: RowTable) -> Behind:
    """What stands behind a row's heads as it is drawn."""
    room, height = project.room, project.row_height_m(row)
    if room.is_box or not row.y_m:
        gap = room.length_m - row.x_m
        return Behind(least_m=gap, most_m=gap, what=None, seats=tuple(range(1, len(row.y_m) + 1)))
    found = [room.shape.next_wall((row.x_m, y, height), 0, 1, slopes=True) for y in row.y_m]
    least_m, what = min(found, key=lambda one: one[0])
    seats = tuple(number for number, (gap, _) in enumerate(found, 1) if gap - least_m <= SAME_M)
    return Behind(least_m=least_m, most_m=max(gap for gap, _ in found), what=what, seats=seats)
