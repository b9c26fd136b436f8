"""Wall laws, and transfer matrices of layers before a wall.

A layer relates pressure and velocity (into the wall) on its two faces at every point by itself,

    p1 = A p2 + B v2,    v1 = C p2 + D v2,    A D - B C = 1,

and layers in a row multiply. What is behind the last one, a wall law or a vibrating pane, closes the chain.

| symbol | meaning |
| --- | --- |
| p1, v1 | on the room's side |
| p2, v2 | on the far side |

References
----------
[1] J.-F. Allard and N. Atalla, Propagation of Sound in Porous Media, 2nd ed. 2009, ch. 11: transfer matrices of
    layered media (from memory; the limits are tested).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from typing import Any, Protocol, runtime_checkable

import numpy as np

from roommodes.acoustics.air import Air
from roommodes.arrays import Complexes


@dataclass(frozen=True, slots=True)
class TransferMatrix:
    """A, B, C, D of one layer or of several, each (k,) complex: [-], [Pa s/m], [m/(Pa s)], [-]."""

    a: Complexes
    b: Complexes
    c: Complexes
    d: Complexes

    @classmethod
    def series(cls, impedance: Any) -> "TransferMatrix":
        """Matrix of a series impedance, for what moves as one: p1 - p2 = Z v."""
        z = np.asarray(impedance, dtype=np.complex128)
        return cls(np.ones_like(z), z, np.zeros_like(z), np.ones_like(z))

    @classmethod
    def shunt(cls, admittance: Any) -> "TransferMatrix":
        """Matrix of a shunt admittance, for what takes in velocity at one pressure: v1 - v2 = Y p."""
        y = np.asarray(admittance, dtype=np.complex128)
        return cls(np.ones_like(y), np.zeros_like(y), y, np.ones_like(y))

    @classmethod
    def slab(cls, omega: Complexes, *, density: Any, modulus: Any, depth_m: Any) -> "TransferMatrix":
        """A slab of fluid: complex density [kg/m3] and bulk modulus [Pa]."""
        impedance = np.sqrt(density * modulus)
        angle = omega * depth_m * density / impedance
        sine, cosine = np.sin(angle), np.cos(angle)
        return cls(cosine, 1j * impedance * sine, 1j * sine / impedance, cosine)

    def __matmul__(self, behind: "TransferMatrix") -> "TransferMatrix":
        """This, then what is behind."""
        return TransferMatrix(
            self.a * behind.a + self.b * behind.c,
            self.a * behind.b + self.b * behind.d,
            self.c * behind.a + self.d * behind.c,
            self.c * behind.b + self.d * behind.d,
        )

    def admittance(self, behind: Any) -> Complexes:
        """v1 / p1 before something of admittance v2 / p2 [m/(Pa s)]."""
        return np.asarray((self.c + self.d * behind) / (self.a + self.b * behind))

    def coupled(self, stiffness: Any, omega: Complexes) -> "TransferMatrix":
        """With a spring [Pa/m] beside it from front to back: (v1 - v2) stiffness / (j omega) more on either face."""
        spring = stiffness / (1j * omega)
        across = 1.0 / self.c + spring
        front, back = self.a / self.c + spring, self.d / self.c + spring
        return TransferMatrix(front / across, (front * back - across**2) / across, 1.0 / across, back / across)


@runtime_checkable
class WallLaw(Protocol):
    """A locally reacting wall: the normal velocity at a point depends on the pressure there alone."""

    def admittance(self, omega: Complexes, air: Air) -> Complexes:
        """Specific admittance beta = rho c / Z, outward normal, at angular frequency `omega` [rad/s]; e^{+j omega t}.

        Must accept complex `omega` (damped modes); where the law is a table, its real part is used.
        A rigid wall gives zeros. Passive walls have a real part >= 0 at real `omega`.
        """
        ...


@runtime_checkable
class Layer(Protocol):
    """A layer that can lie before a wall or another layer: anything with a transfer matrix."""

    def transfer_matrix(self, omega: Complexes, air: Air) -> TransferMatrix:
        """Its matrix without what is behind; `omega` (k,) may be complex [rad/s]."""
        ...


def chain(layers: Sequence[Layer], omega: Complexes, air: Air) -> TransferMatrix:
    """The matrix of layers, the inner one (on the room's side) first; of none, a plain passage."""
    nothing = TransferMatrix.series(np.zeros_like(omega))
    return reduce(lambda before, layer: before @ layer.transfer_matrix(omega, air), layers, nothing)


@dataclass(frozen=True, slots=True, kw_only=True)
class Layered:
    """Layers before a wall.

    Parameters
    ----------
    front : the layers, the inner one first.
    back : what is behind the last one.
    """

    front: tuple[Layer, ...]
    back: WallLaw

    def admittance(self, omega: Complexes, air: Air) -> Complexes:
        """(k,) rad/s -> (k,)."""
        w = np.asarray(omega, dtype=np.complex128)
        rho_c = air.impedance_pa_s_m
        return chain(self.front, w, air).admittance(self.back.admittance(w, air) / rho_c) * rho_c
