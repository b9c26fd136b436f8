"""The same wall problem by scikit-fem's quadratic bricks: a third opinion, from a library, at modest accuracy.

Reads the case formats, blocks included, slopes not; locally reacting surfaces only. The point source is subtracted as
e^{-jkr}/r over the source and its rigid images in the three nearest walls; that subtraction and the loads are written
anew here. Among blocks the source is a nodal load.
"""

from itertools import pairwise, product
from math import ceil, pi
from typing import Any

import numpy as np
import skfem
from scipy.sparse.linalg import splu

from roommodes.arrays import Complexes, Floats
from tests.independent.cases import IN_PLANE, WALL_NAMES, admittance, patches


def axis_lines(length: float, edges: set[float], size_m: float) -> Floats:
    """Element boundaries through every edge, no element larger than `size_m`."""
    stops = sorted({0.0, length, *edges})
    lines = [0.0]
    for low, high in pairwise(stops):
        lines += list(np.linspace(low, high, ceil((high - low) / size_m - 1e-9) + 1)[1:])
    return np.array(lines)


class BrickRoom:
    """A room on a mesh of 27-node bricks, its matrices assembled; `solve` gives H at the receivers."""

    def __init__(self, case: dict[str, Any], size_m: float, *, load_order: int = 10) -> None:
        self.case = case
        self.size = [float(x) for x in case["room_m"]]
        self.patches = patches(case)
        edges: list[set[float]] = [set(), set(), set()]
        for patch in self.patches:
            for axis, span in zip(IN_PLANE["xyz".index(patch.wall[0])], (patch.u, patch.v), strict=True):
                edges[axis] |= set(span)
        self.blocks = case.get("blocks", [])
        for block in self.blocks:
            for axis in range(3):
                edges[axis] |= {float(block["from_m"][axis]), float(block["to_m"][axis])}
        mesh = skfem.MeshHex.init_tensor(*(axis_lines(self.size[a], edges[a], size_m) for a in range(3)))
        centre = mesh.p[:, mesh.t].mean(axis=1)
        for block in self.blocks:
            low, high = np.array(block["from_m"])[:, None], np.array(block["to_m"])[:, None]
            solid = np.flatnonzero(((centre > low) & (centre < high)).all(axis=0))
            mesh, centre = mesh.remove_elements(solid), np.delete(centre, solid, axis=1)
        element = skfem.ElementHex2()
        basis = self.basis = skfem.Basis(mesh, element)
        self.unknowns = basis.N
        self.stiffness = skfem.BilinearForm(lambda p, q, _: _dot(p.grad, q.grad)).assemble(basis)
        self.mass = skfem.BilinearForm(lambda p, q, _: p * q).assemble(basis)
        self.reading = basis.probes(np.asarray(case["receivers_m"], dtype=float).T)
        self.faces = []  # (wall, index of the surface on it or None, facet basis, its mass matrix)
        middle = mesh.p[:, mesh.facets].mean(axis=1)
        for wall in WALL_NAMES:
            axis = "xyz".index(wall[0])
            plane = self.size[axis] if wall[1] == "1" else 0.0
            on_wall = np.flatnonzero(np.abs(middle[axis] - plane) < 1e-9)
            owner = np.full(len(on_wall), -1)
            u, v = (middle[a, on_wall] for a in IN_PLANE[axis])
            for index, patch in enumerate(self.patches):
                if patch.wall == wall:
                    inside = (u > patch.u[0]) & (u < patch.u[1]) & (v > patch.v[0]) & (v < patch.v[1])
                    owner[inside] = index
            for index in np.unique(owner):
                facets = skfem.FacetBasis(mesh, element, facets=on_wall[owner == index], intorder=load_order)
                area = skfem.BilinearForm(lambda p, q, _: p * q).assemble(facets)
                self.faces.append((wall, int(index), facets, area))
        self.solid_faces = [  # (law, mass matrix of a block's faces)
            (block["law"], skfem.BilinearForm(lambda p, q, _: p * q).assemble(facets))
            for block in self.blocks
            if block["law"] and (facets := self._on_block(mesh, element, middle, block)) is not None
        ]

    @staticmethod
    def _on_block(mesh: Any, element: Any, middle: Floats, block: dict[str, Any]) -> Any:
        """The boundary's facets on a block: those inside the box about it that are no part of the outer walls."""
        low, high = np.array(block["from_m"]) - 1e-9, np.array(block["to_m"]) + 1e-9
        bound = mesh.boundary_facets()
        at = middle[:, bound].T
        near = ((at > low) & (at < high)).all(axis=1)
        outer = np.array([np.abs(at[:, a, None] - [0.0, mesh.p[a].max()]).min(axis=1) < 1e-9 for a in range(3)]).any(
            axis=0
        )
        chosen = bound[near & ~outer]
        return skfem.FacetBasis(mesh, element, facets=chosen) if len(chosen) else None

    def beta(self, index: int, frequency_hz: float) -> complex:
        """Admittance of one surface; -1 is bare rigid wall."""
        law = self.patches[index].law if index >= 0 else None
        if law is None:
            return 0.0
        return admittance(law, frequency_hz, self.case["speed_of_sound_m_s"], self.case["air_density_kg_m3"])

    def solve(self, frequency_hz: float, *, subtract: bool = True) -> Complexes:
        """H [1/m], (n_source, n_receiver); with `subtract` False the source is a plain nodal load."""
        k0 = 2.0 * pi * frequency_hz / self.case["speed_of_sound_m_s"]
        k = k0 * (1.0 - 0.5j * self.case["loss_factor"])
        matrix = self.stiffness - k**2 * self.mass
        for _, index, _, area in self.faces:
            if beta := self.beta(index, frequency_hz):
                matrix = matrix + 1j * k0 * beta * area
        for law, area in self.solid_faces:
            speed, density = self.case["speed_of_sound_m_s"], self.case["air_density_kg_m3"]
            matrix = matrix + 1j * k0 * admittance(law, frequency_hz, speed, density) * area
        # symmetric ordering and pivots near the diagonal: three times as fast here as SuperLU's defaults, same answer
        solver = splu(
            matrix.tocsc(), permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.01, options={"SymmetricMode": True}
        )
        out = []
        for source in np.asarray(self.case["sources_m"], dtype=float):
            if not subtract or self.blocks:
                load = 4.0 * pi * self.basis.probes(source[:, None]).toarray()[0]
                out.append(self.reading @ solver.solve(load.astype(complex)))
                continue
            choices = [
                (x, -x if x <= 0.5 * side else 2.0 * side - x) for x, side in zip(source, self.size, strict=True)
            ]
            images = np.array(list(product(*choices)))
            total = np.zeros(self.unknowns, dtype=complex)
            for wall, index, facets, _ in self.faces:
                total += self._load(wall, self.beta(index, frequency_hz), facets, images, k0, k)
            receivers = np.asarray(self.case["receivers_m"], dtype=float)
            distance = np.linalg.norm(receivers[:, None] - images[None], axis=2)
            subtracted = (np.exp(-1j * k * distance) / distance).sum(axis=1)
            out.append(self.reading @ solver.solve(total) + subtracted)
        return np.array(out)

    @staticmethod
    def _load(wall: str, beta: complex, facets: Any, images: Floats, k0: float, k: complex) -> Complexes:
        axis, outward = "xyz".index(wall[0]), 1.0 if wall[1] == "1" else -1.0

        def density(q: Any, w: Any) -> Any:
            away = w.x[:, :, :, None] - images.T[:, None, None, :]
            r = np.sqrt((away**2).sum(axis=0))
            wave = np.exp(-1j * k * r) / r
            slope = -(1j * k + 1.0 / r) * wave * outward * away[axis] / r
            return -(slope + 1j * k0 * beta * wave).sum(axis=-1) * q

        found: Complexes = skfem.LinearForm(density, dtype=complex).assemble(facets)
        return found


def _dot(a: Any, b: Any) -> Any:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
