"""The port matrix of the rigid room: low modes exactly, all the others by a closed tail.

Seats, sources and boundary modes are ports; between two ports u and v

    Z_uv(k^2) = sum over n of u_n v_n / (V (k_n^2 - k^2)).

All modes inside a box of mode numbers are summed at every frequency. What lies outside the box is smooth in
k^2, since its poles lie far above the band: it is a weighted sum of its own values at a few imaginary
wavenumbers, where the whole matrix is known (`imaginary`). The weights are the least-squares answer for a pole
anywhere above the cut, which is some ten times better than passing a polynomial through the nodes.

| symbol | meaning |
| --- | --- |
| kappa_i | the nodes, k^2 = -kappa_i^2 [1/m] |
| k_cut | every mode below it is in the box [1/m] |
| t | k_n^2 of a mode outside the box, above k_cut^2 |
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import prod
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.box_field import BoxField
from roommodes.acoustics.box_within import box_within
from roommodes.acoustics.precision import Precision
from roommodes.acoustics.room import Room
from roommodes.acoustics.wall_bases import Family
from roommodes.arrays import Complexes, Floats
from roommodes.effort import Effort
from roommodes.elements.face_bases import FaceBasis
from roommodes.elements.field import ShapedField
from roommodes.elements.solution import solved
from roommodes.running import Running
from roommodes.shapes.grid import SAME_M

Parts = tuple[Floats, Floats, Floats, Floats]

OVERLAP_BYTES = 32e6  # of the overlaps with modes that are made at a time
REACH, MORE = 1.15, 0.5  # modes below REACH k + MORE [1/m] are taken one by one in `SmoothPorts`
NODES = 11  # its k^2: 2e-9 of a mode's part is missed at most, where it rings for SHORTEST_S of `built_modes`
BELOW = -0.3  # where they begin, over the largest one


@dataclass(frozen=True, slots=True, kw_only=True)
class PortMatrices:
    """Port matrices at some wavenumbers: b boundary modes, s seats, c sources."""

    seat_source: Complexes  # (k, seat, source)
    seat_boundary: Complexes  # (k, seat, mode)
    source_boundary: Complexes  # (k, source, mode)
    boundary: Complexes  # (k, mode, mode)


class RigidField(Protocol):
    """The field of a room with rigid walls between some seats, sources and boundary modes, as the model asks for it.

    Its modes fill an array of the maker's own axes: their three numbers in a box, their rank in any other room.
    """

    k2_modes: Floats
    """(*modes) [1/m2]: all modes below `cut_wavenumber`, and some above."""
    cut_wavenumber: float
    """[1/m]."""
    nodes: tuple[float, ...]
    """kappa_i [1/m]."""
    volume_m3: float
    """Volume of the air [m3]."""

    @property
    def effort(self) -> Effort:
        """What one frequency takes."""

    def shapes_at(self, number: NDArray[np.intp]) -> tuple[Floats, Floats]:
        """Modes at (n, axes) in `k2_modes`, at the seats and at the sources: (seat, n), (source, n).

        Their mean square over the room is 1.
        """

    @property
    def size(self) -> int:
        """Number of boundary modes."""

    def overlaps(self, number: NDArray[np.intp]) -> Floats:
        """U, every boundary mode's overlap with modes at (n, axes) in `k2_modes`: (boundary mode, n) [m]."""

    def pulled(self, pull: Complexes) -> Complexes:
        """U^T times one number for each boundary mode: (boundary mode,) -> (*modes)."""

    def low(self, kernel: NDArray[Any]) -> Parts:
        """Sums over the modes of port * kernel * port: (k, *modes) -> in the order of PortMatrices' fields."""

    def whole(self) -> Parts:
        """Sums over all modes there are at k^2 = -kappa_i^2: (node, ...) in the order of PortMatrices' fields."""


def tail_weights(k2: Complexes, nodes: Sequence[float], cut_wavenumber: float) -> Complexes:
    """Weights of the nodes' tails: (k,) -> (k, n_node).

    Least squares over t >= k_cut^2 of |1 / (t - k^2) - sum w_i / (t + kappa_i^2)| t.
    """
    return smooth_weights(k2, -np.square(nodes), cut_wavenumber)


def smooth_weights(k2: Complexes, node_k2: Floats, cut_wavenumber: float) -> Complexes:
    """The same for nodes at any real k^2 below the cut's: (k,), (n_node,) [1/m2] -> (k, n_node)."""
    t = np.geomspace(cut_wavenumber**2, 1e4 * cut_wavenumber**2, 400)
    basis = t[:, None] / (t[:, None] - node_k2[None, :])
    wanted = t[:, None] / (t[:, None] - k2[None, :])
    return np.asarray(np.linalg.lstsq(basis.astype(np.complex128), wanted, rcond=None)[0]).T


class Ports:
    """All port matrices of a room, prepared once and evaluated at any wavenumber.

    Parameters
    ----------
    room : the room.
    families : boundary modes, of the kind that `room_boundary` makes for it.
    seat_m, source_m : (n_seat, 3), (n_source, 3) [m].
    max_wavenumber : the largest |k| that will be asked for [1/m].
    precision : how far the sums go, in a box.
    running : progress and cancelling, where the room's shape is to be solved first.
    """

    def __init__(
        self,
        room: Room,
        families: Sequence[Family | FaceBasis],
        *,
        seat_m: Floats,
        source_m: Floats,
        max_wavenumber: float,
        precision: Precision,
        running: Running = Running(),
    ) -> None:
        self.room = room
        self.families = tuple(families)
        self.field = _field(room, families, seat_m, source_m, max_wavenumber, precision, running)
        self.k2_modes = self.field.k2_modes
        low = self.field.low(self._kernel(-np.square(self.field.nodes)))
        self.tails = tuple(whole - part for whole, part in zip(self.field.whole(), low, strict=True))

    @property
    def size(self) -> int:
        """Number of boundary modes."""
        return self.field.size

    @property
    def effort(self) -> Effort:
        """What one frequency takes."""
        return self.field.effort

    def at(self, k2: Complexes, *, without: NDArray[np.bool_] | None = None) -> PortMatrices:
        """Port matrices at squared wavenumbers.

        Parameters
        ----------
        k2 : (k,) [1/m2].
        without : as `k2_modes`, the modes to leave out of the sum.
        """
        kernel = self._kernel(k2)
        if without is not None:
            kernel = np.where(without, 0.0, kernel)
        low = self.field.low(np.concatenate([kernel.real, kernel.imag]))
        weights = tail_weights(k2, self.field.nodes, self.field.cut_wavenumber)
        parts = [_joined(part, tail, weights) for part, tail in zip(low, self.tails, strict=True)]
        return PortMatrices(seat_source=parts[0], seat_boundary=parts[1], source_boundary=parts[2], boundary=parts[3])

    def real_at(self, k2: Floats, *, without: NDArray[np.bool_]) -> Parts:
        """The same at real squared wavenumbers (k,) [1/m2], in the order of PortMatrices' fields."""
        low = self.field.low(np.where(without, 0.0, self._kernel(k2)))
        weights = tail_weights(k2.astype(np.complex128), self.field.nodes, self.field.cut_wavenumber).real
        points, seats, sources, walls = (
            part + np.tensordot(weights, tail, axes=1) for part, tail in zip(low, self.tails, strict=True)
        )
        return points, seats, sources, walls

    def times(self, k2: Complexes, x: Complexes, *, without: NDArray[np.bool_]) -> Complexes:
        """`boundary` of `at` times one vector for each squared wavenumber, the matrix never made.

        Parameters
        ----------
        k2 : (k,) [1/m2].
        x : (k, mode).
        without : as `k2_modes`, the modes to leave out of the sum.
        """
        weights = tail_weights(k2, self.field.nodes, self.field.cut_wavenumber)
        pair = np.concatenate([x.real, x.imag]).T
        tails = self.tails[3] @ pair  # (node, mode, 2k)
        tails = tails[:, :, : len(k2)] + 1j * tails[:, :, len(k2) :]
        result = np.einsum("kn,nbk->kb", weights, tails)
        kernel = np.where(without, 0.0, self._kernel(k2)).reshape(len(k2), -1)
        number = np.stack(np.unravel_index(np.arange(kernel.shape[1]), self.k2_modes.shape), axis=1)
        step = max(1, int(OVERLAP_BYTES / (8.0 * max(1, self.size))))
        for start in range(0, len(number), step):
            part = slice(start, start + step)
            overlap = self.overlaps(number[part])
            both = overlap.T @ pair
            pulled = kernel[:, part] * (both[:, : len(k2)] + 1j * both[:, len(k2) :]).T
            both = overlap @ np.concatenate([pulled.real, pulled.imag]).T
            result += (both[:, : len(k2)] + 1j * both[:, len(k2) :]).T
        return np.asarray(result)

    def overlaps(self, number: NDArray[np.intp]) -> Floats:
        """U, every boundary mode's overlap with the field's modes at (n, axes): (boundary mode, n) [m]."""
        return self.field.overlaps(number)

    def pulled(self, pull: Complexes) -> Complexes:
        """U^T times one number for each boundary mode, at every mode of the field: (boundary mode,) -> (*modes)."""
        return self.field.pulled(pull)

    def _kernel(self, k2: NDArray[Any]) -> NDArray[Any]:
        wide = k2.reshape(-1, *(1,) * self.k2_modes.ndim)
        return np.asarray(1.0 / (self.field.volume_m3 * (self.k2_modes[None] - wide)))


class SmoothPorts:
    """`Ports.at(...).boundary` without the room's lowest modes, near the real axis: a sum of fixed matrices.

    What is left when the modes kept elsewhere are taken out has its poles well above the band. A few modes more are
    taken one by one; the rest is smooth in k^2, and at any k^2 the weighted sum of its values at a few real ones. So
    all frequencies share the sums over modes, and each takes little beside them.

    Parameters
    ----------
    ports : the room's.
    without : as `ports.k2_modes`, the modes to leave out of the sum.
    max_wavenumber : the largest real part of k that will be asked for [1/m].
    order : (mode,) the boundary modes in the order in which they will be given.
    """

    def __init__(
        self, ports: Ports, *, without: NDArray[np.bool_], max_wavenumber: float, order: NDArray[np.intp]
    ) -> None:
        cut, top = REACH * max_wavenumber + MORE, max_wavenumber**2
        single = (ports.k2_modes <= cut**2) & ~without
        turn = np.cos(np.pi * (np.arange(NODES) + 0.5) / NODES)
        nodes = 0.5 * top * ((1.0 + BELOW) + (1.0 - BELOW) * turn)
        found = ports.real_at(nodes, without=without | single)[3]
        self._value = found[:, order[:, None], order[None, :]].reshape(NODES, -1)
        self._overlap = ports.overlaps(np.argwhere(single))[order]  # (mode, n)
        self._k2, self._volume_m3 = ports.k2_modes[single], ports.field.volume_m3
        self._nodes, self._cut = nodes, cut

    def at(self, k2: Complexes) -> Complexes:
        """At squared wavenumbers [1/m2]: (k,) -> (k, mode, mode)."""
        size = len(self._overlap)
        weight = smooth_weights(k2, self._nodes, self._cut)
        low = 1.0 / (self._volume_m3 * (self._k2 - k2[:, None]))
        both = (np.concatenate([weight.real, weight.imag]) @ self._value).reshape(-1, size, size)
        both += (self._overlap * np.concatenate([low.real, low.imag])[:, None, :]) @ self._overlap.T
        result = np.empty((len(k2), size, size), dtype=np.complex128)
        result.real, result.imag = both[: len(k2)], both[len(k2) :]
        return result


def _field(
    room: Room,
    families: Sequence[Family | FaceBasis],
    seat_m: Floats,
    source_m: Floats,
    max_wavenumber: float,
    precision: Precision,
    running: Running,
) -> RigidField:
    """The maker for a room."""
    if box := box_within(room):
        return BoxField(
            box.room,
            [family for family in families if isinstance(family, Family)],
            seat_m=seat_m - box.origin_m,
            source_m=source_m - box.origin_m,
            max_wavenumber=max_wavenumber,
            precision=precision,
        )
    bases = [family for family in families if isinstance(family, FaceBasis)]
    planes = room.shape.grid().planes  # where elements end anyway; so rooms with other walls share one solution
    wanted = {seam for basis in bases for seam in basis.seams}
    seams = sorted((axis, at) for axis, at in wanted if np.abs(planes[axis] - at).min() > SAME_M)
    shape = replace(room.shape, seams=tuple(seams))
    return ShapedField(solved(shape, max_wavenumber, running), bases, seat_m=seat_m, source_m=source_m)


def _joined(low: Floats, tail: Floats, weights: Complexes) -> Complexes:
    """Low modes (2k, ...), real parts first, and the nodes' tails (node, ...) in one complex array (k, ...)."""
    count = len(weights)
    flat = tail.reshape(len(tail), prod(tail.shape[1:]))
    result = np.empty((count, *low.shape[1:]), dtype=np.complex128)
    np.add(low[:count], (weights.real @ flat).reshape(result.shape), out=result.real)
    np.add(low[count:], (weights.imag @ flat).reshape(result.shape), out=result.imag)
    return result
