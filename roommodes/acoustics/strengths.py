"""How strongly each boundary mode reacts: the wall laws as matrices over the boundary modes.

The wall adds sum over modes of psi_i y_ij psi_j to the room's equation, dp/dn = -y p. For a locally reacting
surface y = j k0 beta(omega) for every mode alike; for a pane each of the plate's own modes has its own, and
the many plate modes far above the band together act as one soft skin, seen through a few smooth modes.

Layers before a pane (a curtain, the crack round its edge) react at every point by themselves. With A, B, C of their
transfer matrix and Z of a plate mode behind them, the mode's admittance is that of the layers on a plate at rest,
C / A, plus 1 / (A (A Z + B)): the first is a locally reacting surface over the whole rectangle, the second the plate's.

| symbol | meaning |
| --- | --- |
| k0 | omega / c, without the bulk loss [1/m] |
| kappa^2 | (j pi / a)^2 + (k pi / b)^2, squared bending wavenumber of plate mode j, k [1/m2] |
| Z | impedance of a plate mode [Pa s/m] |
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.air import Air
from roommodes.acoustics.layering.layers import Layered, WallLaw, chain
from roommodes.acoustics.layering.radiation import ModeRadiation
from roommodes.acoustics.plates.panes import Plate
from roommodes.acoustics.wall_bases import kept_products
from roommodes.acoustics.wall_laws import Rigid
from roommodes.arrays import Complexes, Floats

SKIN_REACH = 36.0  # how far above the explicit plate modes the others are summed, in frequency


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
class FrontStrength:
    """The layers before a pane, the pane at rest: one strength for all modes, as of a locally reacting surface."""

    pane: Plate
    air: Air
    size: int

    def matrix(self, omega: Complexes) -> Complexes:
        """(k,) rad/s -> (k, size) diagonal [1/m]."""
        law = Layered(front=self.pane.front, back=Rigid())
        return LocalStrength(law=law, air=self.air, size=self.size).matrix(omega)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlateStrength:
    """A strength of its own for each explicit plate mode.

    Parameters
    ----------
    bend2 : (size,) kappa^2 of the modes [1/m2].
    radiation : of the same modes; None if the pane does not radiate.
    """

    pane: Plate
    air: Air
    bend2: Floats
    radiation: ModeRadiation | None

    @property
    def size(self) -> int:
        """How many plate modes."""
        return len(self.bend2)

    def matrix(self, omega: Complexes) -> Complexes:
        """(k,) rad/s -> (k, size) diagonal [1/m]."""
        return self.beside(omega, self.outside_pa_s_m(omega))

    def outside_pa_s_m(self, omega: Complexes) -> Complexes:
        """(k,) rad/s -> (k, size) impedance of the air outside before each mode."""
        if self.radiation is None:
            return np.zeros((len(omega), self.size), dtype=np.complex128)
        return self.radiation.impedance_pa_s_m(omega, self.air)

    def beside(self, omega: Complexes, outside: Complexes) -> Complexes:
        """The same as `matrix`, with the air outside (k, size) as it is known already."""
        return plate_reaction(self.pane, omega[:, None], self.bend2, outside, self.air)


@dataclass(frozen=True, slots=True, kw_only=True)
class SkinStrength:
    """All plate modes above the explicit ones, projected on smooth modes: a full matrix.

    They hardly radiate, since their waves are short: that is left out.

    Parameters
    ----------
    bend2 : (far,) kappa^2 of those plate modes [1/m2].
    overlap : (size, far) their overlap with the smooth modes.
    """

    pane: Plate
    air: Air
    bend2: Floats
    overlap: Floats

    @property
    def size(self) -> int:
        """How many smooth modes."""
        return len(self.overlap)

    def matrix(self, omega: Complexes) -> Complexes:
        """(k,) rad/s -> (k, size, size) [1/m]."""
        outside = np.full((len(omega), len(self.bend2)), self.pane.far_resistance_pa_s_m(self.air), dtype=np.complex128)
        reaction = plate_reaction(self.pane, omega[:, None], self.bend2, outside, self.air)
        row, column = np.triu_indices(self.size)  # symmetric
        both = np.concatenate([reaction.real, reaction.imag]) @ (self.overlap[row] * self.overlap[column]).T
        found = np.empty((len(omega), self.size, self.size), dtype=np.complex128)
        found[:, row, column] = found[:, column, row] = both[: len(omega)] + 1j * both[len(omega) :]
        return found


def plate_reaction(pane: Plate, omega: Complexes, bend2: Floats, outside: Complexes, air: Air) -> Complexes:
    """Strengths of plate modes behind the layers before them: (k, mode) [1/m], shapes as `mode_impedance_pa_s_m`."""
    impedance = pane.mode_impedance_pa_s_m(omega, bend2, outside, air)
    if pane.front:
        front = chain(pane.front, omega, air)
        impedance = front.a * (front.a * impedance + front.b)
    return np.asarray(1j * omega * air.density_kg_m3 / impedance)


Strength = LocalStrength | FrontStrength | PlateStrength | SkinStrength


class Matrices:
    """Matrices of strengths at some frequencies.

    Each is worked out once, and so are what plate modes radiate and what a wall's law says for all that share them.

    Parameters
    ----------
    omega : (k,) [rad/s].
    """

    def __init__(self, omega: Complexes) -> None:
        self.omega = omega
        self._known: list[tuple[Strength, Complexes]] = []
        self._outside: list[tuple[PlateStrength, Complexes]] = []

    def of(self, strength: Strength) -> Complexes:
        """(k, size) where it is diagonal, else (k, size, size) [1/m]."""
        for other, found in self._known:
            if strength is other:
                return found
        found = self._made(strength)
        self._known.append((strength, found))
        return found

    def _made(self, strength: Strength) -> Complexes:
        if isinstance(strength, LocalStrength):
            for other, found in self._known:
                if isinstance(other, LocalStrength) and strength.law is other.law and strength.air == other.air:
                    return np.repeat(found[:, :1], strength.size, axis=1)
            return strength.matrix(self.omega)
        if not isinstance(strength, PlateStrength) or strength.radiation is None:
            return strength.matrix(self.omega)
        for other, outside in self._outside:
            if strength.radiation is other.radiation and strength.air == other.air:
                return strength.beside(self.omega, outside)
        outside = strength.outside_pa_s_m(self.omega)
        self._outside.append((strength, outside))
        return strength.beside(self.omega, outside)

    def times(self, strengths: Sequence[Strength], matrix: Complexes) -> Complexes:
        """All strengths one after the other times a matrix over their modes: (k, mode, n) -> (k, mode, n) [1/m]."""
        return times([self.of(strength) for strength in strengths], matrix)

    def system(self, strengths: Sequence[Strength], boundary: Complexes) -> Complexes:
        """1 + Y Z over the boundary modes: (k, mode, mode) -> (k, mode, mode)."""
        found = self.times(strengths, boundary)
        index = np.arange(found.shape[1])
        found[:, index, index] += 1.0
        return found


def times(strengths: Sequence[Complexes], matrix: Complexes) -> Complexes:
    """Matrices of `Matrices.of`, one after the other, times a matrix over their modes: (k, mode, n) -> (k, mode, n)."""
    result = np.empty_like(matrix)
    start = 0
    for y in strengths:
        part = slice(start, start + y.shape[1])
        if y.ndim == 2:
            np.multiply(y[:, :, None], matrix[:, part], out=result[:, part])
        else:
            result[:, part] = y @ matrix[:, part]
        start += y.shape[1]
    return result


def front_law(pane: Plate) -> WallLaw | None:
    """Law of the layers before a pane, on the pane at rest; None where there are none."""
    return Layered(front=pane.front, back=Rigid()) if pane.front else None


def local_strength(law: WallLaw | Plate, air: Air, size: int) -> LocalStrength | FrontStrength:
    """The strength of a locally reacting surface, or of the layers before a pane."""
    if isinstance(law, Plate):
        return FrontStrength(pane=law, air=air, size=size)
    return LocalStrength(law=law, air=air, size=size)


def squared_bend(width_m: float, height_m: float, numbers: NDArray[np.intp]) -> Floats:
    """kappa^2 of plate modes `numbers` (mode, 2), each from 1: (mode,) [1/m2]."""
    return np.asarray((numbers[:, 0] * pi / width_m) ** 2 + (numbers[:, 1] * pi / height_m) ** 2)


def plate_omega(pane: Plate, width_m: float, height_m: float, numbers: NDArray[np.intp]) -> Floats:
    """Angular frequency in vacuo of plate modes `numbers` (mode, 2), of the leaf that bends most slowly [rad/s]."""
    return pane.speed_m2_s() * squared_bend(width_m, height_m, numbers)


def plate_modes(pane: Plate, width_m: float, height_m: float, max_omega: float) -> NDArray[np.intp]:
    """Mode numbers (n_mode, 2) of all plate modes up to `max_omega`, and the first one in any case."""
    bend = sqrt(max_omega / pane.speed_m2_s())  # the largest bending wavenumber
    j, k = np.meshgrid(
        np.arange(1, ceil(bend * width_m / pi) + 1), np.arange(1, ceil(bend * height_m / pi) + 1), indexing="ij"
    )
    numbers = np.stack([j.ravel(), k.ravel()], axis=1).astype(np.intp)
    inside = plate_omega(pane, width_m, height_m, numbers) <= max_omega
    inside[0] = True
    return numbers[inside]


def plate_strength(
    pane: Plate, width_m: float, height_m: float, *, numbers: NDArray[np.intp], air: Air
) -> PlateStrength:
    """Strengths of the explicit plate modes `numbers` (n_mode, 2)."""
    radiation = pane.radiation_of(width_m, height_m, numbers)
    return PlateStrength(pane=pane, air=air, bend2=squared_bend(width_m, height_m, numbers), radiation=radiation)


def skin_strength(
    pane: Plate,
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
    first = legendre_sine(orders[0], int(far[:, 0].max()))[:, far[:, 0] - 1]
    second = legendre_sine(orders[1], int(far[:, 1].max()))[:, far[:, 1] - 1]
    overlap = (first[:, None, :] * second[None, :, :]).reshape(-1, len(far))[kept_products(orders)]
    return SkinStrength(pane=pane, air=air, bend2=squared_bend(width_m, height_m, far), overlap=overlap)


def legendre_sine(order: int, count: int) -> Floats:
    """Overlap of normalised Legendre polynomials with normalised sines on one interval: (order, count).

    From the integral of P_l(t) e^{jzt}, see `boundary`; row l, column j - 1.
    """
    from scipy.special import spherical_jn  # noqa: PLC0415 (a tenth of a second that rooms read from what is kept need not pay)

    degree = np.arange(order)[:, None]
    j = np.arange(1, count + 1)[None, :]
    bessel = spherical_jn(degree, j * (pi / 2.0))
    return np.asarray(np.sqrt(2.0 * (2 * degree + 1)) * bessel * np.sin((j + degree) * (pi / 2.0)))
