"""The full equations of one room at many frequencies, as a sum of fixed matrices.

    B^T (Y^-1 + Z_bb) B a = B^T Z_bp,   H = 4 pi (Z_sc - Z_sb B a_c)

(`transfer`; B as in `wall_terms`), with Z in two parts: low modes one by one, and all others, which are smooth in k^2
since their poles lie above the band. They are known at a few real k^2 and weighted as the tails of `ports` are.

| symbol | meaning |
| --- | --- |
| p | points: the seats, then the sources |
| U | overlap of the boundary modes with the low modes [m] |
| D | 1 / (V (k_n^2 - k^2)) of the low modes [1/m] |
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import csysv

from roommodes.acoustics.dense.wall_terms import NotSmooth, WallTerms
from roommodes.acoustics.ports import Ports, smooth_weights
from roommodes.arrays import Complexes, Floats

LOW_REACH, LOW_MORE = 1.25, 0.4  # modes below LOW_REACH k + LOW_MORE [1/m] are taken one by one
NODES = 6
WORK = 64  # columns that the factorisation takes at a time
ROWS = 160  # of a system put together at a time
BELOW = -0.3  # where the nodes begin, over the largest k^2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoomTerms:
    """The equations at all frequencies.

    Parameters
    ----------
    walls : Y^-1.
    weight : (n_freq, n_node) of the smooth part's nodes.
    node : (n_node, unknown, unknown) B^T Z_bb B there.
    node_single : the same in single precision.
    node_point : (n_node, unknown, point) B^T Z_bp there.
    node_direct : (n_node, seat, source) Z_sc there.
    low : (n_freq, m) D.
    low_hz : (m,) of the low modes [Hz].
    overlap : (unknown, m) B^T U.
    shape : (m, point) the low modes at the points.
    seats : how many of the points are seats.
    """

    walls: WallTerms
    weight: Complexes
    node: Floats
    node_single: NDArray[np.float32]
    node_point: Floats
    node_direct: Floats
    low: Complexes
    low_hz: Floats
    overlap: Floats
    shape: Floats
    seats: int

    def answers(self, index: NDArray[np.intp]) -> Iterator[Complexes]:
        """a (unknown, point) of all equations at each of some frequencies, in single precision: for a basis."""
        size, overlap = len(self.overlap), self.overlap.astype(np.float32)
        system = np.zeros((size, size), dtype=np.complex64)  # its lower half is put together, again and again
        for one in index:
            weight, low = self.weight[one].astype(np.complex64), self.low[one].astype(np.complex64)
            for start in range(0, size, ROWS):
                rows, columns = slice(start, start + ROWS), slice(0, min(start + ROWS, size))
                node = self.node_single[:, rows, columns]
                for half, share, kernel in (
                    (system.real, weight.real, low.real),
                    (system.imag, weight.imag, low.imag),
                ):
                    part = (overlap[rows] * kernel) @ overlap[columns].T
                    part += np.tensordot(share, node, axes=1)
                    half[rows, columns] = part
            self.walls.add(system, int(one))
            right = np.tensordot(self.weight[one], self.node_point, axes=1)
            right += self.overlap @ (self.low[one, :, None] * self.shape)
            # half the work of gesv; the transpose lies in memory as Fortran has it
            found, info = csysv(system.T, right.astype(np.complex64), lwork=WORK * size, overwrite_a=1)[2:]
            if info:
                raise NotSmooth
            yield np.asarray(found, dtype=np.complex128)

    def at(self, index: NDArray[np.intp]) -> "RoomTerms":
        """Some of the frequencies alone."""
        return replace(self, walls=self.walls.at(index), weight=self.weight[index], low=self.low[index])

    def direct(self, part: NDArray[np.intp]) -> Complexes:
        """Z_sc: (k, seat, source)."""
        smooth = np.tensordot(self.weight[part], self.node_direct, axes=1)
        seat, source = self.shape[:, : self.seats], self.shape[:, self.seats :]
        return np.asarray(smooth + (seat.T[None] * self.low[part, None, :]) @ source)


def room_terms(ports: Ports, walls: WallTerms, k2: Complexes) -> RoomTerms:
    """The terms at some squared wavenumbers (n_freq,) [1/m2]."""
    top = float(np.abs(k2).max())
    cut = LOW_REACH * top**0.5 + LOW_MORE
    is_low = ports.k2_modes <= cut**2
    number = np.argwhere(is_low)
    nodes = 0.5 * top * ((1.0 + BELOW) + (1.0 - BELOW) * np.cos(np.pi * (np.arange(NODES) + 0.5) / NODES))
    rest = ports.real_at(nodes, without=is_low)
    shape = np.concatenate(ports.field.shapes_at(number))
    node = walls.mixed(walls.mixed(rest[3]).transpose(0, 2, 1))
    return RoomTerms(
        walls=walls,
        weight=smooth_weights(k2, nodes, cut),
        node=node,
        node_single=node.astype(np.float32),
        node_point=walls.mixed(np.concatenate([rest[1], rest[2]], axis=1).transpose(0, 2, 1)),
        node_direct=rest[0],
        low=1.0 / (ports.field.volume_m3 * (ports.k2_modes[is_low][None, :] - k2[:, None])),
        low_hz=np.sqrt(ports.k2_modes[is_low]) * (ports.room.air.speed_of_sound_m_s / (2.0 * np.pi)),
        overlap=walls.mixed(ports.overlaps(number)),
        shape=shape.T.copy(),
        seats=rest[1].shape[1],
    )
