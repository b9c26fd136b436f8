"""The closed outer line of a drawing's layer, turned straight, the box about it, and what of the box lies outside."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import atan2, degrees, hypot, pi
from pathlib import Path
from typing import Literal

from shapely import GeometryCollection, LineString, MultiPolygon, Polygon, box, polygonize, set_precision, union_all
from shapely.affinity import rotate, scale, translate
from shapely.geometry.polygon import orient

from roommodes.errors import Fault, ProjectInvalid
from roommodes.outlines.drawn_lines import UNIT_M, UNITS, Drawn, Line

Side = Literal["left", "right", "top", "bottom"]  # of the drawing
TURN_DEG = {"left": 0.0, "bottom": -90.0, "right": 180.0, "top": 90.0}  # that brings the front wall to the left
IMPERIAL = (1, 2)
LIKELY = (4, 6, 5, 1, 2)  # units, where the drawing says none or one that cannot be
SHORTEST_M, LONGEST_M = 1.5, 60.0  # of a room's sides, as [room] takes them
JOIN_M = 0.002  # ends of lines as near as this meet
WALL_M = 0.6  # two lines about each other, nowhere further apart: both faces of a wall
SLIVER_M = 0.02  # pieces thinner than this are left
ROUND = 0.1  # of the line's length; where no side is longer, nothing says what is straight
FULL = 1.25  # a piece's rectangle may have this times its area; else the piece is cut
MOST_PIECES = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """A room's outline in the project's axes: x from the front wall, y from the left one [m].

    Parameters
    ----------
    polygon : the outline; its bounds are (0, 0, length_m, width_m).
    outside : rectangles (x0, y0, x1, y1) that cover what of the box lies outside [m].
    layer : whose line it is.
    unit : of the drawing, one of `UNITS`.
    unit_stated : what the drawing itself says; None where it says nothing known.
    front : the side of the drawing at which the front wall was taken.
    turned_deg : by which the drawing was turned to stand straight, before the front wall came to the left.
    wall_m : thickness of the wall whose inner face was taken; None where the layer has one line only.
    others : other closed lines, (layer, length, width) [m], the largest first.
    """

    polygon: Polygon
    outside: tuple[tuple[float, float, float, float], ...]
    layer: str
    unit: int
    unit_stated: int | None
    front: Side
    turned_deg: float
    wall_m: float | None
    others: tuple[tuple[str, float, float], ...]

    @property
    def size_m(self) -> tuple[float, float]:
        """Length and width of the box [m]."""
        _, _, length, width = self.polygon.bounds
        return float(length), float(width)

    def walls(self) -> tuple[tuple[str, tuple[float, float], tuple[float, float]], ...]:
        """Straight walls along the axes: which way they lie (front, rear, left, right), from and to (x, y) [m]."""
        corners = list(orient(self.polygon).simplify(SLIVER_M * 0.1).exterior.coords)  # anticlockwise: inside is left
        found = []
        for (x0, y0), (x1, y1) in pairwise(corners):
            if min(abs(x1 - x0), abs(y1 - y0)) > SLIVER_M:
                continue
            names = ("left", "right", x1 > x0) if abs(x1 - x0) > abs(y1 - y0) else ("front", "rear", y1 < y0)
            side = names[0] if names[2] else names[1]
            found.append((side, (float(x0), float(y0)), (float(x1), float(y1))))
        return tuple(found)

    @property
    def outside_m2(self) -> float:
        """What of the box lies outside the outline [m2]."""
        length, width = self.size_m
        return max(length * width - float(self.polygon.area), 0.0)


def room_outline(path: Path, drawn: Drawn, *, layer: str | None, front: Side | None) -> Outline:
    """The outline that a drawing holds.

    Parameters
    ----------
    path : the drawing, for messages.
    drawn : its lines.
    layer : whose line to take; None: of all layers the line about the largest area that can be a room.
    front : side of the drawing at which the front wall is; None: the left, or the bottom where that side is shorter.

    Raises
    ------
    ProjectInvalid : no such layer, no closed line, or none of a room's size.
    """
    layers = _layers(path, drawn, layer)
    closed = {name: _closed(lines, JOIN_M * _span(lines) / LONGEST_M) for name, lines in layers.items()}
    closed = {name: polygons for name, polygons in closed.items() if polygons}
    if not closed:
        raise _wrong(path, f"no closed line on {_named(layers)}{_loose(layers)}; close the outline, gaps at doors too.")
    unit = _unit(path, drawn, [polygon for polygons in closed.values() for polygon in polygons])
    metre = UNIT_M[unit]
    rooms = [
        (name, scale(polygon, metre, metre, origin=(0, 0))) for name, polygons in closed.items() for polygon in polygons
    ]
    name, outer = max(((n, p) for n, p in rooms if _fits(p)), key=lambda one: one[1].area)
    inner = _inner_face(outer, [polygon for other, polygon in rooms if other == name])
    taken = Polygon((inner or outer).exterior)
    turned = _straight_deg(taken)
    straight = rotate(taken, turned, origin=(0, 0))
    if front is None:
        x0, y0, x1, y1 = straight.bounds
        front = "left" if x1 - x0 >= y1 - y0 else "bottom"
    laid = rotate(straight, TURN_DEG[front], origin=(0, 0))
    laid = translate(laid, -laid.bounds[0], -laid.bounds[1])
    rest = [(n, *_sides(p)) for n, p in rooms if p is not outer and p is not inner]
    return Outline(
        polygon=laid,
        outside=_outside(laid),
        layer=name,
        unit=unit,
        unit_stated=drawn.unit,
        front=front,
        turned_deg=turned,
        wall_m=None if inner is None else outer.exterior.distance(inner.exterior),
        others=tuple(sorted(rest, key=lambda one: -one[1] * one[2])),
    )


def _layers(path: Path, drawn: Drawn, layer: str | None) -> dict[str, Sequence[Line]]:
    if not drawn.lines:
        raise _wrong(
            path, "the model space holds no lines; is the plan in a block or on a sheet? Explode it, and export."
        )
    if layer is None:
        return dict(drawn.lines)
    if layer not in drawn.lines:
        raise _wrong(path, f"no lines on a layer {layer!r}; layers with lines: {_named(drawn.lines)}.")
    return {layer: drawn.lines[layer]}


def _named(layers: Iterable[str]) -> str:
    names = [repr(name) for name in layers]
    return ", ".join(names[:8]) + (f" and {len(names) - 8} more" if len(names) > 8 else "")


def _loose(layers: Mapping[str, Sequence[Line]]) -> str:
    """Where lines end with no other at their end, in words."""
    lines = max(layers.values(), key=len)
    join = JOIN_M * _span(lines) / LONGEST_M
    ends = Counter((round(x / join), round(y / join)) for line in lines for x, y in (line[0], line[-1]))
    loose = [f"({x * join:.6g}, {y * join:.6g})" for (x, y), count in ends.items() if count == 1]
    if not loose:
        return ""
    return f": lines end loose at {', '.join(loose[:4])}" + (f" and {len(loose) - 4} more" if len(loose) > 4 else "")


def _span(lines: Sequence[Line]) -> float:
    xs, ys = zip(*(point for line in lines for point in line), strict=True)
    return float(max(max(xs) - min(xs), max(ys) - min(ys)))


def _closed(lines: Sequence[Line], join: float) -> list[Polygon]:
    """Polygons that a layer's lines close, each without what lies in it; apart, or one in another."""
    net = union_all([set_precision(LineString(line), join) for line in lines], grid_size=join)
    faces = [Polygon(face.exterior) for face in polygonize([net]).geoms if face.area > 0.0]
    found: list[Polygon] = []
    whole = union_all(faces) if faces else MultiPolygon()
    parts = whole.geoms if isinstance(whole, MultiPolygon | GeometryCollection) else [whole]
    found += [Polygon(part.exterior) for part in parts if isinstance(part, Polygon) and not part.is_empty]
    found += [face for face in faces if not any(face.equals(one) for one in found)]
    return found


def _unit(path: Path, drawn: Drawn, polygons: Sequence[Polygon]) -> int:
    """The unit of the drawing: the stated one, unless it makes no room of the largest line and another does.

    Many drawings state inches that nobody chose; so a stated inch or foot is given up more readily than a metre.
    """
    largest = max(polygons, key=lambda one: float(one.area))
    stated = () if drawn.unit is None else (drawn.unit,)
    trusted = stated if drawn.unit not in IMPERIAL else ()
    for units, tried in ((stated, [largest]), (trusted, polygons), (LIKELY, [largest]), (LIKELY, polygons)):
        for unit in units:
            if any(_fits(scale(polygon, UNIT_M[unit], UNIT_M[unit], origin=(0, 0))) for polygon in tried):
                return unit
    length, width = _sides(largest)
    unit = (*stated, *LIKELY)[0]
    raise _wrong(
        path,
        f"its largest closed line is {length * UNIT_M[unit]:.3g} x {width * UNIT_M[unit]:.3g} m in {UNITS[unit]}, and "
        f"of a room's size in no unit; allowed: {SHORTEST_M:g} to {LONGEST_M:g} m each way. Draw at full size.",
    )


def _sides(polygon: Polygon) -> tuple[float, float]:
    """Length and width of the box about a polygon that is turned straight, the longer first."""
    x0, y0, x1, y1 = rotate(polygon, _straight_deg(polygon), origin=(0, 0)).bounds
    return float(max(x1 - x0, y1 - y0)), float(min(x1 - x0, y1 - y0))


def _fits(polygon: Polygon) -> bool:
    length, width = _sides(polygon)
    return width >= SHORTEST_M and length <= LONGEST_M


def _straight_deg(polygon: Polygon) -> float:
    """By how much to turn a polygon so that its longest side runs along an axis, -45 to 45 degrees."""
    corners = list(polygon.simplify(SLIVER_M * 0.1).exterior.coords)
    sides = [(b[0] - a[0], b[1] - a[1]) for a, b in pairwise(corners)]
    dx, dy = max(sides, key=lambda side: hypot(*side))
    if hypot(dx, dy) < ROUND * polygon.length:
        return 0.0
    angle = degrees(atan2(dy, dx) % (pi / 2))
    turn = -angle if angle <= 45.0 else 90.0 - angle
    return 0.0 if abs(turn) < 1e-6 else turn


def _inner_face(outer: Polygon, polygons: Sequence[Polygon]) -> Polygon | None:
    """The line inside another that runs along it all round, no further off than a wall is thick."""
    inside = [one for one in polygons if one is not outer and one.area < outer.area and outer.buffer(1e-6).covers(one)]
    for one in sorted(inside, key=lambda polygon: -polygon.area):
        apart = one.exterior.distance(outer.exterior)
        if apart > 0.02 and outer.exterior.hausdorff_distance(one.exterior) <= WALL_M * 2**0.5 and _fits(one):
            return one
    return None


def _outside(polygon: Polygon) -> tuple[tuple[float, float, float, float], ...]:
    """Rectangles that cover what of the box about a polygon lies outside it [m]."""
    x0, y0, x1, y1 = polygon.bounds
    rest = box(x0, y0, x1, y1).difference(polygon.buffer(1e-4, join_style="mitre"))
    full = FULL
    while True:
        found = [piece for part in _polygons(rest) for piece in _rectangles(part, full)]
        if len(found) <= MOST_PIECES or full > 8.0:
            return tuple(sorted(found)[:MOST_PIECES])
        full *= 1.5


def _polygons(shape: object) -> list[Polygon]:
    parts = shape.geoms if isinstance(shape, MultiPolygon | GeometryCollection) else [shape]
    return [part for part in parts if isinstance(part, Polygon) and not part.is_empty]


def _rectangles(part: Polygon, full: float) -> list[tuple[float, float, float, float]]:
    x0, y0, x1, y1 = part.bounds
    if min(x1 - x0, y1 - y0) < SLIVER_M:
        return []
    if (x1 - x0) * (y1 - y0) <= full * part.area or max(x1 - x0, y1 - y0) < 10 * SLIVER_M:
        return [(x0, y0, x1, y1)]
    if x1 - x0 >= y1 - y0:
        cut = _cut(x0, x1, [x for x, _ in part.exterior.coords])
        halves = box(x0, y0, cut, y1), box(cut, y0, x1, y1)
    else:
        cut = _cut(y0, y1, [y for _, y in part.exterior.coords])
        halves = box(x0, y0, x1, cut), box(x0, cut, x1, y1)
    return [piece for half in halves for one in _polygons(part.intersection(half)) for piece in _rectangles(one, full)]


def _cut(low: float, high: float, corners: Sequence[float]) -> float:
    """Where to cut a piece: at the corner nearest to its middle, or there."""
    middle = (low + high) / 2
    inner = [value for value in corners if low + SLIVER_M < value < high - SLIVER_M]
    return min(inner, key=lambda value: abs(value - middle), default=middle)


def _wrong(path: Path, message: str) -> ProjectInvalid:
    return ProjectInvalid(str(path), [Fault(where="", message=message)])
