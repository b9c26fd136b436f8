"""The Helmholtz equation in a box room by tensor-product spectral elements: the second opinion on the model.

Continuous elements of high order, conforming to the edges of every region and pane and graded towards them; the
matrices are integrated exactly. Nothing here knows the room's modes.

The point source is not meshed: p = S + w, S = e^{-jkr}/r summed over the source and its rigid images in the three
nearest walls (8 terms, so that a source on a wall, edge or corner radiates all of q into the room), and
the smooth remainder w is driven from the walls alone:

    int grad w . grad v - k^2 w v  +  oint j k0 beta w v  +  panes  =  - oint (dS/dn + j k0 beta S) v  -  panes(S)

Right sides are integrated by composite Gauss rules graded towards the source, on the wall or near it.

How it is solved: without the walls the discrete operator is a Kronecker sum, inverted exactly by the eigenvectors of
the three one-dimensional *discrete* pencils (Lynch, Rice & Thomas, Numer. Math. 6, 185, 1964). The unknowns left are
the normal fluxes on the lossy walls; GMRES finds them. The answer is that of the finite-element system, whichever
way it is solved: `solve_directly` assembles the same system as a sparse matrix and factorises it (small meshes).

symbol | meaning
w, v   | remainder and test function; S: subtracted part
k0, k  | omega / c, and (omega / c)(1 - j loss_factor / 2)
lam, E | eigenvalues and eigenvectors of (K, M) of one axis, E^T M E = 1
"""

from dataclasses import dataclass
from itertools import product
from math import pi
from typing import Any

import numpy as np
import scipy.sparse as sp
from scipy.sparse.linalg import LinearOperator, gmres, splu

from roommodes.arrays import Complexes, Floats
from tests.independent.cases import IN_PLANE, WALL_NAMES, Patch, patches
from tests.independent.spectral_axis import Axis, breakpoints
from tests.independent.spectral_walls import WallOperator


@dataclass(frozen=True, slots=True, kw_only=True)
class Mesh:
    """How fine the elements are.

    Parameters
    ----------
    order : of the elements.
    size_m : their largest size [m].
    grading_m : distances of the grading planes from every edge of a region [m].
    source_grading_m : the same from a source on or near a locally reacting surface, where w is logarithmic [m].
    """

    order: int = 8
    size_m: float = 1.3
    grading_m: tuple[float, ...] = (0.25,)
    source_grading_m: tuple[float, ...] = (0.3, 0.075, 0.02, 0.005)


def _around(positions: list[float], steps: tuple[float, ...]) -> list[tuple[float, float]]:
    return [(x + sign * step, step) for x in positions for step in steps for sign in (-1.0, 1.0)]


def _over(patch: Patch, point: Floats, margin: float) -> bool:
    spans = (patch.u, patch.v)
    return all(low - margin <= x <= high + margin for x, (low, high) in zip(point, spans, strict=True))


class SpectralRoom:
    """A room of the case format on one mesh; `solve` gives H at its receivers."""

    def __init__(self, case: dict[str, Any], mesh: Mesh | None = None) -> None:
        self.case = case
        self.size = tuple(float(x) for x in case["room_m"])
        self.c, self.rho = float(case["speed_of_sound_m_s"]), float(case["air_density_kg_m3"])
        self.mesh = mesh or Mesh()
        self.patches: dict[str, list[Patch]] = {name: [] for name in WALL_NAMES}
        for patch in patches(case):
            self.patches[patch.wall].append(patch)
        self.axes = self._axes()
        self.walls = {name: WallOperator(self, name) for name in WALL_NAMES}
        lam = [axis.lam for axis in self.axes]
        self.lam = lam[0][:, None, None] + lam[1][None, :, None] + lam[2][None, None, :]
        self.iterations: list[int] = []

    def _axes(self) -> tuple[Axis, ...]:
        edges: list[set[float]] = [set(), set(), set()]
        planes: list[list[tuple[float, float]]] = [[], [], []]
        for name, found in self.patches.items():
            axis = "xyz".index(name[0])
            plane = self.size[axis] if name[1] == "1" else 0.0
            for patch in found:
                for direction, span in zip(IN_PLANE[axis], (patch.u, patch.v), strict=True):
                    edges[direction] |= set(span)
                    inner = [x for x in span if 1e-9 < x < self.size[direction] - 1e-9]
                    planes[direction] += _around(inner, self.mesh.grading_m)
                    planes[axis] += _around([plane], self.mesh.grading_m if inner else ())
                if patch.law is None:
                    continue
                for source in np.asarray(self.case["sources_m"], dtype=float):
                    distance = abs(source[axis] - plane)
                    steps = tuple(step for step in self.mesh.source_grading_m if step > 0.5 * distance)
                    if not steps or not _over(patch, source[list(IN_PLANE[axis])], steps[0]):
                        continue
                    planes[axis] += _around([plane], steps)
                    for direction in IN_PLANE[axis]:
                        edges[direction].add(float(source[direction]))
                        planes[direction] += _around([float(source[direction])], steps)
        return tuple(
            Axis(breakpoints(self.size[a], edges[a], planes[a], self.mesh.size_m), self.mesh.order) for a in range(3)
        )

    @property
    def unknowns(self) -> int:
        """Number of unknowns of the finite-element system."""
        return int(self.lam.size)

    def wavenumbers(self, frequency_hz: float) -> tuple[float, complex]:
        """k0 and k."""
        k0 = 2.0 * pi * frequency_hz / self.c
        return k0, k0 * (1.0 - 0.5j * self.case["loss_factor"])

    def images(self, source: Floats) -> Floats:
        """The source and its rigid images in the nearest wall of each axis, (8, 3)."""
        mirrored = [-x if x <= 0.5 * length else 2.0 * length - x for x, length in zip(source, self.size, strict=True)]
        return np.array(list(product(*zip(source, mirrored, strict=True))))

    def subtracted(self, points: Floats, source: Floats, k: complex) -> Complexes:
        """S at points, (n,)."""
        r = np.linalg.norm(points[:, None, :] - self.images(source)[None], axis=2)
        return (np.exp(-1j * k * r) / r).sum(axis=1)

    def solve(self, frequency_hz: float, *, tolerance: float = 1e-10) -> Complexes:
        """H [1/m] at one frequency, (n_source, n_receiver)."""
        _, k = self.wavenumbers(frequency_hz)
        inverse = 1.0 / (self.lam - k**2)
        operators = {name: wall.at(frequency_hz) for name, wall in self.walls.items()}
        lossy = [name for name, operator in operators.items() if not operator.rigid]
        shapes = [self.walls[name].shape for name in lossy]
        cuts = np.cumsum([0, *(a * b for a, b in shapes)])

        def split(vector: Complexes) -> dict[str, Complexes]:
            parts = (vector[i:j].reshape(s) for i, j, s in zip(cuts[:-1], cuts[1:], shapes, strict=True))
            return dict(zip(lossy, parts, strict=True))

        def reaction(flux: dict[str, Complexes]) -> Complexes:
            field = inverse * self._spread(flux)
            return np.concatenate([operators[n].apply(self.walls[n].trace(field)).ravel() for n in lossy])

        def matvec(vector: Complexes) -> Complexes:
            vector = vector.ravel()
            return vector + reaction(split(vector))

        points = np.asarray(self.case["receivers_m"], dtype=float)
        reading = [axis.evaluate(points[:, a]) @ axis.E for a, axis in enumerate(self.axes)]
        out = []
        for source in np.asarray(self.case["sources_m"], dtype=float):
            driven = {name: operators[name].drive(source, k) for name in WALL_NAMES}
            driven = {name: value for name, value in driven.items() if value is not None}
            flux = {name: value for name, value in driven.items() if name not in lossy}
            if lossy:
                start = [driven.get(n, np.zeros(s)).ravel() for n, s in zip(lossy, shapes, strict=True)]
                right = np.concatenate(start) - (reaction(flux) if flux else 0.0)
                counted = [0]

                def count(_: float, counted: list[int] = counted) -> None:
                    counted[0] += 1

                system = LinearOperator((cuts[-1], cuts[-1]), matvec=matvec, dtype=complex)
                found, failed = gmres(
                    system,
                    right,
                    rtol=tolerance,
                    atol=0.0,
                    restart=400,
                    maxiter=4,
                    callback=count,
                    callback_type="pr_norm",
                )
                if failed:
                    raise RuntimeError(f"GMRES did not converge at {frequency_hz} Hz")
                self.iterations.append(counted[0])
                flux.update(split(found))
            field = inverse * self._spread(flux)
            remainder = np.einsum("ra,rb,rc,abc->r", *reading, field, optimize=True)
            out.append(remainder + self.subtracted(points, source, k))
        return np.array(out)

    def _spread(self, flux: dict[str, Complexes]) -> Complexes:
        total = np.zeros(self.lam.shape, dtype=complex)
        for name, value in flux.items():
            wall = self.walls[name]
            trace = wall.ends[(slice(None), *(None,) * (2 - wall.axis))]
            total += trace * np.expand_dims(value, wall.axis)
        return total


def solve_case(case: dict[str, Any], mesh: Mesh | None = None, *, tolerance: float = 1e-10) -> Complexes:
    """H of a whole case, (n_source, n_receiver, n_freq) [1/m], the order of the case format; one mesh a source."""
    out = []
    for source in case["sources_m"]:
        room = SpectralRoom({**case, "sources_m": [source]}, mesh)
        out.append(np.stack([room.solve(f, tolerance=tolerance)[0] for f in case["frequencies_hz"]], axis=-1))
    return np.array(out)


def solve_directly(case: dict[str, Any], frequency_hz: float, mesh: Mesh) -> Complexes:
    """The same finite-element system, assembled as one sparse matrix and factorised; small meshes only."""
    room = SpectralRoom(case, mesh)
    _, k = room.wavenumbers(frequency_hz)
    (mx, my, mz), (kx, ky, kz) = ([sp.csr_array(getattr(a, m)) for a in room.axes] for m in ("mass", "stiffness"))

    def kron(x: Any, y: Any, z: Any) -> Any:
        return sp.kron(sp.kron(x, y), z)

    matrix = kron(kx, my, mz) + kron(mx, ky, mz) + kron(mx, my, kz) - k**2 * kron(mx, my, mz)
    operators = {name: wall.at(frequency_hz) for name, wall in room.walls.items()}
    for name, operator in operators.items():
        if operator.rigid:
            continue
        wall = room.walls[name]
        number = np.arange(room.unknowns).reshape(room.lam.shape)
        on_wall = np.take(number, -1 if wall.far else 0, axis=wall.axis).ravel()
        pick = sp.csr_array((np.ones(len(on_wall)), (on_wall, np.arange(len(on_wall)))), (room.unknowns, len(on_wall)))
        u, v, weight, _, _ = wall.grid
        values = sp.kron(sp.csr_array(wall.u.evaluate(u)), sp.csr_array(wall.v.evaluate(v))).tocsr()
        small = (
            values.T @ sp.diags_array((1j * operator.k0 * wall.beta_map(frequency_hz, u, v) * weight).ravel()) @ values
        )
        for strength, _, along, up in operator.plates:
            shape = np.kron(along @ np.linalg.inv(wall.u.E), up @ np.linalg.inv(wall.v.E))
            small = small + sp.csr_array((shape.T * strength.ravel()) @ shape)
        matrix = matrix + pick @ small @ pick.T
    solver = splu(matrix.tocsc())
    points = np.asarray(case["receivers_m"], dtype=float)
    reading = [axis.evaluate(points[:, a]) for a, axis in enumerate(room.axes)]
    back = [np.linalg.inv(axis.E).T for axis in room.axes]  # eigenvector coordinates of a load -> nodes
    out = []
    for source in np.asarray(case["sources_m"], dtype=float):
        flux = {n: value for n in WALL_NAMES if (value := operators[n].drive(source, k)) is not None}
        load = np.einsum("ia,jb,kc,abc->ijk", *back, room._spread(flux), optimize=True)
        field = solver.solve(load.ravel()).reshape(load.shape)
        remainder = np.einsum("ra,rb,rc,abc->r", *reading, field, optimize=True)
        out.append(remainder + room.subtracted(points, source, k))
    return np.array(out)
