"""Rows of seats from above and from the side."""

from itertools import pairwise

from cli.drawing.dimensions import Measures
from cli.drawing.extents import Crowd
from cli.drawing.primitives import SEATS, Block, Path, Point, Ring, Sheet
from cli.drawing.screen import sight_lines
from cli.drawing.view import NAME_INSET_MM, View
from cli.figures.lettering import SMALL_MM, text_width
from cli.terminal.output import clean
from roommodes.places.zones import Triple
from roommodes.plan.plan import Plan

HEAD_M = 0.1
CHAIR_M = 0.3  # half the width of a seat
SEAT_M = 0.65  # ears above what one sits on, about (common practice, no source)
NUMBERED_MM = 1.6  # a head at least so large has its number in it


def row_ears(plan: Plan) -> list[tuple[str, list[Triple]]]:
    """Name and ears of every row, from the left wall to the right."""
    seats, found = plan.seats, []
    for index, table in enumerate(plan.project.rows):
        members = [tuple(map(float, p)) for p, own in zip(seats.position_m, seats.row, strict=True) if own == index]
        name = clean(table.name, 16)
        words = name if "row" in name.lower().split() else f"row {name}"
        found.append((words, [(x, y, z) for x, y, z in members]))
    return found


def rows_from_above(sheet: Sheet, view: View, plan: Plan, crowd: Crowd, measures: Measures) -> None:
    """Heads and chairs with the seats' numbers; distances of rows from the front wall and of seats in a row."""
    head, half = HEAD_M * view.mm_per_m, CHAIR_M * view.mm_per_m
    for words, ears in row_ears(plan):
        points = [view.at(ear) for ear in ears]
        for number, ((x, y), ear) in enumerate(zip(points, ears, strict=True), start=1):
            back = x + 1.8 * head
            front = back - half * 0.9
            chair = ((front, y - half), (back, y - half), (back, y + half), (front, y + half))
            sheet.parts.append(_seat(words, number, (x, y), ear, (Path(layer=SEATS, points=chair),), head))
            crowd.things.append(((min(x - head, front), y - half), (back, y + half)))
            if head > NUMBERED_MM:
                sheet.label((x, y), str(number), height=1.8, backed=True)
                crowd.texts.append(((x - 1.2, y - 1.2), (x + 1.2, y + 1.2)))
        _measure_row(view, points, measures)


def _measure_row(view: View, points: list[Point], measures: Measures) -> None:
    """A row's distance from the front wall, its first seat from the left wall, and from seat to seat."""
    if not points:
        return
    ordered = sorted(points, key=lambda point: point[1])
    side = int(ordered[0][0] > view.size[0] / 2.0)
    measures.point(0, ordered[-1], from_end=False, side=1)
    measures.point(1, ordered[0], from_end=False, side=side)
    for one, other in pairwise(ordered):
        measures.add(1, one, other, side=side)


def row_names(sheet: Sheet, view: View, plan: Plan, crowd: Crowd) -> None:
    """The name of every row with the height of its ears."""
    for words, ears in row_ears(plan):
        if not ears:
            continue
        points = sorted((view.at(ear) for ear in ears), key=lambda point: point[1])
        said = f"{words}, ears {view.lengths.fine(ears[0][2])}"
        off = (CHAIR_M * view.mm_per_m if view.from_above else HEAD_M * view.mm_per_m) + SMALL_MM
        (x, low), high = points[0], points[-1][1]
        places = [(x, low - off), (x, high + off), (x, low - off - 3.6), (x, high + off + 3.6)]
        width = text_width(said) / 2.0
        clear = width + NAME_INSET_MM + SMALL_MM  # of the walls and their names
        places = [(min(max(at, clear), max(view.size[0] - clear, clear)), level) for at, level in places]
        places += [(x + side * (width + off), (low + high) / 2.0) for side in (-1.0, 1.0)]
        crowd.place(sheet, [said], places, anchor=(x, low))


def rows_from_side(sheet: Sheet, view: View, plan: Plan, crowd: Crowd, measures: Measures) -> None:
    """A head and a chair for every row; distance from the front wall, and height of the ears."""
    head = HEAD_M * view.mm_per_m
    rows = row_ears(plan)
    if plan.project.screen is not None:
        sight_lines(sheet, view, plan.project.screen.picture, [ears[0] for _, ears in rows if ears])
    for words, ears in rows:
        if not ears:
            continue
        x, y = view.at(ears[0])
        seat = SEAT_M * view.mm_per_m
        under = (x - 4.5 * head, y - seat)
        back = (x + 1.6 * head, y - seat)
        chair = Path(layer=SEATS, points=(under, back, (x + 2.2 * head, y)))
        sheet.parts.append(_seat(words, 1, (x, y), ears[0], (chair,), head))
        crowd.things.append(((under[0], y - seat), (x + 2.2 * head, y + head)))
        measures.point(0, (x, y), from_end=False, side=0)
        measures.point(1, (x, y), from_end=False, side=int(x > view.size[0] / 2.0))


def _seat(row: str, number: int, at: Point, ear: Triple, lines: tuple[Path, ...], head: float) -> Block:
    facts = (("ROW", row), ("SEAT", str(number)), ("EARS_MM", f"{1e3 * ear[2]:.0f}"))
    return Block(
        layer=SEATS, kind="SEAT", at=at, parts=(*lines, Ring(layer=SEATS, centre=at, radius=head)), attributes=facts
    )
