"""The rigid room's modes below the cut in many built rooms: cosines in a box, mixtures of the drawn ones elsewhere."""

from dataclasses import dataclass
from math import pi
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.box_within import box_within
from roommodes.acoustics.ports import Ports
from roommodes.arrays import Floats
from roommodes.elements.field import ShapedField
from roommodes.elements.moved_modes import MovedModes, moved_modes
from roommodes.elements.solution import RigidSolution
from roommodes.elements.traces import values_at
from roommodes.running import Running
from solvers.tolerance.inputs import Builds, Inputs


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mixed:
    """The modes of some built rooms, m of them each.

    Parameters
    ----------
    k2 : (n, m) squared wavenumbers [1/m2].
    volume_m3 : (n,) by which they are normalised [m3].
    mixture : (n, m, m) each as a mixture of the drawn room's, a mode in each column; None where each stays itself.
    """

    k2: Floats
    volume_m3: Floats
    mixture: Floats | None


class Modes(Protocol):
    """The drawn room's modes, and what becomes of them in built ones."""

    @property
    def number(self) -> NDArray[np.intp]:
        """(m, axes) their places in the field's array of modes."""

    def shapes_at(self, point_m: Floats) -> Floats:
        """The drawn room's modes at places in it: (n, point, 3) -> (n, point, m)."""

    def of(self, builds: Builds) -> Mixed:
        """In built rooms."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BoxModes:
    """Cosines: of the room, or of the box in it that its air fills.

    Parameters
    ----------
    number : (m, 3) mode numbers.
    inputs : of the room.
    origin_m, size_m : (3,) corner and sides of the box as drawn [m].
    """

    number: NDArray[np.intp]
    inputs: Inputs
    origin_m: Floats
    size_m: Floats

    def shapes_at(self, point_m: Floats) -> Floats:
        """As `Modes`."""
        shape = np.ones((*point_m.shape[:2], len(self.number)))
        for axis in range(3):
            count = int(self.number[:, axis].max()) + 1
            n = np.arange(count)
            at = point_m[:, :, axis, None] - self.origin_m[axis]
            cosine = np.cos(at * (n * pi / self.size_m[axis])) * np.where(n > 0, 2.0**0.5, 1.0)
            shape *= cosine[:, :, self.number[:, axis]]
        return shape

    def of(self, builds: Builds) -> Mixed:
        """As `Modes`."""
        size = builds.size_m
        if self.inputs.geometry is not None:
            ends = np.stack([self.origin_m, self.origin_m + self.size_m])
            size = np.stack([np.ptp(self.inputs.geometry.as_built(ends, *one), axis=0) for one in self._each(builds)])
        k2 = ((self.number[None] * pi / size[:, None, :]) ** 2).sum(axis=2)
        return Mixed(k2=k2, volume_m3=np.prod(size, axis=1), mixture=None)

    def _each(self, builds: Builds) -> list[tuple[Floats, Floats]]:
        drawn = np.array(self.inputs.project.room.size_m)
        return [(size / drawn, moved) for size, moved in zip(builds.size_m, builds.plane_m, strict=True)]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShapedModes:
    """The modes of a room that is no box, all that its solution has.

    Parameters
    ----------
    inputs : of the room.
    solution : of the drawn room.
    moved : what becomes of them.
    """

    inputs: Inputs
    solution: RigidSolution
    moved: MovedModes

    @property
    def number(self) -> NDArray[np.intp]:
        """As `Modes`."""
        return np.arange(len(self.solution.k2))[:, None]

    def shapes_at(self, point_m: Floats) -> Floats:
        """As `Modes`."""
        found = values_at(self.solution.mesh, point_m.reshape(-1, 3)) @ self.solution.vectors
        return np.asarray(found).reshape(*point_m.shape[:2], len(self.solution.k2))

    def of(self, builds: Builds) -> Mixed:
        """As `Modes`."""
        grown = builds.size_m / np.array(self.inputs.project.room.size_m)
        moved_m = builds.plane_m / grown[:, [one.plane.axis for one in self.inputs.uncertain]]
        volume = self.solution.volume_m3 * np.prod(grown, axis=1)
        if not moved_m.any() and (grown == 1.0).all():
            return Mixed(k2=np.tile(self.solution.k2, (len(grown), 1)), volume_m3=volume, mixture=None)
        k2, mixture = self.moved.of(grown, moved_m)
        return Mixed(k2=k2, volume_m3=volume, mixture=mixture)


def box_modes(inputs: Inputs, *, highest_k2: float) -> BoxModes | None:
    """The modes that are worked out one by one in a box, up to a squared wavenumber [1/m2]; None in another room."""
    box = box_within(inputs.project.room)
    if box is None:
        return None
    size = np.array(box.room.size_m)
    x, y, z = (np.arange(int(highest_k2**0.5 * side / pi) + 1) * pi / side for side in size)
    k2 = (x**2)[:, None, None] + (y**2)[None, :, None] + (z**2)[None, None, :]
    return BoxModes(number=np.argwhere(k2 <= highest_k2), inputs=inputs, origin_m=box.origin_m, size_m=size)


def shaped_modes(inputs: Inputs, ports: Ports, *, running: Running = Running()) -> ShapedModes:
    """Those of a room that is no box.

    Raises
    ------
    Interrupted : when cancelled.
    """
    assert isinstance(ports.field, ShapedField), "a room that is no box"
    assert inputs.geometry is not None, "a room that is no box"
    solution = ports.field.solution
    planes = [(one.plane, one.reach_m) for one in inputs.uncertain]
    moved = moved_modes(solution, inputs.geometry.shape, planes, running)
    return ShapedModes(inputs=inputs, solution=solution, moved=moved)
