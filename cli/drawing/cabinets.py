"""Subs in a view: cabinets, free spaces, acoustic centres, numbers."""

from dataclasses import replace

from cli.drawing.extents import Area, Crowd
from cli.drawing.objects import FreeSpace, Stance
from cli.drawing.primitives import CENTRES, CLEARANCE, SUBS, VENTILATION, Block, Path, Point, Sheet
from cli.drawing.view import View
from cli.figures.lettering import SMALL_MM, text_width

CENTRE_MM = 2.2
KEY_GAP_MM = 0.8
KEY_SHARES = (0.5, 0.25, 0.75, 0.0, 1.0)  # where along a cabinet's side the key of a free space may stand
OUTSIDE_MM = 7.0  # of the room's line, before the first dimension line
SAME_LABEL_MM = 5.0  # numbers nearer than this would run into one
AXES = "XYZ"


def draw_subs(sheet: Sheet, view: View, subs: tuple[Stance, ...], crowd: Crowd) -> None:
    """Cabinets, free spaces and centres; the cabinets as blocks with attributes."""
    for sub in subs:
        x, y = view.at(sub.centre_m)
        cross = (
            Path(layer=CENTRES, points=((x - CENTRE_MM, y), (x + CENTRE_MM, y))),
            Path(layer=CENTRES, points=((x, y - CENTRE_MM), (x, y + CENTRE_MM))),
        )
        outline: tuple[Path, ...] = ()
        if sub.has_cabinet:
            low, high = view.corners(sub.low_m, sub.high_m)
            for space in sub.spaces:
                sheet.box(VENTILATION if space.ventilation else CLEARANCE, *view.corners(space.low_m, space.high_m))
            corners = (low, (high[0], low[1]), high, (low[0], high[1]))
            outline = (Path(layer=SUBS, points=corners, closed=True),)
        places = tuple((f"{axis}_MM", f"{1e3 * at:.0f}") for axis, at in zip(AXES, sub.centre_m, strict=True))
        attributes = (("SUB", str(sub.number)), ("NAME", sub.name), ("FACES", sub.faces), *places)
        sheet.parts.append(Block(layer=SUBS, kind="SUB", at=(x, y), parts=(*outline, *cross), attributes=attributes))
        crowd.things.append(_around(view, sub))


def write_numbers(sheet: Sheet, view: View, subs: tuple[Stance, ...], crowd: Crowd) -> None:
    """The number of every sub over, under or beside it, those of subs one behind the other together; keys of spaces."""
    for members in _groups(view, subs):
        areas = [_around(view, sub) for sub in members]
        (x0, y0), (x1, y1) = (
            (min(a[0][0] for a in areas), min(a[0][1] for a in areas)),
            (max(a[1][0] for a in areas), max(a[1][1] for a in areas)),
        )
        words = ("sub " if len(members) == 1 else "subs ") + ", ".join(str(sub.number) for sub in members)
        wide, tall = text_width(words) / 2.0 + 1.2, SMALL_MM / 2.0 + 1.2
        x, y = (x0 + x1) / 2.0, (y0 + y1) / 2.0
        places = [(x, y1 + tall), (x, y0 - tall), (x1 + wide, y), (x0 - wide, y)]
        places += [(at, level) for level in (y1 + tall, y0 - tall) for at in (x1 + wide, x0 - wide)]
        places += [(x, y1 + 2.5 * tall), (x, y0 - 2.5 * tall)]
        crowd.place(sheet, [words], places, anchor=(x, y))
    write_keys(sheet, view, subs, crowd)


def write_keys(sheet: Sheet, view: View, subs: tuple[Stance, ...], crowd: Crowd) -> None:
    """The keys of the free spaces that a view shows from their side."""
    for sub in subs:
        for space in sub.spaces:
            if space.axis in {view.across, view.up}:
                _key(sheet, view, space, crowd)


def _groups(view: View, subs: tuple[Stance, ...]) -> list[list[Stance]]:
    """Subs one behind the other or nearly so."""
    groups: list[list[Stance]] = []
    for sub in subs:
        x, y = view.at(sub.centre_m)
        for members in groups:
            there = [view.at(one.centre_m) for one in members]
            if any(abs(x - a) < SAME_LABEL_MM and abs(y - b) < SAME_LABEL_MM for a, b in there):
                members.append(sub)
                break
        else:
            groups.append([sub])
    return groups


def _around(view: View, sub: Stance) -> Area:
    low, high = view.corners(sub.clear_low_m, sub.clear_high_m)
    if sub.has_cabinet:
        return low, high
    return (low[0] - CENTRE_MM, low[1] - CENTRE_MM), (high[0] + CENTRE_MM, high[1] + CENTRE_MM)


def _key(sheet: Sheet, view: View, space: FreeSpace, crowd: Crowd) -> None:
    """The key of a free space beyond its far side; left out where it would stand on something: its line tells it."""
    low, high = view.corners(space.low_m, space.high_m)
    along = 0 if space.axis == view.across else 1
    outward = -space.direction if along == 0 and view.mirrored else space.direction
    half = (text_width(space.key) / 2.0, SMALL_MM / 2.0)
    places: list[Point] = []
    for away in (1.0, 2.0, 4.0):
        level = (high[along] if outward > 0 else low[along]) + outward * (half[along] + away * KEY_GAP_MM)
        for share in KEY_SHARES:
            across = low[1 - along] + share * (high[1 - along] - low[1 - along])
            places.append((level, across) if along == 0 else (across, level))
    (x0, y0), (x1, y1) = crowd.area
    outside = replace(crowd, area=((x0 - OUTSIDE_MM, y0 - OUTSIDE_MM), (x1 + OUTSIDE_MM, y1 + OUTSIDE_MM)))
    outside.place(sheet, [space.key], places, droppable=True)
