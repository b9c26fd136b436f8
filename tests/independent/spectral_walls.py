"""What the walls do in the spectral elements: admittances, plates, and the loads of the subtracted source."""

from functools import cached_property
from math import ceil, pi
from typing import TYPE_CHECKING, Any

import numpy as np

from roommodes.arrays import Complexes, Floats
from tests.independent.cases import IN_PLANE, admittance, plate_frequencies, plate_strengths

if TYPE_CHECKING:
    from tests.independent.spectral_elements import SpectralRoom


class WallOperator:
    """One wall on the mesh: traces, quadrature, the plate modes of its panes."""

    def __init__(self, room: "SpectralRoom", name: str) -> None:
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
