"""How a view looks at the room, and where names and numbers find room in it."""

from dataclasses import dataclass

import numpy as np

from cli.drawing.objects import Stance
from cli.drawing.primitives import Point, Sheet
from cli.figures.lettering import SMALL_MM, text_width
from roommodes.acoustics.checks.surfaces import the_wall
from roommodes.acoustics.room import AXIS_OF_WALL
from roommodes.acoustics.room import WALLS as ALL_WALLS
from roommodes.lengths import METRIC, Lengths
from roommodes.places.zones import Box, Triple
from roommodes.plan.plan import Plan

NAME_INSET_MM = 3.2
# where along its wall a name may stand, the middle first
NAME_SHARES = (
    0.5,
    0.36,
    0.64,
    0.29,
    0.71,
    0.22,
    0.78,
    0.15,
    0.85,
    0.1,
    0.9,
)
ROW_NAME_MM = 12.0  # half of what a row's name takes
CHAIR_M = 0.3  # half the width of a seat
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

    def walls(self) -> tuple[str, str, str, str]:
        """Names of what bounds the view: low and high end of the sheet's x, then of its y."""
        by_side = {AXIS_OF_WALL[wall]: the_wall(wall) for wall in ALL_WALLS}
        left, right, bottom, top = (by_side[axis, side] for axis in (self.across, self.up) for side in (0, 1))
        return (right, left, bottom, top) if self.mirrored else (left, right, bottom, top)


def wall_names(sheet: Sheet, view: View, taken: list[tuple[Point, Point]]) -> None:
    """The names of the room's walls, each in the middle of its wall or where else nothing stands."""
    width, height = view.size
    left, right, bottom, top = (name.upper() for name in view.walls())
    for name, x in ((left, NAME_INSET_MM), (right, width - NAME_INSET_MM)):
        size = (SMALL_MM, text_width(name))
        places = [(x, y) for y in _along(height, size[1])]
        sheet.label(free_place(places, size, taken, view.size), name, upright=True, backed=True)
    for name, y in ((bottom, NAME_INSET_MM), (top, height - NAME_INSET_MM)):
        size = (text_width(name), SMALL_MM)
        places = [(x, y) for x in _along(width, size[0])]
        sheet.label(free_place(places, size, taken, view.size), name, backed=True)


def _along(side: float, length: float) -> list[float]:
    """Where along a wall the middle of its name may stand, best first: the middle, then toward the ends."""
    end = 0.5 * length + 0.7
    return [*(share * side for share in NAME_SHARES), side - end, end]


def free_place(places: list[Point], size: Point, taken: list[tuple[Point, Point]], room: Point) -> Point:
    """The place within the room where a text of a size meets least, the first of several; the first of all if none."""
    half = (size[0] / 2.0 + 0.6, size[1] / 2.0 + 0.6)

    def met(place: Point) -> float:
        """How much of the text lies on what stands there [mm2]."""
        (x, y), total = place, 0.0
        for low, high in taken:
            wide, tall = (min(high[k], c + half[k]) - max(low[k], c - half[k]) for k, c in ((0, x), (1, y)))
            total += max(0.0, wide) * max(0.0, tall)
        return total

    within = [p for p in places if all(half[k] <= p[k] <= room[k] - half[k] for k in (0, 1))]
    return min(within or places[:1], key=met)


def taken(view: View, plan: Plan, subs: tuple[Stance, ...], near: tuple[int, int] | None) -> list[tuple[Point, Point]]:
    """What stands in a view, with its texts: cabinets and keep-outs."""
    boxes = []
    for sub in subs:
        low, high = view.corners(sub.clear_low_m, sub.clear_high_m)
        over = 1.0 if near is None else 5.0  # in an elevation the subs' numbers
        boxes.append(((low[0] - 1.0, low[1] - 1.0), (high[0] + 1.0, high[1] + over)))
    if near is None:
        boxes += [_row_name_box(view, plan, row) for row in range(len(plan.project.rows))]
    boxes += [view.corners(box.low, box.high) for box in plan.project.keep_outs if before(view, box, near)]
    return boxes


def _row_name_box(view: View, plan: Plan, row: int) -> tuple[Point, Point]:
    """About where a row's name stands in the plan view: beside its seat nearest to the left wall."""
    seats = plan.seats
    members = seats.position_m[np.asarray(seats.row) == row]
    if not len(members):
        return (0.0, 0.0), (0.0, 0.0)
    first = members[int(np.argmin(members[:, 1]))]
    x, y = view.at((float(first[0]), float(first[1]), float(first[2])))
    top = y - CHAIR_M * view.mm_per_m
    return (x - ROW_NAME_MM, top - 2.5 * SMALL_MM), (x + ROW_NAME_MM, top)


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
