"""The picture in the views, and sight lines to its foot."""

from cli.drawing.dimensions import Measures
from cli.drawing.extents import Crowd
from cli.drawing.primitives import FALSE_WALL, SCREEN, SIGHT, Sheet
from cli.drawing.view import View
from roommodes.places.sight import CROWN_M, Picture
from roommodes.places.zones import Triple

INSET_MM = 0.8  # of a picture at the front wall, off the wall's line


def draw_screen(sheet: Sheet, view: View, picture: Picture, measures: Measures) -> None:
    """The picture from above, from the side or from the front, with its dimensions as far as they are known."""
    inset = INSET_MM / view.mm_per_m if view.across == 0 and picture.at_m < INSET_MM / view.mm_per_m else 0.0
    at, middle = picture.at_m + inset, view.room_m[1] / 2.0
    sides = (middle - picture.width_m / 2.0, middle + picture.width_m / 2.0)
    if picture.false_wall and view.across == 0:
        over = (view.room_m[1], 0.0) if view.from_above else (0.0, view.room_m[2])
        sheet.path(FALSE_WALL, [view.at((at, 0.0, 0.0)), view.at((at, *over))])
    if view.from_above:
        ends = [view.at((at, side, 0.0)) for side in sides]
        sheet.path(SCREEN, ends)
        measures.add(1, *ends, side=0)
        if not inset:
            measures.point(0, ends[1], from_end=False, side=1)
        return
    if picture.foot_m is None or picture.top_m is None:
        return
    if view.across == 0:
        foot, top = view.at((at, 0.0, picture.foot_m)), view.at((at, 0.0, picture.top_m))
        sheet.path(SCREEN, [foot, top])
        if not inset:
            measures.point(0, foot, from_end=False, side=0)
        measures.span(1, foot, top, from_end=False, side=0)
        return
    low, high = view.corners((at, sides[0], picture.foot_m), (at, sides[1], picture.top_m))
    sheet.box(SCREEN, low, high)
    for axis in (0, 1):
        measures.span(0 if axis == 0 else 1, low, high, from_end=False, side=0)


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
