"""The modes of a room whose sides, blocks and slopes are a little other than those of a room that is solved.

The solved room's modes, carried along with the cells (`shapes.movable`), are trial functions in the other one. In them

    K / V = sum over axes of A_a / g_a^2 + sum over planes of d_p K_p,   M / V = 1 + sum over planes of d_p M_p

per volume of the stretched room, with g the stretch and d how far planes lie elsewhere in the solved room's measure.
A stretch is exact, planes are taken to first order. The eigenvalues' error is of second order in what modes above the
cut would add.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from roommodes.arrays import Floats
from roommodes.elements.matrices import cell_matrices
from roommodes.elements.mesh import Cell
from roommodes.elements.solution import RigidSolution
from roommodes.running import Running
from roommodes.shapes.movable import Movable, Planes, planes_either_way
from roommodes.shapes.shape import Shape

AXES = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MovedModes:
    """The modes of all rooms near to a solved one.

    Parameters
    ----------
    stiffness : (3, m, m) A_a, by axis [1/m2].
    plane_stiffness, plane_mass : (plane, m, m) K_p [1/m3], M_p [1/m].
    """

    stiffness: Floats
    plane_stiffness: Floats
    plane_mass: Floats

    def of(self, grown: Floats, moved_m: Floats) -> tuple[Floats, Floats]:
        """Squared wavenumbers and mixtures of the solved room's modes.

        Parameters
        ----------
        grown : (n, 3) stretch along each axis.
        moved_m : (n, plane) how far each plane lies elsewhere, in the solved room's measure [m].

        Returns
        -------
        (n, m) [1/m2], rising; (n, m, m), a mode in each column, of mean square 1 over the stretched room's volume.
        """
        count = self.stiffness.shape[1]
        k = np.tensordot(1.0 / grown**2, self.stiffness, axes=1) + np.tensordot(moved_m, self.plane_stiffness, axes=1)
        if not len(self.plane_mass) or not moved_m.any():
            k2, mixture = np.linalg.eigh(k)
            return k2, mixture
        mass = np.eye(count) + np.tensordot(moved_m, self.plane_mass, axes=1)
        root = np.linalg.inv(np.linalg.cholesky(mass))
        k2, mixture = np.linalg.eigh(root @ k @ root.transpose(0, 2, 1))
        return k2, root.transpose(0, 2, 1) @ mixture


def moved_modes(
    solution: RigidSolution, shape: Shape, planes: Sequence[tuple[Movable, float]], running: Running = Running()
) -> MovedModes:
    """Prepare the modes of all rooms near to a solved one.

    Parameters
    ----------
    solution : of the room.
    shape : the room's, without the seams of the solution's.
    planes : each with how far it may move either way [m]; slopes of the matrices are taken over that.
    running : cancelling.

    Raises
    ------
    Interrupted : when cancelled.
    """
    count, volume = len(solution.k2), solution.volume_m3
    drawn = shape.grid().planes
    ends = []
    for plane, reach_m in planes:
        ends.append((*planes_either_way(shape, plane, reach_m), 2.0 * reach_m))
    stiffness = np.zeros((3, count, count))
    plane_stiffness, plane_mass = np.zeros((len(ends), count, count)), np.zeros((len(ends), count, count))
    for cell in solution.mesh.cells:
        running.check("interrupted while the room was prepared")
        vectors = solution.vectors[cell.unknowns]
        matrices = [cell_matrices(cell, by_axis) for by_axis in AXES]
        k = np.stack([vectors.T @ (one @ vectors) for one, _ in matrices])
        m = vectors.T @ (matrices[0][1] @ vectors)
        stiffness += k
        for index, (high, low, between) in enumerate(ends):
            (k_high, m_high), (k_low, m_low) = (_weights(cell, drawn, built) for built in (high, low))
            if m_high != m_low or (k_high != k_low).any():
                plane_stiffness[index] += np.tensordot((k_high - k_low) / between, k, axes=1)
                plane_mass[index] += (m_high - m_low) / between * m
    return MovedModes(
        stiffness=_even(stiffness) / volume,
        plane_stiffness=_even(plane_stiffness) / volume,
        plane_mass=_even(plane_mass) / volume,
    )


def _even(matrix: Floats) -> Floats:
    """Its symmetric part, over the last two axes."""
    return np.asarray(0.5 * (matrix + np.swapaxes(matrix, 1, 2)))


def _weights(cell: Cell, drawn: Planes, built: Planes) -> tuple[Floats, float]:
    """By what a cell's stiffness along each axis, and its mass, grow where the planes are others: (3,), scalar."""
    ratio = []
    for axis in range(3):
        interval = int(np.searchsorted(drawn[axis], 0.5 * (cell.low_m[axis] + cell.high_m[axis]))) - 1
        old, new = (planes[axis][interval : interval + 2] for planes in (drawn, built))
        ratio.append(float((new[1] - new[0]) / (old[1] - old[0])))
    grown = ratio[0] * ratio[1] * ratio[2]
    return grown / np.square(ratio), grown
