"""What is air in a room: the box less its blocks and what lies above its slopes.

Where blocks cut the air in two, the part that counts is the one that holds a given point, else the largest.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import pi

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Floats
from roommodes.shapes.faces import CellFace, Edge, Face, cell_faces, edges_of, joined_faces
from roommodes.shapes.grid import SAME_M, Bools, Grid, grid_of
from roommodes.shapes.solids import Block, Slope, Triple

ON_M = 1e-6  # a point so near to a face lies on it


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """A room's shape.

    Parameters
    ----------
    size_m : length, width, height of the box that encloses everything [m].
    blocks, slopes : what is taken out of it.
    inside_m : a point in the part of the air that counts, where blocks cut it; None for the largest part [m].
    seams : planes at which the air is cut into cells although nothing stands there, each by its axis and its place
        along it [m].

    Raises
    ------
    ValueError : no air is left, or a slope leaves the box or stands upright.
    """

    size_m: Triple
    blocks: tuple[Block, ...] = ()
    slopes: tuple[Slope, ...] = ()
    inside_m: Triple | None = None
    seams: tuple[tuple[int, float], ...] = ()

    def __post_init__(self) -> None:
        for slope in self.slopes:
            reach = (self.size_m[slope.axis], self.size_m[2])
            ends = (slope.from_m, slope.to_m)
            if any(not -ON_M <= value <= most + ON_M for end in ends for value, most in zip(end, reach, strict=True)):
                raise ValueError(f"slope {slope.name!r} leaves the room; keep both ends inside")
            if abs(slope.to_m[0] - slope.from_m[0]) < SAME_M:
                raise ValueError(f"slope {slope.name!r} stands upright; use a block")
        if not _cut(self).air.any():
            raise ValueError("blocks and slopes leave no air in the room")

    @property
    def is_box(self) -> bool:
        """Whether the air that counts fills the whole box."""
        return self.box_m == ((0.0, 0.0, 0.0), self.size_m)

    @property
    def box_m(self) -> tuple[Triple, Triple] | None:
        """Low and high corner of the air that counts, if it fills a box of any size; else None [m]."""
        grid = self.grid()
        cells = grid.cells
        low, high = cells.min(axis=0), cells.max(axis=0) + 1
        if len(cells) < np.prod(high - low) or grid.lean[0].any() or grid.lean[1].any():
            return None
        ends = [[float(plane[i]) for plane, i in zip(grid.planes, at, strict=True)] for at in (low, high)]
        return (ends[0][0], ends[0][1], ends[0][2]), (ends[1][0], ends[1][1], ends[1][2])

    @property
    def volume_m3(self) -> float:
        """Volume of the air that counts [m3]."""
        return float(self.grid().volumes.sum())

    def grid(self, largest_m: float = np.inf) -> Grid:
        """The air that counts, cut into cells no longer than `largest_m` [m]."""
        return _counted(self, largest_m)

    @property
    def parts_m3(self) -> tuple[float, ...]:
        """Volumes of the parts that the air falls into, the largest first; one, unless blocks cut it [m3]."""
        grid = _cut(self)
        label, count = _labels(grid)
        volumes = [float(grid.volumes[label[grid.air] == part].sum()) for part in range(count)]
        return tuple(sorted(volumes, reverse=True))

    @property
    def cut_off(self) -> tuple[tuple[Triple, Triple, float], ...]:
        """The parts of the air that do not count: the box around each, low and high corner [m], and its volume [m3]."""
        grid, counted = _cut(self), self.grid().air
        label, count = _labels(grid)
        found = []
        for part in range(count):
            air = label == part
            if (air & counted).any():
                continue
            cells = np.argwhere(air)
            low, high = cells.min(axis=0), cells.max(axis=0) + 1
            ends = [[float(plane[i]) for plane, i in zip(grid.planes, at, strict=True)] for at in (low, high)]
            volume = float(grid.volumes[air[grid.air]].sum())
            found.append(((ends[0][0], ends[0][1], ends[0][2]), (ends[1][0], ends[1][1], ends[1][2]), volume))
        return tuple(found)

    def part_of(self, point_m: Floats) -> NDArray[np.intp]:
        """Which part of the air each point lies in, -1 where there is none: (n, 3) -> (n,)."""
        grid = _cut(self)
        label, _ = _labels(grid)
        cell = locate(grid, point_m)
        return np.where(cell[:, 0] >= 0, label[tuple(cell.T)], -1)

    def contains(self, point_m: Floats) -> Bools:
        """Which points lie in the air that counts or on its faces: (n, 3) -> (n,)."""
        return np.asarray(locate(self.grid(), point_m)[:, 0] >= 0)

    def clear(self, low_m: Floats, high_m: Floats) -> Bools:
        """Which boxes between two corners lie wholly in the air, touching its faces at most: (n, 3), (n, 3) -> (n,)."""
        free = np.all((low_m >= -SAME_M) & (high_m <= np.array(self.size_m) + SAME_M), axis=1)
        for block in self.blocks:
            low, high = np.array(block.low_m), np.array(block.high_m)
            solid = bool(np.all(high - low > SAME_M))
            free &= ~(solid & np.all((low_m < high - SAME_M) & (high_m > low + SAME_M), axis=1))
        for slope in self.slopes:
            span = slope.span_m
            over = (high_m[:, slope.axis] > span[0] + SAME_M) & (low_m[:, slope.axis] < span[1] - SAME_M)
            ends = [np.clip(corner[:, slope.axis], *span) for corner in (low_m, high_m)]
            lowest = np.minimum(*(slope.height_m(0.0) + end * _steepness(slope) for end in ends))
            free &= ~(over & (high_m[:, 2] > lowest + SAME_M))
        return np.asarray(free & self.contains(0.5 * (low_m + high_m)))

    def gap_m(self, point_m: Triple, axis: int, direction: int) -> float:
        """How far it is from a point along x or y to the next wall or block, in direction +1 or -1 [m]."""
        return self.next_wall(point_m, axis, direction)[0]

    def next_wall(
        self, point_m: Triple, axis: int, direction: int, *, slopes: bool = False
    ) -> tuple[float, str | None]:
        """How far from a point along x or y the next wall or block is, in direction +1 or -1, and what it is.

        Parameters
        ----------
        point_m : in the air [m].
        axis, direction : 0 or 1, +1 or -1.
        slopes : the ceiling counts too where it falls to the point's height.

        Returns
        -------
        The distance [m], and the block's or the slope's name; None for a wall of the box.
        """
        ends: list[tuple[float, str | None]] = [(self.size_m[axis] if direction > 0 else 0.0, None)]
        others = [other for other in range(3) if other != axis]
        for block in self.blocks:
            if all(block.low_m[other] < point_m[other] < block.high_m[other] for other in others):
                ends.append((block.low_m[axis] if direction > 0 else block.high_m[axis], block.name))
        for slope in self.slopes if slopes else ():
            if slope.axis == axis and (span := slope.below_m(point_m[2])) is not None:
                ends.append((span[0] if direction > 0 else span[1], slope.name))
        gaps = [((end - point_m[axis]) * direction, name) for end, name in ends]
        return min((one for one in gaps if one[0] >= -ON_M), key=lambda one: one[0], default=(0.0, None))

    def cell_faces(self, largest_m: float = np.inf) -> tuple[CellFace, ...]:
        """The faces of all cells that bound the air that counts."""
        return _faces_of_cells(self, largest_m)

    @property
    def faces(self) -> tuple[Face, ...]:
        """All faces of the air that counts, joined: walls, blocks' faces, slopes and their ends."""
        return _faces(self)

    def face(self, name: str) -> tuple[Face, ...]:
        """The faces of a name: one, several for a slope's ends, none where no air touches it."""
        return tuple(face for face in self.faces if face.name == name)

    @property
    def edges(self) -> tuple[Edge, ...]:
        """All edges of the air that counts."""
        return _edges(self)

    @property
    def surface_m2(self) -> float:
        """Area of all its faces [m2]."""
        return sum(face.area_m2 for face in self.faces)

    @property
    def square_edge_length_m(self) -> float:
        """Length of square edges that would count as its own do among the modes [m].

        An edge of angle w counts as (pi^2 - w^2) / (pi w) of its length against 3/2 for a square one.
        """
        return sum(edge.length_m * (pi**2 - edge.angle**2) / (1.5 * pi * edge.angle) for edge in self.edges)

    @property
    def inward_edges(self) -> tuple[Edge, ...]:
        """Edges with more than half a turn of air around them."""
        return tuple(edge for edge in self.edges if edge.angle > pi + 1e-6)

    def carrier(self, point_m: Triple) -> Block | None:
        """The highest block under a point that carries; None for the floor."""
        x, y, z = point_m
        under = [
            block
            for block in self.blocks
            if block.carries
            and block.high_m[2] <= z + ON_M
            and block.low_m[0] - ON_M <= x <= block.high_m[0] + ON_M
            and block.low_m[1] - ON_M <= y <= block.high_m[1] + ON_M
        ]
        return max(under, key=lambda block: block.high_m[2], default=None)

    def stands_on_m(self, point_m: Triple) -> float:
        """Height of what carries below a point: the top of its carrier, else the floor [m]."""
        block = self.carrier(point_m)
        return 0.0 if block is None else block.high_m[2]

    def scaled(self, factor: Sequence[float]) -> "Shape":
        """The same shape stretched along x, y and z."""

        def stretched(point: Sequence[float]) -> Triple:
            x, y, z = (value * by for value, by in zip(point, factor, strict=True))
            return (x, y, z)

        blocks = tuple(
            Block(name=b.name, low_m=stretched(b.low_m), high_m=stretched(b.high_m), carries=b.carries)
            for b in self.blocks
        )
        slopes = tuple(
            Slope(
                name=s.name,
                along=s.along,
                from_m=(s.from_m[0] * factor[s.axis], s.from_m[1] * factor[2]),
                to_m=(s.to_m[0] * factor[s.axis], s.to_m[1] * factor[2]),
            )
            for s in self.slopes
        )
        inside = None if self.inside_m is None else stretched(self.inside_m)
        seams = tuple((axis, at * factor[axis]) for axis, at in self.seams)
        return Shape(size_m=stretched(self.size_m), blocks=blocks, slopes=slopes, inside_m=inside, seams=seams)


def _steepness(slope: Slope) -> float:
    return (slope.to_m[1] - slope.from_m[1]) / (slope.to_m[0] - slope.from_m[0])


def locate(grid: Grid, point_m: Floats) -> NDArray[np.intp]:
    """A cell whose air holds each point, or touches it: (n, 3) -> (n, 3) indices, -1 where there is none."""
    found = np.full((len(point_m), 3), -1, dtype=np.intp)
    for shift in np.ndindex(2, 2, 2):
        near = np.empty((len(point_m), 3), dtype=np.intp)
        for axis, planes in enumerate(grid.planes):
            moved = point_m[:, axis] + (ON_M if shift[axis] else -ON_M)
            near[:, axis] = np.searchsorted(planes, moved, side="right") - 1
            at_end = np.abs(point_m[:, axis, None] - planes[[0, -1]]) <= ON_M  # on the box's own faces
            near[at_end[:, 0], axis], near[at_end[:, 1], axis] = 0, len(planes) - 2
        within = np.all((near >= 0) & (near < grid.air.shape), axis=1) & (found[:, 0] < 0)
        within[within] &= grid.air[tuple(near[within].T)]
        index = np.flatnonzero(within)
        good = np.array([_holds(grid, near[i], point_m[i]) for i in index], dtype=np.bool_)
        found[index[good]] = near[index[good]]
    return found


def _holds(grid: Grid, cell: NDArray[np.intp], point: Floats) -> bool:
    """Whether a point of a cell lies below the slopes that cut it."""
    low, high = grid.corners(cell)
    up = (point[2] - low[2]) / (high[2] - low[2])
    for axis, lean in enumerate(grid.leans(cell)):
        across = (point[axis] - low[axis]) / (high[axis] - low[axis])
        share = across if lean < 0 else 1.0 - across
        if lean and (share + up - 1.0) * (high[2] - low[2]) > ON_M:
            return False
    return True


def _labels(grid: Grid) -> tuple[NDArray[np.intp], int]:
    """Which connected part each cell with air belongs to, (nx, ny, nz), and how many there are."""
    if grid.air.size == 1:
        return np.zeros(grid.air.shape, dtype=np.intp), 1
    from scipy.sparse import coo_array  # noqa: PLC0415 (a tenth of a second that plain boxes need not pay)
    from scipy.sparse.csgraph import connected_components  # noqa: PLC0415 (as above)

    number = np.full(grid.air.shape, -1, dtype=np.intp)
    number[grid.air] = np.arange(int(grid.air.sum()))
    pairs = []
    for axis in range(3):
        low = grid.joined(axis)
        pairs.append(np.stack([number[tuple(low.T)], number[tuple((low + np.eye(3, dtype=np.intp)[axis]).T)]]))
    first, second = np.concatenate(pairs, axis=1)
    size = int(grid.air.sum())
    count, label = connected_components(coo_array((np.ones(len(first)), (first, second)), (size, size)), directed=False)
    result = np.full(grid.air.shape, -1, dtype=np.intp)
    result[grid.air] = label
    return result, int(count)


@lru_cache(maxsize=64)
def _cut(shape: Shape, largest_m: float = np.inf) -> Grid:
    """All of the air."""
    return grid_of(shape.size_m, shape.blocks, shape.slopes, seams=shape.seams, largest_m=largest_m)


@lru_cache(maxsize=64)
def _counted(shape: Shape, largest_m: float) -> Grid:
    grid = _cut(shape, largest_m)
    label, count = _labels(grid)
    if count == 1:
        return grid
    part = -1
    if shape.inside_m is not None:
        cell = locate(grid, np.array([shape.inside_m]))[0]
        part = int(label[tuple(cell)]) if cell[0] >= 0 else -1
    if part < 0:
        volumes = [grid.volumes[label[grid.air] == one].sum() for one in range(count)]
        part = int(np.argmax(volumes))
    air = label == part
    return Grid(planes=grid.planes, air=air, lean=(grid.lean[0] * air, grid.lean[1] * air))


@lru_cache(maxsize=64)
def _faces_of_cells(shape: Shape, largest_m: float) -> tuple[CellFace, ...]:
    return cell_faces(shape.grid(largest_m), shape.blocks, shape.slopes)


@lru_cache(maxsize=64)
def _faces(shape: Shape) -> tuple[Face, ...]:
    return joined_faces(_faces_of_cells(shape, np.inf))


@lru_cache(maxsize=64)
def _edges(shape: Shape) -> tuple[Edge, ...]:
    return edges_of(_faces_of_cells(shape, np.inf))
