"""Locally reacting wall laws: the specific admittance of each kind of wall over frequency.

| symbol | meaning |
| --- | --- |
| beta | specific admittance rho c / Z, outward normal, e^{+j omega t} |
| zeta | specific impedance 1 / beta |
| s | stiffness per area [Pa/m]; an air gap of depth d has rho c^2 / d |

Every law is passive, Re beta >= 0 at real frequencies; parameters that would make it another are refused
(OutsideModel). Frequencies may be complex (damped modes): analytic laws are
continued as they stand, tables and switches go by the real part.

References
----------
[1] H. Kuttruff, Room Acoustics, ch. 2: absorption of a locally reacting wall in a diffuse field (from memory; the
    published values in the tests agree).
[2] F. P. Mechel, Formulas of Acoustics, 2nd ed., sect. D.5: its maximum, 0.951.
[3] Y. Miki, Acoustical properties of porous materials, J. Acoust. Soc. Jpn (E) 11(1) 19-24, 1990, eqs 30-34.
[4] R. Panneton, Comments on the limp frame equivalent fluid model for porous media, J. Acoust. Soc. Am. 122(6)
    EL217, 2007 (from memory); here in its plainest form, the masses of frame and fluid side by side.
"""

from dataclasses import dataclass
from math import log, pi
from typing import Any

import numpy as np

from roommodes.acoustics.air import Air
from roommodes.acoustics.curve import Curve
from roommodes.acoustics.layering.layers import TransferMatrix
from roommodes.acoustics.layering.radiation import outside_impedance_pa_s_m
from roommodes.arrays import Complexes, Floats
from roommodes.ranges import ABOVE_ZERO, Allowed, require, require_of

ALPHA_MAX = 0.951  # [2]; no real impedance absorbs more in a diffuse field
ZETA_AT_MAX = 1.567  # [2]
ZETA_LARGEST = 1e9
MIKI_LOWEST_Y = 0.01  # lower end of the range f / flow resistivity [m3/kg] that [3] is fitted to


@dataclass(frozen=True, slots=True)
class Rigid:
    """Nothing moves: beta = 0."""

    def admittance(self, omega: Complexes, air: Air) -> Complexes:
        """(k,) rad/s -> (k,) zeros."""
        return np.zeros_like(omega, dtype=np.complex128)


@dataclass(frozen=True, slots=True, kw_only=True)
class ConstantAdmittance:
    """One admittance at all frequencies; beta_re >= 0."""

    beta_re: float
    beta_im: float

    def __post_init__(self) -> None:
        require_of(self, "beta_re")

    def admittance(self, omega: Complexes, air: Air) -> Complexes:
        """(k,) rad/s -> (k,)."""
        return np.asarray(self.beta_re + 1j * self.beta_im + 0.0 * omega, dtype=np.complex128)


@dataclass(frozen=True, slots=True, kw_only=True)
class AdmittanceCurve:
    """An admittance over frequency, as a fit to measurements finds it; level beyond the ends of its curves.

    Parameters
    ----------
    beta_re, beta_im : real part, 0 or more, and imaginary part; each straight over log frequency.
    """

    beta_re: Curve
    beta_im: Curve

    def admittance(self, omega: Complexes, air: Air) -> Complexes:
        """(k,) rad/s -> (k,); the real part of `omega` counts."""
        hz = np.maximum(np.real(np.asarray(omega)) / (2.0 * pi), 1e-3)
        return np.asarray(self.beta_re.at(hz) + 1j * self.beta_im.at(hz))


def diffuse_absorption(zeta: Floats) -> Floats:
    """Absorption coefficient in a diffuse field of a wall with real specific impedance zeta, [1].

    With beta = 1 / zeta the wall absorbs alpha(theta) = 1 - |(zeta cos - 1) / (zeta cos + 1)|^2
    = 4 zeta cos / (zeta cos + 1)^2 under the angle theta; the integral over 2 sin cos d(theta), with t = zeta cos
    running from 0 to zeta, is (8 / zeta^2) int t^2 / (1 + t)^2 dt
    = (8 / zeta^2) [1 + zeta - 1 / (1 + zeta) - 2 ln(1 + zeta)].
    """
    z = np.asarray(zeta, dtype=np.float64)
    return np.asarray(8.0 / z**2 * (1.0 + z - 1.0 / (1.0 + z) - 2.0 * np.log1p(z)))


def admittance_of_absorption(alpha: Floats) -> Floats:
    """The real admittance that absorbs `alpha` in a diffuse field: the inverse of `diffuse_absorption`.

    Of the two impedances with one alpha the harder is taken, zeta >= 1.567. An absorption coefficient has no phase:
    this says nothing of walls that react as a mass or a spring.

    Parameters
    ----------
    alpha : any shape, 0 to `ALPHA_MAX`.

    Returns
    -------
    beta, the same shape, 0 to 0.638.
    """
    want = np.asarray(alpha, dtype=np.float64)
    low = np.full(want.shape, log(ZETA_AT_MAX))
    high = np.full(want.shape, log(ZETA_LARGEST))
    for _ in range(60):  # halving: the function falls steadily on this branch
        middle = 0.5 * (low + high)
        too_hard = diffuse_absorption(np.exp(middle)) < want
        high = np.where(too_hard, middle, high)
        low = np.where(too_hard, low, middle)
    return np.where(want > diffuse_absorption(np.array(ZETA_LARGEST)), np.exp(-0.5 * (low + high)), 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Absorption:
    """A real admittance from a random-incidence absorption coefficient.

    Between the points of the table alpha runs straight over log frequency; beyond its ends it stays level, which
    for tables that begin at 125 Hz is a guess about the bass. `factor` multiplies all of it, up to `ALPHA_MAX`.
    """

    alpha: Curve
    factor: float = 1.0

    def __post_init__(self) -> None:
        allowed = Allowed(low=0.0, high=ALPHA_MAX)
        require("Absorption", {f"alpha[{k}]": (value, allowed) for k, value in enumerate(self.alpha.value)})
        require_of(self, "factor")

    def admittance(self, omega: Complexes, air: Air) -> Complexes:
        """(k,) rad/s -> (k,); the real part of `omega` counts."""
        hz = np.real(np.asarray(omega)) / (2.0 * pi)
        alpha = self.factor * self.alpha.at(np.maximum(hz, 1e-3))
        return admittance_of_absorption(np.minimum(alpha, ALPHA_MAX)).astype(np.complex128)


@dataclass(frozen=True, slots=True, kw_only=True)
class MassSpring:
    """A leaf with mass, losses and a spring behind it: Z = r + j omega m + s / (j omega), and the air if it radiates.

    Before something else the spring lies between the leaf and what is behind it.

    Parameters
    ----------
    resistance_pa_s_m, mass_kg_m2, stiffness_pa_m : r, m, s per area; not all three zero unless it radiates.
    radiates : there is free air on its far side.
    area_m2 : of the surface, for its radiation; None for rho c.
    """

    resistance_pa_s_m: float = 0.0
    mass_kg_m2: float = 0.0
    stiffness_pa_m: float = 0.0
    radiates: bool = False
    area_m2: float | None = None

    def __post_init__(self) -> None:
        require_of(self, "resistance_pa_s_m", "mass_kg_m2", "stiffness_pa_m")

    def admittance(self, omega: Complexes, air: Air) -> Complexes:
        """(k,) rad/s -> (k,)."""
        w = np.asarray(omega, dtype=np.complex128)
        jw = 1j * w
        outside = outside_impedance_pa_s_m(w, air, self.area_m2) if self.radiates else 0.0
        resistance = self.resistance_pa_s_m + outside
        return np.asarray(jw * air.impedance_pa_s_m / (self.stiffness_pa_m + jw * resistance + jw**2 * self.mass_kg_m2))

    def transfer_matrix(self, omega: Complexes, air: Air) -> TransferMatrix:
        """The leaf, then its spring where it has one."""
        w = np.asarray(omega + 0.0 * air.density_kg_m3, dtype=np.complex128)
        leaf = TransferMatrix.series(self.resistance_pa_s_m + 1j * w * self.mass_kg_m2)
        if not np.all(self.stiffness_pa_m):
            return leaf
        return leaf @ TransferMatrix.shunt(1j * w / self.stiffness_pa_m)


def miki(y: Any) -> tuple[Complexes, Complexes]:
    """Characteristic impedance and wavenumber of a porous material over those of air, [3].

    Parameters
    ----------
    y : frequency over flow resistivity, any shape [m3/kg]; fitted for 0.01 to 1.
    """
    value = np.asarray(y, dtype=np.complex128)
    impedance = 1.0 + (0.070 - 0.107j) * value**-0.632
    wavenumber = 1.0 + (0.109 - 0.160j) * value**-0.618
    return impedance, wavenumber


@dataclass(frozen=True, slots=True, kw_only=True)
class Porous:
    """A porous layer on a rigid backing, with an air gap behind it if wished.

    Most of the sub band lies below the range of the fit [3]: f / sigma >= 0.01 is 100 Hz and up for a sigma of 10000
    Pa s/m2. Extrapolated downwards the fit runs away from the flow resistance (twice sigma at 1e-4) and in the end
    feeds energy back. Below its range the layer is therefore continued by what every porous material does there: a
    constant flow resistance and inertia, a bulk modulus with a constant real part and a loss that falls with
    frequency, each joined to the fit at the edge of its range. There the fit's resistance is 0.90 sigma and its bulk
    modulus 1.06 times the isothermal one, so the limits are right within that. Against a relaxation model that has the
    right limits by itself (Wilson 1993) the real part of beta is within 17 % and the imaginary part within 11 % from 20
    to 200 Hz, for layers of 50 to 300 mm and 10000 to 50000 Pa s/m2.

    Parameters
    ----------
    flow_resistivity_pa_s_m2 : sigma.
    thickness_m : of the layer.
    gap_m : of air behind it.
    limp_mass_kg_m2 : mass per area if the material hangs free and moves with the air (a curtain), None if it is
        held still; then its mass lies beside the fluid's, 1 / rho = 1 / rho_fluid + thickness / mass, [4].
    """

    flow_resistivity_pa_s_m2: float
    thickness_m: float
    gap_m: float = 0.0
    limp_mass_kg_m2: float | None = None

    def __post_init__(self) -> None:
        require_of(self, "gap_m")
        limp = () if self.limp_mass_kg_m2 is None else ("limp_mass_kg_m2",)
        require_of(self, "flow_resistivity_pa_s_m2", "thickness_m", *limp, allowed=ABOVE_ZERO)

    def fluid(self, omega: Complexes, air: Air) -> tuple[Complexes, Complexes]:
        """Density [kg/m3] and bulk modulus [Pa] of the fluid that stands for the layer: (k,) rad/s -> (k,), (k,)."""
        y = np.asarray(omega, dtype=np.complex128) / (2.0 * pi * self.flow_resistivity_pa_s_m2)
        inside = np.real(y) >= MIKI_LOWEST_Y
        impedance, wavenumber = miki(np.where(inside, y, MIKI_LOWEST_Y))
        ratio = np.where(inside, 1.0, y / MIKI_LOWEST_Y)
        density, modulus = impedance * wavenumber, impedance / wavenumber
        density = np.where(inside, density, density.real + 1j * density.imag / ratio)
        modulus = np.where(inside, modulus, modulus.real + 1j * modulus.imag * ratio)
        return air.density_kg_m3 * density, air.density_kg_m3 * air.speed_of_sound_m_s**2 * modulus

    def admittance(self, omega: Complexes, air: Air) -> Complexes:
        """(k,) rad/s -> (k,)."""
        return self.transfer_matrix(omega, air).admittance(0.0) * air.impedance_pa_s_m

    def transfer_matrix(self, omega: Complexes, air: Air) -> TransferMatrix:
        """The layer, then the gap."""
        w = np.asarray(omega + 0.0 * air.density_kg_m3, dtype=np.complex128)
        density, modulus = self.fluid(w, air)
        if self.limp_mass_kg_m2 is not None:
            density = 1.0 / (1.0 / density + self.thickness_m / self.limp_mass_kg_m2)
        return TransferMatrix.slab(w, density=density, modulus=modulus, depth_m=self.thickness_m) @ air_gap(
            w, air, self.gap_m
        )


def air_gap(omega: Complexes, air: Air, depth_m: Any) -> TransferMatrix:
    """A gap of plain air."""
    stiff = air.density_kg_m3 * air.speed_of_sound_m_s**2
    return TransferMatrix.slab(omega, density=air.density_kg_m3, modulus=stiff, depth_m=depth_m)


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """An opening to another, large space.

    The air in it meets the radiation impedance of a round piston of the same area in a wall (`radiation`). Without an
    area it is as if the room's section went on for ever, zeta = 1.
    A small space behind has modes of its own, which this does not know.

    Parameters
    ----------
    area_m2 : of the opening, None for zeta = 1.
    """

    area_m2: float | None = None

    def __post_init__(self) -> None:
        if self.area_m2 is not None:
            require_of(self, "area_m2", allowed=ABOVE_ZERO)

    def admittance(self, omega: Complexes, air: Air) -> Complexes:
        """(k,) rad/s -> (k,)."""
        w = np.asarray(omega, dtype=np.complex128)
        return air.impedance_pa_s_m / outside_impedance_pa_s_m(w, air, self.area_m2)
