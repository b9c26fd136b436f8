"""The picture in the views, and sight lines to its foot."""

from collections.abc import Sequence

from cli.drawing.dimensions import Measures
from cli.drawing.extents import Area, Crowd
from cli.drawing.primitives import FALSE_WALL, SCREEN, SIGHT, Point, Sheet
from cli.drawing.view import View
from roommodes.places.sight import CROWN_M, Picture
from roommodes.places.zones import Triple

BESIDE_MM = 0.9  # of a picture's line, on each side: nothing is written there
INSET_MM = 0.8  # of a picture at the front wall, off the wall's line


def draw_screen(sheet: Sheet, view: View, picture: Picture, crowd: Crowd, measures: Measures) -> None:
    """The picture from above, from the side or from the front, with its dimensions as far as they are known."""
    inset = INSET_MM / view.mm_per_m if view.across == 0 and picture.at_m < INSET_MM / view.mm_per_m else 0.0
    at = picture.at_m + inset
    if picture.false_wall and view.across == 0:
        over = (view.room_m[1], 0.0) if view.from_above else (0.0, view.room_m[2])
        sheet.path(FALSE_WALL, [view.at((at, 0.0, 0.0)), view.at((at, *over))])
    sides, low_m, high_m = _sides(view, picture), picture.foot_m, picture.top_m
    if view.from_above:
        ends = [view.at((at, side, 0.0)) for side in sides]
        sheet.path(SCREEN, ends)
        crowd.things.append(_about(ends))
        measures.add(1, *ends, side=0)
        if not inset:
            measures.point(0, ends[1], from_end=False, side=1)
        return
    if low_m is None:
        return
    corners = view.corners((at, sides[0], low_m), (at, sides[1], high_m or low_m))
    if high_m is None:  # its lower edge alone
        (x0, y), (x1, _) = corners
        sheet.path(SCREEN, list(corners) if view.across == 1 else [(x0 - 1.0, y), (x1 + 1.0, y)])
    elif view.across == 0:
        sheet.path(SCREEN, list(corners))
    else:
        sheet.box(SCREEN, *corners)
    if view.across == 1:
        measures.span(0, *corners, from_end=False, side=0)
    else:
        crowd.things.append(_about(corners))
        if not inset:
            measures.point(0, corners[0], from_end=False, side=0)
    measures.span(1, *corners, from_end=False, side=0)


def _sides(view: View, picture: Picture) -> tuple[float, float]:
    """Where the picture's left and right edges are across the room [m]."""
    middle = view.room_m[1] / 2.0
    return middle - picture.width_m / 2.0, middle + picture.width_m / 2.0


def _about(ends: Sequence[Point]) -> Area:
    """What the line of a picture takes up: no text lies on it."""
    xs, ys = zip(*ends, strict=True)
    return (min(xs) - BESIDE_MM, min(ys)), (max(xs) + BESIDE_MM, max(ys))


def name_screen(sheet: Sheet, view: View, picture: Picture, crowd: Crowd) -> None:
    """Its name, beside its line or in the picture, in the views that show it."""
    at, sides = picture.at_m, _sides(view, picture)
    if view.across == 1 and picture.foot_m is not None:
        low, high = view.corners((at, sides[0], picture.foot_m), (at, sides[1], picture.top_m or picture.foot_m))
        y = (low[1] + high[1]) / 2.0 if picture.top_m is not None else low[1] + 3.2
        places = [(low[0] + share * (high[0] - low[0]), y) for share in (0.5, 0.35, 0.65, 0.2, 0.8)]
        crowd.place(sheet, ["screen"], places, anchor=places[0], over=(low, high))
    elif view.across == 0 and (view.from_above or picture.foot_m is not None):
        ends = [view.at((at, side, picture.foot_m or 0.0)) for side in sides]
        if not view.from_above:
            ends[1] = view.at((at, sides[1], picture.top_m or picture.foot_m or 0.0))
        (x, y0), (_, y1) = ends
        places = [
            (x + aside, y0 + share * (y1 - y0)) for aside in (3.4, 5.6, -3.4) for share in (0.5, 0.75, 0.25, 0.9, 0.1)
        ]
        crowd.place(sheet, ["screen"], places, upright=True, anchor=(x, (y0 + y1) / 2.0), over=(ends[0], ends[1]))


def name_false_wall(sheet: Sheet, view: View, picture: Picture, crowd: Crowd) -> None:
    """Its name along its line, where the view shows it from its edge."""
    if picture.false_wall and view.across == 0:
        x, _ = view.at((picture.at_m, 0.0, 0.0))
        places = [(x + aside, share * view.size[1]) for aside in (2.4, -2.4) for share in (0.5, 0.85, 0.15, 0.7, 0.3)]
        crowd.place(sheet, ["FALSE WALL"], places, upright=True)


def sight_lines(sheet: Sheet, view: View, picture: Picture, eyes: list[Triple]) -> None:
    """From every row's eyes to the foot of the picture, and the crowns that must stay under them."""
    if picture.foot_m is None:
        return
    foot = view.at((picture.at_m, 0.0, picture.foot_m))
    for x, y, z in eyes:
        if x > picture.at_m:
            sheet.path(SIGHT, [view.at((x, y, z)), foot])
            crown = view.at((x, y, z + CROWN_M))
            sheet.path(SIGHT, [(crown[0] - 1.5, crown[1]), (crown[0] + 1.5, crown[1])])
