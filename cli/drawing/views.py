"""The views of the room: from above, and on two walls from inside, with dimensions from the finished walls."""

import textwrap
from dataclasses import replace
from typing import Literal

from cli.drawing.labels import CHAIR_M, NAME_INSET_MM, View, before, numbers_over, taken, wall_names
from cli.drawing.objects import FreeSpace, Stance, WallPart, box_of, stances, wall_parts
from cli.drawing.primitives import (
    CENTRES,
    CLEARANCE,
    GLASS,
    KEEP_OUTS,
    SCREEN,
    SEATS,
    SUBS,
    VENTILATION,
    WALL_PARTS,
    ZONES,
    Label,
    Measure,
    Part,
    Path,
    Point,
    Ring,
    Sheet,
    dimension_rows,
)
from cli.drawing.solids import above_slopes, room_outline, solid_names, solids, whole_blocks
from cli.figures.lettering import SMALL_MM, text_width
from cli.terminal.output import clean
from roommodes.acoustics.room import AXIS_OF_WALL, Wall
from roommodes.lengths import METRIC, Lengths
from roommodes.plan.plan import Plan

HEAD_M = 0.1
GLASS_MM, CENTRE_MM = 1.6, 2.2
KEY_GAP_MM = 0.8
KEY_SHARES = (0.5, 0.25, 0.75, 0.0, 1.0)  # where along a cabinet's side the key of a free space may stand
FIRST_ROW_MM = 9.0  # from the outline to the first dimension line: room for the marks of wall parts


def plan_view(plan: Plan, scale: float, lengths: Lengths = METRIC) -> Sheet:
    """The room from above, the front wall to the left; the origin lies in the corner of front, left wall and floor."""
    room = plan.project.room.size_m
    view = View(across=0, up=1, mirrored=False, room_m=room, mm_per_m=1e3 / scale, lengths=lengths)
    sheet = Sheet(width_mm=0.0, height_mm=0.0, scale=scale)
    subs = stances(plan)
    room_outline(sheet, view, plan.project.room)
    wall_names(sheet, view, [*taken(view, plan, subs, near=None), *whole_blocks(view, plan.project.room)])
    solids(sheet, view, plan.project.room, None)
    for part in wall_parts(plan.project):
        _part_in_plan(sheet, view, part)
    _surroundings(sheet, view, plan)
    screen = plan.project.screen
    if screen is not None:
        inset = 0.8 / view.mm_per_m
        ends = [(inset, room[1] / 2.0 + side * screen.width_m / 2.0, 0.0) for side in (-1, 1)]
        sheet.path(SCREEN, [view.at(end) for end in ends])
    _seats_in_plan(sheet, view, plan)
    for sub in subs:
        x, y = _sub(sheet, view, sub)
        sheet.label((x + 2.3, y + 2.2), str(sub.number))
    solid_names(sheet, view, plan.project.room, None, _drawn(sheet, view, subs))
    _dimensions(sheet, view, subs, ears=())
    return sheet


def elevation(plan: Plan, scale: float, wall: Wall, lengths: Lengths = METRIC) -> Sheet:
    """A wall from inside, with all that stands between it and the wall behind the onlooker."""
    room = plan.project.room.size_m
    normal, side = AXIS_OF_WALL[wall]
    across = 1 - normal
    mirrored = wall in {"left", "rear"}
    view = View(across=across, up=2, mirrored=mirrored, room_m=room, mm_per_m=1e3 / scale, lengths=lengths)
    sheet = Sheet(width_mm=0.0, height_mm=0.0, scale=scale)
    subs = stances(plan)
    room_outline(sheet, view, plan.project.room)
    above = above_slopes(view, plan.project.room)
    wall_names(sheet, view, [*taken(view, plan, subs, near=(normal, side)), *above])
    solids(sheet, view, plan.project.room, (normal, side))
    for part in wall_parts(plan.project):
        if part.wall != wall:
            continue
        low, high = view.corners(*box_of(part, room, normal, side))
        sheet.box(GLASS if part.glass else WALL_PARTS, low, high)
        if part.glass:  # two strokes, as glass is drawn
            for shift in (0.0, 2.0):
                start = (low[0] + 1.0 + shift, high[1] - 5.0 - shift)
                sheet.path(GLASS, [start, (start[0] + 3.0, start[1] + 3.0)])
        _mark(sheet, (high[0] - 3.0, high[1] - 3.0), part.key)
    _surroundings(sheet, view, plan, near=(normal, side))
    ears = _seats_in_elevation(sheet, view, plan)
    for sub in subs:
        _sub(sheet, view, sub)
    for (x, y), words in numbers_over(view, subs):
        higher, below = _reach_mm(view, subs)
        over = y + higher + SMALL_MM < view.size[1]  # else under the cabinet, off the ceiling's line
        sheet.label((x, y + higher if over else y - below), words, backed=True)
    solid_names(sheet, view, plan.project.room, (normal, side), [*_drawn(sheet, view, subs), *above])
    _dimensions(sheet, view, subs, ears=ears)
    return sheet


def _drawn(sheet: Sheet, view: View, subs: tuple[Stance, ...]) -> list[tuple[Point, Point]]:
    """The boxes of texts, rings and cabinets in a view."""
    found = [view.corners(sub.clear_low_m, sub.clear_high_m) for sub in subs]
    for part in sheet.parts:
        if isinstance(part, Label | Ring):
            low, high = _extent(part)
            found.append((low, high))
    return found


def walls_to_show(plan: Plan) -> tuple[Wall, Wall]:
    """One side wall and one end wall, those with more on them: parts of their own first, then subs near them."""
    room = plan.project.room.size_m
    parts = wall_parts(plan.project)

    def weight(wall: Wall) -> tuple[int, int]:
        axis, side = AXIS_OF_WALL[wall]
        near = sum((position[axis] > room[axis] / 2.0) == bool(side) for position in plan.positions_m)
        return (sum(part.wall == wall for part in parts), int(near))

    return max(("right", "left"), key=weight), max(("front", "rear"), key=weight)


def bounds(parts: list[Part]) -> tuple[Point, Point]:
    """The corners of all that is drawn."""
    xs, ys = zip(*(point for part in parts for point in _extent(part)), strict=True)
    return (min(xs), min(ys)), (max(xs), max(ys))


def moved(part: Part, dx: float, dy: float) -> Part:
    """The same part elsewhere on the sheet."""

    def shift(point: Point) -> Point:
        return (point[0] + dx, point[1] + dy)

    if isinstance(part, Path):
        return replace(part, points=tuple(map(shift, part.points)))
    if isinstance(part, Ring):
        return replace(part, centre=shift(part.centre))
    if isinstance(part, Label):
        return replace(part, at=shift(part.at))
    along, off = (dx, dy) if part.axis == 0 else (dy, dx)
    return replace(
        part, start=shift(part.start), end=shift(part.end), line_at=part.line_at + off, text_at=part.text_at + along
    )


def _extent(part: Part) -> list[Point]:
    if isinstance(part, Path):
        return list(part.points)
    if isinstance(part, Ring):
        (x, y), r = part.centre, part.radius
        return [(x - r, y - r), (x + r, y + r)]
    if isinstance(part, Label):
        half, high = text_width(part.text, part.height), part.height
        back = {"left": 0.0, "middle": 0.5, "right": 1.0}[part.align]
        x, y = part.at
        if part.upright:
            return [(x - high / 2, y - half * back), (x + high / 2, y + half * (1 - back))]
        return [(x - half * back, y - high / 2), (x + half * (1 - back), y + high / 2)]
    half = text_width(part.text) / 2.0
    along = (part.start[part.axis], part.end[part.axis], part.text_at - half, part.text_at + half)
    off = (part.line_at - SMALL_MM - 1.5, part.line_at + SMALL_MM + 1.5)
    points = [(min(along), off[0]), (max(along), off[1])]
    return points if part.axis == 0 else [(y, x) for x, y in points]


def _part_in_plan(sheet: Sheet, view: View, part: WallPart) -> None:
    layer = GLASS if part.glass else WALL_PARTS
    if part.corners_m is not None:  # on a block or a slope
        low, high = view.corners(*part.corners_m)
        sheet.box(replace(layer, dashes_mm=(3.0, 1.5)), low, high)
        _mark(sheet, ((low[0] + high[0]) / 2, (low[1] + high[1]) / 2), part.key)
        return
    normal, side = AXIS_OF_WALL[part.wall]
    if normal == 2:
        low, high = view.corners(*box_of(part, view.room_m, normal, side))
        sheet.box(replace(layer, dashes_mm=(3.0, 1.5)), low, high)
        _mark(sheet, ((low[0] + high[0]) / 2, (low[1] + high[1]) / 2), part.key)
        return
    low, high = view.corners(*box_of(part, view.room_m, normal, side))
    out = GLASS_MM if side else -GLASS_MM
    shift = (out, 0.0) if normal == 0 else (0.0, out)
    far = (high[0] + shift[0], high[1] + shift[1])
    corners = (min(low[0], far[0]), min(low[1], far[1])), (max(low[0], far[0]), max(low[1], far[1]))
    sheet.box(layer, *corners, hatch=not part.glass)
    if part.glass:
        half = (shift[0] / 2, shift[1] / 2)
        sheet.path(layer, [(low[0] + half[0], low[1] + half[1]), (high[0] + half[0], high[1] + half[1])])
    middle = ((low[0] + high[0]) / 2 + 2.6 * shift[0], (low[1] + high[1]) / 2 + 2.6 * shift[1])
    _mark(sheet, middle, part.key)


def _mark(sheet: Sheet, at: Point, key: str) -> None:
    sheet.parts.append(Ring(layer=WALL_PARTS, centre=at, radius=2.0))
    sheet.label(at, key, height=SMALL_MM)


def _surroundings(sheet: Sheet, view: View, plan: Plan, near: tuple[int, int] | None = None) -> None:
    """Zones and keep-outs; of these, with `near` (axis, side), those that reach into the half before that wall."""
    for zone in plan.project.zones:
        low, high = view.corners(zone.low, zone.high)
        if max(high[0] - low[0], high[1] - low[1]) < 0.5:
            continue
        if min(high[0] - low[0], high[1] - low[1]) < 0.05:
            sheet.path(ZONES, [low, high])
        else:
            sheet.box(ZONES, low, high)
    for keep_out in plan.project.keep_outs:
        if not before(view, keep_out, near):
            continue
        low, high = view.corners(keep_out.low, keep_out.high)
        sheet.box(KEEP_OUTS, low, high, hatch=True)
        letters = max(10, int((high[0] - low[0]) / text_width("a")))
        lines = textwrap.wrap(clean(keep_out.name), letters, max_lines=3, placeholder="…")
        middle = (low[1] + high[1]) / 2 + 1.8 * (len(lines) - 1) if near is None else high[1] - 2.4
        marks = [part.centre for part in sheet.parts if isinstance(part, Ring) and part.layer == WALL_PARTS]
        if near is not None and any(low[0] < x < high[0] and abs(y - middle) < 3.6 for x, y in marks):
            middle -= 4.6  # under the mark of a part of the wall
        for number, line in enumerate(lines):
            reach = text_width(line) / 2.0 + 1.0
            across = min(max((low[0] + high[0]) / 2.0, reach), max(reach, view.size[0] - reach))  # within the room
            sheet.label((across, middle - 3.6 * number), line, backed=True)


def _seats_in_plan(sheet: Sheet, view: View, plan: Plan) -> None:
    seats = plan.seats
    taken: list[tuple[float, float, float]] = []  # names: their middle, half their width
    for index, table in enumerate(plan.project.rows):
        members = [tuple(map(float, p)) for p, own in zip(seats.position_m, seats.row, strict=True) if own == index]
        points = [view.at((p[0], p[1], p[2])) for p in members]
        for number, (x, y) in enumerate(points, start=1):
            sheet.parts.append(Ring(layer=SEATS, centre=(x, y), radius=HEAD_M * view.mm_per_m))
            back, half = x + 1.8 * HEAD_M * view.mm_per_m, CHAIR_M * view.mm_per_m
            front = back - half * 0.9
            sheet.path(SEATS, [(front, y - half), (back, y - half), (back, y + half), (front, y + half)])
            if HEAD_M * view.mm_per_m > 1.6:
                sheet.label((x, y), str(number), height=1.8)
        if points:
            x = points[0][0]
            y = min(point[1] for point in points) - CHAIR_M * view.mm_per_m - 2.6
            name = clean(table.name, 16)
            row = name if "row" in name.lower().split() else f"row {name}"
            words = f"{row}, ears {view.lengths.fine(members[0][2])}"
            half = text_width(words) / 2.0
            clear = half + NAME_INSET_MM + SMALL_MM  # of the walls and their names
            x = min(max(x, clear), max(view.size[0] - clear, clear))
            while any(
                abs(x - there) < half + reach and abs(y - level) < SMALL_MM + 1.0 for there, level, reach in taken
            ):
                y -= SMALL_MM + 1.3  # lower, where the row before has its name
            taken.append((x, y, half))
            sheet.label((x, y), words, backed=True)


def _seats_in_elevation(sheet: Sheet, view: View, plan: Plan) -> tuple[tuple[Point, float], ...]:
    """Heads at ear height; gives the lowest point under one head of each height, and the height."""
    ears: dict[float, Point] = {}
    for position in plan.seats.position_m.tolist():
        point = view.at((position[0], position[1], position[2]))
        sheet.parts.append(Ring(layer=SEATS, centre=point, radius=HEAD_M * view.mm_per_m))
        sheet.path(SEATS, [(point[0] - 1.2, point[1]), (point[0] + 1.2, point[1])])
        height = round(position[2], 4)
        if height not in ears or point[0] < ears[height][0]:
            ears[height] = point
    return tuple((point, height) for height, point in sorted(ears.items()))


def _reach_mm(view: View, subs: tuple[Stance, ...]) -> tuple[float, float]:
    """How far above and below their centres the subs' numbers stand: off cabinets, free spaces and their keys."""
    reach = []
    for direction in (1, -1):
        ends = [sub.clear_high_m if direction > 0 else sub.clear_low_m for sub in subs]
        most = max(direction * (end[2] - sub.centre_m[2]) for end, sub in zip(ends, subs, strict=True))
        key = any(space.axis == 2 and space.direction == direction for sub in subs for space in sub.spaces)
        reach.append(most * view.mm_per_m + 2.4 + (SMALL_MM + 2.0 * KEY_GAP_MM if key else 0.0))
    return reach[0], reach[1]


def _sub(sheet: Sheet, view: View, sub: Stance) -> Point:
    """Cabinet, free space and centre; gives where the centre is."""
    x, y = view.at(sub.centre_m)
    if sub.has_cabinet:
        low, high = view.corners(sub.low_m, sub.high_m)
        for space in sub.spaces:
            sheet.box(VENTILATION if space.ventilation else CLEARANCE, *view.corners(space.low_m, space.high_m))
        sheet.box(SUBS, low, high)
        for space in sub.spaces:
            if space.axis in {view.across, view.up}:
                _label_space(sheet, view, space)
    sheet.path(CENTRES, [(x - CENTRE_MM, y), (x + CENTRE_MM, y)])
    sheet.path(CENTRES, [(x, y - CENTRE_MM), (x, y + CENTRE_MM)])
    return x, y


def _label_space(sheet: Sheet, view: View, space: FreeSpace) -> None:
    """The key of a free space beyond its far side, off the room's wall_names, where it meets nothing."""
    low, high = view.corners(space.low_m, space.high_m)
    along = 0 if space.axis == view.across else 1
    outward = -space.direction if along == 0 and view.mirrored else space.direction
    half = (text_width(space.key) / 2.0, SMALL_MM / 2.0)
    level = (high[along] if outward > 0 else low[along]) + outward * (half[along] + KEY_GAP_MM)
    for wall in (0.0, view.size[along]):
        if abs(level - wall) < half[along] + KEY_GAP_MM:
            level = wall + outward * (half[along] + 2.0 * KEY_GAP_MM)
    others = [part for part in sheet.parts if isinstance(part, Label | Ring)]
    boxes = [_extent(part) for part in others]
    places = []
    for share in KEY_SHARES:
        across = low[1 - along] + share * (high[1 - along] - low[1 - along])
        x, y = (level, across) if along == 0 else (across, level)
        met = [
            part
            for part, (a, b) in zip(others, boxes, strict=True)
            if a[0] < x + half[0] and b[0] > x - half[0] and a[1] < y + half[1] and b[1] > y - half[1]
        ]
        if any(isinstance(part, Label) and part.text == space.key for part in met):
            return  # another sub's, one behind the other
        places.append(((x, y), not met))
    sheet.label(next((place for place, free in places if free), places[0][0]), space.key)


def _dimensions(sheet: Sheet, view: View, subs: tuple[Stance, ...], *, ears: tuple[tuple[Point, float], ...]) -> None:
    """Centres and corners from the nearest wall of each pair, ears from the floor, and the room itself."""
    for axis in (0, 1):
        _one_way(sheet, view, subs, axis=0 if axis == 0 else 1, ears=ears if axis else ())


def _one_way(
    sheet: Sheet, view: View, subs: tuple[Stance, ...], *, axis: Literal[0, 1], ears: tuple[tuple[Point, float], ...]
) -> None:
    size, other = view.size[axis], view.size[1 - axis]
    sides: tuple[list[Measure], list[Measure]] = ([], [])
    vertical = axis == 1 and view.up == 2
    for sub in subs:
        if view.up == 2 and axis == 0:
            continue  # along the wall the plan view says it
        centre = view.at(sub.centre_m)
        low, high = view.corners(sub.low_m, sub.high_m)
        origin = 0.0 if vertical or centre[axis] <= size / 2.0 else size
        near, far = (low, high) if origin == 0.0 else (high, low)
        mine = sides[0] if centre[1 - axis] <= other / 2.0 else sides[1]
        base = _on(centre, axis, origin)
        mine.append(_measure(base, centre, axis, view))
        if sub.has_cabinet:
            edge = _edge(low, high, axis, outer=mine is sides[1])
            if abs(near[axis] - origin) > 1e-6:
                mine.append(_measure(_on(edge, axis, origin), _on(edge, axis, near[axis]), axis, view))
            mine.append(_measure(_on(edge, axis, near[axis]), _on(edge, axis, far[axis]), axis, view))
            mine += _free_space(sub, view, axis, edge)
    for point, _ in ears:
        mine = sides[0] if point[0] <= other / 2.0 else sides[1]
        mine.append(_measure(_on(point, axis, 0.0), point, axis, view))
    for number, measures in enumerate(sides):
        outward: Literal[1, -1] = 1 if number else -1
        first = (other + FIRST_ROW_MM) if number else -FIRST_ROW_MM
        placed, after = dimension_rows(measures, axis=axis, first_at=first, outward=outward)
        sheet.parts.extend(placed)
        if number == 0:  # the room, outermost
            corner: Point = (0.0, 0.0)
            whole = _measure(corner, _on(corner, axis, size), axis, view)
            sheet.parts.extend(dimension_rows([whole], axis=axis, first_at=after, outward=outward)[0])


def _free_space(sub: Stance, view: View, axis: int, edge: Point) -> list[Measure]:
    """How deep the spaces before a cabinet's faces are, where they extend along this axis."""
    found = []
    along = view.across if axis == 0 else view.up
    for space in sub.spaces:
        if space.axis == along:
            low, high = view.corners(space.low_m, space.high_m)
            found.append(_measure(_on(edge, axis, low[axis]), _on(edge, axis, high[axis]), axis, view))
    return found


def _edge(low: Point, high: Point, axis: int, *, outer: bool) -> Point:
    """The corner of a cabinet on the side of its dimension line."""
    return high if outer else low


def _on(point: Point, axis: int, value: float) -> Point:
    return (value, point[1]) if axis == 0 else (point[0], value)


def _measure(start: Point, end: Point, axis: int, view: View) -> Measure:
    value_m = abs(end[axis] - start[axis]) / view.mm_per_m
    return Measure(start=start, end=end, value_mm=value_m * 1e3, shown=view.lengths.fine(value_m))
