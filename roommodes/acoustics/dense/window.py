"""The equations of one part of the band, projected on a basis that serves it.

What is smooth there is put together at a few of the frequencies, and is the polynomial through these at all others:
the nodes' sums, the panes, and modes of the room well outside the part. Its own modes are taken one by one, and so are
walls of one strength, whose laws may have kinks, and what of a pane is no polynomial: two leaves stand still together
where one swings against the other, and their 1 / y has a pole there.
"""

from dataclasses import replace
from math import prod

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.dense.room_terms import RoomTerms
from roommodes.acoustics.dense.wall_terms import WallTerms, lagrange
from roommodes.arrays import Complexes, Floats

NODES = 14  # of the polynomials
SINGLE_ERROR = 1e-8  # of the polynomial, over the strength's median: beyond, an unknown is taken by itself
NEAR = 1.0  # modes so near to the part are taken one by one, over half its width: 3.7^-14 of the others' is missed


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
        basis: Floats,
        left: Floats,
        smooth: Floats,
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
        smooth_inverse = walls.single_inverse[nodes][:, ~self.own]
        smooth_walls = replace(walls.at(nodes), single=walls.single[~self.own], single_inverse=smooth_inverse)
        system = _walls_at(smooth_walls, left, basis)
        system += weighted(at.weight, smooth)
        system += between(far, far_low, far[: basis.shape[1]].T)
        right = weighted(at.weight, left.T @ terms.node_point)
        right += between(far, far_low, terms.shape[~self.near])
        self.system, self.right = system.reshape(len(nodes), -1), right.reshape(len(nodes), -1)
        shared = [left[one.place].T @ (one.square[:, None] * basis[one.place]) for one in walls.shared]
        rows = np.concatenate([self.across, left[own].T], axis=1).T
        columns = np.concatenate([self.across[: basis.shape[1]], basis[own].T], axis=1).T
        self.single = np.concatenate(
            [np.array(shared).reshape(-1, *self.shape), rows[:, :, None] * columns[:, None, :]]
        )

    def at(self, index: NDArray[np.intp]) -> tuple[Complexes, Complexes]:
        """The system (k, r + probe, r) and its right side (k, r + probe, point)."""
        share, low = self._share(index), self.terms.low[index][:, self.near]
        walls = self.terms.walls
        inverse = [one.inverse[index][:, None] for one in walls.shared]
        weight = np.concatenate([*inverse, low, walls.single_inverse[index][:, self.own]], axis=1)
        system = _real_times(share, self.system).reshape(-1, *self.shape) + weighted(weight, self.single)
        right = _real_times(lagrange(self.node_hz, self.hz[index]), self.right).reshape(len(index), self.shape[0], -1)
        right += between(self.across, low, self.terms.shape[self.near])
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


def _walls_at(walls: WallTerms, left: Floats, basis: Floats) -> Complexes:
    """Panes and their skins at the frequencies of `walls`: (k, r + probe, r)."""
    found = between(left[walls.single].T, walls.single_inverse, basis[walls.single])
    for skin in walls.skins:
        both = left[skin.place].T @ np.concatenate([skin.node.real, skin.node.imag]) @ basis[skin.place]
        found += _real_times(skin.weight, _joined(both).reshape(len(skin.node), -1)).reshape(found.shape)
    return found


def weighted(weight: Complexes, matrix: Floats) -> Complexes:
    """Sums of real matrices with complex weights: (k, n), (n, ...) -> (k, ...)."""
    both = np.concatenate([weight.real, weight.imag]) @ matrix.reshape(len(matrix), prod(matrix.shape[1:]))
    return _joined(both.reshape(-1, *matrix.shape[1:]))


def between(rows: Floats, diagonal: Complexes, columns: Floats) -> Complexes:
    """Real matrices times complex diagonal ones times real ones: (r, n), (k, n), (n, c) -> (k, r, c)."""
    return _joined((rows * np.concatenate([diagonal.real, diagonal.imag])[:, None, :]) @ columns)


def _joined(both: Floats) -> Complexes:
    """Real parts, then imaginary ones, in one complex array: (2 k, ...) -> (k, ...)."""
    count = len(both) // 2
    found = np.empty((count, *both.shape[1:]), dtype=np.complex128)
    found.real, found.imag = both[:count], both[count:]
    return found


def _real_times(weight: Floats, matrix: Complexes) -> Complexes:
    """(k, n) real, (n, m) complex -> (k, m)."""
    return np.asarray(weight @ matrix.view(np.float64)).view(np.complex128)


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
