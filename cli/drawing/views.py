"""The views of the room: from above, on each wall that carries something, and along the room through its rows."""

from collections.abc import Sequence

from cli.drawing.cabinets import draw_subs, write_numbers
from cli.drawing.cables import draw_cables, name_cables
from cli.drawing.dimensions import Measures
from cli.drawing.extents import Crowd, text_areas
from cli.drawing.objects import Stance, own_walls, stances
from cli.drawing.primitives import Sheet
from cli.drawing.screen import draw_screen, name_false_wall, name_screen
from cli.drawing.seating import row_names, rows_from_above, rows_from_side
from cli.drawing.solids import above_slopes, hatched, measure_slopes, room_outline, solid_names, solids
from cli.drawing.surroundings import (
    draw_marks,
    glass_strokes,
    keep_out_names,
    keep_outs,
    mains_of,
    mark_names,
    mark_parts,
    marks_of,
    parts_in_elevation,
    parts_in_plan,
    zones,
)
from cli.drawing.view import View, wall_names
from cli.words.wall_parts import wall_parts
from roommodes.acoustics.room import AXIS_OF_WALL, Room, Wall
from roommodes.lengths import METRIC, Lengths
from roommodes.places.boxes import Box
from roommodes.places.zones import Triple
from roommodes.plan.plan import Plan
from roommodes.project.glass import glass_walls
from roommodes.shapes.nearer_wall import WALL_NAMES, nearer_wall
from roommodes.shapes.solids import Block as Solid

UPRIGHT_WALLS: tuple[Wall, ...] = ("front", "left", "rear", "right")
AT_WALL_M = 0.05  # what is no further from a wall stands at it
ZONE_AT_WALL_M = 0.6


def plan_view(plan: Plan, scale: float, lengths: Lengths = METRIC) -> Sheet:
    """The room from above, the front wall to the left; the origin lies in the corner of front, left wall and floor."""
    room, project = plan.project.room, plan.project
    view = View(across=0, up=1, mirrored=False, room_m=room.size_m, mm_per_m=1e3 / scale, lengths=lengths)
    sheet, measures, crowd = _started(view, scale)
    subs = stances(plan)
    room_outline(sheet, view, room)
    solids(sheet, view, room, room.blocks)
    crowd.things += hatched(view, room, room.blocks)
    letters = parts_in_plan(sheet, view, wall_parts(project))
    zones(sheet, view, project.zones)
    keep_outs(sheet, view, project.keep_outs, crowd)
    screen = project.screen
    if screen is not None:
        draw_screen(sheet, view, screen.picture, crowd, measures)
    rows_from_above(sheet, view, plan, crowd, measures)
    marks = marks_of(project)
    draw_marks(sheet, view, crowd, measures, marks)
    cables = draw_cables(sheet, view, plan)
    draw_subs(sheet, view, subs, crowd)
    for sub in subs:
        measures.sub(0, sub, from_end=_from_end(view, room, sub.centre_m, 0))
        measures.sub(1, sub, from_end=_from_end(view, room, sub.centre_m, 1))
    _measure_solids(view, room.blocks, measures)
    measure_slopes(view, room, measures)
    measures.draw(sheet)
    crowd.texts += [area for _, area in text_areas(sheet.parts)]
    mark_parts(sheet, letters, crowd)
    write_numbers(sheet, view, subs, crowd)
    mark_names(sheet, view, crowd, marks)
    row_names(sheet, view, plan, crowd)
    keep_out_names(sheet, view, project.keep_outs, crowd)
    solid_names(sheet, view, room, room.blocks, crowd)
    name_cables(sheet, crowd, cables)
    if screen is not None:
        name_false_wall(sheet, view, screen.picture, crowd)
        name_screen(sheet, view, screen.picture, crowd)
    wall_names(sheet, view, crowd)
    return sheet


def _from_end(view: View, room: Room, point_m: Triple, axis: int) -> bool:
    """Whether a sub is measured from the far end of the sheet's x or y: the nearer wall that no block hides."""
    along = (view.across, view.up)[axis]
    if room.blocks and along < 2:
        wall = nearer_wall(room.shape, point_m, along)
        if wall.name in WALL_NAMES[along]:
            return bool(wall.side) != (view.mirrored and axis == 0)
    return view.at(point_m)[axis] > view.size[axis] / 2


def elevation(plan: Plan, scale: float, wall: Wall, lengths: Lengths = METRIC) -> Sheet:
    """A wall from inside with what stands at it, and nothing else."""
    project, room = plan.project, plan.project.room
    normal, _ = AXIS_OF_WALL[wall]
    view = View(
        across=1 - normal,
        up=2,
        mirrored=wall in {"left", "rear"},
        room_m=room.size_m,
        mm_per_m=1e3 / scale,
        lengths=lengths,
    )
    sheet, measures, crowd = _started(view, scale)
    subs = subs_at(plan, wall)
    blocks = [block for block in room.blocks if _gap(block.low_m, block.high_m, room.size_m, wall) < AT_WALL_M]
    room_outline(sheet, view, room)
    crowd.things += above_slopes(view, room)
    solids(sheet, view, room, blocks)
    parts_in_elevation(sheet, view, [part for part in wall_parts(project) if part.wall == wall], crowd, measures)
    if wall in glass_walls(project):
        glass_strokes(sheet, (0.0, 0.0), view.size)
    zones(sheet, view, _boxes_at(project.zones, room.size_m, wall, ZONE_AT_WALL_M))
    kept_free = _boxes_at(project.keep_outs, room.size_m, wall, AT_WALL_M)
    keep_outs(sheet, view, kept_free, crowd)
    if wall == "front" and project.screen is not None:
        draw_screen(sheet, view, project.screen.picture, crowd, measures)
    marks = [one for one in marks_of(project) if wall in own_walls(*one.corners_m, room.size_m)]
    draw_marks(sheet, view, crowd, measures, marks)
    draw_subs(sheet, view, subs, crowd)
    for sub in subs:
        measures.sub(0, sub, from_end=_from_end(view, room, sub.centre_m, 0))
        measures.sub(1, sub, from_end=False)
    _measure_solids(view, blocks, measures)
    measure_slopes(view, room, measures)
    measures.draw(sheet)
    crowd.texts += [area for _, area in text_areas(sheet.parts)]
    write_numbers(sheet, view, subs, crowd)
    mark_names(sheet, view, crowd, marks)
    keep_out_names(sheet, view, kept_free, crowd)
    solid_names(sheet, view, room, blocks, crowd)
    if wall == "front" and project.screen is not None:
        name_screen(sheet, view, project.screen.picture, crowd)
    if wall in glass_walls(project):
        words = f"whole wall: {glass_walls(project)[wall]}"
        x, y = view.size[0] / 2, view.size[1] / 2 - 4.0
        crowd.place(sheet, [words], [(x, y), (x, y - 4.0), (x, y + 8.0)])
    wall_names(sheet, view, crowd)
    return sheet


def section(plan: Plan, scale: float, lengths: Lengths = METRIC) -> Sheet:
    """Along the room through its rows, the front wall to the left."""
    room = plan.project.room
    view = View(across=0, up=2, mirrored=False, room_m=room.size_m, mm_per_m=1e3 / scale, lengths=lengths)
    sheet, measures, crowd = _started(view, scale)
    room_outline(sheet, view, room)
    crowd.things += above_slopes(view, room)
    carrying = [block for block in room.blocks if block.carries]
    solids(sheet, view, room, carrying)
    if plan.project.screen is not None:
        draw_screen(sheet, view, plan.project.screen.picture, crowd, measures)
    rows_from_side(sheet, view, plan, crowd, measures)
    mains = [one for one in mains_of(plan.project) if one.body is not None]
    draw_marks(sheet, view, crowd, measures, mains)
    _measure_solids(view, carrying, measures)
    measure_slopes(view, room, measures)
    measures.draw(sheet)
    crowd.texts += [area for _, area in text_areas(sheet.parts)]
    row_names(sheet, view, plan, crowd)
    mark_names(sheet, view, crowd, mains)
    solid_names(sheet, view, room, carrying, crowd)
    if plan.project.screen is not None:
        name_false_wall(sheet, view, plan.project.screen.picture, crowd)
        name_screen(sheet, view, plan.project.screen.picture, crowd)
    wall_names(sheet, view, crowd)
    return sheet


def subs_at(plan: Plan, wall: str) -> tuple[Stance, ...]:
    """The subs that belong to a wall: nearest to it, or beside it."""
    room = plan.project.room.size_m
    return tuple(sub for sub in stances(plan) if wall in own_walls(sub.low_m, sub.high_m, room))


def walls_to_show(plan: Plan) -> tuple[Wall, ...]:
    """The upright walls that carry something: subs, parts of their own, the screen, mains, or glass all over."""
    project, room = plan.project, plan.project.room.size_m
    carrying = {part.wall for part in wall_parts(project)} | set(glass_walls(project))
    carrying |= {wall for sub in stances(plan) for wall in own_walls(sub.low_m, sub.high_m, room)}
    carrying |= {wall for one in marks_of(project) for wall in own_walls(*one.corners_m, room)}
    if project.screen is not None and project.screen.foot_m is not None:
        carrying.add("front")
    return tuple(wall for wall in UPRIGHT_WALLS if wall in carrying)


def _started(view: View, scale: float) -> tuple[Sheet, Measures, Crowd]:
    return Sheet(width_mm=0.0, height_mm=0.0, scale=scale), Measures(view=view), Crowd(area=((0.0, 0.0), view.size))


def _measure_solids(view: View, blocks: Sequence[Solid], measures: Measures) -> None:
    """Blocks that end within the view, from the nearer end; heights from the floor."""
    for block in blocks:
        low, high = view.corners(block.low_m, block.high_m)
        for axis in (0, 1):
            size = view.size[axis]
            if high[axis] - low[axis] < 1e-6 or high[axis] - low[axis] > size - 1e-6:
                continue
            far = (axis == 0 or view.from_above) and low[axis] + high[axis] > size
            measures.span(0 if axis == 0 else 1, low, high, from_end=far)


def _gap(low: Triple, high: Triple, room_m: Triple, wall: str) -> float:
    """From a box to a wall [m]."""
    axis, side = AXIS_OF_WALL[wall]
    return room_m[axis] - high[axis] if side else low[axis]


def _boxes_at(boxes: Sequence[Box], room_m: Triple, wall: str, most_m: float) -> list[Box]:
    return [box for box in boxes if _gap(box.low, box.high, room_m, wall) < most_m]
