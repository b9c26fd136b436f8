"""Elements on a room's cells: degrees, numbers of the unknowns, and the functions that live in each cell.

A cell's own coordinates run from 0 to 1; in a cell that a slope cuts, those along x and y shrink to the tip
(`shapes.faces.placed`). Every interval of an axis has its own degree, so that thin cells cost little. Unknowns are
shared across faces alone: two bodies of air that touch along a line do not feel each other.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Floats
from roommodes.elements import reference
from roommodes.elements.wedges import Wedge, wedges_of
from roommodes.shapes.faces import CellFace
from roommodes.shapes.grid import Grid
from roommodes.shapes.shape import Shape

Indices = NDArray[np.intp]

# measured on the reference cases: some 1e-4 of the receivers' rms in the median, 1e-3 at most at the highest wavenumber
LARGEST_M = 3.0  # of any cell
LARGEST_KH = 5.0  # of any cell, times the highest wavenumber
LEAST_DEGREE, MOST_DEGREE = 4, 9
DEGREE_PER_KH, DEGREE_AT_REST = 0.8, 2.6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cell:
    """One element.

    Parameters
    ----------
    index : (i, j, k) in the grid.
    low_m, high_m : its corners [m].
    lean : as in `shapes.grid`, along x and y.
    degree : along x, y, z.
    node : (px + 1, py + 1, pz + 1) numbers of its unknowns.
    wedges : those whose functions live here, each with the numbers of its unknowns for the polynomials of the
        interval along it, -1 where it has none.
    """

    index: tuple[int, int, int]
    low_m: Floats
    high_m: Floats
    lean: tuple[int, int]
    degree: tuple[int, int, int]
    node: Indices
    wedges: tuple[tuple[Wedge, Indices], ...]

    @property
    def unknowns(self) -> Indices:
        """Numbers of all its unknowns: the polynomials', then the wedges'."""
        return np.concatenate([self.node.ravel(), *(number[number >= 0] for _, number in self.wedges)])

    def placed(self, local: Floats) -> Floats:
        """Its own coordinates to the room's: (..., 3) -> (..., 3) [m]."""
        return placed_in(self, local)

    def local(self, point_m: Floats) -> Floats:
        """The room's coordinates to its own: (n, 3) [m] -> (n, 3)."""
        low, side = self.low_m, self.high_m - self.low_m
        result = (point_m - low) / side
        left = np.maximum(1.0 - result[:, 2], 1e-12)
        for axis, lean in enumerate(self.lean):
            if lean < 0:
                result[:, axis] = result[:, axis] / left
            elif lean > 0:
                result[:, axis] = 1.0 - (1.0 - result[:, axis]) / left
        return np.asarray(np.clip(result, 0.0, 1.0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mesh:
    """All elements of a room.

    Parameters
    ----------
    shape, grid : what they stand on.
    cells : in the order of `grid.cells`.
    number : (nx, ny, nz) index into `cells`, -1 where there is no air.
    faces : those of the cells that bound the air.
    n_node, size : how many unknowns belong to polynomials, and how many there are in all.
    """

    shape: Shape
    grid: Grid
    cells: tuple[Cell, ...]
    number: Indices
    faces: tuple[CellFace, ...]
    n_node: int
    size: int

    def cell_at(self, index: tuple[int, int, int]) -> Cell:
        """The element of a cell with air."""
        return self.cells[int(self.number[index])]


def placed_in(cell: Cell, local: Floats) -> Floats:
    """As `shapes.faces.placed`, for an element."""
    side = cell.high_m - cell.low_m
    point = cell.low_m + side * local
    left = 1.0 - local[..., 2]
    for axis, lean in enumerate(cell.lean):
        if lean < 0:
            point[..., axis] = cell.low_m[axis] + side[axis] * local[..., axis] * left
        elif lean > 0:
            point[..., axis] = cell.high_m[axis] - side[axis] * (1.0 - local[..., axis]) * left
    return np.asarray(point)


def largest_cell_m(wavenumber: float) -> float:
    """The longest cell for wavenumbers up to this [1/m] -> [m]."""
    return min(LARGEST_M, LARGEST_KH / wavenumber)


def degree_for(length_m: float, wavenumber: float) -> int:
    """The degree of an interval so long, for wavenumbers up to this [m], [1/m]."""
    wanted = ceil(DEGREE_AT_REST + DEGREE_PER_KH * length_m * wavenumber)
    return min(max(wanted, LEAST_DEGREE), MOST_DEGREE)


def mesh_of(shape: Shape, wavenumber: float) -> Mesh:
    """Elements that follow waves of up to this wavenumber [1/m]."""
    largest = largest_cell_m(wavenumber)
    grid = shape.grid(largest)
    degrees = [[degree_for(float(h), wavenumber) for h in np.diff(plane)] for plane in grid.planes]
    cells = grid.cells
    node, count = _numbered(grid, degrees)
    n_node = count
    wedges = wedges_of(shape.inward_edges, grid)
    first_node = [np.concatenate(([0], np.cumsum(degree))) for degree in degrees]
    columns: list[Indices] = []
    for wedge in wedges:  # one unknown for each node of the axis along it, from end to end
        at = _axis_nodes(grid.planes[wedge.axis], degrees[wedge.axis])
        within = (at > wedge.span_m[0] - 1e-9) & (at < wedge.span_m[1] + 1e-9)
        number = np.full(len(at), -1, dtype=np.intp)
        number[within] = count + np.arange(int(within.sum()))
        count += int(within.sum())
        columns.append(number)
    elements = []
    for index, own in zip(cells, node, strict=True):
        low, high = grid.corners(index)
        here = []
        for wedge, number in zip(wedges, columns, strict=True):
            interval = index[wedge.axis]
            start = first_node[wedge.axis][interval]
            part = number[start : start + degrees[wedge.axis][interval] + 1]
            if wedge.touches(low, high) and (part >= 0).any():
                here.append((wedge, part))
        i, j, k = (int(one) for one in index)
        elements.append(
            Cell(
                index=(i, j, k),
                low_m=low,
                high_m=high,
                lean=grid.leans(index),
                degree=(degrees[0][i], degrees[1][j], degrees[2][k]),
                node=own,
                wedges=tuple(here),
            )
        )
    place = np.full(grid.air.shape, -1, dtype=np.intp)
    place[tuple(cells.T)] = np.arange(len(cells))
    return Mesh(
        shape=shape,
        grid=grid,
        cells=tuple(elements),
        number=place,
        faces=shape.cell_faces(largest),
        n_node=n_node,
        size=count,
    )


def _axis_nodes(planes: Floats, degree: list[int]) -> Floats:
    """Where the nodes of an axis lie, each once [m]."""
    parts = [a + (b - a) * reference.nodes(p)[:-1] for a, b, p in zip(planes[:-1], planes[1:], degree, strict=True)]
    return np.concatenate([*parts, planes[-1:]])


def _numbered(grid: Grid, degrees: list[list[int]]) -> tuple[list[Indices], int]:
    """Numbers of the polynomials' unknowns, cell by cell, and how many there are."""
    from scipy.sparse import coo_array  # noqa: PLC0415 (a tenth of a second that plain boxes need not pay)
    from scipy.sparse.csgraph import connected_components  # noqa: PLC0415 (as above)

    cells = grid.cells
    place = {tuple(index): number for number, index in enumerate(cells.tolist())}
    own = []
    count = 0
    for i, j, k in cells:
        size = (degrees[0][i] + 1, degrees[1][j] + 1, degrees[2][k] + 1)
        own.append(count + np.arange(size[0] * size[1] * size[2]).reshape(size))
        count += own[-1].size
    first, second = [np.empty(0, dtype=np.intp)], [np.empty(0, dtype=np.intp)]
    for axis in range(3):
        for index in grid.joined(axis).tolist():
            beyond = list(index)
            beyond[axis] += 1
            first.append(np.take(own[place[tuple(index)]], -1, axis=axis).ravel())
            second.append(np.take(own[place[tuple(beyond)]], 0, axis=axis).ravel())
    for number, lean in zip(own, _leans(grid), strict=True):  # what shrinks to the tip is one
        tip = number[:, :, -1]
        for axis in (0, 1):
            if lean[axis]:
                first.append(tip.ravel())
                second.append(np.broadcast_to(np.take(tip, [0], axis=axis), tip.shape).ravel())
    rows, columns = np.concatenate(first), np.concatenate(second)
    _, label = connected_components(coo_array((np.ones(len(rows)), (rows, columns)), (count, count)), directed=False)
    numbered = [label[number].astype(np.intp) for number in own]
    return numbered, int(label.max()) + 1


def _leans(grid: Grid) -> Iterator[tuple[int, int]]:
    for index in grid.cells:
        yield grid.leans(index)
