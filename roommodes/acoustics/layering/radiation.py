"""The air on the far side of a wall: the radiation impedance of a piston and of a plate's modes in a large wall.

| symbol | meaning |
| --- | --- |
| k | omega / c [1/m] |
| psi | velocity over the surface, (2 / sqrt(a b)) sin(j pi u / a) sin(l pi v / b) for a plate's mode |

References
----------
[1] P. M. Morse and K. U. Ingard, Theoretical Acoustics, sect. 7.4: the piston in a wall (from memory; its low- and
    high-frequency limits are tested).
[2] NIST Digital Library of Mathematical Functions, 10.9.4 and 11.5.1: Bessel and Struve functions by an integral (from
    memory; tested against scipy's, where Struve's is for real arguments alone).
[3] Lord Rayleigh, The Theory of Sound, sect. 278: the pressure of a vibrating wall,
    (j omega rho / 2 pi) int v e^{-jkR} / R dS (from memory).
[4] C. E. Wallace, Radiation resistance of a rectangular panel, J. Acoust. Soc. Am. 51(3) 946, 1972: the low-frequency
    limits that the tests hold the quadrature against (from memory).
"""

from dataclasses import dataclass
from functools import lru_cache
from math import ceil, hypot, pi
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.air import Air
from roommodes.arrays import Complexes, Floats

POINTS = 16  # of Gauss's rule along radius and angle, beside those for the modes' own waves
NODES, NODES_PER_PHASE = 18, 1.5  # of the polynomial over many frequencies; over its half width times R
POINTS_PER_M = 4.0  # more of them, over the plate's diagonal: half the largest k in use


@lru_cache(maxsize=64)
def _gauss(points: int) -> tuple[Floats, Floats]:
    """Places and weights of Gauss and Legendre's rule, the same for many rooms."""
    node, weight = np.polynomial.legendre.leggauss(points)
    node.flags.writeable = weight.flags.writeable = False
    return node, weight


def piston_impedance(z: Any) -> Complexes:
    """Specific impedance of the air before a round piston in a wall, any shape of z = 2 k a.

    1 - 2 J1(z) / z + 2j H1(z) / z, [1], with both functions as integrals, [2]:
    (4 / pi) int_0^{pi/2} cos^2 t (1 - e^{-jz sin t}) dt, by Gauss and Legendre's rule; the points suffice for the
    largest |z|.
    """
    value = np.asarray(z, dtype=np.complex128)
    point, weight = _gauss(32 + int(np.abs(value).max(initial=0.0)))
    angle = 0.25 * pi * (point + 1.0)
    share = weight * np.cos(angle) ** 2
    return np.asarray(-np.expm1(-1j * value[..., None] * np.sin(angle)) @ share)


def outside_impedance_pa_s_m(omega: Complexes, air: Air, area_m2: float | None) -> Complexes:
    """Impedance of free air behind a surface that moves as one [Pa s/m]: a round piston's of its area.

    Parameters
    ----------
    omega : (k,) [rad/s].
    area_m2 : of the surface; None for rho c, that of a wall that goes on for ever.
    """
    if area_m2 is None:
        return np.asarray(air.impedance_pa_s_m + 0.0 * omega)
    z = 2.0 * omega / air.speed_of_sound_m_s * (area_m2 / pi) ** 0.5
    return np.asarray(air.impedance_pa_s_m * piston_impedance(z))


@dataclass(frozen=True, slots=True, kw_only=True)
class ModeRadiation:
    """Radiation of the modes of one rectangular plate in a large wall, each by itself.

    Of a mode psi, normalised over the rectangle, int int psi psi' e^{-jkR} / R dS dS' is a plane integral over the
    distance between two points, with psi's correlation c(u) = int psi(x) psi(x + u) dx along each side. In polar
    coordinates R cancels. Modes that radiate into one another are left apart: a few per cent of a small part.

    Parameters
    ----------
    distance_m : (q,) R at the points of the rule [m].
    weight : (mode, q) the rule's weights times the correlations [m].
    """

    distance_m: Floats
    weight: Floats

    @classmethod
    def of(cls, width_m: float, height_m: float, numbers: NDArray[np.intp]) -> "ModeRadiation":
        """Of modes `numbers` (mode, 2), each from 1, of a plate of this size."""
        most = int(numbers.max(initial=1))
        points = POINTS + 2 * most + ceil(POINTS_PER_M * hypot(width_m, height_m))
        node, weight = _gauss(points)
        unit, share = 0.5 * (node + 1.0), 0.5 * weight
        corner = np.arctan2(height_m, width_m)
        u, v, w = [], [], []
        for start, end in ((0.0, corner), (corner, 0.5 * pi)):
            angle = start + (end - start) * unit[:, None]
            reach = width_m / np.cos(angle) if end <= corner else height_m / np.sin(angle)
            radius = reach * unit[None, :]
            u.append((radius * np.cos(angle)).ravel())
            v.append((radius * np.sin(angle)).ravel())
            w.append(((end - start) * share[:, None] * reach * share[None, :]).ravel())
        along, up = np.concatenate(u), np.concatenate(v)
        rule = 4.0 * np.concatenate(w)
        first = _correlation(width_m, np.arange(1, most + 1), along)[numbers[:, 0] - 1]
        second = _correlation(height_m, np.arange(1, most + 1), up)[numbers[:, 1] - 1]
        return cls(distance_m=np.hypot(along, up), weight=rule * first * second)

    def impedance_pa_s_m(self, omega: Complexes, air: Air) -> Complexes:
        """(k,) rad/s -> (k, mode) pressure over velocity of each mode [Pa s/m], [3]."""
        wavenumber = omega / air.speed_of_sound_m_s
        return np.asarray(0.5j / pi * omega[:, None] * air.density_kg_m3 * self._integral(wavenumber))

    def _integral(self, wavenumber: Complexes) -> Complexes:
        """Of psi psi' e^{-jkR} / R at some k [1/m]: (k,) -> (k, mode).

        At many real ones it is the polynomial through Chebyshev's points, which is exact to rounding: over half their
        width a = (k_max - k_min) R_max / 2 its coefficients fall as Bessel functions J_n(a).
        """
        real = wavenumber.real
        low, half = real.min(initial=np.inf), 0.5 * np.ptp(real) if len(real) else 0.0
        count = NODES + ceil(NODES_PER_PHASE * half * float(self.distance_m.max()))
        if len(real) <= count or not half or wavenumber.imag.any():
            return np.asarray(np.exp(-1j * wavenumber[:, None] * self.distance_m[None, :]) @ self.weight.T)
        node = np.cos(pi * (np.arange(count) + 0.5) / count)
        at_node = np.exp(-1j * (low + half * (1.0 + node))[:, None] * self.distance_m[None, :]) @ self.weight.T
        coefficient = np.polynomial.chebyshev.chebvander(node, count - 1).T @ at_node * (2.0 / count)
        coefficient[0] *= 0.5
        return np.asarray(np.polynomial.chebyshev.chebvander((real - low) / half - 1.0, count - 1) @ coefficient)


def _correlation(side_m: float, number: NDArray[np.intp], shift_m: Floats) -> Floats:
    """int_0^{a-u} (2/a) sin(j pi x / a) sin(j pi (x + u) / a) dx: (mode, q)."""
    bend = number[:, None] * (pi / side_m)
    angle = bend * shift_m[None, :]
    return np.asarray(((side_m - shift_m[None, :]) * np.cos(angle) + np.sin(angle) / bend) / side_m)
