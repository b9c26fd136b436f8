"""Stiffness and mass of the wedges' functions, with the polynomials of their cells and among themselves.

In an upright cell everything is a product: a wedge's function is one of the two axes across its edge times a
polynomial along it. In a cell that a slope cuts it is not, and all three axes are integrated together.

| symbol | meaning |
| --- | --- |
| a, b, c | a cell's own coordinates, 0 to 1 |
| x = x(a, c), y = y(b, c), z = z(c) | the room's, see `mesh` |
| J | the determinant of their derivatives |
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Floats
from roommodes.elements import reference
from roommodes.elements.mesh import Cell, Indices
from roommodes.elements.wedges import Wedge, graded
from roommodes.shapes.faces import PLANE_AXES
from roommodes.shapes.solids import Triple

MORE_POINTS = 3  # of a rule, beyond the elements' degree

Blocks = tuple[Floats, Floats, Floats, Floats]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Tables:
    """Values and slopes of a cell's polynomials along one axis, at the points of a rule there."""

    at: Floats  # (n,) from 0 to 1
    weight: Floats  # (n,) [m]
    value: Floats  # (n, p + 1)
    slope: Floats  # (n, p + 1) [1/m]


def _tables(cell: Cell, axis: int, towards: Sequence[Wedge] = ()) -> _Tables:
    """Along one axis, the rule graded towards the edges given that lie across it."""
    low, side = float(cell.low_m[axis]), float(cell.high_m[axis] - cell.low_m[axis])
    places = []
    for wedge in towards:
        if wedge.axis != axis:
            i = PLANE_AXES[wedge.axis].index(axis)
            reach = max(wedge.high_m[i] - wedge.at_m[i], wedge.at_m[i] - wedge.low_m[i])
            places.append(((wedge.at_m[i] - low) / side, reach / side))
    at, weight = reference.composite(cell.degree[axis] + MORE_POINTS, graded(0.0, 1.0, places))
    degree = cell.degree[axis]
    return _Tables(
        at=at, weight=weight * side, value=reference.values(degree, at), slope=reference.slopes(degree, at) / side
    )


def upright_wedges(cell: Cell, by_axis: Triple) -> Blocks:
    """Stiffness and mass: polynomials with the wedges' functions, (cell's, functions), and these among themselves.

    Stiffnesses are sums over x, y and z, weighted by `by_axis`.
    """
    mixed = [_with_polynomials(cell, wedge, number, by_axis) for wedge, number in cell.wedges]
    own = [[_pair(cell, one, other, by_axis) for other in cell.wedges] for one in cell.wedges]
    own_k, own_m = (np.block([[entry[i] for entry in row] for row in own]) for i in (0, 1))
    return np.concatenate([k for k, _ in mixed], axis=1), np.concatenate([m for _, m in mixed], axis=1), own_k, own_m


def _across(cell: Cell, wedge: Wedge, first: _Tables, second: _Tables) -> tuple[Floats, Floats, Floats]:
    """The function and its two slopes across the edge, on a grid of points: (n_first, n_second) each."""
    axes = PLANE_AXES[wedge.axis]
    point = np.zeros((len(first.at), len(second.at), 3))
    for axis, at in zip(axes, (first.at[:, None], second.at[None, :]), strict=True):
        point[..., axis] = cell.low_m[axis] + (cell.high_m[axis] - cell.low_m[axis]) * at
    value, gradient = wedge.function(point)
    return value, gradient[..., axes[0]], gradient[..., axes[1]]


def _with_polynomials(cell: Cell, wedge: Wedge, number: Indices, by_axis: Triple) -> tuple[Floats, Floats]:
    """Stiffness and mass of all polynomials with one wedge's functions: (cell's, functions) each."""
    first, second = (_tables(cell, axis, [wedge]) for axis in PLANE_AXES[wedge.axis])
    value, slope_a, slope_b = _across(cell, wedge, first, second)
    u, du = first.weight[:, None] * first.value, first.weight[:, None] * first.slope
    v, dv = second.weight[:, None] * second.value, second.weight[:, None] * second.slope
    plain = u.T @ value @ v  # (p + 1, q + 1)
    by_a, by_b = (by_axis[axis] for axis in PLANE_AXES[wedge.axis])
    steep = by_a * (du.T @ slope_a @ v) + by_b * (u.T @ slope_b @ dv)
    mass_along, stiffness_along = _along(cell, wedge, number)
    stiffness_along = by_axis[wedge.axis] * stiffness_along
    order = "abce" if wedge.axis == 2 else ("acbe" if wedge.axis == 1 else "cabe")

    def product(plane: Floats, line: Floats) -> Floats:
        return np.asarray(np.einsum(f"ab,ce->{order}", plane, line).reshape(-1, line.shape[1]))

    return product(steep, mass_along) + product(plain, stiffness_along), product(plain, mass_along)


def _along(cell: Cell, wedge: Wedge, number: Indices) -> tuple[Floats, Floats]:
    """Mass and stiffness of the axis along a wedge: polynomials with those that carry its functions."""
    axis = wedge.axis
    side = float(cell.high_m[axis] - cell.low_m[axis])
    kept = number >= 0
    degree = cell.degree[axis]
    return side * reference.mass(degree)[:, kept], reference.stiffness(degree)[:, kept] / side


def _pair(
    cell: Cell, one: tuple[Wedge, Indices], other: tuple[Wedge, Indices], by_axis: Triple
) -> tuple[Floats, Floats]:
    """Stiffness and mass of one wedge's functions with another's."""
    (w, number_w), (v, number_v) = one, other
    kept_w, kept_v = number_w >= 0, number_v >= 0
    if w.axis == v.axis:
        first, second = (_tables(cell, axis, [w, v]) for axis in PLANE_AXES[w.axis])
        weight = first.weight[:, None] * second.weight
        here, there = _across(cell, w, first, second), _across(cell, v, first, second)
        mass_along, stiffness_along = (part[kept_w] for part in _along(cell, v, number_v))
        plain = float((weight * here[0] * there[0]).sum())
        by_a, by_b = (by_axis[axis] for axis in PLANE_AXES[w.axis])
        steep = float((weight * (by_a * here[1] * there[1] + by_b * here[2] * there[2])).sum())
        return steep * mass_along + by_axis[w.axis] * plain * stiffness_along, plain * mass_along
    shared = 3 - w.axis - v.axis
    towards = {shared: [w, v], v.axis: [w], w.axis: [v]}
    tables = {axis: _tables(cell, axis, wedges) for axis, wedges in towards.items()}
    # each function against the polynomials that carry the other, at every point of the shared axis
    f = _against(cell, w, v.axis, tables, kept_v)
    g = _against(cell, v, w.axis, tables, kept_w)
    weight = tables[shared].weight[:, None]
    mass = (weight * g.plain).T @ f.plain
    stiff = by_axis[shared] * ((weight * g.steep).T @ f.steep)
    stiff += by_axis[v.axis] * ((weight * g.plain).T @ f.both) + by_axis[w.axis] * ((weight * g.both).T @ f.plain)
    return stiff, mass


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Against:
    """A wedge's function integrated over one axis with polynomials along it: (n_shared, function) each."""

    plain: Floats
    steep: Floats  # its slope along the shared axis
    both: Floats  # both slopes along the axis integrated over


def _against(cell: Cell, wedge: Wedge, across: int, tables: dict[int, _Tables], kept: NDArray[np.bool_]) -> _Against:
    """Integrals over one axis across a wedge, of its function with the other wedge's polynomials along it."""
    axes = PLANE_AXES[wedge.axis]
    value, slope_a, slope_b = _across(cell, wedge, tables[axes[0]], tables[axes[1]])
    if axes[0] == across:
        value, slope_a, slope_b = value.T, slope_b.T, slope_a.T  # the shared axis first
    table = tables[across]
    carried, slope = table.weight[:, None] * table.value[:, kept], table.weight[:, None] * table.slope[:, kept]
    return _Against(plain=value @ carried, steep=slope_a @ carried, both=slope_b @ slope)


def leaning_wedges(cell: Cell, by_axis: Triple) -> Blocks:
    """As `upright_wedges`, in a cell that a slope cuts."""
    rules = [(t.at, t.weight / (h - low)) for t, h, low in _leaning_tables(cell)]
    local = np.stack(np.meshgrid(*(rule[0] for rule in rules), indexing="ij"), axis=-1)
    weight = rules[0][1][:, None, None] * rules[1][1][None, :, None] * rules[2][1][None, None, :]
    inverse, jacobian = inverse_of(cell, local)
    factor = weight * jacobian
    value, gradient = wedge_functions(cell, cell.placed(local))
    pull = factor[..., None, None] * gradient * np.array(by_axis)[:, None]  # (a, b, c, 3, function)
    own_k = np.einsum("abcxe,abcxf->ef", gradient, pull, optimize=True)
    own_m = np.einsum("abce,abc,abcf->ef", value, factor, value, optimize=True)
    turned = np.einsum("abcxi,abcxe->abcie", inverse, pull, optimize=True)
    tables = [reference.values(p, rule[0]) for p, rule in zip(cell.degree, rules, strict=True)]
    slopes = [reference.slopes(p, rule[0]) for p, rule in zip(cell.degree, rules, strict=True)]

    def against(field: Floats, x: Floats, y: Floats, z: Floats) -> Floats:
        whole = np.einsum("abce,ai,bj,ck->ijke", field, x, y, z, optimize=True)
        return np.asarray(whole.reshape(-1, field.shape[-1]))

    mixed_m = against(factor[..., None] * value, *tables)
    mixed_k = sum(
        against(turned[..., axis, :], *(slopes[i] if i == axis else tables[i] for i in range(3))) for axis in range(3)
    )
    return np.asarray(mixed_k), mixed_m, own_k, own_m


def _leaning_tables(cell: Cell) -> list[tuple[_Tables, float, float]]:
    wedges = [wedge for wedge, _ in cell.wedges]
    return [(_tables(cell, axis, wedges), float(cell.high_m[axis]), float(cell.low_m[axis])) for axis in range(3)]


def wedge_functions(cell: Cell, point_m: Floats) -> tuple[Floats, Floats]:
    """The wedges' functions in a cell and their gradients: (..., 3) -> (..., function), (..., 3, function)."""
    values, gradients = [], []
    for wedge, number in cell.wedges:
        axis = wedge.axis
        side = float(cell.high_m[axis] - cell.low_m[axis])
        along = np.clip((point_m[..., axis] - cell.low_m[axis]) / side, 0.0, 1.0)
        kept = number >= 0
        flat = along.ravel()
        table = reference.values(cell.degree[axis], flat)[:, kept].reshape(*along.shape, -1)
        slope = reference.slopes(cell.degree[axis], flat)[:, kept].reshape(*along.shape, -1) / side
        value, gradient = wedge.function(point_m)
        values.append(value[..., None] * table)
        whole = gradient[..., None] * table[..., None, :]
        whole[..., axis, :] += value[..., None] * slope
        gradients.append(whole)
    return np.concatenate(values, axis=-1), np.concatenate(gradients, axis=-1)


def inverse_of(cell: Cell, local: Floats) -> tuple[Floats, Floats]:
    """d(a, b, c) / d(x, y, z) as [..., room axis, own axis], and J: (..., 3) -> (..., 3, 3), (...)."""
    side = cell.high_m - cell.low_m
    left = 1.0 - local[..., 2]
    inverse = np.zeros((*local.shape, 3))
    inverse[..., 2, 2] = 1.0 / side[2]
    jacobian = np.full(local.shape[:-1], side[2])
    for axis in (0, 1):
        stretch, drift = np.full(local.shape[:-1], side[axis]), np.zeros(local.shape[:-1])
        lean = cell.lean[axis] if axis < 2 else 0
        if lean:
            stretch = side[axis] * left
            drift = -side[axis] * (local[..., axis] if lean < 0 else local[..., axis] - 1.0)
        inverse[..., axis, axis] = 1.0 / stretch
        inverse[..., 2, axis] = -drift / (stretch * side[2])
        jacobian = jacobian * stretch
    return inverse, jacobian
