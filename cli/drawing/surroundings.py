"""What a view shows around subs and seats: parts of walls, zones, keep-outs, screen and main loudspeakers."""

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, replace

from cli.drawing.dimensions import Measures
from cli.drawing.extents import Crowd
from cli.drawing.primitives import (
    ELECTRICAL,
    GLASS,
    KEEP_OUTS,
    MAINS,
    WALL_PARTS,
    ZONES,
    Block,
    Layer,
    Path,
    Point,
    Ring,
    Sheet,
)
from cli.drawing.view import View
from cli.figures.lettering import SMALL_MM, text_width
from cli.terminal.output import clean
from cli.words.wall_parts import WallPart, box_of
from roommodes.acoustics.room import AXIS_OF_WALL
from roommodes.lengths import Lengths
from roommodes.places.boxes import Box, TurnedBox
from roommodes.places.zones import Triple
from roommodes.project.project import Project


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """Something that is drawn as a symbol at its place [m], with its name and its cabinet where that is known.

    `kind` is its block's name in CAD.
    """

    kind: str
    layer: Layer
    name: str
    at_m: Triple
    body: TurnedBox | None = None

    @property
    def corners_m(self) -> tuple[Triple, Triple]:
        """Of its cabinet, else its place twice [m]."""
        return (self.at_m, self.at_m) if self.body is None else (self.body.low, self.body.high)


AMPLIFIERS_OF = "amplifiers of "
GLASS_MM = 1.6
MARK_MM = 2.0
MARK_SHARES = (0.5, 0.3, 0.7, 0.1, 0.9, 0.4, 0.6, 0.2, 0.8)
MARK_OF_THING_MM = 2.4
FRONT_SHARE = 0.08  # of a cabinet's depth: where the line along its front is


def parts_in_plan(sheet: Sheet, view: View, parts: Sequence[WallPart]) -> list[tuple[str, list[Point]]]:
    """Parts of walls outside their wall's line, those of floor, ceiling and solids dashed in the room.

    Gives each one's letter and where that may stand, for `mark_parts`.
    """
    letters = []
    for part in parts:
        layer = GLASS if part.glass else WALL_PARTS
        dashed = replace(layer, dashes_mm=(3.0, 1.5))
        normal, side = AXIS_OF_WALL.get(part.wall, (2, 0))
        if part.corners_m is not None or normal == 2:
            box = part.corners_m or box_of(part, view.room_m, normal, side)
            low, high = view.corners(*box)
            sheet.box(dashed, low, high)
            letters.append((part.key, _along(low, high)))
            continue
        low, high = view.corners(*box_of(part, view.room_m, normal, side))
        out = GLASS_MM if side else -GLASS_MM
        shift = (out, 0.0) if normal == 0 else (0.0, out)
        far = (high[0] + shift[0], high[1] + shift[1])
        corners = (min(low[0], far[0]), min(low[1], far[1])), (max(low[0], far[0]), max(low[1], far[1]))
        sheet.box(layer, *corners, hatch=not part.glass)
        if part.glass:
            half = (shift[0] / 2, shift[1] / 2)
            sheet.path(layer, [(low[0] + half[0], low[1] + half[1]), (high[0] + half[0], high[1] + half[1])])
        letters.append((part.key, [(x + 2.6 * shift[0], y + 2.6 * shift[1]) for x, y in _along(low, high)]))
    return letters


def mark_parts(sheet: Sheet, letters: Sequence[tuple[str, Sequence[Point]]], crowd: Crowd) -> None:
    """The letters that `parts_in_plan` gives, where no number of a dimension stands."""
    for key, places in letters:
        _mark(sheet, key, places, crowd)


def parts_in_elevation(sheet: Sheet, view: View, parts: Sequence[WallPart], crowd: Crowd, measures: Measures) -> None:
    """The parts of the wall that is looked at, with their dimensions over the view and beside it."""
    for part in parts:
        normal, side = AXIS_OF_WALL[part.wall]
        low, high = view.corners(*box_of(part, view.room_m, normal, side))
        sheet.box(GLASS if part.glass else WALL_PARTS, low, high)
        if part.glass:
            glass_strokes(sheet, low, high)
        inset = MARK_MM + 1.0
        across = [low[0] + inset, high[0] - inset, (low[0] + high[0]) / 2]
        up = [high[1] - inset, low[1] + inset, (low[1] + high[1]) / 2]
        _mark(sheet, part.key, [(x, y) for y in up for x in across], crowd)
        for axis in (0, 1):
            middle = (low[axis] + high[axis]) / 2
            far = axis == 0 and middle > view.size[0] / 2
            measures.span(0 if axis == 0 else 1, low, high, from_end=far, side=1 if axis == 0 else None)


def glass_strokes(sheet: Sheet, low: Point, high: Point) -> None:
    """Two strokes, as glass is drawn."""
    for shift in (0.0, 2.0):
        start = ((low[0] + high[0]) / 2 + shift - 2.5, (low[1] + high[1]) / 2 - 1.5 - shift)
        sheet.path(GLASS, [start, (start[0] + 3.0, start[1] + 3.0)])


def _along(low: Point, high: Point) -> list[Point]:
    """Places along a box, the middle first."""
    return [(low[0] + share * (high[0] - low[0]), low[1] + share * (high[1] - low[1])) for share in MARK_SHARES]


def _mark(sheet: Sheet, key: str, places: Sequence[Point], crowd: Crowd) -> None:
    """A letter in a ring, at the first place where it meets nothing."""
    free = [one for one in places if not crowd.meets(one, (MARK_MM, MARK_MM))]
    x, y = (free or list(places))[0]
    sheet.parts.append(Ring(layer=WALL_PARTS, centre=(x, y), radius=MARK_MM))
    sheet.label((x, y), key, height=SMALL_MM)
    crowd.texts.append(((x - MARK_MM, y - MARK_MM), (x + MARK_MM, y + MARK_MM)))


def zones(sheet: Sheet, view: View, shown: Sequence[Box]) -> None:
    """Where acoustic centres of subs may be."""
    for zone in shown:
        low, high = view.corners(zone.low, zone.high)
        if max(high[0] - low[0], high[1] - low[1]) < 0.5:
            continue
        if min(high[0] - low[0], high[1] - low[1]) < 0.05:
            sheet.path(ZONES, [low, high])
        else:
            sheet.box(ZONES, low, high)


def keep_outs(sheet: Sheet, view: View, shown: Sequence[Box], crowd: Crowd) -> None:
    """Hatched boxes."""
    for box in shown:
        low, high = view.corners(box.low, box.high)
        sheet.box(KEEP_OUTS, low, high, hatch=True)
        crowd.things.append((low, high))


def keep_out_names(sheet: Sheet, view: View, shown: Sequence[Box], crowd: Crowd) -> None:
    """Their names, each in its box or near it."""
    for box in shown:
        low, high = view.corners(box.low, box.high)
        letters = max(10, int((high[0] - low[0]) / text_width("a")))
        lines = textwrap.wrap(clean(box.name), letters, max_lines=3, placeholder="…")
        x, y = (low[0] + high[0]) / 2.0, (low[1] + high[1]) / 2.0
        wide, tall = max(map(text_width, lines)) / 2.0 + 1.2, SMALL_MM * len(lines) / 2.0 + 2.0
        places = [(x, y + share * (high[1] - low[1])) for share in (0.0, 0.25, -0.25, 0.4, -0.4)]
        places += [(x, high[1] + tall), (x, low[1] - tall), (high[0] + wide, y), (low[0] - wide, y)]
        crowd.place(sheet, lines, places, anchor=(x, y), over=(low, high))


def draw_marks(sheet: Sheet, view: View, crowd: Crowd, measures: Measures, marks: Sequence[Mark]) -> None:
    """Main loudspeakers as diamonds in their cabinets, amplifiers and supply as squares; all with dimensions."""
    for mark in marks:
        x, y = view.at(mark.at_m)
        half = MARK_OF_THING_MM
        corners = ((x - half, y), (x, y - half), (x + half, y), (x, y + half))
        if mark.layer == ELECTRICAL:
            half *= 0.8
            corners = ((x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half))
        places = tuple((f"{axis}_MM", f"{1e3 * at:.0f}") for axis, at in zip("XYZ", mark.at_m, strict=True))
        body = () if mark.body is None else _cabinet(view, mark.layer, mark.body)
        sheet.parts.append(
            Block(
                layer=mark.layer,
                kind=mark.kind,
                at=(x, y),
                parts=(*body, Path(layer=mark.layer, points=corners, closed=True)),
                attributes=(("NAME", mark.name), *places),
            )
        )
        crowd.things.append(_around_mark(view, mark))
        size = view.size
        from_end = (x > size[0] / 2, view.from_above and y > size[1] / 2)
        measures.point(0, (x, y), from_end=from_end[0])
        measures.point(1, (x, y), from_end=from_end[1])
        if mark.body is not None:
            low, high = view.corners(*mark.corners_m)
            if mark.body.aim_deg % 90.0 == 0.0:
                measures.span(0, low, high, from_end=from_end[0])
            if mark.body.aim_deg % 90.0 == 0.0 or not view.from_above:
                measures.span(1, low, high, from_end=from_end[1])


def _cabinet(view: View, layer: Layer, body: TurnedBox) -> tuple[Path, ...]:
    """A main loudspeaker's cabinet; from above with a line along its front."""
    if not view.from_above:
        low, high = view.corners(body.low, body.high)
        return (Path(layer=layer, points=(low, (high[0], low[1]), high, (low[0], high[1])), closed=True),)
    corners = [view.at((x, y, body.low[2])) for x, y in body.corners_m]
    inner = [
        tuple(near + FRONT_SHARE * (far - near) for near, far in zip(front, back, strict=True))
        for front, back in ((corners[0], corners[3]), (corners[1], corners[2]))
    ]
    front = tuple((float(x), float(y)) for x, y in inner)
    return Path(layer=layer, points=tuple(corners), closed=True), Path(layer=layer, points=front)


def _around_mark(view: View, mark: Mark) -> tuple[Point, Point]:
    """What a mark and its cabinet take up."""
    (x, y), half = view.at(mark.at_m), MARK_OF_THING_MM
    (x0, y0), (x1, y1) = view.corners(*mark.corners_m)
    return (min(x0, x - half), min(y0, y - half)), (max(x1, x + half), max(y1, y + half))


def mark_names(sheet: Sheet, view: View, crowd: Crowd, marks: Sequence[Mark]) -> None:
    """Which is which; those one behind the other together."""
    groups: dict[tuple[Point, Point], list[Mark]] = {}
    for mark in marks:
        (x0, y0), (x1, y1) = _around_mark(view, mark)
        groups.setdefault(((round(x0, 3), round(y0, 3)), (round(x1, 3), round(y1, 3))), []).append(mark)
    for ((x0, y0), (x1, y1)), members in groups.items():
        words, middle = _joined([mark.name for mark in members]), ((x0 + x1) / 2, (y0 + y1) / 2)
        off, wide = SMALL_MM / 2 + 0.8, text_width(words) / 2 + 1.0
        places = [(middle[0], y0 - off), (middle[0], y1 + off), (x1 + wide, middle[1]), (x0 - wide, middle[1])]
        crowd.place(sheet, [words], places, anchor=view.at(members[0].at_m))


def _joined(names: Sequence[str]) -> str:
    """Names in a row; what amplifiers have in common once."""
    if len(names) > 1 and all(name.startswith(AMPLIFIERS_OF) for name in names):
        names = [names[0], *(name.removeprefix(AMPLIFIERS_OF) for name in names[1:])]
    return ", ".join(names)


def marks_of(project: Project) -> list[Mark]:
    """Main loudspeakers, amplifiers and supply, where the project says where they are."""
    found = mains_of(project)
    places = [(clean(one.name, 20), one.at_m) for one in project.amplifiers]
    for kind in project.kinds if not project.amplifiers else ():
        if kind.amplifier is not None:
            name = "amplifiers" if len(project.kinds) == 1 else AMPLIFIERS_OF + clean(kind.name, 20)
            places.append((name, kind.amplifier.at_m))
    places.append(("supply", project.tables.electrical.board_m))
    found += [Mark(kind="ELECTRICAL", layer=ELECTRICAL, name=name, at_m=at) for name, at in places if at is not None]
    return found


def mains_of(project: Project) -> list[Mark]:
    """Main loudspeakers, with their cabinets where their size is known."""
    mains = project.mains.positions_m if project.mains else ()
    bodies = project.mains_bodies or (None,) * len(mains)
    return [
        Mark(kind="MAIN", layer=MAINS, name=f"main {k}", at_m=at, body=body)
        for k, (at, body) in enumerate(zip(mains, bodies, strict=True), start=1)
    ]


def mains_lines(project: Project, lengths: Lengths) -> list[str]:
    """Where the cabinets of the main loudspeakers are, one by one; none where their size is not known."""
    fine, lines = lengths.fine, list[str]()
    for mark in mains_of(project):
        if mark.body is None or project.mains is None:
            continue
        x, y, z = mark.at_m
        size = project.mains.size_m(len(lines) // 2)
        lines += [
            f"{mark.name}  woofer {fine(x)} from front wall, {fine(y)} from left wall, {fine(z)} above floor",
            f"    cabinet {' x '.join(map(fine, size))} (deep, wide, high), foot {fine(mark.body.low[2])} above floor, "
            f"{_aim_words(mark.body.aim_deg)}",
        ]
    return lines


def _aim_words(aim_deg: float) -> str:
    if aim_deg == 0.0:
        return "faces the rear wall"
    side = "right" if aim_deg > 0.0 else "left"
    if abs(aim_deg) == 180.0:
        return "faces the front wall"
    return f"turned {abs(aim_deg):g} deg from the rear wall toward the {side} wall"
