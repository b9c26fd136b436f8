"""The field of a rigid room of any shape, as the model asks for it: its modes at seats, sources and wall bases, its
port matrix at imaginary wavenumbers.

It is the maker of `acoustics.ports.RigidField` for rooms that are no boxes. Its modes have one axis: their rank.
"""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from math import inf
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Complexes, Floats
from roommodes.effort import Effort
from roommodes.elements.face_bases import FaceBasis, loads_of
from roommodes.elements.point_sources import flux_loads, images_of, off_edges
from roommodes.elements.solution import RigidSolution
from roommodes.elements.traces import values_at

Parts = tuple[Floats, Floats, Floats, Floats]


class ShapedField:
    """A rigid room's field between some seats, sources and wall bases.

    Parameters
    ----------
    solution : the rigid room.
    bases : boundary modes.
    seat_m, source_m : (n_seat, 3), (n_source, 3) in the air or on its faces [m].
    """

    def __init__(
        self, solution: RigidSolution, bases: Sequence[FaceBasis], *, seat_m: Floats, source_m: Floats
    ) -> None:
        self.solution = solution
        self.bases = tuple(bases)
        shape = solution.mesh.shape
        self.seat_m, self.source_m = (
            np.array([off_edges(shape, point) for point in points]).reshape(-1, 3) for points in (seat_m, source_m)
        )
        self._at_seats = values_at(solution.mesh, self.seat_m)
        self._at_sources = values_at(solution.mesh, self.source_m)
        self.k2_modes = solution.k2
        self.nodes = solution.kappas
        self.cut_wavenumber = solution.cut_wavenumber
        self.volume_m3 = solution.volume_m3
        self.seat_shapes = np.asarray(self._at_seats @ solution.vectors)  # (seat, mode)
        self.source_shapes = np.asarray(self._at_sources @ solution.vectors)

    @property
    def size(self) -> int:
        """Number of boundary modes."""
        return sum(basis.size for basis in self.bases)

    @property
    def effort(self) -> Effort:
        """What one frequency takes; the solution itself is there already."""
        return Effort(
            box=self.k2_modes.size,
            boundary=self.size,
            seats=len(self.seat_m),
            sources=len(self.source_m),
            part_bytes=inf,
        )

    def shapes_at(self, number: NDArray[np.intp]) -> tuple[Floats, Floats]:
        """Some modes, (n, 1) their ranks, at the seats and at the sources: (seat, n), (source, n)."""
        return self.seat_shapes[:, number[:, 0]], self.source_shapes[:, number[:, 0]]

    def overlaps(self, number: NDArray[np.intp]) -> Floats:
        """U, every boundary mode's overlap with some modes, (n, 1) their ranks: (boundary mode, n) [m]."""
        return self._overlaps()[:, number[:, 0]]

    def pulled(self, pull: Complexes) -> Complexes:
        """U^T times one number for each boundary mode: (boundary mode,) -> (mode,)."""
        return np.asarray(pull @ self._overlaps())

    def _overlaps(self) -> Floats:
        return _answers(self.solution, self.bases).overlaps

    def low(self, kernel: NDArray[Any]) -> Parts:
        """Sums over the modes of port * kernel * port: (k, mode) -> in the order of PortMatrices' fields."""
        overlaps = self._overlaps()

        def between(rows: Floats, columns: Floats) -> Floats:
            return np.asarray((rows[None] * kernel[:, None, :]) @ columns.T)

        return (
            between(self.seat_shapes, self.source_shapes),
            between(self.seat_shapes, overlaps),
            between(self.source_shapes, overlaps),
            between(overlaps, overlaps),
        )

    def whole(self) -> Parts:
        """The whole sums at k^2 = -kappa^2 for all of `nodes`, in the order of PortMatrices' fields."""
        answers = _answers(self.solution, self.bases)
        seat_boundary = np.stack([self._at_seats @ answer for answer in answers.field])
        source_boundary = np.stack([self._at_sources @ answer for answer in answers.field])
        return self._between_points(), seat_boundary, source_boundary, answers.boundary

    def _between_points(self) -> Floats:
        """Seats against sources: (node, seat, source) [1/m]. The singular part is that of the fewer ones."""
        turned = len(self.seat_m) > len(self.source_m)
        few, many = (self.source_m, self.seat_m) if turned else (self.seat_m, self.source_m)
        at_many = self._at_seats if turned else self._at_sources
        result = np.zeros((len(self.nodes), len(few), len(many)))
        if len(few):
            solution = self.solution
            sources = [images_of(solution.mesh.shape, point) for point in few]
            loads = flux_loads(solution.mesh, solution.boundary, sources, self.nodes)
            for i, (kappa, factor) in enumerate(zip(self.nodes, solution.factors, strict=True)):
                smooth = (at_many @ factor.solve(loads[i])).T
                result[i] = smooth + np.array([source.field(kappa, many) for source in sources])
        return result.transpose(0, 2, 1) if turned else result


class _Answers:
    """What the rigid room answers to wall bases."""

    def __init__(self, solution: RigidSolution, bases: tuple[FaceBasis, ...]) -> None:
        loads = np.concatenate(
            [np.empty((solution.mesh.size, 0)), *(loads_of(solution.mesh, basis) for basis in bases)], axis=1
        )
        self.overlaps = loads.T @ solution.vectors
        with ThreadPoolExecutor(len(solution.factors)) as pool:
            self.field = tuple(pool.map(lambda factor: np.asarray(factor.solve(loads)), solution.factors))
        touched = np.flatnonzero(np.abs(loads).max(axis=1, initial=0.0) > 0.0)
        part = np.ascontiguousarray(loads[touched].T)
        self.boundary = np.stack([part @ answer[touched] for answer in self.field])
        for array in (self.overlaps, self.boundary, *self.field):
            array.setflags(write=False)


@lru_cache(maxsize=3)
def _answers(solution: RigidSolution, bases: tuple[FaceBasis, ...]) -> _Answers:
    return _Answers(solution, bases)
