"""Which way a view looks at the room, and the names of what bounds it."""

from dataclasses import dataclass

from cli.drawing.extents import Crowd
from cli.drawing.primitives import Point, Sheet
from roommodes.acoustics.checks.surfaces import the_wall
from roommodes.acoustics.room import AXIS_OF_WALL
from roommodes.acoustics.room import WALLS as ALL_WALLS
from roommodes.lengths import METRIC, Lengths
from roommodes.places.zones import Triple

NAME_INSET_MM = 3.2
# where along its wall a name may stand, the middle first
NAME_SHARES = (
    0.5,
    0.4,
    0.6,
    0.3,
    0.7,
    0.22,
    0.78,
    0.15,
    0.85,
    0.1,
    0.9,
    0.45,
    0.55,
    0.35,
    0.65,
    0.25,
    0.75,
    0.18,
    0.82,
)
NAME_INSETS = (1.0, 2.2, 3.4)  # how far inside, in insets


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """Which way the room is looked at.

    Parameters
    ----------
    across, up : axes of the room along the sheet's x and y.
    mirrored : the sheet's x runs against the room's axis.
    room_m : length, width, height [m].
    mm_per_m : on paper.
    lengths : how its dimensions are written.
    """

    across: int
    up: int
    mirrored: bool
    room_m: Triple
    mm_per_m: float
    lengths: Lengths = METRIC

    def at(self, point: Triple) -> Point:
        """A point of the room on the sheet."""
        along = self.room_m[self.across] - point[self.across] if self.mirrored else point[self.across]
        return (along * self.mm_per_m, point[self.up] * self.mm_per_m)

    def corners(self, low: Triple, high: Triple) -> tuple[Point, Point]:
        """A box of the room on the sheet, its corners sorted."""
        (x0, y0), (x1, y1) = self.at(low), self.at(high)
        return (min(x0, x1), y0), (max(x0, x1), y1)

    @property
    def size(self) -> Point:
        """Of the room on the sheet."""
        return (self.room_m[self.across] * self.mm_per_m, self.room_m[self.up] * self.mm_per_m)

    @property
    def from_above(self) -> bool:
        """Whether it is a plan."""
        return self.up == 1

    def walls(self) -> tuple[str, str, str, str]:
        """Names of what bounds the view: low and high end of the sheet's x, then of its y."""
        by_side = {AXIS_OF_WALL[wall]: the_wall(wall) for wall in ALL_WALLS}
        left, right, bottom, top = (by_side[axis, side] for axis in (self.across, self.up) for side in (0, 1))
        return (right, left, bottom, top) if self.mirrored else (left, right, bottom, top)


def wall_names(sheet: Sheet, view: View, crowd: Crowd) -> None:
    """The names of the room's walls, each in the middle of its wall or where else nothing stands."""
    width, height = view.size
    left, right, bottom, top = (name.upper() for name in view.walls())
    for name, edge, inward in ((left, 0.0, 1.0), (right, width, -1.0)):
        places = [
            (edge + inward * inset * NAME_INSET_MM, share * height) for inset in NAME_INSETS for share in NAME_SHARES
        ]
        wall = ((edge, 0.0), (edge, height))
        crowd.place(sheet, [name], places, upright=True, anchor=(edge, height / 2.0), over=wall)
    for name, edge, inward in ((bottom, 0.0, 1.0), (top, height, -1.0)):
        places = [
            (share * width, edge + inward * inset * NAME_INSET_MM) for inset in NAME_INSETS for share in NAME_SHARES
        ]
        wall = ((0.0, edge), (width, edge))
        crowd.place(sheet, [name], places, anchor=(width / 2.0, edge), over=wall)
