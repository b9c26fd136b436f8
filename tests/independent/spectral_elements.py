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
from functools import cached_property
from itertools import product
from math import ceil, pi
from typing import Any

import numpy as np
import scipy.linalg
import scipy.sparse as sp
from numpy.polynomial import legendre
from scipy.sparse.linalg import LinearOperator, gmres, splu

from tests.independent.cases import (
    IN_PLANE,
    WALL_NAMES,
    Complexes,
    Floats,
    Patch,
    admittance,
    patches,
    plate_frequencies,
    plate_strengths,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mesh:
    """How fine: order of the elements, their largest size [m], distances of grading planes from every edge [m]."""

    order: int = 8
    size_m: float = 1.3
    grading_m: tuple[float, ...] = (0.25,)


class Axis:
    """One direction of the tensor product: nodes, discrete pencil and its eigenvectors."""

    def __init__(self, breaks: Floats, order: int) -> None:
        self.breaks, self.order = breaks, order
        self.length = float(breaks[-1])
        self.n = (len(breaks) - 1) * order + 1
        inner = legendre.Legendre.basis(order).deriv().roots().real
        self.nodes = np.concatenate(([-1.0], np.sort(inner), [1.0]))
        # Lagrange cardinal functions through the nodes, as Legendre coefficients (well conditioned)
        self.cardinal = np.linalg.inv(legendre.legvander(self.nodes, order))
        points, weights = self.gauss(order + 1)
        value, slope = self.evaluate(points), self.evaluate(points, derivative=True)
        self.mass = (value.T * weights) @ value
        self.stiffness = (slope.T * weights) @ slope
        self.lam, self.E = scipy.linalg.eigh(self.stiffness, self.mass)

    def evaluate(self, points: Floats, *, derivative: bool = False) -> Floats:
        """Basis functions at points, (n_point, n)."""
        element = np.clip(np.searchsorted(self.breaks, points, side="right") - 1, 0, len(self.breaks) - 2)
        width = np.diff(self.breaks)[element]
        local = 2.0 * (points - self.breaks[element]) / width - 1.0
        table = self.cardinal
        if derivative:
            table = legendre.legder(table, axis=0) if self.order > 0 else table
            local_values = legendre.legvander(local, self.order - 1) @ table * (2.0 / width)[:, None]
        else:
            local_values = legendre.legvander(local, self.order) @ table
        out = np.zeros((len(points), self.n))
        columns = element[:, None] * self.order + np.arange(self.order + 1)
        out[np.arange(len(points))[:, None], columns] = local_values
        return out

    def gauss(self, n: int, breaks: Floats | None = None) -> tuple[Floats, Floats]:
        """Composite Gauss rule: n points in each cell; points and weights."""
        breaks = self.breaks if breaks is None else breaks
        x, w = legendre.leggauss(n)
        half = 0.5 * np.diff(breaks)
        middle = 0.5 * (breaks[1:] + breaks[:-1])
        return (middle[:, None] + half[:, None] * x).ravel(), (half[:, None] * w).ravel()

    def graded(self, centre: float, distance: float) -> tuple[Floats, Floats]:
        """Composite Gauss rule graded towards `centre`, for 1 / sqrt((x - centre)^2 + distance^2)."""
        steps = [max(distance, 1e-9 * self.length)]
        while steps[-1] < self.length:
            steps.append(4.0 * steps[-1])
        extra = [centre + sign * step for step in steps for sign in (-1.0, 1.0)] + [centre]
        cells = np.unique([*self.breaks, *(x for x in extra if 0.0 < x < self.length)])
        cells = cells[np.concatenate(([True], np.diff(cells) > 1e-13))]
        return self.gauss(12, cells)


def breakpoints(length: float, edges: set[float], graded: set[float], mesh: Mesh) -> Floats:
    """Element boundaries of one axis: every edge, planes beside each graded one, then filled to the size."""
    fixed = sorted({0.0, length, *edges})
    fixed = [x for i, x in enumerate(fixed) if i == 0 or x - fixed[i - 1] > 1e-9]
    kept = list(fixed)
    for distance in sorted(mesh.grading_m):
        for edge in sorted(graded):
            for x in (edge - distance, edge + distance):
                clear = all(abs(x - other) > 0.6 * distance for other in kept if abs(other - edge) > 1e-9 or True)
                nearest = min(abs(x - other) for other in kept)
                if 0.0 < x < length and clear and nearest > 0.3 * distance:
                    kept.append(x)
    kept.sort()
    filled = [0.0]
    for low, high in zip(kept, kept[1:], strict=False):
        pieces = ceil((high - low) / mesh.size_m - 1e-9)
        filled += list(low + (high - low) * np.arange(1, pieces + 1) / pieces)
    return np.array(filled)


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
        edges: list[set[float]] = [set(), set(), set()]
        graded: list[set[float]] = [set(), set(), set()]
        for name, found in self.patches.items():
            axis = "xyz".index(name[0])
            for patch in found:
                inner = False
                for direction, span in zip(IN_PLANE[axis], (patch.u, patch.v), strict=True):
                    edges[direction] |= set(span)
                    ends = {x for x in span if 1e-9 < x < self.size[direction] - 1e-9}
                    graded[direction] |= ends
                    inner = inner or bool(ends)
                if inner:
                    graded[axis].add(0.0 if name[1] == "0" else self.size[axis])
        self.axes = tuple(
            Axis(breakpoints(self.size[a], edges[a], graded[a], self.mesh), self.mesh.order) for a in range(3)
        )
        self.walls = {name: WallOperator(self, name) for name in WALL_NAMES}
        lam = [axis.lam for axis in self.axes]
        self.lam = lam[0][:, None, None] + lam[1][None, :, None] + lam[2][None, None, :]
        self.iterations: list[int] = []

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
                    system, right, rtol=tolerance, atol=0.0, restart=400, maxiter=4, callback=count, callback_type="pr_norm"
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


class WallOperator:
    """One wall on the mesh: traces, quadrature, the plate modes of its panes."""

    def __init__(self, room: SpectralRoom, name: str) -> None:
        self.room, self.name = room, name
        self.axis, self.far = "xyz".index(name[0]), name[1] == "1"
        self.u, self.v = (room.axes[a] for a in IN_PLANE[self.axis])
        self.ends = room.axes[self.axis].E[-1 if self.far else 0]
        self.shape = (self.u.n, self.v.n)
        self.patches = room.patches[name]

    def trace(self, field: Complexes) -> Complexes:
        """Values on the wall, in the eigenvector coordinates of its two axes."""
        return np.tensordot(self.ends, field, axes=(0, self.axis))

    @cached_property
    def grid(self) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Gauss points u, v, their weights (n_u, n_v), and basis values there."""
        (u, wu), (v, wv) = (axis.gauss(axis.order + 1) for axis in (self.u, self.v))
        return u, v, wu[:, None] * wv[None, :], self.u.evaluate(u) @ self.u.E, self.v.evaluate(v) @ self.v.E

    def plate_shapes(self, pane: dict[str, Any], u: Floats, v: Floats) -> tuple[Floats, Floats]:
        """sin(j pi (u - u0)/a) and the like, (n_j, n_u) and (n_k, n_v); zero outside the pane."""
        omega, _ = plate_frequencies(pane)
        found = []
        for count, x, low, high in ((omega.shape[0], u, "u0", "u1"), (omega.shape[1], v, "v0", "v1")):
            local = (x - pane[low]) / (pane[high] - pane[low])
            inside = (local > 0.0) & (local < 1.0)
            found.append(np.sin(pi * np.arange(1, count + 1)[:, None] * local) * inside)
        return found[0], found[1]

    @cached_property
    def plates(self) -> list[tuple[dict[str, Any], Floats, Floats]]:
        """Each pane with int psi phi along u and along v: (n_j, n_u), (n_k, n_v)."""
        found = []
        for patch in self.patches:
            if patch.pane is None:
                continue
            count = plate_frequencies(patch.pane)[0].shape
            sides = (patch.u[1] - patch.u[0], patch.v[1] - patch.v[0])
            rules = []
            for axis, waves, side in zip((self.u, self.v), count, sides, strict=True):
                most = float(np.diff(axis.breaks).max())
                rules.append(axis.gauss(axis.order + 12 + ceil(2.0 * waves * most / side)))
            shapes = self.plate_shapes(patch.pane, rules[0][0], rules[1][0])
            bases = [a.evaluate(r[0]) @ a.E for a, r in zip((self.u, self.v), rules, strict=True)]
            along, up = (s * r[1] @ b for s, r, b in zip(shapes, rules, bases, strict=True))
            found.append((patch.pane, along, up))
        return found

    def beta_map(self, frequency_hz: float, u: Floats, v: Floats) -> Complexes:
        """beta at the points of a grid: the last patch that covers a point counts; rigid elsewhere."""
        beta = np.zeros((len(u), len(v)), dtype=complex)
        for patch in self.patches:
            inside = [(x > span[0]) & (x < span[1]) for x, span in ((u, patch.u), (v, patch.v))]
            value = 0.0 if patch.law is None else admittance(patch.law, frequency_hz, self.room.c, self.room.rho)
            beta[np.ix_(*inside)] = value
        return beta

    def at(self, frequency_hz: float) -> "WallAtFrequency":
        """The wall at one frequency."""
        return WallAtFrequency(self, frequency_hz)


class WallAtFrequency:
    """What a wall does at one frequency: the reaction to a pressure, and the drive by the subtracted part."""

    def __init__(self, wall: WallOperator, frequency_hz: float) -> None:
        self.wall, self.frequency_hz = wall, frequency_hz
        self.k0, _ = wall.room.wavenumbers(frequency_hz)
        self.rigid = not wall.patches
        if self.rigid:
            return
        u, v, weight, self.at_u, self.at_v = wall.grid
        self.local = 1j * self.k0 * wall.beta_map(frequency_hz, u, v) * weight
        factor = 1j * 2.0 * pi * frequency_hz * wall.room.rho
        self.plates = [(factor * plate_strengths(p, frequency_hz), p, a, b) for p, a, b in wall.plates]

    def apply(self, trace: Complexes) -> Complexes:
        """oint (j k0 beta p + j w rho v_pane) phi for p given by its trace."""
        out = self.at_u.T @ (self.local * (self.at_u @ trace @ self.at_v.T)) @ self.at_v
        for strength, _, along, up in self.plates:
            out = out + along.T @ (strength * (along @ trace @ up.T)) @ up
        return out

    def drive(self, source: Floats, k: complex) -> Complexes | None:
        """-oint (dS/dn + j k0 beta S) phi - panes(S); None where it is zero by symmetry."""
        wall = self.wall
        length = wall.room.size[wall.axis]
        near = (source[wall.axis] > 0.5 * length) == wall.far  # S has no normal derivative on the nearest wall
        if near and self.rigid:
            return None
        plane = length if wall.far else 0.0
        a, b = IN_PLANE[wall.axis]
        distance = abs(source[wall.axis] - plane)
        (u, wu), (v, wv) = wall.u.graded(source[a], distance), wall.v.graded(source[b], distance)
        beta = None if self.rigid else wall.beta_map(self.frequency_hz, u, v)
        images = wall.room.images(source)
        pressure, slope = np.zeros((len(u), len(v)), complex), np.zeros((len(u), len(v)), complex)
        for image in images:
            normal = (plane - image[wall.axis]) * (1.0 if wall.far else -1.0)
            r = np.sqrt((u[:, None] - image[a]) ** 2 + (v[None, :] - image[b]) ** 2 + normal**2)
            term = np.exp(-1j * k * r) / r
            pressure += term
            if not near:
                slope -= (1j * k + 1.0 / r) * term * (normal / r)
        density = slope if beta is None else slope + 1j * self.k0 * beta * pressure
        weight = wu[:, None] * wv[None, :]
        at_u, at_v = wall.u.evaluate(u) @ wall.u.E, wall.v.evaluate(v) @ wall.v.E
        out = -(at_u.T @ (density * weight) @ at_v)
        if not self.rigid:
            for strength, pane, along, up in self.plates:
                shape_u, shape_v = wall.plate_shapes(pane, u, v)
                out -= along.T @ (strength * (shape_u @ (pressure * weight) @ shape_v.T)) @ up
        return out


def solve_case(case: dict[str, Any], mesh: Mesh | None = None, *, tolerance: float = 1e-10) -> Complexes:
    """H of a whole case, (n_source, n_receiver, n_freq) [1/m], the order of the case format."""
    room = SpectralRoom(case, mesh)
    return np.moveaxis(np.array([room.solve(f, tolerance=tolerance) for f in case["frequencies_hz"]]), 0, 2)


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
        small = values.T @ sp.diags_array((1j * operator.k0 * wall.beta_map(frequency_hz, u, v) * weight).ravel()) @ values
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
