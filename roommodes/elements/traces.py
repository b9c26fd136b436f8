"""The basis functions on the faces that bound the air, and anywhere inside: tables, quadrature, loads.

A load is the integral of a function over faces times each basis function; its answer is what the rigid room does
with that flux through its walls.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from roommodes.arrays import Floats
from roommodes.elements import reference
from roommodes.elements.mesh import Cell, Indices, Mesh
from roommodes.elements.wedge_matrices import wedge_functions
from roommodes.elements.wedges import Wedge, graded
from roommodes.shapes.faces import PLANE_AXES, CellFace, Plane
from roommodes.shapes.polygons import common_part, is_rectangle, on_polygon, rectangle
from roommodes.shapes.shape import locate

if TYPE_CHECKING:
    from scipy.sparse import csr_array

MORE_POINTS = 3  # of a rule on a face, beyond the elements' degree


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FaceRule:
    """Quadrature on the face of one cell.

    Parameters
    ----------
    face : whose.
    flat_m, weight_m2 : (n, 2), (n,) points in its plane and their weights.
    """

    face: CellFace
    flat_m: Floats
    weight_m2: Floats

    @property
    def point_m(self) -> Floats:
        """The points in the room: (n, 3) [m]."""
        return self.face.plane.place(self.flat_m)


def values_at(mesh: Mesh, point_m: Floats) -> "csr_array":
    """All basis functions at points of the air: (n, 3) -> (n, size).

    Raises
    ------
    ValueError : for a point outside the air.
    """
    from scipy.sparse import csr_array  # noqa: PLC0415 (a tenth of a second that plain boxes need not pay)

    where = locate(mesh.grid, point_m)
    if (where[:, 0] < 0).any():
        raise ValueError(f"point {point_m[np.argmin(where[:, 0])]} m is not in the room's air")
    rows, columns, values = [], [], []
    for index in np.unique(where, axis=0):
        chosen = np.flatnonzero((where == index).all(axis=1))
        cell = mesh.cell_at((int(index[0]), int(index[1]), int(index[2])))
        table = cell_values(cell, point_m[chosen])
        number = cell.unknowns
        rows.append(np.repeat(chosen, len(number)))
        columns.append(np.tile(number, len(chosen)))
        values.append(table.ravel())
    if not rows:
        return csr_array((0, mesh.size))
    where_to = (np.concatenate(rows), np.concatenate(columns))
    return csr_array((np.concatenate(values), where_to), (len(point_m), mesh.size))


def cell_values(cell: Cell, point_m: Floats) -> Floats:
    """A cell's functions at its points: (n, 3) -> (n, unknown)."""
    local = cell.local(point_m)
    x, y, z = (reference.values(p, local[:, axis]) for axis, p in enumerate(cell.degree))
    table = (x[:, :, None, None] * y[:, None, :, None] * z[:, None, None, :]).reshape(len(point_m), -1)
    if not cell.wedges:
        return np.asarray(table)
    return np.concatenate([table, wedge_functions(cell, point_m)[0]], axis=1)


def face_values(cell: Cell, rule: FaceRule) -> tuple[Indices, Floats]:
    """The functions that reach a face, at the points of a rule: their numbers, and (n, function)."""
    face = rule.face
    first, second = PLANE_AXES[face.axis]
    point = rule.point_m
    local = cell.local(point)
    u, v = (reference.values(cell.degree[axis], local[:, axis]) for axis in (first, second))
    number = np.take(cell.node, -1 if face.side else 0, axis=face.axis).ravel()
    table = (u[:, :, None] * v[:, None, :]).reshape(len(point), -1)
    if not cell.wedges:
        return number, np.asarray(table)
    more = np.concatenate([part[part >= 0] for _, part in cell.wedges])
    return np.concatenate([number, more]), np.concatenate([table, wedge_functions(cell, point)[0]], axis=1)


def face_rule(
    cell: Cell,
    face: CellFace,
    *,
    within_m: Floats | None = None,
    cuts_m: tuple[Sequence[float], Sequence[float]] = ((), ()),
    more: int = 0,
) -> FaceRule | None:
    """A rule on a face, or on what lies inside a convex polygon.

    Parameters
    ----------
    cell, face : the element and its face.
    within_m : the polygon, in the face's plane (n, 2); None for the whole face.
    cuts_m : further places along u and along v at which the rule is cut.
    more : points beyond those for smooth functions.

    Returns
    -------
    None where polygon and face have nothing in common.
    """
    polygon = face.polygon_m if within_m is None else common_part(face.polygon_m, within_m)
    if polygon is None:
        return None
    count = max(cell.degree) + MORE_POINTS + more
    low, high = polygon.min(axis=0), polygon.max(axis=0)
    breaks = []
    for axis in (0, 1):
        towards = [(place, 0.0) for place in cuts_m[axis]]
        towards += [(place[axis], reach) for wedge, _ in cell.wedges for place, reach in [_meets(face.plane, wedge)]]
        breaks.append(graded(float(low[axis]), float(high[axis]), towards))
    points, weights = [], []
    upright = is_rectangle(polygon)
    for a, b in zip(breaks[0][:-1], breaks[0][1:], strict=True):
        for c, d in zip(breaks[1][:-1], breaks[1][1:], strict=True):
            part = rectangle((a, c), (b, d))
            shared = part if upright else common_part(polygon, part)
            if shared is None:
                continue
            if upright or is_rectangle(shared):
                place, weight = _on_rectangle(shared.min(axis=0), np.ptp(shared, axis=0), count)
            else:
                place, weight = on_polygon(shared, *reference.gauss(count))
            points.append(place)
            weights.append(weight)
    return FaceRule(face=face, flat_m=np.concatenate(points), weight_m2=np.concatenate(weights))


def _meets(plane: Plane, wedge: Wedge) -> tuple[Floats, float]:
    """Where a wedge's line comes nearest to a plane, in its u and v, and how far its functions reach [m]."""
    unit = np.eye(3)[wedge.axis]
    start = np.zeros(3)
    start[list(PLANE_AXES[wedge.axis])] = wedge.at_m
    across = float(unit @ plane.normal)
    if abs(across) > 1e-9:
        start = start + plane.distance_m(start) / across * unit
    spread = (wedge.high_m[0] - wedge.low_m[0], wedge.high_m[1] - wedge.low_m[1])
    place = plane.flat(start)
    if abs(across) < 1e-9:  # along the line nothing is singular
        place = np.where([abs(unit @ plane.along) > 0.5, abs(unit @ plane.up) > 0.5], np.inf, place)
    return place, max(spread)


def _on_rectangle(low: Floats, side: Floats, count: int) -> tuple[Floats, Floats]:
    at, weight = reference.gauss(count)
    u, v = np.meshgrid(low[0] + side[0] * at, low[1] + side[1] * at, indexing="ij")
    return np.stack([u.ravel(), v.ravel()], axis=1), (side[0] * side[1] * np.outer(weight, weight)).ravel()


def load(mesh: Mesh, rules: Sequence[FaceRule], functions: Callable[[FaceRule], Floats], columns: int) -> Floats:
    """Integrals over the rules of functions times each basis function: (size, columns).

    Parameters
    ----------
    functions : a rule's (n, columns) values.
    """
    result = np.zeros((mesh.size, columns))
    for rule in rules:
        number, table = face_values(mesh.cell_at(rule.face.cell), rule)
        np.add.at(result, number, table.T @ (rule.weight_m2[:, None] * functions(rule)))
    return result
