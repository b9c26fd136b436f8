"""The faces that bound the air, cell by cell and joined, with their planes, outward normals and names.

| symbol | meaning |
| --- | --- |
| u, v | coordinates in a face's plane [m]: those of the room's axes in the order x, y, z; on a slope the level axis, |
|      | then the distance down its line from its `from_m` |
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import pi

import numpy as np

from roommodes.arrays import Floats
from roommodes.shapes.grid import Grid, Index
from roommodes.shapes.polygons import area_of, is_rectangle, rectangle
from roommodes.shapes.solids import Block, Slope, Triple

WALL_NAMES = (("front", "rear"), ("left", "right"), ("floor", "ceiling"))  # by axis and side
PLANE_AXES: tuple[tuple[int, int], ...] = ((1, 2), (0, 2), (0, 1))  # normal axis -> the two axes in the plane
BEHIND_M = 1e-5  # how far behind a face one looks for what it belongs to


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plane:
    """A plane with axes of its own.

    Parameters
    ----------
    origin_m : (3,) where u = v = 0 [m].
    along, up : (3,) unit vectors of u and v.
    normal : (3,) unit vector out of the air.
    """

    origin_m: Floats
    along: Floats
    up: Floats
    normal: Floats

    def flat(self, point_m: Floats) -> Floats:
        """u, v of points, dropped square onto the plane: (..., 3) -> (..., 2) [m]."""
        away = point_m - self.origin_m
        return np.stack([away @ self.along, away @ self.up], axis=-1)

    def distance_m(self, point_m: Floats) -> Floats:
        """How far in front of the plane, on the side of the air: (..., 3) -> (...) [m]."""
        return np.asarray(-(point_m - self.origin_m) @ self.normal)

    def place(self, flat_m: Floats) -> Floats:
        """Points of the room at u, v: (..., 2) -> (..., 3) [m]."""
        return np.asarray(self.origin_m + flat_m[..., :1] * self.along + flat_m[..., 1:] * self.up)

    def mirrored(self, point_m: Floats) -> Floats:
        """Images behind the plane: (..., 3) -> (..., 3) [m]."""
        return np.asarray(point_m + 2.0 * self.distance_m(point_m)[..., None] * self.normal)

    def same_as(self, other: "Plane") -> bool:
        """Whether both are one plane, seen from one side."""
        return bool(self.normal @ other.normal > 1.0 - 1e-9 and abs(self.distance_m(other.origin_m)) < 1e-6)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CellFace:
    """The face of one cell, where it bounds the air.

    Parameters
    ----------
    name : of the wall, of a block's face or of a slope.
    plane : that it lies in.
    cell : (i, j, k) in the grid.
    axis, side : which of the cell's faces; where a slope cuts the cell, the side that it leans away from.
    corner_m : (3 or 4, 3) in turn [m].
    """

    name: str
    plane: Plane
    cell: tuple[int, int, int]
    axis: int
    side: int
    corner_m: Floats

    @property
    def polygon_m(self) -> Floats:
        """Its corners in the plane: (3 or 4, 2) [m]."""
        return self.plane.flat(self.corner_m)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Face:
    """One plane part of the boundary, joined from the cells' faces.

    Parameters
    ----------
    name, plane : as of its parts.
    parts_m : convex polygons in its plane that do not overlap, (n, 2) each [m].
    """

    name: str
    plane: Plane
    parts_m: tuple[Floats, ...]

    @property
    def area_m2(self) -> float:
        """Area that air touches [m2]."""
        return sum(map(area_of, self.parts_m))

    @property
    def bounds_m(self) -> tuple[float, float, float, float]:
        """Least and greatest u, then v [m]."""
        corners = np.concatenate(self.parts_m)
        (u0, v0), (u1, v1) = corners.min(axis=0), corners.max(axis=0)
        return float(u0), float(u1), float(v0), float(v1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Edge:
    """A straight edge where two faces meet.

    Parameters
    ----------
    start_m, end_m : (3,) [m].
    angle : in the air between the faces [rad]; above pi at an inward corner.
    into : (2, 3) unit vectors from the edge into each of the two faces, square to the edge.
    """

    start_m: Floats
    end_m: Floats
    angle: float
    into: Floats

    @property
    def length_m(self) -> float:
        """Length [m]."""
        return float(np.linalg.norm(self.end_m - self.start_m))


def axis_plane(axis: int, side: int, at_m: float) -> Plane:
    """The plane of a face whose normal is an axis; the air lies below it on side 1, above it on side 0."""
    unit = np.eye(3)
    first, second = PLANE_AXES[axis]
    normal = unit[axis] * (1.0 if side else -1.0)
    return Plane(origin_m=unit[axis] * at_m, along=unit[first], up=unit[second], normal=normal)


def slope_plane(slope: Slope) -> Plane:
    """The plane of a slope; the air lies below it."""
    run, fall = slope.to_m[0] - slope.from_m[0], slope.to_m[1] - slope.from_m[1]
    unit = np.eye(3)
    up = (run * unit[slope.axis] + fall * unit[2]) / slope.length_m
    normal = (-fall * unit[slope.axis] + run * unit[2]) / slope.length_m
    origin = slope.from_m[0] * unit[slope.axis] + slope.from_m[1] * unit[2]
    return Plane(origin_m=origin, along=unit[1 - slope.axis], up=up, normal=normal * np.sign(run))


def cell_faces(grid: Grid, blocks: Sequence[Block], slopes: Sequence[Slope]) -> tuple[CellFace, ...]:
    """All faces of the cells that bound the air, axis by axis, then those on slopes."""
    found = []
    for axis in range(3):
        for side in (0, 1):
            for cell in grid.cell_faces(axis, side):
                corner = _corners(grid, cell, axis, side)
                at = float(grid.planes[axis][cell[axis] + side])
                name = _owner(grid, blocks, slopes, axis, side, corner.mean(axis=0))
                plane = axis_plane(axis, side, at)
                found.append(_face(name, plane, cell, axis, side, corner))
    for axis in (0, 1):
        for cell in np.argwhere(grid.air & (grid.lean[axis] != 0)):
            side = 1 if grid.lean[axis][tuple(cell)] < 0 else 0
            corner = _corners(grid, cell, axis, side)
            middle = float(corner.mean(axis=0)[axis])
            over = [s for s in slopes if s.axis == axis and s.span_m[0] < middle < s.span_m[1]]
            slope = min(over, key=lambda s: s.height_m(middle))
            found.append(_face(slope.name, slope_plane(slope), cell, axis, side, corner))
    return tuple(found)


def _face(name: str, plane: Plane, cell: Index, axis: int, side: int, corner: Floats) -> CellFace:
    i, j, k = (int(index) for index in cell)
    return CellFace(name=name, plane=plane, cell=(i, j, k), axis=axis, side=side, corner_m=corner)


def _corners(grid: Grid, cell: Index, axis: int, side: int) -> Floats:
    """The corners of one face of a cell in turn, those that are one taken once: (3 or 4, 3) [m]."""
    turns = []
    for first, second in ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)):
        local = np.empty(3)
        local[axis] = side
        local[list(PLANE_AXES[axis])] = first, second
        turns.append(placed(grid, cell, local[None])[0])
    kept = [turn for turn, last in zip(turns, (turns[-1], *turns[:-1]), strict=True) if np.abs(turn - last).max() > 0.0]
    return np.array(kept)


def placed(grid: Grid, cell: Index, local: Floats) -> Floats:
    """Points of a cell at its own coordinates, 0 to 1 along each axis: (..., 3) -> (..., 3) [m].

    In a cell that a slope cuts, those along x and y shrink to the tip as the third goes from 0 to 1.
    """
    low, high = grid.corners(cell)
    point = low + (high - low) * local
    for axis, lean in enumerate(grid.leans(cell)):
        left = 1.0 - local[..., 2]
        if lean < 0:
            point[..., axis] = low[axis] + (high - low)[axis] * local[..., axis] * left
        elif lean > 0:
            point[..., axis] = high[axis] - (high - low)[axis] * (1.0 - local[..., axis]) * left
    return point


def _owner(grid: Grid, blocks: Sequence[Block], slopes: Sequence[Slope], axis: int, side: int, middle: Floats) -> str:
    """Which wall, block's face or slope's end a face belongs to, by what lies behind its middle."""
    behind = middle.copy()
    behind[axis] += BEHIND_M if side else -BEHIND_M
    if not 0.0 < behind[axis] < grid.planes[axis][-1]:
        return WALL_NAMES[axis][side]
    for block in reversed(blocks):
        if all(low < value < high for low, value, high in zip(block.low_m, behind, block.high_m, strict=True)):
            return block.face_name(axis, 1 - side)
    under = [s for s in slopes if s.span_m[0] < behind[s.axis] < s.span_m[1]]
    return min(under, key=lambda s: s.height_m(float(behind[s.axis]))).step_name


def joined_faces(faces: Sequence[CellFace]) -> tuple[Face, ...]:
    """The cells' faces joined: those of one name in one plane together, their rectangles as large as they go."""
    groups: list[list[CellFace]] = []
    for face in faces:
        for group in groups:
            if group[0].name == face.name and group[0].plane.same_as(face.plane):
                group.append(face)
                break
        else:
            groups.append([face])
    return tuple(Face(name=g[0].name, plane=g[0].plane, parts_m=_joined([f.polygon_m for f in g])) for g in groups)


def _joined(polygons: Sequence[Floats]) -> tuple[Floats, ...]:
    """Rectangles joined, first along u, then along v, and the triangles as they are."""
    boxes = [(p[:, 0].min(), p[:, 0].max(), p[:, 1].min(), p[:, 1].max()) for p in polygons if is_rectangle(p)]
    for along, across in ((0, 2), (2, 0)):
        boxes.sort(key=lambda b: (round(b[across], 6), round(b[across + 1], 6), b[along]))
        merged: list[tuple[float, ...]] = []
        for box in boxes:
            last = merged[-1] if merged else None
            if last and np.allclose(
                (last[across], last[across + 1], last[along + 1]), (box[across], box[across + 1], box[along]), atol=1e-9
            ):
                grown = list(last)
                grown[along + 1] = box[along + 1]
                merged[-1] = tuple(grown)
            else:
                merged.append(tuple(map(float, box)))
        boxes = [(b[0], b[1], b[2], b[3]) for b in merged]
    return (*(rectangle((a, c), (b, d)) for a, b, c, d in boxes), *(p for p in polygons if not is_rectangle(p)))


def edges_of(faces: Sequence[CellFace]) -> tuple[Edge, ...]:
    """All edges between faces of different planes; a long edge comes in the pieces that the cells cut it into."""
    sides: dict[tuple[Triple, Triple], list[tuple[CellFace, Floats]]] = {}
    for face in faces:
        for start, end in zip(face.corner_m, np.roll(face.corner_m, -1, axis=0), strict=True):
            a, b = sorted((_key(start), _key(end)))
            sides.setdefault((a, b), []).append((face, np.array([start, end])))
    found = []
    for meeting in sides.values():
        if len(meeting) != 2:  # four faces: two bodies of air that touch along a line
            continue
        (one, line), (other, _) = meeting
        if one.plane.same_as(other.plane):
            continue
        direction = (line[1] - line[0]) / np.linalg.norm(line[1] - line[0])
        into = np.array([_into(face, line[0], direction) for face in (one, other)])
        between = float(np.arccos(np.clip(into[0] @ into[1], -1.0, 1.0)))
        inward = float(into[1] @ one.plane.normal) > 0.0
        angle = 2.0 * pi - between if inward else between
        found.append(Edge(start_m=line[0], end_m=line[1], angle=angle, into=into))
    return tuple(found)


def _key(point: Floats) -> Triple:
    x, y, z = (round(float(value), 6) + 0.0 for value in point)
    return (x, y, z)


def _into(face: CellFace, start: Floats, direction: Floats) -> Floats:
    """Unit vector from an edge into a face, square to the edge."""
    away = face.corner_m.mean(axis=0) - start
    away = away - (away @ direction) * direction
    return np.asarray(away / np.linalg.norm(away))
