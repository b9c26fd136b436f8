"""Stiffness and mass of all elements, integrated exactly where the functions are polynomials.

| symbol | meaning |
| --- | --- |
| a, b, c | a cell's own coordinates, 0 to 1 |
| x = x(a, c), y = y(b, c), z = z(c) | the room's, see `mesh` |
| J | the determinant of their derivatives |
"""

from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from roommodes.arrays import Floats
from roommodes.elements import reference
from roommodes.elements.mesh import Cell, Mesh
from roommodes.elements.wedge_matrices import inverse_of, leaning_wedges, upright_wedges
from roommodes.shapes.solids import Triple

if TYPE_CHECKING:
    from scipy.sparse import csc_array


class Matrices:
    """Stiffness and mass of a mesh, put together when they are first asked for."""

    def __init__(self, mesh: Mesh) -> None:
        self.mesh = mesh

    @cached_property
    def both(self) -> "tuple[csc_array, csc_array]":
        """As `stiffness_and_mass`."""
        return stiffness_and_mass(self.mesh)


def stiffness_and_mass(mesh: Mesh) -> "tuple[csc_array, csc_array]":
    """Integrals of grad phi . grad phi [m] and of phi phi [m3]: (size, size) each, symmetric."""
    from scipy.sparse import coo_array, csc_array  # noqa: PLC0415 (a tenth of a second that plain boxes need not pay)

    rows, columns, stiff, heavy = [], [], [], []
    for cell in mesh.cells:
        k, m = cell_matrices(cell)
        number = cell.unknowns
        rows.append(np.repeat(number, len(number)))
        columns.append(np.tile(number, len(number)))
        stiff.append(k.ravel())
        heavy.append(m.ravel())
    where = (np.concatenate(rows), np.concatenate(columns))
    shape = (mesh.size, mesh.size)
    matrices = [csc_array(coo_array((np.concatenate(part), where), shape)) for part in (stiff, heavy)]
    for matrix in matrices:
        matrix.eliminate_zeros()
    return matrices[0], matrices[1]


def cell_matrices(cell: Cell, by_axis: Triple = (1.0, 1.0, 1.0)) -> tuple[Floats, Floats]:
    """One cell's stiffness and mass over its `unknowns`.

    The stiffness is a sum over x, y and z, weighted by `by_axis`.
    """
    stiff, heavy = _leaning(cell, by_axis) if any(cell.lean) else _upright(cell, by_axis)
    if not cell.wedges:
        return stiff, heavy
    mixed_k, mixed_m, own_k, own_m = (leaning_wedges if any(cell.lean) else upright_wedges)(cell, by_axis)
    return (
        np.block([[stiff, mixed_k], [mixed_k.T, own_k]]),
        np.block([[heavy, mixed_m], [mixed_m.T, own_m]]),
    )


def _upright(cell: Cell, by_axis: Triple) -> tuple[Floats, Floats]:
    side = cell.high_m - cell.low_m
    m = [h * reference.mass(p) for h, p in zip(side, cell.degree, strict=True)]
    k = [by * reference.stiffness(p) / h for by, h, p in zip(by_axis, side, cell.degree, strict=True)]

    def product(x: Floats, y: Floats, z: Floats) -> Floats:
        return np.kron(np.kron(x, y), z)

    stiff = product(k[0], m[1], m[2]) + product(m[0], k[1], m[2]) + product(m[0], m[1], k[2])
    return stiff, product(m[0], m[1], m[2])


def _leaning(cell: Cell, by_axis: Triple) -> tuple[Floats, Floats]:
    rules = [reference.gauss(p + 2) for p in cell.degree]
    local = np.stack(np.meshgrid(*(rule[0] for rule in rules), indexing="ij"), axis=-1)
    weight = rules[0][1][:, None, None] * rules[1][1][None, :, None] * rules[2][1][None, None, :]
    x, y, z = (reference.values(p, rule[0]) for p, rule in zip(cell.degree, rules, strict=True))
    dx, dy, dz = (reference.slopes(p, rule[0]) for p, rule in zip(cell.degree, rules, strict=True))
    n = weight.size
    value = np.einsum("ai,bj,ck->abcijk", x, y, z).reshape(n, -1)
    own = [np.einsum("ai,bj,ck->abcijk", *tables).reshape(n, -1) for tables in ((dx, y, z), (x, dy, z), (x, y, dz))]
    inverse, jacobian = inverse_of(cell, local)
    factor = (weight * jacobian).reshape(n, 1)
    inverse = inverse.reshape(n, 3, 3)
    stiff = np.zeros((value.shape[1], value.shape[1]))
    for axis in range(3):
        slope = sum(inverse[:, axis, i, None] * own[i] for i in range(3))
        stiff += by_axis[axis] * (slope.T @ (factor * slope))
    return stiff, value.T @ (factor * value)
