"""Short orthonormal bases on parts of faces: polynomials on any convex polygon, sine products on rectangles.

They say how a wall reacts: each is one boundary mode. Everything here is integrated by quadrature, so that a part may
have any outline; `acoustics.wall_bases` has the closed integrals of a box's rectangles.
"""

from dataclasses import dataclass
from functools import lru_cache
from math import ceil, pi

import numpy as np
from numpy.polynomial import legendre

from roommodes.arrays import Floats
from roommodes.elements.mesh import Mesh
from roommodes.elements.reference import gauss
from roommodes.elements.traces import face_rule, load
from roommodes.shapes.faces import Plane
from roommodes.shapes.polygons import is_rectangle, on_polygon
from roommodes.shapes.solids import Pair

DEPENDENT = 1e-9  # a polynomial of which less is left after the others is dropped
POINTS_PER_WAVE = 3.0  # of a rule, beyond those for smooth functions, for each half wave of a basis along it


@dataclass(frozen=True, slots=True, kw_only=True)
class FaceBasis:
    """The boundary modes of one part of a face.

    Parameters
    ----------
    face : name of the face.
    outline_m : corners of a convex polygon in the face's plane, in turn [m].
    degrees : (first, second) Legendre degrees on the rectangle around it, or numbers of half waves of sines, which need
        a rectangle; one pair for each mode.
    sines : which of the two.
    at_m : the plane's distance from the origin along its normal, which tells planes of one name apart [m].
    normal_axis : of the face: 0, 1 or 2; -1 on a slope.
    seams : planes at which the elements must end, as in `shapes.shape`: the edges of a strong surface.
    """

    face: str
    outline_m: tuple[Pair, ...]
    degrees: tuple[tuple[int, int], ...]
    sines: bool = False
    at_m: float = 0.0
    normal_axis: int = -1
    seams: tuple[tuple[int, float], ...] = ()

    @property
    def size(self) -> int:
        """How many boundary modes."""
        return len(self.degrees) if self.sines or self._whole else len(_mixture(self))

    @property
    def polygon_m(self) -> Floats:
        """Its corners: (n, 2) [m]."""
        return np.array(self.outline_m)

    @property
    def _whole(self) -> bool:
        return is_rectangle(self.polygon_m)

    def lies_in(self, name: str, plane: Plane) -> bool:
        """Whether a face of this name and plane is the one that it lies on."""
        return name == self.face and abs(offset_m(plane) - self.at_m) < 1e-6

    def values(self, flat_m: Floats) -> Floats:
        """The modes at points of the plane: (n, 2) -> (n, size) [1/m]."""
        table = _products(self, flat_m)
        return table if self.sines or self._whole else table @ _mixture(self).T


def offset_m(plane: Plane) -> float:
    """Distance of a plane from the origin along its normal [m]."""
    return float(plane.origin_m @ plane.normal)


def _products(basis: FaceBasis, flat_m: Floats) -> Floats:
    """The products before they are made orthonormal on the polygon: (n, 2) -> (n, degree pair)."""
    polygon = basis.polygon_m
    low, side = polygon.min(axis=0), np.ptp(polygon, axis=0)
    at = (flat_m - low) / side
    pairs = np.array(basis.degrees)
    tables = []
    for axis in (0, 1):
        if basis.sines:
            wave = np.sin(pi * np.arange(pairs[:, axis].max() + 1) * at[:, axis, None])
            tables.append(np.sqrt(2.0 / side[axis]) * wave)
        else:
            degree = np.arange(pairs[:, axis].max() + 1)
            values = legendre.legvander(2.0 * at[:, axis] - 1.0, int(degree[-1]))
            tables.append(values * np.sqrt((2 * degree + 1) / side[axis]))
    return np.asarray(tables[0][:, pairs[:, 0]] * tables[1][:, pairs[:, 1]])


@lru_cache(maxsize=256)
def _mixture(basis: FaceBasis) -> Floats:
    """What makes products orthonormal on a polygon that is no rectangle: (size, degree pair)."""
    count = 2 + max(max(pair) for pair in basis.degrees)
    point, weight = on_polygon(basis.polygon_m, *gauss(count))
    table = _products(basis, point)
    strength, mixture = np.linalg.eigh((table.T * weight) @ table)
    kept = strength > DEPENDENT * strength[-1]
    result = np.asarray((mixture[:, kept] / np.sqrt(strength[kept])).T)
    result.setflags(write=False)
    return result


def loads_of(mesh: Mesh, basis: FaceBasis) -> Floats:
    """Integrals of the boundary modes times the mesh's functions: (size of the mesh, size) [m]."""
    polygon = basis.polygon_m
    sides = np.ptp(polygon, axis=0)
    waves = np.array(basis.degrees).max(axis=0)
    rules = []
    for face in mesh.faces:
        if not basis.lies_in(face.name, face.plane):
            continue
        share = (np.ptp(face.polygon_m, axis=0) / sides * waves).max() if basis.sines else waves.max() / 2.0
        more = ceil(share / 2.0 + POINTS_PER_WAVE)
        rule = face_rule(mesh.cell_at(face.cell), face, within_m=polygon, more=more)
        if rule is not None:
            rules.append(rule)
    return load(mesh, rules, lambda rule: basis.values(rule.flat_m), basis.size)
