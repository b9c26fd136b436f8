"""How a view looks at the room, and where names and numbers find room in it."""

from dataclasses import dataclass

from cli.drawing_parts import SMALL_MM, WALLS, Point, Sheet, text_width
from cli.drawing_room import Stance
from cli.plan_file import ChosenPlan
from roommodes.project import the_wall
from roommodes.rooms import AXIS_OF_WALL
from roommodes.rooms import WALLS as ALL_WALLS
from roommodes.zones import Box, Triple

NAME_INSET_MM = 3.2
NAME_SHARES = (0.5, 0.36, 0.64, 0.22, 0.78, 0.1, 0.9)  # where along its wall a name may stand, the middle first
SAME_LABEL_MM = 5.0  # numbers nearer than this would run into one


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """Which way the room is looked at.

    Parameters
    ----------
    across, up : axes of the room along the sheet's x and y.
    mirrored : the sheet's x runs against the room's axis.
    room_m : length, width, height [m].
    mm_per_m : on paper.
    """

    across: int
    up: int
    mirrored: bool
    room_m: Triple
    mm_per_m: float

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

    def walls(self) -> tuple[str, str, str, str]:
        """Names of what bounds the view: low and high end of the sheet's x, then of its y."""
        by_side = {AXIS_OF_WALL[wall]: the_wall(wall) for wall in ALL_WALLS}
        left, right, bottom, top = (by_side[axis, side] for axis in (self.across, self.up) for side in (0, 1))
        return (right, left, bottom, top) if self.mirrored else (left, right, bottom, top)


def outline(sheet: Sheet, view: View, taken: list[tuple[Point, Point]]) -> None:
    """The room with the names of its walls, each in the middle of its wall or where else nothing stands."""
    width, height = view.size
    sheet.box(WALLS, (0.0, 0.0), (width, height))
    left, right, bottom, top = (name.upper() for name in view.walls())
    for name, x in ((left, NAME_INSET_MM), (right, width - NAME_INSET_MM)):
        places = [(x, share * height) for share in NAME_SHARES]
        sheet.label(_free_place(places, (SMALL_MM, text_width(name)), taken), name, upright=True, backed=True)
    for name, y in ((bottom, NAME_INSET_MM), (top, height - NAME_INSET_MM)):
        places = [(share * width, y) for share in NAME_SHARES]
        sheet.label(_free_place(places, (text_width(name), SMALL_MM), taken), name, backed=True)


def _free_place(places: list[Point], size: Point, taken: list[tuple[Point, Point]]) -> Point:
    """The first place where a text of a size meets nothing; the first of all where there is none."""
    half = (size[0] / 2.0 + 0.6, size[1] / 2.0 + 0.6)
    for x, y in places:
        if not any(
            low[0] < x + half[0] and high[0] > x - half[0] and low[1] < y + half[1] and high[1] > y - half[1]
            for low, high in taken
        ):
            return (x, y)
    return places[0]


def taken(
    view: View, plan: ChosenPlan, subs: tuple[Stance, ...], near: tuple[int, int] | None
) -> list[tuple[Point, Point]]:
    """What stands in a view, with its texts: cabinets and keep-outs."""
    boxes = []
    for sub in subs:
        low, high = view.corners(sub.clear_low_m, sub.clear_high_m)
        boxes.append(((low[0] - 1.0, low[1] - 1.0), (high[0] + 1.0, high[1] + 5.0)))
    boxes += [view.corners(box.low, box.high) for box in plan.project.keep_outs if before(view, box, near)]
    return boxes


def before(view: View, box: Box, near: tuple[int, int] | None) -> bool:
    """Whether a box reaches into the half of the room before a wall (axis, side); any does without one."""
    if near is None:
        return True
    axis, side = near
    half = view.room_m[axis] / 2.0
    return box.high[axis] > half if side else box.low[axis] < half


def numbers_over(view: View, subs: tuple[Stance, ...]) -> list[tuple[Point, str]]:
    """The subs' numbers, those of subs one behind the other or nearly so together: where their middle is, and words."""
    groups: list[tuple[list[Point], list[int]]] = []
    for sub in subs:
        x, y = view.at(sub.centre_m)
        for points, numbers in groups:
            if any(abs(x - a) < SAME_LABEL_MM and abs(y - b) < SAME_LABEL_MM for a, b in points):
                points.append((x, y))
                numbers.append(sub.number)
                break
        else:
            groups.append(([(x, y)], [sub.number]))
    return [
        ((sum(x for x, _ in points) / len(points), max(y for _, y in points)), ", ".join(map(str, numbers)))
        for points, numbers in groups
    ]
