"""Point sources at imaginary wavenumbers: e^(-kappa r) / (4 pi r) and images taken out, the smooth rest by elements.

    G = S + w,   S = sum over images of e^(-kappa r) / (4 pi r),   dw/dn = -dS/dn on all faces

Images lie behind up to three faces that are square to each other and near, so that S has no flux through these; they
are left out where an image would fall into the air. So a source may stand on a wall, in a corner, and beside a seat.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import pi
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Floats
from roommodes.elements.mesh import Mesh
from roommodes.elements.traces import FaceRule, face_rule, face_values
from roommodes.shapes.faces import CellFace, Face, Plane
from roommodes.shapes.shape import Shape

if TYPE_CHECKING:
    from scipy.sparse import csr_array

ON_FACE_M = 1e-5
IMAGE_REACH_M = 2.0  # images behind faces that are no further away
NEAR = 0.8  # a face is near a source within so many of its own lengths
SPREAD = 3.0  # growth of the cuts of a rule away from the foot of a near source
NUDGE_M = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Images:
    """A source with its images.

    Parameters
    ----------
    point_m : (n_image, 3), the source first [m].
    planes : in which S has no flux.
    """

    point_m: Floats
    planes: tuple[Plane, ...]

    def field(self, kappa: float, point_m: Floats) -> Floats:
        """S at points: (n, 3) -> (n,) [1/m]."""
        r = np.linalg.norm(point_m[:, None] - self.point_m[None], axis=2)
        return np.asarray((np.exp(-kappa * r) / (4.0 * pi * r)).sum(axis=1))

    def flux(self, kappas: Sequence[float], point_m: Floats, normal: Floats) -> Floats:
        """dS/dn at points of faces: (n, 3), (n, 3) -> (n_kappa, n) [1/m2]."""
        total = np.zeros((len(kappas), len(point_m)))
        for image in self.point_m:
            away = point_m - image
            r = np.maximum(np.sqrt(np.einsum("ij,ij->i", away, away)), 1e-12)
            across = np.einsum("ij,ij->i", away, normal) / (4.0 * pi * r**3)
            for index, kappa in enumerate(kappas):
                total[index] -= (kappa * r + 1.0) * np.exp(-kappa * r) * across
        return total

    def silent_on(self, plane: Plane) -> bool:
        """Whether S has no flux through a plane, by symmetry."""
        return any(one.same_as(plane) for one in self.planes)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Boundary:
    """One rule for all faces of a mesh, and the basis functions at its points.

    Parameters
    ----------
    rules : one for each cell's face.
    start : (n_face + 1,) where each face's points begin.
    point_m, normal : (n, 3) each [m].
    loads : (size, n) the basis functions times the weights [m2].
    """

    rules: tuple[FaceRule, ...]
    start: NDArray[np.intp]
    point_m: Floats
    normal: Floats
    loads: "csr_array"


def boundary_of(mesh: Mesh, faces: Sequence[CellFace]) -> Boundary:
    """A rule for smooth functions on all faces."""
    from scipy.sparse import coo_array, csr_array, diags_array  # noqa: PLC0415 (a tenth of a second that plain boxes need not pay)

    rules = [rule for face in faces if (rule := face_rule(mesh.cell_at(face.cell), face)) is not None]
    start = np.cumsum([0, *(len(rule.weight_m2) for rule in rules)])
    rows, columns, values = [], [], []
    for first, rule in zip(start, rules, strict=False):
        number, table = face_values(mesh.cell_at(rule.face.cell), rule)
        rows.append(np.tile(number, len(table)))
        columns.append(np.repeat(first + np.arange(len(table)), len(number)))
        values.append(table.ravel())
    where = (np.concatenate(rows), np.concatenate(columns))
    functions = csr_array(coo_array((np.concatenate(values), where), (mesh.size, int(start[-1]))))
    weight = np.concatenate([rule.weight_m2 for rule in rules])
    return Boundary(
        rules=tuple(rules),
        start=start,
        point_m=np.concatenate([rule.point_m for rule in rules]),
        normal=np.concatenate([np.broadcast_to(rule.face.plane.normal, rule.point_m.shape) for rule in rules]),
        loads=csr_array(functions @ diags_array(weight)),
    )


def off_edges(shape: Shape, point_m: Floats) -> Floats:
    """The point, or one a millimetre into the air where it lies on an inward edge: (3,) -> (3,) [m]."""
    for edge in shape.inward_edges:
        run = (edge.end_m - edge.start_m) / edge.length_m
        share = np.clip((point_m - edge.start_m) @ run, 0.0, edge.length_m)
        if np.linalg.norm(point_m - edge.start_m - share * run) < NUDGE_M:
            outward = -edge.into.sum(axis=0)
            return np.asarray(point_m + NUDGE_M * outward / np.linalg.norm(outward))
    return point_m


def images_of(shape: Shape, source_m: Floats) -> Images:
    """A source with its images behind near faces: (3,) [m]."""
    near: list[tuple[float, Face]] = []
    for face in shape.faces:
        distance = float(face.plane.distance_m(source_m))
        if -ON_FACE_M < distance < IMAGE_REACH_M and _over(face, face.plane.flat(source_m)):
            near.append((max(distance, 0.0), face))
    points, planes = source_m[None], list[Plane]()
    for distance, face in sorted(near, key=lambda one: one[0]):
        if any(abs(face.plane.normal @ plane.normal) > 1e-9 for plane in planes):
            continue
        images = face.plane.mirrored(points)
        if distance > ON_FACE_M and shape.contains(images).any():
            continue
        points = np.concatenate([points, images])
        planes.append(face.plane)
    return Images(point_m=points, planes=tuple(planes))


def _over(face: Face, flat: Floats) -> bool:
    """Whether a point of its plane lies in a face, or on its rim."""
    for part in face.parts_m:
        turned = np.roll(part, -1, axis=0)
        cross = (turned - part)[:, 0] * (flat - part)[:, 1] - (turned - part)[:, 1] * (flat - part)[:, 0]
        if (cross > -1e-9).all() or (cross < 1e-9).all():
            return True
    return False


def flux_loads(mesh: Mesh, boundary: Boundary, sources: Sequence[Images], kappas: Sequence[float]) -> Floats:
    """Loads of -dS/dn for all sources: (n_kappa, size, n_source)."""
    result = np.zeros((len(kappas), mesh.size, len(sources)))
    planes = [rule.face.plane for rule in boundary.rules]
    centre, reach = _sizes(boundary)
    for column, source in enumerate(sources):
        silent = np.array([source.silent_on(plane) for plane in planes])
        gap = np.linalg.norm(centre[:, None] - source.point_m[None], axis=2).min(axis=1) - reach
        near = ~silent & (gap < NEAR * reach)
        kept = np.repeat(~silent & ~near, np.diff(boundary.start))
        flux = np.zeros((len(kappas), len(kept)))
        flux[:, kept] = source.flux(kappas, boundary.point_m[kept], boundary.normal[kept])
        result[:, :, column] -= (boundary.loads @ flux.T).T
        for index in np.flatnonzero(near):
            face = boundary.rules[index].face
            cell = mesh.cell_at(face.cell)
            rule = face_rule(cell, face, cuts_m=_cuts(face, source), more=2)
            assert rule is not None, "the whole face"
            number, table = face_values(cell, rule)
            normal = np.broadcast_to(face.plane.normal, rule.point_m.shape)
            pushed = (rule.weight_m2 * source.flux(kappas, rule.point_m, normal)) @ table
            for i in range(len(kappas)):
                np.subtract.at(result[i, :, column], number, pushed[i])
    return result


def _sizes(boundary: Boundary) -> tuple[Floats, Floats]:
    """Middle and half the longest extent of every face: (n_face, 3), (n_face,) [m]."""
    corners = [rule.face.corner_m for rule in boundary.rules]
    centre = np.array([corner.mean(axis=0) for corner in corners])
    reach = [max(float(np.linalg.norm(a - b)) for a, b in combinations(corner, 2)) / 2.0 for corner in corners]
    return centre, np.array(reach)


def _cuts(face: CellFace, source: Images) -> tuple[list[float], list[float]]:
    """Where a rule is cut for a source near a face: around its foot, wider and wider."""
    cuts: tuple[list[float], list[float]] = ([], [])
    extent = float(np.ptp(face.polygon_m, axis=0).max())
    for image in source.point_m:
        step = max(abs(float(face.plane.distance_m(image))), 1e-3)
        foot = face.plane.flat(image)
        while step < 2.0 * extent:
            for axis in (0, 1):
                cuts[axis].extend((float(foot[axis]) - step, float(foot[axis]), float(foot[axis]) + step))
            step *= SPREAD
    return cuts
