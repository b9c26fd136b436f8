"""One cabinet in its place at a large scale: from above and from the side, with the walls and the floor beside it."""

from cli.drawing.cabinets import draw_subs, write_keys
from cli.drawing.dimensions import Measures
from cli.drawing.extents import Area, Crowd, text_areas
from cli.drawing.objects import Stance, stances
from cli.drawing.primitives import BREAKS, WALLS, Sheet
from cli.drawing.view import View
from roommodes.acoustics.room import AXIS_OF_WALL
from roommodes.lengths import METRIC, Lengths
from roommodes.places.zones import Triple
from roommodes.plan.plan import Plan

BEYOND_M = 0.12  # of what is drawn beyond the cabinet and its free spaces
NAME_MM = 7.0  # outside a wall's line, for its name
NAME_AT_MM = 2.5  # its middle: the ground behind it must not reach the first dimension
WALL_WITHIN_M = 0.7  # a wall, floor or ceiling that is no further off is drawn and measured from


def detailed_subs(plan: Plan) -> tuple[Stance, ...]:
    """The subs that are drawn large, of each kind the one with most bounds near it; none of an unknown cabinet."""
    room, subs = plan.project.room.size_m, stances(plan)
    of_kind = [[sub for sub in subs if plan.kind[sub.number - 1] == kind] for kind in sorted(set(plan.kind.tolist()))]
    known = [[sub for sub in several if sub.has_cabinet] for several in of_kind]
    return tuple(max(several, key=lambda sub: (len(_near(sub, room)), -sub.number)) for several in known if several)


def detail(plan: Plan, sub: Stance, scale: float, lengths: Lengths = METRIC, *, from_above: bool) -> Sheet:
    """The cabinet with its free spaces, centre, and distances to what is near."""
    room = plan.project.room.size_m
    side_on = sub.faces in {"left", "right"}  # seen so that its front looks along the sheet
    view = View(
        across=1 if side_on and not from_above else 0,
        up=1 if from_above else 2,
        mirrored=False,
        room_m=room,
        mm_per_m=1e3 / scale,
        lengths=lengths,
    )
    sheet = Sheet(width_mm=0.0, height_mm=0.0, scale=scale)
    near = _near(sub, room)
    low, high = _window(sub, room, near)
    ends = view.corners(low, high)
    for axis, k in enumerate((view.across, view.up)):
        for side in (0, 1):
            at = ends[side][axis]
            line = [(at, ends[0][1]), (at, ends[1][1])] if axis == 0 else [(ends[0][0], at), (ends[1][0], at)]
            sheet.path(WALLS if (k, side) in near else BREAKS, line)
    measures, crowd = Measures(view=view), Crowd(area=_wider(ends, NAME_MM))
    draw_subs(sheet, view, (sub,), crowd)
    for axis in (0, 1):
        k = view.across if axis == 0 else view.up
        measures.sub(0 if axis == 0 else 1, sub, from_end=(k, 1) in near and (k, 0) not in near)
    kept = {key: [one for one in found if _within(one.start, one.end, ends)] for key, found in measures.sides.items()}
    measures.sides.clear()
    measures.sides.update(kept)
    measures.draw(sheet, whole=False, ends=ends)
    crowd.texts += [area for _, area in text_areas(sheet.parts)]
    _number(sheet, view, sub, crowd)
    for wall, (k, side) in AXIS_OF_WALL.items():
        if (k, side) not in near or k not in {view.across, view.up}:
            continue
        axis = 0 if k == view.across else 1
        at = ends[side][axis] + (2 * side - 1) * NAME_AT_MM  # outside, before the first dimension line
        shares = [ends[0][1 - axis] + s * (ends[1][1 - axis] - ends[0][1 - axis]) for s in (0.5, 0.8, 0.2, 0.9, 0.1)]
        name = wall.upper() + (" WALL" if k < 2 else "")
        crowd.place(sheet, [name], [(at, s) if axis == 0 else (s, at) for s in shares], upright=axis == 0)
    return sheet


def _number(sheet: Sheet, view: View, sub: Stance, crowd: Crowd) -> None:
    """In the cabinet, off its centre."""
    crowd.things.clear()
    low, high = view.corners(sub.low_m, sub.high_m)
    x, y = view.at(sub.centre_m)
    quarters = [(0.5 * (x + a), 0.5 * (y + b)) for a in (high[0], low[0]) for b in (high[1], low[1])]
    crowd.place(sheet, [f"sub {sub.number}"], quarters)
    write_keys(sheet, view, (sub,), crowd)


def _wider(area: Area, by: float) -> Area:
    return (area[0][0] - by, area[0][1] - by), (area[1][0] + by, area[1][1] + by)


def _near(sub: Stance, room_m: Triple) -> set[tuple[int, int]]:
    """Walls, floor and ceiling that are near: (axis, side)."""
    gaps = {(k, side): (room_m[k] - sub.high_m[k]) if side else sub.low_m[k] for k in range(3) for side in (0, 1)}
    return {bound for bound, gap in gaps.items() if gap <= WALL_WITHIN_M}


def _window(sub: Stance, room_m: Triple, near: set[tuple[int, int]]) -> tuple[Triple, Triple]:
    """What of the room is drawn [m]."""
    low = [0.0 if (k, 0) in near else max(0.0, sub.clear_low_m[k] - BEYOND_M) for k in range(3)]
    high = [room_m[k] if (k, 1) in near else min(room_m[k], sub.clear_high_m[k] + BEYOND_M) for k in range(3)]
    return (low[0], low[1], low[2]), (high[0], high[1], high[2])


def _within(
    start: tuple[float, float], end: tuple[float, float], ends: tuple[tuple[float, float], tuple[float, float]]
) -> bool:
    """Whether a distance lies in the detail; those to walls further off are in the other views."""
    return all(ends[0][k] - 1e-6 <= point[k] <= ends[1][k] + 1e-6 for point in (start, end) for k in (0, 1))
