"""Cable routes along the walls of the room, over doors and openings.

A cable leaves its terminal for the nearest wall, runs along the walls at one height, the shorter way round, and goes on
square to the wall to its other terminal. Where it meets a door or an opening it goes up one side and down the other.
Blocks are not looked at: cables round columns or under risers are longer or shorter.
"""

from dataclasses import dataclass

from roommodes.places.zones import Triple
from roommodes.project.constructions import layers_in
from roommodes.project.project import Project

OVER_DOOR_M = 0.1  # above a door's opening


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A door or opening in the walls: from and to along the perimeter, and its top [m]."""

    from_m: float
    to_m: float
    top_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Walls:
    """The perimeter of a room, from the front left corner along the left wall and round.

    Parameters
    ----------
    length_m, width_m : of the room [m].
    height_m : at which cables run along the walls [m].
    gaps : doors and openings that reach down to that height.
    """

    length_m: float
    width_m: float
    height_m: float
    gaps: tuple[Gap, ...] = ()

    @property
    def around_m(self) -> float:
        """Length of the perimeter [m]."""
        return 2.0 * (self.length_m + self.width_m)

    def foot(self, point: Triple) -> tuple[float, float]:
        """Where a point meets its nearest wall: place on the perimeter, distance to the wall [m]."""
        x, y, _ = point
        away = {"left": y, "rear": self.length_m - x, "right": self.width_m - y, "front": x}
        wall = min(away, key=lambda one: away[one])
        return self.place(wall, x if wall in {"left", "right"} else y), away[wall]

    def place(self, wall: str, along_m: float) -> float:
        """A place on a wall, x or y along it, as a place on the perimeter [m]."""
        length, width = self.length_m, self.width_m
        places = {
            "left": along_m,
            "rear": length + along_m,
            "right": length + width + (length - along_m),
            "front": 2.0 * length + width + (width - along_m),
        }
        return places[wall]

    def run_m(self, start: Triple, end: Triple) -> tuple[float, bool]:
        """Length of a cable between two terminals without slack, and whether it goes over a door [m]."""
        (a, from_wall), (b, to_wall) = self.foot(start), self.foot(end)
        ends = from_wall + to_wall + abs(start[2] - self.height_m) + abs(end[2] - self.height_m)
        low, high = min(a, b), max(a, b)
        ways = [self._way(low, high), self._way(high, low + self.around_m)]
        along, over = min(ways)
        return ends + along, over > 0

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
    bare = Walls(length_m=room.length_m, width_m=room.width_m, height_m=height_m)
    known = project.constructions()
    gaps = []
    for region in project.tables.regions:
        kinds = {known[name].kind for name in layers_in(region.construction)}
        low, top = sorted((region.from_m[1], region.to_m[1]))
        if kinds & {"door", "opening"} and region.wall in {"front", "rear", "left", "right"} and low < height_m < top:
            ends = sorted(bare.place(region.wall, along) for along in (region.from_m[0], region.to_m[0]))
            gaps.append(Gap(from_m=ends[0], to_m=ends[1], top_m=top))
    return Walls(length_m=room.length_m, width_m=room.width_m, height_m=height_m, gaps=tuple(gaps))
