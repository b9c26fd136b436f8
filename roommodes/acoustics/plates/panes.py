"""What vibrates in its own bending modes on the edges of its rectangle: a pane of glass, two with air between, a door.

A thin plate on simple supports has the modes (2 / sqrt(a b)) sin sin; each moves by itself,

    Z = (m / j omega) (omega_jk^2 (1 + j eta) - omega^2),    omega_jk^2 = (D / m) ((j pi / a)^2 + (k pi / b)^2)^2,

and the air outside adds its radiation impedance. Two leaves on one rectangle have the same shapes, so each mode is a
small circuit: inner leaf, gap, outer leaf.

References
----------
[1] A. W. Leissa, The free vibration of rectangular plates, J. Sound Vib. 31(3) 257-293, 1973: the simply
    supported plate (from memory; exact and derivable).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import pi, sqrt

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.air import Air
from roommodes.acoustics.layering.layers import Layer, Layered, WallLaw
from roommodes.acoustics.layering.radiation import ModeRadiation
from roommodes.arrays import Complexes, Floats
from roommodes.ranges import ABOVE_ZERO, Allowed, require_of

POISSON = Allowed(low=0.0, high=0.49)


@dataclass(frozen=True, slots=True, kw_only=True)
class Plate:
    """Base of the laws of walls that bend as plates: `Pane` and `DoublePane`.

    Parameters
    ----------
    radiates : adds the radiation of its modes into free air outside.
    front : layers before it that react at every point by themselves, the inner one first.
    glass : whether it is glass.
    divides : what other surfaces leave of it, where they cover a part, are plates of their own; else that is refused.
    """

    radiates: bool = True
    front: tuple[Layer, ...] = ()
    glass: bool = True
    divides: bool = False

    @property
    def thicknesses_m(self) -> tuple[float, ...]:
        """Of each leaf, the inner one first [m]."""
        raise NotImplementedError

    @property
    def surface_mass_kg_m2(self) -> float:
        """Mass per unit area of all leaves [kg/m2]."""
        raise NotImplementedError

    @property
    def bending_stiffness_n_m(self) -> float:
        """D = E h^3 / (12 (1 - nu^2)), of all leaves side by side [N m]."""
        raise NotImplementedError

    def speed_m2_s(self) -> float:
        """sqrt(D / m) of the leaf that bends most slowly: omega_jk over the squared bending wavenumber [m2/s]."""
        raise NotImplementedError

    def resonances_hz(self, width_m: float, height_m: float, highest_hz: float) -> Floats:
        """The plate's own resonances in vacuo up to `highest_hz`, all leaves moving together: rising (n,) [Hz]."""
        speed = sqrt(self.bending_stiffness_n_m / self.surface_mass_kg_m2)
        most = 2.0 * pi * highest_hz / speed
        j, k = (np.arange(1, int(sqrt(most) * side / pi) + 1) * pi / side for side in (width_m, height_m))
        bend2 = (j[:, None] ** 2 + k[None, :] ** 2).ravel()
        return np.asarray(np.sort(speed * bend2[bend2 <= most]) / (2.0 * pi))

    def mode_impedance_pa_s_m(self, omega: Complexes, bend2: Floats, outside: Complexes, air: Air) -> Complexes:
        """p / v of modes (k, mode) [Pa s/m], without the layers before it.

        Parameters
        ----------
        omega : (k, 1), may be complex [rad/s].
        bend2 : (mode,), or (k, mode), squared bending wavenumbers [1/m2].
        outside : (k, mode) impedance of the air outside [Pa s/m].
        """
        raise NotImplementedError

    def radiation_of(self, width_m: float, height_m: float, numbers: NDArray[np.intp]) -> ModeRadiation | None:
        """The radiation of modes `numbers` (mode, 2) on this rectangle; None if it does not radiate."""
        return ModeRadiation.of(width_m, height_m, numbers) if self.radiates else None

    def far_resistance_pa_s_m(self, air: Air) -> float:
        """What the modes far above the band meet outside: nothing, their waves are too short [Pa s/m]."""
        return 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Pane(Plate):
    """One thin plate, simply supported on the edges of its rectangle.

    Parameters
    ----------
    thickness_m, youngs_modulus_pa, poisson, density_kg_m3 : of the plate.
    loss_factor : eta of the plate, D (1 + j eta).
    """

    thickness_m: float
    youngs_modulus_pa: float
    poisson: float
    density_kg_m3: float
    loss_factor: float

    def __post_init__(self) -> None:
        require_of(self, "thickness_m", "youngs_modulus_pa", "density_kg_m3", allowed=ABOVE_ZERO)
        require_of(self, "poisson", allowed=POISSON)
        require_of(self, "loss_factor")

    @property
    def thicknesses_m(self) -> tuple[float, ...]:
        """See `Plate`."""
        return (self.thickness_m,)

    @property
    def surface_mass_kg_m2(self) -> float:
        """See `Plate`."""
        return self.density_kg_m3 * self.thickness_m

    @property
    def bending_stiffness_n_m(self) -> float:
        """See `Plate`."""
        return self.youngs_modulus_pa * self.thickness_m**3 / (12.0 * (1.0 - self.poisson**2))

    def speed_m2_s(self) -> float:
        """See `Plate`."""
        return sqrt(self.bending_stiffness_n_m / self.surface_mass_kg_m2)

    def mode_impedance_pa_s_m(self, omega: Complexes, bend2: Floats, outside: Complexes, air: Air) -> Complexes:
        """See `Plate`."""
        bending = self.bending_stiffness_n_m * (1.0 + 1j * self.loss_factor) * bend2**2
        return np.asarray((bending - self.surface_mass_kg_m2 * omega**2) / (1j * omega) + outside)


@dataclass(frozen=True, slots=True, kw_only=True)
class DoublePane(Plate):
    """Two panes with a closed gap of air between them, on the same edges.

    The air of the gap is taken as a spring at every point, rho c^2 (1 + j eta_g) / d: it does not flow along the gap.
    So below the mass-spring-mass resonance both leaves bend together.

    Parameters
    ----------
    inner_thickness_m, outer_thickness_m : of the leaf facing the room, of the outer one.
    gap_m, gap_loss_factor : d, eta_g.
    youngs_modulus_pa, poisson, density_kg_m3 : of both leaves.
    loss_factor : eta of both leaves with their seals.
    leaf_resistance_pa_s_m : further losses of each leaf.
    """

    inner_thickness_m: float
    outer_thickness_m: float
    gap_m: float
    gap_loss_factor: float
    youngs_modulus_pa: float
    poisson: float
    density_kg_m3: float
    loss_factor: float
    leaf_resistance_pa_s_m: float = 0.0

    def __post_init__(self) -> None:
        thick = ("inner_thickness_m", "outer_thickness_m", "gap_m", "youngs_modulus_pa", "density_kg_m3")
        require_of(self, *thick, allowed=ABOVE_ZERO)
        require_of(self, "poisson", allowed=POISSON)
        require_of(self, "loss_factor", "gap_loss_factor", "leaf_resistance_pa_s_m")

    @property
    def thicknesses_m(self) -> tuple[float, ...]:
        """See `Plate`."""
        return (self.inner_thickness_m, self.outer_thickness_m)

    @property
    def surface_mass_kg_m2(self) -> float:
        """See `Plate`."""
        return sum(self.leaf(h).surface_mass_kg_m2 for h in self.thicknesses_m)

    @property
    def bending_stiffness_n_m(self) -> float:
        """See `Plate`."""
        return sum(self.leaf(h).bending_stiffness_n_m for h in self.thicknesses_m)

    def leaf(self, thickness_m: float) -> Pane:
        """One of its leaves by itself."""
        return Pane(
            thickness_m=thickness_m,
            youngs_modulus_pa=self.youngs_modulus_pa,
            poisson=self.poisson,
            density_kg_m3=self.density_kg_m3,
            loss_factor=self.loss_factor,
        )

    def resonance_hz(self, air: Air) -> float:
        """Mass-spring-mass resonance [Hz]."""
        masses = [self.density_kg_m3 * h for h in self.thicknesses_m]
        stiffness = air.density_kg_m3 * air.speed_of_sound_m_s**2 / self.gap_m
        return sqrt(stiffness * (1.0 / masses[0] + 1.0 / masses[1])) / (2.0 * pi)

    def speed_m2_s(self) -> float:
        """See `Plate`."""
        return min(self.leaf(h).speed_m2_s() for h in self.thicknesses_m)

    def mode_impedance_pa_s_m(self, omega: Complexes, bend2: Floats, outside: Complexes, air: Air) -> Complexes:
        """See `Plate`."""
        nothing = np.zeros_like(outside)
        inner, outer = (
            self.leaf(h).mode_impedance_pa_s_m(omega, bend2, nothing, air) + self.leaf_resistance_pa_s_m
            for h in self.thicknesses_m
        )
        spring = air.density_kg_m3 * air.speed_of_sound_m_s**2 / self.gap_m * (1.0 + 1j * self.gap_loss_factor)
        gap = spring / (1j * omega)
        behind = outer + outside
        return np.asarray(inner + gap * behind / (gap + behind))


def behind_one_another(laws: Sequence[WallLaw | Plate]) -> WallLaw | Plate:
    """One law of several layers, the inner one first.

    Parameters
    ----------
    laws : at least one; all but the last are layers too.

    Raises
    ------
    ValueError : one before the last cannot lie before anything.
    """
    *front, back = laws
    layers: list[Layer] = []
    for law in front:
        if not isinstance(law, Layer):
            raise ValueError(f"{type(law).__name__} cannot lie before something else")
        layers.append(law)
    if not layers:
        return back
    if isinstance(back, Plate):
        return replace(back, front=(*layers, *back.front))
    return Layered(front=tuple(layers), back=back)
