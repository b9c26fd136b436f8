"""A room cut into cells along the planes of its blocks and slopes: each is all air, all solid, or cut by a slope.

Every plane of a face goes through the whole box. A slope meets the grid at its vertices alone: where it crosses a
horizontal plane there is an upright one, and the other way round. So the cells that it cuts are prisms with a
triangle for their end, and pyramids where slopes along x and along y meet.

```
   z  tip                     lean: on which side of the cell the tip stands,
      |\\                      -1 low, +1 high, 0 not cut by a slope along this axis
      | \\
      |__\\  y   (lean -1)
```
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Floats
from roommodes.shapes.solids import Block, Slope, Triple

SAME_M = 2e-6  # planes closer than this are one

Bools = NDArray[np.bool_]
Line = tuple[float, float]  # heights at an interval's two ends
Index = Sequence[int] | NDArray[np.intp]  # (i, j, k)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grid:
    """The cells of a room.

    Parameters
    ----------
    planes : along x, y, z, in rising order, (n + 1,) each [m].
    air : (nx, ny, nz) whether there is any air in it.
    lean : along x and along y, (nx, ny, nz) each: -1, 0, +1, see above.
    """

    planes: tuple[Floats, Floats, Floats]
    air: Bools
    lean: tuple[NDArray[np.int8], NDArray[np.int8]]

    def __post_init__(self) -> None:
        for array in (*self.planes, self.air, *self.lean):
            array.setflags(write=False)

    @property
    def cells(self) -> NDArray[np.intp]:
        """All cells with air: (n_cell, 3) indices."""
        return np.argwhere(self.air)

    def corners(self, cell: Index) -> tuple[Floats, Floats]:
        """Low and high corner of a cell: (3,), (3,) [m]."""
        low = np.array([plane[i] for plane, i in zip(self.planes, cell, strict=True)])
        high = np.array([plane[i + 1] for plane, i in zip(self.planes, cell, strict=True)])
        return low, high

    def leans(self, cell: Index) -> tuple[int, int]:
        """How a cell leans along x and y."""
        at = tuple(cell)
        return int(self.lean[0][at]), int(self.lean[1][at])

    @property
    def volumes(self) -> Floats:
        """Air in each of `cells`: (n_cell,) [m3]."""
        sides = [np.diff(plane) for plane in self.planes]
        box = sides[0][:, None, None] * sides[1][None, :, None] * sides[2][None, None, :]
        share = 1.0 / (1.0 + np.abs(self.lean[0]) + np.abs(self.lean[1]))  # a prism half, a pyramid a third
        return np.asarray((box * share)[self.air], dtype=np.float64)

    def open_sides(self, axis: int, side: int) -> Bools:
        """Cells that have an upright or level face on this side: not where a slope cuts it off, (nx, ny, nz)."""
        if axis == 2:
            tip = (self.lean[0] != 0) | (self.lean[1] != 0)
            return self.air & ~tip if side else self.air
        return np.asarray(self.air & (self.lean[axis] != (-1 if side else 1)))

    def joined(self, axis: int) -> NDArray[np.intp]:
        """Cells that share a face with their next neighbour along an axis: (n, 3), the lower of each pair."""
        low = np.take(self.open_sides(axis, 1), range(self.air.shape[axis] - 1), axis=axis)
        high = np.take(self.open_sides(axis, 0), range(1, self.air.shape[axis]), axis=axis)
        return np.argwhere(low & high)

    def cell_faces(self, axis: int, side: int) -> NDArray[np.intp]:
        """Cells whose face on this side bounds the air: (n, 3)."""
        bound = self.open_sides(axis, side).copy()
        here = self.joined(axis)
        if side == 0:
            here = here + np.eye(3, dtype=np.intp)[axis]
        bound[tuple(here.T)] = False
        return np.argwhere(bound)


def grid_of(
    size_m: Triple,
    blocks: Sequence[Block],
    slopes: Sequence[Slope],
    *,
    seams: Sequence[tuple[int, float]] = (),
    largest_m: float = np.inf,
) -> Grid:
    """Cut a room into cells.

    Parameters
    ----------
    size_m : length, width, height of the box.
    blocks, slopes : what is taken out of it.
    seams : further planes, each by its axis and its place along it [m].
    largest_m : planes are added until no cell is longer than this [m].
    """
    planes = [{0.0, float(size)} for size in size_m]
    for block in blocks:
        for axis in range(3):
            planes[axis] |= {min(max(value, 0.0), size_m[axis]) for value in (block.low_m[axis], block.high_m[axis])}
    for axis, at in seams:
        planes[axis].add(min(max(at, 0.0), size_m[axis]))
    for slope in slopes:
        planes[slope.axis] |= {min(max(end, 0.0), size_m[slope.axis]) for end in slope.span_m}
        planes[slope.axis] |= _crossings(slope, [s for s in slopes if s is not slope], size_m)
    for axis in (0, 1, 2):
        planes[axis] = _filled(planes[axis], largest_m)
        planes = _closed(planes, slopes, size_m)
    axes = (_sorted(planes[0]), _sorted(planes[1]), _sorted(planes[2]))
    air = np.ones(tuple(len(axis) - 1 for axis in axes), dtype=np.bool_)
    for block in blocks:
        air[_inside(axes, block)] = False
    lean = (np.zeros(air.shape, dtype=np.int8), np.zeros(air.shape, dtype=np.int8))
    for axis in (0, 1):
        for index, (low, high) in enumerate(_heights(axes[axis], slopes, axis, size_m[2])):
            column = [slice(None)] * 3
            column[axis] = slice(index, index + 1)
            solid = max(low, high) <= axes[2][:-1] + SAME_M
            cut = ~solid & (min(low, high) <= axes[2][:-1] + SAME_M)
            air[tuple(column)] &= ~solid
            lean[axis][tuple(column)] = np.where(cut, -1 if low > high else 1, 0)
    return Grid(planes=axes, air=air, lean=(lean[0] * air, lean[1] * air))


def _crossings(slope: Slope, others: Iterable[Slope], size_m: Triple) -> set[float]:
    """Where it meets another one along the same axis, within both and the box [m]."""
    found = set()
    for other in others:
        if other.axis != slope.axis:
            continue
        at = slope.span_m[0]
        here, there = slope.height_m(at) - other.height_m(at), slope.height_m(at + 1.0) - other.height_m(at + 1.0)
        if here == there:
            continue
        at += here / (here - there)
        low, high = max(slope.span_m[0], other.span_m[0]), min(slope.span_m[1], other.span_m[1])
        if max(low, 0.0) < at < min(high, size_m[slope.axis]):
            found.add(at)
    return found


def _closed(planes: list[set[float]], slopes: Sequence[Slope], size_m: Triple) -> list[set[float]]:
    """The planes with all that make the slopes meet the grid at its vertices alone."""
    height = size_m[2]
    for axis in (0, 1):
        for low, high in _heights(_sorted(planes[axis]), slopes, axis, height):
            planes[2] |= {min(max(value, 0.0), height) for value in (low, high)}
    levels = _sorted(planes[2])
    for axis in (0, 1):
        along = _sorted(planes[axis])
        for (a, b), (low, high) in zip(pairwise(along), _heights(along, slopes, axis, height), strict=True):
            between = levels[(levels > min(low, high) + SAME_M) & (levels < max(low, high) - SAME_M)]
            planes[axis] |= {float(a + (b - a) * (level - low) / (high - low)) for level in between}
    return planes


def _heights(along: Floats, slopes: Sequence[Slope], axis: int, height_m: float) -> list[Line]:
    """The ceiling over each interval of an axis: its height at both ends, one straight line each [m]."""
    found = []
    for a, b in pairwise(along):
        over = [s for s in slopes if s.axis == axis and s.span_m[0] < 0.5 * (a + b) < s.span_m[1]]
        lowest = min(over, key=lambda s: s.height_m(0.5 * (a + b)), default=None)
        line = (height_m, height_m)
        if lowest is not None:
            line = (min(lowest.height_m(a), height_m), min(lowest.height_m(b), height_m))
        found.append(line)
    return found


def _filled(planes: set[float], largest_m: float) -> set[float]:
    """Planes with others between them, evenly, so that none is further from the next than `largest_m`."""
    found = set(planes)
    for low, high in pairwise(_sorted(planes)):
        parts = ceil((high - low) / largest_m - 1e-9) if np.isfinite(largest_m) else 1
        found |= {float(low + (high - low) * i / parts) for i in range(1, parts)}
    return found


def _sorted(planes: set[float]) -> Floats:
    """In rising order, those that are one taken once."""
    kept: list[float] = []
    for value in sorted(planes):
        if not kept or value - kept[-1] > SAME_M:
            kept.append(value)
    return np.array(kept)


def _inside(axes: tuple[Floats, Floats, Floats], block: Block) -> tuple[NDArray[np.bool_], ...]:
    """Which cells a block fills, as an index into (nx, ny, nz)."""
    middles = [0.5 * (axis[1:] + axis[:-1]) for axis in axes]
    within = [
        (middle > low) & (middle < high) for middle, low, high in zip(middles, block.low_m, block.high_m, strict=True)
    ]
    return np.ix_(*within)
