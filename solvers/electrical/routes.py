"""Cable routes along the walls of the room, over doors and openings.

A cable leaves its terminal for the nearest wall, runs along the walls at one height, the shorter way round, and goes on
square to the wall to its other terminal. Where it meets a door or an opening it goes up one side and down the other.
Walls are those of the room at the cables' height: what a block takes of it, a chimney breast or the corner of an L, is
gone round. Low blocks (risers, stages) are not looked at: a cable over or under one is longer or shorter.
"""

from dataclasses import dataclass

import shapely
from shapely.geometry import LinearRing, Point, Polygon, box
from shapely.geometry.polygon import orient
from shapely.ops import substring

from roommodes.places.zones import Triple
from roommodes.project.constructions import layers_in
from roommodes.project.project import Project

OVER_DOOR_M = 0.1  # above a door's opening
TALL_M = 1.0  # a block that ends lower is no wall to a cable

Place = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A door or opening in the walls: from and to along the perimeter, and its top [m]."""

    from_m: float
    to_m: float
    top_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Walls:
    """The perimeter of a room, along the left wall to the rear and round; of a box from its front left corner.

    Parameters
    ----------
    length_m, width_m : of the room [m].
    height_m : at which cables run along the walls [m].
    gaps : doors and openings that reach down to that height.
    outline_m : corners of the walls in plan, in that sense of turning; empty: the room's box [m].
    """

    length_m: float
    width_m: float
    height_m: float
    gaps: tuple[Gap, ...] = ()
    outline_m: tuple[Place, ...] = ()

    @property
    def ring(self) -> LinearRing:
        """The walls in plan."""
        length, width = self.length_m, self.width_m
        return LinearRing(self.outline_m or ((0.0, 0.0), (length, 0.0), (length, width), (0.0, width)))

    @property
    def around_m(self) -> float:
        """Length of the perimeter [m]."""
        return float(self.ring.length)

    def foot(self, point: Triple) -> tuple[float, float]:
        """Where a point meets its nearest wall: place on the perimeter, distance to the wall [m]."""
        ring, at = self.ring, Point(point[:2])
        return float(ring.project(at)), float(ring.distance(at))

    def place(self, wall: str, along_m: float) -> float:
        """A place on a wall of the room's box, x or y along it, as a place on the perimeter [m]."""
        places = {
            "left": (along_m, 0.0),
            "rear": (self.length_m, along_m),
            "right": (along_m, self.width_m),
            "front": (0.0, along_m),
        }
        return float(self.ring.project(Point(places[wall])))

    def run_m(self, start: Triple, end: Triple) -> tuple[float, bool]:
        """Length of a cable between two terminals without slack, and whether it goes over a door [m]."""
        (a, from_wall), (b, to_wall) = self.foot(start), self.foot(end)
        ends = from_wall + to_wall + abs(start[2] - self.height_m) + abs(end[2] - self.height_m)
        low, high = min(a, b), max(a, b)
        ways = [self._way(low, high), self._way(high, low + self.around_m)]
        along, over = min(ways)
        return ends + along, over > 0

    def path_m(self, start: Triple, end: Triple, *, inset_m: float = 0.0) -> tuple[Place, ...]:
        """The same cable in plan, its run along the walls drawn so far inside them [m]."""
        low, high = sorted((start, end), key=lambda point: self.foot(point)[0])
        (a, _), (b, _) = self.foot(low), self.foot(high)
        upward = self._way(a, b) <= self._way(b, a + self.around_m)
        within = Polygon(self.ring).buffer(-inset_m, join_style="mitre")
        ring = orient(within, 1.0).exterior if isinstance(within, Polygon) and not within.is_empty else self.ring
        first, last = (low, high) if upward else (high, low)
        begin, stop = (float(ring.project(Point(one[:2]))) for one in (first, last))
        pieces = [(begin, stop)] if begin <= stop else [(begin, ring.length), (0.0, stop)]
        along = [at for piece in pieces for at in substring(ring, *piece).coords]
        return tuple((float(x), float(y)) for x, y in (first[:2], *along, last[:2]))

    def _way(self, start: float, end: float) -> tuple[float, int]:
        """Along the perimeter from a place to a higher one, up and down at each door: length [m], doors."""
        met = [
            gap
            for gap in self.gaps
            for turn in (0.0, self.around_m)
            if gap.from_m + turn < end and gap.to_m + turn > start
        ]
        up = sum(2.0 * (gap.top_m + OVER_DOOR_M - self.height_m) for gap in met)
        return end - start + up, len(met)


def walls_of(project: Project, height_m: float) -> Walls:
    """The walls of a project with its doors and openings."""
    room = project.room
    outline = _outline(project, height_m)
    bare = Walls(length_m=room.length_m, width_m=room.width_m, height_m=height_m, outline_m=outline)
    known = project.constructions()
    gaps = []
    for region in project.tables.regions:
        kinds = {known[name].kind for name in layers_in(region.construction)}
        low, top = sorted((region.from_m[1], region.to_m[1]))
        if kinds & {"door", "opening"} and region.wall in {"front", "rear", "left", "right"} and low < height_m < top:
            ends = sorted(bare.place(region.wall, along) for along in (region.from_m[0], region.to_m[0]))
            gaps.append(Gap(from_m=ends[0], to_m=ends[1], top_m=top))
    return Walls(length_m=room.length_m, width_m=room.width_m, height_m=height_m, gaps=tuple(gaps), outline_m=outline)


def _outline(project: Project, height_m: float) -> tuple[Place, ...]:
    """Corners of the walls in plan with what tall blocks leave of the box; empty without such blocks [m]."""
    room = project.room
    tall = [
        box(*block.low_m[:2], *block.high_m[:2])
        for block in room.blocks
        if block.low_m[2] <= height_m < block.high_m[2] and block.high_m[2] >= TALL_M
    ]
    if not tall:
        return ()
    left = shapely.difference(box(0.0, 0.0, room.length_m, room.width_m), shapely.union_all(tall))
    parts = [one for one in getattr(left, "geoms", [left]) if isinstance(one, Polygon) and not one.is_empty]
    if not parts:
        return ()
    ring = orient(max(parts, key=lambda one: float(one.area)), 1.0).exterior
    return tuple((float(x), float(y)) for x, y in ring.coords[:-1])
