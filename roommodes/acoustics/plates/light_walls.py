"""Walls of several parts: two leaves on studs, a perforated panel before a cavity, the crack round a door.

| symbol | meaning |
| --- | --- |
| sigma | flow resistivity of a fill, 0 for an empty cavity [Pa s/m2] |
| mu | viscosity of air [Pa s] |

References
----------
[1] C. Hopkins, Sound Insulation, 2007, ch. 4: two leaves, cavity and studs as masses and springs (from memory).
[2] D.-Y. Maa, Potential of microperforated panel absorber, J. Acoust. Soc. Am. 104(5) 2861, 1998: viscous air in a
    round hole, friction and mass at its ends (from memory; the limits of narrow and wide holes are tested).
[3] V. A. Fok, 1941, in the two terms that U. Ingard, J. Acoust. Soc. Am. 25(6) 1037, 1953, gives for holes near one
    another: 1 - 1.47 sqrt(e) + 0.47 sqrt(e^3), e the open fraction (from memory).
[4] Lord Rayleigh, The Theory of Sound, sect. 306: the conductivity of an elliptic hole, here a long one (from memory).
"""

from dataclasses import dataclass
from math import pi
from typing import Any

import numpy as np

from roommodes.acoustics.air import Air
from roommodes.acoustics.layering.layers import TransferMatrix
from roommodes.acoustics.layering.radiation import outside_impedance_pa_s_m
from roommodes.acoustics.wall_laws import Porous, air_gap
from roommodes.arrays import Complexes
from roommodes.ranges import ABOVE_ZERO, require_of

SHUT_M = 1e-6  # a crack narrower than this is none
VISCOSITY_PA_S = 1.82e-5  # of air at 20 C (from memory); 5 % more at 40 C


def cavity(omega: Complexes, air: Air, depth_m: Any, flow_resistivity_pa_s_m2: Any) -> TransferMatrix:
    """A cavity, empty (sigma = 0) or filled with a porous material."""
    if not np.any(flow_resistivity_pa_s_m2):
        return air_gap(omega, air, depth_m)
    fill = Porous(flow_resistivity_pa_s_m2=flow_resistivity_pa_s_m2, thickness_m=depth_m)
    return fill.transfer_matrix(omega, air)


@dataclass(frozen=True, slots=True, kw_only=True)
class Partition:
    """Two leaves on studs or joists with a cavity between them.

    Far below the mass-spring-mass resonance both move as one mass; far above it the leaf facing the room moves alone
    before its cavity. Studs join the leaves: their mass goes with both, and what they carry from leaf to leaf is a
    spring beside that of the air, [1]. The frame's own bending as a whole (some 10 to 25 Hz for a storey's height) is
    not in it, nor are the boards' bays between the studs.

    Parameters
    ----------
    inner_mass_kg_m2, outer_mass_kg_m2 : of the leaf facing the room, of the other one.
    cavity_m : depth of the cavity.
    fill_flow_resistivity_pa_s_m2 : sigma of what fills it; 0 for air alone.
    inner_resistance_pa_s_m, outer_resistance_pa_s_m : losses of each leaf against the frame at rest.
    stud_mass_kg_m2 : of studs and plates, spread over the area; half goes with each leaf.
    stud_stiffness_pa_m : spring of the studs between the leaves; 0 for leaves on frames of their own.
    radiates : there is a room or free air behind it; else it moves in front of nothing at all.
    area_m2 : of the surface, for its radiation; None for rho c.
    """

    inner_mass_kg_m2: float
    outer_mass_kg_m2: float
    cavity_m: float
    fill_flow_resistivity_pa_s_m2: float = 0.0
    inner_resistance_pa_s_m: float = 0.0
    outer_resistance_pa_s_m: float = 0.0
    stud_mass_kg_m2: float = 0.0
    stud_stiffness_pa_m: float = 0.0
    radiates: bool = True
    area_m2: float | None = None

    def __post_init__(self) -> None:
        require_of(self, "inner_mass_kg_m2", "outer_mass_kg_m2", "cavity_m", allowed=ABOVE_ZERO)
        losses = ("fill_flow_resistivity_pa_s_m2", "inner_resistance_pa_s_m", "outer_resistance_pa_s_m")
        require_of(self, *losses, "stud_mass_kg_m2", "stud_stiffness_pa_m")

    def admittance(self, omega: Complexes, air: Air) -> Complexes:
        """(k,) rad/s -> (k,)."""
        w = np.asarray(omega + 0.0 * air.density_kg_m3, dtype=np.complex128)
        outside = outside_impedance_pa_s_m(w, air, self.area_m2) if self.radiates else 0.0
        inner, gap, outer = self._parts(w, air)
        # by impedances, so that nothing behind (0) is no division by it
        behind = outer + outside
        return np.asarray(air.impedance_pa_s_m / (inner + (gap.a * behind + gap.b) / (gap.c * behind + gap.d)))

    def transfer_matrix(self, omega: Complexes, air: Air) -> TransferMatrix:
        """Leaf, cavity with studs, leaf."""
        inner, gap, outer = self._parts(np.asarray(omega + 0.0 * air.density_kg_m3, dtype=np.complex128), air)
        return TransferMatrix.series(inner) @ gap @ TransferMatrix.series(outer)

    def _parts(self, w: Complexes, air: Air) -> tuple[Complexes, TransferMatrix, Complexes]:
        inner = self.inner_resistance_pa_s_m + 1j * w * (self.inner_mass_kg_m2 + 0.5 * self.stud_mass_kg_m2)
        outer = self.outer_resistance_pa_s_m + 1j * w * (self.outer_mass_kg_m2 + 0.5 * self.stud_mass_kg_m2)
        gap = cavity(w, air, self.cavity_m, self.fill_flow_resistivity_pa_s_m2)
        return inner, gap.coupled(self.stud_stiffness_pa_m, w), outer


@dataclass(frozen=True, slots=True, kw_only=True)
class Perforated:
    """A panel with round holes before a cavity: a Helmholtz resonator.

    Parameters
    ----------
    thickness_m : of the panel.
    hole_m : diameter of the holes.
    open_fraction : share of the panel's area that is open.
    panel_mass_kg_m2 : of the panel itself, which moves beside the air in the holes.
    cavity_m : depth of the cavity behind it.
    fill_flow_resistivity_pa_s_m2 : sigma of what fills the cavity; 0 for air alone.
    """

    thickness_m: float
    hole_m: float
    open_fraction: float
    panel_mass_kg_m2: float
    cavity_m: float
    fill_flow_resistivity_pa_s_m2: float = 0.0

    def __post_init__(self) -> None:
        require_of(self, "thickness_m", "hole_m", "open_fraction", "panel_mass_kg_m2", "cavity_m", allowed=ABOVE_ZERO)
        require_of(self, "fill_flow_resistivity_pa_s_m2")

    def admittance(self, omega: Complexes, air: Air) -> Complexes:
        """(k,) rad/s -> (k,)."""
        return self.transfer_matrix(omega, air).admittance(0.0) * air.impedance_pa_s_m

    def transfer_matrix(self, omega: Complexes, air: Air) -> TransferMatrix:
        """Panel, then cavity."""
        from scipy.special import jve  # noqa: PLC0415 (a tenth of a second that rooms read from what is kept need not pay)

        w = np.asarray(omega + 0.0 * air.density_kg_m3, dtype=np.complex128)
        root = np.sqrt(np.asarray(self.open_fraction, dtype=np.float64))
        near = 1.0 - 1.47 * root + 0.47 * root**3  # [3]
        shear = np.sqrt(-1j * w * air.density_kg_m3 / VISCOSITY_PA_S)
        x = 0.5 * self.hole_m * shear
        in_hole = 1j * w * air.density_kg_m3 * self.thickness_m / (1.0 - 2.0 / x * jve(1, x) / jve(0, x))  # [2]
        ends = 1j * w * air.density_kg_m3 * (8.0 / (3.0 * pi)) * self.hole_m * near
        friction = np.sqrt(0.5 * w * air.density_kg_m3 * VISCOSITY_PA_S)
        holes = (in_hole + ends + friction) / self.open_fraction
        panel = 1.0 / (1.0 / holes + 1.0 / (1j * w * self.panel_mass_kg_m2))
        return TransferMatrix.series(panel) @ cavity(w, air, self.cavity_m, self.fill_flow_resistivity_pa_s_m2)


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeLeak:
    """The crack round a door or a sash, spread over its area: air that passes beside it.

    In a narrow crack the air is held by its viscosity, in a wide one it is a mass; at the ends it is the mass of a
    long elliptic hole, [4]. What comes out radiates as a piston of the leaf's area.

    Parameters
    ----------
    gap_m : width of the crack; 0 for none.
    depth_m : of the crack, through the leaf.
    length_m : of the crack, once round.
    area_m2 : of the leaf.
    """

    gap_m: float
    depth_m: float
    length_m: float
    area_m2: float

    def transfer_matrix(self, omega: Complexes, air: Air) -> TransferMatrix:
        """A passage beside what is behind."""
        w = np.asarray(omega + 0.0 * air.density_kg_m3, dtype=np.complex128)
        if np.all(np.less(self.gap_m, SHUT_M)):
            return TransferMatrix.shunt(np.zeros_like(w))
        jw_rho = 1j * w * air.density_kg_m3
        x = 0.5 * self.gap_m * np.sqrt(jw_rho / VISCOSITY_PA_S)
        inside = jw_rho * self.depth_m / (1.0 - np.tanh(x) / x)
        ends = jw_rho * 0.5 * self.gap_m * np.log(4.0 * self.length_m / self.gap_m)
        share = self.gap_m * self.length_m / self.area_m2
        outside = outside_impedance_pa_s_m(w, air, self.area_m2)
        return TransferMatrix.shunt(1.0 / ((inside + ends) / share + outside))
