"""Cables in plan: along the walls as their lengths are counted, side by side, each with its name in the schedule."""

from itertools import pairwise

from cli.drawing.extents import Crowd
from cli.drawing.primitives import CABLES, Point, Sheet
from cli.drawing.view import View
from roommodes.plan.plan import Plan
from solvers.electrical.of_plan import electrical_of
from solvers.electrical.routes import walls_of

FIRST_MM, STEP_MM = 1.0, 0.8  # from the wall to the first cable, from one to the next
NAME_SHARES = (0.5, 0.35, 0.65, 0.2, 0.8)


def draw_cables(sheet: Sheet, view: View, plan: Plan) -> list[tuple[str, list[Point]]]:
    """Every cable whose ends are known; their names, with places for them."""
    walls = walls_of(plan.project, plan.project.tables.electrical.route_height_m)
    names = []
    known = (cable for cable in electrical_of(plan).cables if cable.ends_m is not None)
    for place, cable in enumerate(known):
        assert cable.ends_m is not None, "as filtered"
        inset_m = (FIRST_MM + STEP_MM * place) / view.mm_per_m
        points = [view.at((x, y, 0.0)) for x, y in walls.path_m(*cable.ends_m, inset_m=inset_m)]
        sheet.path(CABLES, points)
        names.append((cable.name, _along(points)))
    return names


def name_cables(sheet: Sheet, crowd: Crowd, names: list[tuple[str, list[Point]]]) -> None:
    """The names on their lines, where there is room."""
    for name, places in names:
        crowd.place(sheet, [name], places, anchor=places[0])


def _along(points: list[Point]) -> list[Point]:
    """Places on the longest straight piece of a line."""
    (x0, y0), (x1, y1) = max(pairwise(points), key=lambda one: abs(one[1][0] - one[0][0]) + abs(one[1][1] - one[0][1]))
    return [(x0 + share * (x1 - x0), y0 + share * (y1 - y0)) for share in NAME_SHARES]
