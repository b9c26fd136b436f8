"""The equations of one part of the band, projected on a basis that serves it.

What is smooth there is put together at a few of the frequencies, and is the polynomial through these at all others:
the nodes' sums, the panes, and modes of the room well outside the part. Its own modes are taken one by one, and so are
walls of one strength, whose laws may have kinks, and what of a pane is no polynomial: two leaves stand still together
where one swings against the other, and their 1 / y has a pole there.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.dense.room_terms import RoomTerms
from roommodes.acoustics.dense.wall_terms import WallTerms, lagrange
from roommodes.arrays import Complexes, Floats

NODES = 14  # of the polynomials
SINGLE_ERROR = 1e-8  # of the polynomial, over the strength's median: beyond, an unknown is taken by itself
NEAR = 0.5  # modes so near to the part are taken one by one, over half its width: 2.6^-14 of the others' is missed


class Window:
    """The projected equations; rows of the basis come first, those of the probes after them.

    Parameters
    ----------
    terms : the full equations.
    hz : (n_freq,) theirs [Hz].
    index : frequencies that will be asked for.
    basis : (unknown, r).
    left : (unknown, r + probe) basis and probes.
    smooth : (node, r + probe, r) the nodes' sums between them.
    """

    def __init__(
        self,
        terms: RoomTerms,
        hz: Floats,
        index: NDArray[np.intp],
        *,
        basis: Complexes,
        left: Complexes,
        smooth: Complexes,
    ) -> None:
        nodes = _nodes(hz, index)
        at, walls = terms.at(nodes), terms.walls
        self.terms, self.hz, self.node_hz, self.shape = terms, hz, hz[nodes], (left.shape[1], basis.shape[1])
        low, high = hz[nodes].min(), hz[nodes].max()
        reach = NEAR * 0.5 * (high - low)
        self.near = (terms.low_hz >= low - reach) & (terms.low_hz <= high + reach)
        across = left.T @ terms.overlap
        self.across, far = across[:, self.near], across[:, ~self.near]
        far_low = at.low[:, ~self.near]
        self.own = _no_polynomials(walls, self._share(index), nodes, index)
        own = walls.single[self.own]
        self.rows = np.concatenate([self.across, left[own].T], axis=1)
        self.columns = np.concatenate([self.across[: basis.shape[1]].T, basis[own]])
        smooth_inverse = walls.single_inverse[nodes][:, ~self.own]
        smooth_walls = replace(walls.at(nodes), single=walls.single[~self.own], single_inverse=smooth_inverse)
        system = _walls_at(smooth_walls, left, basis)
        system += (at.weight @ smooth.reshape(len(smooth), -1)).reshape(system.shape)
        system += (far * far_low[:, None, :]) @ far[: basis.shape[1]].T
        right = np.tensordot(at.weight, left.T @ terms.node_point, axes=1)
        right += far @ (far_low[:, :, None] * terms.shape[~self.near])
        shared = [left[one.place].T @ (one.square[:, None] * basis[one.place]) for one in walls.shared]
        self.system = np.concatenate([system, *(one[None] for one in shared)]).reshape(-1, system[0].size)
        self.right = right.reshape(len(right), -1)

    def at(self, index: NDArray[np.intp]) -> tuple[Complexes, Complexes]:
        """The system (k, r + probe, r) and its right side (k, r + probe, point)."""
        share = lagrange(self.node_hz, self.hz[index]).astype(np.complex128)
        low = self.terms.low[index][:, self.near]
        rows, r = self.shape
        walls = self.terms.walls
        weight = np.concatenate([self._share(index), *(one.inverse[index][:, None] for one in walls.shared)], axis=1)
        system = (weight @ self.system).reshape(-1, rows, r)
        single = np.concatenate([low, walls.single_inverse[index][:, self.own]], axis=1)
        system += (self.rows * single[:, None, :]) @ self.columns
        right = (share @ self.right).reshape(len(index), rows, -1)
        right += self.across @ (low[:, :, None] * self.terms.shape[self.near])
        return system, right

    def _share(self, index: NDArray[np.intp]) -> Floats:
        """Of the nodes in what is there at some frequencies; stiffness over omega^2 is no polynomial."""
        share = lagrange(self.node_hz, self.hz[index])
        return np.asarray(share * np.square(self.node_hz / self.hz[index][:, None]))


def _no_polynomials(
    walls: WallTerms, share: Floats, nodes: NDArray[np.intp], index: NDArray[np.intp]
) -> NDArray[np.bool_]:
    """Which unknowns with a strength of their own the polynomial misses at some of the frequencies: (n,)."""
    inverse = walls.single_inverse
    missed = np.abs(share @ inverse[nodes] - inverse[index]).max(axis=0, initial=0.0)
    return np.asarray(missed > SINGLE_ERROR * np.median(np.abs(inverse), axis=0))


def _walls_at(walls: WallTerms, left: Complexes, basis: Complexes) -> Complexes:
    """Panes and their skins at the frequencies of `walls`: (k, r + probe, r)."""
    found = np.zeros((len(walls.single_inverse), left.shape[1], basis.shape[1]), dtype=np.complex128)
    rows, columns = left[walls.single].T, basis[walls.single]
    for number, inverse in enumerate(walls.single_inverse):
        found[number] = (rows * inverse) @ columns
    for skin in walls.skins:
        part = left[skin.place].T @ np.tensordot(skin.weight, skin.node, axes=1)
        found += part @ basis[skin.place]
    return found


def _nodes(hz: Floats, index: NDArray[np.intp]) -> NDArray[np.intp]:
    """Places of frequencies about where Chebyshev's points lie between the ends; all where there are few."""
    low, high = hz[index].min(), hz[index].max()
    inside = np.flatnonzero((hz >= low) & (hz <= high))
    inside = inside[np.unique(hz[inside], return_index=True)[1]]
    if len(inside) <= NODES:
        return np.asarray(inside)
    at = 0.5 * (low + high) - 0.5 * (high - low) * np.cos(np.pi * np.arange(NODES) / (NODES - 1))
    after = np.clip(np.searchsorted(hz[inside], at), 1, len(inside) - 1)
    before = after - (at - hz[inside[after - 1]] < hz[inside[after]] - at)
    return np.asarray(inside[np.unique(before)])
