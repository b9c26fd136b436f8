"""The room modes above the cut at one frequency: smooth in k^2, so that two real wavenumbers tell all of them.

Each mode adds a multiple of 1 / (t - k^2), its t above the cut. The value at the drawn room's own k^2, complex by its
loss, is a weighted sum of those at two real ones, with weights that are best for all such t (`ports.smooth_weights`).
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.ports import Ports, smooth_weights
from roommodes.arrays import Complexes, Floats

K2_STEP = 0.02  # of k^2, over which the slope is taken


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Smooth:
    """One of the port matrices.

    Parameters
    ----------
    here, there : at the real part of the drawn room's k^2, and `K2_STEP` of it above.
    weight : (2,) of these in the value at that k^2 itself.
    step : between the two [1/m2].
    """

    here: Any
    there: Any
    weight: Complexes
    step: float

    @property
    def value(self) -> Complexes:
        """At the drawn room's own k^2."""
        return np.asarray(self.weight[0] * self.here + self.weight[1] * self.there)

    @property
    def slope(self) -> Complexes:
        """Over k^2."""
        return np.asarray((self.there - self.here) / self.step + 0j)

    def over(self, projection: Callable[[Floats], Complexes]) -> "Smooth":
        """The same of a linear projection."""
        return replace(self, here=projection(self.here), there=projection(self.there))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rest:
    """Port matrices of the modes above the cut: b boundary modes, s seats, c sources.

    Parameters
    ----------
    seat_source, seat_boundary, source_boundary, boundary : (s, c), (s, b), (c, b), (b, b).
    """

    seat_source: Smooth
    seat_boundary: Smooth
    source_boundary: Smooth
    boundary: Smooth

    @classmethod
    def of(cls, ports: Ports, k2: complex, without: NDArray[np.bool_]) -> "Rest":
        """At a squared wavenumber [1/m2], the modes below the cut left out."""
        step = k2.real * K2_STEP
        nodes = np.array([k2.real, k2.real + step])
        parts = ports.real_at(nodes, without=without)
        cut = min(float(ports.k2_modes[~without].min(initial=np.inf)) ** 0.5, ports.field.cut_wavenumber)
        weight = smooth_weights(np.array([k2]), nodes, cut)[0]
        smooth = [Smooth(here=here, there=there, weight=weight, step=step) for here, there in parts]
        return cls(seat_source=smooth[0], seat_boundary=smooth[1], source_boundary=smooth[2], boundary=smooth[3])
