"""How strongly each boundary mode reacts: the wall laws as matrices over the boundary modes.

The wall adds sum over modes of psi_i y_ij psi_j to the room's equation, dp/dn = -y p. For a locally reacting
surface y = j k0 beta(omega) for every mode alike; for a pane each of the plate's own modes has its own, and
the many plate modes far above the band together act as one soft skin, seen through a few smooth modes.

| symbol | meaning |
| --- | --- |
| k0 | omega / c, without the bulk loss [1/m] |
| omega_jk | sqrt(D/m) ((j pi / a)^2 + (k pi / b)^2), plate mode j, k [rad/s] |
| eta_p, r | loss factor of the plate, resistance of the air outside [Pa s/m] |

References
----------
[1] A. W. Leissa, The free vibration of rectangular plates, J. Sound Vib. 31(3) 257-293, 1973: the simply
    supported plate's frequencies (from memory; exact and derivable).
"""

from dataclasses import dataclass
from math import ceil, pi, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.special import spherical_jn

from roommodes.acoustics.air import Air
from roommodes.acoustics.room import Pane, WallLaw
from roommodes.acoustics.wall_bases import kept_products
from roommodes.arrays import Complexes, Floats

SKIN_REACH = 36.0  # how far above the explicit plate modes the others are summed, in frequency
SKIN_TERMS = 8  # terms of the series in (omega / omega_jk)^2 for the plate modes above the explicit ones


@dataclass(frozen=True, slots=True, kw_only=True)
class LocalStrength:
    """One strength for all modes of a locally reacting surface."""

    law: WallLaw
    air: Air
    size: int

    def matrix(self, omega: Complexes) -> Complexes:
        """(k,) rad/s -> (k, size) diagonal [1/m]."""
        beta = self.law.admittance(omega, self.air)
        return np.repeat((1j * omega / self.air.speed_of_sound_m_s * beta)[:, None], self.size, axis=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlateStrength:
    """A strength of its own for each explicit plate mode."""

    pane: Pane
    air: Air
    omega_mode: Floats  # (size,)

    @property
    def size(self) -> int:
        """How many plate modes."""
        return len(self.omega_mode)

    def matrix(self, omega: Complexes) -> Complexes:
        """(k,) rad/s -> (k, size) diagonal [1/m]."""
        w = omega[:, None]
        stiff = self.omega_mode**2 * (1.0 + 1j * self.pane.loss_factor)
        resistance = self.pane.outside_resistance_pa_s_m(self.air)
        impedance = self.pane.surface_mass_kg_m2 * (stiff - w**2) + 1j * w * resistance  # times j omega
        return np.asarray(-(w**2) * self.air.density_kg_m3 / impedance)


@dataclass(frozen=True, slots=True, kw_only=True)
class SkinStrength:
    """All plate modes above the explicit ones, projected on smooth modes: a full matrix.

    `moments` (term, size, size): the sum over those plate modes of Q omega_jk^(-2 term) Q^T, with Q their overlap
    with the smooth modes.
    """

    pane: Pane
    air: Air
    moments: Floats

    @property
    def size(self) -> int:
        """How many smooth modes."""
        return int(self.moments.shape[1])

    def matrix(self, omega: Complexes) -> Complexes:
        """(k,) rad/s -> (k, size, size) [1/m]."""
        mass, soft = self.pane.surface_mass_kg_m2, 1.0 + 1j * self.pane.loss_factor
        resistance = self.pane.outside_resistance_pa_s_m(self.air)
        step = (omega**2 - 1j * omega * resistance / mass) / soft
        first = -(omega**2) * self.air.density_kg_m3 / (mass * soft)
        series = first[:, None] * step[:, None] ** np.arange(len(self.moments))[None, :]
        return np.asarray(np.tensordot(series, self.moments, axes=1))


Strength = LocalStrength | PlateStrength | SkinStrength


def plate_omega(pane: Pane, width_m: float, height_m: float, j: NDArray[np.intp], k: NDArray[np.intp]) -> Floats:
    """Angular frequency of plate modes j, k (each from 1) in vacuo [rad/s], [1]."""
    speed = sqrt(pane.bending_stiffness_n_m / pane.surface_mass_kg_m2)
    return np.asarray(speed * ((j * pi / width_m) ** 2 + (k * pi / height_m) ** 2))


def plate_modes(pane: Pane, width_m: float, height_m: float, max_omega: float) -> NDArray[np.intp]:
    """Mode numbers (n_mode, 2) of all plate modes up to `max_omega`, and the first one in any case."""
    speed = sqrt(pane.bending_stiffness_n_m / pane.surface_mass_kg_m2)
    bend = sqrt(max_omega / speed)  # the largest bending wavenumber
    j, k = np.meshgrid(
        np.arange(1, ceil(bend * width_m / pi) + 1), np.arange(1, ceil(bend * height_m / pi) + 1), indexing="ij"
    )
    numbers = np.stack([j.ravel(), k.ravel()], axis=1).astype(np.intp)
    inside = plate_omega(pane, width_m, height_m, numbers[:, 0], numbers[:, 1]) <= max_omega
    inside[0] = True
    return numbers[inside]


def plate_strength(
    pane: Pane, width_m: float, height_m: float, *, numbers: NDArray[np.intp], air: Air
) -> PlateStrength:
    """Strengths of the explicit plate modes `numbers` (n_mode, 2)."""
    omega = plate_omega(pane, width_m, height_m, numbers[:, 0], numbers[:, 1])
    return PlateStrength(pane=pane, air=air, omega_mode=omega)


def skin_strength(
    pane: Pane,
    width_m: float,
    height_m: float,
    *,
    above_omega: float,
    explicit: NDArray[np.intp],
    orders: tuple[int, int],
    air: Air,
) -> SkinStrength:
    """The plate modes above the explicit ones, on `orders` Legendre products of the pane's rectangle.

    Modes up to `SKIN_REACH` times `above_omega` are summed; the stiffness of those beyond is left out.
    """
    far = plate_modes(pane, width_m, height_m, SKIN_REACH * above_omega)
    taken = {(int(j), int(k)) for j, k in explicit}
    far = np.array([pair for pair in far if (int(pair[0]), int(pair[1])) not in taken], dtype=np.intp)
    omega = plate_omega(pane, width_m, height_m, far[:, 0], far[:, 1])
    first = legendre_sine(orders[0], int(far[:, 0].max()))[:, far[:, 0] - 1]
    second = legendre_sine(orders[1], int(far[:, 1].max()))[:, far[:, 1] - 1]
    overlap = (first[:, None, :] * second[None, :, :]).reshape(-1, len(far))[kept_products(orders)]
    moments = np.stack([(overlap * omega ** (-2.0 * (term + 1))) @ overlap.T for term in range(SKIN_TERMS)])
    return SkinStrength(pane=pane, air=air, moments=moments)


def legendre_sine(order: int, count: int) -> Floats:
    """Overlap of normalised Legendre polynomials with normalised sines on one interval: (order, count).

    From the integral of P_l(t) e^{jzt}, see `boundary`; row l, column j - 1.
    """
    degree = np.arange(order)[:, None]
    j = np.arange(1, count + 1)[None, :]
    bessel = spherical_jn(degree, j * (pi / 2.0))
    return np.asarray(np.sqrt(2.0 * (2 * degree + 1)) * bessel * np.sin((j + degree) * (pi / 2.0)))
