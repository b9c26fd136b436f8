"""A built room that is no box: what of its shape may differ from the drawing, and where drawn places come to lie in it.

Blocks and slopes grow with the room; then the planes of their faces and the heights of slopes' ends lie elsewhere by
their own spreads (`shapes.movable`). What stands on a block goes up and down with its top.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import qmc

from roommodes.acoustics.room import AXIS_OF_WALL
from roommodes.arrays import Floats
from roommodes.project.project import Project
from roommodes.project.tables import ProjectTables
from roommodes.shapes.faces import PLANE_AXES
from roommodes.shapes.grid import SAME_M
from roommodes.shapes.movable import Movable, Planes, movable_planes, moved_shape, placed
from roommodes.shapes.shape import Shape
from roommodes.shapes.solids import BLOCK_FACES

BLOCK, SLOPE = "block: ", "slope: "  # before the name of one
TRIED = 16  # shapes in which all planes are moved together, to see whether they can be
HALVINGS = 10  # that bring a place back into the air


@dataclass(frozen=True, slots=True, kw_only=True)
class Uncertain:
    """A plane with how far it may lie elsewhere.

    Parameters
    ----------
    plane : of faces of blocks, or of slopes' ends.
    reach_m : either way [m].
    """

    plane: Movable
    reach_m: float

    @property
    def group(self) -> str:
        """The block or slope that it is counted with: its first."""
        owner, _, end = self.plane.name.rpartition(": ")
        return f"{BLOCK if end in BLOCK_FACES else SLOPE}{owner}"


@dataclass(frozen=True, kw_only=True, eq=False)
class Geometry:
    """The shape of a project's room, and what of it may differ.

    Parameters
    ----------
    shape : as drawn.
    uncertain : its planes that may lie elsewhere, those of one group together.
    held : names of planes that stay, since they would part from what they touch or pass another one.
    """

    shape: Shape
    uncertain: tuple[Uncertain, ...]
    held: tuple[str, ...]

    @cached_property
    def drawn(self) -> Planes:
        """The drawn cells' planes."""
        return self.shape.grid().planes

    def built(self, grown: Floats, moved_m: Floats) -> Shape:
        """The shape of a built room, its stretch (3,) and its planes' moves (n_plane,) given [m]."""
        x, y, z = (float(one) for one in grown)
        moves = {one.plane: float(by) for one, by in zip(self.uncertain, moved_m, strict=True)}
        return moved_shape(self.shape, grown=(x, y, z), moves=moves)

    def planes(self, grown: Floats, moved_m: Floats) -> Planes:
        """The cells' planes of a built room."""
        if not moved_m.any():
            first, second, third = (plane * by for plane, by in zip(self.drawn, grown, strict=True))
            return first, second, third
        return _planes(self, tuple(grown.tolist()), tuple(moved_m.tolist()))

    def as_drawn(self, point_m: Floats, grown: Floats, moved_m: Floats) -> Floats:
        """Places in built rooms as places in the drawn one: (n, point, 3) with (n, 3), (n, plane) -> (n, point, 3)."""
        result = np.empty_like(point_m)
        for index, (by, moved) in enumerate(zip(grown, moved_m, strict=True)):
            result[index] = placed(point_m[index], self.planes(by, moved), self.drawn)
        return result

    def as_built(self, point_m: Floats, grown: Floats, moved_m: Floats) -> Floats:
        """Places in the drawn room as places in one built room: (n, 3) with (3,), (n_plane,) -> (n, 3) [m]."""
        return placed(point_m, self.drawn, self.planes(grown, moved_m))

    def in_air(self, point_m: Floats, home_m: Floats, grown: Floats, moved_m: Floats) -> Floats:
        """Places in one built room, each brought back towards where it is drawn until it is in the air.

        Parameters
        ----------
        point_m, home_m : (n, 3) in the built room; where each would be if nothing but the room differed [m].
        grown, moved_m : (3,), (n_plane,) of the room.
        """
        built = self.planes(grown, moved_m)

        def solid(which: Floats) -> NDArray[np.bool_]:
            return ~self.shape.contains(placed(which, built, self.drawn))

        bad = np.flatnonzero(solid(point_m))
        if not len(bad):
            return point_m
        result = point_m.copy()
        out, inside = point_m[bad].copy(), home_m[bad].copy()
        for _ in range(HALVINGS):
            middle = 0.5 * (out + inside)
            wrong = solid(middle)
            out[wrong], inside[~wrong] = middle[wrong], middle[~wrong]
        result[bad] = inside
        return result

    def risen(self, point_m: Floats, grown: Floats, moved_m: Floats) -> Floats:
        """How much higher what stands under drawn places is in built rooms: (point, 3) -> (n, point) [m]."""
        result = np.zeros((len(grown), len(point_m)))
        for index, point in enumerate(point_m):
            top = self.shape.stands_on_m((float(point[0]), float(point[1]), float(point[2])))
            result[:, index] = top * (grown[:, 2] - 1.0)
            for column, one in enumerate(self.uncertain):
                if one.plane.axis == 2 and abs(one.plane.at_m - top) <= SAME_M < top:
                    result[:, index] += moved_m[:, column]
        return result

    def tables(self, tables: ProjectTables, grown: Floats, moved_m: Floats) -> Mapping[str, Any]:
        """Blocks, slopes and regions of a project's tables as they are in a built room."""
        built = self.planes(grown, moved_m)

        def at(axis: int, value: float) -> float:
            return float(np.interp(value, self.drawn[axis], built[axis]))

        def corner(point: Sequence[float]) -> tuple[float, float, float]:
            return (at(0, point[0]), at(1, point[1]), at(2, point[2]))

        blocks = tuple(b.model_copy(update={"from_m": corner(b.from_m), "to_m": corner(b.to_m)}) for b in tables.blocks)
        slopes = []
        for s in tables.slopes:
            axis = "xy".index(s.along)
            ends = {key: (at(axis, end[0]), at(2, end[1])) for key, end in (("from_m", s.from_m), ("to_m", s.to_m))}
            slopes.append(s.model_copy(update=ends))
        regions = []
        for region in tables.regions:
            ends = {
                key: self._on_face(region.wall, end, at)
                for key, end in (("from_m", region.from_m), ("to_m", region.to_m))
            }
            regions.append(region.model_copy(update=ends))
        return {"blocks": blocks, "slopes": tuple(slopes), "regions": tuple(regions)}

    def _on_face(self, wall: str, end: Sequence[float], at: Any) -> tuple[float, float]:
        """A corner of a region in a built room."""
        for slope in self.shape.slopes:
            if wall == slope.name:  # the level axis, then the distance down its line
                down = np.array([slope.to_m[0] - slope.from_m[0], slope.to_m[1] - slope.from_m[1]]) / slope.length_m
                start = np.array([at(slope.axis, slope.from_m[0]), at(2, slope.from_m[1])])
                drawn = np.array(slope.from_m) + end[1] * down
                there = np.array([at(slope.axis, float(drawn[0])), at(2, float(drawn[1]))])
                return at(1 - slope.axis, end[0]), float(np.linalg.norm(there - start))
        first, second = PLANE_AXES[self.normal_axis(wall)]
        return at(first, end[0]), at(second, end[1])

    def normal_axis(self, wall: str) -> int:
        """The axis that a wall's, or a block's face's, normal is nearest to."""
        if wall in AXIS_OF_WALL:
            return AXIS_OF_WALL[wall][0]
        return next((int(np.abs(face.plane.normal).argmax()) for face in self.shape.face(wall)), 2)


@lru_cache(maxsize=256)
def _planes(geometry: Geometry, grown: tuple[float, ...], moved_m: tuple[float, ...]) -> Planes:
    """As `Geometry.planes`, where planes are moved; asked several times for each room."""
    return geometry.built(np.array(grown), np.array(moved_m)).grid().planes


def geometry_of(project: Project) -> Geometry | None:
    """What of a project's room may differ by its [tolerance] table; None for a plain box."""
    if project.room.is_box:
        return None
    shape, table = project.room.shape, project.tables.tolerance
    wanted = []
    for plane in movable_planes(shape):
        reach = max((table.of_face(face, plane.axis) for face in plane.faces), default=0.0)
        if reach > 0.0:
            wanted.append(Uncertain(plane=plane, reach_m=reach))
    kept = [one for one in wanted if _can_move(shape, [one])]
    while kept and not _can_move(shape, kept):
        kept.pop()
    order = sorted(range(len(kept)), key=lambda i: [one.group for one in kept].index(kept[i].group))
    return Geometry(
        shape=shape,
        uncertain=tuple(kept[i] for i in order),
        held=tuple(one.plane.name for one in wanted if one not in kept),
    )


def _can_move(shape: Shape, planes: Sequence[Uncertain]) -> bool:
    """Whether planes can be moved by as much as they may, alone or together, and the cells stay the same ones."""
    for unit in _tried(len(planes)):
        moves = {one.plane: float(one.reach_m * by) for one, by in zip(planes, unit, strict=True)}
        try:
            moved_shape(shape, moves=moves)
        except ValueError:
            return False
    return True


def _tried(count: int) -> Iterator[Floats]:
    """Moves from -1 to 1 of so many planes: all, then each by itself, then at random."""
    yield from (np.ones(count), -np.ones(count))
    if count > 1:
        yield from 2.0 * qmc.Sobol(count, rng=0).random(TRIED).round() - 1.0
