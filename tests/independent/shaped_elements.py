"""The Helmholtz equation in rooms with blocks and a sloping ceiling, by plain spectral elements: a second opinion.

Shares nothing with `roommodes.elements`: one degree for all cells, no functions for inward edges (cells graded
towards them do that work), sloping ceilings by shearing whole columns of cells, walls integrated into the matrix, the
source as a nodal load, one direct factorisation a frequency.

`python -m tests.independent.shaped_elements CASE.json ...` solves the question in a case of format 2 twice, the second
time finer, and writes answer and last change into the file.
"""

import json
import sys
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, pi
from pathlib import Path
from typing import Any

import numpy as np
import scipy.sparse as sp
from numpy.polynomial import legendre
from scipy.sparse.linalg import splu

from roommodes.arrays import Complexes, Floats
from tests.independent.cases import IN_PLANE, admittance

Index = tuple[int, int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fineness:
    """Degree of the elements, their largest size, and the distances of grading planes from inward edges [m]."""

    degree: int = 5
    size_m: float = 1.2
    grading_m: tuple[float, ...] = (0.25, 0.05)


class ShapedRoom:
    """The matrices of a case of format 2; at most one slope, over the whole width of the box."""

    def __init__(self, case: dict[str, Any], fineness: Fineness) -> None:
        self.case, self.degree = case, fineness.degree
        points, self.weights = legendre.leggauss(fineness.degree + 2)
        inner = legendre.Legendre.basis(fineness.degree).deriv().roots().real
        nodes = np.concatenate(([-1.0], np.sort(inner), [1.0]))
        self.cardinal = np.linalg.inv(legendre.legvander(nodes, fineness.degree))
        self.value, self.slope = self.tables(points)
        self.points = points
        self.breaks = [self._breaks(axis, fineness) for axis in range(3)]
        counts = [len(breaks) - 1 for breaks in self.breaks]
        self.air = np.ones(counts, dtype=bool)
        for block in case["blocks"]:
            inside = [
                (0.5 * (b[1:] + b[:-1]) > low) & (0.5 * (b[1:] + b[:-1]) < high)
                for b, low, high in zip(self.breaks, block["from_m"], block["to_m"], strict=True)
            ]
            self.air[np.ix_(*inside)] = False
        grid = np.arange(int(np.prod([fineness.degree * n + 1 for n in counts]))).reshape(
            [fineness.degree * n + 1 for n in counts]
        )
        used = np.unique(np.concatenate([self.numbers(grid, cell).ravel() for cell in self.cells]))
        number = np.full(grid.size, -1)
        number[used] = np.arange(len(used))
        self.grid, self.size = number[grid], len(used)

    def _breaks(self, axis: int, fineness: Fineness) -> Floats:
        length = float(self.case["room_m"][axis])
        edges = {0.0, length}
        for block in self.case["blocks"]:
            edges |= {float(block["from_m"][axis]), float(block["to_m"][axis])}
        for slope in self.case["slopes"]:
            if "xyz"[axis] == slope["axis"]:
                edges |= {float(point[0]) for point in slope["line"]}
        for region in self.case["regions"]:
            wall = "xyz".index(region["wall"][0])
            if axis != wall:
                first = IN_PLANE[wall][0] == axis
                edges |= {float(region[key]) for key in (("u0", "u1") if first else ("v0", "v1"))}
        planes = sorted(edges)
        for distance in fineness.grading_m:
            for edge in sorted(edges - {0.0, length}):
                for near in (edge - distance, edge + distance):
                    if 0.0 < near < length and min(abs(near - other) for other in planes) > 0.3 * distance:
                        planes.append(near)
        filled = [0.0]
        for low, high in pairwise(sorted(planes)):
            parts = ceil((high - low) / fineness.size_m - 1e-9)
            filled += [low + (high - low) * i / parts for i in range(1, parts + 1)]
        return np.array(filled)

    @property
    def cells(self) -> list[Index]:
        return [(int(i), int(j), int(k)) for i, j, k in np.argwhere(self.air)]

    def tables(self, points: Floats) -> tuple[Floats, Floats]:
        """Lagrange polynomials and their slopes at points of -1 to 1: (n, degree + 1) each."""
        slopes = legendre.legder(self.cardinal, axis=0)
        return (
            legendre.legvander(points, self.degree) @ self.cardinal,
            legendre.legvander(points, self.degree - 1) @ slopes,
        )

    def numbers(self, grid: Any, cell: Index) -> Any:
        spans = [slice(i * self.degree, (i + 1) * self.degree + 1) for i in cell]
        return grid[tuple(spans)]

    def top(self, x: Floats, y: Floats) -> Floats:
        """Height of the ceiling."""
        height = np.full(x.shape, float(self.case["room_m"][2]))
        for slope in self.case["slopes"]:
            (h0, z0), (h1, z1) = slope["line"]
            along = x if slope["axis"] == "x" else y
            inside = (along > min(h0, h1)) & (along < max(h0, h1))
            height = np.where(inside, z0 + (z1 - z0) * (along - h0) / (h1 - h0), height)
        return height

    @property
    def sheared_from(self) -> float:
        """Above the highest block that does not reach the ceiling, columns are sheared."""
        tops = [block["to_m"][2] for block in self.case["blocks"] if block["to_m"][2] < self.case["room_m"][2]]
        return float(max(tops, default=0.0))

    def place(self, cell: Index, local: Floats) -> Floats:
        """-1 to 1 in a cell -> the room: (..., 3) [m]."""
        at = [
            b[i] + 0.5 * (b[i + 1] - b[i]) * (local[..., axis] + 1.0)
            for axis, (b, i) in enumerate(zip(self.breaks, cell, strict=True))
        ]
        low, height = self.sheared_from, float(self.case["room_m"][2])
        nudged = [  # the ceiling over this cell, also at its edges
            b[i] + 0.5 * (b[i + 1] - b[i]) * (np.clip(local[..., axis], -1.0 + 1e-9, 1.0 - 1e-9) + 1.0)
            for axis, (b, i) in enumerate(zip(self.breaks[:2], cell[:2], strict=True))
        ]
        share = (self.top(nudged[0], nudged[1]) - low) / (height - low)
        at[2] = np.where(at[2] > low, low + (at[2] - low) * share, at[2])
        return np.stack(at, axis=-1)

    def jacobian(self, cell: Index, local: Floats) -> Floats:
        """d room / d local by central differences, exact for what is at most bilinear: (..., room axis, local axis)."""
        step = 1e-4
        columns = []
        for axis in range(3):
            move = step * np.eye(3)[axis]
            inner = np.clip(local, -1.0 + 2.0 * step, 1.0 - 2.0 * step)
            columns.append((self.place(cell, inner + move) - self.place(cell, inner - move)) / (2.0 * step))
        return np.stack(columns, axis=-1)

    def matrices(self) -> tuple[Any, Any]:
        """Stiffness and mass."""
        local = np.stack(np.meshgrid(*(self.points,) * 3, indexing="ij"), axis=-1).reshape(-1, 3)
        weight = np.einsum("a,b,c->abc", *(self.weights,) * 3).ravel()
        value = np.kron(np.kron(self.value, self.value), self.value)
        slopes = [np.kron(np.kron(*pair), last) for pair, last in self._slope_tables()]
        rows, columns, stiff, mass = [], [], [], []
        for cell in self.cells:
            jacobian = self.jacobian(cell, local)
            factor = weight * np.linalg.det(jacobian)
            inverse = np.linalg.inv(jacobian)  # d local / d room as [local, room]
            k = 0.0
            for axis in range(3):
                gradient = sum(inverse[:, i, axis, None] * slopes[i] for i in range(3))
                k = k + gradient.T @ (factor[:, None] * gradient)
            number = self.numbers(self.grid, cell).ravel()
            rows.append(np.repeat(number, len(number)))
            columns.append(np.tile(number, len(number)))
            stiff.append(np.asarray(k).ravel())
            mass.append((value.T @ (factor[:, None] * value)).ravel())
        where = (np.concatenate(rows), np.concatenate(columns))
        shape = (self.size, self.size)
        return tuple(sp.csc_array(sp.coo_array((np.concatenate(part), where), shape)) for part in (stiff, mass))

    def _slope_tables(self) -> list[tuple[tuple[Floats, Floats], Floats]]:
        v, s = self.value, self.slope
        return [((s, v), v), ((v, s), v), ((v, v), s)]

    def walls(self) -> list[tuple[dict[str, Any], Any]]:
        """Each law with the mass matrix of its faces."""
        parts: dict[str, list[tuple[Any, Any, Any]]] = {}
        for cell in self.cells:
            for axis in range(3):
                for side in (0, 1):
                    beyond = list(cell)
                    beyond[axis] += 1 if side else -1
                    outer = not 0 <= beyond[axis] < self.air.shape[axis]
                    if outer or not self.air[tuple(beyond)]:
                        self._add_face(parts, cell, axis, side, outer)
        shape = (self.size, self.size)
        found = []
        for key, pieces in parts.items():
            rows, columns, values = (np.concatenate([piece[i] for piece in pieces]) for i in range(3))
            found.append((json.loads(key), sp.csc_array(sp.coo_array((values, (rows, columns)), shape))))
        return found

    def _add_face(self, parts: dict[str, list[Any]], cell: Index, axis: int, side: int, outer: bool) -> None:
        local = np.empty((len(self.points), len(self.points), 3))
        local[..., axis] = 2.0 * side - 1.0
        u, v = IN_PLANE[axis]
        local[..., u], local[..., v] = np.meshgrid(self.points, self.points, indexing="ij")
        jacobian = self.jacobian(cell, local)
        area = np.linalg.norm(np.cross(jacobian[..., u], jacobian[..., v]), axis=-1)
        law = self._law(self.place(cell, local).mean(axis=(0, 1)), axis, side, outer)
        if law is None:
            return
        table = np.kron(self.value, self.value)
        weight = (np.outer(self.weights, self.weights) * area).ravel()
        number = np.take(self.numbers(self.grid, cell), -side, axis=axis).ravel()
        matrix = table.T @ (weight[:, None] * table)
        entry = (np.repeat(number, len(number)), np.tile(number, len(number)), matrix.ravel())
        parts.setdefault(json.dumps(law), []).append(entry)

    def _law(self, middle: Floats, axis: int, side: int, outer: bool) -> dict[str, Any] | None:
        case = self.case
        if not outer:
            behind = middle.copy()
            behind[axis] += 1e-6 if side else -1e-6
            for block in case["blocks"]:
                if all(a < x < b for a, x, b in zip(block["from_m"], behind, block["to_m"], strict=True)):
                    return block["law"]
        if axis == 2 and side == 1:
            for slope in case["slopes"]:
                along = middle["xy".index(slope["axis"])]
                ends = [point[0] for point in slope["line"]]
                if min(ends) < along < max(ends):
                    return slope["law"]
        wall = "xyz"[axis] + str(side)
        u, v = (middle[a] for a in IN_PLANE[axis])
        for region in reversed(case["regions"]):
            if region["wall"] == wall and region["u0"] < u < region["u1"] and region["v0"] < v < region["v1"]:
                return region["law"]
        return case["walls"].get(wall)

    def at(self, points: Any) -> Any:
        """The functions at points: (n, size) sparse."""
        rows = []
        for point in np.asarray(points, dtype=float):
            cell = next(cell for cell in self.cells if self._holds(cell, point))
            local = self._local(cell, point)
            tables = [self.tables(local[axis : axis + 1])[0][0] for axis in range(3)]
            number = self.numbers(self.grid, cell).ravel()
            values = np.einsum("a,b,c->abc", *tables).ravel()
            rows.append(sp.csr_array((values, (np.zeros(len(number), int), number)), (1, self.size)))
        return sp.vstack(rows).tocsr()

    def _local(self, cell: Index, point: Floats) -> Floats:
        low, high = (self.place(cell, np.full(3, end)) for end in (-1.0, 1.0))
        local = np.clip(2.0 * (point - low) / (high - low) - 1.0, -1.5, 1.5)
        ends = [self.place(cell, np.array([local[0], local[1], z]))[2] for z in (-1.0, 1.0)]
        local[2] = 2.0 * (point[2] - ends[0]) / (ends[1] - ends[0]) - 1.0
        return np.asarray(local)

    def _holds(self, cell: Index, point: Floats) -> bool:
        return bool((np.abs(self._local(cell, point)) < 1.0 + 1e-9).all())


def solve_shaped(case: dict[str, Any], fineness: Fineness) -> Complexes:
    """H of a whole case: (n_source, n_receiver, n_freq) [1/m]."""
    room = ShapedRoom(case, fineness)
    stiffness, mass = room.matrices()
    walls = room.walls()
    c, rho = float(case["speed_of_sound_m_s"]), float(case["air_density_kg_m3"])
    load, reading = room.at(case["sources_m"]), room.at(case["receivers_m"])
    found = []
    for hz in case["frequencies_hz"]:
        k0 = 2.0 * pi * hz / c
        k = k0 * (1.0 - 0.5j * case["loss_factor"])
        matrix = stiffness - k**2 * mass
        for law, part in walls:
            matrix = matrix + 1j * k0 * admittance(law, hz, c, rho) * part
        factor = splu(
            sp.csc_array(matrix),
            permc_spec="MMD_AT_PLUS_A",
            diag_pivot_thresh=0.0,
            options={"SymmetricMode": True},
        )
        found.append(4.0 * pi * (reading @ factor.solve(load.T.toarray().astype(complex))).T)
    return np.stack(found, axis=-1)


def main(paths: list[str]) -> None:
    """Write answers into cases."""
    for path in map(Path, paths):
        case = json.loads(path.read_text(encoding="utf-8"))
        coarse = solve_shaped(case, Fineness(degree=4))
        fine = solve_shaped(case, Fineness(degree=5))
        scale = np.sqrt((np.abs(fine) ** 2).mean(axis=1, keepdims=True))
        change = np.abs(fine - coarse) / scale
        case |= {"H_re": fine.real.tolist(), "H_im": fine.imag.tolist()}
        case["change_in_last_refinement"] = {"max": float(change.max()), "median": float(np.median(change))}
        path.write_text(json.dumps(case) + "\n", encoding="utf-8")
        print(f"{path.name}: last change {change.max():.1e} at most, {np.median(change):.1e} in the median")


if __name__ == "__main__":
    main(sys.argv[1:])
