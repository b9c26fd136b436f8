"""Blocks and slopes in the views: outlines as built, what stands before a wall, where the ceiling falls."""

import textwrap
from collections.abc import Sequence
from dataclasses import replace

from cli.drawing.dimensions import Measures
from cli.drawing.extents import LINE_STEP_MM, Crowd
from cli.drawing.primitives import SLOPES, SOLIDS, WALLS, Point, Sheet
from cli.drawing.view import View
from cli.figures.lettering import SMALL_MM, text_width
from cli.terminal.output import clean
from roommodes.acoustics.checks.surfaces import the_wall
from roommodes.acoustics.room import AXIS_OF_WALL, Room
from roommodes.acoustics.room import WALLS as WALL_NAMES
from roommodes.shapes.outlines import outline_along
from roommodes.shapes.solids import Block, Slope

LABEL_SHARES = (0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8)  # where along its line a slope's words may stand
OVERHEAD_M = 1.2  # what hangs higher is dashed in the plan
HANGING = replace(SOLIDS, dashes_mm=(2.4, 1.2))


def room_outline(sheet: Sheet, view: View, room: Room) -> None:
    """The outline of the room's air, and its blocks and slopes within it."""
    if room.is_box:
        sheet.box(WALLS, (0.0, 0.0), view.size)
        return
    normal = 3 - view.across - view.up
    for loop in outline_along(room.shape, normal):
        points = []
        for first, second in loop.tolist():
            point = [0.0, 0.0, 0.0]
            point[view.across], point[view.up] = first, second
            points.append(view.at((point[0], point[1], point[2])))
        sheet.path(WALLS, points, closed=True)


def solids(sheet: Sheet, view: View, room: Room, blocks: Sequence[Block]) -> None:
    """Blocks and the lines of slopes; what hangs is dashed from above."""
    for block in _solid(blocks):
        low, high = view.corners(block.low_m, block.high_m)
        if view.from_above:
            layer = HANGING if block.low_m[2] > OVERHEAD_M else SOLIDS
            sheet.box(layer, low, high, hatch=_full(block, room))
        else:
            sheet.path(SOLIDS, _under_slopes(view, room, block), closed=True)
    for slope in room.slopes:
        for _, _, ends in _lines(view, room, slope):
            sheet.path(SLOPES, ends)


def hatched(view: View, room: Room, blocks: Sequence[Block]) -> list[tuple[Point, Point]]:
    """What `solids` hatches from above: no other name stands there."""
    full = [block for block in _solid(blocks) if _full(block, room)] if view.from_above else []
    return [view.corners(block.low_m, block.high_m) for block in full]


def solid_names(sheet: Sheet, view: View, room: Room, blocks: Sequence[Block], crowd: Crowd) -> None:
    """Names and heights of what `solids` draws, where they meet nothing."""
    for block in _solid(blocks):
        low, high = view.corners(block.low_m, block.high_m)
        words = clean(block.name, 40)
        if view.from_above and not _full(block, room):
            words += f", {view.lengths.fine(block.low_m[2])} to {view.lengths.fine(block.high_m[2])} above floor"
        elif not view.from_above:
            high = (high[0], min(y for _, y in _under_slopes(view, room, block)[2:]))
        letters = max(8, int((high[0] - low[0] - 2.0) / text_width("a")))
        lines = textwrap.wrap(words, letters, max_lines=4, placeholder="…")
        tall = LINE_STEP_MM * len(lines)
        middle = 0.5 * (low[0] + high[0])
        spare = max(0.0, high[1] - low[1] - tall - 2.0)
        places = [
            (middle + aside * 0.25 * (high[0] - low[0]), high[1] - 1.0 - 0.5 * tall - share * spare)
            for aside in (0.0, -1.0, 1.0)
            for share in (0.0, 0.25, 0.5, 0.75, 1.0)
        ]
        crowd.place(sheet, lines, places, anchor=(middle, 0.5 * (low[1] + high[1])), over=(low, high))
    for slope in room.slopes:
        if view.from_above:
            _slope_names(sheet, view, room, slope, crowd)
            continue
        for _, _, ends in _lines(view, room, slope)[:1]:
            (x0, y), (x1, _) = ends
            places = [(x0 + share * (x1 - x0), y + 2.2) for share in LABEL_SHARES]
            crowd.place(sheet, [clean(slope.name, 24)], places)


def _slope_names(sheet: Sheet, view: View, room: Room, slope: Slope, crowd: Crowd) -> None:
    """How high the ceiling is along the lines of a slope; what it is at a wall stands at the line within the room."""
    sides = {AXIS_OF_WALL[wall]: the_wall(wall) for wall in WALL_NAMES}
    lines = _lines(view, room, slope)
    inner = [line for line in lines if 0.0 < line[0] < room.size_m[slope.axis]]
    at_walls = [
        f", {view.lengths.fine(height)} at {sides[slope.axis, int(at > 0.0)]}"
        for at, height in (slope.from_m, slope.to_m)
        if not 0.0 < at < room.size_m[slope.axis]
    ]
    for _, height, ends in inner or lines:
        words = f"{clean(slope.name, 24)}: ceiling {view.lengths.fine(height)} above floor"
        words += "".join(at_walls) if inner else ""
        (x0, y0), (x1, y1) = ends
        flat = abs(y1 - y0) < abs(x1 - x0)
        edge = 0.5 * SMALL_MM + 1.2
        places = []
        for aside in (0.0, 4.0, -4.0, 8.0, -8.0, 12.0, -12.0):
            for share in LABEL_SHARES:
                x, y = x0 + share * (x1 - x0), y0 + share * (y1 - y0)
                off, most = (y, view.size[1]) if flat else (x, view.size[0])
                off = min(max(off + aside, edge), most - edge)
                places.append((x, off) if flat else (off, y))
        crowd.place(sheet, [words], places, upright=not flat)


def measure_slopes(view: View, room: Room, measures: Measures) -> None:
    """Where the ceiling falls, and how high it is there: from above along the floor, from the side both."""
    for slope in room.slopes:
        along = {view.across: 0, view.up: 1}
        for at, height in (slope.from_m, slope.to_m):
            point = [0.0, 0.0, height]
            point[slope.axis] = at
            x, y = view.at((point[0], point[1], point[2]))
            if slope.axis in along and 0.0 < at < room.size_m[slope.axis]:
                from_end = at > room.size_m[slope.axis] / 2.0
                if along[slope.axis] == 0:
                    measures.point(0, (x, y), from_end=from_end != view.mirrored)
                else:
                    measures.point(1, (x, y), from_end=from_end)
            if view.up == 2 and 0.0 < height < room.height_m:
                edge = x if slope.axis == view.across else 0.0
                measures.point(1, (edge, y), from_end=False)


def above_slopes(view: View, room: Room) -> list[tuple[Point, Point]]:
    """Boxes around what lies above the slopes that are seen from their side."""
    found = []
    for slope in room.slopes:
        if view.up == 2 and view.across == slope.axis:
            low, high = [0.0, 0.0, min(slope.from_m[1], slope.to_m[1])], [0.0, 0.0, room.height_m]
            low[slope.axis], high[slope.axis] = slope.span_m
            found.append(view.corners((low[0], low[1], low[2]), (high[0], high[1], high[2])))
    return found


def _solid(blocks: Sequence[Block]) -> list[Block]:
    """Those with a volume."""
    return [one for one in blocks if min(high - low for low, high in zip(one.low_m, one.high_m, strict=True)) > 0.0]


def _full(block: Block, room: Room) -> bool:
    """Whether it goes from floor to ceiling."""
    return block.low_m[2] <= 0.0 and block.high_m[2] >= room.height_m


def _lines(view: View, room: Room, slope: Slope) -> list[tuple[float, float, list[Point]]]:
    """The lines at a slope's ends, where along its axis and how high [m]; none from its side: there it is outline."""
    if view.up == 2 and view.across == slope.axis:
        return []
    level = 1 - slope.axis
    found = []
    for at, height in (slope.from_m, slope.to_m):
        if height <= 0.0 or (view.up == 2 and height >= room.height_m):
            continue
        ends = []
        for along in (0.0, room.size_m[level]):
            point = [0.0, 0.0, height]
            point[slope.axis], point[level] = at, along
            ends.append(view.at((point[0], point[1], point[2])))
        found.append((at, height, ends))
    return found


def _under_slopes(view: View, room: Room, block: Block) -> list[Point]:
    """A block seen from its side, as far as it lies below the slopes."""
    across = view.across
    low, high = block.low_m[across], block.high_m[across]
    along = sorted({low, high, *(end for s in room.slopes for end in s.span_m if low < end < high)}, reverse=True)
    places = [(low, block.low_m[2]), (high, block.low_m[2])]
    places += [(at, max(block.low_m[2], min(block.high_m[2], _ceiling_m(room, across, at)))) for at in along]
    points = []
    for at, height in places:
        point = [0.0, 0.0, height]
        point[across] = at
        points.append(view.at((point[0], point[1], point[2])))
    return points


def _ceiling_m(room: Room, axis: int, at_m: float) -> float:
    """Height of the ceiling over a place along an axis, by the slopes along it [m]."""
    over = [s.height_m(at_m) for s in room.slopes if s.axis == axis and s.span_m[0] <= at_m <= s.span_m[1]]
    return min([room.height_m, *over])
