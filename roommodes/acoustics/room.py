"""The rectangular room and the surfaces on its walls.

Axes: origin at the front (screen) wall, left wall, floor corner; x runs from front to rear (length), y from
left to right as seen by a person facing the screen (width), z up (height).

```
            rear  x = length
        +----------------+
        |                |
  left  |      seats     |  right        z: floor = 0, ceiling = height
  y = 0 |                |  y = width
        +----------------+
            front x = 0 (screen)
```
"""

from dataclasses import dataclass, field
from typing import Literal, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.air import Air

Wall = Literal["front", "rear", "left", "right", "floor", "ceiling"]
WALLS: tuple[Wall, ...] = ("front", "rear", "left", "right", "floor", "ceiling")
AXIS_OF_WALL: dict[Wall, tuple[int, int]] = {  # wall -> (normal axis, 0 at the origin side or 1 at the far side)
    "front": (0, 0),
    "rear": (0, 1),
    "left": (1, 0),
    "right": (1, 1),
    "floor": (2, 0),
    "ceiling": (2, 1),
}
PLANE_AXES: tuple[tuple[int, int], ...] = ((1, 2), (0, 2), (0, 1))  # normal axis -> the two axes in the wall


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """A rectangular room filled with air.

    Parameters
    ----------
    length_m, width_m, height_m : inner dimensions along x, y, z [m].
    air : the air in it.
    loss_factor : eta of the bulk, k = (omega / c)(1 - j eta / 2) [-].
    """

    length_m: float
    width_m: float
    height_m: float
    air: Air = field(default_factory=Air)
    loss_factor: float = 0.004

    @property
    def size_m(self) -> tuple[float, float, float]:
        """(length, width, height) [m]."""
        return (self.length_m, self.width_m, self.height_m)

    @property
    def volume_m3(self) -> float:
        """Volume [m3]."""
        return self.length_m * self.width_m * self.height_m

    @property
    def wall_area_m2(self) -> float:
        """Area of all six walls [m2]."""
        x, y, z = self.size_m
        return 2.0 * (x * y + y * z + z * x)

    @property
    def edge_length_m(self) -> float:
        """Sum of the twelve edges [m]."""
        return 4.0 * sum(self.size_m)

    def wall_size_m(self, wall: Wall) -> tuple[float, float]:
        """Extent of a wall along its two axes, in the order x, y, z [m]."""
        along, up = PLANE_AXES[AXIS_OF_WALL[wall][0]]
        return (self.size_m[along], self.size_m[up])


@runtime_checkable
class WallLaw(Protocol):
    """A locally reacting wall: the normal velocity at a point depends on the pressure there alone."""

    def admittance(self, omega: NDArray[np.complex128], air: Air) -> NDArray[np.complex128]:
        """Specific admittance beta = rho c / Z, outward normal, at angular frequency `omega` [rad/s]; e^{+j omega t}.

        Must accept complex `omega` (damped modes); where the law is a table, its real part is used.
        A rigid wall gives zeros. Passive walls have a real part >= 0 at real `omega`.
        """
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Pane:
    """A thin plate, simply supported on the edges of its rectangle; not locally reacting.

    Parameters
    ----------
    thickness_m, youngs_modulus_pa, poisson, density_kg_m3 : of the plate.
    loss_factor : eta_p of the plate, D (1 + j eta_p).
    radiates : adds rho c of the air outside.
    """

    thickness_m: float
    youngs_modulus_pa: float
    poisson: float
    density_kg_m3: float
    loss_factor: float
    radiates: bool = True

    @property
    def surface_mass_kg_m2(self) -> float:
        """Mass per unit area [kg/m2]."""
        return self.density_kg_m3 * self.thickness_m

    @property
    def bending_stiffness_n_m(self) -> float:
        """D = E h^3 / (12 (1 - nu^2)) [N m]."""
        return self.youngs_modulus_pa * self.thickness_m**3 / (12.0 * (1.0 - self.poisson**2))

    def outside_resistance_pa_s_m(self, air: Air) -> float:
        """Radiation resistance to the outside [Pa s/m]."""
        return air.impedance_pa_s_m if self.radiates else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Surface:
    """A rectangle of a wall and what it is made of. A later surface replaces what lies under it.

    Parameters
    ----------
    wall : which wall.
    from_m, to_m : opposite corners along the wall's two axes in the order x, y, z [m]
        (front, rear: (y, z); left, right: (x, z); floor, ceiling: (x, y)).
    law : a locally reacting law or a vibrating pane.
    name : what a person calls it.
    """

    wall: Wall
    from_m: tuple[float, float]
    to_m: tuple[float, float]
    law: WallLaw | Pane
    name: str = ""
